//! Errors as programs read them: every problem with its place and a way out.
//!
//! Input: a [`ProjectError`]. Output: a list of objects with `kind`, `message` and, where there is a place, `file`,
//! `line`, `column` (from one), `bytes` and `help`; the same for every door.

use crate::error::ProjectError;
use serde_json::{Value, json};

/// The problems of an error, in the order of the file.
pub fn list(error: &ProjectError) -> Vec<Value> {
    match error {
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
    }
}

/// The same as JSON text.
pub fn json(error: &ProjectError) -> String {
    Value::from(list(error)).to_string()
}

/// The error and its causes on one line; a cause already quoted by its parent is left out.
pub fn chain(error: &dyn std::error::Error) -> String {
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
