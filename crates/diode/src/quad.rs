//! Sets of nearly equal diodes: one nominal set of parameters and the deviation of each diode.
//!
//! Input: nominal parameters and one [`Deviation`] per diode; any number of diodes, four in a ring.
//! Output: the parameters and junctions of each diode.
//! A set without deviations has exactly balanced leakage, even products and dc offset of zero: real
//! quads differ, so mismatch is a parameter here, not an afterthought.
//! Statistics of matching (what leakage to expect from a spread): [`crate::matching`].

use crate::{DiodeError, Junction, SchottkyParameters};
use quantity::constants::thermal_voltage_v;

/// How one diode differs from the nominal one; all zero by default.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Deviation {
    /// Shift of the forward voltage at equal current and nominal temperature, volt.
    ///
    /// Acts on the saturation current: `IS·exp(−ΔVf/(n·Vt))`. 5 % of `IS` is 1.45 mV at `n = 1.15`, 300 K.
    pub vf_shift_v: f64,
    /// Relative change of the ideality at constant `IS`, before the shift above.
    pub n_relative: f64,
    /// Relative change of the series resistance.
    pub rs_relative: f64,
    /// Relative change of the zero-bias junction capacitance.
    pub cj_relative: f64,
    /// Relative change of the pad capacitance.
    pub pad_relative: f64,
}

impl Deviation {
    /// The nominal parameters changed by this deviation.
    pub fn apply(&self, nominal: &SchottkyParameters) -> SchottkyParameters {
        let n = nominal.n * (1.0 + self.n_relative);
        SchottkyParameters {
            n,
            is_a: nominal.is_a * (-self.vf_shift_v / (n * thermal_voltage_v(nominal.temp_nominal_k))).exp(),
            rs_ohm: nominal.rs_ohm * (1.0 + self.rs_relative),
            cj0_f: nominal.cj0_f * (1.0 + self.cj_relative),
            pad_capacitance_f: nominal.pad_capacitance_f * (1.0 + self.pad_relative),
            ..nominal.clone()
        }
    }
}

/// A set of diodes that share one nominal set of parameters.
#[derive(Debug, Clone, PartialEq)]
pub struct Quad {
    nominal: SchottkyParameters,
    deviations: Vec<Deviation>,
}

impl Quad {
    /// A set with one deviation per diode.
    ///
    /// # Errors
    /// A nominal or changed parameter out of its range.
    pub fn new(nominal: SchottkyParameters, deviations: Vec<Deviation>) -> Result<Self, DiodeError> {
        nominal.validate()?;
        deviations.iter().try_for_each(|d| d.apply(&nominal).validate())?;
        Ok(Self { nominal, deviations })
    }

    /// `n_diodes` equal diodes.
    ///
    /// # Errors
    /// A parameter out of its range.
    pub fn matched(nominal: SchottkyParameters, n_diodes: usize) -> Result<Self, DiodeError> {
        Self::new(nominal, vec![Deviation::default(); n_diodes])
    }

    /// Number of diodes.
    pub fn n_diodes(&self) -> usize {
        self.deviations.len()
    }

    /// The nominal parameters.
    pub fn nominal(&self) -> &SchottkyParameters {
        &self.nominal
    }

    /// The deviations, in the order of the diodes.
    pub fn deviations(&self) -> &[Deviation] {
        &self.deviations
    }

    /// Parameters of one diode, counted from zero.
    ///
    /// # Errors
    /// No diode of this number.
    pub fn diode(&self, diode_idx: usize) -> Result<SchottkyParameters, DiodeError> {
        let missing = DiodeError::NoSuchDiode { n_diodes: self.n_diodes(), found: diode_idx };
        Ok(self.deviations.get(diode_idx).ok_or(missing)?.apply(&self.nominal))
    }

    /// Parameters of all diodes, in order.
    pub fn diodes(&self) -> Vec<SchottkyParameters> {
        self.deviations.iter().map(|d| d.apply(&self.nominal)).collect()
    }

    /// Junctions of all diodes at one temperature, kelvin.
    ///
    /// # Errors
    /// The temperature out of range.
    pub fn junctions(&self, temp_k: f64) -> Result<Vec<Junction>, DiodeError> {
        self.deviations.iter().map(|d| d.apply(&self.nominal).at_temperature(temp_k)).collect()
    }
}
