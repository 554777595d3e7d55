//! Guided waves of a port plane, as a two-dimensional eigenproblem on the trace of the volume mesh.
//!
//! Unknowns are the tangential field of the plane (the very trace functions of the volume) and the
//! normal field. With `E = (e_t/β + j n e_n) exp(−jβζ)` the pencil is
//! `[S − k²T, 0; 0, 0] x = −β² [T₁, G; Gᵀ, S_n − k² T_n] x` (J.-M. Jin, "The Finite Element Method
//! in Electromagnetics" (2002), section 8.4, Lee-Sun-Cendes form).
//! A mode is scaled to `∫ E×H·n = 1` (no conjugation), so its voltage and current equal its wave
//! amplitude. Metal cut by the plane has its surface impedance along its rim, as everywhere else: `+ j k η Y ∮ e·f`
//! joins S and `S_n`.

use crate::VolumeError;
use crate::eigen::largest_eigenpairs;
use crate::element::{IntervalMatrices, Order};
use crate::foil::{Joined, flat_terms};
use crate::model::{Face, Medium, Model, PrismMesh, Surface, UprightPath, vacuum_impedance_ohm};
use crate::space::Space;
use crate::system::wavenumber;
use numerics::{Complex64, Quiet};
use sparse::{Analysis, AnalysisSettings, Precision, Solver, SymmetricMatrix};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Share of the tangential part below which an eigenvector belongs to the idle kernel.
const TANGENTIAL_MIN: f64 = 1e-6;
/// Relative residual above which a mode counts as not found.
const RESIDUAL_MAX: f64 = 1e-8;

/// No wave is slower than in the densest medium, up to rounding.
const SPEED_SLACK: f64 = 1.0 + 1e-6;

/// The field inside metal slows waves further.
const LOSSY_SPEED_SLACK: f64 = 3.0;

/// One guided wave.
#[derive(Debug, Clone)]
pub(crate) struct Mode {
    /// Complex phase constant, 1/m; the wave is `exp(−jβζ)`.
    pub beta: Complex64,
    /// Voltage functional `∫ E_t × h · n` on raw values.
    pub functional: Vec<(usize, Complex64)>,
    /// Tangential field of the mode on raw values.
    pub field: Vec<(usize, Complex64)>,
}

impl Mode {
    /// Line impedance `V²/P` of the voltage along an upright path, ohm.
    pub(crate) fn impedance_ohm(&self, space: &Space, path: &UprightPath) -> Complex64 {
        let v = self.voltage(space, path);
        v * v
    }

    /// `−∫ E_z dz` along an upright path, top against bottom.
    pub(crate) fn voltage(&self, space: &Space, path: &UprightPath) -> Complex64 {
        let wanted: Vec<usize> =
            (path.layers.0..path.layers.1).map(|l| space.upright_edge(path.vertex as usize, l as usize)).collect();
        -self.field.iter().filter(|(r, _)| wanted.contains(r)).map(|(_, v)| *v).sum::<Complex64>()
    }
}

/// Local numbering of the plane's free functions.
struct Plane {
    tangential: BTreeMap<usize, usize>,
    normal: BTreeMap<usize, usize>,
}

#[derive(Default)]
struct Parts {
    curl: Vec<(usize, usize, f64)>,
    mass_loaded: Vec<(usize, usize, Complex64)>,
    mass: Vec<(usize, usize, f64)>,
    gradient: Vec<(usize, usize, f64)>,
    normal_stiffness: Vec<(usize, usize, f64)>,
    normal_mass: Vec<(usize, usize, Complex64)>,
    /// Surface impedance along the rim of metal, tangential and normal part.
    rim: Vec<(usize, usize, Complex64)>,
    rim_normal: Vec<(usize, usize, Complex64)>,
}

/// Plane extent times wavenumber below which the eigenproblem loses its digits. There a line is
/// quasi-static: its mode is taken at this frequency and only the phase constant follows the
/// frequency, an error of less than the square of this number.
const QUASI_STATIC: f64 = 0.02;

/// Frequency below which the mode of a plane is taken there.
pub(crate) fn quasi_static_hz(model: &Model, edges: &[u32]) -> f64 {
    QUASI_STATIC / (wavenumber(1.0) * extent_m(&model.mesh, edges))
}

