//! Passivity over all frequencies, and the smallest change of residues that brings it about.

use super::{RationalModel, basis, width};
use crate::NetworkError;
use crate::hygiene::{clip_singular_values, sigma_max};
use crate::network::mismatch;
use numerics::{CMatrix, Complex64, NumericsError, Outcome, RMatrix, Report, linear};

/// Real part of an eigenvalue, relative to the largest one, below which it may be a crossing.
const IMAGINARY_BELOW: f64 = 1e-6;
/// Distance of a singular value from one that confirms a crossing.
const CROSSING_WITHIN: f64 = 1e-5;
/// Points tried inside each band before the peak is refined.
const BAND_POINTS: usize = 24;
/// Refinements of a peak.
const REFINEMENTS: usize = 60;

/// `S(s) = C (sI − A)⁻¹ B + D` with real matrices; `A` in radian per second.
#[derive(Debug, Clone, PartialEq)]
pub struct StateSpace {
    /// States to states.
    pub a: RMatrix,
    /// Ports to states.
    pub b: RMatrix,
    /// States to ports.
    pub c: RMatrix,
    /// Ports to ports.
    pub d: RMatrix,
}

/// A band in which a model gives out more power than it takes in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Violation {
    /// Lower end, radian per second.
    pub from_rad_s: f64,
    /// Upper end, radian per second; infinite when it does not end.
    pub to_rad_s: f64,
    /// Where the largest singular value peaks, radian per second.
    pub peak_rad_s: f64,
    /// Largest singular value there.
    pub sigma: f64,
}

impl StateSpace {
    /// State space of a model without slope: one copy of the poles for each port.
    pub fn of(model: &RationalModel) -> Result<Self, NetworkError> {
        if model.slope.is_some() {
            return mismatch("a model that tends to a constant", "a term that grows with frequency");
        }
        let (n, order) = (model.n_ports(), model.order());
        let mut out = Self {
            a: RMatrix::zeros(n * order, n * order),
            b: RMatrix::zeros(n * order, n),
            c: RMatrix::zeros(n, n * order),
            d: model.constant.clone(),
        };
        for port in 0..n {
            let mut k = port * order;
            for &p in &model.poles {
                out.a[(k, k)] = p.re;
                out.b[(k, port)] = width(p) as f64;
                if width(p) == 2 {
                    (out.a[(k, k + 1)], out.a[(k + 1, k)], out.a[(k + 1, k + 1)]) = (p.im, -p.im, p.re);
                }
                k += width(p);
            }
            for (m, c) in model.coefficients.iter().enumerate() {
                for i in 0..n {
                    out.c[(i, port * order + m)] = c[(i, port)];
                }
            }
        }
        Ok(out)
    }

    /// Matrix at an angular frequency, radian per second.
    pub fn at(&self, omega: f64) -> Result<CMatrix, NetworkError> {
        let n = self.a.n_rows();
        let system = CMatrix::from_fn(n, n, |i, j| Complex64::new(-self.a[(i, j)], if i == j { omega } else { 0.0 }));
        let x = linear::solve(&system, &self.b.map(Complex64::from))?;
        Ok(&(&self.c.map(Complex64::from) * &x) + &self.d.map(Complex64::from))
    }

    /// Hamiltonian matrix whose imaginary eigenvalues `jω` are the crossings of a singular value
    /// through one: with `R = DᵀD − I`, `Q = DDᵀ − I`,
    /// `[[A − B R⁻¹ Dᵀ C, −B R⁻¹ Bᵀ], [Cᵀ Q⁻¹ C, −Aᵀ + Cᵀ D R⁻¹ Bᵀ]]`.
    pub fn hamiltonian(&self) -> Result<RMatrix, NetworkError> {
        let (d, dt) = (&self.d, self.d.transpose());
        let eye = RMatrix::identity(self.d.n_rows());
        let (r, q) = (&(&dt * d) - &eye, &(d * &dt) - &eye);
        let (bt, ct) = (self.b.transpose(), self.c.transpose());
        let r_dc = solve_real(&r, &(&dt * &self.c))?;
        let r_bt = solve_real(&r, &bt)?;
        let q_c = solve_real(&q, &self.c)?;
        let upper_left = &self.a - &(&self.b * &r_dc);
        let upper_right = -&(&self.b * &r_bt);
        let lower_left = &ct * &q_c;
        let lower_right = -&upper_left.transpose();
        let n = self.a.n_rows();
        Ok(RMatrix::from_fn(2 * n, 2 * n, |i, j| match (i < n, j < n) {
            (true, true) => upper_left[(i, j)],
            (true, false) => upper_right[(i, j - n)],
            (false, true) => lower_left[(i - n, j)],
            (false, false) => lower_right[(i - n, j - n)],
        }))
    }

