//! The ledger at work: comparisons go in, learned bands come out and reach the readings of a review.
//!
//! Input: a ledger file. Output: [`Learning`]: per class bias, spread and band, how well it predicts designs left out,
//! what it refuses, drift; [`Learning::learned_band`] for one number and [`apply`] for a whole review.

mod import;
mod page;

pub use import::{read_comparisons, read_durations};
pub use page::page;

use crate::error::ProjectError;
use crate::seal::promised;
use ::ledger::{
    Comparison, DriftReport, DriftSettings, Duration, Entry, Experience, Learned, Ledger, LedgerError, LeftOut, Value,
    Verified, Yield, class_of, find_drift, learn, leave_one_design_out,
};
use quantity::Finding;
use spec::{Band, Item, Limit, Measure, Method, Reading, Review, Verdict};
use std::collections::BTreeMap;
use std::path::Path;

/// Coverage of learned bands unless asked otherwise.
pub const COVERAGE: f64 = 0.90;

/// What was learned about one class.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassLearning {
    /// Key of the class.
    pub class: String,
    /// The band, or why there is none.
    pub learned: Result<Learned, String>,
    /// How often numbers of a design left out lie inside.
    pub left_out: Option<LeftOut>,
}

/// Everything a ledger teaches.
#[derive(Debug, Clone, PartialEq)]
pub struct Learning {
    /// Name of the file.
    pub file: String,
    /// Entries and hash of the last.
    pub verified: Verified,
    /// Comparisons, in the order entered.
    pub comparisons: Vec<Comparison>,
    /// Durations.
    pub durations: Vec<Duration>,
    /// Yields.
    pub yields: Vec<Yield>,
    /// Coverage asked for.
    pub coverage: f64,
    /// Classes in the order of their keys.
    pub classes: Vec<ClassLearning>,
    /// Drift.
    pub drift: DriftReport,
}

/// Reads a ledger, verifies it and learns from it.
///
/// # Errors
/// No ledger, a damaged file, an edited history.
pub fn read(path: &Path, coverage: f64) -> Result<Learning, ProjectError> {
    let ledger = Ledger::open_existing(path)?;
    let verified = ledger.verify()?;
    let (mut comparisons, mut durations, mut yields) = (Vec::new(), Vec::new(), Vec::new());
    for stored in ledger.entries()? {
        match stored.entry {
            Entry::Comparison(c) => comparisons.push(c),
            Entry::Duration(d) => durations.push(d),
            Entry::Yield(y) => yields.push(y),
        }
    }
    let mut by_class: BTreeMap<&str, Vec<(&str, &Value)>> = BTreeMap::new();
    for c in &comparisons {
        for v in &c.values {
            by_class.entry(&v.class).or_default().push((&c.design, v));
        }
    }
    let classes = by_class.iter().map(|(class, values)| learn_class(class, values, coverage)).collect();
    let drift = find_drift(&comparisons, &DriftSettings::default());
    let file = path.display().to_string();
    Ok(Learning { file, verified, classes, drift, comparisons, durations, yields, coverage })
}

fn learn_class(class: &str, values: &[(&str, &Value)], coverage: f64) -> ClassLearning {
    let learned = learn(class, values, coverage).map_err(|e: LedgerError| e.to_string());
    let left_out = leave_one_design_out(class, values, coverage).ok();
    ClassLearning { class: class.into(), learned, left_out }
}

impl Learning {
    /// What was learned about a class; none when it is not there or too few designs carry it.
    pub fn class(&self, key: &str) -> Option<&Learned> {
        self.classes.iter().find(|c| c.class == key)?.learned.as_ref().ok()
    }

    /// Learned model error of a number of a class at a predicted value; none outside the experience of the ledger.
    pub fn learned_band(&self, class: &str, level: f64) -> Option<Band> {
        let learned = self.class(class)?;
        (level >= learned.level.low && level <= learned.level.high).then(|| learned.as_band())
    }

