//! Harmonic balance of junctions in a linear multiport, small-signal conversion around the pumped
//! state, noise conversion, and products of higher RF order by perturbation.
//!
//! Input: an [`Embedding`] (scattering at external and junction ports at any frequency), one
//! [`diode::Device`] a junction, tones and drives. Output: the steady state with a report.
//! This crate has never heard of a balun: it sees ports and devices.
//!
//! # Method
//! At every mixing product the linear multiport closed by its reference resistances is reduced to
//! the junction ports. With junction voltage `v`, conduction current `i(v)` and charge `q(v)`,
//! reference resistance `R` and the unknown `w = v + R·i(v)` — a wave, so that even a violent drive
//! never meets a bare exponential — the equations at each product read
//!
//! ```text
//! W + jωR·Q − S·(2V − W − jωR·Q) = 2√R · S_je · a
//! ```
//!
//! They need neither an impedance nor an admittance of the network, so ideal opens, shorts and
//! through connections are ordinary cases, and direct current is an ordinary frequency.
//! Sources: B. Troyanovsky, Stanford thesis 1997 (preconditioned Krylov balance), from memory;
//! D. N. Held, A. R. Kerr, IEEE Trans. MTT-26 (1978) 49 for the conversion and noise matrices.
//!
//! # Conventions
//! Two-sided coefficients `x(t) = Σ X_p exp(+jω_p t)`; a peak phasor is `2·X_p`.
//! The first tone is the pump. A *lane* is a fixed set of orders in the other tones together with
//! all pump harmonics `−K…K`.

mod basis;
mod climb;
mod embedding;
mod equations;
mod follow;
mod lane;
mod newton;
mod noise;
mod perturbation;
mod sensitivity;
mod small_signal;
mod spectra;
mod steady;

pub use basis::{Basis, Truncation};
pub use climb::{ClimbSettings, Climbed, climb};
pub use embedding::Embedding;
pub use noise::{NoiseBudget, NoiseSettings, ShotLaw, noise_at};
pub use perturbation::{PerturbedProducts, perturb};
pub use sensitivity::{
    NetworkDerivatives, NetworkMotion, Order, Output, Parameter, Rigid, Sensitivities, Stencil, sensitivities,
};
pub use small_signal::{Conversion, PumpedState, Scattered};
pub use steady::{BalanceSettings, Drive, Problem, SteadyState, solve, solve_from};

/// Errors of the balance.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum BalanceError {
    /// The iteration did not reach a solution; nothing is returned in its place.
    #[error(
        "no steady state: residual {residual:.2e} V, wanted {wanted:.2e} V, after {iterations} iterations at {level_db:.1} dB relative to the asked drive; {hint}"
    )]
    NotConverged {
        /// Largest residual at a product, volt.
        residual: f64,
        /// Wanted, volt.
        wanted: f64,
        /// Newton iterations in total.
        iterations: usize,
        /// Drive level relative to the asked one at which it stopped, dB.
        level_db: f64,
        /// What to look at.
        hint: String,
    },
    /// Shapes of the inputs disagree.
    #[error("expected {expected}, found {found}")]
    Mismatch {
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// The network failed.
    #[error(transparent)]
    Network(#[from] network::NetworkError),
    /// A kernel failed.
    #[error(transparent)]
    Numerics(#[from] numerics::NumericsError),
    /// The caller asked to stop.
    #[error(transparent)]
    Cancelled(#[from] numerics::Cancelled),
}
