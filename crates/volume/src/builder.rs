//! From a description and an empty mesh to media, marked faces and port shapes.

use crate::describe::{Conductor, Metal, Pad, Port, Side, Volume, Wall};
use crate::model::{Face, Medium, PortShape, PrismMesh, Surface, UprightPath};
use crate::{PlanMesh, VolumeError};

/// Group of the surfaces of walls.
const WALL: [f64; 2] = [f64::NEG_INFINITY, f64::INFINITY];

/// Fills a mesh step by step.
pub(crate) struct Builder<'a> {
    volume: &'a Volume,
    pub mesh: PrismMesh,
    pub media: Vec<Medium>,
    pub surfaces: Vec<Surface>,
    pub ports: Vec<PortShape>,
    /// Every surface asked for, in order, and its number.
    pub requests: Vec<(Surface, u16)>,
    /// Height range of the conductor behind each surface: metals of different layers stay apart.
    groups: Vec<[f64; 2]>,
    tolerance: f64,
}

impl<'a> Builder<'a> {
    pub(crate) fn new(volume: &'a Volume, mesh: PrismMesh) -> Self {
        let tolerance = 1e-7 * volume.height_m();
        Self {
            volume,
            mesh,
            media: Vec::new(),
            surfaces: Vec::new(),
            ports: Vec::new(),
            requests: Vec::new(),
            groups: Vec::new(),
            tolerance,
        }
    }

    fn medium(&mut self, medium: Medium) -> u16 {
        // Equal media of different bodies stay apart: one of them may be varied.
        self.media.push(medium);
        self.media.len() as u16 - 1
    }

    fn surface(&mut self, surface: Surface, group: [f64; 2]) -> Face {
        let same = |k: &usize| self.surfaces[*k] == surface && self.groups[*k] == group;
        let k = (0..self.surfaces.len()).find(same).unwrap_or_else(|| {
            self.surfaces.push(surface);
            self.groups.push(group);
            self.surfaces.len() - 1
        });
        self.requests.push((surface, k as u16));
        Face::Surface(k as u16)
    }

    /// Marks of the faces and of the sides of a foil, whose surfaces stand one behind the other.
    fn foil(&mut self, conductivity_s_per_m: f64, thickness_m: f64, roughness_m: f64, group: [f64; 2]) -> [Face; 2] {
        let all = [
            Surface::FoilSum { conductivity_s_per_m, thickness_m, roughness_m },
            Surface::FoilDifference { conductivity_s_per_m, thickness_m, roughness_m },
            Surface::FoilAlone { conductivity_s_per_m, thickness_m, roughness_m },
            Surface::FoilEdge { conductivity_s_per_m, thickness_m, roughness_m },
            Surface::Conductor { conductivity_s_per_m, thickness_m, roughness_m },
        ];
        let same = |k: &usize| self.surfaces[*k] == all[0] && self.groups[*k] == group;
        let first = (0..self.surfaces.len()).find(same).unwrap_or_else(|| {
            self.surfaces.extend(all);
            self.groups.extend([group; 5]);
            self.surfaces.len() - all.len()
        });
        self.requests.extend(all.into_iter().zip(first as u16..));
        [Face::Surface(first as u16), Face::Surface(first as u16 + 3)]
    }

    fn triangles_in(&self, polygon: &[[f64; 2]]) -> Vec<usize> {
        (0..self.mesh.plan.triangles.len()).filter(|&t| inside(polygon, self.mesh.plan.centre(t))).collect()
    }

    /// Layers whose middle lies between two heights.
    fn layers_in(&self, z: [f64; 2]) -> Vec<usize> {
        let levels = &self.mesh.levels_m;
        (0..self.mesh.n_layers())
            .filter(|&l| {
                let middle = (levels[l] + levels[l + 1]) / 2.0;
                middle > z[0] && middle < z[1]
            })
            .collect()
    }

    fn level_at(&self, z: f64) -> Option<usize> {
        self.mesh.levels_m.iter().position(|&l| (l - z).abs() <= self.tolerance)
    }

    fn set(&mut self, polygon: Option<&[[f64; 2]]>, z: [f64; 2], medium: Option<u16>) {
        let triangles = match polygon {
            Some(p) => self.triangles_in(p),
            None => (0..self.mesh.plan.triangles.len()).collect(),
        };
        let n = self.mesh.n_layers();
        for l in self.layers_in(z) {
            triangles.iter().for_each(|&t| self.mesh.media[t * n + l] = medium);
        }
    }

