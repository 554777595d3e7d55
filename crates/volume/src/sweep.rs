//! Wide-band response from a few full solutions.
//!
//! Solutions at chosen frequencies span a space of real fields (real and imaginary parts, made
//! orthonormal); the equations projected on it are solved at every frequency asked for. Because the
//! space is real, the projected equations keep symmetry and passivity. The next frequency is where
//! the last two answers differ most, and the full solution there gives the true error of the answer
//! so far. Source of the idea: M. A. Rewienski-type greedy snapshots; V. de la Rubia, U. Razafison,
//! Y. Maday, "Reliable fast frequency sweep for microwave devices via the reduced-basis method",
//! IEEE Trans. MTT-57 (2009) (from memory; the error indicator here is own).

use crate::model::vacuum_impedance_ohm;
use crate::solution::{Driven, FieldSolution, solve_system};
use crate::system::{PortState, System, wavenumber};
use crate::{PortShape, VolumeError};
use numerics::{CMatrix, Complex64, RMatrix, Watch, linear};
use std::sync::Arc;

/// Directions whose new part is smaller than this share are already in the space.
const NEW_PART_MIN: f64 = 1e-10;
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
    pub(crate) system: Arc<System>,
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

/// Projected equations.
pub(crate) struct Reduced {
    /// Orthonormal real basis of the field unknowns.
    basis: Vec<Vec<f64>>,
    stiffness: RMatrix,
    media: Vec<RMatrix>,
    surfaces: Vec<RMatrix>,
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
        let inner: Vec<f64> = freqs_hz.iter().map(|f| f.max(DIRECT_CURRENT_HZ)).collect();
        let Some(&lowest) = inner.iter().min_by(|a, b| a.total_cmp(b)) else {
            return Err(VolumeError::Frequency { freq_hz: f64::NAN });
        };
        let system = self.system(lowest)?;
        sweep_system(&system, freqs_hz, &inner, settings, watch)
    }
}

fn sweep_system(
    system: &Arc<System>,
    asked: &[f64],
    freqs: &[f64],
    settings: &SweepSettings,
    watch: &dyn Watch,
) -> Result<Sweep, VolumeError> {
    let states: Vec<Vec<PortState>> = freqs.iter().map(|&f| system.port_states(f)).collect::<Result<_, _>>()?;
    let mut reduced = Reduced::new(system);
    let mut out = Sweep {
        freqs_hz: asked.to_vec(),
        scattering: Vec::new(),
        solved_hz: Vec::new(),
        errors: Vec::new(),
        error_estimate: f64::INFINITY,
        entry_errors: RMatrix::zeros(0, 0),
        converged: false,
        dimension: 0,
        solutions: Vec::new(),
        reduced: Arc::new(Reduced::new(system)),
        system: system.clone(),
    };
    let mut order: Vec<usize> = (0..freqs.len()).collect();
    order.sort_by(|&a, &b| freqs[a].total_cmp(&freqs[b]));
    let mut next = order[freqs.len() - 1];
    let mut before: Option<Vec<CMatrix>> = None;
    let budget = settings.solutions_max.min(freqs.len());
    for round in 0..budget {
        watch.step("full solutions", round, budget)?;
        let (solution, fields) = solve_system(system, freqs[next], watch)?;
        let plain = scattering_of(system, &solution, &states[next]);
        if let Some(last) = &before {
            out.errors.push((&last[next] - &plain).max_abs());
        }
        out.solved_hz.push(asked[next]);
        out.solutions.push(solution);
        reduced.extend(system, &fields);
        let now: Vec<CMatrix> =
            freqs.iter().zip(&states).map(|(&f, s)| reduced.scattering(system, f, s)).collect::<Result<_, _>>()?;
        let open: Vec<usize> = order.iter().copied().filter(|&k| !out.solved_hz.contains(&asked[k])).collect();
        let changes = |k: usize| before.as_ref().map_or(f64::INFINITY, |b| (&b[k] - &now[k]).max_abs());
        let far = |k: usize| out.solved_hz.iter().map(|s| (s - asked[k]).abs()).fold(f64::INFINITY, f64::min);
        let worst =
            open.iter().copied().max_by(|&a, &b| changes(a).total_cmp(&changes(b)).then(far(a).total_cmp(&far(b))));
        let change = open.iter().map(|&k| changes(k)).fold(0.0, f64::max);
        if let Some(last) = &before {
            out.entry_errors = largest_changes(last, &now);
        }
        before = Some(now);
        // Both bound what the step before left; this step is better still.
        let last_error = out.errors.last().copied().filter(|_| out.errors.len() > 1);
        out.error_estimate = last_error.map_or(f64::INFINITY, |e| change.max(e));
        match worst {
            None => {
                out.error_estimate = INDICATOR_FLOOR;
                break;
            }
            Some(k) => next = k,
        }
        if round == 0 {
            next = order[0];
        }
        if out.error_estimate < settings.error_max {
            break;
        }
    }
    out.converged = out.error_estimate < settings.error_max;
    out.dimension = reduced.basis.len();
    out.reduced = Arc::new(reduced);
    let plain = before.expect("at least one full solution");
    out.scattering =
        plain.into_iter().zip(&states).map(|(s, st)| crate::solution::shift_planes(system, st, s)).collect();
    for (k, &f) in asked.iter().enumerate() {
        if f == 0.0 {
            out.scattering[k] = out.scattering[k].map(|x| x.re.into());
        }
    }
    Ok(out)
}

