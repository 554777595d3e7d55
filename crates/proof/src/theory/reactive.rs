//! Reactances in mixers (D, F): parasitic loss, Manley-Rowe limits, the pumped capacitor.

use std::f64::consts::TAU;

/// Loss of series resistance and junction capacitance: `1 + Rs/Rj + (w C)^2 Rs Rj`, power ratio.
pub fn parasitic_loss(rs_ohm: f64, rj_ohm: f64, c_f: f64, f_hz: f64) -> f64 {
    1.0 + rs_ohm / rj_ohm + (TAU * f_hz * c_f).powi(2) * rs_ohm * rj_ohm
}

/// The same as a circuit: power into `Rs` in series with `Rj` beside `C`, over the power in `Rj`.
pub fn parasitic_loss_by_circuit(rs_ohm: f64, rj_ohm: f64, c_f: f64, f_hz: f64) -> f64 {
    let y = num_complex::Complex64::new(1.0 / rj_ohm, TAU * f_hz * c_f);
    let z = 1.0 / y;
    (rs_ohm + z.re) / (z.norm_sqr() / rj_ohm)
}

/// Cut-off frequency `1/(2 pi Rs C)`, Hz.
pub fn cutoff_hz(rs_ohm: f64, c_f: f64) -> f64 {
    1.0 / (TAU * rs_ohm * c_f)
}

/// Manley-Rowe limit of an upper-sideband up-converter: `f_out/f_signal`.
///
/// Source: J. M. Manley, H. E. Rowe, Proc. IRE 44 (1956) 904.
pub fn up_converter_gain_limit(f_signal_hz: f64, f_out_hz: f64) -> f64 {
    f_out_hz / f_signal_hz
}

/// Input conductance that a pumped capacitor (two-sided coefficient `c1`) transfers from `g_other` at
/// `f_other` to the signal; positive for the upper sideband, negative for the lower, S.
pub fn pumped_capacitor_input(c1_f: f64, f_signal_hz: f64, f_other_hz: f64, g_other: f64, upper: bool) -> f64 {
    let transferred = TAU * f_signal_hz * TAU * f_other_hz * c1_f * c1_f / g_other;
    if upper { transferred } else { -transferred }
}

/// Gain of an up-converter with a lossy varactor: `(fo/fs) X/(1 + sqrt(1+X))^2`, `X = (fs/fo)(gamma Q)^2`.
pub fn lossy_up_converter_gain(ratio: f64, gamma_q: f64) -> f64 {
    let x = gamma_q * gamma_q / ratio;
    ratio * x / (1.0 + (1.0 + x).sqrt()).powi(2)
}

/// Depletion charge (C) and capacitance (F) with forward linearisation, as the controls use them.
pub fn depletion(parameters: &crate::circuit::DiodeParameters, v: f64) -> (f64, f64) {
    crate::collocation::small::depletion(parameters, v)
}
