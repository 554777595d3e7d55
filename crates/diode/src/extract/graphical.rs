//! Straight-line and graphical methods of older work, for comparison.
//!
//! Input: forward currents rising (ampere) and voltages (volt). All use unweighted straight lines.
//! Sources: Norde, "A modified forward I-V plot for Schottky diodes with high series resistance",
//! J. Appl. Phys. 50 (1979) 5052 (abstract seen); Cheung & Cheung, Appl. Phys. Lett. 49 (1986) 85
//! (memory); two values of γ: Bohlin 1986 (memory).

use crate::DiodeError;
use quantity::constants::{BOLTZMANN_J_PER_K, ELEMENTARY_CHARGE_C, thermal_voltage_v};

/// Points of the parabola through the minimum of Norde's function.
const PARABOLA_POINTS: usize = 5;

/// Straight line of `ln I` against `V`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogLine {
    /// Ideality.
    pub n: f64,
    /// Saturation current, ampere.
    pub is_a: f64,
}

/// First plot of Cheung: `dV/d(ln I) = n·Vt + I·RS`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheungSlope {
    /// Ideality.
    pub n: f64,
    /// Series resistance, ohm.
    pub rs_ohm: f64,
    /// Points used.
    pub n_points: usize,
}

/// Second plot of Cheung: `H(I) = V − n·Vt·ln(I/(A·A*·T²)) = n·φ + I·RS`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheungBarrier {
    /// Barrier height, electronvolt.
    pub barrier_ev: f64,
    /// Series resistance, ohm.
    pub rs_ohm: f64,
}

/// Minimum of Norde's function `F = V/γ − Vt·ln I`, the constant left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NordeMinimum {
    /// The divisor of the voltage.
    pub gamma: f64,
    /// Current at the minimum, ampere.
    pub current_a: f64,
}

/// Barrier and Richardson factor from `ln(IS/T²)` against `1/T`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Richardson {
    /// Barrier height, electronvolt.
    pub barrier_ev: f64,
    /// Area times Richardson constant, A/K².
    pub area_richardson_a_per_k2: f64,
}

/// Straight line of `ln I` on `V` between two currents; ignores `RS` and so reads `n` high above a
/// few ten microampere.
///
/// # Errors
/// Fewer than two usable points.
pub fn log_line(current_a: &[f64], voltage_v: &[f64], range_a: (f64, f64), temp_k: f64) -> Result<LogLine, DiodeError> {
    let inside = current_a.iter().zip(voltage_v).filter(|(i, _)| **i >= range_a.0 && **i <= range_a.1);
    let (v, log_i): (Vec<f64>, Vec<f64>) = inside.map(|(i, v)| (*v, i.ln())).unzip();
    let (offset, slope) = straight_line(&v, &log_i)?;
    Ok(LogLine { n: 1.0 / (slope * thermal_voltage_v(temp_k)), is_a: offset.exp() })
}

/// First plot of Cheung on inner points with a current above `current_min_a`.
///
/// Central differences in `ln I`; the end points are left out, because one-sided differences there
/// ruin the slope. Even so the difference overstates `RS` by `sinh(h)/h`, `h` the step in `ln I`.
///
/// # Errors
/// Fewer than two usable points.
pub fn cheung_slope(
    current_a: &[f64],
    voltage_v: &[f64],
    current_min_a: f64,
    temp_k: f64,
) -> Result<CheungSlope, DiodeError> {
    let inner = 1..current_a.len().min(voltage_v.len()).saturating_sub(1);
    let used = inner.filter(|&k| current_a[k] > current_min_a);
    let (i, slopes): (Vec<f64>, Vec<f64>) = used.map(|k| (current_a[k], log_slope(current_a, voltage_v, k))).unzip();
    let (offset, rs_ohm) = straight_line(&i, &slopes)?;
    Ok(CheungSlope { n: offset / thermal_voltage_v(temp_k), rs_ohm, n_points: i.len() })
}

/// Second-order difference `dV/d(ln I)` at an inner point of an uneven grid.
fn log_slope(current_a: &[f64], voltage_v: &[f64], k: usize) -> f64 {
    let below = (current_a[k] / current_a[k - 1]).ln();
    let above = (current_a[k + 1] / current_a[k]).ln();
    let down = (voltage_v[k] - voltage_v[k - 1]) / below;
    let up = (voltage_v[k + 1] - voltage_v[k]) / above;
    (down * above + up * below) / (below + above)
}

/// Second plot of Cheung on inner points above `current_min_a`, with `n` from the first.
///
/// `area_richardson_a_per_k2` is area times Richardson constant.
///
/// # Errors
/// Fewer than two usable points.
pub fn cheung_barrier(
    current_a: &[f64],
    voltage_v: &[f64],
    current_min_a: f64,
    temp_k: f64,
    n: f64,
    area_richardson_a_per_k2: f64,
) -> Result<CheungBarrier, DiodeError> {
    let scale = n * thermal_voltage_v(temp_k);
    let reference = area_richardson_a_per_k2 * temp_k * temp_k;
    let inner = 1..current_a.len().min(voltage_v.len()).saturating_sub(1);
    let used = inner.filter(|&k| current_a[k] > current_min_a);
    let h = |k: usize| voltage_v[k] - scale * (current_a[k] / reference).ln();
    let (i, h): (Vec<f64>, Vec<f64>) = used.map(|k| (current_a[k], h(k))).unzip();
    let (offset, rs_ohm) = straight_line(&i, &h)?;
    Ok(CheungBarrier { barrier_ev: offset / n, rs_ohm })
}

