//! Sparse elimination with a pivot order found once and replayed at every frequency.
//!
//! The order follows H. M. Markowitz, "The elimination form of the inverse and its application to
//! linear programming", Management Science 3 (1957) 255 (from memory): the pivot with the least
//! fill among those large enough in their column at all sample frequencies.
//! The replay is a list of index triples without branches; it reports when a multiplier grows so
//! large that digits would be lost, and the caller then solves densely.

use crate::stamp::{Scratch, System};
use numerics::Complex64;

/// Frequencies at which pivots are judged, hertz: from the lowest IF to the highest harmonic.
pub(crate) const SAMPLES_HZ: [f64; N_SAMPLES] = [1.0e6, 9.7e7, 1.03e9, 6.9e9, 2.31e10, 6.07e10, 1.71e11, 5.3e11];
const N_SAMPLES: usize = 8;
/// A pivot must reach this part of the largest entry of its column at all samples.
const PIVOT_SHARE_MIN: f64 = 0.05;
/// Largest multiplier allowed in a replay: four of sixteen digits may be lost.
const MULTIPLIER_MAX: f64 = 1e4;
const NONE: u32 = u32::MAX;

/// Values of one entry at `W` frequencies side by side.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lanes<const W: usize> {
    pub(crate) re: [f64; W],
    pub(crate) im: [f64; W],
}

impl<const W: usize> Lanes<W> {
    pub(crate) const ZERO: Self = Self { re: [0.0; W], im: [0.0; W] };

    fn times(&self, by: &Self) -> Self {
        let mut out = Self::ZERO;
        for l in 0..W {
            out.re[l] = self.re[l] * by.re[l] - self.im[l] * by.im[l];
            out.im[l] = self.re[l] * by.im[l] + self.im[l] * by.re[l];
        }
        out
    }

    fn subtract_product(&mut self, a: &Self, b: &Self) {
        for l in 0..W {
            self.re[l] -= a.re[l] * b.re[l] - a.im[l] * b.im[l];
            self.im[l] -= a.re[l] * b.im[l] + a.im[l] * b.re[l];
        }
    }

    fn inverse(&self) -> Self {
        let mut out = Self::ZERO;
        for l in 0..W {
            let by = 1.0 / (self.re[l] * self.re[l] + self.im[l] * self.im[l]);
            out.re[l] = self.re[l] * by;
            out.im[l] = -self.im[l] * by;
        }
        out
    }

    fn l1(&self) -> [f64; W] {
        std::array::from_fn(|l| self.re[l].abs() + self.im[l].abs())
    }
}

/// One pivot: its entry, the other entries of its row, and the rows it is subtracted from.
#[derive(Debug, Clone, Copy)]
struct Step {
    pivot: u32,
    n_cols: u32,
    n_rows: u32,
}

/// The elimination as a program.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    steps: Vec<Step>,
    /// For each step: the row entries, then per row the multiplier entry and its targets.
    program: Vec<u32>,
    /// Entries with fill.
    pub(crate) n_slots: usize,
    /// Entry of the corner left at the end, row by row; `u32::MAX` where nothing arrived.
    corner: Vec<u32>,
    n_cols_max: usize,
}

impl Plan {
    /// Finds the order; `None` when no pivot can be found (a singular system).
    pub(crate) fn new(system: &System) -> Option<Self> {
        let mut work = Elimination::new(system);
        let mut plan = Self { steps: Vec::new(), program: Vec::new(), n_slots: 0, corner: Vec::new(), n_cols_max: 0 };
        for _ in 0..system.n() {
            let (row, col) = work.best_pivot()?;
            let (step, program) = work.eliminate(row, col);
            plan.n_cols_max = plan.n_cols_max.max(step.n_cols as usize);
            plan.steps.push(step);
            plan.program.extend(program);
        }
        plan.n_slots = work.values.len();
        plan.corner = work.corner();
        Some(plan)
    }

    /// Complex multiplications of one replay.
    pub(crate) fn multiplications(&self) -> usize {
        self.steps.iter().map(|s| (s.n_cols * (s.n_rows + 1)) as usize).sum()
    }

