//! Plain periodic steady state in the time domain: the slow control of the frequency-domain methods.
//!
//! Input: a netlist ([`crate::circuit`]) and the period. Output: a [`Solution`], from which voltages,
//! waves and currents are read at any frequency. No Fourier series and no truncation of harmonics is
//! in the solution; spectra are quadratures of the collocation points.
//!
//! Method: state equations `dq(z)/dt = F(z, t)` with the resistive part eliminated once; Radau IIA
//! collocation with 7 stages (order 13) over the whole period, periodic boundary condition, Newton with
//! elimination element by element (linear in their number); the mesh is moved so that the highest
//! Legendre coefficient of every element is alike, with nodes on the instants where a junction passes
//! `FC VJ`. Circuits with lines: travelling waves, marched over several periods (see `lines`).
//! Source: U. Ascher, R. Mattheij, R. Russell, Numerical Solution of Boundary Value Problems for
//! Ordinary Differential Equations (1995), chapters 5 and 9; Radau: see `radau`.
//!
//! Not here: a capacitor across a junction without series resistance (refused, see `reduce`);
//! self-heating.

mod dense;
mod element;
mod junction;
mod lines;
mod mesh;
mod noise;
mod radau;
mod reduce;
mod small_signal;
mod solution;

use crate::circuit::Element;
use dense::{Matrix, solve_in_place};
use element::Condenser;
use mesh::{Mesh, Trajectory, Wanted};
use radau::Radau;
use reduce::Reduced;

pub use noise::{NoiseSettings, Shot};
pub use small_signal::Scattering;
pub use solution::Solution;

/// Small tools that other controls of this crate share.
pub(crate) mod small {
    pub(crate) use super::dense::{Matrix, solve_in_place};
    pub(crate) use super::junction::depletion;
}

/// How fine the solution shall be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// Stages of an element; the order is twice this minus one.
    pub n_stages: usize,
    /// Elements per cycle of the fastest tone on the first, uniform mesh.
    pub n_first: usize,
    /// Least number of elements per cycle of the fastest tone on any mesh: spectra are quadratures, and
    /// the products asked for lie at several times that tone.
    pub n_least: usize,
    /// Wanted size of the highest Legendre coefficient of any state in any element, V.
    /// The end values of the elements are far more accurate than this.
    pub tail_v: f64,
    /// How often the mesh is adapted.
    pub n_adapt: usize,
    /// Newton stops when no junction voltage moves more than this, V.
    pub step_v: f64,
    /// With lines, marching stops when no wave changes more than this from one period to the next, V.
    /// Waves trapped between nearly lossless ends decay slowly, so this is wider than `step_v`.
    pub wave_v: f64,
    /// Most Newton steps on one mesh.
    pub n_newton: usize,
    /// Most periods marched when the circuit has lines.
    pub n_periods: usize,
}

impl Default for Settings {
    /// Conversion gains to about 1e-6 dB and spurs to -120 dBc to about 1e-3 dB on the steady cases.
    fn default() -> Self {
        Self {
            n_stages: 7,
            n_first: 20,
            n_least: 16,
            tail_v: 1e-6,
            n_adapt: 2,
            step_v: 1e-11,
            wave_v: 1e-8,
            n_newton: 80,
            n_periods: 120,
        }
    }
}

/// What the solution took.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Work {
    /// Elements of the last mesh.
    pub n_elements: usize,
    /// Newton steps on each mesh (lines: periods marched).
    pub newton: Vec<usize>,
    /// Element factorisations in all.
    pub factorisations: usize,
    /// Largest junction voltage change of the last step (lines: from one period to the next), V.
    pub last_step_v: f64,
}

/// Solves for the periodic steady state with period `1/f0_hz`.
///
/// Every tone must be a multiple of `f0_hz`. The error says what was expected and what was found.
pub fn solve(elements: &[Element], f0_hz: f64, settings: &Settings) -> Result<Solution, String> {
    let circuit = reduce::reduce(elements)?;
    check_tones(&circuit, f0_hz)?;
    let radau = Radau::new(settings.n_stages);
    if circuit.arrivals.is_empty() {
        solve_lumped(circuit, radau, f0_hz, settings)
    } else {
        lines::solve_with_lines(circuit, radau, f0_hz, settings)
    }
}

