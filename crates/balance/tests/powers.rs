//! Powers and levels: the diode behind a resistor in closed form, compression of the ring, and the
//! varactor up-converter with its power relations.
//!
//! Source of the numbers: `proof::steady` cases 01, 10a and 13a (two independent methods; case 01 also
//! in closed form with 40-digit arithmetic).

mod common;

use common::bare::{at_port, one_junction, voltage};
use common::{J_DIODE, db, junction, port_phasor, pose};
use mixwright_balance::{BalanceSettings, Problem, SteadyState, solve, solve_from};
use num_complex::Complex64;
use numerics::Quiet;
use proof::circuit::{DiodeParameters, THERMAL_VOLTAGE_V, watt_of_dbm};
use proof::steady::{Found, ORIGIN};
use proof::{CheckValue, Expected, Origin, Point};

#[test]
fn diode_behind_a_resistor() {
    let case = proof::steady_case("case01");
    for point in &case.points {
        let posed = pose(point, false);
        let settings = BalanceSettings {
            pump_order: 384,
            dense_order: 64,
            oversample: 2.0,
            residual_v: 1e-14,
            ..BalanceSettings::default()
        };
        let (state, _) = solve(&posed.problem, &settings).expect("converges");
        let fundamental = state.junction_current(0, &[1]).expect("kept").norm();
        for k in 0..=10 {
            let Expected::Phasor { mag, phase_deg, rounding, .. } = point.metrics[&format!("I_{k}")] else {
                panic!("currents are phasors")
            };
            let what = format!("case01 {}: I_{k}, A", point.label);
            let expected = mag * phase_deg.to_radians().cos();
            let within = rounding + 1e-9 * fundamental + 1e-16;
            let because = "rounding of the stated number, of the fundamental, and residual over 50 ohm";
            CheckValue { what: &what, expected, within, because, origin: ORIGIN }
                .check(state.junction_current(0, &[k]).expect("kept").re);
        }
    }
}

#[test]
fn voltage_driven_diode() {
    // a port resistance of 1e-14 ohm: the drop of the largest current stays below 1e-12 V
    let no_ohm = 1e-14;
    let diode = DiodeParameters { is_a: 1e-12, n: 1.0, ..J_DIODE };
    let drives = proof::steady_case("case01").voltage_drive;
    assert!(drives.len() > 5);
    for drive in drives {
        // a reference resistance of the size of the junction keeps its current above rounding
        let current = |v: f64| diode.is_a * (v / THERMAL_VOLTAGE_V).exp_m1().abs();
        let crest = current(drive.v0_v + drive.v1_v).max(current(drive.v0_v - drive.v1_v));
        let mut problem = one_junction(junction(&diode), drive.v1_v / crest, &[no_ohm], &[1e9], |_| at_port(0));
        problem.drives =
            vec![voltage(0, vec![0], drive.v0_v, no_ohm, 0.0), voltage(0, vec![1], drive.v1_v, no_ohm, 0.0)];
        let settings =
            BalanceSettings { pump_order: 64, dense_order: 64, residual_v: 1e-14, ..BalanceSettings::default() };
        let (state, _) = solve(&problem, &settings).expect("converges");
        for (k, &expected) in drive.current_a.iter().enumerate() {
            let what = format!("voltage drive {} V + {} V: I_{k}, A", drive.v0_v, drive.v1_v);
            let origin = Origin::Derived { how: "modified Bessel functions in 40-digit arithmetic" };
            let within = 1e-9 * expected.abs() + 1e-11 * drive.current_a[1].abs();
            CheckValue { what: &what, expected, within, because: "1e-14 V of 26 mV, and rounding", origin }
                .check(state.junction_current(0, &[k as i32]).expect("kept").re);
        }
    }
}

/// The ring of case 10a under any RF level, warm from level to level.
struct Ring<'a> {
    point: &'a Point,
    last: Option<SteadyState>,
}

impl Ring<'_> {
    fn gain_db(&mut self, rf_dbm: f64) -> f64 {
        let mut problem: Problem = pose(self.point, true).problem;
        let rf = problem.drives.iter_mut().find(|d| d.port == 1).expect("an RF source");
        rf.wave = Complex64::from((2.0 * watt_of_dbm(rf_dbm)).sqrt());
        // a strong RF needs more of its own orders
        let signal_order = match rf_dbm {
            p if p < -1.0 => 5,
            p if p < 5.0 => 9,
            _ => 16,
        };
        let pump_order = if self.point.lo_dbm > Some(12.0) { 40 } else { 32 };
        let settings = BalanceSettings { pump_order, signal_order, residual_v: 1e-8, ..BalanceSettings::default() };
        let (state, _) = solve_from(&problem, &settings, self.last.as_ref(), &Quiet).expect("converges");
        let out_w = state.power_out_w(2, &[-1, 1]).expect("kept");
        self.last = Some(state);
        db(out_w / watt_of_dbm(rf_dbm))
    }
}

