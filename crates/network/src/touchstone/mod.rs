//! The open n-port text standard (Touchstone), versions 1.0, 1.1, 2.0 and 2.1.
//!
//! Input: the bytes of a file, its name as a hint, and whether to be strict or lenient.
//! Output: a [`Touchstone`] with matrices in ohm, siemens or plain, exactly as written, and a
//! [`Network`] on request; or an error that names line, columns and remedy.
//! Conventions: lines and columns count from one; comments are kept and never acted upon.
//! Sources: front matter of the 2.0 document (2009) and its issue documents on the closing keyword
//! and on per-port references, translations of the 1.x text; the rest from memory.
//! Not here: opening files.
//!
//! ```
//! # use mixwright_network as network;
//! use network::touchstone::{ReadSettings, read};
//! let text = "# MHz S MA R 50\n100 0.5 90\n200 1.0 -180\n";
//! let data = read(text.as_bytes(), &ReadSettings::strict("open.s1p"))?;
//! assert_eq!(data.freq_hz, [100e6, 200e6]);
//! let error = read(b"# MHz S MA R 50\n100 0,5 90\n", &ReadSettings::strict("open.s1p")).unwrap_err();
//! assert_eq!((error.line, error.columns), (2, Some((5, 7))));
//! # Ok::<(), network::touchstone::TouchstoneError>(())
//! ```

mod error;
mod keyword;
mod lines;
mod option;
mod points;
mod version1;
mod version2;
mod version2_data;
mod write;

pub use error::{Fault, Remark, TouchstoneError, Warning};
pub use write::{WriteVersion, write};

use crate::mixed_mode::{self, Mode};
use crate::network::{Network, NoisePoint, at};
use crate::{NetworkError, convert};
use convert::Wave;
use numerics::{CMatrix, Complex64};
use quantity::Finding;

/// Most ports accepted: beyond it one matrix would not fit into memory.
const PORTS_MAX: usize = 10_000;

/// Edition of the standard a text follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Version {
    /// 1.0.
    V1_0,
    /// 1.0 with one reference a port on the option line.
    V1_1,
    /// 2.0.
    V2_0,
    /// 2.1.
    V2_1,
}

impl std::fmt::Display for Version {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::V1_0 => "1.0",
            Self::V1_1 => "1.1",
            Self::V2_0 => "2.0",
            Self::V2_1 => "2.1",
        })
    }
}

/// What the matrices of a text are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parameter {
    /// Scattering.
    S,
    /// Admittance, siemens.
    Y,
    /// Impedance, ohm.
    Z,
    /// Hybrid.
    H,
    /// Inverse hybrid.
    G,
}

impl std::fmt::Display for Parameter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        std::fmt::Debug::fmt(self, f)
    }
}

/// How to read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReadSettings {
    /// Name of the file, for messages and for the port count in its suffix.
    pub name: String,
    /// Number of ports where the caller knows it; overrides the suffix. Only version 1 needs it.
    pub n_ports: Option<usize>,
    /// Accept what is common in the wild, with a remark for each liberty taken.
    pub lenient: bool,
}

impl ReadSettings {
    /// Strict reading of the file of this name.
    pub fn strict(name: impl Into<String>) -> Self {
        Self { name: name.into(), ..Self::default() }
    }

    /// Lenient reading of the file of this name.
    pub fn lenient(name: impl Into<String>) -> Self {
        Self { name: name.into(), lenient: true, ..Self::default() }
    }
}

/// One text of the standard, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Touchstone {
    /// Edition it follows.
    pub version: Version,
    /// What the matrices are.
    pub parameter: Parameter,
    /// Reference resistance of each single-ended port, ohm.
    pub reference_ohm: Vec<f64>,
    /// Frequencies, hertz, rising.
    pub freq_hz: Vec<f64>,
    /// One matrix a frequency; version 1 normalisation is undone. Rows and columns follow
    /// `mixed_mode` where that is present.
    pub matrix: Vec<CMatrix>,
    /// Meaning of each row and column; `None` for plain ports in order.
    pub mixed_mode: Option<Vec<Mode>>,
    /// Noise parameters of a two-port, resistance in ohm.
    pub noise: Vec<NoisePoint>,
    /// Comments, in order, without the `!`.
    pub comments: Vec<String>,
    /// Lines of the information block.
    pub information: Vec<String>,
    /// Remarks.
    pub remarks: Vec<Remark>,
}

