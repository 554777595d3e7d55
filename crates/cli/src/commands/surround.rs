//! `surround`: the maker's report with the customer's parts around the model.

use super::{Outcome, any_failed};
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::{ProjectError, files, report, surround};
use std::fmt::Write as _;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Surround {
    /// Model package, or a design
    model: PathBuf,
    /// File that says what stands around it
    surroundings: PathBuf,
}

pub(super) fn run(arguments: &Surround, global: &Global) -> Result<Outcome, ProjectError> {
    let progress = Progress::new(global.quiet);
    let reviewed = surround::load_model(&arguments.model, &progress).and_then(|model| {
        let around = surround::read(&arguments.surroundings, &model)?;
        surround::run(&model, &around, &progress)
    });
    progress.finish();
    let reviewed = reviewed?;
    let stem = arguments.surroundings.file_stem().map_or_else(|| "set-up".into(), |s| s.to_string_lossy().into_owned());
    let folder = global.out.clone().unwrap_or_else(|| arguments.surroundings.with_file_name(format!("{stem}-review")));
    let written = files::write_review(&reviewed, &folder)?;
    let text = if global.json {
        report::json(&reviewed)
    } else {
        let mut text = report::summary_text(&reviewed);
        let page = written.first().map(|p| p.display().to_string()).unwrap_or_default();
        let _ = write!(text, "\nReport: {page} (and JSON, CSV, text and pictures beside it)\n");
        text
    };
    Ok(Outcome { text, requirement_failed: any_failed(&reviewed) })
}
