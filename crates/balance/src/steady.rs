//! The steady state under one pump and any number of further tones.

use crate::lane::{Grade, Lane, Preconditioner, Scratch, Slopes};
use crate::spectra::{Spectra, Transform};
use crate::{BalanceError, Basis, Embedding, Truncation};
use diode::{Device, JunctionPoint};
use numerics::krylov::{KrylovSettings, Scalars, gmres};
use numerics::linear::singular_values;
use numerics::{CMatrix, Complex64, Outcome, Quiet, Report, Watch};
use std::sync::Arc;

/// A wave arriving at an external port at one product of the tones.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// External port.
    pub port: usize,
    /// Orders in all tones; all zero for a direct voltage.
    pub orders: Vec<i32>,
    /// Peak wave, √W: available power is `|wave|²/2`. For direct current the wave itself,
    /// `V/(2√R0)` of a source voltage `V`.
    pub wave: Complex64,
}

impl Drive {
    /// A tone of available power `power_w` and phase (of a cosine) `phase_rad`.
    pub fn tone(port: usize, orders: Vec<i32>, power_w: f64, phase_rad: f64) -> Self {
        Self { port, orders, wave: Complex64::from_polar((2.0 * power_w).sqrt(), phase_rad) }
    }
}

/// A circuit under drive.
#[derive(Debug, Clone)]
pub struct Problem {
    /// The linear multiport.
    pub embedding: Arc<Embedding>,
    /// One device a junction.
    pub devices: Vec<Arc<dyn Device>>,
    /// Tone frequencies, hertz; the pump first. Incommensurate unless you say otherwise by truth.
    pub tones_hz: Vec<f64>,
    /// Sources.
    pub drives: Vec<Drive>,
}

/// Truncation and tolerances of one solution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BalanceSettings {
    /// Pump harmonics kept.
    pub pump_order: usize,
    /// Highest order in each further tone.
    pub signal_order: usize,
    /// How the orders of several further tones are cut.
    pub truncation: Truncation,
    /// Samples beyond the Nyquist minimum, factor.
    pub oversample: f64,
    /// Largest residual allowed at any product, volt. The default, 1e-11 V, is 0.1 % of a
    /// −150 dBm product in 50 ohm.
    pub residual_v: f64,
    /// Newton iterations allowed at one drive level.
    pub newton_max: usize,
    /// Half width, in pump harmonics, of the blocks that the preconditioner treats densely.
    pub dense_order: usize,
}

impl Default for BalanceSettings {
    fn default() -> Self {
        Self {
            pump_order: 24,
            signal_order: 5,
            truncation: Truncation::Box,
            oversample: 1.6,
            residual_v: 1e-11,
            newton_max: 40,
            dense_order: 4,
        }
    }
}

/// A steady state: every waveform at every kept product.
#[derive(Clone)]
pub struct SteadyState {
    basis: Basis,
    lanes: Vec<Arc<Lane>>,
    drives: Vec<Drive>,
    external_ohm: Vec<f64>,
    w: Spectra,
    v: Spectra,
    q: Spectra,
    slopes_v: Vec<Vec<f64>>,
    slopes_q: Vec<Vec<f64>>,
    samples_v: Vec<Vec<f64>>,
}

/// Solves `problem` from scratch.
pub fn solve(problem: &Problem, settings: &BalanceSettings) -> Result<(SteadyState, Report), BalanceError> {
    solve_from(problem, settings, None, &Quiet)
}

/// Solves `problem`, starting from an earlier solution of a similar one when given.
///
/// Without a start the pump is balanced alone with few harmonics, then the other tones are added at
/// low orders, then all orders are raised level by level: most Newton steps are taken where they
/// are cheap. Where Newton's method fails the drive is raised in adaptive steps.
pub fn solve_from(
    problem: &Problem,
    settings: &BalanceSettings,
    start: Option<&SteadyState>,
    watch: &dyn Watch,
) -> Result<(SteadyState, Report), BalanceError> {
    check(problem)?;
    let mut report = Report { residual_asked: settings.residual_v, ..Report::default() };
    let n_others = problem.tones_hz.len() - 1;
    let basis_of = |(pump_order, signal_order): (usize, usize)| {
        let others = vec![signal_order; n_others];
        Basis::new(&problem.tones_hz, pump_order, &others, settings.truncation, settings.oversample)
    };
    let full = basis_of((settings.pump_order, settings.signal_order));
    let mut w = match start {
        Some(state) => state.w.moved_to(&state.basis, &full),
        None => match coarse_to_fine(problem, settings, &basis_of, &mut report, watch) {
            Ok((w, basis)) => w.moved_to(&basis, &full),
            // few harmonics may have no solution where many have one
            Err(BalanceError::NotConverged { .. }) => Spectra::zeros(problem.devices.len(), &full),
            Err(e) => return Err(e),
        },
    };
    let equations = Equations::new(problem, full)?;
    equations.raise(&mut w, settings, false, &mut report, watch)?;
    report.unknowns = w.as_slice().len() * 2;
    Ok((equations.state(w, problem)?, report))
}

