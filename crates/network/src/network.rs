//! A multiport known at a list of frequencies.
//!
//! Input: names and references of the ports, frequencies and scattering matrices.
//! Output: a checked [`Network`], its parts, and simple regroupings of its ports.
//! Conventions: power waves; entry `[(i, j)]` is the wave out of port `i` for a wave into port `j`;
//! port indices count from zero, names are free text.

use crate::convert::{self, Wave};
use crate::{FrequencyResponse, NetworkError};
use numerics::{CMatrix, Complex64};
use quantity::Finding;

/// Noise parameters of a two-port at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoisePoint {
    /// Frequency, hertz.
    pub freq_hz: f64,
    /// Smallest noise figure, decibel.
    pub fmin_db: f64,
    /// Source reflection that gives it, relative to the reference of port 1.
    pub gamma_opt: Complex64,
    /// Equivalent noise resistance, ohm.
    pub rn_ohm: f64,
}

/// Scattering matrices of a multiport at rising frequencies, with references and port names.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    ports: Vec<String>,
    reference_ohm: Vec<Complex64>,
    freq_hz: Vec<f64>,
    s: Vec<CMatrix>,
    noise: Vec<NoisePoint>,
    provenance: Vec<String>,
    findings: Vec<Finding>,
}

impl Network {
    /// A network from its parts.
    ///
    /// Refuses frequencies that do not rise or are negative, references whose real part is not
    /// positive, repeated port names, matrices of another size, and values that are not finite.
    pub fn new(
        ports: Vec<String>,
        reference_ohm: Vec<Complex64>,
        freq_hz: Vec<f64>,
        s: Vec<CMatrix>,
    ) -> Result<Self, NetworkError> {
        check_ports(&ports, &reference_ohm)?;
        check_frequencies(&freq_hz)?;
        if s.len() != freq_hz.len() {
            return mismatch(format!("{} matrices, one a frequency", freq_hz.len()), s.len().to_string());
        }
        let n = ports.len();
        for (matrix, &f) in s.iter().zip(&freq_hz) {
            if (matrix.n_rows(), matrix.n_cols()) != (n, n) {
                let found = format!("{} by {} at {f} Hz", matrix.n_rows(), matrix.n_cols());
                return mismatch(format!("a {n} by {n} matrix for {n} ports"), found);
            }
            if !matrix.is_finite() {
                return mismatch("finite scattering parameters", format!("NaN or infinity at {f} Hz"));
            }
        }
        Ok(Self { ports, reference_ohm, freq_hz, s, noise: vec![], provenance: vec![], findings: vec![] })
    }

    /// A network whose ports are named `1`, `2`, … and share one real reference, ohm.
    pub fn with_reference(reference_ohm: f64, freq_hz: Vec<f64>, s: Vec<CMatrix>) -> Result<Self, NetworkError> {
        let n = s.first().map_or(0, CMatrix::n_rows);
        let ports = (1..=n).map(|i| i.to_string()).collect();
        Self::new(ports, vec![reference_ohm.into(); n], freq_hz, s)
    }

    /// The samples of a response at the given frequencies, hertz; ports are named `1`, `2`, …
    pub fn sampled(response: &dyn FrequencyResponse, freq_hz: Vec<f64>) -> Result<Self, NetworkError> {
        let s: Result<Vec<CMatrix>, NetworkError> = freq_hz.iter().map(|&f| response.scattering(f)).collect();
        let ports = (1..=response.n_ports()).map(|i| i.to_string()).collect();
        let reference = response.reference_ohm().iter().map(|&r| r.into()).collect();
        Self::new(ports, reference, freq_hz, s?)
    }

    /// Number of ports.
    pub fn n_ports(&self) -> usize {
        self.ports.len()
    }

    /// Port names.
    pub fn ports(&self) -> &[String] {
        &self.ports
    }

    /// Reference impedance of each port, ohm.
    pub fn reference_ohm(&self) -> &[Complex64] {
        &self.reference_ohm
    }

    /// Frequencies, hertz, rising.
    pub fn freq_hz(&self) -> &[f64] {
        &self.freq_hz
    }

    /// Scattering matrices, one a frequency.
    pub fn s(&self) -> &[CMatrix] {
        &self.s
    }

    /// Noise parameters; empty when none are known.
    pub fn noise(&self) -> &[NoisePoint] {
        &self.noise
    }

    /// Where the data come from: comments of the file, steps done since.
    pub fn provenance(&self) -> &[String] {
        &self.provenance
    }

    /// Remarks collected on the way.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }

    /// The same network with other port names.
    pub fn renamed(mut self, ports: Vec<String>) -> Result<Self, NetworkError> {
        check_ports(&ports, &self.reference_ohm)?;
        self.ports = ports;
        Ok(self)
    }

    /// The same network with noise parameters; two-ports only.
    pub fn with_noise(mut self, noise: Vec<NoisePoint>) -> Result<Self, NetworkError> {
        if !noise.is_empty() && self.n_ports() != 2 {
            return mismatch("a two-port for noise parameters", format!("{} ports", self.n_ports()));
        }
        self.noise = noise;
        Ok(self)
    }

