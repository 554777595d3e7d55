//! Second-order surrogate of complex answers, checked at full solutions.
//!
//! Two forms have the same value, first and second derivatives: the Taylor polynomial `a + l + q`, and the quotient
//! `a + l/(1 − q/l)` along every direction, which is exact for a pole that moves with the variables (a resonance near
//! the band). Each answer takes the form that the held-out full solutions prefer in the sum of squares over all of
//! them; with two forms and several points little is left to luck, and the error told is the largest of that form.

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
    /// Answers formed as a quotient.
    quotient: Vec<bool>,
}

/// Second-order over first-order part above which a quotient is not formed: its pole may be near.
const QUOTIENT_MAX: f64 = 0.5;

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
        Self { quotient: vec![false; expansion.values.len()], expansion, active, packed }
    }

    /// The expansion behind it.
    pub fn expansion(&self) -> &Expansion {
        &self.expansion
    }

    /// Number of answers formed as a quotient.
    pub fn quotients(&self) -> usize {
        self.quotient.iter().filter(|q| **q).count()
    }

    /// Answers at `x`.
    pub fn answers(&self, x: &[f64]) -> Vec<Complex64> {
        self.parts(x)
            .into_iter()
            .zip(&self.quotient)
            .map(|(parts, &quotient)| if quotient { as_quotient(parts) } else { as_polynomial(parts) })
            .collect()
    }

    /// Value, first-order and second-order part of every answer.
    fn parts(&self, x: &[f64]) -> Vec<[Complex64; 3]> {
        let d: Vec<f64> = self.active.iter().map(|&k| x[k] - self.expansion.at[k]).collect();
        let mut products = Vec::with_capacity(d.len() * (d.len() + 1) / 2);
        for (i, a) in d.iter().enumerate() {
            products.extend(d[i..].iter().map(|b| a * b));
        }
        let sum = |c: &[Complex64], t: &[f64]| c.iter().zip(t).map(|(c, t)| c * t).sum::<Complex64>();
        self.packed
            .chunks_exact(1 + d.len() + products.len())
            .map(|c| [c[0], sum(&c[1..=d.len()], &d), sum(&c[1 + d.len()..], &products)])
            .collect()
    }

    /// Chooses the form of each answer by full solutions.
    fn choose(&mut self, points: &[Vec<f64>], solved: &[Vec<Complex64>]) {
        let mut squares = vec![[0.0; 2]; self.quotient.len()];
        for (x, full) in points.iter().zip(solved) {
            for ((s, parts), full) in squares.iter_mut().zip(self.parts(x)).zip(full) {
                s[0] += (as_polynomial(parts) - full).norm_sqr();
                s[1] += (as_quotient(parts) - full).norm_sqr();
            }
        }
        self.quotient = squares.iter().map(|s| s[1] < s[0]).collect();
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

    /// Compares with full solutions at `draws`, and chooses by them the form of each answer.
    pub fn check(&mut self, process: &dyn Process, draws: &[Draw], watch: &dyn Watch) -> Result<Check, ProcessError> {
        let points: Vec<Vec<f64>> = draws.iter().map(Draw::total).collect();
        let solved = parallel::map_watched(&points, watch, "checks of the surrogate", |x| process.solve(x))?;
        self.choose(&points, &solved);
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

fn as_polynomial([value, first, second]: [Complex64; 3]) -> Complex64 {
    value + first + second
}

/// `a + l/(1 − q/l)`, never further than [`QUOTIENT_MAX`] towards its pole.
fn as_quotient([value, first, second]: [Complex64; 3]) -> Complex64 {
    let size = first.norm();
    if size == 0.0 {
        return value + second;
    }
    let ratio = second / first;
    let beyond = ratio.norm() / QUOTIENT_MAX;
    if beyond <= 1.0 {
        return value + first / (1.0 - ratio);
    }
    // the quotient up to the bound, the rest of the second-order part as it stands: continuous in both parts
    let inside = ratio / beyond;
    value + first / (1.0 - inside) + second * (1.0 - 1.0 / beyond)
}
