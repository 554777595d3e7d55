//! Noise around a periodic state, in the time domain, by weighting functions.
//!
//! The response of one output at one frequency to a source `n(t)` is `(1/T) int n w exp(-j w t) dt` with
//! a periodic weight `w(t)`, found by one backward (adjoint) pass round the period. White noise whose
//! density follows the pump, `S(t)`, then gives the output density `(1/T) int |w|^2 S dt`: all
//! sidebands and all their correlations at once, no truncation.
//! Source: the adjoint of a linear periodic system; for the noise, C. Dragone, BSTJ 47 (1968) 1883.
//! Densities are one-sided, V²/Hz.

use super::dense::{Matrix, solve_in_place};
use super::element::Condenser;
use super::junction::evaluate;
use super::mesh::scaled;
use super::reduce::SCALE_OHM;
use super::solution::Solution;
use num_complex::Complex64;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

const BOLTZMANN: f64 = 1.380649e-23;
const CHARGE: f64 = 1.602176634e-19;

/// What the shot noise of a junction is taken to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shot {
    /// `2 q i`.
    Current,
    /// `2 q (i + IS)`: full shot noise of the forward part.
    Forward,
    /// `2 q (i + 2 IS)`: of both parts.
    Both,
}

/// Temperatures and the reading of the shot noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseSettings {
    /// Port resistors, K.
    pub ports_k: f64,
    /// Series resistances of the diodes, K.
    pub diodes_k: f64,
    /// Shot noise.
    pub shot: Shot,
}

/// How a source enters: gains into the flow, and straight into the output.
struct Entry {
    into_flow: Vec<f64>,
    straight: f64,
}

impl Solution {
    /// Noise voltage across the resistance of port `out` at `f_hz`, by contribution: `shot_D1`, `RS_D1`,
    /// `port_P1` (all sidebands), `port_P1_own_sideband` (what enters at `f_hz` itself), V²/Hz.
    ///
    /// The period of the solution is the period of the pump. Circuits with lines are refused.
    pub fn noise(&self, out: usize, f_hz: f64, settings: &NoiseSettings) -> Result<BTreeMap<String, f64>, String> {
        if !self.circuit.arrivals.is_empty() {
            return Err("expected a circuit without lines for noise, found lines".to_owned());
        }
        let row = self.circuit.port_voltage.row(self.port_place(out)).to_vec();
        let gradient = self.gradients(&row, f_hz)?;
        let (n, n_y) = (self.circuit.n_state(), self.circuit.n_y);
        let column =
            |c: usize| Entry { into_flow: (0..n).map(|a| self.circuit.flow[(a, c)]).collect(), straight: row[c] };
        let mut found = BTreeMap::new();
        for (k, port) in self.circuit.ports.iter().enumerate() {
            let density = 4.0 * BOLTZMANN * settings.ports_k * port.r_ohm;
            let (all, own) = self.weigh(&gradient, &column(n + k), f_hz, &|_| density);
            found.insert(format!("port_P{}", port.index), all);
            found.insert(format!("port_P{}_own_sideband", port.index), density * own);
        }
        for (k, place) in self.circuit.junctions.iter().enumerate() {
            let thermal = 4.0 * BOLTZMANN * settings.diodes_k * place.parameters.rs_ohm;
            let (all, _) = self.weigh(&gradient, &column(n_y + k), f_hz, &|_| thermal);
            found.insert(format!("RS_{}", place.id), all);
            let extra = place.parameters.is_a
                * match settings.shot {
                    Shot::Current => 0.0,
                    Shot::Forward => 1.0,
                    Shot::Both => 2.0,
                };
            let shot = |z: &[f64]| 2.0 * CHARGE * (evaluate(&place.parameters, z[n_y + k]).current + extra);
            let mut into_flow = vec![0.0; n];
            into_flow[n_y + k] = -SCALE_OHM;
            let (all, _) = self.weigh(&gradient, &Entry { into_flow, straight: 0.0 }, f_hz, &shot);
            found.insert(format!("shot_{}", place.id), all);
        }
        Ok(found)
    }

    /// Gradient of the output by the flow at every stage: one backward pass and its closure.
    fn gradients(&self, row: &[f64], f_hz: f64) -> Result<Vec<Complex64>, String> {
        let (n, s) = (self.circuit.n_state(), self.radau.s);
        let n_elements = self.mesh.n_elements();
        let mut condenser = Condenser::new(&self.circuit, &self.radau);
        let mut parts = Vec::with_capacity(n_elements);
        for k in 0..n_elements {
            let seconds = self.mesh.nodes[k + 1] - self.mesh.nodes[k];
            let mut right = Matrix::zeros(s * n, n + 2);
            for a in 0..n {
                right[((s - 1) * n + a, a)] = 1.0;
            }
            for (i, t) in self.stage_times(k).into_iter().enumerate() {
                let weight = Complex64::from_polar(self.radau.b[i] * seconds * self.f0_hz, -TAU * f_hz * t);
                for a in 0..n {
                    right[(i * n + a, n)] = weight.re * row[a];
                    right[(i * n + a, n + 1)] = weight.im * row[a];
                }
            }
            let (z0, stages) = (self.path.start(k, n, s), self.path.element(k, n, s));
            parts.push(condenser.adjoint(z0, stages, &right, scaled(seconds))?);
        }
        let end = self.closed_end(&parts, f_hz)?;
        Ok(self.backward(&parts, end))
    }

