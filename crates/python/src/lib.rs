//! The Python door of Mixwright: designs, model packages, surroundings, sweeps and reviews for scripts.
//!
//! Input: keyword arguments with units in their names. Output: objects, and tables as dictionaries of columns (numpy
//! arrays of shape `(n,)`, lists for texts) that data frames take as they are.
//! Every call that computes releases the interpreter, tells its progress to a callback and stops at Ctrl-C.
//! The stubs stand in `python/mixwright/_native.pyi`; no formulas here.

mod arguments;
mod design;
mod errors;
mod model;
mod parts;
mod review;
mod setup;
mod studies;
mod table;
mod work;

/// The compiled half of the package `mixwright`.
#[pyo3::pymodule]
mod _native {
    #[pymodule_export]
    use crate::design::{Design, new_key, open_design, set_threads, use_cache, write_demo};
    #[pymodule_export]
    use crate::model::{Model, open_model};
    #[pymodule_export]
    use crate::parts::{Part, Termination};
    #[pymodule_export]
    use crate::review::Review;
    #[pymodule_export]
    use crate::setup::Setup;
    #[pymodule_export]
    use crate::studies::{TerminationStudy, chain, spur_intervals};

    #[pymodule_init]
    fn init(module: &pyo3::Bound<'_, pyo3::types::PyModule>) -> pyo3::PyResult<()> {
        use pyo3::types::PyModuleMethods;
        crate::design::use_cache_of_user();
        module.add("__version__", env!("CARGO_PKG_VERSION"))
    }
}
