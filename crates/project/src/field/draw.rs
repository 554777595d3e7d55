//! Drawings of a design as layouts: drawn, as made, checked against the rules, as mask data and as pictures.

use crate::design::{
    Design, ItemKind, LayoutText, OutsideText, PointText, ProblemKind, Stroke, TerminalText, ViaPlace,
};
use crate::error::ProjectError;
use spec::{Drawing, DrawingLayer, Mark};
use stackup::generators::{
    CoupledStrip, LaunchNumbers, Outside, SiteNumbers, ViaKind, coupled_section, diode_site, edge_launch, folded_axis,
    pad, stub, taper, trace, via_field,
};
use stackup::{
    Corner, Enclosure, Layout, Point, Polygon, Port, PortPlace, Role, Shape, StackupError, Terminal, Via, Violation,
    read_gds, write_gds,
};

/// Corners of the polygon that stands for a round via.
const ROUND: usize = 12;
/// Micrometre in a metre.
const UM: f64 = 1e6;

/// Draws a layout of a design with some of its variables at other values (metre).
///
/// # Errors
/// Numbers from which no shape can be made, pointing at the entry; a mask file that cannot be read.
pub fn layout(design: &Design, text: &LayoutText, changed: &[(String, f64)]) -> Result<Layout, ProjectError> {
    let mut pen = Pen { design, variables: values(text, changed), layout: empty(text) };
    let [low, high] = [&text.corners[0], &text.corners[1]].map(|c| pen.point(c));
    pen.layout.enclosure = Enclosure { low, high, walls: text.walls };
    for item in &text.items {
        pen.draw(&item.name.value, &item.kind).map_err(|error| match error {
            Trouble::Shape(error) => {
                let help = match item.kind {
                    ItemKind::Mask { .. } => "write the mask data again, with a structure of polygons and paths only",
                    _ => "correct the lengths of this entry or the variables in them",
                };
                design.refused(ProblemKind::ImpossibleValue, item.name.span.clone(), error.to_string(), help).into()
            }
            Trouble::Project(error) => *error,
        })?;
    }
    Ok(pen.layout)
}

fn empty(text: &LayoutText) -> Layout {
    Layout {
        name: text.name.value.clone(),
        shapes: Vec::new(),
        vias: Vec::new(),
        ports: Vec::new(),
        enclosure: Enclosure { low: [0.0; 2], high: [0.0; 2], walls: text.walls },
    }
}

fn values(text: &LayoutText, changed: &[(String, f64)]) -> Vec<(String, f64)> {
    let of = |(name, value): &(String, f64)| {
        let value = changed.iter().find(|c| c.0 == *name).map_or(*value, |c| c.1);
        (name.clone(), value)
    };
    text.variables.iter().map(of).collect()
}

enum Trouble {
    Shape(StackupError),
    Project(Box<ProjectError>),
}

impl From<StackupError> for Trouble {
    fn from(error: StackupError) -> Self {
        Self::Shape(error)
    }
}

struct Pen<'a> {
    design: &'a Design,
    variables: Vec<(String, f64)>,
    layout: Layout,
}

