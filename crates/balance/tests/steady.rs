//! Steady states of pumped diode circuits, solved elsewhere by two independent methods.
//!
//! Source of every expected number: `proof::steady_cases` (whole-period Radau collocation and a
//! frequency-domain Newton method that share nothing but the netlist).

mod common;

use common::{fine, port_phasor, pose, spur_levels};
use mixwright_balance::solve;
use proof::steady::{Expected, Found};

/// Tolerances of the task: conversion gain, isolation, spurs down to −120 dBc, in dB.
const GAIN_DB: f64 = 1e-4;
const ISOLATION_DB: f64 = 1e-3;
const SPUR_DB: f64 = 0.02;

fn allowed(name: &str, expected: &Expected) -> f64 {
    let rounding = match expected {
        Expected::Value { rounding, .. } | Expected::Phasor { rounding, .. } => *rounding,
        _ => 0.0,
    };
    let size = match expected {
        Expected::Phasor { mag, .. } => *mag,
        Expected::Value { value, .. } => value.abs(),
        _ => 1.0,
    };
    let ours = match name {
        "conversion_gain_dB" => GAIN_DB,
        n if n.contains("isolation") || n.contains("return_loss") => ISOLATION_DB,
        // dc currents and phasors: as 1e-4 dB; collisions of order 20 in the RF, outside our basis,
        // leave some 1e-10 V of direct voltage in the commensurate reference
        _ => 1.2e-5 * size + 2e-10,
    };
    ours + rounding
}

/// Compares every point of a case; panics with all misses at once.
fn compare(prefix: &str, pick: impl Fn(&str) -> bool) {
    let case = proof::steady_case(prefix);
    let mut misses = Vec::new();
    for point in case.points.iter().filter(|p| !p.metrics.is_empty() && pick(&p.label)) {
        let posed = pose(point, true);
        let (state, _) = solve(&posed.problem, &fine(point.lo_dbm.unwrap_or(0.0)))
            .unwrap_or_else(|e| panic!("{prefix} {}: {e}", point.label));
        let voltage = |port: usize, f_hz: f64| port_phasor(&state, port, f_hz);
        let current = |name: &str, _f: f64| {
            let j = posed.diode_names.iter().position(|n| n == name).expect("a diode of that name");
            state.junction_current(j, &vec![0; state.basis().tones_hz.len()]).expect("direct current")
        };
        for (name, found) in proof::steady::readings(&case, point, &voltage, &current) {
            let expected = point.metrics[&name];
            let Some(miss) = expected.miss(found) else { continue };
            let allowed = match (expected, found) {
                // a null of the circuit: ours must be below the stated bound as well
                (Expected::Above(_) | Expected::Below(_), _) => 0.0,
                _ => allowed(&name, &expected),
            };
            if miss > allowed {
                misses.push(format!("{}: {name}: off by {miss:.2e}, allowed {allowed:.2e} ({found:?})", point.label));
            }
        }
        for (spur, found) in point.spurs.iter().zip(spur_levels(&case, point, &state)) {
            let expected = spur.independent_dbc();
            let Some(miss) = expected.miss(Found::Real(found)) else { continue };
            let is_deep = matches!(expected, Expected::Value { value, .. } if value < -120.0);
            if miss > SPUR_DB && !is_deep {
                misses.push(format!(
                    "{}: spur {},{}: off by {miss:.3} dB ({found:.3}, {expected:?})",
                    point.label, spur.m, spur.n
                ));
            }
        }
    }
    assert!(misses.is_empty(), "{} misses:\n{}", misses.len(), misses.join("\n"));
}

#[test]
fn single_diode_in_a_series_loop() {
    compare("case03", |_| true);
}

#[test]
fn single_balanced_pair() {
    compare("case05a", |_| true);
}

#[test]
fn ideal_ring_over_lo_level() {
    compare("case06", |_| true);
}

#[test]
fn ring_with_leakage_inductance() {
    compare("case08b", |_| true);
}

#[test]
fn ring_with_line_baluns() {
    compare("case11a", |_| true);
}

#[test]
fn star_with_line_baluns() {
    compare("case11b", |_| true);
}

#[test]
fn subharmonic_pair() {
    compare("case12a", |_| true);
}

#[test]
fn ring_with_image_short() {
    compare("case14", |_| true);
}

#[test]
fn ring_with_sum_open() {
    compare("case15b", |_| true);
}
