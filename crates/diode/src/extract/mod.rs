//! Parameters from measured tables: what do the points say, how sure are they, and do they fit at all?
//!
//! Input: slices of equal length and their uncertainty; no files are read here.
//! Output: parameters with covariance, intervals, chi-squared and residuals ([`Fit`]).
//! Use [`fit_current`] and [`fit_capacitance`]; the graphical methods ([`cheung_slope`],
//! [`norde_minimum`], …) are there for comparison with older work: on the same data their scatter in
//! `RS` is 2.6 to 6 times that of the weighted fit, and each has a bias of its own.
//! Traps: a junction 5 K warmer than assumed reads as 1.7 % more ideality; a sweep that stops before
//! `I·RS` shows determines no `RS`; zero-bias and pad capacitance are 99.8 % correlated.

mod capacitance;
mod current;
mod fit;
mod graphical;

pub use capacitance::{CapacitanceFit, CapacitanceSettings, Held, fit_capacitance};
pub use current::{CurrentFit, CurrentLaw, fit_current, voltage_forced_sigma_v};
pub use fit::Fit;
pub use graphical::{
    CheungBarrier, CheungSlope, LogLine, NordeMinimum, Richardson, cheung_barrier, cheung_slope, log_line,
    norde_minimum, norde_resistance_ohm, norde_two_gammas, richardson,
};

/// What is known of the noise of the measured quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Uncertainty<'a> {
    /// One standard deviation for all points, in the unit of the measured quantity.
    Uniform(f64),
    /// One standard deviation per point.
    Each(&'a [f64]),
    /// Equal but unknown: estimated from the residuals; chi-squared then says nothing, and intervals
    /// use Student's distribution.
    Unknown,
}
