//! The circuit of a design file: a ready-made template, or parts joined at named nodes.
//!
//! Nodes are texts; `0` is ground; `open` is an end that is meant to be open (each use is a node of its own).

use super::model::DiodeModel;
use super::problem::ProblemKind;
use super::section::{Process, SolutionText, read_film_capacitor, read_section, read_solution};
use super::tree::{At, Rule, Table, meant_or_list};
use diode::Deviation;
use network::Continuation;
use quantity::{
    AttenuationPerLength, Capacitance, CapacitancePerLength, Frequency, Inductance, InductancePerLength, Length, Ratio,
    Resistance, ResistancePerLength, Voltage,
};
use spec::PortName;

/// Name of the ground node.
pub const GROUND: &str = "0";
/// Name of an end that is meant to be open.
pub const OPEN: &str = "open";

/// Ready-made circuits with ideal baluns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Template {
    /// One diode in series with the three ports.
    Single,
    /// Two diodes in opposite directions in series with the three ports.
    Antiparallel,
    /// Two diodes across a centre-tapped LO winding; RF and IF in series at their common node.
    SingleBalanced,
    /// Four diodes in a ring and two baluns.
    Ring,
    /// Four diodes from a common IF node.
    Star,
    /// Two rings, eight diodes.
    DoubleRing,
    /// Two rings in quadrature, eight diodes.
    ImageReject,
}

const TEMPLATES: [(&str, Template); 7] = [
    ("single", Template::Single),
    ("antiparallel", Template::Antiparallel),
    ("single_balanced", Template::SingleBalanced),
    ("ring", Template::Ring),
    ("star", Template::Star),
    ("double_ring", Template::DoubleRing),
    ("image_reject", Template::ImageReject),
];

/// Loss of a line that rises with the square root of frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineLoss {
    /// Attenuation at `at`.
    pub attenuation: AttenuationPerLength,
    /// Frequency of that value.
    pub at: Frequency,
}

/// Constants per length of coupled lines, SI, conductor by conductor.
#[derive(Debug, Clone, PartialEq)]
pub struct CoupledConstants {
    /// Maxwell capacitance matrix, farad per metre.
    pub capacitance_f_per_m: Vec<Vec<f64>>,
    /// Inductance matrix, henry per metre.
    pub inductance_h_per_m: Vec<Vec<f64>>,
    /// Series resistance of each conductor at `resistance_at_hz`, ohm per metre; rises with √f.
    pub resistance_ohm_per_m: Vec<f64>,
    /// Frequency of the resistances, hertz.
    pub resistance_at_hz: f64,
    /// Loss tangent of the dielectric.
    pub loss_tangent: f64,
}

/// What a part is.
#[derive(Debug, Clone, PartialEq)]
pub enum PartKind {
    /// Resistor.
    Resistor(Resistance),
    /// Inductor.
    Inductor(Inductance),
    /// Capacitor.
    Capacitor(Capacitance),
    /// Line between the first two nodes and the reference nodes behind them (ground when there are only two).
    Line {
        /// Impedance, ohm.
        impedance: Resistance,
        /// Effective permittivity.
        permittivity: f64,
        /// Length.
        length: Length,
        /// Loss; none for a lossless line.
        loss: Option<LineLoss>,
    },
    /// Coupled lines over ground: the near ends in conductor order, then the far ends.
    Coupled {
        /// Length.
        length: Length,
        /// Constants per length.
        constants: CoupledConstants,
    },
    /// Coupled lines of a cross-section of the stack: the near ends of the strips that are not grounded, in their
    /// order, then the far ends.
    Section {
        /// Length.
        length: Length,
        /// Strips as drawn.
        strips: Vec<lines::Strip>,
        /// Places of metal side walls, metre.
        walls_m: Option<[f64; 2]>,
    },
    /// Plates over a film of the stack.
    FilmCapacitor {
        /// Dielectric layer.
        film: String,
        /// Length and width of the smaller plate, metre.
        size_m: [f64; 2],
    },
    /// Field solution of a layout: two nodes a port.
    Solution {
        /// What is asked.
        solution: Box<SolutionText>,
        /// Beyond the last frequency.
        continuation: Continuation,
        /// Whether pads and fingers of the diodes are part of the drawing; none when unknown.
        contains_pads: Option<bool>,
    },
    /// Ideal transformer: two nodes a winding, dotted end first.
    Transformer {
        /// Turns of each winding.
        turns: Vec<f64>,
    },
    /// Network data: one node a port, against ground.
    Block {
        /// File as written, relative to the design file.
        file: String,
        /// Beyond the last frequency.
        continuation: Continuation,
        /// Accept departures from the standard that are common, with a remark.
        lenient: bool,
        /// Whether pads and fingers of the diodes are part of the data; none when unknown.
        contains_pads: Option<bool>,
    },
}

