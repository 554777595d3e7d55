//! Numbering of unknowns: which functions are free, and how the field follows from the unknowns.
//!
//! A *raw* value belongs to one basis function. In the plain form each free raw value is an
//! unknown. In the stabilised form the raw values are `x = cotree + G φ`: node potentials `φ`
//! replace one raw value each (a spanning tree for the lowest order), so that the curl-free part
//! stands alone and the limit to direct current is regular.
//! Source: J. B. Manges, Z. J. Cendes, "A generalized tree-cotree gauge for magnetic field
//! computation", IEEE Trans. Magn. 31 (1995); S.-C. Lee, J.-M. Jin et al. on the low-frequency
//! breakdown of edge elements (idea from memory, construction own).

use crate::element::Order;
use crate::foil::joined_faces;
use crate::model::{Face, PrismMesh, Surface};
use numerics::Complex64;

const NONE: u32 = u32::MAX;

/// How the field is represented.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Formulation {
    /// Electric field alone: fewest entries, loses digits far below the wave range.
    Field,
    /// Field and potential: regular down to direct current.
    Stabilised,
}

/// Functions of a mesh and the unknowns that drive them.
#[derive(Debug, Clone)]
pub(crate) struct Space {
    pub order: Order,
    n_edges: usize,
    n_vertices: usize,
    n_levels: usize,
    n_up: usize,
    n_flat: usize,
    n_plane: usize,
    start: Vec<u32>,
    terms: Vec<(u32, f64)>,
    pub n_unknowns: usize,
    /// Number of independent potentials: the size of the curl-free space.
    pub n_potentials: usize,
    /// Unknowns that are potentials; they come first.
    pub n_potential_unknowns: usize,
}

impl Space {
    pub(crate) fn new(mesh: &PrismMesh, surfaces: &[Surface], order: Order, formulation: Formulation) -> Self {
        let (n_edges, n_vertices) = (mesh.plan.edges.len(), mesh.plan.points.len());
        let n_levels = mesh.n_levels();
        let second = order == Order::Second;
        let n_up = n_levels + if second { mesh.n_layers() } else { 0 };
        let n_flat = mesh.n_layers() * if second { 2 } else { 1 };
        let n_plane = if second { 2 * n_edges + 2 * mesh.plan.triangles.len() } else { n_edges };
        let mut space = Self {
            order,
            n_edges,
            n_vertices,
            n_levels,
            n_up,
            n_flat,
            n_plane: n_plane * n_up,
            start: Vec::new(),
            terms: Vec::new(),
            n_unknowns: 0,
            n_potentials: 0,
            n_potential_unknowns: 0,
        };
        let free = space.free(mesh);
        let potentials = Potentials::new(&space, mesh, surfaces, &free);
        space.n_potentials = potentials.n;
        match formulation {
            Formulation::Field => space.number_plainly(&free),
            Formulation::Stabilised => space.number_with_potentials(&free, &potentials),
        }
        space
    }

    fn n_nodes(&self) -> usize {
        self.n_vertices + if self.order == Order::Second { self.n_edges } else { 0 }
    }

    /// Number of raw values; [`Space::terms`] is defined below it.
    pub(crate) fn n_raw(&self) -> usize {
        self.n_plane + self.n_nodes() * self.n_flat
    }

    /// Unknowns and factors that make up a raw value.
    pub(crate) fn terms(&self, raw: usize) -> &[(u32, f64)] {
        &self.terms[self.start[raw] as usize..self.start[raw + 1] as usize]
    }

    /// Raw values that belong to the first-order space.
    pub(crate) fn first_order_raws(&self) -> Vec<usize> {
        let plane = (0..self.n_edges).flat_map(|c| (0..self.n_levels).map(move |a| c * self.n_up + a));
        let nodes =
            (0..self.n_vertices).flat_map(|v| (0..self.n_levels - 1).map(move |l| self.n_plane + v * self.n_flat + l));
        plane.chain(nodes).collect()
    }

