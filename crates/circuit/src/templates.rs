//! Ready-made mixer topologies, added to a circuit with names that start with a prefix.
//!
//! The functions come in two kinds: the bare diode figure between nodes that the caller connects
//! ([`antiparallel_pair`], [`ring`], [`star`]), and whole mixers with ideal transformers and
//! hybrids between three single-ended nodes. Everything else is free connection with [`Circuit`].
//!
//! Ring convention: `D1 a→b`, `D2 b→c`, `D3 c→d`, `D4 d→a`, all the same way round; the LO lies
//! across `a` and `c` with its centre on ground, the RF across `b` and `d` with its centre the IF.
//! Transformers are 1:1 to each half, so that 50 ohm at all ports is matched for ideal switches.

use crate::ideal::{QuadratureHybrid, sum_difference_hybrid};
use crate::{Access, Circuit, Line, MulticonductorLine};
use std::sync::Arc;

/// Reference of the ideal hybrids, ohm.
const HYBRID_OHM: f64 = 50.0;

/// One diode from `anode` to `cathode`, named `D1`.
pub fn single_diode(circuit: &mut Circuit, prefix: &str, [anode, cathode]: [&str; 2], access: Access) {
    circuit.add_diode(&format!("{prefix}D1"), anode, cathode, access);
}

/// Two diodes side by side, pointing in opposite directions: `D1 a→b`, `D2 b→a`.
pub fn antiparallel_pair(circuit: &mut Circuit, prefix: &str, [a, b]: [&str; 2], access: [Access; 2]) {
    circuit.add_diode(&format!("{prefix}D1"), a, b, access[0]);
    circuit.add_diode(&format!("{prefix}D2"), b, a, access[1]);
}

/// Four diodes in a ring around the corners `a`, `b`, `c`, `d`.
pub fn ring(circuit: &mut Circuit, prefix: &str, corners: [&str; 4], access: [Access; 4]) {
    for k in 0..4 {
        circuit.add_diode(&format!("{prefix}D{}", k + 1), corners[k], corners[(k + 1) % 4], access[k]);
    }
}

/// Four diodes from the corners `a`, `b`, `c`, `d` to one centre: `D1 a→centre`, `D2 centre→b`,
/// `D3 centre→c`, `D4 d→centre`. LO drives `a`, `b` against `c`, `d`; RF drives `a`, `c` against
/// `b`, `d`; the centre is the IF.
pub fn star(circuit: &mut Circuit, prefix: &str, corners: [&str; 4], centre: &str, access: [Access; 4]) {
    for (k, &corner) in corners.iter().enumerate() {
        let (anode, cathode) = if k == 0 || k == 3 { (corner, centre) } else { (centre, corner) };
        circuit.add_diode(&format!("{prefix}D{}", k + 1), anode, cathode, access[k]);
    }
}

/// The three single-ended nodes of a whole mixer, all against ground.
#[derive(Debug, Clone, Copy)]
pub struct MixerNodes<'a> {
    /// Local oscillator.
    pub lo: &'a str,
    /// Radio frequency.
    pub rf: &'a str,
    /// Intermediate frequency.
    pub intermediate: &'a str,
}

/// Single-balanced 180° mixer: the LO through a centre-tapped transformer across two diodes in
/// series, `D1 a→common`, `D2 common→c`; RF and IF share the node `common` and are separated by
/// the caller's filters.
pub fn single_balanced(circuit: &mut Circuit, prefix: &str, lo: &str, common: &str, access: [Access; 2]) {
    let n = |what: &str| format!("{prefix}{what}");
    let (a, c) = (n("a"), n("c"));
    circuit.add_transformer(&n("TLO"), &[([lo, "0"], 1.0), ([&a, "0"], 1.0), (["0", &c], 1.0)]);
    circuit.add_diode(&n("D1"), &a, common, access[0]);
    circuit.add_diode(&n("D2"), common, &c, access[1]);
}

