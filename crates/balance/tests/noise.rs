//! Noise of pumped circuits against weighting functions in time, and the theorems it must obey.
//!
//! Source of the numbers: `proof::steady` (adjoint weighting functions without truncation of
//! sidebands, and sideband correlation matrices of a second program).

mod common;

use common::bare::WithShot;
use common::{J_DIODE, db, junction, pose, problem_of, ring};
use mixwright_balance::{
    BalanceSettings, Conversion, NoiseBudget, NoiseSettings, Problem, PumpedState, ShotLaw, noise_at, solve,
};
use proof::circuit::{DiodeParameters, Kind};
use proof::steady::ORIGIN;
use proof::{CheckValue, Expected, Origin, Point};
use quantity::constants::BOLTZMANN_J_PER_K;
use std::sync::Arc;

/// The IF port, index from zero.
const IF: usize = 2;

fn diodes_of(point: &Point) -> Vec<DiodeParameters> {
    point
        .elements
        .iter()
        .filter_map(|e| if let Kind::Diode { parameters, .. } = &e.kind { Some(*parameters) } else { None })
        .collect()
}

/// The problem of a point with shot noise `2q(i + extra·IS)`.
fn with_shot(point: &Point, extra: f64) -> Problem {
    let mut problem = pose(point, false).problem;
    problem.devices = diodes_of(point)
        .iter()
        .map(|d| Arc::new(WithShot { inner: junction(d), is_a: d.is_a, extra }) as Arc<dyn diode::Device>)
        .collect();
    problem
}

fn conversion_of(problem: &Problem, offset_hz: f64, pump_order: usize) -> Conversion {
    let settings = BalanceSettings { pump_order, dense_order: 16, oversample: 2.0, ..BalanceSettings::default() };
    let (state, _) = solve(problem, &settings).expect("converges");
    PumpedState::new(problem, &state, 16).expect("pump only").conversion(offset_hz).expect("lane")
}

fn extra_of(shot: &str) -> f64 {
    match shot {
        "2qI" => 0.0,
        "2q(I+IS)" => 1.0,
        "2q(I+2IS)" => 2.0,
        other => panic!("expected a known reading of the shot noise, found {other}"),
    }
}

/// A contribution under its name in the file, V²/Hz across the IF load; series resistances together.
fn contribution(budget: &NoiseBudget, name: &str, ports_k: f64) -> Option<f64> {
    let r_if = 50.0;
    let kt = BOLTZMANN_J_PER_K * ports_k;
    let own = kt * (1.0 + budget.own_gamma).norm_sqr();
    if let Some(diode) = name.strip_prefix("shot_D") {
        return Some(r_if * budget.shot[diode.parse::<usize>().ok()? - 1]);
    }
    let port = name.strip_prefix("port_P")?[..1].parse::<usize>().ok()? - 1;
    Some(
        r_if * match (port == IF, name.ends_with("own_sideband")) {
            (true, true) => own,
            (true, false) => budget.ports[IF] + own,
            (false, true) => kt * budget.gain_from(port, 0),
            (false, false) => budget.ports[port],
        },
    )
}

fn check_real(what: &str, expected: f64, within: f64, found: f64) {
    let because = "asked: 1e-6 relative, as 1e-5 dB in the figures; plus rounding of the stated number";
    CheckValue { what, expected, within, because, origin: ORIGIN }.check(found);
}

/// Every contribution and figure the file states, under each of its readings of the shot noise.
fn check(prefix: &str) {
    let case = proof::steady_case(prefix);
    let mut n_checked = 0;
    for point in &case.points {
        let Some(small) = &point.small_signal else { continue };
        let pump_order = if point.lo_dbm > Some(12.0) { 96 } else { 64 };
        for noise in &small.noise {
            let problem = with_shot(point, extra_of(&noise.shot));
            let conversion = conversion_of(&problem, small.f_if_hz, pump_order);
            let settings = NoiseSettings { network_temp_k: 300.0, port_temp_k: 290.0, shot: ShotLaw::Device };
            let budget = noise_at(&conversion, IF, 0, &settings).expect("solves");
            let own = BOLTZMANN_J_PER_K * 290.0 * (1.0 + budget.own_gamma).norm_sqr();
            let total = 50.0 * (budget.total_w_per_hz() + own);
            let name = |what: &str| format!("{} {} {}: {what}", case.id, point.label, noise.shot);
            let mut series = 0.0;
            for (source, expected) in &noise.contributions {
                match (expected, contribution(&budget, source, 290.0)) {
                    (Expected::Value { value, .. }, None) => series += value,
                    (Expected::Value { value, rounding, .. }, Some(found)) => {
                        let within = rounding + 1e-6 * value.abs();
                        check_real(&name(&format!("{source}, V²/Hz")), *value, within, found);
                    }
                    (_, Some(found)) => assert!(found < 1e-12 * total, "{source} is zero by symmetry, found {found}"),
                    (_, None) => {}
                }
                n_checked += 1;
            }
            let what = name("all series resistances, V²/Hz");
            check_real(&what, series, 1e-6 * series, 50.0 * budget.network);
            let figure = db(budget.figure_single(1, 1));
            let with_load = db((budget.total_w_per_hz() + own) / budget.total_w_per_hz());
            for (what, expected, found) in [
                ("F without the load, dB", noise.f_ssb_db_excluding_load, figure),
                ("F with the load, dB", noise.f_ssb_db_including_load, figure + with_load),
            ] {
                if let Expected::Value { value, rounding, .. } = expected {
                    check_real(&name(what), value, rounding + 1e-5, found);
                }
            }
        }
    }
    assert!(n_checked > 0, "{prefix} has noise");
}

