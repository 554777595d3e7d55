//! Capacitance-voltage table → `CJ0`, `VJ`, `M` and a parallel capacitance.
//!
//! `C = CJ0·(1 − V/VJ)^−M + Cp`. Use points below the forward tangent (`FC·VJ`) only.

use super::Uncertainty;
use super::current::chi_remark;
use super::fit::{Fit, Problem};
use crate::DiodeError;
use numerics::RMatrix;
use quantity::{Checked, Finding};

/// Correlation above which two estimates are called inseparable.
const CORRELATION_MAX: f64 = 0.99;
/// Start of the built-in voltage, volt, and its least distance above the highest measured voltage.
const START_VJ_V: (f64, f64) = (0.7, 0.3);
/// Start of the parallel capacitance as a part of the smallest measured one.
const START_PARALLEL: f64 = 0.3;
const NAMES: [&str; 4] = ["CJ0 / F", "VJ / V", "M", "Cp / F"];

/// Whether a parameter is fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Held {
    /// Fitted.
    Free,
    /// Held at this value.
    At(f64),
}

/// Which parameters are fitted besides `CJ0` and `VJ`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CapacitanceSettings {
    /// Grading exponent.
    pub m: Held,
    /// Parallel (pad) capacitance, farad; hold it at what an open structure shows.
    pub parallel_f: Held,
}

impl Default for CapacitanceSettings {
    /// `M` held at one half, parallel capacitance free: separates junction and pad six to eight times
    /// better than a free `M`, and is right for uniform doping.
    fn default() -> Self {
        Self { m: Held::At(0.5), parallel_f: Held::Free }
    }
}

/// Result of a capacitance-voltage fit.
///
/// Parameters of [`CapacitanceFit::fit`]: those that are free of `CJ0`, `VJ`, `M`, `Cp`, in this order.
#[derive(Debug, Clone, PartialEq)]
pub struct CapacitanceFit {
    /// Zero-bias junction capacitance, farad.
    pub cj0_f: f64,
    /// Built-in voltage, volt.
    pub vj_v: f64,
    /// Grading exponent.
    pub m: f64,
    /// Parallel capacitance, farad.
    pub parallel_f: f64,
    /// Estimates, covariance and residuals (farad).
    pub fit: Fit,
}

/// Fits capacitances (farad) at voltages (volt, forward positive).
///
/// # Errors
/// Unusable tables, or points that do not determine the free parameters.
pub fn fit_capacitance(
    voltage_v: &[f64],
    capacitance_f: &[f64],
    uncertainty_f: Uncertainty<'_>,
    settings: &CapacitanceSettings,
) -> Result<Checked<CapacitanceFit>, DiodeError> {
    let held = [None, None, value_of(settings.m), value_of(settings.parallel_f)];
    let free: Vec<usize> = (0..4).filter(|&j| held[j].is_none()).collect();
    check_table(voltage_v, capacitance_f, free.len())?;
    let all = |p: &[f64]| {
        let mut full = held.map(|h| h.unwrap_or(0.0));
        free.iter().zip(p).for_each(|(&j, x)| full[j] = *x);
        full
    };
    let model = |p: &[f64]| {
        let (values, slopes) = law(all(p), voltage_v)?;
        Some((values, RMatrix::from_fn(voltage_v.len(), free.len(), |k, j| slopes[k][free[j]])))
    };
    let names = free.iter().map(|&j| NAMES[j]).collect();
    let what = "the capacitance-voltage table";
    let problem = Problem { what, names, measured: capacitance_f, uncertainty: uncertainty_f, model: &model };
    let first = start(voltage_v, capacitance_f, &held);
    let fit = problem.solve(&free.iter().map(|&j| first[j]).collect::<Vec<_>>())?;
    let [cj0_f, vj_v, m, parallel_f] = all(&fit.values);
    let value = CapacitanceFit { cj0_f, vj_v, m, parallel_f, fit };
    let findings = remarks(&value);
    Ok(Checked { value, findings })
}

fn value_of(held: Held) -> Option<f64> {
    match held {
        Held::Free => None,
        Held::At(x) => Some(x),
    }
}

fn check_table(voltage_v: &[f64], capacitance_f: &[f64], n_free: usize) -> Result<(), DiodeError> {
    let refuse = |expected: String, found: String, hint| {
        Err(DiodeError::Table { table: "capacitance-voltage", expected, found, hint })
    };
    if voltage_v.len() != capacitance_f.len() {
        let found = format!("{} voltages and {} capacitances", voltage_v.len(), capacitance_f.len());
        return refuse("columns of equal length".into(), found, "give one capacitance per voltage");
    }
    if voltage_v.len() <= n_free {
        let expected = format!("more than {n_free} points");
        return refuse(expected, voltage_v.len().to_string(), "measure more points or hold parameters");
    }
    for (k, (v, c)) in voltage_v.iter().zip(capacitance_f).enumerate() {
        if !(*c > 0.0 && c.is_finite() && v.is_finite()) {
            let found = format!("{v} V and {c:e} F in row {}", k + 1);
            return refuse("finite voltages and positive capacitances".into(), found, "remove the row");
        }
    }
    Ok(())
}

fn start(voltage_v: &[f64], capacitance_f: &[f64], held: &[Option<f64>; 4]) -> [f64; 4] {
    let highest = voltage_v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = capacitance_f.iter().copied().fold(f64::INFINITY, f64::min);
    let near_zero = voltage_v.iter().zip(capacitance_f).min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
    let parallel = held[3].unwrap_or(START_PARALLEL * least);
    let c0 = near_zero.map_or(least, |(_, c)| *c) - parallel;
    let vj = START_VJ_V.0.max(highest + START_VJ_V.1);
    [c0.max(START_PARALLEL * least), vj, held[2].unwrap_or(0.5), parallel]
}

/// Capacitances and their derivatives after `CJ0`, `VJ`, `M`, `Cp`.
fn law([c0, vj, m, cp]: [f64; 4], voltage_v: &[f64]) -> Option<(Vec<f64>, Vec<[f64; 4]>)> {
    let usable = vj > 0.0 && voltage_v.iter().all(|v| *v < vj);
    if !usable {
        return None;
    }
    let row = |v: &f64| {
        let log = (-v / vj).ln_1p();
        let power = (-m * log).exp();
        // d/dVJ of (1 − V/VJ)^−M is −M·(1 − V/VJ)^(−M−1)·V/VJ².
        let slopes = [power, -c0 * m * power / (1.0 - v / vj) * v / (vj * vj), -c0 * power * log, 1.0];
        (c0 * power + cp, slopes)
    };
    Some(voltage_v.iter().map(row).unzip())
}

fn remarks(found: &CapacitanceFit) -> Vec<Finding> {
    let place = "capacitance-voltage fit";
    let mut findings: Vec<Finding> = chi_remark(&found.fit, place).into_iter().collect();
    let n = found.fit.values.len();
    for (i, j) in (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j))) {
        let correlation = found.fit.correlation(i, j);
        if correlation.abs() > CORRELATION_MAX {
            let text = format!(
                "{} and {} are {correlation:.4} correlated: the table fixes little more than a combination of them; hold M, or take Cp from an open structure",
                found.fit.names[i], found.fit.names[j]
            );
            findings.push(Finding::note(place, text));
        }
    }
    findings
}
