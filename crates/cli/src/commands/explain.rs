//! `explain`: which causes explain measured lots.

use super::{Outcome, push_findings};
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::explain::{self, Observed, Question, Stated};
use project::{ProjectError, files, seal};
use std::fmt::Write as _;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Explain {
    /// Design file with `[[process]]` tables
    design: PathBuf,
    /// Bench records, one a session; all lots in them are explained
    #[arg(required = true, value_name = "SESSION")]
    sessions: Vec<PathBuf>,
    /// Seal whose bands tell how far the prediction itself can be believed
    #[arg(long, value_name = "FILE")]
    seal: Option<PathBuf>,
    /// A value observed beside the bench and used as data, for example coupon.film1=74.4 (in the unit of the
    /// observation; the page lists names and units)
    #[arg(long, value_name = "NAME=VALUE", value_parser = observed)]
    observed: Vec<Observed>,
    /// A deviation stated on paper with its standard uncertainty, only compared: film1.thickness=0.7,1.0
    #[arg(long, value_name = "NAME=VALUE,SD", value_parser = stated, allow_hyphen_values = true)]
    stated: Vec<Stated>,
}

fn number(text: &str) -> Result<f64, String> {
    let value: f64 = text.trim().parse().map_err(|_| format!("expected a number, found `{text}`"))?;
    if value.is_finite() { Ok(value) } else { Err(format!("expected a finite number, found `{text}`")) }
}

fn observed(text: &str) -> Result<Observed, String> {
    let (name, value) = text.split_once('=').ok_or("expected NAME=VALUE, for example coupon.film1=74.4")?;
    Ok(Observed { name: name.trim().into(), value: number(value)? })
}

fn stated(text: &str) -> Result<Stated, String> {
    let expected = "expected NAME=VALUE,SD, for example film1.thickness=0.7,1.0";
    let (name, rest) = text.split_once('=').ok_or(expected)?;
    let (value, sd) = rest.split_once(',').ok_or(expected)?;
    let sd = number(sd)?;
    if sd < 0.0 {
        return Err(format!("expected a standard uncertainty of zero or more, found {sd}"));
    }
    Ok(Stated { name: name.trim().into(), value: number(value)?, sd })
}

pub(crate) fn run(arguments: &Explain, global: &Global) -> Result<Outcome, ProjectError> {
    let design = files::read_design(&arguments.design)?;
    let question = Question {
        sessions: arguments.sessions.clone(),
        seal: arguments.seal.as_deref().map(seal::read).transpose()?,
        observed: arguments.observed.clone(),
        stated: arguments.stated.clone(),
    };
    let progress = Progress::new(global.quiet);
    let explained = explain::explain(&design, &question, &progress);
    progress.finish();
    let explained = explained?;
    let folder = global.out.clone().unwrap_or_else(|| {
        let stem = arguments.design.file_stem().map_or_else(|| "design".into(), |s| s.to_string_lossy().into_owned());
        arguments.design.with_file_name(format!("{stem}-causes"))
    });
    let page = explain::page(&explained);
    let written = files::write_named(&page, &folder, "causes")?;
    let json = explain::json(&explained);
    files::write_whole(&folder.join("explanation.json"), json.as_bytes())?;
    files::write_whole(&folder.join("shares.csv"), explain::csv(&explained).as_bytes())?;
    if global.json {
        return Ok(Outcome::done(json));
    }
    let mut text = explain::summary(&explained);
    push_findings(&mut text, &explained.findings);
    let first = written.first().map(|p| p.display().to_string()).unwrap_or_default();
    let _ = writeln!(text, "Page: {first} (explanation.json and shares.csv beside it)");
    Ok(Outcome::done(text))
}
