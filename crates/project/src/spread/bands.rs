//! Fabrication bands, promises and asymmetries on the readings of a review.
//!
//! Units are drawn from an expansion of the complex amplitudes at the operating points, so that quantities formed by
//! cancellation get their skewed distribution. A reading takes the band of the quantity of the same measure at the
//! nearest operating point: the distances are kept, its middle is the reading's own. Numbers that no amplitude answers
//! keep none, and the page says which and why.

use super::belongs_to;
use crate::design::{CircuitText, Design};
use crate::error::ProjectError;
use crate::process::DesignProcess;
use crate::seal::is_study;
use numerics::Watch;
use quantity::Finding;
use spec::{Asymmetry, Band, Bound, Figure, Grid, Item, Limit, Measure, Promise, Reading, Review, Section};
use spec::{Verdict, VerdictStatus};
use std::collections::BTreeMap;
use tolerance::intervals::quantile;
use tolerance::{Expansion, Process, Sampler, Scheme, Surrogate};

/// Units drawn for the bands of a review.
const UNITS: usize = 512;
/// Coverage of fabrication bands.
pub const COVERAGE: f64 = 0.9;
/// Share of units that keep one-sided promises.
pub const PROMISED: f64 = 0.98;
/// Seed of the units of a review.
const SEED: u64 = 20;
/// Key of the section that says where the bands come from.
const SECTION: &str = "fabrication";

/// Distribution of every quantity of a process.
pub struct Distributions {
    quantities: Vec<One>,
}

/// Distribution of one quantity, relative to its nominal value.
#[derive(Debug, Clone)]
struct One {
    measure: Measure,
    rf_hz: Option<f64>,
    nominal: f64,
    band: Band,
    /// What [`PROMISED`] of the units stay above, and below.
    above: f64,
    below: f64,
    asymmetry: Option<Asymmetry>,
}

impl One {
    fn new(measure: Measure, rf_hz: Option<f64>, nominal: f64, mut changes: Vec<f64>) -> Self {
        changes.sort_by(f64::total_cmp);
        let at = |share: f64| quantile(&changes, share);
        let (low, high) = (at(0.5 - 0.5 * COVERAGE), at(0.5 + 0.5 * COVERAGE));
        let band = Band { below: -low, above: high, coverage: COVERAGE };
        Self { measure, rf_hz, nominal, band, above: at(1.0 - PROMISED), below: at(PROMISED), asymmetry: None }
    }

    /// The one-sided promise around `value` known to `numeric`, on the side that hurts.
    fn promise(&self, value: f64, numeric: f64) -> Promise {
        let (low, high) = (value + self.above - numeric, value + self.below + numeric);
        let bound = match self.measure {
            Measure::Isolation { .. } | Measure::ReturnLoss(_) => Bound::AtLeast(low),
            // a direct voltage hurts on the side it is on
            Measure::DcOffset if value < 0.0 => Bound::AtLeast(low),
            _ => Bound::AtMost(high),
        };
        Promise { bound, confidence: PROMISED }
    }
}

impl Distributions {
    /// Draws units from a surrogate of the process.
    ///
    /// # Errors
    /// Spreads that cannot be drawn.
    pub fn new(process: &DesignProcess, surrogate: &Surrogate) -> Result<Self, ProjectError> {
        let sampler = Sampler::new(process.variables(), process.correlations())?;
        let draws = sampler.draws(Scheme::Sobol, UNITS, SEED);
        let units: Vec<Vec<f64>> = draws.iter().map(|d| surrogate.measures(process, &d.total())).collect();
        let nominal = process.measures(&surrogate.expansion().values);
        let sensitive = sensitivities(process, surrogate, &nominal);
        let of = |(q, quantity): (usize, &tolerance::Quantity)| {
            let changes = units.iter().map(|u| u[q] - nominal[q]).collect();
            let one = One::new(quantity.measure, quantity.conditions.rf_hz, nominal[q], changes);
            One { asymmetry: sensitive[q].clone(), ..one }
        };
        let mut quantities: Vec<One> = process.quantities().iter().enumerate().map(of).collect();
        quantities.extend(flatness(process, &units, &nominal));
        Ok(Self { quantities })
    }

    /// Band of a quantity around its nominal value, and what is promised of it.
    pub fn of(&self, quantity: &tolerance::Quantity) -> Option<(Band, Promise)> {
        let one = self.nearest(quantity.measure, quantity.conditions.rf_hz)?;
        Some((one.band, one.promise(one.nominal, 0.0)))
    }

