//! Description of a layered structure before meshing, and its meshing.
//!
//! Heights are measured from the bottom of the first layer. Later blocks and conductors displace
//! earlier matter.

use crate::model::{Face, Medium, Model, PortShape, PrismMesh, Surface, UprightPath};
use crate::triangulate::{PlanSize, Segment, triangulate, triangulate_mirrored};
use crate::{PlanMesh, VolumeError};

/// One layer of the stack.
#[derive(Debug, Clone, PartialEq)]
pub struct Layer {
    /// Name in messages.
    pub name: String,
    /// Thickness, metre.
    pub thickness_m: f64,
    /// Material.
    pub medium: Medium,
}

/// A straight-walled body of another material.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Name in messages.
    pub name: String,
    /// Outline, metre.
    pub polygon: Vec<[f64; 2]>,
    /// Lower and upper height, metre.
    pub z_m: [f64; 2],
    /// Material.
    pub medium: Medium,
}

/// What a conductor is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Metal {
    /// No loss.
    Perfect,
    /// Good conductor by its surface impedance.
    Finite {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
        /// Thickness for the surface impedance, metre; infinity for a thick block.
        thickness_m: f64,
        /// Root-mean-square roughness, metre.
        roughness_m: f64,
    },
    /// Field solved inside, for metal that is thin against the skin depth; needs a thickness in the mesh.
    Inside {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
    },
}

/// A straight-walled conductor, or a sheet when both heights are equal.
#[derive(Debug, Clone, PartialEq)]
pub struct Conductor {
    /// Name in messages.
    pub name: String,
    /// Outline, metre.
    pub polygon: Vec<[f64; 2]>,
    /// Lower and upper height, metre.
    pub z_m: [f64; 2],
    /// Metal.
    pub metal: Metal,
}

/// Side of the box.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // the names say it
pub enum Side {
    XMin,
    XMax,
    YMin,
    YMax,
    Bottom,
    Top,
}

/// What a side of the box is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wall {
    /// Perfect conductor.
    Electric,
    /// Magnetic wall: a plane of symmetry where the current flows along it.
    Magnetic,
    /// First-order absorbing boundary; media are those of the layers that meet it.
    Absorbing,
    /// Thick metal of this conductivity, siemens per metre.
    Metal {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
    },
}

/// One of the two pads of an upright port.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // the names say it
pub enum Pad {
    Lower,
    Upper,
}

/// A port of the structure.
#[derive(Debug, Clone, PartialEq)]
pub enum Port {
    /// Upright current sheet above a line of the plan, from the lower to the upper height.
    Upright {
        /// Line in the plan, metre.
        line: [[f64; 2]; 2],
        /// Lower and upper height, metre.
        z_m: [f64; 2],
        /// Which pad is plus.
        plus: Pad,
        /// Reference resistance, ohm.
        reference_ohm: f64,
    },
    /// Flat current sheet at one height between two pads; the pad in `direction` is plus.
    Flat {
        /// Outline of the sheet, a rectangle along `direction`, metre.
        polygon: Vec<[f64; 2]>,
        /// Height, metre.
        z_m: f64,
        /// Direction from the minus to the plus pad in the plan.
        direction: [f64; 2],
        /// Reference resistance, ohm.
        reference_ohm: f64,
    },
    /// Guided waves through a side of the box.
    Wave {
        /// Which side; not top or bottom.
        side: Side,
        /// Part of the side along it, metre; `None` is the whole side.
        range_m: Option<[f64; 2]>,
        /// Number of modes.
        n_modes: usize,
        /// Distance by which the reference plane lies inside, metre.
        shift_m: f64,
        /// Where the voltage of the line is taken: place along the side, lower and upper height, metre.
        /// With it the line impedance is known.
        path_m: Option<(f64, [f64; 2])>,
    },
}

/// A structure in a box.
#[derive(Debug, Clone, PartialEq)]
pub struct Volume {
    /// Box in x, metre.
    pub x_m: [f64; 2],
    /// Box in y, metre.
    pub y_m: [f64; 2],
    /// Layers from the bottom to the top.
    pub layers: Vec<Layer>,
    /// Bodies of other materials.
    pub blocks: Vec<Block>,
    /// Conductors.
    pub conductors: Vec<Conductor>,
    /// Sides in the order x min, x max, y min, y max, bottom, top.
    pub walls: [Wall; 6],
    /// Ports.
    pub ports: Vec<Port>,
}

