//! The time-domain control against the steady cases: two roads, and the numbers it must carry.

use mixwright_proof::circuit::{DiodeParameters, Element, Kind, Tone};
use mixwright_proof::collocation::{NoiseSettings, Settings, Shot, solve};
use mixwright_proof::steady::{Allowance, ORIGIN, check_point};
use mixwright_proof::theory::drive::Exponential;
use mixwright_proof::{CheckValue, Expected, Origin, steady_case};

/// What the control is asked for: gain to 1e-6 dB, spurs to -120 dBc within 0.01 dB.
const ALLOWANCE: Allowance<'_> = Allowance {
    gain_db: 1e-6,
    isolation_db: 1e-4,
    relative: 1e-7,
    mean: 1e-9,
    spur_db: 0.01,
    spur_floor_dbc: -120.0,
    independent_tones: false,
    null_slack: 1e-9,
    because: "rounding of the stated number and mesh tolerance; the mesh does not share the symmetry of the circuit",
};

/// Solves the points of a case whose label passes, and checks every stated number.
fn check_case(prefix: &str, pick: &dyn Fn(&str) -> bool) {
    let case = steady_case(prefix);
    let mut n_checked = 0;
    for point in case.points.iter().filter(|p| !p.metrics.is_empty() && pick(&p.label)) {
        let solution = solve(&point.elements, case.f0_hz, &Settings::default()).expect("the control solves its cases");
        let voltage = |port: usize, f: f64| solution.port_voltage(port, f);
        n_checked += check_point(&case, point, &voltage, &|id, f| solution.diode_current(id, f), &ALLOWANCE);
    }
    assert!(n_checked >= 3, "{prefix}: a point was checked");
}

#[test]
fn single_diode_in_a_series_loop() {
    check_case("case03", &|_| true);
}

#[test]
fn single_balanced_pair() {
    check_case("case05a", &|_| true);
}

#[test]
fn ideal_ring() {
    check_case("case06", &|label| {
        ["LO=1 dBm", "LO=7 dBm", "LO=13 dBm", "LO=17 dBm"].iter().any(|l| label.starts_with(l))
    });
}

#[test]
fn ring_with_leakage_inductance() {
    check_case("case08b", &|label| label.starts_with("LO=1 dBm") || label.starts_with("LO=13 dBm"));
}

#[test]
fn star_on_coupled_lines() {
    check_case("case11b", &|label| label.starts_with("f_LO=10 GHz: LO=10 dBm"));
}

#[test]
fn subharmonic_pair_on_lines() {
    check_case("case12a", &|label| label.starts_with("LO=7 dBm"));
}

#[test]
fn varactor_up_converter() {
    check_case("case13a", &|label| label.starts_with("pump=8 dBm"));
}

#[test]
fn ring_with_shorted_image() {
    check_case("case14", &|label| label.contains("LO=10 dBm"));
}

#[test]
fn ring_with_opened_sum() {
    check_case("case15b", &|label| label.starts_with("LO=13 dBm"));
}

#[test]
fn varactor_obeys_manley_rowe() {
    let case = steady_case("case13a");
    let point = &case.points[2];
    let solution = solve(&point.elements, case.f0_hz, &Settings::default()).expect("the control solves its cases");
    let f_s = point.f_rf_hz.expect("two tones");
    let (mut by_pump, mut by_signal, mut scale) = (0.0, 0.0, 0.0f64);
    for row in &point.junction_powers {
        let f = f64::from(row.m) * point.f_lo_hz + f64::from(row.n) * f_s;
        let power = solution.junction_power("D1", f.abs());
        if let Expected::Value { value, rounding, .. } = row.watt {
            let what = format!("power into the junction at ({}, {}), W", row.m, row.n);
            let because = "rounding of the stated number; mesh tolerance times the largest power";
            CheckValue { what: &what, expected: value, within: rounding + 1e-13, because, origin: ORIGIN }.check(power);
        }
        by_pump += f64::from(row.m) * power / f;
        by_signal += f64::from(row.n) * power / f;
        scale = scale.max((power / f).abs());
    }
    let origin = Origin::Published {
        source: "J. M. Manley, H. E. Rowe, Some general properties of nonlinear elements, Proc. IRE 44 (1956) 904",
    };
    let because = "the listed products hold all but a hundred-thousandth of the power";
    CheckValue { what: "Manley-Rowe sum over m, relative", expected: 0.0, within: 1e-5, because, origin }
        .check(by_pump / scale);
    CheckValue { what: "Manley-Rowe sum over n, relative", expected: 0.0, within: 1e-5, because, origin }
        .check(by_signal / scale);
}

