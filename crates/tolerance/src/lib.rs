//! Process variables at lot, wafer, tile and diode level: sampling, spread, yield.
//!
//! Input: a [`Process`] (variables with spreads, complex answers with derivatives).
//! Output: samples, quantities with their distributions, yield with intervals, contributions.
//! This crate knows variables and answers by name; it knows no physics.

mod draw;
pub mod intervals;
mod process;
mod shares;
mod spread;
mod surrogate;

pub use draw::{Draw, Sampler, Scheme, cube};
pub use process::{Correlation, Expansion, Law, Level, Process, ProcessError, Quantity, Variable};
pub use shares::Share;
pub use spread::{CORNER_SD, Over, Requirement, RequirementSpread, Spread, SpreadSettings, WorstCase, spread};
pub use surrogate::{Check, Surrogate};
