//! Restarted GMRES on complex vectors with right preconditioning.
//!
//! Source: Y. Saad, M. H. Schultz, SIAM J. Sci. Stat. Comput. 7 (1986) 856; flexible right
//! preconditioning after Y. Saad, SIAM J. Sci. Comput. 14 (1993) 461.
//! The linearised equations of real waveforms are linear over the real numbers only; there
//! [`Scalars::Real`] restricts all combinations to real factors.

use crate::Complex64;
use crate::wide::wide;

/// Numbers over which the operator is linear.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scalars {
    /// `A(cx) = cAx` holds for real `c` only.
    Real,
    /// It holds for complex `c`.
    Complex,
}

/// Limits of one solution.
#[derive(Debug, Clone, Copy)]
pub struct KrylovSettings {
    /// Over which numbers the operator is linear.
    pub scalars: Scalars,
    /// Stop when the residual norm is below this multiple of the right-hand side's norm.
    pub tolerance: f64,
    /// Vectors kept before a restart.
    pub restart: usize,
    /// Operator applications in total.
    pub iterations_max: usize,
}

/// Result of a Krylov iteration.
#[derive(Debug, Clone)]
pub struct KrylovResult {
    /// Best iterate.
    pub x: Vec<Complex64>,
    /// Its residual norm relative to the right-hand side.
    pub residual: f64,
    /// Operator applications.
    pub iterations: usize,
}

/// Solves `A x = b`: `apply(x, y)` writes `A x` into `y`, `precondition(x, y)` writes `M⁻¹ x`.
pub fn gmres(
    mut apply: impl FnMut(&[Complex64], &mut [Complex64]),
    mut precondition: impl FnMut(&[Complex64], &mut [Complex64]),
    b: &[Complex64],
    settings: KrylovSettings,
) -> KrylovResult {
    let n = b.len();
    let zero = Complex64::default();
    let b_norm = norm(b);
    let mut x = vec![zero; n];
    if b_norm == 0.0 {
        return KrylovResult { x, residual: 0.0, iterations: 0 };
    }
    let mut iterations = 0;
    let mut r = b.to_vec();
    let mut residual = 1.0;
    while residual > settings.tolerance && iterations < settings.iterations_max {
        let m = settings.restart.min(settings.iterations_max - iterations);
        let mut arnoldi = Arnoldi::start(&r, settings.scalars);
        let mut directions: Vec<Vec<Complex64>> = Vec::with_capacity(m);
        for _ in 0..m {
            let mut z = vec![zero; n];
            precondition(arnoldi.last(), &mut z);
            let mut w = vec![zero; n];
            apply(&z, &mut w);
            directions.push(z);
            iterations += 1;
            let exhausted = arnoldi.push(w);
            if arnoldi.residual() <= settings.tolerance * b_norm || exhausted {
                break;
            }
        }
        let mut step = vec![zero; n];
        for (z, &c) in directions.iter().zip(&arnoldi.coefficients()) {
            axpy(c, z, &mut step);
        }
        let mut a_step = vec![zero; n];
        apply(&step, &mut a_step);
        let before = residual;
        axpy(Complex64::from(-1.0), &a_step, &mut r);
        let after = norm(&r) / b_norm;
        if !after.is_finite() || after > before {
            break;
        }
        axpy(Complex64::from(1.0), &step, &mut x);
        residual = after;
        if after > 0.999 * before {
            break;
        }
    }
    KrylovResult { x, residual, iterations }
}

/// Orthonormal basis with the triangularised Hessenberg matrix.
struct Arnoldi {
    scalars: Scalars,
    basis: Vec<Vec<Complex64>>,
    columns: Vec<Vec<Complex64>>,
    rotations: Vec<(f64, Complex64)>,
    rhs: Vec<Complex64>,
}

impl Arnoldi {
    fn start(r: &[Complex64], scalars: Scalars) -> Self {
        let beta = norm(r);
        Self {
            scalars,
            basis: vec![r.iter().map(|x| x / beta).collect()],
            columns: Vec::new(),
            rotations: Vec::new(),
            rhs: vec![beta.into()],
        }
    }

    fn last(&self) -> &[Complex64] {
        &self.basis[self.basis.len() - 1]
    }

    fn residual(&self) -> f64 {
        self.rhs[self.rhs.len() - 1].norm()
    }

    /// Adds `w`; true when the space cannot grow further.
    fn push(&mut self, mut w: Vec<Complex64>) -> bool {
        let scale = norm(&w);
        let mut h = vec![Complex64::default(); self.basis.len()];
        for (hi, v) in h.iter_mut().zip(&self.basis) {
            *hi = match self.scalars {
                Scalars::Real => Complex64::from(dot_real(v, &w)),
                Scalars::Complex => dot(v, &w),
            };
            axpy(-*hi, v, &mut w);
        }
        let rest = norm(&w);
        for (i, &(c, s)) in self.rotations.iter().enumerate() {
            let (a, b) = (h[i], h[i + 1]);
            h[i] = c * a + s * b;
            h[i + 1] = c * b - s.conj() * a;
        }
        // rotate (h, rest) onto (r, 0); `rest` is real and not negative
        let k = h.len() - 1;
        let (c, s) = rotation(h[k], rest);
        h[k] = c * h[k] + s * rest;
        let last = self.rhs[k];
        self.rhs[k] = c * last;
        self.rhs.push(-s.conj() * last);
        self.rotations.push((c, s));
        self.columns.push(h);
        if rest <= f64::EPSILON * scale {
            return true;
        }
        for x in &mut w {
            *x /= rest;
        }
        self.basis.push(w);
        false
    }

