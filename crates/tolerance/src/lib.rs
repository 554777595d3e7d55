//! Process variables at lot, wafer, tile and diode level: sampling, spread, yield.
//!
//! Input: a [`Process`] (variables with spreads, complex answers with derivatives).
//! Output: samples, quantities with their distributions, yield with intervals, contributions.
//! This crate knows variables and answers by name; it knows no physics.

mod process;

pub use process::{Correlation, Expansion, Law, Level, Process, ProcessError, Quantity, Variable};
