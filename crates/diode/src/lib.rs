//! Schottky diode models: what current and charge does a junction give, with which noise, at which
//! temperature, and how well do measured tables determine it?
//!
//! Use it for: parameters of a diode ([`SchottkyParameters`]), the junction at one temperature
//! ([`Junction`], through the trait [`Device`]), the linear elements around it ([`Access`]), sets of
//! nearly equal diodes ([`Quad`]), extraction from I-V and C-V tables ([`extract`]).
//! Not for: networks, tones or files; a solver sees junctions only through [`Device`].
//! Conventions: SI units, anode positive, junction temperature in kelvin.
//!
//! ```
//! use mixwright_diode::{Device, SchottkyParameters};
//!
//! let parameters = SchottkyParameters { is_a: 5e-14, n: 1.2, rs_ohm: 4.0, ..Default::default() };
//! let junction = parameters.at_temperature(300.0)?;
//! // 1 V across diode and series resistance: the wave equation with r = RS.
//! let junction_v = junction.voltage_of_wave(1.0, parameters.rs_ohm, 0.0);
//! let current_a = junction.at(junction_v).current_a;
//! assert!((current_a - 37.861579301722e-3).abs() < 1e-12); // Lambert W with 40 digits
//! # Ok::<(), mixwright_diode::DiodeError>(())
//! ```

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
