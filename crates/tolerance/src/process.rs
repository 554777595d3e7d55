//! A process: named variables with spreads, and the complex amplitudes that depend on them.
//!
//! The value of a variable is its deviation from nominal in its own unit. An *answer* is a complex
//! amplitude; a *quantity* (dB, mV) is formed from answers only at the end, so that sums that nearly
//! cancel keep their skewed distribution.
//! Levels: a lot shift is common to every unit of a lot, a wafer shift to every unit of a wafer, a
//! tile shift to all of one unit, a diode shift to one diode.

use numerics::{CMatrix, Cancelled, Complex64};
use spec::{Conditions, Measure};

/// Levels of the hierarchy, from common to all units down to one diode.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// One run of the foundry, one diode reel.
    Lot,
    /// One wafer of a lot.
    Wafer,
    /// One unit: a tile with its quad.
    Tile,
    /// One diode of a unit.
    Diode,
}

impl Level {
    /// All levels, most common first.
    pub const ALL: [Self; 4] = [Self::Lot, Self::Wafer, Self::Tile, Self::Diode];

    /// Its name.
    pub fn label(self) -> &'static str {
        match self {
            Self::Lot => "lot",
            Self::Wafer => "wafer",
            Self::Tile => "tile",
            Self::Diode => "diode",
        }
    }
}

/// Shape of a distribution; all are symmetric about the nominal and have the standard deviation asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Law {
    /// Gaussian.
    #[default]
    Normal,
    /// Rectangular; half width √3 standard deviations.
    Uniform,
    /// Triangular; half width √6 standard deviations.
    Triangular,
    /// U-shaped, of a sine with random phase; half width √2 standard deviations.
    Arcsine,
}

/// A process variable.
#[derive(Debug, Clone, PartialEq)]
pub struct Variable {
    /// Name, such as `film1.thickness`, `registration`, `V27.IS`, `D3.IS`, `LO level`.
    pub name: String,
    /// Unit of its values, such as `um`, `%`, `mV`, `dB`.
    pub unit: String,
    /// The nominal value in words, such as `15 um`; empty when there is none to name.
    pub nominal: String,
    /// Shape of its distribution at every level.
    pub law: Law,
    /// Standard deviation at [`Level::ALL`], in `unit`; zero for none.
    pub sd: [f64; 4],
}

impl Variable {
    /// A normal variable without spread.
    pub fn new(name: impl Into<String>, unit: impl Into<String>) -> Self {
        Self { name: name.into(), unit: unit.into(), nominal: String::new(), law: Law::Normal, sd: [0.0; 4] }
    }

    /// The same with a standard deviation at one level.
    pub fn with(mut self, level: Level, sd: f64) -> Self {
        self.sd[level as usize] = sd;
        self
    }

    /// Standard deviation of all levels together.
    pub fn total_sd(&self) -> f64 {
        self.sd.iter().map(|s| s * s).sum::<f64>().sqrt()
    }
}

/// Correlation of two variables at one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlation {
    /// One variable, counted from zero.
    pub a: usize,
    /// The other.
    pub b: usize,
    /// Level.
    pub level: Level,
    /// Coefficient, −1…1.
    pub coefficient: f64,
}

/// A quantity formed from the answers.
#[derive(Debug, Clone, PartialEq)]
pub struct Quantity {
    /// What it is.
    pub measure: Measure,
    /// Under what conditions.
    pub conditions: Conditions,
    /// Unit of its values.
    pub unit: String,
}

/// Values, first and second derivatives of all answers at one point.
#[derive(Debug, Clone, PartialEq)]
pub struct Expansion {
    /// Where, one value a variable.
    pub at: Vec<f64>,
    /// Answers there.
    pub values: Vec<Complex64>,
    /// First derivatives: one row an answer, one column a variable.
    pub gradient: CMatrix,
    /// Second derivatives: one symmetric matrix an answer.
    pub curvature: Vec<CMatrix>,
}

/// Errors of a process.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ProcessError {
    /// The engine behind the process found no answer.
    #[error("{at}: {why}")]
    Unsolved {
        /// Where: the variables that differ from nominal.
        at: String,
        /// What the engine said.
        why: String,
    },
    /// Inputs that do not fit.
    #[error("expected {expected}, found {found}")]
    Mismatch {
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// The caller asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// Something whose answers depend on process variables. All values are deviations from nominal.
///
/// Same input, same bits, from any thread.
pub trait Process: Sync {
    /// The variables, in the order of `x`.
    fn variables(&self) -> &[Variable];

    /// Correlations between variables; none by default.
    fn correlations(&self) -> &[Correlation] {
        &[]
    }

    /// Names of the answers, in order.
    fn answers(&self) -> &[String];

    /// The quantities formed from the answers, in the order of [`Self::measures`].
    fn quantities(&self) -> &[Quantity];

    /// All answers at `x` by the full solution.
    fn solve(&self, x: &[f64]) -> Result<Vec<Complex64>, ProcessError>;

    /// Answers and their exact first derivatives: one row an answer, one column a variable.
    fn differentiate(&self, x: &[f64]) -> Result<(Vec<Complex64>, CMatrix), ProcessError>;

    /// Quantities formed from answers: dB, mV.
    fn measures(&self, answers: &[Complex64]) -> Vec<f64>;

    /// Second-order expansion about `x`.
    ///
    /// By default the second derivatives are differences of exact first ones over one standard
    /// deviation to both sides; a process that knows them exactly overrides this.
    fn expand(&self, x: &[f64]) -> Result<Expansion, ProcessError> {
        let (values, gradient) = self.differentiate(x)?;
        let (n_answers, n) = (gradient.n_rows(), gradient.n_cols());
        let mut curvature = vec![CMatrix::zeros(n, n); n_answers];
        let steps: Vec<f64> = self.variables().iter().map(Variable::total_sd).collect();
        let moved: Vec<usize> = (0..n).filter(|&k| steps[k] > 0.0).collect();
        let columns = numerics::parallel::map(&moved, |&k| {
            let at = |sign: f64| {
                let mut y = x.to_vec();
                y[k] += sign * steps[k];
                self.differentiate(&y).map(|d| d.1)
            };
            Ok::<_, ProcessError>((&at(1.0)? - &at(-1.0)?).scaled((0.5 / steps[k]).into()))
        })?;
        for (&k, column) in moved.iter().zip(&columns) {
            for (a, c) in curvature.iter_mut().enumerate() {
                for l in 0..n {
                    // each mixed derivative is found twice
                    let share = if l == k || steps[l] == 0.0 { 1.0 } else { 0.5 };
                    c[(k, l)] += column[(a, l)] * share;
                    if l != k {
                        c[(l, k)] += column[(a, l)] * share;
                    }
                }
            }
        }
        Ok(Expansion { at: x.to_vec(), values, gradient, curvature })
    }
}