    /// Buffer length needed beside the entries.
    pub(crate) fn n_cols_max(&self) -> usize {
        self.n_cols_max
    }

    /// Eliminates in place. False when a multiplier grew too large in any lane.
    pub(crate) fn replay<const W: usize>(&self, v: &mut [Lanes<W>], row: &mut [Lanes<W>]) -> bool {
        let mut rest = self.program.as_slice();
        let mut good = true;
        for step in &self.steps {
            let n_cols = step.n_cols as usize;
            let (cols, tail) = rest.split_at(n_cols);
            let (rows, tail) = tail.split_at(step.n_rows as usize * (n_cols + 1));
            rest = tail;
            let inverse = v[step.pivot as usize].inverse();
            let row = &mut row[..n_cols];
            for (x, &c) in row.iter_mut().zip(cols) {
                *x = v[c as usize].times(&inverse);
            }
            let mut largest = [0.0_f64; W];
            for chunk in rows.chunks_exact(n_cols + 1) {
                let multiplier = v[chunk[0] as usize];
                let size = multiplier.l1();
                (0..W).for_each(|l| largest[l] = largest[l].max(size[l]));
                for (&target, x) in chunk[1..].iter().zip(row.iter()) {
                    v[target as usize].subtract_product(&multiplier, x);
                }
            }
            let inverse = inverse.l1();
            good &= (0..W).all(|l| largest[l] * inverse[l] < MULTIPLIER_MAX);
        }
        good
    }

    /// `S` of one lane after a replay, row by row; `None` unless finite.
    pub(crate) fn scattering<const W: usize>(
        &self,
        v: &[Lanes<W>],
        lane: usize,
        n_ports: usize,
    ) -> Option<numerics::CMatrix> {
        let mut s = numerics::CMatrix::zeros(n_ports, n_ports);
        for (k, (out, &slot)) in s.as_mut_slice().iter_mut().zip(&self.corner).enumerate() {
            if slot != NONE {
                *out = Complex64::new(v[slot as usize].re[lane], v[slot as usize].im[lane]);
            }
            if k % (n_ports + 1) == 0 {
                *out -= 1.0;
            }
        }
        s.is_finite().then_some(s)
    }
}

/// The elimination at the sample frequencies, all at once.
struct Elimination {
    n: usize,
    size: usize,
    slot_at: Vec<u32>,
    values: Vec<[Complex64; N_SAMPLES]>,
    /// Columns of each row and rows of each column that are still active.
    cols_of: Vec<Vec<usize>>,
    rows_of: Vec<Vec<usize>>,
    /// Largest magnitude in each column.
    largest: Vec<[f64; N_SAMPLES]>,
    active: Vec<bool>,
}

impl Elimination {
    fn new(system: &System) -> Self {
        let (n, size) = (system.n(), system.n() + system.n_ports);
        let mut slot_at = vec![NONE; size * size];
        let (mut cols_of, mut rows_of) = (vec![Vec::new(); size], vec![Vec::new(); size]);
        for (slot, &(row, col)) in system.entries.iter().enumerate() {
            slot_at[row as usize * size + col as usize] = slot as u32;
            cols_of[row as usize].push(col as usize);
            rows_of[col as usize].push(row as usize);
        }
        let mut values = vec![[Complex64::default(); N_SAMPLES]; system.entries.len()];
        let mut scratch = Scratch::default();
        for (sample, &freq_hz) in SAMPLES_HZ.iter().enumerate() {
            let mut column = vec![Complex64::default(); values.len()];
            // A block without data at a sample is judged by its other entries only: pivots are
            // checked again at every replay.
            let _ = system.evaluate(freq_hz, &mut scratch, |slot, value| column[slot] += value);
            values.iter_mut().zip(column).for_each(|(v, c)| v[sample] = c);
        }
        let mut this = Self {
            n,
            size,
            slot_at,
            values,
            cols_of,
            rows_of,
            largest: vec![[0.0; N_SAMPLES]; size],
            active: vec![true; size],
        };
        (0..size).for_each(|col| this.measure(col));
        this
    }

