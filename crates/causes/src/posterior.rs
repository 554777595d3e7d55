//! Posterior of causes by iterated linearisation, with Laplace evidence.
//!
//! Input: a function with derivatives, data, normal priors. Output: the most probable causes, their covariance, the
//! logarithm of the evidence, goodness of fit and the check against the prior prediction.
//! Conventions: causes are scaled by their prior, `z = (x − mean)/sd`; the linearised problem is
//! `(1 + Zᵀ W Z) δz = …`, whose matrix has no eigenvalue below one.
//! The function is evaluated anew at every step; a step that raises the negative log posterior is halved.
//! The evidence is `−ln Z = E(ẑ) + ½ ln det (1 + Zᵀ W Z)`: exact when the function is linear and no datum is a bound.

use crate::cholesky::Cholesky;
use crate::likelihood::{Datum, Side};
use crate::{CausesError, Evaluated, Prior};
use numerics::{Outcome, RMatrix, Watch};
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};

/// A function of the causes with its derivatives.
pub trait Model: Sync {
    /// Number of causes.
    fn n_causes(&self) -> usize;

    /// Predicted values, one a datum, with the derivative of each in each cause.
    fn evaluate(&self, causes: &[f64]) -> Result<Evaluated, CausesError>;
}

/// How to look for the posterior.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Most linearisations.
    pub steps: usize,
    /// A step below this share of the posterior standard deviation of every cause ends the search.
    pub tolerance: f64,
    /// Degrees of freedom of Student's law in place of the normal one; none for normal bench noise.
    pub student: Option<f64>,
}

impl Default for Settings {
    fn default() -> Self {
        // a hundredth of the posterior uncertainty changes no finding
        Self { steps: 25, tolerance: 0.01, student: None }
    }
}

/// A χ² with its degrees of freedom and the probability of a larger one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Goodness {
    /// χ².
    pub chi_squared: f64,
    /// Degrees of freedom; not an integer when parameters are partly held by priors.
    pub freedom: f64,
    /// Probability of a larger value by chance.
    pub p: f64,
}

impl Goodness {
    fn new(chi_squared: f64, freedom: f64) -> Self {
        let p = ChiSquared::new(freedom.max(1e-9)).map_or(f64::NAN, |law| law.sf(chi_squared.max(0.0)));
        Self { chi_squared, freedom, p }
    }
}

/// What is believed about the causes after the data.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Most probable causes.
    pub mean: Vec<f64>,
    /// Covariance of the causes at the most probable ones.
    pub covariance: RMatrix,
    /// Predicted values there, one a datum, and derivatives.
    pub at: Evaluated,
    /// Natural logarithm of the evidence.
    pub log_evidence: f64,
    /// Residuals alone: Σ z² over the values, against the data less the effective parameters.
    pub fit: Goodness,
    /// Residuals and distance from the prior together against the number of data: how the data agree with what was
    /// predicted before, spread included.
    pub prior_predictive: Goodness,
    /// Number of parameters that the data, not the priors, hold.
    pub effective_parameters: f64,
    /// One less posterior variance over prior variance, per cause.
    pub resolution: Vec<f64>,
    /// Distance from the prior mean in prior standard deviations, per cause.
    pub prior_z: Vec<f64>,
    /// The same distance over what it should be when the prior holds, per cause: standard normal for a good unit.
    /// Zero where the data say nothing.
    pub surprise_z: Vec<f64>,
    /// The causes after every step, the start first.
    pub path: Vec<Vec<f64>>,
    /// How the search ended.
    pub outcome: Outcome,
}

impl Posterior {
    /// Posterior standard deviation of a cause.
    pub fn sd(&self, cause: usize) -> f64 {
        self.covariance[(cause, cause)].max(0.0).sqrt()
    }

