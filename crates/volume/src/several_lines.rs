//! Scattering between several lines that leave through one wave port.
//!
//! A plane with `n` lines above a reference carries `n` quasi-TEM modes, and the solution knows their waves `a`, `b`.
//! Input: a voltage path for every line. Output: power waves of the lines at one reference resistance.
//! Method: with the voltages `M` of unit waves, terminal voltages are `V = M (a + b)`; modes carry unit power and are
//! orthogonal in power, so the currents are `I = M⁻ᵀ (a − b)`.
//! Source: K. Kurokawa, IEEE Trans. MTT-13 (1965) 194-202 (power waves); orthogonality of modes, textbook.
//! Not here: modes that are no lines (their voltages depend on the path).

use crate::model::{Model, PortShape, UprightPath};
use crate::solution::{scattering_and_states, shift_planes};
use crate::{Driven, VolumeError};
use numerics::{CMatrix, Complex64, Watch, linear};

impl Model {
    /// Upright path in the plane of wave port `port_idx`, nearest to the place `at_m` along it, between two heights.
    pub fn upright_path(&self, port_idx: usize, at_m: f64, z_m: [f64; 2]) -> Result<UprightPath, VolumeError> {
        let refuse = |found: &str| {
            Err(VolumeError::Port {
                what: format!(
                    "voltage path at {at_m} m from {} to {} m: expected cells of a wave port there, found {found}",
                    z_m[0], z_m[1]
                ),
            })
        };
        let Some(PortShape::Wave { edges, .. }) = self.ports.get(port_idx) else { return refuse("no wave port") };
        let plan = &self.mesh.plan;
        let along = |e: &u32| {
            let [a, b] = plan.edges[*e as usize].map(|v| plan.points[v as usize]);
            usize::from((a[0] - b[0]).abs() < (a[1] - b[1]).abs())
        };
        let Some(axis) = edges.first().map(along) else { return refuse("an empty plane") };
        let distance = |v: u32| (plan.points[v as usize][axis] - at_m).abs();
        let vertices = edges.iter().flat_map(|&e| plan.edges[e as usize]);
        let Some(vertex) = vertices.min_by(|&a, &b| distance(a).total_cmp(&distance(b))) else {
            return refuse("an empty plane");
        };
        let levels = &self.mesh.levels_m;
        let middle = |l: &usize| (levels[*l] + levels[l + 1]) / 2.0;
        let layers: Vec<usize> =
            (0..self.mesh.n_layers()).filter(|l| middle(l) > z_m[0] && middle(l) < z_m[1]).collect();
        match (layers.first(), layers.last()) {
            (Some(&first), Some(&last)) => Ok(UprightPath { vertex, layers: (first as u32, last as u32 + 1) }),
            _ => refuse("no layer between the heights"),
        }
    }
}

impl Driven {
    /// Power-wave scattering matrix of all lines at one reference resistance.
    ///
    /// `paths` holds for every port of the model one path a line: as many as its modes for a wave port, none for a
    /// sheet port. The rows follow the paths. Reference planes are those of the ports.
    pub fn line_scattering(
        &mut self,
        freq_hz: f64,
        paths: &[Vec<UprightPath>],
        reference_ohm: f64,
        watch: &dyn Watch,
    ) -> Result<CMatrix, VolumeError> {
        if !(freq_hz > 0.0 && freq_hz.is_finite()) {
            return Err(VolumeError::Frequency { freq_hz });
        }
        let system = self.system(freq_hz)?;
        for (k, port) in system.model.ports.iter().enumerate() {
            let wanted = if let PortShape::Wave { n_modes, .. } = port { *n_modes } else { 0 };
            let found = paths.get(k).map_or(0, Vec::len);
            if wanted != found {
                return Err(VolumeError::Port {
                    what: format!("port {}: expected {wanted} voltage paths, one for every line, found {found}", k + 1),
                });
            }
        }
        let (raw, states) = scattering_and_states(&system, freq_hz, watch)?;
        let s = shift_planes(&system, &states, raw);
        let n = states.len();
        let mut voltages = CMatrix::zeros(n, n);
        for (q, port) in system.ports.iter().enumerate() {
            let Some(mode) = &states[q].mode else {
                voltages[(q, q)] = states[q].resistance.sqrt().into();
                continue;
            };
            let first = q - port.mode_idx;
            for (line, path) in paths[port.shape_idx].iter().enumerate() {
                voltages[(first + line, q)] = mode.voltage(&system.space, path);
            }
        }
        let one = CMatrix::identity(n);
        let v = &voltages * &(&one + &s);
        // I = M⁻ᵀ (1 − S)
        let i = linear::solve(&voltages.transpose(), &(&one - &s))?.map(|x| x * Complex64::from(reference_ohm));
        let (to, from) = (&v + &i, &v - &i);
        // S' = from · to⁻¹
        Ok(linear::solve(&to.transpose(), &from.transpose())?.transpose())
    }
}
