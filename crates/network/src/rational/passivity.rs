//! Passivity over all frequencies, and the smallest change of residues that brings it about.

use super::{Asymptote, FitSettings, RationalModel, basis, fit_matrices, width};
use crate::NetworkError;
use crate::hygiene::sigma_max;
use crate::network::mismatch;
use numerics::linear::{self, Lu};
use numerics::{CMatrix, Complex64, NumericsError, Outcome, RMatrix, Report, parallel};

/// Real part of an eigenvalue, relative to the largest one, below which it may be a crossing.
const IMAGINARY_BELOW: f64 = 1e-6;
/// Distance of a singular value from one that confirms a crossing.
const CROSSING_WITHIN: f64 = 1e-5;
/// Points tried inside each band before the peak is refined.
const BAND_POINTS: usize = 24;
/// Points of a wide band at which a correction is asked for; a narrow one has its peak only.
const CONSTRAINTS: usize = 8;
/// Width of a wide band relative to its upper end.
const WIDE_BAND: f64 = 0.02;
/// Cost of a change outside the frequencies that are to be kept.
const OUTSIDE_COST: f64 = 1e-3;
/// Largest singular value of the constant of a model that is to become passive.
const CONSTANT_MAX: f64 = 0.9;
/// Points of a sweep around each pole, in units of its damping.
const AROUND_POLE: [f64; 7] = [-3.0, -1.5, -0.7, 0.0, 0.7, 1.5, 3.0];
/// Even steps of a sweep up to a little above the fastest pole.
const SWEEP_POINTS: usize = 400;
/// Corrections of one candidate of a passive fit.
const ENFORCEMENTS: usize = 20;
/// Margin of a passive fit: a tenth of a per cent of amplitude. Smaller ones leave nearly lossless
/// models touching one at many places, which took 36 instead of 9 corrections on seven lossless ports.
const FIT_MARGIN: f64 = 1e-3;
/// Highest order of a passive fit: more poles meet the samples better and are wilder beyond them
/// (seven lossless ports, 60 poles: 30 corrections, and five times the miss of 40 poles).
const PASSIVE_ORDER_MAX: usize = 40;
/// Candidates of a passive fit that are made passive, best first.
const CANDIDATES_MAX: usize = 4;
/// Loss of accuracy by enforcement at which no other candidate is tried.
const GOOD_ENOUGH: f64 = 3.0;
/// Refinements of a peak.
const REFINEMENTS: usize = 40;

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
        confirmed(self.candidates()?, &|w| self.at(w))
    }

    /// As [`Self::crossings_rad_s`] by the half-size matrix; the transfer matrix must be symmetric.
    pub fn crossings_symmetric_rad_s(&self) -> Result<Vec<f64>, NetworkError> {
        confirmed(self.candidates_symmetric()?, &|w| self.at(w))
    }

    /// The same system with angular frequency in units of the returned scale: eigenvalues of matrices
    /// whose entries differ by ten decades are not to be trusted.
    fn in_own_unit(&self) -> (Self, f64) {
        let scale = self.a.max_abs().max(f64::MIN_POSITIVE);
        let shrunk = |m: &RMatrix| m.map(|x| x / scale);
        (Self { a: shrunk(&self.a), b: self.b.clone(), c: shrunk(&self.c), d: self.d.clone() }, scale)
    }

    fn candidates(&self) -> Result<Vec<f64>, NetworkError> {
        let (own, scale) = self.in_own_unit();
        let eigenvalues = linear::eigenvalues_real(&own.hamiltonian()?)?;
        let largest = eigenvalues.iter().map(|z| z.norm()).fold(0.0, f64::max);
        let near = |z: &&Complex64| z.im > 0.0 && z.re.abs() <= IMAGINARY_BELOW * largest;
        Ok(eigenvalues.iter().filter(near).map(|z| z.im * scale).collect())
    }

    fn candidates_symmetric(&self) -> Result<Vec<f64>, NetworkError> {
        let (own, scale) = self.in_own_unit();
        let eigenvalues = linear::eigenvalues_real(&own.half_size()?)?;
        let largest = eigenvalues.iter().map(|z| z.norm()).fold(0.0, f64::max);
        let limit = IMAGINARY_BELOW * largest.sqrt();
        // √−λ = ω + tiny·j for a crossing
        let roots = eigenvalues.iter().map(|z| (-z).sqrt());
        Ok(roots.filter(|w| w.re > 0.0 && w.im.abs() <= limit).map(|w| w.re * scale).collect())
    }

    /// Bands of violation, each with its peak; empty when passive at every frequency. `symmetric`
    /// promises a symmetric transfer matrix and makes the test eight times cheaper.
    pub fn violations(&self, symmetric: bool) -> Result<Vec<Violation>, NetworkError> {
        let fastest = linear::eigenvalues_real(&self.a)?.iter().map(|z| z.norm()).fold(0.0, f64::max);
        self.violations_by(symmetric, fastest, &|w| self.at(w))
    }

    fn violations_by(
        &self,
        symmetric: bool,
        fastest_pole: f64,
        at: &Evaluate<'_>,
    ) -> Result<Vec<Violation>, NetworkError> {
        let candidates = if symmetric { self.candidates_symmetric()? } else { self.candidates()? };
        let crossings = confirmed(candidates, at)?;
        let far = 10.0 * fastest_pole.max(crossings.last().copied().unwrap_or(0.0)).max(f64::MIN_POSITIVE);
        let mut edges = vec![0.0];
        edges.extend(&crossings);
        edges.push(far);
        let mut out: Vec<Violation> = Vec::new();
        for (k, edge) in edges.windows(2).enumerate() {
            // between crossings no singular value passes one: the middle tells
            if sigma_max(&at((edge[0] + edge[1]) / 2.0)?)? > 1.0 {
                let to_rad_s = if k + 2 == edges.len() { f64::INFINITY } else { edge[1] };
                let (peak_rad_s, sigma) = peak(edge[0], edge[1], at)?;
                out.push(Violation { from_rad_s: edge[0], to_rad_s, peak_rad_s, sigma });
            }
        }
        Ok(out)
    }
}

