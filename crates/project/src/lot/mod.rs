//! Measured lots against sealed predictions.
//!
//! Input: a seal and bench records. Output: a [`LotReport`]: residuals, score card, requirements unit by unit, entries
//! for the ledger; and a page of it. The seal is compared with, never a new run.

mod page;
mod session_file;

pub use page::{csv, page};
pub use session_file::read as read_session;

use crate::error::ProjectError;
use crate::seal;
use ::ledger::{Class, Comparison as Record, Entry, Seal, Value, Yield, class_of};
use measurement::compare::{self, Comparison, LikeSettings, Residual};
use measurement::lot::{CurveLikeness, LotSummary};
use measurement::{Measured, MeasurementError, Session, State, lot};
use spec::{Bands, Limit, Method, Outcome, Quality, Reading, VerdictStatus};
use std::path::{Path, PathBuf};

/// How many numbers of a class lie in their band.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassScore {
    /// Session.
    pub session: String,
    /// Class.
    pub class: Class,
    /// Numbers with a band.
    pub n: usize,
    /// Of them inside.
    pub inside: usize,
    /// Numbers without a band.
    pub unbanded: usize,
    /// Mean residual of those that are no bounds.
    pub mean: f64,
    /// Largest distance in standard deviations, with sign.
    pub worst_z: f64,
}

/// A requirement judged on measured units of a session.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Session.
    pub session: String,
    /// Lot.
    pub lot: String,
    /// Requirement.
    pub limit: Limit,
    /// Each unit with its verdict and worst value.
    pub units: Vec<(String, VerdictStatus, f64)>,
}

impl Judged {
    /// Units with a verdict.
    pub fn count(&self, status: VerdictStatus) -> usize {
        self.units.iter().filter(|(_, s, _)| *s == status).count()
    }
}

/// Everything a comparison says.
#[derive(Debug, Clone, PartialEq)]
pub struct LotReport {
    /// The seal.
    pub seal: Seal,
    /// Bench records.
    pub sessions: Vec<Session>,
    /// What was measured.
    pub measured: Vec<Measured>,
    /// Residuals and refusals.
    pub comparison: Comparison,
    /// Per lot, session, quantity and condition.
    pub summaries: Vec<LotSummary>,
    /// Likeness of curves.
    pub curves: Vec<CurveLikeness>,
    /// Score card.
    pub score: Vec<ClassScore>,
    /// Requirements.
    pub judged: Vec<Judged>,
}

/// Compares sessions with a seal.
///
/// # Errors
/// Files that cannot be read or are wrong, a seal that was changed, two sessions of one name, a session of which no
/// number was measured under the sealed conditions.
pub fn compare(seal_path: &Path, sessions: &[PathBuf]) -> Result<LotReport, ProjectError> {
    let seal = seal::read(seal_path)?;
    let mut records = Vec::new();
    let mut measured = Vec::new();
    for path in sessions {
        let (session, values) = read_session(path)?;
        if let Some(k) = records.iter().position(|r: &Session| r.name == session.name) {
            return Err(ProjectError::Table {
                file: path.display().to_string(),
                line: 1,
                expected: "sessions of different names".into(),
                found: format!("`{}` in `{}` as well", session.name, sessions[k].display()),
            });
        }
        records.push(session);
        measured.extend(values);
    }
    report(seal, records, measured)
}

/// The same from what is in memory.
///
/// # Errors
/// A session of which no number was measured under the sealed conditions.
pub fn report(seal: Seal, sessions: Vec<Session>, measured: Vec<Measured>) -> Result<LotReport, ProjectError> {
    let comparison = compare::compare(&measured, &seal.readings(), &LikeSettings::default());
    for session in &sessions {
        if !comparison.residuals.iter().any(|r| r.measured.session == session.name) {
            return Err(nothing_alike(session, &comparison).into());
        }
    }
    let summaries = lot::summarise(&comparison.residuals);
    let curves = lot::curves(&comparison.residuals);
    let score = score(&seal, &comparison.residuals);
    let judged = sessions.iter().flat_map(|s| judge(&seal.limits(), s, &measured)).collect();
    Ok(LotReport { seal, sessions, measured, comparison, summaries, curves, score, judged })
}

fn nothing_alike(session: &Session, comparison: &Comparison) -> MeasurementError {
    let mut why: Vec<&str> = Vec::new();
    for refusal in comparison.refused.iter().filter(|r| r.measured.session == session.name) {
        for line in &refusal.why {
            if !why.contains(&line.as_str()) && why.len() < 5 {
                why.push(line);
            }
        }
    }
    MeasurementError::NothingAlike { session: session.name.clone(), found: why.join("; ") }
}

/// Class of a residual, by its prediction.
pub fn class_of_residual(seal: &Seal, r: &Residual) -> Class {
    let band = Some(seal.head.entry.rf_band_hz);
    class_of(r.measured.measure, r.predicted.value, r.measured.conditions.rf_hz, band)
}

