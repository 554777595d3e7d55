//! A ring of four diodes between two stacked coupled-line baluns, 20-26 GHz.
//!
//! Every number is invented; the circuit is that of the tool's own demonstration design.

use circuit::templates::{BalunNodes, coupled_line_balun, ring};
use circuit::{Access, Circuit, Line, MulticonductorLine, MulticonductorLoss};
use diode::{Device, SchottkyParameters};
use mixwright_balance::{Drive, Embedding, Problem};
use numerics::RMatrix;
use std::sync::Arc;

/// The mixer pumped by its LO alone; ports LO, RF, IF.
pub(crate) fn problem(lo_hz: f64, lo_dbm: f64) -> Problem {
    let diode = SchottkyParameters {
        is_a: 6.0e-12,
        n: 1.12,
        cj0_f: 44e-15,
        vj_v: 0.78,
        fc: 0.6,
        ..SchottkyParameters::default()
    };
    let access = Access { rs_ohm: 4.2, finger_inductance_h: 18e-12, pad_capacitance_f: 7e-15 };
    let multiport = circuit(access).compile().expect("compiles");
    let junction: Arc<dyn Device> = Arc::new(diode.at_temperature(298.0).expect("valid"));
    Problem {
        embedding: Arc::new(Embedding::new(Arc::new(multiport), 4).expect("four junctions")),
        devices: vec![junction; 4],
        tones_hz: vec![lo_hz],
        drives: vec![Drive::tone(0, vec![1], 1e-3 * 10f64.powf(lo_dbm / 10.0), 0.0)],
    }
}

fn circuit(access: Access) -> Circuit {
    let mut c = Circuit::new();
    for port in ["lo", "rf", "if"] {
        let inside = format!("{port}1");
        c.add_port(port, [port, "0"], 50.0);
        c.add_capacitor(&format!("C_{port}"), [port, "0"], 14e-15);
        c.add_inductor(&format!("L_{port}"), [port, &inside], 45e-12);
    }
    let link = || Some(Line::lossless(72.0, 120e-6 * 2.72f64.sqrt() / 299_792_458.0));
    let lo = BalunNodes { input: "lo1", plus: "a+", minus: "a-", return_plus: "g1", return_minus: "g2" };
    let rf = BalunNodes { input: "rf1", plus: "b+", minus: "b-", return_plus: "tap1", return_minus: "tap2" };
    coupled_line_balun(&mut c, "lo_", lo, [section(1.51e-3), section(1.51e-3)], link());
    coupled_line_balun(&mut c, "rf_", rf, [section(1.87e-3), section(1.87e-3)], link());
    for (via, tap, middle) in [("g1", "tap1", "tap1_via"), ("g2", "tap2", "tap2_via")] {
        c.add_inductor(&format!("L_{via}"), [via, "0"], 14e-12);
        c.add_capacitor(&format!("C_{tap}"), [tap, middle], 0.23e-12);
        c.add_inductor(&format!("L_{tap}"), [middle, "0"], 90e-12);
        c.add_inductor(&format!("L_if_{tap}"), [tap, "tap"], 0.39e-9);
    }
    c.add_capacitor("C_tap", ["tap", "0"], 0.06e-12).add_inductor("L_tap", ["tap", "if1"], 0.61e-9);
    for (name, nodes, farad) in [
        ("C1", ["a+", "0"], 6.0e-15),
        ("C2", ["a-", "0"], 6.0e-15),
        ("C3", ["b+", "0"], 8.4e-15),
        ("C4", ["b-", "0"], 6.0e-15),
        ("C5", ["a+", "b+"], 1.2e-15),
        ("C6", ["a+", "b-"], 3.8e-15),
        ("C7", ["a-", "b+"], 1.2e-15),
        ("C8", ["a-", "b-"], 1.2e-15),
    ] {
        c.add_capacitor(name, nodes, farad);
    }
    ring(&mut c, "", ["a+", "b+", "a-", "b-"], [access; 4]);
    c
}

/// A piece of the two stacked strips, upper one first.
fn section(length_m: f64) -> MulticonductorLine {
    let capacitance = RMatrix::from_rows(&[vec![100.5e-12, -87.2e-12], vec![-87.2e-12, 122.8e-12]]);
    let per_root_hz = 1.0 / 28e9f64.sqrt();
    MulticonductorLine {
        inductance_h_per_m: RMatrix::from_rows(&[vec![721.4e-9, 540.07e-9], vec![540.07e-9, 679.51e-9]]),
        loss: MulticonductorLoss {
            skin_ohm_per_m_sqrt_hz: Some(RMatrix::from_rows(&[
                vec![1100.0 * per_root_hz, 0.0],
                vec![0.0, 940.0 * per_root_hz],
            ])),
            dielectric_f_per_m: Some(capacitance.map(|c| 0.004 * c)),
            ..MulticonductorLoss::default()
        },
        capacitance_f_per_m: capacitance,
        length_m,
    }
}
