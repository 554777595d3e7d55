//! Posterior and evidence against linear-Gaussian closed forms, quadrature, and their coverage.

#![allow(clippy::unwrap_used)] // a test that finds no answer has failed

use mixwright_causes as causes;

use causes::{CausesError, Datum, Evaluated, Model, Prior, Settings, posterior::posterior, posterior::posterior_from};
use numerics::{Outcome, Quiet, RMatrix, linear};
use proof::{CheckValue, Origin};
use rand::{RngExt, SeedableRng};

struct Linear {
    j: RMatrix,
}

impl Model for Linear {
    fn n_causes(&self) -> usize {
        self.j.n_cols()
    }
    fn evaluate(&self, x: &[f64]) -> Result<Evaluated, CausesError> {
        Ok(Evaluated { values: self.j.times(x), jacobian: self.j.clone() })
    }
}

/// A function of one cause with its derivative.
struct Scalar<F: Fn(f64) -> (f64, f64) + Sync>(F);

impl<F: Fn(f64) -> (f64, f64) + Sync> Model for Scalar<F> {
    fn n_causes(&self) -> usize {
        1
    }
    fn evaluate(&self, x: &[f64]) -> Result<Evaluated, CausesError> {
        let (y, d) = self.0(x[0]);
        Ok(Evaluated { values: vec![y], jacobian: RMatrix::column(&[d]) })
    }
}

fn priors(sd: &[f64]) -> Vec<Prior> {
    sd.iter().map(|&sd| Prior::around_zero(sd)).collect()
}

fn values(y: &[f64], sd: &[f64]) -> Vec<Datum> {
    y.iter().zip(sd).map(|(&y, &s)| Datum::value(y, s)).collect()
}

#[track_caller]
fn check(what: &str, found: f64, expected: f64, within: f64) {
    let how = "x = (P^-1 + J'R^-1 J)^-1 J'R^-1 y, computed independently in double precision";
    CheckValue { what, expected, within, because: "rounding of a 4 by 3 problem", origin: Origin::Derived { how } }
        .check(found);
}

#[test]
fn four_spur_disagreements_attributed_to_three_parameters() {
    let j = RMatrix::from_rows(&[
        vec![40.0, 0.0, 20.0],
        vec![10.0, -30.0, 5.0],
        vec![0.0, 25.0, 40.0],
        vec![-15.0, 5.0, 30.0],
    ]);
    let data = values(&[4.3, 1.9, 2.4, 1.0], &[0.5, 0.5, 1.0, 1.0]);
    let p = posterior(&Linear { j }, &priors(&[0.05, 0.08, 0.1]), &data, None, &Settings::default(), &Quiet).unwrap();
    let mean = [0.06572594404393188, -0.02753201260797767, 0.07657001674529967];
    let sd = [0.014476807178571685, 0.016157595686822616, 0.018694536102335464];
    let resolution = [0.9161688215657822, 0.959208140878308, 0.9650514319918476];
    for i in 0..3 {
        check("posterior mean", p.mean[i], mean[i], 1e-12);
        check("posterior standard deviation", p.sd(i), sd[i], 1e-12);
        check("resolution", p.resolution[i], resolution[i], 1e-10);
    }
    check("correlation", p.correlation(0, 2), -0.5690113488153602, 1e-10);
    check("chi-squared of the prior prediction", p.prior_predictive.chi_squared, 2.545981349382404, 1e-9);
    check("its probability", p.prior_predictive.p, 0.6364214788915636, 1e-9);
    check("effective parameters", p.effective_parameters, 2.8404283944359374, 1e-9);
    let residual = [0.13956190333673124, 0.03393009759485266, 0.025499645387454972, -0.17355127866012365];
    for i in 0..4 {
        check("residual, dB", data[i].value - p.at.values[i], residual[i], 1e-10);
    }
}

#[test]
fn two_parameters_nearly_alike_keep_their_difference_from_the_prior() {
    let j = RMatrix::from_rows(&[vec![20.0, 20.0], vec![10.0, 10.1]]);
    let data = values(&[2.0, 1.0], &[0.5, 0.5]);
    let p = posterior(&Linear { j }, &priors(&[0.1, 0.1]), &data, None, &Settings::default(), &Quiet).unwrap();
    check("mean", p.mean[0], 0.04869301089400982, 1e-12);
    check("mean", p.mean[1], 0.048774788983323124, 1e-12);
    check("standard deviation of the sum", p.sd_of(&[1.0, 1.0]), 0.022065169295048693, 1e-12);
    check("standard deviation of the difference", p.sd_of(&[1.0, -1.0]), 0.1414099971336836, 1e-11);
    check("correlation", p.correlation(0, 1), -0.9524641675512745, 1e-10);
}

