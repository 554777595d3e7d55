//! `terminations`: what passive terminations can do to a model.

use super::Outcome;
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::terminations::{Asked, run as study};
use project::{ProjectError, files, report, surround};
use quantity::{Angle, Length, PowerRatio};
use std::fmt::Write as _;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Terminations {
    /// Model package, or a design
    model: PathBuf,
    /// Largest reflection anywhere, 0 to 1
    #[arg(long, value_name = "MAGNITUDE", default_value_t = 0.9)]
    reflection: f64,
    /// RF frequencies looked at, evenly over the band
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u16).range(2..=101))]
    points: u16,
    /// Random terminations, solved again at each RF, with which the envelopes are compared
    #[arg(long, value_name = "N", default_value_t = 100)]
    checks: u16,
    /// Longest line in front of a reflecting filter
    #[arg(long, value_name = "LENGTH", value_parser = crate::arguments::unit::<Length>, default_value = "10 mm")]
    length: Length,
    /// Effective permittivity of that line
    #[arg(long, value_name = "NUMBER", default_value_t = 1.0)]
    permittivity: f64,
    /// Magnitude of the filter's reflection outside its band
    #[arg(long, value_name = "MAGNITUDE", default_value_t = 0.95)]
    filter: f64,
    /// Phase of the filter's reflection at its own plane
    #[arg(long, value_name = "ANGLE", value_parser = crate::arguments::unit::<Angle>, default_value = "0 deg", allow_hyphen_values = true)]
    filter_phase: Angle,
    /// Loss that must not be exceeded; the requirement of the plan unless given
    #[arg(long, value_name = "LOSS", value_parser = crate::arguments::unit::<PowerRatio>)]
    limit: Option<PowerRatio>,
}

pub(super) fn run(arguments: &Terminations, global: &Global) -> Result<Outcome, ProjectError> {
    let asked = Asked {
        reflection: arguments.reflection,
        points: usize::from(arguments.points),
        checks: usize::from(arguments.checks),
        length_max_m: arguments.length.si(),
        permittivity: arguments.permittivity,
        filter: (arguments.filter, arguments.filter_phase.deg().to_radians()),
        limit_db: arguments.limit.map(PowerRatio::db),
    };
    let progress = Progress::new(global.quiet);
    let done = surround::load_model(&arguments.model, &progress).and_then(|model| study(&model, &asked, &progress));
    progress.finish();
    let (page, _) = done?;
    let stem = arguments.model.file_stem().map_or_else(|| "model".into(), |s| s.to_string_lossy().into_owned());
    let folder = global.out.clone().unwrap_or_else(|| arguments.model.with_file_name(format!("{stem}-terminations")));
    let written = files::write_named(&page, &folder, "terminations")?;
    if global.json {
        return Ok(Outcome::done(report::json(&page)));
    }
    let mut text = String::new();
    for section in &page.sections {
        let _ = writeln!(text, "{}\n{}", section.title, section.text);
        for item in &section.items {
            if let project::spec::Item::Figure(figure) = item {
                text.push_str(&report::figure_text(figure));
            }
        }
        text.push('\n');
    }
    super::push_findings(&mut text, &page.findings);
    let _ = writeln!(text, "Report: {}", written.first().map(|p| p.display().to_string()).unwrap_or_default());
    Ok(Outcome::done(text))
}
