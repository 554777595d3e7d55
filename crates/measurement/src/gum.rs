//! From observations to a result with its uncertainty.
//!
//! Method: evaluation of measurement data, Guide to the expression of uncertainty in measurement (JCGM 100:2008),
//! type A evaluation (4.2), law of propagation with correlation (5.2), effective degrees of freedom (G.4); its
//! supplement 1 (JCGM 101:2008) for the shortest coverage interval of samples (7.7).

use numerics::RMatrix;
use rand::Rng;
use rand_pcg::Pcg64;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Input quantities: estimates, standard uncertainties, correlations.
#[derive(Debug, Clone, PartialEq)]
pub struct Inputs {
    /// Estimates.
    pub value: Vec<f64>,
    /// Standard uncertainties.
    pub u: Vec<f64>,
    /// Correlation coefficients.
    pub correlation: RMatrix,
}

impl Inputs {
    /// Type A evaluation: means of sets observed together, one row a quantity, with their correlations.
    ///
    /// None when the rows differ in length or hold fewer than two observations.
    pub fn observed(rows: &[Vec<f64>]) -> Option<Self> {
        let n = rows.first()?.len();
        if n < 2 || rows.iter().any(|r| r.len() != n) {
            return None;
        }
        let value: Vec<f64> = rows.iter().map(|r| r.iter().sum::<f64>() / n as f64).collect();
        let covariance = RMatrix::from_fn(rows.len(), rows.len(), |i, j| {
            let products = rows[i].iter().zip(&rows[j]).map(|(x, y)| (x - value[i]) * (y - value[j]));
            products.sum::<f64>() / (n * (n - 1)) as f64
        });
        let u: Vec<f64> = (0..rows.len()).map(|i| covariance[(i, i)].sqrt()).collect();
        let correlation =
            RMatrix::from_fn(
                rows.len(),
                rows.len(),
                |i, j| {
                    if i == j { 1.0 } else { covariance[(i, j)] / (u[i] * u[j]) }
                },
            );
        Some(Self { value, u, correlation })
    }

    /// Independent quantities.
    pub fn independent(value: Vec<f64>, u: Vec<f64>) -> Self {
        let correlation = RMatrix::identity(value.len());
        Self { value, u, correlation }
    }
}

/// Output quantities by the law of propagation.
#[derive(Debug, Clone, PartialEq)]
pub struct Propagated {
    /// Values at the estimates.
    pub value: Vec<f64>,
    /// Standard uncertainties.
    pub u: Vec<f64>,
    /// Correlation coefficients.
    pub correlation: RMatrix,
}

/// Propagates to first order; derivatives are differences of fourth order over half a standard uncertainty.
pub fn propagate(inputs: &Inputs, outputs: &dyn Fn(&[f64]) -> Vec<f64>) -> Propagated {
    let value = outputs(&inputs.value);
    let n = inputs.value.len();
    let columns: Vec<Vec<f64>> = (0..n).map(|i| derivative(inputs, outputs, i)).collect();
    let covariance = |p: usize, q: usize| -> f64 {
        let pairs = (0..n).flat_map(|i| (0..n).map(move |j| (i, j)));
        pairs.map(|(i, j)| columns[i][p] * columns[j][q] * inputs.u[i] * inputs.u[j] * inputs.correlation[(i, j)]).sum()
    };
    let u: Vec<f64> = (0..value.len()).map(|p| covariance(p, p).max(0.0).sqrt()).collect();
    let correlation =
        RMatrix::from_fn(u.len(), u.len(), |p, q| if p == q { 1.0 } else { covariance(p, q) / (u[p] * u[q]) });
    Propagated { value, u, correlation }
}

fn derivative(inputs: &Inputs, outputs: &dyn Fn(&[f64]) -> Vec<f64>, i: usize) -> Vec<f64> {
    let step = 0.5 * inputs.u[i];
    if step == 0.0 {
        return vec![0.0; outputs(&inputs.value).len()];
    }
    let at = |k: f64| {
        let mut x = inputs.value.clone();
        x[i] += k * step;
        outputs(&x)
    };
    let (far_below, below, above, far_above) = (at(-2.0), at(-1.0), at(1.0), at(2.0));
    (0..below.len()).map(|p| (8.0 * (above[p] - below[p]) - (far_above[p] - far_below[p])) / (12.0 * step)).collect()
}

