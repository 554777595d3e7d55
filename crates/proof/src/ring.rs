//! Exact quasi-static ring mixer: four diodes without charge on ideal centre-tapped transformers.
//!
//! Input: diodes, port resistances, levels. Output: conversion loss, reflections, spur table.
//! Method: a memoryless network is solved by Newton at every point of a grid of LO phase times RF
//! phase; products are Fourier sums over the grid. There is no truncation of harmonics at the ports;
//! the error is the aliasing of the grid and falls geometrically when it is doubled.
//! Conventions: diodes D1 a to b, D2 b to c, D3 c to d, D4 d to a; LO secondary a/c with grounded
//! centre tap, RF secondary b/d with the IF at its centre tap, all 1:1:1; product `(m, n)` is
//! `m LO + n RF`; peak phasors; ports 1 LO, 2 RF, 3 IF.

use crate::circuit::{DiodeParameters, watt_of_dbm};
use crate::theory::db;
use crate::theory::drive::Exponential;
use num_complex::Complex64;
use std::f64::consts::TAU;

/// Voltage of each diode as a sum of the LO, RF and IF port voltages.
const SIGNS: [[f64; 3]; 4] = [[1.0, -1.0, -1.0], [1.0, 1.0, 1.0], [-1.0, 1.0, -1.0], [-1.0, -1.0, 1.0]];

/// The network.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ring {
    /// D1 to D4; charge and breakdown are ignored.
    pub diodes: [DiodeParameters; 4],
    /// Port resistances LO, RF, IF, ohm.
    pub port_ohm: [f64; 3],
}

/// Small RF around the pumped ring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SmallSignal {
    /// RF to IF, dB, positive for loss.
    pub conversion_loss_db: f64,
    /// IF to RF, dB.
    pub up_conversion_loss_db: f64,
    /// Reflection of the RF port (real: the network has no memory).
    pub gamma_rf: f64,
    /// Reflection of the LO port at the fundamental, large-signal.
    pub gamma_lo: f64,
}

/// Port voltages on the grid of phases.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    ring: Ring,
    n_lo: usize,
    n_rf: usize,
    rf_dbm: f64,
    lo_dbm: f64,
    /// `[lo phase][rf phase]`, row-major.
    voltages: Vec<[f64; 3]>,
}

impl Ring {
    /// Four equal diodes between equal resistances.
    pub fn of_equal(diode: DiodeParameters, r_ohm: f64) -> Self {
        Self { diodes: [diode; 4], port_ohm: [r_ohm; 3] }
    }

    fn emf(&self, port: usize, dbm: f64) -> f64 {
        (8.0 * self.port_ohm[port] * watt_of_dbm(dbm)).sqrt()
    }

    /// Port voltages for given source voltages of the three ports, V, from a starting guess.
    ///
    /// Panics if Newton does not settle: the equations are the gradient of a convex function.
    pub fn voltages(&self, emf: [f64; 3], guess: [f64; 3]) -> [f64; 3] {
        let mut v = guess;
        let (mut residual, mut jacobian) = self.equations(emf, v);
        for _ in 0..200 {
            let step = solve3(jacobian, residual);
            let size = step.iter().fold(0.0f64, |m, s| m.max(s.abs()));
            let norm = norm(residual);
            let mut share = 1.0;
            loop {
                let trial = std::array::from_fn(|j| v[j] - share * step[j]);
                let (r, g) = self.equations(emf, trial);
                if self::norm(r) < norm || size * share < 1e-13 {
                    (v, residual, jacobian) = (trial, r, g);
                    break;
                }
                share *= 0.5;
            }
            if size < 1e-13 {
                return v;
            }
        }
        assert!(norm(residual) < 1e-14, "Newton on a convex function settles");
        v
    }

    /// Port currents minus what the sources give, A, and the derivative by the port voltages.
    fn equations(&self, emf: [f64; 3], v: [f64; 3]) -> ([f64; 3], [[f64; 3]; 3]) {
        let mut residual: [f64; 3] = std::array::from_fn(|j| (v[j] - emf[j]) / self.port_ohm[j]);
        let mut jacobian = [[0.0; 3]; 3];
        for (j, row) in jacobian.iter_mut().enumerate() {
            row[j] = 1.0 / self.port_ohm[j];
        }
        for (diode, signs) in self.diodes.iter().zip(&SIGNS) {
            let drop: f64 = signs.iter().zip(&v).map(|(s, v)| s * v).sum();
            let (current, slope) = Exponential::of(diode).series(diode.rs_ohm, drop);
            for j in 0..3 {
                residual[j] += signs[j] * current;
                for k in 0..3 {
                    jacobian[j][k] += signs[j] * signs[k] * slope;
                }
            }
        }
        (residual, jacobian)
    }