/// One part.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Name.
    pub name: At<String>,
    /// What it is.
    pub kind: PartKind,
    /// Its nodes in the order of the kind.
    pub nodes: Vec<At<String>>,
}

/// An external port.
#[derive(Debug, Clone, PartialEq)]
pub struct PortText {
    /// Which port of the mixer.
    pub role: At<PortName>,
    /// Signal node and reference node.
    pub nodes: [At<String>; 2],
    /// Reference and terminating resistance.
    pub resistance: Resistance,
}

/// A diode site.
#[derive(Debug, Clone, PartialEq)]
pub struct DiodeSite {
    /// Name.
    pub name: At<String>,
    /// Position of the model in [`super::Design::models`].
    pub model_idx: usize,
    /// Anode node.
    pub anode: At<String>,
    /// Cathode node.
    pub cathode: At<String>,
    /// Difference from the model.
    pub deviation: Deviation,
}

/// Free connection of parts.
#[derive(Debug, Clone, PartialEq)]
pub struct FreeCircuit {
    /// Parts without diodes.
    pub parts: Vec<Part>,
    /// External ports: LO, RF, IF.
    pub ports: Vec<PortText>,
    /// Diode sites, in the order of the file.
    pub diodes: Vec<DiodeSite>,
}

/// The circuit.
#[derive(Debug, Clone, PartialEq)]
pub enum CircuitText {
    /// A ready-made one.
    Template {
        /// Which.
        template: Template,
        /// Position of the diode model in [`super::Design::models`].
        model_idx: usize,
        /// Resistance of LO, RF and IF.
        resistance: [Resistance; 3],
        /// Differences of the diodes from the model, by position; missing ones are zero.
        deviations: Vec<Deviation>,
    },
    /// A free one.
    Free(FreeCircuit),
}

type Models = [(At<String>, Option<DiodeModel>)];

pub(super) fn read_circuit(root: &Table<'_>, models: &Models, process: &Process<'_>) -> Option<CircuitText> {
    let table =
        root.required_table("circuit", "add `[circuit]` with a `template`, or parts such as `[[circuit.port]]`")?;
    let circuit =
        if table.has("template") { read_template(&table, models) } else { read_free(&table, models, process) };
    table.finish();
    circuit
}

fn read_template(table: &Table<'_>, models: &Models) -> Option<CircuitText> {
    let template = table.word("template", &TEMPLATES);
    let model_idx = model_of(table, models);
    let resistance = ["lo_resistance", "rf_resistance", "if_resistance"]
        .map(|key| table.quantity::<Resistance>(key, Rule::Positive).map_or(Resistance::ohm(50.0), |q| q.value));
    let deviations: Vec<Deviation> = table.tables("deviation").into_iter().map(read_deviation).collect();
    let template = template?.value;
    if deviations.len() > template.n_diodes() {
        let message = format!("{} deviations for {} diodes", deviations.len(), template.n_diodes());
        let help = "write one `[[circuit.deviation]]` a diode, in the order of the diodes";
        table.sink().push(ProblemKind::WrongCount, table.key_span("deviation"), message, help);
    }
    Some(CircuitText::Template { template, model_idx: model_idx?, resistance, deviations })
}

