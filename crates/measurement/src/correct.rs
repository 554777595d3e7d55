//! From the number on the bench to the number at the package: pads, leakage and floor taken off.
//!
//! Input: raw numbers with their conditions. Output: [`Measured`] values with standard uncertainty.
//! Rules, stated in the guide as well: products within 10 dB of the floor lose its noise power and carry a larger
//! uncertainty; products less than 3 dB above it are only bounded; isolation is bounded by what leakage of the bench
//! could have cancelled once leakage is within 6 dB of the reading.

use crate::decibel::{self, additive_error};
use crate::{Detector, Floor, Measured, MeasurementError, Place, Session, State, Uncertainty};
use spec::{Bound, Conditions, Measure, PortName};

/// Distance to the floor below which noise is taken off, dB.
const NEAR_FLOOR_DB: f64 = 10.0;
/// Distance to the floor below which only a bound is known, dB.
const BOUND_BELOW_DB: f64 = 3.0;
/// Distance of an isolation to the leakage of the bench below which only a bound is known, dB.
const LEAKAGE_BOUND_DB: f64 = 6.0;

/// A number as it stands in a file.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Raw {
    pub(crate) measure: Measure,
    pub(crate) value: f64,
    /// Written as a bound by the bench (`<-95`, `>60`).
    pub(crate) bound: Option<Bound>,
    pub(crate) conditions: Conditions,
    pub(crate) unit: String,
    pub(crate) lot: String,
    pub(crate) place: Place,
}

/// Takes pads, leakage and floor off one number; `floor_dbc` is the floor against the wanted product, where known.
pub(crate) fn corrected(raw: Raw, session: &Session, floor_dbc: Option<f64>) -> Result<Measured, MeasurementError> {
    let u = standard_uncertainty(&raw, session)?;
    let at_package = raw.value + pad_shift(raw.measure, session);
    let (value, u, state) = match (raw.bound, raw.measure) {
        (Some(Bound::AtMost(_)), _) => (at_package, u, State::Censored(Bound::AtMost(at_package))),
        (Some(Bound::AtLeast(_)), _) => (at_package, u, State::Censored(Bound::AtLeast(at_package))),
        (None, Measure::Spur(_) | Measure::SpurUp(_)) => match (floor_dbc, session.floor) {
            (Some(floor_dbc), floor) => {
                let near = session.uncertainty.near_floor_of(raw.measure).unwrap_or(u);
                over_floor(at_package, floor_dbc, floor.map_or(Detector::Power, |f| f.detector), u, near)
            }
            (None, None) => (at_package, u, State::Seen),
            (None, Some(floor)) => return Err(no_floor(&raw, floor)),
        },
        (None, Measure::Isolation { from, to }) => beside_leakage(at_package, leakage_db(session, from, to), u),
        _ => (at_package, u, State::Seen),
    };
    let Raw { measure, value: written, conditions, unit, lot, place, .. } = raw;
    let session = session.name.clone();
    Ok(Measured { measure: measure.canonical(), value, raw: written, conditions, unit, lot, session, u, state, place })
}

/// What is added to a reading so that the pads still contained in it are taken off, dB.
fn pad_shift(measure: Measure, session: &Session) -> f64 {
    let pad = |p| session.pad_db(p);
    match measure {
        Measure::ConversionLoss | Measure::ConversionLossUp => -pad(PortName::Rf) - pad(PortName::If),
        Measure::Isolation { from, to } => -pad(from) - pad(to),
        Measure::ReturnLoss(port) => -2.0 * pad(port),
        Measure::LoHarmonic { port, .. } => pad(port),
        Measure::CarrierLeak => pad(PortName::Rf),
        Measure::InputP1db | Measure::InputIp2 | Measure::InputIp3 => -pad(PortName::Rf),
        _ => 0.0,
    }
}

fn standard_uncertainty(raw: &Raw, session: &Session) -> Result<f64, MeasurementError> {
    let stated = session.uncertainty.of(raw.measure);
    let residual = match (raw.measure, session.residuals) {
        (Measure::ReturnLoss(_), Some(r)) => Some(r.return_loss_u_db(raw.value + pad_shift(raw.measure, session))),
        _ => None,
    };
    match (stated, residual) {
        (None, None) => {
            let [particular, group] = Uncertainty::names(raw.measure);
            Err(MeasurementError::file(
                raw.place.clone(),
                format!("a standard uncertainty for {} in the bench record", raw.measure.label()),
                format!("none in session `{}`", session.name),
                format!("write `{group}` or `{particular}` under `[uncertainty]`"),
            ))
        }
        (a, b) => Ok(a.unwrap_or(0.0).hypot(b.unwrap_or(0.0))),
    }
}

