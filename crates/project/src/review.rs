//! The review of a design: the mixer's numbers, and what its diodes endure.

use crate::design::{CircuitText, Design, DiodeModel};
use crate::error::ProjectError;
use crate::{field, spread};
use numerics::Watch;
use quantity::Finding;
use spec::{Item, JunctionWaveform, Review};

/// Reviews a design.
///
/// Seats with one RF band and level share a run; further bands are reviewed after the leading one and their sections
/// carry the names of their seats.
///
/// # Errors
/// A circuit that cannot be joined, a steady state that cannot be found, diodes that heat without end, or the wish of `watch` to stop.
pub fn run(design: &Design, watch: &dyn Watch) -> Result<Review, ProjectError> {
    let remarks = field::solution::prepare(design, watch)?;
    let mut review = run_once(design, watch)?;
    field::bands::add(design, &mut review, |other| run_once(other, watch))?;
    review.sections.extend(field::page::sections(design)?);
    review.findings.extend(remarks);
    Ok(review)
}

/// The review with fabrication bands on its numbers, where the design says what spreads; see [`spread::review_bands`].
///
/// # Errors
/// As [`run`]; variables that cannot be solved.
pub fn run_with_bands(design: &Design, watch: &dyn Watch) -> Result<Review, ProjectError> {
    let mut review = run(design, watch)?;
    spread::review_bands(design, &mut review, watch)?;
    Ok(review)
}

/// The review without what field solutions leave open.
fn run_once(design: &Design, watch: &dyn Watch) -> Result<Review, ProjectError> {
    let mixer = design.mixer_in_operation(watch)?;
    let mut whole: Option<Review> = None;
    for (seats, plan) in design.plans() {
        let review = mixer::review(&mixer, &plan, watch)?;
        match &mut whole {
            None => whole = Some(review),
            Some(first) => {
                let names: Vec<&str> = seats.iter().map(|s| s.name.as_str()).collect();
                append(first, review, &names.join(" and "));
            }
        }
    }
    let mut review = whole.expect("a design was read with at least one seat");
    let warnings = rating_warnings(design, &review);
    review.findings.extend(warnings);
    Ok(review)
}

/// Puts the sections and verdicts of a further band behind those of the first.
pub(crate) fn append(first: &mut Review, further: Review, seats: &str) {
    first.sections.extend(further.sections.into_iter().map(|mut section| {
        section.key = format!("{}-{}", section.key, seats.replace(' ', "-"));
        section.title = format!("{} ({seats})", section.title);
        section
    }));
    first.verdicts.extend(further.verdicts);
    first.findings.extend(further.findings);
    first.work.extend(further.work.into_iter().map(|(what, value)| (format!("{what} ({seats})"), value)));
}

/// Compares the waveforms of the review with the ratings of the diodes.
fn rating_warnings(design: &Design, review: &Review) -> Vec<Finding> {
    let mut warnings: Vec<Finding> = Vec::new();
    let items = review.sections.iter().flat_map(|s| &s.items);
    let plots = items.filter_map(|i| if let Item::Waveforms(w) = i { Some(w) } else { None });
    for junction in plots.flat_map(|w| &w.junctions) {
        let Some(model) = model_of(design, &junction.name) else { continue };
        for warning in over_rating(junction, model) {
            if !warnings.contains(&warning) {
                warnings.push(warning);
            }
        }
    }
    warnings
}

fn model_of<'a>(design: &'a Design, diode: &str) -> Option<&'a DiodeModel> {
    match &design.circuit {
        CircuitText::Template { model_idx, .. } => design.models.get(*model_idx),
        CircuitText::Free(free) => {
            let site = free.diodes.iter().find(|d| d.name.value == diode)?;
            design.models.get(site.model_idx)
        }
    }
}

fn over_rating(junction: &JunctionWaveform, model: &DiodeModel) -> Vec<Finding> {
    let mut warnings = Vec::new();
    let lowest_v = junction.voltage_v.iter().copied().fold(0.0, f64::min);
    let n_samples = junction.current_a.len().max(1) as f64;
    let mean_a = junction.current_a.iter().sum::<f64>() / n_samples;
    if let Some(rating) = model.reverse_rating.filter(|r| -lowest_v > r.si()) {
        let text =
            format!("the junction sees {:.2} V in reverse, its rating is {rating}; lower the LO level", -lowest_v);
        warnings.push(Finding::warning(junction.name.clone(), text));
    }
    if let Some(rating) = model.current_rating.filter(|r| mean_a.abs() > r.si()) {
        let text = format!("the mean current is {:.2} mA, its rating is {rating}; lower the LO level", mean_a * 1e3);
        warnings.push(Finding::warning(junction.name.clone(), text));
    }
    warnings
}