/// Double-balanced ring mixer with two ideal centre-tapped transformers.
pub fn ring_mixer(circuit: &mut Circuit, prefix: &str, nodes: MixerNodes<'_>, access: [Access; 4]) {
    let MixerNodes { lo, rf, intermediate } = nodes;
    let n = |what: &str| format!("{prefix}{what}");
    let (a, b, c, d) = (n("a"), n("b"), n("c"), n("d"));
    circuit.add_transformer(&n("TLO"), &[([lo, "0"], 1.0), ([&a, "0"], 1.0), (["0", &c], 1.0)]);
    circuit.add_transformer(&n("TRF"), &[([rf, "0"], 1.0), ([&b, intermediate], 1.0), ([intermediate, &d], 1.0)]);
    ring(circuit, prefix, [&a, &b, &c, &d], access);
}

/// Double-balanced star mixer: each corner is fed by an LO and an RF winding in series, because
/// two ideal transformers cannot feed one node in parallel.
pub fn star_mixer(circuit: &mut Circuit, prefix: &str, nodes: MixerNodes<'_>, access: [Access; 4]) {
    let n = |what: &str| format!("{prefix}{what}");
    let corners = ["a", "b", "c", "d"].map(n);
    let middles = ["xa", "xb", "xc", "xd"].map(n);
    let mut lo = vec![([nodes.lo, "0"], 1.0)];
    let mut rf = vec![([nodes.rf, "0"], 1.0)];
    for (k, (lo_sign, rf_sign)) in [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)].into_iter().enumerate() {
        lo.push(([&middles[k], "0"], lo_sign));
        rf.push(([&corners[k], &middles[k]], rf_sign));
    }
    circuit.add_transformer(&n("TLO"), &lo).add_transformer(&n("TRF"), &rf);
    star(circuit, prefix, corners.each_ref().map(String::as_str), nodes.intermediate, access);
}

/// Double ring (triple-balanced) mixer of eight diodes, `D1`…`D4` and `D5`…`D8`.
///
/// Both rings see LO and RF through their own centre-tapped windings, the LO of the second ring
/// reversed. The IF appears between the LO centre of one ring joined to the RF centre of the other
/// and the remaining two centres, and leaves through a third transformer, so that it is isolated
/// from LO and RF by symmetry and may overlap them.
pub fn double_ring_mixer(circuit: &mut Circuit, prefix: &str, nodes: MixerNodes<'_>, access: [Access; 8]) {
    let n = |what: &str| format!("{prefix}{what}");
    let (p, m) = (n("p"), n("m"));
    let first = ["a1", "b1", "c1", "d1"].map(n);
    let second = ["a2", "b2", "c2", "d2"].map(n);
    let lo: [([&str; 2], f64); 5] = [
        ([nodes.lo, "0"], 1.0),
        ([&first[0], &p], 1.0),
        ([&p, &first[2]], 1.0),
        ([&second[0], &m], -1.0),
        ([&m, &second[2]], -1.0),
    ];
    let rf: [([&str; 2], f64); 5] = [
        ([nodes.rf, "0"], 1.0),
        ([&first[1], &m], 1.0),
        ([&m, &first[3]], 1.0),
        ([&second[1], &p], 1.0),
        ([&p, &second[3]], 1.0),
    ];
    circuit.add_transformer(&n("TLO"), &lo).add_transformer(&n("TRF"), &rf);
    circuit.add_transformer(&n("TIF"), &[([nodes.intermediate, "0"], 1.0), ([&m, "0"], 0.5), (["0", &p], 0.5)]);
    let (quad1, quad2) = access.split_at(4);
    for (offset, corners, quad) in [(1, &first, quad1), (5, &second, quad2)] {
        for k in 0..4 {
            circuit.add_diode(&n(&format!("D{}", k + offset)), &corners[k], &corners[(k + 1) % 4], quad[k]);
        }
    }
}

