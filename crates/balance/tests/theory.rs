//! Closed forms and worked examples of mixer theory, sections A, C, E, F, H and K of the theory file.
//!
//! Source of the numbers: `proof::theory` and `data/theory.json` of that crate, where each formula
//! stands with its own source.

mod common;

use common::bare::{Face, LinearVaractor, NO_OHM, Switch, WithShot, at_port, one_junction, voltage};
use common::{J_DIODE, TEMP_K, check_theory, db, junction, last_number};
use diode::Device;
use mixwright_balance::{
    BalanceSettings, Conversion, Drive, NoiseSettings, Problem, PumpedState, ShotLaw, SteadyState, noise_at, perturb,
    solve,
};
use num_complex::Complex64;
use proof::circuit::DiodeParameters;
use proof::theory::drive::Exponential;
use proof::theory::noise::equilibrium;
use proof::theory::resistive::{Image, minimum_loss, pulse_coefficient};
use proof::{CheckValue, Origin};
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

const F_LO: f64 = 10e9;
/// Not a simple fraction of the LO.
const F_IF: f64 = 0.73e9;

fn exponential(is_a: f64, n: f64) -> (Arc<dyn Device>, Exponential) {
    let parameters = DiodeParameters { is_a, n, ..J_DIODE };
    (junction(&parameters), Exponential::of(&parameters))
}

fn near(a_hz: f64, b_hz: f64) -> bool {
    (a_hz - b_hz).abs() < 1.0
}

fn tight(pump_order: usize) -> BalanceSettings {
    BalanceSettings { pump_order, dense_order: pump_order, residual_v: 1e-13, ..BalanceSettings::default() }
}

fn solved(problem: &Problem, settings: &BalanceSettings) -> SteadyState {
    let (state, report) = solve(problem, settings).expect("converges");
    assert!(report.residual <= settings.residual_v);
    state
}

/// A junction whose voltage is given at all pump harmonics (port 0) and that faces `others` at the
/// signal frequencies named there; all else is shorted.
fn voltage_driven(device: Arc<dyn Device>, junction_ohm: f64, ports_ohm: &[f64], others: Vec<(f64, Face)>) -> Problem {
    let mut ports = vec![NO_OHM];
    ports.extend_from_slice(ports_ohm);
    one_junction(device, junction_ohm, &ports, &[F_LO], move |f| {
        let harmonic = f / F_LO;
        match others.iter().find(|(at, _)| near(*at, f)) {
            Some((_, face)) => *face,
            None if (harmonic - harmonic.round()).abs() < 1e-9 => at_port(0),
            None => Face::Short,
        }
    })
}