/// Largest change of every entry over all frequencies.
fn largest_changes(before: &[CMatrix], now: &[CMatrix]) -> RMatrix {
    let n = now.first().map_or(0, CMatrix::n_rows);
    RMatrix::from_fn(n, n, |p, q| {
        before.iter().zip(now).map(|(a, b)| (a[(p, q)] - b[(p, q)]).norm()).fold(0.0, f64::max)
    })
}

/// Scattering at the port faces, undoing the shift of reference planes.
fn scattering_of(system: &System, solution: &FieldSolution, states: &[PortState]) -> CMatrix {
    let back: Vec<Complex64> = states
        .iter()
        .zip(&system.ports)
        .map(|(state, port)| match (&state.mode, &system.model.ports[port.shape_idx]) {
            (Some(mode), PortShape::Wave { shift_m, .. }) => (-Complex64::i() * mode.beta * *shift_m).exp(),
            _ => 1.0.into(),
        })
        .collect();
    let s = &solution.scattering;
    CMatrix::from_fn(s.n_rows(), s.n_cols(), |p, q| s[(p, q)] * back[p] * back[q])
}

impl Reduced {
    fn new(system: &System) -> Self {
        let empty = || RMatrix::zeros(0, 0);
        Self {
            basis: Vec::new(),
            stiffness: empty(),
            media: system.media.iter().map(|_| empty()).collect(),
            surfaces: system.surfaces.iter().map(|_| empty()).collect(),
        }
    }

