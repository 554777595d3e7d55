//! Products of higher signal order by perturbation: exact slope, agreement with the exact ring and
//! with the full balance, and the condition under which they do not hold.

mod common;

use common::{J_DIODE, db, problem_of, ring};
use mixwright_balance::{BalanceSettings, Problem, PumpedState, SteadyState, perturb, solve};
use num_complex::Complex64;
use proof::circuit::{DiodeParameters, watt_of_dbm};
use proof::ring::Ring;
use proof::{CheckValue, Origin};

const F_LO: f64 = 10e9;
const F_RF: f64 = 10.4142e9;

/// A charge that stays on one branch of its law: the junction never comes near `FC·VJ = 1.35 V`.
const SMOOTH: DiodeParameters = DiodeParameters { is_a: 1e-13, n: 1.08, cj0_f: 80e-15, vj_v: 1.5, fc: 0.9, ..J_DIODE };
/// The diode of case 06: every junction passes `FC·VJ = 0.35 V` twice a cycle.
const KINKED: DiodeParameters = DiodeParameters { is_a: 1e-13, n: 1.08, cj0_f: 80e-15, vj_v: 0.7, fc: 0.5, ..J_DIODE };

/// Four unequal diodes, so that products of every parity exist.
fn unequal(diode: DiodeParameters) -> [DiodeParameters; 4] {
    let mut diodes = [diode; 4];
    for (k, d) in diodes.iter_mut().enumerate() {
        d.is_a *= [1.0, 0.8, 1.25, 1.1][k];
        d.cj0_f *= [1.0, 1.1, 0.9, 1.05][k];
    }
    diodes
}

fn pumped(diodes: &[DiodeParameters; 4], lo_dbm: f64, pump_order: usize) -> PumpedState {
    let (problem, _) = problem_of(&ring(diodes, (F_LO, lo_dbm), &[], [50.0; 3]), &[F_LO]);
    let settings = BalanceSettings { pump_order, oversample: 2.0, residual_v: 1e-13, ..BalanceSettings::default() };
    let (state, _) = solve(&problem, &settings).expect("converges");
    PumpedState::new(&problem, &state, 16).expect("pump only")
}

fn wave(rf_dbm: f64) -> Complex64 {
    Complex64::from((2.0 * watt_of_dbm(rf_dbm)).sqrt())
}

fn full(diodes: &[DiodeParameters; 4], lo_dbm: f64, rf_dbm: f64, pump_order: usize) -> SteadyState {
    let elements = ring(diodes, (F_LO, lo_dbm), &[(F_RF, rf_dbm, 0.0)], [50.0; 3]);
    let (problem, _): (Problem, _) = problem_of(&elements, &[F_LO, F_RF]);
    let settings = BalanceSettings {
        pump_order,
        signal_order: 7,
        oversample: 2.0,
        residual_v: 3e-15,
        ..BalanceSettings::default()
    };
    solve(&problem, &settings).expect("converges").0
}

#[test]
fn a_product_rises_with_its_own_power_of_the_signal() {
    let pumped = pumped(&unequal(SMOOTH), 7.0, 48);
    let at = |rf_dbm: f64| perturb(&pumped, 1, F_RF, wave(rf_dbm), 5).expect("solves");
    let (low, high) = (at(-50.0), at(-40.0));
    for m in 1..=5 {
        let ratio = high.wave_out(2, -1, m) / low.wave_out(2, -1, m);
        let what = format!("slope of the product of order {m}, dB per dB");
        let origin = Origin::Derived { how: "leading term of a power series" };
        let because = "residual of the linear solutions";
        let slope = db(ratio.norm_sqr()) / 10.0;
        CheckValue { what: &what, expected: m as f64, within: 1e-8, because, origin }.check(slope);
        assert!(ratio.arg().abs() < 1e-6, "the phase does not move with the level");
    }
    // a turned signal turns a product m times as far
    let turned = perturb(&pumped, 1, F_RF, wave(-50.0) * Complex64::from_polar(1.0, 0.3), 5).expect("solves");
    for m in 1..=5 {
        let turn = (turned.wave_out(2, -1, m) / low.wave_out(2, -1, m)).arg();
        assert!((turn - 0.3 * m as f64).abs() < 1e-6, "order {m}: {turn}");
    }
}

