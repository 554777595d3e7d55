//! The bench record: under what conditions, with what instruments and pads, how surely.

use crate::analyser::Residuals;
use spec::{Conditions, Measure, PortName};
use std::collections::BTreeMap;

/// An attenuator between package and bench.
#[derive(Debug, Clone, PartialEq)]
pub struct Pad {
    /// Port it sits at.
    pub port: PortName,
    /// Attenuation, dB.
    pub loss_db: f64,
    /// True when the numbers written already have it taken off.
    pub removed: bool,
}

/// How the analyser averages noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Detector {
    /// Mean power (true rms): noise and signal powers add.
    #[default]
    Power,
    /// Mean of decibels (logarithmic averaging).
    Log,
}

/// Noise floor of the analyser.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Floor {
    /// Level of the noise in the resolution bandwidth, dBm, referred to the package plane (pads taken off).
    pub level_dbm: f64,
    /// Resolution bandwidth, hertz.
    pub bandwidth_hz: f64,
    /// How noise was averaged.
    pub detector: Detector,
}

/// Leakage of the bench around the unit under test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leakage {
    /// Driven port.
    pub from: PortName,
    /// Observed port.
    pub to: PortName,
    /// Level against the drive, dB (negative).
    pub level_db: f64,
}

/// Standard uncertainties (k = 1) by name of quantity.
///
/// Names are keys of measures (`isolation_lo_if`) or of groups: `loss`, `return_loss`, `isolation`, `product`,
/// `direct`, `level`, `noise_figure`. The most particular name counts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Uncertainty {
    /// Standard uncertainty in the unit of the measure.
    pub by_name: BTreeMap<String, f64>,
    /// The same for numbers within 10 dB of the floor; where absent, the plain one counts.
    pub near_floor: BTreeMap<String, f64>,
}

impl Uncertainty {
    /// Names under which the uncertainty of a measure is looked up, the most particular first.
    pub fn names(measure: Measure) -> [String; 2] {
        [measure.key(), Self::group(measure).to_string()]
    }

    /// Group of a measure.
    pub fn group(measure: Measure) -> &'static str {
        use Measure as M;
        match measure {
            M::ConversionLoss | M::ConversionLossUp | M::Flatness => "loss",
            M::ReturnLoss(_) => "return_loss",
            M::Isolation { .. } | M::LoNoiseRejection => "isolation",
            M::Spur(_) | M::SpurUp(_) | M::SpurSlope(_) => "product",
            M::DcOffset | M::PhaseDetectorVoltage | M::PhaseDetectorSlope | M::DiodeCurrent { .. } => "direct",
            M::NoiseFigureSsb | M::NoiseFigureDsb => "noise_figure",
            M::LoHarmonic { .. } | M::InputP1db | M::InputIp3 | M::InputIp2 | M::CarrierLeak => "level",
        }
    }

    /// Standard uncertainty of a measure away from the floor; none when the record says nothing.
    pub fn of(&self, measure: Measure) -> Option<f64> {
        Self::names(measure).iter().find_map(|n| self.by_name.get(n)).copied()
    }

    /// Standard uncertainty of a measure within 10 dB of the floor.
    pub fn near_floor_of(&self, measure: Measure) -> Option<f64> {
        Self::names(measure).iter().find_map(|n| self.near_floor.get(n)).copied().or_else(|| self.of(measure))
    }
}

/// One sitting at the bench.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    /// Name, for example `A-2`.
    pub name: String,
    /// Day, `2031-04-17`.
    pub date: String,
    /// Laboratory.
    pub lab: String,
    /// Lot the units belong to.
    pub lot: String,
    /// Foundry of the lot; empty when not recorded.
    pub foundry: String,
    /// Reel or batch of the diodes; empty when not recorded.
    pub reel: String,
    /// Conditions of every number unless a table says otherwise.
    pub conditions: Conditions,
    /// How far the temperature wandered, kelvin, either way.
    pub temp_within_k: f64,
    /// Second harmonic of the LO source, dBc; none when not looked at.
    pub lo_second_harmonic_dbc: Option<f64>,
    /// Pads between package and bench.
    pub pads: Vec<Pad>,
    /// Floor of the analyser.
    pub floor: Option<Floor>,
    /// Leakage of the bench.
    pub leakage: Vec<Leakage>,
    /// Errors left after calibration of the network analyser; none when not stated.
    pub residuals: Option<Residuals>,
    /// Standard uncertainties.
    pub uncertainty: Uncertainty,
    /// Calibration notes, one a line.
    pub calibration: Vec<String>,
}

impl Session {
    /// Attenuation at a port that is still contained in the numbers, dB.
    pub fn pad_db(&self, port: PortName) -> f64 {
        self.pads.iter().filter(|p| p.port == port && !p.removed).map(|p| p.loss_db).sum()
    }
}
