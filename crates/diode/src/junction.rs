//! The intrinsic Schottky junction at one temperature.
//!
//! Input: voltage across the junction, anode positive, volt. Output: conduction current and stored
//! charge with derivatives, their power series, shot noise, and the solution of the wave equation.
//! Forward `IS·(exp(v/(n·Vt)) − 1)`; breakdown `−IBV·(exp(−(v+BV)/(NBV·Vt)) − exp(−BV/(NBV·Vt)))`,
//! the second term so that nothing flows at zero voltage; charge: depletion plus `TT·i` of the
//! forward branch. Exponents above [`EXPONENT_MAX`] continue as tangents.
//! Not here: series resistance and parasitics (see `access`), which are linear.

use crate::depletion::Depletion;
pub use crate::exponential::EXPONENT_MAX;
use crate::exponential::{Exponential, WaveSolver};
use crate::{Device, JunctionPoint};
use numerics::Complex64;
use quantity::constants::ELEMENTARY_CHARGE_C;

/// Voltages beyond this size are read as this size, so that every result stays finite.
pub const VOLTAGE_MAX_V: f64 = 1e150;
/// Upper bound of the safeguarded iteration; halving alone ends within about this many steps.
const STEPS_MAX: usize = 200;
/// Scale voltages of reverse bias at which the forward branch is saturated to rounding.
const SATURATED: f64 = 40.0;
/// The iteration ends when a step is below this part of the voltage.
const STEP_RELATIVE: f64 = 2.0 * f64::EPSILON;

/// A Schottky junction at one temperature; see [`crate::SchottkyParameters::at_temperature`].
#[derive(Debug, Clone, PartialEq)]
pub struct Junction {
    pub(crate) temp_k: f64,
    pub(crate) forward: Exponential,
    /// Breakdown as a branch of the mirrored voltage.
    pub(crate) breakdown: Option<Exponential>,
    pub(crate) depletion: Depletion,
    pub(crate) transit_s: f64,
}

impl Junction {
    /// Junction temperature, kelvin.
    pub fn temp_k(&self) -> f64 {
        self.temp_k
    }

    /// Saturation current at this temperature, ampere.
    pub fn saturation_current_a(&self) -> f64 {
        self.forward.saturation_a()
    }

    /// Scale voltage `n·kT/q` of the forward exponential, volt.
    pub fn scale_voltage_v(&self) -> f64 {
        self.forward.scale_v()
    }

    /// Current and conductance of both branches.
    #[inline]
    fn conduction(&self, v: f64) -> (f64, f64) {
        let (i, g) = self.forward.at(v);
        match &self.breakdown {
            Some(b) if !b.is_idle(-v) => {
                let (ib, gb) = b.at(-v);
                (i - ib, g + gb)
            }
            Some(b) => (i + b.saturation_a(), g),
            None => (i, g),
        }
    }

    #[inline]
    fn point(&self, v: f64, current_a: f64, conductance_s: f64, forward: (f64, f64)) -> JunctionPoint {
        let (q, c) = self.depletion.at(v);
        JunctionPoint {
            current_a,
            conductance_s,
            charge_c: q + self.transit_s * forward.0,
            capacitance_f: c + self.transit_s * forward.1,
        }
    }

    /// Voltage, current and conductance of the wave equation, and whether only the forward branch conducts.
    ///
    /// 1. Reverse bias beyond the reach of the forward exponential: the current is `−IS`.
    /// 2. Otherwise the forward branch alone, by the Wright function.
    /// 3. Where the breakdown branch conducts at that voltage: both, within bounds from each alone.
    #[inline]
    fn solve_wave(&self, forward: &WaveSolver, w: f64, r: f64) -> (f64, f64, f64, bool) {
        let saturated_v = w + r * self.forward.saturation_a();
        let saturated = saturated_v < -SATURATED * self.forward.scale_v();
        let (v, i, g) = if saturated {
            let (i, g) = self.forward.at(saturated_v);
            (saturated_v, i, g)
        } else {
            forward.solve(w)
        };
        match &self.breakdown {
            Some(b) if w != 0.0 && !(b.saturation_a() == 0.0 && b.is_idle(-v)) => {
                let (v, i, g) = self.solve_both(b, w, r, v, saturated);
                (v, i, g, false)
            }
            Some(_) if w == 0.0 => (v, i, self.conduction(v).1, true),
            _ => (v, i, g, true),
        }
    }

