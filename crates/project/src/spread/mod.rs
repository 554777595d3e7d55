//! The spread of a design in fabrication: yield, contributions, corners, and what they rest on.
//!
//! Input: a design with `[[process]]`. Output: [`Found`], a page of the report, a table of all units.
//! Finished full solutions are kept in a journal in the output folder: a run that was killed goes on
//! where it stopped and gives the same bits.

mod bands;
mod journal;
mod page;

pub use bands::{COVERAGE, Distributions, PROMISED, add_bands, review_bands};
pub use journal::Journal;
pub use page::{fails_nominally, name_of, page, units_csv};
pub use tolerance::intervals::Estimate;
pub use tolerance::{Scheme, SpreadSettings};

use crate::design::Design;
use crate::error::ProjectError;
use crate::process::DesignProcess;
use numerics::Watch;
use spec::{Limit, Measure};
use std::path::Path;
use tolerance::{Over, Process, Requirement, Spread, Surrogate};

/// Name of the journal in the output folder.
pub const JOURNAL_FILE: &str = "solutions.journal";

/// The spread of a design.
pub struct Found {
    /// The process behind it.
    pub process: DesignProcess,
    /// What was found.
    pub spread: Spread,
    /// The surrogate it was found with.
    pub surrogate: Surrogate,
    /// Requirements that no quantity of the process answers.
    pub unanswered: Vec<Limit>,
    /// How it was drawn.
    pub settings: SpreadSettings,
    /// Full solutions read from the journal and computed now.
    pub from_journal: (usize, usize),
}

/// Finds the spread of a design; with `folder`, finished full solutions are kept there.
///
/// # Errors
/// A design without process or with values that cannot be solved, a folder that cannot be written, the wish of
/// `watch` to stop.
pub fn run(
    design: &Design,
    settings: &SpreadSettings,
    folder: Option<&Path>,
    watch: &dyn Watch,
) -> Result<Found, ProjectError> {
    let process = DesignProcess::new(design, watch)?;
    let (requirements, unanswered) = requirements(&process);
    let journal = Journal::open(&process, folder.map(|f| f.join(JOURNAL_FILE)))?;
    let outcome = tolerance::spread(&journal, &requirements, settings, watch);
    // what the journal could not write is told even when the run itself failed
    let from_journal = journal.finish()?;
    let (spread, surrogate) = outcome?;
    Ok(Found { process, spread, surrogate, unanswered, settings: settings.clone(), from_journal })
}

/// Requirements of a design on the quantities of its process, and those that none answers.
pub fn requirements(process: &DesignProcess) -> (Vec<Requirement>, Vec<Limit>) {
    let (mut found, mut unanswered) = (Vec::new(), Vec::new());
    for limit in &process.design().requirements {
        let over = if limit.measure == Some(Measure::Flatness) { Over::Range } else { Over::Worst };
        let all = process.quantities().iter().enumerate();
        let quantities: Vec<usize> = all.filter(|(_, q)| belongs_to(limit, q)).map(|(q, _)| q).collect();
        if quantities.is_empty() {
            unanswered.push(limit.clone());
        } else {
            found.push(Requirement { limit: limit.clone(), over, quantities });
        }
    }
    (found, unanswered)
}

/// Whether a limit holds for a quantity.
fn belongs_to(limit: &Limit, quantity: &tolerance::Quantity) -> bool {
    let measured = match (limit.measure, quantity.measure) {
        // any product in the output band
        (None, Measure::Spur(_) | Measure::SpurUp(_)) => true,
        (Some(Measure::Flatness), Measure::ConversionLoss) => true,
        (Some(a), b) => a == b,
        _ => false,
    };
    let of_input = |f: f64| match (limit.measure, quantity.measure, quantity.conditions.if_hz) {
        (None, Measure::SpurUp(_), Some(i)) => i,
        _ => f,
    };
    measured
        && match (limit.band_hz, quantity.conditions.rf_hz) {
            (Some((low, high)), Some(f)) => {
                let f = of_input(f);
                f >= low * (1.0 - 1e-9) && f <= high * (1.0 + 1e-9)
            }
            _ => true,
        }
}
