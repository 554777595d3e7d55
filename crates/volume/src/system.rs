//! The discrete equations `A(f) x = b` of a model.
//!
//! `A = K − k² Σ ε_m(f) M_m + j k η Σ y_s(f) B_s`, bordered by one row for each network port that
//! holds its current: `v` is the port's voltage functional, `u = V/R` its current through the
//! reference resistance, `[A, c v; c vᵀ, −c R] [x; u] = [c I v; 0]` with `c = j k η`.
//! Source of the weak form: J.-M. Jin, "The Finite Element Method in Electromagnetics" (2002), ch. 8.

use crate::VolumeError;
use crate::element::{IntervalMatrices, Order, PrismMatrices, TriangleMatrices};
use crate::foil::{FacePlace, Joined, face_terms};
use crate::mode_table::ModeTable;
use crate::model::{Model, PortShape, PrismMesh, vacuum_impedance_ohm};
use crate::modes::{Mode, port_modes};
use crate::space::{Formulation, Space};
use numerics::{Complex64, Watch};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use sparse::{Analysis, AnalysisSettings, Precision, Solver, SymmetricMatrix, SymmetricPattern};
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::{Arc, OnceLock};

/// Sparse list of matrix entries.
pub(crate) type Entries = Vec<(u32, f64)>;

/// Assembled parts of the equations.
pub(crate) struct System {
    pub model: Arc<Model>,
    pub space: Space,
    pub pattern: Arc<SymmetricPattern>,
    pub analysis: Arc<Analysis>,
    pub stiffness: Vec<f64>,
    pub media: Vec<Entries>,
    pub surfaces: Vec<Entries>,
    pub ports: Vec<NetworkPort>,
    /// Precision of the factor.
    pub precision: Precision,
    /// Guided waves of the ports over a band, once a sweep has made them.
    pub tables: OnceLock<Vec<Option<Arc<ModeTable>>>>,
}

/// One port of the network.
pub(crate) struct NetworkPort {
    /// Index of the shape in the model, and the mode within it.
    pub shape_idx: usize,
    pub mode_idx: usize,
    /// Unknowns the port may touch.
    pub support: Vec<u32>,
    /// Fixed voltage functional of a sheet port, in step with `support`.
    pub fixed: Option<Vec<f64>>,
}

/// Port quantities at one frequency.
pub(crate) struct PortState {
    /// Voltage functional on the unknowns.
    pub functional: Vec<(u32, Complex64)>,
    /// Reference resistance (sheets, ohm) or one (modes, normalised to unit power).
    pub resistance: f64,
    /// Mode of a wave port, when it was solved for and not read from a table.
    pub mode: Option<Mode>,
    /// Phase constant of a wave port, 1/m.
    pub beta: Option<Complex64>,
    /// Line impedance of a wave port with a voltage path, ohm.
    pub impedance_ohm: Option<Complex64>,
}

/// Free-space wavenumber, 1/m.
pub(crate) fn wavenumber(freq_hz: f64) -> f64 {
    TAU * freq_hz / LIGHT_SPEED_M_PER_S
}

impl System {
    /// Assembles all parts that do not depend on frequency.
    pub(crate) fn new(model: &Arc<Model>, order: Order, formulation: Formulation) -> Result<Self, VolumeError> {
        let space = Space::new(&model.mesh, &model.surfaces, order, formulation);
        if space.n_unknowns == 0 {
            return Err(VolumeError::Mesh { what: "no free unknown is left; everything is metal".into() });
        }
        let ports = network_ports(model, &space);
        let pattern = Arc::new(build_pattern(model, &space, &ports)?);
        let analysis = Arc::new(Analysis::new(&pattern, &AnalysisSettings::default())?);
        let mut system = Self {
            model: model.clone(),
            pattern: pattern.clone(),
            analysis,
            stiffness: vec![0.0; pattern.n_entries()],
            media: Vec::new(),
            surfaces: Vec::new(),
            space,
            ports,
            precision: Precision::Double,
            tables: OnceLock::new(),
        };
        system.assemble_prisms();
        system.assemble_surfaces();
        Ok(system)
    }

