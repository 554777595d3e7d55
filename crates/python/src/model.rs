//! Models: a package opened, or a design taken as a model.

use crate::parts::{Part, Termination, band, quantity, quoted};
use crate::review::{Review, computed};
use crate::setup::Setup;
use crate::studies::{TerminationStudy, spur_tables};
use crate::table::Table;
use crate::{errors, work};
use numpy::PyArray3;
use project::handover::{self, OutsidePolicy};
use project::numerics::Complex64;
use project::{mixer, package, terminations};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The three-port nonlinear model of a mixer.
#[pyclass(frozen, module = "mixwright")]
pub(crate) struct Model {
    pub(crate) model: Arc<handover::Model>,
    package: Option<Package>,
}

struct Package {
    fingerprint: String,
    signature: String,
    suspicious: bool,
    links: Vec<handover::provenance::Link>,
}

/// Opens and verifies a model package.
#[pyfunction]
#[pyo3(signature = (*, path, trusted_key_path=None))]
pub(crate) fn open_model(py: Python<'_>, path: PathBuf, trusted_key_path: Option<PathBuf>) -> PyResult<Model> {
    let opened = package::open(&path, trusted_key_path.as_deref()).map_err(|error| errors::raise(&error))?;
    Model::of_package(py, opened)
}

impl Model {
    pub(crate) fn of_design(model: handover::Model) -> Self {
        Self { model: Arc::new(model), package: None }
    }

    pub(crate) fn of_package(py: Python<'_>, opened: handover::Opened) -> PyResult<Self> {
        errors::warn(py, &package::notices(&opened.model))?;
        let package = Package {
            fingerprint: opened.manifest_blake3,
            signature: opened.signature.words(),
            suspicious: opened.signature.is_suspicious(),
            links: opened.provenance.links,
        };
        if package.suspicious {
            let finding = quantity::Finding::warning("signature", package.signature.clone());
            errors::warn(py, &[finding])?;
        }
        Ok(Self { model: Arc::new(opened.model), package: Some(package) })
    }

    fn bare(&self, py: Python<'_>) -> PyResult<Setup> {
        let toml = "format = 1\nname = \"nothing\"\n".to_string();
        Setup::read(py, self.model.clone(), "set-up", toml, Path::new(""))
    }
}

#[pymethods]
impl Model {
    /// Name of the type.
    #[getter]
    fn name(&self) -> &str {
        &self.model.name
    }

    /// One paragraph on it.
    #[getter]
    fn about(&self) -> &str {
        &self.model.about
    }

    /// Its maker; empty when he does not say.
    #[getter]
    fn maker(&self) -> &str {
        &self.model.maker
    }

    /// Revision, as the maker counts.
    #[getter]
    fn revision(&self) -> &str {
        &self.model.revision
    }

    /// Hash by which documents call the package; None for a design taken as a model.
    #[getter]
    fn fingerprint(&self) -> Option<&str> {
        self.package.as_ref().map(|p| p.fingerprint.as_str())
    }

    /// What is known about the signature, in plain words; None for a design taken as a model.
    #[getter]
    fn signature(&self) -> Option<&str> {
        self.package.as_ref().map(|p| p.signature.as_str())
    }

    /// True when a key was trusted and another one signed.
    #[getter]
    fn is_suspicious(&self) -> bool {
        self.package.as_ref().is_some_and(|p| p.suspicious)
    }

    /// Temperature of the maker's numbers, kelvin.
    #[getter]
    fn temperature_k(&self) -> f64 {
        self.model.temp_k
    }

    /// Terminations of the maker's numbers, in words.
    #[getter]
    fn terminations_in_words(&self) -> &str {
        &self.model.terminations
    }

    /// Names of the junctions in the order of their ports.
    #[getter]
    fn diodes(&self) -> Vec<String> {
        self.model.diodes.iter().map(|d| d.name.clone()).collect()
    }

