//! Current and charge of a diode junction with their derivatives, for the controls alone.
//!
//! `i = IS (exp(v/(N kT/q)) - 1)`, optional breakdown `-IBV exp(-(v+BV)/(NBV kT/q))`;
//! `C = CJ0 (1 - v/VJ)^-M` below `FC VJ`, its tangent above; `Q = integral of C from 0, plus TT i`.

use crate::circuit::{DiodeParameters, THERMAL_VOLTAGE_V};

/// Exponents beyond this only occur in iterates far from the answer; they are cut to stay finite.
const EXPONENT_MAX: f64 = 400.0;

/// Values at one voltage.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Junction {
    /// Current, A.
    pub(crate) current: f64,
    /// `di/dv`, S.
    pub(crate) conductance: f64,
    /// Charge, C.
    pub(crate) charge: f64,
    /// `dQ/dv`, F.
    pub(crate) capacitance: f64,
}

pub(crate) fn evaluate(p: &DiodeParameters, v: f64) -> Junction {
    let slope_v = p.n * THERMAL_VOLTAGE_V;
    let growth = (v / slope_v).min(EXPONENT_MAX);
    let mut current = p.is_a * growth.exp_m1();
    let mut conductance = p.is_a / slope_v * growth.exp();
    if let Some(b) = p.breakdown {
        let slope_b = b.nbv * THERMAL_VOLTAGE_V;
        let avalanche = b.ibv_a * (-(v + b.bv_v) / slope_b).min(EXPONENT_MAX).exp();
        current -= avalanche;
        conductance += avalanche / slope_b;
    }
    let (charge, capacitance) = depletion(p, v);
    Junction {
        current,
        conductance,
        charge: charge + p.tt_s * current,
        capacitance: capacitance + p.tt_s * conductance,
    }
}

/// Depletion charge and capacitance.
pub(crate) fn depletion(p: &DiodeParameters, v: f64) -> (f64, f64) {
    if p.cj0_f == 0.0 {
        return (0.0, 0.0);
    }
    let knee = p.fc * p.vj_v;
    let below = |v: f64| {
        let rest = 1.0 - v / p.vj_v;
        let charge = if p.m == 1.0 {
            -p.cj0_f * p.vj_v * rest.ln()
        } else {
            p.cj0_f * p.vj_v / (1.0 - p.m) * (1.0 - rest.powf(1.0 - p.m))
        };
        (charge, p.cj0_f * rest.powf(-p.m))
    };
    if v < knee {
        return below(v);
    }
    let (charge, capacitance) = below(knee);
    let slope = p.cj0_f * p.m / p.vj_v * (1.0 - p.fc).powf(-1.0 - p.m);
    let over = v - knee;
    (charge + over * (capacitance + 0.5 * slope * over), capacitance + slope * over)
}

/// Limits a Newton step of a junction that conducts, forward or in breakdown: beyond a few thermal
/// voltages it moves with the logarithm of the step, as the current would.
pub(crate) fn limited(p: &DiodeParameters, from: f64, to: f64) -> f64 {
    let forward = if p.is_a > 0.0 { limited_branch(p.is_a, p.n * THERMAL_VOLTAGE_V, from, to) } else { to };
    match p.breakdown {
        Some(b) => -limited_branch(b.ibv_a, b.nbv * THERMAL_VOLTAGE_V, -from - b.bv_v, -forward - b.bv_v) - b.bv_v,
        None => forward,
    }
}

/// One exponential branch `scale exp(v/slope)`; the resistance around it is taken as 50 ohm.
fn limited_branch(scale_a: f64, slope_v: f64, from: f64, to: f64) -> f64 {
    let knee = slope_v * (slope_v / (scale_a * std::f64::consts::SQRT_2 * 50.0)).ln();
    if to <= knee || (to - from).abs() <= 2.0 * slope_v {
        return to;
    }
    let start = from.max(knee);
    if to > start { start + slope_v * ((to - start) / slope_v).ln_1p() } else { to }
}
