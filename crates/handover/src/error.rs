//! Errors of the handover.

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum HandoverError {
    /// Something does not fit.
    #[error("{place}: expected {expected}, found {found}")]
    Mismatch {
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
        /// Where.
        place: String,
    },
    /// A package that cannot be opened.
    #[error("this is no usable model package: {problem}; {next}")]
    Package {
        /// What is wrong with it.
        problem: String,
        /// What to do next.
        next: String,
    },
    /// A package of a later version of the format.
    #[error(
        "the package has format {found}, this program reads formats up to {known}; update the program, or ask the maker \
         for a package of format {known}"
    )]
    FutureVersion {
        /// Format of the package.
        found: u64,
        /// Latest format this program reads.
        known: u64,
    },
    /// A key that cannot be used.
    #[error("{place}: {problem}; {next}")]
    Key {
        /// Which file.
        place: String,
        /// What is wrong with it.
        problem: String,
        /// What to do next.
        next: String,
    },
    /// The question lies outside the region the maker vouches for, and the maker chose to refuse.
    #[error("outside the validity region of the model, which its maker chose to refuse: {}", .outside.join("; "))]
    Outside {
        /// Each departure in words.
        outside: Vec<String>,
    },
    /// A linear network failed.
    #[error(transparent)]
    Network(#[from] network::NetworkError),
    /// A diode cannot be made.
    #[error(transparent)]
    Diode(#[from] diode::DiodeError),
    /// A steady state or small-signal solution failed.
    #[error(transparent)]
    Balance(#[from] balance::BalanceError),
    /// The mixer could not be computed.
    #[error(transparent)]
    Mixer(#[from] mixer::MixerError),
    /// The caller asked to stop.
    #[error(transparent)]
    Cancelled(#[from] numerics::Cancelled),
}

impl HandoverError {
    /// Something that does not fit, with its place.
    pub fn mismatch(expected: impl Into<String>, found: impl Into<String>, place: impl Into<String>) -> Self {
        Self::Mismatch { expected: expected.into(), found: found.into(), place: place.into() }
    }

    /// A package that cannot be opened.
    pub fn package(problem: impl Into<String>, next: impl Into<String>) -> Self {
        Self::Package { problem: problem.into(), next: next.into() }
    }
}
