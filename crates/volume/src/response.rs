//! A swept volume as a network that answers at any frequency.

use crate::port_inductance::without_inductance;
use crate::reduced::{ReducedChange, shift};
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
    /// Series inductance taken away from each port, henry.
    inductance_h: Vec<f64>,
}

impl FieldNetwork {
    /// Network of a sweep; `wave_reference_ohm` is the reference of all wave ports. Errors when a
    /// wave port has no voltage path.
    pub fn new(sweep: Sweep, wave_reference_ohm: f64) -> Result<Self, VolumeError> {
        let references: Vec<f64> = sweep
            .shapes
            .iter()
            .map(|s| if let PortShape::Sheet { reference_ohm, .. } = s { *reference_ohm } else { wave_reference_ohm })
            .collect();
        Self::with_references(sweep, references)
    }

    /// Network of a sweep with a reference resistance for every port, ohm. Errors when a wave port has no voltage
    /// path, and when a sheet port is given another reference than its own.
    pub fn with_references(sweep: Sweep, reference_ohm: Vec<f64>) -> Result<Self, VolumeError> {
        if reference_ohm.len() != sweep.shapes.len() {
            return Err(VolumeError::Port {
                what: format!("expected {} reference resistances, found {}", sweep.shapes.len(), reference_ohm.len()),
            });
        }
        let mut is_wave = Vec::new();
        for (k, shape) in sweep.shapes.iter().enumerate() {
            is_wave.push(!matches!(shape, PortShape::Sheet { .. }));
            match shape {
                PortShape::Sheet { reference_ohm: own, .. } if *own != reference_ohm[k] => {
                    return Err(VolumeError::Port {
                        what: format!(
                            "port {}: expected the reference {own} ohm it was solved with, found {}; renormalise the network afterwards",
                            k + 1,
                            reference_ohm[k]
                        ),
                    });
                }
                PortShape::Sheet { .. } | PortShape::Wave { path: Some(_), n_modes: 1, .. } => {}
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
        let inductance_h = vec![0.0; reference_ohm.len()];
        Ok(Self { sweep, reference_ohm, is_wave, inductance_h })
    }

    /// This network with a series inductance taken away from each port, henry; see [`crate::port_inductance_h`].
    pub fn without_inductance(mut self, inductance_h: Vec<f64>) -> Result<Self, VolumeError> {
        if inductance_h.len() != self.reference_ohm.len() {
            return Err(VolumeError::Port {
                what: format!("expected {} inductances, found {}", self.reference_ohm.len(), inductance_h.len()),
            });
        }
        self.inductance_h = inductance_h;
        Ok(self)
    }

    /// Series inductance taken away from each port, henry.
    pub fn inductance_h(&self) -> &[f64] {
        &self.inductance_h
    }

    /// The sweep behind the network.
    pub fn sweep(&self) -> &Sweep {
        &self.sweep
    }

    pub(crate) fn evaluate(&self, freq_hz: f64) -> Result<CMatrix, VolumeError> {
        self.evaluate_changed(freq_hz, None)
    }

    /// Derivative of S per unit of a variable.
    pub(crate) fn derivative(&self, freq_hz: f64, change: &ReducedChange) -> Result<CMatrix, VolumeError> {
        let plus = self.evaluate_changed(freq_hz, Some((change, change.small)))?;
        let minus = self.evaluate_changed(freq_hz, Some((change, -change.small)))?;
        Ok((&plus - &minus).scaled((0.5 / change.small).into()))
    }

    fn evaluate_changed(&self, freq_hz: f64, change: Option<(&ReducedChange, f64)>) -> Result<CMatrix, VolumeError> {
        let f = freq_hz.max(DIRECT_CURRENT_HZ);
        let reduced = &self.sweep.reduced;
        let ports = reduced.readings(f, change)?;
        let s = shift(&ports, &reduced.solve(f, &ports, change)?.0);
        let own: Vec<Complex64> = self
            .reference_ohm
            .iter()
            .zip(&ports)
            .map(|(r, p)| p.impedance_ohm.unwrap_or_else(|| (*r).into()))
            .collect();
        let out = renormalise(&s, &own, &self.reference_ohm, &self.is_wave)?;
        let moved = |(p, l): (usize, &f64)| match change {
            Some((c, by)) if *l != 0.0 => l + c.inductance_h[p] * by,
            _ => *l,
        };
        let inductance_h: Vec<f64> = self.inductance_h.iter().enumerate().map(moved).collect();
        let out = without_inductance(&out, freq_hz, &inductance_h, &self.reference_ohm)?;
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
