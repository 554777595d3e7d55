//! What can be read from a periodic solution.

use super::Work;
use super::mesh::{Mesh, Trajectory, inputs_at};
use super::radau::Radau;
use super::reduce::{Reduced, SCALE_OHM};
use num_complex::Complex64;

/// A periodic steady state.
#[derive(Debug, Clone)]
pub struct Solution {
    pub(super) circuit: Reduced,
    pub(super) radau: Radau,
    pub(super) f0_hz: f64,
    pub(super) mesh: Mesh,
    pub(super) path: Trajectory,
    /// Arriving waves, one row a stage.
    waves: Vec<f64>,
    /// What it took.
    pub work: Work,
}

impl Solution {
    pub(super) fn new(
        circuit: Reduced,
        radau: Radau,
        f0_hz: f64,
        mesh: Mesh,
        path: Trajectory,
        waves: Option<Vec<f64>>,
        work: Work,
    ) -> Self {
        Self { circuit, radau, f0_hz, mesh, path, waves: waves.unwrap_or_default(), work }
    }

    /// Fundamental of the period, Hz.
    pub fn f0_hz(&self) -> f64 {
        self.f0_hz
    }

    /// Peak phasor of the voltage of port `index` at `f_hz`, V; the mean at zero.
    ///
    /// `f_hz` is a multiple of the fundamental, of either sign (`exp(+j 2 pi f t)`).
    /// Panics when there is no such port.
    pub fn port_voltage(&self, index: usize, f_hz: f64) -> Complex64 {
        let k = self.port_place(index);
        let row = self.circuit.port_voltage.row(k).to_vec();
        self.phasor(f_hz, &|z, inputs| linear(&row, z, inputs))
    }

    /// Peak phasor of the current into the anode of diode `id`, A; the mean at zero.
    pub fn diode_current(&self, id: &str, f_hz: f64) -> Complex64 {
        let row = self.circuit.flow.row(self.circuit.n_y + self.junction_place(id)).to_vec();
        self.phasor(f_hz, &|z, inputs| linear(&row, z, inputs) / SCALE_OHM)
    }

    /// Peak phasor of the junction voltage of diode `id`, V; the mean at zero.
    pub fn junction_voltage(&self, id: &str, f_hz: f64) -> Complex64 {
        let at = self.circuit.n_y + self.junction_place(id);
        self.phasor(f_hz, &|z, _| z[at])
    }

    /// Mean power that flows into the junction of diode `id` at `f_hz`, W.
    pub fn junction_power(&self, id: &str, f_hz: f64) -> f64 {
        0.5 * (self.junction_voltage(id, f_hz) * self.diode_current(id, f_hz).conj()).re
    }

    /// Smallest and largest voltage of the junction of diode `id` at the collocation points, V.
    pub fn junction_range(&self, id: &str) -> (f64, f64) {
        let n = self.circuit.n_state();
        let at = self.circuit.n_y + self.junction_place(id);
        let values = self.path.stages.chunks_exact(n).map(|z| z[at]);
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
    }

    /// Places of the ports by index.
    pub(super) fn port_place(&self, index: usize) -> usize {
        self.circuit.ports.iter().position(|p| p.index == index).expect("a port of that index in the circuit")
    }

    fn junction_place(&self, id: &str) -> usize {
        self.circuit.junctions.iter().position(|j| j.id == id).expect("a diode of that name in the circuit")
    }

    /// Fourier integral of a quantity by the quadrature of the collocation.
    fn phasor(&self, f_hz: f64, quantity: &dyn Fn(&[f64], &[f64]) -> f64) -> Complex64 {
        let (n, s) = (self.circuit.n_state(), self.radau.s);
        let n_wave = self.circuit.arrivals.len();
        let mut sum = Complex64::new(0.0, 0.0);
        for k in 0..self.mesh.n_elements() {
            let (start, end) = (self.mesh.nodes[k], self.mesh.nodes[k + 1]);
            let inner = self.path.element(k, n, s);
            for i in 0..s {
                let t = start + self.radau.c[i] * (end - start);
                let at = (k * s + i) * n_wave;
                let inputs = inputs_at(&self.circuit, t, self.waves.get(at..at + n_wave).unwrap_or(&[]));
                let value = quantity(&inner[i * n..(i + 1) * n], &inputs);
                let turn = -std::f64::consts::TAU * (f_hz * t).fract();
                sum += Complex64::from_polar(self.radau.b[i] * (end - start) * value, turn);
            }
        }
        let mean = sum * self.f0_hz;
        if f_hz == 0.0 { mean } else { 2.0 * mean }
    }
}

/// A row over `(z, inputs)`.
fn linear(row: &[f64], z: &[f64], inputs: &[f64]) -> f64 {
    row.iter().zip(z.iter().chain(inputs)).map(|(a, b)| a * b).sum()
}
