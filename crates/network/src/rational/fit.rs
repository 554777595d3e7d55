//! Relaxed vector fitting with common poles and QR compression.

use super::{RationalModel, basis, width};
use crate::NetworkError;
use crate::network::mismatch;
use numerics::{CMatrix, Complex64, Outcome, RMatrix, Report, linear, parallel};

/// Smallest `|d~|` of the relaxed form; below it the constant is fixed instead.
const RELAXED_MIN: f64 = 1e-8;
/// Imaginary part, relative to the magnitude, below which a pole counts as real.
const REAL_BELOW: f64 = 1e-13;
/// An iteration that improves less than this ends the search.
const IMPROVEMENT_MIN: f64 = 0.99;
/// Loss of the start poles relative to their frequency.
const START_LOSS: f64 = 0.01;

/// Behaviour for large frequencies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Asymptote {
    /// Falls to zero.
    Zero,
    /// Tends to a constant.
    #[default]
    Constant,
    /// Constant plus a term that grows with frequency.
    Linear,
}

/// How to fit.
#[derive(Debug, Clone, PartialEq)]
pub struct FitSettings {
    /// Number of poles (pairs counted twice) tried first.
    pub order: usize,
    /// Poles are added up to this number until the goal is met.
    pub order_max: usize,
    /// Root of the mean squared error over all samples to reach.
    pub rms_goal: f64,
    /// Pole relocations an order.
    pub iterations_max: usize,
    /// For large frequencies.
    pub asymptote: Asymptote,
    /// Start poles, radian per second, one of each pair; `None` spreads them over the band.
    pub start_poles: Option<Vec<Complex64>>,
}

impl Default for FitSettings {
    fn default() -> Self {
        Self {
            order: 8,
            order_max: 60,
            rms_goal: 1e-5, // a tenth of what isolation of 60 dB asks of the data
            iterations_max: 5,
            asymptote: Asymptote::Constant,
            start_poles: None,
        }
    }
}

/// Common poles and the coefficients of each trace.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceFit {
    /// Poles, radian per second, one of each pair.
    pub poles: Vec<Complex64>,
    /// For each trace the coefficients of [`basis`], in order.
    pub coefficients: Vec<Vec<f64>>,
    /// Constant of each trace.
    pub constant: Vec<f64>,
    /// Factor of `s` of each trace, second.
    pub slope: Vec<f64>,
}

/// Pairs spread evenly over a band, hertz, with one per cent of loss; `order` counts pairs twice.
pub fn start_poles(order: usize, freq_hz_min: f64, freq_hz_max: f64) -> Vec<Complex64> {
    let tau = std::f64::consts::TAU;
    let pairs = order / 2;
    let low = freq_hz_min.max(freq_hz_max * 1e-3);
    let mut poles: Vec<Complex64> = (0..pairs)
        .map(|k| {
            let omega = tau * (low + (freq_hz_max - low) * k as f64 / (pairs.max(2) - 1) as f64);
            Complex64::new(-START_LOSS * omega, omega)
        })
        .collect();
    if order % 2 == 1 {
        poles.push(Complex64::new(-tau * freq_hz_max, 0.0));
    }
    poles
}