fn model_of(table: &Table<'_>, models: &Models) -> Option<usize> {
    let model = table.required_text("model", "name one of the models under `[diode.…]`")?;
    let found = models.iter().position(|(name, _)| name.value == model.value);
    if found.is_none() {
        let names: Vec<&str> = models.iter().map(|(n, _)| n.value.as_str()).collect();
        let message = format!("there is no diode model `{}`", model.value);
        table.sink().push(ProblemKind::UnknownName, model.span, message, meant_or_list(&model.value, &names));
    }
    found
}

fn read_free(table: &Table<'_>, models: &Models, process: &Process<'_>) -> Option<CircuitText> {
    let mut parts: Vec<Option<Part>> = Vec::new();
    parts.extend(table.tables("resistor").into_iter().map(|t| {
        two_terminal(t, |t| Some(PartKind::Resistor(t.required::<Resistance>("resistance", Rule::NotNegative)?.value)))
    }));
    parts.extend(table.tables("inductor").into_iter().map(|t| {
        two_terminal(t, |t| Some(PartKind::Inductor(t.required::<Inductance>("inductance", Rule::NotNegative)?.value)))
    }));
    parts.extend(table.tables("capacitor").into_iter().map(|t| {
        two_terminal(t, |t| {
            Some(PartKind::Capacitor(t.required::<Capacitance>("capacitance", Rule::NotNegative)?.value))
        })
    }));
    parts.extend(table.tables("line").into_iter().map(read_line));
    parts.extend(table.tables("coupled_lines").into_iter().map(read_coupled));
    parts.extend(table.tables("section").into_iter().map(|t| read_section(t, process)));
    parts.extend(table.tables("film_capacitor").into_iter().map(|t| read_film_capacitor(t, process)));
    parts.extend(table.tables("solution").into_iter().map(|t| read_solution(t, process)));
    parts.extend(table.tables("transformer").into_iter().map(read_transformer));
    parts.extend(table.tables("block").into_iter().map(read_block));
    let ports: Vec<Option<PortText>> = table.tables("port").into_iter().map(read_port).collect();
    let diodes: Vec<Option<DiodeSite>> = table.tables("diode").into_iter().map(|t| read_site(t, models)).collect();
    Some(CircuitText::Free(FreeCircuit {
        parts: parts.into_iter().collect::<Option<_>>()?,
        ports: ports.into_iter().collect::<Option<_>>()?,
        diodes: diodes.into_iter().collect::<Option<_>>()?,
    }))
}

pub(super) const NAME_HELP: &str = "give every part a name of its own, for example `name = \"L1\"`";

pub(super) fn nodes_of(t: &Table<'_>, key: &str, expected: &[usize], help: &str) -> Option<Vec<At<String>>> {
    if !t.has(key) {
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), format!("this part has no `{key}`"), help);
        return None;
    }
    let nodes = t.texts(key)?;
    if !expected.is_empty() && !expected.contains(&nodes.value.len()) {
        let counts: Vec<String> = expected.iter().map(usize::to_string).collect();
        let message = format!("`{key}` has {} entries, expected {}", nodes.value.len(), counts.join(" or "));
        t.sink().push(ProblemKind::WrongCount, nodes.span, message, help);
        return None;
    }
    for node in &nodes.value {
        if node.value.trim().is_empty() {
            let message = "a node has an empty name".to_string();
            t.sink().push(ProblemKind::ImpossibleValue, node.span.clone(), message, "name the node");
            return None;
        }
    }
    Some(nodes.value)
}

fn two_terminal(t: Table<'_>, kind: impl Fn(&Table<'_>) -> Option<PartKind>) -> Option<Part> {
    let name = t.required_text("name", NAME_HELP);
    let nodes = nodes_of(&t, "nodes", &[2], "write both ends, for example `nodes = [\"a\", \"0\"]`");
    let kind = kind(&t);
    t.finish();
    Some(Part { name: name?, kind: kind?, nodes: nodes? })
}