    fn nearest(&self, measure: Measure, rf_hz: Option<f64>) -> Option<&One> {
        let distance = |q: &One| match (q.rf_hz, rf_hz) {
            (Some(a), Some(b)) => (a - b).abs(),
            _ => 0.0,
        };
        let own = self.quantities.iter().filter(|q| q.measure == stands_for(measure));
        own.min_by(|a, b| distance(a).total_cmp(&distance(b)))
    }

    /// Band, promise and asymmetry of a reading; false when nothing here answers it.
    fn mark(&self, reading: &mut Reading) -> bool {
        let Some(one) = self.nearest(reading.measure, reading.conditions.rf_hz) else { return false };
        if !one.band.below.is_finite() || !one.band.above.is_finite() {
            return false;
        }
        let bands = &mut reading.quality.bands;
        if reading.quality.is_bound {
            // the value is a floor, not the number: only what the units themselves keep can be said
            if reading.quality.cancellation.is_some() || one.promise_matters() {
                bands.promise = Some(one.promise(one.nominal, 0.0));
                bands.asymmetry.clone_from(&one.asymmetry);
            }
            return true;
        }
        bands.fabrication = Some(one.band);
        if reading.quality.cancellation.is_some() {
            bands.asymmetry.clone_from(&one.asymmetry);
            let numeric = reading.quality.known_within().unwrap_or(0.0);
            reading.quality.bands.promise = Some(one.promise(reading.value, numeric));
        }
        true
    }
}

impl One {
    /// Numbers that stand at their floor are there by cancellation where they leave it among the units.
    fn promise_matters(&self) -> bool {
        matches!(self.measure, Measure::Isolation { .. } | Measure::Spur(_) | Measure::SpurUp(_))
    }
}

/// The measure whose fabrication band stands for another: noise figures move with the loss, as their numeric band does.
fn stands_for(measure: Measure) -> Measure {
    match measure {
        Measure::NoiseFigureSsb | Measure::NoiseFigureDsb => Measure::ConversionLoss,
        other => other,
    }
}

/// Flatness of every unit over the operating points.
fn flatness(process: &DesignProcess, units: &[Vec<f64>], nominal: &[f64]) -> Option<One> {
    let of: Vec<usize> = (0..process.quantities().len())
        .filter(|&q| process.quantities()[q].measure == Measure::ConversionLoss)
        .collect();
    let range = |m: &[f64]| {
        let (low, high) = of.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &q| (l.min(m[q]), h.max(m[q])));
        high - low
    };
    let middle = range(nominal);
    (of.len() > 1).then(|| One::new(Measure::Flatness, None, middle, units.iter().map(|u| range(u) - middle).collect()))
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
/// Variables that cannot be solved leave the review without bands and with a remark.
///
/// # Errors
/// The wish of `watch` to stop.
pub fn review_bands(design: &Design, review: &mut Review, watch: &dyn Watch) -> Result<(), ProjectError> {
    if design.process.is_empty() {
        return Ok(());
    }
    if !matches!(design.circuit, CircuitText::Free(_)) {
        let text = "a circuit from a template has no numbers to spread: no reading has a fabrication band";
        review.findings.push(Finding::note("fabrication bands", text));
        return Ok(());
    }
    watch.step("fabrication bands", 0, 1)?;
    let found = DesignProcess::new(design, watch).and_then(|process| add_bands(&process, review, watch));
    match found {
        Err(error) if !matches!(error.kind(), crate::ErrorKind::Cancelled) => {
            let text = format!("no reading has a fabrication band, because the spread was not solved: {error}");
            review.findings.push(Finding::warning("fabrication bands", text));
        }
        other => other?,
    }
    watch.step("fabrication bands", 1, 1)?;
    Ok(())
}

