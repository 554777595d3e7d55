//! Following a curve of solutions through its folds.
//!
//! A pumped junction with capacitance in a reactive network can have several steady states; raising
//! the drive (or taking away a leak) then ends at a fold, where the solution turns back and no solution
//! lies beyond. Here the arc length takes the place of the parameter, so that the curve is followed
//! backwards to the next fold and on to the goal.
//! Source: H. B. Keller, in Applications of Bifurcation Theory (1977) 359 (from memory).

use crate::BalanceError;
use crate::equations::{Equations, Level, Point, Workspace};
use crate::lane::{Grade, Preconditioner, Scratch};
use crate::spectra::Spectra;
use crate::steady::BalanceSettings;
use numerics::krylov::{KrylovSettings, Scalars, gmres};
use numerics::{Complex64, Report, Watch};

/// Steps along the curve.
const STEPS_MAX: usize = 300;
/// First, longest and shortest arc.
const ARC: [f64; 3] = [0.02, 0.5, 1e-6];
/// Corrector iterations of one step.
const CORRECTIONS_MAX: usize = 8;
/// Residual at which a point counts as lying on the curve, volt.
const ON_CURVE_V: f64 = 1e-7;
/// Step of the derivative by the parameter.
const DIFFERENCE: f64 = 1e-6;

/// A point of the curve or a direction along it.
#[derive(Clone)]
struct Place {
    w: Vec<Complex64>,
    parameter: f64,
}

impl Place {
    fn dot(&self, other: &Self) -> f64 {
        dot(&self.w, &other.w) + self.parameter * other.parameter
    }

    fn plus(&self, direction: &Self, by: f64) -> Self {
        let w = self.w.iter().zip(&direction.w).map(|(x, d)| x + d * by).collect();
        Self { w, parameter: self.parameter + direction.parameter * by }
    }
}

fn dot(a: &[Complex64], b: &[Complex64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x.re * y.re + x.im * y.im).sum()
}

/// Everything a solution with one Jacobian needs.
struct Linear<'a> {
    equations: &'a Equations<'a>,
    point: Point,
    preconditioners: Vec<Preconditioner>,
    space: Workspace,
    scratch: Scratch,
}

impl<'a> Linear<'a> {
    fn new(equations: &'a Equations<'a>, point: Point, dense_order: usize) -> Result<Self, BalanceError> {
        let preconditioners = equations.preconditioners(&point, dense_order, Grade::Double)?;
        Ok(Self { equations, point, preconditioners, space: Workspace::default(), scratch: Scratch::default() })
    }

    fn solve(&mut self, rhs: &[Complex64], report: &mut Report) -> Vec<Complex64> {
        let settings = KrylovSettings { scalars: Scalars::Real, tolerance: 1e-8, restart: 100, iterations_max: 200 };
        let Self { equations, point, preconditioners, space, scratch } = self;
        let found = gmres(
            |x, y| equations.linearised(point, x, y, space),
            |x, y| equations.precondition(preconditioners, x, y, scratch),
            rhs,
            settings,
        );
        report.inner_iterations += found.iterations;
        found.x
    }
}