/// A transfer matrix as a function of angular frequency.
type Evaluate<'a> = dyn Fn(f64) -> Result<CMatrix, NetworkError> + 'a;

/// Candidates, sorted, where a singular value is indeed one.
fn confirmed(mut omega: Vec<f64>, at: &Evaluate<'_>) -> Result<Vec<f64>, NetworkError> {
    omega.sort_by(f64::total_cmp);
    let mut out: Vec<f64> = Vec::new();
    for w in omega {
        let sigma = linear::singular_values(&at(w)?)?;
        let crosses = sigma.iter().any(|x| (x - 1.0).abs() < CROSSING_WITHIN);
        let again = out.last().is_some_and(|&l| (w - l) <= 1e-10 * w);
        if crosses && !again {
            out.push(w);
        }
    }
    Ok(out)
}

/// Largest singular value between two angular frequencies.
fn peak(from: f64, to: f64, at: &Evaluate<'_>) -> Result<(f64, f64), NetworkError> {
    let step = (to - from) / BAND_POINTS as f64;
    let mut best = (from, sigma_max(&at(from)?)?);
    let keep = |best: &mut (f64, f64), w: f64| -> Result<f64, NetworkError> {
        let sigma = sigma_max(&at(w)?)?;
        if sigma > best.1 {
            *best = (w, sigma);
        }
        Ok(sigma)
    };
    for k in 1..=BAND_POINTS {
        keep(&mut best, from + step * k as f64)?;
    }
    let (mut lo, mut hi) = ((best.0 - step).max(from), (best.0 + step).min(to));
    for _ in 0..REFINEMENTS {
        let (x, y) = (lo + 0.382 * (hi - lo), lo + 0.618 * (hi - lo));
        if keep(&mut best, x)? > keep(&mut best, y)? { hi = y } else { lo = x }
    }
    Ok(best)
}