    /// Half-size test matrix of a symmetric model: crossings are `ω = √−λ` of its negative real
    /// eigenvalues; `(A − B (D − I)⁻¹ C)(A − B (D + I)⁻¹ C)`.
    pub fn half_size(&self) -> Result<RMatrix, NetworkError> {
        let eye = RMatrix::identity(self.d.n_rows());
        let minus = &self.a - &(&self.b * &solve_real(&(&self.d - &eye), &self.c)?);
        let plus = &self.a - &(&self.b * &solve_real(&(&self.d + &eye), &self.c)?);
        Ok(&minus * &plus)
    }

    /// Angular frequencies, radian per second, rising, where a singular value crosses one.
    pub fn crossings_rad_s(&self) -> Result<Vec<f64>, NetworkError> {
        let eigenvalues = linear::eigenvalues_real(&self.hamiltonian()?)?;
        let largest = eigenvalues.iter().map(|z| z.norm()).fold(0.0, f64::max);
        let candidates = eigenvalues.iter().filter(|z| z.im > 0.0 && z.re.abs() <= IMAGINARY_BELOW * largest);
        self.confirmed(candidates.map(|z| z.im).collect())
    }

    /// As [`Self::crossings_rad_s`] by the half-size matrix; the transfer matrix must be symmetric.
    pub fn crossings_symmetric_rad_s(&self) -> Result<Vec<f64>, NetworkError> {
        let eigenvalues = linear::eigenvalues_real(&self.half_size()?)?;
        let largest = eigenvalues.iter().map(|z| z.norm()).fold(0.0, f64::max);
        let roots = eigenvalues.iter().map(|z| (-z).sqrt());
        let limit = IMAGINARY_BELOW * largest.sqrt();
        // √−λ = ω + tiny·j for a crossing
        self.confirmed(roots.filter(|w| w.re > 0.0 && w.im.abs() <= limit).map(|w| w.re).collect())
    }

    fn confirmed(&self, mut omega: Vec<f64>) -> Result<Vec<f64>, NetworkError> {
        omega.sort_by(f64::total_cmp);
        let mut out: Vec<f64> = Vec::new();
        for w in omega {
            let sigma = linear::singular_values(&self.at(w)?)?;
            let crosses = sigma.iter().any(|x| (x - 1.0).abs() < CROSSING_WITHIN);
            let again = out.last().is_some_and(|&l| (w - l) <= 1e-10 * w);
            if crosses && !again {
                out.push(w);
            }
        }
        Ok(out)
    }

    /// Bands of violation, each with its peak; empty when passive at every frequency.
    pub fn violations(&self, symmetric: bool) -> Result<Vec<Violation>, NetworkError> {
        let crossings = if symmetric { self.crossings_symmetric_rad_s()? } else { self.crossings_rad_s()? };
        let largest_pole = linear::eigenvalues_real(&self.a)?.iter().map(|z| z.norm()).fold(0.0, f64::max);
        let far = 10.0 * largest_pole.max(crossings.last().copied().unwrap_or(0.0)).max(f64::MIN_POSITIVE);
        let mut edges = vec![0.0];
        edges.extend(&crossings);
        edges.push(far);
        let mut out: Vec<Violation> = Vec::new();
        for (k, edge) in edges.windows(2).enumerate() {
            let (peak_rad_s, sigma) = self.peak(edge[0], edge[1])?;
            // at a crossing itself the value is one, so look at the middle too
            if sigma > 1.0 + f64::EPSILON && sigma_max(&self.at((edge[0] + edge[1]) / 2.0)?)? > 1.0 {
                let to_rad_s = if k + 2 == edges.len() { f64::INFINITY } else { edge[1] };
                out.push(Violation { from_rad_s: edge[0], to_rad_s, peak_rad_s, sigma });
            }
        }
        Ok(out)
    }

