//! `fit`: diode parameters from measured tables.

use super::{Outcome, finding_value, push_findings};
use crate::arguments::{Fit, Global};
use project::{ProjectError, files, fit};
use quantity::Finding;
use serde_json::json;
use std::fmt::Write as _;
use std::path::PathBuf;

/// Width of the intervals printed by `fit`.
const CONFIDENCE: f64 = 0.95;

pub(super) fn run(arguments: &Fit, global: &Global) -> Result<Outcome, ProjectError> {
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
