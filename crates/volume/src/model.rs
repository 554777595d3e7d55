//! The discrete model: prisms with their media, faces with their surfaces, and port shapes.
//!
//! Everything here is already meshed; [`crate::Volume`] describes a structure before meshing.

use crate::PlanMesh;
use numerics::Complex64;
use quantity::constants::{VACUUM_PERMEABILITY_H_PER_M, VACUUM_PERMITTIVITY_F_PER_M};
use std::f64::consts::TAU;

/// Wave impedance of vacuum, ohm.
pub(crate) fn vacuum_impedance_ohm() -> f64 {
    (VACUUM_PERMEABILITY_H_PER_M / VACUUM_PERMITTIVITY_F_PER_M).sqrt()
}

/// A homogeneous non-magnetic material.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Medium {
    /// Relative permittivity, real part; at `reference_hz` when the loss tangent is not zero.
    pub permittivity: f64,
    /// Dielectric loss tangent at `reference_hz`.
    pub loss_tangent: f64,
    /// Frequency at which permittivity and loss tangent were stated, hertz.
    pub reference_hz: f64,
    /// Conductivity, siemens per metre.
    pub conductivity_s_per_m: f64,
}

impl Medium {
    /// Vacuum, and air for our purpose.
    pub const AIR: Self = Self::lossless(1.0);

    /// Material without loss.
    pub const fn lossless(permittivity: f64) -> Self {
        Self { permittivity, loss_tangent: 0.0, reference_hz: 1e10, conductivity_s_per_m: 0.0 }
    }

    /// This material changed by a share of the way to another.
    pub(crate) fn towards(&self, other: &Self, share: f64) -> Self {
        let mix = |a: f64, b: f64| if a == b { a } else { a + share * (b - a) };
        Self {
            permittivity: mix(self.permittivity, other.permittivity),
            loss_tangent: mix(self.loss_tangent, other.loss_tangent),
            reference_hz: mix(self.reference_hz, other.reference_hz),
            conductivity_s_per_m: mix(self.conductivity_s_per_m, other.conductivity_s_per_m),
        }
    }

    /// Complex relative permittivity at `freq_hz`, conductivity included.
    ///
    /// The loss tangent is continued causally with a broad distribution of relaxation times
    /// between 1 kHz and 10 THz (the law of `stackup`), which keeps it nearly constant and makes the real part fall
    /// slowly. Source: A. R. Djordjevic, R. M. Biljic, V. D. Likar-Smiljanic, T. K. Sarkar,
    /// "Wideband frequency-domain characterization of FR-4 and time-domain causality", IEEE Trans.
    /// EMC-43 (2001) (formula from memory).
    pub fn relative_permittivity(&self, freq_hz: f64) -> Complex64 {
        const LOW_HZ: f64 = 1e3;
        const HIGH_HZ: f64 = 1e13;
        let log = |f: f64| (Complex64::new(HIGH_HZ, f) / Complex64::new(LOW_HZ, f)).ln();
        let mut out = Complex64::from(self.permittivity);
        if self.loss_tangent > 0.0 {
            let at_reference = log(self.reference_hz);
            let slope = -self.permittivity * self.loss_tangent / at_reference.im;
            out += (log(freq_hz) - at_reference.re) * slope;
        }
        if self.conductivity_s_per_m > 0.0 {
            out -= Complex64::new(0.0, self.conductivity_s_per_m / (TAU * freq_hz * VACUUM_PERMITTIVITY_F_PER_M));
        }
        out
    }
}