#[test]
fn a3_voltage_driven_diode() {
    let (device, law) = exponential(1e-13, 1.08);
    let (v0, v1) = (0.3, 0.3);
    // at sidebands 0 and k the junction faces 100 ohm, elsewhere a short: two admittances decide all
    let conductance = |k: i32| {
        let r = 100.0;
        let sidebands = vec![(F_IF, at_port(1)), ((f64::from(k) * F_LO + F_IF).abs(), at_port(2))];
        let mut problem = voltage_driven(device.clone(), 1e-3, &[r, r], sidebands);
        problem.drives = vec![voltage(0, vec![0], v0, NO_OHM, 0.0), voltage(0, vec![1], v1, NO_OHM, 0.0)];
        let state = solved(&problem, &tight(48));
        let conversion = PumpedState::new(&problem, &state, 48).expect("pump only").conversion(F_IF).expect("lane");
        if k == 0 {
            let s = conversion.scattered(&[(1, 0)]).expect("solves")[0].at(1, 0);
            return ((1.0 - s) / (1.0 + s)).re / r;
        }
        // Y = (1 − S)(1 + S)⁻¹/R, off-diagonal entry of a symmetric pair: −2·S21/((1+S11)² − S21²)/R
        let s = conversion.scattered(&[(1, 0)]).expect("solves")[0].clone();
        let (s11, s21) = (s.at(1, 0).re, s.at(2, k).re);
        -2.0 * s21 / ((1.0 + s11).powi(2) - s21 * s21) / r
    };
    let mut problem = voltage_driven(device.clone(), 50.0, &[], Vec::new());
    problem.drives = vec![voltage(0, vec![0], v0, NO_OHM, 0.0), voltage(0, vec![1], v1, NO_OHM, 0.0)];
    let state = solved(&problem, &tight(48));
    let current = |k: i32| state.junction_current(0, &[k]).expect("kept").re;
    check_theory("A3", &|name| match name.chars().next()? {
        'g' => Some(conductance(name[1..2].parse().ok()?)),
        _ if name == "Idc" => Some(current(0)),
        _ => Some(current(name[1..2].parse().ok()?)),
    });
    // A4: k·I_k = V1·(g_{k−1} − g_{k+1}), whatever the law of the junction
    let origin = Origin::Derived { how: "A4: di/dt = g·dv/dt" };
    let ratio = v1 * (conductance(0) - conductance(2)) / current(1);
    let because = "both sides carry the 1e-10 of A3";
    CheckValue { what: "V1·(g0 − g2)/I1", expected: 1.0, within: 1e-9, because, origin }.check(ratio);
    assert!((law.harmonic_conductance(v0, v1, 0) / conductance(0) - 1.0).abs() < 1e-9);
}

#[test]
fn a5_self_bias_with_an_open_direct_current_path() {
    let found = |v1: f64| {
        // the answer does not depend on IS; a large one keeps the current above rounding
        let (device, _) = exponential(1e-5, 1.08);
        let mut problem =
            one_junction(device, 50.0, &[NO_OHM], &[F_LO], |f| if f == 0.0 { Face::Open } else { at_port(0) });
        problem.drives = vec![voltage(0, vec![1], v1, NO_OHM, 0.0)];
        let state = solved(&problem, &tight(64));
        state.junction_voltage(0, &[0]).expect("kept").re
    };
    check_theory("A5", &|name| Some(found(last_number(name))));
}

#[test]
fn a6_two_tones_on_an_exponential() {
    let (device, law) = exponential(1e-9, 1.0);
    let mut problem = one_junction(device, 50.0, &[NO_OHM], &[F_LO, F_LO * 0.0618], |_| at_port(0));
    problem.drives =
        vec![voltage(0, vec![1, 0], 8.0 * law.slope_v, NO_OHM, 0.0), voltage(0, vec![0, 1], law.slope_v, NO_OHM, 0.0)];
    let settings = BalanceSettings { signal_order: 14, oversample: 2.0, ..tight(40) };
    let state = solved(&problem, &settings);
    check_theory("A6", &|name| {
        let orders: Vec<i32> = name[2..5].split(',').map(|n| n.parse().expect("an order")).collect();
        let sum = state.junction_current(0, &orders)?.norm();
        let difference = state.junction_current(0, &[-orders[0], orders[1]])?.norm();
        assert!((sum - difference).abs() < 1e-9 * sum, "{name}: the sum and difference lines are equal");
        Some(sum / law.is_a)
    });
}

#[test]
fn a7_diode_behind_a_resistor() {
    let (device, law) = exponential(1e-13, 1.08);
    let mut problem = one_junction(device, 50.0, &[56.0], &[F_LO], |_| at_port(0));
    problem.drives = vec![voltage(0, vec![1], 1.0, 56.0, 0.0)];
    let state = solved(&problem, &tight(256));
    check_theory("A7", &|name| match name {
        // the current at the crest from the junction's voltage sample there
        "i at e=+1.0 V" => Some((1.0 - state.junction_voltage_samples(0)[0]) / 56.0),
        "Idc" => Some(state.junction_current(0, &[0])?.re),
        _ => Some(state.junction_current(0, &[name[1..2].parse().ok()?])?.re),
    });
    assert!((law.series_current(56.0, 1.0) - (1.0 - state.junction_voltage_samples(0)[0]) / 56.0).abs() < 1e-12);
}

