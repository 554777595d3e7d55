//! The linearised steady state: motions with parameters, adjoint weights, and their contractions.
//!
//! A *line* is one product of the basis: lane and pump harmonic. Waves of a line are listed external
//! ports first, then junctions. Charges are in units of [`CHARGE_SCALE_C`] throughout.

use super::{NetworkMotion, Order, Output, Parameter, not_kept};
use crate::equations::{CHARGE_SCALE_C, Equations, Level, Point, Workspace};
use crate::lane::{Grade, Preconditioner, Scratch};
use crate::small_signal::LINEAR_TOLERANCE;
use crate::{BalanceError, Problem, SteadyState};
use numerics::krylov::{KrylovSettings, Scalars, gmres};
use numerics::{CMatrix, Complex64, Outcome, RMatrix, Report};

/// Half width of the dense blocks of the approximate inverse, pump harmonics.
const DENSE_ORDER: usize = 16;
const RESTART: usize = 120;

/// One junction at one sample: slope `dv/dw`, then current and charge with their derivatives.
#[derive(Clone, Copy)]
struct Local {
    slope: f64,
    i: f64,
    g: f64,
    g1: f64,
    q: f64,
    c: f64,
    c1: f64,
}

/// A steady state ready for derivatives.
pub(super) struct Linear<'a> {
    problem: &'a Problem,
    parameters: &'a [Parameter],
    equations: Equations<'a>,
    point: Point,
    local: Vec<Vec<Local>>,
    /// Scattering of each line.
    s: Vec<CMatrix>,
    /// First derivatives of each line with respect to the parameters that move the network.
    ds: Vec<Vec<CMatrix>>,
    /// Second derivatives times the waves: one wave list a line, one entry a pair `i ≤ j` of those.
    dds: Vec<Vec<Complex64>>,
    /// Numbers of the parameters that move the network.
    movers: Vec<usize>,
    /// Waves arriving at the network, line after line.
    arriving: Vec<Complex64>,
    preconditioners: Vec<Preconditioner>,
    adjoint_preconditioners: Vec<Preconditioner>,
    scratch: Scratch,
    space: Workspace,
    pub(super) report: Report,
}

/// Motion of the state with one parameter.
pub(super) struct Moved {
    /// Junction voltages, sample by sample.
    v: Vec<Vec<f64>>,
    /// Waves arriving at the network.
    arriving: Vec<Complex64>,
    /// What the motion of the network itself adds to the leaving waves.
    explicit: Vec<Complex64>,
}

/// Weights of imbalances in one real part of one output.
pub(super) struct Adjoint {
    /// Of leaving waves, line after line.
    leaving: Vec<Complex64>,
    /// Of arriving waves: the same, back through the network.
    arriving: Vec<Complex64>,
    /// Of junction voltages and charges, sample by sample.
    v: Vec<Vec<f64>>,
    q: Vec<Vec<f64>>,
}

impl<'a> Linear<'a> {
    pub(super) fn new(
        problem: &'a Problem,
        state: &SteadyState,
        motion: &dyn NetworkMotion,
        parameters: &'a [Parameter],
        order: Order,
    ) -> Result<Self, BalanceError> {
        let equations = Equations::new(problem, state.basis().clone())?;
        let point = equations.evaluate(state.unknowns(), Level::FULL);
        let preconditioners = equations.preconditioners(&point, DENSE_ORDER, Grade::Single)?;
        let adjoint_preconditioners = preconditioners.iter().map(Preconditioner::adjoint).collect();
        let local = local_points(problem, &point);
        let is_mover = |p: &Parameter| matches!(p, Parameter::Network(_) | Parameter::SeriesOhm(_));
        let movers = (0..parameters.len()).filter(|&k| is_mover(&parameters[k])).collect();
        let mut this = Self {
            problem,
            parameters,
            equations,
            point,
            local,
            s: Vec::new(),
            ds: Vec::new(),
            dds: Vec::new(),
            movers,
            arriving: Vec::new(),
            preconditioners,
            adjoint_preconditioners,
            scratch: Scratch::default(),
            space: Workspace::default(),
            report: Report { outcome: Outcome::Converged, residual_asked: LINEAR_TOLERANCE, ..Report::default() },
        };
        this.arriving = this.waves(state.unknowns().as_slice(), this.point.v.as_slice(), this.point.q.as_slice());
        let mut arriving = std::mem::take(&mut this.arriving);
        this.add_drives(&mut arriving, |_| 1.0.into());
        this.arriving = arriving;
        this.read_network(motion, order)?;
        Ok(this)
    }

