//! Brings the circuits of the steady-state check values into our own types, and small circuits with
//! closed-form answers.
#![allow(dead_code)] // each test file uses its own part

pub(crate) mod bare;

use circuit::{Access, Circuit, CoupledPair, Line};
use diode::{Device, SchottkyParameters};
use mixwright_balance::{BalanceSettings, Drive, Embedding, Problem, SteadyState};
use num_complex::Complex64;
use numerics::RMatrix;
use proof::circuit::{DiodeParameters, Element, Kind, Tone, watt_of_dbm};
use proof::{Case, CheckValue, Origin, Point};
use std::sync::Arc;

/// Temperature of all cases, kelvin.
pub(crate) const TEMP_K: f64 = 300.0;

/// A point of a case as a problem; port index `p` of the case is external port `p − 1`.
pub(crate) struct Posed {
    pub problem: Problem,
    pub diode_names: Vec<String>,
    pub f_lo_hz: f64,
    pub f_rf_hz: Option<f64>,
}

/// Poses a point; `with_signal` false leaves the RF tone out.
pub(crate) fn pose(point: &Point, with_signal: bool) -> Posed {
    let tones_hz: Vec<f64> = std::iter::once(point.f_lo_hz).chain(point.f_rf_hz.filter(|_| with_signal)).collect();
    let (problem, diode_names) = problem_of(&point.elements, &tones_hz);
    Posed { problem, diode_names, f_lo_hz: point.f_lo_hz, f_rf_hz: point.f_rf_hz }
}

/// A netlist of the controls as a problem with these tones; sources at other frequencies are left out.
pub(crate) fn problem_of(elements: &[Element], tones_hz: &[f64]) -> (Problem, Vec<String>) {
    let mut c = Circuit::new();
    let mut ports: Vec<(usize, &Element)> = Vec::new();
    let mut devices: Vec<Arc<dyn Device>> = Vec::new();
    let mut diode_names = Vec::new();
    for e in elements {
        match &e.kind {
            Kind::Port { index, .. } => ports.push((*index, e)),
            Kind::Diode { parameters, .. } => {
                devices.push(junction(parameters));
                diode_names.push(e.id.clone());
                add_element(&mut c, e);
            }
            _ => add_element(&mut c, e),
        }
    }
    ports.sort_by_key(|p| p.0);
    let n_tones = tones_hz.len();
    let mut drives = Vec::new();
    for (i, (_, e)) in ports.iter().enumerate() {
        let Kind::Port { nodes, r_ohm, vdc_v, tones, .. } = &e.kind else { unreachable!("sorted out above") };
        c.add_port(&e.id, strs(nodes), *r_ohm);
        if *vdc_v != 0.0 {
            drives.push(Drive { port: i, orders: vec![0; n_tones], wave: (vdc_v / (2.0 * r_ohm.sqrt())).into() });
        }
        for t in tones.iter().filter(|t| t.available_w > 0.0) {
            let orders = tones_hz.iter().map(|&f| i32::from((f - t.f_hz).abs() < 1.0)).collect::<Vec<_>>();
            if orders.iter().sum::<i32>() == 1 {
                drives.push(Drive::tone(i, orders, t.available_w, t.phase_rad));
            }
        }
    }
    let multiport = c.compile().expect("compiles");
    let embedding = Embedding::new(Arc::new(multiport), devices.len()).expect("junctions");
    let problem = Problem { embedding: Arc::new(embedding), devices, tones_hz: tones_hz.to_vec(), drives };
    (problem, diode_names)
}

