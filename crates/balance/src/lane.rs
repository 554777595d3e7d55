//! One lane: all pump harmonics at a fixed offset, linearised around a pumped state.

use crate::embedding::Blocks;
use crate::{BalanceError, Embedding};
use numerics::fourier::Fourier;
use numerics::krylov::{KrylovResult, KrylovSettings, Scalars, gmres};
use numerics::linear::{Lu, Packed, subtract_product};
use numerics::{CMatrix, Complex64};
use std::ops::Range;

/// The linear multiport at all pump harmonics of one lane.
///
/// `jj` is scaled to junction voltages: `jj = S_jj'·√(R_j/R_j')`.
#[derive(Debug, Clone)]
pub(crate) struct Lane {
    pub pump_order: usize,
    /// Signed angular frequency of each harmonic `−K…K`.
    pub omega: Vec<f64>,
    pub blocks: Vec<Blocks>,
    pub junction_ohm: Vec<f64>,
}

impl Lane {
    pub(crate) fn new(
        embedding: &Embedding,
        pump_hz: f64,
        offset_hz: f64,
        pump_order: usize,
    ) -> Result<Self, BalanceError> {
        let k_max = pump_order as i32;
        let junction_ohm: Vec<f64> = (0..embedding.n_junctions()).map(|j| embedding.junction_ohm(j)).collect();
        let frequencies: Vec<f64> = (-k_max..=k_max).map(|k| f64::from(k) * pump_hz + offset_hz).collect();
        let blocks = frequencies
            .iter()
            .map(|&f| {
                let mut b = embedding.blocks(f)?;
                for i in 0..junction_ohm.len() {
                    for j in 0..junction_ohm.len() {
                        b.jj[(i, j)] *= (junction_ohm[i] / junction_ohm[j]).sqrt();
                    }
                }
                Ok(b)
            })
            .collect::<Result<_, BalanceError>>()?;
        let omega = frequencies.iter().map(|f| std::f64::consts::TAU * f).collect();
        Ok(Self { pump_order, omega, blocks, junction_ohm })
    }

    pub(crate) fn n_harmonics(&self) -> usize {
        2 * self.pump_order + 1
    }

    pub(crate) fn n_junctions(&self) -> usize {
        self.junction_ohm.len()
    }

    /// Left side of the balance at harmonic index `i`, from `w`, `v` and `q` of every junction.
    pub(crate) fn left_side(&self, i: usize, w: &[Complex64], v: &[Complex64], q: &[Complex64], out: &mut [Complex64]) {
        let n = self.n_junctions();
        let mut u = [Complex64::default(); 16];
        for j in 0..n {
            let t = w[j] + Complex64::new(0.0, self.omega[i] * self.junction_ohm[j]) * q[j];
            out[j] = t;
            u[j] = 2.0 * v[j] - t;
        }
        let s = &self.blocks[i].jj;
        for (j, out) in out.iter_mut().enumerate() {
            for (s, u) in s.row(j).iter().zip(&u) {
                *out -= s * u;
            }
        }
    }

    /// Right side at harmonic index `i` for a wave `a` arriving at an external port.
    pub(crate) fn drive(&self, i: usize, port: usize, a: Complex64, junction: usize) -> Complex64 {
        2.0 * self.junction_ohm[junction].sqrt() * self.blocks[i].je[(junction, port)] * a
    }

    /// Wave leaving external `port` at harmonic index `i`, caused by the junctions alone.
    pub(crate) fn outgoing(
        &self,
        i: usize,
        port: usize,
        w: &[Complex64],
        v: &[Complex64],
        q: &[Complex64],
    ) -> Complex64 {
        (0..self.n_junctions()).map(|j| self.blocks[i].ej[(port, j)] * self.incident(i, j, w[j], v[j], q[j])).sum()
    }

    /// Wave from junction `j` into the network, power-wave normalisation.
    pub(crate) fn incident(&self, i: usize, j: usize, w: Complex64, v: Complex64, q: Complex64) -> Complex64 {
        let r = self.junction_ohm[j];
        (2.0 * v - w - Complex64::new(0.0, self.omega[i] * r) * q) / (2.0 * r.sqrt())
    }
}

/// Slopes `dv/dw` and `dq/dw` of each junction over one pump period, and their harmonics.
#[derive(Debug, Clone)]
pub(crate) struct Slopes {
    pub dv: Vec<Vec<f64>>,
    pub dq: Vec<Vec<f64>>,
    dv_h: Vec<Vec<Complex64>>,
    dq_h: Vec<Vec<Complex64>>,
}

impl Slopes {
    pub(crate) fn new(dv: Vec<Vec<f64>>, dq: Vec<Vec<f64>>) -> Self {
        let plan = Fourier::new(&[dv[0].len()]);
        let harmonics = |samples: &Vec<f64>| {
            let mut c: Vec<Complex64> = samples.iter().map(|&x| x.into()).collect();
            plan.coefficients(&mut c);
            c
        };
        let (dv_h, dq_h) = (dv.iter().map(harmonics).collect(), dq.iter().map(harmonics).collect());
        Self { dv, dq, dv_h, dq_h }
    }

