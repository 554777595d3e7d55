//! Parameters of a Schottky diode at its nominal temperature.
//!
//! Input: SPICE-style parameters in SI units. Output: a [`Junction`] at any temperature, and the
//! linear [`Access`] around it.
//! Conventions: anode positive; every parameter holds at `temp_nominal_k`.
//! Not here: measured tables (see [`crate::extract`]), spread within a quad (see [`crate::quad`]).

use crate::access::{Access, ParasiticsIn, SkinSpreading};
use crate::depletion::Depletion;
use crate::exponential::Exponential;
use crate::temperature::{self, DepletionLaw, SaturationLaw};
use crate::{DiodeError, Junction};
use quantity::constants::thermal_voltage_v;

/// Reverse breakdown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Breakdown {
    /// Breakdown voltage `BV`, volt, positive.
    pub bv_v: f64,
    /// Current at the breakdown voltage `IBV`, ampere, positive.
    pub ibv_a: f64,
    /// Ideality of the breakdown exponential `NBV`.
    pub nbv: f64,
}

/// A Schottky diode. Start from [`SchottkyParameters::default`], an ideal diode without capacitance.
#[derive(Debug, Clone, PartialEq)]
pub struct SchottkyParameters {
    /// Saturation current `IS`, ampere. Zero makes a pure varactor.
    pub is_a: f64,
    /// Ideality factor `N`.
    pub n: f64,
    /// Series resistance `RS`, ohm.
    pub rs_ohm: f64,
    /// Zero-bias junction capacitance `CJ0`, farad.
    pub cj0_f: f64,
    /// Built-in voltage `VJ`, volt.
    pub vj_v: f64,
    /// Grading exponent `M`; 0.5 for uniform doping.
    pub m: f64,
    /// Start of the forward tangent of the capacitance as a part of `VJ`, below 1.
    pub fc: f64,
    /// Transit time `TT`, second; adds `TT·i` of charge. Zero for a Schottky diode in forward use.
    pub tt_s: f64,
    /// Reverse breakdown; `None` leaves it out.
    pub breakdown: Option<Breakdown>,
    /// Temperature at which the parameters hold, kelvin.
    pub temp_nominal_k: f64,
    /// Barrier height for the temperature law, electronvolt.
    pub barrier_ev: f64,
    /// Temperature exponent of the saturation current `XTI`; 2 for thermionic emission.
    pub xti: f64,
    /// Which form of the saturation law is meant.
    pub saturation_law: SaturationLaw,
    /// Temperature law of the capacitance.
    pub depletion_law: DepletionLaw,
    /// Capacitance from pad to pad, farad.
    pub pad_capacitance_f: f64,
    /// Inductance of the finger, henry.
    pub finger_inductance_h: f64,
    /// Skin-effect part of the series resistance; `None` leaves `RS` the same at all frequencies.
    pub skin: Option<SkinSpreading>,
    /// Thermal resistance from junction to surroundings, kelvin per watt; `None` for no self-heating.
    pub thermal_resistance_k_per_w: Option<f64>,
}

impl Default for SchottkyParameters {
    /// Ideal exponential diode: 0.1 pA, `n = 1`, no resistance, no capacitance, 300 K, 0.75 eV.
    fn default() -> Self {
        Self {
            is_a: 1e-13,
            n: 1.0,
            rs_ohm: 0.0,
            cj0_f: 0.0,
            vj_v: 0.75,
            m: 0.5,
            fc: 0.5,
            tt_s: 0.0,
            breakdown: None,
            temp_nominal_k: 300.0,
            barrier_ev: 0.75,
            xti: 2.0,
            saturation_law: SaturationLaw::default(),
            depletion_law: DepletionLaw::default(),
            pad_capacitance_f: 0.0,
            finger_inductance_h: 0.0,
            skin: None,
            thermal_resistance_k_per_w: None,
        }
    }
}

/// Allowed range of a parameter; the bounds stop slips of unit, not unusual diodes.
struct Range {
    name: &'static str,
    min: f64,
    max: f64,
    expected: &'static str,
    hint: &'static str,
}

const fn range(name: &'static str, min: f64, max: f64, expected: &'static str, hint: &'static str) -> Range {
    Range { name, min, max, expected, hint }
}

impl Range {
    fn check(&self, found: f64) -> Result<(), DiodeError> {
        if found >= self.min && found <= self.max {
            return Ok(());
        }
        Err(DiodeError::Parameter { name: self.name, expected: self.expected, found, hint: self.hint })
    }
}