/// Current at the minimum of Norde's function, by a parabola in `ln I` through the five points
/// around the lowest (the last five when the lowest is the last but one). Biased by a few per cent: the function is not a parabola.
///
/// # Errors
/// A table too short, or a minimum at its end.
pub fn norde_minimum(
    current_a: &[f64],
    voltage_v: &[f64],
    gamma: f64,
    temp_k: f64,
) -> Result<NordeMinimum, DiodeError> {
    let vt = thermal_voltage_v(temp_k);
    let log_i: Vec<f64> = current_a.iter().map(|i| i.ln()).collect();
    let f: Vec<f64> = voltage_v.iter().zip(&log_i).map(|(v, l)| v / gamma - vt * l).collect();
    let half = PARABOLA_POINTS / 2;
    let lowest = (0..f.len()).min_by(|&a, &b| f[a].total_cmp(&f[b])).unwrap_or(0);
    if f.len() < PARABOLA_POINTS || lowest == 0 || lowest + 1 == f.len() {
        let found = format!("the minimum at point {} of {}", lowest + 1, f.len());
        return Err(DiodeError::Table {
            table: "current-voltage",
            expected: "a minimum of Norde's function inside the table".into(),
            found,
            hint: "widen the sweep to higher current or choose another gamma",
        });
    }
    let middle = lowest.clamp(half, f.len() - 1 - half);
    let window = middle - half..=middle + half;
    let t: Vec<f64> = window.clone().map(|k| log_i[k] - log_i[lowest]).collect();
    let y: Vec<f64> = window.map(|k| f[k] - f[lowest]).collect();
    let rows = numerics::RMatrix::from_fn(t.len(), 3, |k, j| t[k].powi(j as i32));
    let c = numerics::linear::least_squares(&rows, &y)
        .map_err(|e| DiodeError::Fit { what: "Norde's minimum", why: e.to_string() })?;
    Ok(NordeMinimum { gamma, current_a: (log_i[lowest] - c[1] / (2.0 * c[2])).exp() })
}

/// Series resistance from one minimum when the ideality is known: `(γ − n)·Vt/I0`, ohm.
///
/// Taking `n = 1` for `n = 1.15` reads 6.6 to 8.2 ohm for a 6 ohm diode.
pub fn norde_resistance_ohm(minimum: NordeMinimum, n: f64, temp_k: f64) -> f64 {
    (minimum.gamma - n) * thermal_voltage_v(temp_k) / minimum.current_a
}

/// Ideality and series resistance (ohm) from the minima for two divisors.
pub fn norde_two_gammas(first: NordeMinimum, second: NordeMinimum, temp_k: f64) -> (f64, f64) {
    let vt = thermal_voltage_v(temp_k);
    let rs_ohm = (second.gamma - first.gamma) * vt / (second.current_a - first.current_a);
    (first.gamma - first.current_a * rs_ohm / vt, rs_ohm)
}

/// Barrier and Richardson factor from saturation currents (ampere) at temperatures (kelvin).
///
/// # Errors
/// Fewer than two usable points.
pub fn richardson(temp_k: &[f64], is_a: &[f64]) -> Result<Richardson, DiodeError> {
    let inverse: Vec<f64> = temp_k.iter().map(|t| 1.0 / t).collect();
    let log: Vec<f64> = is_a.iter().zip(temp_k).map(|(i, t)| (i / (t * t)).ln()).collect();
    let (offset, slope) = straight_line(&inverse, &log)?;
    let barrier_ev = -slope * BOLTZMANN_J_PER_K / ELEMENTARY_CHARGE_C;
    Ok(Richardson { barrier_ev, area_richardson_a_per_k2: offset.exp() })
}

/// Offset and slope of the unweighted least-squares line `y = offset + slope·x`.
fn straight_line(x: &[f64], y: &[f64]) -> Result<(f64, f64), DiodeError> {
    let n = x.len().min(y.len());
    let mean = |a: &[f64]| a[..n].iter().sum::<f64>() / n as f64;
    let (mx, my) = (mean(x), mean(y));
    let sxx: f64 = x[..n].iter().map(|x| (x - mx).powi(2)).sum();
    let sxy: f64 = x[..n].iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum();
    let slope = sxy / sxx;
    if n < 2 || !slope.is_finite() || !my.is_finite() {
        return Err(DiodeError::Fit {
            what: "a straight line",
            why: format!("expected at least two different finite points in the range, found {n}; widen the range"),
        });
    }
    Ok((my - slope * mx, slope))
}