/// Combined standard uncertainty of independent parts, with its degrees of freedom (Welch-Satterthwaite).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Combined standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom.
    pub degrees_of_freedom: f64,
}

/// Combines parts given as standard uncertainty and degrees of freedom.
pub fn combine(parts: &[(f64, f64)]) -> Combined {
    let square: f64 = parts.iter().map(|(u, _)| u * u).sum();
    let fourth: f64 = parts.iter().map(|(u, nu)| u.powi(4) / nu).sum();
    Combined { u: square.sqrt(), degrees_of_freedom: square * square / fourth }
}

impl Combined {
    /// Coverage factor for a two-sided level, degrees of freedom cut to a whole number as the guide does.
    pub fn coverage_factor(&self, level: f64) -> f64 {
        let nu = self.degrees_of_freedom.floor().max(1.0);
        let p = 0.5 * (1.0 + level);
        match StudentsT::new(0.0, 1.0, nu) {
            Ok(law) if nu.is_finite() => law.inverse_cdf(p),
            _ => normal_quantile(p),
        }
    }
}

/// Quantile of the standard normal law.
pub(crate) fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// What samples of an output say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampled {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub sd: f64,
    /// Shortest interval with the asked coverage.
    pub shortest: (f64, f64),
}

/// Propagates independent or correlated normal inputs by `n` seeded samples; `coverage` is that of the interval.
///
/// None when the correlations cannot belong to real quantities, or fewer than 100 samples are asked for.
pub fn propagate_samples(
    inputs: &Inputs,
    output: &dyn Fn(&[f64]) -> f64,
    n: usize,
    seed: u64,
    coverage: f64,
) -> Option<Sampled> {
    if n < 100 {
        return None;
    }
    let root = cholesky(&inputs.correlation)?;
    let mut random = Pcg64::new(u128::from(seed), 0x5851_f42d_4c95_7f2d);
    let mut samples = Vec::with_capacity(n);
    for _ in 0..n {
        let z: Vec<f64> = inputs.u.iter().map(|_| normal(&mut random)).collect();
        let x: Vec<f64> = (0..z.len())
            .map(|i| {
                let turned: f64 = (0..=i).map(|j| root[(i, j)] * z[j]).sum();
                inputs.value[i] + inputs.u[i] * turned
            })
            .collect();
        samples.push(output(&x));
    }
    let mean = samples.iter().sum::<f64>() / n as f64;
    let sd = (samples.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / (n - 1) as f64).sqrt();
    samples.sort_by(f64::total_cmp);
    Some(Sampled { mean, sd, shortest: shortest_interval(&samples, coverage) })
}

/// One normal number: the quantile of a uniform one in the open unit interval.
fn normal(random: &mut Pcg64) -> f64 {
    let bits = random.next_u64() >> 11;
    normal_quantile((bits as f64 + 0.5) / (1u64 << 53) as f64)
}

/// Shortest interval that holds a share of sorted samples.
fn shortest_interval(sorted: &[f64], coverage: f64) -> (f64, f64) {
    let q = ((coverage * sorted.len() as f64).round() as usize).clamp(1, sorted.len() - 1);
    let widths = (0..sorted.len() - q).map(|r| (sorted[r], sorted[r + q]));
    widths.min_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0))).unwrap_or((sorted[0], sorted[sorted.len() - 1]))
}

fn cholesky(a: &RMatrix) -> Option<RMatrix> {
    let n = a.n_rows();
    let mut l = RMatrix::zeros(n, n);
    for i in 0..n {
        for j in 0..=i {
            let sum: f64 = a[(i, j)] - (0..j).map(|k| l[(i, k)] * l[(j, k)]).sum::<f64>();
            if i == j {
                if sum <= 0.0 {
                    return None;
                }
                l[(i, i)] = sum.sqrt();
            } else {
                l[(i, j)] = sum / l[(j, j)];
            }
        }
    }
    Some(l)
}
