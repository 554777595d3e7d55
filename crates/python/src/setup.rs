//! A model in its surroundings: the same review, sweeps, what the model sees.

use crate::arguments::{at, common_length, is_up, numbers, port, products};
use crate::parts::Termination;
use crate::review::{Review, computed};
use crate::table::{Table, of_findings, product_name};
use crate::{errors, work};
use numpy::{PyArray1, PyArray3, PyArrayMethods};
use project::handover::point::Lo;
use project::handover::{HandoverError, Model, Surrounded};
use project::network::FrequencyResponse;
use project::numerics::Complex64;
use project::surround;
use project::surround::Around;
use project::sweep::{self, Answer, Asked, Case, line_hz};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::sync::Arc;

/// A model and what stands around it.
#[pyclass(frozen, module = "mixwright")]
pub(crate) struct Setup {
    pub(crate) model: Arc<Model>,
    pub(crate) around: Arc<Around>,
    pub(crate) toml: String,
}

impl Setup {
    pub(crate) fn read(
        py: Python<'_>,
        model: Arc<Model>,
        file: &str,
        toml: String,
        folder: &std::path::Path,
    ) -> PyResult<Self> {
        let around = surround::parse(file, &toml, folder, &model).map_err(|error| errors::raise(&error))?;
        errors::warn(py, &around.findings)?;
        Ok(Self { model, around: Arc::new(around), toml })
    }

    fn network(&self) -> PyResult<Surrounded> {
        Surrounded::new(self.model.network.clone(), &self.around.surroundings)
            .map_err(|error| errors::raise(&error.into()))
    }
}

#[pymethods]
impl Setup {
    /// Name of the set-up.
    #[getter]
    fn name(&self) -> &str {
        &self.around.name
    }

    /// The file that `mixwright surround` reads.
    #[pyo3(signature = ())]
    fn to_toml(&self) -> &str {
        &self.toml
    }

    /// Remarks on parts and their data.
    #[pyo3(signature = ())]
    fn findings(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        of_findings(&self.around.findings).into_dict(py)
    }

    /// The maker's report with the parts in place.
    #[pyo3(signature = (*, progress=None))]
    fn review(&self, py: Python<'_>, progress: Option<Py<PyAny>>) -> PyResult<Review> {
        let (model, around) = (self.model.clone(), self.around.clone());
        computed(py, progress, move |watch| surround::run(&model, &around, watch))
    }

    /// Numbers for many cases of frequency, level and termination.
    #[allow(clippy::too_many_arguments)]
    #[pyo3(signature = (*, rf_hz=None, lo_hz=None, lo_dbm=None, signal_dbm=None, terminations=Vec::new(),
        direction="down", noise=false, band=false, products=Vec::new(), lo_order=16, progress=None))]
    pub(crate) fn sweep(
        &self,
        py: Python<'_>,
        rf_hz: Option<&Bound<'_, PyAny>>,
        lo_hz: Option<&Bound<'_, PyAny>>,
        lo_dbm: Option<&Bound<'_, PyAny>>,
        signal_dbm: Option<&Bound<'_, PyAny>>,
        terminations: Vec<Termination>,
        direction: &str,
        noise: bool,
        band: bool,
        products: Vec<(i32, i32)>,
        lo_order: usize,
        progress: Option<Py<PyAny>>,
    ) -> PyResult<Py<PyDict>> {
        let plan = &self.around.plan.plan;
        let or = |name: &str, value: Option<&Bound<'_, PyAny>>, usual: f64| {
            value.map_or(Ok(vec![usual]), |v| numbers(name, v))
        };
        let rf_hz = rf_hz.map_or_else(|| Ok(plan.rf_grid(plan.points)), |v| numbers("rf_hz", v))?;
        let lo_hz = or("lo_hz", lo_hz, plan.lo_hz)?;
        let lo_dbm = or("lo_dbm", lo_dbm, plan.lo_dbm)?;
        let signal_dbm = or("signal_dbm", signal_dbm, plan.signal_dbm)?;
        let cases = cases(&rf_hz, &lo_hz, &lo_dbm, &signal_dbm, &terminations)?;
        let products = self::products(&products);
        let asked = Asked { is_up: is_up(direction)?, lo_order, noise, band, products, ..Asked::default() };
        let (model, around) = (self.model.clone(), self.around.clone());
        let (cases, asked) = (&cases, &asked);
        let (answers, findings) = work::run(py, progress, move |watch| {
            let a = &around;
            sweep::run(&model, &a.surroundings, &a.lo, a.temp_k, cases, asked, watch)
        })?;
        errors::warn(py, &findings)?;
        table(cases, asked, &answers).into_dict(py)
    }

    /// Reflection of the parts at a connector, as the model sees them; shape `(n,)`.
    #[pyo3(signature = (*, port, frequency_hz))]
    fn reflection<'py>(
        &self,
        py: Python<'py>,
        port: &str,
        frequency_hz: &Bound<'py, PyAny>,
    ) -> PyResult<Bound<'py, PyArray1<Complex64>>> {
        let (port, frequency_hz) = (self::port(port)?, numbers("frequency_hz", frequency_hz)?);
        let network = self.network()?;
        let wave =
            |&f: &f64| network.reflection(port, f).map_err(|error| errors::raise(&HandoverError::from(error).into()));
        let waves = frequency_hz.iter().map(wave).collect::<PyResult<Vec<_>>>()?;
        Ok(PyArray1::from_vec(py, waves))
    }

    /// Power-wave scattering of the passive network with the parts in place: ports LO, RF, IF, then the junctions;
    /// shape `(n, ports, ports)`, `[k, to, from]`.
    #[pyo3(signature = (*, frequency_hz))]
    pub(crate) fn scattering<'py>(
        &self,
        py: Python<'py>,
        frequency_hz: &Bound<'py, PyAny>,
    ) -> PyResult<Bound<'py, PyArray3<Complex64>>> {
        let frequency_hz = numbers("frequency_hz", frequency_hz)?;
        let network = self.network()?;
        let n_ports = network.n_ports();
        let mut values = Vec::with_capacity(frequency_hz.len() * n_ports * n_ports);
        for &f in &frequency_hz {
            let s = network.scattering(f).map_err(|error| errors::raise(&HandoverError::from(error).into()))?;
            values.extend((0..n_ports * n_ports).map(|i| s[(i / n_ports, i % n_ports)]));
        }
        PyArray1::from_vec(py, values).reshape([frequency_hz.len(), n_ports, n_ports])
    }

    fn __repr__(&self) -> String {
        format!("<mixwright.Setup {} around {}>", self.around.name, self.model.name)
    }
}

