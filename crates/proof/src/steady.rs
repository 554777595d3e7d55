//! Steady states of pumped diode circuits, each solved beforehand by two independent methods.
//!
//! Input: the files under `data/steady/`, built into the crate. Output: [`Case`]s, with the circuit
//! of every point complete (levels, frequencies and parameter changes already applied).
//!
//! Origin of the numbers: [`ORIGIN`]. The first method is a whole-period Radau IIA collocation of the
//! state equations (order 13, adaptive mesh, no Fourier series in the solution); the second a Newton
//! iteration on 128 to 192 LO harmonics with its own circuit equations and diode functions. Every
//! value is printed only as far as the two agree; `diff` is their distance.
//!
//! Conventions (see also [`crate::circuit`]):
//! - product `(m, n)` lies at `m f_LO + n f_RF`; a negative frequency is listed at its magnitude with
//!   the phase of the positive-frequency phasor. Note the order: LO first.
//! - conversion gain = power out of port 3 at the wanted product minus available RF power, dB (negative
//!   for loss); isolation and return loss are positive dB, measured with all tones on.
//! - `dBc` is relative to the wanted product at port 3, both as power into its resistance.
//! - small signal: `b = S a`, sideband `k` at `f_IF + k f_LO` (negative frequency: the phasor of
//!   `exp(+j 2 pi f t)`), RF = +1, image = -1, IF = 0, LO phase 0.
//! - noise: V²/Hz, one-sided, across the IF load at `f_IF`; shot noise of each junction, RS at 300 K,
//!   every port resistor at 290 K at all sidebands.

mod read;
mod reading;

use crate::Origin;
use crate::circuit::Element;
use std::collections::BTreeMap;

pub use reading::{Allowance, DiodePhasor, Found, PortPhasor, check_point, readings, spur_levels};

/// Where the expected numbers of the cases come from.
pub const ORIGIN: Origin = Origin::Derived {
    how: "two independent methods, periodic Radau collocation in time and frequency-domain Newton, \
          printed as far as they agree",
};

/// An expected number of a case.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Expected {
    /// A real number, rounded to what both methods agree on.
    Value {
        /// The number.
        value: f64,
        /// Half a unit of its last stated digit, in its own unit.
        rounding: f64,
        /// Distance of the two methods.
        diff: f64,
    },
    /// A complex number.
    Phasor {
        /// Magnitude (peak).
        mag: f64,
        /// Phase, degree.
        phase_deg: f64,
        /// Half a unit of the last stated digit of the magnitude.
        rounding: f64,
        /// Distance of the two methods.
        diff: f64,
    },
    /// Zero by symmetry, stated in dB of suppression: must be above this.
    Above(f64),
    /// Zero by symmetry: the magnitude (or the level in dB) must be below this.
    Below(f64),
    /// The two methods do not agree usefully here: not to be tested.
    Unsettled,
}

/// One row of a spur table at port 3.
#[derive(Debug, Clone, PartialEq)]
pub struct Spur {
    /// Multiple of the LO.
    pub m: i32,
    /// Multiple of the RF.
    pub n: i32,
    /// Magnitude of `m f_LO + n f_RF`, Hz (rounded as printed).
    pub f_hz: f64,
    /// Level relative to the wanted product, dB: [`Expected::Value`] or [`Expected::Below`].
    pub dbc: Expected,
    /// Level without the neighbour that shares the bin on the commensurate grid, where it matters.
    /// Compare a multi-tone method with this one, a one-dimensional grid with `dbc`.
    pub quasi_periodic_dbc: Option<f64>,
    /// A null of the circuit whose bin is filled by such a neighbour only: the level found there, dBc.
    pub shared_bin_dbc: Option<f64>,
    /// Phase of the voltage phasor at port 3, degree (from the first method alone).
    pub phase_deg: Option<f64>,
}

impl Spur {
    /// The level a method with independent tones should find.
    pub fn independent_dbc(&self) -> Expected {
        match (self.quasi_periodic_dbc, self.dbc) {
            (Some(value), Expected::Value { diff, .. }) => Expected::Value { value, rounding: 1e-4, diff },
            _ => self.dbc,
        }
    }
}

/// One entry of the small-signal matrix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScatteringEntry {
    /// Port the wave leaves by.
    pub port_out: usize,
    /// Its sideband.
    pub k_out: i32,
    /// Port the wave enters by.
    pub port_in: usize,
    /// Its sideband.
    pub k_in: i32,
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
    /// Distance of the two methods.
    pub diff: f64,
}

/// Noise of one reading of the shot noise.
#[derive(Debug, Clone, PartialEq)]
pub struct Noise {
    /// `2qI`, `2q(I+IS)` or `2q(I+2IS)`.
    pub shot: String,
    /// Single-sideband noise figure without the IF load's own noise at `f_IF`, dB.
    pub f_ssb_db_excluding_load: Expected,
    /// The same with it, dB.
    pub f_ssb_db_including_load: Expected,
    /// Contributions across the IF load, V²/Hz: `shot_D1`, `RS_D1`, `port_P1`, `port_P1_own_sideband`...
    pub contributions: BTreeMap<String, Expected>,
}

