//! Checks of analytic derivatives against differences.

/// Largest relative mismatch between `derivative` and the extrapolated central difference of
/// `value` at `x`, relative to the larger of both and to `scale`.
///
/// Richardson extrapolation of steps `h` and `h/2`: error of order `h⁴`.
pub fn derivative_mismatch(value: impl Fn(f64) -> f64, derivative: f64, x: f64, h: f64, scale: f64) -> f64 {
    let central = |h: f64| (value(x + h) - value(x - h)) / (2.0 * h);
    let slope = (4.0 * central(h / 2.0) - central(h)) / 3.0;
    (slope - derivative).abs() / slope.abs().max(derivative.abs()).max(scale)
}