impl Pen<'_> {
    fn point(&self, p: &PointText) -> Point {
        [p[0].value(&self.variables), p[1].value(&self.variables)]
    }

    fn points(&self, list: &[PointText]) -> Vec<Point> {
        list.iter().map(|p| self.point(p)).collect()
    }

    fn shape(&mut self, layer: &str, name: &str, polygon: Polygon) {
        self.layout.shapes.push(Shape { layer: layer.into(), name: name.into(), polygon });
    }

    fn stroke(&mut self, stroke: &Stroke, name: &str, axis: &[Point], extension_m: f64) -> Result<(), Trouble> {
        let polygon = trace(axis, stroke.width.value(&self.variables), stroke.corner, extension_m)?;
        self.shape(&stroke.layer, name, polygon);
        Ok(())
    }

    fn draw(&mut self, name: &str, kind: &ItemKind) -> Result<(), Trouble> {
        let v = self.variables.clone();
        match kind {
            ItemKind::Trace { stroke, axis, extension } => {
                let axis = self.points(axis);
                self.stroke(stroke, name, &axis, extension.as_ref().map_or(0.0, |e| e.value(&v)))?;
            }
            ItemKind::Coupled { axis, strips } => {
                let strip =
                    |(stroke, name, offset): &(Stroke, String, Option<crate::design::Expression>)| CoupledStrip {
                        layer: stroke.layer.clone(),
                        name: name.clone(),
                        width_m: stroke.width.value(&v),
                        offset_m: offset.as_ref().map_or(0.0, |o| o.value(&v)),
                    };
                let corner = strips.first().map_or(Corner::Sharp, |s| s.0.corner);
                let strips: Vec<CoupledStrip> = strips.iter().map(strip).collect();
                self.layout.shapes.extend(coupled_section(&self.points(axis), &strips, corner)?);
            }
            ItemKind::Stub { stroke, from, angle_deg, length } => {
                let polygon = stub(self.point(from), *angle_deg, length.value(&v), stroke.width.value(&v))?;
                self.shape(&stroke.layer, name, polygon);
            }
            ItemKind::Fold { stroke, from, length, runs, pitch } => {
                let axis = folded_axis(self.point(from), length.value(&v), *runs, pitch.value(&v))?;
                self.stroke(stroke, name, &axis, 0.0)?;
            }
            ItemKind::Taper { stroke, from, to, to_width } => {
                let (from, to) = (self.point(from), self.point(to));
                let polygon = taper(from, stroke.width.value(&v), to, to_width.value(&v))?;
                self.shape(&stroke.layer, name, polygon);
            }
            ItemKind::Pad { layer, centre, size } => {
                let polygon = pad(self.point(centre), self.point(size))?;
                self.shape(layer, name, polygon);
            }
            ItemKind::Polygon { layer, corners } => {
                let polygon = Polygon::new(&self.points(corners))?;
                self.shape(layer, name, polygon);
            }
            ItemKind::Via { between, material, diameter, at } => {
                self.vias(name, between, material, diameter.value(&v), at)?;
            }
            ItemKind::Site { layer, centre, angle_deg, gap, size, ohm } => {
                let numbers = SiteNumbers {
                    name: name.into(),
                    layer: layer.clone(),
                    centre: self.point(centre),
                    angle_deg: *angle_deg,
                    gap_m: gap.value(&v),
                    pad_m: self.point(size),
                    reference_ohm: *ohm,
                };
                let site = diode_site(&numbers)?;
                self.layout.shapes.extend(site.pads);
                self.layout.ports.push(site.port);
            }
            ItemKind::Launch { stroke, side, at, depth, outside, ohm } => {
                let index = *side as usize;
                let enclosure = self.layout.enclosure;
                let wall_m = [enclosure.low[0], enclosure.high[0], enclosure.low[1], enclosure.high[1]][index];
                let (ground, outside) = match outside {
                    OutsideText::Line { width } => (String::new(), Outside::Line { width_m: width.value(&v) }),
                    OutsideText::Pad { size, from_edge, ground } => {
                        let pad_m = self.point(size);
                        (ground.clone(), Outside::Pad { pad_m, from_edge_m: from_edge.value(&v) })
                    }
                };
                let (shapes, port) = edge_launch(&LaunchNumbers {
                    name: name.into(),
                    layer: stroke.layer.clone(),
                    ground,
                    side: *side,
                    wall_m,
                    centre_m: at.value(&v),
                    depth_m: depth.value(&v),
                    inner_width_m: stroke.width.value(&v),
                    outside,
                    reference_ohm: *ohm,
                })?;
                self.layout.shapes.extend(shapes);
                self.layout.ports.push(port);
            }
            ItemKind::Port { plus, minus, ohm } => {
                let terminal = |t: &TerminalText| Terminal {
                    layer: t.layer.clone(),
                    edge: [self.point(&t.edge[0]), self.point(&t.edge[1])],
                };
                let place = PortPlace::Gap { plus: terminal(plus), minus: terminal(minus) };
                self.layout.ports.push(Port { name: name.into(), place, reference_ohm: *ohm });
            }
            ItemKind::Mask { file } => self.mask(file)?,
        }
        Ok(())
    }

    fn vias(
        &mut self,
        name: &str,
        [from, to]: &[String; 2],
        material: &str,
        diameter_m: f64,
        at: &ViaPlace,
    ) -> Result<(), Trouble> {
        let via =
            |polygon| Via { name: name.into(), from: from.clone(), to: to.clone(), polygon, material: material.into() };
        match at {
            ViaPlace::One(centre) => {
                let polygon = Polygon::disc(self.point(centre), 0.5 * diameter_m, ROUND)?;
                self.layout.vias.push(via(polygon));
            }
            ViaPlace::Field { corners: [low, high], pitch } => {
                let kind = ViaKind {
                    from: from.clone(),
                    to: to.clone(),
                    material: material.into(),
                    diameter_m,
                    n_corners: ROUND,
                };
                let (low, high) = (self.point(low), self.point(high));
                self.layout.vias.extend(via_field(name, low, high, pitch.value(&self.variables), &kind)?);
            }
        }
        Ok(())
    }

    fn mask(&mut self, file: &str) -> Result<(), Trouble> {
        let path = self.design.folder.join(file);
        let wrong = |error: ProjectError| Trouble::Project(Box::new(error));
        let bytes = std::fs::read(&path).map_err(|e| wrong(ProjectError::io("read", &path)(e)))?;
        let map = self.design.technology.as_ref().map_or(&[][..], |t| &t.layer_map);
        self.layout.shapes.extend(read_gds(&bytes, map)?.shapes);
        Ok(())
    }
}

