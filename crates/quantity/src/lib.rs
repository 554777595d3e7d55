//! Physical quantities with units at the edges, constants, and remarks that travel with results.
//!
//! Inside the program every number is SI; these types read and print text such as `"28 GHz"`.
//! A text without a unit is refused, not guessed.

pub mod constants;
mod finding;

pub use finding::{Checked, Finding, Severity};
