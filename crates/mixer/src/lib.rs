//! A passive network with diodes becomes a mixer: its datasheet numbers and its design review.
//!
//! Input: a [`Mixer`] (embedding, junctions, port roles) and a [`Plan`] (frequencies, levels,
//! requirements). Output: a [`spec::Review`] in which every number carries its conditions and
//! its quality.
//! This crate cannot tell whether the network was computed, measured or ideal.
//!
//! # Definitions
//! Wanted product: `|f_RF − f_LO|`; with the RF below the LO it is `1·LO − 1·RF`.
//! Conversion loss is available input power over delivered output power in one sideband.
//! Isolation and return loss are taken with the LO on. A product `m×n` has order `m` in the RF and
//! `n` in the LO; its level is relative to the wanted product at the same port.

mod believe;
mod heat;
mod mixer;
mod observe;
mod plan;
mod point;
mod review;
mod runs;

pub use mixer::{Alternative, Mixer, MixerError, Ports};
pub use observe::{Derived, Observed, Observer};
pub use plan::{Direction, Plan, Tolerances};
pub use point::{Anchor, LoState};
pub use review::review;