    pub(crate) fn n_samples(&self) -> usize {
        self.dv[0].len()
    }

    /// Harmonic `h` of `dv/dw`; zero where the grid does not resolve it.
    pub(crate) fn dv(&self, j: usize, h: i32) -> Complex64 {
        resolved(&self.dv_h[j], h)
    }

    /// Harmonic `h` of `dq/dw`.
    pub(crate) fn dq(&self, j: usize, h: i32) -> Complex64 {
        resolved(&self.dq_h[j], h)
    }
}

fn resolved(c: &[Complex64], h: i32) -> Complex64 {
    let n = c.len() as i32;
    if 2 * h.abs() >= n { Complex64::default() } else { c[h.rem_euclid(n) as usize] }
}

/// The whole linearised balance of a lane as a dense matrix; rows and columns run harmonic by
/// harmonic, junctions fastest.
pub(crate) fn matrix(lane: &Lane, slopes: &Slopes) -> CMatrix {
    let all = 0..lane.n_harmonics();
    block(lane, slopes, all.clone(), all)
}

/// Rows and columns of [`matrix`] in two ranges of harmonic indices.
fn block(lane: &Lane, slopes: &Slopes, rows: Range<usize>, cols: Range<usize>) -> CMatrix {
    let n = lane.n_junctions();
    let mut a = CMatrix::zeros(rows.len() * n, cols.len() * n);
    // the factors of a column depend on row minus column harmonic only
    let lowest = rows.start as i32 - (cols.end as i32 - 1);
    let spread = lowest..rows.end as i32 - cols.start as i32;
    let factors = |f: &dyn Fn(usize, i32) -> Complex64| -> Vec<Complex64> {
        spread.clone().flat_map(|h| (0..n).map(move |j| (h, j))).map(|(h, j)| f(j, h)).collect()
    };
    let dv = factors(&|j, h| 2.0 * slopes.dv(j, h));
    let dq = factors(&|j, h| slopes.dq(j, h) * lane.junction_ohm[j]);
    for (row_k, i) in rows.enumerate() {
        let jomega = Complex64::new(0.0, lane.omega[i]);
        let s = &lane.blocks[i].jj;
        for row_j in 0..n {
            let out = a.row_mut(row_k * n + row_j);
            for (col_k, i2) in cols.clone().enumerate() {
                let h = (i as i32 - i2 as i32 - lowest) as usize * n;
                for col_j in 0..n {
                    let s = s[(row_j, col_j)];
                    let one_plus_s = if row_j == col_j { s + 1.0 } else { s };
                    let mut t = jomega * dq[h + col_j];
                    if i == i2 {
                        t += 1.0;
                    }
                    out[col_k * n + col_j] = one_plus_s * t - s * dv[h + col_j];
                }
            }
        }
    }
    a
}

/// Approximate inverse of a lane: block tridiagonal, each block dense over a run of harmonics.
///
/// Couplings further apart than neighbouring blocks are left to the iteration. A lane that fits
/// into one block is inverted exactly.
pub(crate) struct Preconditioner {
    n_junctions: usize,
    blocks: Vec<Block>,
}

struct Block {
    harmonics: Range<usize>,
    /// Factors of the diagonal block after elimination of all blocks before it.
    diagonal: Lu,
    /// Coupling to the block before, as it stands in the matrix.
    below: Option<Packed>,
    /// The coupling of the block before to this one, multiplied by the inverse of that block.
    above: Option<Packed>,
}

impl Preconditioner {
    /// Blocks hold about `2·dense_order + 1` harmonics.
    pub(crate) fn new(lane: &Lane, slopes: &Slopes, dense_order: usize) -> Result<Self, BalanceError> {
        let m = lane.n_harmonics();
        let count = m.div_ceil(2 * dense_order + 1);
        let edge = |b: usize| b * m / count;
        let mut blocks: Vec<Block> = Vec::with_capacity(count);
        for b in 0..count {
            let here = edge(b)..edge(b + 1);
            let mut diagonal = block(lane, slopes, here.clone(), here.clone());
            let (mut below, mut above) = (None, None);
            if let Some(before) = blocks.last() {
                let right = before.diagonal.solve(&block(lane, slopes, before.harmonics.clone(), here.clone()));
                let left = block(lane, slopes, here.clone(), before.harmonics.clone());
                subtract_product(&mut diagonal, &left, &right);
                (below, above) = (Some(Packed::new(&left)), Some(Packed::new(&right)));
            }
            blocks.push(Block { harmonics: here, diagonal: Lu::factor(&diagonal)?, below, above });
        }
        Ok(Self { n_junctions: lane.n_junctions(), blocks })
    }

