//! Requirements and how readings meet them.

use crate::{Measure, Reading};

/// Which side of a limit is allowed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bound {
    /// Value must be at most this.
    AtMost(f64),
    /// Value must be at least this.
    AtLeast(f64),
}

/// One line of the requirement.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// What is limited; none for "any product in the output band".
    pub measure: Option<Measure>,
    /// The bound, in the measure's unit (dBc for products).
    pub bound: Bound,
    /// Signal frequencies over which it holds, hertz.
    pub band_hz: Option<(f64, f64)>,
    /// Why the customer asks for it.
    pub why: String,
}

/// Judgement of one limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VerdictStatus {
    /// Met with the whole band on the allowed side.
    Pass,
    /// Missed with the whole band on the wrong side.
    Fail,
    /// The limit lies inside the band of the number.
    Undecided,
    /// Nothing in the review answers it.
    NotComputed,
}

/// A limit with the reading that decides it.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The requirement.
    pub limit: Limit,
    /// The worst reading.
    pub worst: Option<Reading>,
    /// Distance to the limit, positive on the allowed side, in the measure's unit.
    pub margin: Option<f64>,
    /// The judgement.
    pub status: VerdictStatus,
}

impl Limit {
    /// Distance of `value` to the bound, positive on the allowed side.
    pub fn margin(&self, value: f64) -> f64 {
        match self.bound {
            Bound::AtMost(x) => x - value,
            Bound::AtLeast(x) => value - x,
        }
    }

    /// Judges the readings that belong to this limit: the worst one decides.
    ///
    /// A reading without a numeric band counts as exact.
    pub fn judge<'a>(&self, readings: impl IntoIterator<Item = &'a Reading>) -> Verdict {
        let pessimistic = |r: &Reading| self.margin(r.value) - r.quality.numeric_band.unwrap_or(0.0);
        let worst = readings.into_iter().min_by(|a, b| pessimistic(a).total_cmp(&pessimistic(b))).cloned();
        let margin = worst.as_ref().map(|r| self.margin(r.value));
        let status = match (&worst, margin) {
            (Some(r), Some(m)) => {
                let band = r.quality.numeric_band.unwrap_or(0.0);
                if m >= band {
                    VerdictStatus::Pass
                } else if m < -band {
                    VerdictStatus::Fail
                } else {
                    VerdictStatus::Undecided
                }
            }
            _ => VerdictStatus::NotComputed,
        };
        Verdict { limit: self.clone(), worst, margin, status }
    }
}
