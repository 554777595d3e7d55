//! `network`: what is in a network data file.

use super::{Outcome, finding_value, push_findings};
use crate::arguments::{Edition, Global, Network};
use project::{ProjectError, files, network_file};
use quantity::Frequency;
use serde_json::json;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

pub(super) fn run(arguments: &Network, global: &Global) -> Result<Outcome, ProjectError> {
    let (data, survey) = network_file::read(&arguments.file, arguments.lenient)?;
    let mut written = None;
    if let Some(edition) = arguments.convert {
        let edition_of = match edition {
            Edition::One => network_file::Edition::One,
            Edition::Two => network_file::Edition::Two,
        };
        let text = network_file::converted(&data, &survey.file, edition_of, arguments.reference)?;
        let path = converted_path(&arguments.file, edition, survey.n_ports, global.out.as_deref());
        files::write_whole(&path, text.as_bytes())?;
        written = Some(path);
    }
    if global.json {
        let findings: Vec<_> = survey.findings.iter().map(finding_value).collect();
        let value = json!({
            "file": survey.file, "version": survey.version, "ports": survey.n_ports,
            "frequencies": survey.n_frequencies, "freq_hz": [survey.freq_hz.0, survey.freq_hz.1],
            "noise_frequencies": survey.n_noise, "reference_ohm": survey.reference_ohm,
            "sigma_max": survey.sigma_max.0, "sigma_max_at_hz": survey.sigma_max.1,
            "passivity_percent": survey.passivity.percent,
            "reciprocity_percent": survey.reciprocity.map(|f| f.percent),
            "causality_percent": survey.causality.map(|f| f.percent),
            "has_dc": survey.has_dc, "findings": findings, "written": written.map(|p| p.display().to_string()),
        });
        return Ok(Outcome::done(format!("{value:#}")));
    }
    let mut text = survey_text(&survey);
    if let Some(path) = written {
        let _ = writeln!(text, "written: {}", path.display());
    }
    Ok(Outcome::done(text))
}

fn survey_text(s: &network_file::NetworkSurvey) -> String {
    let figure = |name: &str, f: Option<project::network::hygiene::Figure>| match f {
        Some(f) => format!("  {name:<12} {:>6.2} %  {}\n", f.percent, format!("{:?}", f.band).to_lowercase()),
        None => String::new(),
    };
    let reference: Vec<String> = s.reference_ohm.iter().map(|r| format!("{r}")).collect();
    let mut text = format!(
        "{}: version {}, {} ports, {} frequencies from {} to {}\n",
        s.file,
        s.version,
        s.n_ports,
        s.n_frequencies,
        Frequency::hz(s.freq_hz.0),
        Frequency::hz(s.freq_hz.1)
    );
    let _ = writeln!(text, "  reference    {} ohm", reference.join(", "));
    let _ = writeln!(text, "  largest singular value {:.6} at {}", s.sigma_max.0, Frequency::hz(s.sigma_max.1));
    text.push_str(&figure("passivity", Some(s.passivity)));
    text.push_str(&figure("reciprocity", s.reciprocity));
    text.push_str(&figure("causality", s.causality));
    if s.n_noise > 0 {
        let _ = writeln!(text, "  noise data at {} frequencies", s.n_noise);
    }
    push_findings(&mut text, &s.findings);
    text
}

/// Where a conversion goes: beside the original or into the folder asked for, never over the original.
fn converted_path(file: &Path, edition: Edition, n_ports: usize, out: Option<&Path>) -> PathBuf {
    let stem = file.file_stem().map_or_else(|| "network".into(), |s| s.to_string_lossy().into_owned());
    let name = match edition {
        Edition::One => format!("{stem}-converted.s{n_ports}p"),
        Edition::Two => format!("{stem}-converted.ts"),
    };
    out.map_or_else(|| file.with_file_name(&name), |folder| folder.join(&name))
}
