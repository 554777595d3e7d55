//! The inductance that the current sheet of an internal port brings along.
//!
//! A part between two pads has its own current path with its own partial inductance, and its model holds it. The
//! sheet of a port is such a path too, so its partial inductance is taken away: the reference planes are the facing
//! edges of the pads, and what is connected there brings the inductance of its own body.
//! Partial inductance of a uniform current over a strip of no thickness, with its image in the ground below.
//! Sources: E. B. Rosa, "The self and mutual inductances of linear conductors", Bulletin of the Bureau of Standards 4
//! (1908), 301; C. Hoer, C. Love, "Exact inductance equations for rectangular conductors", J. Res. NBS 69C (1965),
//! equation 14 (both formulas from memory; the tests integrate them).

use crate::describe::{Port, Volume, Wall};
use numerics::{CMatrix, Complex64, linear};
use quantity::constants::VACUUM_PERMEABILITY_H_PER_M;
use std::f64::consts::{PI, TAU};

/// Partial inductance of the sheet of a port, henry; zero for a wave port.
pub fn port_inductance_h(volume: &Volume, port: &Port) -> f64 {
    // A bottom that conducts carries the image of everything.
    let grounded = !matches!(volume.walls[4], Wall::Magnetic | Wall::Absorbing);
    match port {
        Port::Wave { .. } => 0.0,
        Port::Upright { line: [a, b], z_m, .. } => {
            let width = (a[0] - b[0]).hypot(a[1] - b[1]);
            let (length, apart) = (z_m[1] - z_m[0], 2.0 * z_m[0]);
            let own = strip_h(length, width);
            if !grounded {
                return own;
            }
            // The image continues the current below: mutual inductance of two strips in line.
            let whole = strip_h(2.0 * length + apart, width) + strip_h(apart, width);
            own + (whole - 2.0 * strip_h(length + apart, width)) / 2.0
        }
        Port::Flat { polygon, z_m, direction, .. } => {
            let size = direction[0].hypot(direction[1]);
            let unit = [direction[0] / size, direction[1] / size];
            let extent = |d: [f64; 2]| {
                let along = polygon.iter().map(|p| p[0] * d[0] + p[1] * d[1]);
                along.clone().fold(f64::NEG_INFINITY, f64::max) - along.fold(f64::INFINITY, f64::min)
            };
            let (length, width) = (extent(unit), extent([-unit[1], unit[0]]));
            let own = strip_h(length, width);
            // The image runs back at twice the height; the width matters little there.
            if grounded && *z_m > 0.0 { own - parallel_h(length, 2.0 * z_m) } else { own }
        }
    }
}

/// Partial inductance of a strip without thickness.
fn strip_h(length: f64, width: f64) -> f64 {
    if length <= 0.0 {
        return 0.0;
    }
    let (l, w) = (length, width);
    let d = l.hypot(w);
    let sum =
        3.0 * w * w * l * ((l + d) / w).ln() - d.powi(3) + 3.0 * l * l * w * ((w + d) / l).ln() + l.powi(3) + w.powi(3);
    VACUUM_PERMEABILITY_H_PER_M / (6.0 * PI * w * w) * sum
}

/// Mutual partial inductance of two equal parallel filaments side by side.
fn parallel_h(length: f64, distance: f64) -> f64 {
    let d = length.hypot(distance);
    VACUUM_PERMEABILITY_H_PER_M / (2.0 * PI) * (length * ((length + d) / distance).ln() - d + distance)
}

/// Scattering matrix with a series inductance taken away from each port.
pub(crate) fn without_inductance(
    s: &CMatrix,
    freq_hz: f64,
    inductance_h: &[f64],
    reference_ohm: &[f64],
) -> Result<CMatrix, numerics::NumericsError> {
    if freq_hz == 0.0 || inductance_h.iter().all(|l| *l == 0.0) {
        return Ok(s.clone());
    }
    // V' = V − jωL I: with x = jωL/2R both waves lose x (a − b), b' gains it.
    let n = s.n_rows();
    let x = |p: usize| Complex64::new(0.0, TAU * freq_hz * inductance_h[p] / (2.0 * reference_ohm[p]));
    let one = |p: usize, q: usize| Complex64::from(f64::from(u8::from(p == q)));
    let into = CMatrix::from_fn(n, n, |p, q| one(p, q) - x(p) * (one(p, q) - s[(p, q)]));
    let out = CMatrix::from_fn(n, n, |p, q| s[(p, q)] - x(p) * (one(p, q) - s[(p, q)]));
    // S' = out · into⁻¹.
    Ok(linear::solve(&into.transpose(), &out.transpose())?.transpose())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `μ0/4πw² ∬∬ 1/r` by brute force over filaments; equal filaments take Rosa's mean distance of a strip.
    fn integrated(length: f64, width: f64) -> f64 {
        let n = 200;
        let step = width / n as f64;
        let mut sum = 0.0;
        for k in 0..n {
            let weight = if k == 0 { 1.0 } else { 2.0 } * (n - k) as f64;
            // The mean distance of a strip from itself is exp(−3/2) of its width.
            let d = if k == 0 { step * (-1.5_f64).exp() } else { k as f64 * step };
            sum += weight * parallel_h(length, d);
        }
        sum / (n * n) as f64
    }

    #[test]
    fn the_closed_form_is_the_integral_over_filaments() {
        for (length, width) in [(200e-6, 40e-6), (60e-6, 40e-6), (40e-6, 60e-6)] {
            let (a, b) = (strip_h(length, width), integrated(length, width));
            assert!((a / b - 1.0).abs() < 2e-3, "{length} by {width}: {a} {b}");
        }
    }

    #[test]
    fn a_series_inductor_is_taken_away() {
        // One port: an inductor of 0.1 nH alone is the short that remains.
        let z = Complex64::new(0.0, TAU * 10e9 * 1e-10);
        let s = CMatrix::from_fn(1, 1, |_, _| (z - 50.0) / (z + 50.0));
        let left = without_inductance(&s, 10e9, &[1e-10], &[50.0]).expect("a matrix");
        assert!((left[(0, 0)] + 1.0).norm() < 1e-14, "{:?}", left[(0, 0)]);
    }
}
