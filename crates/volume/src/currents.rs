//! Current on the metal, for pictures.
//!
//! The tangential field on a surface times its admittance is the current density there. The current of a strip is the
//! sum over its lower and upper face, triangle by triangle of the plan; side faces are left out of the picture.

use crate::VolumeError;
use crate::element::TriangleMatrices;
use crate::foil::metal_around;
use crate::model::Face;
use crate::plan::area;
use crate::reduced::{Basis, Reduced};
use crate::sweep::DIRECT_CURRENT_HZ;
use crate::system::System;
use numerics::{Complex64, RMatrix};
use std::collections::BTreeMap;

/// One piece of metal seen from above.
#[derive(Debug, Clone, PartialEq)]
pub struct CurrentTriangle {
    /// Corners in the plan, metre.
    pub corners_m: [[f64; 2]; 3],
    /// Lower and upper height of the metal, metre (equal for a face of the box, such as the ground).
    pub z_m: [f64; 2],
    /// Surface current density along x and y, A/m (peak phasor), mean over the triangle, both faces together.
    pub density_a_per_m: [Complex64; 2],
}

impl CurrentTriangle {
    /// Largest magnitude over a period, A/m: the long half axis of the ellipse the density runs through.
    pub fn magnitude_a_per_m(&self) -> f64 {
        let [x, y] = self.density_a_per_m;
        let total = x.norm_sqr() + y.norm_sqr();
        ((total + (x * x + y * y).norm()) / 2.0).sqrt()
    }
}

/// Current on all metal with loss; perfect conductors are not shown.
#[derive(Debug, Clone, PartialEq)]
pub struct CurrentMap {
    /// Frequency, hertz.
    pub freq_hz: f64,
    /// Excited port.
    pub port_idx: usize,
    /// Pieces of metal.
    pub triangles: Vec<CurrentTriangle>,
}

/// One face with what its field is made of.
#[derive(Debug)]
struct Part {
    surface: u16,
    /// Row of the basis, factor along x and y.
    terms: Vec<(u32, [f64; 2])>,
}

#[derive(Debug)]
struct Piece {
    corners_m: [[f64; 2]; 3],
    z_m: [f64; 2],
    parts: Vec<Part>,
}

/// What a current picture at any frequency needs.
#[derive(Debug)]
pub(crate) struct Picture {
    pieces: Vec<Piece>,
    rows: RMatrix,
}

impl Picture {
    pub(crate) fn new(system: &System, basis: &Basis) -> Self {
        let mesh = &system.model.mesh;
        let mut number: BTreeMap<u32, u32> = BTreeMap::new();
        let mut pieces: BTreeMap<(usize, usize), Piece> = BTreeMap::new();
        for (k, face) in mesh.flat_faces.iter().enumerate() {
            let Face::Surface(surface) = *face else { continue };
            let (t, level) = (k / mesh.n_levels(), k % mesh.n_levels());
            let (low, high) = metal_around(mesh, t, level);
            let corners_m = mesh.plan.corners(t);
            // The mean over the triangle, so that sums over a section are the current through it.
            let (integrals, area) = (TriangleMatrices::new(corners_m).mean, area(corners_m).abs());
            let mut terms: BTreeMap<u32, [f64; 2]> = BTreeMap::new();
            for (c, raw) in system.space.flat_face(mesh, t, level).into_iter().enumerate() {
                for &(u, factor) in system.space.terms(raw) {
                    let sum = terms.entry(u).or_default();
                    (0..2).for_each(|d| sum[d] += factor * integrals[c][d] / area);
                }
            }
            let terms = terms
                .into_iter()
                .map(|(u, f)| {
                    let next = number.len() as u32;
                    (*number.entry(u).or_insert(next), f)
                })
                .collect();
            let z_m = [mesh.levels_m[low], mesh.levels_m[high]];
            let piece = pieces.entry((t, low)).or_insert(Piece { corners_m, z_m, parts: Vec::new() });
            piece.parts.push(Part { surface, terms });
        }
        let mut unknowns = vec![0; number.len()];
        number.iter().for_each(|(&u, &k)| unknowns[k as usize] = u);
        Self { pieces: pieces.into_values().collect(), rows: Reduced::basis_rows(basis, &unknowns) }
    }

    pub(crate) fn currents(&self, reduced: &Reduced, freq_hz: f64, port_idx: usize) -> Result<CurrentMap, VolumeError> {
        if port_idx >= reduced.n_ports() {
            return Err(VolumeError::Port {
                what: format!("expected a port below {}, found index {port_idx}", reduced.n_ports()),
            });
        }
        if !(freq_hz >= 0.0 && freq_hz.is_finite()) {
            return Err(VolumeError::Frequency { freq_hz });
        }
        let f = freq_hz.max(DIRECT_CURRENT_HZ);
        let (_, y) = reduced.solve(f, &reduced.readings(f, None)?, None)?;
        let y: Vec<Complex64> = y.col(port_idx);
        // A unit wave carries half a watt.
        let scale = std::f64::consts::SQRT_2;
        let field: Vec<Complex64> = (0..self.rows.n_rows())
            .map(|k| self.rows.row(k).iter().zip(&y).map(|(b, y)| y * *b).sum::<Complex64>() * scale)
            .collect();
        let triangles = self
            .pieces
            .iter()
            .map(|piece| {
                let mut density = [Complex64::default(); 2];
                for part in &piece.parts {
                    let admittance = reduced.surfaces()[part.surface as usize].admittance_s(f);
                    for &(k, factor) in &part.terms {
                        (0..2).for_each(|d| density[d] += admittance * field[k as usize] * factor[d]);
                    }
                }
                CurrentTriangle { corners_m: piece.corners_m, z_m: piece.z_m, density_a_per_m: density }
            })
            .collect();
        Ok(CurrentMap { freq_hz, port_idx, triangles })
    }
}
