//! The built-in demonstration: an invented 20-26 GHz ring mixer at circuit level, and the same from network data.

use crate::design::Design;
use crate::error::ProjectError;
use network::touchstone::{self, WriteVersion};
use network::{FrequencyResponse, Network};
use numerics::Complex64;
use std::path::Path;

/// File name of the design at circuit level.
pub const CIRCUIT_FILE: &str = "qb-k07.toml";
/// The design at circuit level.
pub const CIRCUIT_TEXT: &str = include_str!("../demo/qb-k07.toml");
/// File name of the design whose baluns are field solutions.
pub const FULL_FILE: &str = "qb-k07-full.toml";
/// The design whose baluns are field solutions.
pub const FULL_TEXT: &str = include_str!("../demo/qb-k07-full.toml");
/// File name of the design from network data.
pub const NETWORK_FILE: &str = "qb-k07-network.toml";
/// The design from network data; it names [`NETWORK_DATA_FILE`].
pub const NETWORK_TEXT: &str = include_str!("../demo/qb-k07-network.toml");
/// Network data named by [`NETWORK_TEXT`]: three external ports, then one port a diode.
pub const NETWORK_DATA_FILE: &str = "qb-k07.s7p";

/// Last frequency of the network data, hertz: four times the LO.
const DATA_UP_TO_HZ: f64 = 112e9;
/// Step of the network data, hertz.
const DATA_STEP_HZ: f64 = 0.25e9;
/// Below this frequency, hertz, ...
const FINE_UP_TO_HZ: f64 = 1e9;
/// ... this is the step, hertz: conductor loss rises as the root of frequency, steeply near zero.
const FINE_STEP_HZ: f64 = 0.05e9;

/// Frequencies of the network data, hertz, zero included.
fn data_frequencies_hz() -> Vec<f64> {
    let steps = |from: f64, to: f64, step: f64| {
        let n = ((to - from) / step).round() as usize;
        (0..n).map(move |k| from + step * k as f64)
    };
    let fine = steps(0.0, FINE_UP_TO_HZ, FINE_STEP_HZ);
    fine.chain(steps(FINE_UP_TO_HZ, DATA_UP_TO_HZ, DATA_STEP_HZ)).chain([DATA_UP_TO_HZ]).collect()
}

/// The network data of [`NETWORK_TEXT`]: the circuit of [`CIRCUIT_TEXT`] between its connectors and bare diode pads.
///
/// # Errors
/// None in practice: the built-in design is tested to compile.
pub fn network_data() -> Result<String, ProjectError> {
    let design = Design::parse(CIRCUIT_FILE, CIRCUIT_TEXT, Path::new(""))?;
    let passive = design.passive_at_pads()?;
    let freq_hz = data_frequencies_hz();
    let in_file = |source| ProjectError::Network { place: NETWORK_DATA_FILE.into(), source };
    let s = passive.scattering_many(&freq_hz).map_err(in_file)?;
    let reference = passive.reference_ohm().iter().map(|r| Complex64::new(*r, 0.0)).collect();
    let network = Network::new(passive.port_names().to_vec(), reference, freq_hz, s)
        .map_err(in_file)?
        .noted("QB-K07 Ptarmigan, passive part at circuit level: LO, RF, IF, then one port a diode from anode to cathode pad")
        .noted("pads and fingers of the diodes are not contained");
    touchstone::write(&network, WriteVersion::One).map_err(in_file)
}