impl Equations<'_> {
    /// Follows the curve from the solution `w` at parameter `from` until it passes `to`, and solves there.
    #[allow(clippy::too_many_arguments)] // a curve, its two ends, and what every solver takes
    pub(crate) fn follow(
        &self,
        w: &mut Spectra,
        level: &dyn Fn(f64) -> Level,
        (from, to): (f64, f64),
        settings: &BalanceSettings,
        report: &mut Report,
        watch: &dyn Watch,
    ) -> Result<(), BalanceError> {
        let mut here = Place { w: w.as_slice().to_vec(), parameter: from };
        // at first towards the goal, afterwards onwards
        let mut heading = Place { w: vec![Complex64::default(); here.w.len()], parameter: (to - from).signum() };
        let [mut arc, longest, shortest] = ARC;
        for step in 0..STEPS_MAX {
            watch.step("following the solution", step, STEPS_MAX)?;
            let tangent = self.tangent(&here, &heading, level, settings, report)?;
            let Some(next) = self.corrected(&here.plus(&tangent, arc), &tangent, level, settings, report)? else {
                arc *= 0.4;
                if arc < shortest {
                    break;
                }
                continue;
            };
            if (next.parameter - to) * (here.parameter - to) <= 0.0 {
                let part = (to - here.parameter) / (next.parameter - here.parameter);
                for ((x, a), b) in w.as_mut_slice().iter_mut().zip(&here.w).zip(&next.w) {
                    *x = a + (b - a) * part;
                }
                match self.newton(w, level(to), settings, report, watch) {
                    Err(BalanceError::NotConverged { .. }) if arc > 1e-3 => {
                        arc *= 0.4;
                        continue;
                    }
                    other => return other,
                }
            }
            (here, heading) = (next, tangent);
            arc = (arc * 1.5).min(longest);
        }
        w.as_mut_slice().copy_from_slice(&here.w);
        let point = self.evaluate(w, level(here.parameter));
        let reached = level(here.parameter);
        Err(BalanceError::NotConverged {
            residual: point.worst,
            wanted: settings.residual_v,
            iterations: report.iterations,
            level_db: 20.0 * reached.pump.min(reached.others).log10(),
            hint: format!("the solutions were followed without reaching the asked drive; {}", self.hint(&point)),
        })
    }

    fn linear_at(
        &self,
        place: &Place,
        level: &dyn Fn(f64) -> Level,
        settings: &BalanceSettings,
    ) -> Result<(Linear<'_>, Vec<Complex64>), BalanceError> {
        let mut w = Spectra::zeros(self.problem.devices.len(), &self.basis);
        w.as_mut_slice().copy_from_slice(&place.w);
        let point = self.evaluate(&w, level(place.parameter));
        let beside = self.evaluate(&w, level(place.parameter + DIFFERENCE));
        let slope = beside.residual.as_slice().iter().zip(point.residual.as_slice());
        let slope = slope.map(|(b, a)| (a - b) / DIFFERENCE).collect();
        Ok((Linear::new(self, point, settings.dense_order)?, slope))
    }

    /// Unit vector along the curve, onwards from `heading`.
    fn tangent(
        &self,
        here: &Place,
        heading: &Place,
        level: &dyn Fn(f64) -> Level,
        settings: &BalanceSettings,
        report: &mut Report,
    ) -> Result<Place, BalanceError> {
        let (mut linear, minus_slope) = self.linear_at(here, level, settings)?;
        let along = Place { w: linear.solve(&minus_slope, report), parameter: 1.0 };
        let length = along.dot(&along).sqrt() * if along.dot(heading) < 0.0 { -1.0 } else { 1.0 };
        Ok(Place { w: along.w.iter().map(|x| x / length).collect(), parameter: 1.0 / length })
    }

    /// The point of the curve in the plane through `guess` across `tangent`; none when not found.
    fn corrected(
        &self,
        guess: &Place,
        tangent: &Place,
        level: &dyn Fn(f64) -> Level,
        settings: &BalanceSettings,
        report: &mut Report,
    ) -> Result<Option<Place>, BalanceError> {
        let mut place = guess.clone();
        let mut before = (f64::INFINITY, f64::INFINITY);
        for _ in 0..CORRECTIONS_MAX {
            let (mut linear, minus_slope) = self.linear_at(&place, level, settings)?;
            let (norm, bias_v) = (linear.point.norm, linear.point.bias_error_v);
            let is_near = linear.point.worst <= ON_CURVE_V.max(settings.residual_v);
            if is_near && self.bias_is_settled(&linear.point) {
                return Ok(Some(place));
            }
            // a residual that does not fall quickly is met better by a shorter arc
            let falls = norm < 0.7 * before.0 || (is_near && bias_v < 0.7 * before.1);
            if !(norm.is_finite() && falls) {
                return Ok(None);
            }
            before = (norm, bias_v);
            let residual = linear.point.residual.as_slice().to_vec();
            let newton = linear.solve(&residual, report);
            let along = linear.solve(&minus_slope, report);
            report.iterations += 1;
            let away = place.plus(guess, -1.0).dot(tangent);
            let by = (dot(&tangent.w, &newton) - away) / (dot(&tangent.w, &along) + tangent.parameter);
            for ((x, n), a) in place.w.iter_mut().zip(&newton).zip(&along) {
                *x += a * by - n;
            }
            place.parameter += by;
        }
        Ok(None)
    }
}