    fn n_external(&self) -> usize {
        self.problem.embedding.n_external()
    }

    fn n_junctions(&self) -> usize {
        self.problem.devices.len()
    }

    fn n_ports(&self) -> usize {
        self.n_external() + self.n_junctions()
    }

    fn n_harmonics(&self) -> usize {
        self.equations.basis.n_harmonics()
    }

    fn n_lines(&self) -> usize {
        self.n_harmonics() * self.equations.lanes.len()
    }

    fn omega(&self, line: usize) -> f64 {
        let m = self.n_harmonics();
        self.equations.lanes[line / m].omega[line % m]
    }

    fn ohm(&self, j: usize) -> f64 {
        self.equations.lanes[0].junction_ohm[j]
    }

    /// Scattering and its derivatives at every line.
    fn read_network(&mut self, motion: &dyn NetworkMotion, order: Order) -> Result<(), BalanceError> {
        let n_ports = self.n_ports();
        let second = order == Order::Second;
        for line in 0..self.n_lines() {
            let freq_hz = self.omega(line) / std::f64::consts::TAU;
            let s = self.problem.embedding.scattering(freq_hz)?;
            let of_network = motion.derivatives(freq_hz.abs(), second)?;
            let turn = |m: &CMatrix| if freq_hz < 0.0 { m.conj() } else { m.clone() };
            let open = &CMatrix::identity(n_ports) - &s;
            let ds: Vec<CMatrix> = self
                .movers
                .iter()
                .map(|&k| match self.parameters[k] {
                    Parameter::Network(p) => turn(&of_network.first[p]),
                    Parameter::SeriesOhm(j) => self.series(&open, &open, j),
                    _ => unreachable!("only these move the network"),
                })
                .collect();
            let waves = &self.arriving[line * n_ports..][..n_ports];
            let mut products = Vec::new();
            if second {
                for (a, &k) in self.movers.iter().enumerate() {
                    for (b, &l) in self.movers.iter().enumerate().skip(a) {
                        let dds = match (self.parameters[k], self.parameters[l]) {
                            (Parameter::Network(p), Parameter::Network(q)) => {
                                turn(&of_network.second[pair(p.min(q), p.max(q), motion.n_parameters())])
                            }
                            (Parameter::SeriesOhm(j), _) => -&self.both_series(&ds[b], &open, j),
                            (_, Parameter::SeriesOhm(j)) => -&self.both_series(&ds[a], &open, j),
                            _ => unreachable!("only these move the network"),
                        };
                        products.extend(dds.times(waves));
                    }
                }
            }
            self.s.push(s);
            self.ds.push(ds);
            self.dds.push(products);
        }
        Ok(())
    }

    /// `x·E·y/(2R)`, `E` the projection on junction `j`: a resistance in series with a port moves
    /// `S` by `(1 − S)·E·(1 − S)/(2R)`.
    fn series(&self, x: &CMatrix, y: &CMatrix, j: usize) -> CMatrix {
        let at = self.n_external() + j;
        let factor = 0.5 / self.ohm(j);
        CMatrix::from_fn(x.n_rows(), y.n_cols(), |r, c| x[(r, at)] * y[(at, c)] * factor)
    }

    fn both_series(&self, ds: &CMatrix, open: &CMatrix, j: usize) -> CMatrix {
        &self.series(ds, open, j) + &self.series(open, ds, j)
    }

    /// Waves from the junctions into the network, line after line; external ones are zero.
    fn waves(&self, w: &[Complex64], v: &[Complex64], q: &[Complex64]) -> Vec<Complex64> {
        let (n_lines, n_ports, n_external) = (self.n_lines(), self.n_ports(), self.n_external());
        let mut out = vec![Complex64::default(); n_lines * n_ports];
        for line in 0..n_lines {
            for j in 0..self.n_junctions() {
                let r = self.ohm(j);
                let at = j * n_lines + line;
                let charge = Complex64::new(0.0, self.omega(line) * r * CHARGE_SCALE_C) * q[at];
                out[line * n_ports + n_external + j] = (2.0 * v[at] - w[at] - charge) / (2.0 * r.sqrt());
            }
        }
        out
    }

