//! Weighted least squares with covariance: linear problems in one step, others by damped steps.
//!
//! Method: Levenberg-Marquardt with columns scaled to unit norm; covariance `(JᵀWJ)⁻¹` from the QR
//! factor. Source: Press et al., "Numerical Recipes", chapter on modelling of data (memory).

use super::Uncertainty;
use crate::DiodeError;
use numerics::{Outcome, RMatrix, Report, linear};
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal, StudentsT};

/// Outer steps allowed; good starts need fewer than ten.
const STEPS_MAX: usize = 200;
/// Relative change of all parameters at which the fit stands: well below any standard error, well
/// above rounding.
const STEP_RELATIVE: f64 = 1e-11;
/// Damping of the first damped step, and the one at which no step helps any more.
const DAMPING: (f64, f64) = (1e-3, 1e12);
/// Smallest diagonal of the QR factor of unit columns that still counts as determined.
const RANK_TOLERANCE: f64 = 1e-11;

/// Result of a least-squares fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// What the parameters are, with units.
    pub names: Vec<&'static str>,
    /// Estimates, in the order of the names.
    pub values: Vec<f64>,
    /// Covariance of the estimates.
    pub covariance: RMatrix,
    /// Sum of squared standardised residuals.
    pub chi_squared: f64,
    /// Points less parameters.
    pub degrees_of_freedom: usize,
    /// Measured less fitted, in the unit of the measured quantity.
    pub residuals: Vec<f64>,
    /// Residuals over their standard deviation.
    pub standardised: Vec<f64>,
    /// Whether the noise was given; otherwise it was estimated from the residuals.
    pub noise_known: bool,
    /// How the iteration went.
    pub report: Report,
}

impl Fit {
    /// Standard error of one estimate.
    pub fn standard_error(&self, idx: usize) -> f64 {
        self.covariance[(idx, idx)].sqrt()
    }

    /// Correlation of two estimates.
    pub fn correlation(&self, i: usize, j: usize) -> f64 {
        self.covariance[(i, j)] / (self.standard_error(i) * self.standard_error(j))
    }

    /// Confidence interval of one estimate, for example at 0.95.
    ///
    /// Normal when the noise was given, Student's otherwise.
    pub fn interval(&self, idx: usize, confidence: f64) -> (f64, f64) {
        let tail = 0.5 + 0.5 * confidence;
        let dof = self.degrees_of_freedom as f64;
        let factor = match StudentsT::new(0.0, 1.0, dof) {
            Ok(student) if !self.noise_known => student.inverse_cdf(tail),
            _ => Normal::standard().inverse_cdf(tail),
        };
        let half = factor * self.standard_error(idx);
        (self.values[idx] - half, self.values[idx] + half)
    }

    /// Range in which chi-squared lies with this confidence when the model is right and the noise
    /// as stated; `None` when the noise was estimated or no freedom is left.
    pub fn chi_squared_interval(&self, confidence: f64) -> Option<(f64, f64)> {
        if !self.noise_known {
            return None;
        }
        let law = ChiSquared::new(self.degrees_of_freedom as f64).ok()?;
        let tail = 0.5 * (1.0 - confidence);
        Some((law.inverse_cdf(tail), law.inverse_cdf(1.0 - tail)))
    }
}

/// Fitted values and their derivatives (a row per point) at some parameters, or `None` where these
/// mean nothing.
pub(super) type Model<'a> = dyn Fn(&[f64]) -> Option<(Vec<f64>, RMatrix)> + 'a;

/// A least-squares problem.
pub(super) struct Problem<'a> {
    pub(super) what: &'static str,
    pub(super) names: Vec<&'static str>,
    pub(super) measured: &'a [f64],
    pub(super) uncertainty: Uncertainty<'a>,
    pub(super) model: &'a Model<'a>,
}

/// Standardised residuals and derivatives with columns of unit norm.
struct Linearised {
    rest: Vec<f64>,
    columns: RMatrix,
    norms: Vec<f64>,
}

impl Linearised {
    fn chi_squared(&self) -> f64 {
        self.rest.iter().map(|r| r * r).sum()
    }
}

