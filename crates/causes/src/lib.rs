//! Which process, diode or bench deviations explain a disagreement between a prediction and measured units?
//!
//! Use it for: the posterior of named causes with priors, the evidence between hypotheses, what the data cannot tell
//! apart, the next observation that decides, and the finding in plain words.
//! Not for: computing a mixer (that is a [`Device`] handed in), importing measurements, files.
//!
//! The observation model has two stages. A device turns deviations of process variables into numbers, by full
//! re-solution with exact derivatives ([`device`]); the bench then changes numbers in closed form ([`mod@bench`]).
//! Units of a lot are explained together: causes of the lot, of the unit and of the bench session add ([`lot`]).
//! Everything below is generic: [`posterior`] sees a function with derivatives, data with uncertainties and priors.
//!
//! Source of the method: A. Tarantola, Inverse Problem Theory, 2005, sections 3.2-3.4 (least squares with priors,
//! iterated linearisation); D. J. C. MacKay, Bayesian interpolation, Neural Computation 4 (1992) (Laplace evidence,
//! effective number of parameters).

pub mod attribution;
pub mod bench;
pub mod catalogue;
pub mod cause;
mod cholesky;
pub mod device;
pub mod explain;
pub mod fingerprint;
pub mod likelihood;
pub mod lot;
pub mod next;
pub mod observation;
pub mod posterior;
pub mod words;

pub use bench::Effect;
pub use cause::{Cause, Hypothesis, Kind, Prior, Scope, Suspect};
pub use device::{Device, Evaluated, Point};
pub use explain::{Case, Explanation, Ranked, Verdict, explain};
pub use likelihood::{Datum, Side};
pub use lot::{Lot, Record};
pub use observation::{Candidate, Extra, Formula};
pub use posterior::{Model, Posterior, Settings};

/// Errors of this crate.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CausesError {
    /// Nothing can be explained without data.
    #[error("expected at least one measured value that the prediction covers, found none; measure one of: {known}")]
    NoData {
        /// What the prediction covers.
        known: String,
    },
    /// An uncertainty is not usable.
    #[error("{place}: expected a positive standard uncertainty, found {found}; state the bench uncertainty")]
    Uncertainty {
        /// Which value.
        place: String,
        /// What was given.
        found: f64,
    },
    /// A prior is not usable.
    #[error("cause `{cause}`: expected a prior with a positive standard deviation, found {found}")]
    Prior {
        /// Which cause.
        cause: String,
        /// What was given.
        found: f64,
    },
    /// A cause speaks of something the device does not have.
    #[error("cause `{cause}`: expected one of the device's variables ({known}), found none of this name")]
    UnknownVariable {
        /// The cause.
        cause: String,
        /// What the device has.
        known: String,
    },
    /// The device has no answer at the deviations tried.
    #[error("no answer from the device {place}: {why}")]
    Device {
        /// Where, in words.
        place: String,
        /// Why.
        why: String,
    },
    /// Shapes do not fit together.
    #[error("expected {expected}, found {found}")]
    Shape {
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// A linear-algebra step failed.
    #[error(transparent)]
    Numerics(#[from] numerics::NumericsError),
    /// The caller asked to stop.
    #[error(transparent)]
    Cancelled(#[from] numerics::Cancelled),
}