    /// The same network with one more line of provenance.
    pub fn noted(mut self, line: impl Into<String>) -> Self {
        self.provenance.push(line.into());
        self
    }

    /// The same network with more remarks.
    pub fn remarked(mut self, findings: impl IntoIterator<Item = Finding>) -> Self {
        self.findings.extend(findings);
        self
    }

    /// Index of the port of this name.
    pub fn port_idx(&self, name: &str) -> Result<usize, NetworkError> {
        let found = || format!("`{name}`");
        self.ports.iter().position(|p| p == name).ok_or_else(|| NetworkError::Mismatch {
            expected: format!("one of the ports {:?}", self.ports),
            found: found(),
        })
    }

    /// Real references, or an error that names the complex one.
    pub fn real_reference_ohm(&self) -> Result<Vec<f64>, NetworkError> {
        let complex = self.reference_ohm.iter().position(|z| z.im != 0.0);
        if let Some(i) = complex {
            let found = format!("{} ohm at port `{}`; renormalise first", self.reference_ohm[i], self.ports[i]);
            return mismatch("real references", found);
        }
        Ok(self.reference_ohm.iter().map(|z| z.re).collect())
    }

    /// The same network relative to other references (power waves), computed in S.
    pub fn renormalised(&self, reference_ohm: &[Complex64]) -> Result<Self, NetworkError> {
        check_ports(&self.ports, reference_ohm)?;
        if reference_ohm == self.reference_ohm {
            return Ok(self.clone());
        }
        let s = self.each(|s| convert::renormalise(s, &self.reference_ohm, reference_ohm, Wave::Power))?;
        Ok(Self { reference_ohm: reference_ohm.to_vec(), s, noise: vec![], ..self.clone() })
    }

    /// The chosen ports in the chosen order; every other port is closed with its reference.
    pub fn select_ports(&self, port_idx: &[usize]) -> Result<Self, NetworkError> {
        if let Some(bad) = port_idx.iter().find(|&&i| i >= self.n_ports()) {
            return mismatch(format!("port indices below {}", self.n_ports()), bad.to_string());
        }
        let pick = |i: &usize| self.ports[*i].clone();
        let ports = port_idx.iter().map(pick).collect();
        let reference = port_idx.iter().map(|&i| self.reference_ohm[i]).collect();
        let s = self.s.iter().map(|s| s.select(port_idx, port_idx)).collect();
        let mut out = Self::new(ports, reference, self.freq_hz.clone(), s)?;
        out.noise = if port_idx == [0, 1] { self.noise.clone() } else { vec![] };
        out.provenance.clone_from(&self.provenance);
        out.findings.clone_from(&self.findings);
        Ok(out)
    }

    /// The same frequencies and ports with every matrix sent through `f`.
    pub(crate) fn each(
        &self,
        f: impl Fn(&CMatrix) -> Result<CMatrix, NetworkError>,
    ) -> Result<Vec<CMatrix>, NetworkError> {
        self.s.iter().zip(&self.freq_hz).map(|(s, &freq_hz)| f(s).map_err(|e| at(e, freq_hz))).collect()
    }
}

/// Tells an error of one matrix at which frequency it happened.
pub(crate) fn at(error: NetworkError, freq_hz: f64) -> NetworkError {
    match error {
        NetworkError::Numerics(e) => {
            NetworkError::Degenerate { what: "the network".into(), freq_hz, why: e.to_string() }
        }
        NetworkError::NoSuchForm { form, why } => {
            NetworkError::Degenerate { what: format!("the {form}"), freq_hz, why }
        }
        NetworkError::Degenerate { what, why, .. } => NetworkError::Degenerate { what, freq_hz, why },
        other => other,
    }
}

pub(crate) fn mismatch<T>(expected: impl Into<String>, found: impl Into<String>) -> Result<T, NetworkError> {
    Err(NetworkError::Mismatch { expected: expected.into(), found: found.into() })
}

fn check_ports(ports: &[String], reference_ohm: &[Complex64]) -> Result<(), NetworkError> {
    if ports.is_empty() || ports.len() != reference_ohm.len() {
        let found = format!("{} names and {} references", ports.len(), reference_ohm.len());
        return mismatch("at least one port, and one reference a port", found);
    }
    for (i, name) in ports.iter().enumerate() {
        if ports[..i].contains(name) {
            return mismatch("different names for all ports", format!("`{name}` twice"));
        }
    }
    for (z, name) in reference_ohm.iter().zip(ports) {
        if !(z.re > 0.0 && z.re.is_finite() && z.im.is_finite()) {
            return mismatch("references with a positive real part, ohm", format!("{z} at port `{name}`"));
        }
    }
    Ok(())
}

fn check_frequencies(freq_hz: &[f64]) -> Result<(), NetworkError> {
    if freq_hz.is_empty() {
        return mismatch("at least one frequency", "none");
    }
    let rising = freq_hz.windows(2).all(|w| w[0] < w[1]);
    if !rising || freq_hz[0] < 0.0 || freq_hz.iter().any(|f| !f.is_finite()) {
        return mismatch(
            "finite frequencies from 0 Hz up, rising",
            format!("{:?} …", &freq_hz[..freq_hz.len().min(4)]),
        );
    }
    Ok(())
}
