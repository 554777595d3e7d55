//! Second-order surrogate of complex answers, checked at full solutions.

use crate::{Draw, Expansion, Process, ProcessError};
use numerics::{Complex64, Watch, parallel};

/// Answers as second-order polynomials of all variables.
#[derive(Debug, Clone)]
pub struct Surrogate {
    expansion: Expansion,
    /// Variables that move anything or are spread.
    active: Vec<usize>,
    /// Coefficients of one answer after another: value, first, upper triangle of second derivatives.
    packed: Vec<Complex64>,
}

/// What held-out full solutions say of a surrogate.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Check {
    /// Points compared.
    pub points: usize,
    /// Largest error of each answer, in its own unit.
    pub answer_error: Vec<f64>,
    /// Root mean square error of each quantity, in its unit.
    pub rms: Vec<f64>,
    /// Largest error of each quantity.
    pub worst: Vec<f64>,
    /// Spread (standard deviation) of each quantity over the compared points.
    pub spread: Vec<f64>,
}

impl Check {
    /// Whether the surrogate may speak for a quantity: its error stays below a quarter of the spread, or below
    /// `negligible` in the unit of the quantity.
    pub fn trusts(&self, quantity: usize, negligible: f64) -> bool {
        self.rms[quantity] <= negligible.max(TRUSTED_SHARE * self.spread[quantity])
    }
}

/// Error over spread up to which a surrogate is trusted.
const TRUSTED_SHARE: f64 = 0.25;

impl Surrogate {
    /// The surrogate of an expansion.
    pub fn new(expansion: Expansion) -> Self {
        let n = expansion.gradient.n_cols();
        let moves = |k: usize| {
            (0..expansion.gradient.n_rows()).any(|a| {
                expansion.gradient[(a, k)] != Complex64::default()
                    || expansion.curvature.iter().any(|c| c[(k, k)] != Complex64::default())
            })
        };
        let active: Vec<usize> = (0..n).filter(|&k| moves(k)).collect();
        let mut packed = Vec::new();
        for a in 0..expansion.values.len() {
            packed.push(expansion.values[a]);
            packed.extend(active.iter().map(|&k| expansion.gradient[(a, k)]));
            for (i, &k) in active.iter().enumerate() {
                for &l in &active[i..] {
                    let c = expansion.curvature.get(a).map_or(Complex64::default(), |c| c[(k, l)]);
                    packed.push(if k == l { c * 0.5 } else { c });
                }
            }
        }
        Self { expansion, active, packed }
    }

    /// The expansion behind it.
    pub fn expansion(&self) -> &Expansion {
        &self.expansion
    }

    /// Answers at `x`.
    pub fn answers(&self, x: &[f64]) -> Vec<Complex64> {
        let d: Vec<f64> = self.active.iter().map(|&k| x[k] - self.expansion.at[k]).collect();
        let mut terms = Vec::with_capacity(1 + d.len() * (d.len() + 3) / 2);
        terms.push(1.0);
        terms.extend(&d);
        for (i, a) in d.iter().enumerate() {
            terms.extend(d[i..].iter().map(|b| a * b));
        }
        self.packed
            .chunks_exact(terms.len())
            .map(|c| c.iter().zip(&terms).map(|(c, t)| c * t).sum::<Complex64>())
            .collect()
    }

    /// Answers of the first-order part alone.
    pub fn linear_answers(&self, x: &[f64]) -> Vec<Complex64> {
        let e = &self.expansion;
        (0..e.values.len())
            .map(|a| {
                let first: Complex64 = (0..x.len()).map(|k| e.gradient[(a, k)] * (x[k] - e.at[k])).sum();
                e.values[a] + first
            })
            .collect()
    }

    /// Quantities at `x`.
    pub fn measures(&self, process: &dyn Process, x: &[f64]) -> Vec<f64> {
        process.measures(&self.answers(x))
    }

    /// Compares with full solutions at `draws`, which the surrogate has not seen.
    pub fn check(&self, process: &dyn Process, draws: &[Draw], watch: &dyn Watch) -> Result<Check, ProcessError> {
        let points: Vec<Vec<f64>> = draws.iter().map(Draw::total).collect();
        let solved = parallel::map_watched(&points, watch, "checks of the surrogate", |x| process.solve(x))?;
        let n_q = process.quantities().len();
        let mut out = Check { points: points.len(), ..Check::default() };
        out.answer_error = vec![0.0; self.expansion.values.len()];
        let (mut squares, mut sums, mut square_sums) = (vec![0.0; n_q], vec![0.0; n_q], vec![0.0; n_q]);
        out.worst = vec![0.0; n_q];
        for (x, full) in points.iter().zip(&solved) {
            let own = self.answers(x);
            for ((e, a), b) in out.answer_error.iter_mut().zip(&own).zip(full) {
                *e = e.max((a - b).norm());
            }
            let (own, full) = (process.measures(&own), process.measures(full));
            for q in 0..n_q {
                let error = (own[q] - full[q]).abs();
                squares[q] += error * error;
                out.worst[q] = out.worst[q].max(error);
                sums[q] += full[q];
                square_sums[q] += full[q] * full[q];
            }
        }
        let n = points.len().max(1) as f64;
        out.rms = squares.iter().map(|s| (s / n).sqrt()).collect();
        let variance = |q: usize| (square_sums[q] / n - (sums[q] / n).powi(2)).max(0.0) * n / (n - 1.0).max(1.0);
        out.spread = (0..n_q).map(|q| variance(q).sqrt()).collect();
        Ok(out)
    }
}
