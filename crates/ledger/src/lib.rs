//! What was promised, what came out, and what earlier designs teach about the next one.
//!
//! Input: readings of a review to be sealed, comparisons of measured lots to be kept. Output: [`Seal`]s whose tampering
//! is found and explained, a [`Ledger`] whose history cannot be edited silently, and bias and spread learned from it.
//! Conventions: residuals are measured minus predicted, in the unit of the measure; every learned band is free of any
//! assumed law and states the designs it rests on.
//! Not here: how a residual is formed (`measurement`), which cause explains it (`causes`).

mod class;
mod drift;
mod error;
mod learn;
mod record;
mod seal;
mod store;

pub use class::{Class, Level, class_of};
pub use drift::{Drift, DriftReport, DriftSettings, find_drift};
pub use error::LedgerError;
pub use learn::{Experience, Learned, LeftOut, designs_needed, learn, leave_one_design_out};
pub use record::{Comparison, Duration, Entry, Value, Yield};
pub use seal::{
    Chained, Head, Input, Seal, SealedBand, SealedLimit, SealedReading, Signature, SigningKey, Tampering, seal_readings,
};
pub use store::{FORMAT, Ledger, Stored, Verified};
