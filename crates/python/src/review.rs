//! A review as Python sees it: tables, JSON, files.

use crate::table::{Table, of_findings};
use crate::{errors, work};
use project::spec::{self, Bound as SpecBound, Item, VerdictStatus};
use project::{files, report};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::path::PathBuf;

/// The numbers of a mixer with their conditions and quality.
#[pyclass(frozen, module = "mixwright")]
pub(crate) struct Review {
    pub(crate) review: spec::Review,
}

impl Review {
    /// Takes a review over and shows its warnings.
    pub(crate) fn new(py: Python<'_>, review: spec::Review) -> PyResult<Self> {
        errors::warn(py, &review.findings)?;
        Ok(Self { review })
    }
}

/// Columns of the long table that hold numbers; `claimed` and `is_bound` are flags, all others texts.
const NUMBERS: [&str; 28] = [
    "x",
    "value",
    "numeric_band",
    "orders_lo",
    "orders_rf",
    "residual",
    "continued_share",
    "continued_spread",
    "cancellation_ratio_db",
    "lo_hz",
    "rf_hz",
    "if_hz",
    "lo_dbm",
    "signal_dbm",
    "temp_k",
    "product_m_rf",
    "product_n_lo",
    "product_hz",
    "field_band",
    "fabrication_below",
    "fabrication_above",
    "fabrication_coverage",
    "model_below",
    "model_above",
    "model_coverage",
    "low",
    "high",
    "asymmetry_change",
];
const MORE_NUMBERS: [&str; 2] = ["promise_value", "promise_confidence"];
const FLAGS: [&str; 2] = ["claimed", "is_bound"];

#[pymethods]
impl Review {
    /// Name of the design.
    #[getter]
    fn design(&self) -> &str {
        &self.review.design
    }

    /// One paragraph on what was reviewed.
    #[getter]
    fn about(&self) -> &str {
        &self.review.about
    }

    /// Keys of the sections in order.
    #[getter]
    fn sections(&self) -> Vec<String> {
        self.review.sections.iter().map(|s| s.key.clone()).collect()
    }

    /// False when at least one requirement is not met, with its whole numeric band on the wrong side.
    #[getter]
    fn requirements_met(&self) -> bool {
        !self.review.verdicts.iter().any(|v| v.status == VerdictStatus::Fail)
    }

    /// Headline numbers.
    #[pyo3(signature = ())]
    fn summary(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let mut table = Table::default();
        table.readings(&self.review.summary.iter().collect::<Vec<_>>());
        table.into_dict(py)
    }

    /// Requirements with what decides them.
    #[pyo3(signature = ())]
    fn verdicts(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let verdicts = &self.review.verdicts;
        let mut table = Table::default();
        table.texts("key", verdicts.iter().map(|v| v.limit.measure.map_or("any_product".into(), |m| m.key())));
        let side = |v: &spec::Verdict| match v.limit.bound {
            SpecBound::AtMost(_) => "at most",
            SpecBound::AtLeast(_) => "at least",
        };
        table.texts("side", verdicts.iter().map(side));
        let bound = |v: &spec::Verdict| match v.limit.bound {
            SpecBound::AtMost(x) | SpecBound::AtLeast(x) => x,
        };
        table.numbers("limit", verdicts.iter().map(bound));
        table.texts("unit", verdicts.iter().map(|v| v.limit.measure.map_or("dBc", |m| m.unit())));
        table.optional("band_from_hz", verdicts.iter().map(|v| v.limit.band_hz.map(|b| b.0)));
        table.optional("band_to_hz", verdicts.iter().map(|v| v.limit.band_hz.map(|b| b.1)));
        let status = |v: &spec::Verdict| match v.status {
            VerdictStatus::Pass => "pass",
            VerdictStatus::Fail => "fail",
            VerdictStatus::Undecided => "undecided",
            VerdictStatus::NotComputed => "not computed",
        };
        table.texts("status", verdicts.iter().map(status));
        table.optional("worst", verdicts.iter().map(|v| v.worst.as_ref().map(|r| r.value)));
        table.optional("worst_rf_hz", verdicts.iter().map(|v| v.worst.as_ref().and_then(|r| r.conditions.rf_hz)));
        table.optional("margin", verdicts.iter().map(|v| v.margin));
        table.texts("why", verdicts.iter().map(|v| v.limit.why.clone()));
        table.into_dict(py)
    }

    /// Every reading, one a row, with where it stands, conditions and quality; the columns are those of the CSV file.
    #[pyo3(signature = (*, section=None, key=None))]
    fn readings(&self, py: Python<'_>, section: Option<&str>, key: Option<&str>) -> PyResult<Py<PyDict>> {
        let text = report::csv(&self.review);
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let wrong = |error: csv::Error| errors::internal(&error.to_string());
        let heads: Vec<String> = reader.headers().map_err(wrong)?.iter().map(String::from).collect();
        let place = |name: &str| heads.iter().position(|h| h == name);
        let rows: Vec<csv::StringRecord> = reader.records().collect::<Result<_, _>>().map_err(wrong)?;
        let wanted = |row: &&csv::StringRecord| {
            let is = |name: &str, value: Option<&str>| {
                value.is_none_or(|v| place(name).and_then(|i| row.get(i)).is_some_and(|cell| cell == v))
            };
            is("section", section) && is("key", key)
        };
        let rows: Vec<&csv::StringRecord> = rows.iter().filter(wanted).collect();
        let mut table = Table::default();
        for (i, head) in heads.iter().enumerate() {
            let cells = rows.iter().map(|row| row.get(i).unwrap_or_default());
            if NUMBERS.contains(&head.as_str()) || MORE_NUMBERS.contains(&head.as_str()) {
                table.optional(head, cells.map(|c| c.parse().ok()));
            } else if FLAGS.contains(&head.as_str()) {
                table.flags(head, cells.map(|c| c == "true"));
            } else {
                table.texts(head, cells);
            }
        }
        table.into_dict(py)
    }