/// Bands in which a model without slope is active; empty when passive at every frequency.
pub fn violations(model: &RationalModel) -> Result<Vec<Violation>, NetworkError> {
    let fastest = model.poles.iter().map(|p| p.norm()).fold(0.0, f64::max);
    let at = |w: f64| Ok(model.at(w / std::f64::consts::TAU));
    StateSpace::of(model)?.violations_by(model.is_symmetric(), fastest, &at)
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
    /// Frequencies, hertz, at which the model must stay close to what it was; elsewhere a change
    /// costs a thousandth. Empty: all frequencies count alike.
    pub keep_close_at_hz: Vec<f64>,
}

impl Default for EnforceSettings {
    fn default() -> Self {
        Self { margin: 1e-6, tolerance: 1e-9, iterations_max: 40, keep_close_at_hz: vec![] }
    }
}

/// The passive model nearest to `model` in the mean over frequency, to first order.
///
/// Only residues change. An active constant is refused, because clipping it would move the model
/// everywhere: fit again with a passive one (see [`fit_passive`]). `history` of the
/// report holds the largest excess before each correction.
pub fn enforce_passivity(
    model: &RationalModel,
    settings: &EnforceSettings,
) -> Result<(RationalModel, Report), NetworkError> {
    let mut model = model.clone();
    let mut report = Report { residual_asked: settings.tolerance, ..Report::default() };
    let at_infinity = sigma_max(&model.constant.map(Complex64::from))?;
    if at_infinity >= 1.0 {
        return mismatch("a model that is passive at infinite frequency", format!("a singular value {at_infinity:.4}"));
    }
    let symmetric = model.is_symmetric();
    let weight = weight(&model.poles, &settings.keep_close_at_hz);
    for iteration in 0..=settings.iterations_max {
        // a sweep finds most violations for a hundredth of the work; only the eigenvalues prove there is none
        let mut violations = seen_by_sweep(&model)?;
        if violations.iter().all(|v| v.sigma - 1.0 <= settings.tolerance) {
            violations = self::violations(&model)?;
            report.factorisations += 1;
        }
        let worst = violations.iter().map(|v| v.sigma - 1.0).fold(0.0, f64::max);
        report.history.push(worst);
        (report.residual, report.iterations) = (worst, iteration);
        if worst <= settings.tolerance {
            report.outcome = Outcome::Converged;
            return Ok((model, report));
        }
        if iteration < settings.iterations_max {
            let omega: Vec<f64> = violations.iter().flat_map(constrained_at).collect();
            correct(&mut model, &omega, settings.margin, symmetric, &weight)?;
        }
    }
    Err(NumericsError::NotConverged {
        iterations: settings.iterations_max,
        residual: report.residual,
        wanted: settings.tolerance,
    }
    .into())
}

/// Bands of violation on a grid that is dense around every pole.
fn seen_by_sweep(model: &RationalModel) -> Result<Vec<Violation>, NetworkError> {
    let fastest = model.poles.iter().map(|p| p.norm()).fold(f64::MIN_POSITIVE, f64::max);
    let near = |p: &Complex64| AROUND_POLE.map(|k| (p.im + k * p.re.abs()).max(0.0));
    let mut grid: Vec<f64> = model.poles.iter().flat_map(near).collect();
    grid.extend((0..=SWEEP_POINTS).map(|k| 1.2 * fastest * k as f64 / SWEEP_POINTS as f64));
    grid.extend((1..=60).map(|k| 1.2 * fastest * 10f64.powf(f64::from(k) / 30.0)));
    grid.sort_by(f64::total_cmp);
    grid.dedup();
    let at = |w: f64| Ok(model.at(w / std::f64::consts::TAU));
    let sigma: Result<Vec<f64>, NetworkError> = parallel::map(&grid, |&w| sigma_max(&at(w)?));
    let sigma = sigma?;
    let mut out: Vec<Violation> = Vec::new();
    let last = grid.len() - 1;
    let mut k = 0;
    while k <= last {
        let first = k;
        while k <= last && sigma[k] > 1.0 {
            k += 1;
        }
        if k > first {
            let (from_rad_s, to_rad_s) = (grid[first.saturating_sub(1)], grid[k.min(last)]);
            let (peak_rad_s, sigma) = peak(from_rad_s, to_rad_s, &at)?;
            out.push(Violation { from_rad_s, to_rad_s, peak_rad_s, sigma });
        }
        k += 1;
    }
    Ok(out)
}