    /// All raw values of a vector of unknowns.
    pub(crate) fn raw_values(&self, x: &[Complex64]) -> Vec<Complex64> {
        (0..self.n_raw()).map(|r| self.terms(r).iter().map(|&(u, c)| x[u as usize] * c).sum()).collect()
    }

    /// Raw value whose size is the voltage along the upright edge above a point in a layer.
    pub(crate) fn upright_edge(&self, vertex: usize, l: usize) -> usize {
        self.n_plane + vertex * self.n_flat + l
    }

    /// True for a raw value of the upright field.
    pub(crate) fn is_upright(&self, raw: usize) -> bool {
        raw >= self.n_plane
    }

    /// Sign of a raw value's field against the axis it mostly follows.
    pub(crate) fn direction(&self, mesh: &PrismMesh, raw: usize) -> f64 {
        let c = raw / self.n_up;
        if raw >= self.n_plane || c >= self.n_edges {
            return 1.0;
        }
        let [a, b] = mesh.plan.edges[c].map(|v| mesh.plan.points[v as usize]);
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        if dx.abs() >= dy.abs() { dx.signum() } else { dy.signum() }
    }

    /// Plane functions of a triangle, in the order of the element matrices.
    fn plane_functions(&self, mesh: &PrismMesh, t: usize) -> Vec<usize> {
        let e = mesh.plan.triangle_edges[t].map(|e| e as usize);
        if self.order == Order::First {
            return e.to_vec();
        }
        let inner = 2 * self.n_edges + 2 * t;
        vec![e[0], e[1], e[2], self.n_edges + e[0], self.n_edges + e[1], self.n_edges + e[2], inner, inner + 1]
    }

    fn plane_nodes(&self, mesh: &PrismMesh, t: usize) -> Vec<usize> {
        let v = mesh.plan.triangles[t].map(|v| v as usize);
        let e = mesh.plan.triangle_edges[t].map(|e| self.n_vertices + e as usize);
        if self.order == Order::First { v.to_vec() } else { v.into_iter().chain(e).collect() }
    }

    fn up(&self, l: usize) -> Vec<usize> {
        if self.order == Order::First { vec![l, l + 1] } else { vec![l, l + 1, self.n_levels + l] }
    }

    fn flat(&self, l: usize) -> Vec<usize> {
        if self.order == Order::First { vec![l] } else { vec![l, self.n_levels - 1 + l] }
    }

    fn product(&self, plane: &[usize], up: &[usize], nodes: &[usize], flat: &[usize]) -> Vec<usize> {
        let first = plane.iter().flat_map(|&c| up.iter().map(move |&a| c * self.n_up + a));
        let second = nodes.iter().flat_map(|&v| flat.iter().map(move |&b| self.n_plane + v * self.n_flat + b));
        first.chain(second).collect()
    }

    /// Raw values of a prism in the order of its element matrices.
    pub(crate) fn prism(&self, mesh: &PrismMesh, t: usize, l: usize) -> Vec<usize> {
        self.product(&self.plane_functions(mesh, t), &self.up(l), &self.plane_nodes(mesh, t), &self.flat(l))
    }

    /// Raw values of the tangential field on a horizontal face.
    pub(crate) fn flat_face(&self, mesh: &PrismMesh, t: usize, level: usize) -> Vec<usize> {
        self.product(&self.plane_functions(mesh, t), &[level], &[], &[])
    }

    fn edge_functions(&self, e: usize) -> Vec<usize> {
        if self.order == Order::First { vec![e] } else { vec![e, self.n_edges + e] }
    }

    fn edge_nodes(&self, mesh: &PrismMesh, e: usize) -> Vec<usize> {
        let [a, b] = mesh.plan.edges[e].map(|v| v as usize);
        if self.order == Order::First { vec![a, b] } else { vec![a, b, self.n_vertices + e] }
    }

    /// Raw values of the tangential field on a vertical face: along the edge (flat functions of the
    /// edge ⊗ continuous in z), then upright (continuous along the edge ⊗ flat in z).
    pub(crate) fn upright_face(&self, mesh: &PrismMesh, e: usize, l: usize) -> Vec<usize> {
        self.product(&self.edge_functions(e), &self.up(l), &self.edge_nodes(mesh, e), &self.flat(l))
    }