fn ring_of(prefix: &str, label: &str) -> (Vec<Element>, f64) {
    let case = steady_case(prefix);
    let point = case.points.iter().find(|p| p.label.starts_with(label)).expect("a point of that label");
    (point.elements.clone(), case.f0_hz)
}

#[test]
fn compression_of_the_ring() {
    let case = steady_case("case10a");
    let point = &case.points[1];
    let sweep = &point.compression.as_ref().expect("a sweep").sweep;
    for (dbm, expected) in [sweep[1], *sweep.last().expect("levels")] {
        let mut elements = point.elements.clone();
        set_rf(&mut elements, dbm);
        let solution = solve(&elements, case.f0_hz, &Settings::default()).expect("the control solves its cases");
        let f_if = point.f_rf_hz.expect("two tones") - point.f_lo_hz;
        let out_w = solution.port_voltage(3, f_if).norm_sqr() / 100.0;
        let gain = 10.0 * (out_w / 1e-3).log10() - dbm;
        if let Expected::Value { value, rounding, .. } = expected {
            let what = format!("ring, LO 10 dBm, RF {dbm} dBm: conversion gain, dB");
            let because = "rounding of the stated number and mesh tolerance";
            CheckValue { what: &what, expected: value, within: rounding + 1e-6, because, origin: ORIGIN }.check(gain);
        }
    }
}

fn set_rf(elements: &mut [Element], dbm: f64) {
    for element in elements {
        if let Kind::Port { index: 2, tones, .. } = &mut element.kind {
            tones[0].available_w = mixwright_proof::circuit::watt_of_dbm(dbm);
        }
    }
}

#[test]
fn a_finer_mesh_finds_the_same() {
    let (elements, f0) = ring_of("case08b", "LO=10 dBm");
    let level = |tail_v: f64| {
        let settings = Settings { tail_v, ..Settings::default() };
        let solution = solve(&elements, f0, &settings).expect("the control solves its cases");
        solution.port_voltage(3, f0).norm()
    };
    // Three tolerances, two decades apart: the answer moves less and less.
    let (coarse, middle, fine) = (level(1e-4), level(1e-6), level(1e-8));
    assert!((middle - fine).abs() < 1e-8 * fine, "{middle} {fine}");
    assert!((middle - fine).abs() < (coarse - fine).abs(), "{coarse} {middle} {fine}");
}

#[test]
fn pumped_junction_of_theory_k1() {
    // 40 GHz, +5 dBm behind 50 ohm into a diode with charge; expected numbers from two independent
    // solutions (spectral collocation with 512 points, stiff time stepping) that agree to 2e-11 V.
    let diode = DiodeParameters {
        is_a: 5e-14,
        n: 1.1,
        rs_ohm: 6.0,
        cj0_f: 30e-15,
        vj_v: 0.75,
        m: 0.5,
        fc: 0.5,
        tt_s: 0.0,
        breakdown: None,
    };
    let nodes = || ["a".to_owned(), "0".to_owned()];
    let lo = Tone { name: "LO".into(), f_hz: 40e9, available_w: 10f64.powf(-2.5), phase_rad: 0.0 };
    let port = Kind::Port { nodes: nodes(), r_ohm: 50.0, index: 1, vdc_v: 0.0, tones: vec![lo] };
    let elements = [
        Element { id: "P1".into(), kind: port },
        Element { id: "D1".into(), kind: Kind::Diode { nodes: nodes(), parameters: diode } },
    ];
    let solution = solve(&elements, 40e9, &Settings { tail_v: 1e-9, ..Settings::default() }).expect("one diode");
    let origin = Origin::Derived { how: "spectral collocation, 512 points, and stiff time stepping" };
    let idc = solution.diode_current("D1", 0.0).re;
    CheckValue {
        what: "K1 mean current, A",
        expected: 9.762_293_622e-4,
        within: 1e-12,
        because: "1e-9 relative",
        origin,
    }
    .check(idc);
    let expected = [
        (0.431_217_789, -0.176_847_349),
        (-0.053_669_440, 0.027_709_846),
        (0.007_218_706, 0.019_692_539),
        (0.005_654_560, 0.000_426_897),
    ];
    let because = "stated tolerance 2e-8 V";
    for (k, (re, im)) in expected.into_iter().enumerate() {
        let half = 0.5 * solution.junction_voltage("D1", 40e9 * (k + 1) as f64);
        let what = format!("K1 junction voltage, harmonic {}, two-sided, V", k + 1);
        CheckValue { what: &what, expected: re, within: 2e-8, because, origin }.check(half.re);
        CheckValue { what: &what, expected: im, within: 2e-8, because, origin }.check(half.im);
    }
}