fn leakage() -> Scalar<impl Fn(f64) -> (f64, f64) + Sync> {
    Scalar(|x: f64| {
        let a = 0.01 + x;
        (20.0 * a.abs().log10(), 20.0 / std::f64::consts::LN_10 / a)
    })
}

#[test]
fn leakage_in_decibels_by_gauss_newton() {
    let data = [Datum::value(-30.0, 0.5)];
    let settings = Settings { tolerance: 1e-9, ..Settings::default() };
    let p = posterior(&leakage(), &priors(&[0.02]), &data, None, &settings, &Quiet).unwrap();
    // the same iterates as an independent Gauss-Newton program, step by step
    let path = [0.0, 0.011503395803645945, 0.019720998032084384, 0.02140775163466065, 0.021446782099588023];
    for (found, expected) in p.path.iter().zip(path) {
        check("iterate", found[0], expected, 1e-12);
    }
    check("most probable leakage", p.mean[0], 0.021446590927279213, 1e-9);
    assert_eq!(p.outcome, Outcome::Converged);
}

/// Evidence of one cause by the trapezoidal rule over ten prior standard deviations.
fn quadrature(model: &dyn Model, sd: f64, datum: Datum) -> f64 {
    let n = 400_000;
    let h = 20.0 * sd / f64::from(n);
    let density = |x: f64| {
        let y = model.evaluate(&[x]).unwrap().values[0];
        let z = (datum.value - y) / datum.sd;
        let prior = (-0.5 * (x / sd).powi(2)).exp() / (sd * (2.0 * std::f64::consts::PI).sqrt());
        prior * (-0.5 * z * z).exp() / (datum.sd * (2.0 * std::f64::consts::PI).sqrt())
    };
    ((0..=n).map(|i| density(-10.0 * sd + h * f64::from(i))).sum::<f64>() * h).ln()
}

#[test]
fn laplace_evidence_of_a_nonlinear_case_agrees_with_quadrature() {
    let datum = Datum::value(-30.0, 0.5);
    let model = leakage();
    let truth = quadrature(&model, 0.02, datum);
    let both =
        posterior_from(&model, &priors(&[0.02]), &[datum], &[vec![-0.04]], &Settings::default(), &Quiet).unwrap();
    // the two maxima are 0.0018 wide, 7 % of their distance to the pole: the cubic term of the logarithm leaves about
    // its square, half a per cent of the evidence
    CheckValue {
        what: "log evidence of a leakage in dB with two maxima",
        expected: truth,
        within: 0.02,
        because: "Laplace's method neglects cubic and higher terms of the logarithm",
        origin: Origin::Derived { how: "trapezoidal rule of 400 000 intervals over ten prior standard deviations" },
    }
    .check(both.log_evidence);
    let one = posterior(&model, &priors(&[0.02]), &[datum], None, &Settings::default(), &Quiet).unwrap();
    // without the second maximum, which is less probable but there, the evidence must come out smaller
    assert!(one.log_evidence < both.log_evidence - 0.05, "{} {}", one.log_evidence, both.log_evidence);
}

/// `ln N(y; 0, J P J' + R)` by eigenvalues: the other road.
fn exact_log_evidence(j: &RMatrix, prior_sd: &[f64], y: &[f64], sd: &[f64]) -> f64 {
    let n = y.len();
    let scaled = RMatrix::from_fn(n, prior_sd.len(), |i, k| j[(i, k)] * prior_sd[k]);
    let mut c = &scaled * &scaled.transpose();
    (0..n).for_each(|i| c[(i, i)] += sd[i] * sd[i]);
    let (values, vectors) = linear::eigen_symmetric(&c).unwrap();
    let along = |k: usize| (0..n).map(|i| vectors[(i, k)] * y[i]).sum::<f64>();
    -(0..n).map(|k| 0.5 * (along(k).powi(2) / values[k] + (2.0 * std::f64::consts::PI * values[k]).ln())).sum::<f64>()
}

/// Normal deviates by the polar form of two uniform ones.
fn normal(rng: &mut rand_pcg::Pcg64Mcg) -> f64 {
    let (u, v): (f64, f64) = (rng.random::<f64>(), rng.random::<f64>());
    (-2.0 * (1.0 - u).ln()).sqrt() * (2.0 * std::f64::consts::PI * v).cos()
}

