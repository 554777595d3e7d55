//! Description of a layered structure before meshing, and its meshing.
//!
//! Heights are measured from the bottom of the first layer. Later blocks and conductors displace
//! earlier matter.

use crate::VolumeError;
use crate::builder::Builder;
use crate::model::{Medium, Model, PrismMesh};
use crate::plan::PlanMesh;
use crate::triangulate::{Angles, PlanSize, Segment, triangulate_as, triangulate_mirrored_as};
use quantity::constants::LIGHT_SPEED_M_PER_S;

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
    /// Good conductor of a strip: its thickness is that of the mesh, both faces are joined through the metal, and the
    /// corners are accounted for. Right from direct current to far above the skin depth; needs a thickness.
    Foil {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
        /// Root-mean-square roughness, metre.
        roughness_m: f64,
    },
    /// Field solved inside, for metal that is thin against the skin depth; needs a thickness in the mesh.
    Inside {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
    },
}

/// A straight-walled conductor, a flat sheet when both heights are equal, or an upright sheet when its outline is a
/// line of two points.
#[derive(Debug, Clone, PartialEq)]
pub struct Conductor {
    /// Name in messages.
    pub name: String,
    /// Outline, metre; two points for an upright wall without thickness.
    pub polygon: Vec<[f64; 2]>,
    /// Lower and upper height, metre.
    pub z_m: [f64; 2],
    /// Metal.
    pub metal: Metal,
}

impl Conductor {
    /// Whether it is an upright wall without thickness.
    pub(crate) fn is_wall(&self) -> bool {
        self.polygon.len() == 2
    }
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
    /// Metal of finite thickness without field behind it.
    Plate {
        /// Conductivity, siemens per metre.
        conductivity_s_per_m: f64,
        /// Thickness, metre.
        thickness_m: f64,
        /// Root-mean-square roughness, metre.
        roughness_m: f64,
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

/// Shape of the cells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeshShape {
    /// How much longer cells are along x and along y than the sizes of [`MeshSettings`] say: where lines run along x,
    /// fields change slowly there. Powers of two keep symmetric meshes symmetric to the last bit. Sizes and angles of
    /// the plan hold before this stretching.
    pub stretch: [f64; 2],
    /// Layers of prisms thinner than this are linear in height, metre; half the unknowns at little loss.
    pub linear_below_m: f64,
    /// Wide conductors get cells of their own width at their edges, and close parallel edges keep long thin triangles
    /// between them, whose smallest angle is then below the usual bound.
    pub loose: bool,
}

impl Default for MeshShape {
    fn default() -> Self {
        Self { stretch: [1.0; 2], linear_below_m: 0.0, loose: false }
    }
}

/// Share of a strip's width below which a layer counts as thin.
const THIN_SHARE: f64 = 0.2;

impl MeshShape {
    /// Cells longer along the direction in which most metal edges run, and thin layers linear in height.
    pub fn for_volume(volume: &Volume) -> Self {
        let mut run = [0.0; 2];
        for c in &volume.conductors {
            let n = c.polygon.len();
            for k in 0..n {
                let (a, b) = (c.polygon[k], c.polygon[(k + 1) % n]);
                (0..2).for_each(|d| run[d] += (b[d] - a[d]).abs());
            }
        }
        let factor = |own: f64, other: f64| {
            if own > 4.0 * other {
                4.0
            } else if own > 1.5 * other {
                2.0
            } else {
                1.0
            }
        };
        let narrow = volume
            .conductors
            .iter()
            .filter(|c| !c.is_wall())
            .map(|c| width_m(&c.polygon))
            .fold(f64::INFINITY, f64::min);
        let linear_below_m = if narrow.is_finite() { THIN_SHARE * narrow } else { 0.0 };
        Self { stretch: [factor(run[0], run[1]), factor(run[1], run[0])], linear_below_m, loose: true }
    }