/// Fits one set of poles to several traces sampled at the same frequencies, hertz.
///
/// Returns the best iterate over all orders tried; `Outcome::Almost` when it misses the goal.
pub fn fit_traces(
    freq_hz: &[f64],
    traces: &[Vec<Complex64>],
    settings: &FitSettings,
) -> Result<(TraceFit, Report), NetworkError> {
    check_input(freq_hz, traces, settings)?;
    let scale = std::f64::consts::TAU * freq_hz[freq_hz.len() - 1];
    let s: Vec<Complex64> = freq_hz.iter().map(|f| Complex64::new(0.0, std::f64::consts::TAU * f / scale)).collect();
    let mut report = Report { residual_asked: settings.rms_goal, ..Report::default() };
    let mut best: Option<(f64, TraceFit)> = None;
    // as many real numbers as samples leaves nothing to check the model with: half at most
    let order_max = settings.order_max.min(freq_hz.len().saturating_sub(2)).max(1);
    let mut order = settings.start_poles.as_ref().map_or(settings.order, |p| p.iter().map(|&p| width(p)).sum());
    order = order.clamp(1, order_max.max(order.min(freq_hz.len())));
    loop {
        let mut poles = match &settings.start_poles {
            Some(p) => p.iter().map(|p| p / scale).collect(),
            None => start_poles(order, freq_hz[0] / scale, freq_hz[freq_hz.len() - 1] / scale),
        };
        let mut before = f64::INFINITY;
        for _ in 0..settings.iterations_max {
            poles = relocate(&s, traces, &poles, settings.asymptote)?;
            let (fit, rms) = residues(&s, traces, &poles, settings.asymptote)?;
            report.iterations += 1;
            report.factorisations += traces.len() + 1;
            report.history.push(rms);
            if best.as_ref().is_none_or(|(r, _)| rms < *r) {
                best = Some((rms, fit));
            }
            if rms <= settings.rms_goal || rms > IMPROVEMENT_MIN * before {
                break;
            }
            before = rms;
        }
        let reached = best.as_ref().is_some_and(|(rms, _)| *rms <= settings.rms_goal);
        if reached || order >= order_max || settings.start_poles.is_some() {
            break;
        }
        order = (order + (order / 2).max(2)).min(order_max);
    }
    let Some((rms, fit)) = best else { return mismatch("at least one iteration", "none") };
    report.residual = rms;
    report.outcome = if rms <= settings.rms_goal { Outcome::Converged } else { Outcome::Almost };
    report.unknowns = fit.coefficients.iter().map(|c| c.len() + 1).sum();
    Ok((unscaled(fit, scale), report))
}

/// Fits square matrices sampled at the same frequencies, hertz; symmetric ones stay symmetric.
pub fn fit_matrices(
    freq_hz: &[f64],
    matrices: &[CMatrix],
    settings: &FitSettings,
) -> Result<(RationalModel, Report), NetworkError> {
    let n = matrices.first().map_or(0, CMatrix::n_rows);
    if n == 0 || matrices.iter().any(|m| (m.n_rows(), m.n_cols()) != (n, n)) {
        return mismatch("square matrices of one size", "others");
    }
    let symmetric = matrices.iter().all(|m| (m - &m.transpose()).max_abs() <= settings.rms_goal / 10.0);
    let entries: Vec<(usize, usize)> =
        (0..n).flat_map(|i| (0..n).map(move |j| (i, j))).filter(|&(i, j)| !symmetric || j >= i).collect();
    let mean = |m: &CMatrix, i, j| if symmetric { (m[(i, j)] + m[(j, i)]) / 2.0 } else { m[(i, j)] };
    let traces: Vec<Vec<Complex64>> =
        entries.iter().map(|&(i, j)| matrices.iter().map(|m| mean(m, i, j)).collect()).collect();
    let (fit, report) = fit_traces(freq_hz, &traces, settings)?;
    let spread = |values: &dyn Fn(usize) -> f64| {
        let mut m = RMatrix::zeros(n, n);
        for (e, &(i, j)) in entries.iter().enumerate() {
            m[(i, j)] = values(e);
            if symmetric {
                m[(j, i)] = values(e);
            }
        }
        m
    };
    let order = fit.coefficients.first().map_or(0, Vec::len);
    let model = RationalModel {
        coefficients: (0..order).map(|m| spread(&|e| fit.coefficients[e][m])).collect(),
        constant: spread(&|e| fit.constant[e]),
        slope: (settings.asymptote == Asymptote::Linear).then(|| spread(&|e| fit.slope[e])),
        poles: fit.poles,
    };
    Ok((model, report))
}

