//! Intervals, order statistics, point sets and propagation against values someone else stands for.

mod common;

use common::{Closed, check, normal};
use mixwright_tolerance::intervals::{
    clopper_pearson, covered_share, draws_needed, order_statistic_confidence, wilson,
};
use mixwright_tolerance::{Correlation, Draw, Law, Level, Process, Sampler, Scheme, Surrogate, Variable, cube};

#[test]
fn intervals_of_shares() {
    // k, n, Wilson, Clopper-Pearson; 95 %, two-sided
    let rows = [
        (0, 10, 0.0, 0.2775327998628892, 0.0, 0.3084971078187607),
        (9, 10, 0.5958499732047615, 0.9821237869049271, 0.5549838829718047, 0.9974714215554382),
        (30, 30, 0.8864866068260312, 1.0, 0.8842966917779722, 1.0),
        (47, 50, 0.8378290831116182, 0.979385029651026, 0.8345180533962271, 0.9874514121646659),
        (81, 100, 0.7222115462093562, 0.8748524849023126, 0.7193020420263876, 0.8815568038674564),
        (95, 100, 0.8882495307680808, 0.9784563208456319, 0.8871650888945373, 0.9835681208179479),
    ];
    let how = "closed form of Wilson; quantiles of the beta distribution";
    for (k, n, w_low, w_high, c_low, c_high) in rows {
        let (w, c) = (wilson(k, n, 0.95), clopper_pearson(k, n, 0.95));
        let ends = [
            ("Wilson low", w_low, w.low),
            ("Wilson high", w_high, w.high),
            ("exact low", c_low, c.low),
            ("exact high", c_high, c.high),
        ];
        for (name, expected, found) in ends {
            check(&format!("{k} of {n}, {name}"), expected, 1e-9, "double precision", how, found);
        }
    }
    // all of n pass: the one-sided 95 % bound is the lower end of the two-sided 90 % interval
    for (n, bound) in [(10, 0.7411344491069477), (59, 0.950492390111773), (299, 0.9900308532071007)] {
        let found = clopper_pearson(n, n, 0.9).low;
        check(&format!("{n} of {n} pass"), bound, 1e-12, "double precision", "p^n = 0.05", found);
    }
}

#[test]
fn order_statistics_bound_populations() {
    // coverage, confidence, draws needed on one side with one, two, three values set aside, on both sides
    let rows = [
        (0.9, 0.9, [22, 38, 52], [38, 65]),
        (0.95, 0.95, [59, 93, 124], [93, 153]),
        (0.95, 0.99, [90, 130, 165], [130, 198]),
        (0.99, 0.95, [299, 473, 628], [473, 773]),
        (0.999, 0.95, [2995, 4742, 6294], [4742, 7752]),
    ];
    let how = "I_beta(n-m+1, m) at most 1-gamma; 59 is the example of Wilks, 1941 (from memory)";
    for (coverage, confidence, one, two) in rows {
        for (&n, m) in one.iter().zip(1..).chain(two.iter().zip([2, 4])) {
            let what = format!("draws for {coverage} with {confidence}, {m} set aside");
            check(&what, f64::from(n), 0.0, "a whole number", how, draws_needed(coverage, confidence, m) as f64);
            assert!(covered_share(n as usize, m, confidence) >= coverage - 1e-12);
            assert!(order_statistic_confidence(n as usize - 1, m, coverage) < confidence);
        }
    }
}

/// Variance of the mean of `f` over point sets of 64.
fn variance(scheme: Scheme, f: impl Fn(&[f64]) -> f64) -> f64 {
    const SETS: u64 = 400;
    let means: Vec<f64> =
        (0..SETS).map(|s| cube(3, scheme, 64, 1000 + s).iter().map(|x| f(x)).sum::<f64>() / 64.0).collect();
    let mean = means.iter().sum::<f64>() / SETS as f64;
    means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / (SETS - 1) as f64
}

#[test]
fn point_sets_reduce_variance_as_they_should() {
    let additive = |x: &[f64]| x[0] + x[1] * x[1] + (3.0 * x[2]).sin();
    let crossed = |x: &[f64]| 8.0 * x[0] * x[1] + x[2];
    let because = "a variance from 400 sets is known to 7 %, three times over";
    let rows = [
        ("plain, additive", 4.045e-3, variance(Scheme::Plain, additive)),
        ("Latin hypercube, additive", 2.036e-6, variance(Scheme::LatinHypercube, additive)),
        ("plain, interacting", 4.964e-2, variance(Scheme::Plain, crossed)),
        ("Latin hypercube, interacting", 7.165e-3, variance(Scheme::LatinHypercube, crossed)),
    ];
    for (what, expected, found) in rows {
        let how = "simulation by another program";
        check(&format!("variance, {what}"), expected, 0.22 * expected, because, how, found);
    }
    // another scramble than that of the source (1.6e-6, 6.6e-5): the order of magnitude counts
    let sobol = (variance(Scheme::Sobol, additive), variance(Scheme::Sobol, crossed));
    assert!(sobol.0 < 1e-5 && sobol.1 < 3e-4, "{sobol:?}");
    let exact = 1.0 / (12.0 * 64f64.powi(3));
    let one = variance(Scheme::LatinHypercube, |x| x[0]);
    check("variance, Latin hypercube, one coordinate", exact, 0.22 * exact, because, "1/(12 n^3)", one);
}

