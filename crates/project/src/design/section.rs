//! Parts that live on the stack: coupled lines from a cross-section, plate capacitors over a film.

use super::circuit::{GROUND, NAME_HELP, Part, PartKind, nodes_of, read_continuation};
use super::layout::{ItemKind, LayoutText};
use super::problem::ProblemKind;
use super::tree::{At, Rule, Table, meant_or_list};
use lines::Strip;
use quantity::{Frequency, Length, Time};
use stackup::{Role, Technology};

/// The stack as the circuit sees it.
pub(super) struct Process<'a> {
    /// True when the design names one, even when it cannot be read.
    pub(super) given: bool,
    /// The process.
    pub(super) technology: Option<&'a Technology>,
    /// Drawings; none of a name that could not be read.
    pub(super) layouts: &'a [Option<LayoutText>],
}

impl Process<'_> {
    /// Complains when the design has no stack.
    pub(super) fn must_be_there(&self, t: &Table<'_>, what: &str) {
        if !self.given {
            let message = format!("{what} needs a stack, and the design has none");
            let help = "add `[stackup]`, or `technology` with the name of a technology file";
            t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
        }
    }

    /// Complains unless the layer is there and of the right kind.
    pub(super) fn check_layer(&self, t: &Table<'_>, name: &At<String>, what: &str, fits: impl Fn(&Role) -> bool) {
        let Some(technology) = self.technology else { return };
        let layers = &technology.stackup.layers;
        if layers.iter().any(|l| l.name == name.value && fits(&l.role)) {
            return;
        }
        let known: Vec<&str> = layers.iter().filter(|l| fits(&l.role)).map(|l| l.name.as_str()).collect();
        let message = format!("there is no {what} `{}` in the stack", name.value);
        t.sink().push(ProblemKind::UnknownName, name.span.clone(), message, meant_or_list(&name.value, &known));
    }
}

/// `[[circuit.section]]`.
pub(super) fn read_section(t: Table<'_>, process: &Process<'_>) -> Option<Part> {
    process.must_be_there(&t, "a section");
    let name = t.required_text("name", NAME_HELP);
    let length = t.required::<Length>("length", Rule::Positive);
    let tables = t.tables("strip");
    if tables.is_empty() {
        let message = "this section has no `strip`".to_string();
        let help = "add one for each conductor, for example `strip = [{ name = \"upper\", layer = \"M2\", width = \"32 um\" }]`";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
    }
    let strips: Vec<Option<Strip>> = tables.into_iter().map(|s| read_strip(s, process)).collect();
    let strips = strips.into_iter().collect::<Option<Vec<_>>>();
    let walls = t.band::<Length>("walls", Rule::Any).map(|w| [w.value.0.si(), w.value.1.si()]);
    let n_lines = strips.as_ref().map(|s| s.iter().filter(|s| !s.reference).count());
    let help = "write one node a strip that is not grounded, the same number at both ends";
    let ends = ["near", "far"].map(|key| {
        let nodes = nodes_of(&t, key, &[], help)?;
        if let Some(n) = n_lines.filter(|n| *n != nodes.len()) {
            let message = format!("`{key}` has {} nodes for {n} strips that are not grounded", nodes.len());
            t.sink().push(ProblemKind::WrongCount, t.key_span(key), message, help);
            return None;
        }
        Some(nodes)
    });
    if let (Some(name), Some(strips), Some(technology)) = (&name, &strips, process.technology)
        && !strips.is_empty()
        && let Err(error) = lines::section_of_stack(&technology.stackup, strips, walls)
    {
        let help = "correct layer, width or offset of the strips";
        t.sink().push(ProblemKind::ImpossibleValue, name.span.clone(), error.to_string(), help);
    }
    t.finish();
    let [near, far] = ends;
    let nodes: Vec<At<String>> = near?.into_iter().chain(far?).collect();
    let kind = PartKind::Section { length: length?.value, strips: strips.filter(|s| !s.is_empty())?, walls_m: walls };
    Some(Part { name: name?, kind, nodes })
}

fn read_strip(t: Table<'_>, process: &Process<'_>) -> Option<Strip> {
    let layer = t.required_text("layer", "name the metal layer of the strip");
    if let Some(layer) = &layer {
        process.check_layer(&t, layer, "patterned metal", |r| matches!(r, Role::Metal { .. }));
    }
    let name = t.text("name");
    let width = t.required::<Length>("width", Rule::Positive);
    let centre_m = t.quantity::<Length>("offset", Rule::Any).map_or(0.0, |q| q.value.si());
    let reference = t.flag("grounded").unwrap_or(false);
    t.finish();
    let layer = layer?.value;
    let name = name.map_or_else(|| layer.clone(), |n| n.value);
    Some(Strip { name, layer, centre_m, width_m: width?.value.si(), reference })
}