fn read_line(t: Table<'_>) -> Option<Part> {
    let name = t.required_text("name", NAME_HELP);
    let help = "write `[from, to]` for a line over ground, or `[from, from_reference, to, to_reference]`";
    let nodes = nodes_of(&t, "nodes", &[2, 4], help);
    let impedance = t.required::<Resistance>("impedance", Rule::Positive);
    let length = t.required::<Length>("length", Rule::Positive);
    let permittivity = permittivity_of(&t, "permittivity");
    let attenuation = t.quantity::<AttenuationPerLength>("attenuation", Rule::NotNegative);
    let at = t.quantity::<Frequency>("attenuation_at", Rule::Positive);
    if attenuation.is_some() && !t.has("attenuation_at") {
        let message = "`attenuation` is given without its frequency".to_string();
        let help = "add `attenuation_at`; the attenuation rises with the square root of frequency from there";
        t.sink().push(ProblemKind::MissingKey, t.key_span("attenuation"), message, help);
    }
    t.finish();
    let loss = attenuation.zip(at).map(|(a, f)| LineLoss { attenuation: a.value, at: f.value });
    let kind = PartKind::Line { impedance: impedance?.value, permittivity: permittivity?, length: length?.value, loss };
    Some(Part { name: name?, kind, nodes: nodes? })
}

/// An effective permittivity: a plain number, at least one.
fn permittivity_of(t: &Table<'_>, key: &str) -> Option<f64> {
    if !t.has(key) {
        let message = format!("this part has no `{key}`");
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, "add the effective permittivity, 1 for air");
        return None;
    }
    let number = t.number(key, Rule::Positive)?;
    if number.value < 1.0 {
        let message = format!("`{key}` is {}, below that of vacuum", number.value);
        t.sink().push(ProblemKind::ImpossibleValue, number.span, message, "an effective permittivity is 1 or more");
        return None;
    }
    Some(number.value)
}

fn read_coupled(t: Table<'_>) -> Option<Part> {
    let name = t.required_text("name", NAME_HELP);
    let help = "write one node a conductor, the same number at both ends";
    let near = nodes_of(&t, "near", &[], help);
    let far = nodes_of(&t, "far", &[], help);
    let length = t.required::<Length>("length", Rule::Positive);
    let constants = if t.has("even_impedance") || t.has("odd_impedance") { read_modes(&t) } else { read_matrices(&t) };
    if let (Some(near), Some(far), Some(constants)) = (&near, &far, &constants) {
        let n = constants.0.capacitance_f_per_m.len();
        for (key, list) in [("near", near), ("far", far)] {
            if list.len() != n {
                let message = format!("`{key}` has {} nodes for {n} conductors", list.len());
                t.sink().push(ProblemKind::WrongCount, t.key_span(key), message, help);
            }
        }
    }
    t.finish();
    let nodes: Vec<At<String>> = near?.into_iter().chain(far?).collect();
    let constants = constants?.0;
    if nodes.len() != 2 * constants.capacitance_f_per_m.len() {
        return None;
    }
    Some(Part { name: name?, kind: PartKind::Coupled { length: length?.value, constants }, nodes })
}

/// Wrapper that says the matrices were checked to be symmetric and positive definite.
struct CheckedConstants(CoupledConstants);

fn read_matrices(t: &Table<'_>) -> Option<CheckedConstants> {
    if !t.has("capacitance") || !t.has("inductance") {
        let message = "coupled lines need `capacitance` and `inductance` matrices, or mode data".to_string();
        let help = "add both matrices per length, or `even_impedance`, `odd_impedance`, `even_permittivity`, `odd_permittivity`";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
        return None;
    }
    let c = t.square::<CapacitancePerLength>("capacitance");
    let l = t.square::<InductancePerLength>("inductance");
    let (c, l) = (c?, l?);
    if c.value.len() != l.value.len() {
        let message = format!("`inductance` is of order {}, `capacitance` of order {}", l.value.len(), c.value.len());
        t.sink().push(ProblemKind::WrongCount, l.span, message, "write one row and column a conductor in both");
        return None;
    }
    let fine_c = matrix_is_possible(t, "capacitance", &c);
    let fine_l = matrix_is_possible(t, "inductance", &l);
    if fine_c && c.value.iter().enumerate().any(|(i, row)| row.iter().enumerate().any(|(j, x)| i != j && *x > 0.0)) {
        let message = "`capacitance` has a positive value off the diagonal".to_string();
        let help = "this is the Maxwell matrix: the mutual capacitance stands off the diagonal with a minus sign";
        t.sink().push(ProblemKind::ImpossibleValue, c.span, message, help);
        return None;
    }
    let (resistance_ohm_per_m, resistance_at_hz, loss_tangent) = read_loss(t, c.value.len());
    (fine_c && fine_l).then_some(CheckedConstants(CoupledConstants {
        capacitance_f_per_m: c.value,
        inductance_h_per_m: l.value,
        resistance_ohm_per_m,
        resistance_at_hz,
        loss_tangent,
    }))
}

