//! `spread`: yield, contributions and corners of a design in fabrication.

use super::Outcome;
use crate::arguments::Global;
use crate::progress::Progress;
use clap::{Args, ValueEnum};
use project::{ProjectError, files, report, spread};
use std::fmt::Write as _;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Spread {
    /// Design file with `[[process]]` tables
    design: PathBuf,
    /// Units drawn
    #[arg(long, value_name = "N", default_value_t = 1024, value_parser = clap::value_parser!(u32).range(16..=65536))]
    units: u32,
    /// How units are drawn
    #[arg(long, value_enum, default_value_t = Scheme::Sobol)]
    scheme: Scheme,
    /// Seed of everything random
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Full solutions allowed for units on the edge of a requirement
    #[arg(long, value_name = "N", default_value_t = 96)]
    full: u32,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Scheme {
    /// Scrambled low-discrepancy points, eight replicates
    Sobol,
    /// Latin hypercubes, eight replicates
    Latin,
    /// Independent points
    Plain,
}

pub(crate) fn run(arguments: &Spread, global: &Global) -> Result<Outcome, ProjectError> {
    let design = files::read_design(&arguments.design)?;
    let folder = global.out.clone().unwrap_or_else(|| {
        let stem = arguments.design.file_stem().map_or_else(|| "design".into(), |s| s.to_string_lossy().into_owned());
        arguments.design.with_file_name(format!("{stem}-spread"))
    });
    let scheme = match arguments.scheme {
        Scheme::Sobol => spread::Scheme::Sobol,
        Scheme::Latin => spread::Scheme::LatinHypercube,
        Scheme::Plain => spread::Scheme::Plain,
    };
    let settings = spread::SpreadSettings {
        scheme,
        units: arguments.units as usize,
        seed: arguments.seed,
        full_max: arguments.full as usize,
        ..spread::SpreadSettings::default()
    };
    let progress = Progress::new(global.quiet);
    let found = spread::run(&design, &settings, Some(&folder), &progress);
    progress.finish();
    let found = found?;
    let page = spread::page(&found);
    let written = files::write_spread(&page, &spread::units_csv(&found), &folder)?;
    if global.json {
        return Ok(Outcome::done(report::json(&page)));
    }
    let s = &found.spread;
    let mut text = format!("{}: {} units\n", design.name, s.units.len());
    let share =
        |e: spread::Estimate| format!("{:5.1} %  ({:.1} to {:.1} %)", 100.0 * e.value, 100.0 * e.low, 100.0 * e.high);
    for r in &s.requirements {
        let by = r.shares.first().map_or_else(String::new, |x| format!("  mostly {}", x.name));
        let name = spread::name_of(&r.requirement.limit);
        let missed = if spread::fails_nominally(r) { " (missed)" } else { "" };
        let _ = writeln!(text, "  {name:<44} {:<28} nominal {:.2}{missed}{by}", share(r.yield_), r.nominal);
    }
    let _ = writeln!(text, "  {:<44} {}", "all of them", share(s.overall));
    if let Some(kept) = s.overall_of_kept {
        let _ = writeln!(text, "  {:<44} {}", "all that the nominal design keeps", share(kept));
    }
    for finding in &page.findings {
        let _ = writeln!(text, "  {}: {}", finding.place, finding.text);
    }
    if let Some(page) = written.first() {
        let _ = writeln!(text, "\nPage: {} (and JSON, units and pictures beside it)", page.display());
    }
    Ok(Outcome::done(text))
}