    /// Levels of products, one a row; `m` counts the signal, `n` the LO.
    #[pyo3(signature = (*, section=None))]
    fn spurs(&self, py: Python<'_>, section: Option<&str>) -> PyResult<Py<PyDict>> {
        let mut rows = Vec::new();
        for s in self.review.sections.iter().filter(|s| section.is_none_or(|key| s.key == key)) {
            for item in &s.items {
                if let Item::Spurs(grid) = item {
                    rows.extend(grid.entries.iter().map(|e| (s.key.clone(), grid, e)));
                }
            }
        }
        let mut table = Table::default();
        table.texts("section", rows.iter().map(|r| r.0.clone()));
        table.texts("input", rows.iter().map(|r| r.1.input.label()));
        table.counts("m", rows.iter().map(|r| i64::from(r.2.m)));
        table.counts("n", rows.iter().map(|r| i64::from(r.2.n)));
        table.texts("sign", rows.iter().map(|r| if r.2.sum { "sum" } else { "difference" }));
        table.numbers("frequency_hz", rows.iter().map(|r| r.2.frequency_hz));
        table.numbers("level_dbc", rows.iter().map(|r| r.2.reading.value));
        table.flags("claimed", rows.iter().map(|r| r.2.reading.value >= r.1.not_claimed_dbc));
        table.optional("numeric_band_db", rows.iter().map(|r| r.2.reading.quality.numeric_band));
        table.optional("rf_hz", rows.iter().map(|r| r.2.reading.conditions.rf_hz));
        table.optional("signal_dbm", rows.iter().map(|r| r.2.reading.conditions.signal_dbm));
        table.into_dict(py)
    }

    /// Points of the Smith displays, one a row.
    #[pyo3(signature = ())]
    fn reflections(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let mut rows = Vec::new();
        for s in &self.review.sections {
            for item in &s.items {
                if let Item::Smith(plot) = item {
                    for locus in &plot.loci {
                        rows.extend(locus.points.iter().map(|p| (s.key.clone(), plot, locus, *p)));
                    }
                }
            }
        }
        let mut table = Table::default();
        table.texts("section", rows.iter().map(|r| r.0.clone()));
        table.texts("locus", rows.iter().map(|r| r.2.name.clone()));
        table.numbers("reference_ohm", rows.iter().map(|r| r.1.reference_ohm));
        table.numbers("frequency_hz", rows.iter().map(|r| r.3.0));
        table.complex("reflection", rows.iter().map(|r| r.3.1));
        table.into_dict(py)
    }

    /// One LO period at every junction, one sample a row.
    #[pyo3(signature = ())]
    fn waveforms(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let items = self.review.sections.iter().flat_map(|s| &s.items);
        let junctions: Vec<_> = items
            .filter_map(|i| if let Item::Waveforms(w) = i { Some(&w.junctions) } else { None })
            .flatten()
            .collect();
        let mut table = Table::default();
        table.texts("junction", junctions.iter().flat_map(|j| j.time_s.iter().map(|_| j.name.clone())));
        table.numbers("time_s", junctions.iter().flat_map(|j| j.time_s.iter().copied()));
        table.numbers("voltage_v", junctions.iter().flat_map(|j| j.voltage_v.iter().copied()));
        table.numbers("current_a", junctions.iter().flat_map(|j| j.current_a.iter().copied()));
        table.numbers("total_current_a", junctions.iter().flat_map(|j| j.total_current_a.iter().copied()));
        table.into_dict(py)
    }

    /// Remarks.
    #[pyo3(signature = ())]
    fn findings(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        of_findings(&self.review.findings).into_dict(py)
    }

    /// The review as the JSON text of the command line.
    #[pyo3(signature = ())]
    fn to_json(&self) -> String {
        report::json(&self.review)
    }

    /// The review as a page of HTML.
    #[pyo3(signature = ())]
    fn to_html(&self) -> String {
        report::html(&self.review)
    }

    /// Headline numbers and verdicts as text.
    #[pyo3(signature = ())]
    fn to_text(&self) -> String {
        report::summary_text(&self.review)
    }

    /// Writes page, JSON, CSV, text and pictures; gives their paths, the page first.
    #[pyo3(signature = (*, folder, name="review"))]
    fn write(&self, folder: PathBuf, name: &str) -> PyResult<Vec<PathBuf>> {
        if name.is_empty() || name.contains(['/', '\\']) {
            return Err(errors::input(&format!("`name`: expected a file name without an ending, found `{name}`")));
        }
        files::write_named(&self.review, &folder, name).map_err(|error| errors::raise(&error))
    }

    fn __repr__(&self) -> String {
        format!(
            "<mixwright.Review of {}: {} headline numbers, {} requirements, {} sections>",
            self.review.design,
            self.review.summary.len(),
            self.review.verdicts.len(),
            self.review.sections.len()
        )
    }
}

/// A review computed by a job.
pub(crate) fn computed(
    py: Python<'_>,
    progress: Option<Py<PyAny>>,
    job: impl FnOnce(&dyn project::Watch) -> Result<spec::Review, project::ProjectError> + Send,
) -> PyResult<Review> {
    let review = work::run(py, progress, job)?;
    Review::new(py, review)
}