    /// Conversion and reflections for vanishing RF, from `n_phase` LO phases.
    pub fn small_signal(&self, lo_dbm: f64, n_phase: usize) -> SmallSignal {
        let emf = self.emf(0, lo_dbm);
        let mut v = [0.0; 3];
        let mut down = Complex64::new(0.0, 0.0);
        let mut up = down;
        let (mut rf_mean, mut lo_fundamental) = (0.0, 0.0);
        for j in 0..n_phase {
            let phase = TAU * j as f64 / n_phase as f64;
            v = self.voltages([emf * phase.cos(), 0.0, 0.0], v);
            let (_, jacobian) = self.equations([0.0; 3], v);
            let from_rf = solve3(jacobian, [0.0, 1.0 / self.port_ohm[1], 0.0]);
            let from_if = solve3(jacobian, [0.0, 0.0, 1.0 / self.port_ohm[2]]);
            let turn = Complex64::from_polar(1.0 / n_phase as f64, -phase);
            down += turn * from_rf[2];
            up += turn * from_if[1];
            rf_mean += from_rf[1] / n_phase as f64;
            lo_fundamental += 2.0 * v[0] * phase.cos() / n_phase as f64;
        }
        let ratio = self.port_ohm[1] / self.port_ohm[2];
        SmallSignal {
            conversion_loss_db: -db(4.0 * ratio * down.norm_sqr()),
            up_conversion_loss_db: -db(4.0 / ratio * up.norm_sqr()),
            gamma_rf: 2.0 * rf_mean - 1.0,
            gamma_lo: 2.0 * lo_fundamental / emf - 1.0,
        }
    }

    /// Solves the grid of `n_lo` times `n_rf` phases.
    pub fn grid(&self, lo_dbm: f64, rf_dbm: f64, n_lo: usize, n_rf: usize) -> Grid {
        let (e_lo, e_rf) = (self.emf(0, lo_dbm), self.emf(1, rf_dbm));
        let mut voltages = Vec::with_capacity(n_lo * n_rf);
        let mut v = [0.0; 3];
        for i in 0..n_lo {
            let lo = e_lo * (TAU * i as f64 / n_lo as f64).cos();
            for j in 0..n_rf {
                let rf = e_rf * (TAU * j as f64 / n_rf as f64).cos();
                v = self.voltages([lo, rf, 0.0], v);
                voltages.push(v);
            }
        }
        Grid { ring: *self, n_lo, n_rf, rf_dbm, lo_dbm, voltages }
    }
}

impl Grid {
    /// Peak phasor of the voltage of `port` (1 LO, 2 RF, 3 IF) at `m LO + n RF`, V; the mean at (0, 0).
    pub fn voltage(&self, port: usize, m: i32, n: i32) -> Complex64 {
        let turns = |count: usize, k: i32| -> Vec<Complex64> {
            let step = -TAU * f64::from(k) / count as f64;
            (0..count).map(|i| Complex64::from_polar(1.0, step * i as f64)).collect()
        };
        let (lo, rf) = (turns(self.n_lo, m), turns(self.n_rf, n));
        let mut sum = Complex64::new(0.0, 0.0);
        for (row, lo) in self.voltages.chunks_exact(self.n_rf).zip(&lo) {
            sum += lo * row.iter().zip(&rf).map(|(v, rf)| rf * v[port - 1]).sum::<Complex64>();
        }
        let mean = sum / self.voltages.len() as f64;
        if m == 0 && n == 0 { mean } else { 2.0 * mean }
    }

    /// Power out of a port at a product, dBm.
    pub fn level_dbm(&self, port: usize, m: i32, n: i32) -> f64 {
        db(self.voltage(port, m, n).norm_sqr() / (2.0 * self.ring.port_ohm[port - 1]) / 1e-3)
    }

    /// Level at the IF port relative to the difference product, dB.
    pub fn dbc(&self, m: i32, n: i32) -> f64 {
        self.level_dbm(3, m, n) - self.level_dbm(3, -1, 1)
    }

    /// RF to IF at this RF level, dB, positive for loss.
    pub fn conversion_loss_db(&self) -> f64 {
        self.rf_dbm - self.level_dbm(3, -1, 1)
    }

    /// From LO to `port`, dB.
    pub fn lo_isolation_db(&self, port: usize) -> f64 {
        self.lo_dbm - self.level_dbm(port, 1, 0)
    }

    /// From RF to `port`, dB.
    pub fn rf_isolation_db(&self, port: usize) -> f64 {
        self.rf_dbm - self.level_dbm(port, 0, 1)
    }
}

fn norm(r: [f64; 3]) -> f64 {
    r.iter().map(|x| x * x).sum::<f64>().sqrt()
}

/// Three by three by Cramer's rule; the matrices here are positive definite.
fn solve3(a: [[f64; 3]; 3], b: [f64; 3]) -> [f64; 3] {
    let cross =
        |u: [f64; 3], v: [f64; 3]| [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
    let dot = |u: [f64; 3], v: [f64; 3]| u[0] * v[0] + u[1] * v[1] + u[2] * v[2];
    // Symmetric: rows are columns.
    let determinant = dot(a[0], cross(a[1], a[2]));
    [
        dot(b, cross(a[1], a[2])) / determinant,
        dot(b, cross(a[2], a[0])) / determinant,
        dot(b, cross(a[0], a[1])) / determinant,
    ]
}
