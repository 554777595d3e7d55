//! Current-voltage table → `N`, `IS`, `RS`.
//!
//! `V = n·Vt·ln(1 + I/IS) + RS·I` with the current as the given quantity and noise on the voltage.

use super::Uncertainty;
use super::fit::{Fit, Problem};
use crate::DiodeError;
use numerics::RMatrix;
use quantity::constants::thermal_voltage_v;
use quantity::{Checked, Finding};

/// Places of the parameters in [`CurrentFit::fit`].
const N: usize = 0;
const LN_IS: usize = 1;
const RS: usize = 2;
/// `RS` below this many standard errors is called undetermined.
const RS_SIGNIFICANT: f64 = 3.0;
/// Chi-squared outside this interval is reported.
const CHI_CONFIDENCE: f64 = 0.99;

/// Which law is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum CurrentLaw {
    /// `V = n·Vt·ln(1 + I/IS) + RS·I`, right down to zero current. The default.
    #[default]
    Complete,
    /// `V = n·Vt·ln(I/IS) + RS·I`, linear in `(n, n·ln IS, RS)`; for currents above 1e5 `IS` the same.
    Logarithmic,
}

/// Result of a current-voltage fit. Parameters of [`CurrentFit::fit`]: `n`, `ln IS`, `RS`.
#[derive(Debug, Clone, PartialEq)]
pub struct CurrentFit {
    /// Ideality.
    pub n: f64,
    /// Saturation current, ampere.
    pub is_a: f64,
    /// Series resistance, ohm.
    pub rs_ohm: f64,
    /// Temperature that was assumed, kelvin.
    pub temp_k: f64,
    /// Estimates, covariance and residuals (volt).
    pub fit: Fit,
}

impl CurrentFit {
    /// Confidence interval of the saturation current, ampere: that of its logarithm.
    pub fn is_interval_a(&self, confidence: f64) -> (f64, f64) {
        let (low, high) = self.fit.interval(LN_IS, confidence);
        (low.exp(), high.exp())
    }

    /// Confidence interval of the ideality.
    pub fn n_interval(&self, confidence: f64) -> (f64, f64) {
        self.fit.interval(N, confidence)
    }

    /// Confidence interval of the series resistance, ohm.
    pub fn rs_interval_ohm(&self, confidence: f64) -> (f64, f64) {
        self.fit.interval(RS, confidence)
    }
}

/// Fits forward currents (ampere, positive) and voltages (volt) measured at junction temperature `temp_k`.
///
/// For a voltage-forced sweep see [`voltage_forced_sigma_v`].
///
/// # Errors
/// Unusable tables, or points that do not determine the three parameters.
pub fn fit_current(
    current_a: &[f64],
    voltage_v: &[f64],
    uncertainty_v: Uncertainty<'_>,
    temp_k: f64,
    law: CurrentLaw,
) -> Result<Checked<CurrentFit>, DiodeError> {
    check_table(current_a, voltage_v)?;
    crate::temperature::check_temperature(temp_k)?;
    let vt = thermal_voltage_v(temp_k);
    let mut fit = fit_logarithmic(current_a, voltage_v, uncertainty_v, vt)?;
    if law == CurrentLaw::Complete {
        fit = fit_complete(current_a, voltage_v, uncertainty_v, vt, &fit.values)?;
    }
    let value = CurrentFit { n: fit.values[N], is_a: fit.values[LN_IS].exp(), rs_ohm: fit.values[RS], temp_k, fit };
    let findings = remarks(&value);
    Ok(Checked { value, findings })
}

/// Standard deviation of the voltage equivalent to a noisy current in a voltage-forced sweep, volt.
///
/// `δV = (n·Vt/I + RS)·δI`: relative current noise is constant voltage noise at low current and grows
/// with `I·RS` at high current. Estimate with equal weights first, then use these.
pub fn voltage_forced_sigma_v(current_a: f64, sigma_current_a: f64, scale_voltage_v: f64, rs_ohm: f64) -> f64 {
    (scale_voltage_v / current_a + rs_ohm) * sigma_current_a
}

fn check_table(current_a: &[f64], voltage_v: &[f64]) -> Result<(), DiodeError> {
    let refuse = |expected: &str, found: String, hint| {
        Err(DiodeError::Table { table: "current-voltage", expected: expected.into(), found, hint })
    };
    if current_a.len() != voltage_v.len() {
        let found = format!("{} currents and {} voltages", current_a.len(), voltage_v.len());
        return refuse("columns of equal length", found, "give one voltage per current");
    }
    if current_a.len() < 4 {
        return refuse("at least 4 points", current_a.len().to_string(), "three parameters need more points than that");
    }
    for (k, (i, v)) in current_a.iter().zip(voltage_v).enumerate() {
        if !(*i > 0.0 && i.is_finite() && v.is_finite()) {
            let found = format!("{i:e} A and {v} V in row {}", k + 1);
            return refuse("positive currents and finite voltages", found, "leave reverse and zero points out");
        }
    }
    Ok(())
}