#[test]
fn evidence_of_linear_cases_is_exact() {
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(11);
    for (n, k) in [(3, 1), (5, 5), (4, 9), (12, 6)] {
        let j = RMatrix::from_fn(n, k, |_, _| 3.0 * normal(&mut rng));
        let prior_sd: Vec<f64> = (0..k).map(|i| 0.2 + 0.3 * i as f64).collect();
        let sd: Vec<f64> = (0..n).map(|i| 0.1 + 0.2 * i as f64).collect();
        let y: Vec<f64> = (0..n).map(|_| 2.0 * normal(&mut rng)).collect();
        let truth = exact_log_evidence(&j, &prior_sd, &y, &sd);
        let p =
            posterior(&Linear { j }, &priors(&prior_sd), &values(&y, &sd), None, &Settings::default(), &Quiet).unwrap();
        CheckValue {
            what: "log evidence of a linear case",
            expected: truth,
            within: 1e-9 * truth.abs().max(1.0),
            because: "rounding, conditions up to 10^4",
            origin: Origin::Derived { how: "ln N(y; 0, J P J' + R)" },
        }
        .check(p.log_evidence);
    }
}

#[test]
fn intervals_cover_as_often_as_they_say() {
    // 400 cases of a mildly curved function; 90 % intervals; the count is binomial with sd sqrt(400 .9 .1) = 6
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(2024);
    let curved = Scalar(|x: f64| (10.0 * x + 3.0 * x * x, 10.0 + 6.0 * x));
    let mut covered = 0;
    for _ in 0..400 {
        let truth = 0.3 * normal(&mut rng);
        let y = curved.evaluate(&[truth]).unwrap().values[0] + 0.8 * normal(&mut rng);
        let p =
            posterior(&curved, &priors(&[0.3]), &[Datum::value(y, 0.8)], None, &Settings::default(), &Quiet).unwrap();
        let (low, high) = p.interval(0, 0.9);
        covered += u32::from(low <= truth && truth <= high);
    }
    // three standard deviations of the count
    assert!((342..=378).contains(&covered), "{covered} of 400");
}

#[test]
fn a_bound_moves_the_cause_only_where_it_is_broken() {
    let line = Scalar(|x: f64| (x, 1.0));
    let with = |datum| posterior(&line, &priors(&[1.0]), &[datum], None, &Settings::default(), &Quiet).unwrap();
    assert!(with(Datum::at_most(5.0, 0.5)).mean[0].abs() < 1e-6);
    let pushed = with(Datum::at_most(-2.0, 0.5));
    // maximum of ln Φ((c − x)/σ) − x²/2 by bisection of its slope
    let slope = |x: f64| {
        let t = (-2.0 - x) / 0.5;
        let phi = (-0.5 * t * t).exp() / (2.0 * std::f64::consts::PI).sqrt();
        -phi / (0.5 * statrs::function::erf::erfc(-t / 2f64.sqrt())) / 0.5 - x
    };
    let (mut low, mut high) = (-5.0, 0.0);
    for _ in 0..60 {
        let mid = 0.5 * (low + high);
        if slope(mid) > 0.0 { low = mid } else { high = mid }
    }
    // the search ends at a hundredth of the posterior standard deviation of 0.4, quadratically later
    assert!((pushed.mean[0] - low).abs() < 1e-3, "{} {low}", pushed.mean[0]);
    assert!(pushed.mean[0] < -1.0);
}

#[test]
fn the_robust_law_gives_an_outlier_little_weight() {
    let j = RMatrix::column(&[1.0, 1.0, 1.0, 1.0, 1.0]);
    let data = values(&[0.1, -0.1, 0.05, 0.0, 8.0], &[0.1; 5]);
    let find = |student| {
        let settings = Settings { student, ..Settings::default() };
        posterior(&Linear { j: j.clone() }, &priors(&[10.0]), &data, None, &settings, &Quiet).unwrap()
    };
    // mean 1.61 of all five against 0.0125 of the four that agree
    assert!((find(None).mean[0] - 1.61).abs() < 0.001);
    assert!((find(Some(4.0)).mean[0] - 0.0125).abs() < 0.05);
}

#[test]
fn wrong_input_is_refused_in_words() {
    let line = Scalar(|x: f64| (x, 1.0));
    let ask = |prior: &[Prior], datum| posterior(&line, prior, &[datum], None, &Settings::default(), &Quiet);
    let text = |r: Result<_, CausesError>| r.map(|_: causes::Posterior| ()).unwrap_err().to_string();
    assert!(text(ask(&priors(&[0.0]), Datum::value(0.0, 1.0))).contains("positive standard deviation"));
    assert!(text(ask(&priors(&[1.0]), Datum::value(0.0, 0.0))).contains("positive standard uncertainty"));
    assert!(text(ask(&priors(&[1.0, 1.0]), Datum::value(0.0, 1.0))).contains("one a cause"));
    let broken = Scalar(|_: f64| (f64::NAN, 1.0));
    let nan = posterior(&broken, &priors(&[1.0]), &[Datum::value(0.0, 1.0)], None, &Settings::default(), &Quiet);
    assert!(text(nan).contains("not finite"));
}
