//! What must hold whatever the numbers: linear parts, small signals, shifts in time, order of
//! convergence, incommensurate tones, three tones.

mod common;

use common::bare::LinearVaractor;
use common::{J_DIODE, db, pose, problem_of, ring};
use mixwright_balance::{BalanceSettings, Drive, Problem, PumpedState, SteadyState, Truncation, solve};
use num_complex::Complex64;
use numerics::CMatrix;
use numerics::linear::Lu;
use proof::circuit::{DiodeParameters, watt_of_dbm};
use proof::ring::Ring;
use proof::{CheckValue, Origin};
use std::f64::consts::TAU;
use std::sync::Arc;

const F_LO: f64 = 10e9;
const F_RF: f64 = 10.4142e9;
/// The diode of case 06.
const DIODE: DiodeParameters = DiodeParameters { is_a: 1e-13, n: 1.08, cj0_f: 80e-15, vj_v: 0.7, fc: 0.5, ..J_DIODE };

fn unequal(diode: DiodeParameters) -> [DiodeParameters; 4] {
    let mut diodes = [diode; 4];
    for (k, d) in diodes.iter_mut().enumerate() {
        d.is_a *= [1.0, 0.8, 1.25, 1.1][k];
        d.cj0_f *= [1.0, 1.1, 0.9, 1.05][k];
    }
    diodes
}

fn two_tones(diodes: &[DiodeParameters; 4], lo_dbm: f64, (f_rf, rf_dbm): (f64, f64)) -> Problem {
    problem_of(&ring(diodes, (F_LO, lo_dbm), &[(f_rf, rf_dbm, 0.0)], [50.0; 3]), &[F_LO, f_rf]).0
}

fn solved(problem: &Problem, settings: &BalanceSettings) -> SteadyState {
    solve(problem, settings).expect("converges").0
}

#[test]
fn linear_devices_are_plain_network_analysis() {
    // capacitors in place of the junctions of the ring on coupled lines
    let case = proof::steady_case("case11a");
    let mut problem = pose(&case.points[0], true).problem;
    let farad = [30e-15, 45e-15, 60e-15, 20e-15];
    problem.devices = farad
        .iter()
        .map(|&c0_f| Arc::new(LinearVaractor { c0_f, c1_f_per_v: 0.0 }) as Arc<dyn diode::Device>)
        .collect();
    let settings = BalanceSettings { pump_order: 6, signal_order: 3, residual_v: 1e-14, ..BalanceSettings::default() };
    let state = solved(&problem, &settings);
    let (e, n) = (problem.embedding.n_external(), problem.embedding.n_junctions());
    for (orders, f_hz) in [([1, 0], problem.tones_hz[0]), ([0, 1], problem.tones_hz[1])] {
        let s = problem.embedding.scattering(f_hz).expect("a multiport");
        // loaded scattering: See + Sej·(1 − Γ·Sjj)⁻¹·Γ·Sje
        let gamma: Vec<Complex64> = (0..n)
            .map(|j| {
                let y = Complex64::new(0.0, TAU * f_hz * farad[j] * problem.embedding.junction_ohm(j));
                (1.0 - y) / (1.0 + y)
            })
            .collect();
        let loop_gain =
            CMatrix::from_fn(n, n, |i, j| Complex64::from(f64::from(u8::from(i == j))) - gamma[i] * s[(e + i, e + j)]);
        let mut incident = CMatrix::from_fn(n, e, |i, p| gamma[i] * s[(e + i, p)]);
        incident = Lu::factor(&loop_gain).expect("passive").solve(&incident);
        for port in 0..e {
            let expected: Complex64 = problem
                .drives
                .iter()
                .filter(|d| d.orders == orders)
                .map(|d| {
                    let through: Complex64 = (0..n).map(|j| s[(port, e + j)] * incident[(j, d.port)]).sum();
                    (s[(port, d.port)] + through) * d.wave
                })
                .sum();
            let found = state.wave_out(port, &orders).expect("kept");
            assert!((found - expected).norm() < 1e-13, "port {port} at {f_hz} Hz: {found} {expected}");
        }
    }
    for orders in [[2, 0], [-1, 1], [1, 1], [0, 2], [0, 0]] {
        let leak = state.wave_out(2, &orders).expect("kept").norm();
        assert!(leak < 1e-14, "a linear circuit makes no product {orders:?}: {leak}");
    }
}

