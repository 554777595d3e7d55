//! Order climb: raise truncation until every number asked for stands still.

use crate::BalanceError;
use numerics::{Cancelled, Watch};

/// How far to climb.
#[derive(Debug, Clone, PartialEq)]
pub struct ClimbSettings {
    /// Pump and signal orders, step by step.
    pub steps: Vec<(usize, usize)>,
    /// Largest motion allowed from one step to the next, one for every number, in its own unit.
    pub tolerance: Vec<f64>,
}

impl ClimbSettings {
    /// The usual ladder with one tolerance for `count` numbers.
    pub fn usual(count: usize, tolerance: f64) -> Self {
        let steps = vec![(8, 3), (12, 4), (16, 5), (24, 6), (32, 7), (48, 8), (64, 9)];
        Self { steps, tolerance: vec![tolerance; count] }
    }
}

/// Numbers with their remaining motion.
#[derive(Debug, Clone, PartialEq)]
pub struct Climbed {
    /// The numbers at the last step.
    pub values: Vec<f64>,
    /// Numeric band of each number: half width, in its own unit.
    pub bands: Vec<f64>,
    /// True for numbers that met their tolerance.
    pub stable: Vec<bool>,
    /// Every step's numbers.
    pub history: Vec<((usize, usize), Vec<f64>)>,
}

/// Evaluates all numbers at rising truncation until each is stable or the ladder ends.
///
/// The band of a number is the larger of its last two motions, so that one accidental standstill
/// does not pass for convergence.
pub fn climb(
    settings: &ClimbSettings,
    watch: &dyn Watch,
    mut evaluate: impl FnMut(usize, usize) -> Result<Vec<f64>, BalanceError>,
) -> Result<Climbed, BalanceError> {
    let mut history: Vec<((usize, usize), Vec<f64>)> = Vec::new();
    for (i, &step) in settings.steps.iter().enumerate() {
        watch.step("climbing in order", i, settings.steps.len()).map_err(|Cancelled| BalanceError::from(Cancelled))?;
        let values = evaluate(step.0, step.1)?;
        history.push((step, values));
        if history.len() > 2 {
            let bands = bands(&history);
            if bands.iter().zip(&settings.tolerance).all(|(b, t)| b <= t) {
                break;
            }
        }
    }
    let bands = bands(&history);
    let stable = bands.iter().zip(&settings.tolerance).map(|(b, t)| b <= t).collect();
    let values = history.last().map(|(_, v)| v.clone()).unwrap_or_default();
    Ok(Climbed { values, bands, stable, history })
}

fn bands(history: &[((usize, usize), Vec<f64>)]) -> Vec<f64> {
    let Some((_, last)) = history.last() else { return Vec::new() };
    let before = &history[history.len().saturating_sub(3)..];
    (0..last.len())
        .map(|i| {
            before
                .windows(2)
                .map(|pair| (pair[1].1[i] - pair[0].1[i]).abs())
                // two infinities (a perfect null) are equal: their difference counts as no motion
                .map(|d| if d.is_nan() { 0.0 } else { d })
                .fold(if history.len() < 2 { f64::INFINITY } else { 0.0 }, f64::max)
        })
        .collect()
}
