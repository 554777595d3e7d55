//! Errors shown to people, with carets below the offending text, or as JSON to programs.

use miette::{Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, Report, SourceCode};
use project::design::DesignError;
use project::{NetworkFileError, ProjectError, problems};
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
        other => vec![Complaint { message: problems::chain(other), help: None, place: None }],
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

/// The error as programs read it.
pub(crate) fn value(error: &ProjectError, code: u8) -> Value {
    json!({ "ok": false, "exit_code": code, "problems": problems::list(error) })
}