    fn coefficients(&self) -> Vec<Complex64> {
        let m = self.columns.len();
        let mut y = self.rhs[..m].to_vec();
        for i in (0..m).rev() {
            let d = self.columns[i][i];
            y[i] = if d.norm() == 0.0 { Complex64::default() } else { y[i] / d };
            for j in 0..i {
                let t = self.columns[i][j] * y[i];
                y[j] -= t;
            }
        }
        y
    }
}

/// Givens rotation `(c, s)` with `c·a + s·b` real-scaled and `c·b − s̄·a = 0` for `b ≥ 0`.
fn rotation(a: Complex64, b: f64) -> (f64, Complex64) {
    let r = a.norm().hypot(b);
    if r == 0.0 {
        return (1.0, Complex64::default());
    }
    if a.norm() == 0.0 {
        return (0.0, Complex64::from(1.0));
    }
    (a.norm() / r, (a / a.norm()) * (b / r))
}

/// `Σ āb`, partial sums in a fixed order: the same bits every time.
fn dot(a: &[Complex64], b: &[Complex64]) -> Complex64 {
    wide(|| {
        let (mut direct, mut crossed) = ([0.0; 8], [0.0; 8]);
        let (a, b) = (a.chunks_exact(4), b.chunks_exact(4));
        let tail: Complex64 = a.remainder().iter().zip(b.remainder()).map(|(x, y)| x.conj() * y).sum();
        for (x, y) in a.zip(b) {
            for i in 0..4 {
                direct[2 * i] += x[i].re * y[i].re;
                direct[2 * i + 1] += x[i].im * y[i].im;
                crossed[2 * i] += x[i].re * y[i].im;
                crossed[2 * i + 1] += x[i].im * y[i].re;
            }
        }
        let re = direct.iter().sum::<f64>();
        let im = (0..4).map(|i| crossed[2 * i] - crossed[2 * i + 1]).sum::<f64>();
        Complex64::new(re, im) + tail
    })
}

/// Real part of `Σ āb`.
fn dot_real(a: &[Complex64], b: &[Complex64]) -> f64 {
    wide(|| {
        let mut s = [0.0; 8];
        let (a, b) = (a.chunks_exact(4), b.chunks_exact(4));
        let tail: f64 = a.remainder().iter().zip(b.remainder()).map(|(x, y)| x.re * y.re + x.im * y.im).sum();
        for (x, y) in a.zip(b) {
            for i in 0..4 {
                s[2 * i] += x[i].re * y[i].re;
                s[2 * i + 1] += x[i].im * y[i].im;
            }
        }
        s.iter().sum::<f64>() + tail
    })
}

fn norm(a: &[Complex64]) -> f64 {
    dot_real(a, a).sqrt()
}

fn axpy(c: Complex64, x: &[Complex64], y: &mut [Complex64]) {
    wide(|| {
        if c.im == 0.0 {
            for (y, x) in y.iter_mut().zip(x) {
                *y += c.re * x;
            }
            return;
        }
        for (y, x) in y.iter_mut().zip(x) {
            *y += c * x;
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(scalars: Scalars, conjugate_part: f64) {
        let n = 60;
        let apply = |x: &[Complex64], y: &mut [Complex64]| {
            for i in 0..n {
                y[i] = Complex64::new(2.0 + i as f64 / 10.0, 0.3) * x[i] + conjugate_part * x[i].conj();
                if i > 0 {
                    y[i] -= x[i - 1] * Complex64::new(0.8, 0.5);
                }
                if i + 1 < n {
                    y[i] += 0.5 * x[i + 1];
                }
            }
        };
        let b: Vec<Complex64> = (0..n).map(|i| Complex64::new((i as f64).sin(), 0.2)).collect();
        let settings = KrylovSettings { scalars, tolerance: 1e-12, restart: 25, iterations_max: 400 };
        let result = gmres(apply, |x, y| y.copy_from_slice(x), &b, settings);
        let mut ax = vec![Complex64::default(); n];
        apply(&result.x, &mut ax);
        let worst = ax.iter().zip(&b).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max);
        assert!(worst < 1e-11, "residual {} worst {worst}", result.residual);
    }

    #[test]
    fn solves_complex_linear_and_real_linear_systems() {
        check(Scalars::Complex, 0.0);
        check(Scalars::Real, 0.0);
        check(Scalars::Real, 0.7);
    }
}
