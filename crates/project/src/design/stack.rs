//! The stack of a design file: materials, layers bottom up, rules and mask numbers; in the file or in a technology file.
//!
//! Input: `[stackup]`, or `technology = "file.toml"` with the same keys at its top. Output: [`stackup::Technology`].
//! Spreads are standard deviations: a quantity, or a ratio of the nominal value.

use super::problem::{DesignError, ProblemKind};
use super::process::{self, ProcessText};
use super::tree::{At, Rule, Sink, Table, meant_or_list};
use quantity::{Conductivity, Frequency, Length, Quantity, Ratio};
use stackup::{
    Dielectric, Dimension, Freedom, Layer, LayerMap, Measured, Metal, Role, Stackup, StackupError, Technology,
};
use std::path::Path;
use toml::de::{DeTable, DeValue};

/// Frequency at which permittivities hold unless said otherwise, hertz.
const GIVEN_AT_HZ: f64 = 10e9;

/// Reads the stack of a design, wherever it stands; none when the design has none.
///
/// A technology file may also say what spreads.
pub(super) fn read_technology(root: &Table<'_>, folder: &Path, sink: &Sink) -> Option<(Technology, Vec<ProcessText>)> {
    let file = root.text("technology");
    if let (Some(file), true) = (&file, root.has("stackup")) {
        let message = "the design has both `technology` and `[stackup]`".to_string();
        sink.push(ProblemKind::ImpossibleValue, file.span.clone(), message, "keep one of them");
        return None;
    }
    match file {
        Some(file) => read_file(&file, folder, sink),
        None => {
            let table = root.table("stackup")?;
            let technology = read_stack(&table);
            table.finish();
            technology.map(|t| (t, Vec::new()))
        }
    }
}

/// A technology file beside the design; its own problems become those of that file.
fn read_file(name: &At<String>, folder: &Path, sink: &Sink) -> Option<(Technology, Vec<ProcessText>)> {
    let path = folder.join(&name.value);
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) => {
            let message = format!("the technology file `{}` cannot be read: {error}", name.value);
            let help = "correct the name, or put the file beside the design file";
            sink.push(ProblemKind::File, name.span.clone(), message, help);
            return None;
        }
    };
    match parse_file(&name.value, &text) {
        Ok(found) => Some(found),
        Err(error) => {
            sink.elsewhere(error);
            None
        }
    }
}

/// Reads a technology file from its text; `file` is its name in messages.
///
/// # Errors
/// All problems of the text, in file order.
pub fn parse_technology(file: &str, text: &str) -> Result<Technology, DesignError> {
    Ok(parse_file(file, text)?.0)
}

fn parse_file(file: &str, text: &str) -> Result<(Technology, Vec<ProcessText>), DesignError> {
    let sink = Sink::default();
    let (document, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        let message = error.message().replace('\n', ", ");
        let help = "correct the TOML text; values with units stand in quotes";
        sink.push(ProblemKind::Syntax, error.span().unwrap_or(0..0), message, help);
    }
    let technology = if errors.is_empty() {
        let root = Table::new(document.get_ref(), 0..0, "", &sink);
        super::check_format(&root);
        let technology = read_stack(&root);
        let spreads = process::read_process(&root);
        root.finish();
        technology.map(|t| {
            process::check_of_stack(&t.stackup, &spreads, &sink);
            (t, spreads)
        })
    } else {
        None
    };
    match technology {
        Some(technology) if sink.is_empty() => Ok(technology),
        _ => Err(DesignError { file: file.into(), source_text: text.into(), problems: sink.into_problems() }),
    }
}

fn read_stack(t: &Table<'_>) -> Option<Technology> {
    let name = t.required_text("name", "name the process");
    let (dielectrics, metals) = read_materials(t);
    let tables = t.tables("layer");
    if tables.is_empty() {
        let message = "the stack has no layers".to_string();
        let help = "add one `[[stackup.layer]]` for each layer, bottom up (`[[layer]]` in a technology file)";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
    }
    let mut layers = Vec::new();
    let mut layer_map = Vec::new();
    let mut spans = Vec::new();
    for table in tables {
        let span = table.key_span("name");
        let read = read_layer(table, &dielectrics, &metals);
        spans.push(span);
        layers.push(read.map(|(layer, mask)| {
            layer_map.extend(mask);
            layer
        }));
    }
    let rules: Vec<Option<stackup::Rule>> = t.tables("rule").into_iter().map(read_rule).collect();
    let keep = |(_, d): (At<String>, Option<Dielectric>)| d;
    let stackup = Stackup {
        name: name?.value,
        dielectrics: dielectrics.into_iter().map(keep).collect::<Option<_>>()?,
        metals: metals.into_iter().map(|(_, m)| m).collect::<Option<_>>()?,
        layers: layers.into_iter().collect::<Option<_>>()?,
    };
    let technology =
        Technology { name: stackup.name.clone(), stackup, rules: rules.into_iter().collect::<Option<_>>()?, layer_map };
    match technology.check() {
        Ok(()) => Some(technology),
        Err(error) => {
            let place = place_of(&error, &technology.stackup, &spans).unwrap_or_else(|| t.span.clone());
            let help = "correct the layers; they stand bottom up, ground first, lid last";
            t.sink().push(ProblemKind::ImpossibleValue, place, error.to_string(), help);
            None
        }
    }
}