fn extent_m(mesh: &PrismMesh, edges: &[u32]) -> f64 {
    let length: f64 = edges.iter().map(|&e| mesh.plan.edge_length(e as usize)).sum();
    length.max(mesh.levels_m[mesh.n_levels() - 1] - mesh.levels_m[0])
}

/// True when a motion of points and levels, or other materials, change the cross-section of a plane.
pub(crate) fn plane_changes(
    model: &Model,
    edges: &[u32],
    points: &[[f64; 2]],
    levels: &[f64],
    media: &[Medium],
    surfaces: &[Surface],
) -> bool {
    let mesh = &model.mesh;
    let touched: BTreeSet<u32> = edges.iter().flat_map(|&e| mesh.plan.edges[e as usize]).collect();
    let moves = touched.iter().filter_map(|&v| points.get(v as usize)).any(|m| *m != [0.0; 2]);
    moves || levels.iter().any(|&l| l != 0.0) || media != model.media || surfaces != model.surfaces
}

/// The `n_modes` waves with the largest Re β² of the plane made of `edges`, at any frequency.
pub(crate) fn port_modes(
    model: &Model,
    space: &Space,
    edges: &[u32],
    n_modes: usize,
    freq_hz: f64,
) -> Result<Vec<Mode>, VolumeError> {
    port_modes_again(model, space, edges, n_modes, freq_hz, &mut None)
}

/// As [`port_modes`], with the analysis of the same plane at another frequency if there is one.
pub(crate) fn port_modes_again(
    model: &Model,
    space: &Space,
    edges: &[u32],
    n_modes: usize,
    freq_hz: f64,
    analysis: &mut Option<Arc<Analysis>>,
) -> Result<Vec<Mode>, VolumeError> {
    let ratio = wavenumber(freq_hz) * extent_m(&model.mesh, edges) / QUASI_STATIC;
    if ratio >= 1.0 {
        return full_wave_modes(model, space, edges, n_modes, freq_hz, analysis);
    }
    let floor_hz = freq_hz / ratio;
    let mut modes = full_wave_modes(model, space, edges, n_modes, floor_hz, analysis)?;
    let k2 = wavenumber(floor_hz).powi(2);
    // A line's wave is no faster than light; anything else is cut off this far down.
    if let Some(m) = modes.iter().find(|m| (m.beta * m.beta).re < 0.9 * k2) {
        return Err(VolumeError::Port {
            what: format!(
                "expected a line of two conductors at a wave port at {freq_hz:.3e} Hz, found a mode that is cut off (β² = {:.3e} 1/m²); use a sheet port or ask for fewer modes",
                (m.beta * m.beta).re
            ),
        });
    }
    modes.iter_mut().for_each(|m| m.beta *= ratio);
    Ok(modes)
}

