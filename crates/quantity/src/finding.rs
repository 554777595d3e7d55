//! Remarks: there is an answer, and something you should know about it.

/// How much a remark matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Worth knowing.
    Note,
    /// Look at this before you rely on the number.
    Warning,
}

/// One remark.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// How much it matters.
    pub severity: Severity,
    /// Where: port, tone, layer, element or line of a file.
    pub place: String,
    /// What was found and what to do about it.
    pub text: String,
}

impl Finding {
    /// A remark worth knowing.
    pub fn note(place: impl Into<String>, text: impl Into<String>) -> Self {
        Self { severity: Severity::Note, place: place.into(), text: text.into() }
    }

    /// A remark to look at first.
    pub fn warning(place: impl Into<String>, text: impl Into<String>) -> Self {
        Self { severity: Severity::Warning, place: place.into(), text: text.into() }
    }
}

/// An answer with its remarks; all of them, not only the first.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked<T> {
    /// The answer.
    pub value: T,
    /// The remarks.
    pub findings: Vec<Finding>,
}

impl<T> Checked<T> {
    /// An answer without remarks.
    pub fn clean(value: T) -> Self {
        Self { value, findings: Vec::new() }
    }
}
