//! Fabrication bands, promises and asymmetries on the readings of a review.
//!
//! The spread is drawn from a surrogate of first order in the complex amplitudes, so that quantities formed by
//! cancellation get their skewed distribution. A reading takes the band of the quantity of the same measure at the
//! nearest anchor; its distances are kept, its middle is the reading's own.

use crate::design::{CircuitText, Design};
use crate::error::ProjectError;
use crate::process::DesignProcess;
use mixer::Plan;
use numerics::Watch;
use spec::{Asymmetry, Band, Bound, Item, Measure, Promise, Reading, Review, VerdictStatus};
use tolerance::intervals::quantile;
use tolerance::{Expansion, Process, Sampler, Scheme, Surrogate};

/// Units drawn for the bands of a review.
const UNITS: usize = 512;
/// Coverage of fabrication bands.
const COVERAGE: f64 = 0.9;
/// Confidence of one-sided promises.
const CONFIDENCE: f64 = 0.98;
/// Seed of the units of a review.
const SEED: u64 = 20;

/// Distribution of every quantity of a process.
pub(super) struct Distributions {
    quantities: Vec<One>,
}

struct One {
    measure: Measure,
    rf_hz: Option<f64>,
    band: Band,
    /// Values that `CONFIDENCE` of the units stay above and below, relative to nominal.
    above: f64,
    below: f64,
    asymmetry: Option<Asymmetry>,
}

impl Distributions {
    /// Draws units from the surrogate.
    ///
    /// # Errors
    /// Spreads that cannot be drawn.
    pub(super) fn new(process: &DesignProcess, surrogate: &Surrogate) -> Result<Self, ProjectError> {
        let sampler = Sampler::new(process.variables(), process.correlations())?;
        let draws = sampler.draws(Scheme::Sobol, UNITS, SEED);
        let units: Vec<Vec<f64>> = draws.iter().map(|d| surrogate.measures(process, &d.total())).collect();
        let nominal = process.measures(&surrogate.expansion().values);
        let sensitive = sensitivities(process, surrogate, &nominal);
        let of = |(q, quantity): (usize, &tolerance::Quantity)| {
            let mut v: Vec<f64> = units.iter().map(|u| u[q] - nominal[q]).collect();
            v.sort_by(f64::total_cmp);
            let (low, high) = (quantile(&v, 0.5 - 0.5 * COVERAGE), quantile(&v, 0.5 + 0.5 * COVERAGE));
            One {
                measure: quantity.measure,
                rf_hz: quantity.conditions.rf_hz,
                band: Band { below: -low, above: high, coverage: COVERAGE },
                above: quantile(&v, 1.0 - CONFIDENCE),
                below: quantile(&v, CONFIDENCE),
                asymmetry: sensitive[q].clone(),
            }
        };
        Ok(Self { quantities: process.quantities().iter().enumerate().map(of).collect() })
    }

    fn nearest(&self, measure: Measure, rf_hz: Option<f64>) -> Option<&One> {
        let distance = |q: &One| match (q.rf_hz, rf_hz) {
            (Some(a), Some(b)) => (a - b).abs(),
            _ => 0.0,
        };
        let own = self.quantities.iter().filter(|q| q.measure == measure);
        own.min_by(|a, b| distance(a).total_cmp(&distance(b)))
    }

    fn mark(&self, reading: &mut Reading) {
        let Some(one) = self.nearest(reading.measure, reading.conditions.rf_hz) else { return };
        if reading.quality.is_bound || !one.band.below.is_finite() || !one.band.above.is_finite() {
            return;
        }
        reading.quality.bands.fabrication = Some(one.band);
        if reading.quality.cancellation.is_none() {
            return;
        }
        let numeric = reading.quality.known_within().unwrap_or(0.0);
        let bound = match reading.measure {
            // more isolation is better, less of a product is better
            Measure::Isolation { .. } | Measure::ReturnLoss(_) => Bound::AtLeast(reading.value + one.above - numeric),
            _ => Bound::AtMost(reading.value + one.below + numeric),
        };
        reading.quality.bands.promise = Some(Promise { bound, confidence: CONFIDENCE });
        reading.quality.bands.asymmetry.clone_from(&one.asymmetry);
    }
}

