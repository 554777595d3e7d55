//! The design file: one TOML text edited by people, with units in the text.
//!
//! Input: a file. Output: a [`Design`] of checked, typed values, or every problem of the file at once, each with
//! the bytes it points at and what to do.
//! Every key is described in `docs/design-file.md`; a test compares that page with the keys asked for here.

mod balun;
mod checks;
mod circuit;
mod expression;
mod layout;
mod model;
mod numbers;
mod plan;
mod problem;
mod process;
mod section;
mod settings;
mod stack;
pub(crate) mod tree;

pub use self::balun::BalunText;
pub use circuit::{
    CircuitText, CoupledConstants, DiodeSite, FreeCircuit, GROUND, LineLoss, OPEN, Part, PartKind, PortText, Template,
};
pub use expression::Expression;
pub use layout::{Item, ItemKind, LayoutText, OutsideText, PointText, Stroke, TerminalText, ViaPlace};
pub use model::DiodeModel;
pub use plan::{ANY_PRODUCT, Direction, Plan, Seat, measure_from_key};
pub use problem::{DesignError, Problem, ProblemKind};
pub use process::{LO_LEVEL, ProcessText};
pub use section::SolutionText;
pub use settings::ReviewSettings;
pub use stack::parse_technology;
pub use tree::At;

use quantity::{Finding, Temperature};
use spec::Limit;
use std::path::{Path, PathBuf};
use toml::de::DeTable;
use tree::{Rule, Sink, Table};

/// Version of the file format this program reads.
pub const FORMAT: usize = 1;

/// A design, read and checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// Folder against which file names in the design are resolved.
    pub folder: PathBuf,
    /// Name of the file as given by the user.
    pub file: String,
    /// Text of the file.
    pub source_text: String,
    /// Name of the design.
    pub name: String,
    /// One paragraph on what it is.
    pub about: String,
    /// Temperature of diodes and network.
    pub temperature: Temperature,
    /// Frequency plan.
    pub plan: Plan,
    /// Requirement lines.
    pub requirements: Vec<Limit>,
    /// Process: stack, rules, mask numbers; none when the design has no stack.
    pub technology: Option<stackup::Technology>,
    /// Baluns to be found.
    pub baluns: Vec<BalunText>,
    /// Drawings.
    pub layouts: Vec<LayoutText>,
    /// What spreads in fabrication.
    pub process: Vec<ProcessText>,
    /// Diode models.
    pub models: Vec<DiodeModel>,
    /// The circuit.
    pub circuit: CircuitText,
    /// What the review does.
    pub settings: ReviewSettings,
    /// Which pattern of the error estimates of field solutions is added to them; none as read.
    pub solution_error: Option<usize>,
    /// The design whose numbers were moved to get this one, when it rests on field solutions; none as read.
    pub moved_from: Option<std::sync::Arc<Design>>,
    /// Remarks on the file.
    pub findings: Vec<Finding>,
}

impl Design {
    /// Reads a design from its text; `file` is its name in messages, `folder` resolves names of data files.
    ///
    /// # Errors
    /// All problems of the text, in file order.
    pub fn parse(file: &str, text: &str, folder: &Path) -> Result<Self, DesignError> {
        let sink = Sink::default();
        let design = parse_with(file, text, folder, &sink);
        match design {
            Some(design) if sink.is_empty() => Ok(design),
            _ => {
                if let Some(error) = sink.take_elsewhere() {
                    return Err(error);
                }
                let problems = sink.into_problems();
                Err(DesignError { file: file.into(), source_text: text.into(), problems })
            }
        }
    }
}

fn parse_with(file: &str, text: &str, folder: &Path, sink: &Sink) -> Option<Design> {
    let (document, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        let span = error.span().unwrap_or(0..0);
        let message = error.message().replace('\n', ", ");
        sink.push(ProblemKind::Syntax, span, message, "correct the TOML text; values with units stand in quotes");
    }
    if !errors.is_empty() {
        return None;
    }
    let root = Table::new(document.get_ref(), 0..0, "", sink);
    check_format(&root);
    let name = root.required_text("name", "name the design");
    let about = root.text("about").map(|t| t.value).unwrap_or_default();
    let temperature = root.required::<Temperature>("temperature", Rule::Positive);
    let plan = plan::read_plan(&root);
    let requirements = plan::read_requirements(&root);
    let models = model::read_models(&root);
    let (technology, shared) = stack::read_technology(&root, folder, sink).unzip();
    let given = root.has("stackup") || root.has("technology");
    let drawn = section::Process { given, technology: technology.as_ref(), layouts: &[] };
    let layouts = layout::read_layouts(&root, &drawn);
    let baluns = balun::read_baluns(&root, &drawn);
    let process = section::Process { layouts: &layouts, ..drawn };
    let circuit = circuit::read_circuit(&root, &models, &process);
    let settings = settings::read_settings(&root);
    let (spreads, of_technology) = process::joined(shared.unwrap_or_default(), process::read_process(&root));
    root.finish();
    let mut findings = Vec::new();
    if let Some(CircuitText::Free(free)) = &circuit {
        findings = checks::check_circuit(free, sink);
        check_files(free, folder, sink);
    }
    let design = Design {
        folder: folder.into(),
        file: file.into(),
        source_text: text.into(),
        name: name?.value,
        about,
        temperature: temperature?.value,
        plan: plan?,
        requirements,
        technology,
        baluns: baluns.into_iter().collect::<Option<_>>()?,
        layouts: layouts.into_iter().collect::<Option<_>>()?,
        process: spreads,
        models: models.into_iter().map(|(_, m)| m).collect::<Option<_>>()?,
        circuit: circuit?,
        settings,
        solution_error: None,
        moved_from: None,
        findings,
    };
    process::check(&design, of_technology, sink);
    Some(design)
}

fn check_format(root: &Table<'_>) {
    if !root.has("format") {
        let message = "the file has no `format`".to_string();
        let help = format!("write `format = {FORMAT}` on the first line");
        root.sink().push(ProblemKind::MissingKey, 0..0, message, help);
    }
    root.count("format", FORMAT..=FORMAT);
}

fn check_files(circuit: &FreeCircuit, folder: &Path, sink: &Sink) {
    for part in &circuit.parts {
        if let PartKind::Block { file, .. } = &part.kind
            && !folder.join(file).is_file()
        {
            let message = format!("block `{}` names `{file}`, which is not beside the design file", part.name.value);
            sink.push(ProblemKind::File, part.name.span.clone(), message, "correct the name, or put the file there");
        }
    }
}

#[cfg(test)]
mod tests;
