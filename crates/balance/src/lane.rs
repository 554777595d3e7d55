//! One lane: all pump harmonics at a fixed offset, linearised around a pumped state.

use crate::embedding::Blocks;
use crate::{BalanceError, Embedding};
use numerics::fourier::Fourier;
use numerics::krylov::{KrylovResult, KrylovSettings, Scalars, gmres};
use numerics::linear::Lu;
use numerics::{CMatrix, Complex64};

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

/// The linearised balance of a lane as a dense matrix over harmonics `−cut…cut`; rows and columns
/// run harmonic by harmonic, junctions fastest.
pub(crate) fn matrix(lane: &Lane, slopes: &Slopes, cut: usize) -> CMatrix {
    let n = lane.n_junctions();
    let (m, cut) = (2 * cut + 1, cut as i32);
    let centre = lane.pump_order as i32;
    let mut a = CMatrix::zeros(m * n, m * n);
    let one = Complex64::from(1.0);
    // the column's own factors depend on row minus column harmonic only
    let span = 2 * cut;
    let dv: Vec<Vec<Complex64>> = (0..n).map(|j| (-span..=span).map(|h| 2.0 * slopes.dv(j, h)).collect()).collect();
    let dq: Vec<Vec<Complex64>> =
        (0..n).map(|j| (-span..=span).map(|h| slopes.dq(j, h) * lane.junction_ohm[j]).collect()).collect();
    for (row_k, k) in (-cut..=cut).enumerate() {
        let i = (k + centre) as usize;
        let jomega = Complex64::new(0.0, lane.omega[i]);
        let s = &lane.blocks[i].jj;
        for row_j in 0..n {
            let out = a.row_mut(row_k * n + row_j);
            for (col_k, k2) in (-cut..=cut).enumerate() {
                let h = (k - k2 + span) as usize;
                for col_j in 0..n {
                    let s = s[(row_j, col_j)];
                    let one_plus_s = if row_j == col_j { one + s } else { s };
                    let mut t = jomega * dq[col_j][h];
                    if k == k2 {
                        t += one;
                    }
                    out[col_k * n + col_j] = one_plus_s * t - s * dv[col_j][h];
                }
            }
        }
    }
    a
}

/// Approximate inverse of a lane: dense over the low harmonics, junction by junction above.
pub(crate) struct Preconditioner {
    central: Lu,
    cut: usize,
    outer: Vec<Option<Lu>>,
    n_junctions: usize,
    pump_order: usize,
}

impl Preconditioner {
    pub(crate) fn new(lane: &Lane, slopes: &Slopes, cut: usize) -> Result<Self, BalanceError> {
        let cut = cut.min(lane.pump_order);
        let central = Lu::factor(&matrix(lane, slopes, cut))?;
        let n = lane.n_junctions();
        let outer = (0..lane.n_harmonics())
            .map(|i| {
                if i.abs_diff(lane.pump_order) <= cut {
                    return Ok(None);
                }
                Lu::factor(&mean_block(lane, slopes, i)).map(Some)
            })
            .collect::<Result<_, _>>()?;
        Ok(Self { central, cut, outer, n_junctions: n, pump_order: lane.pump_order })
    }

    /// `x` and `y` hold one lane of all junctions: junction `j`, harmonic `k` at `j·stride + k + K`.
    pub(crate) fn apply(&self, x: &[Complex64], y: &mut [Complex64], stride: usize, scratch: &mut Vec<Complex64>) {
        let n = self.n_junctions;
        let first = self.pump_order - self.cut;
        scratch.clear();
        for i in first..=self.pump_order + self.cut {
            scratch.extend((0..n).map(|j| x[j * stride + i]));
        }
        self.central.solve_in_place(scratch);
        for (at, i) in (first..=self.pump_order + self.cut).enumerate() {
            for j in 0..n {
                y[j * stride + i] = scratch[at * n + j];
            }
        }
        let mut small = [Complex64::default(); 16];
        for (i, lu) in self.outer.iter().enumerate() {
            let Some(lu) = lu else { continue };
            for j in 0..n {
                small[j] = x[j * stride + i];
            }
            lu.solve_in_place(&mut small[..n]);
            for j in 0..n {
                y[j * stride + i] = small[j];
            }
        }
    }
}

/// Diagonal block of [`matrix`] at one harmonic: mean slopes only.
fn mean_block(lane: &Lane, slopes: &Slopes, i: usize) -> CMatrix {
    let n = lane.n_junctions();
    let jomega = Complex64::new(0.0, lane.omega[i]);
    CMatrix::from_fn(n, n, |r, c| {
        let s = lane.blocks[i].jj[(r, c)];
        let one_plus_s = if r == c { s + 1.0 } else { s };
        one_plus_s * (jomega * slopes.dq(c, 0) * lane.junction_ohm[c] + 1.0) - 2.0 * s * slopes.dv(c, 0)
    })
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
