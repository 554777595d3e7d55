//! Imbalance against rejection (I).

use super::{db, db20};
use num_complex::Complex64;

/// Image rejection for an amplitude error in dB and a phase error in degrees, dB.
pub fn image_rejection_db(amplitude_db: f64, phase_deg: f64) -> f64 {
    let g = 10f64.powf(amplitude_db / 20.0);
    let c = 2.0 * g * phase_deg.to_radians().cos();
    db((1.0 + g * g + c) / (1.0 + g * g - c))
}

/// Differential over common mode of a balun with an amplitude error and a departure from 180 degrees, dB.
pub fn balun_rejection_db(amplitude_db: f64, phase_deg: f64) -> f64 {
    let leg = Complex64::from_polar(10f64.powf(amplitude_db / 20.0), phase_deg.to_radians());
    db20((1.0 + leg).norm() / (1.0 - leg).norm())
}

/// Common-mode power over the total power of both legs, dB (negative).
pub fn balun_leak_db(amplitude_db: f64, phase_deg: f64) -> f64 {
    let leg = Complex64::from_polar(10f64.powf(amplitude_db / 20.0), phase_deg.to_radians());
    db((1.0 - leg).norm_sqr() / (2.0 * (1.0 + leg.norm_sqr())))
}

/// Sigma-delta transmission and return of a 180-degree hybrid closed by two reflections, dB.
pub fn hybrid_db(one: Complex64, two: Complex64) -> (f64, f64) {
    (db20((one - two).norm() / 2.0), db20((one + two).norm() / 2.0))
}

/// Residue of a pair whose admittances differ by the share `d`, dB.
pub fn pair_residue_db(d: f64) -> f64 {
    db20(d / (2.0 + d))
}
