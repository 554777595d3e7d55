//! Faces with a surface impedance, and the two faces of a strip joined through its metal.
//!
//! One-dimensional diffusion between the faces of a foil of thickness `t` gives for equal fields on both faces the
//! admittance `tanh(γt/2)/η` a face and for opposite ones `coth(γt/2)/η`, with `γ = (1+j)/δ`, `η = (1+j)/(σδ)`
//! (textbook result). The sum of both fields meets the first, their difference the second: far below the skin depth
//! the foil is a sheet of conductance `σt` that lets the magnetic field through, far above it two independent faces.
//! The sides of a strip carry along it what [`Surface::FoilEdge`] says, and upright currents like a foil's face: both
//! faces share their potentials, and without the sides one could float against the other.

use crate::model::{Face, Model, PrismMesh, Surface};
use crate::space::Space;
use crate::system::LocalMap;

/// Where a surface term sits.
#[derive(Debug, Clone, Copy)]
pub(crate) enum FacePlace {
    /// Horizontal, over a triangle of the plan.
    Flat(usize),
    /// Vertical, over an edge of the plan in a layer.
    Upright(usize, usize),
}

/// Which fields a term joins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Joined {
    /// One face by itself.
    Alone,
    /// Half the square of the sum of the fields on the lower and the upper face.
    Sum,
    /// Half the square of their difference.
    Difference,
    /// The field along a vertical face.
    Along,
    /// The upright field on a vertical face.
    Up,
}

impl Joined {
    /// Matrix over the functions of the term from the matrix `m` of one face with `n` functions.
    pub(crate) fn spread(self, m: &[f64], n: usize) -> Vec<f64> {
        match self {
            Self::Alone => return m.to_vec(),
            Self::Along | Self::Up => {
                // Fields along and up do not meet in the mass, and each has half of the functions.
                let (half, first) = (n / 2, if self == Self::Up { n / 2 } else { 0 });
                return (0..half * half).map(|i| m[(first + i / half) * n + first + i % half]).collect();
            }
            Self::Sum | Self::Difference => {}
        }
        let across = if self == Self::Sum { 0.5 } else { -0.5 };
        let mut out = vec![0.0; 4 * n * n];
        for i in 0..2 * n {
            for j in 0..2 * n {
                let factor = if (i < n) == (j < n) { 0.5 } else { across };
                out[i * 2 * n + j] = factor * m[(i % n) * n + j % n];
            }
        }
        out
    }
}

/// One term `y ∫ |E|²` of the equations.
pub(crate) struct FaceTerm {
    /// Index in [`Model::surfaces`].
    pub surface: usize,
    pub place: FacePlace,
    /// Raw values; of the lower and then the upper face where two are joined.
    pub raws: Vec<usize>,
    pub joined: Joined,
}

impl FaceTerm {
    /// The unknowns behind the raw values. Both faces of a foil share their potentials, which cancel in the difference
    /// and are left out of it, so that its large admittance at low frequency does not meet their small terms.
    pub(crate) fn map(&self, space: &Space) -> LocalMap {
        let map = LocalMap::new(space, &self.raws);
        if self.joined == Joined::Difference { map.without_potentials() } else { map }
    }
}

/// Surface terms of one horizontal mark: index of the surface, level below, and what is joined.
pub(crate) fn flat_terms(model: &Model, t: usize, level: usize) -> Vec<(usize, [usize; 2], Joined)> {
    let mesh = &model.mesh;
    let face = mesh.flat_faces[t * mesh.n_levels() + level];
    let Face::Surface(s) = face else { return vec![] };
    let s = usize::from(s);
    if !matches!(model.surfaces[s], Surface::FoilSum { .. }) {
        return vec![(s, [level; 2], Joined::Alone)];
    }
    match both_faces(mesh, t, level) {
        Some([low, high]) if low == level => {
            vec![(s, [low, high], Joined::Sum), (s + 1, [low, high], Joined::Difference)]
        }
        Some(_) => vec![],
        None => vec![(s + 2, [level; 2], Joined::Alone)],
    }
}

/// Levels of both faces of the metal at a level when they carry the same mark.
pub(crate) fn both_faces(mesh: &PrismMesh, t: usize, level: usize) -> Option<[usize; 2]> {
    let (low, high) = metal_around(mesh, t, level);
    let mark = |level: usize| mesh.flat_faces[t * mesh.n_levels() + level];
    (low < high && mark(low) == mark(high)).then_some([low, high])
}

/// Levels of the lower and upper face of the metal at a level.
pub(crate) fn metal_around(mesh: &PrismMesh, t: usize, level: usize) -> (usize, usize) {
    let metal = |l: usize| l < mesh.n_layers() && mesh.medium(t, l).is_none();
    let (mut low, mut high) = (level, level);
    while low > 0 && metal(low - 1) {
        low -= 1;
    }
    while metal(high) {
        high += 1;
    }
    (low, high)
}

/// All surface terms of a model.
pub(crate) fn face_terms(model: &Model, space: &Space) -> Vec<FaceTerm> {
    let mesh = &model.mesh;
    let mut out = Vec::new();
    for t in 0..mesh.plan.triangles.len() {
        for level in 0..mesh.n_levels() {
            for (surface, [low, high], joined) in flat_terms(model, t, level) {
                let mut raws = space.flat_face(mesh, t, low);
                if joined != Joined::Alone {
                    raws.extend(space.flat_face(mesh, t, high));
                }
                out.push(FaceTerm { surface, place: FacePlace::Flat(t), raws, joined });
            }
        }
    }
    for (k, face) in mesh.upright_faces.iter().enumerate() {
        let Face::Surface(s) = *face else { continue };
        let (e, l) = (k / mesh.n_layers(), k % mesh.n_layers());
        let (surface, place) = (usize::from(s), FacePlace::Upright(e, l));
        let raws = space.upright_face(mesh, e, l);
        if matches!(model.surfaces[surface], Surface::FoilEdge { .. }) {
            let (along, up) = raws.split_at(raws.len() / 2);
            out.push(FaceTerm { surface, place, raws: along.to_vec(), joined: Joined::Along });
            out.push(FaceTerm { surface: surface + 1, place, raws: up.to_vec(), joined: Joined::Up });
        } else {
            out.push(FaceTerm { surface, place, raws, joined: Joined::Alone });
        }
    }
    out
}

/// Pairs of levels (triangle, lower, upper) whose faces are joined.
pub(crate) fn joined_faces(model_surfaces: &[Surface], mesh: &PrismMesh) -> Vec<(usize, usize, usize)> {
    let mut out = Vec::new();
    for t in 0..mesh.plan.triangles.len() {
        for level in 0..mesh.n_levels() {
            let Face::Surface(s) = mesh.flat_faces[t * mesh.n_levels() + level] else { continue };
            if !matches!(model_surfaces.get(usize::from(s)), Some(Surface::FoilSum { .. })) {
                continue;
            }
            if let Some([low, high]) = both_faces(mesh, t, level).filter(|f| f[0] == level) {
                out.push((t, low, high));
            }
        }
    }
    out
}
