//! A swept volume as a network that answers at any frequency.

use crate::solution::{line_impedances, shift_planes};
use crate::sweep::{DIRECT_CURRENT_HZ, Sweep};
use crate::{PortShape, VolumeError};
use network::{FrequencyResponse, NetworkError};
use numerics::{CMatrix, Complex64, linear};

/// Response of a volume against fixed real references, from the projected equations of a sweep.
///
/// Sheet ports keep their resistance; wave ports are renormalised from their line impedance, so
/// they need a voltage path.
#[derive(Debug, Clone)]
pub struct FieldNetwork {
    sweep: Sweep,
    reference_ohm: Vec<f64>,
    is_wave: Vec<bool>,
}

impl FieldNetwork {
    /// Network of a sweep; `wave_reference_ohm` is the reference of all wave ports. Errors when a
    /// wave port has no voltage path.
    pub fn new(sweep: Sweep, wave_reference_ohm: f64) -> Result<Self, VolumeError> {
        let mut reference_ohm = Vec::new();
        let mut is_wave = Vec::new();
        for (k, port) in sweep.system.ports.iter().enumerate() {
            match &sweep.system.model.ports[port.shape_idx] {
                PortShape::Sheet { reference_ohm: r, .. } => {
                    reference_ohm.push(*r);
                    is_wave.push(false);
                }
                PortShape::Wave { path: Some(_), n_modes: 1, .. } => {
                    reference_ohm.push(wave_reference_ohm);
                    is_wave.push(true);
                }
                PortShape::Wave { .. } => {
                    return Err(VolumeError::Port {
                        what: format!(
                            "port {}: expected a single-mode wave port with a voltage path, found another; give it a path",
                            k + 1
                        ),
                    });
                }
            }
        }
        Ok(Self { sweep, reference_ohm, is_wave })
    }

    /// The sweep behind the network.
    pub fn sweep(&self) -> &Sweep {
        &self.sweep
    }

    fn evaluate(&self, freq_hz: f64) -> Result<CMatrix, VolumeError> {
        let system = &self.sweep.system;
        let f = freq_hz.max(DIRECT_CURRENT_HZ);
        let states = system.port_states(f)?;
        let plain = self.sweep.reduced.scattering(system, f, &states)?;
        let s = shift_planes(system, &states, plain);
        let lines = line_impedances(system, &states);
        let own: Vec<Complex64> =
            self.reference_ohm.iter().zip(&lines).map(|(r, z)| z.unwrap_or_else(|| (*r).into())).collect();
        let out = renormalise(&s, &own, &self.reference_ohm, &self.is_wave)?;
        Ok(if freq_hz == 0.0 { out.map(|x| x.re.into()) } else { out })
    }
}

/// From waves `v/√z = a + b`, `i√z = a − b` at lines of impedance `z` to power waves at resistances.
fn renormalise(s: &CMatrix, own: &[Complex64], wanted: &[f64], change: &[bool]) -> Result<CMatrix, VolumeError> {
    if !change.iter().any(|c| *c) {
        return Ok(s.clone());
    }
    // b' + a' = √(z/r)(a + b), a' − b' = √(r/z)(a − b): both sides are linear in a.
    let n = own.len();
    let one = CMatrix::identity(n);
    let sum = CMatrix::from_fn(n, n, |i, j| (own[i] / wanted[i]).sqrt() * (one[(i, j)] + s[(i, j)]));
    let difference = CMatrix::from_fn(n, n, |i, j| (wanted[i] / own[i]).sqrt() * (one[(i, j)] - s[(i, j)]));
    let (to, from) = (&sum + &difference, &sum - &difference);
    // S' = from · to⁻¹.
    Ok(linear::solve(&to.transpose(), &from.transpose())?.transpose())
}

impl FrequencyResponse for FieldNetwork {
    fn n_ports(&self) -> usize {
        self.reference_ohm.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        self.evaluate(freq_hz).map_err(|e| NetworkError::Degenerate {
            what: "field solution".into(),
            freq_hz,
            why: e.to_string(),
        })
    }

    fn data_up_to_hz(&self) -> Option<f64> {
        self.sweep.freqs_hz.iter().copied().reduce(f64::max)
    }
}
