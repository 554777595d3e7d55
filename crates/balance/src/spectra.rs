//! Coefficients of all junction waveforms and their transforms to samples and back.

use crate::Basis;
use numerics::Complex64;
use numerics::fourier::Fourier;

/// Two-sided coefficients by junction, lane and pump harmonic.
///
/// Lane 0 holds both halves of its lines, conjugate to one another.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Spectra {
    n_junctions: usize,
    n_lanes: usize,
    pump_order: usize,
    data: Vec<Complex64>,
}

impl Spectra {
    pub(crate) fn zeros(n_junctions: usize, basis: &Basis) -> Self {
        let (n_lanes, n_harmonics) = (basis.lanes.len(), basis.n_harmonics());
        let data = vec![Complex64::default(); n_junctions * n_lanes * n_harmonics];
        Self { n_junctions, n_lanes, pump_order: basis.pump_order, data }
    }

    pub(crate) fn at(&self, junction: usize, lane: usize, k: i32) -> Complex64 {
        self.lane(junction, lane)[(k + self.pump_order as i32) as usize]
    }

    pub(crate) fn lane(&self, junction: usize, lane: usize) -> &[Complex64] {
        let n = 2 * self.pump_order + 1;
        &self.data[(junction * self.n_lanes + lane) * n..][..n]
    }

    pub(crate) fn lane_mut(&mut self, junction: usize, lane: usize) -> &mut [Complex64] {
        let n = 2 * self.pump_order + 1;
        &mut self.data[(junction * self.n_lanes + lane) * n..][..n]
    }

    pub(crate) fn as_slice(&self) -> &[Complex64] {
        &self.data
    }

    pub(crate) fn as_mut_slice(&mut self) -> &mut [Complex64] {
        &mut self.data
    }

    /// The same waveforms in another basis: common products are kept, new ones are zero.
    pub(crate) fn moved_to(&self, from: &Basis, to: &Basis) -> Self {
        let mut out = Self::zeros(self.n_junctions, to);
        for (lane_to, orders) in to.lanes.iter().enumerate() {
            let Some(lane_from) = from.lanes.iter().position(|l| l == orders) else { continue };
            let k_max = from.pump_order.min(to.pump_order) as i32;
            for j in 0..self.n_junctions {
                for k in -k_max..=k_max {
                    out.lane_mut(j, lane_to)[(k + to.pump_order as i32) as usize] = self.at(j, lane_from, k);
                }
            }
        }
        out
    }
}

/// Transforms between [`Spectra`] and samples on the basis' grid.
pub(crate) struct Transform {
    plan: Fourier,
    pump_order: usize,
    /// Grid index of pump harmonic zero of each lane and of its mirror image.
    rows: Vec<(usize, usize)>,
    n_pump: usize,
}

impl Transform {
    pub(crate) fn new(basis: &Basis) -> Self {
        let n_pump = basis.grid[basis.grid.len() - 1];
        let row = |orders: &[i32], sign: i32| {
            let mut index = 0;
            for (&m, &n) in orders.iter().zip(&basis.grid) {
                index = index * n + (sign * m).rem_euclid(n as i32) as usize;
            }
            index * n_pump
        };
        Self {
            plan: Fourier::new(&basis.grid),
            pump_order: basis.pump_order,
            rows: basis.lanes.iter().map(|l| (row(l, 1), row(l, -1))).collect(),
            n_pump,
        }
    }

    pub(crate) fn n_samples(&self) -> usize {
        self.plan.len()
    }

    /// Fills `grid` with samples of `a + j·b`, two junctions of spectra laid out as in [`Spectra`].
    pub(crate) fn to_samples(&self, spectra: &[Complex64], a: usize, b: Option<usize>, grid: &mut [Complex64]) {
        grid.fill(Complex64::default());
        let k_max = self.pump_order as i32;
        let n = 2 * self.pump_order + 1;
        for (lane, &(row, mirror)) in self.rows.iter().enumerate() {
            let of = |junction: usize| &spectra[(junction * self.rows.len() + lane) * n..][..n];
            let (xa, xb) = (of(a), b.map(of));
            for k in -k_max..=k_max {
                let i = (k + k_max) as usize;
                let (va, vb) = (xa[i], xb.map_or(Complex64::default(), |x| x[i]));
                grid[row + self.column(k)] = va + Complex64::new(-vb.im, vb.re);
                if lane > 0 {
                    let (va, vb) = (va.conj(), vb.conj());
                    grid[mirror + self.column(-k)] = va + Complex64::new(-vb.im, vb.re);
                }
            }
        }
        self.plan.samples_up_to(grid, self.pump_order);
    }

    /// Coefficients of the real waveforms `re(grid)` and `im(grid)` of a junction, into spectra laid
    /// out as in [`Spectra`]; `grid` is overwritten.
    pub(crate) fn to_coefficients(
        &self,
        grid: &mut [Complex64],
        junction: usize,
        re: &mut [Complex64],
        im: &mut [Complex64],
    ) {
        self.plan.coefficients_up_to(grid, self.pump_order);
        let k_max = self.pump_order as i32;
        let n = 2 * self.pump_order + 1;
        let half = 0.5 / self.plan.len() as f64;
        for (lane, &(row, mirror)) in self.rows.iter().enumerate() {
            let at = (junction * self.rows.len() + lane) * n;
            let (re, im) = (&mut re[at..at + n], &mut im[at..at + n]);
            for k in -k_max..=k_max {
                let i = (k + k_max) as usize;
                let x = grid[row + self.column(k)];
                let y = grid[mirror + self.column(-k)].conj();
                let difference = (x - y) * half;
                re[i] = (x + y) * half;
                im[i] = Complex64::new(difference.im, -difference.re);
            }
        }
    }

    fn column(&self, k: i32) -> usize {
        if k < 0 { self.n_pump - k.unsigned_abs() as usize } else { k as usize }
    }
}