/// A solution at the last level before the asked orders.
fn coarse_to_fine(
    problem: &Problem,
    settings: &BalanceSettings,
    basis_of: &dyn Fn((usize, usize)) -> Basis,
    report: &mut Report,
    watch: &dyn Watch,
) -> Result<(Spectra, Basis), BalanceError> {
    let n_others = problem.tones_hz.len() - 1;
    let coarse = BalanceSettings { residual_v: settings.residual_v.max(COARSE_RESIDUAL_V), ..*settings };
    let (mut w, mut basis) = pump_alone(problem, settings, report, watch)?;
    for (i, &orders) in levels(settings, n_others).iter().enumerate() {
        let next = basis_of(orders);
        w = w.moved_to(&basis, &next);
        Equations::new(problem, next.clone())?.raise(&mut w, &coarse, i == 0 && n_others > 0, report, watch)?;
        basis = next;
    }
    Ok((w, basis))
}

/// Residual at which a coarse level is left: below its own truncation error.
const COARSE_RESIDUAL_V: f64 = 1e-5;

/// Pump harmonics of the lowest level.
const LOWEST_ORDER: usize = 8;

/// Pump and signal orders of the coarse levels, rising towards the final ones.
fn levels(settings: &BalanceSettings, n_others: usize) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let (mut k, mut m) = (settings.pump_order, settings.signal_order);
    while k > LOWEST_ORDER || (n_others > 0 && m > 3) {
        (k, m) = ((k / 2).max(LOWEST_ORDER.min(k)), m.saturating_sub(2).max(m.min(3)));
        out.push((k, m));
    }
    out.reverse();
    out
}

/// The pump alone, at the lowest level, under the names of all tones.
fn pump_alone(
    problem: &Problem,
    settings: &BalanceSettings,
    report: &mut Report,
    watch: &dyn Watch,
) -> Result<(Spectra, Basis), BalanceError> {
    let pump_drives = problem.drives.iter().filter(|d| d.orders[1..].iter().all(|&m| m == 0));
    let pump = Problem {
        tones_hz: vec![problem.tones_hz[0]],
        drives: pump_drives.map(|d| Drive { orders: vec![d.orders[0]], ..d.clone() }).collect(),
        ..problem.clone()
    };
    let highest = pump.drives.iter().map(|d| d.orders[0].unsigned_abs() as usize).max().unwrap_or(1);
    let order = LOWEST_ORDER.min(settings.pump_order).max(highest);
    let mut basis = Basis::pump_only(problem.tones_hz[0], order, settings.oversample);
    let mut w = Spectra::zeros(problem.devices.len(), &basis);
    let coarse = BalanceSettings { residual_v: settings.residual_v.max(COARSE_RESIDUAL_V), ..*settings };
    Equations::new(&pump, basis.clone())?.raise(&mut w, &coarse, false, report, watch)?;
    // the pump's own basis names no other tones; give its only lane their zero orders
    basis.lanes[0] = vec![0; problem.tones_hz.len() - 1];
    Ok((w, basis))
}

fn check(problem: &Problem) -> Result<(), BalanceError> {
    let mismatch = |expected: String, found: String| Err(BalanceError::Mismatch { expected, found });
    let (n, m) = (problem.devices.len(), problem.embedding.n_junctions());
    if n != m {
        return mismatch(format!("{m} devices, one a junction port"), format!("{n}"));
    }
    if n > 16 {
        return mismatch("at most 16 junctions".into(), format!("{n}"));
    }
    if problem.tones_hz.is_empty() || problem.tones_hz.iter().any(|f| !(f.is_finite() && *f > 0.0)) {
        return mismatch("at least one tone, all at positive frequencies".into(), format!("{:?} Hz", problem.tones_hz));
    }
    for d in &problem.drives {
        if d.port >= problem.embedding.n_external() || d.orders.len() != problem.tones_hz.len() {
            return mismatch(
                format!("drives at external ports 0…{} with one order a tone", problem.embedding.n_external()),
                format!("port {} with orders {:?}", d.port, d.orders),
            );
        }
    }
    Ok(())
}

/// A Newton step that leaves more than this part of the residual is a stall; four in a row end the attempt.
const STALL: f64 = 0.97;

/// Residual of the linear solution above which a Newton step is not worth its evaluation.
const FORCING_MAX: f64 = 1e-2;

/// The same for a floating circuit, whose mean voltages hang on the smallest parts of the residual.
const FORCING_FLOATING: f64 = 1e-7;

