//! All terminations, spur intervals, rows of stages.

use crate::review::Review;
use crate::table::{Table, of_findings};
use crate::{errors, work};
use numpy::Complex64;
use project::handover::Model;
use project::handover::intervals::{LoMotion, SpurPlan};
use project::handover::study::Study;
use project::intervals::{self, SpurList};
use project::{Quiet, chain as row, spec};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::path::PathBuf;
use std::sync::Arc;

/// What passive terminations can do to a model.
#[pyclass(frozen, module = "mixwright")]
pub(crate) struct TerminationStudy {
    review: spec::Review,
    study: Study,
    places: Vec<String>,
}

impl TerminationStudy {
    pub(crate) fn new(py: Python<'_>, review: spec::Review, study: Study) -> PyResult<Self> {
        errors::warn(py, &review.findings)?;
        let places = project::handover::study::usual_places().into_iter().map(|p| p.name).collect();
        Ok(Self { review, study, places })
    }
}

#[pymethods]
impl TerminationStudy {
    /// Exact ranges of small-signal loss over one reflection, and over all sidebands together.
    #[pyo3(signature = ())]
    fn exact(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let rows = &self.study.exact;
        let nan = Complex64::new(f64::NAN, f64::NAN);
        let one = |g: &[Complex64]| if let [g] = g { *g } else { nan };
        let mut t = Table::default();
        t.numbers("rf_hz", rows.iter().map(|e| e.rf_hz));
        let name = |p: Option<usize>| p.map_or("all sidebands together".into(), |p| self.places[p].clone());
        t.texts("termination", rows.iter().map(|e| name(e.place)));
        t.numbers("nominal_db", rows.iter().map(|e| e.nominal_db));
        t.numbers("best_db", rows.iter().map(|e| e.best_db));
        t.numbers("worst_db", rows.iter().map(|e| e.worst_db));
        t.complex("gamma_at_best", rows.iter().map(|e| one(&e.at_best)));
        t.complex("gamma_at_worst", rows.iter().map(|e| one(&e.at_worst)));
        t.into_dict(py)
    }

    /// Envelopes of loss, direct voltage and products at full level under all terminations together.
    #[pyo3(signature = ())]
    fn envelopes(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let rows = &self.study.envelopes;
        let mut t = Table::default();
        t.numbers("rf_hz", rows.iter().map(|e| e.rf_hz));
        t.texts("key", rows.iter().map(|e| e.measure.key()));
        t.texts("measure", rows.iter().map(|e| e.measure.label()));
        t.texts("unit", rows.iter().map(|e| e.measure.unit()));
        t.numbers("nominal", rows.iter().map(|e| e.nominal));
        t.numbers("low", rows.iter().map(|e| e.low));
        t.numbers("high", rows.iter().map(|e| e.high));
        t.counts("widened", rows.iter().map(|e| e.widened as i64));
        t.into_dict(py)
    }

    /// The study as a page, with keep-out lengths and image recovery.
    #[getter]
    fn report(&self) -> Review {
        Review { review: self.review.clone() }
    }

    /// Remarks.
    #[pyo3(signature = ())]
    fn findings(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        of_findings(&self.review.findings).into_dict(py)
    }

    fn __repr__(&self) -> String {
        format!("<mixwright.TerminationStudy: {} full solutions>", self.study.solutions)
    }
}

fn interval_table(py: Python<'_>, list: &SpurList) -> PyResult<Py<PyDict>> {
    let rows = &list.products;
    let mut t = Table::default();
    t.counts("m", rows.iter().map(|r| i64::from(r.interval.product.m_rf.abs())));
    t.counts("n", rows.iter().map(|r| i64::from(r.interval.product.n_lo.abs())));
    t.texts("product", rows.iter().map(|r| intervals::product_words(r.interval.product, list.is_up).1));
    t.texts("from", rows.iter().map(|r| r.interval.input_hz.0.to_string()));
    t.texts("to", rows.iter().map(|r| r.interval.input_hz.1.to_string()));
    t.numbers("from_hz", rows.iter().map(|r| r.interval.input_hz.0.hz()));
    t.numbers("to_hz", rows.iter().map(|r| r.interval.input_hz.1.hz()));
    t.optional("strongest_dbc", rows.iter().map(|r| r.worst.map(|w| w.0)));
    t.optional("strongest_at_hz", rows.iter().map(|r| r.worst.map(|w| w.1)));
    t.into_dict(py)
}

/// The tables of a model.
pub(crate) fn spur_tables(
    py: Python<'_>,
    model: Arc<Model>,
    following_lo: bool,
    without_levels: bool,
    orders: Option<u32>,
    progress: Option<Py<PyAny>>,
) -> PyResult<Vec<(String, Py<PyDict>)>> {
    let lists = work::run(py, progress, move |watch| {
        intervals::of_model(&model, following_lo, orders, !without_levels, watch)
    })?;
    lists.iter().map(|list| Ok((list.name.clone(), interval_table(py, list)?))).collect()
}

/// Input frequencies at which products fall into the wanted band, ends exact, without a model.
#[pyfunction]
#[pyo3(signature = (*, input_hz, lo_hz, output_hz, orders=5))]
pub(crate) fn spur_intervals(
    py: Python<'_>,
    input_hz: (i64, i64),
    lo_hz: &Bound<'_, PyAny>,
    output_hz: (i64, i64),
    orders: u32,
) -> PyResult<Py<PyDict>> {
    let lo = match lo_hz.extract::<i64>() {
        Ok(lo) => LoMotion::Fixed(lo),
        Err(_) => {
            let (from, to) = lo_hz.extract::<(i64, i64)>().map_err(|_| {
                errors::input("`lo_hz`: expected a whole number of hertz, or two of them for an LO anywhere between")
            })?;
            LoMotion::Free(from, to)
        }
    };
    let plan = SpurPlan::between(input_hz, lo, output_hz, (orders, orders));
    let list = intervals::list("bands given", false, &plan, None, &Quiet).map_err(|error| errors::raise(&error))?;
    interval_table(py, &list)
}

/// Noise figure, intercepts and level through a row of stages, from the file `mixwright chain` reads.
#[pyfunction]
#[pyo3(signature = (*, path, progress=None))]
pub(crate) fn chain(py: Python<'_>, path: PathBuf, progress: Option<Py<PyAny>>) -> PyResult<Py<PyDict>> {
    let row = work::run(py, progress, move |watch| row::run(&path, watch))?;
    let (stages, sums) = (&row.stages, &row.cumulative);
    let mut t = Table::default();
    t.texts("stage", stages.iter().map(|s| s.name.clone()));
    t.numbers("stage_gain_db", stages.iter().map(|s| s.gain_db));
    t.numbers("stage_noise_db", stages.iter().map(|s| s.noise_db));
    t.numbers("gain_db", sums.iter().map(|c| c.gain_db));
    t.numbers("noise_db", sums.iter().map(|c| c.noise_db));
    t.optional("ip3_dbm", sums.iter().map(|c| c.ip3_dbm));
    t.optional("ip2_dbm", sums.iter().map(|c| c.ip2_dbm));
    t.optional("p1db_dbm", sums.iter().map(|c| c.p1db_dbm));
    t.numbers("level_dbm", sums.iter().map(|c| c.level_dbm));
    t.optional("headroom_db", sums.iter().map(|c| c.headroom_db));
    t.into_dict(py)
}
