//! Yield, shares, corners, edges, coverage and cancelling of a population in closed form.

mod common;

use common::{Closed, check, normal};
use mixwright_tolerance::{
    Level, Over, Process, ProcessError, Requirement, Sampler, Scheme, SpreadSettings, Variable, spread,
};
use num_complex::Complex64;
use numerics::{Cancelled, Quiet, Watch};
use spec::{Bound, Limit};
use std::sync::atomic::{AtomicUsize, Ordering};

fn at_most(x: f64) -> Requirement {
    let limit = Limit { measure: None, bound: Bound::AtMost(x), band_hz: None, why: String::new() };
    Requirement { limit, over: Over::Worst, quantities: vec![0] }
}

#[test]
fn a_linear_gaussian_case_has_its_yield_shares_and_worst_corner() {
    let variables = vec![normal("a", 3.0), Variable::new("b", "").with(Level::Lot, 4.0), normal("idle", 1.0)];
    let process = Closed::new(variables, 1, |x| vec![Complex64::new(10.0 + x[0] - x[1], 1.0)]);
    // standard deviation 5, limit one standard deviation above the mean
    let settings = SpreadSettings { units: 8192, checks: 4, share_points: 1024, ..SpreadSettings::default() };
    let (found, _) = spread(&process, &[at_most(15.0)], &settings, &Quiet).expect("closed form");
    let r = &found.requirements[0];
    let points = "8192 points";
    check("yield at one standard deviation", 0.841344746068543, 0.005, points, "normal distribution", r.yield_.value);
    assert!(r.yield_.low < 0.8413447 && r.yield_.high > 0.8413447, "{:?}", r.yield_);
    let share = |name: &str| r.shares.iter().find(|s| s.name == name).expect("a variable");
    for (name, expected) in [("a", 0.36), ("b", 0.64), ("idle", 0.0)] {
        let s = share(name);
        check(&format!("total share of {name}"), expected, 0.02, "1024 points", "variances 9 and 16 of 25", s.total);
        check(&format!("first share of {name}"), expected, 0.04, "1024 points", "no interactions", s.first);
    }
    let of_lot = r.level_shares.iter().find(|s| s.name == "lot").expect("a level").total;
    check("share of the lot", 0.64, 0.02, "1024 points", "b spreads by lot alone", of_lot);
    let (lot, tile) = found.lot_and_tile[0];
    check("standard deviation between lots", 4.0, 0.02, points, "as declared", lot);
    check("standard deviation within a lot", 3.0, 0.02, points, "as declared", tile);
    check("worst vector", 25.0, 1e-6, "slopes", "10 + 3 standard deviations of 5", r.worst_vector.value);
    check("worst corner", 31.0, 1e-9, "rounding", "10 + 3 (3 + 4)", r.worst_case.value);
    let (low, high) = found.bands[0];
    check("90 % band, low", 10.0 - 1.6448536 * 5.0, 0.1, points, "normal distribution", low);
    check("90 % band, high", 10.0 + 1.6448536 * 5.0, 0.1, points, "normal distribution", high);
}

#[test]
fn every_scheme_finds_the_known_yield_within_its_interval() {
    let process = Closed::new(vec![normal("a", 3.0), normal("b", 4.0)], 1, |x| vec![(x[0] - x[1]).into()]);
    for scheme in [Scheme::Sobol, Scheme::LatinHypercube, Scheme::Plain] {
        let settings = SpreadSettings { scheme, units: 2048, share_points: 0, ..SpreadSettings::default() };
        let (found, _) = spread(&process, &[at_most(5.0)], &settings, &Quiet).expect("closed form");
        let y = found.requirements[0].yield_;
        assert!(y.low <= 0.8413447 && y.high >= 0.8413447, "{scheme:?}: {y:?}");
    }
}

#[test]
fn units_on_the_edge_are_solved_fully_where_the_surrogate_errs() {
    // a third-order term that no second-order expansion holds
    let process = Closed::new(vec![normal("a", 1.0)], 1, |x| vec![(x[0] + 0.05 * x[0].powi(3)).into()]);
    let settings =
        SpreadSettings { units: 1024, checks: 8, full_max: 4096, share_points: 0, ..SpreadSettings::default() };
    let limit = 1.2 + 0.05 * 1.728;
    let (found, _) = spread(&process, &[at_most(limit)], &settings, &Quiet).expect("closed form");
    assert!(found.check.worst[0] > 0.0 && found.full_solutions.1 > 0 && found.left_open == 0);
    let y = found.requirements[0].yield_.value;
    check("yield by full solutions", 0.884930329778292, 0.004, "1024 points", "normal distribution at 1.2", y);
    let few = SpreadSettings { full_max: 3, ..settings };
    let (found, _) = spread(&process, &[at_most(limit)], &few, &Quiet).expect("closed form");
    assert!(found.full_solutions.1 == 3 && found.left_open > 0 && found.requirements[0].open == found.left_open);
    // what is left open widens the interval: the true yield is inside although the surrogate errs
    let open = found.requirements[0].yield_;
    let settled = 0.884930329778292;
    assert!(open.low < settled && settled < open.high && open.high - open.low > 0.5 * found.left_open as f64 / 1024.0);
}

