//! Passive structures by field solution: lines from cross-sections, blocks from the solution of a layout.

pub(crate) mod sections;

pub use sections::{film_capacitance_f, line_table};
