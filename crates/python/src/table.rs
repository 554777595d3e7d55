//! Tables: dictionaries of columns that data frames take as they are.
//!
//! Numbers become numpy arrays of shape `(n,)`, texts lists. A number that is absent is NaN, a text that is absent empty.

use numpy::{Complex64, PyArray1};
use project::spec::{Conditions, Product, Reading};
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyList};
use quantity::{Finding, Severity};

/// One column.
pub(crate) enum Column {
    Number(Vec<f64>),
    Complex(Vec<Complex64>),
    Count(Vec<i64>),
    Flag(Vec<bool>),
    Text(Vec<String>),
}

/// Columns in order.
#[derive(Default)]
pub(crate) struct Table(Vec<(String, Column)>);

impl Table {
    pub(crate) fn push(&mut self, name: impl Into<String>, column: Column) {
        self.0.push((name.into(), column));
    }

    pub(crate) fn numbers(&mut self, name: impl Into<String>, values: impl IntoIterator<Item = f64>) {
        self.push(name, Column::Number(values.into_iter().collect()));
    }

    pub(crate) fn optional(&mut self, name: impl Into<String>, values: impl IntoIterator<Item = Option<f64>>) {
        self.numbers(name, values.into_iter().map(|x| x.unwrap_or(f64::NAN)));
    }

    pub(crate) fn complex(&mut self, name: impl Into<String>, values: impl IntoIterator<Item = Complex64>) {
        self.push(name, Column::Complex(values.into_iter().collect()));
    }

    pub(crate) fn counts(&mut self, name: impl Into<String>, values: impl IntoIterator<Item = i64>) {
        self.push(name, Column::Count(values.into_iter().collect()));
    }

    pub(crate) fn flags(&mut self, name: impl Into<String>, values: impl IntoIterator<Item = bool>) {
        self.push(name, Column::Flag(values.into_iter().collect()));
    }

    pub(crate) fn texts<S: Into<String>>(&mut self, name: impl Into<String>, values: impl IntoIterator<Item = S>) {
        self.push(name, Column::Text(values.into_iter().map(Into::into).collect()));
    }

    /// Measure, value, conditions and quality of readings.
    pub(crate) fn readings(&mut self, readings: &[&Reading]) {
        let condition = |pick: fn(&Conditions) -> Option<f64>| readings.iter().map(move |r| pick(&r.conditions));
        self.texts("key", readings.iter().map(|r| r.measure.key()));
        self.texts("measure", readings.iter().map(|r| r.measure.label()));
        self.numbers("value", readings.iter().map(|r| r.value));
        self.texts("unit", readings.iter().map(|r| r.measure.unit()));
        self.flags("is_bound", readings.iter().map(|r| r.quality.is_bound));
        self.optional("numeric_band", readings.iter().map(|r| r.quality.numeric_band));
        let interval: Vec<_> = readings.iter().map(|r| r.quality.interval(r.value)).collect();
        self.optional("low", interval.iter().map(|i| i.map(|i| i.0)));
        self.optional("high", interval.iter().map(|i| i.map(|i| i.1)));
        self.optional("lo_hz", condition(|c| Some(c.lo_hz)));
        self.optional("lo_dbm", condition(|c| Some(c.lo_dbm)));
        self.optional("rf_hz", condition(|c| c.rf_hz));
        self.optional("if_hz", condition(|c| c.if_hz));
        self.optional("signal_dbm", condition(|c| c.signal_dbm));
        self.optional("temp_k", condition(|c| Some(c.temp_k)));
        self.texts("terminations", readings.iter().map(|r| r.conditions.terminations.clone()));
    }

    /// The dictionary.
    pub(crate) fn into_dict(self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let dict = PyDict::new(py);
        for (name, column) in self.0 {
            match column {
                Column::Number(values) => dict.set_item(name, PyArray1::from_vec(py, values))?,
                Column::Complex(values) => dict.set_item(name, PyArray1::from_vec(py, values))?,
                Column::Count(values) => dict.set_item(name, PyArray1::from_vec(py, values))?,
                Column::Flag(values) => dict.set_item(name, PyArray1::from_vec(py, values))?,
                Column::Text(values) => dict.set_item(name, PyList::new(py, values)?)?,
            }
        }
        Ok(dict.unbind())
    }
}

/// Remarks as a table.
pub(crate) fn of_findings(findings: &[Finding]) -> Table {
    let mut table = Table::default();
    let severity = |f: &Finding| if f.severity == Severity::Warning { "warning" } else { "note" };
    table.texts("severity", findings.iter().map(severity));
    table.texts("place", findings.iter().map(|f| f.place.clone()));
    table.texts("text", findings.iter().map(|f| f.text.clone()));
    table
}

/// A product as in column names: `2lo-2rf`.
pub(crate) fn product_name(p: Product, is_up: bool) -> String {
    format!("{}lo{:+}{}", p.n_lo, p.m_rf, if is_up { "if" } else { "rf" })
}
