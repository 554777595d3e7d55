//! What one measured value says about the true one: a value with uncertainty, or a bound from a noise floor.
//!
//! Terms are negative logarithms of densities (values) or probabilities (bounds), with slope and curvature in the
//! predicted value. Curvatures are positive, so every linearised problem is convex.
//! Bounds: with normal bench noise of standard deviation σ, a value seen at or below the bound c while y is predicted
//! has the probability Φ((c − y)/σ) (J. Tobin, Estimation of relationships for limited dependent variables,
//! Econometrica 26 (1958)).
//! Robust option: Student's law with ν degrees of freedom in place of the normal law (K. L. Lange, R. J. A. Little,
//! J. M. G. Taylor, JASA 84 (1989)).

use crate::CausesError;
use statrs::function::erf::erfc;
use statrs::function::gamma::ln_gamma;

/// What kind of statement a measured number is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The value itself.
    Value,
    /// At or below this number (a product under the noise floor).
    AtMost,
    /// At or above this number (an isolation beyond the bench).
    AtLeast,
}

/// One measured number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Datum {
    /// The number, in the unit of its measure.
    pub value: f64,
    /// Standard uncertainty of the bench, same unit.
    pub sd: f64,
    /// What it says.
    pub side: Side,
}

impl Datum {
    /// A value with its standard uncertainty.
    pub const fn value(value: f64, sd: f64) -> Self {
        Self { value, sd, side: Side::Value }
    }

    /// A bound from above.
    pub const fn at_most(value: f64, sd: f64) -> Self {
        Self { value, sd, side: Side::AtMost }
    }

    /// A bound from below.
    pub const fn at_least(value: f64, sd: f64) -> Self {
        Self { value, sd, side: Side::AtLeast }
    }

    pub(crate) fn check(&self, place: &str) -> Result<(), CausesError> {
        if self.sd > 0.0 && self.sd.is_finite() && self.value.is_finite() {
            return Ok(());
        }
        Err(CausesError::Uncertainty {
            place: place.into(),
            found: if self.value.is_finite() { self.sd } else { self.value },
        })
    }

    /// Measured less predicted over the standard uncertainty; zero for a bound that is kept.
    pub fn standardised(&self, predicted: f64) -> f64 {
        let z = (self.value - predicted) / self.sd;
        match self.side {
            Side::Value => z,
            Side::AtMost => z.min(0.0),
            Side::AtLeast => z.max(0.0),
        }
    }

    /// The term of this datum at a predicted value; `student` are degrees of freedom of the robust law.
    pub(crate) fn term(&self, predicted: f64, student: Option<f64>) -> Term {
        let z = (predicted - self.value) / self.sd;
        let scaled = match (self.side, student) {
            (Side::Value, None) => Term { loss: 0.5 * z * z + HALF_LN_TWO_PI, slope: z, step_weight: 1.0, weight: 1.0 },
            (Side::Value, Some(nu)) => student_term(z, nu),
            (Side::AtMost, _) => bound_term(z),
            (Side::AtLeast, _) => {
                let t = bound_term(-z);
                Term { slope: -t.slope, ..t }
            }
        };
        // a density in the measured value has the Jacobian 1/σ, a probability has none
        let ln_scale = if self.side == Side::Value { self.sd.ln() } else { 0.0 };
        let per_square = 1.0 / (self.sd * self.sd);
        Term {
            loss: scaled.loss + ln_scale,
            slope: scaled.slope / self.sd,
            step_weight: scaled.step_weight * per_square,
            weight: scaled.weight * per_square,
        }
    }
}

/// ½ ln 2π.
pub(crate) const HALF_LN_TWO_PI: f64 = 0.918_938_533_204_672_8;

/// Negative logarithm of a likelihood with derivatives in the predicted value.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Term {
    /// The negative logarithm.
    pub(crate) loss: f64,
    /// Its slope.
    pub(crate) slope: f64,
    /// Curvature used for steps: positive.
    pub(crate) step_weight: f64,
    /// Curvature used for the posterior covariance: expected over the data where the exact one may be negative.
    pub(crate) weight: f64,
}

fn student_term(z: f64, nu: f64) -> Term {
    let norm = ln_gamma(nu / 2.0) - ln_gamma((nu + 1.0) / 2.0) + 0.5 * (nu * std::f64::consts::PI).ln();
    let pull = (nu + 1.0) / (nu + z * z);
    let loss = 0.5 * (nu + 1.0) * (z * z / nu).ln_1p() + norm;
    // Fisher information of Student's law about its place
    Term { loss, slope: pull * z, step_weight: pull, weight: (nu + 1.0) / (nu + 3.0) }
}

/// −ln Φ(−z) with derivatives in z, for a bound from above with predicted value z standard deviations above it.
fn bound_term(z: f64) -> Term {
    let t = -z;
    let (ln_phi, lambda) = if t < TAIL {
        // Φ(t) ≈ φ(t)/|t| · (1 − 1/t² + 3/t⁴): relative error below 15/t⁶
        let series = 1.0 - 1.0 / (t * t) + 3.0 / t.powi(4);
        (-0.5 * t * t - HALF_LN_TWO_PI - (-t).ln() + series.ln(), -t / series)
    } else {
        let phi = 0.5 * erfc(-t / std::f64::consts::SQRT_2);
        (phi.ln(), (-0.5 * t * t - HALF_LN_TWO_PI).exp() / phi)
    };
    let weight = (lambda * (lambda + t)).max(0.0);
    Term { loss: -ln_phi, slope: lambda, step_weight: weight, weight }
}

/// Below this many standard deviations the tail series replaces the complementary error function.
const TAIL: f64 = -30.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slopes_are_derivatives_of_the_loss() {
        let data = [Datum::value(1.0, 0.3), Datum::at_most(-2.0, 0.5), Datum::at_least(1.5, 0.4)];
        for datum in data {
            for student in [None, Some(4.0)] {
                for y in [-40.0, -3.0, -1.9, 0.4, 1.6, 25.0] {
                    let h = 1e-5;
                    let slope = (datum.term(y + h, student).loss - datum.term(y - h, student).loss) / (2.0 * h);
                    let term = datum.term(y, student);
                    // central difference: h² third derivatives and 1e-16/h rounding of losses up to 1e4
                    assert!((slope - term.slope).abs() < 1e-6 * (1.0 + slope.abs()), "{datum:?} at {y}: {slope}");
                    assert!(term.step_weight >= 0.0 && term.weight >= 0.0);
                }
            }
        }
    }

    #[test]
    fn tail_series_joins_the_error_function() {
        // both roads at the border; the series is good to 15/30⁶ = 2e-8
        let (near, far) = (bound_term(30.0 - 1e-9), bound_term(30.0 + 1e-9));
        assert!((near.loss - far.loss).abs() < 1e-6, "{} {}", near.loss, far.loss);
        assert!((near.slope - far.slope).abs() < 1e-6);
    }

    #[test]
    fn bound_far_kept_says_nothing() {
        let term = Datum::at_most(0.0, 1.0).term(-12.0, None);
        assert!(term.loss < 1e-20 && term.slope < 1e-20 && term.weight < 1e-20);
        assert!(Datum::at_most(0.0, 1.0).standardised(-12.0).abs() < 1e-300);
    }
}