impl Touchstone {
    /// Number of ports.
    pub fn n_ports(&self) -> usize {
        self.reference_ohm.len()
    }

    /// Single-ended scattering matrices as a [`Network`] with ports `1`, `2`, …
    pub fn to_network(&self) -> Result<Network, NetworkError> {
        let reference: Vec<Complex64> = match &self.mixed_mode {
            None => self.reference_ohm.iter().map(|&r| r.into()).collect(),
            Some(modes) => modes.iter().map(|m| m.reference_ohm(&self.reference_ohm).into()).collect(),
        };
        let mut s = Vec::with_capacity(self.matrix.len());
        for (matrix, &freq_hz) in self.matrix.iter().zip(&self.freq_hz) {
            let own = scattering(self.parameter, matrix, &reference).map_err(|e| at(e, freq_hz))?;
            s.push(match &self.mixed_mode {
                None => own,
                Some(modes) => mixed_mode::to_single_ended(&own, modes)?,
            });
        }
        let ports = (1..=self.n_ports()).map(|i| i.to_string()).collect();
        let plain = self.reference_ohm.iter().map(|&r| r.into()).collect();
        let mut network = Network::new(ports, plain, self.freq_hz.clone(), s)?.with_noise(self.noise.clone())?;
        for line in self.comments.iter().chain(&self.information) {
            network = network.noted(line.clone());
        }
        Ok(network.remarked(self.findings()))
    }

    /// The remarks as findings.
    pub fn findings(&self) -> Vec<Finding> {
        self.remarks.iter().map(Remark::finding).collect()
    }
}

fn scattering(kind: Parameter, matrix: &CMatrix, reference_ohm: &[Complex64]) -> Result<CMatrix, NetworkError> {
    match kind {
        Parameter::S => Ok(matrix.clone()),
        Parameter::Z => convert::s_from_z(matrix, reference_ohm, Wave::Power),
        Parameter::Y => convert::s_from_y(matrix, reference_ohm, Wave::Power),
        Parameter::H => convert::s_from_h(matrix, reference_ohm, Wave::Power),
        Parameter::G => convert::s_from_g(matrix, reference_ohm, Wave::Power),
    }
}

/// Reads one text.
pub fn read(bytes: &[u8], settings: &ReadSettings) -> Result<Touchstone, TouchstoneError> {
    let mut remarks = Vec::new();
    let result = read_named(bytes, settings, &mut remarks);
    result.map_err(|e| e.in_file(&settings.name))
}

fn read_named(bytes: &[u8], settings: &ReadSettings, remarks: &mut Vec<Remark>) -> Result<Touchstone, TouchstoneError> {
    // 1. Characters and lines.
    let text = lines::legal_text(bytes, settings.lenient, remarks)?;
    let all = lines::split(&text);
    // 2. The first line that says something tells the version.
    let Some(first) = all.iter().position(|l| !l.body.trim().is_empty()) else {
        let end = all.last().map_or(1, |l| l.number);
        return Err(TouchstoneError::new(
            Fault::OptionMissing,
            end,
            "an option line such as `# GHz S RI R 50`",
            "nothing",
        ));
    };
    let opening = &all[first];
    match opening.body.trim_start().as_bytes().first() {
        Some(b'[') => version2::read(&all, first, settings, remarks),
        Some(b'#') => version1::read(&all, first, settings, remarks),
        _ => Err(TouchstoneError::new(
            Fault::OptionMissing,
            opening.number,
            "the option line, such as `# GHz S RI R 50`, before any data",
            format!("`{}`", lines::shortened(opening.body.trim())),
        )
        .advise("put the option line first; units and format cannot be guessed")),
    }
}

/// Number of ports in a suffix such as `.s4p`.
pub fn ports_from_name(name: &str) -> Option<usize> {
    let (_, suffix) = name.rsplit_once('.')?;
    let suffix = suffix.to_ascii_lowercase();
    let n: usize = suffix.strip_prefix('s')?.strip_suffix('p')?.parse().ok()?;
    (n > 0).then_some(n)
}
