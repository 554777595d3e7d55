//! Check values with their sources, and slow control methods. A dev-dependency only.
//!
//! This crate speaks plain numbers and slices and imports none of the crates it checks, so that a
//! control cannot share a mistake with the method it controls.

mod check;
pub mod circuit;
pub mod collocation;
pub mod ring;
pub mod steady;
pub mod theory;
pub mod validation;

pub use check::{CheckValue, Origin};
pub use steady::{Case, Expected, Point, steady_case, steady_cases};
