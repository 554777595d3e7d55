//! What lies between junction and network: series resistance, finger and pads.
//!
//! Circuit: the pad capacitance bridges the two terminals; inside it, in series, lie the finger
//! inductance, the series resistance and the junction.
//! Parasitics do not depend on the junction and must be counted once: either here or in the field
//! data of the network, never in both; [`Access::check_against_field`] says when that goes wrong.
//! The series resistance always belongs to the diode.

use crate::DiodeError;
use numerics::Complex64;
use quantity::Finding;
use quantity::constants::{VACUUM_PERMEABILITY_H_PER_M, thermal_voltage_v};
use std::f64::consts::{PI, TAU};

/// Who accounts for pad capacitance and finger inductance.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ParasiticsIn {
    /// The diode: the network ends at bare pads without the diode's metal.
    Diode,
    /// The field data: pads and finger were drawn, computed or measured with the network.
    Field,
}

/// Spreading of the current in the skin layer of a thick buffer, from anode to contact ring.
///
/// `Z = (1 + j)·ρ/(2πδ)·ln(b/a)`, `δ = sqrt(ρ/(π·f·μ0))`.
/// Source: Dickens, 1967, form of the skin term (memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkinSpreading {
    /// Resistivity of the buffer, ohm metre.
    pub resistivity_ohm_m: f64,
    /// Anode radius, metre.
    pub anode_radius_m: f64,
    /// Inner radius of the contact ring, metre.
    pub ring_radius_m: f64,
}

impl SkinSpreading {
    pub(crate) fn validate(&self) -> Result<(), DiodeError> {
        let positive = |name, found: f64| {
            if found > 0.0 && found.is_finite() {
                return Ok(());
            }
            let hint = "lengths in metre, resistivity in ohm metre (1e-5 is 1e-3 ohm cm)";
            Err(DiodeError::Parameter { name, expected: "a positive number", found, hint })
        };
        positive("resistivity_ohm_m", self.resistivity_ohm_m)?;
        positive("anode_radius_m", self.anode_radius_m)?;
        positive("ring_radius_m", self.ring_radius_m)?;
        if self.ring_radius_m > self.anode_radius_m {
            return Ok(());
        }
        Err(DiodeError::Parameter {
            name: "ring_radius_m",
            expected: "more than anode_radius_m",
            found: self.ring_radius_m,
            hint: "the ring lies around the anode",
        })
    }

    /// Skin depth at `freq_hz`, metre.
    pub fn skin_depth_m(&self, freq_hz: f64) -> f64 {
        (self.resistivity_ohm_m / (PI * freq_hz * VACUUM_PERMEABILITY_H_PER_M)).sqrt()
    }

    /// Series impedance at `freq_hz`, ohm; zero at zero frequency.
    pub fn impedance_ohm(&self, freq_hz: f64) -> Complex64 {
        if freq_hz == 0.0 {
            return Complex64::default();
        }
        let ratio = (self.ring_radius_m / self.anode_radius_m).ln();
        let r = self.resistivity_ohm_m / (TAU * self.skin_depth_m(freq_hz)) * ratio;
        Complex64::new(r, r)
    }

    /// Spreading resistance of the anode disc on a thick layer at zero frequency, `ρ/(4a)`, ohm.
    ///
    /// Part of `RS` already when `RS` was measured; for estimates only.
    pub fn dc_spreading_ohm(&self) -> f64 {
        self.resistivity_ohm_m / (4.0 * self.anode_radius_m)
    }
}

/// The linear elements of one diode around its junction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Access {
    /// Series resistance, ohm.
    pub rs_ohm: f64,
    /// Skin-effect part of the series resistance.
    pub skin: Option<SkinSpreading>,
    /// Finger inductance, henry, as stated for the diode.
    pub finger_inductance_h: f64,
    /// Pad capacitance, farad, as stated for the diode.
    pub pad_capacitance_f: f64,
    /// Who accounts for the two values above.
    pub parasitics: ParasiticsIn,
}