/// Residual of the next linear solution from the contraction of the last Newton step: what Newton's
/// own error will leave, no less.
/// Source: S. C. Eisenstat, H. F. Walker, SIAM J. Sci. Comput. 17 (1996) 16, choice 2 (from memory).
fn forcing(contraction: f64) -> f64 {
    0.5 * contraction * contraction
}

/// The balance of one basis.
struct Equations<'a> {
    problem: &'a Problem,
    basis: Basis,
    transform: Transform,
    lanes: Vec<Arc<Lane>>,
    /// Right side from the pump (and direct) sources, and from all others.
    pump_drive: Spectra,
    other_drive: Spectra,
    /// Some direct current through the junctions has no path through the network.
    is_floating: bool,
}

/// Working space of [`Equations::linearised`].
#[derive(Default)]
struct Workspace {
    grid: Vec<Complex64>,
    product: Vec<Complex64>,
    v: Vec<Complex64>,
    q: Vec<Complex64>,
    u: Vec<Complex64>,
}

/// Everything known at one iterate; charges in units of [`CHARGE_SCALE_C`].
struct Point {
    residual: Spectra,
    v: Spectra,
    q: Spectra,
    slopes_v: Vec<Vec<f64>>,
    slopes_q: Vec<Vec<f64>>,
    samples_v: Vec<Vec<f64>>,
    worst: f64,
    norm: f64,
    /// Estimated error of the mean voltages of a floating circuit, zero for others.
    bias_error_v: f64,
}

/// How much of the drive is on, and the conductance added to every junction, as a part of its reference.
#[derive(Debug, Clone, Copy)]
struct Level {
    pump: f64,
    others: f64,
    leak: f64,
}

impl Level {
    const FULL: Self = Self { pump: 1.0, others: 1.0, leak: 0.0 };
}

/// Leak with which a difficult circuit is started, and the one from which the step to none is taken.
const LEAK_FIRST: f64 = 0.1;
const LEAK_LAST: f64 = 1e-14;
/// Error of a mean junction voltage that is allowed: 1e-4 of its capacitance, 1e-3 dB of anything.
const BIAS_V: f64 = 1e-4;
/// Roundings of a mean over some hundred samples.
const ROUNDINGS: f64 = 4.0;
/// Part of the mean power that must leave the junctions for a circuit not to float.
const FLOATING: f64 = 1e-6;

impl<'a> Equations<'a> {
    fn new(problem: &'a Problem, basis: Basis) -> Result<Self, BalanceError> {
        let lanes = (0..basis.lanes.len())
            .map(|l| {
                Lane::new(&problem.embedding, basis.tones_hz[0], basis.offset_hz(l), basis.pump_order).map(Arc::new)
            })
            .collect::<Result<Vec<_>, _>>()?;
        let n = problem.devices.len();
        let mut pump_drive = Spectra::zeros(n, &basis);
        let mut other_drive = Spectra::zeros(n, &basis);
        for d in &problem.drives {
            let into = if d.orders[1..].iter().all(|&m| m == 0) { &mut pump_drive } else { &mut other_drive };
            add_drive(into, d, &basis, &lanes)?;
        }
        let is_floating = is_floating(&lanes[0])?;
        Ok(Self { transform: Transform::new(&basis), problem, basis, lanes, pump_drive, other_drive, is_floating })
    }

    /// Solves at full drive.
    ///
    /// With `others_only` the pump stays at full level and the other tones are new.
    /// 1. A direct attack, unless a floating circuit starts from afar: there the mean voltage of a
    ///    junction hangs on a conductance of 1e-13 of the reference, and Newton's method overshoots
    ///    into reverse bias, from where nothing leads back.
    /// 2. The drive raised in steps.
    /// 3. The drive raised while every junction has a leak, and the leak taken away in steps.
    fn raise(
        &self,
        w: &mut Spectra,
        settings: &BalanceSettings,
        others_only: bool,
        report: &mut Report,
        watch: &dyn Watch,
    ) -> Result<(), BalanceError> {
        let level = |s: f64| Level { pump: if others_only { 1.0 } else { s }, others: s, leak: 0.0 };
        let from_afar = others_only || w.as_slice().iter().all(|x| *x == Complex64::default());
        let first = w.clone();
        if !(self.is_floating && from_afar) {
            match self.newton(w, level(1.0), settings, report, watch) {
                Err(BalanceError::NotConverged { .. }) if settings.newton_max > 0 => {}
                other => return other,
            }
        }
        let at_rest = || Spectra::zeros(self.problem.devices.len(), &self.basis);
        if !self.is_floating {
            *w = if others_only { first } else { at_rest() };
            match self.raise_drive(w, &level, settings, report, watch) {
                Err(BalanceError::NotConverged { .. }) => {}
                other => return other,
            }
        }
        // a leak moves the pumped state itself, so that all starts at rest
        let leaky = |s: f64| Level { pump: s, others: s, leak: LEAK_FIRST };
        *w = at_rest();
        match self.newton(w, leaky(1.0), settings, report, watch) {
            Err(BalanceError::NotConverged { .. }) => {
                *w = at_rest();
                self.raise_drive(w, &leaky, settings, report, watch)?;
            }
            other => other?,
        }
        self.remove_leak(w, settings, report, watch)
    }