const IS: Range = range("is_a", 0.0, 1.0, "0 A to 1 A", "it is a current in ampere, 1e-18 to 1e-4 in practice");
const N: Range = range("n", 0.5, 10.0, "0.5 to 10", "the ideality of a good contact is 1.02 to 1.3");
const RS: Range = range("rs_ohm", 0.0, 1e6, "0 ohm to 1e6 ohm", "a resistance cannot be negative");
const CJ0: Range = range("cj0_f", 0.0, 1e-6, "0 F to 1e-6 F", "it is a capacitance in farad, some 1e-14 in practice");
const VJ: Range = range("vj_v", 0.01, 10.0, "0.01 V to 10 V", "the built-in voltage is 0.3 V to 0.9 V in practice");
const M: Range = range("m", 0.0, 5.0, "0 to 5", "uniform doping has 0.5");
const FC: Range = range(
    "fc",
    0.0,
    0.999,
    "0 to 0.999",
    "the power law is infinite at FC = 1; choose 0.5 to 0.95, it is a part of VJ",
);
const TT: Range = range("tt_s", 0.0, 1e-3, "0 s to 1e-3 s", "a time in second, zero for most Schottky diodes");
const BARRIER: Range = range("barrier_ev", 0.0, 5.0, "0 eV to 5 eV", "barrier height in electronvolt, 0.3 to 0.9");
const XTI: Range = range("xti", -20.0, 20.0, "-20 to 20", "a Schottky junction has 2");
const PAD: Range = range("pad_capacitance_f", 0.0, 1e-6, "0 F to 1e-6 F", "a capacitance in farad, some 1e-15");
const FINGER: Range = range("finger_inductance_h", 0.0, 1e-3, "0 H to 1e-3 H", "an inductance in henry, some 1e-11");
const HEAT: Range = range(
    "thermal_resistance_k_per_w",
    0.0,
    1e7,
    "0 K/W to 1e7 K/W",
    "kelvin per watt, some thousand for a small anode",
);
const BV: Range = range("bv_v", 0.1, 1e4, "0.1 V to 1e4 V", "a positive number: the size of the reverse voltage");
const IBV: Range = range("ibv_a", 1e-15, 1e3, "1e-15 A to 1e3 A", "a positive number; leave breakdown out for none");
const NBV: Range = range("nbv", 0.1, 1e3, "0.1 to 1e3", "1 is usual");
const GAP: Range = range("gap_ev", 0.0, 5.0, "0 eV to 5 eV", "the gap in electronvolt");

impl SchottkyParameters {
    /// Refuses parameters outside their range, naming the first one.
    pub fn validate(&self) -> Result<(), DiodeError> {
        temperature::check_temperature(self.temp_nominal_k)?;
        IS.check(self.is_a)?;
        N.check(self.n)?;
        RS.check(self.rs_ohm)?;
        CJ0.check(self.cj0_f)?;
        VJ.check(self.vj_v)?;
        M.check(self.m)?;
        FC.check(self.fc)?;
        TT.check(self.tt_s)?;
        BARRIER.check(self.barrier_ev)?;
        XTI.check(self.xti)?;
        PAD.check(self.pad_capacitance_f)?;
        FINGER.check(self.finger_inductance_h)?;
        self.thermal_resistance_k_per_w.map_or(Ok(()), |r| HEAT.check(r))?;
        if let DepletionLaw::ConstantGap { gap_ev } = self.depletion_law {
            GAP.check(gap_ev)?;
        }
        if let Some(b) = &self.breakdown {
            BV.check(b.bv_v)?;
            IBV.check(b.ibv_a)?;
            NBV.check(b.nbv)?;
        }
        self.skin.as_ref().map_or(Ok(()), SkinSpreading::validate)
    }

    /// The junction at `temp_k`, kelvin.
    ///
    /// # Errors
    /// A parameter or the temperature outside its range, also after the temperature law.
    pub fn at_temperature(&self, temp_k: f64) -> Result<Junction, DiodeError> {
        self.validate()?;
        temperature::check_temperature(temp_k)?;
        let vt = thermal_voltage_v(temp_k);
        let is_a = self.saturation_current_a(temp_k);
        IS.check(is_a)?;
        let (c0_f, vj_v) = temperature::depletion_at(self, temp_k);
        CJ0.check(c0_f)?;
        VJ.check(vj_v)?;
        Ok(Junction {
            temp_k,
            forward: Exponential::new(is_a, self.n * vt, 0.0),
            breakdown: self.breakdown.map(|b| Exponential::new(b.ibv_a, b.nbv * vt, b.bv_v)),
            depletion: Depletion::new(c0_f, vj_v, self.m, self.fc),
            transit_s: self.tt_s,
        })
    }

    /// Saturation current at `temp_k`, ampere, by the chosen law.
    pub fn saturation_current_a(&self, temp_k: f64) -> f64 {
        temperature::saturation_current_a(self, temp_k)
    }

    /// The linear elements around the junction, with the parasitics where `parasitics` says.
    pub fn access(&self, parasitics: ParasiticsIn) -> Access {
        Access {
            rs_ohm: self.rs_ohm,
            skin: self.skin,
            finger_inductance_h: self.finger_inductance_h,
            pad_capacitance_f: self.pad_capacitance_f,
            parasitics,
        }
    }

    /// Cut-off frequency `1/(2π·RS·CJ0)`, hertz; infinite without resistance or capacitance.
    pub fn cutoff_hz(&self) -> f64 {
        1.0 / (std::f64::consts::TAU * self.rs_ohm * self.cj0_f)
    }

    /// Terminal voltage at the forward current `current_a` and `temp_k`, series resistance included, volt.
    pub fn forward_voltage_v(&self, current_a: f64, temp_k: f64) -> f64 {
        let scale = self.n * thermal_voltage_v(temp_k);
        scale * (current_a / self.saturation_current_a(temp_k)).ln_1p() + current_a * self.rs_ohm
    }
}