    /// Adds the waves of the drives, each times `factor(number)`, in two-sided coefficients.
    fn add_drives(&self, into: &mut [Complex64], factor: impl Fn(usize) -> Complex64) {
        let basis = &self.equations.basis;
        for (number, d) in self.problem.drives.iter().enumerate() {
            let Some((lane, k, mirrored)) = basis.find(d.orders[0], &d.orders[1..]) else { continue };
            let is_direct = d.orders.iter().all(|&m| m == 0);
            let wave = d.wave * factor(number) * if is_direct { 1.0 } else { 0.5 };
            let mut add = |k: i32, wave: Complex64| {
                let line = lane * basis.n_harmonics() + (k + basis.pump_order as i32) as usize;
                into[line * self.n_ports() + d.port] += wave;
            };
            add(k, if mirrored { wave.conj() } else { wave });
            if lane == 0 && !is_direct {
                add(-k, if mirrored { wave } else { wave.conj() });
            }
        }
    }

    /// The network at every line applied to waves.
    fn through(&self, waves: &[Complex64]) -> Vec<Complex64> {
        let n = self.n_ports();
        self.s.iter().enumerate().flat_map(|(line, s)| s.times(&waves[line * n..][..n])).collect()
    }

    /// Voltage and charge that a junction parameter moves while `w` stands still; none for others.
    fn explicit_junction(&self, k: usize) -> Option<(usize, Vec<f64>, Vec<f64>)> {
        match self.parameters[k] {
            Parameter::Current(j) => {
                let v: Vec<f64> = self.local[j].iter().map(|x| -self.ohm(j) * x.i * x.slope).collect();
                let q = self.local[j].iter().zip(&v).map(|(x, v)| x.c * v).collect();
                Some((j, v, q))
            }
            Parameter::Charge(j) => {
                let q: Vec<f64> = self.local[j].iter().map(|x| x.q).collect();
                Some((j, vec![0.0; q.len()], q))
            }
            _ => None,
        }
    }

    /// What a parameter adds to the leaving waves while the arriving waves of the junctions stand still.
    fn explicit_leaving(&self, k: usize) -> Vec<Complex64> {
        let n = self.n_ports();
        let mut drives = vec![Complex64::default(); self.arriving.len()];
        match self.parameters[k] {
            Parameter::Drive(d) => {
                self.add_drives(&mut drives, |x| f64::from(u8::from(x == d)).into());
                self.through(&drives)
            }
            _ => match self.movers.iter().position(|&m| m == k) {
                Some(m) => (0..self.n_lines())
                    .flat_map(|line| self.ds[line][m].times(&self.arriving[line * n..][..n]))
                    .collect(),
                None => drives,
            },
        }
    }

    /// Motion of the state with parameter `k`: one linear solution.
    pub(super) fn direct(&mut self, k: usize) -> Result<Moved, BalanceError> {
        let (n_lines, n_ports, n_external) = (self.n_lines(), self.n_ports(), self.n_external());
        let n = self.n_junctions();
        let zero = || vec![Complex64::default(); n * n_lines];
        let (mut v, mut q, mut left) = (zero(), zero(), zero());
        let junction = self.explicit_junction(k);
        if let Some((j, dv, dq)) = &junction {
            let mut grid: Vec<Complex64> = dv.iter().zip(dq).map(|(v, q)| Complex64::new(*v, *q)).collect();
            self.equations.transform.to_coefficients(&mut grid, *j, &mut v, &mut q);
        }
        self.equations.left_side([&zero(), &v, &q], &mut left, &mut Vec::new());
        let mut explicit = self.explicit_leaving(k);
        let mut rhs: Vec<Complex64> = left.iter().map(|x| -x).collect();
        for line in 0..n_lines {
            for j in 0..n {
                rhs[j * n_lines + line] += 2.0 * self.ohm(j).sqrt() * explicit[line * n_ports + n_external + j];
            }
        }
        let w = self.solve(&rhs, false);
        let (v_samples, dv, dq) = self.follow(&w, junction.as_ref());
        let mut arriving = self.waves(&w, &dv, &dq);
        if let Parameter::Drive(d) = self.parameters[k] {
            self.add_drives(&mut arriving, |x| f64::from(u8::from(x == d)).into());
            explicit.fill(Complex64::default());
        }
        Ok(Moved { v: v_samples, arriving, explicit })
    }