    /// Both branches: `forward_v` solves without breakdown, and so bounds the answer from one side.
    ///
    /// The other bound is the breakdown-only voltage that counts the full saturation current; where
    /// the forward branch is saturated there, it is the answer. In between (a breakdown of a few
    /// scale voltages only) a safeguarded Newton iteration decides.
    fn solve_both(&self, b: &Exponential, w: f64, r: f64, forward_v: f64, saturated: bool) -> (f64, f64, f64) {
        let (v, ib, gb) = b.solve(-w - r * self.forward.saturation_a(), r);
        let breakdown_v = -v;
        if saturated && breakdown_v < -SATURATED * self.forward.scale_v() {
            let (i, g) = self.forward.at(breakdown_v);
            return (breakdown_v, i - ib, g + gb);
        }
        let (mut low, mut high) = (w.min(0.0), w.max(0.0));
        let mut v = if w < 0.0 { breakdown_v } else { forward_v }.clamp(low, high);
        for _ in 0..STEPS_MAX {
            let (i, g) = self.conduction(v);
            let rest = w - v - r * i;
            if rest > 0.0 {
                low = v;
            } else {
                high = v;
            }
            let mut next = v + rest / (1.0 + r * g);
            if !(next > low && next < high) {
                next = if (next - v).abs() <= STEP_RELATIVE * v.abs() { v } else { 0.5 * (low + high) };
            }
            let done = (next - v).abs() <= STEP_RELATIVE * v.abs();
            v = next;
            if done {
                break;
            }
        }
        let (i, g) = self.conduction(v);
        (v, i, g)
    }

    #[inline]
    fn wave_to_point_with(&self, solver: &WaveSolver, w: f64, r: f64) -> (f64, JunctionPoint) {
        let (v, i, g, only_forward) = self.solve_wave(solver, w, r);
        let forward = if only_forward { (i, g) } else { self.forward.at(v) };
        (v, self.point(v, i, g, forward))
    }
}

fn bounded(v: f64) -> f64 {
    v.clamp(-VOLTAGE_MAX_V, VOLTAGE_MAX_V)
}

impl Device for Junction {
    #[inline]
    fn at(&self, voltage_v: f64) -> JunctionPoint {
        let v = bounded(voltage_v);
        let (i, g) = self.conduction(v);
        let forward = if self.transit_s == 0.0 { (0.0, 0.0) } else { self.forward.at(v) };
        self.point(v, i, g, forward)
    }

    /// The guess is not needed: the answer depends on wave and resistance only, to the last bit.
    #[inline]
    fn voltage_of_wave(&self, wave_v: f64, r_ohm: f64, _start_v: f64) -> f64 {
        let w = bounded(wave_v);
        if r_ohm == 0.0 {
            return w;
        }
        self.solve_wave(&self.forward.wave_solver(r_ohm), w, r_ohm).0
    }

    fn waves_to_points(&self, waves_v: &[f64], r_ohm: f64, voltages_v: &mut [f64], points: &mut [JunctionPoint]) {
        let solver = self.forward.wave_solver(r_ohm);
        for ((w, v), p) in waves_v.iter().zip(voltages_v).zip(points) {
            let w = bounded(*w);
            (*v, *p) = if r_ohm == 0.0 { (w, self.at(w)) } else { self.wave_to_point_with(&solver, w, r_ohm) };
        }
    }

    /// Both exponents by the recursion of the exponential, capacitance by the recursion of powers.
    ///
    /// The branch of the charge (below or above `FC·VJ`) and the tangent of a huge exponent are
    /// chosen by `v0` alone: a waveform that crosses the kink within the reach of the series gets
    /// the series of the side on which `v0` lies.
    fn series(&self, v0: f64, dv: &[Complex64], current: &mut [Complex64], charge: &mut [Complex64]) {
        let v0 = bounded(v0);
        current.fill(Complex64::default());
        charge.fill(Complex64::default());
        self.forward.add_series(v0, dv, 1.0, current);
        for (q, i) in charge.iter_mut().zip(&*current) {
            *q = self.transit_s * i;
        }
        if let Some(b) = &self.breakdown {
            let mirrored: Vec<Complex64> = dv.iter().map(|d| -d).collect();
            b.add_series(-v0, &mirrored, -1.0, current);
        }
        self.depletion.add_series(v0, dv, charge);
    }

    /// Two independent streams of emission, forward `IS·exp(v/(n·Vt))` and backward `IS`, each with
    /// full shot noise: `2q·(i + 2·IS)` for the forward branch; breakdown adds `2q·|i|` without
    /// avalanche gain. At zero bias this is `n` times the thermal noise of the junction resistance.
    /// Source: van der Ziel, "Noise", 1954 (memory).
    fn shot_noise_a2_per_hz(&self, voltage_v: f64) -> f64 {
        let v = bounded(voltage_v);
        let forward = self.forward.at(v).0 + 2.0 * self.forward.saturation_a();
        let reverse = self.breakdown.map_or(0.0, |b| b.at(-v).0.max(0.0));
        2.0 * ELEMENTARY_CHARGE_C * (forward + reverse)
    }
}