/// One case for every combination that stands at the same place of the arguments.
fn cases(
    rf_hz: &[f64],
    lo_hz: &[f64],
    lo_dbm: &[f64],
    signal_dbm: &[f64],
    terminations: &[Termination],
) -> PyResult<Vec<Case>> {
    let mut lengths = vec![
        ("rf_hz", rf_hz.len()),
        ("lo_hz", lo_hz.len()),
        ("lo_dbm", lo_dbm.len()),
        ("signal_dbm", signal_dbm.len()),
    ];
    for t in terminations {
        lengths.push(("gamma", t.gamma.len()));
        lengths.extend(t.frequency_hz.as_ref().map(|f| ("frequency_hz", f.len())));
    }
    let count = common_length(&lengths)?;
    (0..count)
        .map(|i| {
            let lo = Lo { hz: at(lo_hz, i), dbm: at(lo_dbm, i) };
            let rf_hz = at(rf_hz, i);
            let terminations = terminations
                .iter()
                .map(|t| {
                    let freq_hz = match (&t.at, &t.frequency_hz) {
                        (Some(word), _) => line_hz(word, lo.hz, rf_hz).map_err(|error| errors::raise(&error))?,
                        (None, Some(f)) => at(f, i),
                        (None, None) => f64::NAN,
                    };
                    Ok(sweep::Termination { port: t.port, freq_hz, gamma: at(&t.gamma, i) })
                })
                .collect::<PyResult<_>>()?;
            Ok(Case { lo, rf_hz, signal_dbm: at(signal_dbm, i), terminations })
        })
        .collect()
}

fn table(cases: &[Case], asked: &Asked, answers: &[Answer]) -> Table {
    let mut t = Table::default();
    t.numbers("lo_hz", cases.iter().map(|c| c.lo.hz));
    t.numbers("lo_dbm", cases.iter().map(|c| c.lo.dbm));
    t.numbers("rf_hz", cases.iter().map(|c| c.rf_hz));
    t.numbers("if_hz", cases.iter().map(Case::if_hz));
    let n_terminations = cases.first().map_or(0, |c| c.terminations.len());
    for k in 0..n_terminations {
        t.numbers(format!("termination_{}_hz", k + 1), cases.iter().map(|c| c.terminations[k].freq_hz));
        t.complex(format!("termination_{}_gamma", k + 1), cases.iter().map(|c| c.terminations[k].gamma));
    }
    t.numbers("conversion_loss_db", answers.iter().map(|a| a.loss_db));
    if asked.band {
        t.optional("conversion_loss_band_db", answers.iter().map(|a| a.loss_band_db));
    }
    if asked.noise {
        t.optional("noise_figure_ssb_db", answers.iter().map(|a| a.noise_db));
    }
    for (i, port) in ["lo", "rf", "if"].into_iter().enumerate() {
        t.numbers(format!("return_loss_{port}_db"), answers.iter().map(|a| a.return_loss_db()[i]));
    }
    for (i, port) in ["lo", "rf", "if"].into_iter().enumerate() {
        t.complex(format!("reflection_{port}"), answers.iter().map(|a| a.reflection[i]));
    }
    let third = if asked.is_up { "isolation_if_rf_db" } else { "isolation_rf_if_db" };
    for (i, name) in ["isolation_lo_rf_db", "isolation_lo_if_db", third].into_iter().enumerate() {
        t.numbers(name, answers.iter().map(|a| a.isolation_db[i]));
    }
    t.numbers("dc_offset_mv", answers.iter().map(|a| a.offset_mv));
    if !asked.products.is_empty() {
        t.numbers("signal_dbm", cases.iter().map(|c| c.signal_dbm));
        t.optional("conversion_loss_at_level_db", answers.iter().map(|a| a.full_loss_db));
        for (i, &p) in asked.products.iter().enumerate() {
            let name = format!("product_{}_dbc", product_name(p, asked.is_up));
            t.numbers(name, answers.iter().map(|a| a.products_dbc[i]));
        }
    }
    t
}
