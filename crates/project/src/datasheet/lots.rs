//! Measured units for a datasheet.
//!
//! Input: bench records. Output: the numbers that were measured under the conditions of the sheet; every other one is
//! left out and counted. A number measured twice on one unit counts once, from the latest session.

use super::Options;
use crate::error::ProjectError;
use crate::lot::read_session;
use ::datasheet::{Measured, Sample};
use handover::{HandoverError, Model};
use measurement::compare::{LikeSettings, differences};
use measurement::{Measured as BenchNumber, Session};
use quantity::Finding;
use spec::Conditions;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Bench records named on the command line: files as they are, of folders every `.toml` file that names a session.
///
/// # Errors
/// Folders or files that cannot be read, a folder without a bench record.
pub fn session_files(paths: &[PathBuf]) -> Result<Vec<PathBuf>, ProjectError> {
    let mut out = Vec::new();
    for path in paths {
        if !path.is_dir() {
            out.push(path.clone());
            continue;
        }
        let mut found = Vec::new();
        for entry in std::fs::read_dir(path).map_err(ProjectError::io("read the folder", path))? {
            let file = entry.map_err(ProjectError::io("read the folder", path))?.path();
            if file.extension().is_some_and(|e| e == "toml") && is_session(&file)? {
                found.push(file);
            }
        }
        if found.is_empty() {
            let expected = "bench records (`.toml` files with a `session`)";
            return Err(HandoverError::mismatch(expected, "none", path.display().to_string()).into());
        }
        found.sort();
        out.extend(found);
    }
    Ok(out)
}

fn is_session(file: &Path) -> Result<bool, ProjectError> {
    let bytes = std::fs::read(file).map_err(ProjectError::io("read", file))?;
    let text = String::from_utf8_lossy(&bytes);
    Ok(text.lines().any(|l| l.trim_start().starts_with("session") && l.contains('=')))
}

/// Reads the bench records of the options.
pub(super) fn read(
    model: &Model,
    options: &Options,
    findings: &mut Vec<Finding>,
) -> Result<Option<Measured>, ProjectError> {
    if options.sessions.is_empty() {
        return Ok(None);
    }
    let mut all: Vec<(Session, Vec<BenchNumber>)> = Vec::new();
    for path in &options.sessions {
        all.push(read_session(path)?);
    }
    all.sort_by(|a, b| a.0.date.cmp(&b.0.date).then(a.0.name.cmp(&b.0.name)));
    let nominal = nominal(model);
    // later sessions overwrite earlier ones
    let mut kept: BTreeMap<(String, Option<u64>, String, String), Sample> = BTreeMap::new();
    let (mut repeated, mut unlike) = (0, BTreeMap::<String, usize>::new());
    for number in all.iter().flat_map(|(_, n)| n) {
        let here = Conditions { rf_hz: number.conditions.rf_hz, if_hz: number.conditions.if_hz, ..nominal.clone() };
        let different = differences(number.measure, &number.conditions, &here, &LikeSettings::default());
        if let Some(first) = different.first() {
            *unlike.entry(first.clone()).or_default() += 1;
            continue;
        }
        let rf_hz = number.conditions.rf_hz;
        let key = (number.measure.key(), rf_hz.map(f64::to_bits), number.lot.clone(), number.unit.clone());
        let sample = Sample {
            measure: number.measure,
            rf_hz,
            lot: number.lot.clone(),
            unit: number.unit.clone(),
            value: number.value,
            at_floor: number.is_censored(),
        };
        repeated += usize::from(kept.insert(key, sample).is_some());
    }
    if repeated > 0 {
        let text = format!("{repeated} numbers were measured in several sessions; the latest counts");
        findings.push(Finding::note("measured units", text));
    }
    for (why, count) in unlike {
        findings.push(Finding::warning("measured units", format!("{count} numbers left out: {why}")));
    }
    if kept.is_empty() {
        let place = "the measured units";
        return Err(HandoverError::mismatch("numbers under the conditions of the sheet", "none", place).into());
    }
    let sessions: Vec<&Session> = all.iter().map(|(s, _)| s).collect();
    Ok(Some(Measured {
        samples: kept.into_values().collect(),
        coverage: options.coverage,
        confidence: options.confidence,
        source: source(&sessions),
    }))
}

/// Conditions of the sheet: leading plan, nominal drive.
fn nominal(model: &Model) -> Conditions {
    let plan = &model.plans[0].plan;
    Conditions {
        lo_hz: plan.lo_hz,
        lo_dbm: plan.lo_dbm,
        signal_dbm: Some(plan.signal_dbm),
        temp_k: model.temp_k,
        terminations: model.terminations.clone(),
        ..Conditions::default()
    }
}

/// `sessions A-2, B-1 (2031-06-05 to 2031-08-01), lots A and B, at 23 °C`.
fn source(sessions: &[&Session]) -> String {
    let names: Vec<&str> = sessions.iter().map(|s| s.name.as_str()).collect();
    let mut days: Vec<&str> = sessions.iter().map(|s| s.date.as_str()).collect();
    days.sort_unstable();
    days.dedup();
    let when = match (days.first(), days.last()) {
        (Some(a), Some(b)) if a != b => format!("{a} to {b}"),
        (Some(a), _) => (*a).to_owned(),
        _ => String::new(),
    };
    let temperatures: Vec<f64> = sessions.iter().map(|s| s.conditions.temp_k - 273.15).collect();
    let low = temperatures.iter().copied().fold(f64::INFINITY, f64::min);
    let high = temperatures.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let at = if high - low < 0.05 { format!("{low:.0} °C") } else { format!("{low:.0} to {high:.0} °C") };
    let plural = if names.len() == 1 { "session" } else { "sessions" };
    format!("{plural} {} ({when}), measured at {at}", names.join(", "))
}
