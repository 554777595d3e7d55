//! What is reviewed: frequencies, levels, sweeps, requirements.

use crate::MixerError;
use spec::Limit;

/// Which way signals are converted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// RF in, IF out.
    Down,
    /// IF in, RF out.
    Up,
    /// Both uses.
    Both,
}

/// Motion allowed under higher truncation before a number counts as stable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerances {
    /// Wanted product, match, isolation formed without cancellation, dB.
    pub wanted_db: f64,
    /// Products down to [`Self::not_claimed_dbc`], dB.
    pub product_db: f64,
    /// Direct voltages, mV.
    pub direct_mv: f64,
    /// Products below this level are not claimed, dBc.
    pub not_claimed_dbc: f64,
}

impl Default for Tolerances {
    fn default() -> Self {
        Self { wanted_db: 0.02, product_db: 0.25, direct_mv: 0.01, not_claimed_dbc: -100.0 }
    }
}

/// The plan of a review.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// LO frequency, hertz.
    pub lo_hz: f64,
    /// Nominal LO level at the LO plane, dBm.
    pub lo_dbm: f64,
    /// Range of LO level the customer may apply, dBm.
    pub lo_range_dbm: (f64, f64),
    /// Range of LO frequency to look at; none for a fixed LO.
    pub lo_band_hz: Option<(f64, f64)>,
    /// RF band, hertz.
    pub rf_band_hz: (f64, f64),
    /// RF level of the down-converter and IF level of the up-converter, dBm.
    pub signal_dbm: f64,
    /// Ways of use.
    pub direction: Direction,
    /// Frequencies of the RF band at which the full balance and the order climb are done.
    pub anchors: usize,
    /// Points of small-signal sweeps.
    pub points: usize,
    /// Highest RF and LO order of the spur grid.
    pub spur_orders: (u32, u32),
    /// Spacing of the two tones, hertz.
    pub two_tone_spacing_hz: f64,
    /// Level of each of the two tones, dBm.
    pub two_tone_dbm: f64,
    /// When a number counts as stable.
    pub tolerances: Tolerances,
    /// The requirement.
    pub limits: Vec<Limit>,
}

impl Plan {
    /// A plan with usual sweeps around one LO frequency and level.
    pub fn new(lo_hz: f64, lo_dbm: f64, rf_band_hz: (f64, f64)) -> Self {
        Self {
            lo_hz,
            lo_dbm,
            lo_range_dbm: (lo_dbm - 2.0, lo_dbm + 2.0),
            lo_band_hz: None,
            rf_band_hz,
            signal_dbm: -10.0,
            direction: Direction::Both,
            anchors: 7,
            points: 61,
            spur_orders: (5, 5),
            two_tone_spacing_hz: 10e6,
            two_tone_dbm: -20.0,
            tolerances: Tolerances::default(),
            limits: Vec::new(),
        }
    }

    /// Frequency in the middle of the RF band, hertz.
    pub fn rf_centre_hz(&self) -> f64 {
        0.5 * (self.rf_band_hz.0 + self.rf_band_hz.1)
    }

    /// IF band that belongs to the RF band, hertz, lower edge first.
    pub fn if_band_hz(&self) -> (f64, f64) {
        let (a, b) = ((self.rf_band_hz.0 - self.lo_hz).abs(), (self.rf_band_hz.1 - self.lo_hz).abs());
        (a.min(b), a.max(b))
    }

    /// `count` frequencies over the RF band, edges included.
    pub fn rf_grid(&self, count: usize) -> Vec<f64> {
        grid(self.rf_band_hz.0, self.rf_band_hz.1, count)
    }

    /// Refuses a plan that cannot be carried out.
    pub fn check(&self) -> Result<(), MixerError> {
        let refuse = |expected: &str, found: String| Err(MixerError::Plan { expected: expected.into(), found });
        let (low, high) = self.rf_band_hz;
        if !(low > 0.0 && high > low) {
            return refuse("an RF band from low to high", format!("{low} Hz to {high} Hz"));
        }
        if low < self.lo_hz && high > self.lo_hz {
            return refuse(
                "an RF band on one side of the LO",
                format!("{low} Hz to {high} Hz around {} Hz; review the two sides one after the other", self.lo_hz),
            );
        }
        if self.anchors < 2 || self.points < 2 {
            return refuse("at least two anchors and two points", format!("{} and {}", self.anchors, self.points));
        }
        if self.spur_orders.0 == 0 || self.spur_orders.1 == 0 || self.spur_orders.0.max(self.spur_orders.1) > 12 {
            return refuse("a spur grid of orders 1 to 12", format!("{:?}", self.spur_orders));
        }
        Ok(())
    }
}

/// `count` values from `a` to `b`, both included.
pub(crate) fn grid(a: f64, b: f64, count: usize) -> Vec<f64> {
    (0..count).map(|i| a + (b - a) * i as f64 / (count.max(2) - 1) as f64).collect()
}
