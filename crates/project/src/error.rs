//! Errors of the project, sorted by what the user can do about them.

use crate::design::DesignError;
use std::path::{Path, PathBuf};

/// What kind of trouble an error is; the doors map it to exit codes and exceptions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorKind {
    /// The user's input is wrong.
    Input,
    /// A computation ended without an answer.
    NotConverged,
    /// A file could not be read or written.
    Data,
    /// The user asked to stop.
    Cancelled,
    /// A mistake in this program.
    Bug,
}

/// Errors of the project.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ProjectError {
    /// The design file has problems.
    #[error(transparent)]
    Design(#[from] DesignError),
    /// A network data file has problems.
    #[error(transparent)]
    NetworkFile(#[from] network::touchstone::TouchstoneError),
    /// Network data cannot be used as asked.
    #[error("{place}: {source}")]
    Network {
        /// File or block.
        place: String,
        /// Why.
        source: network::NetworkError,
    },
    /// The circuit cannot be joined.
    #[error(transparent)]
    Circuit(#[from] circuit::CircuitError),
    /// A diode cannot be made, or measured tables not be fitted.
    #[error(transparent)]
    Diode(#[from] diode::DiodeError),
    /// The linear multiport does not fit the balance.
    #[error(transparent)]
    Balance(#[from] balance::BalanceError),
    /// The review failed.
    #[error(transparent)]
    Mixer(#[from] mixer::MixerError),
    /// A table in a text file cannot be read.
    #[error("{file}, line {line}: expected {expected}, found {found}")]
    Table {
        /// Which file.
        file: String,
        /// Line, from one.
        line: u64,
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// Reading or writing a file failed.
    #[error("cannot {what} {}: {source}", .path.display())]
    Io {
        /// `read`, `write`, ….
        what: &'static str,
        /// Which file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The caller asked to stop.
    #[error(transparent)]
    Cancelled(#[from] numerics::Cancelled),
}

impl ProjectError {
    /// What the user can do about it.
    pub fn kind(&self) -> ErrorKind {
        use balance::BalanceError as B;
        use mixer::MixerError as M;
        match self {
            Self::Cancelled(_) | Self::Mixer(M::Cancelled(_)) | Self::Balance(B::Cancelled(_)) => ErrorKind::Cancelled,
            Self::Mixer(M::Balance { source, .. }) | Self::Balance(source) => match source {
                B::Mismatch { .. } => ErrorKind::Bug,
                _ => ErrorKind::NotConverged,
            },
            Self::Io { .. } => ErrorKind::Data,
            _ => ErrorKind::Input,
        }
    }

    pub(crate) fn io(what: &'static str, path: &Path) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_path_buf();
        move |source| Self::Io { what, path, source }
    }
}
