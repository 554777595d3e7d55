//! One number with its conditions and its quality.

use crate::{Band, Bands, Measure};
use num_complex::Complex64;

/// Which side of the LO the signal lies on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sideband {
    /// Signal above the LO.
    Upper,
    /// Signal below the LO.
    Lower,
}

/// Under what conditions a number holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Conditions {
    /// LO frequency, hertz.
    pub lo_hz: f64,
    /// RF frequency, hertz; none when no RF is applied.
    pub rf_hz: Option<f64>,
    /// IF frequency, hertz.
    pub if_hz: Option<f64>,
    /// Side of the LO.
    pub sideband: Option<Sideband>,
    /// Available LO power, dBm.
    pub lo_dbm: f64,
    /// Available power of the signal input, dBm; none for the small-signal limit.
    pub signal_dbm: Option<f64>,
    /// Diode and embedding temperature, kelvin.
    pub temp_k: f64,
    /// Terminations in words, for example `50 ohm on every port at every frequency`.
    pub terminations: String,
}

/// How a number was computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// Full balance of all tones.
    Balance,
    /// Linear response around the pumped state.
    SmallSignal,
    /// Perturbation orders in RF around the pumped state.
    Perturbation,
    /// Not computed: read on a bench.
    Measured,
}

/// How the computation ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Outcome {
    /// Met the asked tolerance.
    #[default]
    Converged,
    /// Met only a looser tolerance; see the numeric band.
    Almost,
}

/// How much of a number rests on network data beyond the last given frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Continued {
    /// Share of the junction power flow, in the lines that make the product, at continued frequencies, 0…1.
    pub share: f64,
    /// Largest change under the other continuations, in the unit of the reading.
    pub spread: f64,
}

/// One of the terms that cancel.
#[derive(Debug, Clone, PartialEq)]
pub struct Term {
    /// What contributes, for example `diode 3`.
    pub name: String,
    /// Complex amplitude, in volts at the observed port.
    pub value: Complex64,
}

/// A number formed by cancellation: the sum is much smaller than its terms.
#[derive(Debug, Clone, PartialEq)]
pub struct Cancellation {
    /// 20 log10 (sum of term magnitudes / magnitude of their sum), dB.
    pub ratio_db: f64,
    /// The terms, largest first.
    pub terms: Vec<Term>,
}

/// How far a number can be believed, numerically.
#[derive(Debug, Clone, PartialEq)]
pub struct Quality {
    /// How the computation ended.
    pub outcome: Outcome,
    /// How the number was computed.
    pub method: Method,
    /// Remaining motion under higher truncation, half width in the unit of the reading.
    pub numeric_band: Option<f64>,
    /// LO and RF harmonics kept.
    pub orders: (usize, usize),
    /// Largest residual relative to the smallest product asked for.
    pub residual: f64,
    /// Rests on continued network data.
    pub continued: Option<Continued>,
    /// Formed by cancellation.
    pub cancellation: Option<Cancellation>,
    /// True when the value is a lower or upper bound only (a null, below the numerical floor).
    pub is_bound: bool,
    /// Fabrication, learned model error, promises.
    pub bands: Bands,
}

impl Quality {
    /// Half width within which the number is known: truncation, continued data and field solution together.
    ///
    /// None when nobody looked: such a number decides nothing.
    pub fn known_within(&self) -> Option<f64> {
        Some(self.numeric_band? + self.continued.map_or(0.0, |c| c.spread) + self.bands.field.unwrap_or(0.0))
    }

    /// Lower and upper end of all bands around `value`.
    ///
    /// Numerical parts are limits of error and add up; fabrication and learned model error are
    /// independent spreads and add as squares around the learned bias.
    /// None when nobody looked at the numerical part.
    pub fn interval(&self, value: f64) -> Option<(f64, f64)> {
        let numeric = self.known_within()?;
        let spreads = [self.bands.fabrication, self.bands.model];
        let centre = |b: &Band| 0.5 * (b.above - b.below);
        let half = |b: &Band| 0.5 * (b.above + b.below);
        // a skewed fabrication band keeps its skew; a learned bias moves the middle
        let shift: f64 = spreads.iter().flatten().map(centre).sum();
        let spread = spreads.iter().flatten().map(|b| half(b).powi(2)).sum::<f64>().sqrt();
        Some((value + shift - spread - numeric, value + shift + spread + numeric))
    }
}

/// One number with its conditions and its quality.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// What it is.
    pub measure: Measure,
    /// Its value in [`Measure::unit`].
    pub value: f64,
    /// Under what conditions.
    pub conditions: Conditions,
    /// How far it can be believed.
    pub quality: Quality,
}