    fn assemble_prisms(&mut self) {
        let mesh = &self.model.mesh;
        let intervals: Vec<IntervalMatrices> =
            (0..mesh.n_layers()).map(|l| IntervalMatrices::new(mesh.height(l))).collect();
        // One medium at a time keeps only one full-length vector alive.
        for medium in 0..self.model.media.len() as u16 {
            let mut mass = vec![0.0; self.pattern.n_entries()];
            for t in 0..mesh.plan.triangles.len() {
                if !(0..mesh.n_layers()).any(|l| mesh.medium(t, l) == Some(medium)) {
                    continue;
                }
                let plane = TriangleMatrices::new(mesh.plan.corners(t));
                for (l, z) in intervals.iter().enumerate().filter(|(l, _)| mesh.medium(t, *l) == Some(medium)) {
                    let m = PrismMatrices::new(&plane, z, self.space.order);
                    let map = LocalMap::new(&self.space, &self.space.prism(mesh, t, l));
                    map.without_potentials().scatter(&self.pattern, &m.curl_curl, m.n, &mut self.stiffness);
                    map.scatter(&self.pattern, &m.mass, m.n, &mut mass);
                }
            }
            self.media.push(compact(mass));
        }
    }

    fn assemble_surfaces(&mut self) {
        let mesh = &self.model.mesh;
        let mut surfaces: Vec<BTreeMap<u32, f64>> = vec![BTreeMap::new(); self.model.surfaces.len()];
        for term in face_terms(&self.model, &self.space) {
            let (m, n) = match term.place {
                FacePlace::Flat(t) => flat_mass(mesh.plan.corners(t), self.space.order),
                FacePlace::Upright(e, l) => {
                    let m = upright_mass(mesh.plan.edge_length(e), mesh.height(l), self.space.order);
                    let n = m.len().isqrt();
                    (m, n)
                }
            };
            let m = term.joined.spread(&m, n);
            let target = &mut surfaces[term.surface];
            term.map(&self.space).scatter_into(&self.pattern, &m, term.raws.len(), |k, v| add_to(target, k, v));
        }
        let list = |s: BTreeMap<u32, f64>| s.into_iter().filter(|(_, v)| *v != 0.0).collect();
        self.surfaces = surfaces.into_iter().map(list).collect();
    }

    /// Port functionals at one frequency.
    pub(crate) fn port_states(&self, freq_hz: f64) -> Result<Vec<PortState>, VolumeError> {
        let mut modes: BTreeMap<usize, Vec<Mode>> = BTreeMap::new();
        let mut out = Vec::new();
        for (idx, port) in self.ports.iter().enumerate() {
            let table = self.tables.get().and_then(|t| t[idx].as_ref()).filter(|t| t.covers(freq_hz));
            match &self.model.ports[port.shape_idx] {
                PortShape::Sheet { reference_ohm, .. } => {
                    let fixed = port.fixed.as_ref().expect("sheet ports have a fixed functional");
                    let functional = port.support.iter().zip(fixed).map(|(&u, &v)| (u, v.into())).collect();
                    out.push(PortState {
                        functional,
                        resistance: *reference_ohm,
                        mode: None,
                        beta: None,
                        impedance_ohm: None,
                    });
                }
                PortShape::Wave { .. } if table.is_some() => {
                    let line = table.expect("just seen").at(freq_hz);
                    out.push(PortState {
                        functional: line.functional,
                        resistance: 1.0,
                        mode: None,
                        beta: Some(line.beta),
                        impedance_ohm: line.impedance_ohm,
                    });
                }
                PortShape::Wave { edges, n_modes, path, .. } => {
                    let found = match modes.entry(port.shape_idx) {
                        std::collections::btree_map::Entry::Occupied(e) => e.into_mut(),
                        std::collections::btree_map::Entry::Vacant(e) => {
                            e.insert(port_modes(&self.model, &self.space, edges, *n_modes, freq_hz)?)
                        }
                    };
                    let mode = found[port.mode_idx].clone();
                    let raw: Vec<(usize, Complex64)> = mode.functional.clone();
                    let functional = to_unknowns(&self.space, raw.into_iter()).into_iter().collect();
                    let (beta, impedance_ohm) =
                        (Some(mode.beta), path.as_ref().map(|p| mode.impedance_ohm(&self.space, p)));
                    out.push(PortState { functional, resistance: 1.0, mode: Some(mode), beta, impedance_ohm });
                }
            }
        }
        Ok(out)
    }

