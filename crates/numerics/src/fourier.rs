//! Fourier transforms over one to three axes between samples and two-sided coefficients.
//!
//! `coefficient[k] = (1/N) Σ x(t_j) exp(−j2πkj/N)`, so that `x(t) = Σ_k X_k exp(+jkθ)`.
//! Data are stored with the last axis fastest; negative orders wrap to the end of each axis.

use crate::Complex64;
use rustfft::{Fft, FftPlanner};
use std::cell::RefCell;
use std::sync::Arc;

thread_local! {
    /// Plans are made once a thread and length.
    static PLANNER: RefCell<FftPlanner<f64>> = RefCell::new(FftPlanner::new());
}

/// A planned transform over a grid of the given lengths.
#[derive(Clone)]
pub struct Fourier {
    lengths: Vec<usize>,
    to_coefficients: Vec<Arc<dyn Fft<f64>>>,
    to_samples: Vec<Arc<dyn Fft<f64>>>,
}

impl Fourier {
    /// Plans a transform over axes of these lengths.
    pub fn new(lengths: &[usize]) -> Self {
        PLANNER.with_borrow_mut(|planner| Self {
            lengths: lengths.to_vec(),
            to_coefficients: lengths.iter().map(|&n| planner.plan_fft_forward(n)).collect(),
            to_samples: lengths.iter().map(|&n| planner.plan_fft_inverse(n)).collect(),
        })
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.lengths.iter().product()
    }

    /// True for a grid without points.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Lengths of the axes.
    pub fn lengths(&self) -> &[usize] {
        &self.lengths
    }

    /// Samples to coefficients, in place.
    pub fn coefficients(&self, data: &mut [Complex64]) {
        self.all_axes(data, &self.to_coefficients);
        let scale = 1.0 / self.len() as f64;
        for x in data.iter_mut() {
            *x *= scale;
        }
    }

    /// Coefficients to samples, in place.
    pub fn samples(&self, data: &mut [Complex64]) {
        self.all_axes(data, &self.to_samples);
    }

    /// As [`Self::samples`] where only orders `−order_max…order_max` of the last axis are not zero.
    pub fn samples_up_to(&self, data: &mut [Complex64], order_max: usize) {
        self.across(data, &self.to_samples, order_max);
        self.along(data, &self.to_samples);
    }

    /// As [`Self::coefficients`], wanted only for orders `−order_max…order_max` of the last axis and
    /// not yet divided by the number of samples. Other orders hold no meaning afterwards.
    pub fn coefficients_up_to(&self, data: &mut [Complex64], order_max: usize) {
        self.along(data, &self.to_coefficients);
        self.across(data, &self.to_coefficients, order_max);
    }

    fn all_axes(&self, data: &mut [Complex64], plans: &[Arc<dyn Fft<f64>>]) {
        self.along(data, plans);
        self.across(data, plans, usize::MAX);
    }

    /// Transforms the last axis.
    fn along(&self, data: &mut [Complex64], plans: &[Arc<dyn Fft<f64>>]) {
        assert_eq!(data.len(), self.len(), "data against grid");
        if let Some(plan) = plans.last() {
            plan.process_with_scratch(data, &mut vec![Complex64::default(); plan.get_inplace_scratch_len()]);
        }
    }

    /// Transforms all axes but the last, at the last axis' orders up to `order_max` only.
    fn across(&self, data: &mut [Complex64], plans: &[Arc<dyn Fft<f64>>], order_max: usize) {
        let Some((&last, others)) = self.lengths.split_last() else { return };
        let columns = if 2 * order_max.min(last) + 1 >= last {
            [0..last, 0..0]
        } else {
            [0..order_max + 1, last - order_max..last]
        };
        let mut rows = 1;
        for axis in (0..others.len()).rev() {
            one_axis(data, self.lengths[axis], (rows, last), &columns, plans[axis].as_ref());
            rows *= self.lengths[axis];
        }
    }
}

/// Transforms along an axis of length `n` whose neighbours lie `rows·last` apart, in some columns of
/// the last axis.
fn one_axis(
    data: &mut [Complex64],
    n: usize,
    (rows, last): (usize, usize),
    columns: &[std::ops::Range<usize>; 2],
    plan: &dyn Fft<f64>,
) {
    if n == 1 {
        return;
    }
    let inner = rows * last;
    let used: Vec<usize> =
        (0..rows).flat_map(|r| columns.iter().cloned().flatten().map(move |c| r * last + c)).collect();
    let mut scratch = vec![Complex64::default(); plan.get_inplace_scratch_len()];
    let mut lines = vec![Complex64::default(); n * used.len()];
    for block in data.chunks_exact_mut(n * inner) {
        for (line, &i) in lines.chunks_exact_mut(n).zip(&used) {
            for (x, row) in line.iter_mut().zip(block.chunks_exact(inner)) {
                *x = row[i];
            }
        }
        plan.process_with_scratch(&mut lines, &mut scratch);
        for (line, &i) in lines.chunks_exact(n).zip(&used) {
            for (x, row) in line.iter().zip(block.chunks_exact_mut(inner)) {
                row[i] = *x;
            }
        }
    }
}

/// Smallest length of the form 2^a 3^b 5^c that is at least `n`.
pub fn good_length(n: usize) -> usize {
    (n.max(1)..)
        .find(|&m| {
            let mut r = m;
            for p in [2, 3, 5] {
                while r % p == 0 {
                    r /= p;
                }
            }
            r == 1
        })
        .unwrap_or(n)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_a_two_dimensional_grid_lands_on_its_order() {
        let plan = Fourier::new(&[12, 10]);
        let mut x: Vec<Complex64> = (0..120)
            .map(|i| {
                let (a, b) = ((i / 10) as f64 / 12.0, (i % 10) as f64 / 10.0);
                Complex64::from_polar(1.0, std::f64::consts::TAU * (2.0 * a - 3.0 * b))
            })
            .collect();
        plan.coefficients(&mut x);
        for (i, v) in x.iter().enumerate() {
            let expected = if i == 2 * 10 + 7 { 1.0 } else { 0.0 };
            assert!((v - expected).norm() < 1e-14, "order {i}");
        }
        plan.samples(&mut x);
        assert!((x[0] - 1.0).norm() < 1e-14);
    }

    #[test]
    fn narrow_transforms_agree_with_full_ones() {
        let plan = Fourier::new(&[6, 5, 16]);
        let mut coefficients: Vec<Complex64> = (0..480)
            .map(|i| if matches!(i % 16, 0..=3 | 13..) { Complex64::new((i as f64).sin(), 0.1) } else { 0.0.into() })
            .collect();
        let (mut full, mut narrow) = (coefficients.clone(), coefficients.clone());
        plan.samples(&mut full);
        plan.samples_up_to(&mut narrow, 3);
        let same = |a: &[Complex64], b: &[Complex64]| a.iter().zip(b).all(|(a, b)| (a - b).norm() < 1e-12);
        assert!(same(&full, &narrow));
        plan.coefficients_up_to(&mut narrow, 3);
        for (i, (x, expected)) in narrow.iter().zip(&mut coefficients).enumerate() {
            if matches!(i % 16, 0..=3 | 13..) {
                assert!((x / 480.0 - *expected).norm() < 1e-14, "{i}");
            }
        }
    }

    #[test]
    fn good_lengths_have_small_factors_only() {
        assert_eq!([7, 11, 97, 128, 131].map(good_length), [8, 12, 100, 128, 135]);
    }
}