/// The `n_modes` waves with the largest Re β² of the plane made of `edges`.
fn full_wave_modes(
    model: &Model,
    space: &Space,
    edges: &[u32],
    n_modes: usize,
    freq_hz: f64,
    analysis: &mut Option<Arc<Analysis>>,
) -> Result<Vec<Mode>, VolumeError> {
    let plane = number(model, space, edges);
    let parts = assemble(model, space, edges, &plane, freq_hz);
    let k = wavenumber(freq_hz);
    let (nt, nn) = (plane.tangential.len(), plane.normal.len());
    let n = nt + nn;
    if nt == 0 {
        return Err(VolumeError::Port { what: "the plane of a wave port has no free field".into() });
    }
    let highest = parts_permittivity(model, edges, freq_hz);
    let slack = if parts.rim.is_empty() { SPEED_SLACK } else { LOSSY_SPEED_SLACK };
    let sigma = -k * k * highest * 1.05;
    let mut a = Vec::new();
    let mut b = Vec::new();
    a.extend(parts.curl.iter().map(|&(i, j, v)| (i, j, v.into())));
    a.extend(parts.mass_loaded.iter().map(|&(i, j, v)| (i, j, -v * k * k)));
    a.extend(parts.rim.iter().copied());
    b.extend(parts.rim_normal.iter().map(|&(i, j, v)| (nt + i, nt + j, v)));
    b.extend(parts.mass.iter().map(|&(i, j, v)| (i, j, Complex64::from(v))));
    b.extend(parts.gradient.iter().map(|&(i, j, v)| (i, nt + j, Complex64::from(v))));
    b.extend(parts.normal_stiffness.iter().map(|&(i, j, v)| (nt + i, nt + j, Complex64::from(v))));
    b.extend(parts.normal_mass.iter().map(|&(i, j, v)| (nt + i, nt + j, -v * k * k)));
    let shifted: Vec<(usize, usize, Complex64)> =
        a.iter().copied().chain(b.iter().map(|&(i, j, v)| (i, j, -v * sigma))).collect();
    let tangential = SymmetricMatrix::from_entries(nt, &a)?;
    let right = SymmetricMatrix::from_entries(n, &b)?;
    let shifted = SymmetricMatrix::from_entries(n, &shifted)?;
    let own = match analysis.take().filter(|a| a.is_of(shifted.pattern())) {
        Some(known) => known,
        None => Arc::new(Analysis::new(shifted.pattern(), &AnalysisSettings::default())?),
    };
    *analysis = Some(own.clone());
    let solver = Solver::new(&own, shifted, Precision::Double, &Quiet)?;
    let pairs = largest_eigenpairs(n, 24 + 6 * n_modes, |x| {
        Ok(solver.solve(&[right.times(x)], &Quiet)?.columns.swap_remove(0))
    })?;
    let mut found: Vec<(Complex64, Vec<Complex64>)> = pairs
        .into_iter()
        .filter(|p| p.residual < RESIDUAL_MAX)
        .map(|p| (-(sigma + p.value.inv()), p.vector))
        .filter(|(beta2, _)| beta2.re <= k * k * highest * slack)
        .filter(|(_, x)| {
            let size = |x: &[Complex64]| x.iter().map(|v| v.norm_sqr()).sum::<f64>();
            size(&x[..nt]) > TANGENTIAL_MIN.powi(2) * size(x)
        })
        .collect();
    found.sort_by(|a, b| b.0.re.total_cmp(&a.0.re));
    if found.len() < n_modes {
        return Err(VolumeError::Port {
            what: format!(
                "expected {n_modes} modes in the plane of a wave port, found {}; ask for fewer or refine the plane",
                found.len()
            ),
        });
    }
    found.truncate(n_modes);
    let names: Vec<usize> = plane.tangential.keys().copied().collect();
    Ok(found.into_iter().map(|(beta2, x)| scale_mode(beta2, &x[..nt], &tangential, &names, model, space, k)).collect())
}

/// Functional `v = ∫ F · (e_t + ∇e_n)/(ωμ) = −A e_t / (β² ωμ)`, scaled to unit power.
fn scale_mode(
    beta2: Complex64,
    e: &[Complex64],
    tangential: &SymmetricMatrix<Complex64>,
    names: &[usize],
    model: &Model,
    space: &Space,
    k: f64,
) -> Mode {
    let beta = outgoing(beta2.sqrt());
    let omega_mu = k * vacuum_impedance_ohm();
    let v: Vec<Complex64> = tangential.times(e).into_iter().map(|x| -x / (beta2 * omega_mu)).collect();
    let power: Complex64 = e.iter().zip(&v).map(|(e, v)| e * v).sum::<Complex64>() / beta;
    let largest = leading(&v, names, space, &model.mesh);
    let mut scale = power.sqrt().inv();
    if (largest * scale).re < 0.0 {
        scale = -scale;
    }
    Mode {
        beta,
        functional: names.iter().zip(&v).map(|(&r, &v)| (r, v * scale)).collect(),
        field: names.iter().zip(e).map(|(&r, &e)| (r, e * scale / beta)).collect(),
    }
}

