//! Schottky diode models: what current and charge does a junction give, with which noise, at which
//! temperature, and how well do measured tables determine it?
//!
//! Use it for: parameters of a diode ([`SchottkyParameters`]), the junction at one temperature
//! ([`Junction`], through the trait [`Device`]), the linear elements around it ([`Access`]), sets of
//! nearly equal diodes ([`Quad`]), extraction from I-V and C-V tables ([`extract`]).
//! Not for: networks, tones or files; a solver sees junctions only through [`Device`].
//! Conventions: SI units, anode positive, junction temperature in kelvin.

pub mod access;
mod depletion;
pub mod device;
mod error;
mod exponential;
pub mod extract;
pub mod heating;
pub mod junction;
pub mod matching;
pub mod quad;
pub mod schottky;
pub mod temperature;

pub use access::{Access, ParasiticsIn, SkinSpreading};
pub use device::{Device, JunctionPoint};
pub use error::DiodeError;
pub use heating::OperatingPoint;
pub use junction::Junction;
pub use quad::{Deviation, Quad};
pub use schottky::{Breakdown, SchottkyParameters};
pub use temperature::{DepletionLaw, SaturationLaw};