    /// Interval that covers a cause with the given probability.
    pub fn interval(&self, cause: usize, coverage: f64) -> (f64, f64) {
        let half = self.sd(cause) * Normal::standard().inverse_cdf(0.5 + 0.5 * coverage);
        (self.mean[cause] - half, self.mean[cause] + half)
    }

    /// Correlation of two causes.
    pub fn correlation(&self, a: usize, b: usize) -> f64 {
        self.covariance[(a, b)] / (self.sd(a) * self.sd(b))
    }

    /// Standard deviation of a weighted sum of causes.
    pub fn sd_of(&self, weights: &[f64]) -> f64 {
        let v = self.covariance.times(weights);
        v.iter().zip(weights).map(|(v, w)| v * w).sum::<f64>().max(0.0).sqrt()
    }
}

/// Posterior from one start; the prior mean when none is given.
///
/// # Errors
/// A prior or uncertainty that is not positive, shapes that do not fit, no answer of the model at the start, or
/// cancelled. A search that ends at its last step has [`Outcome::Almost`].
pub fn posterior(
    model: &dyn Model,
    priors: &[Prior],
    data: &[Datum],
    start: Option<&[f64]>,
    settings: &Settings,
    watch: &dyn Watch,
) -> Result<Posterior, CausesError> {
    check(model, priors, data, start)?;
    let mut z: Vec<f64> = start
        .map_or_else(|| vec![0.0; priors.len()], |x| x.iter().zip(priors).map(|(x, p)| (x - p.mean) / p.sd).collect());
    let mut here = Linearised::at(model, priors, data, &z, settings)?;
    let mut path = vec![unscaled(&z, priors)];
    let mut outcome = Outcome::Almost;
    for step in 0..settings.steps {
        watch.step("", step, settings.steps)?;
        let full = here.step(&z, data, settings);
        let small = full.size <= settings.tolerance;
        let Some((moved, there)) = descend(model, priors, data, &z, &full.delta, &here, settings, watch)? else {
            // no shorter step lowers the objective: the minimum to rounding, or a kink of the model
            outcome = if small { Outcome::Converged } else { Outcome::Almost };
            break;
        };
        (z, here) = (moved, there);
        path.push(unscaled(&z, priors));
        if small {
            outcome = Outcome::Converged;
            break;
        }
    }
    summed_up(here, &z, priors, data, settings, path, outcome)
}

/// Posterior from several starts: the most probable, with the evidence of all distinct maxima added.
///
/// # Errors
/// As [`posterior`].
pub fn posterior_from(
    model: &dyn Model,
    priors: &[Prior],
    data: &[Datum],
    starts: &[Vec<f64>],
    settings: &Settings,
    watch: &dyn Watch,
) -> Result<Posterior, CausesError> {
    let mut found: Vec<Posterior> = vec![posterior(model, priors, data, None, settings, watch)?];
    let starts = if found[0].path.len() <= LINEAR_PATH { &[] } else { starts };
    for start in starts {
        match posterior(model, priors, data, Some(start), settings, watch) {
            Ok(p) if found.iter().all(|f| distinct(f, &p)) => found.push(p),
            Ok(_) | Err(CausesError::Device { .. }) => {}
            Err(other) => return Err(other),
        }
    }
    let logs: Vec<f64> = found.iter().map(|p| p.log_evidence).collect();
    let best = (0..found.len()).max_by(|&a, &b| logs[a].total_cmp(&logs[b])).expect("one posterior at least");
    let mut best = found.swap_remove(best);
    best.log_evidence = log_sum(&logs);
    Ok(best)
}

/// Points on the way of a search whose first step lands: start, minimum, and the step too small to matter. Such a
/// function is linear over the prior, and has one maximum.
const LINEAR_PATH: usize = 3;

/// True when two maxima lie further apart than their widths.
fn distinct(a: &Posterior, b: &Posterior) -> bool {
    const WIDTHS: f64 = 3.0;
    (0..a.mean.len()).any(|i| (a.mean[i] - b.mean[i]).abs() > WIDTHS * a.sd(i).max(b.sd(i)))
}