    fn measure(&mut self, col: usize) {
        let mut largest = [0.0_f64; N_SAMPLES];
        for &row in &self.rows_of[col] {
            let value = &self.values[self.slot_at[row * self.size + col] as usize];
            (0..N_SAMPLES).for_each(|s| largest[s] = largest[s].max(value[s].l1_norm()));
        }
        self.largest[col] = largest;
    }

    /// The entry with the least fill among those of sufficient size, or the largest one.
    fn best_pivot(&self) -> Option<(usize, usize)> {
        let mut least: Option<(usize, f64, (usize, usize))> = None;
        let mut fallback: Option<(f64, (usize, usize))> = None;
        for row in (0..self.n).filter(|&r| self.active[r]) {
            for &col in self.cols_of[row].iter().filter(|&&c| c < self.n) {
                let value = &self.values[self.slot_at[row * self.size + col] as usize];
                let share =
                    (0..N_SAMPLES).map(|s| value[s].l1_norm() / self.largest[col][s]).fold(f64::INFINITY, f64::min);
                if share >= PIVOT_SHARE_MIN {
                    let fill = (self.cols_of[row].len() - 1) * (self.rows_of[col].len() - 1);
                    if least.is_none_or(|(f, s, _)| (fill, -share) < (f, -s)) {
                        least = Some((fill, share, (row, col)));
                    }
                } else if share > 0.0 && fallback.is_none_or(|(s, _)| share > s) {
                    fallback = Some((share, (row, col)));
                }
            }
        }
        least.map(|l| l.2).or(fallback.map(|f| f.1))
    }

    fn eliminate(&mut self, pivot_row: usize, pivot_col: usize) -> (Step, Vec<u32>) {
        let pivot = self.slot_at[pivot_row * self.size + pivot_col];
        let mut cols = std::mem::take(&mut self.cols_of[pivot_row]);
        let mut rows = std::mem::take(&mut self.rows_of[pivot_col]);
        cols.retain(|&c| c != pivot_col);
        rows.retain(|&r| r != pivot_row);
        cols.sort_unstable();
        rows.sort_unstable();
        self.active[pivot_row] = false;
        cols.iter().for_each(|&c| self.rows_of[c].retain(|&r| r != pivot_row));
        rows.iter().for_each(|&r| self.cols_of[r].retain(|&c| c != pivot_col));
        let mut program: Vec<u32> = cols.iter().map(|&c| self.slot_at[pivot_row * self.size + c]).collect();
        for &row in &rows {
            let multiplier = self.slot_at[row * self.size + pivot_col];
            program.push(multiplier);
            for &col in &cols {
                let target = self.target(row, col);
                program.push(target);
                let source = self.slot_at[pivot_row * self.size + col];
                for s in 0..N_SAMPLES {
                    let by = self.values[multiplier as usize][s] / self.values[pivot as usize][s];
                    let product = by * self.values[source as usize][s];
                    self.values[target as usize][s] -= product;
                }
            }
        }
        cols.iter().for_each(|&c| self.measure(c));
        (Step { pivot, n_cols: cols.len() as u32, n_rows: rows.len() as u32 }, program)
    }

    /// The entry at `row`, `col`, made when it is fill.
    fn target(&mut self, row: usize, col: usize) -> u32 {
        let place = row * self.size + col;
        if self.slot_at[place] == NONE {
            self.slot_at[place] = self.values.len() as u32;
            self.values.push([Complex64::default(); N_SAMPLES]);
            self.cols_of[row].push(col);
            self.rows_of[col].push(row);
        }
        self.slot_at[place]
    }

    fn corner(&self) -> Vec<u32> {
        let border = self.n..self.size;
        border
            .clone()
            .flat_map(|r| border.clone().map(move |c| (r, c)))
            .map(|(r, c)| self.slot_at[r * self.size + c])
            .collect()
    }
}