    /// Largest singular value between two angular frequencies.
    fn peak(&self, from: f64, to: f64) -> Result<(f64, f64), NetworkError> {
        let step = (to - from) / BAND_POINTS as f64;
        let mut best = (from, sigma_max(&self.at(from)?)?);
        for k in 1..=BAND_POINTS {
            let w = from + step * k as f64;
            let sigma = sigma_max(&self.at(w)?)?;
            if sigma > best.1 {
                best = (w, sigma);
            }
        }
        let (mut lo, mut hi) = ((best.0 - step).max(from), (best.0 + step).min(to));
        for _ in 0..REFINEMENTS {
            let (x, y) = (lo + 0.382 * (hi - lo), lo + 0.618 * (hi - lo));
            let (fx, fy) = (sigma_max(&self.at(x)?)?, sigma_max(&self.at(y)?)?);
            for (w, sigma) in [(x, fx), (y, fy)] {
                if sigma > best.1 {
                    best = (w, sigma);
                }
            }
            if fx > fy { hi = y } else { lo = x }
        }
        Ok(best)
    }
}

/// How to make a model passive.
#[derive(Debug, Clone, PartialEq)]
pub struct EnforceSettings {
    /// Distance kept below one at each corrected peak.
    pub margin: f64,
    /// Largest excess of a singular value over one that counts as passive.
    pub tolerance: f64,
    /// Corrections.
    pub iterations_max: usize,
}

impl Default for EnforceSettings {
    fn default() -> Self {
        Self { margin: 1e-6, tolerance: 1e-9, iterations_max: 40 }
    }
}

/// The passive model nearest to `model` in the mean over all frequencies, to first order.
///
/// Only residues change; the constant is clipped first if it is itself active. `history` of the
/// report holds the largest excess before each correction.
pub fn enforce_passivity(
    model: &RationalModel,
    settings: &EnforceSettings,
) -> Result<(RationalModel, Report), NetworkError> {
    let mut model = model.clone();
    let mut report = Report { residual_asked: settings.tolerance, ..Report::default() };
    let constant = model.constant.map(Complex64::from);
    if sigma_max(&constant)? > 1.0 - settings.margin {
        model.constant = clip_singular_values(&constant, 1.0 - settings.margin.max(1e-9))?.map(|x| x.re);
    }
    let symmetric = model.is_symmetric();
    for iteration in 0..=settings.iterations_max {
        let violations = StateSpace::of(&model)?.violations(symmetric)?;
        let worst = violations.iter().map(|v| v.sigma - 1.0).fold(0.0, f64::max);
        report.history.push(worst);
        (report.residual, report.iterations) = (worst, iteration);
        if worst <= settings.tolerance {
            report.outcome = Outcome::Converged;
            return Ok((model, report));
        }
        if iteration < settings.iterations_max {
            let omega: Vec<f64> = violations.iter().map(|v| v.peak_rad_s).collect();
            correct(&mut model, &omega, settings.margin, symmetric)?;
            report.factorisations += 1;
        }
    }
    Err(NumericsError::NotConverged {
        iterations: settings.iterations_max,
        residual: report.residual,
        wanted: settings.tolerance,
    }
    .into())
}

/// One linear constraint: the change of one singular value at one frequency.
struct Constraint {
    /// Derivative to the coefficient of basis function `m` at `(i, j)`: `re(conj(u_i) v_j φ_m)`.
    u: Vec<Complex64>,
    v: Vec<Complex64>,
    phi: Vec<Complex64>,
    /// Allowed change, negative.
    bound: f64,
}

impl Constraint {
    fn derivative(&self, i: usize, j: usize) -> Vec<f64> {
        let factor = self.u[i].conj() * self.v[j];
        self.phi.iter().map(|p| (factor * p).re).collect()
    }
}

