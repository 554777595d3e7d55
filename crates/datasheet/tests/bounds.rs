//! Tolerance bounds against published factors and against samples drawn on purpose.

use mixwright_datasheet::{UNITS_MIN, normal_factor, tolerance_bound};
use proof::{CheckValue, Origin};

#[test]
fn factors_of_a_normal_population() {
    // one-sided factors for 90 % and 99 % of a population with 95 % confidence
    for (n, coverage, expected) in
        [(8.0, 0.90, 2.582), (10.0, 0.90, 2.355), (20.0, 0.90, 1.926), (50.0, 0.90, 1.646), (10.0, 0.99, 3.981)]
    {
        CheckValue {
            what: "one-sided tolerance factor",
            expected,
            within: 1.1e-3,
            because: "tables carry three decimals",
            origin: Origin::Memory { what: "M. G. Natrella, NBS Handbook 91 (1963), table A-7" },
        }
        .check(normal_factor(n, n - 1.0, coverage, 0.95));
    }
}

#[test]
fn too_few_units_are_refused_in_words() {
    let few = vec![vec![1.0, 2.0, 3.0, 4.0]];
    let error = tolerance_bound("conversion loss", &few, true, 0.9, 0.95).expect_err("four units").to_string();
    assert!(error.contains("conversion loss") && error.contains("at least 8") && error.contains("found 4"), "{error}");
    let many = vec![vec![f64::NAN; UNITS_MIN]];
    assert!(tolerance_bound("x", &many, true, 0.9, 0.95).is_err());
}

/// A small generator of normal numbers, so that the test draws the same ones everywhere.
struct Normal(u64);

impl Normal {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    fn next(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Share of repetitions in which the bound holds for at least 90 % of the population.
fn kept(lots: usize, units: usize, between: f64, within: f64) -> f64 {
    let mut normal = Normal(1);
    let repetitions = 300;
    let truth = 1.281_552 * (between * between + within * within).sqrt();
    let good = (0..repetitions)
        .filter(|_| {
            let sample: Vec<Vec<f64>> = (0..lots)
                .map(|_| {
                    let lot = between * normal.next();
                    (0..units).map(|_| lot + within * normal.next()).collect()
                })
                .collect();
            tolerance_bound("x", &sample, true, 0.9, 0.95).expect("enough units").bound >= truth
        })
        .count();
    good as f64 / f64::from(repetitions)
}

#[test]
fn bounds_hold_as_often_as_they_promise() {
    // 300 repetitions of a probability of 0.95: standard deviation 1.3 %
    let one_lot = kept(1, 12, 0.0, 1.0);
    assert!((one_lot - 0.95).abs() < 0.04, "{one_lot}");
    // lots that differ, also few of them: never clearly below the promise
    for (lots, between, within) in [(6, 1.0, 1.0), (3, 1.0, 0.3), (4, 0.3, 1.0)] {
        let share = kept(lots, 4, between, within);
        assert!(share > 0.95 - 0.03, "{lots} lots: {share}");
    }
}