    /// Raw values of the field along an edge of the plan at a level.
    pub(crate) fn level_line(&self, e: usize, level: usize) -> Vec<usize> {
        self.product(&self.edge_functions(e), &[level], &[], &[])
    }

    /// Numbers of the continuous functions along an edge of the plan at a level.
    pub(crate) fn level_line_potentials(&self, mesh: &PrismMesh, e: usize, level: usize) -> Vec<usize> {
        self.edge_nodes(mesh, e).into_iter().map(|v| v * self.n_up + level).collect()
    }

    /// Raw values of the upright field above a point of the plan in a layer.
    pub(crate) fn upright_line(&self, vertex: usize, l: usize) -> Vec<usize> {
        self.product(&[], &[], &[vertex], &self.flat(l))
    }

    /// Numbers of the continuous functions above a point of the plan in a layer.
    pub(crate) fn upright_line_potentials(&self, vertex: usize, l: usize) -> Vec<usize> {
        self.up(l).into_iter().map(|a| vertex * self.n_up + a).collect()
    }

    /// Numbers of the continuous functions on a horizontal face.
    pub(crate) fn flat_potentials(&self, mesh: &PrismMesh, t: usize, level: usize) -> Vec<usize> {
        self.plane_nodes(mesh, t).into_iter().map(|v| v * self.n_up + level).collect()
    }

    /// Numbers of the continuous functions on a vertical face: edge node ⊗ interval function.
    pub(crate) fn face_potentials(&self, mesh: &PrismMesh, e: usize, l: usize) -> Vec<usize> {
        let up = self.up(l);
        self.edge_nodes(mesh, e)
            .into_iter()
            .flat_map(|v| up.iter().map(move |&a| v * self.n_up + a).collect::<Vec<_>>())
            .collect()
    }

    /// Raw values that touch matter and do not lie on a perfect conductor.
    fn free(&self, mesh: &PrismMesh) -> Vec<bool> {
        let mut free = vec![false; self.n_raw()];
        for t in 0..mesh.plan.triangles.len() {
            for l in (0..mesh.n_layers()).filter(|&l| mesh.medium(t, l).is_some()) {
                self.prism(mesh, t, l).into_iter().for_each(|raw| free[raw] = true);
            }
        }
        each_electric(mesh, |kind| {
            let raws = match kind {
                Place::Flat(t, level) => self.flat_face(mesh, t, level),
                Place::Upright(e, l) => self.upright_face(mesh, e, l),
            };
            raws.into_iter().for_each(|raw| free[raw] = false);
        });
        if self.order == Order::Second {
            for (raw, free) in free.iter_mut().enumerate() {
                let layer = if raw < self.n_plane {
                    (raw % self.n_up).checked_sub(self.n_levels)
                } else {
                    ((raw - self.n_plane) % self.n_flat).checked_sub(self.n_levels - 1)
                };
                *free &= layer.is_none_or(|l| !mesh.linear_layers[l]);
            }
        }
        free
    }

    /// False for a continuous function that a layer linear in height does without.
    pub(crate) fn has_potential(&self, mesh: &PrismMesh, potential: usize) -> bool {
        (potential % self.n_up).checked_sub(self.n_levels).is_none_or(|l| !mesh.linear_layers[l])
    }

    /// Potentials whose gradient contains a raw value, with sign.
    fn gradient_row(&self, mesh: &PrismMesh, raw: usize) -> Vec<(usize, f64)> {
        if raw < self.n_plane {
            let (c, a) = (raw / self.n_up, raw % self.n_up);
            let at = |v: usize| v * self.n_up + a;
            if c < self.n_edges {
                let [i, j] = mesh.plan.edges[c].map(|v| v as usize);
                return vec![(at(j), 1.0), (at(i), -1.0)];
            }
            if c < 2 * self.n_edges {
                return vec![(at(self.n_vertices + c - self.n_edges), 1.0)];
            }
            return vec![];
        }
        let (v, b) = ((raw - self.n_plane) / self.n_flat, (raw - self.n_plane) % self.n_flat);
        let n_layers = self.n_levels - 1;
        if b < n_layers {
            return vec![(v * self.n_up + b + 1, 1.0), (v * self.n_up + b, -1.0)];
        }
        vec![(v * self.n_up + self.n_levels + b - n_layers, 1.0)]
    }