/// What lies behind a face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Surface {
    /// A good conductor seen from one face, by its surface impedance
    /// `(1+j) R_s coth((1+j) t / 2δ)`: half the thickness belongs to each face, so that the
    /// direct-current limit of a strip is right.
    Conductor {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
        /// Thickness of the metal, metre; infinity for a thick block.
        thickness_m: f64,
        /// Root-mean-square roughness, metre; Hammerstad's factor on the loss.
        roughness_m: f64,
    },
    /// A sheet of no thickness in the mesh that stands for a metal of this conductivity and
    /// thickness with equal fields on both faces.
    Sheet {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
        /// Thickness of the metal, metre.
        thickness_m: f64,
    },
    /// Both faces of a foil, equal fields on them: `tanh(γt/2)/η` a face. The surface with the next index must be the
    /// [`Surface::FoilDifference`], the one after it the [`Surface::FoilAlone`] of the same metal.
    FoilSum {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
        /// Thickness of the metal, metre.
        thickness_m: f64,
        /// Root-mean-square roughness, metre.
        roughness_m: f64,
    },
    /// Both faces of a foil, opposite fields on them: `coth(γt/2)/η` a face.
    FoilDifference {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
        /// Thickness of the metal, metre.
        thickness_m: f64,
        /// Root-mean-square roughness, metre.
        roughness_m: f64,
    },
    /// A face of a foil whose other face carries no field: `tanh(γt)/η`.
    FoilAlone {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
        /// Thickness of the metal, metre.
        thickness_m: f64,
        /// Root-mean-square roughness, metre.
        roughness_m: f64,
    },
    /// Side of a foil: nothing at direct current, where both faces carry all of it, and with the excess of the corners
    /// where the skin effect is strong; see `edge_share`. The surface with the next index is what upright fields meet.
    FoilEdge {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
        /// Thickness of the metal, metre.
        thickness_m: f64,
        /// Root-mean-square roughness, metre.
        roughness_m: f64,
    },
    /// Metal of this admittance at the frequency of interest.
    Given {
        /// Admittance, siemens.
        admittance_s: Complex64,
    },
    /// A sheet resistor, ohm per square.
    Resistor {
        /// Sheet resistance, ohm.
        ohm_per_square: f64,
    },
    /// A sheet of inductance, henry per square.
    Inductor {
        /// Sheet inductance, henry.
        henry_per_square: f64,
    },
    /// A sheet of capacitance, farad times square.
    Capacitor {
        /// Capacitance of a square, farad.
        farad_of_square: f64,
    },
    /// First-order absorbing boundary against a medium.
    Absorbing {
        /// Medium outside.
        medium: Medium,
    },
}

impl Surface {
    /// This surface changed by a share of the way to another of its kind.
    pub(crate) fn towards(&self, other: &Self, share: f64) -> Self {
        let mix = |a: f64, b: f64| if a == b { a } else { a + share * (b - a) };
        match (*self, *other) {
            (
                Self::Conductor { conductivity_s_per_m: c, thickness_m: t, roughness_m: r },
                Self::Conductor { conductivity_s_per_m: c2, thickness_m: t2, roughness_m: r2 },
            ) => Self::Conductor { conductivity_s_per_m: mix(c, c2), thickness_m: mix(t, t2), roughness_m: mix(r, r2) },
            (
                Self::Sheet { conductivity_s_per_m: c, thickness_m: t },
                Self::Sheet { conductivity_s_per_m: c2, thickness_m: t2 },
            ) => Self::Sheet { conductivity_s_per_m: mix(c, c2), thickness_m: mix(t, t2) },
            (
                Self::FoilSum { conductivity_s_per_m: c, thickness_m: t, roughness_m: r },
                Self::FoilSum { conductivity_s_per_m: c2, thickness_m: t2, roughness_m: r2 },
            ) => Self::FoilSum { conductivity_s_per_m: mix(c, c2), thickness_m: mix(t, t2), roughness_m: mix(r, r2) },
            (
                Self::FoilDifference { conductivity_s_per_m: c, thickness_m: t, roughness_m: r },
                Self::FoilDifference { conductivity_s_per_m: c2, thickness_m: t2, roughness_m: r2 },
            ) => Self::FoilDifference {
                conductivity_s_per_m: mix(c, c2),
                thickness_m: mix(t, t2),
                roughness_m: mix(r, r2),
            },
            (
                Self::FoilAlone { conductivity_s_per_m: c, thickness_m: t, roughness_m: r },
                Self::FoilAlone { conductivity_s_per_m: c2, thickness_m: t2, roughness_m: r2 },
            ) => Self::FoilAlone { conductivity_s_per_m: mix(c, c2), thickness_m: mix(t, t2), roughness_m: mix(r, r2) },
            (
                Self::FoilEdge { conductivity_s_per_m: c, thickness_m: t, roughness_m: r },
                Self::FoilEdge { conductivity_s_per_m: c2, thickness_m: t2, roughness_m: r2 },
            ) => Self::FoilEdge { conductivity_s_per_m: mix(c, c2), thickness_m: mix(t, t2), roughness_m: mix(r, r2) },
            (Self::Absorbing { medium: m }, Self::Absorbing { medium: m2 }) => {
                Self::Absorbing { medium: m.towards(&m2, share) }
            }
            (own, _) => own,
        }
    }

