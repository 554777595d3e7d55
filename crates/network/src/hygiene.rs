//! May these data be trusted? Passivity, reciprocity, causality, and the point at 0 Hz.
//!
//! Input: scattering matrices (power waves). Output: figures in per cent, worst values, repaired
//! matrices. Repairs are never silent: they are functions the caller asks for.
//! Method and source: frequency-domain figures as in the reference code of the IEEE P370 task group
//! (BSD-3), read through a port of it; bands from memory; the rest from the stated formulas.

use crate::network::mismatch;
use crate::{Network, NetworkError};
use numerics::{CMatrix, Complex64, linear};

/// Singular values above this are counted against passivity.
const PASSIVE_UP_TO: f64 = 1.00001;
/// Mean difference across the diagonal that is still rounding.
const RECIPROCAL_UP_TO: f64 = 1e-6;
/// Excess at which one point counts as entirely bad.
const FULL_SCALE: f64 = 0.1;

/// Figure of one property, per cent, with its place in the usual bands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// 0 to 100.
    pub percent: f64,
    /// Band.
    pub band: Band,
}

/// Usual bands of the figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Band {
    /// Not to be used.
    Poor,
    /// Look closer.
    Inconclusive,
    /// Usable.
    Acceptable,
    /// No objection.
    Good,
}

impl Figure {
    fn new(percent: f64, limits: [f64; 3]) -> Self {
        let band = match limits.iter().filter(|&&l| percent >= l).count() {
            3 => Band::Good,
            2 => Band::Acceptable,
            1 => Band::Inconclusive,
            _ => Band::Poor,
        };
        Self { percent, band }
    }
}

/// Limits of passivity and reciprocity, per cent.
const STRICT_LIMITS: [f64; 3] = [80.0, 99.0, 99.9];
/// Limits of causality, per cent.
const CAUSAL_LIMITS: [f64; 3] = [20.0, 50.0, 80.0];

/// Largest singular value of one matrix: the largest wave amplification. Passive when not above 1.
pub fn sigma_max(s: &CMatrix) -> Result<f64, NetworkError> {
    Ok(linear::singular_values(s)?.first().copied().unwrap_or(0.0))
}

/// Largest singular value over all frequencies, and where.
pub fn sigma_max_over(network: &Network) -> Result<(f64, f64), NetworkError> {
    let mut worst = (0.0, network.freq_hz()[0]);
    for (s, &f) in network.s().iter().zip(network.freq_hz()) {
        let sigma = sigma_max(s)?;
        if sigma > worst.0 {
            worst = (sigma, f);
        }
    }
    Ok(worst)
}

/// Passivity figure.
pub fn passivity(s: &[CMatrix]) -> Result<Figure, NetworkError> {
    let mut lost = 0.0;
    for m in s {
        lost += (sigma_max(m)? - PASSIVE_UP_TO).max(0.0) / FULL_SCALE;
    }
    Ok(figure(s.len(), lost))
}

/// Reciprocity figure; `None` for one port.
pub fn reciprocity(s: &[CMatrix]) -> Option<Figure> {
    if s.first()?.n_rows() < 2 {
        return None;
    }
    let lost = s.iter().map(asymmetry).filter(|&m| m > RECIPROCAL_UP_TO);
    Some(figure(s.len(), lost.map(|m| (m - RECIPROCAL_UP_TO) / FULL_SCALE).sum()))
}

/// Mean `|S_ij − S_ji|` over the off-diagonal entries; zero for one port.
pub fn asymmetry(s: &CMatrix) -> f64 {
    let n = s.n_rows();
    let mut sum = 0.0;
    for i in 0..n {
        for j in 0..n {
            sum += (s[(i, j)] - s[(j, i)]).norm();
        }
    }
    if n < 2 { 0.0 } else { sum / (n * (n - 1)) as f64 }
}

fn figure(n_points: usize, lost: f64) -> Figure {
    let n = n_points as f64;
    let percent = if n_points == 0 { 100.0 } else { 100.0 * (n - lost).max(0.0) / n };
    Figure::new(percent, STRICT_LIMITS)
}

/// Causality figure of each entry: share of clockwise turning, per cent.
///
/// Meaningless when the phase turns by more than π a step; an entry of pure noise gives 50.
pub fn causality_by_entry(s: &[CMatrix]) -> Option<Vec<Vec<f64>>> {
    let n = s.first()?.n_rows();
    let entry = |i: usize, j: usize| causality_of(&s.iter().map(|m| m[(i, j)]).collect::<Vec<_>>());
    Some((0..n).map(|i| (0..n).map(|j| entry(i, j)).collect()).collect())
}

/// Causality figure: the worst entry whose largest magnitude reaches `floor` (0 keeps all entries).
pub fn causality(s: &[CMatrix], floor: f64) -> Option<Figure> {
    let all = causality_by_entry(s)?;
    let largest = |i: usize, j: usize| s.iter().map(|m| m[(i, j)].norm()).fold(0.0, f64::max);
    let n = all.len();
    let kept = (0..n * n).filter(|k| largest(k / n, k % n) >= floor).map(|k| all[k / n][k % n]);
    Some(Figure::new(kept.fold(100.0, f64::min), CAUSAL_LIMITS))
}

