//! Wide-band response from a few full solutions.
//!
//! Solutions at chosen frequencies span a space of real fields (real and imaginary parts, made
//! orthonormal); the equations projected on it are solved at every frequency asked for. Because the
//! space is real, the projected equations keep symmetry and passivity. The next frequency is where
//! the last two answers differ most, and the full solution there gives the true error of the answer
//! so far. Source of the idea: M. A. Rewienski-type greedy snapshots; V. de la Rubia, U. Razafison,
//! Y. Maday, "Reliable fast frequency sweep for microwave devices via the reduced-basis method",
//! IEEE Trans. MTT-57 (2009) (from memory; the error indicator here is own).

use crate::VolumeError;
use crate::reduced::{Basis, PortReading, Reduced, shift};
use crate::solution::{Driven, FieldSolution, solve_system};
use crate::system::System;
use numerics::{CMatrix, Complex64, RMatrix, Watch};
use std::sync::Arc;

/// Frequency that stands for direct current, hertz: wave effects and skin effect of a structure of
/// millimetres are below the last bit, and the stabilised form is exact there.
pub(crate) const DIRECT_CURRENT_HZ: f64 = 1.0;
/// Error that only the rounding of the projection leaves.
const INDICATOR_FLOOR: f64 = 1e-13;

/// Choices of a sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepSettings {
    /// Largest error of any S-entry against the full solution on the same mesh.
    pub error_max: f64,
    /// Most full solutions.
    pub solutions_max: usize,
}

impl Default for SweepSettings {
    fn default() -> Self {
        Self { error_max: 1e-5, solutions_max: 24 }
    }
}

/// Response over frequency.
#[derive(Clone)]
pub struct Sweep {
    /// Frequencies as asked, hertz.
    pub freqs_hz: Vec<f64>,
    /// Scattering matrix at each of them.
    pub scattering: Vec<CMatrix>,
    /// Frequencies of the full solutions in order of solution, hertz.
    pub solved_hz: Vec<f64>,
    /// Largest S error found at each full solution after the first two, before it was used.
    pub errors: Vec<f64>,
    /// Estimate of the largest error left.
    pub error_estimate: f64,
    /// Estimate of the error of every S-entry: its largest change over frequency by the last full
    /// solution. Discretisation errors are not in it, see [`crate::solve_adaptively`].
    pub entry_errors: RMatrix,
    /// Whether the estimate is below the wanted error.
    pub converged: bool,
    /// Dimension of the space.
    pub dimension: usize,
    /// The full solutions, for their reports.
    pub solutions: Vec<FieldSolution>,
    /// The projected equations, which answer at any frequency.
    pub(crate) reduced: Arc<Reduced>,
    /// Ports of the model behind the network ports.
    pub(crate) shapes: Vec<crate::PortShape>,
}

impl std::fmt::Debug for Sweep {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Sweep")
            .field("n_freqs", &self.freqs_hz.len())
            .field("solved_hz", &self.solved_hz)
            .field("errors", &self.errors)
            .field("error_estimate", &self.error_estimate)
            .field("dimension", &self.dimension)
            .finish_non_exhaustive()
    }
}

impl Driven {
    /// Response at any list of frequencies (zero allowed), from as few full solutions as needed.
    pub fn sweep(
        &mut self,
        freqs_hz: &[f64],
        settings: &SweepSettings,
        watch: &dyn Watch,
    ) -> Result<Sweep, VolumeError> {
        if let Some(&freq_hz) = freqs_hz.iter().find(|f| !(**f >= 0.0 && f.is_finite())) {
            return Err(VolumeError::Frequency { freq_hz });
        }
        let Some(lowest) = freqs_hz.iter().map(|f| f.max(DIRECT_CURRENT_HZ)).min_by(f64::total_cmp) else {
            return Err(VolumeError::Frequency { freq_hz: f64::NAN });
        };
        let system = self.system(lowest)?;
        sweep_system(&system, freqs_hz, settings, watch).map(|s| s.0)
    }
}