/// The layer an error is about.
fn place_of(error: &StackupError, stack: &Stackup, spans: &[std::ops::Range<usize>]) -> Option<std::ops::Range<usize>> {
    let about = |layer: &Layer| match error {
        StackupError::Misplaced { layer: name, .. } | StackupError::Duplicate { name } => *name == layer.name,
        StackupError::Number { what, .. } => what.starts_with(&layer.name),
        _ => false,
    };
    let index = stack.layers.iter().rposition(about)?;
    spans.get(index).cloned()
}

const MATERIAL_KEYS: [&str; 8] = [
    "conductivity",
    "conductivity_sd",
    "roughness",
    "permittivity",
    "permittivity_sd",
    "loss_tangent",
    "loss_tangent_sd",
    "given_at",
];

type Named<T> = Vec<(At<String>, Option<T>)>;

fn read_materials(t: &Table<'_>) -> (Named<Dielectric>, Named<Metal>) {
    let (mut dielectrics, mut metals) = (Vec::new(), Vec::new());
    let help = "add a table such as `[stackup.material.gold]` with its conductivity";
    let Some(table) = t.required_table("material", help) else { return (dielectrics, metals) };
    for (name, material) in table.named_tables() {
        match (material.has("conductivity"), material.has("permittivity")) {
            (true, false) => {
                let read = read_metal(&name.value, material);
                metals.push((name, read));
            }
            (false, true) => {
                let read = read_dielectric(&name.value, material);
                dielectrics.push((name, read));
            }
            _ => {
                let message = format!("material `{}` must have either `conductivity` or `permittivity`", name.value);
                let help = "write `conductivity` for a metal, `permittivity` for a dielectric";
                t.sink().push(ProblemKind::MissingKey, name.span.clone(), message, help);
                // a misspelt key is told too
                for key in MATERIAL_KEYS {
                    material.has(key);
                }
                material.finish();
                dielectrics.push((name, None));
            }
        }
    }
    (dielectrics, metals)
}

fn read_metal(name: &str, t: Table<'_>) -> Option<Metal> {
    let conductivity = t.required::<Conductivity>("conductivity", Rule::Positive);
    let nominal = conductivity.as_ref().map_or(0.0, |q| q.value.si());
    let sd = spread::<Conductivity>(&t, "conductivity_sd", nominal);
    let roughness_rms_m = t.quantity::<Length>("roughness", Rule::NotNegative).map_or(0.0, |q| q.value.si());
    t.finish();
    conductivity?;
    Some(Metal { name: name.into(), conductivity_s_per_m: Dimension::fixed(nominal, sd), roughness_rms_m })
}

fn read_dielectric(name: &str, t: Table<'_>) -> Option<Dielectric> {
    let permittivity = t.number("permittivity", Rule::Positive);
    if let Some(number) = permittivity.as_ref().filter(|n| n.value < 1.0) {
        let message = format!("`permittivity` is {}, below that of vacuum", number.value);
        t.sink().push(ProblemKind::ImpossibleValue, number.span.clone(), message, "a permittivity is 1 or more");
        return None;
    }
    let plain = |key: &str| t.number(key, Rule::NotNegative).map_or(0.0, |n| n.value);
    let eps_r = Dimension::fixed(permittivity.as_ref().map_or(1.0, |n| n.value), plain("permittivity_sd"));
    let loss_tangent = Dimension::fixed(plain("loss_tangent"), plain("loss_tangent_sd"));
    let at_hz = t.quantity::<Frequency>("given_at", Rule::Positive).map_or(GIVEN_AT_HZ, |q| q.value.si());
    t.finish();
    permittivity?;
    Some(Dielectric { name: name.into(), eps_r, loss_tangent, at_hz })
}

/// A standard deviation: a quantity, or a ratio of the nominal value; zero when absent.
fn spread<Q: Quantity>(t: &Table<'_>, key: &str, nominal: f64) -> f64 {
    let relative = t.get(key).is_some_and(|v| matches!(v.get_ref(), DeValue::String(s) if is_ratio(s)));
    if relative {
        return t.quantity::<Ratio>(key, Rule::NotNegative).map_or(0.0, |r| r.value.fraction() * nominal.abs());
    }
    t.quantity::<Q>(key, Rule::NotNegative).map_or(0.0, |q| q.value.stored())
}

fn is_ratio(text: &str) -> bool {
    let text = text.trim_end();
    text.ends_with('%') || text.ends_with("ppm")
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Ground,
    Metal,
    Dielectric,
    Lid,
}

const KINDS: [(&str, Kind); 4] =
    [("ground", Kind::Ground), ("metal", Kind::Metal), ("dielectric", Kind::Dielectric), ("lid", Kind::Lid)];

