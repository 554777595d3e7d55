//! Predictions sealed before anything is made.
//!
//! Input: a design and its review. Output: a [`Seal`] over the promised numbers with their bands and everything they
//! rest on: design text, technology file, network data and program version.

use crate::design::{CircuitText, Design, PartKind};
use crate::error::ProjectError;
use ::ledger::{Head, Input, Seal, SigningKey, seal_readings};
use spec::{Item, Reading, Review, Section};
use std::path::Path;

/// Seals the readings of a review that hold at the nominal LO.
///
/// `technology` is put in words when the design has no stack of its own; `day` is that of sealing.
///
/// # Errors
/// A file the design rests on that cannot be read any more.
pub fn seal(design: &Design, review: &Review, day: &str) -> Result<Seal, ProjectError> {
    let nominal = &review.nominal;
    let at_nominal = |r: &&Reading| {
        r.conditions.lo_hz.total_cmp(&nominal.lo_hz).is_eq() && r.conditions.lo_dbm.total_cmp(&nominal.lo_dbm).is_eq()
    };
    let summary = review.summary.iter();
    let all = promised(review).chain(summary).filter(at_nominal);
    let readings: Vec<&Reading> = all.collect();
    let program = format!("mixwright {}", env!("CARGO_PKG_VERSION"));
    let band = design.plan.seats[0].rf_band_hz();
    let head = Head::new(&design.name, &technology_of(design), &program, day, band, &design.requirements);
    Ok(seal_readings(head, inputs(design)?, &readings))
}

/// Sections whose readings are no promises: numbers under a truncation or a source that no bench has.
const STUDIES: [&str; 2] = ["numerical_study", "lo_purity"];

/// Readings of a review that say what a bench would read under their conditions.
pub fn promised(review: &Review) -> impl Iterator<Item = &Reading> {
    review.sections.iter().filter(|s| !is_study(s)).flat_map(readings)
}

/// True for a section whose readings are no promises.
pub(crate) fn is_study(section: &Section) -> bool {
    STUDIES.iter().any(|k| section.key.starts_with(k))
}

/// Every reading of a section.
fn readings(section: &Section) -> impl Iterator<Item = &Reading> {
    section.items.iter().flat_map(|item| -> Box<dyn Iterator<Item = &Reading>> {
        match item {
            Item::Curves(p) => Box::new(p.curves.iter().flat_map(|c| c.points.iter().map(|(_, r)| r))),
            Item::Table(t) => Box::new(t.readings.iter()),
            Item::Spurs(g) => Box::new(g.entries.iter().map(|e| &e.reading)),
            Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => Box::new(std::iter::empty()),
        }
    })
}

/// Name of the process, or `not stated`.
pub fn technology_of(design: &Design) -> String {
    design.technology.as_ref().map_or_else(|| "not stated".into(), |t| t.name.clone())
}

/// Everything the numbers of a design rest on, with its present content.
///
/// # Errors
/// A file that cannot be read.
pub fn inputs(design: &Design) -> Result<Vec<Input>, ProjectError> {
    let name = Path::new(&design.file).file_name().map_or_else(|| design.file.clone(), |n| n.to_string_lossy().into());
    let mut out = vec![Input::of(name, design.source_text.as_bytes())];
    for file in files_beside(design) {
        let path = design.folder.join(&file);
        let bytes = std::fs::read(&path).map_err(ProjectError::io("read", &path))?;
        out.push(Input::of(file, &bytes));
    }
    out.push(Input::of("program", format!("mixwright {}", env!("CARGO_PKG_VERSION")).as_bytes()));
    Ok(out)
}

/// Names of the files a design refers to, each once, in the order of the design.
fn files_beside(design: &Design) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let document: Option<toml::Table> = design.source_text.parse().ok();
    out.extend(document.and_then(|d| d.get("technology").and_then(toml::Value::as_str).map(String::from)));
    if let CircuitText::Free(free) = &design.circuit {
        for part in &free.parts {
            if let PartKind::Block { file, .. } = &part.kind
                && !out.contains(file)
            {
                out.push(file.clone());
            }
        }
    }
    out
}

/// Reads and verifies a seal.
///
/// # Errors
/// A file that cannot be read, is no seal, or was changed after sealing.
pub fn read(path: &Path) -> Result<Seal, ProjectError> {
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    Ok(Seal::from_text(&path.display().to_string(), &String::from_utf8_lossy(&bytes))?)
}

/// Reads a private key, as models are signed with too; see [`crate::package::new_key`].
///
/// # Errors
/// A file that cannot be read or holds something else.
pub fn read_key(path: &Path) -> Result<SigningKey, ProjectError> {
    let key = crate::package::read_key(path, "")?;
    Ok(SigningKey::from_bytes(&key.secret_bytes()))
}

/// Today, `2031-04-17`, in universal time.
pub fn today() -> String {
    let seconds = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0, |d| d.as_secs());
    day_of((seconds / 86_400) as i64)
}

/// Civil date of a day counted from 1970-01-01, Gregorian calendar.
fn day_of(days: i64) -> String {
    // years are counted from March, so that the leap day ends them
    let shifted = days + 719_468;
    let era = shifted.div_euclid(146_097);
    let of_era = shifted.rem_euclid(146_097);
    let year = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year + year / 4 - year / 100);
    let march_month = (5 * of_year + 2) / 153;
    let day = of_year - (153 * march_month + 2) / 5 + 1;
    let month = if march_month < 10 { march_month + 3 } else { march_month - 9 };
    let year = year + era * 400 + i64::from(month <= 2);
    format!("{year:04}-{month:02}-{day:02}")
}

#[cfg(test)]
mod tests {
    use super::day_of;

    #[test]
    fn days_are_named_by_the_calendar() {
        for (days, name) in [(0, "1970-01-01"), (59, "1970-03-01"), (11_016, "2000-02-29"), (22_386, "2031-04-17")] {
            assert_eq!(day_of(days), name);
        }
    }
}
