//! Derivatives of a two-tone ring with lines, strays and unequal diodes against re-solved differences.
//!
//! The control re-solves the whole balance at moved parameters; it shares no derivative with the code
//! under test. Steps are chosen so that fourth-order differences of a solution known to 1e-14 V leave
//! some 1e-8 of the largest derivative of a row.

use circuit::{Access, Circuit, Line};
use diode::{Deviation, Device, SchottkyParameters};
use mixwright_balance::{
    BalanceSettings, Drive, Embedding, NetworkMotion, Order, Output, Parameter, Problem, Rigid, Sensitivities,
    SteadyState, Stencil, sensitivities, solve, solve_from,
};
use num_complex::Complex64;
use numerics::Quiet;
use std::sync::Arc;

const LO_HZ: f64 = 28e9;
const RF_HZ: f64 = 23e9;
const TEMP_K: f64 = 298.0;
/// Stray capacitance (fF), link (pH) as network parameters, then series resistance, ln IS and
/// relative CJ0 of the third diode, ln of the LO wave.
const PARAMETERS: [Parameter; 6] = [
    Parameter::Network(0),
    Parameter::Network(1),
    Parameter::SeriesOhm(2),
    Parameter::Current(2),
    Parameter::Charge(2),
    Parameter::Drive(0),
];

fn diode() -> SchottkyParameters {
    SchottkyParameters {
        is_a: 6e-12,
        n: 1.12,
        rs_ohm: 4.2,
        cj0_f: 44e-15,
        vj_v: 0.78,
        // no waveform crosses the kink of the charge, where differences of solutions lose their order
        fc: 0.95,
        temp_nominal_k: TEMP_K,
        ..SchottkyParameters::default()
    }
}

fn network(stray_ff: f64, link_ph: f64, extra_ohm: f64) -> Arc<Embedding> {
    let mut c = Circuit::new();
    c.add_port("LO", ["lo", "0"], 50.0).add_port("RF", ["rf", "0"], 50.0).add_port("IF", ["if", "0"], 50.0);
    c.add_line("feed", ["lo", "0", "lo1", "0"], Line::lossless(62.0, 4e-12));
    c.add_transformer("T1", &[(["lo1", "0"], 1.0), (["a", "0"], 0.5), (["0", "c"], 0.5)]);
    c.add_inductor("link", "rf rf1".split(' ').collect::<Vec<_>>().try_into().expect("two"), (20.0 + link_ph) * 1e-12);
    c.add_transformer("T2", &[(["rf1", "0"], 1.0), (["b", "if1"], 0.5), (["if1", "d"], 0.5)]);
    c.add_inductor("L_if", ["if1", "if"], 0.2e-9);
    c.add_capacitor("C_if", ["if1", "0"], 0.1e-12);
    c.add_capacitor("stray", ["a", "d"], (3.8 + stray_ff) * 1e-15);
    for (k, (from, to)) in [("a", "b"), ("b", "c"), ("c", "d"), ("d", "a")].into_iter().enumerate() {
        let rs_ohm = 4.2 + 0.1 * k as f64 + if k == 2 { extra_ohm } else { 0.0 };
        let access = Access { rs_ohm, finger_inductance_h: 18e-12, pad_capacitance_f: 7e-15 };
        c.add_diode(&format!("D{}", k + 1), from, to, access);
    }
    Arc::new(Embedding::new(Arc::new(c.compile().expect("joined")), 4).expect("four junctions"))
}

/// The problem at parameter values `p` of [`PARAMETERS`].
fn problem_at(p: &[f64; 6], signal_dbm: f64) -> Problem {
    let scale = diode().n * quantity::constants::thermal_voltage_v(TEMP_K);
    let device = |k: usize| {
        let mut d = Deviation { vf_shift_v: [0.0, 2e-3, -1e-3, 1e-3][k], ..Deviation::default() };
        if k == 2 {
            d.vf_shift_v -= p[3] * scale;
            d.cj_relative = p[4];
        }
        Arc::new(d.apply(&diode()).at_temperature(TEMP_K).expect("in range")) as Arc<dyn Device>
    };
    let tone =
        |port, orders: [i32; 2], dbm: f64| Drive::tone(port, orders.to_vec(), 1e-3 * 10f64.powf(dbm / 10.0), 0.3);
    let mut drives = vec![tone(0, [1, 0], 15.0), tone(1, [0, 1], signal_dbm)];
    drives[0].wave *= p[5].exp();
    Problem {
        embedding: network(p[0], p[1], p[2]),
        devices: (0..4).map(device).collect(),
        tones_hz: vec![LO_HZ, RF_HZ],
        drives,
    }
}

