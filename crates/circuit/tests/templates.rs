//! The ready-made mixers with their junctions replaced by ideal switches.

use mixwright_circuit::templates::{
    BalunNodes, ImageRejectNodes, MixerNodes, antiparallel_pair, coupled_line_balun, double_ring_mixer,
    image_reject_mixer, ring_mixer, single_balanced, single_diode, star_mixer,
};
use mixwright_circuit::{Access, Circuit, CoupledPair, Multiport};
use network::FrequencyResponse;
use numerics::{CMatrix, Complex64};
use std::sync::Arc;

/// Closed and open switch, ohm, and what they leave of an ideal ±1.
const ON_OHM: f64 = 1e-6;
const OFF_OHM: f64 = 1e9;
const SWITCH_ERROR: f64 = 1e-6;
const FREQ_HZ: f64 = 10e9;
const PLAIN: Access = Access { rs_ohm: 0.0, finger_inductance_h: 0.0, pad_capacitance_f: 0.0 };
const NODES: MixerNodes<'static> = MixerNodes { lo: "lo", rf: "rf", intermediate: "if" };

fn mixer(fill: impl FnOnce(&mut Circuit)) -> Arc<Multiport> {
    let mut c = Circuit::new();
    for port in ["lo", "rf", "if"] {
        c.add_port(port, [port, "0"], 50.0);
    }
    fill(&mut c);
    Arc::new(c.compile().expect("a template compiles"))
}

/// External scattering matrix with the listed diodes closed and all others open.
fn switched(m: &Arc<Multiport>, on: &[&str]) -> CMatrix {
    let mut c = Circuit::new();
    let names: Vec<String> = m.port_names().iter().map(|n| format!("port of {n}")).collect();
    let pairs: Vec<[&str; 2]> = names.iter().map(|n| [n.as_str(), "0"]).collect();
    c.add_block("mixer", &pairs, m.clone());
    for (k, pair) in pairs.iter().enumerate() {
        if k < m.n_external() {
            c.add_port(&format!("P{k}"), *pair, m.reference_ohm()[k]);
        } else {
            let closed = on.contains(&m.port_names()[k].as_str());
            c.add_resistor(&format!("R{k}"), *pair, if closed { ON_OHM } else { OFF_OHM });
        }
    }
    c.compile().expect("switches").scattering(FREQ_HZ).expect("a solution")
}

#[track_caller]
fn is(found: Complex64, expected: impl Into<Complex64>) {
    let expected = expected.into();
    assert!((found - expected).norm() < SWITCH_ERROR, "expected {expected}, found {found}");
}

/// In both LO states the RF reaches the IF with opposite signs, undiminished: the multiplication
/// by ±1 behind the limit 2/π. The LO is isolated and sees the closed pair as a short.
fn is_reversing_switch(m: &Arc<Multiport>, positive: &[&str], negative: &[&str]) {
    let (p, n) = (switched(m, positive), switched(m, negative));
    let (lo, rf, intermediate) = (0, 1, 2);
    for s in [&p, &n] {
        is(s[(lo, lo)], -1.0);
        is(s[(rf, lo)], 0.0);
        is(s[(intermediate, lo)], 0.0);
        is(s[(rf, rf)], 0.0);
    }
    assert!((p[(intermediate, rf)].norm() - 1.0).abs() < SWITCH_ERROR);
    is(p[(intermediate, rf)] + n[(intermediate, rf)], 0.0);
}

#[test]
fn ring_star_and_double_ring_are_reversing_switches() {
    is_reversing_switch(&mixer(|c| ring_mixer(c, "", NODES, [PLAIN; 4])), &["D1", "D2"], &["D3", "D4"]);
    is_reversing_switch(&mixer(|c| star_mixer(c, "", NODES, [PLAIN; 4])), &["D1", "D3"], &["D2", "D4"]);
    let double = mixer(|c| double_ring_mixer(c, "", NODES, [PLAIN; 8]));
    assert_eq!(double.n_junctions(), 8);
    is_reversing_switch(&double, &["D1", "D2", "D7", "D8"], &["D3", "D4", "D5", "D6"]);
}

