//! The numeric band of the order climb against the truth.
//!
//! Source of the truth: `proof::ring`, a network without memory solved at every point of a grid of
//! phases; no truncation of harmonics.

mod common;

use common::{J_DIODE, db, problem_of, ring};
use mixwright_balance::{BalanceSettings, ClimbSettings, SteadyState, climb, solve_from};
use numerics::Quiet;
use proof::circuit::DiodeParameters;
use proof::ring::Ring;
use proof::{CheckValue, Origin};

const F_LO: f64 = 10e9;
const F_RF: f64 = 10.4142e9;

/// Slightly unequal diodes: even products exist, far below the odd ones.
fn unequal() -> [DiodeParameters; 4] {
    let mut diodes = [J_DIODE; 4];
    for (k, d) in diodes.iter_mut().enumerate() {
        d.is_a *= [1.0, 0.9, 1.15, 1.05][k];
        d.rs_ohm *= [1.0, 1.1, 0.95, 1.0][k];
    }
    diodes
}

/// Products with orders up to five that stand above −100 dBc in the exact ring, with their levels.
fn truth(lo_dbm: f64, rf_dbm: f64) -> Vec<(i32, i32, f64)> {
    let exact = Ring { diodes: unequal(), port_ohm: [50.0; 3] }.grid(lo_dbm, rf_dbm, 512, 48);
    let all = (-5..=5).flat_map(|m| (0..=5).map(move |n| (m, n))).filter(|&(m, n)| (m, n) != (-1, 1));
    let one_of_each = all.filter(|&(m, n)| n > 0 || m > 0);
    one_of_each.map(|(m, n)| (m, n, exact.dbc(m, n))).filter(|p| p.2 > -100.0).collect()
}

#[test]
fn the_band_contains_the_truth() {
    let (mut n_products, mut n_inside, mut n_stable) = (0, 0, 0);
    for (lo_dbm, rf_dbm) in [(3.0, -10.0), (7.0, -10.0), (10.0, -10.0), (7.0, 0.0)] {
        let truth = truth(lo_dbm, rf_dbm);
        let elements = ring(&unequal(), (F_LO, lo_dbm), &[(F_RF, rf_dbm, 0.0)], [50.0; 3]);
        let (problem, _) = problem_of(&elements, &[F_LO, F_RF]);
        for tolerance_db in [1.0, 0.02] {
            let mut last: Option<SteadyState> = None;
            let settings = ClimbSettings::usual(truth.len(), tolerance_db);
            let climbed = climb(&settings, &Quiet, |pump_order, signal_order| {
                let settings = BalanceSettings { pump_order, signal_order, ..BalanceSettings::default() };
                let (state, _) = solve_from(&problem, &settings, last.as_ref(), &Quiet)?;
                let power = |m: i32, n: i32| state.power_out_w(2, &[m, n]).unwrap_or(0.0);
                // an order that is not kept yet has no level
                let values = truth.iter().map(|&(m, n, _)| db(power(m, n) / power(-1, 1)).max(-300.0)).collect();
                last = Some(state);
                Ok(values)
            })
            .expect("converges");
            let rows = climbed.values.iter().zip(&climbed.bands).zip(&truth);
            let inside = rows.filter(|((v, band), t)| (**v - t.2).abs() <= **band).count();
            let stable = climbed.stable.iter().filter(|s| **s).count();
            n_products += truth.len();
            n_inside += inside;
            n_stable += stable;
        }
    }
    assert!(n_products > 200 && n_stable > n_products / 2, "{n_products} products, {n_stable} stable");
    let share = f64::from(n_inside as u32) / f64::from(n_products as u32);
    let origin = Origin::Derived { how: "exact ring on 512 by 48 phases" };
    let because = "asked: at least 95 % of the products down to -100 dBc";
    CheckValue {
        what: "share of products whose band contains the truth",
        expected: 1.0,
        within: 0.05,
        because,
        origin,
    }
    .check(share);
}
