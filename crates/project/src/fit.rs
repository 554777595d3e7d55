//! Diode parameters from measured tables in text files.

use crate::error::ProjectError;
use diode::extract::Fit as DiodeFit;
use diode::extract::{
    CapacitanceFit, CapacitanceSettings, CurrentFit, CurrentLaw, Uncertainty, fit_capacitance, fit_current,
};
use quantity::{Capacitance, Checked, Temperature, Voltage};
use report::picture::{LinePlot, Look, Point, Series};
use std::path::Path;

/// A fit with the picture of its residuals (SVG).
pub struct Fitted<T> {
    /// Parameters and remarks.
    pub checked: Checked<T>,
    /// Residuals over their standard deviation, a stand-alone SVG text.
    pub residual_plot: String,
}

/// Fits a current-voltage table: columns `I_A` and `V_V`, in any order, others are ignored.
///
/// `sigma` is the standard deviation of the voltages; none estimates it from the residuals.
///
/// # Errors
/// The table cannot be read, or does not determine the parameters.
pub fn current(path: &Path, temp: Temperature, sigma: Option<Voltage>) -> Result<Fitted<CurrentFit>, ProjectError> {
    let [current_a, voltage_v] = read_columns(path, ["I_A", "V_V"])?;
    let uncertainty = sigma.map_or(Uncertainty::Unknown, |s| Uncertainty::Uniform(s.si()));
    let checked = fit_current(&current_a, &voltage_v, uncertainty, temp.si(), CurrentLaw::Complete)?;
    let decades: Vec<f64> = current_a.iter().map(|i| i.abs().log10()).collect();
    let residual_plot = residual_plot("current", "log10 of the current in ampere", &decades, &checked.value.fit);
    Ok(Fitted { checked, residual_plot })
}

/// Fits a capacitance-voltage table: columns `V_V` and `C_F`, forward voltage positive.
///
/// # Errors
/// The table cannot be read, or does not determine the parameters.
pub fn capacitance(path: &Path, sigma: Option<Capacitance>) -> Result<Fitted<CapacitanceFit>, ProjectError> {
    let [voltage_v, capacitance_f] = read_columns(path, ["V_V", "C_F"])?;
    let uncertainty = sigma.map_or(Uncertainty::Unknown, |s| Uncertainty::Uniform(s.si()));
    let checked = fit_capacitance(&voltage_v, &capacitance_f, uncertainty, &CapacitanceSettings::default())?;
    let residual_plot = residual_plot("capacitance", "voltage, V", &voltage_v, &checked.value.fit);
    Ok(Fitted { checked, residual_plot })
}

/// Residuals over their standard deviation against the abscissa, as a picture.
fn residual_plot(table: &str, x_label: &str, x: &[f64], fit: &DiodeFit) -> String {
    let points = x.iter().zip(&fit.standardised);
    let points = points.map(|(&x, &y)| Point {
        x,
        y,
        band: None,
        reach: None,
        hollow: false,
        tip: format!("{y:+.2} at {x:.4}"),
    });
    let plot = LinePlot {
        title: format!("Residuals of the {table} table"),
        x_label: x_label.into(),
        y_label: "residual over its standard deviation".into(),
        series: vec![Series { name: "measured less fitted".into(), points: points.collect() }],
        limits: Vec::new(),
        notes: vec!["A pattern instead of scatter says that the model or the temperature does not fit.".into()],
    };
    plot.svg(Look::Standalone)
}

/// Two named columns of a comma-separated table with a header line.
fn read_columns(path: &Path, names: [&str; 2]) -> Result<[Vec<f64>; 2], ProjectError> {
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    let file = path.display().to_string();
    let wrong =
        |line: u64, expected: String, found: String| ProjectError::Table { file: file.clone(), line, expected, found };
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).from_reader(bytes.as_slice());
    let header = reader.headers().map_err(|e| wrong(1, "a header line".into(), e.to_string()))?.clone();
    let mut position = [0; 2];
    for (p, name) in position.iter_mut().zip(names) {
        let all: Vec<&str> = header.iter().collect();
        *p = header.iter().position(|h| h == name).ok_or_else(|| {
            wrong(
                1,
                format!("a column `{name}` (volt, ampere and farad, no prefixes)"),
                format!("columns {}", all.join(", ")),
            )
        })?;
    }
    let mut columns = [Vec::new(), Vec::new()];
    for record in reader.records() {
        let record = record.map_err(|e| {
            let line = e.position().map_or(0, csv::Position::line);
            wrong(line, "as many values as columns".into(), e.to_string())
        })?;
        let line = record.position().map_or(0, csv::Position::line);
        for ((column, p), name) in columns.iter_mut().zip(position).zip(names) {
            let text = record.get(p).unwrap_or("");
            let value = text.parse::<f64>().ok().filter(|x| x.is_finite());
            column
                .push(value.ok_or_else(|| wrong(line, format!("a finite number for `{name}`"), format!("`{text}`")))?);
        }
    }
    Ok(columns)
}