#[test]
fn a_foreign_tone_is_refused() {
    let (elements, _) = ring_of("case06", "LO=1 dBm");
    let reason = solve(&elements, 0.3e9, &Settings::default()).expect_err("0.3 GHz does not divide 10 GHz");
    assert!(reason.contains("multiple of 300000000 Hz"), "{reason}");
}

fn element(id: &str, kind: Kind) -> Element {
    Element { id: id.to_owned(), kind }
}

fn ends(a: &str, b: &str) -> [String; 2] {
    [a.to_owned(), b.to_owned()]
}

#[test]
fn inductors_in_series_are_one_inductor() {
    // The node between the two halves ties their currents: state equations of index two.
    let (elements, f0) = ring_of("case08b", "LO=10 dBm");
    let mut split: Vec<Element> = elements.iter().filter(|e| e.id != "Lleak").cloned().collect();
    split.push(element("L1", Kind::Inductor { nodes: ends("a1", "between"), henry: 0.03e-9 }));
    split.push(element("L2", Kind::Inductor { nodes: ends("between", "a"), henry: 0.07e-9 }));
    let level = |elements: &[Element]| {
        let solution = solve(elements, f0, &Settings::default()).expect("the control solves its cases");
        solution.port_voltage(3, f0)
    };
    let (one, two) = (level(&elements), level(&split));
    assert!((one - two).norm() < 1e-9 * one.norm(), "{one} {two}");
}

#[test]
fn capacitors_in_a_loop_are_their_sum() {
    // Pads round the ring form a loop; two in series beside each must act as their combination.
    let (elements, f0) = ring_of("case06", "LO=7 dBm");
    let pads = |farad: f64| {
        let mut with = elements.clone();
        for (k, (a, b)) in [("a", "b"), ("b", "c"), ("c", "d"), ("d", "a")].into_iter().enumerate() {
            with.push(element(&format!("C{k}"), Kind::Capacitor { nodes: ends(a, b), farad }));
        }
        with
    };
    let mut in_series = pads(10e-15);
    in_series.push(element("Cx", Kind::Capacitor { nodes: ends("a", "mid"), farad: 20e-15 }));
    in_series.push(element("Cy", Kind::Capacitor { nodes: ends("mid", "b"), farad: 20e-15 }));
    // A resistor keeps the node between from floating at direct current.
    in_series.push(element("R", Kind::Resistor { nodes: ends("mid", "0"), ohm: 1e9 }));
    let mut direct = pads(10e-15);
    direct.push(element("Cxy", Kind::Capacitor { nodes: ends("a", "b"), farad: 10e-15 }));
    let level = |elements: &[Element]| {
        let solution = solve(elements, f0, &Settings::default()).expect("the control solves its cases");
        solution.port_voltage(3, f0)
    };
    let (one, two) = (level(&in_series), level(&direct));
    assert!((one - two).norm() < 1e-7 * one.norm(), "{one} {two}");
}