/// Linear fit of `V = a·ln I + b + RS·I`, then `n = a/Vt`, `ln IS = −b/a` with covariance.
fn fit_logarithmic(i: &[f64], v: &[f64], uncertainty: Uncertainty<'_>, vt: f64) -> Result<Fit, DiodeError> {
    // In the parameters (n, ln IS, RS) the law is bilinear; the linear form gives the start.
    let line = |p: &[f64]| {
        let slopes = RMatrix::from_fn(i.len(), 3, |k, j| [i[k].ln(), 1.0, i[k]][j]);
        Some((slopes.times(p), slopes))
    };
    let names = vec!["a / V", "b / V", "RS / ohm"];
    let what = "the current-voltage table";
    let linear = Problem { what, names, measured: v, uncertainty, model: &line }.solve(&[vt, 0.0, 0.0])?;
    let (a, b) = (linear.values[0], linear.values[1]);
    let usable = a > 0.0;
    if !usable {
        let why =
            format!("the ideality came out as {:.3}; is the diode reversed, or the current not in ampere?", a / vt);
        return Err(DiodeError::Fit { what, why });
    }
    let model = |p: &[f64]| law(p, i, vt, |x| (x, 1.0));
    Problem { what, names: names_of_law(), measured: v, uncertainty, model: &model }.solve(&[
        a / vt,
        -b / a,
        linear.values[2],
    ])
}

fn fit_complete(i: &[f64], v: &[f64], uncertainty: Uncertainty<'_>, vt: f64, start: &[f64]) -> Result<Fit, DiodeError> {
    // ln(1 + e^x) and its derivative, without overflow.
    let soft = |x: f64| (x.max(0.0) + (-x.abs()).exp().ln_1p(), 1.0 / (1.0 + (-x).exp()));
    let model = |p: &[f64]| law(p, i, vt, soft);
    let what = "the current-voltage table";
    Problem { what, names: names_of_law(), measured: v, uncertainty, model: &model }.solve(start)
}

fn names_of_law() -> Vec<&'static str> {
    vec!["N", "ln(IS / A)", "RS / ohm"]
}

/// `V = n·Vt·f(ln(I/IS)) + RS·I` with derivatives.
fn law(p: &[f64], i: &[f64], vt: f64, f: impl Fn(f64) -> (f64, f64)) -> Option<(Vec<f64>, RMatrix)> {
    let usable = p[N] > 0.0;
    if !usable {
        return None;
    }
    let at: Vec<(f64, f64)> = i.iter().map(|i| f(i.ln() - p[LN_IS])).collect();
    let values = at.iter().zip(i).map(|((y, _), i)| p[N] * vt * y + p[RS] * i).collect();
    let slopes = RMatrix::from_fn(i.len(), 3, |k, j| [vt * at[k].0, -p[N] * vt * at[k].1, i[k]][j]);
    Some((values, slopes))
}

fn remarks(found: &CurrentFit) -> Vec<Finding> {
    let place = "current-voltage fit";
    let mut findings = Vec::new();
    let rs_error = found.fit.standard_error(RS);
    if found.rs_ohm < RS_SIGNIFICANT * rs_error {
        let text = format!(
            "RS = {:.3} ± {rs_error:.3} ohm is not determined: the sweep stops before I·RS shows; measure to higher current",
            found.rs_ohm
        );
        findings.push(Finding::warning(place, text));
    }
    findings.extend(chi_remark(&found.fit, place));
    findings
}

/// A remark when chi-squared lies outside its interval.
pub(super) fn chi_remark(fit: &Fit, place: &str) -> Option<Finding> {
    let (low, high) = fit.chi_squared_interval(CHI_CONFIDENCE)?;
    let (chi, dof) = (fit.chi_squared, fit.degrees_of_freedom);
    if chi > high {
        let text = format!(
            "chi-squared {chi:.1} for {dof} degrees of freedom, expected below {high:.1}: the model misses something the noise does not explain, or the noise is understated; look at the residuals before using the intervals"
        );
        return Some(Finding::warning(place, text));
    }
    let text = format!(
        "chi-squared {chi:.1} for {dof} degrees of freedom, expected above {low:.1}: the stated noise is too large, and so are the intervals"
    );
    (chi < low).then(|| Finding::note(place, text))
}