/// Available loss from the signal port (2) to the conjugately matched IF port (1).
fn available_loss_db(conversion: &Conversion) -> f64 {
    let from_signal = &conversion.scattered(&[(2, 1)]).expect("solves")[0];
    let from_if = &conversion.scattered(&[(1, 0)]).expect("solves")[0];
    -db(from_signal.at(1, 0).norm_sqr() / (1.0 - from_if.at(1, 0).norm_sqr()))
}

/// Ports 1 IF, 2 signal, 3 image, all other sidebands shorted: the mixer of three frequencies.
fn three_frequencies(device: Arc<dyn Device>, junction_ohm: f64, source_s: f64, image: Image) -> Problem {
    let image_face = match image {
        Image::Short => Face::Short,
        Image::Open => Face::Open,
        Image::Matched => at_port(3),
    };
    let faces = vec![(F_IF, at_port(1)), (F_LO + F_IF, at_port(2)), (F_LO - F_IF, image_face)];
    let r = 1.0 / source_s;
    voltage_driven(device, junction_ohm, &[r, r, r], faces)
}

fn pumped(problem: &Problem, settings: &BalanceSettings) -> Conversion {
    let state = solved(problem, settings);
    let pumped = PumpedState::new(problem, &state, settings.dense_order).expect("pump only");
    pumped.conversion(F_IF).expect("lane")
}

fn image_named(name: &str) -> Image {
    match () {
        () if name.contains("short") => Image::Short,
        () if name.contains("open") => Image::Open,
        () => Image::Matched,
    }
}

#[test]
fn c1_to_c3_minimum_loss_of_the_pumped_exponential() {
    for (id, x) in [("C1", 5.0), ("C2", 10.0), ("C3", 20.0)] {
        let (device, law) = exponential(1e-9, 1.0);
        let g = |n| law.harmonic_conductance(0.0, x * law.slope_v, n);
        let loss = |image: Image, factor: f64| {
            let best = minimum_loss(g(0), g(1), g(2), image).source_s;
            let mut problem = three_frequencies(device.clone(), 1e-4 / g(0), factor * best, image);
            problem.drives = vec![voltage(0, vec![1], x * law.slope_v, NO_OHM, 0.0)];
            available_loss_db(&pumped(&problem, &tight(48)))
        };
        check_theory(id, &|name| name.starts_with('L').then(|| loss(image_named(name), 1.0)));
        // the stated source conductance is a minimum: both sides of it lose more
        for image in [Image::Short, Image::Open, Image::Matched] {
            let best = loss(image, 1.0);
            assert!(loss(image, 1.01) > best && loss(image, 0.99) > best, "{id} {image:?}");
        }
    }
}

#[test]
fn c4_minimum_loss_of_a_conductance_pulse() {
    check_theory("C4", &|name| {
        let t = last_number(name);
        let (g_on, image) = (0.02, image_named(name));
        let g0 = g_on * t;
        let best = minimum_loss(g0, g0 * pulse_coefficient(1, t), g0 * pulse_coefficient(2, t), image).source_s;
        let device = Arc::new(Switch { conductance_s: g_on, knee_v: (PI * t).cos() });
        let mut problem = three_frequencies(device, 1e-6 / g_on, best, image);
        // 20480 samples: a whole even number of them lies under each pulse; half a step of phase puts
        // its edges between samples
        let settings = BalanceSettings { oversample: 325.0, residual_v: 1e-11, ..tight(31) };
        problem.drives = vec![voltage(0, vec![1], 1.0, NO_OHM, PI / 20480.0)];
        let state = solved(&problem, &settings);
        assert_eq!(state.junction_voltage_samples(0).len(), 20480);
        Some(available_loss_db(&pumped(&problem, &settings)))
    });
}

const E1_X: f64 = 10.0;