    pub(crate) fn fill(&mut self) {
        let mut z = 0.0;
        for layer in &self.volume.layers {
            let k = self.medium(layer.medium);
            self.set(None, [z, z + layer.thickness_m], Some(k));
            z += layer.thickness_m;
        }
        for block in &self.volume.blocks {
            let k = self.medium(block.medium);
            self.set(Some(&block.polygon), block.z_m, Some(k));
        }
    }

    pub(crate) fn walls(&mut self) {
        let sides = [Side::XMin, Side::XMax, Side::YMin, Side::YMax, Side::Bottom, Side::Top];
        for (side, wall) in sides.into_iter().zip(self.volume.walls) {
            match wall {
                Wall::Electric => self.mark_side(side, Face::Electric),
                Wall::Magnetic => self.mark_side(side, Face::Open),
                Wall::Metal { conductivity_s_per_m } => {
                    let thick =
                        Surface::Conductor { conductivity_s_per_m, thickness_m: f64::INFINITY, roughness_m: 0.0 };
                    let face = self.surface(thick, WALL);
                    self.mark_side(side, face);
                }
                Wall::Plate { conductivity_s_per_m, thickness_m, roughness_m } => {
                    // Field on one face only is the half of a plate of twice the thickness.
                    let half = Surface::Conductor { conductivity_s_per_m, thickness_m: 2.0 * thickness_m, roughness_m };
                    let face = self.surface(half, WALL);
                    self.mark_side(side, face);
                }
                Wall::Absorbing => self.absorb(side),
            }
        }
    }

    fn mark_side(&mut self, side: Side, face: Face) {
        self.mesh.mark_rim_where(face, |_, n| toward(side, n));
    }

    /// Absorbing faces carry the medium they touch.
    fn absorb(&mut self, side: Side) {
        for (k, medium) in self.media.clone().into_iter().enumerate() {
            let face = self.surface(Surface::Absorbing { medium }, [k as f64; 2]);
            let wanted = Some(k as u16);
            let mesh = &mut self.mesh;
            let (n_layers, n_levels) = (mesh.n_layers(), mesh.n_levels());
            match side {
                Side::Bottom | Side::Top => {
                    let (level, l) = if side == Side::Top { (n_levels - 1, n_layers - 1) } else { (0, 0) };
                    for t in 0..mesh.plan.triangles.len() {
                        if mesh.medium(t, l) == wanted {
                            mesh.flat_faces[t * n_levels + level] = face;
                        }
                    }
                }
                _ => {
                    for e in 0..mesh.plan.edges.len() {
                        let (t, None) = mesh.plan.edge_triangles[e] else { continue };
                        let n = mesh.outward(e, t as usize);
                        for l in 0..n_layers {
                            if toward(side, [n[0], n[1], 0.0]) && mesh.medium(t as usize, l) == wanted {
                                mesh.upright_faces[e * n_layers + l] = face;
                            }
                        }
                    }
                }
            }
        }
    }

    pub(crate) fn conductors(&mut self) {
        for conductor in &self.volume.conductors {
            let [low, high] = conductor.z_m;
            let sheet = conductor.is_wall() || high - low <= self.tolerance;
            let mut side = None;
            let face = match (conductor.metal, sheet) {
                (Metal::Perfect, _) => Face::Electric,
                (Metal::Finite { conductivity_s_per_m, thickness_m, .. }, true) => {
                    self.surface(Surface::Sheet { conductivity_s_per_m, thickness_m }, conductor.z_m)
                }
                (Metal::Finite { conductivity_s_per_m, thickness_m, roughness_m }, false) => {
                    self.surface(Surface::Conductor { conductivity_s_per_m, thickness_m, roughness_m }, conductor.z_m)
                }
                (Metal::Foil { conductivity_s_per_m, roughness_m }, _) => {
                    let marks = self.foil(conductivity_s_per_m, high - low, roughness_m, conductor.z_m);
                    side = Some(marks[1]);
                    marks[0]
                }
                (Metal::Inside { conductivity_s_per_m }, _) => {
                    let k = self.medium(Medium { conductivity_s_per_m, ..Medium::AIR });
                    self.set(Some(&conductor.polygon), conductor.z_m, Some(k));
                    continue;
                }
            };
            if conductor.is_wall() {
                let layers = self.layers_in(conductor.z_m);
                let n = self.mesh.n_layers();
                for e in edges_on(&self.mesh.plan, [conductor.polygon[0], conductor.polygon[1]]) {
                    layers.iter().for_each(|&l| self.mesh.upright_faces[e as usize * n + l] = face);
                }
            } else if sheet {
                let Some(level) = self.level_at(low) else { continue };
                let n = self.mesh.n_levels();
                for t in self.triangles_in(&conductor.polygon) {
                    self.mesh.flat_faces[t * n + level] = face;
                }
            } else {
                self.set(Some(&conductor.polygon), conductor.z_m, None);
                self.skin(conductor, face, side.unwrap_or(face));
            }
        }
    }

