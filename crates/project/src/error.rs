//! Errors of the project, sorted by what the user can do about them.

use crate::design::DesignError;
use network::touchstone::TouchstoneError;
use std::path::{Path, PathBuf};

/// What kind of trouble an error is; the doors map it to exit codes and exceptions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorKind {
    /// The user's input is wrong.
    Input,
    /// A computation ended without an answer.
    NotConverged,
    /// A file could not be read or written.
    Data,
    /// The user asked to stop.
    Cancelled,
    /// A mistake in this program.
    Bug,
}

/// Errors of the project.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ProjectError {
    /// The design file has problems.
    #[error(transparent)]
    Design(#[from] DesignError),
    /// A network data file has problems.
    #[error(transparent)]
    NetworkFile(#[from] Box<NetworkFileError>),
    /// Network data cannot be used as asked.
    #[error("{place}: {source}")]
    Network {
        /// File or block.
        place: String,
        /// Why.
        source: network::NetworkError,
    },
    /// The circuit cannot be joined.
    #[error(transparent)]
    Circuit(#[from] circuit::CircuitError),
    /// A diode cannot be made, or measured tables not be fitted.
    #[error(transparent)]
    Diode(#[from] diode::DiodeError),
    /// Self-heating does not settle, or leaves the range of the model.
    #[error("diode `{diode}`: {source}")]
    Heat {
        /// Which diode.
        diode: String,
        /// Why.
        source: diode::DiodeError,
    },
    /// The linear multiport does not fit the balance.
    #[error(transparent)]
    Balance(#[from] balance::BalanceError),
    /// The review failed.
    #[error(transparent)]
    Mixer(#[from] mixer::MixerError),
    /// The spread of a process failed.
    #[error(transparent)]
    Process(#[from] tolerance::ProcessError),
    /// A table in a text file cannot be read.
    #[error("{file}, line {line}: expected {expected}, found {found}")]
    Table {
        /// Which file.
        file: String,
        /// Line, from one.
        line: u64,
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// A number of the design by its name.
    #[error("`{name}` {why}")]
    Number {
        /// The name.
        name: String,
        /// What is wrong, and what is known.
        why: String,
    },
    /// Causes cannot be sought.
    #[error("causes: {0}")]
    Causes(#[from] ::causes::CausesError),
    /// A cross-section cannot be solved.
    #[error("section `{part}`: {source}")]
    Section {
        /// Which part.
        part: String,
        /// Why.
        source: lines::LinesError,
    },
    /// Measured data are wrong or cannot be compared.
    #[error(transparent)]
    Measurement(#[from] measurement::MeasurementError),
    /// A seal or a ledger is not what it should be.
    #[error(transparent)]
    Ledger(#[from] ::ledger::LedgerError),
    /// A balun cannot be found.
    #[error("balun `{name}`: {source}")]
    Balun {
        /// Which balun.
        name: String,
        /// Why.
        source: Box<balun::BalunError>,
    },
    /// A field solution failed or was refused.
    #[error("solution `{part}`: {source}")]
    Volume {
        /// Which part.
        part: String,
        /// Why.
        source: volume::VolumeError,
    },
    /// A field solution does not fit into memory.
    #[error(
        "solution `{part}` needs about {needed_gib:.3} GiB on its first mesh ({unknowns} unknowns), and {allowed_gib:.3} \
         GiB are {whose}; lower `up_to`, draw less, {help}"
    )]
    DoesNotFit {
        /// Which part.
        part: String,
        /// Unknowns of the first mesh.
        unknowns: usize,
        /// Memory needed, GiB.
        needed_gib: f64,
        /// Memory at hand, GiB.
        allowed_gib: f64,
        /// Who sets the bound.
        whose: &'static str,
        /// What to do about it.
        help: &'static str,
    },
    /// The field solution of a part is needed but was not computed yet.
    #[error(
        "solution `{part}` is not computed yet (about {unknowns} unknowns on the first mesh); run `mixwright field` on this design first"
    )]
    NotSolved {
        /// Which part.
        part: String,
        /// Unknowns of the first mesh.
        unknowns: usize,
    },
    /// A layout cannot be drawn, checked or written.
    #[error("layout `{layout}`: {source}")]
    Layout {
        /// Which layout.
        layout: String,
        /// Why.
        source: stackup::StackupError,
    },
    /// A model package, its key, or its surroundings cannot be used.
    #[error(transparent)]
    Handover(handover::HandoverError),
    /// Reading or writing a file failed.
    #[error("cannot {what} {}: {source}", .path.display())]
    Io {
        /// `read`, `write`, ….
        what: &'static str,
        /// Which file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The caller asked to stop.
    #[error(transparent)]
    Cancelled(#[from] numerics::Cancelled),
}

/// A problem of a network data file with the text it is about.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{error}")]
pub struct NetworkFileError {
    /// What is wrong.
    pub error: TouchstoneError,
    /// Text of the file; bytes that are no text are replaced.
    pub source_text: String,
    /// Bytes of the text the problem points at: words of a line, or the whole line.
    pub span: std::ops::Range<usize>,
}

impl NetworkFileError {
    pub(crate) fn new(error: TouchstoneError, file: &[u8]) -> Box<Self> {
        let source_text = String::from_utf8_lossy(file).into_owned();
        let span = span_of(&source_text, error.line, error.columns);
        Box::new(Self { error, source_text, span })
    }
}

/// Bytes of some columns of a line, both counted from one; lines end at LF, CR or CR LF.
///
/// Before the first character outside ASCII, at which reading stops, a column is a byte.
fn span_of(text: &str, line: usize, columns: Option<(u32, u32)>) -> std::ops::Range<usize> {
    let start = line_start(text, line);
    let length = text[start..].find(['\n', '\r']).unwrap_or(text.len() - start);
    let boundary = |mut at: usize| {
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let (first, last) = columns.map_or((0, length), |(first, last)| (first.saturating_sub(1) as usize, last as usize));
    let first = boundary(start + first.min(length));
    first..boundary(start + last.min(length)).max(first)
}

fn line_start(text: &str, line: usize) -> usize {
    let mut start = 0;
    for _ in 1..line {
        let Some(end) = text[start..].find(['\n', '\r']) else { return start };
        start += end + if text[start + end..].starts_with("\r\n") { 2 } else { 1 };
    }
    start
}

/// Errors of a mixer or network inside the handover stay what they are, so that they are sorted alike.
impl From<handover::HandoverError> for ProjectError {
    fn from(error: handover::HandoverError) -> Self {
        use handover::HandoverError as H;
        match error {
            H::Balance(e) => e.into(),
            H::Mixer(e) => e.into(),
            H::Diode(e) => e.into(),
            H::Cancelled(e) => e.into(),
            other => Self::Handover(other),
        }
    }
}

impl ProjectError {
    /// What the user can do about it.
    pub fn kind(&self) -> ErrorKind {
        use balance::BalanceError as B;
        use mixer::MixerError as M;
        match self {
            Self::Volume { source: volume::VolumeError::Cancelled(_), .. }
            | Self::Cancelled(_)
            | Self::Mixer(M::Cancelled(_))
            | Self::Process(tolerance::ProcessError::Cancelled(_))
            | Self::Causes(::causes::CausesError::Cancelled(_))
            | Self::Balance(B::Cancelled(_)) => ErrorKind::Cancelled,
            Self::Mixer(M::Balance { source, .. }) | Self::Balance(source) => match source {
                B::Mismatch { .. } => ErrorKind::Bug,
                _ => ErrorKind::NotConverged,
            },
            Self::Heat { .. }
            | Self::Causes(::causes::CausesError::Device { .. })
            | Self::Process(tolerance::ProcessError::Unsolved { .. }) => ErrorKind::NotConverged,
            Self::Io { .. } => ErrorKind::Data,
            _ => ErrorKind::Input,
        }
    }

    pub(crate) fn io(what: &'static str, path: &Path) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_path_buf();
        move |source| Self::Io { what, path, source }
    }
}

#[cfg(test)]
mod tests {
    use super::span_of;

    #[track_caller]
    fn check(text: &str, line: usize, columns: Option<(u32, u32)>, expected: &str) {
        assert_eq!(&text[span_of(text, line, columns)], expected);
    }

    #[test]
    fn columns_point_at_their_words_whatever_ends_the_lines() {
        for end in ["\n", "\r", "\r\n"] {
            let text = ["# GHz S RI R 50", "1 0 x", "2 0 0"].join(end);
            check(&text, 2, Some((5, 5)), "x");
            check(&text, 3, Some((1, 3)), "2 0");
            check(&text, 2, None, "1 0 x");
        }
    }

    #[test]
    fn places_outside_the_text_are_cut_to_it() {
        check("1 0", 1, Some((3, 90)), "0");
        check("1 0", 7, Some((1, 1)), "1");
        check("", 1, Some((1, 2)), "");
        check("! \u{fffd}", 1, Some((3, 3)), "");
    }
}
