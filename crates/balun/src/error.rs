//! Why there is no balun.

/// Errors of synthesis and analysis.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum BalunError {
    /// A requirement that makes no sense.
    #[error("{what}: expected {expected}, found {found}")]
    Requirement {
        /// Which number.
        what: &'static str,
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// The impedance cannot be made within the free ranges.
    #[error(
        "strip-to-strip impedance {wanted_ohm:.1} ohm cannot be made within the free ranges: \
         found {low_ohm:.1} to {high_ohm:.1} ohm; widen the range of the film or of the width"
    )]
    Range {
        /// Wanted, ohm.
        wanted_ohm: f64,
        /// Smallest possible, ohm.
        low_ohm: f64,
        /// Largest possible, ohm.
        high_ohm: f64,
    },
    /// The search for dimensions did not settle.
    #[error(
        "dimension not found after {iterations} steps: strip-to-strip impedance off by {residual:.1e} (relative); look at the free ranges"
    )]
    NotConverged {
        /// Steps done.
        iterations: usize,
        /// Relative distance of the impedance from its goal.
        residual: f64,
    },
    /// The cross-section was refused.
    #[error(transparent)]
    Lines(#[from] lines::LinesError),
    /// The stack was refused.
    #[error(transparent)]
    Stackup(#[from] stackup::StackupError),
    /// The sections could not be joined.
    #[error(transparent)]
    Network(#[from] network::NetworkError),
    /// A kernel failed.
    #[error(transparent)]
    Numerics(#[from] numerics::NumericsError),
}
