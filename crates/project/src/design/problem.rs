//! What is wrong with a design file: where, what was expected, what was found, what to do next.

use std::fmt;
use std::ops::Range;

/// Kind of a problem, for programs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum ProblemKind {
    /// Not a well-formed TOML text.
    Syntax,
    /// A key nobody asked for.
    UnknownKey,
    /// A key that must be there is not.
    MissingKey,
    /// A value of another type than expected.
    WrongType,
    /// A quantity without a unit, with a wrong unit, or not finite.
    Quantity,
    /// A value that cannot be.
    ImpossibleValue,
    /// A word that is not among the choices.
    UnknownWord,
    /// A reference to something that is not in the file.
    UnknownName,
    /// Two things with one name.
    DuplicateName,
    /// Wrong number of nodes, turns, rows or ports.
    WrongCount,
    /// A node that leads nowhere.
    FloatingNode,
    /// A part of the circuit without connection to ground.
    FloatingPart,
    /// A port without a reference node or reference resistance.
    PortReference,
    /// A port role that is absent or given twice.
    PortRole,
    /// A diode that breaks the order of its ring.
    ReversedDiode,
    /// Both ends of something on one node.
    ShortedPart,
    /// Bands of the plan that do not fit together.
    Plan,
    /// A file beside the design file that cannot be used.
    File,
}

impl ProblemKind {
    /// Stable name for machines.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Syntax => "syntax",
            Self::UnknownKey => "unknown-key",
            Self::MissingKey => "missing-key",
            Self::WrongType => "wrong-type",
            Self::Quantity => "quantity",
            Self::ImpossibleValue => "impossible-value",
            Self::UnknownWord => "unknown-word",
            Self::UnknownName => "unknown-name",
            Self::DuplicateName => "duplicate-name",
            Self::WrongCount => "wrong-count",
            Self::FloatingNode => "floating-node",
            Self::FloatingPart => "floating-part",
            Self::PortReference => "port-reference",
            Self::PortRole => "port-role",
            Self::ReversedDiode => "reversed-diode",
            Self::ShortedPart => "shorted-part",
            Self::Plan => "plan",
            Self::File => "file",
        }
    }
}

/// One problem of a design file.
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    /// Kind, for programs.
    pub kind: ProblemKind,
    /// What was expected and what was found, lower case, one sentence.
    pub message: String,
    /// Bytes of the file the problem points at.
    pub span: Range<usize>,
    /// What to do next.
    pub help: String,
}

/// All problems of one design file.
#[derive(Debug, Clone, PartialEq)]
pub struct DesignError {
    /// Name of the file as given by the user.
    pub file: String,
    /// Text of the file.
    pub source_text: String,
    /// The problems in the order of the file.
    pub problems: Vec<Problem>,
}

impl DesignError {
    /// Line and column of a problem, both from one, the column in characters.
    pub fn line_and_column(&self, problem: &Problem) -> (usize, usize) {
        line_and_column(&self.source_text, problem.span.start)
    }
}

/// Line and column of a byte offset, both from one.
pub(crate) fn line_and_column(text: &str, offset: usize) -> (usize, usize) {
    let mut offset = offset.min(text.len());
    while !text.is_char_boundary(offset) {
        offset -= 1;
    }
    let before = &text[..offset];
    let line_start = before.rfind('\n').map_or(0, |i| i + 1);
    (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
}

impl fmt::Display for DesignError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.problems.iter().enumerate() {
            let (line, column) = self.line_and_column(problem);
            let end = if i + 1 == self.problems.len() { "" } else { "\n" };
            write!(f, "{}:{line}:{column}: {}; {}{end}", self.file, problem.message, problem.help)?;
        }
        Ok(())
    }
}

impl std::error::Error for DesignError {}
