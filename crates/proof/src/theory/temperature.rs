//! Temperature of the junction (L).

use crate::circuit::K_OVER_Q;

/// `IS(T) = IS(Tn) (T/Tn)^(XTI/n) exp[(EG/(n k/q)) (1/Tn - 1/T)]`, A; `eg_v` in volt.
pub fn saturation_current(is_a: f64, n: f64, eg_v: f64, xti: f64, t_nominal_k: f64, t_k: f64) -> f64 {
    let activation = eg_v / (n * K_OVER_Q) * (1.0 / t_nominal_k - 1.0 / t_k);
    is_a * (t_k / t_nominal_k).powf(xti / n) * activation.exp()
}

/// Junction voltage at a current: `n kT/q ln(I/IS + 1)`, V.
pub fn forward_voltage(is_a: f64, n: f64, t_k: f64, current_a: f64) -> f64 {
    n * K_OVER_Q * t_k * (current_a / is_a).ln_1p()
}