/// Symmetric and positive definite, or complains.
fn matrix_is_possible(t: &Table<'_>, key: &str, m: &At<Vec<Vec<f64>>>) -> bool {
    let n = m.value.len();
    for i in 0..n {
        for j in 0..i {
            let (a, b) = (m.value[i][j], m.value[j][i]);
            if (a - b).abs() > 1e-12 * (a.abs() + b.abs()) {
                let message =
                    format!("`{key}` is not symmetric: row {}, column {} differs from its mirror", i + 1, j + 1);
                t.sink().push(ProblemKind::ImpossibleValue, m.span.clone(), message, "write the same value twice");
                return false;
            }
        }
    }
    if is_positive_definite(&m.value) {
        return true;
    }
    let message = format!("`{key}` is not positive definite, so it would give energy away");
    let help = "the coupling between two conductors must be smaller than the geometric mean of their own values";
    t.sink().push(ProblemKind::ImpossibleValue, m.span.clone(), message, help);
    false
}

/// Cholesky factorisation succeeds.
fn is_positive_definite(m: &[Vec<f64>]) -> bool {
    let n = m.len();
    let mut factor = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| factor[i][k] * factor[j][k]).sum();
            let rest = m[i][j] - dot;
            if i == j {
                if rest <= 0.0 {
                    return false;
                }
                factor[i][i] = rest.sqrt();
            } else {
                factor[i][j] = rest / factor[j][j];
            }
        }
    }
    n > 0
}

fn read_loss(t: &Table<'_>, n: usize) -> (Vec<f64>, f64, f64) {
    let loss_tangent = t.number("loss_tangent", Rule::NotNegative).map_or(0.0, |x| x.value);
    let at = t.quantity::<Frequency>("resistance_at", Rule::Positive).map(|f| f.value.si());
    let resistance = t.quantities::<ResistancePerLength>("resistance", Rule::NotNegative);
    let Some(resistance) = resistance else { return (vec![0.0; n], at.unwrap_or(1e9), loss_tangent) };
    if resistance.value.len() != n {
        let message = format!("`resistance` has {} values for {n} conductors", resistance.value.len());
        t.sink().push(ProblemKind::WrongCount, resistance.span, message, "write one value a conductor");
    } else if !t.has("resistance_at") {
        let message = "`resistance` is given without its frequency".to_string();
        let help = "add `resistance_at`; the resistance rises with the square root of frequency from there";
        t.sink().push(ProblemKind::MissingKey, t.key_span("resistance"), message, help);
    }
    (resistance.value.iter().map(|r| r.value.si()).collect(), at.unwrap_or(1e9), loss_tangent)
}

