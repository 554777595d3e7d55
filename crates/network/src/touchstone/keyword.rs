//! Keywords of version 2 and the lines they stand on.

use super::error::{Fault, Remark, TouchstoneError, Warning, remark};
use super::lines::{Line, Word, words};

/// The keywords of the standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Keyword {
    Version,
    Ports,
    Order,
    Frequencies,
    NoiseFrequencies,
    Reference,
    Format,
    Mixed,
    BeginInformation,
    EndInformation,
    NetworkData,
    NoiseData,
    End,
}

const KEYWORDS: [(Keyword, &str); 13] = [
    (Keyword::Version, "version"),
    (Keyword::Ports, "number of ports"),
    (Keyword::Order, "two-port data order"),
    (Keyword::Frequencies, "number of frequencies"),
    (Keyword::NoiseFrequencies, "number of noise frequencies"),
    (Keyword::Reference, "reference"),
    (Keyword::Format, "matrix format"),
    (Keyword::Mixed, "mixed-mode order"),
    (Keyword::BeginInformation, "begin information"),
    (Keyword::EndInformation, "end information"),
    (Keyword::NetworkData, "network data"),
    (Keyword::NoiseData, "noise data"),
    (Keyword::End, "end"),
];

/// A number with the line where it was written.
#[derive(Debug, Clone)]
pub(super) struct Placed<T> {
    pub value: T,
    pub line: usize,
}

/// Lines that say something, one after the other.
pub(super) struct Cursor<'l, 'a> {
    pub lines: &'l [Line<'a>],
    pub next: usize,
}

impl<'l, 'a> Cursor<'l, 'a> {
    pub(super) fn take(&mut self) -> Option<&'l Line<'a>> {
        let line = self.peek()?;
        self.next += 1;
        Some(line)
    }

    pub(super) fn peek(&mut self) -> Option<&'l Line<'a>> {
        while self.lines.get(self.next).is_some_and(|l| l.body.trim().is_empty()) {
            self.next += 1;
        }
        self.lines.get(self.next)
    }

    pub(super) fn last_line(&self) -> usize {
        self.lines.iter().rev().find(|l| !l.body.trim().is_empty()).map_or(1, |l| l.number)
    }
}

/// The keyword at the start of a line and the words after it; `None` when the line is no keyword.
pub(super) fn keyword<'a>(line: &Line<'a>) -> Result<Option<(Keyword, Vec<Word<'a>>)>, TouchstoneError> {
    let body = line.body;
    let start = body.len() - body.trim_start().len();
    if !body[start..].starts_with('[') {
        return Ok(None);
    }
    let Some(close) = body.find(']') else {
        let found = format!("`{}`", body.trim());
        return Err(TouchstoneError::new(Fault::KeywordUnknown, line.number, "a keyword closed by `]`", found));
    };
    let name = body[start + 1..close].split_whitespace().collect::<Vec<_>>().join(" ").to_ascii_lowercase();
    let Some((key, _)) = KEYWORDS.iter().find(|(_, n)| *n == name) else {
        let found = format!("`{}`", &body[start..=close]);
        let expected = "a keyword of version 2, such as `[Reference]` or `[Network Data]`";
        return Err(TouchstoneError::new(Fault::KeywordUnknown, line.number, expected, found)
            .columns((start + 1, close + 1))
            .advise("put remarks into comments or the information block"));
    };
    Ok(Some((*key, words(&body[close + 1..], line.number, close + 1))))
}

pub(super) fn skip_options(cursor: &mut Cursor<'_, '_>, remarks: &mut Vec<Remark>) {
    while let Some(line) = cursor.peek().filter(|l| l.body.trim_start().starts_with('#')) {
        cursor.next += 1;
        let text = "only the first option line counts; this one is ignored";
        remark(remarks, Warning::ExtraOptionLineIgnored, line.number, text);
    }
}

pub(super) fn nothing_after(rest: &[Word<'_>]) -> Result<(), TouchstoneError> {
    match rest.first() {
        None => Ok(()),
        Some(word) => Err(word.error(Fault::Value, "nothing after this keyword").advise("start a new line")),
    }
}

pub(super) fn duplicate(line: &Line<'_>) -> TouchstoneError {
    TouchstoneError::new(Fault::KeywordDup, line.number, "each keyword once", format!("`{}` again", line.body.trim()))
}

pub(super) fn misplaced(line: &Line<'_>, expected: &str) -> TouchstoneError {
    TouchstoneError::new(Fault::KeywordOrder, line.number, expected, format!("`{}`", line.body.trim()))
}

pub(super) fn noise_ports(line: usize, n_ports: usize) -> TouchstoneError {
    TouchstoneError::new(Fault::NoiseNot2port, line, "noise data only with two ports", format!("{n_ports} ports"))
}
