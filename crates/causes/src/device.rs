//! What is compared, and the device that predicts it from deviations of its variables.

use crate::CausesError;
use numerics::{CMatrix, Complex64, RMatrix};
use spec::Measure;
use tolerance::{Expansion, Process, ProcessError, Quantity};

/// A number that can be measured: what and where.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// What it is.
    pub measure: Measure,
    /// LO frequency, hertz.
    pub lo_hz: f64,
    /// Signal frequency, hertz: RF of a down-converter, IF of an up-converter; none without a signal.
    pub signal_hz: Option<f64>,
    /// Stated LO level, dBm.
    pub lo_dbm: f64,
}

impl Point {
    /// `Conversion loss at 20 GHz`.
    pub fn label(&self) -> String {
        match self.signal_hz {
            Some(f) => format!("{} at {}", self.measure.label(), quantity::Frequency::hz(f)),
            None => self.measure.label(),
        }
    }

    /// The point of a measure under conditions.
    pub fn of(measure: Measure, conditions: &spec::Conditions) -> Self {
        let up = matches!(measure, Measure::ConversionLossUp | Measure::SpurUp(_));
        let signal_hz = if up { conditions.if_hz } else { conditions.rf_hz };
        Self { measure: measure.canonical(), lo_hz: conditions.lo_hz, signal_hz, lo_dbm: conditions.lo_dbm }
    }

    /// True when both are the same number: frequencies equal to a part in 10⁹, LO levels to 0.05 dB.
    pub fn same(&self, other: &Self) -> bool {
        let near = |a: f64, b: f64| (a - b).abs() <= 1e-9 * a.abs().max(b.abs());
        let signal = match (self.signal_hz, other.signal_hz) {
            (Some(a), Some(b)) => near(a, b),
            (None, None) => true,
            _ => false,
        };
        let level = (self.lo_dbm - other.lo_dbm).abs() <= 0.05;
        self.measure.canonical() == other.measure.canonical() && near(self.lo_hz, other.lo_hz) && signal && level
    }
}

/// Values with their derivatives.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluated {
    /// One a number, in the unit of its measure.
    pub values: Vec<f64>,
    /// Rows numbers, columns variables.
    pub jacobian: RMatrix,
}

/// A device: numbers as a function of deviations of named variables.
pub trait Device: Sync {
    /// Names of the variables, in the order of the deviations.
    fn variables(&self) -> Vec<String>;

    /// The numbers predicted, in the order of the values.
    fn points(&self) -> Vec<Point>;

    /// The numbers at these deviations, with derivatives.
    fn evaluate(&self, deviations: &[f64]) -> Result<Evaluated, CausesError>;
}

/// Numbers that are linear in the deviations: a table of sensitivities.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearDevice {
    /// Names of the variables.
    pub variables: Vec<String>,
    /// The numbers.
    pub points: Vec<Point>,
    /// Values at zero deviation.
    pub nominal: Vec<f64>,
    /// Rows numbers, columns variables.
    pub sensitivity: RMatrix,
}

impl Device for LinearDevice {
    fn variables(&self) -> Vec<String> {
        self.variables.clone()
    }

    fn points(&self) -> Vec<Point> {
        self.points.clone()
    }

    fn evaluate(&self, deviations: &[f64]) -> Result<Evaluated, CausesError> {
        let moved = self.sensitivity.times(deviations);
        let values = self.nominal.iter().zip(moved).map(|(n, d)| n + d).collect();
        Ok(Evaluated { values, jacobian: self.sensitivity.clone() })
    }
}

/// A process as a device: full solutions and exact derivatives.
pub struct ProcessDevice<'a> {
    process: &'a dyn Process,
}

impl<'a> ProcessDevice<'a> {
    /// Asks `process`.
    pub fn new(process: &'a dyn Process) -> Self {
        Self { process }
    }
}

impl Device for ProcessDevice<'_> {
    fn variables(&self) -> Vec<String> {
        self.process.variables().iter().map(|v| v.name.clone()).collect()
    }

    fn points(&self) -> Vec<Point> {
        points_of(self.process.quantities())
    }

    fn evaluate(&self, deviations: &[f64]) -> Result<Evaluated, CausesError> {
        let (answers, gradient) = self.process.differentiate(deviations)?;
        let column = |k: usize| gradient.col(k);
        Ok(formed(self.process, &answers, deviations.len(), column))
    }
}