    fn number_plainly(&mut self, free: &[bool]) {
        self.start = vec![0];
        for &f in free {
            if f {
                self.terms.push((self.n_unknowns as u32, 1.0));
                self.n_unknowns += 1;
            }
            self.start.push(self.terms.len() as u32);
        }
    }

    fn number_with_potentials(&mut self, free: &[bool], potentials: &Potentials) {
        let mut next = potentials.n as u32;
        self.n_potential_unknowns = potentials.n;
        self.start = vec![0];
        for (raw, &f) in free.iter().enumerate() {
            if f {
                if !potentials.replaces[raw] {
                    self.terms.push((next, 1.0));
                    next += 1;
                }
                self.terms.extend_from_slice(potentials.row(raw));
            }
            self.start.push(self.terms.len() as u32);
        }
        self.n_unknowns = next as usize;
    }
}

/// Place of a marked face.
enum Place {
    Flat(usize, usize),
    Upright(usize, usize),
}

fn each_electric(mesh: &PrismMesh, mut f: impl FnMut(Place)) {
    for (k, face) in mesh.flat_faces.iter().enumerate() {
        if *face == Face::Electric {
            f(Place::Flat(k / mesh.n_levels(), k % mesh.n_levels()));
        }
    }
    for (k, face) in mesh.upright_faces.iter().enumerate() {
        if *face == Face::Electric {
            f(Place::Upright(k / mesh.n_layers(), k % mesh.n_layers()));
        }
    }
}

/// Independent potentials and the raw values they replace.
struct Potentials {
    n: usize,
    replaces: Vec<bool>,
    rows: Vec<(u32, f64)>,
    start: Vec<u32>,
}

impl Potentials {
    fn new(space: &Space, mesh: &PrismMesh, surfaces: &[Surface], free: &[bool]) -> Self {
        let groups = Groups::new(space, mesh, surfaces);
        let rows: Vec<Vec<(usize, f64)>> = (0..free.len())
            .map(|raw| if free[raw] { merge(&groups, space.gradient_row(mesh, raw)) } else { vec![] })
            .collect();
        let mut touching: Vec<Vec<u32>> = vec![Vec::new(); groups.of.len()];
        for (raw, row) in rows.iter().enumerate() {
            for &(p, _) in row {
                touching[p].push(raw as u32);
            }
        }
        let mut replaces = vec![false; free.len()];
        let mut number = vec![NONE; groups.of.len()];
        let mut n = 0u32;
        let mut grounded = vec![false; groups.of.len()];
        // The largest conductor first, so that the reference of each connected part is one of them if it can: with a
        // small one the rest would float, and metal that conducts well would drown what ties it to the reference.
        let lowest = |p: usize| groups.of[p] as usize == p && !space.is_bubble(p) && !touching[p].is_empty();
        let mut conductors: Vec<usize> = (0..groups.of.len()).filter(|&p| groups.conductor[p]).collect();
        conductors.sort_by_key(|&p| std::cmp::Reverse(touching[p].len()));
        let seeds = conductors.into_iter().chain(0..groups.of.len());
        for seed in seeds.filter(|&p| lowest(p)) {
            if std::mem::replace(&mut grounded[seed], true) {
                continue;
            }
            let mut queue = std::collections::VecDeque::from([seed]);
            while let Some(p) = queue.pop_front() {
                for &raw in &touching[p] {
                    let [(a, _), (b, _)] = rows[raw as usize][..] else { continue };
                    let other = if a == p { b } else { a };
                    if !std::mem::replace(&mut grounded[other], true) {
                        number[other] = n;
                        n += 1;
                        replaces[raw as usize] = true;
                        queue.push_back(other);
                    }
                }
            }
        }
        for p in 0..groups.of.len() {
            if space.is_bubble(p)
                && !groups.dead[p]
                && let Some(&raw) = touching[p].iter().find(|&&raw| rows[raw as usize].len() == 1)
            {
                number[p] = n;
                n += 1;
                replaces[raw as usize] = true;
            }
        }
        let mut out = Self { n: n as usize, replaces, rows: Vec::new(), start: vec![0] };
        for row in rows {
            out.rows.extend(row.iter().filter(|(p, _)| number[*p] != NONE).map(|&(p, s)| (number[p], s)));
            out.start.push(out.rows.len() as u32);
        }
        out
    }

