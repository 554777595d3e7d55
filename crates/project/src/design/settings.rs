//! What the review sweeps, how finely, and how exact its numbers shall be.

use super::problem::ProblemKind;
use super::tree::{Rule, Table};
use quantity::{CarrierRatio, Frequency, Level, PowerRatio, Quantity};

/// Levels from low to high in equal steps, dBm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelSweep {
    /// First level, dBm.
    pub from_dbm: f64,
    /// Last level, dBm.
    pub to_dbm: f64,
    /// Step, dB.
    pub step_db: f64,
}

impl LevelSweep {
    /// The levels, dBm; the last one is reached even when the step does not divide the range.
    pub fn levels_dbm(&self) -> Vec<f64> {
        let n_steps = ((self.to_dbm - self.from_dbm) / self.step_db - 1e-9).ceil().max(0.0) as usize;
        (0..=n_steps).map(|i| (self.from_dbm + self.step_db * i as f64).min(self.to_dbm)).collect()
    }
}

/// Extent and exactness of a review.
#[derive(Debug, Clone, PartialEq)]
pub struct ReviewSettings {
    /// Points over each seat's input band.
    pub input_points: usize,
    /// LO powers of the drive sweep; none for −6…+4 dB around nominal.
    pub lo_sweep: Option<LevelSweep>,
    /// Input levels for slopes and compression.
    pub input_sweep: LevelSweep,
    /// Largest LO order of the spur grid.
    pub spur_lo_order: usize,
    /// Largest input order of the spur grid.
    pub spur_input_order: usize,
    /// Input frequencies of the spur grids, hertz; empty for the middle of the leading seat.
    pub spur_at_hz: Vec<f64>,
    /// Below this level products are not claimed, dBc.
    pub not_claimed_dbc: f64,
    /// Distance of the two tones, hertz.
    pub two_tone_spacing_hz: f64,
    /// Level of each of the two tones, dBm.
    pub two_tone_dbm: f64,
    /// Wanted stability of loss, match and isolation under higher truncation, dB.
    pub tolerance_db: f64,
    /// Wanted stability of products under higher truncation, dB.
    pub spur_tolerance_db: f64,
    /// Most LO harmonics the order climb may use.
    pub lo_harmonics_max: usize,
    /// Compute the noise figure.
    pub noise: bool,
    /// Compute the phase-detector curve.
    pub phase_detector: bool,
}

impl Default for ReviewSettings {
    fn default() -> Self {
        Self {
            input_points: 25,
            lo_sweep: None,
            input_sweep: LevelSweep { from_dbm: -20.0, to_dbm: 14.0, step_db: 2.0 },
            spur_lo_order: 5,
            spur_input_order: 5,
            spur_at_hz: Vec::new(),
            not_claimed_dbc: -100.0,
            two_tone_spacing_hz: 10e6,
            two_tone_dbm: -10.0,
            tolerance_db: 0.02,
            spur_tolerance_db: 0.5,
            lo_harmonics_max: 64,
            noise: true,
            phase_detector: true,
        }
    }
}

pub(super) fn read_settings(root: &Table<'_>) -> ReviewSettings {
    let before = ReviewSettings::default();
    let Some(t) = root.table("review") else { return before };
    let orders = t.table("spur_orders");
    let order =
        |key: &str, default: usize| orders.as_ref().and_then(|o| o.count(key, 1..=20)).map_or(default, |n| n.value);
    let (spur_lo_order, spur_input_order) =
        (order("lo", before.spur_lo_order), order("input", before.spur_input_order));
    let two_tone = t.table("two_tone");
    let settings = ReviewSettings {
        input_points: t.count("input_points", 2..=2001).map_or(before.input_points, |n| n.value),
        lo_sweep: t.table("lo_sweep").and_then(read_sweep),
        input_sweep: t.table("input_sweep").and_then(read_sweep).unwrap_or(before.input_sweep),
        spur_lo_order,
        spur_input_order,
        spur_at_hz: t
            .quantities::<Frequency>("spur_at", Rule::Positive)
            .map_or(Vec::new(), |list| list.value.iter().map(|f| f.value.si()).collect()),
        not_claimed_dbc: stored_or(t.quantity::<CarrierRatio>("not_claimed", Rule::Any), before.not_claimed_dbc),
        two_tone_spacing_hz: stored_or(
            two_tone.as_ref().and_then(|x| x.quantity::<Frequency>("spacing", Rule::Positive)),
            before.two_tone_spacing_hz,
        ),
        two_tone_dbm: stored_or(
            two_tone.as_ref().and_then(|x| x.quantity::<Level>("level", Rule::Any)),
            before.two_tone_dbm,
        ),
        tolerance_db: stored_or(t.quantity::<PowerRatio>("tolerance", Rule::Positive), before.tolerance_db),
        spur_tolerance_db: stored_or(
            t.quantity::<PowerRatio>("spur_tolerance", Rule::Positive),
            before.spur_tolerance_db,
        ),
        lo_harmonics_max: t.count("lo_harmonics_max", 4..=512).map_or(before.lo_harmonics_max, |n| n.value),
        noise: t.flag("noise").unwrap_or(before.noise),
        phase_detector: t.flag("phase_detector").unwrap_or(before.phase_detector),
    };
    if let Some(orders) = orders {
        orders.finish();
    }
    if let Some(two_tone) = two_tone {
        two_tone.finish();
    }
    t.finish();
    settings
}

fn stored_or<Q: Quantity>(value: Option<super::tree::At<Q>>, default: f64) -> f64 {
    value.map_or(default, |q| q.value.stored())
}

fn read_sweep(t: Table<'_>) -> Option<LevelSweep> {
    let from = t.required::<Level>("from", Rule::Any);
    let to = t.required::<Level>("to", Rule::Any);
    let step = t.required::<PowerRatio>("step", Rule::Positive);
    if let (Some(from), Some(to)) = (&from, &to)
        && from.value.dbm() >= to.value.dbm()
    {
        let message = format!("this sweep runs from {} to {}, which is not upwards", from.value, to.value);
        t.sink().push(ProblemKind::ImpossibleValue, to.span.clone(), message, "write the lower level first");
        t.finish();
        return None;
    }
    t.finish();
    let sweep = LevelSweep { from_dbm: from?.value.dbm(), to_dbm: to?.value.dbm(), step_db: step.as_ref()?.value.db() };
    Some(sweep)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sweep_reaches_both_ends() {
        let levels = |from_dbm, to_dbm, step_db| LevelSweep { from_dbm, to_dbm, step_db }.levels_dbm();
        assert_eq!(levels(9.0, 19.0, 2.0), [9.0, 11.0, 13.0, 15.0, 17.0, 19.0]);
        assert_eq!(levels(0.0, 5.0, 2.0), [0.0, 2.0, 4.0, 5.0]);
        assert_eq!(levels(0.0, 0.3, 0.1).len(), 4);
    }
}