/// `[[circuit.film_capacitor]]`.
pub(super) fn read_film_capacitor(t: Table<'_>, process: &Process<'_>) -> Option<Part> {
    process.must_be_there(&t, "a film capacitor");
    let name = t.required_text("name", NAME_HELP);
    let nodes = nodes_of(&t, "nodes", &[2], "write the nodes of the two plates");
    let film = t.required_text("film", "name the dielectric layer between the plates");
    if let Some(film) = &film {
        process.check_layer(&t, film, "dielectric layer", |r| matches!(r, Role::Dielectric { .. }));
    }
    if !t.has("size") {
        let message = "this capacitor has no `size`".to_string();
        let help = "add length and width of the smaller plate, for example `size = [\"200 um\", \"200 um\"]`";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
    }
    let size = t.quantities::<Length>("size", Rule::Positive);
    if let Some(size) = size.as_ref().filter(|s| s.value.len() != 2) {
        let message = format!("`size` has {} values, expected length and width", size.value.len());
        t.sink().push(ProblemKind::WrongCount, size.span.clone(), message, "write two lengths");
    }
    t.finish();
    let size: Vec<f64> = size?.value.iter().map(|q| q.value.si()).collect();
    let kind = PartKind::FilmCapacitor { film: film?.value, size_m: size.try_into().ok()? };
    Some(Part { name: name?, kind, nodes: nodes? })
}

/// What is asked of the field solution of a layout.
#[derive(Debug, Clone, PartialEq)]
pub struct SolutionText {
    /// Name of the layout.
    pub layout: String,
    /// Variables of the layout at other values, metre.
    pub variables: Vec<(String, f64)>,
    /// Ports of the layout in the order of the nodes of the part.
    pub ports: Vec<String>,
    /// Highest frequency, hertz.
    pub up_to_hz: f64,
    /// Distance of the frequencies, hertz; they begin at zero.
    pub step_hz: f64,
    /// Largest wanted error of any entry of S.
    pub error_max: f64,
    /// Pairs of ports whose entries drive the refinement; all when empty.
    pub targets: Vec<(usize, usize)>,
    /// Most meshes.
    pub meshes_max: usize,
    /// Memory that may be used, bytes.
    pub bytes_max: usize,
    /// Time that the factorisations may take, second.
    pub time_max_s: f64,
}

/// Frequencies from zero up unless a step is given.
const STEPS: f64 = 180.0;
/// Bytes in a gibibyte.
const GIB: f64 = 1_073_741_824.0;

/// `[[circuit.solution]]`.
pub(super) fn read_solution(t: Table<'_>, process: &Process<'_>) -> Option<Part> {
    let name = t.required_text("name", NAME_HELP);
    let layout = t.required_text("layout", "name one of the layouts");
    let drawn = layout.as_ref().and_then(|layout| drawing(&t, layout, process));
    let variables = read_changes(&t, drawn);
    let connections = read_connections(&t, drawn);
    let up_to = t.required::<Frequency>("up_to", Rule::Positive).map(|f| f.value.si());
    let step = t.quantity::<Frequency>("step", Rule::Positive).map(|f| f.value.si());
    let error_max = t.number("error", Rule::Positive).map_or(0.02, |x| x.value);
    let targets = read_targets(&t, connections.as_deref());
    let meshes_max = t.count("meshes", 1..=20).map_or(6, |n| n.value);
    let bytes_max = t.number("memory_gib", Rule::Positive).map_or(8.0, |x| x.value) * GIB;
    let time_max_s = t.quantity::<Time>("time", Rule::Positive).map_or(480.0, |q| q.value.si());
    let continuation = read_continuation(&t);
    let contains_pads = t.flag("contains_pads");
    t.finish();
    let (up_to_hz, connections) = (up_to?, connections?);
    let solution = SolutionText {
        layout: layout?.value,
        variables: variables?,
        ports: connections.iter().map(|c| c.0.value.clone()).collect(),
        up_to_hz,
        step_hz: step.unwrap_or(up_to_hz / STEPS).min(up_to_hz),
        error_max,
        targets: targets?,
        meshes_max,
        bytes_max: bytes_max as usize,
        time_max_s,
    };
    drawn?;
    let nodes = connections.into_iter().flat_map(|(_, nodes)| nodes).collect();
    let kind = PartKind::Solution { solution: Box::new(solution), continuation: continuation?, contains_pads };
    Some(Part { name: name?, kind, nodes })
}

