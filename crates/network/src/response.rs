//! Anything that scatters waves at a set of ports.
//!
//! Conventions of the whole program: power waves, peak phasors, `exp(+jωt)`, SI units,
//! `a = (v + z·i)/(2√Re z)`, `b = (v − z*·i)/(2√Re z)`; the power into a port is
//! `(|a|² − |b|²)/2`.

use numerics::CMatrix;

/// A linear multiport known at any frequency.
pub trait FrequencyResponse: Send + Sync + std::fmt::Debug {
    /// Number of ports.
    fn n_ports(&self) -> usize;
    /// Real reference resistance of each port, ohm.
    fn reference_ohm(&self) -> &[f64];
    /// Scattering matrix at `freq_hz ≥ 0`, direct current included.
    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError>;
    /// Highest frequency up to which the answer rests on data rather than on a continuation.
    fn data_up_to_hz(&self) -> Option<f64> {
        None
    }
}

/// Errors of network handling.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NetworkError {
    /// The linear system at one frequency has no unique solution.
    #[error("{what} has no unique solution at {freq_hz} Hz: {why}")]
    Degenerate {
        /// Which network.
        what: String,
        /// Where.
        freq_hz: f64,
        /// What was seen, and what to look at.
        why: String,
    },
    /// Shapes or references do not fit.
    #[error("expected {expected}, found {found}")]
    Mismatch {
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// The network exists but not in the asked form, as an ideal thru has no impedance matrix.
    #[error("the network has no {form}: {why}")]
    NoSuchForm {
        /// Name of the form.
        form: &'static str,
        /// What was seen, and what to do instead.
        why: String,
    },
    /// A text in the n-port standard was refused.
    #[error(transparent)]
    Touchstone(#[from] Box<crate::touchstone::TouchstoneError>),
    /// A kernel failed.
    #[error(transparent)]
    Numerics(#[from] numerics::NumericsError),
}
