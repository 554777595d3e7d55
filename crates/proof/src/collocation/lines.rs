//! Circuits with ideal lines: travelling waves, marched from period to period until they repeat.
//!
//! A line end sees its impedance and a wave that left the other end one delay ago. On a uniform mesh
//! whose elements divide every delay (where such a mesh exists) the delayed wave is known exactly at
//! each stage; otherwise it is interpolated with the polynomial of the element it left in.
//! Marching is a fixed-point iteration on what is in flight at the end of the period; slow remains
//! (direct currents in loops of lines) are removed by Anderson mixing.
//! Source: D. G. Anderson, Iterative procedures for nonlinear integral equations, J. ACM 12 (1965) 547.

use super::dense::{Matrix, solve_in_place};
use super::element::Condenser;
use super::mesh::{self, Mesh, Trajectory};
use super::radau::Radau;
use super::reduce::Reduced;
use super::{Settings, Solution, Work, local_newton};

/// Passes whose difference is taken into the mixing.
const MIXING_DEPTH: usize = 40;

pub(super) fn solve_with_lines(
    circuit: Reduced,
    radau: Radau,
    f0_hz: f64,
    settings: &Settings,
) -> Result<Solution, String> {
    let cycles = mesh::cycles_of_fastest_tone(&circuit, f0_hz);
    let mut work = Work::default();
    let mut n_elements = aligned(&circuit, f0_hz, cycles * settings.n_first);
    let mut flight = Flight::at_rest(&circuit, &radau, f0_hz, n_elements);
    for round in 0..=settings.n_adapt {
        let last = round == settings.n_adapt;
        flight.settle(&circuit, &radau, settings, if last { settings.wave_v } else { 1e-4 }, &mut work)?;
        if !last {
            let growth = mesh::uniform_growth(&circuit, &radau, &flight.mesh, &flight.path, settings.tail_v);
            let wanted = (n_elements as f64 * growth).ceil() as usize;
            n_elements = aligned(&circuit, f0_hz, wanted.max(cycles * settings.n_least));
            flight = flight.on(&circuit, &radau, f0_hz, n_elements);
        }
    }
    work.n_elements = n_elements;
    Ok(Solution::new(circuit, radau, f0_hz, flight.mesh, flight.path, Some(flight.arriving), work))
}

/// The smallest number of elements from `n_least` on that divides all delays into whole elements, or
/// `n_least` itself (made short enough for the shortest delay) when none is near.
fn aligned(circuit: &Reduced, f0_hz: f64, n_least: usize) -> usize {
    let shares: Vec<f64> = circuit.arrivals.iter().map(|a| a.delay_s * f0_hz).collect();
    let shortest = shares.iter().copied().fold(f64::INFINITY, f64::min);
    let n_least = n_least.max((1.001 / shortest).ceil() as usize);
    let fits = |n: &usize| shares.iter().all(|s| (s * *n as f64 - (s * *n as f64).round()).abs() < 1e-7);
    (n_least..2 * n_least).find(fits).unwrap_or(n_least)
}

/// Everything the march carries.
struct Flight {
    mesh: Mesh,
    path: Trajectory,
    /// Launched and arriving waves, one row a stage.
    launched: Vec<f64>,
    arriving: Vec<f64>,
    /// State at the start of the period.
    start: Vec<f64>,
    /// Launched waves at the start of the period.
    launched_start: Vec<f64>,
}

impl Flight {
    fn at_rest(circuit: &Reduced, radau: &Radau, f0_hz: f64, n_elements: usize) -> Self {
        let (n, n_wave) = (circuit.n_state(), circuit.arrivals.len());
        let rows = n_elements * radau.s;
        Self {
            mesh: Mesh::uniform(f0_hz, n_elements),
            path: Trajectory { stages: vec![0.0; rows * n] },
            launched: vec![0.0; rows * n_wave],
            arriving: vec![0.0; rows * n_wave],
            start: vec![0.0; n],
            launched_start: vec![0.0; n_wave],
        }
    }

