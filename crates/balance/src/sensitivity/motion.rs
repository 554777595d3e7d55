//! How a linear multiport moves with parameters of its own.

use crate::{BalanceError, Embedding};
use numerics::CMatrix;
use std::sync::Arc;

/// Derivatives of a scattering matrix at one frequency.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NetworkDerivatives {
    /// One a parameter.
    pub first: Vec<CMatrix>,
    /// One a pair `i ≤ j`, in the order (0,0), (0,1) … (0,n−1), (1,1) …; empty when not asked for.
    pub second: Vec<CMatrix>,
}

/// Supplies derivatives of the scattering matrix of an embedding.
pub trait NetworkMotion: Sync {
    /// Number of parameters.
    fn n_parameters(&self) -> usize;

    /// Derivatives at a frequency of zero or more hertz.
    fn derivatives(&self, freq_hz: f64, second: bool) -> Result<NetworkDerivatives, BalanceError>;
}

/// A network that does not move.
pub struct Rigid;

impl NetworkMotion for Rigid {
    fn n_parameters(&self) -> usize {
        0
    }

    fn derivatives(&self, _freq_hz: f64, _second: bool) -> Result<NetworkDerivatives, BalanceError> {
        Ok(NetworkDerivatives::default())
    }
}

/// Derivatives by symmetric differences of moved copies of the network, fourth order for first and
/// pure second derivatives, second order for mixed ones.
///
/// [`Self::error`] measures what the choice of the steps leaves.
pub struct Stencil {
    centre: Arc<Embedding>,
    steps: Vec<f64>,
    /// At −2, −1, +1, +2 steps of each parameter.
    moved: Vec<[Arc<Embedding>; 4]>,
    /// At (+1, +1) and (−1, −1) steps of each pair `i < j`.
    pairs: Vec<[Arc<Embedding>; 2]>,
}

impl Stencil {
    /// Builds all copies: `build(p)` gives the network at the parameter values `p`, zero for `centre`.
    ///
    /// Without `mixed` derivatives of two different parameters are taken as zero.
    pub fn new<E: Send>(
        centre: Arc<Embedding>,
        steps: Vec<f64>,
        mixed: bool,
        build: impl Fn(&[f64]) -> Result<Arc<Embedding>, E> + Sync,
    ) -> Result<Self, E> {
        let n = steps.len();
        let mut places: Vec<Vec<f64>> = Vec::new();
        let mut add = |of: &[(usize, f64)]| {
            let mut p = vec![0.0; n];
            of.iter().for_each(|&(k, factor)| p[k] += factor * steps[k]);
            places.push(p);
        };
        for i in 0..n {
            [-2.0, -1.0, 1.0, 2.0].iter().for_each(|&f| add(&[(i, f)]));
        }
        for i in 0..if mixed { n } else { 0 } {
            for j in i + 1..n {
                [1.0, -1.0].iter().for_each(|&f| add(&[(i, f), (j, f)]));
            }
        }
        let built = numerics::parallel::map(&places, |p| build(p))?;
        let (singles, doubles) = built.split_at(4 * n);
        let four = |c: &[Arc<Embedding>]| [0, 1, 2, 3].map(|k| c[k].clone());
        let two = |c: &[Arc<Embedding>]| [0, 1].map(|k| c[k].clone());
        let moved = singles.chunks_exact(4).map(four).collect();
        Ok(Self { centre, moved, pairs: doubles.chunks_exact(2).map(two).collect(), steps })
    }

    /// Difference between the first derivatives over one and over two steps, corrected for its order:
    /// an upper estimate of the error at a frequency, relative to the largest entry, one a parameter.
    pub fn error(&self, freq_hz: f64) -> Result<Vec<f64>, BalanceError> {
        let relative = |k: usize| -> Result<f64, BalanceError> {
            let [a, b, c, d] = &self.moved[k];
            let (a, b, c, d) =
                (a.scattering(freq_hz)?, b.scattering(freq_hz)?, c.scattering(freq_hz)?, d.scattering(freq_hz)?);
            let near = (&c - &b).scaled(0.5.into());
            let far = (&d - &a).scaled(0.25.into());
            // the difference is three times the second-order error; the fourth-order rule leaves about its square
            let second = (&near - &far).max_abs() / 3.0 / near.max_abs().max(f64::MIN_POSITIVE);
            Ok(second * second + f64::EPSILON / near.max_abs().max(f64::EPSILON))
        };
        (0..self.steps.len()).map(relative).collect()
    }
}

impl NetworkMotion for Stencil {
    fn n_parameters(&self) -> usize {
        self.steps.len()
    }

    fn derivatives(&self, freq_hz: f64, second: bool) -> Result<NetworkDerivatives, BalanceError> {
        let n = self.steps.len();
        let s0 = self.centre.scattering(freq_hz)?;
        let mut out = NetworkDerivatives::default();
        // even part of each motion beyond the centre, over one step
        let mut even = Vec::with_capacity(n);
        for (h, [a, b, c, d]) in self.steps.iter().zip(&self.moved) {
            let (a, b, c, d) =
                (a.scattering(freq_hz)?, b.scattering(freq_hz)?, c.scattering(freq_hz)?, d.scattering(freq_hz)?);
            let rule = |i: usize, k: usize| ((c[(i, k)] - b[(i, k)]) * 8.0 - (d[(i, k)] - a[(i, k)])) / (12.0 * h);
            out.first.push(CMatrix::from_fn(s0.n_rows(), s0.n_cols(), rule));
            even.push((&(&b + &c).scaled(0.5.into()) - &s0, &(&a + &d).scaled(0.5.into()) - &s0));
        }
        if !second {
            return Ok(out);
        }
        let mut pairs = self.pairs.iter();
        for i in 0..n {
            for j in i..n {
                let (hi, hj) = (self.steps[i], self.steps[j]);
                if i == j {
                    let (one, two) = &even[i];
                    let rule = |r: usize, c: usize| (one[(r, c)] * 16.0 - two[(r, c)]) / (6.0 * hi * hi);
                    out.second.push(CMatrix::from_fn(s0.n_rows(), s0.n_cols(), rule));
                } else if let Some([up, down]) = pairs.next() {
                    let (up, down) = (up.scattering(freq_hz)?, down.scattering(freq_hz)?);
                    let rule = |r: usize, c: usize| {
                        let both = (up[(r, c)] + down[(r, c)]) * 0.5 - s0[(r, c)];
                        (both - even[i].0[(r, c)] - even[j].0[(r, c)]) / (hi * hj)
                    };
                    out.second.push(CMatrix::from_fn(s0.n_rows(), s0.n_cols(), rule));
                } else {
                    out.second.push(CMatrix::zeros(s0.n_rows(), s0.n_cols()));
                }
            }
        }
        Ok(out)
    }
}
