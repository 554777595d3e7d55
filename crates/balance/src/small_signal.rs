//! Linear response around the pumped state: the conversion matrix.
//!
//! Sideband `k` of a signal at offset `f` lies at `f + k·f_pump`; a negative frequency stands for
//! the phasor of `exp(+j2πft)`, the conjugate of the usual one.
//! Source: D. N. Held, A. R. Kerr, IEEE Trans. MTT-26 (1978) 49, in scattering form.

use crate::lane::{Lane, LaneSolver, Slopes};
use crate::{BalanceError, Embedding, Problem, SteadyState};
use diode::Device;
use numerics::Complex64;
use std::sync::Arc;

/// A circuit held in its pumped state, ready for small signals.
#[derive(Clone)]
pub struct PumpedState {
    pub(crate) embedding: Arc<Embedding>,
    pub(crate) devices: Vec<Arc<dyn Device>>,
    pub(crate) pump_hz: f64,
    pub(crate) pump_order: usize,
    pub(crate) dense_order: usize,
    pub(crate) slopes: Arc<Slopes>,
    /// Junction voltages over one pump period.
    pub(crate) voltages: Arc<Vec<Vec<f64>>>,
}

impl PumpedState {
    /// Takes the pumped state of a solution with the pump as its only tone.
    pub fn new(problem: &Problem, state: &SteadyState, dense_order: usize) -> Result<Self, BalanceError> {
        if state.basis().tones_hz.len() != 1 {
            return Err(BalanceError::Mismatch {
                expected: "a steady state under the pump alone".into(),
                found: format!("{} tones", state.basis().tones_hz.len()),
            });
        }
        let voltages = (0..state.n_junctions()).map(|j| state.junction_voltage_samples(j).to_vec()).collect();
        Ok(Self {
            embedding: problem.embedding.clone(),
            devices: problem.devices.clone(),
            pump_hz: state.basis().tones_hz[0],
            pump_order: state.basis().pump_order,
            dense_order,
            slopes: Arc::new(state.slopes()),
            voltages: Arc::new(voltages),
        })
    }

    /// The same state with sidebands kept only up to `pump_order`.
    pub fn with_sidebands(mut self, pump_order: usize) -> Self {
        self.pump_order = pump_order.min((self.slopes.n_samples() - 1) / 2);
        self
    }

    /// Pump frequency, hertz.
    pub fn pump_hz(&self) -> f64 {
        self.pump_hz
    }

    /// Prepares conversion between all sidebands of a signal at `offset_hz`.
    pub fn conversion(&self, offset_hz: f64) -> Result<Conversion, BalanceError> {
        let lane = Lane::new(&self.embedding, self.pump_hz, offset_hz, self.pump_order)?;
        Ok(Conversion { lane, state: self.clone() })
    }
}

/// Conversion at one offset.
pub struct Conversion {
    pub(crate) lane: Lane,
    pub(crate) state: PumpedState,
}

/// Waves leaving all external ports at all sidebands for one unit wave arriving.
#[derive(Debug, Clone)]
pub struct Scattered {
    pump_order: usize,
    /// `waves[port][k + K]`.
    waves: Vec<Vec<Complex64>>,
    /// Relative residual of the linear solution.
    pub residual: f64,
}

impl Scattered {
    /// Wave leaving `port` at sideband `k`.
    pub fn at(&self, port: usize, k: i32) -> Complex64 {
        self.waves[port][(k + self.pump_order as i32) as usize]
    }
}

/// Residual of linear solutions: far below any band this tool claims, far above rounding.
pub(crate) const LINEAR_TOLERANCE: f64 = 1e-12;

impl Conversion {
    /// Sidebands kept on each side.
    pub fn pump_order(&self) -> usize {
        self.lane.pump_order
    }

    /// Response to unit waves arriving one at a time at `(port, sideband)`.
    pub fn scattered(&self, inputs: &[(usize, i32)]) -> Result<Vec<Scattered>, BalanceError> {
        let solver = LaneSolver::new(&self.lane, &self.state.slopes, self.state.dense_order)?;
        inputs.iter().map(|&(port, k)| self.one(&solver, port, k)).collect()
    }

    fn one(&self, solver: &LaneSolver, port: usize, k: i32) -> Result<Scattered, BalanceError> {
        let (n, m) = (self.lane.n_junctions(), self.lane.n_harmonics());
        if k.unsigned_abs() as usize > self.lane.pump_order || port >= self.state.embedding.n_external() {
            return Err(BalanceError::Mismatch {
                expected: format!("an external port and a sideband up to {}", self.lane.pump_order),
                found: format!("port {port}, sideband {k}"),
            });
        }
        let i_in = (k + self.lane.pump_order as i32) as usize;
        let mut rhs = vec![Complex64::default(); n * m];
        for j in 0..n {
            rhs[j * m + i_in] = self.lane.drive(i_in, port, 1.0.into(), j);
        }
        let solution = solver.solve(&rhs, LINEAR_TOLERANCE);
        let w = solution.x;
        let (v, q) = solver.follow(&w);
        let waves = (0..self.state.embedding.n_external())
            .map(|p| {
                (0..m)
                    .map(|i| {
                        let pick = |x: &[Complex64]| -> Vec<Complex64> { (0..n).map(|j| x[j * m + i]).collect() };
                        let b = self.lane.outgoing(i, p, &pick(&w), &pick(&v), &pick(&q));
                        if i == i_in { b + self.lane.blocks[i].ee[(p, port)] } else { b }
                    })
                    .collect()
            })
            .collect();
        Ok(Scattered { pump_order: self.lane.pump_order, waves, residual: solution.residual })
    }
}
