//! Heat left in the diodes of a pumped mixer.
//!
//! Input: the steady state under the LO alone and the series resistances. Output: mean power of each diode, watt:
//! `⟨v·i⟩` of the junction over the LO period, and `RS` times the mean square of conduction and displacement current
//! together, because both pass through it. The displacement current itself dissipates nothing in the junction.
//! Not here: the power of a signal (small against the LO until compression), pads and fingers (lossless), the
//! temperature that follows (the caller knows the thermal resistance).

use crate::LoState;

impl LoState {
    /// Mean power dissipated in each diode, watt; `rs_ohm` holds one series resistance a diode, ohm.
    ///
    /// # Panics
    /// When `rs_ohm` has another length than there are diodes.
    pub fn dissipation_w(&self, rs_ohm: &[f64]) -> Vec<f64> {
        assert_eq!(rs_ohm.len(), self.state.n_junctions(), "one series resistance a diode");
        let of = |(j, rs): (usize, &f64)| self.junction_w(j) + rs * self.mean_square_current_a2(j);
        rs_ohm.iter().enumerate().map(of).collect()
    }

    /// Mean of voltage times conduction current over the LO period, watt.
    fn junction_w(&self, junction: usize) -> f64 {
        let device = &self.problem.devices[junction];
        let samples = self.state.junction_voltage_samples(junction);
        samples.iter().map(|v| v * device.at(*v).current_a).sum::<f64>() / samples.len() as f64
    }

    /// Mean square of the current through the series resistance, ampere squared.
    fn mean_square_current_a2(&self, junction: usize) -> f64 {
        let state = &self.state;
        let current = |k: usize| {
            let orders = [k as i32];
            state.junction_current(junction, &orders).zip(state.displacement_current(junction, &orders))
        };
        // peak phasors: half their square, but the whole square of the mean
        let share = |(k, (conduction, displacement)): (usize, (_, _))| {
            let total: numerics::Complex64 = conduction + displacement;
            total.norm_sqr() * if k == 0 { 1.0 } else { 0.5 }
        };
        (0..).map_while(current).enumerate().map(share).sum()
    }
}

#[cfg(test)]
mod tests {
    use crate::{LoState, Mixer, Ports};
    use circuit::{Access, AccessResistance, Circuit};
    use diode::{Device, Junction, SchottkyParameters};
    use numerics::Quiet;
    use proof::{CheckValue, Origin};
    use std::f64::consts::TAU;
    use std::sync::Arc;

    const LO_DBM: f64 = 13.0;
    const SOURCE_OHM: f64 = 50.0;
    const RS_OHM: f64 = 6.0;

    /// One diode across the LO port; RF and IF ports end in resistors of their own.
    fn pumped(parameters: &SchottkyParameters, lo_hz: f64) -> LoState {
        let mut circuit = Circuit::new();
        circuit.add_port("LO", ["lo", "0"], SOURCE_OHM).add_port("RF", ["rf", "0"], SOURCE_OHM);
        circuit.add_port("IF", ["if", "0"], SOURCE_OHM);
        circuit.add_resistor("R1", ["rf", "0"], SOURCE_OHM).add_resistor("R2", ["if", "0"], SOURCE_OHM);
        let access = Access { rs_ohm: parameters.rs_ohm, finger_inductance_h: 0.0, pad_capacitance_f: 0.0 };
        circuit.add_diode("D1", "lo", "0", access);
        let multiport = circuit.compile_with(AccessResistance::Inside).expect("a circuit");
        let junction = parameters.at_temperature(300.0).expect("parameters in range");
        let mixer = Mixer {
            name: "one diode".into(),
            about: String::new(),
            embedding: Arc::new(balance::Embedding::new(Arc::new(multiport), 1).expect("it fits")),
            alternatives: Vec::new(),
            devices: vec![Arc::new(junction)],
            diode_names: vec!["D1".into()],
            ports: Ports { lo: 0, rf: 1, if_: 2 },
            temp_k: 300.0,
            terminations: String::new(),
            findings: Vec::new(),
        };
        mixer.pump(lo_hz, LO_DBM, 64, &Quiet).expect("a steady state")
    }

    /// Peak voltage of the open source of [`LO_DBM`].
    fn open_v() -> f64 {
        (8.0 * SOURCE_OHM * crate::mixer::watt(LO_DBM)).sqrt()
    }

    /// Mean power of a resistive diode behind source and series resistance: each moment is a case of direct current.
    fn moment_by_moment_w(junction: &Junction) -> f64 {
        let n = 20_000;
        let power = |k: usize| {
            let wave = open_v() * (TAU * (k as f64 + 0.5) / n as f64).cos();
            let v = junction.voltage_of_wave(wave, SOURCE_OHM + RS_OHM, 0.0);
            let i = junction.at(v).current_a;
            v * i + RS_OHM * i * i
        };
        (0..n).map(power).sum::<f64>() / n as f64
    }

    #[test]
    fn a_resistive_diode_takes_what_each_moment_takes() {
        let parameters = SchottkyParameters { rs_ohm: RS_OHM, ..Default::default() };
        let expected = moment_by_moment_w(&parameters.at_temperature(300.0).expect("in range"));
        CheckValue {
            what: "power in a resistive diode with 6 ohm behind 50 ohm, +13 dBm, W",
            expected,
            within: 2e-4 * expected,
            because: "harmonics of the current above 64 are left out: their squares fall as 1/k^4 behind the corner of turn-on",
            origin: Origin::Derived { how: "v + (50 + 6)·i(v) = e(t) solved at 20000 moments of the period" },
        }
        .check(pumped(&parameters, 1e9).dissipation_w(&[RS_OHM])[0]);
    }

    #[test]
    fn a_lossless_junction_heats_its_series_resistance_only() {
        let c = 0.2e-12;
        let parameters = SchottkyParameters { is_a: 0.0, rs_ohm: RS_OHM, cj0_f: c, m: 0.0, ..Default::default() };
        let lo_hz = 20e9;
        let x = 1.0 / (TAU * lo_hz * c);
        let expected = 0.5 * RS_OHM * open_v().powi(2) / ((SOURCE_OHM + RS_OHM).powi(2) + x * x);
        CheckValue {
            what: "power in 6 ohm before 0.2 pF behind 50 ohm, +13 dBm at 20 GHz, W",
            expected,
            within: 1e-6 * expected,
            because: "linear; the balance stops at its residual",
            origin: Origin::Derived { how: "RS·|E|²/2/((R + RS)² + 1/(ωC)²)" },
        }
        .check(pumped(&parameters, lo_hz).dissipation_w(&[RS_OHM])[0]);
    }
}
