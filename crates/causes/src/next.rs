//! The next observation: what each candidate would tell, and the cheapest that decides.
//!
//! Under a story the candidate's values are normal: mean from the most probable causes, covariance
//! `G C Gᵀ + R` from the posterior and the candidate's own noise. A candidate decides between two stories when their
//! predictions lie [`SEPARATION`] standard deviations apart.
//! The posterior after a candidate follows from the linear update `C − C Gᵀ (G C Gᵀ + R)⁻¹ G C`; it does not depend on
//! the value that will be seen.

use crate::fingerprint::SEPARATION;
use crate::lot::Lot;
use crate::{Candidate, CausesError, Posterior};
use numerics::{RMatrix, linear};

/// What a story says a candidate will show.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Means, one a value.
    pub mean: Vec<f64>,
    /// Covariance with the candidate's own noise.
    pub covariance: RMatrix,
    /// Standard deviation of the target now.
    pub sd_now: f64,
    /// Standard deviation of the target afterwards.
    pub sd_after: f64,
}

impl Forecast {
    /// Standard deviation of a value.
    pub fn sd(&self, value: usize) -> f64 {
        self.covariance[(value, value)].sqrt()
    }
}

/// Forecast of a candidate under one story; `target` are weights of the unknowns whose sum is of interest.
///
/// # Errors
/// No answer from the device.
pub fn forecast(
    candidate: &Candidate,
    lot: &Lot<'_>,
    posterior: &Posterior,
    target: &[f64],
) -> Result<Forecast, CausesError> {
    let mut mean = Vec::new();
    let mut rows = Vec::new();
    for (formula, _) in &candidate.shows {
        let (value, row) = formula.evaluate(lot, &posterior.mean)?;
        mean.push(value);
        rows.push(row);
    }
    let g = RMatrix::from_rows(&rows);
    let gc = &g * &posterior.covariance;
    let mut covariance = &gc * &g.transpose();
    for (i, (_, sd)) in candidate.shows.iter().enumerate() {
        covariance[(i, i)] += sd * sd;
    }
    let seen = gc.times(target);
    let gain = linear::solve_real(&covariance, &seen)?;
    let removed: f64 = gain.iter().zip(&seen).map(|(a, b)| a * b).sum();
    let sd_now = posterior.sd_of(target);
    Ok(Forecast { mean, covariance, sd_now, sd_after: (sd_now * sd_now - removed).max(0.0).sqrt() })
}

/// Distance of two forecasts of the same candidate in standard deviations.
///
/// # Errors
/// Forecasts that are not finite.
pub fn distance(a: &Forecast, b: &Forecast) -> Result<f64, CausesError> {
    let delta: Vec<f64> = a.mean.iter().zip(&b.mean).map(|(a, b)| a - b).collect();
    let mean = (&a.covariance + &b.covariance).map(|v| 0.5 * v);
    let solved = linear::solve_real(&mean, &delta)?;
    Ok(solved.iter().zip(&delta).map(|(a, b)| a * b).sum::<f64>().max(0.0).sqrt())
}

/// A candidate weighed.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// Index of the candidate.
    pub candidate: usize,
    /// Cost, hours.
    pub hours: f64,
    /// Under the best story.
    pub best: Forecast,
    /// Under the story to decide against.
    pub rival: Forecast,
    /// Distance of the two, standard deviations.
    pub distance: f64,
}

impl Weighed {
    /// True when the observation would decide.
    pub fn decides(&self) -> bool {
        self.distance >= SEPARATION
    }
}

/// Index (in `weighed`) of the cheapest candidate that decides, or else of the one with the largest distance; none
/// when nothing tells anything.
pub fn choose(weighed: &[Weighed]) -> Option<usize> {
    let all = 0..weighed.len();
    let deciding = all.clone().filter(|&i| weighed[i].decides());
    let cheapest = deciding.min_by(|&a, &b| weighed[a].hours.total_cmp(&weighed[b].hours));
    let strongest = all.max_by(|&a, &b| weighed[a].distance.total_cmp(&weighed[b].distance));
    // a tenth of a standard deviation tells nothing worth an hour
    cheapest.or(strongest.filter(|&i| weighed[i].distance > 0.1))
}
