//! Self-heating: the junction is warmer than its surroundings by thermal resistance times power.
//!
//! Use: a solver that knows the mean power of a diode asks [`SchottkyParameters::self_heated_temperature_k`]
//! for the next temperature, builds the junction there and repeats. The rounds contract by the
//! factor `Rth·dP/dT`, which is below 0.05 for 80 K of heating in the checks: three rounds reach
//! 0.02 K there, and [`SchottkyParameters::heat_balance_k`] does them. A factor of one or more is thermal runaway, and an error.
//! Valid when the thermal time constant is long against the longest period in the signal, tone
//! spacing included: 1 µs averages spacings above 160 kHz (see [`thermal_corner_hz`]).

use crate::temperature::TEMP_MAX_K;
use crate::{Device, DiodeError, Junction, SchottkyParameters};

/// Rounds of the heat balance; a contraction of one half needs 40 for [`STEP_K`].
const ROUNDS_MAX: usize = 100;
/// Change of temperature at which the balance stands, kelvin: far below any thermal resistance known.
const STEP_K: f64 = 1e-9;

/// A dc operating point with self-heating.
#[derive(Debug, Clone, PartialEq)]
pub struct OperatingPoint {
    /// Junction temperature, kelvin.
    pub temp_k: f64,
    /// Terminal current, ampere.
    pub current_a: f64,
    /// Junction voltage, volt.
    pub junction_v: f64,
}

/// Frequency below which the temperature follows the signal, `1/(2πτ)`, hertz.
pub fn thermal_corner_hz(time_constant_s: f64) -> f64 {
    1.0 / (std::f64::consts::TAU * time_constant_s)
}

impl SchottkyParameters {
    /// Junction temperature for a mean dissipated power, kelvin; `ambient_k` without a thermal resistance.
    pub fn self_heated_temperature_k(&self, ambient_k: f64, power_w: f64) -> f64 {
        ambient_k + self.thermal_resistance_k_per_w.unwrap_or(0.0) * power_w
    }

    /// Junction temperature at which heating and cooling balance, kelvin.
    ///
    /// `power_w` gives the mean power the diode dissipates with this junction, series resistance
    /// included, and may run a whole solver. Its errors are passed on.
    ///
    /// # Errors
    /// [`DiodeError::ThermalRunaway`] when the rounds do not settle below [`TEMP_MAX_K`].
    pub fn heat_balance_k<E: From<DiodeError>>(
        &self,
        ambient_k: f64,
        mut power_w: impl FnMut(&Junction) -> Result<f64, E>,
    ) -> Result<f64, E> {
        let mut temp_k = ambient_k;
        let mut power = 0.0;
        for _ in 0..ROUNDS_MAX {
            power = power_w(&self.at_temperature(temp_k)?)?;
            let next = self.self_heated_temperature_k(ambient_k, power);
            if (next - temp_k).abs() <= STEP_K {
                return Ok(next);
            }
            if next > TEMP_MAX_K || next.is_nan() {
                break;
            }
            temp_k = next;
        }
        Err(DiodeError::ThermalRunaway { ambient_k, temp_k, power_w: power }.into())
    }

    /// Operating point at a dc terminal voltage, with self-heating.
    ///
    /// # Errors
    /// Parameters out of range, or thermal runaway.
    pub fn dc_operating_point(&self, voltage_v: f64, ambient_k: f64) -> Result<OperatingPoint, DiodeError> {
        let solve = |junction: &Junction| {
            let junction_v = junction.voltage_of_wave(voltage_v, self.rs_ohm, 0.0);
            (junction_v, junction.at(junction_v).current_a)
        };
        let power = |junction: &Junction| Ok::<f64, DiodeError>(voltage_v * solve(junction).1);
        let temp_k = self.heat_balance_k(ambient_k, power)?;
        let (junction_v, current_a) = solve(&self.at_temperature(temp_k)?);
        Ok(OperatingPoint { temp_k, current_a, junction_v })
    }
}