#[test]
fn products_of_the_exact_ring() {
    // leading terms from two levels of the exact ring, the next term removed by extrapolation
    let diodes = unequal(J_DIODE);
    let exact = Ring { diodes, port_ohm: [50.0; 3] };
    let pumped = pumped(&diodes, 7.0, 160);
    let products = perturb(&pumped, 1, F_RF, wave(-30.0), 5).expect("solves");
    let levels = [-27.0, -30.0, -33.0];
    let grids = levels.map(|p| exact.grid(7.0, p, 512, 16));
    for m in 1..=4_i32 {
        for n in -5..=5 {
            let found = db(products.wave_out(2, n, m as usize).norm_sqr() / 2.0 / 1e-3);
            if found < -150.0 {
                continue;
            }
            let leading = leading_db(m, levels, [0, 1, 2].map(|i| grids[i].level_dbm(3, n, m)));
            let what = format!("exact ring, leading level of ({n}, {m}) at -30 dBm, dBm");
            let origin = Origin::Derived { how: "exact ring on 512 by 16 phases at three levels, extrapolated" };
            let because = "asked: 0.01 dB";
            CheckValue { what: &what, expected: leading, within: 0.01, because, origin }.check(found);
        }
    }
}

/// Level in dB at signal levels `dbm`, freed of its next two terms: the value at vanishing signal of
/// the parabola in signal power through all three, as if at the middle level.
fn leading_db(order: i32, dbm: [f64; 3], level: [f64; 3]) -> f64 {
    let x = dbm.map(|p| 10f64.powf((p - dbm[1]) / 10.0));
    (0..3)
        .map(|i| {
            let others = (0..3).filter(|&j| j != i);
            let y = level[i] - f64::from(order) * (dbm[i] - dbm[1]);
            y * others.map(|j| -x[j] / (x[i] - x[j])).product::<f64>()
        })
        .sum()
}

/// Distances of perturbation and full balance for each order up to five, dB: worst over pump orders
/// and number of products.
///
/// Orders up to three at −50 dBm as they stand; higher ones, which there lie below the rounding of the
/// full balance, from three stronger signals.
fn distances_db(diode: DiodeParameters, lo_dbm: f64, pump_order: usize) -> [(f64, usize); 5] {
    // below this a residual of 3e-15 V is no longer far below 0.01 dB
    let floor_dbm = -212.0;
    let diodes = unequal(diode);
    let pumped = pumped(&diodes, lo_dbm, pump_order);
    let strong_dbm = [-24.0, -27.0, -30.0];
    let low = full(&diodes, lo_dbm, -50.0, pump_order);
    let strong = strong_dbm.map(|rf_dbm| full(&diodes, lo_dbm, rf_dbm, pump_order));
    let level = |s: &SteadyState, n: i32, m: i32| db(s.power_out_w(2, &[n, m]).expect("kept") / 1e-3);
    let mut worst = [(0.0_f64, 0); 5];
    for m in 1..=5_i32 {
        let rf_dbm = if m <= 3 { -50.0 } else { strong_dbm[1] };
        let products = perturb(&pumped, 1, F_RF, wave(rf_dbm), 5).expect("solves");
        for n in -3..=3 {
            let expected = db(products.wave_out(2, n, m as usize).norm_sqr() / 2.0 / 1e-3);
            if expected < floor_dbm + if m <= 3 { 0.0 } else { 3.0 * f64::from(m) } {
                continue;
            }
            let found = if m <= 3 {
                level(&low, n, m)
            } else {
                leading_db(m, strong_dbm, [0, 1, 2].map(|i| level(&strong[i], n, m)))
            };
            let (distance, count) = &mut worst[m as usize - 1];
            *distance = distance.max((found - expected).abs());
            *count += 1;
        }
    }
    worst
}

#[test]
fn full_balance_agrees_where_the_charge_is_smooth() {
    let worst = distances_db(SMOOTH, 7.0, 80);
    for (m, (distance, count)) in worst.into_iter().enumerate() {
        assert!(count > 0, "order {} was compared", m + 1);
        let what = format!("order {}: largest distance of {count} products to the full balance, dB", m + 1);
        let origin = Origin::Derived { how: "the full balance of the same circuit" };
        CheckValue { what: &what, expected: 0.0, within: 0.01, because: "asked", origin }.check(distance);
    }
}

#[test]
fn full_balance_disagrees_from_the_fourth_order_where_the_charge_has_a_kink() {
    // the third derivative of the charge jumps at FC·VJ: orders up to three see it, the fourth would
    // need the moment at which each junction passes the kink
    let worst = distances_db(KINKED, 7.0, 80);
    assert!(worst[..3].iter().all(|w| w.0 < 0.01 && w.1 > 0), "up to the third order: {worst:?}");
    assert!(worst[3].0 > 0.1, "the stated limit of the method is real: {worst:?}");
}
