//! Small signals around a periodic state, in the time domain: scattering between sidebands.
//!
//! The circuit is linearised along its periodic path; a source `exp(j w t)` at one port gives a
//! response that repeats after one period up to the factor `exp(j w T)`. One linear solve round the
//! period for each source; no truncation of sidebands anywhere.
//! Conventions: `b = S a` with power waves on the port resistances; sideband `k` lies at
//! `f + k f0` (negative frequencies as phasors of `exp(+j 2 pi f t)`).

use super::dense::{Matrix, solve_in_place};
use super::element::Condenser;
use super::mesh::scaled;
use super::solution::Solution;
use num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::RangeInclusive;

/// Scattering between ports and sidebands.
#[derive(Debug, Clone, PartialEq)]
pub struct Scattering {
    ports: Vec<usize>,
    sidebands: RangeInclusive<i32>,
    /// Row: out; column: in; port outside, sideband inside.
    entries: Vec<Complex64>,
}

impl Scattering {
    /// Wave out of `port_out` at sideband `k_out` for one wave into `port_in` at sideband `k_in`.
    ///
    /// Panics when a port or a sideband was not asked for.
    pub fn entry(&self, port_out: usize, k_out: i32, port_in: usize, k_in: i32) -> Complex64 {
        let n = self.ports.len() * self.n_sidebands();
        self.entries[self.place(port_out, k_out) * n + self.place(port_in, k_in)]
    }

    fn n_sidebands(&self) -> usize {
        (self.sidebands.end() - self.sidebands.start() + 1) as usize
    }

    fn place(&self, port: usize, k: i32) -> usize {
        assert!(self.sidebands.contains(&k), "a sideband that was asked for");
        let p = self.ports.iter().position(|p| *p == port).expect("a port of that index");
        p * self.n_sidebands() + (k - self.sidebands.start()) as usize
    }
}

/// One source: port place and frequency.
struct Source {
    port: usize,
    f_hz: f64,
}

impl Solution {
    /// Scattering around this state between all ports at `f_hz + k f0`.
    ///
    /// The period of the solution is the period of the pump: solve with the LO frequency as `f0`.
    /// Circuits with lines are refused.
    pub fn scattering(&self, f_hz: f64, sidebands: RangeInclusive<i32>) -> Result<Scattering, String> {
        if !self.circuit.arrivals.is_empty() {
            return Err("expected a circuit without lines for small signals, found lines".to_owned());
        }
        let n_port = self.circuit.ports.len();
        let sources: Vec<Source> = (0..n_port)
            .flat_map(|port| sidebands.clone().map(move |k| (port, k)))
            .map(|(port, k)| Source { port, f_hz: f_hz + f64::from(k) * self.f0_hz })
            .collect();
        let responses = self.respond(&sources)?;
        let starts = self.starts(&sources, &responses)?;
        let mut answer = Scattering {
            ports: self.circuit.ports.iter().map(|p| p.index).collect(),
            sidebands,
            entries: vec![Complex64::new(0.0, 0.0); sources.len() * sources.len()],
        };
        for (column, start) in starts.iter().enumerate() {
            let voltages = self.voltages(&sources, column, &responses, start);
            for (row, out) in sources.iter().enumerate() {
                let own = f64::from(u8::from(row == column));
                let b = voltages[row] / self.circuit.ports[out.port].r_ohm.sqrt() - own;
                answer.entries[row * sources.len() + column] = b;
            }
        }
        Ok(answer)
    }

    /// Source voltage that carries a unit wave.
    fn emf(&self, source: &Source) -> f64 {
        2.0 * self.circuit.ports[source.port].r_ohm.sqrt()
    }

    pub(super) fn stage_times(&self, k: usize) -> Vec<f64> {
        let (start, end) = (self.mesh.nodes[k], self.mesh.nodes[k + 1]);
        self.radau.c.iter().map(|c| start + c * (end - start)).collect()
    }

