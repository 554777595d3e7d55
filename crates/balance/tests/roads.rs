//! Two roads: the balance against plain time-domain collocation on circuits that stand in no file.
//!
//! Random circuits with fixed seeds: unequal diodes, leakage inductance, pads, unequal ports, phases.
//! Source of the expected numbers: `proof::collocation`, which shares nothing with the balance but
//! the netlist.

mod common;

use common::{J_DIODE, db, fine, port_phasor, problem_of, ring};
use mixwright_balance::solve;
use proof::circuit::{DiodeParameters, Element, Kind, watt_of_dbm};
use proof::collocation;
use proof::{CheckValue, Origin};

/// Numbers from a linear congruence (D. E. Knuth's MMIX constants, from memory), in 0…1.
struct Random(u64);

impl Random {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.next()
    }
}

struct Drawn {
    elements: Vec<Element>,
    f0_hz: f64,
    tones_hz: [f64; 2],
    lo_dbm: f64,
    rf_dbm: f64,
}

fn element(id: &str, kind: Kind) -> Element {
    Element { id: id.to_owned(), kind }
}

fn ends(a: &str, b: &str) -> [String; 2] {
    [a.to_owned(), b.to_owned()]
}

/// A ring whose LO winding has leakage inductance and whose diodes have pads.
fn draw(seed: u64) -> Drawn {
    let mut r = Random(seed);
    for _ in 0..8 {
        r.next();
    }
    let mut diodes = [J_DIODE; 4];
    for d in &mut diodes {
        *d = DiodeParameters {
            is_a: 1e-13 * r.between(0.6, 1.6),
            n: r.between(1.02, 1.12),
            rs_ohm: r.between(4.0, 9.0),
            cj0_f: r.between(30e-15, 70e-15),
            vj_v: 0.7,
            m: r.between(0.4, 0.5),
            fc: r.between(0.5, 0.7),
            tt_s: 0.0,
            breakdown: None,
        };
    }
    let (lo_dbm, rf_dbm) = (r.between(4.0, 11.0), r.between(-15.0, -5.0));
    // 20 LO cycles and 21 or 23 RF cycles in the common period
    let tones_hz = [10e9, if r.next() < 0.5 { 10.5e9 } else { 11.5e9 }];
    let port_ohm = [r.between(35.0, 70.0), r.between(35.0, 70.0), r.between(35.0, 70.0)];
    let rf = [(tones_hz[1], rf_dbm, r.between(-3.0, 3.0))];
    let mut elements = ring(&diodes, (tones_hz[0], lo_dbm), &rf, port_ohm);
    // leakage between the LO winding and corner a, pads from corners to corners
    for e in &mut elements {
        if let (Kind::Transformer { windings }, "TLO") = (&mut e.kind, e.id.as_str()) {
            for w in windings.iter_mut() {
                w.nodes.iter_mut().filter(|n| n.as_str() == "a").for_each(|n| *n = "a_winding".to_owned());
            }
        }
    }
    elements
        .push(element("Lleak", Kind::Inductor { nodes: ends("a_winding", "a"), henry: r.between(20e-12, 120e-12) }));
    for (k, (a, b)) in [("a", "b"), ("b", "c"), ("c", "d"), ("d", "a")].into_iter().enumerate() {
        let farad = r.between(5e-15, 15e-15);
        elements.push(element(&format!("Cpad{k}"), Kind::Capacitor { nodes: ends(a, b), farad }));
    }
    Drawn { elements, f0_hz: 0.5e9, tones_hz, lo_dbm, rf_dbm }
}

fn check(seed: u64) {
    let drawn = draw(seed);
    let control = collocation::solve(&drawn.elements, drawn.f0_hz, &collocation::Settings::default())
        .expect("the control solves");
    let (problem, diode_names) = problem_of(&drawn.elements, &drawn.tones_hz);
    let (state, report) = solve(&problem, &fine(drawn.lo_dbm)).expect("converges");
    assert!(report.residual <= report.residual_asked);
    let origin = Origin::Derived { how: "whole-period Radau collocation in time, order 13" };
    let [f_lo, f_rf] = drawn.tones_hz;
    let frequency = |m: i32, n: i32| (f64::from(m) * f_lo + f64::from(n) * f_rf).abs();
    let r_if = problem.embedding.external_ohm(2);
    let wanted = control.port_voltage(3, frequency(-1, 1)).norm();
    let gain = |v: f64| db(v * v / (2.0 * r_if) / watt_of_dbm(drawn.rf_dbm));
    let what = format!("seed {seed}: conversion gain, dB");
    let found = port_phasor(&state, 3, frequency(-1, 1)).norm();
    CheckValue { what: &what, expected: gain(wanted), within: 1e-4, because: "asked", origin }.check(gain(found));

    for (port, m, n) in [(2, 1, 0), (3, 1, 0), (3, 0, 1), (1, 0, 1)] {
        let f = frequency(m, n);
        let miss = 2.0 * db(port_phasor(&state, port, f).norm() / control.port_voltage(port, f).norm());
        let what = format!("seed {seed}: isolation, ({m}, {n}) at port {port}, dB off");
        CheckValue { what: &what, expected: 0.0, within: 1e-3, because: "asked", origin }.check(miss);
    }
    let mut n_spurs = 0;
    for m in -5..=5 {
        for n in 0..=5 {
            if n == 0 && m <= 0 {
                continue;
            }
            let expected = 2.0 * db(control.port_voltage(3, frequency(m, n)).norm() / wanted);
            if expected < -120.0 {
                continue;
            }
            // the whole bin on both roads: the period is common
            let level = 2.0 * db(port_phasor(&state, 3, frequency(m, n)).norm() / found);
            let what = format!("seed {seed}: ({m}, {n}) at the IF, dBc");
            CheckValue { what: &what, expected, within: 0.02, because: "asked: down to -120 dBc", origin }.check(level);
            n_spurs += 1;
        }
    }
    assert!(n_spurs > 30, "{n_spurs} products were compared");
    for (j, name) in diode_names.iter().enumerate() {
        let expected = control.diode_current(name, 0.0).re;
        let found = state.junction_current(j, &[0, 0]).expect("kept").re;
        let what = format!("seed {seed}: mean current of {name}, A");
        let within = 1.2e-5 * expected.abs();
        CheckValue { what: &what, expected, within, because: "as 1e-4 dB", origin }.check(found);
    }
}

#[test]
fn first_random_ring() {
    check(1);
}

#[test]
fn second_random_ring() {
    check(20);
}

#[test]
fn third_random_ring() {
    check(300);
}