    /// Voltages (samples and coefficients) and charges that follow `w` and an explicit motion.
    fn follow(
        &self,
        w: &[Complex64],
        explicit: Option<&(usize, Vec<f64>, Vec<f64>)>,
    ) -> (Vec<Vec<f64>>, Vec<Complex64>, Vec<Complex64>) {
        let samples = self.samples(w);
        let (mut v, mut q) = (vec![Complex64::default(); w.len()], vec![Complex64::default(); w.len()]);
        let mut out = Vec::with_capacity(samples.len());
        for (j, w) in samples.iter().enumerate() {
            let own = explicit.filter(|e| e.0 == j);
            let mut grid: Vec<Complex64> =
                self.local[j].iter().zip(w).map(|(x, w)| Complex64::new(x.slope * w, x.c * x.slope * w)).collect();
            if let Some((_, dv, dq)) = own {
                for ((g, v), q) in grid.iter_mut().zip(dv).zip(dq) {
                    *g += Complex64::new(*v, *q);
                }
            }
            out.push(grid.iter().map(|g| g.re).collect());
            self.equations.transform.to_coefficients(&mut grid, j, &mut v, &mut q);
        }
        (out, v, q)
    }

    fn samples(&self, spectra: &[Complex64]) -> Vec<Vec<f64>> {
        let transform = &self.equations.transform;
        let mut grid = vec![Complex64::default(); transform.n_samples()];
        let n = spectra.len() / self.n_lines();
        let mut out = Vec::with_capacity(n);
        for first in (0..n).step_by(2) {
            let second = (first + 1 < n).then_some(first + 1);
            transform.to_samples(spectra, first, second, &mut grid);
            out.push(grid.iter().map(|g| g.re).collect());
            if second.is_some() {
                out.push(grid.iter().map(|g| g.im).collect());
            }
        }
        out
    }

    /// Solution with the derivative of the balance, or with its adjoint.
    fn solve(&mut self, rhs: &[Complex64], adjoint: bool) -> Vec<Complex64> {
        let settings = KrylovSettings {
            scalars: Scalars::Real,
            tolerance: LINEAR_TOLERANCE,
            restart: RESTART,
            iterations_max: 4 * RESTART,
        };
        let mut scratch = std::mem::take(&mut self.scratch);
        let mut space = std::mem::take(&mut self.space);
        let n_lines = self.n_lines();
        let m = self.n_harmonics();
        let found = if adjoint {
            let precondition = |x: &[Complex64], y: &mut [Complex64]| {
                for (l, p) in self.adjoint_preconditioners.iter().enumerate() {
                    p.apply_adjoint(&x[l * m..], &mut y[l * m..], n_lines, &mut scratch);
                }
                self.equations.make_lane_zero_real(y, n_lines);
            };
            gmres(|x, y| self.apply_adjoint(x, y), precondition, rhs, settings)
        } else {
            gmres(
                |x, y| self.equations.linearised(&self.point, x, y, &mut space),
                |x, y| self.equations.precondition(&self.preconditioners, x, y, &mut scratch),
                rhs,
                settings,
            )
        };
        self.scratch = scratch;
        self.space = space;
        self.report.inner_iterations += found.iterations;
        self.report.iterations += 1;
        self.report.residual = self.report.residual.max(found.residual);
        found.x
    }

    /// Peak of an output's part of leaving waves.
    fn pick(&self, leaving: &[Complex64], output: &Output) -> Result<Complex64, BalanceError> {
        let (line, mirrored, factor) = self.line_of(output)?;
        let x = leaving[line * self.n_ports() + output.port] * factor;
        Ok(if mirrored { x.conj() } else { x })
    }