/// Small signals around the pumped state (RF source off).
#[derive(Debug, Clone, PartialEq)]
pub struct SmallSignal {
    /// Intermediate frequency, Hz.
    pub f_if_hz: f64,
    /// RF to IF, dB.
    pub conversion_gain_rf_to_if_db: Expected,
    /// Image to IF, dB.
    pub conversion_gain_image_to_if_db: Expected,
    /// Reflection of the IF port at `f_IF`.
    pub gamma_if: Expected,
    /// Reflection of the RF port at `f_RF`.
    pub gamma_rf: Expected,
    /// Listed entries of the full, untruncated matrix.
    pub matrix: Vec<ScatteringEntry>,
    /// Noise, where computed.
    pub noise: Vec<Noise>,
}

/// Gain against RF level.
#[derive(Debug, Clone, PartialEq)]
pub struct Compression {
    /// Gain at vanishing RF, dB.
    pub small_signal_gain_db: Expected,
    /// RF level in dBm and gain in dB.
    pub sweep: Vec<(f64, Expected)>,
    /// Input level of 1 dB compression, dBm.
    pub p1db_dbm: Expected,
}

/// Mean power into a lossless junction at one product.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JunctionPower {
    /// Multiple of the pump.
    pub m: i32,
    /// Multiple of the signal.
    pub n: i32,
    /// Power into the junction, W.
    pub watt: Expected,
}

/// One operating point.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Its name in the file.
    pub label: String,
    /// The circuit with the levels, frequencies and changes of this point.
    pub elements: Vec<Element>,
    /// LO (or only) frequency, Hz.
    pub f_lo_hz: f64,
    /// RF frequency, Hz; none in one-tone cases.
    pub f_rf_hz: Option<f64>,
    /// LO level, dBm.
    pub lo_dbm: Option<f64>,
    /// RF level, dBm; none when the RF is off (small-signal points) or swept.
    pub rf_dbm: Option<f64>,
    /// Temperature of the port resistors where a theorem is tested, K.
    pub terminations_k: Option<f64>,
    /// Expected numbers by their name in the file; nested names are joined by `/`,
    /// as in `I_DC_diodes_A/D1`.
    pub metrics: BTreeMap<String, Expected>,
    /// Spur table at port 3.
    pub spurs: Vec<Spur>,
    /// Small-signal block.
    pub small_signal: Option<SmallSignal>,
    /// Compression block.
    pub compression: Option<Compression>,
    /// Powers into a lossless junction.
    pub junction_powers: Vec<JunctionPower>,
    /// Ratios minus one of total noise to the `N T/2` theorem, by name.
    pub theorem: BTreeMap<String, f64>,
}

/// Harmonic currents of a voltage-driven junction, from modified Bessel functions.
#[derive(Debug, Clone, PartialEq)]
pub struct VoltageDrive {
    /// Bias, V.
    pub v0_v: f64,
    /// Peak drive, V.
    pub v1_v: f64,
    /// Mean and peak harmonic currents 1.., A.
    pub current_a: Vec<f64>,
}

/// One circuit with its points.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// Name of the file without ending.
    pub id: String,
    /// What the circuit is.
    pub title: String,
    /// The circuit as the file has it, before the points change it.
    pub elements: Vec<Element>,
    /// Greatest common divisor of the tones, Hz: one period is its inverse.
    pub f0_hz: f64,
    /// The wanted product `(m, n)`.
    pub wanted: (i32, i32),
    /// Operating points.
    pub points: Vec<Point>,
    /// Closed-form harmonic currents of the bare junction (first case only).
    pub voltage_drive: Vec<VoltageDrive>,
}

macro_rules! files {
    ($($name:literal),+ $(,)?) => { [$(($name, include_str!(concat!("../data/steady/", $name, ".json")))),+] };
}

const FILES: [(&str, &str); 12] = files![
    "case01_diode_closed_form",
    "case03_single_diode_series_loop",
    "case05a_single_balanced",
    "case06_ring_ideal",
    "case08b_ring_leakage_inductance",
    "case10a_ring_compression",
    "case11a_ring_marchand",
    "case11b_star_marchand",
    "case12a_subharmonic_pair",
    "case13a_varactor_upconverter",
    "case14_ring_image_short",
    "case15b_ring_sum_open",
];

/// All cases, in the order of their numbers.
pub fn steady_cases() -> Vec<Case> {
    FILES.iter().map(|(name, text)| read::case(name, text)).collect()
}

/// The case whose name starts with `prefix`, such as `case06`.
///
/// Panics when there is none: the caller names a file of this crate.
pub fn steady_case(prefix: &str) -> Case {
    let (name, text) =
        FILES.iter().find(|(name, _)| name.starts_with(prefix)).expect("a case of that name under data/steady");
    read::case(name, text)
}