    /// Uses the model was made for, one a row; the first is the leading one.
    #[pyo3(signature = ())]
    fn uses(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let plans = &self.model.plans;
        let mut t = Table::default();
        t.texts("use", plans.iter().map(|p| p.name.clone()));
        let direction = |p: &handover::ModelPlan| match p.plan.direction {
            mixer::Direction::Down => "down",
            mixer::Direction::Up => "up",
            mixer::Direction::Both => "both",
        };
        t.texts("direction", plans.iter().map(direction));
        t.numbers("lo_hz", plans.iter().map(|p| p.plan.lo_hz));
        t.numbers("lo_dbm", plans.iter().map(|p| p.plan.lo_dbm));
        t.numbers("rf_from_hz", plans.iter().map(|p| p.plan.rf_band_hz.0));
        t.numbers("rf_to_hz", plans.iter().map(|p| p.plan.rf_band_hz.1));
        t.numbers("if_from_hz", plans.iter().map(|p| p.plan.if_band_hz().0));
        t.numbers("if_to_hz", plans.iter().map(|p| p.plan.if_band_hz().1));
        t.numbers("signal_dbm", plans.iter().map(|p| p.plan.signal_dbm));
        t.into_dict(py)
    }

    /// Where the maker vouches for the model: from, to and unit of each quantity, one a row.
    #[pyo3(signature = ())]
    fn region(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let r = &self.model.region;
        let rows = [
            ("lo_hz", r.lo_hz),
            ("lo_dbm", r.lo_dbm),
            ("rf_hz", r.rf_hz),
            ("if_hz", r.if_hz),
            ("signal_dbm", (f64::NEG_INFINITY, r.signal_dbm_max)),
            ("temperature_k", r.temp_k),
            ("reflection", (0.0, r.reflection_max)),
            ("lo_order", (0.0, f64::from(r.orders.0))),
            ("signal_order", (0.0, f64::from(r.orders.1))),
        ];
        let mut t = Table::default();
        t.texts("quantity", rows.iter().map(|r| r.0));
        t.numbers("from", rows.iter().map(|r| r.1.0));
        t.numbers("to", rows.iter().map(|r| r.1.1));
        t.into_dict(py)
    }

    /// True when questions outside the region raise, false when they are answered with a warning.
    #[getter]
    fn refuses_outside(&self) -> bool {
        self.model.region.policy == OutsidePolicy::Refuse
    }

    /// Numbers the maker tells, with conditions and quality, one a row.
    #[pyo3(signature = ())]
    fn told(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let mut t = Table::default();
        t.readings(&self.model.reference.readings.iter().collect::<Vec<_>>());
        t.into_dict(py)
    }

    /// What the package was made from, one hash a row; empty for a design taken as a model.
    #[pyo3(signature = ())]
    fn provenance(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let links: &[handover::provenance::Link] = self.package.as_ref().map_or(&[], |p| &p.links);
        let mut t = Table::default();
        t.texts("key", links.iter().map(|l| l.key.clone()));
        t.texts("label", links.iter().map(|l| l.label.clone()));
        t.texts("blake3", links.iter().map(|l| l.blake3.clone()));
        t.into_dict(py)
    }

    /// Largest differences from the design when the package was made, one kind of number a row.
    #[pyo3(signature = ())]
    fn challenge(&self, py: Python<'_>) -> PyResult<Py<PyDict>> {
        let worst: &[(String, String, f64)] = self.model.challenge.as_ref().map_or(&[], |c| &c.worst);
        let mut t = Table::default();
        t.texts("kind", worst.iter().map(|w| w.0.clone()));
        t.numbers("difference", worst.iter().map(|w| w.2));
        t.texts("unit", worst.iter().map(|w| w.1.clone()));
        t.into_dict(py)
    }