    /// Matrix at one frequency, port borders included.
    pub(crate) fn matrix(&self, freq_hz: f64, ports: &[PortState]) -> SymmetricMatrix<Complex64> {
        let k = wavenumber(freq_hz);
        let mut values: Vec<Complex64> = self.stiffness.iter().map(|&x| x.into()).collect();
        for (medium, entries) in self.model.media.iter().zip(&self.media) {
            let factor = -k * k * medium.relative_permittivity(freq_hz);
            entries.iter().for_each(|&(i, v)| values[i as usize] += factor * v);
        }
        let c = Complex64::new(0.0, k * vacuum_impedance_ohm());
        for (surface, entries) in self.model.surfaces.iter().zip(&self.surfaces) {
            let factor = c * surface.admittance_s(freq_hz);
            entries.iter().for_each(|&(i, v)| values[i as usize] += factor * v);
        }
        for (p, port) in ports.iter().enumerate() {
            let row = self.space.n_unknowns + p;
            for &(u, v) in &port.functional {
                let at = self.pattern.position(row, u as usize).expect("port border is in the pattern");
                values[at] += c * v;
            }
            values[self.pattern.position(row, row).expect("diagonal")] -= c * port.resistance;
        }
        SymmetricMatrix::from_values(self.pattern.clone(), values).expect("values follow the pattern")
    }

    /// Factors the matrix at one frequency.
    pub(crate) fn factor(
        &self,
        freq_hz: f64,
        ports: &[PortState],
        watch: &dyn Watch,
    ) -> Result<Solver<Complex64>, VolumeError> {
        Ok(Solver::new(&self.analysis, self.matrix(freq_hz, ports), self.precision, watch)?)
    }

    /// Right-hand side of a unit wave (`a = 1`, peak, √W) into port `q`.
    pub(crate) fn excitation(&self, freq_hz: f64, ports: &[PortState], q: usize) -> Vec<Complex64> {
        let c = Complex64::new(0.0, wavenumber(freq_hz) * vacuum_impedance_ohm());
        let mut b = vec![Complex64::default(); self.pattern.order()];
        let current = 2.0 / ports[q].resistance.sqrt();
        for &(u, v) in &ports[q].functional {
            b[u as usize] += c * current * v;
        }
        b
    }

    /// `xᴴ M x` for a list of entries of a real symmetric matrix.
    pub(crate) fn energy(&self, entries: &[(u32, f64)], columns: &[u32], x: &[Complex64]) -> f64 {
        entries
            .iter()
            .map(|&(k, v)| {
                let (i, j) = (self.row_of(k), columns[k as usize] as usize);
                let product = (x[i].conj() * x[j]).re * v;
                if i == j { product } else { 2.0 * product }
            })
            .sum()
    }

    /// Weights that make unknowns of fields and of potentials comparable: diagonal of the mass.
    pub(crate) fn natural_scale(&self) -> Vec<f64> {
        let mut out = vec![0.0; self.space.n_unknowns];
        for entries in &self.media {
            for &(k, v) in entries {
                let i = self.row_of(k);
                if i < out.len() && self.pattern.position(i, i) == Some(k as usize) {
                    out[i] += v;
                }
            }
        }
        out
    }