#[test]
fn a_small_signal_is_the_limit_of_a_weak_tone() {
    let diodes = unequal(DIODE);
    let settings = BalanceSettings { pump_order: 48, signal_order: 3, residual_v: 1e-14, ..BalanceSettings::default() };
    let pump_only = problem_of(&ring(&diodes, (F_LO, 7.0), &[], [50.0; 3]), &[F_LO]).0;
    let pumped = PumpedState::new(&pump_only, &solved(&pump_only, &settings), 16).expect("pump only");
    let small = pumped.conversion(F_RF - F_LO).expect("lane").scattered(&[(1, 1)]).expect("solves").remove(0);
    let state = solved(&two_tones(&diodes, 7.0, (F_RF, -70.0)), &settings);
    let a = state.wave_in(1, &[0, 1]);
    for (port, k) in [(2, 0), (1, 1), (0, 1), (2, 2), (1, -1), (2, -2)] {
        let full = state.wave_out(port, &[k - 1, 1]).expect("kept") / a;
        let miss = (full - small.at(port, k)).norm();
        // the next term is of the order of the power ratio, −77 dB
        assert!(miss < 1e-7, "port {port}, sideband {k}: {full} {}", small.at(port, k));
    }
}

#[test]
fn shifts_in_time_turn_phases_only() {
    let diodes = unequal(DIODE);
    let settings = BalanceSettings { pump_order: 32, signal_order: 5, residual_v: 1e-13, ..BalanceSettings::default() };
    let problem = two_tones(&diodes, 7.0, (F_RF, -10.0));
    let mut shifted = problem.clone();
    let (lo, rf) = (0.4321, -1.234);
    for d in &mut shifted.drives {
        d.wave *= Complex64::from_polar(1.0, if d.orders[0] == 1 { lo } else { rf });
    }
    let (before, after) = (solved(&problem, &settings), solved(&shifted, &settings));
    let scale = before.wave_out(2, &[-1, 1]).expect("kept").norm();
    for m in -4..=4 {
        for n in 0..=4 {
            let turn = Complex64::from_polar(1.0, f64::from(m) * lo + f64::from(n) * rf);
            let (x, y) = (before.wave_out(2, &[m, n]).expect("kept"), after.wave_out(2, &[m, n]).expect("kept"));
            // samples fall elsewhere on the waveform: what remains is aliasing beyond the kept orders
            assert!((x * turn - y).norm() < 1e-6 * scale, "({m}, {n}): {} {y}", x * turn);
        }
    }
}

#[test]
fn newton_is_faster_than_linear() {
    let problem = problem_of(&ring(&unequal(DIODE), (F_LO, 7.0), &[], [50.0; 3]), &[F_LO]).0;
    let settings = BalanceSettings { pump_order: 24, dense_order: 24, residual_v: 1e-12, ..BalanceSettings::default() };
    let (_, report) = solve(&problem, &settings).expect("converges");
    // the last level of the solution: from the last rise of the residual on
    let r = &report.history;
    let rise = (1..r.len()).rev().find(|&i| r[i] > r[i - 1]).unwrap_or(0);
    let contraction: Vec<f64> = r[rise..].windows(2).map(|p| p[1] / p[0]).collect();
    let (Some(first), Some(last)) = (contraction.first(), contraction.last()) else { panic!("no step: {r:?}") };
    // quadratic down to the accuracy the linear solutions are asked for
    assert!(contraction.len() < 8, "{r:?}");
    assert!(*last < 1e-4 && *last < 0.1 * first, "contraction of the last level: {contraction:?}");
}

#[test]
fn more_harmonics_bring_a_smaller_error() {
    let exact = Ring::of_equal(J_DIODE, 50.0).small_signal(10.0, 4096).conversion_loss_db;
    let error = |pump_order: usize| {
        let problem = problem_of(&ring(&[J_DIODE; 4], (F_LO, 10.0), &[], [50.0; 3]), &[F_LO]).0;
        let settings = BalanceSettings { pump_order, ..BalanceSettings::default() };
        let pumped = PumpedState::new(&problem, &solved(&problem, &settings), 16).expect("pump only");
        let s = pumped.conversion(F_RF - F_LO).expect("lane").scattered(&[(1, 1)]).expect("solves")[0].at(2, 0);
        (-db(s.norm_sqr()) - exact).abs()
    };
    let errors: Vec<f64> = [8, 16, 32, 64, 128].into_iter().map(error).collect();
    assert!(errors.windows(2).all(|e| e[1] < 0.5 * e[0]), "{errors:?}");
    let origin = Origin::Derived { how: "exact ring, 4096 LO phases" };
    CheckValue {
        what: "conversion loss with 128 harmonics, dB off",
        expected: 0.0,
        within: 1e-6,
        because: "geometric convergence",
        origin,
    }
    .check(errors[4]);
}

