//! Passive structures by field solution: lines from cross-sections, blocks from the solution of a layout.

pub(crate) mod bands;
pub mod compare;
pub mod current;
pub mod draw;
pub mod kept;
pub mod low;
mod numbers;
pub mod page;
pub(crate) mod sections;
pub mod solution;
pub mod synthesis;
mod told;

pub use sections::{film_capacitance_f, line_table};