#[test]
fn diodes_of_a_pair_conduct_for_one_sign_of_the_lo() {
    // A wave into the LO port makes all junctions of one half cycle positive and the others negative.
    let m = mixer(|c| ring_mixer(c, "", NODES, [PLAIN; 4]));
    let s = m.scattering(FREQ_HZ).expect("ok");
    for (k, sign) in [(3, 1.0), (4, 1.0), (5, -1.0), (6, -1.0)] {
        assert!(s[(k, 0)].re * sign > 0.1, "{} against the LO: {}", m.port_names()[k], s[(k, 0)]);
    }
    let m = mixer(|c| star_mixer(c, "", NODES, [PLAIN; 4]));
    let s = m.scattering(FREQ_HZ).expect("ok");
    for (k, sign) in [(3, 1.0), (4, -1.0), (5, 1.0), (6, -1.0)] {
        assert!(s[(k, 0)].re * sign > 0.1, "{} against the LO: {}", m.port_names()[k], s[(k, 0)]);
    }
}

#[test]
fn single_balanced_opens_and_shorts_its_common_node() {
    let mut c = Circuit::new();
    c.add_port("lo", ["lo", "0"], 50.0).add_port("x", ["x", "0"], 50.0);
    single_balanced(&mut c, "", "lo", "x", [PLAIN; 2]);
    let m = Arc::new(c.compile().expect("ok"));
    is(switched(&m, &["D1", "D2"])[(1, 1)], -1.0);
    is(switched(&m, &[])[(1, 1)], 1.0);
    is(switched(&m, &["D1", "D2"])[(1, 0)], 0.0);
}

#[test]
fn bare_diodes_point_as_written() {
    let mut c = Circuit::new();
    c.add_port("p", ["a", "0"], 50.0);
    single_diode(&mut c, "s", ["a", "0"], PLAIN);
    antiparallel_pair(&mut c, "p", ["a", "0"], [PLAIN; 2]);
    let m = c.compile().expect("ok");
    assert_eq!(m.port_names(), ["p", "sD1", "pD1", "pD2"]);
    let s = m.scattering(FREQ_HZ).expect("ok");
    // four 50 ohm parts in parallel: v = 2 a √50 · 1/4 for the port, same at each junction
    is(s[(1, 0)], 0.5);
    is(s[(2, 0)], 0.5);
    is(s[(3, 0)], -0.5);
}

#[test]
fn image_reject_mixer_steers_the_two_sidebands() {
    let nodes = ImageRejectNodes { lo: "lo", rf: "rf", upper: "u", lower: "l" };
    let mut c = Circuit::new();
    for port in ["lo", "rf", "u", "l"] {
        c.add_port(port, [port, "0"], 50.0);
    }
    image_reject_mixer(&mut c, "", nodes, [[PLAIN; 4]; 2]);
    let m = Arc::new(c.compile().expect("ok"));
    assert_eq!(m.n_junctions(), 8);
    // Both rings in one state pass the RF phase unchanged, as conversion from above the LO does.
    let s = switched(&m, &["A_D1", "A_D2", "B_D1", "B_D2"]);
    assert!((s[(2, 1)].norm() - 1.0).abs() < SWITCH_ERROR, "{}", s[(2, 1)]);
    is(s[(3, 1)], 0.0);
    // direct current must be real: signals are
    let dc = m.scattering(0.0).expect("ok");
    assert!(dc.as_slice().iter().all(|x| x.im == 0.0));
}

#[test]
fn balun_template_is_the_coupled_line_balun() {
    // Balanced outputs equal and opposite at every frequency: S31 = −S21 (equal velocities).
    let mut c = Circuit::new();
    c.add_port("in", ["in", "0"], 50.0).add_port("plus", ["p", "0"], 50.0).add_port("minus", ["m", "0"], 50.0);
    let section = CoupledPair::new(96.5926, 25.8819, 25e-12).to_multiconductor();
    let nodes = BalunNodes { input: "in", plus: "p", minus: "m", return_plus: "0", return_minus: "0" };
    coupled_line_balun(&mut c, "B", nodes, [section.clone(), section], None);
    let m = c.compile().expect("ok");
    assert!(m.findings().is_empty(), "the open end is meant");
    for f in [2e9, 5e9, 10e9, 17e9] {
        let s = m.scattering(f).expect("ok");
        is(s[(1, 0)] + s[(2, 0)], 0.0);
    }
}