/// Angular frequencies of a band at which the correction is asked for: its peak and points around.
fn constrained_at(v: &Violation) -> Vec<f64> {
    let to = if v.to_rad_s.is_finite() { v.to_rad_s } else { 2.0 * v.peak_rad_s.max(v.from_rad_s) };
    let width = to - v.from_rad_s;
    let count = if width > WIDE_BAND * to { CONSTRAINTS } else { 1 };
    let inner = (1..count).map(|k| v.from_rad_s + width * k as f64 / count as f64);
    [v.peak_rad_s].into_iter().chain(inner).collect()
}

/// Cost of a change of the coefficients of one entry.
fn weight(poles: &[Complex64], keep_close_at_hz: &[f64]) -> RMatrix {
    let everywhere = gramian(poles);
    let Some(&last) = keep_close_at_hz.last() else { return everywhere };
    // (1/π) ∫ re φφᴴ dω over the band, as the mean over the samples
    let factor = 2.0 * last / keep_close_at_hz.len() as f64;
    let mut out = everywhere.map(|x| OUTSIDE_COST * x);
    for &f in keep_close_at_hz {
        let phi = basis(poles, Complex64::new(0.0, std::f64::consts::TAU * f));
        for i in 0..phi.len() {
            for j in 0..phi.len() {
                out[(i, j)] += factor * (phi[i] * phi[j].conj()).re;
            }
        }
    }
    out
}

/// Fits samples with a model that is passive at every frequency.
///
/// Poles beyond what the samples determine make models that are wild outside the band, so orders are
/// tried from low to high, with no constant and with a free one, and an order counts only when it
/// halves the miss of the lower ones. The best of them after enforcement is returned. The report
/// holds the root mean square miss of the passive model and the work of all steps.
pub fn fit_passive(
    freq_hz: &[f64],
    s: &[CMatrix],
    settings: &FitSettings,
) -> Result<(RationalModel, Report), NetworkError> {
    let mut report = Report { residual_asked: settings.rms_goal, residual: f64::INFINITY, ..Report::default() };
    let mut candidates = passive_candidates(freq_hz, s, settings, &mut report)?;
    candidates.reverse();
    let enforce = EnforceSettings {
        margin: FIT_MARGIN,
        iterations_max: ENFORCEMENTS,
        keep_close_at_hz: freq_hz.to_vec(),
        ..Default::default()
    };
    let mut best: Option<RationalModel> = None;
    let mut failure = None;
    for (rms, candidate) in candidates.into_iter().take(CANDIDATES_MAX) {
        match enforce_passivity(&candidate, &enforce) {
            Ok((model, work)) => {
                report.iterations += work.iterations;
                let miss = rms_miss(&model, freq_hz, s);
                if miss < report.residual {
                    report.residual = miss;
                    best = Some(model);
                }
                if miss <= settings.rms_goal.max(GOOD_ENOUGH * rms) {
                    break;
                }
            }
            Err(e) => failure = Some(e),
        }
    }
    report.outcome = if report.residual <= settings.rms_goal { Outcome::Converged } else { Outcome::Almost };
    match (best, failure) {
        (Some(model), _) => Ok((model, report)),
        (None, Some(e)) => Err(e),
        (None, None) => mismatch("a fit to make passive", "none"),
    }
}