/// `ln Σ exp`.
pub(crate) fn log_sum(logs: &[f64]) -> f64 {
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top.is_finite() { top + logs.iter().map(|l| (l - top).exp()).sum::<f64>().ln() } else { top }
}

fn check(model: &dyn Model, priors: &[Prior], data: &[Datum], start: Option<&[f64]>) -> Result<(), CausesError> {
    for n in [Some(priors.len()), start.map(<[f64]>::len)].into_iter().flatten() {
        if n != model.n_causes() {
            let expected = format!("{} priors and start values, one a cause", model.n_causes());
            return Err(CausesError::Shape { expected, found: n.to_string() });
        }
    }
    for (i, p) in priors.iter().enumerate() {
        if !(p.sd > 0.0 && p.sd.is_finite() && p.mean.is_finite()) {
            return Err(CausesError::Prior { cause: format!("number {}", i + 1), found: p.sd });
        }
    }
    data.iter().enumerate().try_for_each(|(i, d)| d.check(&format!("datum {}", i + 1)))
}

fn unscaled(z: &[f64], priors: &[Prior]) -> Vec<f64> {
    z.iter().zip(priors).map(|(z, p)| p.mean + p.sd * z).collect()
}

/// The model at scaled causes.
struct Linearised {
    at: Evaluated,
    /// Derivatives in the scaled causes.
    scaled: RMatrix,
    /// Negative log posterior density of the scaled causes, up to the prior's constant.
    energy: f64,
}

struct FullStep {
    delta: Vec<f64>,
    /// In standard deviations of the posterior.
    size: f64,
}

impl Linearised {
    fn at(model: &dyn Model, priors: &[Prior], data: &[Datum], z: &[f64], s: &Settings) -> Result<Self, CausesError> {
        let at = model.evaluate(&unscaled(z, priors))?;
        if at.values.len() != data.len() || at.jacobian.n_rows() != data.len() || at.jacobian.n_cols() != z.len() {
            let expected = format!("{} predicted values with {} derivatives each", data.len(), z.len());
            let found = format!("{} with a {} by {}", at.values.len(), at.jacobian.n_rows(), at.jacobian.n_cols());
            return Err(CausesError::Shape { expected, found });
        }
        if at.values.iter().chain(at.jacobian.as_slice()).any(|v| !v.is_finite()) {
            let why = "a predicted value or derivative is not finite".into();
            return Err(CausesError::Device { place: "at the deviations tried".into(), why });
        }
        let scaled = RMatrix::from_fn(data.len(), z.len(), |i, j| at.jacobian[(i, j)] * priors[j].sd);
        let loss: f64 = data.iter().zip(&at.values).map(|(d, &y)| d.term(y, s.student).loss).sum();
        let energy = loss + 0.5 * z.iter().map(|z| z * z).sum::<f64>();
        Ok(Self { at, scaled, energy })
    }

    /// `1 + Zᵀ W Z`.
    fn precision(&self, weights: &[f64]) -> RMatrix {
        let n = self.scaled.n_cols();
        let mut h = RMatrix::identity(n);
        for (i, w) in weights.iter().enumerate() {
            let row = self.scaled.row(i);
            for (j, a) in row.iter().enumerate().filter(|(_, a)| **a != 0.0) {
                let out = h.row_mut(j);
                out.iter_mut().zip(row).for_each(|(h, b)| *h += w * a * b);
            }
        }
        h
    }