/// The three-frequency mixer of E1 and its conversion.
fn e1(extra_is: f64) -> Conversion {
    let (inner, law) = exponential(1e-9, 1.15);
    let device = Arc::new(WithShot { inner, is_a: law.is_a, extra: extra_is });
    let g0 = law.harmonic_conductance(0.0, E1_X * law.slope_v, 0);
    let mut problem = three_frequencies(device, 1e-4 / g0, 0.2 * g0, Image::Matched);
    problem.drives = vec![voltage(0, vec![1], E1_X * law.slope_v, NO_OHM, 0.0)];
    pumped(&problem, &tight(48))
}

/// Available noise temperature at the IF terminals, kelvin.
fn output_temperature_k(conversion: &Conversion, port_temp_k: f64, shot: ShotLaw) -> f64 {
    let settings = NoiseSettings { network_temp_k: port_temp_k, port_temp_k, shot };
    let budget = noise_at(conversion, 1, 0, &settings).expect("solves");
    let emitted = budget.total_w_per_hz() / quantity::constants::BOLTZMANN_J_PER_K;
    emitted / (1.0 - budget.own_gamma.norm_sqr())
}

#[test]
fn e1_attenuator_noise_theorem() {
    // with 2q(i + IS) the correlation is exactly 4k(nT/2)·g: the condition i >> IS of the theorem falls
    let conversion = e1(1.0);
    check_theory("E1", &|name| match name {
        "Ls (available)" => Some(available_loss_db(&conversion)),
        "T_out from correlation matrix" => Some(output_temperature_k(&conversion, 290.0, ShotLaw::Device)),
        "T_out from attenuator at nT/2" => {
            let shot = ShotLaw::Thermal { temp_k: 1.15 * TEMP_K / 2.0 };
            Some(output_temperature_k(&conversion, 290.0, shot))
        }
        _ => None,
    });
}

#[test]
fn e2_pumped_resistor_in_equilibrium() {
    let t = output_temperature_k(&e1(1.0), 300.0, ShotLaw::Thermal { temp_k: 300.0 });
    let origin = Origin::Derived { how: "E2: second law; Nyquist argument (A. R. Kerr 1979, from memory)" };
    let because = "1e-9 relative is asked";
    CheckValue { what: "E2: T_out, K", expected: 300.0, within: 300.0 * 1e-9, because, origin }.check(t);
}

#[test]
fn f2_pumped_capacitor_with_one_sideband() {
    // LO 20 GHz instead of F_LO: signal 1 GHz, upper sideband 21 GHz, lower 19 GHz
    let (f_lo, f_s, c0, c1) = (20e9, 1e9, 50e-15, 10e-15);
    let g = 0.02;
    let sideband = |k: i32| {
        let f_out = (f_s + f64::from(k) * f_lo).abs();
        let tuned = move |port, f: f64| Face::Port { port, susceptance_s: -TAU * f * c0, series_ohm: 0.0 };
        // the two-sided coefficient of the pumped capacitance is c1/2·V per volt of peak drive
        let device = Arc::new(LinearVaractor { c0_f: c0, c1_f_per_v: 2.0 * c1 });
        let mut problem = one_junction(device, 50.0, &[NO_OHM, 1e5, 1.0 / g], &[f_lo], move |f| match () {
            () if near(f, f_s) => tuned(1, f),
            () if near(f, f_out) => tuned(2, f),
            () if near(f, f_lo) => at_port(0),
            () => Face::Short,
        });
        problem.drives = vec![voltage(0, vec![1], 1.0, NO_OHM, 0.0)];
        let state = solved(&problem, &tight(8));
        let conversion = PumpedState::new(&problem, &state, 8).expect("pump only").conversion(f_s).expect("lane");
        conversion.scattered(&[(1, 0)]).expect("solves").remove(0)
    };
    let input_s = |k: i32| {
        let gamma = sideband(k).at(1, 0);
        ((1.0 - gamma) / (1.0 + gamma)).re / 1e5
    };
    check_theory("F2", &|name| match name {
        "Gin USB" => Some(input_s(1)),
        "Gin LSB" => Some(input_s(-1)),
        _ => {
            let s = sideband(1);
            Some(s.at(2, 1).norm_sqr() / (1.0 - s.at(1, 0).norm_sqr()))
        }
    });
}

