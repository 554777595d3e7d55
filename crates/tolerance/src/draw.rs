//! Draws of process variables at every level.
//!
//! Input: variables, correlations, a scheme and a seed. Output: deviations by variable and level.
//! Every draw is a function of scheme, seed and its own number alone: the same for any number of
//! threads and however many are drawn after it.
//! Correlated variables share a Gaussian dependence (their normal scores are correlated); the law of
//! each is kept.
//! Sources: I. M. Sobol', 1967, with the hash-based Owen scrambling of B. Burley, JCGT 9 (2020) 4
//! (library `sobol_burley`); M. D. McKay et al., Technometrics 21 (1979) 239 (from memory).

use crate::{Correlation, Law, Level, ProcessError, Variable};
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;
use statrs::distribution::{ContinuousCDF, Normal};

/// How points are laid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scheme {
    /// Low-discrepancy points with a random scramble; a power of two of them.
    Sobol,
    /// One point in each of `n` strata of every coordinate.
    LatinHypercube,
    /// Independent points.
    Plain,
}

/// Largest number of coordinates of [`Scheme::Sobol`].
const SOBOL_DIMENSIONS_MAX: usize = sobol_burley::NUM_DIMENSIONS as usize;
/// Sequence constant of the pseudo-random generator; any number does.
const STREAM: u128 = 0x6d69_7877_7269_6768;

/// One draw: deviations by variable, at each of [`Level::ALL`].
#[derive(Debug, Clone, PartialEq)]
pub struct Draw {
    /// `by_level[variable][level]`, in the unit of the variable.
    pub by_level: Vec<[f64; 4]>,
}

impl Draw {
    /// Sum over the levels: the deviation of each variable of one unit.
    pub fn total(&self) -> Vec<f64> {
        self.by_level.iter().map(|d| d.iter().sum()).collect()
    }
}

/// Draws from a hierarchy of variables.
#[derive(Debug, Clone)]
pub struct Sampler {
    variables: Vec<Variable>,
    /// Variable and level of each coordinate.
    coordinates: Vec<(usize, Level)>,
    /// Rows of the factor of the correlation matrix of the coordinates: sparse lower triangle.
    factor: Vec<Vec<(usize, f64)>>,
}

impl Sampler {
    /// Prepares draws.
    ///
    /// # Errors
    /// Negative or non-finite spreads, correlations out of range or contradicting one another.
    pub fn new(variables: &[Variable], correlations: &[Correlation]) -> Result<Self, ProcessError> {
        for v in variables {
            if let Some(bad) = v.sd.iter().find(|s| !(s.is_finite() && **s >= 0.0)) {
                let expected = format!("standard deviations of `{}` of zero or more", v.name);
                return Err(ProcessError::Mismatch { expected, found: format!("{bad} {}", v.unit) });
            }
        }
        let coordinates: Vec<(usize, Level)> = Level::ALL
            .into_iter()
            .flat_map(|l| (0..variables.len()).map(move |k| (k, l)))
            .filter(|&(k, l)| variables[k].sd[l as usize] > 0.0)
            .collect();
        let factor = factor(&coordinates, correlations, variables)?;
        Ok(Self { variables: variables.to_vec(), coordinates, factor })
    }

    /// Number of coordinates: variables times the levels at which they spread.
    pub fn n_coordinates(&self) -> usize {
        self.coordinates.len()
    }

    /// Variable and level of each coordinate.
    pub fn coordinates(&self) -> &[(usize, Level)] {
        &self.coordinates
    }

    /// `n` points in the unit cube of the coordinates.
    pub fn cube(&self, scheme: Scheme, n: usize, seed: u64) -> Vec<Vec<f64>> {
        cube(self.coordinates.len(), scheme, n, seed)
    }

    /// The draw at a point of the unit cube.
    pub fn draw(&self, point: &[f64]) -> Draw {
        let normal = Normal::standard();
        let score = |u: f64| normal.inverse_cdf(u.clamp(UNIT_MIN, 1.0 - UNIT_MIN));
        let scores: Vec<f64> = point.iter().map(|&u| score(u)).collect();
        let mut by_level = vec![[0.0; 4]; self.variables.len()];
        for (row, &(k, level)) in self.factor.iter().zip(&self.coordinates) {
            let z: f64 = row.iter().map(|&(c, f)| f * scores[c]).sum();
            let v = &self.variables[k];
            by_level[k][level as usize] = v.sd[level as usize] * v.law.of_score(z);
        }
        Draw { by_level }
    }

    /// `n` draws.
    pub fn draws(&self, scheme: Scheme, n: usize, seed: u64) -> Vec<Draw> {
        self.cube(scheme, n, seed).iter().map(|p| self.draw(p)).collect()
    }
}

/// Points closer to the edge of the unit interval are read as this close: 8 standard deviations.
const UNIT_MIN: f64 = 1e-15;