    /// The same flight on another number of elements.
    fn on(&self, circuit: &Reduced, radau: &Radau, f0_hz: f64, n_elements: usize) -> Self {
        let mut other = Self::at_rest(circuit, radau, f0_hz, n_elements);
        let n_wave = circuit.arrivals.len();
        other.path = mesh::transferred(circuit, radau, &self.mesh, &self.path, &other.mesh);
        for (row, waves) in other.launched.chunks_exact_mut(n_wave).enumerate() {
            let (k, i) = (row / radau.s, row % radau.s);
            let t = other.mesh.nodes[k] + radau.c[i] * (other.mesh.nodes[k + 1] - other.mesh.nodes[k]);
            for (w, wave) in waves.iter_mut().enumerate() {
                *wave = self.launched_at(circuit, radau, t, w);
            }
        }
        other.start.clone_from(&self.start);
        other.launched_start.clone_from(&self.launched_start);
        other
    }

    /// Launched wave `w` at a time in the period, by the polynomial of its element.
    fn launched_at(&self, circuit: &Reduced, radau: &Radau, t_s: f64, w: usize) -> f64 {
        let n_wave = circuit.arrivals.len();
        let (k, theta) = self.mesh.find(t_s);
        let weights = radau.interpolation(theta.clamp(0.0, 1.0));
        let row = k * radau.s;
        let first = if k == 0 { self.launched_start[w] } else { self.launched[(row - 1) * n_wave + w] };
        weights[0] * first + (0..radau.s).map(|i| weights[i + 1] * self.launched[(row + i) * n_wave + w]).sum::<f64>()
    }

    /// Marches period after period until the state repeats.
    fn settle(
        &mut self,
        circuit: &Reduced,
        radau: &Radau,
        settings: &Settings,
        step_v: f64,
        work: &mut Work,
    ) -> Result<(), String> {
        let mut mixing = Mixing::default();
        let mut best = f64::INFINITY;
        for pass in 1..=settings.n_periods {
            let before = self.packed(circuit, radau);
            self.march(circuit, radau, work)?;
            let after = self.packed(circuit, radau);
            let moved = before.iter().zip(&after).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            work.last_step_v = moved;
            let at_floor = moved < 1e-10 && moved > 0.3 * best;
            if moved < step_v || at_floor {
                work.newton.push(pass);
                return Ok(());
            }
            best = best.min(moved);
            let mixed = mixing.next(before, after);
            self.unpack(circuit, radau, &mixed);
        }
        Err(format!(
            "expected the waves to repeat within {step_v:.1e} V, found {:.1e} V after {} periods",
            work.last_step_v, settings.n_periods
        ))
    }

    /// One period as an initial-value problem.
    fn march(&mut self, circuit: &Reduced, radau: &Radau, work: &mut Work) -> Result<(), String> {
        const N_LOCAL: usize = 60;
        let mut condenser = Condenser::new(circuit, radau);
        let (n, n_wave, s) = (circuit.n_state(), circuit.arrivals.len(), radau.s);
        let mut z0 = self.start.clone();
        for k in 0..self.mesh.n_elements() {
            let (from, to) = (self.mesh.nodes[k], self.mesh.nodes[k + 1]);
            let waves = self.arriving_in(circuit, radau, k);
            let forcing = mesh::forcing(circuit, radau, from, to, &waves);
            let guess = self.path.element(k, n, s).to_vec();
            let h = mesh::scaled(to - from);
            let (stages, steps) = local_newton(&mut condenser, &z0, guess, &forcing, h, 1e-11, N_LOCAL)
                .map_err(|reason| format!("at {from:.4e} s: {reason}"))?;
            work.factorisations += steps;
            for i in 0..s {
                let t = from + radau.c[i] * (to - from);
                let arrived = &waves[i * n_wave..(i + 1) * n_wave];
                let inputs = mesh::inputs_at(circuit, t, arrived);
                let row = (k * s + i) * n_wave;
                for w in 0..n_wave {
                    let values = stages[i * n..(i + 1) * n].iter().chain(&inputs);
                    self.launched[row + w] = circuit.launched.row(w).iter().zip(values).map(|(a, b)| a * b).sum();
                }
            }
            self.arriving[k * s * n_wave..(k + 1) * s * n_wave].copy_from_slice(&waves);
            z0.copy_from_slice(&stages[(s - 1) * n..]);
            self.path.stages[k * s * n..(k + 1) * s * n].copy_from_slice(&stages);
        }
        self.start = z0;
        let last = self.launched.len() - n_wave;
        self.launched_start.copy_from_slice(&self.launched[last..]);
        Ok(())
    }