fn read_layer(
    t: Table<'_>,
    dielectrics: &Named<Dielectric>,
    metals: &Named<Metal>,
) -> Option<(Layer, Option<LayerMap>)> {
    let name = t.required_text("name", "name the layer, for example `name = \"film1\"`");
    if !t.has("kind") {
        let message = "this layer has no `kind`".to_string();
        let help = "write \"ground\", \"metal\", \"dielectric\" or \"lid\"";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
    }
    let kind = t.word("kind", &KINDS).map(|k| k.value);
    let material = t.required_text("material", "name one of the materials");
    let is_dielectric = kind == Some(Kind::Dielectric);
    if let (Some(material), Some(_)) = (&material, kind) {
        let names: Vec<&str> = if is_dielectric {
            dielectrics.iter().map(|(n, _)| n.value.as_str()).collect()
        } else {
            metals.iter().map(|(n, _)| n.value.as_str()).collect()
        };
        if !names.contains(&material.value.as_str()) {
            let what = if is_dielectric { "dielectric" } else { "metal" };
            let message = format!("there is no {what} `{}` among the materials", material.value);
            let help = meant_or_list(&material.value, &names);
            t.sink().push(ProblemKind::UnknownName, material.span.clone(), message, help);
        }
    }
    let thickness = read_thickness(&t);
    let role = match kind {
        Some(Kind::Ground) => Some(Role::Ground),
        Some(Kind::Lid) => Some(Role::Lid),
        Some(Kind::Dielectric) => {
            let words = [("surface", Measured::FromSurface), ("metal", Measured::OverMetal)];
            let measured = t.word("measured_from", &words).map_or(Measured::OverMetal, |w| w.value);
            Some(Role::Dielectric { measured })
        }
        Some(Kind::Metal) => Some(read_metal_role(&t)),
        None => None,
    };
    let mask = name.as_ref().and_then(|name| read_mask(&t, &name.value));
    t.finish();
    let layer = Layer { name: name?.value, role: role?, material: material?.value, thickness_m: thickness? };
    Some((layer, mask))
}

fn read_thickness(t: &Table<'_>) -> Option<Dimension> {
    let thickness = t.required::<Length>("thickness", Rule::NotNegative);
    let nominal = thickness.as_ref().map_or(0.0, |q| q.value.si());
    let sd = spread::<Length>(t, "thickness_sd", nominal);
    let range = t.band::<Length>("thickness_range", Rule::Positive);
    let freedom = match &range {
        None => Freedom::Fixed,
        Some(range) => {
            let (min, max) = (range.value.0.si(), range.value.1.si());
            if thickness.is_some() && !(min..=max).contains(&nominal) {
                let message = format!("`thickness` is {}, outside `thickness_range`", Length::m(nominal));
                let help = "write a thickness the process offers, or widen the range";
                t.sink().push(ProblemKind::ImpossibleValue, range.span.clone(), message, help);
                return None;
            }
            Freedom::Free { min, max }
        }
    };
    thickness?;
    Some(Dimension { nominal, sd, freedom })
}

fn read_metal_role(t: &Table<'_>) -> Role {
    let length = |key: &str, rule| t.quantity::<Length>(key, rule).map_or(0.0, |q| q.value.si());
    let width_bias_m = Dimension::fixed(length("width_bias", Rule::Any), length("width_bias_sd", Rule::NotNegative));
    let sd = length("registration_sd", Rule::NotNegative);
    let registration_m = ["registration_x", "registration_y"].map(|key| Dimension::fixed(length(key, Rule::Any), sd));
    Role::Metal { width_bias_m, registration_m }
}

/// Layer number and data type in mask data.
fn read_mask(t: &Table<'_>, layer: &str) -> Option<LayerMap> {
    let number = t.count("mask", 0..=32767)?;
    let datatype = t.count("mask_type", 0..=32767).map_or(0, |n| n.value);
    let small = |n: usize| i16::try_from(n).ok();
    Some(LayerMap { layer: layer.into(), number: small(number.value)?, datatype: small(datatype)? })
}

#[derive(Clone, Copy)]
enum RuleKind {
    Width,
    Space,
    Overlap,
    Edge,
}

fn read_rule(t: Table<'_>) -> Option<stackup::Rule> {
    let kinds = [
        ("width", RuleKind::Width),
        ("space", RuleKind::Space),
        ("overlap", RuleKind::Overlap),
        ("edge", RuleKind::Edge),
    ];
    if !t.has("kind") {
        let message = "this rule has no `kind`".to_string();
        let help = "write \"width\", \"space\", \"overlap\" or \"edge\"";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
    }
    let kind = t.word("kind", &kinds);
    let layer = t.required_text("layer", "name the metal layer the rule is about");
    let inner = t.text("inner").map(|i| i.value);
    let min = t.required::<Length>("at_least", Rule::Positive);
    t.finish();
    let (kind, layer, min_m) = (kind?.value, layer?.value, min?.value.si());
    Some(match kind {
        RuleKind::Width => stackup::Rule::Width { layer, min_m },
        RuleKind::Space => stackup::Rule::Space { layer, min_m },
        RuleKind::Overlap => stackup::Rule::Overlap { inner, outer: layer, min_m },
        RuleKind::Edge => stackup::Rule::Edge { layer, min_m },
    })
}
