//! Designs, and what concerns the whole module.

use crate::model::Model;
use crate::review::{Review, computed};
use crate::{errors, work};
use project::package::{self, PackOptions};
use project::{cache, files, numerics, review, surround};
use pyo3::prelude::*;
use std::path::PathBuf;
use std::sync::Arc;

/// A design file, read and checked.
#[pyclass(frozen, module = "mixwright")]
pub(crate) struct Design {
    design: Arc<project::design::Design>,
}

/// Reads a design file.
#[pyfunction]
#[pyo3(signature = (*, path))]
pub(crate) fn open_design(path: PathBuf) -> PyResult<Design> {
    let design = files::read_design(&path).map_err(|error| errors::raise(&error))?;
    Ok(Design { design: Arc::new(design) })
}

#[pymethods]
impl Design {
    /// Name of the type.
    #[getter]
    fn name(&self) -> &str {
        &self.design.name
    }

    /// Names of the seats, the leading one first.
    #[getter]
    fn seats(&self) -> Vec<String> {
        self.design.plan.seats.iter().map(|s| s.name.clone()).collect()
    }

    /// The whole review.
    #[pyo3(signature = (*, fabrication_bands=false, progress=None))]
    fn review(&self, py: Python<'_>, fabrication_bands: bool, progress: Option<Py<PyAny>>) -> PyResult<Review> {
        let design = self.design.clone();
        computed(py, progress, move |watch| {
            if fabrication_bands { review::run_with_bands(&design, watch) } else { review::run(&design, watch) }
        })
    }

    /// The model of the design, without a package.
    #[pyo3(signature = (*, progress=None))]
    fn model(&self, py: Python<'_>, progress: Option<Py<PyAny>>) -> PyResult<Model> {
        let design = self.design.clone();
        let model = work::run(py, progress, move |watch| surround::model_of(&design, watch))?;
        Ok(Model::of_design(model))
    }

    /// Writes a model package and opens it.
    #[allow(clippy::too_many_arguments)]
    #[pyo3(signature = (*, path, maker="", revision="1", key_path=None, temperature_k=None, signal_dbm_max=None,
        reflection_max=1.0, refuse_outside=false, hide_names=false, hide_requirements=false, withhold_noise=false,
        watermark=None, expires=None, expiry_text=None, measured_paths=Vec::new(), challenge_points=24, progress=None))]
    fn pack(
        &self,
        py: Python<'_>,
        path: PathBuf,
        maker: &str,
        revision: &str,
        key_path: Option<PathBuf>,
        temperature_k: Option<(f64, f64)>,
        signal_dbm_max: Option<f64>,
        reflection_max: f64,
        refuse_outside: bool,
        hide_names: bool,
        hide_requirements: bool,
        withhold_noise: bool,
        watermark: Option<String>,
        expires: Option<String>,
        expiry_text: Option<String>,
        measured_paths: Vec<PathBuf>,
        challenge_points: usize,
        progress: Option<Py<PyAny>>,
    ) -> PyResult<Model> {
        let options = PackOptions {
            maker: maker.into(),
            revision: revision.into(),
            temp_k: temperature_k,
            signal_dbm_max,
            reflection_max,
            refuse_outside,
            hide_names,
            hide_requirements,
            withhold_noise,
            watermark,
            expires,
            expiry_text,
            measured: measured_paths,
            challenge_points,
            ..PackOptions::default()
        };
        let design = self.design.clone();
        let opened = work::run(py, progress, move |watch| {
            let key = key_path.as_ref().map(|k| package::read_key(k, &options.maker)).transpose()?;
            let packed = package::pack(&design, &options, key.as_ref(), watch)?;
            files::write_whole(&path, &packed.bytes)?;
            Ok((packed.opened, packed.reproduction))
        })?;
        if !opened.1.is_good() {
            return Err(errors::internal(&format!("the package does not reproduce the review: {}", opened.1.words())));
        }
        Model::of_package(py, opened.0)
    }

    fn __repr__(&self) -> String {
        format!("<mixwright.Design {}>", self.design.name)
    }
}

/// Writes the demonstration into a folder; gives the path of its design at circuit level.
#[pyfunction]
#[pyo3(signature = (*, folder))]
pub(crate) fn write_demo(folder: PathBuf) -> PyResult<PathBuf> {
    files::write_demo(&folder).map_err(|error| errors::raise(&error))
}

/// Makes a pair of keys: the private one at `path`, the public one beside it; gives the path of the public one.
#[pyfunction]
#[pyo3(signature = (*, path, maker))]
pub(crate) fn new_key(path: PathBuf, maker: &str) -> PyResult<PathBuf> {
    package::new_key(&path, maker).map_err(|error| errors::raise(&error))
}

/// Number of threads of all computations from now on; must be called before the first of them.
#[pyfunction]
#[pyo3(signature = (*, count))]
pub(crate) fn set_threads(count: usize) -> PyResult<()> {
    if !(1..=1024).contains(&count) {
        return Err(errors::input(&format!("`count`: expected 1 to 1024 threads, found {count}")));
    }
    if numerics::parallel::set_threads(count) {
        Ok(())
    } else {
        Err(errors::input("the number of threads is set before the first computation; start Python again"))
    }
}

/// Keeps solved structures in a folder; None keeps them in memory only.
#[pyfunction]
#[pyo3(signature = (*, folder))]
pub(crate) fn use_cache(folder: Option<PathBuf>) {
    cache::use_folder(folder.as_deref());
}

/// The folder the command line uses too.
pub(crate) fn use_cache_of_user() {
    cache::use_folder(cache::folder_of_user().as_deref());
}
