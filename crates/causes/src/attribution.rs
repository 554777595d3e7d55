//! Which cause moves which number by how much.
//!
//! The change of a number from the prior mean to the most probable causes is shared out along the straight way between
//! them: cause j gets the mean of its slope at both ends times its deviation (trapezoidal rule of the path integral of
//! M. Sundararajan, A. Taly, Q. Yan, Axiomatic attribution, 2017, section 3). What curvature leaves over is shown as
//! such, never spread over the causes.

use crate::cause::Cause;
use crate::lot::{Lot, Unknown};
use crate::{CausesError, Model, Posterior, Scope};

/// Share of one cause.
#[derive(Debug, Clone, PartialEq)]
pub struct Contribution {
    /// Name of the cause.
    pub cause: String,
    /// Unit of the cause's value.
    pub unit: String,
    /// Its value for this unit, lot and unit scopes together.
    pub value: f64,
    /// Change of the number, in the number's unit.
    pub change: f64,
}

/// One record taken apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Attribution {
    /// Index of the record.
    pub record: usize,
    /// Prediction without deviations.
    pub predicted: f64,
    /// What was measured (the bound, when censored).
    pub measured: f64,
    /// Shares, largest first.
    pub contributions: Vec<Contribution>,
    /// Change of the explained number that no single share carries (curvature).
    pub together: f64,
    /// Measured less explained.
    pub left: f64,
}

/// Takes every record apart under a posterior.
///
/// # Errors
/// No answer from the device at the prior mean.
pub fn attribute(lot: &Lot<'_>, posterior: &Posterior) -> Result<Vec<Attribution>, CausesError> {
    let from: Vec<f64> = lot.priors().iter().map(|p| p.mean).collect();
    let start = lot.evaluate(&from)?;
    let end = &posterior.at;
    let records = lot.records().iter().enumerate();
    Ok(records
        .map(|(i, record)| {
            let mut shares: Vec<Contribution> = Vec::new();
            for (k, Unknown { cause, whose }) in lot.unknowns().iter().copied().enumerate() {
                let c = &lot.causes()[cause];
                let slope = 0.5 * (start.jacobian[(i, k)] + end.jacobian[(i, k)]);
                if !concerns(c, whose, record.unit, record.session) || slope == 0.0 {
                    continue;
                }
                let deviation = posterior.mean[k] - from[k];
                add(&mut shares, c, posterior.mean[k], slope * deviation);
            }
            shares.sort_by(|a, b| b.change.abs().total_cmp(&a.change.abs()));
            let shared: f64 = shares.iter().map(|s| s.change).sum();
            let explained = end.values[i];
            Attribution {
                record: i,
                predicted: start.values[i],
                measured: record.datum.value,
                contributions: shares,
                together: explained - start.values[i] - shared,
                left: record.datum.value - explained,
            }
        })
        .collect())
}

fn concerns(cause: &Cause, whose: usize, unit: usize, session: usize) -> bool {
    match cause.scope {
        Scope::Lot => true,
        Scope::Only(other) => other == unit,
        Scope::Unit => whose == unit,
        Scope::Session => whose == session,
    }
}

fn add(shares: &mut Vec<Contribution>, cause: &Cause, value: f64, change: f64) {
    match shares.iter_mut().find(|s| s.cause == cause.name) {
        Some(s) => {
            s.value += value;
            s.change += change;
        }
        None => shares.push(Contribution { cause: cause.name.clone(), unit: cause.unit.clone(), value, change }),
    }
}