/// A symmetric pair from its even and odd mode.
///
/// Even: both conductors at one voltage, impedance of one conductor. Odd: opposite voltages.
/// `C_even = √ε/(c·Z)`, `L_even = Z·√ε/c`, likewise odd; `C11 = (C_even + C_odd)/2`, `C12 = (C_even − C_odd)/2`.
fn read_modes(t: &Table<'_>) -> Option<CheckedConstants> {
    let even = t.required::<Resistance>("even_impedance", Rule::Positive);
    let odd = t.required::<Resistance>("odd_impedance", Rule::Positive);
    let even_eps = permittivity_of(t, "even_permittivity");
    let odd_eps = permittivity_of(t, "odd_permittivity");
    let (resistance_ohm_per_m, resistance_at_hz, loss_tangent) = read_loss(t, 2);
    let (even, odd) = (even?, odd?);
    if even.value.si() <= odd.value.si() {
        let message = format!("`even_impedance` is {}, not above `odd_impedance` {}", even.value, odd.value);
        let help = "the even impedance of coupled lines is the larger one; swap the two if they were mixed up";
        t.sink().push(ProblemKind::ImpossibleValue, even.span, message, help);
        return None;
    }
    let mode = |z: f64, eps: f64| {
        let slowness = eps.sqrt() / quantity::constants::LIGHT_SPEED_M_PER_S;
        (slowness / z, slowness * z)
    };
    let (c_even, l_even) = mode(even.value.si(), even_eps?);
    let (c_odd, l_odd) = mode(odd.value.si(), odd_eps?);
    let pair = |even: f64, odd: f64| {
        let (own, mutual) = ((even + odd) / 2.0, (even - odd) / 2.0);
        vec![vec![own, mutual], vec![mutual, own]]
    };
    Some(CheckedConstants(CoupledConstants {
        capacitance_f_per_m: pair(c_even, c_odd),
        inductance_h_per_m: pair(l_even, l_odd),
        resistance_ohm_per_m,
        resistance_at_hz,
        loss_tangent,
    }))
}

fn read_transformer(t: Table<'_>) -> Option<Part> {
    let name = t.required_text("name", NAME_HELP);
    let help = "write one pair of nodes a winding, dotted end first: `windings = [[\"a\", \"0\"], [\"b\", \"c\"]]`";
    if !t.has("windings") {
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), "this transformer has no `windings`".into(), help);
    }
    let windings = t.text_rows("windings");
    let turns = t.numbers("turns");
    let mut fine = windings.is_some();
    if let Some(w) = &windings {
        for row in w.value.iter().filter(|row| row.value.len() != 2) {
            let message = format!("a winding has {} nodes, expected 2", row.value.len());
            t.sink().push(ProblemKind::WrongCount, row.span.clone(), message, help);
            fine = false;
        }
        if w.value.len() < 2 {
            let message = format!("a transformer needs two windings or more, found {}", w.value.len());
            t.sink().push(ProblemKind::WrongCount, w.span.clone(), message, help);
            fine = false;
        }
        if let Some(turns) = turns.as_ref().filter(|x| x.value.len() != w.value.len()) {
            let message = format!("`turns` has {} values for {} windings", turns.value.len(), w.value.len());
            t.sink().push(ProblemKind::WrongCount, turns.span.clone(), message, "write one number a winding");
            fine = false;
        }
    }
    if let Some(turns) = turns.as_ref().filter(|x| x.value.iter().any(|n| *n <= 0.0)) {
        let message = "`turns` must all be above zero".to_string();
        let help = "to turn a winding round, swap its two nodes";
        t.sink().push(ProblemKind::ImpossibleValue, turns.span.clone(), message, help);
        fine = false;
    }
    t.finish();
    let windings = windings.filter(|_| fine)?;
    let turns = turns.map_or(vec![1.0; windings.value.len()], |x| x.value);
    let nodes = windings.value.into_iter().flat_map(|row| row.value).collect();
    Some(Part { name: name?, kind: PartKind::Transformer { turns }, nodes })
}

fn read_block(t: Table<'_>) -> Option<Part> {
    let name = t.required_text("name", NAME_HELP);
    let file = t.required_text("file", "name the network data file, relative to this design file");
    let nodes = nodes_of(&t, "nodes", &[], "write one node a port, in port order");
    let continuation = read_continuation(&t);
    let lenient = t.flag("lenient").unwrap_or(false);
    let contains_pads = t.flag("contains_pads");
    if let (Some(file), Some(nodes)) = (&file, &nodes)
        && let Some(n) = ports_from_extension(&file.value).filter(|n| *n != nodes.len())
    {
        let message = format!("`{}` is a {n}-port by its name, but {} nodes are given", file.value, nodes.len());
        let help = format!("write {n} nodes in the order of the ports; a port that is not used goes to a resistor");
        t.sink().push(ProblemKind::WrongCount, t.key_span("nodes"), message, help);
    }
    t.finish();
    let kind = PartKind::Block { file: file?.value, continuation: continuation?, lenient, contains_pads };
    Some(Part { name: name?, kind, nodes: nodes? })
}

