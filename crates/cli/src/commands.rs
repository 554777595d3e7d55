//! What each command does; no formulas.

use crate::arguments::{Command, Edition, Fit, Global, Network};
use crate::output;
use crate::progress::Progress;
use project::design::{CircuitText, Design};
use project::spec::{Review, VerdictStatus};
use project::{ProjectError, files, fit, network_file, report, review};
use quantity::{Finding, Frequency, Severity};
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
        Command::Demo => demo(global),
        Command::Review { design } => {
            let folder = global.out.clone().unwrap_or_else(|| review_folder(design));
            review_design(&files::read_design(design)?, &folder, global)
        }
        Command::Check { design } => check(design, global),
        Command::Fit(arguments) => fit_tables(arguments, global),
        Command::Network(arguments) => network(arguments, global),
        Command::Completion { shell } => Ok(Outcome::done(crate::completion(*shell))),
    }
}

fn demo(global: &Global) -> Result<Outcome, ProjectError> {
    let folder = global.out.clone().unwrap_or_else(|| PathBuf::from("mixwright-demo"));
    let path = files::write_demo(&folder)?;
    if !global.quiet {
        output::remark(&format!("design written to {}", path.display()));
    }
    let mut outcome = review_design(&files::read_design(&path)?, &folder.join("review"), global)?;
    outcome.requirement_failed = false; // shown in the verdicts; the demonstration itself worked
    Ok(outcome)
}

/// `name-review` beside the design file.
fn review_folder(design: &Path) -> PathBuf {
    let stem = design.file_stem().map_or_else(|| "design".into(), |s| s.to_string_lossy().into_owned());
    design.with_file_name(format!("{stem}-review"))
}

fn review_design(design: &Design, folder: &Path, global: &Global) -> Result<Outcome, ProjectError> {
    let progress = Progress::new(global.quiet);
    let reviewed = review::run(design, &progress);
    progress.finish();
    let reviewed = reviewed?;
    let written = files::write_review(&reviewed, folder)?;
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

/// Width of the intervals printed by `fit`.
const CONFIDENCE: f64 = 0.95;

fn fit_tables(arguments: &Fit, global: &Global) -> Result<Outcome, ProjectError> {
    let mut rows: Vec<(&str, f64, (f64, f64), &str)> = Vec::new();
    let mut findings = Vec::new();
    let mut quality = Vec::new();
    let mut pictures = Vec::new();
    if let (Some(path), Some(temp)) = (&arguments.current, arguments.temperature) {
        let fit::Fitted { checked, residual_plot } = fit::current(path, temp, arguments.voltage_sigma)?;
        pictures.push(("current-residuals.svg", residual_plot));
        let c = &checked.value;
        rows.push(("IS", c.is_a, c.is_interval_a(CONFIDENCE), "A"));
        rows.push(("N", c.n, c.n_interval(CONFIDENCE), ""));
        rows.push(("RS", c.rs_ohm, c.rs_interval_ohm(CONFIDENCE), "ohm"));
        quality.push(("current", c.fit.chi_squared, c.fit.degrees_of_freedom, c.fit.noise_known));
        findings.extend(checked.findings);
    }
    if let Some(path) = &arguments.capacitance {
        let fit::Fitted { checked, residual_plot } = fit::capacitance(path, arguments.capacitance_sigma)?;
        pictures.push(("capacitance-residuals.svg", residual_plot));
        let f = &checked.value.fit;
        for (k, name) in f.names.iter().enumerate() {
            let (name, unit) = name.split_once(" / ").unwrap_or((name, ""));
            let name = if name == "Cp" { "parallel" } else { name };
            rows.push((name, f.values[k], f.interval(k, CONFIDENCE), unit));
        }
        quality.push(("capacitance", f.chi_squared, f.degrees_of_freedom, f.noise_known));
        findings.extend(checked.findings);
    }
    let written = write_pictures(&pictures, global)?;
    if global.json {
        return Ok(Outcome::done(fit_json(&rows, &quality, &findings)));
    }
    let mut text = format!("{:<10} {:>14}   {:.0} % interval\n", "parameter", "value", CONFIDENCE * 100.0);
    for (name, value, (low, high), unit) in &rows {
        let _ = writeln!(text, "{name:<10} {value:>14.6e}   {low:.6e} to {high:.6e} {unit}");
    }
    for (table, chi_squared, freedom, known) in &quality {
        let _ = if *known {
            writeln!(text, "{table} table: chi-squared {chi_squared:.1} at {freedom} degrees of freedom")
        } else {
            writeln!(text, "{table} table: {freedom} degrees of freedom; noise estimated from the residuals")
        };
    }
    push_findings(&mut text, &findings);
    for path in written {
        let _ = writeln!(text, "residuals: {}", path.display());
    }
    Ok(Outcome::done(text))
}

/// Writes the pictures into `--out`, when given.
fn write_pictures(pictures: &[(&str, String)], global: &Global) -> Result<Vec<PathBuf>, ProjectError> {
    let Some(folder) = &global.out else { return Ok(Vec::new()) };
    let paths: Vec<PathBuf> = pictures.iter().map(|(name, _)| folder.join(name)).collect();
    for (path, (_, svg)) in paths.iter().zip(pictures) {
        files::write_whole(path, svg.as_bytes())?;
    }
    Ok(paths)
}

type FitRow<'a> = (&'a str, f64, (f64, f64), &'a str);

fn fit_json(rows: &[FitRow<'_>], quality: &[(&str, f64, usize, bool)], findings: &[Finding]) -> String {
    let parameters: Vec<_> = rows
        .iter()
        .map(|(name, value, (low, high), unit)| {
            json!({ "name": name, "value": value, "interval": [low, high], "confidence": CONFIDENCE, "unit": unit })
        })
        .collect();
    let quality: Vec<_> = quality
        .iter()
        .map(|(table, chi, freedom, known)| {
            json!({ "table": table, "chi_squared": chi, "degrees_of_freedom": freedom, "noise_known": known })
        })
        .collect();
    let findings: Vec<_> = findings.iter().map(finding_value).collect();
    format!("{:#}", json!({ "parameters": parameters, "quality": quality, "findings": findings }))
}

fn network(arguments: &Network, global: &Global) -> Result<Outcome, ProjectError> {
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
