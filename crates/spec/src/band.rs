//! Bands of a number beyond its numerical one, and promises made from them.

use crate::Bound;

/// An interval around a value, as distances from it in the value's unit.
///
/// A biased band has a negative distance on one side: the value itself lies outside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// How far the band reaches below the value.
    pub below: f64,
    /// How far the band reaches above the value.
    pub above: f64,
    /// Share of cases the band covers, 0…1.
    pub coverage: f64,
}

impl Band {
    /// A band of the same distance on both sides.
    pub const fn even(half: f64, coverage: f64) -> Self {
        Self { below: half, above: half, coverage }
    }

    /// Lower and upper end around `value`.
    pub fn around(&self, value: f64) -> (f64, f64) {
        (value - self.below, value + self.above)
    }
}

/// A one-sided statement about a number formed by cancellation: at least or at most this, so surely.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Promise {
    /// The bound promised, in the unit of the reading.
    pub bound: Bound,
    /// Share of fabricated units that keep it, 0…1.
    pub confidence: f64,
}

/// The single departure from symmetry that moves a number most.
#[derive(Debug, Clone, PartialEq)]
pub struct Asymmetry {
    /// The process variable, for example `D3.CJ0`.
    pub name: String,
    /// One standard deviation of it, in words with unit.
    pub step: String,
    /// Change of the number under that step, in the unit of the reading; the larger of both signs.
    pub change: f64,
}

/// What is known about a number beyond its computation.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Bands {
    /// Error estimate of the field solution behind it (mesh, ports): a part of the numeric band.
    pub field: Option<f64>,
    /// Spread of fabrication.
    pub fabrication: Option<Band>,
    /// Bias and spread of the model learned from earlier comparisons.
    pub model: Option<Band>,
    /// What can be promised one-sidedly.
    pub promise: Option<Promise>,
    /// What moves it most.
    pub asymmetry: Option<Asymmetry>,
}