    fn step(&self, z: &[f64], data: &[Datum], s: &Settings) -> FullStep {
        let terms: Vec<_> = data.iter().zip(&self.at.values).map(|(d, &y)| d.term(y, s.student)).collect();
        let weights: Vec<f64> = terms.iter().map(|t| t.step_weight).collect();
        let mut descent: Vec<f64> = z.iter().map(|z| -z).collect();
        for (i, t) in terms.iter().enumerate() {
            descent.iter_mut().zip(self.scaled.row(i)).for_each(|(g, a)| *g -= t.slope * a);
        }
        let delta = Cholesky::of(&self.precision(&weights)).solve(&descent);
        // δᵀ H δ bounds the step of every cause, and of every sum of causes, in its own standard deviations
        let size = delta.iter().zip(&descent).map(|(d, g)| d * g).sum::<f64>().max(0.0).sqrt();
        FullStep { delta, size }
    }
}

/// Shortest fraction of a step tried.
const HALVINGS: u32 = 8;

/// Goes along `delta`, halving until the energy does not rise; none when it always rises.
#[allow(clippy::too_many_arguments)]
fn descend(
    model: &dyn Model,
    priors: &[Prior],
    data: &[Datum],
    z: &[f64],
    delta: &[f64],
    here: &Linearised,
    settings: &Settings,
    watch: &dyn Watch,
) -> Result<Option<(Vec<f64>, Linearised)>, CausesError> {
    let rounding = 1e-12 * here.energy.abs().max(1.0);
    for halving in 0..=HALVINGS {
        watch.step("", halving as usize, HALVINGS as usize)?;
        let share = 0.5_f64.powi(halving as i32);
        let moved: Vec<f64> = z.iter().zip(delta).map(|(z, d)| z + share * d).collect();
        match Linearised::at(model, priors, data, &moved, settings) {
            Ok(there) if there.energy <= here.energy + rounding => return Ok(Some((moved, there))),
            Ok(_) | Err(CausesError::Device { .. }) => {}
            Err(other) => return Err(other),
        }
    }
    Ok(None)
}

fn summed_up(
    here: Linearised,
    z: &[f64],
    priors: &[Prior],
    data: &[Datum],
    settings: &Settings,
    path: Vec<Vec<f64>>,
    outcome: Outcome,
) -> Result<Posterior, CausesError> {
    let n = z.len();
    let terms: Vec<_> = data.iter().zip(&here.at.values).map(|(d, &y)| d.term(y, settings.student)).collect();
    let weights: Vec<f64> = terms.iter().map(|t| t.weight).collect();
    let factors = Cholesky::of(&here.precision(&weights));
    let (inverse, log_det) = (factors.inverse(), factors.log_det());
    let effective: f64 = (0..n).map(|i| 1.0 - inverse[(i, i)]).sum();
    let values = data.iter().filter(|d| d.side == Side::Value).count() as f64;
    // bounds enter by what they cost beyond a bound kept with certainty
    let misfit: f64 = data
        .iter()
        .zip(&here.at.values)
        .map(|(d, &y)| match d.side {
            Side::Value => d.standardised(y).powi(2),
            _ => d.standardised(y).powi(2).min(2.0 * d.term(y, None).loss),
        })
        .sum();
    let distance: f64 = z.iter().map(|z| z * z).sum();
    let resolution: Vec<f64> = (0..n).map(|i| (1.0 - inverse[(i, i)]).clamp(0.0, 1.0)).collect();
    let surprise = |i: usize| if resolution[i] > RESOLVED { z[i] / resolution[i].sqrt() } else { 0.0 };
    Ok(Posterior {
        mean: unscaled(z, priors),
        covariance: RMatrix::from_fn(n, n, |i, j| inverse[(i, j)] * priors[i].sd * priors[j].sd),
        log_evidence: -here.energy - 0.5 * log_det,
        fit: Goodness::new(misfit, (values - effective).max(1.0)),
        prior_predictive: Goodness::new(misfit + distance, values.max(1.0)),
        effective_parameters: effective,
        prior_z: z.to_vec(),
        surprise_z: (0..n).map(surprise).collect(),
        resolution,
        at: here.at,
        path,
        outcome,
    })
}

/// Resolution above which the data say anything about a cause: below it, rounding would be divided by rounding.
const RESOLVED: f64 = 1e-9;