/// Smallest change of residues, in the mean over frequency, that meets all constraints to first order.
fn correct(model: &mut RationalModel, omega: &[f64], margin: f64, symmetric: bool) -> Result<(), NetworkError> {
    let n = model.n_ports();
    let mut constraints = Vec::new();
    for &w in omega {
        let s = model.at(w / std::f64::consts::TAU);
        let (u, sigma, v) = linear::svd(&s)?;
        for (k, &x) in sigma.iter().enumerate().filter(|(_, x)| **x > 1.0 - margin) {
            let phi = basis(&model.poles, Complex64::new(0.0, w));
            constraints.push(Constraint { u: u.col(k), v: v.col(k), phi, bound: 1.0 - margin - x });
        }
    }
    // derivative of each constraint to each entry, and the same multiplied by the inverse weight
    let weight = gramian(&model.poles);
    let size = weight.n_rows();
    let mut derivative: Vec<Vec<Vec<f64>>> = Vec::new();
    let mut lifted: Vec<Vec<Vec<f64>>> = Vec::new();
    for c in &constraints {
        let mut g: Vec<Vec<f64>> = (0..n * n).map(|e| c.derivative(e / n, e % n)).collect();
        if symmetric {
            for i in 0..n {
                for j in 0..i {
                    let mean: Vec<f64> = g[i * n + j].iter().zip(&g[j * n + i]).map(|(a, b)| (a + b) / 2.0).collect();
                    (g[i * n + j], g[j * n + i]) = (mean.clone(), mean);
                }
            }
        }
        let columns = RMatrix::from_fn(size, n * n, |m, e| g[e][m]);
        let solved = solve_real(&weight, &columns)?;
        lifted.push((0..n * n).map(|e| solved.col(e)).collect());
        derivative.push(g);
    }
    let dot = |a: &[Vec<f64>], b: &[Vec<f64>]| -> f64 {
        a.iter().zip(b).map(|(a, b)| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>()).sum()
    };
    let h: Vec<Vec<f64>> = derivative.iter().map(|a| lifted.iter().map(|b| dot(a, b)).collect()).collect();
    let bounds: Vec<f64> = constraints.iter().map(|c| c.bound).collect();
    let lambda = multipliers(&h, &bounds);
    for (l, x) in lambda.iter().zip(&lifted) {
        for (m, c) in model.coefficients.iter_mut().enumerate() {
            for e in 0..n * n {
                c[(e / n, e % n)] -= l * x[e][m];
            }
        }
    }
    Ok(())
}

/// `λ ≥ 0` of `min ½xᵀWx, Gx ≤ b` with `H = G W⁻¹ Gᵀ`, one multiplier after the other.
fn multipliers(h: &[Vec<f64>], bounds: &[f64]) -> Vec<f64> {
    const SWEEPS_MAX: usize = 2000;
    let mut lambda = vec![0.0; bounds.len()];
    for _ in 0..SWEEPS_MAX {
        let mut moved = 0.0f64;
        for i in 0..bounds.len() {
            let change: f64 = -h[i].iter().zip(&lambda).map(|(h, l)| h * l).sum::<f64>();
            let next = (lambda[i] + (change - bounds[i]) / h[i][i].max(f64::MIN_POSITIVE)).max(0.0);
            moved = moved.max(((next - lambda[i]) * h[i][i]).abs());
            lambda[i] = next;
        }
        // far below the excess that is to be removed
        if moved < 1e-14 {
            break;
        }
    }
    lambda
}

/// Gramian of the basis functions: `(1/2π) ∫ φ φᴴ dω`, so that `cᵀPc` is the energy of `cᵀφ`.
pub fn gramian(poles: &[Complex64]) -> RMatrix {
    // one complex function for each pole and its conjugate, then real combinations of them
    let all: Vec<Complex64> =
        poles.iter().flat_map(|&p| if width(p) == 1 { vec![p] } else { vec![p, p.conj()] }).collect();
    let n = all.len();
    let gram = CMatrix::from_fn(n, n, |i, j| -(all[i] + all[j].conj()).inv());
    let mut t = CMatrix::zeros(n, n);
    let mut k = 0;
    for &p in poles {
        t[(k, k)] = 1.0.into();
        if width(p) == 2 {
            t[(k, k + 1)] = 1.0.into();
            (t[(k + 1, k)], t[(k + 1, k + 1)]) = (Complex64::i(), -Complex64::i());
        }
        k += width(p);
    }
    let p = (&(&t * &gram) * &t.adjoint()).map(|x| x.re);
    // clustered poles make the weight nearly singular; a touch of the diagonal keeps it definite
    let touch = 1e-12;
    RMatrix::from_fn(n, n, |i, j| if i == j { p[(i, j)] * (1.0 + touch) } else { p[(i, j)] })
}

fn solve_real(a: &RMatrix, b: &RMatrix) -> Result<RMatrix, NetworkError> {
    Ok(linear::solve(&a.map(Complex64::from), &b.map(Complex64::from))?.map(|x| x.re))
}
