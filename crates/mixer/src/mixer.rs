//! The mixer under review.

use balance::{BalanceError, Embedding};
use diode::Device;
use quantity::Finding;
use spec::{Conditions, PortName, Sideband};
use std::sync::Arc;

/// Which external port of the embedding plays which role.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ports {
    /// Local oscillator.
    pub lo: usize,
    /// Radio frequency.
    pub rf: usize,
    /// Intermediate frequency.
    pub if_: usize,
}

impl Ports {
    /// Index of a named port.
    pub fn index(self, name: PortName) -> usize {
        match name {
            PortName::Lo => self.lo,
            PortName::Rf => self.rf,
            PortName::If => self.if_,
        }
    }
}

/// The same mixer with its network data continued in another way.
#[derive(Debug, Clone)]
pub struct Alternative {
    /// Name of the continuation.
    pub name: String,
    /// The embedding under it.
    pub embedding: Arc<Embedding>,
}

/// A passive network with its junctions and the roles of its ports.
#[derive(Debug, Clone)]
pub struct Mixer {
    /// Name of the design.
    pub name: String,
    /// One paragraph about it.
    pub about: String,
    /// The linear multiport: external ports, then junctions.
    pub embedding: Arc<Embedding>,
    /// Other continuations of the network data beyond their last frequency.
    pub alternatives: Vec<Alternative>,
    /// One device a junction, at [`Self::temp_k`].
    pub devices: Vec<Arc<dyn Device>>,
    /// Names of the diodes.
    pub diode_names: Vec<String>,
    /// Roles of the ports.
    pub ports: Ports,
    /// Temperature of diodes and network, kelvin.
    pub temp_k: f64,
    /// The terminations in words.
    pub terminations: String,
    /// Remarks made while the mixer was put together.
    pub findings: Vec<Finding>,
}

/// Errors of a review.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum MixerError {
    /// A steady state or small-signal solution failed.
    #[error("{run}: {source}")]
    Balance {
        /// Which run, at which frequencies and levels.
        run: String,
        /// Why.
        source: BalanceError,
    },
    /// The plan asks for something impossible.
    #[error("expected {expected}, found {found}")]
    Plan {
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// The caller asked to stop.
    #[error(transparent)]
    Cancelled(#[from] numerics::Cancelled),
}

impl MixerError {
    /// Attaches the run to an error of the balance.
    pub(crate) fn in_run(run: impl Into<String>) -> impl FnOnce(BalanceError) -> Self {
        let run = run.into();
        move |source| match source {
            BalanceError::Cancelled(c) => Self::Cancelled(c),
            source => Self::Balance { run, source },
        }
    }
}

/// Watt of a level in dBm.
pub(crate) fn watt(dbm: f64) -> f64 {
    1e-3 * 10f64.powf(dbm / 10.0)
}

/// dBm of a power in watt.
pub(crate) fn dbm(watt: f64) -> f64 {
    10.0 * (watt / 1e-3).log10()
}

/// dB of a power ratio.
pub(crate) fn db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// Wanted product of an RF at `rf_hz`: order in the LO; the order in the RF is its negative.
pub(crate) fn wanted_lo_order(lo_hz: f64, rf_hz: f64) -> i32 {
    if rf_hz < lo_hz { 1 } else { -1 }
}

impl Mixer {
    /// Conditions with the LO alone.
    pub fn lo_conditions(&self, lo_hz: f64, lo_dbm: f64) -> Conditions {
        Conditions {
            lo_hz,
            lo_dbm,
            temp_k: self.temp_k,
            terminations: self.terminations.clone(),
            ..Conditions::default()
        }
    }

    /// Conditions with a signal; `signal_dbm` none for the small-signal limit.
    pub fn conditions(&self, lo_hz: f64, lo_dbm: f64, rf_hz: f64, signal_dbm: Option<f64>) -> Conditions {
        Conditions {
            rf_hz: Some(rf_hz),
            if_hz: Some((rf_hz - lo_hz).abs()),
            sideband: Some(if rf_hz < lo_hz { Sideband::Lower } else { Sideband::Upper }),
            signal_dbm,
            ..self.lo_conditions(lo_hz, lo_dbm)
        }
    }
}
