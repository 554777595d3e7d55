//! From a varied description to the motion of the mesh and the change of the equations.
//!
//! Edges of metal carry the points of the plan that lie on them; where edges of two layers cross, the crossing moves
//! so that it stays on both. Levels move with the heights of the description. All other points follow smoothly,
//! nearly rigidly close to the edges.

use crate::builder::Builder;
use crate::derivative::{element_size, moved_corners, moved_height, moved_length};
use crate::element::{IntervalMatrices, PrismMatrices, TriangleMatrices};
use crate::foil::{FacePlace, face_terms};
use crate::model::{Model, PortShape, PrismMesh};
use crate::modes::plane_changes;
use crate::plan::PlanMesh;
use crate::reduced::{FullChange, PortChange, PortSource, Reduced};
use crate::structure::Variation;
use crate::system::{Entries, LocalMap, System, flat_mass, upright_mass};
use crate::{Port, Volume, VolumeError, port_inductance_h};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Relative step of the differences within one element; the third-order term stays below 1e-10.
const STEP: f64 = 1e-4;
/// Largest motion of a mesh, as a share of its smallest cell, by which a port plane or the reduced equations move.
const SMALL: f64 = 1e-3;
/// Sine of the angle between two edges below which they count as parallel.
const PARALLEL: f64 = 1e-6;

/// Motion of a mesh per unit of a variable.
#[derive(Debug, Clone)]
pub(crate) struct MeshMotion {
    pub points: Vec<[f64; 2]>,
    pub levels: Vec<f64>,
    /// Length of edges that could not be followed, metre.
    pub left_out_m: f64,
}

/// One edge of the description that moves: ends and their motion per unit.
struct Edge {
    ends: [[f64; 2]; 2],
    motion: [[f64; 2]; 2],
}

impl Edge {
    fn normal(&self) -> [f64; 2] {
        let [a, b] = self.ends;
        let length = (b[0] - a[0]).hypot(b[1] - a[1]);
        [(a[1] - b[1]) / length, (b[0] - a[0]) / length]
    }

