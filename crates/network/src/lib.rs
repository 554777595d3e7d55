//! Multiport parameters: convert, connect, renormalise, de-embed, check, read and write.
//!
//! Answers: what do these ports do, at which frequencies, relative to which references, and may
//! the data be trusted?
//! Use it for: measured, computed or ideal linear multiports. Not for: lumped parts and netlists.
//!
//! Conventions of the whole program: power waves, peak phasors, `exp(+jωt)`, SI units,
//! `a = (v + z·i)/(2√Re z)`, `b = (v − z*·i)/(2√Re z)`; the power into a port is
//! `(|a|² − |b|²)/2`; currents flow into the ports; matrices are indexed `[(to, from)]`.
//! Everything happens in S: an ideal thru has no Z and no Y, an open no Z, a short no Y.

pub mod connect;
pub mod convert;
pub mod deembed;
pub mod hygiene;
pub mod mixed_mode;
pub mod network;
pub mod rational;
pub mod response;
pub mod sampled;
pub mod touchstone;

pub use network::{Network, NoisePoint};
pub use response::{FrequencyResponse, NetworkError};
pub use sampled::{Continuation, SampledResponse, SampledSettings};