    /// Raises the drive by amplitude steps in dB; a success widens the step, a failure shortens it.
    fn raise_drive(
        &self,
        w: &mut Spectra,
        level: &dyn Fn(f64) -> Level,
        settings: &BalanceSettings,
        report: &mut Report,
        watch: &dyn Watch,
    ) -> Result<(), BalanceError> {
        let (mut done_db, mut step_db) = (-60.0_f64, 20.0_f64);
        let mut best = w.clone();
        let mut attempts = 0;
        while done_db < 0.0 {
            watch.step("raising the drive", (60.0 + done_db) as usize, 60)?;
            attempts += 1;
            let try_db = (done_db + step_db).min(0.0);
            *w = best.clone();
            match self.newton(w, level(10f64.powf(try_db / 20.0)), settings, report, watch) {
                Ok(()) => {
                    best = w.clone();
                    done_db = try_db;
                    step_db = (step_db * 1.6).min(20.0);
                }
                Err(e @ BalanceError::NotConverged { .. }) => {
                    step_db *= 0.4;
                    if step_db < 0.02 || attempts > 200 {
                        return Err(e);
                    }
                }
                Err(e) => return Err(e),
            }
        }
        Ok(())
    }

    /// Takes the leak of every junction away, a tenth at first, smaller parts where that fails.
    fn remove_leak(
        &self,
        w: &mut Spectra,
        settings: &BalanceSettings,
        report: &mut Report,
        watch: &dyn Watch,
    ) -> Result<(), BalanceError> {
        let full = |leak: f64| Level { pump: 1.0, others: 1.0, leak };
        let (mut leak, mut part) = (LEAK_FIRST, 0.1);
        let mut best = w.clone();
        for attempt in 0..200 {
            watch.step("removing the leak", attempt, 200)?;
            let next = if leak < LEAK_LAST { 0.0 } else { leak * part };
            *w = best.clone();
            match self.newton(w, full(next), settings, report, watch) {
                Ok(()) if next == 0.0 => return Ok(()),
                Ok(()) => {
                    best = w.clone();
                    leak = next;
                    part = (part * part).max(0.1);
                }
                Err(e @ BalanceError::NotConverged { .. }) => {
                    if next == 0.0 || part > 0.9 {
                        return Err(e);
                    }
                    part = part.sqrt();
                }
                Err(e) => return Err(e),
            }
        }
        self.newton(w, full(0.0), settings, report, watch)
    }

    /// Names the product with the largest residual.
    fn hint(&self, point: &Point) -> String {
        let mut worst = (0.0, String::new());
        for j in 0..self.problem.devices.len() {
            for (l, orders) in self.basis.lanes.iter().enumerate() {
                for (x, k) in point.residual.lane(j, l).iter().zip(-(self.basis.pump_order as i32)..) {
                    if x.norm() > worst.0 {
                        worst = (x.norm(), format!("junction {} at product {k}, {orders:?}", j + 1));
                    }
                }
            }
        }
        format!("the largest imbalance is at {}; more harmonics or a lossy termination there may help", worst.1)
    }