fn check_tones(circuit: &Reduced, f0_hz: f64) -> Result<(), String> {
    for port in &circuit.ports {
        for tone in port.tones.iter().filter(|t| t.available_w > 0.0) {
            let ratio = tone.f_hz / f0_hz;
            if (ratio - ratio.round()).abs() > 1e-9 * ratio {
                return Err(format!(
                    "expected every tone to be a multiple of {f0_hz} Hz, found {} Hz at port {}; choose a common divisor",
                    tone.f_hz, port.index
                ));
            }
        }
    }
    Ok(())
}

fn solve_lumped(circuit: Reduced, radau: Radau, f0_hz: f64, settings: &Settings) -> Result<Solution, String> {
    let mut work = Work::default();
    let cycles = mesh::cycles_of_fastest_tone(&circuit, f0_hz);
    let mut mesh = Mesh::uniform(f0_hz, (cycles * settings.n_first).max(settings.n_first));
    let wanted = Wanted { tail_v: settings.tail_v, n_least: cycles * settings.n_least };
    let mut path = march(&circuit, &radau, &mut mesh, &mut work)?;
    for round in 0..=settings.n_adapt {
        let last = round == settings.n_adapt;
        // Early meshes only need to show where the elements belong.
        let step_v = if last { settings.step_v } else { 1e-4 };
        newton(&circuit, &radau, &mesh, &mut path, step_v, settings.n_newton, &mut work)?;
        if !last {
            let finer = mesh::adapted(&circuit, &radau, &mesh, &path, &wanted);
            path = mesh::transferred(&circuit, &radau, &mesh, &path, &finer);
            mesh = finer;
        }
    }
    work.n_elements = mesh.n_elements();
    Ok(Solution::new(circuit, radau, f0_hz, mesh, path, None, work))
}

/// First guess: one pass through the period from rest, element by element; an element whose Newton
/// fails is halved.
fn march(circuit: &Reduced, radau: &Radau, mesh: &mut Mesh, work: &mut Work) -> Result<Trajectory, String> {
    const N_LOCAL: usize = 40;
    const HALVINGS: usize = 12;
    let mut condenser = Condenser::new(circuit, radau);
    let n = circuit.n_state();
    let mut nodes = vec![0.0];
    let mut stages: Vec<f64> = Vec::new();
    let mut z0 = vec![0.0; n];
    let mut waiting: Vec<(f64, f64, usize)> = mesh.nodes.windows(2).rev().map(|w| (w[0], w[1], 0)).collect();
    while let Some((start, end, depth)) = waiting.pop() {
        let forcing = mesh::forcing(circuit, radau, start, end, &[]);
        let guess = z0.repeat(radau.s);
        let attempt = local_newton(&mut condenser, &z0, guess, &forcing, mesh::scaled(end - start), 1e-6, N_LOCAL);
        match attempt {
            Ok((found, steps)) => {
                work.factorisations += steps;
                z0.copy_from_slice(&found[found.len() - n..]);
                stages.extend(found);
                nodes.push(end);
            }
            Err(reason) if depth >= HALVINGS => {
                return Err(format!("first pass at {start:.4e} s: {reason}"));
            }
            Err(_) => {
                let mid = 0.5 * (start + end);
                waiting.push((mid, end, depth + 1));
                waiting.push((start, mid, depth + 1));
            }
        }
    }
    mesh.nodes = nodes;
    Ok(Trajectory { stages })
}

/// Newton on one element with its start held.
fn local_newton(
    condenser: &mut Condenser<'_>,
    z0: &[f64],
    mut stages: Vec<f64>,
    forcing: &[f64],
    h: f64,
    step_v: f64,
    n_steps: usize,
) -> Result<(Vec<f64>, usize), String> {
    let n = condenser.circuit.n_state();
    for step in 1..=n_steps {
        let x = condenser.condense(z0, &stages, forcing, h)?;
        let delta: Vec<f64> = (0..stages.len()).map(|row| x[(row, n)]).collect();
        if apply(condenser.circuit, &mut stages, &delta) < step_v {
            return Ok((stages, step));
        }
    }
    Err(format!("Newton on the element did not settle in {n_steps} steps"))
}

/// Adds a Newton step with limited junction voltages; returns the largest change made, V.
fn apply(circuit: &Reduced, stages: &mut [f64], delta: &[f64]) -> f64 {
    let (n, n_y) = (circuit.n_state(), circuit.n_y);
    let mut largest = 0.0f64;
    for (at, (value, step)) in stages.iter_mut().zip(delta).enumerate() {
        let component = at % n;
        let wanted = *value + step;
        let taken = if component < n_y {
            wanted
        } else {
            junction::limited(&circuit.junctions[component - n_y].parameters, *value, wanted)
        };
        largest = largest.max((wanted - *value).abs());
        *value = taken;
    }
    largest
}