fn score(seal: &Seal, residuals: &[Residual]) -> Vec<ClassScore> {
    let mut out: Vec<ClassScore> = Vec::new();
    let mut counted: Vec<usize> = Vec::new();
    for r in residuals {
        let class = class_of_residual(seal, r);
        let same = |s: &ClassScore| s.session == r.measured.session && s.class == class;
        let k = out.iter().position(same).unwrap_or_else(|| {
            let session = r.measured.session.clone();
            out.push(ClassScore { session, class, n: 0, inside: 0, unbanded: 0, mean: 0.0, worst_z: 0.0 });
            counted.push(0);
            out.len() - 1
        });
        let s = &mut out[k];
        match r.is_inside() {
            Some(inside) => {
                s.n += 1;
                s.inside += usize::from(inside);
            }
            None => s.unbanded += 1,
        }
        if let Some(z) = r.z.filter(|z| z.abs() > s.worst_z.abs()) {
            s.worst_z = z;
        }
        if !r.measured.is_censored() {
            s.mean += r.residual;
            counted[k] += 1;
        }
    }
    for (s, n) in out.iter_mut().zip(counted) {
        s.mean /= n.max(1) as f64;
    }
    out
}

/// A measured value as a reading: its band is the 90 % interval of the bench.
pub(crate) fn as_reading(m: &Measured) -> Reading {
    let half = 1.644_854 * m.u; // normal quantile of 95 %
    Reading {
        measure: m.measure,
        value: m.value,
        conditions: m.conditions.clone(),
        quality: Quality {
            outcome: Outcome::Converged,
            method: Method::Measured,
            numeric_band: Some(half),
            orders: (0, 0),
            residual: 0.0,
            continued: None,
            cancellation: None,
            is_bound: matches!(m.state, State::Censored(_)),
            bands: Bands::default(),
        },
    }
}

fn judge(limits: &[Limit], session: &Session, measured: &[Measured]) -> Vec<Judged> {
    let own: Vec<&Measured> = measured.iter().filter(|m| m.session == session.name).collect();
    let mut units: Vec<&str> = own.iter().map(|m| m.unit.as_str()).collect();
    units.sort_unstable();
    units.dedup();
    let of_limit = |limit: &Limit, m: &Measured| {
        let in_band = match (limit.band_hz, m.conditions.rf_hz) {
            (Some((low, high)), Some(f)) => f >= low * (1.0 - 1e-9) && f <= high * (1.0 + 1e-9),
            _ => true,
        };
        in_band && limit.measure == Some(m.measure)
    };
    let mut out = Vec::new();
    for limit in limits {
        let mut judged =
            Judged { session: session.name.clone(), lot: session.lot.clone(), limit: limit.clone(), units: Vec::new() };
        for unit in &units {
            let readings: Vec<Reading> =
                own.iter().filter(|m| m.unit == *unit && of_limit(limit, m)).map(|m| as_reading(m)).collect();
            let verdict = limit.judge(&readings);
            if let Some(worst) = verdict.worst {
                judged.units.push(((*unit).into(), verdict.status, worst.value));
            }
        }
        if !judged.units.is_empty() {
            out.push(judged);
        }
    }
    out
}

/// What the ledger keeps of a comparison: one entry a session, and the yields.
pub fn records(report: &LotReport) -> Vec<Entry> {
    let mut out = Vec::new();
    for session in &report.sessions {
        let own = report.comparison.residuals.iter().filter(|r| r.measured.session == session.name);
        out.push(Entry::Comparison(Record {
            design: report.seal.head.entry.design.clone(),
            technology: report.seal.head.entry.technology.clone(),
            lot: session.lot.clone(),
            session: session.name.clone(),
            date: session.date.clone(),
            foundry: session.foundry.clone(),
            reel: session.reel.clone(),
            lab: session.lab.clone(),
            seal: report.seal.hash.clone(),
            lo_hz: Some(session.conditions.lo_hz),
            values: own.map(|r| value(&report.seal, r)).collect(),
        }));
    }
    for j in &report.judged {
        let passed = j.count(VerdictStatus::Pass) as u64;
        out.push(Entry::Yield(Yield {
            design: report.seal.head.entry.design.clone(),
            lot: j.lot.clone(),
            requirement: format!("{}, session {}", limit_words(&j.limit), j.session),
            tested: j.units.len() as u64,
            passed,
            predicted: None,
        }));
    }
    out
}

fn value(seal: &Seal, r: &Residual) -> Value {
    let (low, high) = r.band();
    Value {
        class: class_of_residual(seal, r).key,
        measure: r.measured.measure.key(),
        rf_hz: r.measured.conditions.rf_hz,
        predicted: r.predicted.value,
        residual: r.residual,
        u: r.measured.u,
        half_band: r.z.map(|_| 0.5 * (high - low)),
        inside: r.is_inside(),
        censored: r.measured.is_censored() || r.predicted.quality.is_bound,
    }
}

/// `Conversion loss ≤ 8 dB`.
pub(crate) fn limit_words(limit: &Limit) -> String {
    let (name, unit) = match limit.measure {
        Some(m) => (m.label(), m.unit()),
        None => ("Any product in the output band".into(), "dBc"),
    };
    match limit.bound {
        spec::Bound::AtMost(x) => format!("{name} ≤ {x} {unit}"),
        spec::Bound::AtLeast(x) => format!("{name} ≥ {x} {unit}"),
    }
}