    /// Computes every number the maker tells again; gives `good`, `compared`, `largest_difference`, `missing`.
    #[pyo3(signature = (*, progress=None))]
    fn reproduce(&self, py: Python<'_>, progress: Option<Py<PyAny>>) -> PyResult<Py<PyDict>> {
        let model = self.model.clone();
        let found = work::run(py, progress, move |watch| package::reproduce(&model, watch))?;
        let out = PyDict::new(py);
        out.set_item("good", found.is_good())?;
        out.set_item("compared", found.compared)?;
        out.set_item("largest_difference", found.worst.as_ref().map_or(0.0, |w| w.0))?;
        out.set_item("missing", found.missing)?;
        Ok(out.unbind())
    }

    /// The maker's report, computed again from the model at its own terminations.
    #[pyo3(signature = (*, progress=None))]
    fn review(&self, py: Python<'_>, progress: Option<Py<PyAny>>) -> PyResult<Review> {
        let model = self.model.clone();
        computed(py, progress, move |watch| package::review_model(&model, &model.mixer()?, &model.plans, watch))
    }

    /// Puts parts around the model, from the model outwards, and says what is to be computed.
    #[allow(clippy::too_many_arguments)]
    #[pyo3(signature = (*, name="set-up", lo=Vec::new(), rf=Vec::new(), if_=Vec::new(), end_lo_ohm=None,
        end_rf_ohm=None, end_if_ohm=None, use_of=None, lo_hz=None, lo_dbm=None, rf_hz=None, signal_dbm=None,
        direction=None, temperature_k=None, anchors=None, points=None, lo_harmonics=Vec::new(),
        lo_am_noise_dbc_per_hz=None))]
    fn surround(
        &self,
        py: Python<'_>,
        name: &str,
        lo: Vec<Part>,
        rf: Vec<Part>,
        if_: Vec<Part>,
        end_lo_ohm: Option<f64>,
        end_rf_ohm: Option<f64>,
        end_if_ohm: Option<f64>,
        use_of: Option<&str>,
        lo_hz: Option<f64>,
        lo_dbm: Option<f64>,
        rf_hz: Option<(f64, f64)>,
        signal_dbm: Option<f64>,
        direction: Option<&str>,
        temperature_k: Option<f64>,
        anchors: Option<usize>,
        points: Option<usize>,
        lo_harmonics: Vec<(u32, f64, f64)>,
        lo_am_noise_dbc_per_hz: Option<f64>,
    ) -> PyResult<Setup> {
        let mut toml = format!("format = 1\nname = {}\n", quoted(name));
        let plan = [
            ("use", use_of.map(quoted)),
            ("lo", lo_hz.map(|x| quantity(x, "Hz"))),
            ("lo_level", lo_dbm.map(|x| quantity(x, "dBm"))),
            ("rf", rf_hz.map(band)),
            ("level", signal_dbm.map(|x| quantity(x, "dBm"))),
            ("direction", direction.map(quoted)),
            ("temperature", temperature_k.map(|x| quantity(x, "K"))),
            ("anchors", anchors.map(|n| n.to_string())),
            ("points", points.map(|n| n.to_string())),
        ];
        push_table(&mut toml, "plan", &plan);
        if lo_am_noise_dbc_per_hz.is_some() || !lo_harmonics.is_empty() {
            toml.push_str("\n[lo_source]\n");
            if let Some(noise) = lo_am_noise_dbc_per_hz {
                let _ = writeln!(toml, "am_noise_dbc_per_hz = {noise:?}");
            }
            for (order, dbc, degrees) in lo_harmonics {
                let (level, phase) = (quantity(dbc, "dBc"), quantity(degrees, "deg"));
                let _ = write!(toml, "[[lo_source.harmonic]]\norder = {order}\nlevel = {level}\nphase = {phase}\n");
            }
        }
        for (connector, parts) in [("lo", lo), ("rf", rf), ("if", if_)] {
            for part in parts {
                let _ = write!(toml, "\n{}", part.toml(connector));
            }
        }
        let ohm = |x: Option<f64>| x.map(|x| quantity(x, "ohm"));
        push_table(&mut toml, "end", &[("lo", ohm(end_lo_ohm)), ("rf", ohm(end_rf_ohm)), ("if", ohm(end_if_ohm))]);
        Setup::read(py, self.model.clone(), "set-up", toml, Path::new(""))
    }

    /// Puts what a file says around the model.
    #[pyo3(signature = (*, path))]
    fn surround_from_file(&self, py: Python<'_>, path: PathBuf) -> PyResult<Setup> {
        let toml = std::fs::read(&path)
            .map_err(|source| errors::raise(&project::ProjectError::Io { what: "read", path: path.clone(), source }))?;
        let toml = String::from_utf8_lossy(&toml).into_owned();
        let folder = path.parent().unwrap_or(Path::new(""));
        Setup::read(py, self.model.clone(), &path.display().to_string(), toml, folder)
    }

    /// As `Setup.sweep`, with nothing around the model.
    #[allow(clippy::too_many_arguments)]
    #[pyo3(signature = (*, rf_hz=None, lo_hz=None, lo_dbm=None, signal_dbm=None, terminations=Vec::new(),
        direction="down", noise=false, band=false, products=Vec::new(), lo_order=16, progress=None))]
    fn sweep(
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
        self.bare(py)?.sweep(
            py,
            rf_hz,
            lo_hz,
            lo_dbm,
            signal_dbm,
            terminations,
            direction,
            noise,
            band,
            products,
            lo_order,
            progress,
        )
    }

    /// What passive terminations can do.
    #[allow(clippy::too_many_arguments)]
    #[pyo3(signature = (*, reflection=0.9, points=3, checks=100, length_max_m=10e-3, permittivity=1.0,
        filter_magnitude=0.95, filter_phase_deg=0.0, limit_db=None, progress=None))]
    fn terminations(
        &self,
        py: Python<'_>,
        reflection: f64,
        points: usize,
        checks: usize,
        length_max_m: f64,
        permittivity: f64,
        filter_magnitude: f64,
        filter_phase_deg: f64,
        limit_db: Option<f64>,
        progress: Option<Py<PyAny>>,
    ) -> PyResult<TerminationStudy> {
        let asked = terminations::Asked {
            reflection,
            points,
            checks,
            length_max_m,
            permittivity,
            filter: (filter_magnitude, filter_phase_deg.to_radians()),
            limit_db,
        };
        let model = self.model.clone();
        let (review, study) = work::run(py, progress, move |watch| terminations::run(&model, &asked, watch))?;
        TerminationStudy::new(py, review, study)
    }

    /// Input frequencies at which products fall into the wanted band, with the levels of the model; one table for each
    /// use and direction.
    #[pyo3(signature = (*, following_lo=false, without_levels=false, orders=None, progress=None))]
    fn spur_intervals(
        &self,
        py: Python<'_>,
        following_lo: bool,
        without_levels: bool,
        orders: Option<u32>,
        progress: Option<Py<PyAny>>,
    ) -> PyResult<Vec<(String, Py<PyDict>)>> {
        spur_tables(py, self.model.clone(), following_lo, without_levels, orders, progress)
    }

    /// Power-wave scattering of the passive network: ports LO, RF, IF, then the junctions; shape `(n, ports, ports)`.
    #[pyo3(signature = (*, frequency_hz))]
    fn scattering<'py>(
        &self,
        py: Python<'py>,
        frequency_hz: &Bound<'py, PyAny>,
    ) -> PyResult<Bound<'py, PyArray3<Complex64>>> {
        self.bare(py)?.scattering(py, frequency_hz)
    }

    fn __repr__(&self) -> String {
        let maker = if self.model.maker.is_empty() { "an unnamed maker" } else { &self.model.maker };
        format!("<mixwright.Model {}, revision {}, by {maker}>", self.model.name, self.model.revision)
    }
}

fn push_table(toml: &mut String, name: &str, keys: &[(&str, Option<String>)]) {
    if keys.iter().all(|(_, value)| value.is_none()) {
        return;
    }
    let _ = writeln!(toml, "\n[{name}]");
    for (key, value) in keys {
        if let Some(value) = value {
            let _ = writeln!(toml, "{key} = {value}");
        }
    }
}
