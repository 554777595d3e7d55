//! What can be wrong with measured data.

use crate::Place;

/// Errors of measured data.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum MeasurementError {
    /// Something in a file is wrong.
    #[error("{place}: expected {expected}, found {found}; {next}")]
    File {
        /// Where.
        place: Place,
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
        /// What to do next.
        next: String,
    },
    /// Nothing measured can be compared with anything predicted.
    #[error(
        "session `{session}`: expected numbers measured under the conditions of the prediction, found {found}; measure \
         again under the sealed conditions, or seal a prediction for these"
    )]
    NothingAlike {
        /// Which session.
        session: String,
        /// What differs.
        found: String,
    },
}

impl MeasurementError {
    pub(crate) fn file(
        place: Place,
        expected: impl Into<String>,
        found: impl Into<String>,
        next: impl Into<String>,
    ) -> Self {
        Self::File { place, expected: expected.into(), found: found.into(), next: next.into() }
    }
}
