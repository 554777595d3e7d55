//! Errors of the project as exceptions, one class a kind; the classes stand in `python/mixwright/_errors.py`.

use project::handover::HandoverError;
use project::{ErrorKind, ProjectError, problems};
use pyo3::exceptions::PyKeyboardInterrupt;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use quantity::{Finding, Severity};
use std::ffi::CString;

const MODULE: &str = "mixwright._errors";

/// The exception that says the same as an error.
pub(crate) fn raise(error: &ProjectError) -> PyErr {
    let class = match (error.kind(), error) {
        (ErrorKind::Cancelled, _) => return PyKeyboardInterrupt::new_err(error.to_string()),
        (ErrorKind::NotConverged, _) => "NoSolutionError",
        (ErrorKind::Data, _) => "FileError",
        (ErrorKind::Bug, _) => "InternalError",
        (ErrorKind::Input, ProjectError::Handover(HandoverError::Outside { .. })) => "OutsideRegionError",
        (
            ErrorKind::Input,
            ProjectError::Handover(HandoverError::Package { .. } | HandoverError::FutureVersion { .. }),
        ) => "PackageError",
        (ErrorKind::Input, _) => "InputError",
    };
    let problems = serde_text(error);
    Python::attach(|py| exception(py, class, &error.to_string(), Some(&problems)).unwrap_or_else(|error| error))
}

/// Places and helps of an error as JSON, the same that the command line prints.
fn serde_text(error: &ProjectError) -> String {
    problems::json(error)
}

/// Wrong arguments of a call.
pub(crate) fn input(message: &str) -> PyErr {
    Python::attach(|py| exception(py, "InputError", message, None).unwrap_or_else(|error| error))
}

/// A mistake in this program.
pub(crate) fn internal(message: &str) -> PyErr {
    Python::attach(|py| exception(py, "InternalError", message, None).unwrap_or_else(|error| error))
}

fn exception(py: Python<'_>, class: &str, message: &str, problems: Option<&str>) -> PyResult<PyErr> {
    let class = py.import(MODULE)?.getattr(class)?;
    let arguments = PyDict::new(py);
    if let Some(problems) = problems {
        arguments.set_item("problems", py.import("json")?.call_method1("loads", (problems,))?)?;
    }
    Ok(PyErr::from_value(class.call((message,), Some(&arguments))?))
}

/// Shows the warnings among remarks as Python warnings.
pub(crate) fn warn(py: Python<'_>, findings: &[Finding]) -> PyResult<()> {
    let class = py.import(MODULE)?.getattr("FindingWarning")?;
    for finding in findings.iter().filter(|f| f.severity == Severity::Warning) {
        let text = format!("{}: {}", finding.place, finding.text).replace('\0', " ");
        let text = CString::new(text).map_err(|error| internal(&error.to_string()))?;
        PyErr::warn(py, &class, &text, 1)?;
    }
    Ok(())
}