    /// Surface admittance at `freq_hz`, siemens.
    pub fn admittance_s(&self, freq_hz: f64) -> Complex64 {
        match *self {
            Self::Conductor { conductivity_s_per_m, thickness_m, roughness_m } => {
                let z = foil_impedance_ohm(freq_hz, conductivity_s_per_m, thickness_m);
                rough(z, freq_hz, conductivity_s_per_m, roughness_m).inv()
            }
            Self::FoilSum { conductivity_s_per_m, thickness_m, roughness_m } => {
                let z = foil_impedance_ohm(freq_hz, conductivity_s_per_m, thickness_m);
                rough(z, freq_hz, conductivity_s_per_m, roughness_m).inv()
            }
            Self::FoilDifference { conductivity_s_per_m, thickness_m, roughness_m } => {
                // η tanh = η² / (η coth).
                let z = wave_impedance_ohm(freq_hz, conductivity_s_per_m).powi(2)
                    / foil_impedance_ohm(freq_hz, conductivity_s_per_m, thickness_m);
                rough(z, freq_hz, conductivity_s_per_m, roughness_m).inv()
            }
            Self::FoilAlone { conductivity_s_per_m, thickness_m, roughness_m } => {
                let z = foil_impedance_ohm(freq_hz, conductivity_s_per_m, 2.0 * thickness_m);
                rough(z, freq_hz, conductivity_s_per_m, roughness_m).inv()
            }
            Self::FoilEdge { conductivity_s_per_m, thickness_m, roughness_m } => {
                let z = wave_impedance_ohm(freq_hz, conductivity_s_per_m);
                let share = edge_share(thickness_m / skin_depth_m(freq_hz, conductivity_s_per_m));
                share / rough(z, freq_hz, conductivity_s_per_m, roughness_m)
            }
            Self::Sheet { conductivity_s_per_m, thickness_m } => {
                2.0 * foil_impedance_ohm(freq_hz, conductivity_s_per_m, thickness_m).inv()
            }
            Self::Given { admittance_s } => admittance_s,
            Self::Resistor { ohm_per_square } => Complex64::from(1.0 / ohm_per_square),
            Self::Inductor { henry_per_square } => Complex64::new(0.0, TAU * freq_hz * henry_per_square).inv(),
            Self::Capacitor { farad_of_square } => Complex64::new(0.0, TAU * freq_hz * farad_of_square),
            Self::Absorbing { medium } => medium.relative_permittivity(freq_hz).sqrt() / vacuum_impedance_ohm(),
        }
    }
}

/// Impedance whose loss is larger by the roughness: Hammerstad's factor.
fn rough(z: Complex64, freq_hz: f64, conductivity_s_per_m: f64, roughness_m: f64) -> Complex64 {
    let delta = skin_depth_m(freq_hz, conductivity_s_per_m);
    let factor = 1.0 + 2.0 / std::f64::consts::PI * (1.4 * (roughness_m / delta).powi(2)).atan();
    Complex64::new(z.re * factor, z.im)
}

/// Wave impedance inside a good conductor `(1+j)/(σδ)`, ohm.
fn wave_impedance_ohm(freq_hz: f64, conductivity_s_per_m: f64) -> Complex64 {
    Complex64::new(1.0, 1.0) / (conductivity_s_per_m * skin_depth_m(freq_hz, conductivity_s_per_m))
}

/// Admittance of the side of a foil over that of thick metal, for its thickness in skin depths.
///
/// The field near the edge of a strip is that of the edge of a half plane, whatever the rest of the line is, so one
/// complex number for every thickness in skin depths describes what corners and side take. It was found by fitting
/// the propagation constant of strips of 40 by 3 µm at 20 and at 100 µm above a plane (their mean; each within 0.012 of it)
/// to the field solved inside the metal; see `foil_check`. Rows: depths, real part, imaginary part.
const EDGE: [(f64, f64, f64); 15] = [
    (0.2, 0.0, 0.0175),
    (0.4, 0.0, 0.0875),
    (0.6, 0.0735, 0.1386),
    (0.8, 0.1255, 0.1547),
    (1.0, 0.1624, 0.1842),
    (1.25, 0.2272, 0.2292),
    (1.6, 0.3342, 0.2497),
    (2.0, 0.4192, 0.2375),
    (2.5, 0.4930, 0.2235),
    (3.2, 0.5712, 0.1985),
    (4.0, 0.6272, 0.1662),
    (5.6, 0.6809, 0.1227),
    (8.0, 0.7205, 0.0967),
    (11.0, 0.7509, 0.0812),
    (16.0, 0.7829, 0.0677),
];