    fn line_of(&self, output: &Output) -> Result<(usize, bool, f64), BalanceError> {
        let basis = &self.equations.basis;
        let found = basis.find(output.orders[0], &output.orders[1..]).filter(|_| output.port < self.n_external());
        let (lane, k, mirrored) = found.ok_or_else(|| not_kept(output))?;
        let line = lane * basis.n_harmonics() + (k + basis.pump_order as i32) as usize;
        let is_direct = output.orders.iter().all(|&m| m == 0);
        Ok((line, mirrored, if is_direct { 1.0 } else { 2.0 }))
    }

    /// First derivative of an output from a motion of the state.
    pub(super) fn moved_output(&self, moved: &Moved, output: &Output) -> Result<Complex64, BalanceError> {
        let (line, ..) = self.line_of(output)?;
        let n = self.n_ports();
        let through = self.s[line].times(&moved.arriving[line * n..][..n]);
        let mut leaving = vec![Complex64::default(); (line + 1) * n];
        for (p, x) in through.into_iter().enumerate() {
            leaving[line * n + p] = x + moved.explicit[line * n + p];
        }
        self.pick(&leaving, output)
    }

    /// Weights of one real part of an output (`unit` 1: real, j: imaginary); none where that part is
    /// zero by definition.
    pub(super) fn adjoint(&mut self, output: &Output, unit: Complex64) -> Result<Option<Adjoint>, BalanceError> {
        let (line, mirrored, _) = self.line_of(output)?;
        let is_direct = output.orders.iter().all(|&m| m == 0);
        if is_direct && unit.im != 0.0 {
            return Ok(None);
        }
        let (m, n_ports) = (self.n_harmonics(), self.n_ports());
        let unit = if mirrored { unit.conj() } else { unit };
        let mut leaving = vec![Complex64::default(); self.n_lines() * n_ports];
        leaving[line * n_ports + output.port] = unit;
        if line < m && !is_direct {
            leaving[(m - 1 - line) * n_ports + output.port] = unit.conj();
        }
        let mut rhs = vec![Complex64::default(); self.n_junctions() * self.n_lines()];
        let (arriving, v, q, rest) = self.weigh(&leaving, None);
        self.gather(&v, &q, &rest, &mut rhs);
        drop(arriving);
        let lambda = self.solve(&rhs, true);
        for line in 0..self.n_lines() {
            for j in 0..self.n_junctions() {
                leaving[line * n_ports + self.n_external() + j] =
                    2.0 * self.ohm(j).sqrt() * lambda[j * self.n_lines() + line];
            }
        }
        let (arriving, v, q, _) = self.weigh(&leaving, Some(&lambda));
        Ok(Some(Adjoint { leaving, arriving, v, q }))
    }

    /// Weights of arriving waves, of junction voltages and charges (samples) and of `w` itself, from
    /// those of leaving waves and of the imbalances.
    #[allow(clippy::type_complexity)] // four parts of one answer, taken apart at once by both callers
    fn weigh(
        &self,
        leaving: &[Complex64],
        lambda: Option<&[Complex64]>,
    ) -> (Vec<Complex64>, Vec<Vec<f64>>, Vec<Vec<f64>>, Vec<Complex64>) {
        let (n_lines, n_ports, n_external, n) = (self.n_lines(), self.n_ports(), self.n_external(), self.n_junctions());
        let arriving: Vec<Complex64> = self
            .s
            .iter()
            .enumerate()
            .flat_map(|(line, s)| conjugate_transposed_times(s, &leaving[line * n_ports..][..n_ports]))
            .collect();
        let mut both = vec![Complex64::default(); 2 * n * n_lines];
        let mut rest = vec![Complex64::default(); n * n_lines];
        for line in 0..n_lines {
            for j in 0..n {
                let r = self.ohm(j);
                let g = arriving[line * n_ports + n_external + j];
                let lambda = lambda.map_or(Complex64::default(), |l| l[j * n_lines + line]);
                let at = j * n_lines + line;
                let turn = Complex64::new(0.0, self.omega(line) * CHARGE_SCALE_C);
                both[at] = g / r.sqrt();
                both[n * n_lines + at] = turn * (g * (0.5 * r.sqrt()) + lambda * r);
                rest[at] = -g / (2.0 * r.sqrt()) - lambda;
            }
        }
        let mut v = self.samples(&both);
        let q = v.split_off(n);
        (arriving, v, q, rest)
    }