/// What sampled data are beyond their last frequency; must be chosen.
pub(super) fn read_continuation(t: &Table<'_>) -> Option<Continuation> {
    let choices = Continuation::ALL.map(|c| (c.name(), c));
    if !t.has("continuation") {
        let message = "this block does not say how it continues beyond its last frequency".to_string();
        let words: Vec<String> = choices.iter().map(|(w, _)| format!("\"{w}\"")).collect();
        let help = format!("add `continuation` with one of {}", words.join(", "));
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
    }
    t.word("continuation", &choices).map(|c| c.value)
}

/// `N` of a file name that ends in `.sNp`.
pub(super) fn ports_from_extension(file: &str) -> Option<usize> {
    let extension = file.rsplit_once('.')?.1.to_lowercase();
    extension.strip_prefix('s')?.strip_suffix('p')?.parse().ok()
}

fn read_port(t: Table<'_>) -> Option<PortText> {
    let roles = [("lo", PortName::Lo), ("rf", PortName::Rf), ("if", PortName::If)];
    if !t.has("role") {
        let message = "this port has no `role`".to_string();
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, "write \"lo\", \"rf\" or \"if\"");
    }
    let role = t.word("role", &roles);
    let nodes = t.texts("nodes");
    let reference_help = "write signal node and reference node, for example `nodes = [\"lo\", \"0\"]`";
    let count = nodes.as_ref().map(|n| n.value.len());
    if !t.has("nodes") || count.is_some_and(|n| n != 2) {
        let message = match count {
            Some(1) => "this port has a signal node but no reference node".to_string(),
            Some(n) => format!("this port has {n} nodes, expected signal node and reference node"),
            None => "this port has no `nodes`".to_string(),
        };
        let span = nodes.as_ref().map_or(t.span.clone(), |n| n.span.clone());
        t.sink().push(ProblemKind::PortReference, span, message, reference_help);
    }
    let resistance = t.quantity::<Resistance>("resistance", Rule::Positive);
    if !t.has("resistance") {
        let message = "this port has no reference resistance".to_string();
        let help = "add `resistance = \"50 ohm\"`; it terminates the port and is the reference of its levels";
        t.sink().push(ProblemKind::PortReference, t.span.clone(), message, help);
    }
    t.finish();
    let nodes: [At<String>; 2] = nodes?.value.try_into().ok()?;
    Some(PortText { role: role?, nodes, resistance: resistance?.value })
}

fn read_site(t: Table<'_>, models: &Models) -> Option<DiodeSite> {
    let name = t.required_text("name", "name the diode, for example `name = \"D1\"`");
    let model_idx = model_of(&t, models);
    let anode = t.required_text("anode", "name the node of the anode");
    let cathode = t.required_text("cathode", "name the node of the cathode");
    let deviation = t.table("deviation").map(read_deviation).unwrap_or_default();
    t.finish();
    Some(DiodeSite { name: name?, model_idx: model_idx?, anode: anode?, cathode: cathode?, deviation })
}

fn read_deviation(t: Table<'_>) -> Deviation {
    let ratio = |key: &str| {
        let value = t.quantity::<Ratio>(key, Rule::Any)?;
        if value.value.fraction() > -1.0 {
            return Some(value.value.fraction());
        }
        let message = format!("`{key}` changes by {}, which leaves nothing", value.value);
        t.sink().push(ProblemKind::ImpossibleValue, value.span, message, "a relative change is above -100 %");
        None
    };
    let deviation = Deviation {
        vf_shift_v: t.quantity::<Voltage>("forward_voltage", Rule::Any).map_or(0.0, |v| v.value.si()),
        n_relative: ratio("N").unwrap_or(0.0),
        rs_relative: ratio("RS").unwrap_or(0.0),
        cj_relative: ratio("CJ0").unwrap_or(0.0),
        pad_relative: ratio("pad_capacitance").unwrap_or(0.0),
    };
    t.finish();
    deviation
}