fn check_input(freq_hz: &[f64], traces: &[Vec<Complex64>], settings: &FitSettings) -> Result<(), NetworkError> {
    let finite = traces.iter().flatten().all(|x| x.re.is_finite() && x.im.is_finite());
    let rising = freq_hz.windows(2).all(|w| w[0] < w[1]) && freq_hz.iter().all(|f| f.is_finite() && *f >= 0.0);
    if freq_hz.len() < 4 || !rising || !finite || traces.is_empty() || traces.iter().any(|t| t.len() != freq_hz.len()) {
        return mismatch("at least four rising frequencies and finite traces of that length", "others");
    }
    let starts = settings.start_poles.iter().flatten();
    if starts.clone().any(|p| !(p.re.is_finite() && p.im.is_finite() && p.im >= 0.0)) {
        return mismatch("finite start poles, one of each pair (imaginary part from zero up)", "others");
    }
    let order: usize = settings.start_poles.as_ref().map_or(settings.order, |p| p.iter().map(|&p| width(p)).sum());
    if order + 2 > freq_hz.len() * 2 || settings.iterations_max == 0 {
        return mismatch("more samples than poles and at least one iteration", format!("order {order}"));
    }
    Ok(())
}

/// Rows of a complex function as real rows: real parts first, then imaginary parts.
fn real_rows(n: usize, n_cols: usize, value: impl Fn(usize, usize) -> Complex64) -> RMatrix {
    RMatrix::from_fn(2 * n, n_cols, |k, j| if k < n { value(k, j).re } else { value(k - n, j).im })
}

/// Basis of the sum itself: poles, then 1, then s.
fn sum_basis(s: &[Complex64], poles: &[Complex64], asymptote: Asymptote) -> Vec<Vec<Complex64>> {
    s.iter()
        .map(|&s| {
            let mut row = basis(poles, s);
            match asymptote {
                Asymptote::Zero => {}
                Asymptote::Constant => row.push(1.0.into()),
                Asymptote::Linear => row.extend([1.0.into(), s]),
            }
            row
        })
        .collect()
}

/// One relocation: zeros of σ of the relaxed problem, stable ones.
fn relocate(
    s: &[Complex64],
    traces: &[Vec<Complex64>],
    poles: &[Complex64],
    asymptote: Asymptote,
) -> Result<Vec<Complex64>, NetworkError> {
    let (n_samples, rows) = (s.len(), sum_basis(s, poles, asymptote));
    let own = rows[0].len();
    let order: usize = poles.iter().map(|&p| width(p)).sum();
    let unknowns = order + 1;
    let sigma = |k: usize, j: usize| if j < order { rows[k][j] } else { Complex64::from(1.0) };
    // 1. Per trace, keep only what constrains σ.
    let compress = |f: &Vec<Complex64>| -> Result<Vec<Vec<f64>>, NetworkError> {
        let a =
            real_rows(n_samples, own + unknowns, |k, j| if j < own { rows[k][j] } else { -f[k] * sigma(k, j - own) });
        let r = linear::qr_r(&a);
        Ok((own..r.n_rows()).map(|i| r.row(i)[own..].to_vec()).collect())
    };
    let mut stacked = parallel::map(traces, compress)?.concat();
    // 2. σ must not vanish: its mean real part is one.
    let norm: f64 = traces.iter().flatten().map(Complex64::norm_sqr).sum::<f64>().sqrt();
    let weight = norm.max(f64::MIN_POSITIVE) / n_samples as f64;
    let mean: Vec<f64> = (0..unknowns).map(|j| weight * (0..n_samples).map(|k| sigma(k, j).re).sum::<f64>()).collect();
    let mut right = vec![0.0; stacked.len()];
    stacked.push(mean);
    right.push(weight * n_samples as f64);
    let mut x = scaled_least_squares(&stacked, &right)?;
    if x[order].abs() < RELAXED_MIN {
        // 3. Degenerate relaxation: fix the constant and solve for the rest.
        let d = RELAXED_MIN.copysign(x[order]);
        stacked.pop();
        let right: Vec<f64> = stacked.iter().map(|row| -row[order] * d).collect();
        let rest: Vec<Vec<f64>> = stacked.iter().map(|row| row[..order].to_vec()).collect();
        x = scaled_least_squares(&rest, &right)?;
        x.push(d);
    }
    zeros(poles, &x[..order], x[order])
}

