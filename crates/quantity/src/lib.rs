//! Physical quantities with units at the edges, constants, and remarks that travel with results.
//!
//! Inside the program every number is SI; these types read and print text such as `"28 GHz"`.
//! A text without a unit is refused, not guessed.
//!
//! ```
//! # use mixwright_quantity as quantity;
//! use quantity::Frequency;
//! let lo: Frequency = "28 GHz".parse()?;
//! assert_eq!(lo.si(), 28e9);
//! assert_eq!(lo.to_string(), "28 GHz");
//! assert!("28".parse::<Frequency>().is_err());
//! # Ok::<(), quantity::QuantityError>(())
//! ```

pub mod constants;
mod finding;
mod text;
mod units;

pub use finding::{Checked, Finding, Severity};
pub use text::{QuantityError, Scale, Unit, Words};
pub use units::{
    Angle, AttenuationPerLength, Capacitance, CapacitancePerLength, CarrierEnergy, CarrierRatio, ConductancePerLength,
    Conductivity, Current, Frequency, Inductance, InductancePerLength, Length, Level, LevelSlope, PowerRatio, Quantity,
    Ratio, Resistance, ResistancePerLength, Temperature, ThermalResistance, Time, Voltage, VoltagePerAngle,
};
