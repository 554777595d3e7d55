//! Why a text was refused, and what was tolerated.

use quantity::Finding;

/// Kind of refusal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Fault {
    /// A byte outside printable ASCII, tab and line ends.
    Ascii,
    /// No option line where it must stand.
    OptionMissing,
    /// Unknown or repeated word on the option line.
    OptionToken,
    /// Reference on the option line missing or not positive.
    OptionR,
    /// Number of references on the option line.
    OptionRCount,
    /// Something that is not a number of the standard.
    Number,
    /// Too few or too many numbers.
    DataCount,
    /// Version 1 line with more than four pairs.
    LineTooLong,
    /// Frequencies that do not rise.
    FreqOrder,
    /// Hybrid parameters of something else than a two-port.
    ParamPorts,
    /// Port count unknown.
    PortsUnknown,
    /// Bracket keyword in a version 1 text.
    KeywordInV1,
    /// Version keyword is not first.
    VersionFirst,
    /// Keyword that does not exist.
    KeywordUnknown,
    /// Keyword given twice.
    KeywordDup,
    /// Keyword at the wrong place.
    KeywordOrder,
    /// Argument of a keyword.
    Value,
    /// Port count missing.
    MissingPorts,
    /// Frequency count missing.
    MissingNfreq,
    /// Noise frequency count missing.
    MissingNnoise,
    /// Two-port order missing.
    MissingTwoportOrder,
    /// No network data.
    MissingData,
    /// Closing keyword missing.
    MissingEnd,
    /// Number of references.
    ReferenceCount,
    /// Two-port order on another port count.
    TwoportOrderNot2port,
    /// Mixed-mode list does not use every port once.
    MixedPair,
    /// Ports of a pair have different references.
    MixedReference,
    /// Mixed mode with hybrid parameters.
    MixedParam,
    /// Noise on something else than a two-port.
    NoiseNot2port,
    /// Number of noise points.
    NoiseCount,
    /// Text after the closing keyword.
    AfterEnd,
}

impl Fault {
    /// Short fixed name, for tables and tests.
    pub fn name(self) -> &'static str {
        match self {
            Self::Ascii => "E_ASCII",
            Self::OptionMissing => "E_OPTION_MISSING",
            Self::OptionToken => "E_OPTION_TOKEN",
            Self::OptionR => "E_OPTION_R",
            Self::OptionRCount => "E_OPTION_R_COUNT",
            Self::Number => "E_NUMBER",
            Self::DataCount => "E_DATA_COUNT",
            Self::LineTooLong => "E_LINE_TOO_LONG",
            Self::FreqOrder => "E_FREQ_ORDER",
            Self::ParamPorts => "E_PARAM_PORTS",
            Self::PortsUnknown => "E_PORTS_UNKNOWN",
            Self::KeywordInV1 => "E_KEYWORD_IN_V1",
            Self::VersionFirst => "E_VERSION_FIRST",
            Self::KeywordUnknown => "E_KEYWORD_UNKNOWN",
            Self::KeywordDup => "E_KEYWORD_DUP",
            Self::KeywordOrder => "E_KEYWORD_ORDER",
            Self::Value => "E_VALUE",
            Self::MissingPorts => "E_MISSING_NPORTS",
            Self::MissingNfreq => "E_MISSING_NFREQ",
            Self::MissingNnoise => "E_MISSING_NNOISE",
            Self::MissingTwoportOrder => "E_MISSING_TWOPORT_ORDER",
            Self::MissingData => "E_MISSING_DATA",
            Self::MissingEnd => "E_MISSING_END",
            Self::ReferenceCount => "E_REFERENCE_COUNT",
            Self::TwoportOrderNot2port => "E_TWOPORT_ORDER_NOT_2PORT",
            Self::MixedPair => "E_MIXED_PAIR",
            Self::MixedReference => "E_MIXED_REFERENCE",
            Self::MixedParam => "E_MIXED_PARAM",
            Self::NoiseNot2port => "E_NOISE_NOT_2PORT",
            Self::NoiseCount => "E_NOISE_COUNT",
            Self::AfterEnd => "E_AFTER_END",
        }
    }
}

/// A refused text: where, what was expected, what was found, what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TouchstoneError {
    /// Kind.
    pub fault: Fault,
    /// Name of the file as given, may be empty.
    pub file: String,
    /// Line, counted from one.
    pub line: usize,
    /// First and last column of the offending text, counted from one, when known.
    pub columns: Option<(u32, u32)>,
    /// What was expected.
    pub expected: String,
    /// What was found.
    pub found: String,
    /// What to do; may be empty.
    pub advice: String,
}

