//! Drawings of a design file: metal, vias and ports from a few generators, driven by named variables.
//!
//! Input: `[layout.NAME]`. Output: [`LayoutText`], drawn by [`crate::field::draw`]. Every length is an [`Expression`].

use super::expression::Expression;
use super::problem::ProblemKind;
use super::section::Process;
use super::tree::{At, Rule, Table, meant_or_list};
use quantity::{Angle, Length, Resistance};
use stackup::{Corner, Role, Side, Wall};

/// A point of the plan.
pub type PointText = [Expression; 2];

/// A drawing as written.
#[derive(Debug, Clone, PartialEq)]
pub struct LayoutText {
    /// Name.
    pub name: At<String>,
    /// Variables with their values, metre.
    pub variables: Vec<(String, f64)>,
    /// Opposite corners of the box.
    pub corners: [PointText; 2],
    /// Walls: west, east, south, north.
    pub walls: [Wall; 4],
    /// Axis the drawing is its own mirror image along, 0 for x, 1 for y.
    pub mirrored: Option<usize>,
    /// What is drawn, in the order of the generators below.
    pub items: Vec<Item>,
}

/// One thing drawn, with its place in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    /// Name; the layer when none is given.
    pub name: At<String>,
    /// What.
    pub kind: ItemKind,
}

/// Metal layer, width and what happens at bends.
#[derive(Debug, Clone, PartialEq)]
pub struct Stroke {
    /// Metal layer.
    pub layer: String,
    /// Width.
    pub width: Expression,
    /// Bends.
    pub corner: Corner,
}

/// Metal that carries one side of a port.
#[derive(Debug, Clone, PartialEq)]
pub struct TerminalText {
    /// Metal layer, or the ground layer.
    pub layer: String,
    /// Both ends of the edge.
    pub edge: [PointText; 2],
}

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs)] // fields are the keys of docs/design-file.md
pub enum ItemKind {
    /// Strip along a line.
    Trace { stroke: Stroke, axis: Vec<PointText>, extension: Option<Expression> },
    /// Strips side by side or above each other along a line: layer, name, width, offset.
    Coupled { axis: Vec<PointText>, strips: Vec<(Stroke, String, Option<Expression>)> },
    /// Stub from a point.
    Stub { stroke: Stroke, from: PointText, angle_deg: f64, length: Expression },
    /// Strip folded into runs.
    Fold { stroke: Stroke, from: PointText, length: Expression, runs: usize, pitch: Expression },
    /// Strip of changing width.
    Taper { stroke: Stroke, from: PointText, to: PointText, to_width: Expression },
    /// Rectangle.
    Pad { layer: String, centre: PointText, size: PointText },
    /// Any outline.
    Polygon { layer: String, corners: Vec<PointText> },
    /// Filled vias: one at a centre, or as many as fit between two corners at a pitch.
    Via { between: [String; 2], material: String, diameter: Expression, at: ViaPlace },
    /// Two pads with a port between them.
    Site { layer: String, centre: PointText, angle_deg: f64, gap: Expression, size: PointText, ohm: f64 },
    /// From the edge of the box to an inner line, with a port.
    Launch { stroke: Stroke, side: Side, at: Expression, depth: Expression, outside: OutsideText, ohm: f64 },
    /// Port between two edges of metal.
    Port { plus: TerminalText, minus: TerminalText, ohm: f64 },
    /// Polygons of a mask file; names of its layers are those of the stack.
    Mask { file: String },
}

/// Where vias stand.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs)]
pub enum ViaPlace {
    One(PointText),
    Field { corners: [PointText; 2], pitch: Expression },
}

/// How a launch reaches the outside.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs)]
pub enum OutsideText {
    /// The line runs into the wall, this wide there.
    Line { width: Expression },
    /// A pad with a port to the ground layer.
    Pad { size: PointText, from_edge: Expression, ground: String },
}

/// Reads all drawings.
pub(super) fn read_layouts(root: &Table<'_>, process: &Process<'_>) -> Vec<Option<LayoutText>> {
    let Some(table) = root.table("layout") else { return Vec::new() };
    process.must_be_there(&table, "a layout");
    let read = table.named_tables().into_iter().map(|(name, t)| read_layout(name, t, process)).collect();
    table.finish();
    read
}

