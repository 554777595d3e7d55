//! What stands around a model, written down: parts and terminations.
//!
//! A part is a table of the file described in `docs/surroundings.md`, so a set-up made here can be saved as that file.

use crate::arguments::{complex_numbers, numbers, port};
use crate::errors;
use numpy::Complex64;
use project::spec::PortName;
use pyo3::prelude::*;
use std::fmt::Write as _;
use std::path::PathBuf;

/// One part at a connector.
#[pyclass(frozen, module = "mixwright", from_py_object)]
#[derive(Clone)]
pub(crate) struct Part {
    keys: Vec<(&'static str, String)>,
}

/// A text in quotes.
pub(crate) fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// A number with its unit; reads back to the same bits.
pub(crate) fn quantity(value: f64, unit: &str) -> String {
    format!("\"{value:?} {unit}\"")
}

pub(crate) fn band(hz: (f64, f64)) -> String {
    format!("[{}, {}]", quantity(hz.0, "Hz"), quantity(hz.1, "Hz"))
}

impl Part {
    fn of(part: &str) -> Self {
        Self { keys: vec![("part", quoted(part))] }
    }

    fn with(mut self, key: &'static str, value: Option<String>) -> Self {
        self.keys.extend(value.map(|v| (key, v)));
        self
    }

    /// The table of the part in the file of surroundings.
    pub(crate) fn toml(&self, connector: &str) -> String {
        let mut out = format!("[[{connector}]]\n");
        for (key, value) in &self.keys {
            let _ = writeln!(out, "{key} = {value}");
        }
        out
    }
}

#[pymethods]
impl Part {
    /// A line.
    #[staticmethod]
    #[pyo3(signature = (*, length_m, permittivity=1.0, impedance_ohm=None, attenuation_db_per_m=None, attenuation_at_hz=None))]
    fn line(
        length_m: f64,
        permittivity: f64,
        impedance_ohm: Option<f64>,
        attenuation_db_per_m: Option<f64>,
        attenuation_at_hz: Option<f64>,
    ) -> Self {
        Self::of("line")
            .with("length", Some(quantity(length_m, "m")))
            .with("permittivity", Some(format!("{permittivity:?}")))
            .with("impedance", impedance_ohm.map(|x| quantity(x, "ohm")))
            .with("attenuation", attenuation_db_per_m.map(|x| quantity(x, "dB/m")))
            .with("attenuation_at", attenuation_at_hz.map(|x| quantity(x, "Hz")))
    }

    /// A matched attenuator.
    #[staticmethod]
    #[pyo3(signature = (*, loss_db))]
    fn pad(loss_db: f64) -> Self {
        Self::of("pad").with("loss", Some(quantity(loss_db, "dB")))
    }

    /// A lumped part in the way; exactly one value.
    #[staticmethod]
    #[pyo3(signature = (*, resistance_ohm=None, inductance_h=None, capacitance_f=None))]
    fn series(resistance_ohm: Option<f64>, inductance_h: Option<f64>, capacitance_f: Option<f64>) -> Self {
        Self::lumped("series", resistance_ohm, inductance_h, capacitance_f)
    }

    /// A lumped part to ground; exactly one value.
    #[staticmethod]
    #[pyo3(signature = (*, resistance_ohm=None, inductance_h=None, capacitance_f=None))]
    fn shunt(resistance_ohm: Option<f64>, inductance_h: Option<f64>, capacitance_f: Option<f64>) -> Self {
        Self::lumped("shunt", resistance_ohm, inductance_h, capacitance_f)
    }

    /// Two-port network data, port 1 towards the model.
    #[staticmethod]
    #[pyo3(signature = (*, path, swapped=false, lenient=false, continuation=None))]
    fn file(path: PathBuf, swapped: bool, lenient: bool, continuation: Option<&str>) -> PyResult<Self> {
        let path = std::path::absolute(&path).unwrap_or(path);
        let text = path.to_str().ok_or_else(|| errors::input("`path`: expected a path that is Unicode text"))?;
        Ok(Self::of("file")
            .with("file", Some(quoted(text)))
            .with("swapped", Some(swapped.to_string()))
            .with("lenient", Some(lenient.to_string()))
            .with("continuation", continuation.map(quoted)))
    }

    /// Reflects a line of the plan or a band, lets everything else pass.
    #[staticmethod]
    #[pyo3(signature = (*, at=None, band_hz=None, magnitude=1.0, phase_deg=0.0))]
    fn reflection(at: Option<&str>, band_hz: Option<(f64, f64)>, magnitude: f64, phase_deg: f64) -> Self {
        Self::of("reflection")
            .with("at", at.map(quoted))
            .with("band", band_hz.map(band))
            .with("magnitude", Some(format!("{magnitude:?}")))
            .with("phase", Some(quantity(phase_deg, "deg")))
    }

    /// Passes a band without loss, reflects everything else.
    #[staticmethod]
    #[pyo3(signature = (*, pass_hz, magnitude=1.0, phase_deg=0.0))]
    fn filter(pass_hz: (f64, f64), magnitude: f64, phase_deg: f64) -> Self {
        Self::of("filter")
            .with("pass", Some(band(pass_hz)))
            .with("magnitude", Some(format!("{magnitude:?}")))
            .with("phase", Some(quantity(phase_deg, "deg")))
    }

    fn __repr__(&self) -> String {
        let keys: Vec<String> = self.keys.iter().map(|(k, v)| format!("{k} = {v}")).collect();
        format!("<mixwright.Part {}>", keys.join(", "))
    }
}

impl Part {
    fn lumped(part: &str, ohm: Option<f64>, henry: Option<f64>, farad: Option<f64>) -> Self {
        Self::of(part)
            .with("resistance", ohm.map(|x| quantity(x, "ohm")))
            .with("inductance", henry.map(|x| quantity(x, "H")))
            .with("capacitance", farad.map(|x| quantity(x, "F")))
    }
}

/// A reflection to be swept, directly at a connector.
#[pyclass(frozen, module = "mixwright", from_py_object)]
#[derive(Clone)]
pub(crate) struct Termination {
    pub(crate) port: PortName,
    pub(crate) at: Option<String>,
    pub(crate) frequency_hz: Option<Vec<f64>>,
    pub(crate) gamma: Vec<Complex64>,
}

#[pymethods]
impl Termination {
    #[new]
    #[pyo3(signature = (*, port, gamma, at=None, frequency_hz=None))]
    fn new(
        port: &str,
        gamma: &Bound<'_, PyAny>,
        at: Option<String>,
        frequency_hz: Option<&Bound<'_, PyAny>>,
    ) -> PyResult<Self> {
        if at.is_some() == frequency_hz.is_some() {
            return Err(errors::input("a termination has either `at` (a line of the spectrum) or `frequency_hz`"));
        }
        Ok(Self {
            port: self::port(port)?,
            at,
            frequency_hz: frequency_hz.map(|f| numbers("frequency_hz", f)).transpose()?,
            gamma: complex_numbers("gamma", gamma)?,
        })
    }

    fn __repr__(&self) -> String {
        let place = self.at.clone().unwrap_or_else(|| "given frequencies".into());
        format!("<mixwright.Termination at {}, {place}: {} values>", self.port.label(), self.gamma.len())
    }
}
