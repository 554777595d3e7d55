//! Restarted GMRES on real vectors with right preconditioning.
//!
//! Source: Y. Saad, M. H. Schultz, SIAM J. Sci. Stat. Comput. 7 (1986) 856; flexible right
//! preconditioning after Y. Saad, SIAM J. Sci. Comput. 14 (1993) 461.
//! Real arithmetic, because the linearised equations of real waveforms are linear over the real
//! numbers only.

/// Limits of one solution.
#[derive(Debug, Clone, Copy)]
pub struct KrylovSettings {
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
    pub x: Vec<f64>,
    /// Its residual norm relative to the right-hand side.
    pub residual: f64,
    /// Operator applications.
    pub iterations: usize,
}

/// Solves `A x = b`: `apply(x, y)` writes `A x` into `y`, `precondition(x, y)` writes `M⁻¹ x`.
pub fn gmres(
    mut apply: impl FnMut(&[f64], &mut [f64]),
    mut precondition: impl FnMut(&[f64], &mut [f64]),
    b: &[f64],
    settings: KrylovSettings,
) -> KrylovResult {
    let n = b.len();
    let b_norm = norm(b);
    let mut x = vec![0.0; n];
    if b_norm == 0.0 {
        return KrylovResult { x, residual: 0.0, iterations: 0 };
    }
    let mut iterations = 0;
    let mut r = b.to_vec();
    let mut residual = 1.0;
    while residual > settings.tolerance && iterations < settings.iterations_max {
        let m = settings.restart.min(settings.iterations_max - iterations);
        let mut arnoldi = Arnoldi::start(&r);
        let mut directions: Vec<Vec<f64>> = Vec::with_capacity(m);
        for _ in 0..m {
            let mut z = vec![0.0; n];
            precondition(arnoldi.last(), &mut z);
            let mut w = vec![0.0; n];
            apply(&z, &mut w);
            directions.push(z);
            iterations += 1;
            let broke = arnoldi.push(w);
            if arnoldi.residual() <= settings.tolerance * b_norm || broke {
                break;
            }
        }
        let y = arnoldi.coefficients();
        for (z, &c) in directions.iter().zip(&y) {
            axpy(c, z, &mut x);
        }
        let before = residual;
        let mut ax = vec![0.0; n];
        apply(&x, &mut ax);
        for i in 0..n {
            r[i] = b[i] - ax[i];
        }
        residual = norm(&r) / b_norm;
        if !residual.is_finite() || residual > 0.999 * before {
            break;
        }
    }
    KrylovResult { x, residual, iterations }
}

/// Orthonormal basis with the triangularised Hessenberg matrix.
struct Arnoldi {
    basis: Vec<Vec<f64>>,
    columns: Vec<Vec<f64>>,
    rotations: Vec<(f64, f64)>,
    rhs: Vec<f64>,
}

impl Arnoldi {
    fn start(r: &[f64]) -> Self {
        let beta = norm(r);
        Self {
            basis: vec![r.iter().map(|x| x / beta).collect()],
            columns: Vec::new(),
            rotations: Vec::new(),
            rhs: vec![beta],
        }
    }

    fn last(&self) -> &[f64] {
        &self.basis[self.basis.len() - 1]
    }

    fn residual(&self) -> f64 {
        self.rhs[self.rhs.len() - 1].abs()
    }

    /// Adds `w`; true when the space cannot grow further.
    fn push(&mut self, mut w: Vec<f64>) -> bool {
        let scale = norm(&w);
        let mut h = vec![0.0; self.basis.len()];
        for _ in 0..2 {
            for (hi, v) in h.iter_mut().zip(&self.basis) {
                let p = dot(&w, v);
                *hi += p;
                axpy(-p, v, &mut w);
            }
        }
        let rest = norm(&w);
        for (i, &(c, s)) in self.rotations.iter().enumerate() {
            let (a, b) = (h[i], h[i + 1]);
            h[i] = c * a + s * b;
            h[i + 1] = c * b - s * a;
        }
        let k = h.len() - 1;
        let r = h[k].hypot(rest);
        let (c, s) = if r > 0.0 { (h[k] / r, rest / r) } else { (1.0, 0.0) };
        h[k] = r;
        let last = self.rhs[k];
        self.rhs[k] = c * last;
        self.rhs.push(-s * last);
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

    fn coefficients(&self) -> Vec<f64> {
        let m = self.columns.len();
        let mut y = self.rhs[..m].to_vec();
        for i in (0..m).rev() {
            let d = self.columns[i][i];
            y[i] = if d == 0.0 { 0.0 } else { y[i] / d };
            for j in 0..i {
                y[j] -= self.columns[i][j] * y[i];
            }
        }
        y
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    // four partial sums: fixed order, so the same bits every time
    let mut s = [0.0; 4];
    let n4 = a.len() / 4 * 4;
    for (x, y) in a[..n4].chunks_exact(4).zip(b[..n4].chunks_exact(4)) {
        for i in 0..4 {
            s[i] += x[i] * y[i];
        }
    }
    let tail: f64 = a[n4..].iter().zip(&b[n4..]).map(|(x, y)| x * y).sum();
    s[0] + s[1] + s[2] + s[3] + tail
}

fn norm(a: &[f64]) -> f64 {
    dot(a, a).sqrt()
}

fn axpy(c: f64, x: &[f64], y: &mut [f64]) {
    for (y, x) in y.iter_mut().zip(x) {
        *y += c * x;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solves_a_nonsymmetric_system() {
        let n = 60;
        let apply = |x: &[f64], y: &mut [f64]| {
            for i in 0..n {
                y[i] = (2.0 + i as f64 / 10.0) * x[i] - if i > 0 { x[i - 1] } else { 0.0 }
                    + if i + 1 < n { 0.5 * x[i + 1] } else { 0.0 };
            }
        };
        let b: Vec<f64> = (0..n).map(|i| (i as f64).sin()).collect();
        let settings = KrylovSettings { tolerance: 1e-12, restart: 20, iterations_max: 400 };
        let result = gmres(apply, |x, y| y.copy_from_slice(x), &b, settings);
        let mut ax = vec![0.0; n];
        apply(&result.x, &mut ax);
        assert!(ax.iter().zip(&b).all(|(a, b)| (a - b).abs() < 1e-11), "residual {}", result.residual);
    }
}
