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
    /// One reading surely beyond the limit fails it. A reading that is not a number, has no band, or
    /// whose band reaches over the limit leaves it undecided. A bound (a number below the floor)
    /// passes when it lies on the allowed side and is undecided otherwise.
    pub fn judge<'a>(&self, readings: impl IntoIterator<Item = &'a Reading>) -> Verdict {
        let judged = readings.into_iter().map(|r| (self.judge_one(r), r));
        let worst = judged.min_by(|(a, r), (b, s)| {
            let margin = |r: &Reading| Some(self.margin(r.value)).filter(|m| !m.is_nan()).unwrap_or(f64::NEG_INFINITY);
            rank(*a).cmp(&rank(*b)).then(margin(r).total_cmp(&margin(s)))
        });
        match worst {
            None => Verdict { limit: self.clone(), worst: None, margin: None, status: VerdictStatus::NotComputed },
            Some((status, r)) => {
                Verdict { limit: self.clone(), worst: Some(r.clone()), margin: Some(self.margin(r.value)), status }
            }
        }
    }

    fn judge_one(&self, r: &Reading) -> VerdictStatus {
        if r.quality.is_bound {
            return if self.margin(r.value) >= 0.0 { VerdictStatus::Pass } else { VerdictStatus::Undecided };
        }
        let Some((low, high)) = r.quality.interval(r.value) else { return VerdictStatus::Undecided };
        let (worst, best) = match self.bound {
            Bound::AtMost(_) => (self.margin(high), self.margin(low)),
            Bound::AtLeast(_) => (self.margin(low), self.margin(high)),
        };
        if !(worst.is_finite() && best.is_finite()) {
            VerdictStatus::Undecided
        } else if worst >= 0.0 {
            VerdictStatus::Pass
        } else if best < 0.0 {
            VerdictStatus::Fail
        } else {
            VerdictStatus::Undecided
        }
    }
}

/// The most serious first.
fn rank(status: VerdictStatus) -> u8 {
    match status {
        VerdictStatus::Fail => 0,
        VerdictStatus::Undecided => 1,
        VerdictStatus::Pass | VerdictStatus::NotComputed => 2,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Bands, Conditions, Method, Outcome, Quality};

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
            bands: Bands::default(),
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
        assert_eq!(status(&[loss(8.5, 0.1), loss(7.8, 1.0)]), VerdictStatus::Fail);
        assert_eq!(status(&[loss(8.5, 0.1), loss(f64::NAN, 0.1)]), VerdictStatus::Fail);
        let mut unknown = loss(7.0, 0.1);
        unknown.quality.numeric_band = None;
        assert_eq!(status(&[unknown.clone()]), VerdictStatus::Undecided);
        unknown.quality.is_bound = true;
        assert_eq!(status(&[unknown]), VerdictStatus::Pass);
        let mut continued = loss(7.8, 0.1);
        continued.quality.continued = Some(crate::Continued { share: 0.01, spread: 0.5 });
        assert_eq!(status(&[continued]), VerdictStatus::Undecided);
        assert_eq!(status(&[]), VerdictStatus::NotComputed);
    }
}