    /// How a prediction stands to the designs in the ledger.
    pub fn experience(&self, technology: &str, class: &str, level: f64, lo_hz: f64) -> Experience {
        let mut outside = Vec::new();
        if !self.comparisons.iter().any(|c| c.technology == technology) {
            let mut known: Vec<&str> = self.comparisons.iter().map(|c| c.technology.as_str()).collect();
            known.sort_unstable();
            known.dedup();
            outside.push(format!("technology `{technology}` is not among `{}`", known.join("`, `")));
        }
        let lo = self.comparisons.iter().filter_map(|c| c.lo_hz);
        let (low, high) = (lo.clone().fold(f64::INFINITY, f64::min), lo.fold(f64::NEG_INFINITY, f64::max));
        if low.is_finite() && (lo_hz < low || lo_hz > high) {
            let range = format!("{:.1} to {:.1} GHz", low / 1e9, high / 1e9);
            outside.push(format!("LO {:.1} GHz lies outside {range}", lo_hz / 1e9));
        }
        match self.class(class) {
            None => outside.push(format!("class `{class}` is not known well enough")),
            Some(l) if level < l.level.low || level > l.level.high => {
                outside.push(format!("{level:.1} lies outside {:.1} to {:.1} of `{class}`", l.level.low, l.level.high));
            }
            Some(_) => {}
        }
        if outside.is_empty() { Experience::Inside } else { Experience::Outside(outside) }
    }
}

/// Gives every reading of a review its learned model error and judges the requirements again.
///
/// Readings outside the experience of the ledger keep their bands; a remark says what is outside.
pub fn apply(review: &mut Review, learning: &Learning, technology: &str, band_hz: (f64, f64)) {
    let mut outside: BTreeMap<String, usize> = BTreeMap::new();
    let mut with_band = 0usize;
    let mut give = |r: &mut Reading| {
        // a product below the claimed floor is a bound: no model error is known of it
        if r.quality.is_bound || !r.value.is_finite() {
            return;
        }
        let class = class_of(r.measure, r.value, r.conditions.rf_hz, Some(band_hz));
        match learning.experience(technology, &class.key, r.value, r.conditions.lo_hz) {
            Experience::Inside => {
                r.quality.bands.model = learning.learned_band(&class.key, r.value);
                with_band += 1;
            }
            Experience::Outside(why) => {
                // the level differs from reading to reading: told once a class
                let what = why.into_iter().find(|w| !w.contains(" lies outside ") || w.starts_with("LO "));
                let what =
                    what.unwrap_or_else(|| format!("class `{}` beyond the predicted values seen before", class.key));
                *outside.entry(what).or_default() += 1;
            }
        }
    };
    review.summary.iter_mut().for_each(&mut give);
    review.sections.iter_mut().flat_map(|s| &mut s.items).for_each(|item| match item {
        Item::Curves(p) => p.curves.iter_mut().flat_map(|c| &mut c.points).for_each(|(_, r)| give(r)),
        Item::Table(t) => t.readings.iter_mut().for_each(&mut give),
        Item::Spurs(g) => g.entries.iter_mut().for_each(|e| give(&mut e.reading)),
        Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => {}
    });
    review.verdicts.iter_mut().filter_map(|v| v.worst.as_mut()).for_each(&mut give);
    let verdicts: Vec<Verdict> = review.verdicts.iter().map(|v| judged_again(review, v, band_hz)).collect();
    review.verdicts = verdicts;
    let n_designs = designs(&learning.comparisons);
    let text = format!(
        "{with_band} numbers carry a model error learned from {n_designs} designs of `{}`, {:.0} % bands",
        learning.file,
        100.0 * learning.coverage
    );
    review.findings.push(Finding::note("learned model error", text));
    for (what, n) in outside {
        let text = format!("{n} numbers have no learned model error: outside experience: {what}");
        review.findings.push(Finding::warning("learned model error", text));
    }
}