/// The value that fixes the sign of a mode: the strongest upright one, or the strongest of all
/// where the upright field is weak; fields count as positive towards +z, +x, +y.
/// Ports that see the same line thus agree.
fn leading(v: &[Complex64], names: &[usize], space: &Space, mesh: &PrismMesh) -> Complex64 {
    const WEAK: f64 = 1e-3;
    let strongest = |upright_only: bool| {
        let chosen = v
            .iter()
            .zip(names)
            .filter(|(_, r)| !upright_only || space.is_upright(**r))
            .map(|(v, &r)| v * space.direction(mesh, r));
        // Equal strengths differ by rounding; the first of them counts.
        chosen.fold(Complex64::default(), |a, b| if b.norm() > a.norm() * (1.0 + 1e-9) { b } else { a })
    };
    let (upright, any) = (strongest(true), strongest(false));
    if upright.norm() > WEAK * any.norm() { upright } else { any }
}

/// The root that decays, or carries power, along the direction of travel.
fn outgoing(beta: Complex64) -> Complex64 {
    let flips = if beta.im.abs() > 1e-12 * beta.norm() { beta.im > 0.0 } else { beta.re < 0.0 };
    if flips { -beta } else { beta }
}

fn parts_permittivity(model: &Model, edges: &[u32], freq_hz: f64) -> f64 {
    let mesh = &model.mesh;
    let prisms = edges.iter().flat_map(|&e| {
        let t = mesh.plan.edge_triangles[e as usize].0 as usize;
        (0..mesh.n_layers()).filter_map(move |l| mesh.medium(t, l))
    });
    prisms.map(|m| model.media[m as usize].relative_permittivity(freq_hz).re).fold(1.0, f64::max)
}

fn is_perfect(face: Face) -> bool {
    match face {
        Face::Open => false,
        Face::Electric => true,
        Face::Surface(_) => false,
    }
}

/// Surface with loss behind a face.
fn lossy_metal(model: &Model, face: Face) -> Option<Surface> {
    let Face::Surface(s) = face else { return None };
    let surface = model.surfaces[s as usize];
    let metal = matches!(
        surface,
        Surface::Conductor { .. }
            | Surface::Sheet { .. }
            | Surface::FoilSum { .. }
            | Surface::FoilEdge { .. }
            | Surface::Given { .. }
    );
    metal.then_some(surface)
}

fn number(model: &Model, space: &Space, edges: &[u32]) -> Plane {
    let mesh = &model.mesh;
    let mut blocked_raw = BTreeSet::new();
    let mut blocked_node = BTreeSet::new();
    let touched: BTreeSet<u32> = edges.iter().flat_map(|&e| mesh.plan.edges[e as usize]).collect();
    for (t, corners) in mesh.plan.triangles.iter().enumerate() {
        if !corners.iter().any(|c| touched.contains(c)) {
            continue;
        }
        for level in 0..mesh.n_levels() {
            if is_perfect(mesh.flat_faces[t * mesh.n_levels() + level]) {
                blocked_raw.extend(space.flat_face(mesh, t, level));
                blocked_node.extend(space.flat_potentials(mesh, t, level));
            }
        }
        for e in mesh.plan.triangle_edges[t] {
            for l in 0..mesh.n_layers() {
                if is_perfect(mesh.upright_faces[e as usize * mesh.n_layers() + l]) {
                    blocked_raw.extend(space.upright_face(mesh, e as usize, l));
                    blocked_node.extend(space.face_potentials(mesh, e as usize, l));
                }
            }
        }
    }
    let mut plane = Plane { tangential: BTreeMap::new(), normal: BTreeMap::new() };
    each_face(model, edges, |e, l, _| {
        for r in space.upright_face(mesh, e, l) {
            if !blocked_raw.contains(&r) && !space.terms(r).is_empty() {
                plane.tangential.insert(r, 0);
            }
        }
        for p in space.face_potentials(mesh, e, l) {
            if !blocked_node.contains(&p) && space.has_potential(mesh, p) {
                plane.normal.insert(p, 0);
            }
        }
    });
    plane.tangential.values_mut().enumerate().for_each(|(k, v)| *v = k);
    plane.normal.values_mut().enumerate().for_each(|(k, v)| *v = k);
    plane
}

