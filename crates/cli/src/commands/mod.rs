//! What each command does; no formulas.

pub(crate) mod chain;
pub(crate) mod datasheet;
pub(crate) mod explain;
pub(crate) mod export;
pub(crate) mod field;
mod fit;
pub(crate) mod intervals;
pub(crate) mod ledger;
pub(crate) mod lot;
mod network;
pub(crate) mod open;
pub(crate) mod pack;
pub(crate) mod seal;
pub(crate) mod spread;
pub(crate) mod surround;
pub(crate) mod terminations;

use crate::arguments::{Command, Global};
use crate::output;
use crate::progress::Progress;
use project::design::{CircuitText, Design};
use project::spec::{Review, VerdictStatus};
use project::{ProjectError, files, report, review};
use quantity::{Finding, Severity};
use serde_json::json;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// What a command has to say, and whether a requirement failed.
pub(crate) struct Outcome {
    pub(crate) text: String,
    pub(crate) requirement_failed: bool,
}

impl Outcome {
    fn done(text: String) -> Self {
        Self { text, requirement_failed: false }
    }
}

pub(crate) fn run(command: &Command, global: &Global) -> Result<Outcome, ProjectError> {
    match command {
        Command::Demo { full: false } => demo(global),
        Command::Demo { full: true } => field::full_demo(global),
        Command::Review { design, ledger } => {
            let folder = global.out.clone().unwrap_or_else(|| review_folder(design));
            review_design(&files::read_design(design)?, ledger.as_deref(), &folder, global)
        }
        Command::Check { design } => check(design, global),
        Command::Fit(arguments) => fit::run(arguments, global),
        Command::Explain(arguments) => explain::run(arguments, global),
        Command::Field(arguments) => field::run(arguments, global),
        Command::Network(arguments) => network::run(arguments, global),
        Command::Seal(arguments) => seal::run(arguments, global),
        Command::Spread(arguments) => spread::run(arguments, global),
        Command::Lot(arguments) => lot::run(arguments, global),
        Command::Ledger(arguments) => ledger::run(arguments, global),
        Command::Pack(arguments) => pack::run(arguments, global),
        Command::Open(arguments) => open::run(arguments, global),
        Command::Surround(arguments) => surround::run(arguments, global),
        Command::Terminations(arguments) => terminations::run(arguments, global),
        Command::Intervals(arguments) => intervals::run(arguments, global),
        Command::Chain(arguments) => chain::run(arguments, global),
        Command::Datasheet(arguments) => datasheet::run(arguments, global),
        Command::Export(arguments) => export::run(arguments, global),
        Command::Completion { shell } => Ok(Outcome::done(crate::completion(*shell))),
    }
}

fn demo(global: &Global) -> Result<Outcome, ProjectError> {
    let folder = global.out.clone().unwrap_or_else(|| PathBuf::from("mixwright-demo"));
    let path = files::write_demo(&folder)?;
    if !global.quiet {
        output::remark(&format!("design written to {}", path.display()));
    }
    let ledger = project::story::begin(&folder)?;
    let design = files::read_design(&path)?;
    let reviewed = reviewed(&design, Some(&ledger), global)?;
    let mut outcome = written(&reviewed, &folder.join("review"), global)?;
    let progress = Progress::new(global.quiet);
    let story = project::story::tell(&folder, &design, &reviewed, &progress);
    progress.finish();
    let story = story?;
    if !global.json {
        let _ = write!(outcome.text, "\n{story}");
    }
    outcome.requirement_failed = false; // shown in the verdicts; the demonstration itself worked
    Ok(outcome)
}

/// `name-review` beside the design file.
fn review_folder(design: &Path) -> PathBuf {
    let stem = design.file_stem().map_or_else(|| "design".into(), |s| s.to_string_lossy().into_owned());
    design.with_file_name(format!("{stem}-review"))
}

fn review_design(
    design: &Design,
    ledger: Option<&Path>,
    folder: &Path,
    global: &Global,
) -> Result<Outcome, ProjectError> {
    written(&reviewed(design, ledger, global)?, folder, global)
}

/// The review with its bands; those learned where there is a ledger.
fn reviewed(design: &Design, ledger: Option<&Path>, global: &Global) -> Result<Review, ProjectError> {
    // a damaged ledger is told before the long work
    let learning = ledger.map(|l| project::ledger::read(l, project::ledger::COVERAGE)).transpose()?;
    let progress = Progress::new(global.quiet);
    let reviewed = review::run_with_bands(design, &progress);
    progress.finish();
    let mut reviewed = reviewed?;
    if let Some(learning) = &learning {
        let band = design.plan.seats[0].rf_band_hz();
        project::ledger::apply(&mut reviewed, learning, &project::seal::technology_of(design), band);
    }
    Ok(reviewed)
}

/// Writes a review and tells its main numbers.
fn written(reviewed: &Review, folder: &Path, global: &Global) -> Result<Outcome, ProjectError> {
    let written = files::write_review(reviewed, folder)?;
    let text = if global.json {
        report::json(reviewed)
    } else {
        let mut text = report::summary_text(reviewed);
        let page = written.first().map(|p| p.display().to_string()).unwrap_or_default();
        let _ = write!(text, "\nReport: {page} (and JSON, CSV, text and pictures beside it)\n");
        text
    };
    Ok(Outcome { text, requirement_failed: any_failed(reviewed) })
}

fn any_failed(review: &Review) -> bool {
    review.verdicts.iter().any(|v| v.status == VerdictStatus::Fail)
}

fn check(path: &Path, global: &Global) -> Result<Outcome, ProjectError> {
    let design = files::read_design(path)?;
    let mixer = design.mixer()?;
    if global.json {
        let findings: Vec<_> = mixer.findings.iter().map(finding_value).collect();
        let value = json!({
            "ok": true, "design": design.name, "diodes": mixer.diode_names, "seats": design.plan.seats.len(),
            "requirements": design.requirements.len(), "findings": findings,
        });
        return Ok(Outcome::done(format!("{value:#}")));
    }
    let parts = match &design.circuit {
        CircuitText::Template { template, .. } => format!("template {template:?}"),
        CircuitText::Free(free) => format!("{} parts", free.parts.len()),
    };
    let mut text = format!(
        "{}: in order\n  {}, {} diodes, {} seats, {} limits\n",
        path.display(),
        parts,
        mixer.diode_names.len(),
        design.plan.seats.len(),
        design.requirements.len()
    );
    push_findings(&mut text, &mixer.findings);
    Ok(Outcome::done(text))
}

fn push_findings(text: &mut String, findings: &[Finding]) {
    for finding in findings {
        let kind = if finding.severity == Severity::Warning { "warning" } else { "note" };
        let _ = writeln!(text, "  {kind}: {}: {}", finding.place, finding.text);
    }
}

fn finding_value(finding: &Finding) -> serde_json::Value {
    let severity = if finding.severity == Severity::Warning { "warning" } else { "note" };
    json!({ "severity": severity, "place": finding.place, "text": finding.text })
}