/// Everything but ports, which have to come in the order of their numbers.
fn add_element(c: &mut Circuit, e: &Element) {
    match &e.kind {
        Kind::Port { .. } => {}
        Kind::Resistor { nodes, ohm } => {
            c.add_resistor(&e.id, strs(nodes), *ohm);
        }
        Kind::Inductor { nodes, henry } => {
            c.add_inductor(&e.id, strs(nodes), *henry);
        }
        Kind::Capacitor { nodes, farad } => {
            c.add_capacitor(&e.id, strs(nodes), *farad);
        }
        Kind::Coupled { branches, henry } => {
            let windings: Vec<[&str; 2]> = branches.iter().map(strs).collect();
            c.add_coupled_inductors(&e.id, &windings, RMatrix::from_rows(henry));
        }
        Kind::Transformer { windings } => {
            let w: Vec<([&str; 2], f64)> = windings.iter().map(|w| (strs(&w.nodes), w.turns)).collect();
            c.add_transformer(&e.id, &w);
        }
        Kind::Line { nodes, z_ohm, delay_s } => {
            c.add_line(&e.id, four(nodes), Line::lossless(*z_ohm, *delay_s));
            nodes.iter().filter(|n| n.as_str() == "open").for_each(|n| {
                c.leave_open(n);
            });
        }
        Kind::CoupledLine { nodes, z_even_ohm, z_odd_ohm, delay_s } => {
            c.add_coupled_pair(&e.id, four(nodes), CoupledPair::new(*z_even_ohm, *z_odd_ohm, *delay_s));
        }
        Kind::Diode { nodes, parameters } => {
            let access = Access { rs_ohm: parameters.rs_ohm, ..Access::default() };
            c.add_diode(&e.id, &nodes[0], &nodes[1], access);
        }
    }
}

/// The junction of a diode of the controls at the temperature of all cases.
pub(crate) fn junction(p: &DiodeParameters) -> Arc<dyn Device> {
    let schottky = SchottkyParameters {
        is_a: p.is_a,
        n: p.n,
        cj0_f: p.cj0_f,
        vj_v: p.vj_v,
        m: p.m,
        fc: p.fc,
        tt_s: p.tt_s,
        temp_nominal_k: TEMP_K,
        breakdown: p.breakdown.map(|b| diode::Breakdown { bv_v: b.bv_v, ibv_a: b.ibv_a, nbv: b.nbv }),
        ..SchottkyParameters::default()
    };
    Arc::new(schottky.at_temperature(TEMP_K).expect("valid parameters"))
}

fn strs(n: &[String; 2]) -> [&str; 2] {
    [&n[0], &n[1]]
}

fn four(n: &[String; 4]) -> [&str; 4] {
    [&n[0], &n[1], &n[2], &n[3]]
}

/// Peak voltage phasor at a case's port (index from one) and frequency: the sum of all kept
/// products that fall there, as a periodic solution of the commensurate circuit has it.
pub(crate) fn port_phasor(state: &SteadyState, port: usize, f_hz: f64) -> Complex64 {
    if f_hz == 0.0 {
        let zero = vec![0; state.basis().tones_hz.len()];
        return state.port_voltage(port - 1, &zero).unwrap_or_default();
    }
    orders_at(state, f_hz)
        .into_iter()
        .map(|(orders, negative)| {
            let v = state.port_voltage(port - 1, &orders).unwrap_or_default();
            if negative { v.conj() } else { v }
        })
        .sum()
}

/// All products, one of each mirrored pair, at a frequency; true where one stands at its negative.
fn orders_at(state: &SteadyState, f_hz: f64) -> Vec<(Vec<i32>, bool)> {
    let basis = state.basis();
    let k_max = basis.pump_order as i32;
    let mut out = Vec::new();
    for lane in &basis.lanes {
        for k in -k_max..=k_max {
            if lane.iter().all(|&m| m == 0) && k <= 0 {
                continue;
            }
            let orders: Vec<i32> = std::iter::once(k).chain(lane.iter().copied()).collect();
            let f: f64 = orders.iter().zip(&basis.tones_hz).map(|(&o, f)| f64::from(o) * f).sum();
            if (f.abs() - f_hz.abs()).abs() < 1.0 {
                out.push((orders, f < 0.0));
            }
        }
    }
    out
}

/// Levels of the products of a spur table at port 3 against the wanted one.
///
/// Where the file states a collision-free level the product stands alone, elsewhere the whole bin.
pub(crate) fn spur_levels(case: &Case, point: &Point, state: &SteadyState) -> Vec<f64> {
    let f_rf = point.f_rf_hz.unwrap_or(0.0);
    let alone = |m: i32, n: i32| state.port_voltage(2, &[m, n]).map_or(f64::NAN, |v| v.norm());
    let bin = |m: i32, n: i32| port_phasor(state, 3, (f64::from(m) * point.f_lo_hz + f64::from(n) * f_rf).abs()).norm();
    let level = |s: &proof::steady::Spur| {
        if s.quasi_periodic_dbc.is_some() || s.shared_bin_dbc.is_some() { alone(s.m, s.n) } else { bin(s.m, s.n) }
    };
    let wanted = alone(case.wanted.0, case.wanted.1);
    point.spurs.iter().map(|s| 20.0 * (level(s) / wanted).log10()).collect()
}