#[test]
fn a_pole_that_moves_with_the_variables_is_met_by_the_quotient() {
    // a resonance: 1/(0.5 + 0.1j + x − y); the polynomial of second order misses it by far
    let variables = vec![normal("x", 0.05), normal("y", 0.05)];
    let process = Closed::new(variables, 1, |x| vec![1.0 / Complex64::new(0.5 + x[0] - x[1], 0.1)]);
    let settings = SpreadSettings { units: 256, share_points: 0, ..SpreadSettings::default() };
    let (found, surrogate) = spread(&process, &[], &settings, &Quiet).expect("closed form");
    assert_eq!(surrogate.quotients(), 1);
    // curvature as a difference over one standard deviation leaves a per cent of it; the polynomial leaves a tenth
    assert!(found.check.worst[0] < 1e-2 * found.check.spread[0], "{:?}", found.check);
    // a plain polynomial keeps its form
    let process = Closed::new(vec![normal("x", 1.0)], 1, |x| vec![(1.0 + x[0] + 0.3 * x[0] * x[0]).into()]);
    let (found, surrogate) = spread(&process, &[], &settings, &Quiet).expect("closed form");
    assert!(surrogate.quotients() == 0 && found.check.worst[0] < 1e-6, "{:?}", found.check);
}

#[test]
fn yield_is_told_without_what_the_nominal_point_misses() {
    let process = Closed::new(vec![normal("a", 5.0)], 1, |x| vec![(10.0 + x[0]).into()]);
    let settings = SpreadSettings { units: 1024, share_points: 0, ..SpreadSettings::default() };
    let (found, _) = spread(&process, &[at_most(15.0), at_most(0.0)], &settings, &Quiet).expect("closed form");
    let kept = found.overall_of_kept.expect("one is missed");
    check("yield of what is kept", 0.841344746068543, 0.005, "1024 points", "normal distribution", kept.value);
    check("overall yield", 0.02275013194817921, 0.004, "1024 points", "normal distribution", found.overall.value);
    let (found, _) = spread(&process, &[at_most(15.0)], &settings, &Quiet).expect("closed form");
    assert_eq!(found.overall_of_kept, None);
}

#[test]
fn bands_cover_synthetic_lots() {
    // a sum that nearly cancels: its level in dB is skewed; lots are drawn apart from the bands
    let variables = (1..=4).map(|k| Variable::new(format!("D{k}"), "").with(Level::Lot, 0.02).with(Level::Diode, 0.03));
    let mut process = Closed::new(variables.collect(), 2, |x| {
        let sum = x[0] - x[1] + x[2] - x[3];
        vec![Complex64::new(0.02 + 0.3 * sum, 0.01 + 0.1 * sum * sum), Complex64::new(0.5 * (1.0 + x[0]), 0.1 * x[1])]
    });
    process.in_db = true;
    let settings = SpreadSettings { share_points: 0, ..SpreadSettings::default() };
    let (found, _) = spread(&process, &[], &settings, &Quiet).expect("closed form");
    let sampler = Sampler::new(process.variables(), &[]).expect("possible");
    const LOTS: u64 = 40;
    const UNITS: usize = 25;
    let mut inside = [0usize; 2];
    for lot in 0..LOTS {
        for unit in sampler.draws(Scheme::Plain, UNITS, 9000 + lot) {
            // full solutions, not the surrogate
            let m = process.measures(&process.solve(&unit.total()).expect("closed form"));
            for (n, (m, (low, high))) in inside.iter_mut().zip(m.iter().zip(&found.bands)) {
                *n += usize::from(m >= low && m <= high);
            }
        }
    }
    for (q, n) in inside.into_iter().enumerate() {
        let covered = n as f64 / (LOTS as usize * UNITS) as f64;
        assert!((0.85..=0.95).contains(&covered), "quantity {q}: 90 % bands cover {covered}");
    }
    let skew = (found.bands[0].1 - found.nominal[0]) / (found.nominal[0] - found.bands[0].0);
    assert!(!(0.9..1.1).contains(&skew), "a linearised band in dB would be even: {skew}");
}

struct StopAfter(AtomicUsize);

impl Watch for StopAfter {
    fn step(&self, _what: &str, _done: usize, _total: usize) -> Result<(), Cancelled> {
        match self.0.fetch_update(Ordering::SeqCst, Ordering::SeqCst, |n| n.checked_sub(1)) {
            Ok(_) => Ok(()),
            Err(_) => Err(Cancelled),
        }
    }
}

#[test]
fn a_run_can_be_cancelled_and_repeats_its_bits() {
    let process = Closed::new(vec![normal("a", 1.0), normal("b", 2.0)], 1, |x| vec![(x[0] + x[0] * x[1]).into()]);
    let settings = SpreadSettings { units: 256, share_points: 64, ..SpreadSettings::default() };
    let run = |watch: &dyn Watch| spread(&process, &[at_most(2.0)], &settings, watch).map(|s| s.0);
    let once = run(&Quiet).expect("closed form");
    assert_eq!(run(&StopAfter(5.into())).err(), Some(ProcessError::Cancelled(Cancelled)));
    assert_eq!(format!("{once:?}"), format!("{:?}", run(&Quiet).expect("closed form")));
}