#[test]
fn a_capacitor_across_a_bare_junction_is_refused() {
    let case = steady_case("case13a");
    let mut elements = case.points[0].elements.clone();
    elements.push(element("Cj", Kind::Capacitor { nodes: ends("x", "0"), farad: 1e-14 }));
    let reason = solve(&elements, case.f0_hz, &Settings::default()).expect_err("index two");
    assert!(reason.contains("across a junction without series resistance"), "{reason}");
}

/// Currents of the single diode of case 01 by three roads: the stated numbers, the closed form, the control.
#[test]
fn diode_behind_a_resistor_against_the_closed_form() {
    let case = steady_case("case01");
    for point in &case.points {
        let settings = Settings { tail_v: 1e-8, n_least: 40, ..Settings::default() };
        let solution = solve(&point.elements, case.f0_hz, &settings).expect("one diode");
        let diode = point.elements.iter().find_map(|e| match &e.kind {
            Kind::Diode { parameters, .. } => Some(*parameters),
            _ => None,
        });
        let junction = Exponential::of(&diode.expect("one diode"));
        let peak = (8.0 * 50.0 * mixwright_proof::circuit::watt_of_dbm(point.lo_dbm.expect("a level"))).sqrt();
        for k in 0..=10u32 {
            let Expected::Phasor { mag, phase_deg, rounding, .. } = point.metrics[&format!("I_{k}")] else {
                panic!("currents are phasors");
            };
            let stated = mag * phase_deg.to_radians().cos();
            let closed = junction.series_harmonic(50.0, 0.0, peak, k, 1 << 14);
            let what = format!("case01 {}: I_{k}, A", point.label);
            let because = "rounding of the stated number; rounding of the mean current";
            let within = rounding + 1e-15 * junction.series_current(50.0, peak);
            CheckValue { what: &what, expected: stated, within, because, origin: ORIGIN }.check(closed);
            let control = solution.diode_current("D1", f64::from(k) * case.f0_hz).re;
            let because = "mesh tolerance, relative to the fundamental";
            let within = rounding + 1e-8 * junction.series_harmonic(50.0, 0.0, peak, 1, 1 << 14);
            CheckValue { what: &what, expected: stated, within, because, origin: ORIGIN }.check(control);
        }
    }
}

#[test]
fn voltage_driven_junction_against_bessel_functions() {
    let junction = Exponential { is_a: 1e-12, slope_v: mixwright_proof::circuit::THERMAL_VOLTAGE_V };
    for drive in steady_case("case01").voltage_drive {
        for (k, expected) in drive.current_a.iter().enumerate() {
            let what = format!("voltage drive {} V + {} V: I_{k}, A", drive.v0_v, drive.v1_v);
            let origin = Origin::Derived { how: "modified Bessel functions in 40-digit arithmetic" };
            let because = "rounding, made larger by the exponent";
            CheckValue { what: &what, expected: *expected, within: 1e-12 * expected.abs(), because, origin }
                .check(junction.harmonic_current(drive.v0_v, drive.v1_v, k as u32));
        }
    }
}

/// Small signals: every listed entry of the full, untruncated matrix.
fn check_small_signal(prefix: &str) {
    let case = steady_case(prefix);
    for point in &case.points {
        let Some(small) = &point.small_signal else { continue };
        let settings = Settings { tail_v: 1e-9, n_first: 40, n_least: 40, ..Settings::default() };
        let solution = solve(&point.elements, point.f_lo_hz, &settings).expect("the control solves its cases");
        let scattering = solution.scattering(small.f_if_hz, -4..=4).expect("no lines");
        let mut worst = 0.0f64;
        for entry in &small.matrix {
            let found = scattering.entry(entry.port_out, entry.k_out, entry.port_in, entry.k_in);
            worst = worst.max((found.re - entry.re).abs()).max((found.im - entry.im).abs());
        }
        let what = format!("{} {}: largest miss of the {} entries of S", case.id, point.label, small.matrix.len());
        let because = "ten stated digits; mesh tolerance";
        CheckValue { what: &what, expected: 0.0, within: 1e-9, because, origin: ORIGIN }.check(worst);
        let gain = 20.0 * scattering.entry(3, 0, 2, 1).norm().log10();
        if let Expected::Value { value, .. } = small.conversion_gain_rf_to_if_db {
            let what = format!("{} {}: small-signal conversion gain, dB", case.id, point.label);
            CheckValue { what: &what, expected: value, within: 1e-6, because, origin: ORIGIN }.check(gain);
        }
    }
}