/// Calls `f(edge, layer, medium)` for the faces of the plane that touch matter.
fn each_face(model: &Model, edges: &[u32], mut f: impl FnMut(usize, usize, u16)) {
    let mesh = &model.mesh;
    for &e in edges {
        let t = mesh.plan.edge_triangles[e as usize].0 as usize;
        for l in 0..mesh.n_layers() {
            if let Some(medium) = mesh.medium(t, l)
                && mesh.upright_faces[e as usize * mesh.n_layers() + l] == Face::Open
            {
                f(e as usize, l, medium);
            }
        }
    }
}

fn assemble(model: &Model, space: &Space, edges: &[u32], plane: &Plane, freq_hz: f64) -> Parts {
    let mesh = &model.mesh;
    let mut parts = Parts::default();
    let order = space.order;
    each_face(model, edges, |e, l, medium| {
        let s = IntervalMatrices::new(mesh.plan.edge_length(e));
        let z = IntervalMatrices::new(mesh.height(l));
        let eps = model.media[medium as usize].relative_permittivity(freq_hz);
        let t: Vec<Option<usize>> =
            space.upright_face(mesh, e, l).iter().map(|r| plane.tangential.get(r).copied()).collect();
        let n: Vec<Option<usize>> =
            space.face_potentials(mesh, e, l).iter().map(|p| plane.normal.get(p).copied()).collect();
        face_parts(&s, &z, eps, order, &t, &n, &mut parts);
    });
    rim_parts(model, space, edges, plane, freq_hz, &mut parts);
    parts
}

/// Adds the surface impedance along the rim of metal that the plane cuts.
fn rim_parts(model: &Model, space: &Space, edges: &[u32], plane: &Plane, freq_hz: f64, parts: &mut Parts) {
    let mesh = &model.mesh;
    let c = Complex64::new(0.0, wavenumber(freq_hz) * vacuum_impedance_ohm());
    let mut add = |factor: Complex64, raws: Vec<usize>, nodes: Vec<usize>, line: &IntervalMatrices, joined: Joined| {
        let t: Vec<Option<usize>> = raws.iter().map(|r| plane.tangential.get(r).copied()).collect();
        let n: Vec<Option<usize>> = nodes.iter().map(|p| plane.normal.get(p).copied()).collect();
        // Functions of the lower line, then of the upper one where both are joined.
        let one = |n: usize| if joined == Joined::Alone { n.max(1) } else { n / 2 };
        let weight = |k: usize, m: usize, n: usize| match joined {
            Joined::Alone => 1.0,
            Joined::Difference if (k < n) != (m < n) => -0.5,
            _ => 0.5,
        };
        let (nt, nn) = (one(t.len()), one(n.len()));
        each_pair(&t, |k, m, i, j| {
            parts.rim.push((i, j, factor * (weight(k, m, nt) * line.flat_mass.0[k % nt][m % nt])));
        });
        each_pair(&n, |k, m, i, j| {
            parts.rim_normal.push((i, j, factor * (weight(k, m, nn) * line.mass.0[k % nn][m % nn])));
        });
    };
    let own: BTreeSet<u32> = edges.iter().copied().collect();
    for &e in edges {
        let e = e as usize;
        let t = mesh.plan.edge_triangles[e].0 as usize;
        let line = IntervalMatrices::new(mesh.plan.edge_length(e));
        for level in 0..mesh.n_levels() {
            if lossy_metal(model, mesh.flat_faces[t * mesh.n_levels() + level]).is_none() {
                continue;
            }
            for (s, [low, high], joined) in flat_terms(model, t, level) {
                let mut raws = space.level_line(e, low);
                let mut nodes = space.level_line_potentials(mesh, e, low);
                if joined != Joined::Alone {
                    raws.extend(space.level_line(e, high));
                    nodes.extend(space.level_line_potentials(mesh, e, high));
                }
                add(c * model.surfaces[s].admittance_s(freq_hz), raws, nodes, &line, joined);
            }
        }
    }
    // An upright rim is where a side of metal that leads into the volume meets the plane.
    let touched: BTreeSet<u32> = edges.iter().flat_map(|&e| mesh.plan.edges[e as usize]).collect();
    let mut seen: BTreeSet<(u32, usize)> = BTreeSet::new();
    for (e, ends) in mesh.plan.edges.iter().enumerate().filter(|(e, _)| !own.contains(&(*e as u32))) {
        for &v in ends.iter().filter(|v| touched.contains(v)) {
            for l in 0..mesh.n_layers() {
                let Some(s) = lossy_metal(model, mesh.upright_faces[e * mesh.n_layers() + l]) else { continue };
                // Upright fields of a foil's side meet the surface behind it.
                let up = if let (Surface::FoilEdge { .. }, Face::Surface(k)) =
                    (s, mesh.upright_faces[e * mesh.n_layers() + l])
                {
                    model.surfaces[usize::from(k) + 1]
                } else {
                    s
                };
                if seen.insert((v, l)) {
                    let nodes = space.upright_line_potentials(v as usize, l);
                    let raws = space.upright_line(v as usize, l);
                    let line = IntervalMatrices::new(mesh.height(l));
                    add(c * up.admittance_s(freq_hz), raws, vec![], &line, Joined::Alone);
                    add(c * s.admittance_s(freq_hz), vec![], nodes, &line, Joined::Alone);
                }
            }
        }
    }
}

