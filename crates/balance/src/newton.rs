//! Newton's method on the equations of one basis, and the ways to a start from which it converges.
//!
//! Input: a start and the drive. Output: the solution in place of the start, work in the report.
//! Sources: S. C. Eisenstat, H. F. Walker, SIAM J. Sci. Comput. 17 (1996) 16 (from memory).

use crate::BalanceError;
use crate::equations::{Equations, Level, Point, Workspace};
use crate::lane::{Grade, Preconditioner, Scratch};
use crate::spectra::Spectra;
use crate::steady::BalanceSettings;
use numerics::krylov::{KrylovSettings, Scalars, gmres};
use numerics::{Complex64, Outcome, Report, Watch};

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

/// Leak with which a difficult circuit is started, and the one from which the step to none is taken.
const LEAK_FIRST: f64 = 0.1;
const LEAK_LAST: f64 = 1e-14;
/// Amplitude of the drive, as a part of the asked one, from which solutions are followed upwards.
const DRIVE_FIRST: f64 = 1e-3;
/// Error of a mean junction voltage that is allowed: 1e-4 of its capacitance, 1e-3 dB of anything.
const BIAS_V: f64 = 1e-4;

impl Equations<'_> {
    /// Solves at full drive.
    ///
    /// With `others_only` the pump stays at full level and the other tones are new.
    /// 1. A direct attack, unless a floating circuit starts from afar: there the mean voltage of a
    ///    junction hangs on a conductance of 1e-13 of the reference, and Newton's method overshoots
    ///    into reverse bias, from where nothing leads back.
    /// 2. The drive raised in steps.
    /// 3. The drive raised while every junction has a leak, and the leak taken away in steps.
    /// 4. The same, following the solution through folds.
    pub(crate) fn raise(
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
                self.newton(w, leaky(DRIVE_FIRST), settings, report, watch)?;
                self.follow(w, &leaky, (DRIVE_FIRST, 1.0), settings, report, watch)?;
            }
            other => other?,
        }
        let with_leak = w.clone();
        match self.remove_leak(w, settings, report, watch) {
            Err(BalanceError::NotConverged { .. }) => {}
            other => return other,
        }
        // the leak in decades, through folds
        *w = with_leak;
        let ends = (LEAK_FIRST.log10(), LEAK_LAST.log10());
        self.follow(w, &|decades| Level { leak: 10f64.powf(decades), ..Level::FULL }, ends, settings, report, watch)?;
        self.newton(w, Level::FULL, settings, report, watch)
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

    /// What keeps `point` from being a solution.
    fn why(&self, point: &Point, settings: &BalanceSettings) -> String {
        if point.worst > settings.residual_v {
            return self.hint(point);
        }
        format!(
            "a junction has no path for direct current and its mean voltage is known to {:.1e} V only, wanted {BIAS_V:.0e} V; \
             give it a path or its true leakage",
            point.bias_error_v
        )
    }

    /// Names the product with the largest residual.
    pub(crate) fn hint(&self, point: &Point) -> String {
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

    pub(crate) fn newton(
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
            hint: self.why(&point, settings),
        })
    }

    /// Whether the mean voltage of every junction is known to [`BIAS_V`].
    ///
    /// A floating mean hangs on the mean conductance alone, so a small residual does not vouch for it.
    pub(crate) fn bias_is_settled(&self, point: &Point) -> bool {
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
}