    fn newton(
        &self,
        w: &mut Spectra,
        level: Level,
        settings: &BalanceSettings,
        report: &mut Report,
        watch: &dyn Watch,
    ) -> Result<(), BalanceError> {
        let mut point = self.evaluate(w, level);
        let mut preconditioners: Vec<Preconditioner> = Vec::new();
        let mut fresh = false;
        let mut stalls = 0;
        let mut contraction = 1.0;
        let mut patient = false;
        let (mut space, mut scratch) = (Workspace::default(), Scratch::default());
        let mut grade = if self.is_floating { Grade::Double } else { Grade::Single };
        for iteration in 0..=settings.newton_max {
            report.residual = point.worst;
            report.history.push(point.worst);
            if point.worst <= settings.residual_v && self.bias_is_settled(&point) {
                report.outcome = Outcome::Converged;
                return Ok(());
            }
            if iteration == settings.newton_max || !point.norm.is_finite() || stalls > 3 {
                break;
            }
            watch.step("balancing", iteration, settings.newton_max)?;
            if preconditioners.is_empty() {
                preconditioners = self.preconditioners(&point, settings.dense_order, grade)?;
                report.factorisations += preconditioners.len();
                fresh = true;
            }
            let enough = 0.1 * settings.residual_v / point.worst;
            let loosest = if self.is_floating { FORCING_FLOATING } else { FORCING_MAX };
            let forcing = forcing(contraction).max(enough).clamp(1e-9, loosest);
            // where the lanes couple so strongly that their own inverses do not help, patience does
            let restart = if patient { 300 } else { 50 };
            let krylov =
                KrylovSettings { scalars: Scalars::Real, tolerance: forcing, restart, iterations_max: 2 * restart };
            let step = gmres(
                |x, y| self.linearised(&point, x, y, &mut space),
                |x, y| self.precondition(&preconditioners, x, y, &mut scratch),
                point.residual.as_slice(),
                krylov,
            );
            report.iterations += 1;
            report.inner_iterations += step.iterations;
            if step.residual > 10.0 * forcing && !patient {
                patient = grade == Grade::Double || self.lanes.len() > 1;
                grade = Grade::Double;
                preconditioners.clear();
                continue;
            }
            let (accepted, factor) = self.line_search(w, &step.x, &point, level, settings);
            stalls = if accepted.norm < STALL * point.norm { 0 } else { stalls + 1 };
            if factor == 0.0 && fresh {
                break;
            }
            contraction = accepted.norm / point.norm;
            point = accepted;
            fresh = false;
            // pump-only problems refresh always: their preconditioner is nearly the exact inverse
            if self.lanes.len() == 1 || step.iterations > 20 || factor < 0.9 {
                preconditioners.clear();
            }
        }
        Err(BalanceError::NotConverged {
            residual: point.worst,
            wanted: settings.residual_v,
            iterations: report.iterations,
            level_db: 20.0 * level.pump.min(level.others).log10(),
            hint: self.hint(&point),
        })
    }

    /// Whether the mean voltage of every junction is known to [`BIAS_V`].
    ///
    /// A floating mean hangs on the mean conductance alone, so a small residual does not vouch for it.
    fn bias_is_settled(&self, point: &Point) -> bool {
        !self.is_floating || point.bias_error_v <= BIAS_V
    }

    /// Shortens the step until the residual falls; returns the point taken and the factor (0: none).
    ///
    /// Below the asked residual a better mean voltage counts as well.
    fn line_search(
        &self,
        w: &mut Spectra,
        step: &[Complex64],
        from: &Point,
        level: Level,
        settings: &BalanceSettings,
    ) -> (Point, f64) {
        let origin = w.clone();
        let mut factor = 1.0;
        for _ in 0..8 {
            for ((x, o), s) in w.as_mut_slice().iter_mut().zip(origin.as_slice()).zip(step) {
                *x = o - s * factor;
            }
            let point = self.evaluate(w, level);
            let smaller = point.norm < (1.0 - 0.1 * factor) * from.norm;
            let settles = self.is_floating
                && point.worst <= settings.residual_v
                && point.bias_error_v < (1.0 - 0.1 * factor) * from.bias_error_v;
            if point.norm.is_finite() && (smaller || settles) {
                return (point, factor);
            }
            factor *= 0.4;
        }
        *w = origin;
        (self.evaluate(w, level), 0.0)
    }

    fn evaluate(&self, w: &Spectra, level: Level) -> Point {
        let n = self.problem.devices.len();
        let zeros = || Spectra::zeros(n, &self.basis);
        let (mut v, mut q, mut residual) = (zeros(), zeros(), zeros());
        let n_samples = self.transform.n_samples();
        let mut slopes_v = vec![vec![0.0; n_samples]; n];
        let mut slopes_q = vec![vec![0.0; n_samples]; n];
        let mut grid = vec![Complex64::default(); n_samples];
        let mut vq = grid.clone();
        let mut samples_v = vec![vec![0.0; n_samples]; n];
        let mut waves = vec![0.0; n_samples];
        let mut points = vec![JunctionPoint::default(); n_samples];
        for first in (0..n).step_by(2) {
            let second = (first + 1 < n).then_some(first + 1);
            self.transform.to_samples(w.as_slice(), first, second, &mut grid);
            for j in first..(first + 2).min(n) {
                let r = self.lanes[0].junction_ohm[j];
                // v + R·(i + leak·v/R) = w
                let one = 1.0 + level.leak;
                for (wave, g) in waves.iter_mut().zip(&grid) {
                    *wave = if j == first { g.re } else { g.im } / one;
                }
                self.problem.devices[j].waves_to_points(&waves, r / one, &mut samples_v[j], &mut points);
                for s in 0..n_samples {
                    let at = points[s];
                    vq[s] = Complex64::new(samples_v[j][s], at.charge_c / CHARGE_SCALE_C);
                    let dv = 1.0 / (one + r * at.conductance_s);
                    slopes_v[j][s] = dv;
                    slopes_q[j][s] = at.capacitance_f * dv / CHARGE_SCALE_C;
                }
                self.transform.to_coefficients(&mut vq, j, v.as_mut_slice(), q.as_mut_slice());
            }
        }
        self.left_side([w.as_slice(), v.as_slice(), q.as_slice()], residual.as_mut_slice(), &mut Vec::new());
        for ((r, p), o) in
            residual.as_mut_slice().iter_mut().zip(self.pump_drive.as_slice()).zip(self.other_drive.as_slice())
        {
            *r -= p * level.pump + o * level.others;
        }
        let worst = residual.as_slice().iter().map(|x| x.norm()).fold(0.0, f64::max);
        let norm = residual.as_slice().iter().map(|x| x.norm_sqr()).sum::<f64>().sqrt();
        let bias_error_v = self.bias_error_v(w, &residual, &slopes_v);
        Point { residual, v, q, slopes_v, slopes_q, samples_v, worst, norm, bias_error_v }
    }