    /// Costate at the end of the period: `mu_N = exp(-j w T) mu_0`, `mu_0 = Psi mu_N + c`.
    fn closed_end(&self, parts: &[(Matrix, Vec<f64>)], f_hz: f64) -> Result<Vec<Complex64>, String> {
        let n = self.circuit.n_state();
        // Columns of the identity carry Psi; the last carries c.
        let mut carried: Vec<Vec<Complex64>> =
            (0..=n).map(|j| (0..n).map(|i| Complex64::new(f64::from(u8::from(i == j)), 0.0)).collect()).collect();
        for part in parts.iter().rev() {
            for (j, costate) in carried.iter_mut().enumerate() {
                *costate = back_through(part, n, costate, j == n).1;
            }
        }
        let turn = Complex64::from_polar(1.0, -TAU * (f_hz / self.f0_hz).fract());
        let mut a = Matrix::zeros(2 * n, 2 * n);
        let mut b = Matrix::zeros(2 * n, 1);
        for i in 0..n {
            for j in 0..n {
                let entry = Complex64::new(f64::from(u8::from(i == j)), 0.0) - turn * carried[j][i];
                a[(i, j)] = entry.re;
                a[(i, n + j)] = -entry.im;
                a[(n + i, j)] = entry.im;
                a[(n + i, n + j)] = entry.re;
            }
            b[(i, 0)] = carried[n][i].re;
            b[(n + i, 0)] = carried[n][i].im;
        }
        if solve_in_place(&mut a, &mut b) < 1e-14 {
            return Err("expected one response, found a singular closure: a lossless part resonates here".to_owned());
        }
        Ok((0..n).map(|i| turn * Complex64::new(b[(i, 0)], b[(n + i, 0)])).collect())
    }

    fn backward(&self, parts: &[(Matrix, Vec<f64>)], mut costate: Vec<Complex64>) -> Vec<Complex64> {
        let n = self.circuit.n_state();
        let mut found = vec![Vec::new(); parts.len()];
        for (k, part) in parts.iter().enumerate().rev() {
            let h = scaled(self.mesh.nodes[k + 1] - self.mesh.nodes[k]);
            let (stage, before) = back_through(part, n, &costate, true);
            found[k] = stage.into_iter().map(|y| h * y).collect();
            costate = before;
        }
        found.concat()
    }

    /// `(1/T) int |w|^2 S dt` and `|mean of w|^2`.
    fn weigh(&self, gradient: &[Complex64], entry: &Entry, f_hz: f64, density: &dyn Fn(&[f64]) -> f64) -> (f64, f64) {
        let (n, s) = (self.circuit.n_state(), self.radau.s);
        let mut sum = 0.0;
        let mut mean = Complex64::new(0.0, 0.0);
        for k in 0..self.mesh.n_elements() {
            let share = (self.mesh.nodes[k + 1] - self.mesh.nodes[k]) * self.f0_hz;
            let stages = self.path.element(k, n, s);
            for (i, t) in self.stage_times(k).into_iter().enumerate() {
                let at = (k * s + i) * n;
                let through: Complex64 = gradient[at..at + n].iter().zip(&entry.into_flow).map(|(g, f)| g * f).sum();
                let part = self.radau.b[i] * share;
                let weight = through / part * Complex64::from_polar(1.0, TAU * f_hz * t) + entry.straight;
                sum += part * weight.norm_sqr() * density(&stages[i * n..(i + 1) * n]);
                mean += part * weight;
            }
        }
        (sum, mean.norm_sqr())
    }
}

/// One element backwards: its stage gradients (before the factor `h`) and the costate at its start.
fn back_through(
    part: &(Matrix, Vec<f64>),
    n: usize,
    costate: &[Complex64],
    with_output: bool,
) -> (Vec<Complex64>, Vec<Complex64>) {
    let (y, entry) = part;
    let own = f64::from(u8::from(with_output));
    let stage: Vec<Complex64> = (0..y.n_rows)
        .map(|r| {
            let row = y.row(r);
            let carried = row[..n].iter().zip(costate).map(|(a, b)| a * b).sum::<Complex64>();
            carried + own * Complex64::new(row[n], row[n + 1])
        })
        .collect();
    let mut before = vec![Complex64::new(0.0, 0.0); n];
    for (r, value) in stage.iter().enumerate() {
        before[r % n] += entry[r] * value;
    }
    (stage, before)
}