    /// Share along the edge of a point on it.
    fn share(&self, p: [f64; 2], tolerance: f64) -> Option<f64> {
        let [a, b] = self.ends;
        let d = [b[0] - a[0], b[1] - a[1]];
        let length = d[0].hypot(d[1]);
        let along = ((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / length;
        let across = ((p[0] - a[0]) * d[1] - (p[1] - a[1]) * d[0]).abs() / length;
        let on = across <= tolerance && along >= -tolerance && along <= length + tolerance;
        on.then(|| (along / length).clamp(0.0, 1.0))
    }

    fn motion_at(&self, s: f64) -> [f64; 2] {
        [0, 1].map(|d| self.motion[0][d] + s * (self.motion[1][d] - self.motion[0][d]))
    }
}

/// Checks that a variation belongs to a volume.
pub(crate) fn check(base: &Volume, variation: &Variation) -> Result<(), VolumeError> {
    let bad = |expected: &str| {
        Err(VolumeError::Mesh {
            what: format!(
                "variation `{}`: expected {expected}; draw it with the same shapes in the same order",
                variation.name
            ),
        })
    };
    let then = &variation.volume;
    if !(variation.step != 0.0 && variation.step.is_finite()) {
        return bad("a step other than zero");
    }
    if base.x_m != then.x_m || base.y_m != then.y_m {
        return bad("the same box");
    }
    let corners = |v: &Volume| -> Vec<usize> {
        v.conductors.iter().map(|c| c.polygon.len()).chain(v.blocks.iter().map(|b| b.polygon.len())).collect()
    };
    if base.layers.len() != then.layers.len() || corners(base) != corners(then) || base.walls.len() != then.walls.len()
    {
        return bad("the same layers, conductors and corners");
    }
    heights(base, then, variation.step).map(|_| ())
}

/// Heights of a description and their motion per unit, rising.
fn heights(base: &Volume, then: &Volume, step: f64) -> Result<Vec<(f64, f64)>, VolumeError> {
    let list = |v: &Volume| -> Vec<f64> {
        let mut z = vec![0.0];
        for layer in &v.layers {
            z.push(z[z.len() - 1] + layer.thickness_m);
        }
        z.extend(v.blocks.iter().flat_map(|b| b.z_m));
        z.extend(v.conductors.iter().flat_map(|c| c.z_m));
        for port in &v.ports {
            match port {
                Port::Flat { z_m, .. } => z.push(*z_m),
                Port::Upright { z_m, .. } => z.extend(z_m),
                Port::Wave { .. } => {}
            }
        }
        z
    };
    let mut out: Vec<(f64, f64)> = list(base).into_iter().zip(list(then)).map(|(a, b)| (a, (b - a) / step)).collect();
    out.sort_by(|a, b| a.0.total_cmp(&b.0));
    let tolerance = 1e-9 * base.height_m();
    let largest = out.iter().map(|m| m.1.abs()).fold(0.0, f64::max);
    for pair in out.windows(2) {
        if pair[1].0 - pair[0].0 <= tolerance && (pair[1].1 - pair[0].1).abs() > 1e-3 * largest {
            return Err(VolumeError::Mesh {
                what: format!(
                    "two faces at height {} m move differently ({} and {} per unit); vary them together",
                    pair[0].0, pair[0].1, pair[1].1
                ),
            });
        }
    }
    out.dedup_by(|b, a| b.0 - a.0 <= tolerance);
    Ok(out)
}

impl MeshMotion {
    /// Motion of the mesh of `base` towards `variation`, per unit.
    pub(crate) fn new(mesh: &PrismMesh, base: &Volume, variation: &Variation) -> Result<Self, VolumeError> {
        let (then, step) = (&variation.volume, variation.step);
        let marks = heights(base, then, step)?;
        let levels = mesh
            .levels_m
            .iter()
            .map(|&z| {
                let k = marks.partition_point(|m| m.0 < z).clamp(1, marks.len() - 1);
                let (a, b) = (marks[k - 1], marks[k]);
                a.1 + (b.1 - a.1) * ((z - a.0) / (b.0 - a.0)).clamp(0.0, 1.0)
            })
            .collect();
        let edges = edges(base, then, step);
        let moves = edges.iter().any(|e| e.motion.iter().flatten().any(|m| *m != 0.0));
        if !moves {
            return Ok(Self { points: Vec::new(), levels, left_out_m: 0.0 });
        }
        let tolerance = 1e-9 * (base.x_m[1] - base.x_m[0]).max(base.y_m[1] - base.y_m[0]);
        let known: Vec<Option<[f64; 2]>> =
            mesh.plan.points.iter().map(|&p| known_motion(p, base, &edges, tolerance)).collect();
        Ok(Self { points: spread(&mesh.plan, &known), levels, left_out_m: left_out(&edges, tolerance) })
    }

    fn speed(&self) -> f64 {
        self.points.iter().map(|m| m[0].hypot(m[1])).fold(0.0, f64::max)
    }

    fn rise(&self) -> f64 {
        self.levels.iter().map(|l| l.abs()).fold(0.0, f64::max)
    }

    /// A change of the variable that moves nothing by more than a small share of a cell.
    fn small(&self, mesh: &PrismMesh) -> f64 {
        let plan = &mesh.plan;
        let across = (0..plan.triangles.len())
            .map(|t| 2.0 * crate::plan::area(plan.corners(t)).abs() / element_size(plan, t).1)
            .fold(f64::MAX, f64::min);
        let height = (0..mesh.n_layers()).map(|l| mesh.height(l)).fold(f64::MAX, f64::min);
        let limit = |size: f64, speed: f64| if speed > 0.0 { SMALL * size / speed } else { f64::INFINITY };
        limit(across, self.speed()).min(limit(height, self.rise()))
    }

    fn moved(&self, mesh: &PrismMesh, by: f64) -> PrismMesh {
        let mut mesh = mesh.clone();
        mesh.plan.points.iter_mut().zip(&self.points).for_each(|(p, m)| *p = [p[0] + by * m[0], p[1] + by * m[1]]);
        mesh.levels_m.iter_mut().zip(&self.levels).for_each(|(z, m)| *z += by * m);
        mesh
    }
}

fn edges(base: &Volume, then: &Volume, step: f64) -> Vec<Edge> {
    let polygons = |v: &Volume| -> Vec<Vec<[f64; 2]>> {
        v.conductors.iter().map(|c| c.polygon.clone()).chain(v.blocks.iter().map(|b| b.polygon.clone())).collect()
    };
    let mut out = Vec::new();
    for (a, b) in polygons(base).into_iter().zip(polygons(then)) {
        let motion: Vec<[f64; 2]> =
            a.iter().zip(&b).map(|(p, q)| [(q[0] - p[0]) / step, (q[1] - p[1]) / step]).collect();
        let n = a.len();
        out.extend(
            (0..n)
                .filter(|&k| a[k] != a[(k + 1) % n])
                .map(|k| Edge { ends: [a[k], a[(k + 1) % n]], motion: [motion[k], motion[(k + 1) % n]] }),
        );
    }
    // Differences of drawn coordinates carry rounding.
    let largest = out.iter().flat_map(|e| e.motion).flatten().map(f64::abs).fold(0.0, f64::max);
    out.iter_mut()
        .flat_map(|e| e.motion.iter_mut().flatten())
        .filter(|m| m.abs() < 1e-5 * largest)
        .for_each(|m| *m = 0.0);
    out
}

/// Motion of a point on edges: it stays on all of them. Points of the rim stay on the rim.
fn known_motion(p: [f64; 2], base: &Volume, edges: &[Edge], tolerance: f64) -> Option<[f64; 2]> {
    // Normal, wanted normal motion, and the whole motion.
    let mut wanted: Vec<([f64; 2], Vec<f64>, [f64; 2])> = Vec::new();
    for (d, limits) in [base.x_m, base.y_m].into_iter().enumerate() {
        if limits.iter().any(|l| (p[d] - l).abs() <= tolerance) {
            wanted.push((if d == 0 { [1.0, 0.0] } else { [0.0, 1.0] }, vec![0.0], [0.0; 2]));
        }
    }
    let n_rim = wanted.len();
    for edge in edges {
        let Some(s) = edge.share(p, tolerance) else { continue };
        let (n, m) = (edge.normal(), edge.motion_at(s));
        let along = m[0] * n[0] + m[1] * n[1];
        match wanted.iter().position(|w| (w.0[0] * n[1] - w.0[1] * n[0]).abs() < PARALLEL) {
            Some(k) if k < n_rim => {}
            Some(k) => {
                let sense = (wanted[k].0[0] * n[0] + wanted[k].0[1] * n[1]).signum();
                wanted[k].1.push(sense * along);
                if m[0].hypot(m[1]) > wanted[k].2[0].hypot(wanted[k].2[1]) {
                    wanted[k].2 = m;
                }
            }
            None => wanted.push((n, vec![along], m)),
        }
    }
    let mean = |list: &[f64]| {
        // One edge drawn several times counts once.
        let mut list = list.to_vec();
        list.sort_by(f64::total_cmp);
        list.dedup_by(|a, b| (*a - *b).abs() <= 1e-9 * a.abs().max(b.abs()));
        list.iter().sum::<f64>() / list.len() as f64
    };
    match &wanted[..] {
        [] => None,
        [(n, list, m)] => {
            let d = mean(list) - (m[0] * n[0] + m[1] * n[1]);
            // On the rim the point may slide; it follows its surroundings well enough when it stays.
            Some([m[0] + d * n[0], m[1] + d * n[1]])
        }
        [(n1, l1, _), (n2, l2, _), ..] => {
            let det = n1[0] * n2[1] - n1[1] * n2[0];
            let (d1, d2) = (mean(l1), mean(l2));
            Some([(d1 * n2[1] - d2 * n1[1]) / det, (d2 * n1[0] - d1 * n2[0]) / det])
        }
    }
}

/// Length over which two edges lie on one line and move apart.
fn left_out(edges: &[Edge], tolerance: f64) -> f64 {
    let largest = edges.iter().flat_map(|e| e.motion).map(|m| m[0].hypot(m[1])).fold(0.0, f64::max);
    let mut sum = 0.0;
    for (k, a) in edges.iter().enumerate() {
        for b in &edges[..k] {
            let (n, nb) = (a.normal(), b.normal());
            if (n[0] * nb[1] - n[1] * nb[0]).abs() > PARALLEL {
                continue;
            }
            let off = |p: [f64; 2]| ((p[0] - a.ends[0][0]) * n[0] + (p[1] - a.ends[0][1]) * n[1]).abs();
            if off(b.ends[0]) > tolerance || off(b.ends[1]) > tolerance {
                continue;
            }
            let t = |p: [f64; 2]| p[1] * n[0] - p[0] * n[1];
            let span = |e: &Edge| {
                let (u, v) = (t(e.ends[0]), t(e.ends[1]));
                [u.min(v), u.max(v)]
            };
            let (u, v) = (span(a), span(b));
            let overlap = u[1].min(v[1]) - u[0].max(v[0]);
            let normal = |e: &Edge| {
                let m = e.motion_at(0.5);
                m[0] * n[0] + m[1] * n[1]
            };
            if overlap > tolerance && (normal(a) - normal(b)).abs() > 1e-3 * largest {
                sum += overlap;
            }
        }
    }
    sum
}

/// Motion of all points where some are known: each free point moves as the mean of its neighbours, near ones first.
fn spread(plan: &PlanMesh, known: &[Option<[f64; 2]>]) -> Vec<[f64; 2]> {
    const SWEEPS: usize = 3000;
    let mut neighbours: Vec<Vec<(u32, f64)>> = vec![Vec::new(); plan.points.len()];
    for (e, [a, b]) in plan.edges.iter().enumerate() {
        let weight = 1.0 / plan.edge_length(e);
        neighbours[*a as usize].push((*b, weight));
        neighbours[*b as usize].push((*a, weight));
    }
    let mut out: Vec<[f64; 2]> = known.iter().map(|f| f.unwrap_or_default()).collect();
    let largest = out.iter().map(|m| m[0].hypot(m[1])).fold(0.0, f64::max);
    for _ in 0..SWEEPS {
        let mut change = 0.0_f64;
        for v in (0..out.len()).filter(|&v| known[v].is_none()) {
            let total: f64 = neighbours[v].iter().map(|n| n.1).sum();
            let mean = [0, 1].map(|d| neighbours[v].iter().map(|&(u, w)| w * out[u as usize][d]).sum::<f64>() / total);
            change = change.max((mean[0] - out[v][0]).abs().max((mean[1] - out[v][1]).abs()));
            out[v] = mean;
        }
        // Any smooth spread gives the same derivative.
        if change < 1e-5 * largest {
            break;
        }
    }
    out
}

/// Change of the full equations along a variation.
pub(crate) fn full_change(
    system: &System,
    reduced: &Reduced,
    base: &Volume,
    variation: &Variation,
) -> Result<(FullChange, f64), VolumeError> {
    let mesh = &system.model.mesh;
    let motion = MeshMotion::new(mesh, base, variation)?;
    let (media_then, surfaces_then) = materials_then(&system.model, base, &variation.volume)?;
    let small = motion.small(mesh).min(variation.step.abs());
    let mut change = FullChange {
        stiffness: prism_changes(system, &motion, None),
        media: (0..system.model.media.len() as u16).map(|m| prism_changes(system, &motion, Some(m))).collect(),
        surfaces: surface_changes(system, &motion),
        ports: Vec::new(),
        inductance_h: inductance_change(base, variation),
        media_then,
        surfaces_then,
        step: variation.step,
        small,
    };
    for (idx, port) in system.ports.iter().enumerate() {
        let shape = &system.model.ports[port.shape_idx];
        change.ports.push(match (shape, reduced.source(idx)) {
            (PortShape::Sheet { .. }, _) => system
                .sheet_functional_change(port.shape_idx, &motion.points, &motion.levels)
                .map_or(PortChange::Still, PortChange::Sheet),
            (PortShape::Wave { edges, path, .. }, source) => {
                if !plane_changes(&system.model, edges, &motion.points, &motion.levels, &change.media_then, &change.surfaces_then) {
                    PortChange::Still
                } else if let PortSource::Table(table) = source {
                    let at = |by: f64| -> Result<Arc<crate::mode_table::ModeTable>, VolumeError> {
                        let mut model = Model::clone(&system.model);
                        model.mesh = motion.moved(mesh, by);
                        let share = by / variation.step;
                        model.media.iter_mut().zip(&change.media_then).for_each(|(m, t)| *m = m.towards(t, share));
                        model.surfaces.iter_mut().zip(&change.surfaces_then).for_each(|(m, t)| *m = m.towards(t, share));
                        Ok(Arc::new(table.alike(&model, &system.space, edges, path.as_ref())?))
                    };
                    PortChange::Wave(at(small)?, at(-small)?, small)
                } else {
                    return Err(VolumeError::Port {
                        what: format!(
                            "variation `{}` changes the plane of wave port {}, whose mode is not smooth over the band; use a sheet port there",
                            variation.name,
                            idx + 1
                        ),
                    });
                }
            }
        });
    }
    Ok((change, motion.left_out_m))
}

/// Change per unit of the inductance that the sheet of each port brings.
fn inductance_change(base: &Volume, variation: &Variation) -> Vec<f64> {
    let then = &variation.volume;
    let change = |(a, b): (&Port, &Port)| (port_inductance_h(then, b) - port_inductance_h(base, a)) / variation.step;
    base.ports.iter().zip(&then.ports).map(change).collect()
}

/// Materials and surfaces of the varied description, one for each of the model.
fn materials_then(
    model: &Model,
    base: &Volume,
    then: &Volume,
) -> Result<(Vec<crate::Medium>, Vec<crate::Surface>), VolumeError> {
    let lists = |v: &Volume| -> Result<_, VolumeError> {
        let plan = PlanMesh::grid(&v.x_m, &v.y_m)?;
        let mut z: Vec<f64> = v
            .layers
            .iter()
            .scan(0.0, |s, l| {
                *s += l.thickness_m;
                Some(*s)
            })
            .collect();
        z.insert(0, 0.0);
        let mut builder = Builder::new(v, PrismMesh::new(plan, z));
        builder.fill();
        builder.walls();
        builder.conductors();
        Ok((builder.media, builder.requests))
    };
    let ((media, requests), (media_then, requests_then)) = (lists(base)?, lists(then)?);
    let same =
        media.len() == media_then.len() && requests.len() == requests_then.len() && media.len() == model.media.len();
    if !same {
        return Err(VolumeError::Mesh { what: "expected a variation with the same materials, found others".into() });
    }
    let surfaces = (0..model.surfaces.len())
        .map(|s| {
            let first = requests.iter().position(|r| usize::from(r.1) == s);
            first.map_or(model.surfaces[s], |k| requests_then[k].0)
        })
        .collect();
    Ok((media_then, surfaces))
}

/// Change per unit of the curl-curl matrix (`None`) or of the mass of one medium.
fn prism_changes(system: &System, motion: &MeshMotion, medium: Option<u16>) -> Entries {
    let mesh = &system.model.mesh;
    let mut out = vec![0.0; system.pattern.n_entries()];
    for t in 0..mesh.plan.triangles.len() {
        let moved = mesh.plan.triangles[t]
            .iter()
            .filter_map(|&v| motion.points.get(v as usize))
            .map(|m| m[0].hypot(m[1]))
            .fold(0.0, f64::max);
        let (shortest, _) = element_size(&mesh.plan, t);
        for l in 0..mesh.n_layers() {
            let Some(own) = mesh.medium(t, l).filter(|m| medium.is_none_or(|w| w == *m)) else { continue };
            debug_assert!(medium.is_none_or(|w| w == own));
            let rise = (motion.levels[l + 1] - motion.levels[l]).abs();
            let limit = |size: f64, speed: f64| if speed > 0.0 { STEP * size / speed } else { f64::INFINITY };
            let step = limit(shortest, moved).min(limit(mesh.height(l), rise));
            if step.is_infinite() {
                continue;
            }
            let at = |s: f64| {
                let plane = TriangleMatrices::new(moved_corners(&mesh.plan, &motion.points, t, s));
                let z = IntervalMatrices::new(moved_height(mesh, &motion.levels, l, s));
                PrismMatrices::new(&plane, &z, system.space.order)
            };
            let (plus, minus) = (at(step), at(-step));
            let pick = |m: PrismMatrices| if medium.is_none() { m.curl_curl } else { m.mass };
            let n = plus.n;
            let (plus, minus) = (pick(plus), pick(minus));
            let d: Vec<f64> = plus.iter().zip(&minus).map(|(a, b)| (a - b) / (2.0 * step)).collect();
            let map = LocalMap::new(&system.space, &system.space.prism(mesh, t, l));
            let map = if medium.is_none() { map.without_potentials() } else { map };
            map.scatter_into(&system.pattern, &d, n, |k, v| out[k as usize] += v);
        }
    }
    out.into_iter().enumerate().filter(|(_, v)| *v != 0.0).map(|(k, v)| (k as u32, v)).collect()
}

/// Change per unit of the tangential mass of every surface.
fn surface_changes(system: &System, motion: &MeshMotion) -> Vec<Entries> {
    let mesh = &system.model.mesh;
    let order = system.space.order;
    let mut out: Vec<BTreeMap<u32, f64>> = vec![BTreeMap::new(); system.model.surfaces.len()];
    let speed = |vertices: &[u32]| {
        vertices.iter().filter_map(|&v| motion.points.get(v as usize)).map(|m| m[0].hypot(m[1])).fold(0.0, f64::max)
    };
    let limit = |size: f64, speed: f64| if speed > 0.0 { STEP * size / speed } else { f64::INFINITY };
    for term in face_terms(&system.model, &system.space) {
        let step = match term.place {
            FacePlace::Flat(t) => limit(element_size(&mesh.plan, t).0, speed(&mesh.plan.triangles[t])),
            FacePlace::Upright(e, l) => {
                let rise = (motion.levels[l + 1] - motion.levels[l]).abs();
                let along = limit(mesh.plan.edge_length(e), speed(&mesh.plan.edges[e]));
                along.min(limit(mesh.height(l), rise))
            }
        };
        if step.is_infinite() {
            continue;
        }
        let [plus, minus] = [step, -step].map(|s| match term.place {
            FacePlace::Flat(t) => flat_mass(moved_corners(&mesh.plan, &motion.points, t, s), order).0,
            FacePlace::Upright(e, l) => upright_mass(
                moved_length(&mesh.plan, &motion.points, e, s),
                moved_height(mesh, &motion.levels, l, s),
                order,
            ),
        });
        let d: Vec<f64> = plus.iter().zip(&minus).map(|(a, b)| (a - b) / (2.0 * step)).collect();
        let d = term.joined.spread(&d, d.len().isqrt());
        let list = &mut out[term.surface];
        let map = term.map(&system.space);
        map.scatter_into(&system.pattern, &d, term.raws.len(), |k, v| *list.entry(k).or_default() += v);
    }
    out.into_iter().map(|m| m.into_iter().collect()).collect()
}
