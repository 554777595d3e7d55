//! The design file, the stages of a review and their order, files written and read.
//!
//! Use it for: reading a design, reviewing it, writing what came out. Not for: formulas; they live in the crates
//! below. This is the only crate below the doors that opens files.

pub mod build;
pub mod cache;
pub mod chain;
pub mod datasheet;
pub mod demo;
pub mod design;
mod error;
pub mod explain;
pub mod export;
pub mod field;
pub mod files;
pub mod fit;
mod heat;
pub mod intervals;
pub mod ledger;
pub mod lot;
pub mod network_file;
pub mod package;
pub mod problems;
pub mod process;
pub mod review;
pub mod seal;
pub mod spread;
pub mod story;
pub mod surround;
pub mod sweep;
mod templates;
pub mod terminations;

pub use ::datasheet as sheet;
pub use error::{ErrorKind, NetworkFileError, ProjectError};
pub use numerics::{Cancelled, Quiet, Watch, parallel::set_threads};
pub use {diode, handover, lines, mixer, network, numerics, report, spec};