/// Value of [`EDGE`]: through the points by cubics in the logarithm of the depths, cubic towards zero, and towards
/// one as the cube root of the skin depth, which is the singularity of a corner.
pub(crate) fn edge_share(depths: f64) -> Complex64 {
    let value = |k: usize| Complex64::new(EDGE[k].1, EDGE[k].2);
    let last = EDGE.len() - 1;
    if depths <= EDGE[0].0 {
        return value(0) * (depths / EDGE[0].0).powi(3);
    }
    if depths >= EDGE[last].0 {
        return 1.0 - (1.0 - value(last)) * (EDGE[last].0 / depths).cbrt();
    }
    let k = EDGE.partition_point(|e| e.0 <= depths).clamp(1, last) - 1;
    let at = |k: usize| EDGE[k].0.ln();
    let slope = |k: usize| {
        let (a, b) = (k.saturating_sub(1), (k + 1).min(last));
        (value(b) - value(a)) / (at(b) - at(a))
    };
    let h = at(k + 1) - at(k);
    let u = (depths.ln() - at(k)) / h;
    let (p, q) = (value(k), value(k + 1));
    let (mp, mq) = (slope(k) * h, slope(k + 1) * h);
    p + u * mp + u * u * (3.0 * (q - p) - 2.0 * mp - mq) + u.powi(3) * (2.0 * (p - q) + mp + mq)
}

/// Skin depth, metre.
pub fn skin_depth_m(freq_hz: f64, conductivity_s_per_m: f64) -> f64 {
    (TAU * freq_hz * VACUUM_PERMEABILITY_H_PER_M * conductivity_s_per_m / 2.0).sqrt().recip()
}

/// Impedance per face of a foil with equal fields on both faces, ohm:
/// `(1+j) R_s coth((1+j) t / 2δ)` (textbook result for one-dimensional diffusion).
pub fn foil_impedance_ohm(freq_hz: f64, conductivity_s_per_m: f64, thickness_m: f64) -> Complex64 {
    let delta = skin_depth_m(freq_hz, conductivity_s_per_m);
    let unit = Complex64::new(1.0, 1.0);
    let rs = 1.0 / (conductivity_s_per_m * delta);
    let x = unit * (thickness_m / (2.0 * delta));
    // Beyond 30 skin depths tanh is one to the last bit.
    if x.re > 30.0 { unit * rs } else { unit * rs / x.tanh() }
}

/// Mark of a face.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Face {
    /// Nothing special: the field is continuous, and a rim face is a magnetic wall.
    Open,
    /// Perfect conductor.
    Electric,
    /// Surface with this index in [`Model::surfaces`].
    Surface(u16),
}

/// Triangulated plan swept through levels.
#[derive(Debug, Clone)]
pub struct PrismMesh {
    /// Plan.
    pub plan: PlanMesh,
    /// Rising heights of the levels, metre.
    pub levels_m: Vec<f64>,
    /// Medium of prism `t · n_layers + l`, or `None` where it is filled with metal.
    pub media: Vec<Option<u16>>,
    /// Marks of horizontal faces `t · n_levels + level`.
    pub flat_faces: Vec<Face>,
    /// Marks of vertical faces `edge · n_layers + l`.
    pub upright_faces: Vec<Face>,
    /// Layers whose fields change linearly in height even for elements of second order: thin ones.
    pub linear_layers: Vec<bool>,
}

impl PrismMesh {
    /// Mesh filled with medium 0 and without marked faces.
    pub fn new(plan: PlanMesh, levels_m: Vec<f64>) -> Self {
        let (n_layers, n_levels) = (levels_m.len() - 1, levels_m.len());
        Self {
            media: vec![Some(0); plan.triangles.len() * n_layers],
            flat_faces: vec![Face::Open; plan.triangles.len() * n_levels],
            upright_faces: vec![Face::Open; plan.edges.len() * n_layers],
            linear_layers: vec![false; n_layers],
            plan,
            levels_m,
        }
    }

    /// Number of layers of prisms.
    pub fn n_layers(&self) -> usize {
        self.levels_m.len() - 1
    }

    /// Number of levels.
    pub fn n_levels(&self) -> usize {
        self.levels_m.len()
    }

    /// Height of a layer, metre.
    pub fn height(&self, l: usize) -> f64 {
        self.levels_m[l + 1] - self.levels_m[l]
    }

    /// Medium of a prism; `None` inside metal.
    pub fn medium(&self, t: usize, l: usize) -> Option<u16> {
        self.media[t * self.n_layers() + l]
    }

    /// Marks every face of the outer rim, top and bottom.
    pub fn mark_rim(&mut self, face: Face) {
        self.mark_rim_where(face, |_, _| true);
    }

