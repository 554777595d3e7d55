//! Observations beside the mixer's bench: coupons, widths, cross-sections, repeats.
//!
//! Their formulas speak of the causes by name and mean the average over the units of the lot.

use crate::lot::Lot;
use crate::{CausesError, Datum};

/// One term of a [`Formula`].
#[derive(Debug, Clone, PartialEq)]
pub struct Share {
    /// Name of the cause.
    pub cause: String,
    /// Relative change of a factor per unit of the cause: 0.01 for a cause in percent.
    pub per_unit: f64,
    /// Power of the factor.
    pub power: f64,
}

/// What an observation shows, as a function of the causes.
#[derive(Debug, Clone, PartialEq)]
pub enum Formula {
    /// Nominal value plus slopes times causes.
    Sum {
        /// Value without deviation.
        nominal: f64,
        /// Cause and slope, in the unit of the value per unit of the cause.
        terms: Vec<(String, f64)>,
    },
    /// Nominal value times powers of `1 + share·cause`: a plate capacitor goes as ε/h.
    Powers {
        /// Value without deviation.
        nominal: f64,
        /// The factors.
        terms: Vec<Share>,
    },
    /// A number of the device measured again on another, faultless bench; mean over the units.
    Repeat {
        /// Index among the device's numbers.
        point: usize,
    },
}

impl Formula {
    /// The value at these causes with its derivatives in the unknowns of the lot.
    ///
    /// # Errors
    /// No answer from the device of a repeated number.
    pub fn evaluate(&self, lot: &Lot<'_>, x: &[f64]) -> Result<(f64, Vec<f64>), CausesError> {
        let mean = |name: &str| {
            let weights = lot.mean_over_units(name);
            let value: f64 = weights.iter().zip(x).map(|(w, x)| w * x).sum();
            (value, weights)
        };
        let mut row = vec![0.0; x.len()];
        let mut add = |weights: &[f64], slope: f64| row.iter_mut().zip(weights).for_each(|(r, w)| *r += slope * w);
        let value = match self {
            Self::Sum { nominal, terms } => {
                let mut value = *nominal;
                for (name, slope) in terms {
                    let (deviation, weights) = mean(name);
                    value += slope * deviation;
                    add(&weights, *slope);
                }
                value
            }
            Self::Powers { nominal, terms } => {
                let means: Vec<_> = terms.iter().map(|t| mean(&t.cause)).collect();
                let factors = terms.iter().zip(&means).map(|(t, (d, _))| (1.0 + t.per_unit * d).powf(t.power));
                let value = nominal * factors.product::<f64>();
                for (t, (deviation, weights)) in terms.iter().zip(&means) {
                    add(weights, value * t.power * t.per_unit / (1.0 + t.per_unit * deviation));
                }
                value
            }
            Self::Repeat { point } => {
                let share = 1.0 / lot.n_units() as f64;
                let mut value = 0.0;
                for unit in 0..lot.n_units() {
                    let (v, weights) = lot.clean(unit, *point, x)?;
                    value += share * v;
                    add(&weights, share);
                }
                value
            }
        };
        Ok((value, row))
    }
}

/// A value observed beside the bench, used as data.
#[derive(Debug, Clone, PartialEq)]
pub struct Extra {
    /// For people: `film capacitor coupon, fF`.
    pub name: String,
    /// What it shows.
    pub formula: Formula,
    /// What was seen.
    pub datum: Datum,
}

/// An observation that could be made next.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Short name, unique.
    pub name: String,
    /// What to do, in words.
    pub words: String,
    /// Unit of the values.
    pub unit: String,
    /// Cost, hours of work.
    pub hours: f64,
    /// Lead time, working days until the answer is there.
    pub days: f64,
    /// What it shows, with the standard uncertainty of each value.
    pub shows: Vec<(Formula, f64)>,
}