/// Puts fabrication bands on every reading of a review at nominal LO, and judges the requirements again.
///
/// # Errors
/// As [`DesignProcess::new`].
pub fn add_bands(process: &DesignProcess, review: &mut Review, watch: &dyn Watch) -> Result<(), ProjectError> {
    watch.step("fabrication bands", 0, 1)?;
    // first order in the complex amplitudes: the levels formed from them keep their skew
    let at = vec![0.0; process.variables().len()];
    let (values, gradient) = process.differentiate(&at)?;
    let surrogate = Surrogate::new(Expansion { at, values, gradient, curvature: Vec::new() });
    let distributions = Distributions::new(process, &surrogate)?;
    let plans = process.design().plans();
    let at_nominal = |r: &Reading| {
        let level = |s: f64| plans.iter().any(|(_, p)| p.signal_dbm.total_cmp(&s).is_eq());
        let (lo_hz, lo_dbm) = plans.first().map_or((0.0, 0.0), |(_, p)| (p.lo_hz, p.lo_dbm));
        r.conditions.lo_hz.total_cmp(&lo_hz).is_eq()
            && r.conditions.lo_dbm.total_cmp(&lo_dbm).is_eq()
            && r.conditions.signal_dbm.is_none_or(level)
    };
    let mut tally = Tally::default();
    let mut mark = |r: &mut Reading| {
        // an intercept has a level of its own; what no amplitude answers is told as such first
        let is_asked = at_nominal(r) || distributions.nearest(r.measure, None).is_none();
        let is_marked = is_asked.then(|| distributions.mark(r));
        tally.count(r.measure, is_marked);
    };
    for section in review.sections.iter_mut().filter(|s| !is_study(s)) {
        for item in &mut section.items {
            match item {
                Item::Curves(p) => p.curves.iter_mut().flat_map(|c| &mut c.points).for_each(|(_, r)| mark(r)),
                Item::Table(t) => t.readings.iter_mut().for_each(&mut mark),
                Item::Spurs(g) => g.entries.iter_mut().for_each(|e| mark(&mut e.reading)),
                Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => {}
            }
        }
    }
    review.summary.iter_mut().for_each(mark);
    judge_again(review, &distributions, process, &at_nominal);
    review.sections.push(section(process, &distributions, &tally));
    Ok(())
}

/// Judges requirements by all readings with their bands: a pass or a failure can become an open question.
fn judge_again(
    review: &mut Review,
    distributions: &Distributions,
    process: &DesignProcess,
    at_nominal: &dyn Fn(&Reading) -> bool,
) {
    let marked: Vec<Reading> = review
        .sections
        .iter()
        .filter(|s| !is_study(s))
        .flat_map(|s| &s.items)
        .flat_map(readings_of)
        .filter(|r| at_nominal(r) && r.quality.bands.fabrication.is_some())
        .cloned()
        .collect();
    for verdict in &mut review.verdicts {
        let Some(worst) = verdict.worst.as_mut().filter(|w| at_nominal(w)) else { continue };
        distributions.mark(worst);
        let mut judged: Vec<Reading> = marked.iter().filter(|r| answers(&verdict.limit, r)).cloned().collect();
        if verdict.limit.measure.is_none() {
            judged = products(verdict, distributions, process);
        }
        judged.extend(verdict.worst.iter().cloned());
        let again = verdict.limit.judge(&judged);
        if again.status == VerdictStatus::Undecided {
            *verdict = again;
        }
    }
}

fn readings_of(item: &Item) -> Vec<&Reading> {
    match item {
        Item::Curves(p) => p.curves.iter().flat_map(|c| c.points.iter().map(|(_, r)| r)).collect(),
        Item::Table(t) => t.readings.iter().collect(),
        Item::Spurs(g) => g.entries.iter().map(|e| &e.reading).collect(),
        Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => Vec::new(),
    }
}

fn answers(limit: &Limit, r: &Reading) -> bool {
    let inside = |f: f64| limit.band_hz.is_none_or(|(a, b)| f >= a * (1.0 - 1e-9) && f <= b * (1.0 + 1e-9));
    limit.measure == Some(r.measure) && r.conditions.rf_hz.is_none_or(inside)
}

/// Every product in the output band as a reading with the band of its own quantity.
fn products(verdict: &Verdict, distributions: &Distributions, process: &DesignProcess) -> Vec<Reading> {
    let Some(worst) = &verdict.worst else { return Vec::new() };
    let of = |(quantity, one): (&tolerance::Quantity, &One)| {
        let mut r = Reading { measure: quantity.measure, value: one.nominal, ..worst.clone() };
        r.conditions = quantity.conditions.clone();
        r.quality.cancellation = None;
        r.quality.is_bound = false;
        r.quality.bands = spec::Bands { fabrication: Some(one.band), ..spec::Bands::default() };
        r
    };
    let all = process.quantities().iter().zip(&distributions.quantities);
    all.filter(|(q, _)| belongs_to(&verdict.limit, q)).map(of).collect()
}

/// Which measures got a band, and why others did not.
#[derive(Default)]
struct Tally {
    /// With a band, without an amplitude, under other conditions.
    by_measure: BTreeMap<Measure, [usize; 3]>,
}

