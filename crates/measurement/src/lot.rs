//! What a lot says: mean, spread, tolerance bounds and likeness of curves, by unit and by lot.

use crate::bound;
use crate::compare::Residual;
use crate::fsv::{self, Likeness};
use spec::{Conditions, Measure};

/// Share of all units a tolerance interval is to hold.
pub const SHARE: f64 = 0.90;
/// Confidence of a tolerance interval.
pub const CONFIDENCE: f64 = 0.90;

/// One quantity of one lot under one set of conditions.
#[derive(Debug, Clone, PartialEq)]
pub struct LotSummary {
    /// Lot.
    pub lot: String,
    /// Session.
    pub session: String,
    /// Quantity.
    pub measure: Measure,
    /// Conditions.
    pub conditions: Conditions,
    /// Units measured.
    pub n: usize,
    /// Units at the floor: not part of mean and spread.
    pub n_censored: usize,
    /// Mean of the units, in the unit of the measure.
    pub mean: f64,
    /// Standard deviation between the units; none for fewer than two.
    pub sd: Option<f64>,
    /// Predicted value.
    pub predicted: f64,
    /// Where [`SHARE`] of all units of the lot lie with [`CONFIDENCE`], for a normal law; none for fewer than three.
    pub tolerance: Option<(f64, f64)>,
    /// Mean residual less expectation over the standard deviation of that mean; bench errors of one session and bands
    /// of the prediction are common to all units and do not average out. None without a numerical band.
    pub z: Option<f64>,
}

/// Summaries of every lot, session, quantity and condition, in the order first met.
pub fn summarise(residuals: &[Residual]) -> Vec<LotSummary> {
    let mut groups: Vec<Vec<&Residual>> = Vec::new();
    for r in residuals {
        match groups.iter_mut().find(|g| is_same_place(g[0], r)) {
            Some(group) => group.push(r),
            None => groups.push(vec![r]),
        }
    }
    groups.iter().map(|g| summary(g)).collect()
}

fn is_same_place(a: &Residual, b: &Residual) -> bool {
    let (x, y) = (&a.measured, &b.measured);
    x.lot == y.lot && x.session == y.session && x.measure == y.measure && x.conditions == y.conditions
}

fn summary(group: &[&Residual]) -> LotSummary {
    let first = &group[0].measured;
    let seen: Vec<&&Residual> = group.iter().filter(|r| !r.measured.is_censored()).collect();
    let n = seen.len() as f64;
    let mean = seen.iter().map(|r| r.measured.value).sum::<f64>() / n;
    let sum_of_squares: f64 = seen.iter().map(|r| (r.measured.value - mean).powi(2)).sum();
    let sd = (seen.len() >= 2).then(|| (sum_of_squares / (n - 1.0)).sqrt());
    let tolerance = sd.filter(|_| seen.len() >= 3).map(|sd| {
        let half = bound::normal_factor_two_sided(seen.len(), SHARE, CONFIDENCE) * sd;
        (mean - half, mean + half)
    });
    let z = seen.first().and_then(|r| {
        r.z?;
        let between = sd.unwrap_or(0.0).powi(2) / n;
        let residual = mean - r.predicted.value - r.expected;
        Some(residual / (r.sigma * r.sigma + between).sqrt())
    });
    LotSummary {
        lot: first.lot.clone(),
        session: first.session.clone(),
        measure: first.measure,
        conditions: first.conditions.clone(),
        n: group.len(),
        n_censored: group.len() - seen.len(),
        mean,
        sd,
        predicted: group[0].predicted.value,
        tolerance,
        z,
    }
}

/// Likeness of a measured and a predicted curve of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveLikeness {
    /// Unit.
    pub unit: String,
    /// Session.
    pub session: String,
    /// Quantity.
    pub measure: Measure,
    /// The score.
    pub likeness: Likeness,
}

/// Likeness of every curve with enough evenly spaced points.
pub fn curves(residuals: &[Residual]) -> Vec<CurveLikeness> {
    let mut groups: Vec<Vec<&Residual>> = Vec::new();
    for r in residuals.iter().filter(|r| r.measured.conditions.rf_hz.is_some() && !r.measured.is_censored()) {
        let same = |g: &&mut Vec<&Residual>| {
            let (x, y) = (&g[0].measured, &r.measured);
            x.unit == y.unit && x.session == y.session && x.measure == y.measure
        };
        match groups.iter_mut().find(same) {
            Some(group) => group.push(r),
            None => groups.push(vec![r]),
        }
    }
    groups.iter_mut().filter_map(|g| likeness_of(g)).collect()
}

fn likeness_of(group: &mut [&Residual]) -> Option<CurveLikeness> {
    let rf = |r: &Residual| r.measured.conditions.rf_hz.unwrap_or(0.0);
    group.sort_by(|a, b| rf(a).total_cmp(&rf(b)));
    let step = rf(group.get(1)?) - rf(group[0]);
    if group.windows(2).any(|w| ((rf(w[1]) - rf(w[0])) - step).abs() > 1e-3 * step) {
        return None;
    }
    let measured: Vec<f64> = group.iter().map(|r| r.measured.value).collect();
    let predicted: Vec<f64> = group.iter().map(|r| r.predicted.value).collect();
    let likeness = fsv::likeness(&predicted, &measured)?;
    let m = &group[0].measured;
    Some(CurveLikeness { unit: m.unit.clone(), session: m.session.clone(), measure: m.measure, likeness })
}
