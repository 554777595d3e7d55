//! One lane: all pump harmonics at a fixed offset, linearised around a pumped state.

use crate::embedding::Blocks;
use crate::{BalanceError, Embedding};
use numerics::fourier::Fourier;
use numerics::krylov::{KrylovResult, KrylovSettings, Scalars, gmres};
use numerics::split::{Precision, Split};
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
    /// `jj` of all harmonics, column after column.
    columns: Vec<Complex64>,
    /// `jj` entry by entry, all harmonics of one entry together.
    entries: Vec<Complex64>,
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
        let mut lane = Self { pump_order, omega, blocks, junction_ohm, columns: Vec::new(), entries: Vec::new() };
        let n = lane.n_junctions();
        for b in &lane.blocks {
            lane.columns.extend((0..n * n).map(|x| b.jj[(x % n, x / n)]));
        }
        for x in 0..n * n {
            lane.entries.extend(lane.blocks.iter().map(|b| b.jj[(x / n, x % n)]));
        }
        Ok(lane)
    }

    /// Column `j` of `jj` at harmonic index `i`.
    fn column(&self, i: usize, j: usize) -> &[Complex64] {
        let n = self.n_junctions();
        &self.columns[(i * n + j) * n..][..n]
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

    /// Left side at all harmonics. Junction `j`, harmonic index `i` stands at `j·stride + i`; `q` is in
    /// units of `charge_c`; `u` is working space.
    pub(crate) fn left_side_all(
        &self,
        [w, v, q]: [&[Complex64]; 3],
        charge_c: f64,
        stride: usize,
        out: &mut [Complex64],
        u: &mut Vec<Complex64>,
    ) {
        let (n, m) = (self.n_junctions(), self.n_harmonics());
        u.resize(n * m, Complex64::default());
        for j in 0..n {
            let at = j * stride..j * stride + m;
            let r = self.junction_ohm[j] * charge_c;
            let (w, v, q) = (&w[at.clone()], &v[at.clone()], &q[at.clone()]);
            let (out, u) = (&mut out[at], &mut u[j * m..(j + 1) * m]);
            for i in 0..m {
                let x = r * self.omega[i];
                let t = Complex64::new(w[i].re - x * q[i].im, w[i].im + x * q[i].re);
                out[i] = t;
                u[i] = 2.0 * v[i] - t;
            }
        }
        for j in 0..n {
            let out = &mut out[j * stride..j * stride + m];
            for (from, u) in u.chunks_exact(m).enumerate() {
                numerics::vector::subtract_products(out, &self.entries[(j * n + from) * m..][..m], u);
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
    let n = lane.n_harmonics() * lane.n_junctions();
    let mut a = CMatrix::zeros(n, n);
    columns(lane, slopes, all.clone(), all, 0.0, |row, col, x| a[(row, col)] = x);
    a
}

/// Rows and columns of [`matrix`] in two ranges of harmonic indices.
fn block<T: Precision>(lane: &Lane, slopes: &Slopes, rows: Range<usize>, cols: Range<usize>, leak: f64) -> Split<T> {
    let n = lane.n_junctions();
    let mut a = Split::zeros(rows.len() * n, cols.len() * n);
    let n_rows = a.n_rows();
    let (re, im) = a.parts_mut();
    columns(lane, slopes, rows, cols, leak, |row, col, x| {
        re[col * n_rows + row] = T::from_f64(x.re);
        im[col * n_rows + row] = T::from_f64(x.im);
    });
    a
}

/// Hands every entry of a block to `store(row, column, value)`, column by column.
#[inline]
fn columns(
    lane: &Lane,
    slopes: &Slopes,
    rows: Range<usize>,
    cols: Range<usize>,
    leak: f64,
    mut store: impl FnMut(usize, usize, Complex64),
) {
    let n = lane.n_junctions();
    for (col_k, i2) in cols.enumerate() {
        for col_j in 0..n {
            let r = lane.junction_ohm[col_j];
            for (row_k, i) in rows.clone().enumerate() {
                let h = i as i32 - i2 as i32;
                let mut t = Complex64::new(0.0, lane.omega[i] * r) * slopes.dq(col_j, h);
                if h == 0 {
                    t += 1.0 + leak;
                }
                let through = t - 2.0 * slopes.dv(col_j, h);
                let s = lane.column(i, col_j);
                for (row_j, s) in s.iter().enumerate() {
                    let x = s * through;
                    store(row_k * n + row_j, col_k * n + col_j, if row_j == col_j { x + t } else { x });
                }
            }
        }
    }
}

/// Precision in which an approximate inverse is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Grade {
    /// Half the memory and twice the speed; enough for the usual lane.
    Single,
    /// For lanes so close to singular that single precision loses the direction.
    Double,
}

/// Approximate inverse of a lane: block tridiagonal, each block dense over a run of harmonics.
///
/// Couplings further apart than neighbouring blocks are left to the iteration. A lane that fits
/// into one block is inverted exactly.
pub(crate) enum Preconditioner {
    Single(Chain<f32>),
    Double(Chain<f64>),
}

/// Working space of [`Preconditioner::apply`].
#[derive(Default)]
pub(crate) struct Scratch {
    single: Vec<Vec<f32>>,
    double: Vec<Vec<f64>>,
}

impl Preconditioner {
    /// Blocks hold about `2·dense_order + 1` harmonics.
    ///
    /// Where single precision sees a singular block (a junction at rest behind a block of direct
    /// current conducts some 1e-13 of its reference), double precision takes over.
    pub(crate) fn new(lane: &Lane, slopes: &Slopes, dense_order: usize, grade: Grade) -> Result<Self, BalanceError> {
        if grade == Grade::Single
            && let Ok(chain) = Chain::new(lane, slopes, dense_order, 0.0)
        {
            return Ok(Self::Single(chain));
        }
        let chain = Chain::new(lane, slopes, dense_order, 0.0);
        Ok(Self::Double(chain.or_else(|_| Chain::new(lane, slopes, dense_order, LEAK))?))
    }

    /// The conjugate transpose, for [`Self::apply_adjoint`].
    pub(crate) fn adjoint(&self) -> Self {
        match self {
            Self::Single(chain) => Self::Single(chain.adjoint()),
            Self::Double(chain) => Self::Double(chain.adjoint()),
        }
    }

    /// As [`Self::apply`], of the approximate inverse whose [`Self::adjoint`] this is.
    pub(crate) fn apply_adjoint(&self, x: &[Complex64], y: &mut [Complex64], stride: usize, scratch: &mut Scratch) {
        match self {
            Self::Single(chain) => chain.apply_adjoint(x, y, stride, &mut scratch.single),
            Self::Double(chain) => chain.apply_adjoint(x, y, stride, &mut scratch.double),
        }
    }

    /// `x` and `y` hold one lane of all junctions: junction `j`, harmonic index `i` at `j·stride + i`.
    pub(crate) fn apply(&self, x: &[Complex64], y: &mut [Complex64], stride: usize, scratch: &mut Scratch) {
        match self {
            Self::Single(chain) => chain.apply(x, y, stride, &mut scratch.single),
            Self::Double(chain) => chain.apply(x, y, stride, &mut scratch.double),
        }
    }
}

/// Conductance added to every junction, as a part of its reference, where even double precision sees
/// a singular block: only the approximate inverse has it, never the equations.
const LEAK: f64 = 1e-10;

/// The blocks of a [`Preconditioner`] after elimination from the lowest harmonic upwards.
pub(crate) struct Chain<T> {
    n_junctions: usize,
    n_harmonics: usize,
    blocks: Vec<Block<T>>,
}

struct Block<T> {
    harmonics: Range<usize>,
    /// Inverse of the diagonal block after elimination of all blocks before it.
    inverse: Split<T>,
    /// Coupling to the block before, as it stands in the matrix.
    below: Option<Split<T>>,
    /// The coupling of the block before to this one, multiplied by the inverse of that block.
    above: Option<Split<T>>,
}

impl<T: Precision> Chain<T> {
    fn new(lane: &Lane, slopes: &Slopes, dense_order: usize, leak: f64) -> Result<Self, BalanceError> {
        let m = lane.n_harmonics();
        let count = m.div_ceil(2 * dense_order + 1);
        let edge = |b: usize| b * m / count;
        let mut blocks: Vec<Block<T>> = Vec::with_capacity(count);
        for b in 0..count {
            let here = edge(b)..edge(b + 1);
            let mut inverse = block(lane, slopes, here.clone(), here.clone(), leak);
            let (mut below, mut above) = (None, None);
            if let Some(before) = blocks.last() {
                let coupling = block(lane, slopes, before.harmonics.clone(), here.clone(), leak);
                let right = Split::product(&before.inverse, &coupling);
                let left = block(lane, slopes, here.clone(), before.harmonics.clone(), leak);
                inverse.subtract_product(&left, &right);
                (below, above) = (Some(left), Some(right));
            }
            inverse.invert()?;
            blocks.push(Block { harmonics: here, inverse, below, above });
        }
        Ok(Self { n_junctions: lane.n_junctions(), n_harmonics: m, blocks })
    }

    fn apply(&self, x: &[Complex64], y: &mut [Complex64], stride: usize, scratch: &mut Vec<Vec<T>>) {
        let (n, m) = (self.n_junctions, self.n_harmonics);
        scratch.resize(4, Vec::new());
        scratch.iter_mut().for_each(|s| s.resize(n * m, T::default()));
        let [x_re, x_im, y_re, y_im] = &mut scratch[..] else { unreachable!("resized to four") };
        for j in 0..n {
            for (i, x) in x[j * stride..j * stride + m].iter().enumerate() {
                x_re[i * n + j] = T::from_f64(x.re);
                x_im[i * n + j] = T::from_f64(x.im);
            }
        }
        let part = |h: &Range<usize>| h.start * n..h.end * n;
        for (b, block) in self.blocks.iter().enumerate() {
            let here = part(&block.harmonics);
            if let Some(below) = &block.below {
                let before = part(&self.blocks[b - 1].harmonics);
                let to = (&mut x_re[here.clone()], &mut x_im[here.clone()]);
                below.subtract_times((&y_re[before.clone()], &y_im[before]), to);
            }
            let from = (&x_re[here.clone()], &x_im[here.clone()]);
            block.inverse.times_into(from, (&mut y_re[here.clone()], &mut y_im[here]));
        }
        for b in (1..self.blocks.len()).rev() {
            let before = part(&self.blocks[b - 1].harmonics);
            let (low_re, high_re) = y_re.split_at_mut(before.end);
            let (low_im, high_im) = y_im.split_at_mut(before.end);
            if let Some(above) = &self.blocks[b].above {
                let from = (&high_re[..above.n_cols()], &high_im[..above.n_cols()]);
                above.subtract_times(from, (&mut low_re[before.clone()], &mut low_im[before]));
            }
        }
        for j in 0..n {
            for (i, y) in y[j * stride..j * stride + m].iter_mut().enumerate() {
                *y = Complex64::new(y_re[i * n + j].to_f64(), y_im[i * n + j].to_f64());
            }
        }
    }
    /// Every block conjugated and transposed in its place.
    fn adjoint(&self) -> Self {
        let turned = |b: &Block<T>| Block {
            harmonics: b.harmonics.clone(),
            inverse: b.inverse.adjoint(),
            below: b.below.as_ref().map(Split::adjoint),
            above: b.above.as_ref().map(Split::adjoint),
        };
        Self { blocks: self.blocks.iter().map(turned).collect(), ..*self }
    }

    /// The sweeps of [`Self::apply`] transposed, over turned blocks: first up, then down.
    fn apply_adjoint(&self, x: &[Complex64], y: &mut [Complex64], stride: usize, scratch: &mut Vec<Vec<T>>) {
        let (n, m) = (self.n_junctions, self.n_harmonics);
        scratch.resize(4, Vec::new());
        scratch.iter_mut().for_each(|s| s.resize(n * m, T::default()));
        let [x_re, x_im, y_re, y_im] = &mut scratch[..] else { unreachable!("resized to four") };
        for j in 0..n {
            for (i, x) in x[j * stride..j * stride + m].iter().enumerate() {
                x_re[i * n + j] = T::from_f64(x.re);
                x_im[i * n + j] = T::from_f64(x.im);
            }
        }
        let part = |h: &Range<usize>| h.start * n..h.end * n;
        for (b, block) in self.blocks.iter().enumerate() {
            if let Some(above) = &block.above {
                let before = part(&self.blocks[b - 1].harmonics);
                let (low_re, high_re) = x_re.split_at_mut(before.end);
                let (low_im, high_im) = x_im.split_at_mut(before.end);
                let to = (&mut high_re[..above.n_rows()], &mut high_im[..above.n_rows()]);
                above.subtract_times((&low_re[before.clone()], &low_im[before]), to);
            }
        }
        for (b, block) in self.blocks.iter().enumerate().rev() {
            let here = part(&block.harmonics);
            if let Some(next) = self.blocks.get(b + 1)
                && let Some(below) = &next.below
            {
                let after = part(&next.harmonics);
                let to = (&mut x_re[here.clone()], &mut x_im[here.clone()]);
                below.subtract_times((&y_re[after.clone()], &y_im[after]), to);
            }
            let from = (&x_re[here.clone()], &x_im[here.clone()]);
            block.inverse.times_into(from, (&mut y_re[here.clone()], &mut y_im[here]));
        }
        for j in 0..n {
            for (i, y) in y[j * stride..j * stride + m].iter_mut().enumerate() {
                *y = Complex64::new(y_re[i * n + j].to_f64(), y_im[i * n + j].to_f64());
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
    cut: usize,
}

/// Residual, in units of the tolerance, above which a lane is tried again in double precision.
const SINGLE_ENOUGH: f64 = 100.0;

impl<'a> LaneSolver<'a> {
    pub(crate) fn new(lane: &'a Lane, slopes: &'a Slopes, cut: usize) -> Result<Self, BalanceError> {
        let preconditioner = Preconditioner::new(lane, slopes, cut, Grade::Single)?;
        Ok(Self { lane, slopes, plan: Fourier::new(&[slopes.n_samples()]), preconditioner, cut })
    }

    /// Solution of the linearised balance for a right side laid out junction by junction.
    pub(crate) fn solve(&self, rhs: &[Complex64], tolerance: f64) -> KrylovResult {
        let mut scratch = Scratch::default();
        let stride = self.lane.n_harmonics();
        let settings = KrylovSettings { scalars: Scalars::Complex, tolerance, restart: 60, iterations_max: 240 };
        let mut u = Vec::new();
        let mut by = |p: &Preconditioner| {
            gmres(|x, y| self.apply(x, y, &mut u), |x, y| p.apply(x, y, stride, &mut scratch), rhs, settings)
        };
        let found = by(&self.preconditioner);
        if found.residual <= SINGLE_ENOUGH * tolerance {
            return found;
        }
        let Ok(double) = Preconditioner::new(self.lane, self.slopes, self.cut, Grade::Double) else { return found };
        let again = by(&double);
        if again.residual < found.residual { again } else { found }
    }

    /// The linearised balance applied to `w`; `u` is working space.
    fn apply(&self, w: &[Complex64], y: &mut [Complex64], u: &mut Vec<Complex64>) {
        let (v, q) = self.follow(w);
        self.lane.left_side_all([w, &v, &q], 1.0, self.lane.n_harmonics(), y, u);
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
