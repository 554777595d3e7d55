//! What the bench said, and does it agree with what was promised?
//!
//! Input: a bench record ([`Session`]) with tables of numbers or network data. Output: [`Measured`] values, each with
//! unit, lot, conditions, standard uncertainty and whether it lies at the floor; then residuals against predictions
//! taken under like conditions, by unit and by lot.
//! Conventions: those of `spec` for measures, units and signs; standard uncertainties are for one standard deviation
//! (k = 1); nothing here opens files.
//! Not here: which cause explains a residual (`causes`), what earlier designs teach (`ledger`).

pub mod analyser;
pub mod bound;
pub mod compare;
mod correct;
pub mod decibel;
mod error;
pub mod fsv;
pub mod gum;
pub mod lot;
mod measured;
mod network_data;
mod session;
pub mod table;

pub use error::MeasurementError;
pub use measured::{Measured, Place, State};
pub use network_data::from_network;
pub use session::{Detector, Floor, Leakage, Pad, Session, Uncertainty};
