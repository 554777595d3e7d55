//! An invented mixer at circuit level for the tests: two stacked coupled-line baluns and a ring of four.

#![allow(dead_code)] // every test file uses its own part

use circuit::{Access, AccessResistance, Circuit, Line, MulticonductorLine, MulticonductorLoss};
use diode::{Device, SchottkyParameters};
use mixer::{Direction, Mixer, Plan, Ports};
use mixwright_handover::{Model, ModelPlan};
use numerics::{Quiet, RMatrix};
use std::sync::Arc;

const LIGHT_SPEED_M_PER_S: f64 = 299_792_458.0;

fn strips(length_m: f64) -> MulticonductorLine {
    let capacitance = RMatrix::from_rows(&[vec![100.5e-12, -87.2e-12], vec![-87.2e-12, 122.8e-12]]);
    MulticonductorLine {
        inductance_h_per_m: RMatrix::from_rows(&[vec![721.40e-9, 540.07e-9], vec![540.07e-9, 679.51e-9]]),
        loss: MulticonductorLoss {
            dc_ohm_per_m: None,
            skin_ohm_per_m_sqrt_hz: Some(RMatrix::from_rows(&[vec![6.57e-3, 0.0], vec![0.0, 5.62e-3]])),
            skin_reactance: true,
            dielectric_f_per_m: Some(capacitance.map(|c| 0.004 * c)),
        },
        capacitance_f_per_m: capacitance,
        length_m,
    }
}

fn demo_circuit(diode: &SchottkyParameters) -> Circuit {
    let mut c = Circuit::new();
    for (port, pad, inner) in [("LO", "lo", "lo1"), ("RF", "rf", "rf1"), ("IF", "if", "if1")] {
        c.add_port(port, [pad, "0"], 50.0);
        c.add_capacitor(&format!("Claunch{port}"), [pad, "0"], 14e-15);
        c.add_inductor(&format!("Llaunch{port}"), [pad, inner], 45e-12);
    }
    let link = Line::lossless(72.0, 120e-6 * 2.72_f64.sqrt() / LIGHT_SPEED_M_PER_S);
    for (side, start, plus, minus, length_m) in
        [("LO", "lo1", "a+", "a-", 1.510e-3), ("RF", "rf1", "b+", "b-", 1.870e-3)]
    {
        let n = |what: &str| format!("{side}{what}");
        let (m1, m2, open, g1, g2) = (n("m1"), n("m2"), n("open"), n("g1"), n("g2"));
        c.add_multiconductor_line(&n("s1"), &[start, &g1], &[&m1, plus], strips(length_m));
        c.add_line(&n("link"), [&m1, "0", &m2, "0"], link);
        c.add_multiconductor_line(&n("s2"), &[&m2, minus], &[&open, &g2], strips(length_m));
        c.leave_open(&open);
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
    let access = Access {
        rs_ohm: diode.rs_ohm,
        finger_inductance_h: diode.finger_inductance_h,
        pad_capacitance_f: diode.pad_capacitance_f,
    };
    for (name, anode, cathode) in [("D1", "a+", "b+"), ("D2", "b+", "a-"), ("D3", "a-", "b-"), ("D4", "b-", "a+")] {
        c.add_diode(name, anode, cathode, access);
    }
    c
}

pub(crate) fn diode_parameters() -> SchottkyParameters {
    SchottkyParameters {
        is_a: 6.0e-12,
        n: 1.12,
        rs_ohm: 4.2,
        cj0_f: 44e-15,
        vj_v: 0.78,
        m: 0.5,
        fc: 0.6,
        temp_nominal_k: 298.0,
        barrier_ev: 0.74,
        pad_capacitance_f: 7e-15,
        finger_inductance_h: 18e-12,
        ..SchottkyParameters::default()
    }
}

pub(crate) const TEMP_K: f64 = 298.15;

/// The invented mixer at a temperature, kelvin.
pub(crate) fn demo_mixer(temp_k: f64) -> Mixer {
    let parameters = diode_parameters();
    let multiport = demo_circuit(&parameters).compile_with(AccessResistance::Inside).expect("a sound circuit");
    let embedding = balance::Embedding::new(Arc::new(multiport), 4).expect("four junctions");
    let device: Arc<dyn Device> = Arc::new(parameters.at_temperature(temp_k).expect("in range"));
    Mixer {
        name: "invented ring".into(),
        about: "two baluns and a ring".into(),
        embedding: Arc::new(embedding),
        alternatives: Vec::new(),
        devices: vec![device; 4],
        diode_names: ["D1", "D2", "D3", "D4"].map(String::from).to_vec(),
        ports: Ports { lo: 0, rf: 1, if_: 2 },
        temp_k,
        terminations: "50 ohm on every port at every frequency".into(),
        findings: Vec::new(),
    }
}

pub(crate) fn demo_plan() -> Plan {
    Plan { direction: Direction::Down, anchors: 2, points: 5, ..Plan::new(28e9, 15.0, (20e9, 26e9)) }
}

pub(crate) fn demo_model() -> Model {
    let plans = [ModelPlan::new("seat D", demo_plan())];
    let parameters = vec![diode_parameters(); 4];
    Model::take(&demo_mixer(TEMP_K), &parameters, &[0.0; 4], &plans, &[], &Quiet).expect("a model")
}