/// Share of clockwise turning of one trace, per cent; 100 when it does not turn.
pub fn causality_of(trace: &[Complex64]) -> f64 {
    let turns = turning(trace);
    let (total, right) = turns.iter().fold((0.0, 0.0), |(t, r), &x: &f64| (t + x.abs(), r + x.max(0.0)));
    if total > 0.0 { 100.0 * right / total } else { 100.0 }
}

/// `Re V' Im V − Im V' Re V` of successive steps of a trace; positive is clockwise.
pub fn turning(trace: &[Complex64]) -> Vec<f64> {
    let steps: Vec<Complex64> = trace.windows(2).map(|w| w[1] - w[0]).collect();
    steps.windows(2).map(|v| v[1].re * v[0].im - v[1].im * v[0].re).collect()
}

/// Nearest matrix (2-norm) whose singular values do not exceed `limit`; keeps symmetry.
pub fn clip_singular_values(s: &CMatrix, limit: f64) -> Result<CMatrix, NetworkError> {
    if !s.is_finite() {
        return mismatch("finite scattering parameters", "NaN or infinity");
    }
    let (u, sigma, v) = linear::svd(s)?;
    let mut out = s.clone();
    for (k, &x) in sigma.iter().enumerate().filter(|(_, x)| **x > limit) {
        for i in 0..s.n_rows() {
            for j in 0..s.n_cols() {
                out[(i, j)] -= u[(i, k)] * v[(j, k)].conj() * (x - limit);
            }
        }
    }
    Ok(out)
}

/// Matrix at 0 Hz from up to three samples above it: even polynomial of the real parts.
///
/// The imaginary part of a real network is odd in frequency and vanishes at 0 Hz; the real part is
/// even, so `c0 + c1 f² + c2 f⁴` goes through three samples: the lowest one and the first ones at or
/// above twice and three times its frequency. Samples at f, 2f, 3f have the weights 3/2, −3/5, 1/10;
/// neighbours of data that begin high up would have weights of thousands.
pub fn dc_by_even_polynomial(freq_hz: &[f64], s: &[CMatrix]) -> Result<CMatrix, NetworkError> {
    let n = freq_hz.len().min(s.len());
    let Some(first) = s.first().filter(|_| n > 0) else {
        return mismatch("at least one sample", "none");
    };
    if freq_hz[0] == 0.0 {
        return Ok(first.map(|x| x.re.into()));
    }
    let mut nodes = vec![0];
    for multiple in [2.0, 3.0] {
        let after = nodes[nodes.len() - 1] + 1;
        // a sample at 2.999…f counts as one at 3f
        let limit = multiple * freq_hz[0] * (1.0 - 1e-9);
        nodes.extend((after..n).find(|&k| freq_hz[k] >= limit));
    }
    let x: Vec<f64> = nodes.iter().map(|&k| (freq_hz[k] / freq_hz[0]).powi(2)).collect();
    let count = nodes.len();
    let weight = |k: usize| (0..count).filter(|&m| m != k).map(|m| x[m] / (x[m] - x[k])).product::<f64>();
    let weights: Vec<f64> = (0..count).map(weight).collect();
    Ok(CMatrix::from_fn(first.n_rows(), first.n_cols(), |i, j| {
        weights.iter().zip(&nodes).map(|(w, &k)| w * s[k][(i, j)].re).sum::<f64>().into()
    }))
}

/// Imaginary part of a causal response from its real part, by the dispersion relation
/// `Im H(ω) = (2ω/π) P∫ (U(x) − U(ω))/(x² − ω²) dx` over `0…x_max` (`None`: to infinity).
///
/// `real_part` is U as a function of angular frequency, radian per second. Data that end early leave
/// a truncation error, so a raw comparison fails causal devices: judge the difference against it.
pub fn imaginary_from_real(real_part: impl Fn(f64) -> f64, omega: f64, omega_max: Option<f64>) -> f64 {
    let u0 = real_part(omega);
    let step = omega * 1e-4;
    let smooth = |x: f64| {
        if (x - omega).abs() < step {
            // derivative of U at ω over 2ω, by central difference
            (real_part(omega + step) - real_part(omega - step)) / (2.0 * step) / (x + omega)
        } else {
            (real_part(x) - u0) / (x * x - omega * omega)
        }
    };
    let low = gauss_panels(&smooth, 0.0, 2.0 * omega);
    // x = ω·(…)/t maps the tail to a finite interval
    let t_min = omega_max.map_or(0.0, |m| 2.0 * omega / m);
    let tail = match omega_max {
        Some(m) if m <= 2.0 * omega => -gauss_panels(&smooth, m, 2.0 * omega),
        _ => gauss_panels(&|t: f64| smooth(2.0 * omega / t) * 2.0 * omega / (t * t), t_min, 1.0),
    };
    2.0 * omega / std::f64::consts::PI * (low + tail)
}

/// Integral by 200 panels of the three-point Gauss rule.
fn gauss_panels(f: &impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    const PANELS: usize = 200;
    let width = (to - from) / PANELS as f64;
    let node = 0.6f64.sqrt() / 2.0;
    (0..PANELS)
        .map(|k| {
            let mid = from + (k as f64 + 0.5) * width;
            (5.0 * f(mid - node * width) + 8.0 * f(mid) + 5.0 * f(mid + node * width)) / 18.0 * width
        })
        .sum()
}