/// The layout as mask data, one layer number for each metal of the stack that has one.
///
/// # Errors
/// Metal on a layer without a mask number.
pub fn mask_data(design: &Design, layout: &Layout) -> Result<Vec<u8>, ProjectError> {
    let map = design.technology.as_ref().map_or(&[][..], |t| &t.layer_map);
    write_gds(&layout.name, &layout.shapes, map)
        .map_err(|source| ProjectError::Layout { layout: layout.name.clone(), source })
}

/// Where a layout breaks the rules of its process.
///
/// # Errors
/// Layers that the stack does not have.
pub fn broken_rules(design: &Design, layout: &Layout) -> Result<Vec<Violation>, ProjectError> {
    let Some(technology) = &design.technology else { return Ok(Vec::new()) };
    technology.check_layout(layout).map_err(|source| ProjectError::Layout { layout: layout.name.clone(), source })
}

/// Plan of a layout: metal and vias in colour, ports and broken rules marked.
pub fn plan(design: &Design, layout: &Layout, violations: &[Violation]) -> Drawing {
    let outline = |p: &Polygon| p.corners().iter().map(|c| (c[0] * UM, c[1] * UM)).collect::<Vec<_>>();
    let Enclosure { low, high, .. } = layout.enclosure;
    let rim = [[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]];
    let mut layers =
        vec![DrawingLayer { name: "box".into(), outlines: vec![rim.iter().map(|c| (c[0] * UM, c[1] * UM)).collect()] }];
    let names = design.technology.iter().flat_map(|t| &t.stackup.layers).map(|l| l.name.as_str());
    for name in names {
        let outlines: Vec<_> = layout.polygons_on(name).map(outline).collect();
        if !outlines.is_empty() {
            layers.push(DrawingLayer { name: name.into(), outlines });
        }
    }
    if !layout.vias.is_empty() {
        let outlines = layout.vias.iter().map(|v| outline(&v.polygon)).collect();
        layers.push(DrawingLayer { name: "vias".into(), outlines });
    }
    let middle = |a: Point, b: Point| (0.5 * (a[0] + b[0]) * UM, 0.5 * (a[1] + b[1]) * UM);
    let mut marks = port_marks(layout);
    marks.extend(violations.iter().map(|v| Mark { name: short(v), at: middle(v.place[0], v.place[1]) }));
    let marks = gathered(marks, MARK_APART * (high[0] - low[0]) * UM);
    Drawing { title: format!("Layout {}", layout.name), layers, marks, stretch: 1.0 }
}

/// The ports of a layout, as marks of a picture.
pub(super) fn port_marks(layout: &Layout) -> Vec<Mark> {
    let Enclosure { low, high, .. } = layout.enclosure;
    let middle = |a: Point, b: Point| (0.5 * (a[0] + b[0]) * UM, 0.5 * (a[1] + b[1]) * UM);
    let marks: Vec<Mark> = layout
        .ports
        .iter()
        .map(|port| Mark {
            name: port.name.clone(),
            at: match &port.place {
                PortPlace::Gap { plus, minus } => {
                    let (a, b) = (middle(plus.edge[0], plus.edge[1]), middle(minus.edge[0], minus.edge[1]));
                    (0.5 * (a.0 + b.0), 0.5 * (a.1 + b.1))
                }
                PortPlace::Wall { side, centre_m, .. } => match side {
                    stackup::Side::West => (low[0] * UM, centre_m * UM),
                    stackup::Side::East => (high[0] * UM, centre_m * UM),
                    stackup::Side::South => (centre_m * UM, low[1] * UM),
                    stackup::Side::North => (centre_m * UM, high[1] * UM),
                },
            },
        })
        .collect();
    gathered(marks, MARK_APART * (high[0] - low[0]) * UM)
}

/// Marks nearer than this share of the width of the box share one name.
const MARK_APART: f64 = 0.02;

/// Marks closer than a distance as one, with all their names.
fn gathered(marks: Vec<Mark>, apart_um: f64) -> Vec<Mark> {
    let mut out: Vec<Mark> = Vec::new();
    for mark in marks {
        let near = |m: &&mut Mark| (m.at.0 - mark.at.0).hypot(m.at.1 - mark.at.1) < apart_um;
        match out.iter_mut().find(near) {
            Some(first) if first.name.split(", ").any(|name| name == mark.name) => {}
            Some(first) => first.name = format!("{}, {}", first.name, mark.name),
            None => out.push(mark),
        }
    }
    out
}

