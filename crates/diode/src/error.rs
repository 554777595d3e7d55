//! Errors of the diode crate.

/// Why there is no diode, or no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DiodeError {
    /// A parameter lies outside its range.
    #[error("diode parameter {name}: expected {expected}, found {found:e}; {hint}")]
    Parameter {
        /// Name of the parameter with its unit.
        name: &'static str,
        /// The allowed range.
        expected: &'static str,
        /// What was given.
        found: f64,
        /// What to do about it.
        hint: &'static str,
    },
    /// A temperature outside the range in which the model means anything.
    #[error("junction temperature: expected {min} K to {max} K, found {found} K; temperatures are absolute")]
    Temperature {
        /// Lowest temperature, kelvin.
        min: f64,
        /// Highest temperature, kelvin.
        max: f64,
        /// What was given, kelvin.
        found: f64,
    },
    /// Heating and cooling do not balance.
    #[error(
        "self-heating does not settle: {power_w:.3e} W at {temp_k:.1} K, with surroundings at {ambient_k:.1} K, heat the junction further; check thermal_resistance_k_per_w, or lower the drive"
    )]
    ThermalRunaway {
        /// Ambient temperature, kelvin.
        ambient_k: f64,
        /// Last junction temperature, kelvin.
        temp_k: f64,
        /// Power at that temperature, watt.
        power_w: f64,
    },
    /// Measured tables that cannot be fitted.
    #[error("{table} table: expected {expected}, found {found}; {hint}")]
    Table {
        /// Which table.
        table: &'static str,
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
        /// What to do about it.
        hint: &'static str,
    },
    /// A least-squares problem without a usable answer.
    #[error("fit of {what}: {why}")]
    Fit {
        /// What was fitted.
        what: &'static str,
        /// What went wrong and what to do.
        why: String,
    },
    /// A diode number outside the set.
    #[error("the set holds {n_diodes} diodes, numbered from 0; found diode {found}")]
    NoSuchDiode {
        /// Number of diodes in the set.
        n_diodes: usize,
        /// Number asked for.
        found: usize,
    },
}