#[test]
fn tones_near_a_common_divisor_are_not_confused() {
    // LO 10 GHz with RF 10.5 GHz has a common period of 20 LO cycles, with RF 0.1 mHz off it has none
    // in practice: products that share a frequency in the first case must stand apart in both
    let settings = BalanceSettings { pump_order: 32, signal_order: 6, residual_v: 1e-12, ..BalanceSettings::default() };
    let diodes = unequal(DIODE);
    let (near, off) = (
        solved(&two_tones(&diodes, 7.0, (10.5e9, -10.0)), &settings),
        solved(&two_tones(&diodes, 7.0, (10.5e9 + 1e-4, -10.0)), &settings),
    );
    let scale = near.wave_out(2, &[-1, 1]).expect("kept").norm();
    for m in -6..=6 {
        for n in 0..=6 {
            let (x, y) = (near.wave_out(2, &[m, n]).expect("kept"), off.wave_out(2, &[m, n]).expect("kept"));
            assert!((x - y).norm() < 1e-10 * scale, "({m}, {n}): {x} {y}");
        }
    }
    // an RF at a harmonic of the LO, where whole lanes share frequencies
    let (on, off) = (
        solved(&two_tones(&diodes, 7.0, (2.0 * F_LO, -10.0)), &settings),
        solved(&two_tones(&diodes, 7.0, (2.0 * F_LO + 1e-4, -10.0)), &settings),
    );
    let (x, y) = (on.wave_out(2, &[-1, 1]).expect("kept"), off.wave_out(2, &[-1, 1]).expect("kept"));
    assert!((x - y).norm() < 1e-10 * scale, "{x} {y}");
}

/// Peak voltage at the IF of the exact ring under LO and two RF tones, for products `(lo, rf1, rf2)`.
fn exact_three_tones(ring: &Ring, lo_dbm: f64, rf_dbm: f64, products: &[[i32; 3]]) -> Vec<f64> {
    let emf = |dbm: f64| (8.0 * 50.0 * watt_of_dbm(dbm)).sqrt();
    let (e_lo, e_rf) = (emf(lo_dbm), emf(rf_dbm));
    let (n_lo, n_rf) = (128, 18);
    let turn = |n: usize, i: usize| TAU * i as f64 / n as f64;
    let mut sums = vec![Complex64::default(); products.len()];
    let mut v = [0.0; 3];
    for a in 0..n_rf {
        for b in 0..n_rf {
            let rf = e_rf * (turn(n_rf, a).cos() + turn(n_rf, b).cos());
            for l in 0..n_lo {
                v = ring.voltages([e_lo * turn(n_lo, l).cos(), rf, 0.0], v);
                for (sum, p) in sums.iter_mut().zip(products) {
                    let phase = f64::from(p[0]) * turn(n_lo, l)
                        + f64::from(p[1]) * turn(n_rf, a)
                        + f64::from(p[2]) * turn(n_rf, b);
                    *sum += v[2] * Complex64::from_polar(1.0, -phase);
                }
            }
        }
    }
    sums.iter().map(|s| 2.0 * s.norm() / (n_lo * n_rf * n_rf) as f64).collect()
}

#[test]
fn three_tones_on_the_exact_ring() {
    let mut diodes = [J_DIODE; 4];
    diodes[0].is_a *= 1.2;
    let (lo_dbm, rf_dbm) = (4.0, -12.0);
    let tones_hz = [F_LO, F_RF, F_RF + 0.0173e9];
    let rf = [(tones_hz[1], rf_dbm, 0.0), (tones_hz[2], rf_dbm, 0.0)];
    let (problem, _) = problem_of(&ring(&diodes, (F_LO, lo_dbm), &rf, [50.0; 3]), &tones_hz);
    // wanted, third-order pair, fifth order, second-order beat, and one that needs every tone
    let products = [[-1, 1, 0], [-1, 2, -1], [-1, -1, 2], [-1, 3, -2], [0, 1, -1], [-2, 1, 1], [-3, 2, -1]];
    let exact = exact_three_tones(&Ring { diodes, port_ohm: [50.0; 3] }, lo_dbm, rf_dbm, &products);
    let base = BalanceSettings { pump_order: 32, residual_v: 1e-10, ..BalanceSettings::default() };
    for (name, settings) in [
        ("box", BalanceSettings { signal_order: 6, truncation: Truncation::Box, ..base }),
        ("order", BalanceSettings { signal_order: 10, truncation: Truncation::Order, ..base }),
    ] {
        let state = solved(&problem, &settings);
        for (p, &exact) in products.iter().zip(&exact) {
            let found = state.port_voltage(2, p).expect("kept").norm();
            let what = format!("three tones, {name} truncation: {p:?} at the IF, dBV");
            let origin = Origin::Derived { how: "exact ring on 128 by 18 by 18 phases" };
            let because = "asked of spurs: 0.02 dB";
            CheckValue { what: &what, expected: 2.0 * db(exact), within: 0.02, because, origin }.check(2.0 * db(found));
        }
    }
}

#[test]
fn a_tone_that_is_not_kept_is_refused() {
    let mut problem = two_tones(&[DIODE; 4], 7.0, (F_RF, -10.0));
    problem.drives.push(Drive::tone(1, vec![0, 4], 1e-6, 0.0));
    let settings = BalanceSettings { pump_order: 8, signal_order: 3, ..BalanceSettings::default() };
    let error = solve(&problem, &settings).err().expect("order 4 is beyond the truncation");
    assert!(error.to_string().contains("raise the truncation"), "{error}");
}