    /// What weights of voltages and charges weigh in `w`.
    fn gather(&self, v: &[Vec<f64>], q: &[Vec<f64>], rest: &[Complex64], out: &mut [Complex64]) {
        let mut unused = vec![Complex64::default(); out.len()];
        for (j, local) in self.local.iter().enumerate() {
            let weights = v[j].iter().zip(&q[j]);
            let mut grid: Vec<Complex64> =
                local.iter().zip(weights).map(|(x, (v, q))| (x.slope * (v + x.c * q)).into()).collect();
            self.equations.transform.to_coefficients(&mut grid, j, out, &mut unused);
        }
        for (o, r) in out.iter_mut().zip(rest) {
            *o += r;
        }
    }

    /// The adjoint of the derivative of the balance.
    fn apply_adjoint(&self, x: &[Complex64], y: &mut [Complex64]) {
        let (n_lines, n_ports) = (self.n_lines(), self.n_ports());
        let mut leaving = vec![Complex64::default(); n_lines * n_ports];
        for line in 0..n_lines {
            for j in 0..self.n_junctions() {
                leaving[line * n_ports + self.n_external() + j] = 2.0 * self.ohm(j).sqrt() * x[j * n_lines + line];
            }
        }
        let (_, v, q, rest) = self.weigh(&leaving, Some(x));
        self.gather(&v, &q, &rest, y);
        y.iter_mut().for_each(|y| *y = -*y);
    }

    /// First derivative of the weighted part of the output with respect to parameter `k`.
    pub(super) fn weighted_first(&self, weights: &Adjoint, k: usize) -> f64 {
        let explicit = self.explicit_leaving(k);
        let mut sum = self.inner(&weights.leaving, &explicit);
        if let Some((j, v, q)) = self.explicit_junction(k) {
            let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>() / a.len() as f64;
            sum += dot(&weights.v[j], &v) + dot(&weights.q[j], &q);
        }
        sum
    }

    /// Mean of the product of two real waveforms at every port, from waves line by line.
    fn inner(&self, a: &[Complex64], b: &[Complex64]) -> f64 {
        let lane_zero = self.n_harmonics() * self.n_ports();
        let dot =
            |a: &[Complex64], b: &[Complex64]| -> f64 { a.iter().zip(b).map(|(a, b)| a.re * b.re + a.im * b.im).sum() };
        dot(&a[..lane_zero], &b[..lane_zero]) + 2.0 * dot(&a[lane_zero..], &b[lane_zero..])
    }

    /// Second derivatives of the weighted part of the output; the upper triangle is filled.
    pub(super) fn weighted_second(&self, weights: &Adjoint, moved: &[Moved]) -> RMatrix {
        let n = self.parameters.len();
        let mut out = RMatrix::zeros(n, n);
        self.add_network_part(weights, moved, &mut out);
        self.add_junction_part(weights, moved, &mut out);
        let mut waves = vec![Complex64::default(); self.arriving.len()];
        for (k, p) in self.parameters.iter().enumerate() {
            if let Parameter::Drive(d) = *p {
                waves.fill(Complex64::default());
                self.add_drives(&mut waves, |x| f64::from(u8::from(x == d)).into());
                out[(k, k)] += self.inner(&weights.arriving, &waves);
            }
        }
        out
    }

    /// The network moved twice, and the network moved against the moved waves.
    fn add_network_part(&self, weights: &Adjoint, moved: &[Moved], out: &mut RMatrix) {
        let n_ports = self.n_ports();
        let mut back = vec![Complex64::default(); self.arriving.len()];
        for (a, &k) in self.movers.iter().enumerate() {
            for line in 0..self.n_lines() {
                let at = line * n_ports..(line + 1) * n_ports;
                let x = conjugate_transposed_times(&self.ds[line][a], &weights.leaving[at.clone()]);
                back[at].copy_from_slice(&x);
            }
            for (l, m) in moved.iter().enumerate() {
                let x = self.inner(&back, &m.arriving);
                out[(k.min(l), k.max(l))] += if k == l { 2.0 * x } else { x };
            }
        }
        let n_movers = self.movers.len();
        for (a, &k) in self.movers.iter().enumerate() {
            for (b, &l) in self.movers.iter().enumerate().skip(a) {
                let at = pair(a, b, n_movers) * n_ports;
                for (line, products) in self.dds.iter().enumerate() {
                    back[line * n_ports..][..n_ports].copy_from_slice(&products[at..at + n_ports]);
                }
                out[(k, l)] += self.inner(&weights.leaving, &back);
            }
        }
    }