impl Access {
    /// Inductance to be added in series by whoever builds the circuit, henry.
    pub fn series_inductance_h(&self) -> f64 {
        if self.parasitics == ParasiticsIn::Diode { self.finger_inductance_h } else { 0.0 }
    }

    /// Capacitance to be added across the terminals by whoever builds the circuit, farad.
    pub fn shunt_capacitance_f(&self) -> f64 {
        if self.parasitics == ParasiticsIn::Diode { self.pad_capacitance_f } else { 0.0 }
    }

    /// Impedance in series with the junction at `freq_hz`, ohm.
    pub fn series_impedance_ohm(&self, freq_hz: f64) -> Complex64 {
        let skin = self.skin.map_or(Complex64::default(), |s| s.impedance_ohm(freq_hz));
        skin + Complex64::new(self.rs_ohm, TAU * freq_hz * self.series_inductance_h())
    }

    /// Admittance across the terminals at `freq_hz`, siemens.
    pub fn shunt_admittance_s(&self, freq_hz: f64) -> Complex64 {
        Complex64::new(0.0, TAU * freq_hz * self.shunt_capacitance_f())
    }

    /// One-sided thermal noise voltage of the series part at `freq_hz`, `4kT·Re Z`, V²/Hz.
    pub fn thermal_noise_v2_per_hz(&self, freq_hz: f64, temp_k: f64) -> f64 {
        let kt = thermal_voltage_v(temp_k) * quantity::constants::ELEMENTARY_CHARGE_C;
        4.0 * kt * self.series_impedance_ohm(freq_hz).re
    }

    /// Compares with what the field data say about themselves; `place` names the diode.
    ///
    /// `field_contains_pads` is `None` when the data do not say.
    pub fn check_against_field(&self, field_contains_pads: Option<bool>, place: &str) -> Vec<Finding> {
        let stated = self.finger_inductance_h > 0.0 || self.pad_capacitance_f > 0.0;
        let values = format!("{:.3} fF and {:.3} pH", self.pad_capacitance_f * 1e15, self.finger_inductance_h * 1e12);
        match (self.parasitics, field_contains_pads) {
            (ParasiticsIn::Diode, Some(true)) if stated => vec![Finding::warning(
                place,
                format!(
                    "pads and finger are counted twice: the diode adds {values} and the field data contain them too; state that the field holds the parasitics, or set both to zero"
                ),
            )],
            (ParasiticsIn::Field, Some(false)) if stated => vec![Finding::warning(
                place,
                format!(
                    "pads and finger are counted nowhere: the diode leaves {values} to the field data, which do not contain them; state that the diode holds the parasitics"
                ),
            )],
            (ParasiticsIn::Diode, None) if stated => vec![Finding::note(
                place,
                format!(
                    "the diode adds {values}; the field data do not say whether they contain pads and finger, so make sure that they end before them"
                ),
            )],
            _ => Vec::new(),
        }
    }
}

/// Power into `RS + (Rj ∥ Cj)` over power in `Rj`: `1 + RS/Rj + (ω·Cj)²·RS·Rj`.
///
/// `Cj` is the mean over the pumped cycle. Source: Torrey & Whitmer, "Crystal Rectifiers", 1948 (memory).
pub fn parasitic_loss(rs_ohm: f64, rj_ohm: f64, cj_f: f64, freq_hz: f64) -> f64 {
    let wc = TAU * freq_hz * cj_f;
    1.0 + rs_ohm / rj_ohm + wc * wc * rs_ohm * rj_ohm
}

/// Junction resistance of least parasitic loss `1/(ω·Cj)`, ohm; the loss there is `1 + 2·ω·RS·Cj`.
pub fn least_loss_resistance_ohm(cj_f: f64, freq_hz: f64) -> f64 {
    1.0 / (TAU * freq_hz * cj_f)
}
