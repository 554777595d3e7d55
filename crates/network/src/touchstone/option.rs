//! The option line: `# [unit] [parameter] [format] [R n …]`.

use super::Parameter;
use super::error::{Fault, Remark, TouchstoneError, Warning, remark};
use super::lines::{Line, Word, number, words};

/// How a pair of numbers is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    /// Decibel and degree.
    Db,
    /// Magnitude and degree.
    Ma,
    /// Real and imaginary part.
    Ri,
}

/// Content of the option line.
#[derive(Debug, Clone)]
pub(super) struct Options {
    pub line: usize,
    /// Decimal exponent of the frequency unit.
    pub unit_exponent: i32,
    pub parameter: Parameter,
    pub format: Format,
    /// As written; empty for the default of 50 ohm.
    pub reference_ohm: Vec<f64>,
}

impl Options {
    /// What a text without option line would mean.
    fn standard(line: usize) -> Self {
        Self { line, unit_exponent: 9, parameter: Parameter::S, format: Format::Ma, reference_ohm: vec![] }
    }
}

/// Reads an option line; `line.body` starts with `#`.
pub(super) fn read(line: &Line<'_>, lenient: bool, remarks: &mut Vec<Remark>) -> Result<Options, TouchstoneError> {
    let hash = line.body.find('#').map_or(0, |i| i + 1);
    let tokens = words(&line.body[hash..], line.number, hash);
    let mut options = Options::standard(line.number);
    let mut seen = [false; 4];
    let mut k = 0;
    while k < tokens.len() {
        let word = &tokens[k];
        k += 1;
        let upper = word.text.to_ascii_uppercase();
        let kind = if let Some(exponent) = unit(&upper, lenient) {
            options.unit_exponent = exponent;
            0
        } else if let Some(parameter) = parameter(&upper) {
            options.parameter = parameter;
            1
        } else if let Some(format) = format(&upper) {
            options.format = format;
            2
        } else if upper == "R" {
            let from = k;
            while k < tokens.len() && looks_numeric(tokens[k].text) {
                k += 1;
            }
            options.reference_ohm = references(word, &tokens[from..k], lenient, remarks)?;
            3
        } else if lenient && loose_reference(&upper, word, &mut options) {
            remark(remarks, Warning::OptionWording, word.line, format!("`{}` read as a reference", word.text));
            3
        } else {
            let expected = "a unit (Hz, kHz, MHz, GHz), a parameter (S, Y, Z, H, G), a format (DB, MA, RI) or R";
            return Err(word.error(Fault::OptionToken, expected));
        };
        if std::mem::replace(&mut seen[kind], true) {
            let what = ["one unit", "one parameter", "one format", "one R"][kind];
            return Err(word.error(Fault::OptionToken, format!("{what} on the option line")));
        }
    }
    Ok(options)
}

fn unit(upper: &str, lenient: bool) -> Option<i32> {
    match upper {
        "HZ" => Some(0),
        "KHZ" => Some(3),
        "MHZ" => Some(6),
        "GHZ" => Some(9),
        "THZ" if lenient => Some(12),
        _ => None,
    }
}

fn parameter(upper: &str) -> Option<Parameter> {
    match upper {
        "S" => Some(Parameter::S),
        "Y" => Some(Parameter::Y),
        "Z" => Some(Parameter::Z),
        "H" => Some(Parameter::H),
        "G" => Some(Parameter::G),
        _ => None,
    }
}

fn format(upper: &str) -> Option<Format> {
    match upper {
        "DB" => Some(Format::Db),
        "MA" => Some(Format::Ma),
        "RI" => Some(Format::Ri),
        _ => None,
    }
}

/// Starts like a number, so it belongs to `R` even if it turns out wrong.
fn looks_numeric(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_digit() || ['+', '-', '.'].contains(&c))
        || ["nan", "inf"].contains(&text.to_ascii_lowercase().as_str())
}

fn references(
    r: &Word<'_>,
    values: &[Word<'_>],
    lenient: bool,
    remarks: &mut Vec<Remark>,
) -> Result<Vec<f64>, TouchstoneError> {
    if values.is_empty() {
        return Err(r.error(Fault::OptionR, "a positive resistance in ohm after R").advise("write for example `R 50`"));
    }
    values
        .iter()
        .map(|word| {
            let refused = || {
                word.error(Fault::OptionR, "a positive real resistance in ohm after R")
                    .advise("a complex or negative reference cannot be written; renormalise the data first")
            };
            match number(word, 0, lenient, remarks) {
                Ok(value) if value > 0.0 => Ok(value),
                _ => Err(refused()),
            }
        })
        .collect()
}

/// `R50`, or a bare number where `R` was left out.
fn loose_reference(upper: &str, word: &Word<'_>, options: &mut Options) -> bool {
    let digits = upper.strip_prefix('R').unwrap_or(upper);
    let glued = Word { text: digits, ..*word };
    match number(&glued, 0, false, &mut Vec::new()) {
        Ok(value) if value > 0.0 => {
            options.reference_ohm = vec![value];
            true
        }
        _ => false,
    }
}