/// A process by full solutions, with the slopes of its second-order expansion: a search ends where full solutions fit,
/// and the derivatives, which only point the way there, cost nothing.
pub struct SolvedDevice<'a> {
    process: &'a dyn Process,
    expansion: &'a Expansion,
}

impl<'a> SolvedDevice<'a> {
    /// Asks `process`, and takes slopes from its expansion about the nominal point.
    pub fn new(process: &'a dyn Process, expansion: &'a Expansion) -> Self {
        Self { process, expansion }
    }
}

impl Device for SolvedDevice<'_> {
    fn variables(&self) -> Vec<String> {
        ProcessDevice::new(self.process).variables()
    }

    fn points(&self) -> Vec<Point> {
        points_of(self.process.quantities())
    }

    fn evaluate(&self, deviations: &[f64]) -> Result<Evaluated, CausesError> {
        let answers = self.process.solve(deviations)?;
        let (_, slopes) = expanded(self.expansion, deviations);
        Ok(formed(self.process, &answers, deviations.len(), |k| slopes.col(k)))
    }
}

/// A process by its second-order expansion in complex amplitudes: cheap, and right about sums that nearly cancel.
pub struct ExpandedDevice<'a> {
    process: &'a dyn Process,
    expansion: &'a Expansion,
}

impl<'a> ExpandedDevice<'a> {
    /// Keeps the expansion of `process`.
    pub fn new(process: &'a dyn Process, expansion: &'a Expansion) -> Self {
        Self { process, expansion }
    }
}

impl Device for ExpandedDevice<'_> {
    fn variables(&self) -> Vec<String> {
        ProcessDevice::new(self.process).variables()
    }

    fn points(&self) -> Vec<Point> {
        points_of(self.process.quantities())
    }

    fn evaluate(&self, deviations: &[f64]) -> Result<Evaluated, CausesError> {
        let (answers, slopes) = expanded(self.expansion, deviations);
        Ok(formed(self.process, &answers, deviations.len(), |k| slopes.col(k)))
    }
}

/// Amplitudes and their slopes by the expansion.
fn expanded(e: &Expansion, deviations: &[f64]) -> (Vec<Complex64>, CMatrix) {
    let d: Vec<Complex64> = deviations.iter().zip(&e.at).map(|(x, a)| Complex64::from(x - a)).collect();
    let curved: Vec<Vec<Complex64>> = e.curvature.iter().map(|c| c.times(&d)).collect();
    let answers = (0..e.values.len())
        .map(|i| {
            let slope = |k: usize| e.gradient[(i, k)] + 0.5 * curved[i][k];
            e.values[i] + (0..d.len()).map(|k| slope(k) * d[k]).sum::<Complex64>()
        })
        .collect();
    (answers, CMatrix::from_fn(e.values.len(), d.len(), |i, k| e.gradient[(i, k)] + curved[i][k]))
}

fn points_of(quantities: &[Quantity]) -> Vec<Point> {
    quantities.iter().map(|q| Point::of(q.measure, &q.conditions)).collect()
}

/// Share of a standard deviation by which amplitudes are moved to form derivatives of the numbers.
const SHARE: f64 = 1e-5;

/// Numbers formed from amplitudes. Their derivatives are central differences along the exact derivatives of the
/// amplitudes: forming numbers costs nothing and is smooth.
fn formed(
    process: &dyn Process,
    answers: &[Complex64],
    n_variables: usize,
    column: impl Fn(usize) -> Vec<Complex64>,
) -> Evaluated {
    let values = process.measures(answers);
    let mut jacobian = RMatrix::zeros(values.len(), n_variables);
    for (k, variable) in process.variables().iter().enumerate() {
        let sd = variable.total_sd();
        let h = SHARE * if sd > 0.0 { sd } else { 1.0 };
        let along = column(k);
        let moved = |sign: f64| -> Vec<f64> {
            let there: Vec<Complex64> = answers.iter().zip(&along).map(|(a, d)| a + d * (sign * h)).collect();
            process.measures(&there)
        };
        for (i, (up, down)) in moved(1.0).iter().zip(moved(-1.0)).enumerate() {
            jacobian[(i, k)] = (up - down) / (2.0 * h);
        }
    }
    Evaluated { values, jacobian }
}

impl From<ProcessError> for CausesError {
    fn from(error: ProcessError) -> Self {
        match error {
            ProcessError::Cancelled(c) => Self::Cancelled(c),
            ProcessError::Unsolved { at, why } => Self::Device { place: format!("at {at}"), why },
            other => Self::Device { place: "at the deviations tried".into(), why: other.to_string() },
        }
    }
}