/// Wanted sizes of the mesh.
#[derive(Debug, Clone, PartialEq)]
pub struct MeshSettings {
    /// Edge length at conductor edges, metre.
    pub edge_m: f64,
    /// Plan sizes away from them.
    pub plan: PlanSize,
    /// Height of the first cells above and below a conductor, metre.
    pub height_m: f64,
    /// Growth from one cell to the next in height.
    pub height_growth: f64,
    /// Largest cell height, metre.
    pub height_max_m: f64,
    /// Extra levels (from refinement), metre.
    pub levels_m: Vec<f64>,
    /// Plane of symmetry in the middle of the box, whose mesh is then symmetric to the last bit.
    pub symmetry: Option<Axis>,
}

/// Direction across a plane of symmetry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // the names say it
pub enum Axis {
    X,
    Y,
}

impl Volume {
    /// Meshes the structure.
    pub fn mesh(&self, settings: &MeshSettings) -> Result<Model, VolumeError> {
        self.check()?;
        let segments = self.segments(settings);
        let plan = match settings.symmetry {
            None => triangulate(self.x_m, self.y_m, &segments, &settings.plan)?,
            Some(axis) => triangulate_mirrored(self.x_m, self.y_m, axis as usize, &segments, &settings.plan)?,
        };
        let mut builder = Builder::new(self, PrismMesh::new(plan, self.levels(settings)));
        builder.fill();
        builder.walls();
        builder.conductors();
        builder.ports()?;
        Ok(Model { mesh: builder.mesh, media: builder.media, surfaces: builder.surfaces, ports: builder.ports })
    }

    /// Total height, metre.
    pub fn height_m(&self) -> f64 {
        self.layers.iter().map(|l| l.thickness_m).sum()
    }

    fn check(&self) -> Result<(), VolumeError> {
        let bad = |what: String| Err(VolumeError::Mesh { what });
        if let Some(l) = self.layers.iter().find(|l| !(l.thickness_m > 0.0 && l.thickness_m.is_finite())) {
            return bad(format!("layer `{}`: expected a thickness above zero, found {} m", l.name, l.thickness_m));
        }
        if self.layers.is_empty() {
            return bad("expected at least one layer, found none".into());
        }
        let top = self.height_m() * (1.0 + 1e-9);
        let bodies = self.conductors.iter().map(|c| (&c.name, &c.polygon, c.z_m));
        for (name, polygon, z) in bodies.chain(self.blocks.iter().map(|b| (&b.name, &b.polygon, b.z_m))) {
            if polygon.len() < 3 || polygon.iter().flatten().any(|v| !v.is_finite()) {
                return bad(format!(
                    "`{name}`: expected an outline of at least three finite corners, found {polygon:?}"
                ));
            }
            if !(z[0] >= 0.0 && z[1] >= z[0] && z[1] <= top) {
                return bad(format!("`{name}`: expected heights rising within 0 and {top} m, found {z:?}"));
            }
        }
        Ok(())
    }

    fn segments(&self, settings: &MeshSettings) -> Vec<Segment> {
        let mut out = Vec::new();
        let clip = |p: [f64; 2]| [p[0].clamp(self.x_m[0], self.x_m[1]), p[1].clamp(self.y_m[0], self.y_m[1])];
        let mut outline = |polygon: &[[f64; 2]], size_m: Option<f64>| {
            for (k, &a) in polygon.iter().enumerate() {
                let ends = [clip(a), clip(polygon[(k + 1) % polygon.len()])];
                let on_rim = (0..2).any(|d| {
                    let limits = [self.x_m, self.y_m][d];
                    ends[0][d] == ends[1][d] && limits.contains(&ends[0][d])
                });
                if ends[0] != ends[1] {
                    out.push(Segment { ends, size_m: if on_rim { None } else { size_m } });
                }
            }
        };
        self.conductors.iter().for_each(|c| outline(&c.polygon, Some(settings.edge_m)));
        self.blocks.iter().for_each(|b| outline(&b.polygon, None));
        for port in &self.ports {
            match port {
                Port::Flat { polygon, .. } => outline(polygon, Some(settings.edge_m)),
                Port::Upright { line, .. } => outline(line, Some(settings.edge_m)),
                Port::Wave { .. } => {}
            }
        }
        for port in &self.ports {
            if let Port::Wave { side, range_m, path_m, .. } = port {
                for at in range_m.iter().flatten().chain(path_m.iter().map(|p| &p.0)).copied() {
                    let p = match side {
                        Side::XMin => [self.x_m[0], at],
                        Side::XMax => [self.x_m[1], at],
                        Side::YMin => [at, self.y_m[0]],
                        _ => [at, self.y_m[1]],
                    };
                    // A short line into the box makes the end of the range a point of the mesh.
                    let reach = settings.edge_m;
                    let inward = match side {
                        Side::XMin => [p[0] + reach, p[1]],
                        Side::XMax => [p[0] - reach, p[1]],
                        Side::YMin => [p[0], p[1] + reach],
                        _ => [p[0], p[1] - reach],
                    };
                    out.push(Segment { ends: [p, inward], size_m: None });
                }
            }
        }
        out
    }

