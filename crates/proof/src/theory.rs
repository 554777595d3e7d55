//! Closed forms and small exact systems of mixer theory, to compare other crates with.
//!
//! Use it for: expected values in any condition, where a printed number covers only one.
//! Conventions: SI units; peak phasors; losses positive in dB; two-sided Fourier coefficients where the
//! text says so. Sources stand beside each function; the numbers that prove them are in
//! `data/theory.json` (section letters A to L) and are checked one by one in `tests/theory.rs`.

pub mod balance;
pub mod compression;
pub mod drive;
pub mod noise;
pub mod reactive;
pub mod resistive;
pub mod special;
pub mod spurs;
pub mod switch;
pub mod temperature;

/// Power ratio in dB.
pub fn db(power_ratio: f64) -> f64 {
    10.0 * power_ratio.log10()
}

/// Amplitude ratio in dB.
pub fn db20(amplitude_ratio: f64) -> f64 {
    20.0 * amplitude_ratio.abs().log10()
}

/// The check values of the theory, as JSON text: `checks[].{id, title, formula, source, inputs, expected}`.
pub const CHECKS_JSON: &str = include_str!("../data/theory.json");
