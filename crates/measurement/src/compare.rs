//! Measured against predicted, like with like.
//!
//! Input: measured values and predictions with their bands. Output: residuals (measured minus predicted) with a score
//! against the combined band, and a list of what was refused and why.
//! Conventions: bench uncertainties and bands are combined as variances; the numerical band is a limit of error and
//! counts as uniform (half width over √3); a fabrication or learned band of coverage c counts with its half width over
//! the normal quantile of (1+c)/2, and its middle shifts the expectation.

use crate::gum::normal_quantile;
use crate::{Measured, State};
use spec::{Band, Bound, Conditions, Measure, Reading};

/// Coverage of the combined band against which a residual counts as inside.
pub const COVERAGE: f64 = 0.90;

/// How far conditions may differ and still be alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LikeSettings {
    /// Relative distance of frequencies.
    pub frequency: f64,
    /// Distance of levels, dB: setting accuracy of a levelled bench.
    pub level_db: f64,
    /// Distance of temperatures, kelvin: a room is not 25 degC to the degree.
    pub temp_k: f64,
    /// A reading in the small-signal limit stands for levels at least this far below the LO, dB.
    pub small_signal_db: f64,
}

impl Default for LikeSettings {
    fn default() -> Self {
        Self { frequency: 1e-6, level_db: 0.25, temp_k: 5.0, small_signal_db: 20.0 }
    }
}

/// What differs between two sets of conditions, in words; empty when they are alike.
pub fn differences(
    measure: Measure,
    measured: &Conditions,
    predicted: &Conditions,
    settings: &LikeSettings,
) -> Vec<String> {
    let mut out = Vec::new();
    let ghz = |f: f64| format!("{:.6} GHz", f / 1e9);
    let mut differ =
        |what: &str, found: String, sealed: String| out.push(format!("{what} {found} measured, {sealed} predicted"));
    let far = |a: f64, b: f64| (a - b).abs() > settings.frequency * a.abs().max(b.abs());
    if far(measured.lo_hz, predicted.lo_hz) {
        differ("LO", ghz(measured.lo_hz), ghz(predicted.lo_hz));
    }
    match (measured.rf_hz, predicted.rf_hz) {
        (Some(a), Some(b)) if far(a, b) => differ("RF", ghz(a), ghz(b)),
        (Some(a), None) if !is_of_lo(measure) => differ("RF", ghz(a), "none".into()),
        (None, Some(b)) if !is_of_lo(measure) => differ("RF", "none".into(), ghz(b)),
        _ => {}
    }
    if (measured.lo_dbm - predicted.lo_dbm).abs() > settings.level_db {
        differ("LO level", format!("{:+.2} dBm", measured.lo_dbm), format!("{:+.2} dBm", predicted.lo_dbm));
    }
    let small = |level: f64| level <= measured.lo_dbm - settings.small_signal_db;
    let linear = !matches!(measure, Measure::Spur(_) | Measure::SpurUp(_));
    match (measured.signal_dbm, predicted.signal_dbm) {
        (Some(a), Some(b)) if (a - b).abs() > settings.level_db && !(linear && small(a) && small(b)) => {
            differ("signal level", format!("{a:+.2} dBm"), format!("{b:+.2} dBm"));
        }
        (Some(a), None) if !(linear && small(a)) => {
            differ("signal level", format!("{a:+.2} dBm"), "the small-signal limit".into());
        }
        (None, Some(b)) if !(is_of_lo(measure) || linear && small(b)) => {
            differ("signal level", "none".into(), format!("{b:+.2} dBm"));
        }
        _ => {}
    }
    if (measured.temp_k - predicted.temp_k).abs() > settings.temp_k {
        let celsius = |t: f64| format!("{:.1} degC", t - 273.15);
        differ("temperature", celsius(measured.temp_k), celsius(predicted.temp_k));
    }
    if !measured.terminations.is_empty() && measured.terminations != predicted.terminations {
        differ("terminations", format!("`{}`", measured.terminations), format!("`{}`", predicted.terminations));
    }
    out
}

/// Numbers of the pumped mixer without a signal.
fn is_of_lo(measure: Measure) -> bool {
    use spec::PortName::Lo;
    matches!(measure, Measure::ReturnLoss(Lo) | Measure::Isolation { from: Lo, .. } | Measure::DcOffset)
        || matches!(measure, Measure::LoHarmonic { .. } | Measure::CarrierLeak)
}