/// Settings that resolve −120 dBc products; hard LO drive switches faster and needs more harmonics.
pub(crate) fn fine(lo_dbm: f64) -> BalanceSettings {
    let pump_order = if lo_dbm > 13.0 { 128 } else { 80 };
    BalanceSettings { pump_order, signal_order: 12, oversample: 2.0, ..BalanceSettings::default() }
}

/// Checks the expected numbers of an entry of the theory, at the tolerance stated there.
///
/// `found` gives none for a row without a number of ours; at least one row must be checked.
pub(crate) fn check_theory(id: &str, found: &dyn Fn(&str) -> Option<f64>) {
    let root: serde_json::Value = serde_json::from_str(proof::theory::CHECKS_JSON).expect("the theory is JSON");
    let entries = root["checks"].as_array().expect("a list of checks");
    let entry = entries.iter().find(|e| e["id"] == id).expect("an entry of that id");
    let mut n_checked = 0;
    for row in entry["expected"].as_array().expect("expected numbers") {
        let name = row["name"].as_str().expect("a name");
        let (Some(expected), Some(value)) = (row["value"].as_f64(), found(name)) else { continue };
        let relative = row["tol_rel"].as_f64().map(|t| t * expected.abs());
        let within = row["tol_abs"].as_f64().or(relative).expect("a stated tolerance");
        let what = format!("{id}: {name}");
        let origin =
            Origin::Derived { how: "closed form or exact small system, 40-digit arithmetic; see the theory file" };
        CheckValue { what: &what, expected, within, because: "tolerance stated with the number", origin }.check(value);
        n_checked += 1;
    }
    assert!(n_checked > 0, "{id}: something was checked");
}

/// The last number in a name such as `CL at LO 10 dBm`.
pub(crate) fn last_number(name: &str) -> f64 {
    let words = name.split(|c: char| c.is_whitespace() || c == '=').rev();
    words.filter_map(|w| w.parse().ok()).next().expect("a number in the name")
}

/// The ring on ideal transformers of case 06 with its own diodes and levels; ports 1 LO, 2 RF, 3 IF.
///
/// `rf` lists frequency in hertz, level in dBm and phase in rad of every tone at the RF port.
pub(crate) fn ring(
    diodes: &[DiodeParameters; 4],
    lo: (f64, f64),
    rf: &[(f64, f64, f64)],
    port_ohm: [f64; 3],
) -> Vec<Element> {
    let mut elements = proof::steady_case("case06").elements;
    let mut next_diode = diodes.iter();
    for e in &mut elements {
        match &mut e.kind {
            Kind::Diode { parameters, .. } => *parameters = *next_diode.next().expect("four diodes"),
            Kind::Port { index, r_ohm, tones, .. } => {
                *r_ohm = port_ohm[*index - 1];
                let tone = |(f_hz, dbm, phase_rad): (f64, f64, f64)| Tone {
                    name: String::new(),
                    f_hz,
                    available_w: watt_of_dbm(dbm),
                    phase_rad,
                };
                *tones = match *index {
                    1 => vec![tone((lo.0, lo.1, 0.0))],
                    2 => rf.iter().map(|&t| tone(t)).collect(),
                    _ => Vec::new(),
                };
            }
            _ => {}
        }
    }
    elements
}

/// The diode of section J of the theory: no charge.
pub(crate) const J_DIODE: DiodeParameters = DiodeParameters {
    is_a: 1e-13,
    n: 1.05,
    rs_ohm: 5.0,
    cj0_f: 0.0,
    vj_v: 0.7,
    m: 0.5,
    fc: 0.5,
    tt_s: 0.0,
    breakdown: None,
};

/// Power ratio in dB.
pub(crate) fn db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}
