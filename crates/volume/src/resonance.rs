//! Resonances of a closed volume.

use crate::VolumeError;
use crate::eigen::largest_eigenpairs;
use crate::element::Order;
use crate::model::Model;
use crate::space::Formulation;
use crate::system::{System, wavenumber};
use numerics::{Complex64, Quiet};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use sparse::{Precision, Solver, SymmetricMatrix};
use std::f64::consts::TAU;
use std::sync::Arc;

/// Relative residual above which an eigenpair counts as not found.
const RESIDUAL_MAX: f64 = 1e-7;

/// One resonance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resonance {
    /// Frequency, hertz.
    pub freq_hz: f64,
    /// Quality factor; infinite without loss.
    pub quality: f64,
    /// Square of the complex wavenumber, 1/m².
    pub lambda: Complex64,
}

/// The resonances of `model` (ports ignored) nearest to `target_hz`, rising in frequency.
///
/// Materials and surfaces are taken at `target_hz`, so a lossy resonance is exact only near it.
/// At least `count` are returned; gradient fields (zero frequency) are left out.
pub fn resonances(model: &Model, order: Order, target_hz: f64, count: usize) -> Result<Vec<Resonance>, VolumeError> {
    let closed = Arc::new(Model { ports: Vec::new(), ..model.clone() });
    let system = System::new(&closed, order, Formulation::Field)?;
    let k = wavenumber(target_hz);
    let sigma = Complex64::from(k * k);
    let matrix = system.matrix(target_hz, &[]);
    let mut mass: SymmetricMatrix<Complex64> = SymmetricMatrix::zeros(system.pattern.clone());
    for (medium, entries) in closed.media.iter().zip(&system.media) {
        let eps = medium.relative_permittivity(target_hz);
        entries.iter().for_each(|&(i, v)| mass.values[i as usize] += eps * v);
    }
    let solver = Solver::new(&system.analysis, matrix, Precision::Double, &Quiet)?;
    let dimension = (4 * count + 30).min(mass.order());
    let pairs = largest_eigenpairs(mass.order(), dimension, |x| {
        Ok(solver.solve(&[mass.times(x)], &Quiet)?.columns.swap_remove(0))
    })?;
    let mut out: Vec<Resonance> = pairs
        .into_iter()
        .filter(|p| p.residual < RESIDUAL_MAX)
        .map(|p| sigma + p.value.inv())
        .filter(|lambda| lambda.norm() > 1e-6 * sigma.norm())
        .map(|lambda| {
            let root = lambda.sqrt();
            let quality = if root.im.abs() > 1e-13 * root.re { root.re / (2.0 * root.im.abs()) } else { f64::INFINITY };
            Resonance { freq_hz: root.re * LIGHT_SPEED_M_PER_S / TAU, quality, lambda }
        })
        .collect();
    if out.len() < count {
        return Err(VolumeError::Mesh {
            what: format!(
                "expected {count} resonances near {target_hz:.3e} Hz, found {}; refine the mesh or move the target",
                out.len()
            ),
        });
    }
    out.truncate(count);
    out.sort_by(|a, b| a.freq_hz.total_cmp(&b.freq_hz));
    Ok(out)
}
