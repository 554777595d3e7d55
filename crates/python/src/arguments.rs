//! Arguments of calls: numbers, arrays, words.

use crate::errors;
use numpy::{Complex64, PyArray1, PyArrayMethods};
use project::spec::{PortName, Product};
use pyo3::prelude::*;

fn array<'py, T: numpy::Element + Clone>(name: &str, kind: &str, value: &Bound<'py, PyAny>) -> PyResult<Vec<T>> {
    let numpy = value.py().import("numpy")?;
    let array = numpy.call_method1("asarray", (value, kind))?;
    let array = numpy.call_method1("atleast_1d", (array,))?;
    let n_dimensions: usize = array.getattr("ndim")?.extract()?;
    if n_dimensions != 1 {
        return Err(errors::input(&format!(
            "`{name}`: expected a number or an array of shape (n,), found {n_dimensions} dimensions"
        )));
    }
    let array = numpy.call_method1("ascontiguousarray", (array,))?;
    let array = array.cast::<PyArray1<T>>().map_err(|_| errors::input(&format!("`{name}`: expected numbers")))?;
    array.to_vec().map_err(|error| errors::input(&format!("`{name}`: {error}")))
}

/// A number or an array of shape `(n,)`.
pub(crate) fn numbers(name: &str, value: &Bound<'_, PyAny>) -> PyResult<Vec<f64>> {
    array(name, "float64", value)
}

/// A complex number or an array of shape `(n,)`.
pub(crate) fn complex_numbers(name: &str, value: &Bound<'_, PyAny>) -> PyResult<Vec<Complex64>> {
    array(name, "complex128", value)
}

/// Common length of arguments of which each has one value or as many as the others.
pub(crate) fn common_length(lengths: &[(&str, usize)]) -> PyResult<usize> {
    if lengths.iter().any(|(_, n)| *n == 0) {
        return Ok(0);
    }
    let (name, n) = lengths.iter().copied().max_by_key(|(_, n)| *n).unwrap_or(("", 0));
    match lengths.iter().find(|(_, m)| *m != 1 && *m != n) {
        Some((other, m)) => Err(errors::input(&format!(
            "expected one value or arrays of one length, found {n} values of `{name}` and {m} of `{other}`"
        ))),
        None => Ok(n),
    }
}

/// The value for case `i`.
pub(crate) fn at<T: Copy>(values: &[T], i: usize) -> T {
    values[if values.len() == 1 { 0 } else { i }]
}

/// `lo`, `rf` or `if`.
pub(crate) fn port(word: &str) -> PyResult<PortName> {
    match word {
        "lo" => Ok(PortName::Lo),
        "rf" => Ok(PortName::Rf),
        "if" => Ok(PortName::If),
        other => Err(errors::input(&format!("expected the port `lo`, `rf` or `if`, found `{other}`"))),
    }
}

/// `down` or `up`; true for up.
pub(crate) fn is_up(word: &str) -> PyResult<bool> {
    match word {
        "down" => Ok(false),
        "up" => Ok(true),
        other => Err(errors::input(&format!("expected the direction `down` or `up`, found `{other}`"))),
    }
}

/// Products as pairs (order in the LO, order in the signal).
pub(crate) fn products(pairs: &[(i32, i32)]) -> Vec<Product> {
    pairs.iter().map(|&(n, m)| Product::new(n, m)).collect()
}