fn outputs() -> Vec<Output> {
    let of = |port, orders: [i32; 2]| Output { port, orders: orders.to_vec() };
    vec![
        of(2, [1, -1]), // wanted, kept mirrored
        of(0, [1, 0]),  // LO reflection
        of(1, [1, 0]),  // LO leaving at the RF, by cancellation
        of(2, [1, 0]),
        of(1, [0, 1]),  // RF reflection
        of(2, [0, 0]),  // direct
        of(2, [2, -2]), // even product, by cancellation
        of(2, [2, -3]),
    ]
}

fn settings() -> BalanceSettings {
    BalanceSettings { pump_order: 16, signal_order: 5, residual_v: 1e-14, ..BalanceSettings::default() }
}

fn waves(p: &[f64; 6], near: &SteadyState, signal_dbm: f64) -> Vec<Complex64> {
    let (state, _) = solve_from(&problem_at(p, signal_dbm), &settings(), Some(near), &Quiet).expect("converges");
    outputs().iter().map(|o| state.wave_out(o.port, &o.orders).expect("kept")).collect()
}

/// What a residual of 1e-14 V leaves in a first difference, √W: −240 dBm.
const NOISE: f64 = 3e-14;

const STEPS: [f64; 6] = [0.1, 0.5, 0.05, 0.005, 0.004, 0.003];

fn moved(at: &[(usize, f64)]) -> [f64; 6] {
    let mut p = [0.0; 6];
    at.iter().for_each(|&(k, steps)| p[k] += steps * STEPS[k]);
    p
}

fn found(signal_dbm: f64, order: Order) -> (SteadyState, Sensitivities) {
    let problem = problem_at(&[0.0; 6], signal_dbm);
    let (state, _) = solve(&problem, &settings()).expect("converges");
    let build = |p: &[f64]| Ok::<_, ()>(network(p[0], p[1], 0.0));
    let motion = Stencil::new(problem.embedding.clone(), vec![0.1, 0.5], true, build).expect("builds");
    for (k, e) in motion.error(RF_HZ).expect("evaluates").into_iter().enumerate() {
        assert!(e < 1e-6, "step of network parameter {k} leaves {e:.1e}");
    }
    let (s, report) = sensitivities(&problem, &state, &motion, &PARAMETERS, &outputs(), order).expect("solves");
    assert!(report.residual < 1e-10, "linear residual {:.1e}", report.residual);
    (state, s)
}

#[test]
fn gradients_and_curvature_are_those_of_resolved_balances() {
    let (state, s) = found(-10.0, Order::Second);
    assert!(s.mismatch.expect("both ways") < 1e-7, "direct against adjoint {:?}", s.mismatch);
    let at = |steps: &[(usize, f64)]| waves(&moved(steps), &state, -10.0);
    let centre = at(&[]);
    for (a, b) in centre.iter().zip(&s.values) {
        assert!((a - b).norm() < 1e-13, "{a} {b}");
    }
    let sides: Vec<[Vec<Complex64>; 4]> = (0..6).map(|k| [-2.0, -1.0, 1.0, 2.0].map(|t| at(&[(k, t)]))).collect();
    for (o, output) in outputs().iter().enumerate() {
        // scaled by the steps, so that rows can be compared
        let first = |k: usize| s.first[(o, k)] * STEPS[k];
        let scale = (0..6).map(|k| first(k).norm()).fold(0.0, f64::max);
        for (k, side) in sides.iter().enumerate() {
            let [a, b, c, d] = side.each_ref().map(|x| x[o]);
            let control = ((c - b) * 8.0 - (d - a)) / 12.0;
            assert!(
                (control - first(k)).norm() < 3e-7 * scale + NOISE,
                "{output:?}, {k}: {} against {control}",
                first(k)
            );
            let control = ((b + c) * 16.0 - a - d - centre[o] * 30.0) / 12.0;
            let second = s.second[o][(k, k)] * STEPS[k] * STEPS[k];
            assert!(
                (control - second).norm() < 2e-6 * scale + 30.0 * NOISE,
                "{output:?}, {k} twice: {second} against {control}"
            );
        }
    }
}