    /// Estimated error of a floating mean voltage: residual over slope, less what rounding leaves.
    fn bias_error_v(&self, w: &Spectra, residual: &Spectra, slopes_v: &[Vec<f64>]) -> f64 {
        if !self.is_floating {
            return 0.0;
        }
        let n = self.problem.devices.len();
        let largest = |s: &Spectra| (0..n).map(|j| s.at(j, 0, 0).norm()).fold(0.0, f64::max);
        let slope = |s: &Vec<f64>| s.iter().map(|dv| 1.0 - dv).sum::<f64>() / s.len() as f64;
        let rounding = ROUNDINGS * f64::EPSILON * w.as_slice().iter().map(|x| x.norm()).fold(0.0, f64::max);
        let steepest = slopes_v.iter().map(slope).fold(0.0, f64::max);
        (largest(residual) - rounding).max(0.0) / (2.0 * steepest)
    }

    /// Left side of every equation; charges in units of [`CHARGE_SCALE_C`], `u` is working space.
    fn left_side(&self, [w, v, q]: [&[Complex64]; 3], out: &mut [Complex64], u: &mut Vec<Complex64>) {
        let m = self.basis.n_harmonics();
        let stride = self.lanes.len() * m;
        for (l, lane) in self.lanes.iter().enumerate() {
            let from = l * m;
            lane.left_side_all([&w[from..], &v[from..], &q[from..]], CHARGE_SCALE_C, stride, &mut out[from..], u);
        }
    }

    /// Exact derivative of the left side at `point` applied to `x`.
    fn linearised(&self, point: &Point, x: &[Complex64], y: &mut [Complex64], space: &mut Workspace) {
        let n = self.problem.devices.len();
        let Workspace { grid, product, v, q, u } = space;
        for (buffer, len) in [
            (&mut *grid, self.transform.n_samples()),
            (product, self.transform.n_samples()),
            (v, x.len()),
            (q, x.len()),
        ] {
            buffer.resize(len, Complex64::default());
        }
        for first in (0..n).step_by(2) {
            let second = (first + 1 < n).then_some(first + 1);
            self.transform.to_samples(x, first, second, grid);
            for j in first..(first + 2).min(n) {
                let slopes = point.slopes_v[j].iter().zip(&point.slopes_q[j]);
                for ((g, out), (dv, dq)) in grid.iter().zip(product.iter_mut()).zip(slopes) {
                    let x = if j == first { g.re } else { g.im };
                    *out = Complex64::new(dv * x, dq * x);
                }
                self.transform.to_coefficients(product, j, v, q);
            }
        }
        self.left_side([x, v, q], y, u);
    }

    /// One preconditioner a lane, from slopes averaged over the phases of all other tones.
    fn preconditioners(
        &self,
        point: &Point,
        dense_order: usize,
        grade: Grade,
    ) -> Result<Vec<Preconditioner>, BalanceError> {
        let slopes = Slopes::new(
            point.slopes_v.iter().map(|s| self.average_over_others(s)).collect(),
            point.slopes_q.iter().map(|s| self.average_over_others(&in_farad_per_volt(s))).collect(),
        );
        self.lanes.iter().map(|lane| Preconditioner::new(lane, &slopes, dense_order, grade)).collect()
    }

    fn average_over_others(&self, samples: &[f64]) -> Vec<f64> {
        let n_pump = self.basis.grid[self.basis.grid.len() - 1];
        let n_lines = samples.len() / n_pump;
        let mut mean = vec![0.0; n_pump];
        for line in samples.chunks_exact(n_pump) {
            for (m, x) in mean.iter_mut().zip(line) {
                *m += x / n_lines as f64;
            }
        }
        mean
    }

    fn precondition(&self, by: &[Preconditioner], x: &[Complex64], y: &mut [Complex64], scratch: &mut Scratch) {
        let (n_lanes, m) = (self.lanes.len(), self.basis.n_harmonics());
        let stride = n_lanes * m;
        for (l, p) in by.iter().enumerate() {
            p.apply(&x[l * m..], &mut y[l * m..], stride, scratch);
        }
        self.make_lane_zero_real(y, stride);
    }

