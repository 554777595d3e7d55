//! Fourier transforms over one to three axes between samples and two-sided coefficients.
//!
//! `coefficient[k] = (1/N) Σ x(t_j) exp(−j2πkj/N)`, so that `x(t) = Σ_k X_k exp(+jkθ)`.
//! Data are stored with the last axis fastest; negative orders wrap to the end of each axis.

use crate::Complex64;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

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
        let mut planner = FftPlanner::new();
        Self {
            lengths: lengths.to_vec(),
            to_coefficients: lengths.iter().map(|&n| planner.plan_fft_forward(n)).collect(),
            to_samples: lengths.iter().map(|&n| planner.plan_fft_inverse(n)).collect(),
        }
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

    fn all_axes(&self, data: &mut [Complex64], plans: &[Arc<dyn Fft<f64>>]) {
        assert_eq!(data.len(), self.len(), "data against grid");
        let mut inner = 1;
        for axis in (0..self.lengths.len()).rev() {
            one_axis(data, self.lengths[axis], inner, plans[axis].as_ref());
            inner *= self.lengths[axis];
        }
    }
}

/// Transforms along an axis of length `n` whose neighbours lie `inner` apart.
fn one_axis(data: &mut [Complex64], n: usize, inner: usize, plan: &dyn Fft<f64>) {
    if n == 1 {
        return;
    }
    let mut scratch = vec![Complex64::default(); plan.get_inplace_scratch_len()];
    if inner == 1 {
        plan.process_with_scratch(data, &mut scratch);
        return;
    }
    let mut lines = vec![Complex64::default(); n * inner];
    for block in data.chunks_exact_mut(n * inner) {
        for j in 0..n {
            for i in 0..inner {
                lines[i * n + j] = block[j * inner + i];
            }
        }
        plan.process_with_scratch(&mut lines, &mut scratch);
        for j in 0..n {
            for i in 0..inner {
                block[j * inner + i] = lines[i * n + j];
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
    fn good_lengths_have_small_factors_only() {
        assert_eq!([7, 11, 97, 128, 131].map(good_length), [8, 12, 100, 128, 135]);
    }
}
