//! Charges on all panels and the capacitance matrix they give.
//!
//! Unknown is the total (free and bound) charge. Rows: potential at the points of conductors, continuity of the
//! normal displacement at the points of interfaces,
//! `(ε_l + ε_r)/2 · q(t) + (ε_l − ε_r) · |z'| E·n = 0` with `n` to the left of the run. The ground plane acts through
//! mirror images; without one, the potential at infinity is an unknown and the total charge is zero.
//! The free charge of a conductor is linear in the unknowns, `Q_i = w_i·x`; with `Aᵀλ_i = w_i` the same numbers
//! serve as adjoint solution for derivatives.
//! Source: C. Wei, R. F. Harrington, J. R. Mautz, T. K. Sarkar, "Multiconductor transmission lines in multilayered
//! dielectric media", IEEE Trans. MTT-32 (1984) 439-450 (total charge formulation; memory).
//! Capacitances here are in units of the vacuum permittivity.

use crate::LinesError;
use crate::kernel::{Depth, Kernel, ORDER_MAX, gauss_rule, legendre};
use crate::mesh::{Kind, Mesh, Panel};
use numerics::real_lu::RealLu;
use numerics::{Complex64, RMatrix};
use std::f64::consts::TAU;

/// A collocation point.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spot {
    pub(crate) z: Complex64,
    /// `dz/dt` there.
    pub(crate) speed: Complex64,
    pub(crate) panel: usize,
    pub(crate) t: f64,
    pub(crate) weight: f64,
}

/// Panels with `n` polynomials and as many points each.
pub(crate) struct Discrete {
    pub(crate) panels: Vec<Panel>,
    pub(crate) n: usize,
    pub(crate) spots: Vec<Spot>,
    pub(crate) has_ground: bool,
    pub(crate) n_lines: usize,
    pub(crate) keeps_interfaces: bool,
}

/// Charges and adjoint charges for one volt on each line, and the capacitance matrix.
pub(crate) struct Charges {
    pub(crate) x: Vec<Vec<f64>>,
    pub(crate) adjoint: Vec<Vec<f64>>,
    pub(crate) c: RMatrix,
}

impl Discrete {
    /// With interfaces for `keep_interfaces`, conductors alone (all permittivities one) without.
    pub(crate) fn new(mesh: &Mesh, n: usize, n_lines: usize, keep_interfaces: bool) -> Self {
        assert!(n < ORDER_MAX, "order above the size of the tables");
        let keep = |kind: Kind| keep_interfaces || !matches!(kind, Kind::Interface { .. });
        let panels: Vec<Panel> =
            mesh.pieces.iter().filter(|p| keep(mesh.tracks[p.track].kind)).map(|p| mesh.panel(p)).collect();
        let (points, weights) = gauss_rule(n);
        let mut spots = Vec::with_capacity(panels.len() * n);
        for (index, panel) in panels.iter().enumerate() {
            for (&t, &weight) in points.iter().zip(&weights) {
                let (z, speed) = (panel.a + panel.d * panel.curve.place(t), panel.d * panel.curve.speed(t));
                spots.push(Spot { z, speed, panel: index, t, weight });
            }
        }
        Self { panels, n, spots, has_ground: mesh.has_ground, n_lines, keeps_interfaces: keep_interfaces }
    }

    pub(crate) fn unknowns(&self) -> usize {
        self.spots.len() + usize::from(!self.has_ground)
    }

    /// Solves for the permittivities `eps` of the fillings.
    pub(crate) fn solve(&self, eps: &[f64]) -> Result<Charges, LinesError> {
        let (a, w) = self.assemble(eps);
        let lu = RealLu::factor(&a)?;
        let solutions = |transposed: bool, rhs: &[Vec<f64>]| -> Vec<Vec<f64>> {
            let mut all = rhs.to_vec();
            for x in &mut all {
                if transposed { lu.solve_transposed_in_place(x) } else { lu.solve_in_place(x) }
            }
            all
        };
        let x = solutions(false, &self.excitations());
        let adjoint = solutions(true, &w);
        let c = RMatrix::from_fn(self.n_lines, self.n_lines, |i, j| dot(&w[i], &x[j]));
        if c.as_slice().iter().any(|v| !v.is_finite()) {
            let why = "capacitances are not finite".into();
            return Err(numerics::NumericsError::Singular { n: self.unknowns(), why }.into());
        }
        Ok(Charges { x, adjoint, c })
    }

    fn excitations(&self) -> Vec<Vec<f64>> {
        let volt = |line: usize| {
            let on = |s: &Spot| self.panels[s.panel].kind.conductor() == Some(line);
            let mut b: Vec<f64> = self.spots.iter().map(|s| f64::from(u8::from(on(s)))).collect();
            b.resize(self.unknowns(), 0.0);
            b
        };
        (0..self.n_lines).map(volt).collect()
    }