    /// Condensed elements with two columns (real, imaginary) for each source.
    fn respond(&self, sources: &[Source]) -> Result<Vec<Matrix>, String> {
        let (n, s) = (self.circuit.n_state(), self.radau.s);
        let mut condenser = Condenser::new(&self.circuit, &self.radau);
        (0..self.mesh.n_elements())
            .map(|k| {
                let mut forcing = Matrix::zeros(s * n, 2 * sources.len());
                for (i, t) in self.stage_times(k).into_iter().enumerate() {
                    for (j, source) in sources.iter().enumerate() {
                        let e = Complex64::from_polar(self.emf(source), TAU * source.f_hz * t);
                        for a in 0..n {
                            let gain = self.circuit.flow[(a, n + source.port)];
                            forcing[(i * n + a, 2 * j)] = gain * e.re;
                            forcing[(i * n + a, 2 * j + 1)] = gain * e.im;
                        }
                    }
                }
                let h = scaled(self.mesh.nodes[k + 1] - self.mesh.nodes[k]);
                condenser.respond(self.path.start(k, n, s), self.path.element(k, n, s), &forcing, h)
            })
            .collect()
    }

    /// State at the start of the period for each source: `(exp(j w T) - Phi) z_0 = c`.
    fn starts(&self, sources: &[Source], responses: &[Matrix]) -> Result<Vec<Vec<Complex64>>, String> {
        let (n, s) = (self.circuit.n_state(), self.radau.s);
        let width = n + 2 * sources.len();
        let mut carried = Matrix::zeros(n, width);
        for i in 0..n {
            carried[(i, i)] = 1.0;
        }
        for x in responses {
            let mut next = Matrix::zeros(n, width);
            for i in 0..n {
                let row = x.row((s - 1) * n + i);
                for (k, factor) in row[..n].iter().enumerate() {
                    for j in 0..width {
                        next[(i, j)] += factor * carried[(k, j)];
                    }
                }
                for j in n..width {
                    next[(i, j)] += row[j];
                }
            }
            carried = next;
        }
        sources.iter().enumerate().map(|(j, source)| close(&carried, n, j, source.f_hz / self.f0_hz)).collect()
    }

    /// Port voltages at the frequencies of all sources, for the source in `column`.
    fn voltages(&self, sources: &[Source], column: usize, responses: &[Matrix], start: &[Complex64]) -> Vec<Complex64> {
        let (n, s) = (self.circuit.n_state(), self.radau.s);
        let mut sums = vec![Complex64::new(0.0, 0.0); sources.len()];
        let mut z0 = start.to_vec();
        for (k, x) in responses.iter().enumerate() {
            let h = self.mesh.nodes[k + 1] - self.mesh.nodes[k];
            let stages: Vec<Complex64> = (0..s * n)
                .map(|r| {
                    let row = x.row(r);
                    let driven = Complex64::new(row[n + 2 * column], row[n + 2 * column + 1]);
                    driven + row[..n].iter().zip(&z0).map(|(a, b)| a * b).sum::<Complex64>()
                })
                .collect();
            for (i, t) in self.stage_times(k).into_iter().enumerate() {
                let e = Complex64::from_polar(self.emf(&sources[column]), TAU * sources[column].f_hz * t);
                let z = &stages[i * n..(i + 1) * n];
                for (sum, out) in sums.iter_mut().zip(sources) {
                    let row = self.circuit.port_voltage.row(out.port);
                    let v = row[..n].iter().zip(z).map(|(a, b)| a * b).sum::<Complex64>()
                        + row[n + sources[column].port] * e;
                    *sum += v * Complex64::from_polar(self.radau.b[i] * h * self.f0_hz, -TAU * out.f_hz * t);
                }
            }
            z0.copy_from_slice(&stages[(s - 1) * n..]);
        }
        sums
    }
}

/// Solves the closure of one source as a real system of twice the size.
fn close(carried: &Matrix, n: usize, source: usize, turns: f64) -> Result<Vec<Complex64>, String> {
    let turn = Complex64::from_polar(1.0, TAU * turns.fract());
    let mut a = Matrix::zeros(2 * n, 2 * n);
    let mut b = Matrix::zeros(2 * n, 1);
    for i in 0..n {
        for j in 0..n {
            let own = f64::from(u8::from(i == j));
            a[(i, j)] = own * turn.re - carried[(i, j)];
            a[(n + i, n + j)] = a[(i, j)];
        }
        a[(i, n + i)] = -turn.im;
        a[(n + i, i)] = turn.im;
        b[(i, 0)] = carried[(i, n + 2 * source)];
        b[(n + i, 0)] = carried[(i, n + 2 * source + 1)];
    }
    if solve_in_place(&mut a, &mut b) < 1e-14 {
        return Err("expected one response, found a singular closure: a lossless part resonates here".to_owned());
    }
    Ok((0..n).map(|i| Complex64::new(b[(i, 0)], b[(n + i, 0)])).collect())
}