/// Models of rising order, each at least twice as good as the ones before, with their miss.
fn passive_candidates(
    freq_hz: &[f64],
    s: &[CMatrix],
    settings: &FitSettings,
    report: &mut Report,
) -> Result<Vec<(f64, RationalModel)>, NetworkError> {
    let mut out: Vec<(f64, RationalModel)> = Vec::new();
    let order_max = settings.order_max.clamp(1, PASSIVE_ORDER_MAX);
    let mut order = settings.order.clamp(1, order_max);
    loop {
        for asymptote in [Asymptote::Zero, Asymptote::Constant] {
            let one = FitSettings { order, order_max: order, asymptote, ..settings.clone() };
            let (model, work) = match fit_matrices(freq_hz, s, &one) {
                Ok(fit) => fit,
                Err(e) if out.is_empty() => return Err(e),
                Err(_) => return Ok(out),
            };
            report.iterations += work.iterations;
            report.factorisations += work.factorisations;
            report.unknowns = work.unknowns;
            report.history.push(work.residual);
            let constant = sigma_max(&model.constant.map(Complex64::from))?;
            let gains = out.iter().all(|(rms, _)| work.residual < rms / 2.0);
            if gains && constant <= CONSTANT_MAX {
                out.push((work.residual, model));
            }
        }
        let met = out.last().is_some_and(|(rms, _)| *rms <= settings.rms_goal);
        if met || order >= order_max {
            return Ok(out);
        }
        order = (order + (order / 2).max(2)).min(order_max);
    }
}

/// Root of the mean squared difference of all entries at all samples.
pub fn rms_miss(model: &RationalModel, freq_hz: &[f64], s: &[CMatrix]) -> f64 {
    let squares = |(&f, s): (&f64, &CMatrix)| (s - &model.at(f)).as_slice().iter().map(|x| x.norm_sqr()).sum::<f64>();
    let n = s.len() * model.n_ports() * model.n_ports();
    (freq_hz.iter().zip(s).map(squares).sum::<f64>() / n.max(1) as f64).sqrt()
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
fn correct(
    model: &mut RationalModel,
    omega: &[f64],
    margin: f64,
    symmetric: bool,
    weight: &RMatrix,
) -> Result<(), NetworkError> {
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
    let size = weight.n_rows();
    let factors = Lu::factor(&weight.map(Complex64::from))?;
    let mut derivative: Vec<Vec<f64>> = Vec::new();
    let mut lifted: Vec<Vec<f64>> = Vec::new();
    for c in &constraints {
        let mut g: Vec<f64> = Vec::with_capacity(n * n * size);
        let mut solved: Vec<f64> = Vec::with_capacity(n * n * size);
        for e in 0..n * n {
            let (i, j) = (e / n, e % n);
            let mut one = c.derivative(i, j);
            if symmetric {
                one = one.iter().zip(c.derivative(j, i)).map(|(a, b)| (a + b) / 2.0).collect();
            }
            let mut x: Vec<Complex64> = one.iter().map(|&x| x.into()).collect();
            factors.solve_in_place(&mut x);
            g.extend(one);
            solved.extend(x.iter().map(|x| x.re));
        }
        derivative.push(g);
        lifted.push(solved);
    }
    let dot = |a: &[f64], b: &[f64]| -> f64 { a.iter().zip(b).map(|(x, y)| x * y).sum() };
    let h: Vec<Vec<f64>> = derivative.iter().map(|a| lifted.iter().map(|b| dot(a, b)).collect()).collect();
    let bounds: Vec<f64> = constraints.iter().map(|c| c.bound).collect();
    let lambda = multipliers(&h, &bounds);
    for (l, x) in lambda.iter().zip(&lifted) {
        for (m, c) in model.coefficients.iter_mut().enumerate() {
            for e in 0..n * n {
                c[(e / n, e % n)] -= l * x[e * size + m];
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