    /// Second derivatives of the junctions against two motions.
    fn add_junction_part(&self, weights: &Adjoint, moved: &[Moved], out: &mut RMatrix) {
        let n = moved.len();
        for (j, local) in self.local.iter().enumerate() {
            let r = self.ohm(j);
            let n_samples = local.len() as f64;
            let sum = |x: &Local, s: usize| -(weights.v[j][s] + x.c * weights.q[j][s]) * r * x.slope / n_samples;
            let twice: Vec<f64> =
                local.iter().enumerate().map(|(s, x)| sum(x, s) * x.g1 + weights.q[j][s] * x.c1 / n_samples).collect();
            for k in 0..n {
                let weighted: Vec<f64> = twice.iter().zip(&moved[k].v[j]).map(|(a, b)| a * b).collect();
                for (l, m) in moved.iter().enumerate().skip(k) {
                    out[(k, l)] += weighted.iter().zip(&m.v[j]).map(|(a, b)| a * b).sum::<f64>();
                }
            }
            for (k, p) in self.parameters.iter().enumerate() {
                let once: Vec<f64> = match *p {
                    Parameter::Current(at) if at == j => {
                        local.iter().enumerate().map(|(s, x)| sum(x, s) * x.g).collect()
                    }
                    Parameter::Charge(at) if at == j => {
                        local.iter().enumerate().map(|(s, x)| weights.q[j][s] * x.c / n_samples).collect()
                    }
                    _ => continue,
                };
                for (l, m) in moved.iter().enumerate() {
                    let x: f64 = once.iter().zip(&m.v[j]).map(|(a, b)| a * b).sum();
                    out[(k.min(l), k.max(l))] += if k == l { 2.0 * x } else { x };
                }
                if matches!(p, Parameter::Current(_)) {
                    out[(k, k)] += local.iter().enumerate().map(|(s, x)| sum(x, s) * x.i).sum::<f64>();
                }
            }
        }
    }
}

/// Place of a pair `i ≤ j` of `n` in the order (0,0), (0,1) … (1,1) ….
fn pair(i: usize, j: usize, n: usize) -> usize {
    i * n - i * (i + 1) / 2 + j
}

fn conjugate_transposed_times(s: &CMatrix, x: &[Complex64]) -> Vec<Complex64> {
    let mut out = vec![Complex64::default(); s.n_cols()];
    for (i, x) in x.iter().enumerate() {
        for (o, s) in out.iter_mut().zip(s.row(i)) {
            *o += s.conj() * x;
        }
    }
    out
}

/// Every junction at every sample, with second derivatives from its power series.
fn local_points(problem: &Problem, point: &Point) -> Vec<Vec<Local>> {
    let one = [Complex64::new(1.0, 0.0), Complex64::default()];
    let mut current = [Complex64::default(); 2];
    let mut charge = [Complex64::default(); 2];
    let mut out = Vec::with_capacity(problem.devices.len());
    for (j, device) in problem.devices.iter().enumerate() {
        let at = |(&v, &slope): (&f64, &f64)| {
            let p = device.at(v);
            device.series(v, &one, &mut current, &mut charge);
            Local {
                slope,
                i: p.current_a,
                g: p.conductance_s,
                g1: 2.0 * current[1].re,
                q: p.charge_c / CHARGE_SCALE_C,
                c: p.capacitance_f / CHARGE_SCALE_C,
                c1: 2.0 * charge[1].re / CHARGE_SCALE_C,
            }
        };
        out.push(point.samples_v[j].iter().zip(&point.slopes_v[j]).map(at).collect());
    }
    out
}