#[test]
fn contributions_of_the_single_diode() {
    check("case03");
}

#[test]
fn contributions_of_the_ideal_ring() {
    check("case06");
}

#[test]
fn contributions_of_the_ring_with_image_short() {
    check("case14");
}

/// Noise without reference to the load's own part: emitted power over `k(1 − |Γ|²)`, kelvin.
fn output_temperature_k(budget: &NoiseBudget) -> f64 {
    budget.total_w_per_hz() / BOLTZMANN_J_PER_K / (1.0 - budget.own_gamma.norm_sqr())
}

#[test]
fn shot_noise_theorem_of_the_series_loop() {
    let case = proof::steady_case("case03");
    let mut n_checked = 0;
    for point in case.points.iter().filter(|p| !p.theorem.is_empty()) {
        let half_nt = point.terminations_k.expect("stated");
        let n = diodes_of(point)[0].n;
        assert!((half_nt - n * 300.0 / 2.0).abs() < 1e-9, "terminations stand at N·T/2");
        for (name, &expected) in &point.theorem {
            let Some((shot, _)) = name.split_once("_td_") else { continue };
            let conversion = conversion_of(&with_shot(point, extra_of(shot)), 0.5e9, 224);
            let settings = NoiseSettings { network_temp_k: 0.0, port_temp_k: half_nt, shot: ShotLaw::Device };
            let budget = noise_at(&conversion, IF, 0, &settings).expect("solves");
            // total across Zout || R against 4k(NT/2)·Re(Zout || R): with the load's own noise included
            let own = (1.0 + budget.own_gamma).norm_sqr();
            let total = budget.total_w_per_hz() + BOLTZMANN_J_PER_K * half_nt * own;
            // Re(Zout || R)/R = (1 + Re Γ)/2, and 4kT·R of voltage is 4kT of the wave picture
            let expected_total = 2.0 * BOLTZMANN_J_PER_K * half_nt * (1.0 + budget.own_gamma.re);
            let what = format!("{}: total over the N·T/2 theorem minus one, {shot}", point.label);
            let because = "the equilibrium is asked to 1e-9; the theorem holds to rounding";
            CheckValue { what: &what, expected, within: 1e-11, because, origin: ORIGIN }
                .check(total / expected_total - 1.0);
            // the attenuator form: the mixer looks like a passive part at N·T/2
            if shot == "2q(I+IS)" {
                let what = format!("{}: output temperature, K", point.label);
                let origin = Origin::Published {
                    source: "C. Dragone, Analysis of thermal and shot noise in pumped resistive diodes, BSTJ 47 (1968) 1883",
                };
                let within = 1e-9 * half_nt;
                CheckValue { what: &what, expected: half_nt, within, because: "asked: 1e-9", origin }
                    .check(output_temperature_k(&budget));
            }
            n_checked += 1;
        }
    }
    assert_eq!(n_checked, 9);
}

#[test]
fn ring_of_pumped_resistors_is_in_equilibrium() {
    // mismatched ring with series resistances, everything at 300 K, thermal noise in place of shot
    let mut diodes = [J_DIODE; 4];
    diodes[0].is_a *= 1.2;
    diodes[2].rs_ohm = 8.0;
    // exact at any truncation, also at one far too short for the gain
    for (lo_dbm, pump_order) in [(0.0, 64), (10.0, 96), (10.0, 12)] {
        let elements = ring(&diodes, (10e9, lo_dbm), &[], [50.0, 75.0, 30.0]);
        let (problem, _) = problem_of(&elements, &[10e9]);
        let conversion = conversion_of(&problem, 0.7e9, pump_order);
        for (port, k) in [(1, 1), (IF, 0)] {
            let settings =
                NoiseSettings { network_temp_k: 300.0, port_temp_k: 300.0, shot: ShotLaw::Thermal { temp_k: 300.0 } };
            let budget = noise_at(&conversion, port, k, &settings).expect("solves");
            let what = format!("LO {lo_dbm} dBm: temperature out of port {} at sideband {k}, K", port + 1);
            let origin = Origin::Derived { how: "second law: a pumped resistor at one temperature" };
            CheckValue { what: &what, expected: 300.0, within: 300.0 * 1e-9, because: "asked: 1e-9", origin }
                .check(output_temperature_k(&budget));
        }
    }
}

#[test]
fn unpumped_diode_has_n_times_its_own_temperature() {
    // without drive the device's shot noise 2q(i + 2·IS) is thermal noise times n (theory E5); in the
    // balanced ring the IF meets the four junctions and nothing else
    let diode = DiodeParameters { is_a: 1e-4, n: 1.1, rs_ohm: 0.0, ..J_DIODE };
    let elements = ring(&[diode; 4], (10e9, -300.0), &[], [50.0; 3]);
    let (problem, _) = problem_of(&elements, &[10e9]);
    let conversion = conversion_of(&problem, 0.7e9, 4);
    let settings = NoiseSettings { network_temp_k: 300.0, port_temp_k: 290.0, shot: ShotLaw::Device };
    let budget = noise_at(&conversion, IF, 0, &settings).expect("solves");
    let origin = Origin::Derived { how: "E5: 4q·IS = 4kT·g·n (A. van der Ziel, Noise, 1954, from memory)" };
    let (expected, because) = (1.1 * 300.0, "rounding");
    CheckValue { what: "unpumped junctions: output temperature, K", expected, within: 1e-9, because, origin }
        .check(output_temperature_k(&budget));
}