/// The variable of one diode or strip that moves each quantity most under one standard deviation.
fn sensitivities(process: &DesignProcess, surrogate: &Surrogate, nominal: &[f64]) -> Vec<Option<Asymmetry>> {
    let mut out: Vec<Option<Asymmetry>> = vec![None; nominal.len()];
    for (k, v) in process.variables().iter().enumerate() {
        // one diode against its neighbours is a departure from symmetry; what moves all alike is not
        let single = v.sd[tolerance::Level::Diode as usize] > 0.0 || v.name.contains("registration");
        if !single {
            continue;
        }
        for sign in [1.0, -1.0] {
            let mut x = vec![0.0; process.variables().len()];
            x[k] = sign * v.total_sd();
            let moved = surrogate.measures(process, &x);
            for (q, best) in out.iter_mut().enumerate() {
                let change = moved[q] - nominal[q];
                if best.as_ref().is_none_or(|b| change.abs() > b.change.abs()) {
                    let step = format!("{:+.3} {}", x[k], v.unit);
                    *best = Some(Asymmetry { name: v.name.clone(), step, change });
                }
            }
        }
    }
    out
}

/// Puts fabrication bands on a review, where the design says what spreads.
///
/// # Errors
/// As [`DesignProcess::new`].
pub fn review_bands(design: &Design, review: &mut Review, watch: &dyn Watch) -> Result<(), ProjectError> {
    if design.process.is_empty() || !matches!(design.circuit, CircuitText::Free(_)) {
        return Ok(());
    }
    let process = DesignProcess::new(design, watch)?;
    match design.plans().first() {
        Some((_, plan)) => add_bands(&process, review, plan, watch),
        None => Ok(()),
    }
}

/// Puts fabrication bands on every reading of a review at nominal LO, and judges the requirements again.
///
/// # Errors
/// As [`DesignProcess::new`].
pub fn add_bands(
    process: &DesignProcess,
    review: &mut Review,
    plan: &Plan,
    watch: &dyn Watch,
) -> Result<(), ProjectError> {
    watch.step("fabrication bands", 0, 1)?;
    // first order in the complex amplitudes: the levels formed from them keep their skew
    let at = vec![0.0; process.variables().len()];
    let (values, gradient) = process.differentiate(&at)?;
    let surrogate = Surrogate::new(Expansion { at, values, gradient, curvature: Vec::new() });
    let distributions = Distributions::new(process, &surrogate)?;
    let at_nominal = |r: &Reading| {
        r.conditions.lo_hz.total_cmp(&plan.lo_hz).is_eq()
            && r.conditions.lo_dbm.total_cmp(&plan.lo_dbm).is_eq()
            && r.conditions.signal_dbm.is_none_or(|s| s.total_cmp(&plan.signal_dbm).is_eq())
    };
    let mark = |r: &mut Reading| {
        if at_nominal(r) {
            distributions.mark(r);
        }
    };
    for item in review.sections.iter_mut().flat_map(|s| &mut s.items) {
        match item {
            Item::Curves(p) => p.curves.iter_mut().flat_map(|c| &mut c.points).for_each(|(_, r)| mark(r)),
            Item::Table(t) => t.readings.iter_mut().for_each(mark),
            Item::Spurs(g) => g.entries.iter_mut().for_each(|e| mark(&mut e.reading)),
            Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => {}
        }
    }
    review.summary.iter_mut().for_each(mark);
    for verdict in &mut review.verdicts {
        if let Some(worst) = &mut verdict.worst
            && at_nominal(worst)
        {
            distributions.mark(worst);
            let limit = verdict.limit.clone();
            // the band can turn a pass or a failure into an open question, never the other way round
            let judged = limit.judge([&*worst]);
            if judged.status == VerdictStatus::Undecided {
                verdict.status = judged.status;
            }
        }
    }
    watch.step("fabrication bands", 1, 1)?;
    Ok(())
}