/// Zeros of `Σ c φ + d`, turned stable.
fn zeros(poles: &[Complex64], c: &[f64], d: f64) -> Result<Vec<Complex64>, NetworkError> {
    let n = c.len();
    let mut a = RMatrix::zeros(n, n);
    let mut k = 0;
    for &p in poles {
        let input = if width(p) == 1 { 1.0 } else { 2.0 };
        a[(k, k)] = p.re;
        if width(p) == 2 {
            (a[(k, k + 1)], a[(k + 1, k)], a[(k + 1, k + 1)]) = (p.im, -p.im, p.re);
        }
        for j in 0..n {
            a[(k, j)] -= input * c[j] / d;
        }
        k += width(p);
    }
    let mut out = Vec::with_capacity(n);
    for z in linear::eigenvalues_real(&a)? {
        let stable = Complex64::new(-z.re.abs(), z.im);
        if z.im.abs() <= REAL_BELOW * z.norm() {
            out.push(Complex64::new(stable.re.min(-f64::MIN_POSITIVE), 0.0));
        } else if z.im > 0.0 {
            out.push(stable);
        }
    }
    out.sort_by(|x, y| x.im.total_cmp(&y.im).then(x.re.total_cmp(&y.re)));
    Ok(out)
}

/// Coefficients for fixed poles, and the root mean square error over all traces.
fn residues(
    s: &[Complex64],
    traces: &[Vec<Complex64>],
    poles: &[Complex64],
    asymptote: Asymptote,
) -> Result<(TraceFit, f64), NetworkError> {
    let rows = sum_basis(s, poles, asymptote);
    let own = rows[0].len();
    let order: usize = poles.iter().map(|&p| width(p)).sum();
    let scale: Vec<f64> =
        (0..own).map(|j| rows.iter().map(|r| r[j].norm_sqr()).sum::<f64>().sqrt().max(f64::MIN_POSITIVE)).collect();
    let a =
        real_rows(s.len(), own + traces.len(), |k, j| if j < own { rows[k][j] / scale[j] } else { traces[j - own][k] });
    let r = linear::qr_r(&a);
    let mut fit = TraceFit { poles: poles.to_vec(), coefficients: vec![], constant: vec![], slope: vec![] };
    let mut squares = 0.0;
    for (e, f) in traces.iter().enumerate() {
        let mut x = vec![0.0; own];
        for i in (0..own).rev() {
            let sum: f64 = (i + 1..own).map(|j| r[(i, j)] * x[j]).sum();
            let pivot = r[(i, i)];
            // a dependent column adds nothing
            x[i] = if pivot.abs() > f64::EPSILON { (r[(i, own + e)] - sum) / pivot } else { 0.0 };
        }
        let x: Vec<f64> = x.iter().zip(&scale).map(|(x, s)| x / s).collect();
        for (row, f) in rows.iter().zip(f) {
            let value: Complex64 = row.iter().zip(&x).map(|(p, x)| p * x).sum();
            squares += (value - f).norm_sqr();
        }
        fit.constant.push(x.get(order).copied().unwrap_or(0.0));
        fit.slope.push(x.get(order + 1).copied().unwrap_or(0.0));
        fit.coefficients.push(x[..order].to_vec());
    }
    Ok((fit, (squares / (s.len() * traces.len()) as f64).sqrt()))
}