/// A table of a drawing with what its lengths may name.
struct Drawn<'t, 'a> {
    t: &'t Table<'a>,
    variables: &'t [(String, f64)],
    process: &'t Process<'t>,
}

fn read_layout(name: At<String>, t: Table<'_>, process: &Process<'_>) -> Option<LayoutText> {
    let mut variables = Vec::new();
    if let Some(table) = t.table("variable") {
        for key in table.keys() {
            if let Some(q) = table.quantity::<Length>(&key, Rule::Any) {
                variables.push((key, q.value.si()));
            }
        }
        table.finish();
    }
    let whole = Drawn { t: &t, variables: &variables, process };
    let corners = [whole.point("low"), whole.point("high")];
    let words = [("metal", Wall::Metal), ("open", Wall::Open), ("mirror", Wall::Magnetic)];
    let mut walls = [Wall::Metal; 4];
    for (wall, key) in walls.iter_mut().zip(["west", "east", "south", "north"]) {
        *wall = t.word(key, &words).map_or(Wall::Metal, |w| w.value);
    }
    let mirrored = t.word("mirrored", &[("x", 0), ("y", 1)]).map(|w| w.value);
    let mut items: Vec<Option<Item>> = Vec::new();
    type Reader = fn(&Drawn<'_, '_>) -> Option<ItemKind>;
    let readers: [(&str, Reader); 12] = [
        ("trace", |d| d.trace()),
        ("coupled", |d| d.coupled()),
        ("stub", |d| d.stub()),
        ("fold", |d| d.fold()),
        ("taper", |d| d.taper()),
        ("pad", |d| d.pad()),
        ("polygon", |d| d.polygon()),
        ("via", |d| d.via()),
        ("mask", |d| d.mask()),
        ("site", |d| d.site()),
        ("launch", |d| d.launch()),
        ("port", |d| d.port()),
    ];
    for (key, reader) in readers {
        for table in t.tables(key) {
            let name = table.text("name").unwrap_or(At { value: key.into(), span: table.span.clone() });
            let kind = reader(&Drawn { t: &table, variables: &variables, process });
            table.finish();
            items.push(kind.map(|kind| Item { name, kind }));
        }
    }
    t.finish();
    let [low, high] = corners;
    let items = items.into_iter().collect::<Option<_>>()?;
    Some(LayoutText { name, variables, corners: [low?, high?], walls, mirrored, items })
}

impl Drawn<'_, '_> {
    fn expression(&self, key: &str, text: &At<String>) -> Option<Expression> {
        let complain = |message: String, help: String| {
            self.t.sink().push(ProblemKind::Quantity, text.span.clone(), format!("`{key}`: {message}"), help);
        };
        match Expression::parse(&text.value) {
            Ok(expression) => {
                let known: Vec<&str> = self.variables.iter().map(|v| v.0.as_str()).collect();
                if let Some(name) = expression.variables().find(|n| !known.contains(n)) {
                    complain(format!("there is no variable `{name}`"), meant_or_list(name, &known));
                    return None;
                }
                Some(expression)
            }
            Err(message) => {
                complain(message, "write a sum of lengths and variables, for example \"2*section + 120 um\"".into());
                None
            }
        }
    }

    fn optional(&self, key: &str) -> Option<Expression> {
        let text = self.t.text(key)?;
        self.expression(key, &text)
    }

    fn length(&self, key: &str) -> Option<Expression> {
        let text = self.t.required_text(key, "write a length, a variable or a sum of them")?;
        self.expression(key, &text)
    }

    fn missing(&self, key: &str, help: &str) {
        let message = format!("this entry has no `{key}`");
        self.t.sink().push(ProblemKind::MissingKey, self.t.span.clone(), message, help);
    }