/// Calls `f(k, m, i, j)` for the numbered pairs with `i ≥ j`.
fn each_pair(numbers: &[Option<usize>], mut f: impl FnMut(usize, usize, usize, usize)) {
    for (k, &i) in numbers.iter().enumerate() {
        for (m, &j) in numbers.iter().enumerate() {
            if let (Some(i), Some(j)) = (i, j)
                && j <= i
            {
                f(k, m, i, j);
            }
        }
    }
}

/// Adds one face; each symmetric pair is given once (`i ≥ j`).
fn face_parts(
    s: &IntervalMatrices,
    z: &IntervalMatrices,
    eps: Complex64,
    order: Order,
    t: &[Option<usize>],
    n: &[Option<usize>],
    parts: &mut Parts,
) {
    let (nu, nf) = (order.n_up(), order.n_flat());
    let first = nf * nu;
    // Function k of the plane: along the edge (flat c, up a) or upright (node v, flat b).
    let split = |k: usize| if k < first { (true, k / nu, k % nu) } else { (false, (k - first) / nf, (k - first) % nf) };
    for (k, &i) in t.iter().enumerate() {
        let Some(i) = i else { continue };
        let (along, c, a) = split(k);
        for (m, &j) in t.iter().enumerate() {
            let Some(j) = j.filter(|&j| j <= i) else { continue };
            let (other_along, d, b) = split(m);
            let (curl, mass) = match (along, other_along) {
                (true, true) => (s.flat_mass.0[c][d] * z.stiffness.0[a][b], s.flat_mass.0[c][d] * z.mass.0[a][b]),
                (false, false) => (s.stiffness.0[c][d] * z.flat_mass.0[a][b], s.mass.0[c][d] * z.flat_mass.0[a][b]),
                (true, false) => (-s.coupling.0[d][c] * z.coupling.0[a][b], 0.0),
                (false, true) => (-s.coupling.0[c][d] * z.coupling.0[b][a], 0.0),
            };
            parts.curl.push((i, j, curl));
            if mass != 0.0 {
                parts.mass.push((i, j, mass));
                parts.mass_loaded.push((i, j, eps * mass));
            }
        }
        for (m, &j) in n.iter().enumerate() {
            let Some(j) = j else { continue };
            let (v, w) = (m / nu, m % nu);
            let g = if along { s.coupling.0[v][c] * z.mass.0[a][w] } else { s.mass.0[c][v] * z.coupling.0[w][a] };
            parts.gradient.push((i, j, g));
        }
    }
    for (k, &i) in n.iter().enumerate() {
        let Some(i) = i else { continue };
        let (v, a) = (k / nu, k % nu);
        for (m, &j) in n.iter().enumerate() {
            let Some(j) = j.filter(|&j| j <= i) else { continue };
            let (w, b) = (m / nu, m % nu);
            let stiffness = s.stiffness.0[v][w] * z.mass.0[a][b] + s.mass.0[v][w] * z.stiffness.0[a][b];
            parts.normal_stiffness.push((i, j, stiffness));
            parts.normal_mass.push((i, j, eps * s.mass.0[v][w] * z.mass.0[a][b]));
        }
    }
}