    /// Derivative of a sheet port's voltage functional along a motion of points and levels, or
    /// `None` when the port does not move. The width follows the area of a flat sheet and the
    /// length of an upright one.
    pub(crate) fn sheet_functional_change(
        &self,
        shape_idx: usize,
        points: &[[f64; 2]],
        levels: &[f64],
    ) -> Option<Vec<(u32, f64)>> {
        const STEP: f64 = 1e-4;
        let shape = &self.model.ports[shape_idx];
        let PortShape::Sheet { flat, upright, width_m, .. } = shape else { return None };
        let mesh = &self.model.mesh;
        let own: Vec<u32> = flat
            .iter()
            .flat_map(|f| mesh.plan.triangles[f.0 as usize])
            .chain(upright.iter().flat_map(|f| mesh.plan.edges[f.0 as usize]))
            .collect();
        let speed = own.iter().filter_map(|&v| points.get(v as usize)).map(|m| m[0].hypot(m[1])).fold(0.0, f64::max);
        let rise = levels.iter().map(|l| l.abs()).fold(0.0, f64::max);
        if speed == 0.0 && (rise == 0.0 || upright.is_empty()) {
            return None;
        }
        let size = width_m.min(mesh.levels_m.windows(2).map(|w| w[1] - w[0]).fold(f64::MAX, f64::min));
        let step = STEP * size / speed.max(rise);
        let moved = |s: f64| {
            let mut mesh = mesh.clone();
            mesh.plan.points.iter_mut().zip(points).for_each(|(p, m)| *p = [p[0] + s * m[0], p[1] + s * m[1]]);
            mesh.levels_m.iter_mut().zip(levels).for_each(|(z, m)| *z += s * m);
            let width = sheet_width(shape, &mesh) / sheet_width(shape, &self.model.mesh) * width_m;
            sheet_functional(&self.space, shape, &mesh, width)
        };
        let (plus, minus) = (moved(step), moved(-step));
        Some(plus.iter().map(|(&u, &v)| (u, (v - minus.get(&u).copied().unwrap_or(0.0)) / (2.0 * step))).collect())
    }

    pub(crate) fn row_of(&self, entry: u32) -> usize {
        self.pattern.row(entry as usize) as usize
    }

    /// Column of every entry.
    pub(crate) fn entry_columns(&self) -> Vec<u32> {
        let mut out = vec![0; self.pattern.n_entries()];
        for j in 0..self.pattern.order() {
            out[self.pattern.column_range(j)].fill(j as u32);
        }
        out
    }
}

/// Mass of the tangential field on a horizontal face with these corners, and its order.
pub(crate) fn flat_mass(corners: [[f64; 2]; 3], order: Order) -> (Vec<f64>, usize) {
    let n = order.n_curl();
    let mass = TriangleMatrices::new(corners).mass;
    ((0..n * n).map(|i| mass.0[i / n][i % n]).collect(), n)
}

/// Mass of the tangential field on a vertical face of length `s` and height `h`.
pub(crate) fn upright_mass(s: f64, h: f64, order: Order) -> Vec<f64> {
    let (along, up) = (IntervalMatrices::new(s), IntervalMatrices::new(h));
    let (ne, nu, nf) = (order.n_flat(), order.n_up(), order.n_flat());
    let nn = order.n_up();
    let n = ne * nu + nn * nf;
    let mut m = vec![0.0; n * n];
    for i in 0..ne * nu {
        for j in 0..ne * nu {
            m[i * n + j] = along.flat_mass.0[i / nu][j / nu] * up.mass.0[i % nu][j % nu];
        }
    }
    let o = ne * nu;
    for i in 0..nn * nf {
        for j in 0..nn * nf {
            m[(o + i) * n + o + j] = along.mass.0[i / nf][j / nf] * up.flat_mass.0[i % nf][j % nf];
        }
    }
    m
}

/// Raw values of one element expressed by unknowns.
#[derive(Clone)]
pub(crate) struct LocalMap {
    unknowns: Vec<u32>,
    n_potentials: usize,
    rows: Vec<Vec<(usize, f64)>>,
}

impl LocalMap {
    pub(crate) fn new(space: &Space, raws: &[usize]) -> Self {
        let mut unknowns: Vec<u32> = raws.iter().flat_map(|&r| space.terms(r)).map(|t| t.0).collect();
        unknowns.sort_unstable();
        unknowns.dedup();
        let rows = raws
            .iter()
            .map(|&r| {
                let place = |u: u32| unknowns.binary_search(&u).expect("an unknown of the element");
                space.terms(r).iter().map(|&(u, c)| (place(u), c)).collect()
            })
            .collect();
        let n_potentials = unknowns.partition_point(|&u| (u as usize) < space.n_potential_unknowns);
        Self { unknowns, n_potentials, rows }
    }

    /// The map without potentials, for a matrix that gradients do not feel: leaving them out keeps
    /// rounding of the curl-curl matrix out of the far smaller mass of the potentials.
    pub(crate) fn without_potentials(&self) -> Self {
        let mut out = self.clone();
        out.rows.iter_mut().for_each(|row| row.retain(|&(u, _)| u >= self.n_potentials));
        out
    }

