//! Network data files: what is in them, may they be trusted, the same in another version or reference.

use crate::error::{NetworkFileError, ProjectError};
use network::hygiene::{self, Figure};
use network::touchstone::{self, ReadSettings, WriteVersion};
use network::{Network, NetworkError};
use numerics::Complex64;
use quantity::{Finding, Resistance};
use std::path::Path;

/// What a network data file holds and how good it looks.
#[derive(Debug, Clone)]
pub struct NetworkSurvey {
    /// Name of the file.
    pub file: String,
    /// Edition of the standard.
    pub version: String,
    /// Number of ports.
    pub n_ports: usize,
    /// Number of frequencies.
    pub n_frequencies: usize,
    /// First and last frequency, hertz.
    pub freq_hz: (f64, f64),
    /// Number of noise frequencies.
    pub n_noise: usize,
    /// Reference resistances, ohm.
    pub reference_ohm: Vec<f64>,
    /// Largest singular value and its frequency, hertz; above one the data create power.
    pub sigma_max: (f64, f64),
    /// Passivity figure.
    pub passivity: Figure,
    /// Reciprocity figure; none for one port.
    pub reciprocity: Option<Figure>,
    /// Causality figure.
    pub causality: Option<Figure>,
    /// True when the file has a point at zero frequency.
    pub has_dc: bool,
    /// Remarks of reading and of these figures.
    pub findings: Vec<Finding>,
}

/// Entries whose largest magnitude stays below this are noise to the causality figure.
const CAUSALITY_FLOOR: f64 = 1e-4; // -80 dB

/// Reads a file; lenient reading accepts what is common in the wild, with a remark.
///
/// # Errors
/// The file cannot be read, or breaks the standard.
pub fn read(path: &Path, lenient: bool) -> Result<(Network, NetworkSurvey), ProjectError> {
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    let file = path.display().to_string();
    let settings = if lenient { ReadSettings::lenient(file.clone()) } else { ReadSettings::strict(file.clone()) };
    let data = touchstone::read(&bytes, &settings).map_err(|error| NetworkFileError::new(error, &bytes))?;
    let wrong = |source| ProjectError::Network { place: file.clone(), source };
    let network = data.to_network().map_err(wrong)?;
    let survey = survey(&file, data.version.to_string(), &network, data.findings()).map_err(wrong)?;
    Ok((network, survey))
}

fn survey(
    file: &str,
    version: String,
    network: &Network,
    mut findings: Vec<Finding>,
) -> Result<NetworkSurvey, NetworkError> {
    let freq = network.freq_hz();
    let sigma_max = hygiene::sigma_max_over(network)?;
    let has_dc = freq[0] <= 0.0;
    if sigma_max.0 > 1.0 + 1e-6 {
        let text = format!(
            "largest singular value {:.6}: the data create power at {:.6e} Hz; as the embedding of diodes they may not settle",
            sigma_max.0, sigma_max.1
        );
        findings.push(Finding::warning(file, text));
    }
    if !has_dc {
        let text = "no point at zero frequency: bias and rectified currents will rest on an extrapolation";
        findings.push(Finding::note(file, text));
    }
    Ok(NetworkSurvey {
        file: file.into(),
        version,
        n_ports: network.n_ports(),
        n_frequencies: freq.len(),
        freq_hz: (freq[0], freq[freq.len() - 1]),
        n_noise: network.noise().len(),
        reference_ohm: network.reference_ohm().iter().map(|z| z.re).collect(),
        sigma_max,
        passivity: hygiene::passivity(network.s())?,
        reciprocity: hygiene::reciprocity(network.s()),
        causality: hygiene::causality(network.s(), CAUSALITY_FLOOR),
        has_dc,
        findings,
    })
}

/// Which version a converted file follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Edition {
    /// Version 1: one reference for all ports, file name ending in `.sNp`.
    One,
    /// Version 2: any references, file name ending in `.ts`.
    Two,
}

/// The network as text in another edition, renormalised to one resistance when asked.
///
/// # Errors
/// The edition cannot hold the network.
pub fn converted(
    network: &Network,
    file: &str,
    edition: Edition,
    reference: Option<Resistance>,
) -> Result<String, ProjectError> {
    let wrong = |source| ProjectError::Network { place: file.to_string(), source };
    let network = match reference {
        Some(r) => network.renormalised(&vec![Complex64::new(r.si(), 0.0); network.n_ports()]).map_err(wrong)?,
        None => network.clone(),
    };
    let version = match edition {
        Edition::One => WriteVersion::One,
        Edition::Two => WriteVersion::Two,
    };
    touchstone::write(&network, version).map_err(wrong)
}
