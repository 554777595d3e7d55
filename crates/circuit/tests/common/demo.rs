//! The invented demo mixer at circuit level: two stacked coupled-line baluns and a ring of four.
//!
//! Strip matrix and parasitics are invented numbers; the inductance follows from the two effective
//! permittivities of the modes (equal voltages, and equal and opposite charges).

use mixwright_circuit::{Access, Circuit, Line, MulticonductorLine, MulticonductorLoss};
use numerics::RMatrix;

const LIGHT_SPEED_M_PER_S: f64 = 299_792_458.0;
const PAIR_PERMITTIVITY: f64 = 2.72;
const STRIP_PERMITTIVITY: f64 = 2.86;

/// Capacitance matrix of the strips (upper first), farad per metre.
pub(crate) fn capacitance() -> RMatrix {
    RMatrix::from_rows(&[vec![100.5e-12, -87.2e-12], vec![-87.2e-12, 122.8e-12]])
}

/// `L = Σ ε_m/c² · V_m V_mᵀ/(V_mᵀ C V_m)` over the two modes.
pub(crate) fn inductance() -> RMatrix {
    let c = capacitance();
    let det = c[(0, 0)] * c[(1, 1)] - c[(0, 1)] * c[(1, 0)];
    let modes = [
        (PAIR_PERMITTIVITY, [1.0, 1.0]),
        (STRIP_PERMITTIVITY, [(c[(1, 1)] + c[(0, 1)]) / det, -(c[(0, 0)] + c[(0, 1)]) / det]),
    ];
    let mut l = RMatrix::zeros(2, 2);
    for (permittivity, v) in modes {
        let charge: f64 = (0..2).map(|i| (0..2).map(|j| v[i] * c[(i, j)] * v[j]).sum::<f64>()).sum();
        for i in 0..2 {
            for j in 0..2 {
                l[(i, j)] += permittivity / LIGHT_SPEED_M_PER_S.powi(2) * v[i] * v[j] / charge;
            }
        }
    }
    l
}

/// A section of the stacked strips; `lossy` adds conductor and film loss of a plausible size.
pub(crate) fn strips(length_m: f64, lossy: bool) -> MulticonductorLine {
    let skin = RMatrix::from_rows(&[vec![6.0e-3, 1.0e-3], vec![1.0e-3, 5.0e-3]]);
    let loss = MulticonductorLoss {
        dc_ohm_per_m: Some(RMatrix::from_rows(&[vec![230.0, 0.0], vec![0.0, 185.0]])),
        skin_ohm_per_m_sqrt_hz: Some(skin),
        skin_reactance: false,
        dielectric_f_per_m: Some(capacitance().map(|c| 0.003 * c)),
    };
    MulticonductorLine {
        inductance_h_per_m: inductance(),
        capacitance_f_per_m: capacitance(),
        loss: if lossy { loss } else { MulticonductorLoss::default() },
        length_m,
    }
}

/// External ports LO, RF, IF; junctions D1 to D4 around the ring.
pub(crate) fn demo(lossy: bool) -> Circuit {
    let mut c = Circuit::new();
    for (port, pad, inner) in [("LO", "lo", "lo1"), ("RF", "rf", "rf1"), ("IF", "if", "if1")] {
        c.add_port(port, [pad, "0"], 50.0);
        c.add_capacitor(&format!("Claunch{port}"), [pad, "0"], 14e-15);
        c.add_inductor(&format!("Llaunch{port}"), [pad, inner], 45e-12);
    }
    let link = Line::lossless(72.0, 120e-6 * 2.8_f64.sqrt() / LIGHT_SPEED_M_PER_S);
    for (side, start, plus, minus, length_m) in
        [("LO", "lo1", "a+", "a-", 1.510e-3), ("RF", "rf1", "b+", "b-", 1.870e-3)]
    {
        let n = |what: &str| format!("{side}{what}");
        let (m1, m2, open, g1, g2) = (n("m1"), n("m2"), n("open"), n("g1"), n("g2"));
        c.add_multiconductor_line(&n("s1"), &[start, &g1], &[&m1, plus], strips(length_m, lossy));
        c.add_line(&n("link"), [&m1, "0", &m2, "0"], link);
        c.add_multiconductor_line(&n("s2"), &[&m2, minus], &[&open, &g2], strips(length_m, lossy));
    }
    for end in ["LOg1", "LOg2"] {
        c.add_inductor(&format!("Lvia{end}"), [end, "0"], 14e-12);
    }
    for end in ["RFg1", "RFg2"] {
        let tap = format!("{end}c");
        c.add_capacitor(&format!("Ctap{end}"), [end, &tap], 0.23e-12);
        c.add_inductor(&format!("Lvia{end}"), [&tap, "0"], 90e-12);
        c.add_inductor(&format!("Ltap{end}"), [end, "ifn"], 0.39e-9);
    }
    c.add_capacitor("Cif", ["ifn", "0"], 0.06e-12).add_inductor("Lif", ["ifn", "if1"], 0.61e-9);
    for (pad, farad) in [("a+", 6.0e-15), ("a-", 6.0e-15), ("b+", 8.4e-15), ("b-", 6.0e-15)] {
        c.add_capacitor(&format!("Cpad{pad}"), [pad, "0"], farad);
    }
    for (from, to, farad) in
        [("a+", "b+", 1.2e-15), ("a+", "b-", 3.8e-15), ("a-", "b+", 1.2e-15), ("a-", "b-", 1.2e-15)]
    {
        c.add_capacitor(&format!("Cstray{from}{to}"), [from, to], farad);
    }
    let access = Access { rs_ohm: 4.2, finger_inductance_h: 18e-12, pad_capacitance_f: 7e-15 };
    for (name, anode, cathode) in [("D1", "a+", "b+"), ("D2", "b+", "a-"), ("D3", "a-", "b-"), ("D4", "b-", "a+")] {
        c.add_diode(name, anode, cathode, access);
    }
    c
}