    /// `Tᵀ M T` for a dense element matrix by rows.
    pub(crate) fn condense(&self, m: &[f64], n: usize) -> Vec<f64> {
        let size = self.unknowns.len();
        let mut out = vec![0.0; size * size];
        for (i, terms_i) in self.rows.iter().enumerate() {
            for &(u, cu) in terms_i {
                for (j, terms_j) in self.rows.iter().enumerate() {
                    for &(v, cv) in terms_j {
                        out[u * size + v] += cu * cv * m[i * n + j];
                    }
                }
            }
        }
        out
    }

    fn scatter(&self, pattern: &SymmetricPattern, m: &[f64], n: usize, values: &mut [f64]) {
        self.scatter_into(pattern, m, n, |k, v| values[k as usize] += v);
    }

    /// Calls `add(entry, value)` for the lower triangle of `Tᵀ M T`.
    pub(crate) fn scatter_into(&self, pattern: &SymmetricPattern, m: &[f64], n: usize, mut add: impl FnMut(u32, f64)) {
        let dense = self.condense(m, n);
        let size = self.unknowns.len();
        for b in 0..size {
            let first = pattern.column_range(self.unknowns[b] as usize).start;
            let column = pattern.column(self.unknowns[b] as usize);
            let mut k = 0;
            for a in b..size {
                while column[k] < self.unknowns[a] {
                    k += 1;
                }
                assert_eq!(column[k], self.unknowns[a], "an element couples unknowns outside the pattern");
                add((first + k) as u32, dense[a * size + b]);
            }
        }
    }
}

fn add_to(list: &mut BTreeMap<u32, f64>, entry: u32, value: f64) {
    *list.entry(entry).or_default() += value;
}

fn compact(values: Vec<f64>) -> Entries {
    values.into_iter().enumerate().filter(|(_, v)| *v != 0.0).map(|(i, v)| (i as u32, v)).collect()
}

fn build_pattern(model: &Model, space: &Space, ports: &[NetworkPort]) -> Result<SymmetricPattern, VolumeError> {
    let mesh = &model.mesh;
    let mut positions: Vec<(usize, usize)> = Vec::new();
    for t in 0..mesh.plan.triangles.len() {
        for l in (0..mesh.n_layers()).filter(|&l| mesh.medium(t, l).is_some()) {
            let map = LocalMap::new(space, &space.prism(mesh, t, l));
            for (a, &u) in map.unknowns.iter().enumerate() {
                positions.extend(map.unknowns[..a].iter().map(|&v| (u as usize, v as usize)));
            }
        }
    }
    for term in face_terms(model, space).iter().filter(|t| t.joined == Joined::Sum) {
        let map = LocalMap::new(space, &term.raws);
        for (a, &u) in map.unknowns.iter().enumerate() {
            positions.extend(map.unknowns[..a].iter().map(|&v| (u as usize, v as usize)));
        }
    }
    for (p, port) in ports.iter().enumerate() {
        positions.extend(port.support.iter().map(|&u| (space.n_unknowns + p, u as usize)));
    }
    Ok(SymmetricPattern::from_positions(space.n_unknowns + ports.len(), positions)?)
}

/// Sum over raw values of a functional, by unknown.
pub(crate) fn to_unknowns<T>(space: &Space, raw: impl Iterator<Item = (usize, T)>) -> BTreeMap<u32, T>
where
    T: Copy + Default + std::ops::AddAssign + std::ops::Mul<f64, Output = T>,
{
    let mut out: BTreeMap<u32, T> = BTreeMap::new();
    for (r, v) in raw {
        for &(u, c) in space.terms(r) {
            *out.entry(u).or_default() += v * c;
        }
    }
    out
}

