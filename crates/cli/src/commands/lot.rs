//! `lot`: measured lots against a seal.

use super::{Outcome, push_findings};
use crate::arguments::Global;
use clap::Args;
use project::{ProjectError, files, lot, report};
use std::fmt::Write as _;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Lot {
    /// Seal made before the lot was
    seal: PathBuf,
    /// Bench records, one a session
    #[arg(required = true, value_name = "SESSION")]
    sessions: Vec<PathBuf>,
}

pub(crate) fn run(arguments: &Lot, global: &Global) -> Result<Outcome, ProjectError> {
    let compared = lot::compare(&arguments.seal, &arguments.sessions)?;
    let page = lot::page(&compared);
    let folder = global.out.clone().unwrap_or_else(|| {
        let stem = arguments.seal.file_stem().map_or_else(|| "lot".into(), |s| s.to_string_lossy().into_owned());
        arguments.seal.with_file_name(format!("{stem}-lots"))
    });
    let written = files::write_named(&page, &folder, "lots")?;
    files::write_whole(&folder.join("residuals.csv"), lot::csv(&compared).as_bytes())?;
    if global.json {
        return Ok(Outcome::done(report::json(&page)));
    }
    let mut text = String::new();
    let _ = writeln!(
        text,
        "{} numbers measured, {} compared, {} refused",
        compared.measured.len(),
        compared.comparison.residuals.len(),
        compared.comparison.refused.len()
    );
    for session in &compared.sessions {
        let own = compared.score.iter().filter(|s| s.session == session.name);
        let (inside, n) = own.clone().fold((0, 0), |(i, n), s| (i + s.inside, n + s.n));
        let _ =
            writeln!(text, "\nsession {}, lot {}: {inside} of {n} inside their 90 % band", session.name, session.lot);
        for s in own {
            let _ = writeln!(
                text,
                "  {:<34} {:>3} of {:<3} mean {:+7.2} {:<3} worst {:+6.1} sd",
                s.class.title, s.inside, s.n, s.mean, s.class.unit, s.worst_z
            );
        }
    }
    text.push('\n');
    push_findings(&mut text, &page.findings);
    let first = written.first().map(|p| p.display().to_string()).unwrap_or_default();
    let _ = writeln!(text, "\nPage: {first} (and JSON, CSV, text and pictures beside it)");
    Ok(Outcome::done(text))
}