    /// Rounds away what is not the spectrum of a real waveform in lane 0.
    fn make_lane_zero_real(&self, y: &mut [Complex64], stride: usize) {
        let m = self.basis.n_harmonics();
        for j in 0..self.problem.devices.len() {
            let lane = &mut y[j * stride..j * stride + m];
            for i in 0..=self.basis.pump_order {
                let mean = (lane[i] + lane[m - 1 - i].conj()) * 0.5;
                lane[i] = mean;
                lane[m - 1 - i] = mean.conj();
            }
        }
    }

    fn state(&self, w: Spectra, problem: &Problem) -> Result<SteadyState, BalanceError> {
        let point = self.evaluate(&w, Level::FULL);
        Ok(SteadyState {
            basis: self.basis.clone(),
            lanes: self.lanes.clone(),
            drives: problem.drives.clone(),
            external_ohm: (0..problem.embedding.n_external()).map(|p| problem.embedding.external_ohm(p)).collect(),
            w,
            v: point.v,
            q: in_coulomb(point.q),
            slopes_v: point.slopes_v,
            slopes_q: point.slopes_q.iter().map(|s| in_farad_per_volt(s)).collect(),
            samples_v: point.samples_v,
        })
    }
}

/// Whether a combination of junctions sees an open circuit at direct current.
fn is_floating(lane_zero: &Lane) -> Result<bool, BalanceError> {
    let s = &lane_zero.blocks[lane_zero.pump_order].jj;
    let one_minus_s = &CMatrix::identity(s.n_rows()) - s;
    let smallest = singular_values(&one_minus_s)?.last().copied().unwrap_or(0.0);
    Ok(smallest < FLOATING)
}

/// Brings charges to the order of voltages, so that both share one complex transform.
const CHARGE_SCALE_C: f64 = 1e-13;

fn in_coulomb(mut q: Spectra) -> Spectra {
    q.as_mut_slice().iter_mut().for_each(|q| *q *= CHARGE_SCALE_C);
    q
}

fn in_farad_per_volt(slopes: &[f64]) -> Vec<f64> {
    slopes.iter().map(|s| s * CHARGE_SCALE_C).collect()
}

fn add_drive(into: &mut Spectra, drive: &Drive, basis: &Basis, lanes: &[Arc<Lane>]) -> Result<(), BalanceError> {
    let Some((lane, k, mirrored)) = basis.find(drive.orders[0], &drive.orders[1..]) else {
        return Err(BalanceError::Mismatch {
            expected: "drives at kept products; raise the truncation".into(),
            found: format!("a drive at product {:?}", drive.orders),
        });
    };
    let is_direct = drive.orders.iter().all(|&m| m == 0);
    let half = if is_direct { drive.wave } else { drive.wave * 0.5 };
    let a = if mirrored { half.conj() } else { half };
    let i = (k + basis.pump_order as i32) as usize;
    for j in 0..lanes[0].n_junctions() {
        into.lane_mut(j, lane)[i] += lanes[lane].drive(i, drive.port, a, j);
        if lane == 0 && !is_direct {
            let i = (basis.pump_order as i32 - k) as usize;
            into.lane_mut(j, 0)[i] += lanes[0].drive(i, drive.port, a.conj(), j);
        }
    }
    Ok(())
}

impl SteadyState {
    /// The kept products.
    pub fn basis(&self) -> &Basis {
        &self.basis
    }

    /// Peak wave leaving external `port` at a product (`√W`); none when the product is not kept.
    ///
    /// At direct current it is the wave itself, not a peak.
    pub fn wave_out(&self, port: usize, orders: &[i32]) -> Option<Complex64> {
        let (lane, k, mirrored) = self.basis.find(orders[0], &orders[1..])?;
        let i = (k + self.basis.pump_order as i32) as usize;
        let pick = |s: &Spectra| -> Vec<Complex64> { (0..self.n_junctions()).map(|j| s.at(j, lane, k)).collect() };
        let from_junctions = self.lanes[lane].outgoing(i, port, &pick(&self.w), &pick(&self.v), &pick(&self.q));
        let is_direct = orders.iter().all(|&m| m == 0);
        let mut b = from_junctions * if is_direct { 1.0 } else { 2.0 };
        if mirrored {
            b = b.conj();
        }
        Some(b + self.direct_wave(port, orders, lane, k, mirrored))
    }