fn network_ports(model: &Model, space: &Space) -> Vec<NetworkPort> {
    let mesh = &model.mesh;
    let mut out = Vec::new();
    for (shape_idx, shape) in model.ports.iter().enumerate() {
        match shape {
            PortShape::Sheet { width_m, .. } => {
                let values = sheet_functional(space, shape, mesh, *width_m);
                out.push(NetworkPort {
                    shape_idx,
                    mode_idx: 0,
                    support: values.keys().copied().collect(),
                    fixed: Some(values.values().copied().collect()),
                });
            }
            PortShape::Wave { edges, n_modes, .. } => {
                let faces = edges.iter().flat_map(|&e| (0..mesh.n_layers()).map(move |l| (e as usize, l)));
                let raws = faces.flat_map(|(e, l)| space.upright_face(mesh, e, l)).map(|r| (r, 1.0));
                let support: Vec<u32> = to_unknowns(space, raws).into_keys().collect();
                for mode_idx in 0..*n_modes {
                    out.push(NetworkPort { shape_idx, mode_idx, support: support.clone(), fixed: None });
                }
            }
        }
    }
    out
}

/// Extent of a sheet across its direction, metre.
fn sheet_width(shape: &PortShape, mesh: &PrismMesh) -> f64 {
    let PortShape::Sheet { flat, upright, direction, .. } = shape else { return 0.0 };
    let flat_points = flat.iter().flat_map(|f| mesh.plan.triangles[f.0 as usize]);
    let points = flat_points.chain(upright.iter().flat_map(|f| mesh.plan.edges[f.0 as usize]));
    let points: Vec<[f64; 2]> = points.map(|v| mesh.plan.points[v as usize]).collect();
    // Across the direction in the plan; for an upright current, along the line of the sheet.
    let across = if direction[2].abs() > 0.5 {
        let (a, b) = (points[0], points[1]);
        let length = (b[0] - a[0]).hypot(b[1] - a[1]);
        [(b[0] - a[0]) / length, (b[1] - a[1]) / length]
    } else {
        [-direction[1], direction[0]]
    };
    let places = points.iter().map(|p| p[0] * across[0] + p[1] * across[1]);
    places.clone().fold(f64::MIN, f64::max) - places.fold(f64::MAX, f64::min)
}

/// Voltage functional of a sheet port on unknowns, for the coordinates of `mesh`.
fn sheet_functional(space: &Space, shape: &PortShape, mesh: &PrismMesh, width_m: f64) -> BTreeMap<u32, f64> {
    let PortShape::Sheet { flat, upright, direction, .. } = shape else { return BTreeMap::new() };
    let mut raw: Vec<(usize, f64)> = Vec::new();
    for &(t, level) in flat {
        let mean = TriangleMatrices::new(mesh.plan.corners(t as usize)).mean;
        for (k, r) in space.flat_face(mesh, t as usize, level as usize).into_iter().enumerate() {
            raw.push((r, mean[k][0] * direction[0] + mean[k][1] * direction[1]));
        }
    }
    for &(e, l) in upright {
        upright_functional(mesh, space, e as usize, l as usize, *direction, &mut raw);
    }
    to_unknowns(space, raw.into_iter().map(|(r, v)| (r, -v / width_m)))
}

/// Adds `∫ E · direction` over a vertical face.
fn upright_functional(
    mesh: &PrismMesh,
    space: &Space,
    e: usize,
    l: usize,
    direction: [f64; 3],
    raw: &mut Vec<(usize, f64)>,
) {
    let raws = space.upright_face(mesh, e, l);
    let (nu, nf) = (space.order.n_up(), space.order.n_flat());
    let (length, height) = (mesh.plan.edge_length(e), mesh.height(l));
    let [a, b] = mesh.plan.edges[e].map(|v| mesh.plan.points[v as usize]);
    let along = ((b[0] - a[0]) * direction[0] + (b[1] - a[1]) * direction[1]) / length;
    let (mean_up, mean_along) = (IntervalMatrices::mean(height), IntervalMatrices::mean(length));
    for (k, &r) in raws.iter().enumerate() {
        let n_first = nf * nu;
        // The first flat function has mean one, the second (a derivative of a bubble) mean zero.
        let value = if k < n_first {
            if k / nu == 0 { along * mean_up[k % nu] } else { 0.0 }
        } else {
            let (v, b) = ((k - n_first) / nf, (k - n_first) % nf);
            if b == 0 { direction[2] * mean_along[v] } else { 0.0 }
        };
        raw.push((r, value));
    }
}