fn no_floor(raw: &Raw, floor: Floor) -> MeasurementError {
    MeasurementError::file(
        raw.place.clone(),
        "the conversion loss of the same unit at the same frequency, to place the floor below the wanted product",
        format!("none in the table, and a floor of {} dBm in the bench record", floor.level_dbm),
        "add a column `conversion_loss (dB)` or a column `floor (dBc)`",
    )
}

/// A product beside the floor: plain, corrected or bounded.
fn over_floor(value: f64, floor: f64, detector: Detector, u: f64, u_near: f64) -> (f64, f64, State) {
    let margin = value - floor;
    if margin >= NEAR_FLOOR_DB {
        return (value, u, State::Seen);
    }
    let signal_at = |reading: f64| match detector {
        Detector::Power => decibel::signal_from_power(reading, floor),
        Detector::Log => decibel::signal_from_log(reading, floor),
    };
    let step = 0.01; // dB, for the slope of the correction
    match (signal_at(value), signal_at(value - step), signal_at(value + step)) {
        (Some(signal), Some(below), Some(above)) if margin >= BOUND_BELOW_DB => {
            (signal, u_near * (above - below) / (2.0 * step), State::Corrected)
        }
        _ => {
            let bound = value.max(floor);
            (bound, u_near, State::Censored(Bound::AtMost(bound)))
        }
    }
}

fn leakage_db(session: &Session, from: PortName, to: PortName) -> Option<f64> {
    session.leakage.iter().find(|l| l.from == from && l.to == to).map(|l| l.level_db)
}

/// An isolation beside the leakage of the bench.
fn beside_leakage(isolation: f64, leakage_db: Option<f64>, u: f64) -> (f64, f64, State) {
    let Some(leakage_db) = leakage_db else { return (isolation, u, State::Seen) };
    if -isolation - leakage_db >= LEAKAGE_BOUND_DB {
        return (isolation, u.hypot(additive_error(-isolation, leakage_db).rms_db), State::Seen);
    }
    // leakage may have cancelled a part: the unit leaks at most reading plus leakage
    let amplitude = 10f64.powf(-isolation / 20.0) + 10f64.powf(leakage_db / 20.0);
    let bound = -20.0 * amplitude.log10();
    (bound, u, State::Censored(Bound::AtLeast(bound)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_lose_their_noise_and_end_at_the_floor() {
        let at = |value: f64| over_floor(value, -90.0, Detector::Power, 0.5, 1.5);
        assert_eq!(at(-79.0), (-79.0, 0.5, State::Seen));
        let (value, u, state) = at(-84.0);
        // -84 dB over -90 dB: 10 log10(10^-8.4 - 10^-9.0) = -85.256 dB, derived by hand
        assert!((value + 85.256).abs() < 1e-3 && state == State::Corrected, "{value}");
        assert!((u - 1.5 / (1.0 - 10f64.powf(-0.6))).abs() < 1e-3, "{u}");
        assert_eq!(at(-88.0).2, State::Censored(Bound::AtMost(-88.0)));
        assert_eq!(at(-92.0).2, State::Censored(Bound::AtMost(-90.0)));
    }

    #[test]
    fn leakage_of_the_bench_widens_then_bounds() {
        assert_eq!(beside_leakage(50.0, None, 0.6), (50.0, 0.6, State::Seen));
        let (value, u, state) = beside_leakage(52.0, Some(-72.0), 0.6);
        // 20 dB above: 0.615 dB root mean square from the table of additive errors
        assert!((u - 0.6f64.hypot(0.614_956)).abs() < 1e-4 && value == 52.0 && state == State::Seen);
        let (value, _, state) = beside_leakage(72.0, Some(-72.0), 0.6);
        assert!((value - (72.0 - 6.0206)).abs() < 1e-3, "{value}");
        assert!(matches!(state, State::Censored(Bound::AtLeast(_))));
    }
}