    /// Part of an outgoing wave that came through the passive network without meeting a junction.
    fn direct_wave(&self, port: usize, orders: &[i32], lane: usize, k: i32, mirrored: bool) -> Complex64 {
        let s = &self.lanes[lane].blocks[(k + self.basis.pump_order as i32) as usize].ee;
        self.drives
            .iter()
            .map(|d| {
                let s = if mirrored { s[(port, d.port)].conj() } else { s[(port, d.port)] };
                let minus: Vec<i32> = d.orders.iter().map(|m| -m).collect();
                let is_direct = orders.iter().all(|&m| m == 0);
                if d.orders == orders {
                    s * d.wave
                } else if minus == orders && !is_direct {
                    s * d.wave.conj()
                } else {
                    Complex64::default()
                }
            })
            .sum()
    }

    /// The terms that add up to [`Self::wave_out`]: one a junction, then the direct one.
    pub fn wave_out_terms(&self, port: usize, orders: &[i32]) -> Option<Vec<Complex64>> {
        let (lane, k, mirrored) = self.basis.find(orders[0], &orders[1..])?;
        let i = (k + self.basis.pump_order as i32) as usize;
        let l = &self.lanes[lane];
        let scale = if orders.iter().all(|&m| m == 0) { 1.0 } else { 2.0 };
        let mut terms: Vec<Complex64> = (0..self.n_junctions())
            .map(|j| {
                let a = l.incident(i, j, self.w.at(j, lane, k), self.v.at(j, lane, k), self.q.at(j, lane, k));
                let b = l.blocks[i].ej[(port, j)] * a * scale;
                if mirrored { b.conj() } else { b }
            })
            .collect();
        terms.push(self.direct_wave(port, orders, lane, k, mirrored));
        Some(terms)
    }

    /// Wave arriving at external `port` at a product.
    pub fn wave_in(&self, port: usize, orders: &[i32]) -> Complex64 {
        let is_direct = orders.iter().all(|&m| m == 0);
        let minus: Vec<i32> = orders.iter().map(|m| -m).collect();
        let of = |d: &Drive| match () {
            () if d.port != port => Complex64::default(),
            () if d.orders == orders => d.wave,
            () if d.orders == minus && !is_direct => d.wave.conj(),
            () => Complex64::default(),
        };
        self.drives.iter().map(of).sum()
    }

    /// Power of a product travelling out of `port`, watt.
    pub fn power_out_w(&self, port: usize, orders: &[i32]) -> Option<f64> {
        Some(self.wave_out(port, orders)?.norm_sqr() / 2.0)
    }

    /// Voltage across an external port at a product, volt peak (mean at direct current).
    pub fn port_voltage(&self, port: usize, orders: &[i32]) -> Option<Complex64> {
        Some((self.wave_in(port, orders) + self.wave_out(port, orders)?) * self.external_ohm[port].sqrt())
    }

    /// Number of junctions.
    pub fn n_junctions(&self) -> usize {
        self.slopes_v.len()
    }

    /// Junction voltage at a product, volt peak (mean at direct current).
    pub fn junction_voltage(&self, junction: usize, orders: &[i32]) -> Option<Complex64> {
        self.peak(&self.v, junction, orders, |_, x| x)
    }

    /// Conduction current of a junction at a product, ampere peak (mean at direct current).
    pub fn junction_current(&self, junction: usize, orders: &[i32]) -> Option<Complex64> {
        let r = self.lanes[0].junction_ohm[junction];
        let (lane, k, mirrored) = self.basis.find(orders[0], &orders[1..])?;
        let x = (self.w.at(junction, lane, k) - self.v.at(junction, lane, k)) / r;
        let x = if mirrored { x.conj() } else { x };
        Some(x * if orders.iter().all(|&m| m == 0) { 1.0 } else { 2.0 })
    }

    /// Displacement current of a junction at a product, ampere peak.
    pub fn displacement_current(&self, junction: usize, orders: &[i32]) -> Option<Complex64> {
        self.peak(&self.q, junction, orders, |omega, x| Complex64::new(0.0, omega) * x)
    }

    fn peak(
        &self,
        of: &Spectra,
        junction: usize,
        orders: &[i32],
        f: impl Fn(f64, Complex64) -> Complex64,
    ) -> Option<Complex64> {
        let (lane, k, mirrored) = self.basis.find(orders[0], &orders[1..])?;
        let omega = self.lanes[lane].omega[(k + self.basis.pump_order as i32) as usize];
        let x = f(omega, of.at(junction, lane, k));
        let x = if mirrored { x.conj() } else { x };
        Some(x * if orders.iter().all(|&m| m == 0) { 1.0 } else { 2.0 })
    }

    /// Samples of a junction's voltage; over one pump period when the pump is the only tone.
    pub fn junction_voltage_samples(&self, junction: usize) -> &[f64] {
        &self.samples_v[junction]
    }

    pub(crate) fn slopes(&self) -> Slopes {
        Slopes::new(self.slopes_v.clone(), self.slopes_q.clone())
    }
}