/// The nodes of an image-reject mixer, all against ground.
#[derive(Debug, Clone, Copy)]
pub struct ImageRejectNodes<'a> {
    /// Local oscillator.
    pub lo: &'a str,
    /// Radio frequency.
    pub rf: &'a str,
    /// Intermediate frequency of signals above the LO.
    pub upper: &'a str,
    /// Intermediate frequency of signals below the LO.
    pub lower: &'a str,
}

/// Image-reject mixer: two ring mixers, LO split in phase, RF split and IF joined in quadrature by
/// ideal hybrids of 50 ohm; isolated ports end in 50 ohm. Diodes `A_D1`…`A_D4`, `B_D1`…`B_D4`.
pub fn image_reject_mixer(circuit: &mut Circuit, prefix: &str, nodes: ImageRejectNodes<'_>, access: [[Access; 4]; 2]) {
    let n = |what: &str| format!("{prefix}{what}");
    let quadrature = Arc::new(QuadratureHybrid::new(HYBRID_OHM));
    let split = Arc::new(sum_difference_hybrid(HYBRID_OHM));
    let (rfx, lox) = (n("rfx"), n("lox"));
    let halves = ["A", "B"].map(|half| ["lo", "rf", "if"].map(|port| n(&format!("{port}{half}"))));
    let [[lo_a, rf_a, if_a], [lo_b, rf_b, if_b]] = &halves;
    circuit.add_block(&n("HRF"), &[[nodes.rf, "0"], [rf_a, "0"], [rf_b, "0"], [&rfx, "0"]], quadrature.clone());
    circuit.add_block(&n("HLO"), &[[nodes.lo, "0"], [lo_a, "0"], [lo_b, "0"], [&lox, "0"]], split);
    circuit.add_block(&n("HIF"), &[[nodes.lower, "0"], [if_a, "0"], [if_b, "0"], [nodes.upper, "0"]], quadrature);
    circuit.add_resistor(&n("Rrfx"), [&rfx, "0"], HYBRID_OHM).add_resistor(&n("Rlox"), [&lox, "0"], HYBRID_OHM);
    for ((half, [lo, rf, intermediate]), access) in ["A_", "B_"].into_iter().zip(&halves).zip(access) {
        ring_mixer(circuit, &n(half), MixerNodes { lo, rf, intermediate }, access);
    }
}

/// The nodes of a two-section coupled-line balun.
#[derive(Debug, Clone, Copy)]
pub struct BalunNodes<'a> {
    /// Single-ended end of the primary, against ground.
    pub input: &'a str,
    /// Balanced output of the first section.
    pub plus: &'a str,
    /// Balanced output of the second section.
    pub minus: &'a str,
    /// Far end of the secondary of the first section; ground, or a tap.
    pub return_plus: &'a str,
    /// Far end of the secondary of the second section; ground, or a tap.
    pub return_minus: &'a str,
}

/// Compensated balun of two coupled sections: the primary (conductor 1 of each section) runs from
/// the input through both sections to an open end; the secondaries (conductor 2) run from their
/// returns to the balanced outputs in the middle. `link` joins the primaries across the gap
/// between the outputs.
/// Source of the circuit: N. Marchand, "Transmission-line conversion transformers", Electronics 17
/// (December 1944) 142 (from memory).
pub fn coupled_line_balun(
    circuit: &mut Circuit,
    prefix: &str,
    nodes: BalunNodes<'_>,
    sections: [MulticonductorLine; 2],
    link: Option<Line>,
) {
    let n = |what: &str| format!("{prefix}{what}");
    let (middle, open) = (n("m1"), n("open"));
    let after = if link.is_some() { n("m2") } else { middle.clone() };
    let [first, second] = sections;
    circuit.add_multiconductor_line(&n("S1"), &[nodes.input, nodes.return_plus], &[&middle, nodes.plus], first);
    circuit.add_multiconductor_line(&n("S2"), &[&after, nodes.minus], &[&open, nodes.return_minus], second);
    if let Some(line) = link {
        circuit.add_line(&n("link"), [&middle, "0", &after, "0"], line);
    }
    circuit.leave_open(&open);
}