impl Problem<'_> {
    /// Best parameters from `start`.
    pub(super) fn solve(&self, start: &[f64]) -> Result<Fit, DiodeError> {
        let sigma = self.sigma()?;
        let mut values = start.to_vec();
        let mut here = self.linearise(&values, &sigma).ok_or_else(|| self.error("the start has no model value"))?;
        let mut report = Report { residual_asked: STEP_RELATIVE, unknowns: values.len(), ..Report::default() };
        let mut damping = 0.0;
        report.outcome = Outcome::Almost;
        while report.iterations < STEPS_MAX {
            report.iterations += 1;
            let step = self.step(&here, damping)?;
            report.factorisations += 1;
            let next: Vec<f64> = values.iter().zip(&step).map(|(v, s)| v + s).collect();
            report.residual = relative_size(&step, &next);
            let better = self.linearise(&next, &sigma).filter(|l| l.chi_squared() <= here.chi_squared());
            let small = report.residual <= STEP_RELATIVE;
            if let Some(l) = better {
                (values, here) = (next, l);
                damping = if damping < DAMPING.0 { 0.0 } else { damping * 0.1 };
            } else {
                damping = if damping == 0.0 { DAMPING.0 } else { damping * 10.0 };
            }
            report.history.push(here.chi_squared());
            if small || damping > DAMPING.1 {
                report.outcome = Outcome::Converged;
                break;
            }
        }
        if report.outcome == Outcome::Almost {
            return Err(self.error("no minimum found; look at the table, or hold a parameter"));
        }
        self.finish(values, &here, &sigma, report)
    }

    fn sigma(&self) -> Result<Vec<f64>, DiodeError> {
        let n = self.measured.len();
        let sigma = match self.uncertainty {
            Uncertainty::Uniform(s) => vec![s; n],
            Uncertainty::Each(s) => s.to_vec(),
            Uncertainty::Unknown => vec![1.0; n],
        };
        let usable = sigma.len() == n && sigma.iter().all(|s| *s > 0.0 && s.is_finite());
        if usable { Ok(sigma) } else { Err(self.error("expected one positive standard deviation per point")) }
    }

    fn linearise(&self, values: &[f64], sigma: &[f64]) -> Option<Linearised> {
        let (fitted, slopes) = (self.model)(values)?;
        let rest: Vec<f64> = self.measured.iter().zip(&fitted).zip(sigma).map(|((y, f), s)| (y - f) / s).collect();
        let norm = |j: usize| (0..rest.len()).map(|i| (slopes[(i, j)] / sigma[i]).powi(2)).sum::<f64>().sqrt();
        let norms: Vec<f64> = (0..values.len()).map(norm).collect();
        let usable = rest.iter().chain(&norms).all(|x| x.is_finite()) && norms.iter().all(|n| *n > 0.0);
        let columns = RMatrix::from_fn(rest.len(), values.len(), |i, j| slopes[(i, j)] / sigma[i] / norms[j]);
        usable.then_some(Linearised { rest, columns, norms })
    }

    /// Damped step, in the units of the parameters.
    fn step(&self, here: &Linearised, damping: f64) -> Result<Vec<f64>, DiodeError> {
        let (m, n) = (here.columns.n_rows(), here.columns.n_cols());
        let root = damping.sqrt();
        let entry = |i: usize, j: usize| match i.checked_sub(m) {
            None => here.columns[(i, j)],
            Some(k) => f64::from(u8::from(k == j)) * root,
        };
        let mut rest = here.rest.clone();
        rest.resize(m + n, 0.0);
        let step = linear::least_squares(&RMatrix::from_fn(m + n, n, entry), &rest)
            .map_err(|e| self.error(&format!("{e}; the points do not determine all parameters")))?;
        Ok(step.iter().zip(&here.norms).map(|(s, n)| s / n).collect())
    }

    fn finish(&self, values: Vec<f64>, here: &Linearised, sigma: &[f64], report: Report) -> Result<Fit, DiodeError> {
        let n = values.len();
        let inverse = self.inverse_triangle(&linear::qr_r(&here.columns))?;
        let chi_squared = here.chi_squared();
        let degrees_of_freedom = self.measured.len() - n;
        let noise_known = self.uncertainty != Uncertainty::Unknown;
        let scale = if noise_known { 1.0 } else { chi_squared / degrees_of_freedom as f64 };
        let covariance = RMatrix::from_fn(n, n, |i, j| {
            let dot: f64 = (0..n).map(|k| inverse[(i, k)] * inverse[(j, k)]).sum();
            scale * dot / (here.norms[i] * here.norms[j])
        });
        let residuals = here.rest.iter().zip(sigma).map(|(r, s)| r * s).collect();
        let standardised = here.rest.iter().map(|r| r / scale.sqrt()).collect();
        let names = self.names.clone();
        Ok(Fit {
            names,
            values,
            covariance,
            chi_squared,
            degrees_of_freedom,
            residuals,
            standardised,
            noise_known,
            report,
        })
    }

    /// Inverse of an upper triangle, refused when a diagonal entry vanishes against unit columns.
    fn inverse_triangle(&self, r: &RMatrix) -> Result<RMatrix, DiodeError> {
        let n = r.n_cols();
        let determined = (0..n).all(|i| r[(i, i)].abs() > RANK_TOLERANCE);
        if !determined {
            return Err(self.error("the points do not determine all parameters; widen the sweep or hold one"));
        }
        let mut inverse = RMatrix::zeros(n, n);
        for j in 0..n {
            for i in (0..=j).rev() {
                let known: f64 = (i + 1..=j).map(|k| r[(i, k)] * inverse[(k, j)]).sum();
                inverse[(i, j)] = (f64::from(u8::from(i == j)) - known) / r[(i, i)];
            }
        }
        Ok(inverse)
    }

    fn error(&self, why: &str) -> DiodeError {
        DiodeError::Fit { what: self.what, why: why.into() }
    }
}

fn relative_size(step: &[f64], values: &[f64]) -> f64 {
    step.iter().zip(values).map(|(s, v)| s.abs() / v.abs().max(f64::MIN_POSITIVE)).fold(0.0, f64::max)
}