impl Law {
    /// Deviation in standard deviations at a normal score.
    pub fn of_score(self, z: f64) -> f64 {
        let u = || Normal::standard().cdf(z);
        match self {
            Self::Normal => z,
            Self::Uniform => 3f64.sqrt() * (2.0 * u() - 1.0),
            Self::Triangular => {
                let u = u();
                let half = if u < 0.5 { (2.0 * u).sqrt() - 1.0 } else { 1.0 - (2.0 * (1.0 - u)).sqrt() };
                6f64.sqrt() * half
            }
            Self::Arcsine => 2f64.sqrt() * (std::f64::consts::PI * (u() - 0.5)).sin(),
        }
    }

    /// Largest deviation in standard deviations; none for an unbounded law.
    pub fn reach(self) -> Option<f64> {
        match self {
            Self::Normal => None,
            Self::Uniform => Some(3f64.sqrt()),
            Self::Triangular => Some(6f64.sqrt()),
            Self::Arcsine => Some(2f64.sqrt()),
        }
    }
}

/// `n` points in the unit cube of `d` coordinates.
pub fn cube(d: usize, scheme: Scheme, n: usize, seed: u64) -> Vec<Vec<f64>> {
    let mut random = Pcg64::new(u128::from(seed), STREAM);
    match scheme {
        Scheme::Plain => (0..n)
            .map(|i| {
                let mut own = Pcg64::seed_from_u64(seed ^ (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15));
                (0..d).map(|_| own.random::<f64>()).collect()
            })
            .collect(),
        Scheme::LatinHypercube => {
            let columns: Vec<Vec<f64>> = (0..d)
                .map(|_| {
                    let mut order: Vec<usize> = (0..n).collect();
                    order.shuffle(&mut random);
                    order.into_iter().map(|k| (k as f64 + random.random::<f64>()) / n as f64).collect()
                })
                .collect();
            (0..n).map(|i| columns.iter().map(|c| c[i]).collect()).collect()
        }
        Scheme::Sobol => (0..n)
            .map(|i| {
                let at = |k: usize| {
                    // beyond the tabulated coordinates further scrambles take over: no longer one low-discrepancy set
                    let (block, k) = (k / SOBOL_DIMENSIONS_MAX, k % SOBOL_DIMENSIONS_MAX);
                    let seed = mixed(seed, block as u64);
                    f64::from(sobol_burley::sample(i as u32, k as u32, seed)) + HALF_STEP
                };
                (0..d).map(at).collect()
            })
            .collect(),
    }
}

/// Half a step of the 24-bit points of the library.
const HALF_STEP: f64 = 0.5 / (1u64 << 24) as f64;

/// A 32-bit seed from a seed and a number.
fn mixed(seed: u64, block: u64) -> u32 {
    let mut x = seed.wrapping_add(block.wrapping_mul(0x9e37_79b9_7f4a_7c15)).wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x ^ (x >> 31)) as u32
}

/// Lower triangular factor of the correlation matrix of the coordinates (Cholesky).
fn factor(
    coordinates: &[(usize, Level)],
    correlations: &[Correlation],
    variables: &[Variable],
) -> Result<Vec<Vec<(usize, f64)>>, ProcessError> {
    let n = coordinates.len();
    let find = |k: usize, level: Level| coordinates.iter().position(|c| *c == (k, level));
    let mut matrix = vec![std::collections::BTreeMap::<usize, f64>::new(); n];
    for c in correlations {
        let name = |k: usize| variables.get(k).map_or("?", |v| v.name.as_str());
        let pair = format!("`{}` and `{}` at the level {}", name(c.a), name(c.b), c.level.label());
        if c.coefficient.is_nan() || c.coefficient.abs() > 1.0 {
            let expected = format!("a correlation of {pair} from -1 to 1");
            return Err(ProcessError::Mismatch { expected, found: c.coefficient.to_string() });
        }
        let (Some(a), Some(b)) = (find(c.a, c.level), find(c.b, c.level)) else {
            let expected = format!("a spread of both {pair}, which are said to be correlated");
            return Err(ProcessError::Mismatch { expected, found: "no spread".into() });
        };
        matrix[a.max(b)].insert(a.min(b), c.coefficient);
    }
    let mut rows: Vec<Vec<(usize, f64)>> = Vec::with_capacity(n);
    for i in 0..n {
        let mut row: Vec<(usize, f64)> = Vec::new();
        let mut rest = 1.0;
        // only coordinates reached through correlations can be non-zero
        for (j, before) in rows.iter().enumerate() {
            let inner: f64 = row.iter().map(|&(c, f)| f * before.iter().find(|x| x.0 == c).map_or(0.0, |x| x.1)).sum();
            let own = before.last().map_or(1.0, |x| x.1);
            let x = matrix[i].get(&j).copied().unwrap_or(0.0) - inner;
            if x != 0.0 && own > 0.0 {
                row.push((j, x / own));
                rest -= (x / own).powi(2);
            }
        }
        if rest < -1e-9 {
            let (k, level) = coordinates[i];
            let expected = format!("correlations at the level {} that can hold together", level.label());
            let found = format!("a contradiction at `{}`; make them smaller", variables[k].name);
            return Err(ProcessError::Mismatch { expected, found });
        }
        row.push((i, rest.max(0.0).sqrt()));
        rows.push(row);
    }
    Ok(rows)
}