fn short(violation: &Violation) -> String {
    let kind = match &violation.rule {
        stackup::Rule::Width { .. } => "width",
        stackup::Rule::Space { .. } => "space",
        stackup::Rule::Overlap { .. } => "overlap",
        stackup::Rule::Edge { .. } => "edge",
    };
    format!("{kind} {:.1} µm", violation.found_m * UM)
}

/// Height of the section's picture over its width.
const SECTION_SHAPE: f64 = 0.45;
/// How far the section reaches below the lowest patterned metal, in heights of all patterned metal.
const BELOW: f64 = 1.5;
/// The same above the highest.
const ABOVE: f64 = 1.0;

/// Upright section of a layout along a line of constant y: layers of the stack with the metal and vias that are cut.
///
/// # Errors
/// A stack whose layers cannot stand as they do.
pub fn section(design: &Design, layout: &Layout, y_m: f64) -> Result<Option<Drawing>, ProjectError> {
    let Some(technology) = &design.technology else { return Ok(None) };
    let wrong = |source| ProjectError::Layout { layout: layout.name.clone(), source };
    let stack = &technology.stackup;
    let faces = stack.faces().map_err(wrong)?;
    let Enclosure { low, high, .. } = layout.enclosure;
    let metal = || faces.sheets.iter().flat_map(|s| [s.bottom_m, s.top_m]);
    let (lowest, highest) = metal().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), z| (l.min(z), h.max(z)));
    if !lowest.is_finite() {
        return Ok(None);
    }
    // what is far below and above the metal would only flatten what matters
    let span = (highest - lowest).max(10e-6);
    let shown = [(lowest - BELOW * span).max(0.0), highest + ABOVE * span];
    let bar = |x: [f64; 2], z: [f64; 2]| {
        let [x0, x1] = x.map(|x| x * UM);
        let [z0, z1] = z.map(|z| z.clamp(shown[0], shown[1]) * UM);
        vec![(x0, z0), (x1, z0), (x1, z1), (x0, z1)]
    };
    let mut layers = Vec::new();
    for slab in faces.slabs.iter().filter(|s| s.top_m > shown[0] && s.bottom_m < shown[1]) {
        let name = stack.layers.get(slab.layer).map_or("air", |l| l.name.as_str());
        let outlines = vec![bar([low[0], high[0]], [slab.bottom_m, slab.top_m])];
        layers.push(DrawingLayer { name: name.into(), outlines });
    }
    for sheet in &faces.sheets {
        let name = &stack.layers[sheet.layer].name;
        let cuts = layout.polygons_on(name).flat_map(|p| cut(p, y_m));
        let outlines: Vec<_> = cuts.map(|x| bar(x, [sheet.bottom_m, sheet.top_m])).collect();
        if !outlines.is_empty() {
            layers.push(DrawingLayer { name: name.clone(), outlines });
        }
    }
    let height = |name: &str, upper: bool| {
        let sheet = faces.sheets.iter().find(|s| stack.layers[s.layer].name == name);
        sheet.map_or(0.0, |s| if upper { s.top_m } else { s.bottom_m })
    };
    let of_via = |v: &Via| {
        let z = [height(&v.from, false), height(&v.to, true)];
        cut(&v.polygon, y_m).into_iter().map(move |x| bar(x, z)).collect::<Vec<_>>()
    };
    let outlines: Vec<_> = layout.vias.iter().flat_map(of_via).collect();
    if !outlines.is_empty() {
        layers.push(DrawingLayer { name: "vias".into(), outlines });
    }
    let stretch = (SECTION_SHAPE * (high[0] - low[0]) / (shown[1] - shown[0])).max(1.0).round();
    let title = format!(
        "Section of {} along y = {:.0} µm, heights {:.0} to {:.0} µm",
        layout.name,
        y_m * UM,
        shown[0] * UM,
        shown[1] * UM
    );
    Ok(Some(Drawing { title, layers, marks: Vec::new(), stretch }))
}

/// Where a line of constant y lies inside an outline.
fn cut(polygon: &Polygon, y_m: f64) -> Vec<[f64; 2]> {
    let mut at: Vec<f64> = polygon
        .edges()
        .filter(|(a, b)| (a[1] > y_m) != (b[1] > y_m))
        .map(|(a, b)| a[0] + (y_m - a[1]) / (b[1] - a[1]) * (b[0] - a[0]))
        .collect();
    at.sort_by(f64::total_cmp);
    at.chunks_exact(2).map(|pair| [pair[0], pair[1]]).collect()
}

/// Metal layers that a layout uses, for summaries.
pub fn metals_used(design: &Design, layout: &Layout) -> Vec<String> {
    let layers = design.technology.iter().flat_map(|t| &t.stackup.layers);
    let metal = layers.filter(|l| matches!(l.role, Role::Metal { .. })).map(|l| l.name.clone());
    metal.filter(|name| layout.polygons_on(name).next().is_some()).collect()
}