/// A measured value beside the prediction for its conditions.
#[derive(Debug, Clone, PartialEq)]
pub struct Residual {
    /// What was measured.
    pub measured: Measured,
    /// What was predicted.
    pub predicted: Reading,
    /// Measured minus predicted, in the unit of the measure; from bound to value when censored.
    pub residual: f64,
    /// Where the residual is expected from learned bias and skew, in the unit of the measure.
    pub expected: f64,
    /// Combined standard deviation of bench and bands.
    pub sigma: f64,
    /// Distance from expectation in standard deviations; zero for a bound that is kept. None when the prediction has no
    /// numerical band.
    pub z: Option<f64>,
}

impl Residual {
    /// Lower and upper end of the combined band for the measured value.
    pub fn band(&self) -> (f64, f64) {
        let half = normal_quantile(0.5 * (1.0 + COVERAGE)) * self.sigma;
        let middle = self.predicted.value + self.expected;
        (middle - half, middle + half)
    }

    /// True inside the combined band, false outside, none when the prediction has no band.
    pub fn is_inside(&self) -> Option<bool> {
        self.z.map(|z| z.abs() <= normal_quantile(0.5 * (1.0 + COVERAGE)))
    }
}

/// A measured value that was not compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Refusal {
    /// What was measured.
    pub measured: Measured,
    /// Why: what differs from the nearest prediction, or that there is none.
    pub why: Vec<String>,
}

/// Everything that came out of a comparison.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Comparison {
    /// Compared.
    pub residuals: Vec<Residual>,
    /// Not compared.
    pub refused: Vec<Refusal>,
}

/// Compares each measured value with the prediction made for its conditions.
pub fn compare(measured: &[Measured], predictions: &[Reading], settings: &LikeSettings) -> Comparison {
    let mut out = Comparison::default();
    for m in measured {
        let mut candidates: Vec<(Vec<String>, f64, &Reading)> = predictions
            .iter()
            .filter(|p| p.measure.canonical() == m.measure)
            .map(|p| {
                let distance = m.conditions.rf_hz.zip(p.conditions.rf_hz).map_or(0.0, |(a, b)| (a - b).abs());
                (differences(m.measure, &m.conditions, &p.conditions, settings), distance, p)
            })
            .collect();
        // fewest differences, nearest frequency, then the prediction at the very level
        candidates.sort_by(|a, b| {
            let level = |p: &Reading| p.conditions.signal_dbm != m.conditions.signal_dbm;
            a.0.len().cmp(&b.0.len()).then(a.1.total_cmp(&b.1)).then(level(a.2).cmp(&level(b.2)))
        });
        match candidates.into_iter().next() {
            Some((why, _, prediction)) if why.is_empty() => out.residuals.push(residual(m, prediction)),
            Some((why, ..)) => out.refused.push(Refusal { measured: m.clone(), why }),
            None => out.refused.push(Refusal {
                measured: m.clone(),
                why: vec![format!("{} is not among the predictions", m.measure.label())],
            }),
        }
    }
    out
}

fn residual(measured: &Measured, predicted: &Reading) -> Residual {
    let quality = &predicted.quality;
    let spreads = [quality.bands.fabrication, quality.bands.model];
    let expected: f64 = spreads.iter().flatten().map(|b| 0.5 * (b.above - b.below)).sum();
    let variance: f64 = spreads.iter().flatten().map(|b| standard_deviation(b).powi(2)).sum();
    let known = quality.known_within();
    let numeric = known.unwrap_or(0.0) / 3f64.sqrt();
    let sigma = (variance + numeric * numeric + measured.u * measured.u).sqrt();
    let residual = measured.value - predicted.value;
    let raw = (residual - expected) / sigma;
    let z = match (measured.state, quality.is_bound) {
        (State::Seen | State::Corrected, false) => known.map(|_| raw),
        // only an excess on the wrong side of a bound counts
        (State::Censored(Bound::AtMost(_)), false) => known.map(|_| raw.min(0.0)),
        (State::Censored(Bound::AtLeast(_)), false) => known.map(|_| raw.max(0.0)),
        (State::Censored(_), true) => Some(0.0),
        (_, true) => Some(excess_over_bound(measured.measure, raw)),
    };
    Residual { measured: measured.clone(), predicted: predicted.clone(), residual, expected, sigma, z }
}

/// Products are predicted below, isolation and return loss above their bound.
fn excess_over_bound(measure: Measure, z: f64) -> f64 {
    match measure {
        Measure::Isolation { .. } | Measure::ReturnLoss(_) => z.min(0.0),
        _ => z.max(0.0),
    }
}

/// Standard deviation behind a band.
pub fn standard_deviation(band: &Band) -> f64 {
    let quantile = normal_quantile(0.5 * (1.0 + band.coverage.clamp(0.01, 0.9999)));
    0.5 * (band.above + band.below).abs() / quantile
}
