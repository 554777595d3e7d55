//! Temperature laws of a Schottky junction, and self-heating.
//!
//! `IS(T) = IS(Tn)·(T/Tn)^(XTI/n)·exp(EG/(n·k)·(1/Tn − 1/T))`; for a Schottky junction `EG` is the
//! barrier height (0.3 to 0.9 eV), not the band gap, and `XTI = 2`.
//! With `n = 1` this is the thermionic law `A·A*·T²·exp(−φ/kT)`.
//! Two forms are in use and differ for `n ≠ 1`: see [`SaturationLaw`].
//! Source: standard junction model, exponent form (memory); thermionic law: Sze, "Physics of
//! Semiconductor Devices" (memory).

use crate::{DiodeError, SchottkyParameters};
use quantity::constants::thermal_voltage_v;

/// Lowest junction temperature accepted, kelvin; freeze-out and tunnelling rule below.
pub const TEMP_MIN_K: f64 = 20.0;
/// Highest junction temperature accepted, kelvin; contacts do not survive above.
pub const TEMP_MAX_K: f64 = 800.0;

/// Form of the temperature law of the saturation current.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SaturationLaw {
    /// Exponents `XTI/n` and `EG/(n·Vt)`: the common convention, and the default.
    #[default]
    DividedByIdeality,
    /// Exponents `XTI` and `EG/Vt`: the thermionic form whatever `n` is.
    Thermionic,
}

/// Temperature law of built-in voltage and zero-bias capacitance.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum DepletionLaw {
    /// `VJ` and `CJ0` do not change. The default, because the usual law was written for p-n
    /// junctions and fits a Schottky contact only by accident; its effect is +0.3 % of `C` per 10 K.
    #[default]
    Fixed,
    /// `VJ(T) = VJ·T/Tn − 3·Vt·ln(T/Tn) − EG·T/Tn + EG` and
    /// `C(T) = C·(1 + M·(4e-4·(T − Tn) + 1 − VJ(T)/VJ))`, the p-n law with a constant gap (memory).
    ConstantGap {
        /// Gap voltage of this law, electronvolt.
        gap_ev: f64,
    },
}

/// Refuses temperatures outside [`TEMP_MIN_K`] to [`TEMP_MAX_K`].
pub(crate) fn check_temperature(temp_k: f64) -> Result<(), DiodeError> {
    if (TEMP_MIN_K..=TEMP_MAX_K).contains(&temp_k) {
        return Ok(());
    }
    Err(DiodeError::Temperature { min: TEMP_MIN_K, max: TEMP_MAX_K, found: temp_k })
}

/// Saturation current at `temp_k`, ampere.
pub(crate) fn saturation_current_a(p: &SchottkyParameters, temp_k: f64) -> f64 {
    let n = match p.saturation_law {
        SaturationLaw::DividedByIdeality => p.n,
        SaturationLaw::Thermionic => 1.0,
    };
    let ratio = temp_k / p.temp_nominal_k;
    let barrier = p.barrier_ev / thermal_voltage_v(temp_k) * (ratio - 1.0);
    p.is_a * ((p.xti * ratio.ln() + barrier) / n).exp()
}

/// Zero-bias capacitance (farad) and built-in voltage (volt) at `temp_k`.
pub(crate) fn depletion_at(p: &SchottkyParameters, temp_k: f64) -> (f64, f64) {
    let DepletionLaw::ConstantGap { gap_ev } = p.depletion_law else {
        return (p.cj0_f, p.vj_v);
    };
    let ratio = temp_k / p.temp_nominal_k;
    let vj = p.vj_v * ratio - 3.0 * thermal_voltage_v(temp_k) * ratio.ln() + gap_ev * (1.0 - ratio);
    let c = p.cj0_f * (1.0 + p.m * (4e-4 * (temp_k - p.temp_nominal_k) + 1.0 - vj / p.vj_v));
    (c, vj)
}

/// Saturation current of an ideal barrier `A·A*·T²·exp(−φ/Vt)`, ampere.
///
/// Area in square metre, Richardson constant in A m⁻² K⁻² (1 A cm⁻² K⁻² is 1e4 of these).
/// Handbook constants (GaAs 8.2, Si 112 A cm⁻² K⁻²) are off by up to thirty times for real contacts,
/// worth 90 mV of barrier: extract both together, see [`crate::extract::richardson`].
pub fn thermionic_current_a(area_m2: f64, richardson_a_per_m2_k2: f64, barrier_ev: f64, temp_k: f64) -> f64 {
    area_m2 * richardson_a_per_m2_k2 * temp_k * temp_k * (-barrier_ev / thermal_voltage_v(temp_k)).exp()
}