    /// Adds real and imaginary parts of the fields.
    fn extend(&mut self, system: &System, fields: &[Vec<Complex64>]) {
        let n = system.space.n_unknowns;
        let scale = system.natural_scale();
        let first = self.basis.len();
        for x in fields {
            for part in [|z: &Complex64| z.re, |z: &Complex64| z.im] {
                let mut v: Vec<f64> = x[..n].iter().map(part).collect();
                let before = norm(&v, &scale);
                for _ in 0..2 {
                    for b in &self.basis {
                        let c: f64 = b.iter().zip(&v).zip(&scale).map(|((b, v), s)| b * v * s).sum();
                        v.iter_mut().zip(b).for_each(|(v, b)| *v -= c * b);
                    }
                }
                let after = norm(&v, &scale);
                if after > NEW_PART_MIN * before && after > 0.0 {
                    self.basis.push(v.into_iter().map(|x| x / after).collect());
                }
            }
        }
        let project = |old: &RMatrix, apply: &dyn Fn(&[f64]) -> Vec<f64>| -> RMatrix {
            let m = self.basis.len();
            let mut out = RMatrix::from_fn(m, m, |i, j| if i < first && j < first { old[(i, j)] } else { 0.0 });
            for j in first..m {
                let y = apply(&self.basis[j]);
                for i in 0..=j {
                    let value: f64 = self.basis[i].iter().zip(&y).map(|(a, b)| a * b).sum();
                    out[(i, j)] = value;
                    out[(j, i)] = value;
                }
            }
            out
        };
        let stiffness: Vec<(u32, f64)> =
            system.stiffness.iter().enumerate().filter(|(_, v)| **v != 0.0).map(|(k, &v)| (k as u32, v)).collect();
        let columns = system.entry_columns();
        let of = |entries: &[(u32, f64)], v: &[f64]| system.apply_real(entries, &columns, v);
        let next_stiffness = project(&self.stiffness, &|v| of(&stiffness, v));
        let next_media = self.media.iter().zip(&system.media).map(|(m, e)| project(m, &|v| of(e, v))).collect();
        let next_surfaces =
            self.surfaces.iter().zip(&system.surfaces).map(|(m, e)| project(m, &|v| of(e, v))).collect();
        (self.stiffness, self.media, self.surfaces) = (next_stiffness, next_media, next_surfaces);
    }

    /// Scattering at the port faces from the projected equations.
    pub(crate) fn scattering(
        &self,
        system: &System,
        freq_hz: f64,
        states: &[PortState],
    ) -> Result<CMatrix, VolumeError> {
        let m = self.basis.len();
        let k = wavenumber(freq_hz);
        let c = Complex64::new(0.0, k * vacuum_impedance_ohm());
        let mut a = self.stiffness.map(Complex64::from);
        let mut add = |matrix: &RMatrix, factor: Complex64| {
            a.as_mut_slice().iter_mut().zip(matrix.as_slice()).for_each(|(a, &m)| *a += factor * m);
        };
        for (medium, matrix) in system.model.media.iter().zip(&self.media) {
            add(matrix, -k * k * medium.relative_permittivity(freq_hz));
        }
        for (surface, matrix) in system.model.surfaces.iter().zip(&self.surfaces) {
            add(matrix, c * surface.admittance_s(freq_hz));
        }
        let v = CMatrix::from_fn(m, states.len(), |i, p| {
            states[p].functional.iter().map(|&(u, v)| v * self.basis[i][u as usize]).sum()
        });
        for (p, state) in states.iter().enumerate() {
            for i in 0..m {
                for j in 0..m {
                    a[(i, j)] += c / state.resistance * v[(i, p)] * v[(j, p)];
                }
            }
        }
        let size: Vec<f64> = (0..m).map(|i| a[(i, i)].norm().sqrt().recip()).collect();
        let scaled = CMatrix::from_fn(m, m, |i, j| a[(i, j)] * size[i] * size[j]);
        let rhs = CMatrix::from_fn(m, states.len(), |i, q| c * 2.0 / states[q].resistance.sqrt() * v[(i, q)] * size[i]);
        let x = linear::Lu::factor(&scaled)?.solve(&rhs);
        Ok(CMatrix::from_fn(states.len(), states.len(), |p, q| {
            let voltage: Complex64 = (0..m).map(|i| v[(i, p)] * size[i] * x[(i, q)]).sum();
            voltage / states[p].resistance.sqrt() - if p == q { 1.0 } else { 0.0 }
        }))
    }
}

fn norm(v: &[f64], scale: &[f64]) -> f64 {
    v.iter().zip(scale).map(|(v, s)| v * v * s).sum::<f64>().sqrt()
}
