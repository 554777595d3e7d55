//! Ideal switching mixers (B). All losses as power ratios, larger than one.
//!
//! A number belongs to a set of terminations: each function names its own.

use std::f64::consts::PI;

/// Double-balanced commutator with every frequency resistively terminated, `n`-th odd product:
/// `(n pi/2)^2`.
pub fn commutator_loss(n: u32) -> f64 {
    assert!(n % 2 == 1, "a balanced commutator has odd products only");
    (f64::from(n) * PI / 2.0).powi(2)
}

/// Share of the power in all odd products up to `n_max`, both sides: `2 sum (2/(n pi))^2`.
pub fn commutator_power_share(n_max: u32) -> f64 {
    (1..=n_max).step_by(2).map(|n| 2.0 / commutator_loss(n)).sum()
}

/// Series switch, half of the time open, every frequency resistively terminated: `pi^2`.
pub fn single_switch_loss() -> f64 {
    PI * PI
}

/// Amplitude factor of product `n` when the commutator ramps linearly from -1 to +1 in the share
/// `ramp` of the period: `sin y / y`, `y = n pi ramp`.
pub fn ramp_factor(n: u32, ramp: f64) -> f64 {
    let y = f64::from(n) * PI * ramp;
    y.sin() / y
}

/// Commutator between `rs_ohm` and `rl_ohm` with `ron_ohm` in series, all frequencies terminated.
/// For a ring of four diodes on 1:1:1 centre-tapped transformers `ron` is half a diode's RS.
pub fn loss_with_on_resistance(rs_ohm: f64, rl_ohm: f64, ron_ohm: f64) -> f64 {
    commutator_loss(1) * (rs_ohm + rl_ohm + ron_ohm).powi(2) / (4.0 * rs_ohm * rl_ohm)
}

/// Signal and image in `R`, other RF sidebands open, other IF lines shorted; `p = (2/pi)^2 RL/R`.
pub fn loss_with_equal_image(p: f64) -> f64 {
    (1.0 + 2.0 * p).powi(2) / (4.0 * p)
}

/// Input resistance over `R` of the same.
pub fn input_with_equal_image(p: f64) -> f64 {
    p / (1.0 + p)
}

/// Image and all other sidebands reactive (RF side open, IF side shorted): loss for a load `rl` and a
/// source `r`; one at `rl = (pi/2)^2 r`.
pub fn loss_with_reactive_image(r_ohm: f64, rl_ohm: f64) -> f64 {
    let p = (2.0 / PI).powi(2) * rl_ohm / r_ohm;
    (1.0 + p).powi(2) / (4.0 * p)
}
