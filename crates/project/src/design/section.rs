//! Parts that live on the stack: coupled lines from a cross-section, plate capacitors over a film.

use super::circuit::{NAME_HELP, Part, PartKind, nodes_of};
use super::problem::ProblemKind;
use super::tree::{At, Rule, Table, meant_or_list};
use lines::Strip;
use quantity::Length;
use stackup::{Role, Technology};

/// The stack as the circuit sees it.
pub(super) struct Process<'a> {
    /// True when the design names one, even when it cannot be read.
    pub(super) given: bool,
    /// The process.
    pub(super) technology: Option<&'a Technology>,
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
