//! The joined circuit against a full tableau, and the laws every passive circuit obeys.

mod common;

use common::tableau::{Part, scattering, to_circuit};
use common::{Random, distance, loss_defect};
use mixwright_circuit::AccessResistance;
use network::FrequencyResponse;

/// Distance allowed to the control: replay may lose four digits of sixteen.
const CONTROL_ERROR: f64 = 1e-10;

/// A ladder of `n` random parts from one port to the next, with random branches across.
fn random_circuit(random: &mut Random, lossy: bool, lines: bool) -> (Vec<Part>, usize) {
    let n_nodes = 4 + random.below(6);
    let mut parts = Vec::new();
    for node in 1..n_nodes {
        // every node has a path to ground and one to its neighbour
        parts.push(lumped(random, [node, 0], lossy));
        let next = if node + 1 < n_nodes { node + 1 } else { 1 };
        let across = lumped(random, [node, next], lossy);
        parts.push(across);
    }
    let pick = |random: &mut Random| 1 + random.below(n_nodes - 1);
    if lines {
        for _ in 0..2 {
            let (near, far) = (pick(random), pick(random));
            parts.push(Part::Line([near, 0], [far, 0], random.log(20.0, 120.0), random.log(1e-12, 1e-10)));
            let nodes = [pick(random), pick(random), pick(random), pick(random)];
            let odd = random.log(20.0, 60.0);
            let even = odd * (1.1 + 2.0 * random.unit());
            let delays = [random.log(1e-12, 1e-10), random.log(1e-12, 1e-10)];
            parts.push(Part::Pair(nodes, [even, odd], delays));
        }
    }
    let (a, b) = (pick(random), pick(random));
    parts.push(Part::Transformer(vec![([a, 0], 1.0), ([n_nodes, 0], random.log(0.3, 3.0)), ([0, n_nodes + 1], 1.0)]));
    parts.push(lumped(random, [n_nodes, n_nodes + 1], lossy));
    for node in [1, b, n_nodes, n_nodes + 1] {
        parts.push(Part::Port([node, 0], random.log(10.0, 200.0)));
    }
    (parts, n_nodes + 2)
}

fn lumped(random: &mut Random, nodes: [usize; 2], lossy: bool) -> Part {
    match random.below(if lossy { 3 } else { 2 }) {
        0 => Part::L(nodes, random.log(1e-11, 1e-8)),
        1 => Part::C(nodes, random.log(1e-15, 1e-10)),
        _ => Part::R(nodes, random.log(0.1, 1e4)),
    }
}

#[test]
fn random_circuits_agree_with_the_full_tableau_and_keep_the_laws() {
    let mut random = Random(20_240_611);
    let (mut worst, mut solved_densely, mut count) = (0.0_f64, 0, 0);
    for k in 0..60 {
        let (parts, n_nodes) = random_circuit(&mut random, k % 2 == 0, k % 3 != 0);
        let m = to_circuit(&parts).compile().expect("a random circuit");
        let freqs: Vec<f64> = (0..20).map(|_| random.log(1e7, 5e11)).collect();
        for (&f, many) in freqs.iter().zip(m.scattering_many(&freqs).expect("ok")) {
            let s = m.scattering(f).expect("ok");
            assert_eq!(s, many, "one by one and side by side give the same bits");
            worst = worst.max(distance(&s, &scattering(&parts, n_nodes, f)));
            worst = worst.max(distance(&s, &s.transpose()));
            let sigma = numerics::linear::singular_values(&s).expect("finite")[0];
            assert!(sigma <= 1.0 + CONTROL_ERROR, "passive: {sigma}");
            if k % 2 == 1 {
                worst = worst.max(loss_defect(&s));
            }
            count += 1;
        }
        solved_densely += m.work().dense_solutions;
    }
    assert!(worst < CONTROL_ERROR, "worst defect {worst:.1e}");
    // the fall-back is for rare resonances; if it became the rule the speed would be gone
    assert!(solved_densely < count / 5, "{solved_densely} of {count} solved densely");
}

#[test]
fn the_demo_mixer_is_solved_fast_and_right() {
    for lossy in [false, true] {
        let m = common::demo::demo(lossy).compile().expect("the demo");
        assert_eq!(m.port_names(), ["LO", "RF", "IF", "D1", "D2", "D3", "D4"]);
        let (mut worst, mut freq_hz) = (0.0_f64, 3e7);
        while freq_hz < 2e12 {
            let s = m.scattering(freq_hz).expect("ok");
            worst = worst.max(distance(&s, &m.scattering_dense(freq_hz).expect("ok")));
            worst = worst.max(distance(&s, &s.transpose()));
            let sigma = numerics::linear::singular_values(&s).expect("finite")[0];
            assert!(sigma <= 1.0 + CONTROL_ERROR, "passive at {freq_hz}: {sigma}");
            freq_hz *= 1.07;
        }
        assert!(worst < CONTROL_ERROR, "worst defect {worst:.1e}");
        // at direct current the junctions see one loop: capacitors open, strips joined to ground
        let dc = m.scattering(0.0).expect("ok");
        assert!(dc.as_slice().iter().all(|x| x.im == 0.0 && x.re.is_finite()));
        assert!(distance(&dc, &dc.transpose()) < CONTROL_ERROR);
        let work = m.work();
        assert!(work.multiplications.expect("a plan") < 1500, "{work:?}");
    }
}

#[test]
fn without_series_resistances_the_lossless_demo_keeps_all_power() {
    let m = common::demo::demo(false).compile_with(AccessResistance::Outside).expect("the demo");
    for f in [1e9, 23e9, 28e9, 100e9] {
        let defect = loss_defect(&m.scattering(f).expect("ok"));
        assert!(defect < CONTROL_ERROR, "{defect:.1e}");
    }
}

#[test]
fn every_steady_case_compiles_and_keeps_the_laws() {
    let cases = common::netlist::steady_cases();
    assert_eq!(cases.len(), 12);
    for (id, circuit) in cases {
        let inside = circuit.compile().unwrap_or_else(|e| panic!("{id}: {e}"));
        let outside = circuit.compile_with(AccessResistance::Outside).unwrap_or_else(|e| panic!("{id}: {e}"));
        for f in [0.0, 0.5e9, 10e9, 21.5e9, 1.2e12] {
            let s = inside.scattering(f).unwrap_or_else(|e| panic!("{id}: {e}"));
            assert!(distance(&s, &s.transpose()) < CONTROL_ERROR, "{id} is reciprocal at {f}");
            let sigma = numerics::linear::singular_values(&s).expect("finite")[0];
            assert!(sigma <= 1.0 + CONTROL_ERROR, "{id} is passive at {f}: {sigma}");
            let dense = inside.scattering_dense(f).expect("ok");
            assert!(distance(&s, &dense) < CONTROL_ERROR, "{id} agrees with the dense solution at {f}");
            // all loss of these circuits is in RS, but for the half-ohm returns of the star
            if !id.contains("star") {
                let lossless = outside.scattering(f).unwrap_or_else(|e| panic!("{id}: {e}"));
                assert!(loss_defect(&lossless) < CONTROL_ERROR, "{id} without RS is lossless at {f}");
            }
        }
    }
}