    fn row(&self, raw: usize) -> &[(u32, f64)] {
        &self.rows[self.start[raw] as usize..self.start[raw + 1] as usize]
    }
}

impl Space {
    /// A potential that vanishes at all vertices of the mesh: its gradient holds a raw value of its own.
    fn is_bubble(&self, potential: usize) -> bool {
        potential / self.n_up >= self.n_vertices || potential % self.n_up >= self.n_levels
    }
}

/// Gradient row with potentials replaced by their groups; equal groups cancel.
fn merge(groups: &Groups, row: Vec<(usize, f64)>) -> Vec<(usize, f64)> {
    let row: Vec<(usize, f64)> =
        row.into_iter().map(|(p, s)| (groups.of[p] as usize, s)).filter(|(p, _)| !groups.dead[*p]).collect();
    match row[..] {
        [(a, _), (b, _)] if a == b => vec![],
        _ => row,
    }
}

/// Potentials tied together by perfect conductors and by foils.
struct Groups {
    /// Representative of each potential's group.
    of: Vec<u32>,
    /// Bubbles on a conductor: always zero.
    dead: Vec<bool>,
    conductor: Vec<bool>,
}

impl Groups {
    fn new(space: &Space, mesh: &PrismMesh, surfaces: &[Surface]) -> Self {
        let n = space.n_nodes() * space.n_up;
        let mut parent: Vec<u32> = (0..n as u32).collect();
        let mut on_conductor = vec![false; n];
        let mut dead = vec![false; n];
        each_electric(mesh, |place| {
            let all: Vec<usize> = match place {
                Place::Flat(t, level) => space.flat_potentials(mesh, t, level),
                Place::Upright(e, l) => space.face_potentials(mesh, e, l),
            };
            let (bubbles, vertices): (Vec<_>, Vec<_>) = all.into_iter().partition(|&p| space.is_bubble(p));
            bubbles.into_iter().for_each(|p| dead[p] = true);
            for &p in &vertices {
                on_conductor[p] = true;
                let (a, b) = (find(&mut parent, p as u32), find(&mut parent, vertices[0] as u32));
                parent[a.max(b) as usize] = a.min(b);
            }
        });
        // Metal of a foil is so short from face to face that both share their potentials.
        for (t, low, high) in joined_faces(surfaces, mesh) {
            let both = space.flat_potentials(mesh, t, low).into_iter().zip(space.flat_potentials(mesh, t, high));
            for (p, q) in both {
                let (a, b) = (find(&mut parent, p as u32), find(&mut parent, q as u32));
                parent[a.max(b) as usize] = a.min(b);
            }
        }
        let of: Vec<u32> = (0..n as u32).map(|p| find(&mut parent, p)).collect();
        let mut conductor = vec![false; n];
        let mut gone = vec![false; n];
        for p in 0..n {
            conductor[of[p] as usize] |= on_conductor[p];
            gone[of[p] as usize] |= dead[p];
        }
        Self { conductor, of, dead: gone }
    }
}

fn find(parent: &mut [u32], p: u32) -> u32 {
    let mut root = p;
    while parent[root as usize] != root {
        root = parent[root as usize];
    }
    let mut k = p;
    while k != root {
        k = std::mem::replace(&mut parent[k as usize], root);
    }
    root
}