    /// Waves that arrive at the stages of element `k`.
    fn arriving_in(&self, circuit: &Reduced, radau: &Radau, k: usize) -> Vec<f64> {
        let n_elements = self.mesh.n_elements();
        let (n_wave, s) = (circuit.arrivals.len(), radau.s);
        let period = self.mesh.nodes[n_elements];
        let h = period / n_elements as f64;
        let mut waves = vec![0.0; s * n_wave];
        for (w, arrival) in circuit.arrivals.iter().enumerate() {
            let whole = arrival.delay_s / h;
            let is_whole = (whole - whole.round()).abs() < 1e-6;
            for i in 0..s {
                waves[i * n_wave + w] = if is_whole {
                    let shift = whole.round() as usize % n_elements;
                    let row = ((k + n_elements - shift) % n_elements) * s + i;
                    self.launched[row * n_wave + arrival.from]
                } else {
                    let t = self.mesh.nodes[k] + radau.c[i] * h - arrival.delay_s;
                    self.launched_at(circuit, radau, t.rem_euclid(period), arrival.from)
                };
            }
        }
        waves
    }

    /// First row of the launched waves that are still in flight at the end of the period.
    fn first_in_flight(&self, circuit: &Reduced, radau: &Radau) -> usize {
        let n_elements = self.mesh.n_elements();
        let h = self.mesh.nodes[n_elements] / n_elements as f64;
        let longest = circuit.arrivals.iter().map(|a| a.delay_s).fold(0.0, f64::max);
        let n_back = ((longest / h).ceil() as usize + 1).min(n_elements);
        (n_elements - n_back) * radau.s * circuit.arrivals.len()
    }

    fn packed(&self, circuit: &Reduced, radau: &Radau) -> Vec<f64> {
        let first = self.first_in_flight(circuit, radau);
        self.start.iter().chain(&self.launched[first..]).copied().collect()
    }

    fn unpack(&mut self, circuit: &Reduced, radau: &Radau, packed: &[f64]) {
        let first = self.first_in_flight(circuit, radau);
        let n = self.start.len();
        self.start.copy_from_slice(&packed[..n]);
        self.launched[first..].copy_from_slice(&packed[n..]);
        let last = self.launched.len() - self.launched_start.len();
        self.launched_start.copy_from_slice(&self.launched[last..]);
    }
}

/// Anderson mixing: the combination of past passes whose change is smallest.
#[derive(Default)]
struct Mixing {
    /// Results of the passes and what they changed, oldest first.
    results: Vec<Vec<f64>>,
    changes: Vec<Vec<f64>>,
}

impl Mixing {
    fn next(&mut self, before: Vec<f64>, after: Vec<f64>) -> Vec<f64> {
        self.changes.push(after.iter().zip(&before).map(|(a, b)| a - b).collect());
        self.results.push(after);
        if self.results.len() > MIXING_DEPTH + 1 {
            self.results.remove(0);
            self.changes.remove(0);
        }
        let newest = self.results.len() - 1;
        let mut mixed = self.results[newest].clone();
        let Some(weights) = self.weights() else { return mixed };
        for (k, weight) in weights.iter().enumerate() {
            for (m, (new, old)) in mixed.iter_mut().zip(self.results[newest].iter().zip(&self.results[k])) {
                *m -= weight * (new - old);
            }
        }
        mixed
    }

    /// Least squares by normal equations, lightly regularised: at most a handful of columns.
    fn weights(&self) -> Option<Vec<f64>> {
        let newest = self.changes.len() - 1;
        if newest == 0 {
            return None;
        }
        let differences: Vec<Vec<f64>> = (0..newest)
            .map(|k| self.changes[newest].iter().zip(&self.changes[k]).map(|(a, b)| a - b).collect())
            .collect();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        let scale: Vec<f64> = differences.iter().map(|d| dot(d, d).sqrt()).collect();
        if scale.contains(&0.0) {
            return None;
        }
        let mut normal = Matrix::zeros(newest, newest);
        let mut right = Matrix::zeros(newest, 1);
        for i in 0..newest {
            for j in 0..newest {
                normal[(i, j)] = dot(&differences[i], &differences[j]) / (scale[i] * scale[j]);
            }
            normal[(i, i)] += 1e-12;
            right[(i, 0)] = dot(&differences[i], &self.changes[newest]) / scale[i];
        }
        if solve_in_place(&mut normal, &mut right) < 1e-14 {
            return None;
        }
        Some(right.data.iter().zip(&scale).map(|(x, s)| x / s).collect())
    }
}