    /// Marks the rim faces whose middle `(x, y, z)` and outward direction satisfy `chosen`.
    pub fn mark_rim_where(&mut self, face: Face, chosen: impl Fn([f64; 3], [f64; 3]) -> bool) {
        let (n_layers, n_levels) = (self.n_layers(), self.n_levels());
        for t in 0..self.plan.triangles.len() {
            let c = self.plan.centre(t);
            for (level, up) in [(0, -1.0), (n_levels - 1, 1.0)] {
                if chosen([c[0], c[1], self.levels_m[level]], [0.0, 0.0, up]) {
                    self.flat_faces[t * n_levels + level] = face;
                }
            }
        }
        for e in 0..self.plan.edges.len() {
            if let (t, None) = self.plan.edge_triangles[e] {
                let m = self.plan.edge_middle(e);
                let outward = self.outward(e, t as usize);
                for l in 0..n_layers {
                    let z = (self.levels_m[l] + self.levels_m[l + 1]) / 2.0;
                    if chosen([m[0], m[1], z], [outward[0], outward[1], 0.0]) {
                        self.upright_faces[e * n_layers + l] = face;
                    }
                }
            }
        }
    }

    /// Unit normal of edge `e` that points out of triangle `t`.
    pub(crate) fn outward(&self, e: usize, t: usize) -> [f64; 2] {
        let [a, b] = self.plan.edges[e].map(|v| self.plan.points[v as usize]);
        let length = self.plan.edge_length(e);
        let n = [(b[1] - a[1]) / length, (a[0] - b[0]) / length];
        let (m, c) = (self.plan.edge_middle(e), self.plan.centre(t));
        if n[0] * (m[0] - c[0]) + n[1] * (m[1] - c[1]) < 0.0 { [-n[0], -n[1]] } else { n }
    }

    /// Marks all faces between metal-filled prisms and the rest.
    pub fn mark_metal(&mut self, face: impl Fn(usize, usize) -> Face) {
        let (n_layers, n_levels) = (self.n_layers(), self.n_levels());
        for t in 0..self.plan.triangles.len() {
            for level in 0..n_levels {
                let below = (level > 0).then(|| level - 1);
                let above = (level < n_layers).then_some(level);
                let metal = [below, above].into_iter().flatten().find(|&l| self.medium(t, l).is_none());
                let other = [below, above].into_iter().flatten().any(|l| self.medium(t, l).is_some());
                if let (Some(l), true) = (metal, other) {
                    self.flat_faces[t * n_levels + level] = face(t, l);
                }
            }
        }
        for e in 0..self.plan.edges.len() {
            let (first, second) = self.plan.edge_triangles[e];
            let sides = [Some(first), second];
            for l in 0..n_layers {
                let find = |filled: bool| {
                    sides.into_iter().flatten().find(|&t| self.medium(t as usize, l).is_none() == filled)
                };
                if let (Some(metal), Some(_)) = (find(true), find(false)) {
                    self.upright_faces[e * n_layers + l] = face(metal as usize, l);
                }
            }
        }
    }
}

/// An upright line of edges through some layers at one point of the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UprightPath {
    /// Point of the plan.
    pub vertex: u32,
    /// First layer, and the layer after the last.
    pub layers: (u32, u32),
}

/// A port of a discrete model.
#[derive(Debug, Clone)]
pub enum PortShape {
    /// Current sheet between two pads. The voltage is the mean of `∫ E · dl` over the width.
    Sheet {
        /// Horizontal faces (triangle, level).
        flat: Vec<(u32, u32)>,
        /// Vertical faces (edge, layer).
        upright: Vec<(u32, u32)>,
        /// Unit vector from the minus to the plus pad; the voltage is that of plus against minus.
        direction: [f64; 3],
        /// Width of the sheet across the current, metre.
        width_m: f64,
        /// Reference resistance, ohm.
        reference_ohm: f64,
    },
    /// Rim faces in one plane that carry guided waves; one network port for each mode.
    Wave {
        /// Edges of the plan that make the port's plane.
        edges: Vec<u32>,
        /// Number of modes, strongest propagation first.
        n_modes: usize,
        /// Distance by which the reference plane is moved into the volume, metre.
        shift_m: f64,
        /// Upright path from a reference conductor to the line, for the line impedance.
        path: Option<UprightPath>,
    },
}

/// Mesh, media, surfaces and ports.
#[derive(Debug, Clone)]
pub struct Model {
    /// Mesh.
    pub mesh: PrismMesh,
    /// Media by index.
    pub media: Vec<Medium>,
    /// Surfaces by index.
    pub surfaces: Vec<Surface>,
    /// Ports.
    pub ports: Vec<PortShape>,
}