    /// `x` and `y` hold one lane of all junctions: junction `j`, harmonic index `i` at `j·stride + i`.
    pub(crate) fn apply(&self, x: &[Complex64], y: &mut [Complex64], stride: usize, scratch: &mut Vec<Complex64>) {
        let n = self.n_junctions;
        let m = self.blocks.last().map_or(0, |b| b.harmonics.end);
        scratch.clear();
        scratch.extend((0..m).flat_map(|i| (0..n).map(move |j| j * stride + i)).map(|at| x[at]));
        let part = |h: &Range<usize>| h.start * n..h.end * n;
        for (b, block) in self.blocks.iter().enumerate() {
            let here = part(&block.harmonics);
            let (done, rest) = scratch.split_at_mut(here.start);
            if let Some(below) = &block.below {
                below.subtract_times(&mut rest[..here.len()], &done[part(&self.blocks[b - 1].harmonics)]);
            }
            block.diagonal.solve_in_place(&mut rest[..here.len()]);
        }
        for b in (1..self.blocks.len()).rev() {
            let here = part(&self.blocks[b].harmonics);
            let before = part(&self.blocks[b - 1].harmonics);
            let (low, high) = scratch.split_at_mut(here.start);
            if let Some(above) = &self.blocks[b].above {
                above.subtract_times(&mut low[before], &high[..here.len()]);
            }
        }
        for i in 0..m {
            for j in 0..n {
                y[j * stride + i] = scratch[i * n + j];
            }
        }
    }
}

/// Solves one pumped lane exactly by preconditioned iteration.
pub(crate) struct LaneSolver<'a> {
    pub lane: &'a Lane,
    pub slopes: &'a Slopes,
    plan: Fourier,
    preconditioner: Preconditioner,
}

impl<'a> LaneSolver<'a> {
    pub(crate) fn new(lane: &'a Lane, slopes: &'a Slopes, cut: usize) -> Result<Self, BalanceError> {
        let preconditioner = Preconditioner::new(lane, slopes, cut)?;
        Ok(Self { lane, slopes, plan: Fourier::new(&[slopes.n_samples()]), preconditioner })
    }

    /// Solution of the linearised balance for a right side laid out junction by junction.
    pub(crate) fn solve(&self, rhs: &[Complex64], tolerance: f64) -> KrylovResult {
        let mut scratch = Vec::new();
        let stride = self.lane.n_harmonics();
        let settings = KrylovSettings { scalars: Scalars::Complex, tolerance, restart: 60, iterations_max: 240 };
        gmres(|x, y| self.apply(x, y), |x, y| self.preconditioner.apply(x, y, stride, &mut scratch), rhs, settings)
    }

    /// The linearised balance applied to `w`.
    pub(crate) fn apply(&self, w: &[Complex64], y: &mut [Complex64]) {
        let (v, q) = self.follow(w);
        let (n, m) = (self.lane.n_junctions(), self.lane.n_harmonics());
        let mut column = [[Complex64::default(); 16]; 4];
        for i in 0..m {
            for j in 0..n {
                column[0][j] = w[j * m + i];
                column[1][j] = v[j * m + i];
                column[2][j] = q[j * m + i];
            }
            let [w, v, q, out] = &mut column;
            self.lane.left_side(i, &w[..n], &v[..n], &q[..n], &mut out[..n]);
            for j in 0..n {
                y[j * m + i] = out[j];
            }
        }
    }

    /// Voltage and charge that follow `w`: products with the slopes over the pump period.
    pub(crate) fn follow(&self, w: &[Complex64]) -> (Vec<Complex64>, Vec<Complex64>) {
        let mut v = vec![Complex64::default(); w.len()];
        let mut q = vec![Complex64::default(); w.len()];
        let m = self.lane.n_harmonics();
        for j in 0..self.lane.n_junctions() {
            let x = self.samples(&w[j * m..(j + 1) * m]);
            let times = |slope: &[f64]| x.iter().zip(slope).map(|(x, s)| x * s).collect();
            self.coefficients(times(&self.slopes.dv[j]), &mut v[j * m..(j + 1) * m]);
            self.coefficients(times(&self.slopes.dq[j]), &mut q[j * m..(j + 1) * m]);
        }
        (v, q)
    }

    /// Samples over one pump period of the complex envelope with these harmonics.
    pub(crate) fn samples(&self, harmonics: &[Complex64]) -> Vec<Complex64> {
        let n = self.plan.len();
        let mut x = vec![Complex64::default(); n];
        let k_max = self.lane.pump_order as i32;
        for (c, k) in harmonics.iter().zip(-k_max..=k_max) {
            x[k.rem_euclid(n as i32) as usize] = *c;
        }
        self.plan.samples(&mut x);
        x
    }

    /// Harmonics of samples over one pump period.
    pub(crate) fn coefficients(&self, mut samples: Vec<Complex64>, harmonics: &mut [Complex64]) {
        let n = samples.len();
        self.plan.coefficients(&mut samples);
        let k_max = self.lane.pump_order as i32;
        for (c, k) in harmonics.iter_mut().zip(-k_max..=k_max) {
            *c = samples[k.rem_euclid(n as i32) as usize];
        }
    }
}
