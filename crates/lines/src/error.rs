//! Why there is no answer.

/// Errors of the cross-section and what is made from it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LinesError {
    /// The cross-section cannot be solved as given.
    #[error("{place}: {fault}")]
    Section {
        /// Layer, conductor or wall.
        place: String,
        /// Expected and found.
        fault: String,
    },
    /// The refinement budget ended before the tolerance was met.
    #[error(
        "cross-section not solved to {wanted:.1e}: estimated error {reached:.1e} with {unknowns} unknowns; \
         allow more unknowns or a looser tolerance, or look for conductors that nearly touch"
    )]
    Budget {
        /// Error asked for.
        wanted: f64,
        /// Error reached.
        reached: f64,
        /// Unknowns used.
        unknowns: usize,
    },
    /// Layers and strips could not be turned into a cross-section.
    #[error(transparent)]
    Stackup(#[from] stackup::StackupError),
    /// A kernel failed.
    #[error(transparent)]
    Numerics(#[from] numerics::NumericsError),
}