#[test]
fn every_scheme_is_uniform_and_repeats_its_bits() {
    for scheme in [Scheme::Sobol, Scheme::LatinHypercube, Scheme::Plain] {
        let a = cube(5, scheme, 256, 7);
        assert_eq!(a, cube(5, scheme, 256, 7));
        assert_ne!(a, cube(5, scheme, 256, 8));
        for k in 0..5 {
            let mean = a.iter().map(|p| p[k]).sum::<f64>() / 256.0;
            // three standard deviations of independent points
            assert!((mean - 0.5).abs() < 0.055, "{scheme:?} coordinate {k}: {mean}");
            assert!(a.iter().all(|p| p[k] > 0.0 && p[k] < 1.0));
        }
    }
    // 2^m scrambled points: one in each of 2^m intervals of every coordinate
    let points = cube(8, Scheme::Sobol, 64, 3);
    for k in 0..8 {
        let mut cells: Vec<usize> = points.iter().map(|p| (p[k] * 64.0) as usize).collect();
        cells.sort_unstable();
        assert_eq!(cells, (0..64).collect::<Vec<_>>(), "coordinate {k}");
    }
}

#[test]
fn laws_and_correlations_have_their_moments() {
    let laws = [Law::Normal, Law::Uniform, Law::Triangular, Law::Arcsine];
    let of = |(k, law): (usize, Law)| Variable {
        law,
        ..Variable::new(format!("x{k}"), "um").with(Level::Lot, 2.0).with(Level::Tile, 1.5)
    };
    let variables: Vec<Variable> = laws.into_iter().enumerate().map(of).collect();
    let pair = |a, b, coefficient| Correlation { a, b, level: Level::Lot, coefficient };
    let sampler = Sampler::new(&variables, &[pair(0, 1, 0.6), pair(0, 2, -0.5)]).expect("possible");
    let draws = sampler.draws(Scheme::Sobol, 4096, 5);
    let mean_of = |f: &dyn Fn(&Draw) -> f64| draws.iter().map(f).sum::<f64>() / draws.len() as f64;
    for (k, law) in laws.into_iter().enumerate() {
        let sd = mean_of(&|d| d.total()[k].powi(2)).sqrt();
        assert!((sd - 2.5).abs() < 0.02, "{law:?}: {sd}");
        assert!(mean_of(&|d| d.total()[k]).abs() < 0.02);
        let across = mean_of(&|d| d.by_level[k][0] * d.by_level[k][2]);
        assert!(across.abs() < 0.05, "levels are independent: {across}");
    }
    // a uniform law follows its normal score with √(3/π) of the correlation: E[z·√3(2Φ(z') − 1)] = ρ√(3/π)
    let rho = mean_of(&|d| d.by_level[0][0] * d.by_level[1][0]) / 4.0;
    let expected = 0.6 * (3.0 / std::f64::consts::PI).sqrt();
    assert!((rho - expected).abs() < 0.01, "{rho} {expected}");
    let impossible = [pair(0, 1, 0.9), pair(0, 2, 0.9), pair(1, 2, -0.9)];
    let error = Sampler::new(&variables, &impossible).expect_err("contradiction").to_string();
    assert!(error.contains("x2") && error.contains("lot"), "{error}");
    let absent = [Correlation { level: Level::Wafer, ..pair(0, 1, 0.5) }];
    assert!(Sampler::new(&variables, &absent).expect_err("no spread").to_string().contains("wafer"));
}

#[test]
fn comparison_loss_is_propagated_beyond_the_first_order() {
    // Y = X1² + X2², u = 0.005: JCGM 101:2008, 9.4 (problem from memory)
    let rows: [(f64, f64, f64, common::Answers); 3] = [
        (0.0, 5e-5, 5e-5, |x| vec![(x[0].powi(2) + x[1].powi(2)).into()]),
        (0.01, 1.5e-4, 1.118033988749895e-4, |x| vec![((0.01 + x[0]).powi(2) + x[1].powi(2)).into()]),
        (0.05, 2.55e-3, 5.024937810560445e-4, |x| vec![((0.05 + x[0]).powi(2) + x[1].powi(2)).into()]),
    ];
    for (x1, mean, sd, f) in rows {
        let process = Closed::new(vec![normal("X1", 0.005), normal("X2", 0.005)], 1, f);
        let surrogate = Surrogate::new(process.expand(&[0.0, 0.0]).expect("closed form"));
        let sampler = Sampler::new(process.variables(), &[]).expect("possible");
        let draws = sampler.draws(Scheme::Sobol, 16384, 11);
        let values: Vec<f64> = draws.iter().map(|d| surrogate.measures(&process, &d.total())[0]).collect();
        let n = values.len() as f64;
        let found = values.iter().sum::<f64>() / n;
        let found_sd = (values.iter().map(|v| (v - found).powi(2)).sum::<f64>() / n).sqrt();
        let (because, how) = ("16384 low-discrepancy points", "scaled noncentral chi-square, two degrees of freedom");
        check(&format!("mean at x1 = {x1}"), mean, 2e-3 * mean, because, how, found);
        check(&format!("standard deviation at x1 = {x1}"), sd, 1e-2 * sd, because, how, found_sd);
    }
}