/// Number of designs in comparisons.
pub(crate) fn designs(comparisons: &[Comparison]) -> usize {
    let mut names: Vec<&str> = comparisons.iter().map(|c| c.design.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    names.len()
}

/// The verdict under the new bands: of all readings it may have rested on, the worst decides. Bands differ from class to
/// class, so that another reading than the worst before can be the one that decides.
fn judged_again(review: &Review, verdict: &Verdict, band_hz: (f64, f64)) -> Verdict {
    let Some(worst) = &verdict.worst else { return verdict.clone() };
    let limit = &verdict.limit;
    let belongs = |r: &&Reading| match limit.measure {
        Some(measure) => r.measure == measure && is_judged(review, limit, r, worst),
        None => is_in_output_band(r, band_hz) && is_judged(review, limit, r, worst),
    };
    limit.judge(std::iter::once(worst).chain(promised(review).filter(belongs)))
}

/// Measures that hold for signals of the level of the plan, or for any small one; the others bring their own level.
const fn is_at_plan_level(measure: Measure) -> bool {
    !matches!(measure, Measure::InputP1db | Measure::InputIp3 | Measure::InputIp2)
}

fn is_judged(review: &Review, limit: &Limit, r: &Reading, worst: &Reading) -> bool {
    let (c, nominal) = (&r.conditions, &review.nominal);
    let equal = |a: f64, b: f64| a.total_cmp(&b).is_eq();
    let level =
        !is_at_plan_level(r.measure) || c.signal_dbm.is_none_or(|l| nominal.signal_dbm.is_some_and(|n| equal(l, n)));
    let in_band = match (limit.band_hz, c.rf_hz) {
        (Some((low, high)), Some(f)) => f >= low * (1.0 - 1e-9) && f <= high * (1.0 + 1e-9),
        (None, Some(_)) if limit.measure.is_none() => true,
        (None, Some(f)) => worst.conditions.rf_hz.is_some_and(|w| equal(w, f)),
        (_, None) => true,
    };
    equal(c.lo_hz, nominal.lo_hz) && equal(c.lo_dbm, nominal.lo_dbm) && level && in_band
}

/// A product other than the wanted one that falls into the output band, by a full balance.
fn is_in_output_band(r: &Reading, band_hz: (f64, f64)) -> bool {
    let lo_hz = r.conditions.lo_hz;
    let Some(rf_hz) = r.conditions.rf_hz else { return false };
    let if_edges = ((band_hz.0 - lo_hz).abs(), (band_hz.1 - lo_hz).abs());
    let if_band = (if_edges.0.min(if_edges.1), if_edges.0.max(if_edges.1));
    let (product, signal_hz, (low, high)) = match r.measure {
        Measure::Spur(p) => (p, rf_hz, if_band),
        Measure::SpurUp(p) => (p, (rf_hz - lo_hz).abs(), band_hz),
        _ => return false,
    };
    let wanted = product.m_rf.abs() == 1 && product.n_lo.abs() == 1;
    let f = product.frequency_hz(lo_hz, signal_hz).abs();
    !wanted && r.quality.method != Method::Perturbation && f >= low && f <= high
}

/// Appends entries to a ledger, making it when there is none, and writes a backup beside it.
///
/// # Errors
/// A damaged or edited ledger, an entry that is there already; nothing is added then.
pub fn append(path: &Path, entries: &[Entry]) -> Result<Verified, ProjectError> {
    let mut ledger = Ledger::open(path)?;
    let verified = ledger.append(entries)?;
    ledger.back_up(&ledger.backup_path())?;
    Ok(verified)
}

/// Recomputes the chain of a ledger; with `expected`, the hash of its last entry kept elsewhere must be in it.
///
/// # Errors
/// A damaged file, an edited history, an end that was cut off.
pub fn verify(path: &Path, expected: Option<&str>) -> Result<Verified, ProjectError> {
    let ledger = Ledger::open_existing(path)?;
    let verified = ledger.verify()?;
    if let Some(hash) = expected
        && !ledger.entries()?.iter().any(|e| e.hash == hash)
    {
        return Err(LedgerError::Edited {
            file: path.display().to_string(),
            entry: verified.entries as i64,
            what: format!("is the last one, but the hash kept elsewhere ({hash}) belongs to none: the end was cut off or rewritten"),
        }
        .into());
    }
    Ok(verified)
}
