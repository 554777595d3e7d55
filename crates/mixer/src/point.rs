//! Operating points: the LO alone, and LO with one signal at full level.

use crate::mixer::{db, dbm, wanted_lo_order, watt};
use crate::{Mixer, MixerError};
use balance::{BalanceSettings, Drive, Embedding, Problem, PumpedState, SteadyState, solve_from};
use numerics::{Complex64, Report, Watch};
use spec::{Measure, PortName, Product};
use std::sync::Arc;

/// The pumped mixer without a signal.
#[derive(Clone)]
pub struct LoState {
    /// LO frequency, hertz.
    pub lo_hz: f64,
    /// LO level, dBm.
    pub lo_dbm: f64,
    /// The circuit.
    pub problem: Problem,
    /// Its steady state.
    pub state: SteadyState,
    /// Quality of the solution.
    pub report: Report,
    /// Ready for small signals.
    pub pumped: PumpedState,
}

/// Truncation of single-tone solutions from a pump order.
pub(crate) fn settings(pump_order: usize, signal_order: usize) -> BalanceSettings {
    BalanceSettings { pump_order, signal_order, ..BalanceSettings::default() }
}

impl Mixer {
    /// Pumps the mixer with the LO alone.
    pub fn pump(&self, lo_hz: f64, lo_dbm: f64, pump_order: usize, watch: &dyn Watch) -> Result<LoState, MixerError> {
        let settings = settings(pump_order, 0);
        let problem = Problem {
            embedding: self.embedding.clone(),
            devices: self.devices.clone(),
            tones_hz: vec![lo_hz],
            drives: vec![Drive::tone(self.ports.lo, vec![1], watt(lo_dbm), 0.0)],
        };
        let run = format!("LO at {:.6} GHz, {lo_dbm:+.1} dBm", lo_hz / 1e9);
        let (state, report) = solve_from(&problem, &settings, None, watch).map_err(MixerError::in_run(&run))?;
        let pumped = PumpedState::new(&problem, &state, settings.dense_order).map_err(MixerError::in_run(&run))?;
        Ok(LoState { lo_hz, lo_dbm, problem, state, report, pumped })
    }

    /// LO and one signal, both at full level.
    #[allow(clippy::too_many_arguments)] // levels and frequencies of two tones, named at every call
    pub(crate) fn two_tone(
        &self,
        embedding: &Arc<Embedding>,
        lo: (f64, f64),
        rf: (f64, f64),
        input: PortName,
        orders: (usize, usize),
        start: Option<&SteadyState>,
        watch: &dyn Watch,
    ) -> Result<(Problem, SteadyState, Report), MixerError> {
        // an up-converter's signal enters at the IF but is described by the RF it becomes
        let signal_hz = if input == PortName::If { (rf.0 - lo.0).abs() } else { rf.0 };
        let problem = Problem {
            embedding: embedding.clone(),
            devices: self.devices.clone(),
            tones_hz: vec![lo.0, signal_hz],
            drives: vec![
                Drive::tone(self.ports.lo, vec![1, 0], watt(lo.1), 0.0),
                Drive::tone(self.ports.index(input), vec![0, 1], watt(rf.1), 0.0),
            ],
        };
        let run = format!(
            "LO {:.6} GHz {:+.1} dBm with {} {:.6} GHz {:+.1} dBm",
            lo.0 / 1e9,
            lo.1,
            input.label(),
            signal_hz / 1e9,
            rf.1
        );
        let (state, report) =
            solve_from(&problem, &settings(orders.0, orders.1), start, watch).map_err(MixerError::in_run(run))?;
        Ok((problem, state, report))
    }
}

/// One operating point with LO and signal: everything the bench would read there.
pub struct Anchor {
    /// LO frequency and level, hertz and dBm.
    pub lo: (f64, f64),
    /// RF frequency (of the wanted sideband) and input level.
    pub rf: (f64, f64),
    /// Port at which the signal enters.
    pub input: PortName,
    /// The steady state.
    pub state: SteadyState,
}

impl Anchor {
    /// Port at which the wanted product leaves.
    pub fn output(&self) -> PortName {
        if self.input == PortName::If { PortName::Rf } else { PortName::If }
    }