    /// Marks the faces between this conductor and matter; faces inside metal become idle.
    fn skin(&mut self, conductor: &Conductor, face: Face, side: Face) {
        let layers = self.layers_in(conductor.z_m);
        let mut mine = vec![false; self.mesh.media.len()];
        let n = self.mesh.n_layers();
        for t in self.triangles_in(&conductor.polygon) {
            layers.iter().for_each(|&l| mine[t * n + l] = true);
        }
        let n_levels = self.mesh.n_levels();
        let mut marked = self.mesh.clone();
        marked.mark_metal(|t, l| if mine[t * n + l] { face } else { Face::Open });
        let mut sides = self.mesh.clone();
        sides.mark_metal(|t, l| if mine[t * n + l] { side } else { Face::Open });
        // A face with metal on all its sides is idle, such as the part of the ground under a via.
        let idle = |face: Face, buried: bool| if buried && face != Face::Electric { Face::Open } else { face };
        for (k, target) in self.mesh.flat_faces.iter_mut().enumerate() {
            let (t, level) = (k / n_levels, k % n_levels);
            let beside = || [level.checked_sub(1), Some(level)].into_iter().flatten().filter(|&l| l < n);
            if beside().any(|l| mine[t * n + l]) {
                let buried = beside().all(|l| marked.medium(t, l).is_none());
                *target = idle(marked.flat_faces[k], buried);
            }
        }
        for (k, target) in self.mesh.upright_faces.iter_mut().enumerate() {
            let (e, l) = (k / n, k % n);
            let (a, b) = self.mesh.plan.edge_triangles[e];
            let beside = || [Some(a), b].into_iter().flatten().map(|t| t as usize);
            if beside().any(|t| mine[t * n + l]) {
                let buried = beside().all(|t| marked.medium(t, l).is_none());
                *target = idle(sides.upright_faces[k], buried);
            }
        }
    }

    pub(crate) fn place_ports(&mut self) -> Result<(), VolumeError> {
        for (k, port) in self.volume.ports.iter().enumerate() {
            let shape = match port {
                Port::Upright { line, z_m, plus, reference_ohm } => {
                    self.upright_port(*line, *z_m, *plus, *reference_ohm)
                }
                Port::Flat { polygon, z_m, direction, reference_ohm } => {
                    self.flat_port(polygon, *z_m, *direction, *reference_ohm)
                }
                Port::Wave { side, range_m, n_modes, shift_m, path_m } => {
                    let edges = self.wave_faces(*side, *range_m);
                    let path = path_m.and_then(|(at, z)| self.upright_path(&edges, *side, at, z));
                    (!edges.is_empty()).then_some(PortShape::Wave { edges, n_modes: *n_modes, shift_m: *shift_m, path })
                }
            };
            let shape = shape.ok_or_else(|| VolumeError::Port {
                what: format!("port {}: expected faces of the mesh between its pads, found none; it must lie inside the box and outside metal: {port:?}", k + 1),
            })?;
            self.ports.push(shape);
        }
        Ok(())
    }

    fn upright_port(&self, line: [[f64; 2]; 2], z_m: [f64; 2], plus: Pad, reference_ohm: f64) -> Option<PortShape> {
        let layers = self.layers_in(z_m);
        let edges = edges_on(&self.mesh.plan, line);
        let width_m = (line[0][0] - line[1][0]).hypot(line[0][1] - line[1][1]);
        let upright: Vec<(u32, u32)> = edges.iter().flat_map(|&e| layers.iter().map(move |&l| (e, l as u32))).collect();
        (!upright.is_empty()).then(|| PortShape::Sheet {
            flat: vec![],
            upright,
            direction: [0.0, 0.0, if plus == Pad::Upper { 1.0 } else { -1.0 }],
            width_m,
            reference_ohm,
        })
    }