    /// A point in the plan before stretching.
    pub(crate) fn shrink(&self, p: [f64; 2]) -> [f64; 2] {
        [p[0] / self.stretch[0], p[1] / self.stretch[1]]
    }
}

/// Cells a highest-frequency wavelength of the densest medium.
const CELLS_A_WAVE: f64 = 3.0;

impl MeshSettings {
    /// A first mesh for a structure up to `freq_max_hz`: fine at narrow metal and in thin layers, coarse elsewhere,
    /// for elements of second order and later refinement.
    pub fn for_volume(volume: &Volume, freq_max_hz: f64) -> Self {
        let permittivity = volume.layers.iter().map(|l| l.medium.permittivity).fold(1.0, f64::max);
        let wave = LIGHT_SPEED_M_PER_S / freq_max_hz / permittivity.sqrt();
        let narrow =
            volume.conductors.iter().filter(|c| !c.is_wall()).map(|c| width_m(&c.polygon)).fold(wave, f64::min);
        Self {
            edge_m: narrow,
            plan: PlanSize { size_max_m: wave / CELLS_A_WAVE, growth: 0.7, hints: vec![] },
            height_m: wave / CELLS_A_WAVE,
            height_growth: 2.0,
            height_max_m: wave / CELLS_A_WAVE,
            levels_m: vec![],
            symmetry: None,
        }
    }
}

/// Width of the rectangle with the area and rim of an outline, metre.
pub(crate) fn width_m(polygon: &[[f64; 2]]) -> f64 {
    let n = polygon.len();
    let ends = |k: usize| (polygon[k], polygon[(k + 1) % n]);
    let area: f64 = (0..n).map(ends).map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum::<f64>().abs() / 2.0;
    let half_rim: f64 = (0..n).map(ends).map(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1])).sum::<f64>() / 2.0;
    let root = half_rim * half_rim / 4.0 - area;
    // A disc has less rim than any rectangle of its area.
    if root > 0.0 { half_rim / 2.0 - root.sqrt() } else { area.sqrt() }
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
        self.mesh_shaped(settings, &MeshShape::default())
    }

    /// Meshes the structure with cells of another shape.
    pub fn mesh_shaped(&self, settings: &MeshSettings, shape: &MeshShape) -> Result<Model, VolumeError> {
        self.check()?;
        let to = |p: [f64; 2]| shape.shrink(p);
        let angles = if shape.loose { Angles::Loose } else { Angles::Kept };
        let segments: Vec<Segment> = self
            .segments(settings, shape)
            .into_iter()
            .map(|s| Segment { ends: s.ends.map(to), size_m: s.size_m })
            .collect();
        let (low, high) = (to([self.x_m[0], self.y_m[0]]), to([self.x_m[1], self.y_m[1]]));
        let mut size = settings.plan.clone();
        size.hints.iter_mut().for_each(|h| h.0 = to(h.0));
        let (x_m, y_m) = ([low[0], high[0]], [low[1], high[1]]);
        let plan = match settings.symmetry {
            None => triangulate_as(x_m, y_m, &segments, &size, angles)?,
            Some(axis) => triangulate_mirrored_as(x_m, y_m, axis as usize, &segments, &size, angles)?,
        };
        let plan = if shape.stretch == [1.0; 2] {
            plan
        } else {
            let back = |p: &[f64; 2]| [p[0] * shape.stretch[0], p[1] * shape.stretch[1]];
            PlanMesh::from_triangles(plan.points.iter().map(back).collect(), plan.triangles)?
        };
        let mut mesh = PrismMesh::new(plan, self.levels(settings));
        mesh.linear_layers = (0..mesh.n_layers()).map(|l| mesh.height(l) < shape.linear_below_m).collect();
        let mut builder = Builder::new(self, mesh);
        builder.fill();
        builder.walls();
        builder.conductors();
        builder.place_ports()?;
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
        let bodies = self.conductors.iter().map(|c| (&c.name, &c.polygon, c.z_m, 2));
        let blocks = self.blocks.iter().map(|b| (&b.name, &b.polygon, b.z_m, 3));
        if let Some(c) = self.conductors.iter().find(|c| c.is_wall()) {
            let flat = c.z_m[1] <= c.z_m[0] || c.polygon[0] == c.polygon[1];
            if flat || matches!(c.metal, Metal::Inside { .. }) {
                return bad(format!(
                    "`{}`: expected an upright wall between two points and two heights, perfect or with a surface \
                     impedance, found {:?}, {:?}, {:?}",
                    c.name, c.polygon, c.z_m, c.metal
                ));
            }
        }
        let flat = |c: &&Conductor| matches!(c.metal, Metal::Foil { .. }) && (c.is_wall() || c.z_m[1] <= c.z_m[0]);
        if let Some(c) = self.conductors.iter().find(flat) {
            return bad(format!("`{}`: expected a foil of some thickness, found heights {:?}", c.name, c.z_m));
        }
        for (name, polygon, z, least) in bodies.chain(blocks) {
            if polygon.len() < least || polygon.iter().flatten().any(|v| !v.is_finite()) {
                return bad(format!(
                    "`{name}`: expected an outline of at least {least} finite corners, found {polygon:?}"
                ));
            }
            if !(z[0] >= 0.0 && z[1] >= z[0] && z[1] <= top) {
                return bad(format!("`{name}`: expected heights rising within 0 and {top} m, found {z:?}"));
            }
        }
        Ok(())
    }

    fn segments(&self, settings: &MeshSettings, shape: &MeshShape) -> Vec<Segment> {
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
        let own = |c: &Conductor| {
            let width = if shape.loose { width_m(&c.polygon).min(settings.plan.size_max_m) } else { 0.0 };
            settings.edge_m.max(width)
        };
        self.conductors.iter().for_each(|c| outline(&c.polygon, Some(own(c))));
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