    fn pair(&self, key: &str, row: &At<Vec<At<String>>>) -> Option<PointText> {
        if row.value.len() != 2 {
            let message = format!("`{key}` has a point of {} values, expected x and y", row.value.len());
            self.t.sink().push(ProblemKind::WrongCount, row.span.clone(), message, "write two lengths");
            return None;
        }
        let [x, y] = [0, 1].map(|i| self.expression(key, &row.value[i]));
        Some([x?, y?])
    }

    fn point(&self, key: &str) -> Option<PointText> {
        if !self.t.has(key) {
            self.missing(key, "write two lengths, x and y");
            return None;
        }
        self.pair(key, &self.t.texts(key)?)
    }

    fn points(&self, key: &str) -> Option<Vec<PointText>> {
        if !self.t.has(key) {
            self.missing(key, "write a list of points, for example `[[\"0 um\", \"0 um\"], [\"section\", \"0 um\"]]`");
            return None;
        }
        let rows = self.t.text_rows(key)?;
        rows.value.iter().map(|row| self.pair(key, row)).collect()
    }

    fn layer(&self, key: &str, also_ground: bool) -> Option<String> {
        let layer = self.t.required_text(key, "name a metal layer of the stack")?;
        let fits = |r: &Role| matches!(r, Role::Metal { .. }) || (also_ground && matches!(r, Role::Ground));
        self.process.check_layer(self.t, &layer, "metal layer", fits);
        Some(layer.value)
    }

    fn corner(&self) -> Corner {
        let share = self.t.number("mitre", Rule::NotNegative).map_or(0.6, |x| x.value);
        let words = [("sharp", Corner::Sharp), ("mitred", Corner::Mitred(share))];
        self.t.word("corner", &words).map_or(Corner::Sharp, |w| w.value)
    }

    fn stroke(&self) -> Option<Stroke> {
        let (layer, width, corner) = (self.layer("layer", false), self.length("width"), self.corner());
        Some(Stroke { layer: layer?, width: width?, corner })
    }

    fn ohm(&self) -> f64 {
        self.t.quantity::<Resistance>("resistance", Rule::Positive).map_or(50.0, |q| q.value.si())
    }

    fn angle_deg(&self) -> f64 {
        self.t.quantity::<Angle>("angle", Rule::Any).map_or(0.0, |q| q.value.deg())
    }

    fn trace(&self) -> Option<ItemKind> {
        let (stroke, axis, extension) = (self.stroke(), self.points("axis"), self.optional("extension"));
        Some(ItemKind::Trace { stroke: stroke?, axis: axis?, extension })
    }

    fn coupled(&self) -> Option<ItemKind> {
        let axis = self.points("axis");
        let corner = self.corner();
        let mut strips = Vec::new();
        for table in self.t.tables("strip") {
            let own = Drawn { t: &table, variables: self.variables, process: self.process };
            let (layer, width, offset) = (own.layer("layer", false), own.length("width"), own.optional("offset"));
            let name = table.text("name").map(|n| n.value);
            table.finish();
            strips.push(layer.zip(width).map(|(layer, width)| {
                let name = name.unwrap_or_else(|| layer.clone());
                (Stroke { layer, width, corner }, name, offset)
            }));
        }
        Some(ItemKind::Coupled { axis: axis?, strips: strips.into_iter().collect::<Option<_>>()? })
    }

    fn stub(&self) -> Option<ItemKind> {
        let (stroke, from, length) = (self.stroke(), self.point("from"), self.length("length"));
        Some(ItemKind::Stub { stroke: stroke?, from: from?, angle_deg: self.angle_deg(), length: length? })
    }

    fn fold(&self) -> Option<ItemKind> {
        let (stroke, from, length) = (self.stroke(), self.point("from"), self.length("length"));
        let (runs, pitch) = (self.t.count("runs", 1..=1000), self.length("pitch"));
        let runs = runs.map_or(2, |n| n.value);
        Some(ItemKind::Fold { stroke: stroke?, from: from?, length: length?, runs, pitch: pitch? })
    }

    fn taper(&self) -> Option<ItemKind> {
        let (stroke, from, to) = (self.stroke(), self.point("from"), self.point("to"));
        let to_width = self.length("to_width");
        Some(ItemKind::Taper { stroke: stroke?, from: from?, to: to?, to_width: to_width? })
    }