    fn flat_port(&self, polygon: &[[f64; 2]], z_m: f64, direction: [f64; 2], reference_ohm: f64) -> Option<PortShape> {
        let level = self.level_at(z_m)? as u32;
        let flat: Vec<(u32, u32)> = self.triangles_in(polygon).into_iter().map(|t| (t as u32, level)).collect();
        let size = direction[0].hypot(direction[1]);
        let unit = [direction[0] / size, direction[1] / size];
        let across = polygon.iter().map(|p| p[1] * unit[0] - p[0] * unit[1]);
        let width_m = across.clone().fold(f64::NEG_INFINITY, f64::max) - across.fold(f64::INFINITY, f64::min);
        (!flat.is_empty() && width_m > 0.0).then(|| PortShape::Sheet {
            flat,
            upright: vec![],
            direction: [unit[0], unit[1], 0.0],
            width_m,
            reference_ohm,
        })
    }

    fn upright_path(&self, edges: &[u32], side: Side, at: f64, z_m: [f64; 2]) -> Option<UprightPath> {
        let along = usize::from(matches!(side, Side::XMin | Side::XMax));
        let plan = &self.mesh.plan;
        let vertex = edges.iter().flat_map(|&e| plan.edges[e as usize]).min_by(|&a, &b| {
            let d = |v: u32| (plan.points[v as usize][along] - at).abs();
            d(a).total_cmp(&d(b))
        })?;
        let layers = self.layers_in(z_m);
        Some(UprightPath { vertex, layers: (*layers.first()? as u32, *layers.last()? as u32 + 1) })
    }

    fn wave_faces(&mut self, side: Side, range_m: Option<[f64; 2]>) -> Vec<u32> {
        let mesh = &mut self.mesh;
        let n_layers = mesh.n_layers();
        let along = usize::from(matches!(side, Side::XMin | Side::XMax));
        let mut out = Vec::new();
        for e in 0..mesh.plan.edges.len() {
            let (t, None) = mesh.plan.edge_triangles[e] else { continue };
            let n = mesh.outward(e, t as usize);
            let at = mesh.plan.edge_middle(e)[along];
            if toward(side, [n[0], n[1], 0.0]) && range_m.is_none_or(|r| at > r[0] && at < r[1]) {
                for l in (0..n_layers).filter(|&l| mesh.media[t as usize * n_layers + l].is_some()) {
                    mesh.upright_faces[e * n_layers + l] = Face::Open;
                }
                out.push(e as u32);
            }
        }
        out
    }
}

fn toward(side: Side, n: [f64; 3]) -> bool {
    match side {
        Side::XMin => n[0] < -0.9,
        Side::XMax => n[0] > 0.9,
        Side::YMin => n[1] < -0.9,
        Side::YMax => n[1] > 0.9,
        Side::Bottom => n[2] < -0.9,
        Side::Top => n[2] > 0.9,
    }
}

/// Edges of the plan that lie on a line.
fn edges_on(plan: &PlanMesh, [a, b]: [[f64; 2]; 2]) -> Vec<u32> {
    let length = (a[0] - b[0]).hypot(a[1] - b[1]);
    let on = |p: [f64; 2]| {
        let (s, d) = (
            ((p[0] - a[0]) * (b[0] - a[0]) + (p[1] - a[1]) * (b[1] - a[1])) / (length * length),
            ((p[0] - a[0]) * (b[1] - a[1]) - (p[1] - a[1]) * (b[0] - a[0])).abs() / length,
        );
        s > -1e-6 && s < 1.0 + 1e-6 && d < 1e-6 * length
    };
    let both = |e: usize| plan.edges[e].iter().all(|&v| on(plan.points[v as usize]));
    (0..plan.edges.len()).filter(|&e| both(e)).map(|e| e as u32).collect()
}

/// Even-odd rule.
fn inside(polygon: &[[f64; 2]], p: [f64; 2]) -> bool {
    let mut out = false;
    for (k, &a) in polygon.iter().enumerate() {
        let b = polygon[(k + 1) % polygon.len()];
        if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0]) {
            out = !out;
        }
    }
    out
}