/// Sweep of assembled equations, and the basis of its projection.
pub(crate) fn sweep_system(
    system: &Arc<System>,
    asked: &[f64],
    settings: &SweepSettings,
    watch: &dyn Watch,
) -> Result<(Sweep, Basis), VolumeError> {
    let freqs: Vec<f64> = asked.iter().map(|f| f.max(DIRECT_CURRENT_HZ)).collect();
    let mut order: Vec<usize> = (0..freqs.len()).collect();
    order.sort_by(|&a, &b| freqs[a].total_cmp(&freqs[b]));
    let limits = [freqs[order[0]], freqs[order[freqs.len() - 1]]];
    let mut reduced = Reduced::new(system, limits)?;
    let mut basis = Basis::default();
    let mut progress = Progress {
        solved_hz: Vec::new(),
        errors: Vec::new(),
        error_estimate: f64::INFINITY,
        entry_errors: RMatrix::zeros(0, 0),
        solutions: Vec::new(),
    };
    let mut next = order[freqs.len() - 1];
    let mut before: Option<Vec<CMatrix>> = None;
    let budget = settings.solutions_max.min(freqs.len());
    for round in 0..budget {
        watch.step("full solutions", round, budget)?;
        let (solution, fields) = solve_system(system, freqs[next], watch)?;
        let plain = back_to_faces(&reduced.readings(freqs[next], None)?, &solution);
        if let Some(last) = &before {
            progress.errors.push((&last[next] - &plain).max_abs());
        }
        progress.solved_hz.push(asked[next]);
        progress.solutions.push(solution);
        reduced.extend(system, &mut basis, &fields);
        drop(fields);
        let now = reduced.at_faces(&freqs)?;
        let solved = &progress.solved_hz;
        let open: Vec<usize> = order.iter().copied().filter(|&k| !solved.contains(&asked[k])).collect();
        let changes = |k: usize| before.as_ref().map_or(f64::INFINITY, |b| (&b[k] - &now[k]).max_abs());
        let far = |k: usize| solved.iter().map(|s| (s - asked[k]).abs()).fold(f64::INFINITY, f64::min);
        let worst =
            open.iter().copied().max_by(|&a, &b| changes(a).total_cmp(&changes(b)).then(far(a).total_cmp(&far(b))));
        let change = open.iter().map(|&k| changes(k)).fold(0.0, f64::max);
        if let Some(last) = &before {
            progress.entry_errors = largest_changes(last, &now);
        }
        before = Some(now);
        // Both bound what the step before left; this step is better still.
        let last_error = progress.errors.last().copied().filter(|_| progress.errors.len() > 1);
        progress.error_estimate = last_error.map_or(f64::INFINITY, |e| change.max(e));
        match worst {
            None => {
                progress.error_estimate = INDICATOR_FLOOR;
                break;
            }
            Some(k) => next = k,
        }
        if round == 0 {
            next = order[0];
        }
        if progress.error_estimate < settings.error_max {
            break;
        }
    }
    let mut scattering = Vec::with_capacity(freqs.len());
    for (plain, &f) in before.expect("at least one full solution").iter().zip(&freqs) {
        scattering.push(shift(&reduced.readings(f, None)?, plain));
    }
    for (s, _) in scattering.iter_mut().zip(asked).filter(|(_, f)| **f == 0.0) {
        *s = s.map(|x| x.re.into());
    }
    let sweep = Sweep {
        freqs_hz: asked.to_vec(),
        scattering,
        converged: progress.error_estimate < settings.error_max,
        solved_hz: progress.solved_hz,
        errors: progress.errors,
        error_estimate: progress.error_estimate,
        entry_errors: progress.entry_errors,
        dimension: basis.dimension(),
        solutions: progress.solutions,
        reduced: Arc::new(reduced),
        shapes: system.ports.iter().map(|p| system.model.ports[p.shape_idx].clone()).collect(),
    };
    Ok((sweep, basis))
}

struct Progress {
    solved_hz: Vec<f64>,
    errors: Vec<f64>,
    error_estimate: f64,
    entry_errors: RMatrix,
    solutions: Vec<FieldSolution>,
}

/// Largest change of every entry over all frequencies.
fn largest_changes(before: &[CMatrix], now: &[CMatrix]) -> RMatrix {
    let n = now.first().map_or(0, CMatrix::n_rows);
    RMatrix::from_fn(n, n, |p, q| {
        before.iter().zip(now).map(|(a, b)| (a[(p, q)] - b[(p, q)]).norm()).fold(0.0, f64::max)
    })
}

/// Scattering at the port faces, undoing the shift of reference planes.
fn back_to_faces(ports: &[PortReading], solution: &FieldSolution) -> CMatrix {
    let back: Vec<Complex64> = ports
        .iter()
        .zip(&solution.beta)
        .map(|(port, beta)| beta.map_or(1.0.into(), |b| (-Complex64::i() * b * port.shift_m).exp()))
        .collect();
    let s = &solution.scattering;
    CMatrix::from_fn(s.n_rows(), s.n_cols(), |p, q| s[(p, q)] * back[p] * back[q])
}