/// A diode biased so that `g·R` is `gr` in series with 50 ohm, driven by a small signal of 1 GHz.
fn biased(gr: f64) -> (Problem, Exponential) {
    let r = 50.0;
    let (device, law) = exponential(1e-13, 1.0);
    let current = gr / r * law.slope_v - law.is_a;
    let bias = law.slope_v * (current / law.is_a).ln_1p() + r * current;
    let mut problem = one_junction(device, 50.0, &[r], &[F_LO], |_| at_port(0));
    problem.drives = vec![voltage(0, vec![0], bias, r, 0.0)];
    (problem, law)
}

/// `a3` of the current at this bias, from the third harmonic of a signal of 1 V by perturbation.
fn third_order(gr: f64) -> f64 {
    let (problem, _) = biased(gr);
    let state = solved(&problem, &tight(2));
    let resting = PumpedState::new(&problem, &state, 2).expect("pump only");
    let wave = Complex64::from(1.0 / (2.0 * 50f64.sqrt()));
    let products = perturb(&resting, 0, 1e9, wave, 3).expect("solves");
    // a port without a source at 3f sends out −√R·I; I = a3·E³/4
    let i3 = -products.wave_out(0, 0, 3).re / 50f64.sqrt();
    4.0 * i3
}

#[test]
fn h4_third_order_null_of_diode_and_resistor() {
    let (_, law) = biased(1.0);
    let scaled = |gr: f64| third_order(gr) * law.slope_v.powi(2) / (gr / 50.0);
    check_theory("H4", &|name| match name {
        // no resistance at all is no circuit with a source resistance
        "a3*(nVt)^2/g at gR=0" => None,
        "gR of IM3 null" => {
            let (mut low, mut high) = (0.3, 0.8);
            for _ in 0..40 {
                let middle = 0.5 * (low + high);
                if scaled(middle) > 0.0 { low = middle } else { high = middle }
            }
            Some(low)
        }
        _ => Some(scaled(last_number(name))),
    });
}

#[test]
fn h4_intermodulation_of_two_tones_changes_sign_at_the_null() {
    let im3 = |gr: f64| {
        let (mut problem, law) = biased(gr);
        problem.tones_hz = vec![F_LO, 1.013 * F_LO];
        problem.drives[0].orders = vec![0, 0];
        let e = 0.02 * law.slope_v;
        problem.drives.push(voltage(0, vec![1, 0], e, 50.0, 0.0));
        problem.drives.push(voltage(0, vec![0, 1], e, 50.0, 0.0));
        let settings = BalanceSettings { signal_order: 4, residual_v: 1e-14, ..tight(4) };
        let state = solved(&problem, &settings);
        state.junction_current(0, &[2, -1]).expect("kept").re / (0.75 * e.powi(3))
    };
    for gr in [0.25, 1.0, 2.0] {
        let (_, law) = biased(gr);
        let expected = (gr / 50.0) * (1.0 - 2.0 * gr) / (6.0 * law.slope_v.powi(2) * (1.0 + gr).powi(5));
        let what = format!("H4: a3 from the line 2f1 − f2 at gR = {gr}, A/V³");
        let because = "fifth order adds (0.02)² times a factor of some units";
        let origin = Origin::Derived { how: "series inversion of the diode with a resistor, cf. H4" };
        CheckValue { what: &what, expected, within: 3e-3 * expected.abs(), because, origin }.check(im3(gr));
    }
}