    /// Heights of interfaces and conductors, with graded cells between.
    fn levels(&self, settings: &MeshSettings) -> Vec<f64> {
        let mut marks: Vec<(f64, bool)> = vec![(0.0, false)];
        for layer in &self.layers {
            marks.push((marks[marks.len() - 1].0 + layer.thickness_m, false));
        }
        marks.extend(self.blocks.iter().flat_map(|b| b.z_m).map(|z| (z, false)));
        marks.extend(self.conductors.iter().flat_map(|c| c.z_m).map(|z| (z, true)));
        for port in &self.ports {
            match port {
                Port::Flat { z_m, .. } => marks.push((*z_m, true)),
                Port::Upright { z_m, .. } => marks.extend(z_m.map(|z| (z, false))),
                Port::Wave { .. } => {}
            }
        }
        let tolerance = 1e-9 * self.height_m();
        let mut merged: Vec<(f64, bool)> = Vec::new();
        marks.extend(settings.levels_m.iter().map(|&z| (z, false)));
        marks.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (z, fine) in marks {
            match merged.last_mut() {
                Some(last) if z - last.0 <= tolerance => last.1 |= fine,
                _ => merged.push((z, fine)),
            }
        }
        let mut out = vec![merged[0].0];
        for pair in merged.windows(2) {
            out.extend(interval(pair[0], pair[1], settings));
        }
        out
    }
}

/// Levels above `low` up to `high`, fine towards the ends that carry a conductor.
fn interval(low: (f64, bool), high: (f64, bool), settings: &MeshSettings) -> Vec<f64> {
    let length = high.0 - low.0;
    let size = |at: f64| {
        let from = |d: f64, fine: bool| {
            if fine { settings.height_m + (settings.height_growth - 1.0) * d } else { f64::INFINITY }
        };
        from(at, low.1).min(from(length - at, high.1)).min(settings.height_max_m)
    };
    // Equal steps of the integral of 1/size, so that both halves of a symmetric interval agree.
    const SAMPLES: usize = 2000;
    let step = length / SAMPLES as f64;
    let mut sum = vec![0.0];
    for k in 0..SAMPLES {
        sum.push(sum[k] + step / size((k as f64 + 0.5) * step));
    }
    let n = (sum[SAMPLES] - 0.2).ceil().max(1.0) as usize;
    let mut out = Vec::new();
    let mut k = 0;
    for i in 1..n {
        let wanted = sum[SAMPLES] * i as f64 / n as f64;
        while sum[k + 1] < wanted {
            k += 1;
        }
        out.push(low.0 + (k as f64 + (wanted - sum[k]) / (sum[k + 1] - sum[k])) * step);
    }
    out.push(high.0);
    out
}

struct Builder<'a> {
    volume: &'a Volume,
    mesh: PrismMesh,
    media: Vec<Medium>,
    surfaces: Vec<Surface>,
    ports: Vec<PortShape>,
    tolerance: f64,
}

impl<'a> Builder<'a> {
    fn new(volume: &'a Volume, mesh: PrismMesh) -> Self {
        let tolerance = 1e-7 * volume.height_m();
        Self { volume, mesh, media: Vec::new(), surfaces: Vec::new(), ports: Vec::new(), tolerance }
    }

