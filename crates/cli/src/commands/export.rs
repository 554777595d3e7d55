//! `export`: a model for other programs, in open standards.

use super::{Outcome, finding_value, push_findings};
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::ProjectError;
use project::export::{AGREES_WITHIN_DB, Asked, Exported, load, run as compute, write};
use project::handover::export::verilog::consequence_words;
use quantity::Frequency;
use serde_json::json;
use std::fmt::Write as _;
use std::path::PathBuf;

#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("what").required(true).multiple(true))]
pub(crate) struct Export {
    /// Model package, or a design
    model: PathBuf,
    /// Spur table as comma-separated text
    #[arg(long, group = "what")]
    spur_table: bool,
    /// Pumped scattering parameters as Touchstone and comma-separated text
    #[arg(long, group = "what")]
    pumped: bool,
    /// Verilog-A module: rational network as state equations, and the diodes
    #[arg(long, group = "what")]
    verilog_a: bool,
    /// Read the module back, integrate it in time and compare with the harmonic balance
    #[arg(long, requires = "verilog_a")]
    verify: bool,
    /// Upper end of the band of the rational network; 4.3 times the LO unless given
    #[arg(long, value_name = "FREQUENCY", value_parser = crate::arguments::unit::<Frequency>, requires = "verilog_a")]
    up_to: Option<Frequency>,
    /// Most poles of the rational network; 72 unless given
    #[arg(long, value_name = "N", requires = "verilog_a")]
    poles: Option<usize>,
}

pub(super) fn run(arguments: &Export, global: &Global) -> Result<Outcome, ProjectError> {
    let asked = Asked {
        spur_table: arguments.spur_table,
        pumped: arguments.pumped,
        verilog_a: arguments.verilog_a,
        verify: arguments.verify,
        up_to_hz: arguments.up_to.map(Frequency::si),
        poles: arguments.poles,
    };
    let stem = arguments.model.file_stem().map_or_else(|| "model".into(), |s| s.to_string_lossy().into_owned());
    let progress = Progress::new(global.quiet);
    let done = load(&arguments.model, &progress).and_then(|loaded| compute(&loaded, &stem, &asked, &progress));
    progress.finish();
    let exported = done?;
    let folder = global.out.clone().unwrap_or_else(|| arguments.model.with_file_name(format!("{stem}-export")));
    let written = write(&exported, &folder)?;
    let failed = exported.check.as_ref().is_some_and(|c| c.worst_db() > AGREES_WITHIN_DB || c.worst_db().is_nan());
    let text = if global.json { as_json(&exported, &written) } else { words(&exported, &written) };
    Ok(Outcome { text, requirement_failed: failed })
}

fn as_json(exported: &Exported, written: &[PathBuf]) -> String {
    let compared: Vec<_> = exported
        .compared
        .iter()
        .map(|c| {
            json!({ "what": c.name, "rf_hz": c.rf_hz, "unit": c.unit, "sampled": c.sampled, "rational": c.rational })
        })
        .collect();
    let check = exported.check.as_ref().map(|c| {
        let lines: Vec<_> = c
            .lines
            .iter()
            .map(|l| {
                json!({
                    "what": l.name, "balance_v": l.balance_v.norm(), "integrated_v": l.integrated_v.norm(),
                    "difference_db": l.difference_db(), "counts": l.counts,
                })
            })
            .collect();
        json!({
            "agrees": c.worst_db() <= AGREES_WITHIN_DB, "largest_difference_db": c.worst_db(), "lines": lines,
            "periods": c.periods, "time_s": c.time_s, "steps": c.steps,
        })
    });
    let fit = exported.fit.as_ref().map(|r| {
        json!({
            "poles": r.poles, "up_to_hz": r.up_to_hz, "rms": r.rms, "worst": r.worst, "worst_hz": r.worst_hz,
            "active_bands": r.active_bands,
        })
    });
    let value = json!({
        "written": written.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
        "fit": fit, "consequence": compared, "check": check,
        "findings": exported.findings.iter().map(finding_value).collect::<Vec<_>>(),
    });
    format!("{value:#}")
}

fn words(exported: &Exported, written: &[PathBuf]) -> String {
    let mut text = String::new();
    if let Some(r) = &exported.fit {
        let _ = writeln!(
            text,
            "rational network: {} poles, 0 to {:.1} GHz, stable, {} (largest singular value {:.4} before {} \
             corrections)\n  error of the scattering matrix {:.1e} rms, {:.1e} at most (at {:.2} GHz)\n  {}",
            r.poles,
            r.up_to_hz / 1e9,
            r.passivity_words(),
            r.sigma_before,
            r.corrections,
            r.rms,
            r.worst,
            r.worst_hz / 1e9,
            consequence_words(&exported.compared)
        );
    }
    if let Some(c) = &exported.check {
        let _ = writeln!(
            text,
            "self-check: the exported text, read back and integrated in time from rest, against the harmonic balance of the \
             same network\n  LO {:.3} GHz at {:+} dBm, RF {:.3} GHz at {:+} dBm; {} states, {:.2} ns in {} steps until it repeats\n",
            c.tones_hz.0 / 1e9,
            c.levels_dbm.0,
            c.tones_hz.1 / 1e9,
            c.levels_dbm.1,
            c.states,
            1e9 * c.time_s,
            c.steps
        );
        let _ = writeln!(text, "  {:<48} {:>13} {:>13} {:>12}", "line", "balance, V", "in time, V", "differs, dB");
        for l in &c.lines {
            let _ = writeln!(
                text,
                "  {:<48} {:>13.4e} {:>13.4e} {:>12.1e}{}",
                l.name,
                l.balance_v.norm(),
                l.integrated_v.norm(),
                l.difference_db(),
                if l.counts { "" } else { "  (small by cancellation: for information)" }
            );
        }
        let said = if c.worst_db() <= AGREES_WITHIN_DB { "agrees" } else { "DOES NOT AGREE" };
        let _ = writeln!(text, "  {said}: largest difference {:.1e} dB, limit {AGREES_WITHIN_DB} dB\n", c.worst_db());
    }
    push_findings(&mut text, &exported.findings);
    for path in written {
        let _ = writeln!(text, "written: {}", path.display());
    }
    text
}