/// Newton over the whole period: forward elimination to the monodromy matrix, closure, and recovery.
fn newton(
    circuit: &Reduced,
    radau: &Radau,
    mesh: &Mesh,
    path: &mut Trajectory,
    step_v: f64,
    n_steps: usize,
    work: &mut Work,
) -> Result<(), String> {
    let mut condenser = Condenser::new(circuit, radau);
    let forcing: Vec<Vec<f64>> =
        mesh.nodes.windows(2).map(|w| mesh::forcing(circuit, radau, w[0], w[1], &[])).collect();
    let mut best = f64::INFINITY;
    for step in 1..=n_steps {
        let condensed = condense_all(&mut condenser, mesh, path, &forcing)?;
        work.factorisations += condensed.len();
        let delta_start = close(circuit.n_state(), radau.s, &condensed)?;
        let moved = recover(circuit, path, &condensed, delta_start);
        work.last_step_v = moved;
        // The floor of rounding ends the iteration as well: a tiny step that no longer shrinks.
        let at_floor = moved < 1e-8 && moved >= 0.3 * best;
        if moved < step_v || at_floor {
            work.newton.push(step);
            return Ok(());
        }
        best = best.min(moved);
    }
    Err(format!(
        "expected the junction voltages to settle within {step_v:.1e} V, found {:.1e} V after {n_steps} steps",
        work.last_step_v
    ))
}

fn condense_all(
    condenser: &mut Condenser<'_>,
    mesh: &Mesh,
    path: &Trajectory,
    forcing: &[Vec<f64>],
) -> Result<Vec<Matrix>, String> {
    let (n, s) = (condenser.circuit.n_state(), condenser.radau.s);
    let n_elements = mesh.n_elements();
    (0..n_elements)
        .map(|k| {
            let z0 = path.start(k, n, s);
            let h = mesh::scaled(mesh.nodes[k + 1] - mesh.nodes[k]);
            condenser.condense(z0, path.element(k, n, s), &forcing[k], h)
        })
        .collect()
}

/// The change of the state at the start of the period from the periodic closure.
fn close(n: usize, s: usize, condensed: &[Matrix]) -> Result<Vec<f64>, String> {
    let mut carried = Matrix::zeros(n, n + 1);
    for i in 0..n {
        carried[(i, i)] = 1.0;
    }
    for x in condensed {
        carried = through(x, n, s, &carried);
    }
    let mut closure = Matrix::zeros(n, n);
    let mut right = Matrix::zeros(n, 1);
    for i in 0..n {
        for j in 0..n {
            closure[(i, j)] = f64::from(u8::from(i == j)) - carried[(i, j)];
        }
        right[(i, 0)] = carried[(i, n)];
    }
    if solve_in_place(&mut closure, &mut right) < 1e-14 {
        return Err(
            "expected one periodic state, found a singular closure: a part of the circuit has no loss".to_owned()
        );
    }
    Ok(right.data)
}

/// Carries `[matrix | vector]` through one element: last stage rows only.
fn through(x: &Matrix, n: usize, s: usize, carried: &Matrix) -> Matrix {
    let mut next = Matrix::zeros(n, n + 1);
    for i in 0..n {
        let row = x.row((s - 1) * n + i);
        for (k, factor) in row[..n].iter().enumerate() {
            for j in 0..=n {
                next[(i, j)] += factor * carried[(k, j)];
            }
        }
        next[(i, n)] += row[n];
    }
    next
}

fn recover(circuit: &Reduced, path: &mut Trajectory, condensed: &[Matrix], mut delta_start: Vec<f64>) -> f64 {
    let n = circuit.n_state();
    let mut largest = 0.0f64;
    let mut at = 0;
    for x in condensed {
        let delta: Vec<f64> = (0..x.n_rows)
            .map(|r| {
                let row = x.row(r);
                row[n] + row[..n].iter().zip(&delta_start).map(|(a, b)| a * b).sum::<f64>()
            })
            .collect();
        largest = largest.max(apply(circuit, &mut path.stages[at..at + delta.len()], &delta));
        delta_start.copy_from_slice(&delta[delta.len() - n..]);
        at += delta.len();
    }
    largest
}
