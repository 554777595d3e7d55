//! Constants with their sources.

/// Elementary charge, coulomb. Source: SI definition 2019 (exact), CODATA 2018.
pub const ELEMENTARY_CHARGE_C: f64 = 1.602_176_634e-19;
/// Boltzmann constant, joule per kelvin. Source: SI definition 2019 (exact), CODATA 2018.
pub const BOLTZMANN_J_PER_K: f64 = 1.380_649e-23;
/// Speed of light in vacuum, metre per second. Source: SI definition (exact).
pub const LIGHT_SPEED_M_PER_S: f64 = 299_792_458.0;
/// Vacuum permeability, henry per metre. Source: CODATA 2018.
pub const VACUUM_PERMEABILITY_H_PER_M: f64 = 1.256_637_062_12e-6;
/// Vacuum permittivity, farad per metre. Source: CODATA 2018.
pub const VACUUM_PERMITTIVITY_F_PER_M: f64 = 8.854_187_812_8e-12;
/// Reference noise temperature, kelvin. Source: IEEE noise-figure definition, as quoted in ITU-R SM.331.
pub const NOISE_REFERENCE_K: f64 = 290.0;

/// Thermal voltage `kT/q`, volt.
pub fn thermal_voltage_v(temp_k: f64) -> f64 {
    BOLTZMANN_J_PER_K * temp_k / ELEMENTARY_CHARGE_C
}