/// The dynamic diode of section K in series with 50 ohm.
fn dynamic_diode(cj0_f: f64) -> (Problem, Exponential) {
    let parameters = DiodeParameters { is_a: 5e-14, n: 1.1, cj0_f, vj_v: 0.75, ..J_DIODE };
    let behind = Face::Port { port: 0, susceptance_s: 0.0, series_ohm: 6.0 };
    let mut problem = one_junction(junction(&parameters), 50.0, &[50.0], &[40e9], move |_| behind);
    problem.drives = vec![Drive::tone(0, vec![1], proof::circuit::watt_of_dbm(5.0), 0.0)];
    (problem, Exponential::of(&parameters))
}

#[test]
fn k1_pumped_junction() {
    let (problem, _) = dynamic_diode(30e-15);
    let state = solved(&problem, &tight(96));
    check_theory("K1", &|name| match name {
        "Idc" => Some(state.junction_current(0, &[0])?.re),
        _ => {
            let k: i32 = name[1..2].parse().ok()?;
            let v = state.junction_voltage(0, &[k])? * if k == 0 { 1.0 } else { 0.5 };
            Some(if name.contains("Re") { v.re } else { v.im })
        }
    });
}

#[test]
fn k4_equilibrium_and_output_resistance() {
    let (problem, law) = dynamic_diode(0.0);
    let state = solved(&problem, &tight(192));
    // the stated Zout belongs to an admittance matrix cut at K = 24: rebuild it from our waveform
    let samples = state.junction_voltage_samples(0);
    let n = samples.len();
    let g: Vec<f64> = (0..=48)
        .map(|k| {
            let at = |s: usize| problem.devices[0].at(samples[s]).conductance_s;
            (0..n).map(|s| at(s) * (TAU * (k * s) as f64 / n as f64).cos()).sum::<f64>() / n as f64
        })
        .collect();
    let (truncated_ohm, ratio) = equilibrium(&g, 24, 56.0, 6.0);
    check_theory("K4", &|name| Some(if name == "ratio" { ratio } else { truncated_ohm }));

    // without truncation: a memoryless circuit passes sideband 0 with the mean of its slope
    let peak = (8.0 * 50.0 * proof::circuit::watt_of_dbm(5.0)).sqrt();
    let n_phases = 1 << 14;
    let slope = |s: usize| law.series(56.0, peak * (TAU * s as f64 / n_phases as f64).cos()).1;
    let exact_ohm = n_phases as f64 / (0..n_phases).map(slope).sum::<f64>() - 50.0;
    let pumped = PumpedState::new(&problem, &state, 192).expect("pump only");
    let conversion = pumped.conversion(1e9).expect("lane");
    let gamma = conversion.scattered(&[(0, 0)]).expect("solves")[0].at(0, 0);
    let found_ohm = 50.0 * (1.0 + gamma.re) / (1.0 - gamma.re);
    let origin = Origin::Derived { how: "mean slope of the memoryless circuit, 16384 phases of the Wright function" };
    let because = "both converge geometrically";
    CheckValue { what: "K4: Zout of the whole circuit, ohm", expected: exact_ohm, within: 1e-7, because, origin }
        .check(found_ohm);

    // equilibrium through the engine, at the full and at any shorter truncation
    for k in [192, 48, 24, 8, 2] {
        let conversion = pumped.clone().with_sidebands(k).conversion(1e9).expect("lane");
        let settings =
            NoiseSettings { network_temp_k: 300.0, port_temp_k: 300.0, shot: ShotLaw::Thermal { temp_k: 300.0 } };
        let budget = noise_at(&conversion, 0, 0, &settings).expect("solves");
        let emitted = budget.total_w_per_hz() / (1.0 - budget.own_gamma.norm_sqr());
        let what = format!("K4: emitted over kT with {k} sidebands on each side");
        let (origin, because) = (Origin::Derived { how: "second law" }, "stated with the number");
        let ratio = emitted / (quantity::constants::BOLTZMANN_J_PER_K * 300.0);
        CheckValue { what: &what, expected: 1.0, within: 1e-10, because, origin }.check(ratio);
    }
}
