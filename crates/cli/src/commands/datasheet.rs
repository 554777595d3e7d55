//! `datasheet`: pages for customers.

use super::{Outcome, finding_value, push_findings};
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::ProjectError;
use project::datasheet::{Options, load, make, session_files, write};
use quantity::{Length, Ratio};
use serde_json::json;
use std::fmt::Write as _;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Datasheet {
    /// Model package, or a design
    model: PathBuf,
    /// Bench records of measured units, or folders with some; without them everything is marked simulated
    #[arg(long, value_name = "PATH", num_args = 1..)]
    lots: Vec<PathBuf>,
    /// Design the package was made from: its diode ratings become maximum levels
    #[arg(long, value_name = "FILE")]
    design: Option<PathBuf>,
    /// What the part is, in a few words
    #[arg(long, value_name = "TEXT")]
    kind: Option<String>,
    /// Revision of the document; that of the model unless given
    #[arg(long, value_name = "TEXT")]
    revision: Option<String>,
    /// Share of units a guaranteed value holds for
    #[arg(long, value_name = "RATIO", value_parser = crate::arguments::unit::<Ratio>, default_value = "90 %")]
    content: Ratio,
    /// Confidence of a guaranteed value
    #[arg(long, value_name = "RATIO", value_parser = crate::arguments::unit::<Ratio>, default_value = "95 %")]
    confidence: Ratio,
    /// Longest line (in vacuum) looked at for keep-out lengths
    #[arg(long, value_name = "LENGTH", value_parser = crate::arguments::unit::<Length>, default_value = "10 mm")]
    length: Length,
}

pub(super) fn run(arguments: &Datasheet, global: &Global) -> Result<Outcome, ProjectError> {
    let options = Options {
        sessions: session_files(&arguments.lots)?,
        design: arguments.design.clone(),
        kind: arguments.kind.clone(),
        revision: arguments.revision.clone(),
        coverage: arguments.content.fraction(),
        confidence: arguments.confidence.fraction(),
        keep_out_to_m: arguments.length.si(),
    };
    let stem = arguments.model.file_stem().map_or_else(|| "model".into(), |s| s.to_string_lossy().into_owned());
    let progress = Progress::new(global.quiet);
    let made = load(&arguments.model, &progress).and_then(|l| make(&arguments.model, &l, &options, &progress));
    progress.finish();
    let made = made?;
    let folder = global.out.clone().unwrap_or_else(|| arguments.model.with_file_name(format!("{stem}-datasheet")));
    let written = write(&made, &folder, &format!("{stem}-datasheet"))?;
    let rows = project::sheet::rows(&made.sheet)?;
    if global.json {
        let table: Vec<_> = rows
            .iter()
            .map(|r| {
                json!({
                    "what": r.name, "key": r.measure.key(), "unit": r.unit, "conditions": r.conditions,
                    "typical": r.typical, "simulated_worst": r.simulated_worst, "guaranteed_min": r.guaranteed_min,
                    "guaranteed_max": r.guaranteed_max, "basis": r.basis,
                })
            })
            .collect();
        let value = json!({
            "written": written.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
            "measured": made.sheet.measured.is_some(), "table": table,
            "findings": made.findings.iter().map(finding_value).collect::<Vec<_>>(),
        });
        return Ok(Outcome::done(format!("{value:#}")));
    }
    let mut text = format!("{}, revision {}\n", made.sheet.name, made.sheet.revision);
    let _ = writeln!(
        text,
        "  {:<36} {:>9} {:>9} {:>9} {:>16} {:<5} typical from",
        "", "typical", "min", "max", "simulated worst", ""
    );
    for r in &rows {
        let _ = writeln!(
            text,
            "  {:<36} {:>9} {:>9} {:>9} {:>16} {:<5} {}",
            r.name, r.typical, r.guaranteed_min, r.guaranteed_max, r.simulated_worst, r.unit, r.basis
        );
    }
    push_findings(&mut text, &made.findings);
    for path in &written {
        let _ = writeln!(text, "written: {}", path.display());
    }
    Ok(Outcome::done(text))
}