    pub(crate) fn assemble(&self, eps: &[f64]) -> (RMatrix, Vec<Vec<f64>>) {
        let (n, size) = (self.n, self.unknowns());
        let mut a = RMatrix::zeros(size, size);
        let mut w = vec![vec![0.0; size]; self.n_lines];
        for (r, spot) in self.spots.iter().enumerate() {
            let kind = self.panels[spot.panel].kind;
            let row = a.row_mut(r);
            match kind {
                Kind::Interface { left, right } => {
                    let (mean, step) = (0.5 * (eps[left] + eps[right]), eps[left] - eps[right]);
                    self.add_flux(spot, step, row);
                    let p = legendre(spot.t, n);
                    for k in 0..n {
                        row[spot.panel * n + k] += mean * p[k];
                    }
                }
                Kind::Face { .. } | Kind::Sheet { .. } => self.add_potential(spot, row),
            }
            if let Kind::Sheet { conductor: Some(line), left, right } = kind
                && eps[left] != eps[right]
            {
                self.add_flux(spot, spot.weight * (eps[left] - eps[right]), &mut w[line]);
            }
            if !self.has_ground && kind.is_metal() {
                row[size - 1] = 1.0;
            }
        }
        for (e, panel) in self.panels.iter().enumerate() {
            if let Some(line) = panel.kind.conductor() {
                w[line][e * n] += 2.0 * panel.kind.free_share(eps);
            }
            if !self.has_ground {
                a[(size - 1, e * n)] = 2.0;
            }
        }
        (a, w)
    }

    fn add_potential(&self, spot: &Spot, row: &mut [f64]) {
        let n = self.n;
        for (e, panel) in self.panels.iter().enumerate() {
            let cell = &mut row[e * n..(e + 1) * n];
            let direct = self.kernel(spot, e, Depth::Potential);
            for k in 0..n {
                cell[k] -= direct.g[k].re / TAU;
            }
            if self.has_ground {
                let image = panel.curve.kernel(panel.local(spot.z.conj()), n, Depth::Potential);
                for k in 0..n {
                    cell[k] += image.g[k].re / TAU;
                }
            } else {
                cell[0] -= 2.0 * panel.d.norm().ln() / TAU;
            }
        }
    }

    /// Adds `factor·|z'|·E·n` of every charge, without the jump at the spot itself.
    fn add_flux(&self, spot: &Spot, factor: f64, row: &mut [f64]) {
        let n = self.n;
        let normal = Complex64::new(0.0, 1.0) * spot.speed;
        for (e, panel) in self.panels.iter().enumerate() {
            let cell = &mut row[e * n..(e + 1) * n];
            let scale = factor / TAU / panel.d;
            // a straight run has no normal field of its own
            if e != spot.panel {
                let direct = self.kernel(spot, e, Depth::Field);
                let turned = scale * normal;
                for k in 0..n {
                    cell[k] += (direct.g1[k] * turned).re;
                }
            }
            if self.has_ground {
                let image = panel.curve.kernel(panel.local(spot.z.conj()), n, Depth::Field);
                let turned = scale * normal.conj();
                for k in 0..n {
                    cell[k] -= (image.g1[k] * turned).re;
                }
            }
        }
    }

    /// Functions of panel `e` at a spot; on its own panel the place is known exactly.
    pub(crate) fn kernel(&self, spot: &Spot, e: usize, depth: Depth) -> Kernel {
        let panel = &self.panels[e];
        let u = if e == spot.panel { panel.curve.place(spot.t) } else { panel.local(spot.z) };
        panel.curve.kernel(u, self.n, depth)
    }

    /// `E_x − jE_y` at a point off all panels, for charges `x`, in units of one over vacuum permittivity.
    pub(crate) fn field(&self, z: Complex64, x: &[f64]) -> Complex64 {
        let n = self.n;
        let mut sum = Complex64::default();
        for (e, panel) in self.panels.iter().enumerate() {
            let direct = panel.curve.kernel(panel.local(z), n, Depth::Field);
            let mut part: Complex64 = (0..n).map(|k| direct.g1[k] * x[e * n + k]).sum::<Complex64>() / panel.d;
            if self.has_ground {
                let image = panel.curve.kernel(panel.local(z.conj()), n, Depth::Field);
                let mirrored: Complex64 = (0..n).map(|k| image.g1[k] * x[e * n + k]).sum::<Complex64>() / panel.d;
                part -= mirrored.conj();
            }
            sum += part;
        }
        sum / TAU
    }
}

impl Panel {
    /// `u = (z − a)/d`.
    pub(crate) fn local(&self, z: Complex64) -> Complex64 {
        (z - self.a) / self.d
    }
}

impl Kind {
    /// The line it belongs to, if any.
    pub(crate) fn conductor(self) -> Option<usize> {
        match self {
            Self::Face { conductor, .. } | Self::Sheet { conductor, .. } => conductor,
            Self::Interface { .. } => None,
        }
    }

    pub(crate) fn is_metal(self) -> bool {
        !matches!(self, Self::Interface { .. })
    }

    /// Free charge over total charge, without the part from the field of others.
    pub(crate) fn free_share(self, eps: &[f64]) -> f64 {
        match self {
            Self::Face { outside, .. } => eps[outside],
            Self::Sheet { left, right, .. } => 0.5 * (eps[left] + eps[right]),
            Self::Interface { .. } => 0.0,
        }
    }
}

pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