impl Tally {
    fn count(&mut self, measure: Measure, is_marked: Option<bool>) {
        let place = match is_marked {
            Some(true) => 0,
            Some(false) => 1,
            None => 2,
        };
        self.by_measure.entry(measure).or_default()[place] += 1;
    }
}

/// Why a measure without an amplitude among the operating points has no band.
fn why_not(measure: Measure) -> &'static str {
    match measure {
        Measure::InputP1db | Measure::InputIp3 | Measure::InputIp2 | Measure::SpurSlope(_) => {
            "found by a search over level; its derivatives are not formed"
        }
        Measure::LoHarmonic { .. } | Measure::DiodeCurrent { .. } => "not among the amplitudes that are derived",
        Measure::PhaseDetectorVoltage | Measure::PhaseDetectorSlope => "a signal at the LO frequency is another state",
        Measure::LoNoiseRejection => "a ratio of two small-signal responses that are not derived",
        Measure::Spur(_) | Measure::SpurUp(_) => "falls outside the output band at every operating point",
        _ => "no operating point answers it",
    }
}

/// Where the bands come from, what they are, and what has none.
fn section(process: &DesignProcess, distributions: &Distributions, tally: &Tally) -> Section {
    let (k, m) = process.orders();
    let text = format!(
        "How fabricated units spread around the numbers of this review: {UNITS} units drawn from {} process variables of \
         the design at the levels lot, wafer, tile and diode. Every complex amplitude is expanded to first order in all \
         variables about the nominal point, by exact derivatives of the balance at {k} LO harmonics and signal order {m}; \
         levels are formed from the moved amplitudes, so that numbers made by cancellation keep their skew. A band holds \
         the central {:.0} % of the units, a promise {:.0} % of them. Numbers between operating points take the band of \
         the nearest one, noise figures that of the conversion loss, flatness that of the operating points; studies of the numerics and of \
         an impure LO have none. `mixwright \
         spread` gives yield, contributions and corners to second order, checked by full solutions.",
        process.variables().len(),
        100.0 * COVERAGE,
        100.0 * PROMISED
    );
    let rows = distributions.quantities.iter().map(|one| {
        let unit = one.measure.unit();
        let (low, high) = one.band.around(one.nominal);
        let promise = match one.promise(one.nominal, 0.0).bound {
            Bound::AtLeast(x) => format!("≥ {x:.2}"),
            Bound::AtMost(x) => format!("≤ {x:.2}"),
        };
        let asymmetry = one.asymmetry.as_ref().map_or_else(String::new, |a| format!("{} ({:+.2})", a.name, a.change));
        let rf = one.rf_hz.map_or_else(String::new, |f| format!("{:.3}", f / 1e9));
        let value = format!("{:.2}", one.nominal);
        vec![one.measure.label(), rf, value, format!("{low:.2} to {high:.2}"), promise, asymmetry, unit.into()]
    });
    let heads = [
        "Quantity",
        "RF, GHz",
        "Nominal",
        "Central 90 % of the units",
        "98 % of the units",
        "Asymmetry of one standard deviation that moves it most",
        "Unit",
    ];
    let bands = Grid {
        title: "Fabrication bands at the operating points".into(),
        heads: heads.map(String::from).to_vec(),
        rows: rows.collect(),
    };
    let mut without: BTreeMap<(String, &str), usize> = BTreeMap::new();
    for (measure, [_, unanswered, elsewhere]) in &tally.by_measure {
        let label = match measure {
            Measure::Spur(_) | Measure::SpurUp(_) => "Products".into(),
            Measure::SpurSlope(_) => "Slopes of products".into(),
            Measure::LoHarmonic { .. } => "LO harmonics".into(),
            Measure::DiodeCurrent { .. } => "Mean currents of diodes".into(),
            other => other.label(),
        };
        let other = "at another LO or signal level, or LO frequency, than the plan's";
        for (n, why) in [(unanswered, why_not(*measure)), (elsewhere, other)] {
            if *n > 0 {
                *without.entry((label.clone(), why)).or_default() += n;
            }
        }
    }
    let rows = without.into_iter().map(|((label, why), n)| vec![label, n.to_string(), why.to_string()]).collect();
    let rest = Grid {
        title: "Numbers without a fabrication band".into(),
        heads: ["Quantity", "Readings", "Why"].map(String::from).to_vec(),
        rows,
    };
    Section {
        key: SECTION.into(),
        title: "Spread in fabrication".into(),
        text,
        items: vec![Item::Figure(Figure::Grid(bands)), Item::Figure(Figure::Grid(rest))],
    }
}
