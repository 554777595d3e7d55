//! The design file, the stages of a review and their order, files written and read.
//!
//! This is the only crate below the doors that opens files.

pub mod demo;
pub mod design;