#[test]
fn mixed_derivatives_are_those_of_resolved_balances() {
    let (state, s) = found(-10.0, Order::Second);
    for (k, l) in [(0, 1), (0, 2), (0, 3), (1, 4), (2, 3), (2, 5), (3, 4), (4, 5), (0, 5)] {
        let at = |a: f64, b: f64| waves(&moved(&[(k, a), (l, b)]), &state, -10.0);
        let (pp, pm, mp, mm) = (at(1.0, 1.0), at(1.0, -1.0), at(-1.0, 1.0), at(-1.0, -1.0));
        for (o, output) in outputs().iter().enumerate() {
            let control = (pp[o] - pm[o] - mp[o] + mm[o]) * 0.25;
            let second = s.second[o][(k, l)] * STEPS[k] * STEPS[l];
            let scale = (0..6).map(|k| (s.first[(o, k)] * STEPS[k]).norm()).fold(0.0, f64::max);
            // second-order differences leave third powers of the steps
            assert!(
                (control - second).norm() < 2e-4 * scale + 30.0 * NOISE,
                "{output:?}, {k} {l}: {second} against {control}"
            );
            assert!((s.second[o][(l, k)] - s.second[o][(k, l)]).norm() == 0.0);
        }
    }
}

#[test]
fn few_outputs_are_found_by_the_adjoint_and_agree() {
    let problem = problem_at(&[0.0; 6], -10.0);
    let (state, _) = solve(&problem, &settings()).expect("converges");
    let parameters = &PARAMETERS[2..];
    let of = |outputs: &[Output]| {
        sensitivities(&problem, &state, &Rigid, parameters, outputs, Order::First).expect("solves").0
    };
    let (one, all) = (of(&outputs()[..1]), of(&outputs()));
    assert!(one.mismatch.is_none() && all.mismatch.is_none() && all.second.is_empty());
    for k in 0..parameters.len() {
        let miss = (one.first[(0, k)] - all.first[(0, k)]).norm();
        assert!(miss < 1e-9 * all.first.row(0).iter().map(|x| x.norm()).fold(0.0, f64::max), "{k}: {miss:.1e}");
    }
}

#[test]
fn a_weak_tone_gives_the_derivatives_of_small_signal_conversion() {
    let dbm = -70.0;
    let (_, s) = found(dbm, Order::First);
    let amplitude = (2e-3 * 10f64.powf(dbm / 10.0)).sqrt();
    let small = |k: usize, side: f64| {
        let problem = problem_at(&moved(&[(k, side)]), dbm);
        let pump = Problem {
            tones_hz: vec![LO_HZ],
            drives: vec![Drive { orders: vec![1], ..problem.drives[0].clone() }],
            ..problem
        };
        let (state, _) = solve(&pump, &settings()).expect("converges");
        let pumped = mixwright_balance::PumpedState::new(&pump, &state, 16).expect("pump only");
        let scattered = pumped.conversion(RF_HZ).expect("lane").scattered(&[(1, 0)]).expect("solves").remove(0);
        // the wanted product is the conjugate of the RF shifted down by one LO
        scattered.at(2, -1).norm() * amplitude
    };
    for (k, step) in STEPS.into_iter().enumerate() {
        let control = (8.0 * (small(k, 1.0) - small(k, -1.0)) - (small(k, 2.0) - small(k, -2.0))) / 12.0;
        let wave = s.values[0];
        let magnitude = (s.first[(0, k)] * wave.conj()).re / wave.norm() * step;
        // the next term of the weak tone is of the order of the power ratio, −85 dB
        assert!((magnitude - control).abs() < 1e-5 * wave.norm() * 0.01, "{k}: {magnitude} against {control}");
    }
}

#[test]
fn parameters_and_outputs_that_do_not_exist_are_named() {
    let problem = problem_at(&[0.0; 6], -10.0);
    let (state, _) = solve(&problem, &BalanceSettings { residual_v: 1e-9, ..settings() }).expect("converges");
    let ask = |p, o: Output| sensitivities(&problem, &state, &Rigid, &[p], &[o], Order::First).map(|_| ());
    let good = outputs().remove(0);
    assert_eq!(Rigid.n_parameters(), 0);
    let error = ask(Parameter::Network(0), good.clone()).expect_err("rigid").to_string();
    assert!(error.contains("one of 0 parameters of the network"), "{error}");
    let error = ask(Parameter::Current(7), good).expect_err("four junctions").to_string();
    assert!(error.contains("one of 4 junctions") && error.contains("number 7"), "{error}");
    let error = ask(Parameter::Current(0), Output { port: 2, orders: vec![40, 0] }).expect_err("not kept").to_string();
    assert!(error.contains("raise the truncation") && error.contains("[40, 0]"), "{error}");
}
