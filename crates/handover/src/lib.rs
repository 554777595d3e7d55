//! The three-port nonlinear model a customer can run, and its surroundings.
//!
//! Input: a mixer with the parameters of its diodes, or a package. Output: a [`Model`] that gives the mixer's numbers
//! with any terminations, and says where it holds.
//! This crate has never heard of a layout or a stackup, opens no files and reads no clock.

pub mod chain;
mod challenge;
pub mod container;
mod error;
pub mod export;
mod file;
pub mod filter;
pub mod intervals;
pub mod mobius;
mod model;
pub mod point;
pub mod provenance;
mod region;
pub mod seal;
pub mod study;
pub mod surround;
mod table;

pub use challenge::challenge;
pub use container::{Opened, open, pack};
pub use error::HandoverError;
pub use model::{Challenge, DEEPEST_ORDERS, Model, ModelDiode, ModelPlan, PORTS, Reference, Terms};
pub use region::{OutsidePolicy, Region, Span};
pub use surround::{Surrounded, Surroundings};
pub use table::{Piece, Table, TableParts, TableQuality, TableSettings, piece_points_hz};
