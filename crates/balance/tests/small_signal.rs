//! Small signals around the pumped state against the untruncated reference.
//!
//! Source of every expected number: `proof::steady` (whole-period collocation of the linearised
//! equations, and conversion matrices of a second program).

mod common;

use common::{db, pose};
use mixwright_balance::{BalanceSettings, Conversion, PumpedState, Scattered, solve};
use num_complex::Complex64;
use proof::steady::{Found, ORIGIN, SmallSignal};
use proof::{CheckValue, Expected, Point};
use std::collections::BTreeMap;

const BECAUSE: &str = "rounding of the stated number; harmonics kept";

/// Harmonics at which the algebraic tail of the charge's kink lies below the tolerances here.
fn settings(lo_dbm: f64) -> BalanceSettings {
    let pump_order = if lo_dbm > 12.0 { 192 } else { 128 };
    BalanceSettings { pump_order, dense_order: 16, oversample: 2.0, ..BalanceSettings::default() }
}

fn conversion(point: &Point, f_if_hz: f64) -> Conversion {
    let problem = pose(point, false).problem;
    let settings = settings(point.lo_dbm.expect("a level"));
    let (state, _) = solve(&problem, &settings).expect("converges");
    PumpedState::new(&problem, &state, settings.dense_order).expect("pump only").conversion(f_if_hz).expect("lane")
}

/// Responses to every input the matrix of the file names.
fn responses(conversion: &Conversion, small: &SmallSignal) -> BTreeMap<(usize, i32), Scattered> {
    let mut inputs: Vec<(usize, i32)> = small.matrix.iter().map(|e| (e.port_in - 1, e.k_in)).collect();
    inputs.sort_unstable();
    inputs.dedup();
    let outputs = conversion.scattered(&inputs).expect("solves");
    assert!(outputs.iter().all(|o| o.residual < 1e-11));
    inputs.into_iter().zip(outputs).collect()
}

fn check_real(what: &str, expected: Expected, within: f64, found: f64) {
    let Expected::Value { value, rounding, .. } = expected else { return };
    CheckValue { what, expected: value, within: rounding + within, because: BECAUSE, origin: ORIGIN }.check(found);
}

fn check_phasor(what: &str, expected: Expected, within: f64, found: Complex64) {
    let Some(miss) = expected.miss(Found::Complex(found)) else { return };
    CheckValue { what, expected: 0.0, within, because: BECAUSE, origin: ORIGIN }.check(miss);
}

fn check(prefix: &str) {
    let case = proof::steady_case(prefix);
    let mut n_points = 0;
    for point in &case.points {
        let Some(small) = &point.small_signal else { continue };
        n_points += 1;
        let conversion = conversion(point, small.f_if_hz);
        let found = responses(&conversion, small);
        let worst = small
            .matrix
            .iter()
            .map(|e| (found[&(e.port_in - 1, e.k_in)].at(e.port_out - 1, e.k_out) - Complex64::new(e.re, e.im)).norm())
            .fold(0.0, f64::max);
        let name = |what: &str| format!("{} {}: {what}", case.id, point.label);
        let what = name(&format!("largest miss of {} entries of S", small.matrix.len()));
        let because = "asked: 1e-7 absolute";
        CheckValue { what: &what, expected: 0.0, within: 1e-7, because, origin: ORIGIN }.check(worst);
        let gain_db = |k: i32| db(found[&(1, k)].at(2, 0).norm_sqr());
        check_real(&name("RF to IF, dB"), small.conversion_gain_rf_to_if_db, 1e-6, gain_db(1));
        check_real(&name("image to IF, dB"), small.conversion_gain_image_to_if_db, 1e-6, gain_db(-1));
        check_phasor(&name("distance of the IF reflection"), small.gamma_if, 1e-7, found[&(2, 0)].at(2, 0));
        check_phasor(&name("distance of the RF reflection"), small.gamma_rf, 1e-7, found[&(1, 1)].at(1, 1));
    }
    assert!(n_points > 0, "{prefix} has small signals");
}

#[test]
fn single_diode_in_a_series_loop() {
    check("case03");
}

#[test]
fn ideal_ring_over_lo_level() {
    check("case06");
}

#[test]
fn ring_with_image_short() {
    check("case14");
}
