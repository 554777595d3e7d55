//! A process in closed form.
#![allow(dead_code)] // not every test uses every helper

use mixwright_tolerance::{Level, Process, ProcessError, Quantity, Variable};
use num_complex::Complex64;
use numerics::CMatrix;
use proof::{CheckValue, Origin};
use spec::{Conditions, Measure};

pub(crate) type Answers = fn(&[f64]) -> Vec<Complex64>;

pub(crate) fn check(what: &str, expected: f64, within: f64, because: &str, how: &'static str, found: f64) {
    CheckValue { what, expected, within, because, origin: Origin::Derived { how } }.check(found);
}

pub(crate) fn normal(name: &str, sd: f64) -> Variable {
    Variable::new(name, "").with(Level::Tile, sd)
}

/// Answers given by a closure; quantities are their real parts, or their levels in dB.
pub(crate) struct Closed {
    variables: Vec<Variable>,
    names: Vec<String>,
    quantities: Vec<Quantity>,
    answers: Answers,
    pub(crate) in_db: bool,
}

impl Closed {
    pub(crate) fn new(variables: Vec<Variable>, n: usize, answers: Answers) -> Self {
        let quantity =
            Quantity { measure: Measure::ConversionLoss, conditions: Conditions::default(), unit: "dB".into() };
        let names = (0..n).map(|k| format!("y{k}")).collect();
        Self { variables, names, quantities: vec![quantity; n], answers, in_db: false }
    }
}

impl Process for Closed {
    fn variables(&self) -> &[Variable] {
        &self.variables
    }
    fn answers(&self) -> &[String] {
        &self.names
    }
    fn quantities(&self) -> &[Quantity] {
        &self.quantities
    }
    fn solve(&self, x: &[f64]) -> Result<Vec<Complex64>, ProcessError> {
        Ok((self.answers)(x))
    }
    fn differentiate(&self, x: &[f64]) -> Result<(Vec<Complex64>, CMatrix), ProcessError> {
        let h = 1e-5;
        let column = |k: usize| {
            let at = |s: f64| {
                let mut y = x.to_vec();
                y[k] += s * h;
                (self.answers)(&y)
            };
            at(1.0).into_iter().zip(at(-1.0)).map(|(b, a)| (b - a) / (2.0 * h)).collect::<Vec<_>>()
        };
        let columns: Vec<Vec<Complex64>> = (0..x.len()).map(column).collect();
        Ok(((self.answers)(x), CMatrix::from_fn(self.names.len(), x.len(), |a, k| columns[k][a])))
    }
    fn measures(&self, answers: &[Complex64]) -> Vec<f64> {
        answers.iter().map(|a| if self.in_db { -20.0 * a.norm().log10() } else { a.re }).collect()
    }
}
