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
    /// A reading without a numeric band counts as exact; one that is not a number, or whose band is
    /// not finite, leaves the limit undecided.
    pub fn judge<'a>(&self, readings: impl IntoIterator<Item = &'a Reading>) -> Verdict {
        // a number that is none counts as the worst of all
        let pessimistic = |r: &Reading| {
            let x = self.margin(r.value) - r.quality.numeric_band.unwrap_or(0.0);
            if x.is_nan() { f64::NEG_INFINITY } else { x }
        };
        let worst = readings.into_iter().min_by(|a, b| pessimistic(a).total_cmp(&pessimistic(b))).cloned();
        let margin = worst.as_ref().map(|r| self.margin(r.value));
        let status = match (&worst, margin) {
            (Some(r), Some(m)) if m.is_nan() || !r.quality.numeric_band.unwrap_or(0.0).is_finite() => {
                VerdictStatus::Undecided
            }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Conditions, Method, Outcome, Quality};

    fn loss(value: f64, band: f64) -> Reading {
        let quality = Quality {
            outcome: Outcome::Converged,
            method: Method::Balance,
            numeric_band: Some(band),
            orders: (8, 3),
            residual: 0.0,
            continued: None,
            cancellation: None,
            is_bound: false,
        };
        Reading { measure: Measure::ConversionLoss, value, conditions: Conditions::default(), quality }
    }

    #[test]
    fn the_worst_reading_with_its_band_decides() {
        let bound = Bound::AtMost(8.0);
        let limit = Limit { measure: Some(Measure::ConversionLoss), bound, band_hz: None, why: String::new() };
        let status = |readings: &[Reading]| limit.judge(readings).status;
        assert_eq!(status(&[loss(7.0, 0.1), loss(7.5, 0.1)]), VerdictStatus::Pass);
        assert_eq!(status(&[loss(7.0, 0.1), loss(7.95, 0.1)]), VerdictStatus::Undecided);
        assert_eq!(status(&[loss(8.05, 0.1)]), VerdictStatus::Undecided);
        assert_eq!(status(&[loss(8.2, 0.1)]), VerdictStatus::Fail);
        assert_eq!(status(&[loss(7.0, 0.1), loss(f64::NAN, 0.1)]), VerdictStatus::Undecided);
        assert_eq!(status(&[loss(7.0, f64::INFINITY)]), VerdictStatus::Undecided);
        assert_eq!(status(&[]), VerdictStatus::NotComputed);
    }
}
