//! Bias and spread of the model from earlier designs, without assuming a law.
//!
//! Input: residuals of a class, each with its design. Output: a band that covers a number of a *new* design with the
//! asked probability, for any law and any number of designs, as long as designs are exchangeable.
//! Method: numbers of one design share their errors, so designs are the units that count. Each of K designs gets the
//! weight 1/(K+1), shared evenly by its numbers; the missing 1/(K+1) stands at infinity on either side. The band runs
//! from the α/2 to the 1−α/2 quantile of these weights (split-conformal prediction with two layers: Lee, Barber and
//! Willett, 2023, from memory). With one number a design this is the classical order-statistics interval. A finite band
//! needs α/2·(K+1) ≥ 1.

use crate::{LedgerError, Level, Value};
use spec::Band;
use std::collections::BTreeMap;

/// What was learned about a class.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    /// Numbers it rests on; censored ones are left out.
    pub n_values: usize,
    /// Numbers left out because only a bound was measured.
    pub n_censored: usize,
    /// Designs it rests on.
    pub n_designs: usize,
    /// Mean residual.
    pub mean: f64,
    /// Standard deviation of the residuals.
    pub sd: f64,
    /// Where the residual of a new design lies: lower and upper end.
    pub band: (f64, f64),
    /// Coverage of the band.
    pub coverage: f64,
    /// Residual that a new design exceeds with this confidence: the lower end used one-sidedly, and the upper one.
    pub one_sided: (f64, f64),
    /// Predicted values it was seen at.
    pub level: Level,
}

impl Learned {
    /// The band as a part of a reading's quality: distances from the predicted value.
    pub fn as_band(&self) -> Band {
        Band { below: -self.band.0, above: self.band.1, coverage: self.coverage }
    }
}

/// How a prediction stands to what was seen before.
#[derive(Debug, Clone, PartialEq)]
pub enum Experience {
    /// Inside.
    Inside,
    /// Outside, with what is outside in words.
    Outside(Vec<String>),
}

/// Designs needed for a finite two-sided band of a coverage.
pub fn designs_needed(coverage: f64) -> usize {
    // a hair less, so that 19 and not 20 designs carry 90 % in spite of rounding
    (2.0 / (1.0 - coverage) - 1.0 - 1e-9).ceil() as usize
}

/// Learns from numbers of a class, each with the name of its design.
///
/// # Errors
/// Fewer designs than the coverage needs.
pub fn learn(class: &str, values: &[(&str, &Value)], coverage: f64) -> Result<Learned, LedgerError> {
    let seen: Vec<(&str, &Value)> = values.iter().filter(|(_, v)| !v.censored).copied().collect();
    let groups = by_design(&seen);
    let needed = designs_needed(coverage);
    if groups.len() < needed {
        let percent = 100.0 * coverage;
        return Err(LedgerError::TooFewDesigns { class: class.into(), percent, needed, found: groups.len() });
    }
    let residuals: Vec<f64> = seen.iter().map(|(_, v)| v.residual).collect();
    let n = residuals.len() as f64;
    let mean = residuals.iter().sum::<f64>() / n;
    let sd = (residuals.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt();
    let levels = seen.iter().map(|(_, v)| v.predicted);
    Ok(Learned {
        n_values: seen.len(),
        n_censored: values.len() - seen.len(),
        n_designs: groups.len(),
        mean,
        sd,
        band: conformal(&groups, 0.5 * (1.0 - coverage)),
        coverage,
        one_sided: conformal(&groups, 1.0 - coverage),
        level: Level {
            low: levels.clone().fold(f64::INFINITY, f64::min),
            high: levels.fold(f64::NEG_INFINITY, f64::max),
        },
    })
}

fn by_design<'a>(values: &[(&'a str, &Value)]) -> BTreeMap<&'a str, Vec<f64>> {
    let mut groups: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for (design, v) in values {
        groups.entry(design).or_default().push(v.residual);
    }
    groups
}

/// Lower and upper quantile at a tail probability; infinite when the designs do not carry it.
fn conformal(groups: &BTreeMap<&str, Vec<f64>>, tail: f64) -> (f64, f64) {
    let share = 1.0 / (groups.len() + 1) as f64;
    let mut weighted: Vec<(f64, f64)> =
        groups.values().flat_map(|g| g.iter().map(move |r| (*r, share / g.len() as f64))).collect();
    weighted.sort_by(|a, b| a.0.total_cmp(&b.0));
    // weight beyond the end, at infinity included, must not exceed the tail
    let end = |values: &mut dyn Iterator<Item = &(f64, f64)>| {
        let mut beyond = share;
        let mut last = None;
        for (value, weight) in values {
            if beyond > tail * (1.0 + 1e-12) {
                break;
            }
            last = Some(*value);
            beyond += weight;
        }
        last
    };
    (end(&mut weighted.iter()).unwrap_or(f64::NEG_INFINITY), end(&mut weighted.iter().rev()).unwrap_or(f64::INFINITY))
}

/// How often numbers of a design left out lie in the band learned from the others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeftOut {
    /// Designs left out in turn.
    pub n_designs: usize,
    /// Share inside, mean over designs, 0…1.
    pub inside: f64,
    /// Standard error of that mean.
    pub standard_error: f64,
}

/// Leaves every design out once and scores its numbers against the band of the others.
///
/// # Errors
/// Fewer designs than the coverage needs once one is left out.
pub fn leave_one_design_out(class: &str, values: &[(&str, &Value)], coverage: f64) -> Result<LeftOut, LedgerError> {
    let seen: Vec<(&str, &Value)> = values.iter().filter(|(_, v)| !v.censored).copied().collect();
    let groups = by_design(&seen);
    let mut shares = Vec::new();
    for (name, own) in &groups {
        let others: Vec<(&str, &Value)> = seen.iter().filter(|(d, _)| d != name).copied().collect();
        let (low, high) = learn(class, &others, coverage)?.band;
        let inside = own.iter().filter(|r| **r >= low && **r <= high).count();
        shares.push(inside as f64 / own.len() as f64);
    }
    let n = shares.len() as f64;
    let inside = shares.iter().sum::<f64>() / n;
    let variance = shares.iter().map(|s| (s - inside).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    Ok(LeftOut { n_designs: shares.len(), inside, standard_error: (variance / n).sqrt() })
}
