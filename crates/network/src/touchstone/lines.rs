//! Characters, lines, words and numbers of the standard.

use super::error::{Fault, Remark, TouchstoneError, Warning, remark};

/// One line, split at the comment sign.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line<'a> {
    /// Counted from one.
    pub number: usize,
    /// All of it, as written.
    pub raw: &'a str,
    /// Before the comment.
    pub body: &'a str,
    /// After the comment sign.
    pub comment: Option<&'a str>,
}

/// One word with its place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Word<'a> {
    pub text: &'a str,
    pub line: usize,
    pub columns: (usize, usize),
}

impl Word<'_> {
    pub(super) fn error(&self, fault: Fault, expected: impl Into<String>) -> TouchstoneError {
        TouchstoneError::new(fault, self.line, expected, format!("`{}`", shortened(self.text))).columns(self.columns)
    }
}

/// Text of printable ASCII, tabs and line ends.
///
/// Lenient reading replaces other characters inside comments by `?`.
pub(super) fn legal_text(bytes: &[u8], lenient: bool, remarks: &mut Vec<Remark>) -> Result<String, TouchstoneError> {
    let mut text = String::with_capacity(bytes.len());
    let (mut line, mut column, mut in_comment) = (1, 0, false);
    let start = if lenient && bytes.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
    if start > 0 {
        remark(remarks, Warning::NonAscii, 1, "byte order mark before the first line skipped");
    }
    for (k, &byte) in bytes.iter().enumerate().skip(start) {
        column += 1;
        match byte {
            b'\n' | b'\r' => {
                // CR LF counts once, at the LF
                if !(byte == b'\r' && bytes.get(k + 1) == Some(&b'\n')) {
                    (line, column, in_comment) = (line + 1, 0, false);
                }
                text.push(byte as char);
            }
            b'\t' | 0x20..=0x7e => {
                in_comment |= byte == b'!';
                text.push(byte as char);
            }
            _ if lenient && in_comment => {
                remark(remarks, Warning::NonAscii, line, "byte outside ASCII in a comment replaced by `?`");
                text.push('?');
            }
            _ => {
                let expected = "printable ASCII, tabs and line ends";
                return Err(TouchstoneError::new(Fault::Ascii, line, expected, format!("byte 0x{byte:02X}"))
                    .columns((column, column))
                    .advise("replace the character; lenient reading accepts it inside comments"));
            }
        }
    }
    Ok(text)
}

/// Splits at LF, CR or CR LF.
pub(super) fn split(text: &str) -> Vec<Line<'_>> {
    let mut out = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let end = rest.find(['\n', '\r']).unwrap_or(rest.len());
        let raw = &rest[..end];
        let (body, comment) = raw.split_once('!').map_or((raw, None), |(b, c)| (b, Some(c)));
        out.push(Line { number: out.len() + 1, raw, body, comment });
        rest = &rest[end..];
        let skip = if rest.starts_with("\r\n") { 2 } else { rest.len().min(1) };
        rest = &rest[skip..];
    }
    out
}

/// Words of a text that begins at `column` (counted from zero) of line `line`.
pub(super) fn words(text: &str, line: usize, column: usize) -> Vec<Word<'_>> {
    let mut out = Vec::new();
    let mut start = None;
    for (i, c) in text.char_indices().chain([(text.len(), ' ')]) {
        match (c == ' ' || c == '\t', start) {
            (false, None) => start = Some(i),
            (true, Some(s)) => {
                out.push(Word { text: &text[s..i], line, columns: (column + s + 1, column + i) });
                start = None;
            }
            _ => {}
        }
    }
    out
}

/// Collects the comments of all lines.
pub(super) fn comments(all: &[Line<'_>]) -> Vec<String> {
    all.iter().filter_map(|l| l.comment).map(|c| c.trim().to_owned()).filter(|c| !c.is_empty()).collect()
}

/// At most 40 characters.
pub(super) fn shortened(text: &str) -> String {
    if text.chars().count() <= 40 {
        return text.to_owned();
    }
    text.chars().take(40).chain(['…']).collect()
}

/// A number, its decimal exponent moved by `shift` in the text so that no digit is lost.
pub(super) fn number(
    word: &Word<'_>,
    shift: i32,
    lenient: bool,
    remarks: &mut Vec<Remark>,
) -> Result<f64, TouchstoneError> {
    let refused = || word.error(Fault::Number, "a decimal number such as `-1.5e-3`").advise(number_advice(word.text));
    let mut text = word.text.to_owned();
    if lenient && text.contains(['d', 'D']) {
        text = text.replace(['d', 'D'], "e");
        if is_number(&text) {
            remark(remarks, Warning::FortranExponent, word.line, format!("`{}` read as `{text}`", word.text));
        }
    }
    if !is_number(&text) {
        return Err(refused());
    }
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((m, e)) => (m, e.parse::<i32>().map_err(|_| refused())?),
        None => (text.as_str(), 0),
    };
    let exponent = exponent.checked_add(shift).ok_or_else(refused)?;
    let value: f64 = format!("{mantissa}e{exponent}").parse().map_err(|_| refused())?;
    if value.is_finite() { Ok(value) } else { Err(refused()) }
}

fn number_advice(text: &str) -> &'static str {
    let lower = text.to_ascii_lowercase();
    if text.contains(',') {
        "write a decimal point, and blanks between numbers"
    } else if lower.contains("inf") || lower.contains("nan") {
        "zero magnitude has no decibel form; write the data as RI"
    } else if lower.contains('d') && is_number(&lower.replace('d', "e")) {
        "write the exponent with `e`; lenient reading accepts `d`"
    } else {
        ""
    }
}

/// `[+-] digits [. digits] [e [+-] digits]`, with at least one digit in front of the exponent.
fn is_number(text: &str) -> bool {
    let unsigned = |t: &str| t.strip_prefix(['+', '-']).unwrap_or(t).to_owned();
    let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
    let (mantissa, exponent) = text.split_once(['e', 'E']).map_or((text, None), |(m, e)| (m, Some(e)));
    let mantissa = unsigned(mantissa);
    let (whole, part) = mantissa.split_once('.').unwrap_or((&mantissa, ""));
    let exponent_fits = exponent.is_none_or(|e| {
        let e = unsigned(e);
        !e.is_empty() && digits(&e)
    });
    digits(whole) && digits(part) && !(whole.is_empty() && part.is_empty()) && exponent_fits
}
