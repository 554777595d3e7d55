//! Comparisons and durations from tables: what was known before the ledger began.
//!
//! Layout: one row a number; columns by name, units in the heads where a column has one.

use crate::error::ProjectError;
use ::ledger::{Comparison, Duration, Entry, Value};
use std::collections::BTreeMap;
use std::path::Path;

const COMPARISON_HEADS: [&str; 14] = [
    "design",
    "technology",
    "lot",
    "session",
    "date",
    "foundry",
    "reel",
    "lab",
    "lo (GHz)",
    "class",
    "measure",
    "predicted (dB)",
    "residual (dB)",
    "u (dB)",
];
const DURATION_HEADS: [&str; 5] = ["of", "step", "date", "by", "duration (weeks)"];

/// Reads a table of residuals of earlier designs; rows of one design, lot and session become one entry.
///
/// # Errors
/// A file that cannot be read; the first wrong head or cell, with its line.
pub fn read_comparisons(path: &Path) -> Result<Vec<Entry>, ProjectError> {
    let text = std::fs::read_to_string(path).map_err(ProjectError::io("read", path))?;
    comparisons(&path.display().to_string(), &text)
}

/// Reads a table of durations.
///
/// # Errors
/// As [`read_comparisons`].
pub fn read_durations(path: &Path) -> Result<Vec<Entry>, ProjectError> {
    let text = std::fs::read_to_string(path).map_err(ProjectError::io("read", path))?;
    durations(&path.display().to_string(), &text)
}

pub(crate) fn comparisons(file: &str, text: &str) -> Result<Vec<Entry>, ProjectError> {
    let mut order: Vec<String> = Vec::new();
    let mut all: BTreeMap<String, Comparison> = BTreeMap::new();
    for (line, cells) in rows(file, text, &COMPARISON_HEADS)? {
        let number = |k: usize| number(file, line, COMPARISON_HEADS[k], &cells[k]);
        let lo_ghz = if cells[8].is_empty() { None } else { Some(number(8)?) };
        let key = cells[..4].join("\n");
        let entry = all.entry(key.clone()).or_insert_with(|| {
            order.push(key);
            Comparison {
                design: cells[0].clone(),
                technology: cells[1].clone(),
                lot: cells[2].clone(),
                session: cells[3].clone(),
                date: cells[4].clone(),
                foundry: cells[5].clone(),
                reel: cells[6].clone(),
                lab: cells[7].clone(),
                seal: String::new(),
                lo_hz: lo_ghz.map(|g| g * 1e9),
                values: Vec::new(),
            }
        });
        entry.values.push(Value {
            class: cells[9].clone(),
            measure: cells[10].clone(),
            rf_hz: None,
            predicted: number(11)?,
            residual: number(12)?,
            u: number(13)?,
            half_band: None,
            inside: None,
            censored: false,
        });
    }
    Ok(order.iter().filter_map(|key| all.remove(key)).map(Entry::Comparison).collect())
}

pub(crate) fn durations(file: &str, text: &str) -> Result<Vec<Entry>, ProjectError> {
    let rows = rows(file, text, &DURATION_HEADS)?;
    rows.into_iter()
        .map(|(line, cells)| {
            let weeks = number(file, line, DURATION_HEADS[4], &cells[4])?;
            let [of, step, date, by] = [0, 1, 2, 3].map(|k| cells[k].clone());
            Ok(Entry::Duration(Duration { of, step, date, by, weeks }))
        })
        .collect()
}

type Rows = Vec<(u64, Vec<String>)>;

/// Rows with their lines; the heads must be these, in this order.
fn rows(file: &str, text: &str, heads: &[&str]) -> Result<Rows, ProjectError> {
    let wrong =
        |line: u64, expected: String, found: String| ProjectError::Table { file: file.into(), line, expected, found };
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .flexible(true)
        .has_headers(false)
        .from_reader(text.as_bytes());
    let mut out = Vec::new();
    let mut seen_heads = false;
    for record in reader.records() {
        let record = record.map_err(|e| {
            wrong(e.position().map_or(0, csv::Position::line), "comma-separated text".into(), e.to_string())
        })?;
        let line = record.position().map_or(0, csv::Position::line);
        let cells: Vec<String> = record.iter().map(String::from).collect();
        if !seen_heads {
            if cells != heads {
                return Err(wrong(line, format!("the heads `{}`", heads.join(",")), format!("`{}`", cells.join(","))));
            }
            seen_heads = true;
        } else if cells.len() == heads.len() {
            out.push((line, cells));
        } else {
            return Err(wrong(line, format!("{} cells", heads.len()), format!("{} cells", cells.len())));
        }
    }
    if out.is_empty() {
        return Err(wrong(1, format!("the heads `{}` and rows", heads.join(",")), "none".into()));
    }
    Ok(out)
}

fn number(file: &str, line: u64, head: &str, cell: &str) -> Result<f64, ProjectError> {
    cell.parse::<f64>().ok().filter(|x| x.is_finite()).ok_or_else(|| ProjectError::Table {
        file: file.into(),
        line,
        expected: format!("a number in column `{head}`"),
        found: format!("`{cell}`"),
    })
}