impl TouchstoneError {
    pub(super) fn new(fault: Fault, line: usize, expected: impl Into<String>, found: impl Into<String>) -> Self {
        Self {
            fault,
            file: String::new(),
            line,
            columns: None,
            expected: expected.into(),
            found: found.into(),
            advice: String::new(),
        }
    }

    pub(super) fn columns(mut self, columns: (usize, usize)) -> Self {
        let narrow = |c: usize| u32::try_from(c).unwrap_or(u32::MAX);
        self.columns = Some((narrow(columns.0), narrow(columns.1)));
        self
    }

    pub(super) fn advise(mut self, advice: impl Into<String>) -> Self {
        self.advice = advice.into();
        self
    }

    pub(super) fn in_file(mut self, name: &str) -> Self {
        self.file = name.to_owned();
        self
    }
}

impl std::fmt::Display for TouchstoneError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if !self.file.is_empty() {
            write!(f, "{}, ", self.file)?;
        }
        write!(f, "line {}", self.line)?;
        match self.columns {
            Some((first, last)) if first == last => write!(f, ", column {first}")?,
            Some((first, last)) => write!(f, ", columns {first}-{last}")?,
            None => {}
        }
        write!(f, ": expected {}, found {}", self.expected, self.found)?;
        if !self.advice.is_empty() {
            write!(f, "; {}", self.advice)?;
        }
        write!(f, " [{}]", self.fault.name())
    }
}

impl std::error::Error for TouchstoneError {}

/// Kind of remark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Warning {
    /// A second option line, ignored as the standard asks.
    ExtraOptionLineIgnored,
    /// Suffix and text disagree on the number of ports; the text counts.
    SuffixPorts,
    /// Port count taken from the shape of the data.
    PortsFromShape,
    /// Noise starts at the last network frequency; told apart by the count of numbers.
    NoiseAtLastFrequency,
    /// Version 1 normalisation with unequal references; the geometric mean was used.
    NormalisationUndefined,
    /// Negative magnitude.
    NegativeMagnitude,
    /// Tolerated: bytes outside ASCII in comments.
    NonAscii,
    /// Tolerated: version 1 line layout.
    LineLayout,
    /// Tolerated: `D` exponent.
    FortranExponent,
    /// Tolerated: magnitude of `-inf` dB read as zero.
    ZeroInDb,
    /// Tolerated: option line wording.
    OptionWording,
    /// Tolerated: repeated frequency, later one dropped.
    RepeatedFrequency,
    /// Tolerated: closing keyword missing.
    EndMissing,
    /// Tolerated: text after the closing keyword.
    TextAfterEnd,
    /// Tolerated: unknown keyword skipped.
    UnknownKeyword,
    /// Tolerated: promised number of points differs from the data.
    PointCount,
}

impl Warning {
    /// Short fixed name, for tables and tests.
    pub fn name(self) -> &'static str {
        match self {
            Self::ExtraOptionLineIgnored => "W_EXTRA_OPTION_LINE_IGNORED",
            Self::SuffixPorts => "W_SUFFIX_PORTS",
            Self::PortsFromShape => "W_PORTS_FROM_SHAPE",
            Self::NoiseAtLastFrequency => "W_NOISE_AT_LAST_FREQUENCY",
            Self::NormalisationUndefined => "W_NORMALISATION_UNDEFINED",
            Self::NegativeMagnitude => "W_NEGATIVE_MAGNITUDE",
            Self::NonAscii => "W_NON_ASCII",
            Self::LineLayout => "W_LINE_LAYOUT",
            Self::FortranExponent => "W_FORTRAN_EXPONENT",
            Self::ZeroInDb => "W_ZERO_IN_DB",
            Self::OptionWording => "W_OPTION_WORDING",
            Self::RepeatedFrequency => "W_REPEATED_FREQUENCY",
            Self::EndMissing => "W_END_MISSING",
            Self::TextAfterEnd => "W_TEXT_AFTER_END",
            Self::UnknownKeyword => "W_UNKNOWN_KEYWORD",
            Self::PointCount => "W_POINT_COUNT",
        }
    }
}

/// Something tolerated or worth knowing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remark {
    /// Kind.
    pub warning: Warning,
    /// Line, counted from one.
    pub line: usize,
    /// What was found and how it was read.
    pub text: String,
}

impl Remark {
    /// As a finding.
    pub fn finding(&self) -> Finding {
        Finding::warning(format!("line {}", self.line), self.text.clone())
    }
}

/// Adds a remark, once a kind: a thousand equal remarks hide the others.
pub(super) fn remark(remarks: &mut Vec<Remark>, warning: Warning, line: usize, text: impl Into<String>) {
    if remarks.iter().all(|r| r.warning != warning) {
        remarks.push(Remark { warning, line, text: text.into() });
    }
}