    fn medium(&mut self, medium: Medium) -> u16 {
        let k = self.media.iter().position(|m| *m == medium).unwrap_or_else(|| {
            self.media.push(medium);
            self.media.len() - 1
        });
        k as u16
    }

    fn surface(&mut self, surface: Surface) -> Face {
        let k = self.surfaces.iter().position(|s| *s == surface).unwrap_or_else(|| {
            self.surfaces.push(surface);
            self.surfaces.len() - 1
        });
        Face::Surface(k as u16)
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

    fn fill(&mut self) {
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

    fn walls(&mut self) {
        let sides = [Side::XMin, Side::XMax, Side::YMin, Side::YMax, Side::Bottom, Side::Top];
        for (side, wall) in sides.into_iter().zip(self.volume.walls) {
            match wall {
                Wall::Electric => self.mark_side(side, Face::Electric),
                Wall::Magnetic => self.mark_side(side, Face::Open),
                Wall::Metal { conductivity_s_per_m } => {
                    let face = self.surface(Surface::Conductor {
                        conductivity_s_per_m,
                        thickness_m: f64::INFINITY,
                        roughness_m: 0.0,
                    });
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
        for medium in self.media.clone() {
            let face = self.surface(Surface::Absorbing { medium });
            let wanted = self.media.iter().position(|m| *m == medium).map(|k| k as u16);
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

    fn conductors(&mut self) {
        for conductor in &self.volume.conductors {
            let [low, high] = conductor.z_m;
            let sheet = high - low <= self.tolerance;
            let face = match (conductor.metal, sheet) {
                (Metal::Perfect, _) => Face::Electric,
                (Metal::Finite { conductivity_s_per_m, thickness_m, .. }, true) => {
                    self.surface(Surface::Sheet { conductivity_s_per_m, thickness_m })
                }
                (Metal::Finite { conductivity_s_per_m, thickness_m, roughness_m }, false) => {
                    self.surface(Surface::Conductor { conductivity_s_per_m, thickness_m, roughness_m })
                }
                (Metal::Inside { conductivity_s_per_m }, _) => {
                    let k = self.medium(Medium { conductivity_s_per_m, ..Medium::AIR });
                    self.set(Some(&conductor.polygon), conductor.z_m, Some(k));
                    continue;
                }
            };
            if sheet {
                let Some(level) = self.level_at(low) else { continue };
                let n = self.mesh.n_levels();
                for t in self.triangles_in(&conductor.polygon) {
                    self.mesh.flat_faces[t * n + level] = face;
                }
            } else {
                self.set(Some(&conductor.polygon), conductor.z_m, None);
                self.skin(conductor, face);
            }
        }
    }

    /// Marks the faces between this conductor and matter; faces inside metal become idle.
    fn skin(&mut self, conductor: &Conductor, face: Face) {
        let layers = self.layers_in(conductor.z_m);
        let mut mine = vec![false; self.mesh.media.len()];
        let n = self.mesh.n_layers();
        for t in self.triangles_in(&conductor.polygon) {
            layers.iter().for_each(|&l| mine[t * n + l] = true);
        }
        let flat = self.mesh.flat_faces.clone();
        let upright = self.mesh.upright_faces.clone();
        let n_levels = self.mesh.n_levels();
        let mut marked = self.mesh.clone();
        marked.mark_metal(|t, l| if mine[t * n + l] { face } else { Face::Open });
        for k in 0..flat.len() {
            let (t, level) = (k / n_levels, k % n_levels);
            let touches = [level.checked_sub(1), Some(level)].into_iter().flatten().any(|l| l < n && mine[t * n + l]);
            self.mesh.flat_faces[k] = if touches { marked.flat_faces[k] } else { flat[k] };
        }
        for k in 0..upright.len() {
            let (e, l) = (k / n, k % n);
            let (a, b) = self.mesh.plan.edge_triangles[e];
            let touches = [Some(a), b].into_iter().flatten().any(|t| mine[t as usize * n + l]);
            self.mesh.upright_faces[k] = if touches { marked.upright_faces[k] } else { upright[k] };
        }
    }

    fn ports(&mut self) -> Result<(), VolumeError> {
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
                    (!edges.is_empty()).then(|| PortShape::Wave { edges, n_modes: *n_modes, shift_m: *shift_m, path })
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