    fn pad(&self) -> Option<ItemKind> {
        let (layer, centre, size) = (self.layer("layer", false), self.point("centre"), self.point("size"));
        Some(ItemKind::Pad { layer: layer?, centre: centre?, size: size? })
    }

    fn polygon(&self) -> Option<ItemKind> {
        let (layer, corners) = (self.layer("layer", false), self.points("corners"));
        Some(ItemKind::Polygon { layer: layer?, corners: corners? })
    }

    fn via(&self) -> Option<ItemKind> {
        let between = [self.layer("lower", true), self.layer("upper", false)];
        let material = self.t.required_text("material", "name a metal of the stack");
        if let (Some(material), Some(technology)) = (&material, self.process.technology) {
            let names: Vec<&str> = technology.stackup.metals.iter().map(|m| m.name.as_str()).collect();
            if !names.contains(&material.value.as_str()) {
                let message = format!("there is no metal `{}` among the materials", material.value);
                let help = meant_or_list(&material.value, &names);
                self.t.sink().push(ProblemKind::UnknownName, material.span.clone(), message, help);
            }
        }
        let diameter = self.length("diameter");
        let at = if self.t.has("pitch") {
            let (low, high, pitch) = (self.point("low"), self.point("high"), self.length("pitch"));
            ViaPlace::Field { corners: [low?, high?], pitch: pitch? }
        } else {
            ViaPlace::One(self.point("centre")?)
        };
        let [lower, upper] = between;
        Some(ItemKind::Via { between: [lower?, upper?], material: material?.value, diameter: diameter?, at })
    }

    fn mask(&self) -> Option<ItemKind> {
        let file = self.t.required_text("file", "name a mask file beside the design file")?;
        Some(ItemKind::Mask { file: file.value })
    }

    fn site(&self) -> Option<ItemKind> {
        let (layer, centre) = (self.layer("layer", false), self.point("centre"));
        let (gap, size) = (self.length("gap"), self.point("size"));
        let (angle_deg, ohm) = (self.angle_deg(), self.ohm());
        Some(ItemKind::Site { layer: layer?, centre: centre?, angle_deg, gap: gap?, size: size?, ohm })
    }

    fn launch(&self) -> Option<ItemKind> {
        let sides = [("west", Side::West), ("east", Side::East), ("south", Side::South), ("north", Side::North)];
        if !self.t.has("side") {
            self.missing("side", "write \"west\", \"east\", \"south\" or \"north\"");
        }
        let side = self.t.word("side", &sides).map(|w| w.value);
        let (stroke, at, depth) = (self.stroke(), self.length("at"), self.length("depth"));
        let outside = if self.t.has("pad") {
            let (size, from_edge, ground) = (self.point("pad"), self.length("from_edge"), self.layer("ground", true));
            OutsideText::Pad { size: size?, from_edge: from_edge?, ground: ground? }
        } else {
            OutsideText::Line { width: self.length("outer_width")? }
        };
        Some(ItemKind::Launch { stroke: stroke?, side: side?, at: at?, depth: depth?, outside, ohm: self.ohm() })
    }

    fn port(&self) -> Option<ItemKind> {
        let terminal = |key: &str| {
            let Some(table) = self.t.table(key) else {
                self.missing(key, "add a table with `layer` and `edge`");
                return None;
            };
            let own = Drawn { t: &table, variables: self.variables, process: self.process };
            let (layer, points) = (own.layer("layer", true), own.points("edge"));
            if let Some(points) = points.as_ref().filter(|p| p.len() != 2) {
                let message = format!("`edge` has {} points, expected its two ends", points.len());
                self.t.sink().push(ProblemKind::WrongCount, table.key_span("edge"), message, "write two points");
            }
            table.finish();
            Some(TerminalText { layer: layer?, edge: points?.try_into().ok()? })
        };
        let (plus, minus) = (terminal("plus"), terminal("minus"));
        Some(ItemKind::Port { plus: plus?, minus: minus?, ohm: self.ohm() })
    }
}