    /// Orders (LO, signal) of the wanted product.
    pub fn wanted(&self) -> Product {
        let sign = wanted_lo_order(self.lo.0, self.rf.0);
        match self.input {
            // |f_RF − f_LO| at the IF
            PortName::Rf | PortName::Lo => Product::new(sign, -sign),
            // f_RF = f_LO ∓ f_IF
            PortName::If => Product::new(1, -sign),
        }
    }

    /// Frequency of the signal at its own port, hertz.
    pub fn signal_hz(&self) -> f64 {
        if self.input == PortName::If { (self.rf.0 - self.lo.0).abs() } else { self.rf.0 }
    }

    /// Level of a product at a port, dBm; none when it is not kept.
    pub fn level_dbm(&self, mixer: &Mixer, port: PortName, product: Product) -> Option<f64> {
        Some(dbm(self.state.power_out_w(mixer.ports.index(port), &[product.n_lo, product.m_rf])?))
    }

    /// Level of the wanted product, dBm.
    pub fn wanted_dbm(&self, mixer: &Mixer) -> f64 {
        self.level_dbm(mixer, self.output(), self.wanted()).unwrap_or(f64::NEG_INFINITY)
    }

    /// Value of a measure at this point; none when it does not belong here.
    pub fn value(&self, mixer: &Mixer, measure: Measure) -> Option<f64> {
        let reflection = |port: PortName, orders: &[i32]| -> Option<f64> {
            let p = mixer.ports.index(port);
            let gamma = self.state.wave_out(p, orders)? / self.state.wave_in(p, orders);
            Some(-20.0 * gamma.norm().log10())
        };
        match measure {
            Measure::ConversionLoss if self.input == PortName::Rf => Some(self.rf.1 - self.wanted_dbm(mixer)),
            Measure::ConversionLossUp if self.input == PortName::If => Some(self.rf.1 - self.wanted_dbm(mixer)),
            Measure::ReturnLoss(PortName::Lo) => reflection(PortName::Lo, &[1, 0]),
            Measure::ReturnLoss(port) if port == self.input => reflection(port, &[0, 1]),
            Measure::Isolation { from: PortName::Lo, to } => {
                Some(self.lo.1 - self.level_dbm(mixer, to, Product::new(1, 0))?)
            }
            Measure::Isolation { from, to } if from == self.input => {
                Some(self.rf.1 - self.level_dbm(mixer, to, Product::new(0, 1))?)
            }
            Measure::Spur(product) | Measure::SpurUp(product) => {
                Some(self.level_dbm(mixer, self.output(), product)? - self.wanted_dbm(mixer))
            }
            Measure::LoHarmonic { port, n } => self.level_dbm(mixer, port, Product::new(n as i32, 0)),
            Measure::CarrierLeak if self.input == PortName::If => {
                self.level_dbm(mixer, PortName::Rf, Product::new(1, 0))
            }
            Measure::DcOffset => {
                let volt = self.state.port_voltage(mixer.ports.if_, &[0, 0])?;
                Some(volt.re * 1e3)
            }
            Measure::DiodeCurrent { diode } => Some(self.state.junction_current(diode as usize, &[0, 0])?.re * 1e3),
            _ => None,
        }
    }

    /// The terms that make up the outgoing wave behind a measure, as voltages at its port;
    /// one a diode, then the passive path. None when the measure is not one outgoing wave.
    pub fn terms(&self, mixer: &Mixer, measure: Measure) -> Option<Vec<Complex64>> {
        let (port, orders) = match measure {
            Measure::Isolation { from: PortName::Lo, to } => (to, [1, 0]),
            Measure::Isolation { from, to } if from == self.input => (to, [0, 1]),
            Measure::Spur(p) | Measure::SpurUp(p) => (self.output(), [p.n_lo, p.m_rf]),
            Measure::CarrierLeak => (PortName::Rf, [1, 0]),
            Measure::DcOffset => (PortName::If, [0, 0]),
            _ => return None,
        };
        let port = mixer.ports.index(port);
        let scale = mixer.embedding.external_ohm(port).sqrt();
        Some(self.state.wave_out_terms(port, &orders)?.into_iter().map(|b| b * scale).collect())
    }
}

/// Power ratio in dB as a loss.
pub(crate) fn loss_db(power_gain: f64) -> f64 {
    -db(power_gain)
}
