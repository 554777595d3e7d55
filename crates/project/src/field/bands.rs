//! What the error estimates of field solutions do to the numbers of a review.
//!
//! The review is computed again with the error estimate added to every entry of S, under two patterns of phases; the
//! larger change of each number becomes its field band, a named part of its numerical one. A verdict is judged again by
//! its worst reading with that band.

use crate::design::{CircuitText, Design, PartKind};
use crate::error::ProjectError;
use spec::{Item, Reading, Review, Section};
use std::collections::BTreeMap;

/// Patterns of phases tried: a quarter turn apart, so that no entry's error is missed by both.
const PATTERNS: usize = 2;

/// True when a part of the design is a field solution.
pub(crate) fn has_solutions(design: &Design) -> bool {
    let CircuitText::Free(free) = &design.circuit else { return false };
    free.parts.iter().any(|p| matches!(p.kind, PartKind::Solution { .. }))
}

/// Adds the field bands to a review that `run` made; nothing without field solutions.
pub(crate) fn add(
    design: &Design,
    review: &mut Review,
    run: impl Fn(&Design) -> Result<Review, ProjectError>,
) -> Result<(), ProjectError> {
    if !has_solutions(design) {
        return Ok(());
    }
    for pattern in 0..PATTERNS {
        let other = run(&Design { solution_error: Some(pattern), ..design.clone() })?;
        widen(review, &other);
    }
    for verdict in &mut review.verdicts {
        if let Some(worst) = &verdict.worst {
            *verdict = verdict.limit.judge([worst]);
        }
    }
    Ok(())
}

/// Widens the field band of every reading to its change in another review.
fn widen(review: &mut Review, other: &Review) {
    let mut values = BTreeMap::new();
    for section in &other.sections {
        for reading in section.items.iter().flat_map(of_item) {
            values.insert(name(section, reading), reading.value);
        }
    }
    for section in &mut review.sections {
        let key = section.key.clone();
        for reading in section.items.iter_mut().flat_map(of_item_mut) {
            if let Some(value) = values.get(&named(&key, reading)) {
                widen_one(reading, *value);
            }
        }
    }
    // headline numbers are the worst of their sweeps: so is their change
    for reading in &mut review.summary {
        if let Some(same) = other.summary.iter().find(|r| r.measure == reading.measure) {
            widen_one(reading, same.value);
        }
    }
    for (verdict, same) in review.verdicts.iter_mut().zip(&other.verdicts) {
        if let (Some(worst), Some(same)) = (&mut verdict.worst, &same.worst) {
            widen_one(worst, same.value);
        }
    }
}

fn widen_one(reading: &mut Reading, value: f64) {
    let change = (value - reading.value).abs();
    if change.is_finite() {
        let band = &mut reading.quality.bands.field;
        *band = Some(band.unwrap_or(0.0).max(change));
    }
}

fn name(section: &Section, reading: &Reading) -> String {
    named(&section.key, reading)
}

fn named(section: &str, reading: &Reading) -> String {
    format!("{section} {:?} {:?}", reading.measure, reading.conditions)
}

fn of_item(item: &Item) -> Vec<&Reading> {
    match item {
        Item::Curves(p) => p.curves.iter().flat_map(|c| c.points.iter().map(|(_, r)| r)).collect(),
        Item::Table(t) => t.readings.iter().collect(),
        Item::Spurs(g) => g.entries.iter().map(|e| &e.reading).collect(),
        Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => Vec::new(),
    }
}

fn of_item_mut(item: &mut Item) -> Vec<&mut Reading> {
    match item {
        Item::Curves(p) => p.curves.iter_mut().flat_map(|c| c.points.iter_mut().map(|(_, r)| r)).collect(),
        Item::Table(t) => t.readings.iter_mut().collect(),
        Item::Spurs(g) => g.entries.iter_mut().map(|e| &mut e.reading).collect(),
        Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => Vec::new(),
    }
}
