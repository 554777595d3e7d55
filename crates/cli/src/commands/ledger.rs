//! `ledger`: the record of every comparison.

use super::{Outcome, push_findings};
use crate::arguments::Global;
use clap::Args;
use project::{ProjectError, files, ledger, lot, report};
use serde_json::json;
use std::fmt::Write as _;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Ledger {
    /// Ledger file
    file: PathBuf,
    /// Compare sessions with a seal and append what came out: the seal, then bench records
    #[arg(long, num_args = 2.., value_names = ["SEAL", "SESSION"])]
    add: Option<Vec<PathBuf>>,
    /// Append comparisons of earlier designs from a table
    #[arg(long, value_name = "TABLE")]
    import: Option<PathBuf>,
    /// Append durations of steps from a table
    #[arg(long, value_name = "TABLE")]
    durations: Option<PathBuf>,
    /// Only recompute the chain of hashes
    #[arg(long)]
    verify: bool,
    /// Hash of an entry kept elsewhere: it must still be in the history
    #[arg(long, value_name = "HASH", requires = "verify")]
    expect: Option<String>,
    /// Coverage of learned bands
    #[arg(long, default_value_t = ledger::COVERAGE, value_parser = coverage)]
    coverage: f64,
}

fn coverage(text: &str) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| format!("`{text}` is not a number"))?;
    if (0.5..1.0).contains(&value) {
        Ok(value)
    } else {
        Err("a coverage lies between 0.5 and 1, for example 0.9".into())
    }
}

pub(crate) fn run(arguments: &Ledger, global: &Global) -> Result<Outcome, ProjectError> {
    let file = &arguments.file;
    let mut entries = Vec::new();
    if let Some(table) = &arguments.import {
        entries.extend(ledger::read_comparisons(table)?);
    }
    if let Some(table) = &arguments.durations {
        entries.extend(ledger::read_durations(table)?);
    }
    if let Some([seal, sessions @ ..]) = arguments.add.as_deref() {
        entries.extend(lot::records(&lot::compare(seal, sessions)?));
    }
    if !entries.is_empty() {
        let verified = ledger::append(file, &entries)?;
        if global.json {
            let value = json!({ "appended": entries.len(), "entries": verified.entries, "head": verified.head });
            return Ok(Outcome::done(format!("{value:#}")));
        }
        let text = format!(
            "{} entries appended, {} in all; a copy lies beside the ledger\nhash of the last entry {}\n",
            entries.len(),
            verified.entries,
            verified.head
        );
        return Ok(Outcome::done(text));
    }
    if arguments.verify {
        let verified = ledger::verify(file, arguments.expect.as_deref())?;
        if global.json {
            let value = json!({ "ok": true, "entries": verified.entries, "head": verified.head });
            return Ok(Outcome::done(format!("{value:#}")));
        }
        let text = format!(
            "{}: the history is whole, {} entries\nhash of the last entry {}; keep it elsewhere to notice a cut end\n",
            file.display(),
            verified.entries,
            verified.head
        );
        return Ok(Outcome::done(text));
    }
    show(arguments, global)
}

fn show(arguments: &Ledger, global: &Global) -> Result<Outcome, ProjectError> {
    let learning = ledger::read(&arguments.file, arguments.coverage)?;
    let page = ledger::page(&learning);
    let folder = global.out.clone().unwrap_or_else(|| arguments.file.with_extension("page"));
    let written = files::write_named(&page, &folder, "ledger")?;
    if global.json {
        return Ok(Outcome::done(report::json(&page)));
    }
    let percent = 100.0 * learning.coverage;
    let mut text = format!(
        "{}\n\n{:<24} designs  numbers    mean     sd   {percent:.0} % band            left out\n",
        page.about, "class"
    );
    for c in &learning.classes {
        let _ = match &c.learned {
            Ok(l) => {
                let score = c.left_out.map(|s| format!("{:.0} %", 100.0 * s.inside)).unwrap_or_default();
                writeln!(
                    text,
                    "{:<24} {:>7}  {:>7}  {:>+6.2}  {:>5.2}   {:>+7.2} to {:>+6.2}   {score:>8}",
                    c.class, l.n_designs, l.n_values, l.mean, l.sd, l.band.0, l.band.1
                )
            }
            Err(why) => writeln!(text, "{:<24} refused: {why}", c.class),
        };
    }
    text.push('\n');
    for a in &learning.drift.alarms {
        let since = a.since.as_ref().map_or_else(|| "against all others".into(), |d| format!("since {d}"));
        let _ = writeln!(text, "drift: {} `{}` {since}: {:+.2} sd, chance {:.4}", a.of, a.name, a.shift, a.p_value);
    }
    if learning.drift.alarms.is_empty() {
        let d = &learning.drift;
        let _ = writeln!(
            text,
            "no drift found ({} questions, {:.0} % false alarms in all)",
            d.questions,
            100.0 * d.false_alarms
        );
    }
    push_findings(&mut text, &page.findings);
    let first = written.first().map(|p| p.display().to_string()).unwrap_or_default();
    let _ = writeln!(text, "\nPage: {first}");
    Ok(Outcome::done(text))
}
