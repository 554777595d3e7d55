//! Pumped scattering parameters of a unit: reflections and isolations at the frequencies of the drive.
//!
//! Input: network data measured with the LO on, one wave port a mixer port. Output: [`Measured`] values.
//! A column of the scattering matrix is what is seen while that port is driven: the RF column gives return loss and
//! isolation at each RF, the LO column counts at the LO frequency only, where LO and stimulus are one tone.

use crate::correct::{Raw, corrected};
use crate::table::complete;
use crate::{Measured, MeasurementError, Place, Session};
use network::Network;
use spec::{Measure, PortName};

/// Relative distance at which two frequencies are one.
const SAME_FREQUENCY: f64 = 1e-6;

/// Reads network data of one unit; `ports` names the ports in the order of the data, `rf_band_hz` limits the RF.
///
/// # Errors
/// Another number of ports than named, no frequency that belongs to the conditions, no uncertainty for a quantity.
pub fn from_network(
    file: &str,
    network: &Network,
    session: &Session,
    unit: &str,
    ports: &[PortName],
    rf_band_hz: (f64, f64),
) -> Result<Vec<Measured>, MeasurementError> {
    let place = Place { file: file.into(), line: 1, column: 1 };
    if network.n_ports() != ports.len() {
        let named: Vec<&str> = ports.iter().map(|p| p.label()).collect();
        let expected = format!("{} ports ({}) as named in the bench record", ports.len(), named.join(", "));
        let next = "name every port of the data in its order";
        return Err(MeasurementError::file(place, expected, format!("{} ports", network.n_ports()), next));
    }
    if let Some(twice) = ports.iter().enumerate().find(|(k, p)| ports[..*k].contains(p)) {
        let found = format!("{} twice", twice.1.label());
        return Err(MeasurementError::file(place, "each port of the mixer once", found, "correct `ports`"));
    }
    let mut out = Vec::new();
    for (k, &freq_hz) in network.freq_hz().iter().enumerate() {
        for (driven, &from) in ports.iter().enumerate() {
            if !counts(from, freq_hz, session, rf_band_hz) {
                continue;
            }
            for (seen, &to) in ports.iter().enumerate() {
                let wave = network.s()[k][(seen, driven)].norm();
                let measure = if to == from { Measure::ReturnLoss(from) } else { Measure::Isolation { from, to } };
                let mut conditions = session.conditions.clone();
                conditions.rf_hz = (from == PortName::Rf).then_some(freq_hz);
                complete(&mut conditions);
                let raw = Raw {
                    measure,
                    value: -20.0 * wave.log10(),
                    bound: None,
                    conditions,
                    unit: unit.into(),
                    lot: session.lot.clone(),
                    place: place.clone(),
                };
                out.push(corrected(raw, session, None)?);
            }
        }
    }
    if out.is_empty() {
        let (low, high) = (rf_band_hz.0 / 1e9, rf_band_hz.1 / 1e9);
        let expected = format!("frequencies in the RF band {low} to {high} GHz or at the LO");
        return Err(MeasurementError::file(place, expected, "none", "check the bench record and the file"));
    }
    Ok(out)
}

fn counts(from: PortName, freq_hz: f64, session: &Session, rf_band_hz: (f64, f64)) -> bool {
    let near = |f: f64| (freq_hz - f).abs() <= SAME_FREQUENCY * f.abs();
    match from {
        PortName::Rf => {
            freq_hz >= rf_band_hz.0 * (1.0 - SAME_FREQUENCY) && freq_hz <= rf_band_hz.1 * (1.0 + SAME_FREQUENCY)
        }
        PortName::Lo => near(session.conditions.lo_hz),
        PortName::If => false,
    }
}
