//! Cubic spline through complex matrices, with the phase turn of the ports taken out first.
//!
//! Twice continuously differentiable, exact at the knots. At 0 Hz the even real part starts flat
//! and the odd imaginary part without curvature; at the upper end the curvature is constant over
//! the last interval.
//! Source: C. de Boor, a practical guide to splines, slopes form (from memory).

use numerics::{CMatrix, Complex64};

/// Spline through matrices of one size.
#[derive(Debug, Clone)]
pub(super) struct MatrixSpline {
    freq_hz: Vec<f64>,
    n: usize,
    /// Entries knot after knot, row after row, with `exp(+j2πf(τ_i + τ_j))` applied.
    values: Vec<Complex64>,
    /// Derivatives to frequency, laid out alike.
    slopes: Vec<Complex64>,
    /// Delay taken out at each port, second.
    delay_s: Vec<f64>,
}

impl MatrixSpline {
    /// `delay_s` is the phase turn of each port, taken out before and put back after interpolating.
    pub(super) fn new(freq_hz: &[f64], matrices: &[CMatrix], delay_s: Vec<f64>) -> Self {
        let n = delay_s.len();
        let values: Vec<Complex64> = freq_hz
            .iter()
            .zip(matrices)
            .flat_map(|(&f, m)| {
                let d = turns(&delay_s, -f);
                CMatrix::from_fn(n, n, |i, j| m[(i, j)] * d[i] * d[j]).as_slice().to_vec()
            })
            .collect();
        let mut slopes = vec![Complex64::default(); values.len()];
        let size = n * n;
        let mut line = vec![0.0; freq_hz.len()];
        for e in 0..size {
            for (k, x) in line.iter_mut().enumerate() {
                *x = values[k * size + e].re;
            }
            let re = slopes_of(freq_hz, &line, Parity::Even);
            for (k, x) in line.iter_mut().enumerate() {
                *x = values[k * size + e].im;
            }
            let im = slopes_of(freq_hz, &line, Parity::Odd);
            for k in 0..freq_hz.len() {
                slopes[k * size + e] = Complex64::new(re[k], im[k]);
            }
        }
        Self { freq_hz: freq_hz.to_vec(), n, values, slopes, delay_s }
    }

    /// Value at a frequency inside the knots; the end values outside.
    pub(super) fn at(&self, freq_hz: f64) -> CMatrix {
        let last = self.freq_hz.len() - 1;
        let f = freq_hz.clamp(self.freq_hz[0], self.freq_hz[last]);
        let size = self.n * self.n;
        let k = self.freq_hz.partition_point(|&x| x <= f).clamp(1, last.max(1)) - 1;
        let d = turns(&self.delay_s, f);
        let (lo, hi) = (k * size, (k + 1).min(last) * size);
        let h = self.freq_hz[(k + 1).min(last)] - self.freq_hz[k];
        let t = if h > 0.0 { (f - self.freq_hz[k]) / h } else { 0.0 };
        let (u, v) = (t * t * (3.0 - 2.0 * t), 1.0 - t);
        let (p, q) = (h * t * v * v, -h * t * t * v);
        let mut out = CMatrix::zeros(self.n, self.n);
        for i in 0..self.n {
            for (j, x) in out.row_mut(i).iter_mut().enumerate() {
                let e = i * self.n + j;
                let y = self.values[lo + e] * (1.0 - u) + self.values[hi + e] * u;
                *x = (y + self.slopes[lo + e] * p + self.slopes[hi + e] * q) * d[i] * d[j];
            }
        }
        out
    }
}

/// `exp(−j2πfτ)` of each port.
pub(super) fn turns(delay_s: &[f64], freq_hz: f64) -> Vec<Complex64> {
    delay_s.iter().map(|tau| Complex64::cis(-std::f64::consts::TAU * freq_hz * tau)).collect()
}

#[derive(Clone, Copy, PartialEq)]
enum Parity {
    Even,
    Odd,
}

/// Slopes of the spline through real values.
fn slopes_of(x: &[f64], y: &[f64], parity: Parity) -> Vec<f64> {
    let n = x.len();
    if n < 2 {
        return vec![0.0; n];
    }
    let h: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
    let chord: Vec<f64> = y.windows(2).zip(&h).map(|(w, h)| (w[1] - w[0]) / h).collect();
    // rows (below, diagonal, above | right) of a tridiagonal system
    let (mut below, mut diag, mut above, mut right) = (vec![0.0; n], vec![1.0; n], vec![0.0; n], vec![0.0; n]);
    for k in 1..n - 1 {
        (below[k], above[k]) = (1.0 / h[k - 1], 1.0 / h[k]);
        diag[k] = 2.0 * (below[k] + above[k]);
        right[k] = 3.0 * (chord[k - 1] * below[k] + chord[k] * above[k]);
    }
    if x[0] > 0.0 {
        (above[0], right[0]) = (1.0, 2.0 * chord[0]);
    } else if parity == Parity::Odd {
        (diag[0], above[0], right[0]) = (2.0, 1.0, 3.0 * chord[0]);
    }
    (below[n - 1], right[n - 1]) = (1.0, 2.0 * chord[n - 2]);
    for k in 1..n {
        let factor = below[k] / diag[k - 1];
        diag[k] -= factor * above[k - 1];
        right[k] -= factor * right[k - 1];
    }
    // two points with two free ends leave a line
    if diag[n - 1].abs() < f64::EPSILON {
        return vec![chord[0]; n];
    }
    right[n - 1] /= diag[n - 1];
    for k in (0..n - 1).rev() {
        right[k] = (right[k] - above[k] * right[k + 1]) / diag[k];
    }
    right
}
