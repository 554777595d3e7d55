//! The equations of one basis: residual, exact derivative and approximate inverse.
//!
//! Input: a [`Problem`] and a [`Basis`]. Unknown: `w` of every junction at every product.
//! Charges are kept in units of [`CHARGE_SCALE_C`] throughout.

use crate::lane::{Grade, Lane, Preconditioner, Scratch, Slopes};
use crate::spectra::{Spectra, Transform};
use crate::steady::{Drive, Problem};
use crate::{BalanceError, Basis};
use diode::JunctionPoint;
use numerics::linear::singular_values;
use numerics::{CMatrix, Complex64};
use std::sync::Arc;

/// The balance of one basis.
pub(crate) struct Equations<'a> {
    pub(crate) problem: &'a Problem,
    pub(crate) basis: Basis,
    pub(crate) transform: Transform,
    pub(crate) lanes: Vec<Arc<Lane>>,
    /// Right side from the pump (and direct) sources, and from all others.
    pub(crate) pump_drive: Spectra,
    pub(crate) other_drive: Spectra,
    /// Some direct current through the junctions has no path through the network.
    pub(crate) is_floating: bool,
}

/// Working space of [`Equations::linearised`].
#[derive(Default)]
pub(crate) struct Workspace {
    pub(crate) grid: Vec<Complex64>,
    pub(crate) product: Vec<Complex64>,
    pub(crate) v: Vec<Complex64>,
    pub(crate) q: Vec<Complex64>,
    pub(crate) u: Vec<Complex64>,
}

/// Everything known at one iterate; charges in units of [`CHARGE_SCALE_C`].
pub(crate) struct Point {
    pub(crate) residual: Spectra,
    pub(crate) v: Spectra,
    pub(crate) q: Spectra,
    pub(crate) slopes_v: Vec<Vec<f64>>,
    pub(crate) slopes_q: Vec<Vec<f64>>,
    pub(crate) samples_v: Vec<Vec<f64>>,
    pub(crate) worst: f64,
    pub(crate) norm: f64,
    /// Estimated error of the mean voltages of a floating circuit, zero for others.
    pub(crate) bias_error_v: f64,
}

/// How much of the drive is on, and the conductance added to every junction, as a part of its reference.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Level {
    pub(crate) pump: f64,
    pub(crate) others: f64,
    pub(crate) leak: f64,
}

impl Level {
    pub(crate) const FULL: Self = Self { pump: 1.0, others: 1.0, leak: 0.0 };
}

/// Roundings of a mean over some hundred samples.
pub(crate) const ROUNDINGS: f64 = 4.0;
/// Part of the mean power that must leave the junctions for a circuit not to float.
pub(crate) const FLOATING: f64 = 1e-6;

impl<'a> Equations<'a> {
    pub(crate) fn new(problem: &'a Problem, basis: Basis) -> Result<Self, BalanceError> {
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

    pub(crate) fn evaluate(&self, w: &Spectra, level: Level) -> Point {
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
    pub(crate) fn bias_error_v(&self, w: &Spectra, residual: &Spectra, slopes_v: &[Vec<f64>]) -> f64 {
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
    pub(crate) fn left_side(&self, [w, v, q]: [&[Complex64]; 3], out: &mut [Complex64], u: &mut Vec<Complex64>) {
        let m = self.basis.n_harmonics();
        let stride = self.lanes.len() * m;
        for (l, lane) in self.lanes.iter().enumerate() {
            let from = l * m;
            lane.left_side_all([&w[from..], &v[from..], &q[from..]], CHARGE_SCALE_C, stride, &mut out[from..], u);
        }
    }

    /// Exact derivative of the left side at `point` applied to `x`.
    pub(crate) fn linearised(&self, point: &Point, x: &[Complex64], y: &mut [Complex64], space: &mut Workspace) {
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
    pub(crate) fn preconditioners(
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

    pub(crate) fn average_over_others(&self, samples: &[f64]) -> Vec<f64> {
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

    pub(crate) fn precondition(
        &self,
        by: &[Preconditioner],
        x: &[Complex64],
        y: &mut [Complex64],
        scratch: &mut Scratch,
    ) {
        let (n_lanes, m) = (self.lanes.len(), self.basis.n_harmonics());
        let stride = n_lanes * m;
        for (l, p) in by.iter().enumerate() {
            p.apply(&x[l * m..], &mut y[l * m..], stride, scratch);
        }
        self.make_lane_zero_real(y, stride);
    }

    /// Rounds away what is not the spectrum of a real waveform in lane 0.
    pub(crate) fn make_lane_zero_real(&self, y: &mut [Complex64], stride: usize) {
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
}

/// Whether a combination of junctions sees an open circuit at direct current.
pub(crate) fn is_floating(lane_zero: &Lane) -> Result<bool, BalanceError> {
    let s = &lane_zero.blocks[lane_zero.pump_order].jj;
    let one_minus_s = &CMatrix::identity(s.n_rows()) - s;
    let smallest = singular_values(&one_minus_s)?.last().copied().unwrap_or(0.0);
    Ok(smallest < FLOATING)
}

/// Brings charges to the order of voltages, so that both share one complex transform.
pub(crate) const CHARGE_SCALE_C: f64 = 1e-13;

pub(crate) fn in_farad_per_volt(slopes: &[f64]) -> Vec<f64> {
    slopes.iter().map(|s| s * CHARGE_SCALE_C).collect()
}

pub(crate) fn add_drive(
    into: &mut Spectra,
    drive: &Drive,
    basis: &Basis,
    lanes: &[Arc<Lane>],
) -> Result<(), BalanceError> {
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