#[test]
fn small_signals_of_the_single_diode() {
    check_small_signal("case03");
}

#[test]
fn small_signals_of_the_ideal_ring() {
    check_small_signal("case06");
}

#[test]
fn small_signals_of_the_ring_with_shorted_image() {
    check_small_signal("case14");
}

/// Noise by weighting functions: every contribution, under each reading of the shot noise.
fn check_noise(prefix: &str) {
    let case = steady_case(prefix);
    let mut n_checked = 0;
    for point in &case.points {
        let Some(small) = &point.small_signal else { continue };
        let settings = Settings { tail_v: 1e-9, n_first: 40, n_least: 40, ..Settings::default() };
        let solution = solve(&point.elements, point.f_lo_hz, &settings).expect("the control solves its cases");
        for noise in &small.noise {
            let shot = match noise.shot.as_str() {
                "2qI" => Shot::Current,
                "2q(I+IS)" => Shot::Forward,
                "2q(I+2IS)" => Shot::Both,
                other => panic!("expected a known reading of the shot noise, found {other}"),
            };
            let settings = NoiseSettings { ports_k: 290.0, diodes_k: 300.0, shot };
            let found = solution.noise(3, small.f_if_hz, &settings).expect("no lines");
            let scale = found.values().copied().fold(0.0, f64::max);
            for (name, expected) in &noise.contributions {
                let what = format!("{} {}: {name} with {}, V²/Hz", case.id, point.label, noise.shot);
                match expected {
                    Expected::Value { value, rounding, .. } => {
                        let because = "rounding of the stated number; mesh tolerance";
                        let within = rounding + 1e-8 * value.abs();
                        CheckValue { what: &what, expected: *value, within, because, origin: ORIGIN }
                            .check(found[name]);
                    }
                    _ => assert!(found[name] < 1e-9 * scale, "{what}: zero by symmetry, found {}", found[name]),
                }
                n_checked += 1;
            }
        }
    }
    assert!(n_checked > 0, "{prefix}: noise was checked");
}

#[test]
fn noise_of_the_single_diode() {
    check_noise("case03");
}

#[test]
fn noise_of_the_ideal_ring() {
    check_noise("case06");
}

/// With `2q(I+IS)`, ideality `N` and all terminations at `N T/2`, an ideal junction looks like a
/// resistor at that temperature: the output noise is `4 k (N T/2) Re(Zout || R)`.
#[test]
fn shot_noise_theorem() {
    let case = steady_case("case03");
    for point in case.points.iter().filter(|p| !p.theorem.is_empty()) {
        let mut elements = point.elements.clone();
        set_rf(&mut elements, f64::NEG_INFINITY);
        let settings = Settings { tail_v: 1e-9, n_first: 40, n_least: 40, ..Settings::default() };
        let solution = solve(&elements, point.f_lo_hz, &settings).expect("the control solves its cases");
        let ports_k = point.terminations_k.expect("a temperature");
        let f_if = 0.5e9;
        let noise = NoiseSettings { ports_k, diodes_k: 300.0, shot: Shot::Forward };
        let found = solution.noise(3, f_if, &noise).expect("no lines");
        let total: f64 = found.iter().filter(|(name, _)| !name.ends_with("own_sideband")).map(|(_, v)| v).sum();
        // Impedance of output and load side by side, from the reflection: R (1 + Gamma)/2.
        let gamma = solution.scattering(f_if, 0..=0).expect("no lines").entry(3, 0, 3, 0);
        let expected = 4.0 * 1.380_649e-23 * ports_k * 25.0 * (1.0 + gamma.re);
        let what = format!("{}: noise over 4 k (N T/2) Re(Zout || R)", point.label);
        let origin = Origin::Published {
            source: "C. Dragone, Analysis of thermal and shot noise in pumped resistive diodes, BSTJ 47 (1968) 1883",
        };
        CheckValue { what: &what, expected: 1.0, within: 1e-9, because: "an identity; mesh tolerance", origin }
            .check(total / expected);
    }
}