fn scaled_least_squares(rows: &[Vec<f64>], right: &[f64]) -> Result<Vec<f64>, NetworkError> {
    let n = rows.first().map_or(0, Vec::len);
    let norm = |j: usize| rows.iter().map(|r| r[j] * r[j]).sum::<f64>().sqrt();
    let scale: Vec<f64> = (0..n).map(|j| norm(j).max(f64::MIN_POSITIVE)).collect();
    let n_rows = rows.len().max(n);
    // few samples leave fewer rows than unknowns: fill with zeros
    let a = RMatrix::from_fn(n_rows, n, |i, j| rows.get(i).map_or(0.0, |r| r[j] / scale[j]));
    let mut b = right.to_vec();
    b.resize(n_rows, 0.0);
    let x = linear::least_squares(&a, &b)?;
    Ok(x.iter().zip(&scale).map(|(x, s)| x / s).collect())
}

/// Back from frequencies in units of the highest one.
fn unscaled(mut fit: TraceFit, scale: f64) -> TraceFit {
    fit.poles.iter_mut().for_each(|p| *p *= scale);
    fit.coefficients.iter_mut().flatten().for_each(|c| *c *= scale);
    fit.slope.iter_mut().for_each(|e| *e /= scale);
    fit
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The plain form: all unknowns of all traces in one least-squares problem.
    fn relocate_plainly(s: &[Complex64], traces: &[Vec<Complex64>], poles: &[Complex64]) -> Vec<Complex64> {
        let (k, rows) = (s.len(), sum_basis(s, poles, Asymptote::Constant));
        let own = rows[0].len();
        let order = own - 1;
        let n_cols = own * traces.len() + order + 1;
        let mut all: Vec<Vec<f64>> = Vec::new();
        for (e, f) in traces.iter().enumerate() {
            let entry = |i: usize, j: usize| {
                let start = own * e;
                if (start..start + own).contains(&j) {
                    rows[i][j - start]
                } else if j >= own * traces.len() {
                    let m = j - own * traces.len();
                    -f[i] * if m < order { rows[i][m] } else { 1.0.into() }
                } else {
                    0.0.into()
                }
            };
            let block = real_rows(k, n_cols, entry);
            all.extend((0..2 * k).map(|i| block.row(i).to_vec()));
        }
        let mut right = vec![0.0; all.len()];
        let norm: f64 = traces.iter().flatten().map(Complex64::norm_sqr).sum::<f64>().sqrt();
        let weight = norm / k as f64;
        let mean = |j: usize| {
            let m = j.checked_sub(own * traces.len());
            m.map_or(0.0, |m| weight * (0..k).map(|i| if m < order { rows[i][m].re } else { 1.0 }).sum::<f64>())
        };
        all.push((0..n_cols).map(mean).collect());
        right.push(norm);
        let x = scaled_least_squares(&all, &right).expect("full rank");
        zeros(poles, &x[n_cols - order - 1..n_cols - 1], x[n_cols - 1]).expect("eigenvalues")
    }

    #[test]
    fn compressed_and_plain_relocation_agree() {
        // noisy traces, so that the least-squares problem is a true one
        let s: Vec<Complex64> = (1..60).map(|k| Complex64::new(0.0, f64::from(k) / 60.0)).collect();
        let trace = |a: f64, b: f64| -> Vec<Complex64> {
            let ripple = |k: usize| 0.01 * ((k * k) as f64 * a).sin();
            s.iter().enumerate().map(|(k, s)| a / (s + b) + b / (s * s + 0.05 * s + 0.3) + ripple(k)).collect()
        };
        let traces = [trace(0.4, 0.2), trace(-0.3, 0.7), trace(1.1, 0.1)];
        let start = start_poles(5, s[0].im / std::f64::consts::TAU, 1.0 / std::f64::consts::TAU);
        let fast = relocate(&s, &traces, &start, Asymptote::Constant).expect("poles");
        let plain = relocate_plainly(&s, &traces, &start);
        for (a, b) in fast.iter().zip(&plain) {
            // published agreement of the two forms is 9e-7 for 18 poles; these are five
            assert!((a - b).norm() < 1e-9 * a.norm(), "{fast:?} {plain:?}");
        }
    }
}
