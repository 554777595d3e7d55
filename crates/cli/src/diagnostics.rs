//! Errors shown to people, with carets below the offending text, or as JSON to programs.

use miette::{Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, Report, SourceCode};
use project::design::DesignError;
use project::{NetworkFileError, ProjectError};
use serde_json::{Value, json};
use std::fmt;
use std::io::IsTerminal;

/// One complaint with its place in a file.
#[derive(Debug)]
struct Complaint {
    message: String,
    help: Option<String>,
    place: Option<(NamedSource<String>, std::ops::Range<usize>)>,
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Complaint {}

impl Diagnostic for Complaint {
    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        self.help.as_ref().map(|h| Box::new(h) as Box<dyn fmt::Display>)
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        self.place.as_ref().map(|(source, _)| source as &dyn SourceCode)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let (_, span) = self.place.as_ref()?;
        let label = LabeledSpan::new(Some("here".into()), span.start, span.len());
        Some(Box::new(std::iter::once(label)))
    }
}

/// The error as people read it.
pub(crate) fn text(error: &ProjectError) -> String {
    let complaints = match error {
        ProjectError::Design(design) => design_complaints(design),
        ProjectError::NetworkFile(file) => vec![file_complaint(file)],
        other => vec![Complaint { message: chain(other), help: None, place: None }],
    };
    let n = complaints.len();
    let mut out = String::new();
    for complaint in complaints {
        let report = Report::new(complaint);
        // writing into a string cannot fail
        let _ = handler().render_report(&mut out, report.as_ref());
    }
    if n > 1 {
        out.push_str(&format!("{n} problems\n"));
    }
    out
}

fn design_complaints(error: &DesignError) -> Vec<Complaint> {
    let complaint = |p: &project::design::Problem| Complaint {
        message: p.message.clone(),
        help: Some(p.help.clone()),
        place: Some((NamedSource::new(&error.file, error.source_text.clone()).with_language("toml"), p.span.clone())),
    };
    error.problems.iter().map(complaint).collect()
}

/// The line of a network data file with the columns in question.
fn file_complaint(problem: &NetworkFileError) -> Complaint {
    let error = &problem.error;
    let message = format!("expected {}, found {}", error.expected, error.found);
    let help = Some(error.advice.clone()).filter(|advice| !advice.is_empty());
    let source = NamedSource::new(&error.file, problem.source_text.clone());
    Complaint { message, help, place: Some((source, problem.span.clone())) }
}

/// Colour and line drawing only for a terminal that wants them.
fn handler() -> GraphicalReportHandler {
    let terminal = std::io::stderr().is_terminal();
    let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
    let theme = match (terminal, plain) {
        (true, false) => GraphicalTheme::unicode(),
        (true, true) => GraphicalTheme::unicode_nocolor(),
        (false, _) => GraphicalTheme::none(),
    };
    GraphicalReportHandler::new_themed(theme).with_links(false).with_width(110)
}

/// The error and its causes on one line; a cause already quoted by its parent is left out.
fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(c) = cause {
        let more = c.to_string();
        if !text.contains(&more) {
            text.push_str(&format!(": {more}"));
        }
        cause = c.source();
    }
    text
}

/// The error as programs read it.
pub(crate) fn value(error: &ProjectError, code: u8) -> Value {
    let problems: Vec<Value> = match error {
        ProjectError::Design(design) => design
            .problems
            .iter()
            .map(|p| {
                let (line, column) = design.line_and_column(p);
                json!({
                    "kind": p.kind.key(), "file": design.file, "line": line, "column": column,
                    "bytes": [p.span.start, p.span.end], "message": p.message, "help": p.help,
                })
            })
            .collect(),
        ProjectError::NetworkFile(problem) => {
            let error = &problem.error;
            vec![json!({
                "kind": error.fault.name(), "file": error.file, "line": error.line,
                "column": error.columns.map(|(first, _)| first), "bytes": [problem.span.start, problem.span.end],
                "message": format!("expected {}, found {}", error.expected, error.found), "help": error.advice,
            })]
        }
        other => vec![json!({ "kind": "error", "message": chain(other) })],
    };
    json!({ "ok": false, "exit_code": code, "problems": problems })
}
