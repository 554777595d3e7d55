//! Progress and cancelling: asked once per outer step of anything that takes long.

/// The caller asked to stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("cancelled")]
pub struct Cancelled;

/// Listener of a long computation.
pub trait Watch: Sync {
    /// `done` of `total` steps of the work called `what` are finished. Return `Err` to stop.
    ///
    /// An empty `what` only asks whether to go on and shows nothing.
    fn step(&self, what: &str, done: usize, total: usize) -> Result<(), Cancelled>;
}

/// Listens to nothing and never cancels.
pub struct Quiet;

impl Watch for Quiet {
    fn step(&self, _what: &str, _done: usize, _total: usize) -> Result<(), Cancelled> {
        Ok(())
    }
}