/// Gains of the sweep and the compression point of one LO level.
fn compression(label: &str) {
    let case = proof::steady_case("case10a");
    let point = case.points.iter().find(|p| p.label == label).expect("a point of that label");
    let expected = point.compression.as_ref().expect("a sweep");
    let mut ring = Ring { point, last: None };
    for &(rf_dbm, gain) in &expected.sweep {
        let Expected::Value { value, rounding, .. } = gain else { continue };
        let what = format!("case10a {label}, RF {rf_dbm} dBm: gain, dB");
        let because = "asked: 1e-4 dB";
        CheckValue { what: &what, expected: value, within: 1e-4 + rounding, because, origin: ORIGIN }
            .check(ring.gain_db(rf_dbm));
    }
    let (Expected::Value { value: small, .. }, Expected::Value { value: p1db, rounding, .. }) =
        (expected.small_signal_gain_db, expected.p1db_dbm)
    else {
        panic!("stated as numbers")
    };
    // secant from the two highest levels of the sweep
    let mut below = |p: f64| ring.gain_db(p) - (small - 1.0);
    let n = expected.sweep.len();
    let (mut p0, mut p1) = (expected.sweep[n - 2].0, expected.sweep[n - 1].0);
    let (mut f0, mut f1) = (below(p0), below(p1));
    for _ in 0..8 {
        if (p1 - p0).abs() < 1e-5 {
            break;
        }
        let p = p1 - f1 * (p1 - p0) / (f1 - f0);
        (p0, f0, p1, f1) = (p1, f1, p, below(p));
    }
    let what = format!("case10a {label}: input P1dB, dBm");
    CheckValue { what: &what, expected: p1db, within: 1e-3 + rounding, because: "asked: 1e-3 dB", origin: ORIGIN }
        .check(p1);
}

#[test]
fn compression_at_7_dbm() {
    compression("LO=7 dBm");
}

#[test]
fn compression_at_10_dbm() {
    compression("LO=10 dBm");
}

#[test]
fn compression_at_13_dbm() {
    compression("LO=13 dBm");
}

/// Mean power into the junction at the product `m` pump, `n` signal.
struct Into {
    m: i32,
    n: i32,
    /// Signed frequency, Hz.
    f_hz: f64,
    watt: f64,
}

/// All kept products, one of each mirrored pair.
fn junction_powers(state: &SteadyState) -> Vec<Into> {
    let basis = state.basis();
    let k_max = basis.pump_order as i32;
    let mut out = Vec::new();
    for (lane, others) in basis.lanes.iter().enumerate() {
        for m in -k_max..=k_max {
            let n = others[0];
            // half of the plane: the other half is its mirror image
            if n == 0 && m <= 0 {
                continue;
            }
            let v = state.junction_voltage(0, &[m, n]).expect("kept");
            let i = state.junction_current(0, &[m, n]).expect("kept")
                + state.displacement_current(0, &[m, n]).expect("kept");
            out.push(Into { m, n, f_hz: basis.frequency_hz(lane, m), watt: 0.5 * (v * i.conj()).re });
        }
    }
    out
}

#[test]
fn varactor_up_converter() {
    let case = proof::steady_case("case13a");
    for point in &case.points {
        let posed = pose(point, true);
        let settings = BalanceSettings {
            pump_order: 12,
            signal_order: 10,
            oversample: 2.5,
            residual_v: 1e-13,
            ..BalanceSettings::default()
        };
        let (state, _) = solve(&posed.problem, &settings).expect("converges");
        let voltage = |port: usize, f_hz: f64| port_phasor(&state, port, f_hz);
        let name = |what: &str| format!("case13a {}: {what}", point.label);
        for (reading, found) in proof::steady::readings(&case, point, &voltage, &|_, _| Complex64::default()) {
            let expected = point.metrics[&reading];
            let Some(miss) = expected.miss(found) else { continue };
            let within = match (expected, found) {
                (Expected::Value { rounding, .. }, Found::Real(_)) => 1e-6 + rounding,
                _ => 1e-8,
            };
            let what = name(&format!("distance of {reading}"));
            CheckValue { what: &what, expected: 0.0, within, because: "the circuit is smooth", origin: ORIGIN }
                .check(miss);
        }
        let mean = state.junction_voltage(0, &[0, 0]).expect("kept").re;
        if let Expected::Value { value, rounding, .. } = point.metrics["V_junction_DC"] {
            let what = name("mean junction voltage, V");
            CheckValue { what: &what, expected: value, within: 1e-9 + rounding, because: "rounding", origin: ORIGIN }
                .check(mean);
        }

        let powers = junction_powers(&state);
        for row in &point.junction_powers {
            let Expected::Value { value, rounding, .. } = row.watt else { continue };
            let same = |p: &&Into| (p.m, p.n) == (row.m, row.n) || (-p.m, -p.n) == (row.m, row.n);
            let found = powers.iter().find(same).expect("kept").watt;
            let what = name(&format!("power into the junction at ({}, {}), W", row.m, row.n));
            let because = "residual times the largest current";
            CheckValue { what: &what, expected: value, within: rounding + 1e-15, because, origin: ORIGIN }.check(found);
        }

        let origin = Origin::Published {
            source: "J. M. Manley, H. E. Rowe, Some general properties of nonlinear elements, Proc. IRE 44 (1956) 904",
        };
        let scale = powers.iter().map(|p| (p.watt / p.f_hz).abs()).fold(0.0, f64::max);
        let by_pump = powers.iter().map(|p| f64::from(p.m) * p.watt / p.f_hz).sum::<f64>() / scale;
        let by_signal = powers.iter().map(|p| f64::from(p.n) * p.watt / p.f_hz).sum::<f64>() / scale;
        let because = "asked: below 1e-9";
        let what = name("Manley-Rowe sum over the pump orders, relative");
        CheckValue { what: &what, expected: 0.0, within: 1e-9, because, origin }.check(by_pump);
        let what = name("Manley-Rowe sum over the signal orders, relative");
        CheckValue { what: &what, expected: 0.0, within: 1e-9, because, origin }.check(by_signal);
    }
}
