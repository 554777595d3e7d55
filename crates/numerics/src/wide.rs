//! Inner loops compiled for the widest vector registers the running machine has.
//!
//! The loop and every function it calls must be inlined (`#[inline(always)]`); then the compiler
//! sees the instructions of the machine instead of the oldest ones of its family. Results may
//! differ between machines by rounding, never between runs or thread counts on one machine.

/// Runs `f` with the instructions of this machine.
#[inline(always)]
pub(crate) fn wide<R>(f: impl FnOnce() -> R) -> R {
    pulp::Arch::new().dispatch(f)
}