fn drawing<'a>(t: &Table<'_>, layout: &At<String>, process: &Process<'a>) -> Option<&'a LayoutText> {
    let layouts = process.layouts;
    let found = layouts.iter().flatten().find(|l| l.name.value == layout.value);
    // a drawing that could not be read has complained already
    if found.is_none() && layouts.iter().all(Option::is_some) {
        let known: Vec<&str> = layouts.iter().flatten().map(|l| l.name.value.as_str()).collect();
        let message = format!("there is no layout `{}`", layout.value);
        t.sink().push(ProblemKind::UnknownName, layout.span.clone(), message, meant_or_list(&layout.value, &known));
    }
    found
}

fn read_changes(t: &Table<'_>, drawn: Option<&LayoutText>) -> Option<Vec<(String, f64)>> {
    let Some(table) = t.table("variables") else { return Some(Vec::new()) };
    let mut changes = Vec::new();
    for key in table.keys() {
        if let Some(layout) = drawn.filter(|l| l.variables.iter().all(|v| v.0 != key)) {
            let known: Vec<&str> = layout.variables.iter().map(|v| v.0.as_str()).collect();
            let message = format!("layout `{}` has no variable `{key}`", layout.name.value);
            t.sink().push(ProblemKind::UnknownName, table.key_span(&key), message, meant_or_list(&key, &known));
        }
        changes.push(table.quantity::<Length>(&key, Rule::Any).map(|q| (key.clone(), q.value.si())));
    }
    table.finish();
    changes.into_iter().collect()
}

/// Names of the ports a drawing has.
fn port_names(layout: &LayoutText) -> Vec<&str> {
    let is_port =
        |kind: &ItemKind| matches!(kind, ItemKind::Port { .. } | ItemKind::Site { .. } | ItemKind::Launch { .. });
    layout.items.iter().filter(|i| is_port(&i.kind)).map(|i| i.name.value.as_str()).collect()
}

/// A port of the layout with node and reference node.
type Connection = (At<String>, [At<String>; 2]);
type Connections = Vec<Connection>;

fn read_connections(t: &Table<'_>, drawn: Option<&LayoutText>) -> Option<Connections> {
    let help = "write one entry a port: its name, its node and, unless it is ground, its reference node";
    if !t.has("connect") {
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), "this solution has no `connect`".to_string(), help);
        return None;
    }
    let rows = t.text_rows("connect")?;
    let mut out: Connections = Vec::new();
    for row in rows.value {
        let span = row.span.clone();
        let ground = At { value: GROUND.to_string(), span: span.clone() };
        let (port, nodes) = match <[At<String>; 2]>::try_from(row.value.clone()) {
            Ok([port, node]) => (port, [node, ground]),
            Err(entry) => match <[At<String>; 3]>::try_from(entry) {
                Ok([port, node, reference]) => (port, [node, reference]),
                Err(entry) => {
                    let message = format!("an entry of `connect` has {} texts, expected 2 or 3", entry.len());
                    t.sink().push(ProblemKind::WrongCount, span, message, help);
                    return None;
                }
            },
        };
        if let Some(layout) = drawn {
            let known = port_names(layout);
            if !known.contains(&port.value.as_str()) {
                let message = format!("layout `{}` has no port `{}`", layout.name.value, port.value);
                let help = meant_or_list(&port.value, &known);
                t.sink().push(ProblemKind::UnknownName, port.span.clone(), message, help);
            }
        }
        if out.iter().any(|(other, _)| other.value == port.value) {
            let message = format!("port `{}` is connected twice", port.value);
            t.sink().push(ProblemKind::DuplicateName, port.span.clone(), message, help);
        }
        out.push((port, nodes));
    }
    if let Some(layout) = drawn {
        let free: Vec<&str> =
            port_names(layout).into_iter().filter(|p| out.iter().all(|(port, _)| port.value != *p)).collect();
        if !free.is_empty() {
            let message = format!("port {} of layout `{}` is not connected", free.join(", "), layout.name.value);
            t.sink().push(
                ProblemKind::WrongCount,
                rows.span,
                message,
                "connect every port; an unused one to a resistor",
            );
        }
    }
    Some(out)
}

fn read_targets(t: &Table<'_>, connections: Option<&[Connection]>) -> Option<Vec<(usize, usize)>> {
    if !t.has("targets") {
        return Some(Vec::new());
    }
    let rows = t.text_rows("targets")?;
    let mut out = Vec::new();
    for row in &rows.value {
        let index = |name: &At<String>| connections?.iter().position(|(port, _)| port.value == name.value);
        match row.value.as_slice() {
            [a, b] if index(a).is_some() && index(b).is_some() => out.extend(index(a).zip(index(b))),
            _ => {
                let message = "an entry of `targets` is not a pair of connected ports".to_string();
                let help = "write pairs of port names, for example `[[\"in\", \"left\"]]`";
                t.sink().push(ProblemKind::UnknownName, row.span.clone(), message, help);
                return None;
            }
        }
    }
    Some(out)
}
