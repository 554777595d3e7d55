//! Reading and printing of numbers with units, shared by every quantity.
//!
//! Input: text such as `"15 um"`, `"+15 dBm"`, `"-87.2 pF/m"`. Output: the SI value, correctly rounded.
//! Prefixes are applied to the decimal exponent of the text, never by a floating multiplication, so
//! `"44 fF"` is the same number as `44e-15`, and printing then reading returns the same bits.
//! A text without a unit, with an unknown unit, or that is not finite is refused.

/// A unit: what it is called and how it relates to the SI unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// Symbol as written by people and printed by the program.
    pub symbol: &'static str,
    /// Relation to the stored unit.
    pub scale: Scale,
}

/// How a unit relates to the stored unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scale {
    /// Ten to this power times the stored unit.
    Ten(i32),
    /// Number plus this offset gives the stored unit, rounded to nine decimals so that `-40 degC` is 233.15 K.
    Offset(f64),
    /// Number times this factor gives the stored unit.
    Factor(f64),
}

/// Why a text is not a quantity.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum QuantityError {
    /// There is a number but no unit.
    #[error("`{text}` has no unit; {quantity} is written with one of {}", .units.join(", "))]
    MissingUnit {
        /// The text.
        text: String,
        /// Name of the quantity.
        quantity: &'static str,
        /// Units that are understood.
        units: Vec<&'static str>,
    },
    /// The unit does not belong to the quantity.
    #[error("`{text}` has unit `{unit}`; {quantity} is written with one of {}{}", .units.join(", "), hint(.meant))]
    WrongUnit {
        /// The text.
        text: String,
        /// The unit found.
        unit: String,
        /// Name of the quantity.
        quantity: &'static str,
        /// Units that are understood.
        units: Vec<&'static str>,
        /// The unit that differs only in upper and lower case, when there is exactly one.
        meant: Option<&'static str>,
    },
    /// The text does not start with a decimal number.
    #[error("`{text}` does not start with a number; {quantity} is written as number and unit, for example `{example}`")]
    NotANumber {
        /// The text.
        text: String,
        /// Name of the quantity.
        quantity: &'static str,
        /// How it could look.
        example: String,
    },
    /// A comma where a decimal point belongs.
    #[error("`{text}` has a comma; {quantity} is written with a decimal point, for example `{example}`")]
    Comma {
        /// The text.
        text: String,
        /// Name of the quantity.
        quantity: &'static str,
        /// How it could look.
        example: String,
    },
    /// Not a number, infinite, or too large.
    #[error("`{text}` is not a finite {quantity}")]
    NotFinite {
        /// The text.
        text: String,
        /// Name of the quantity.
        quantity: &'static str,
    },
}

fn hint(meant: &Option<&'static str>) -> String {
    meant.map(|m| format!(" (did you mean `{m}`?)")).unwrap_or_default()
}

/// What a quantity is called and how it is written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Words {
    /// Name in messages, lower case.
    pub name: &'static str,
    /// Units, smallest first; the first whose number lies in 1…1000 is used for printing.
    pub units: &'static [Unit],
    /// Other spellings that are read but never printed.
    pub spellings: &'static [(&'static str, &'static str)],
}

/// Reads `text` as number and unit; gives the value in the stored unit.
pub(crate) fn read(text: &str, words: &Words) -> Result<f64, QuantityError> {
    let trimmed = text.trim();
    let (number, unit) = split(trimmed);
    if number.is_empty() {
        return Err(no_number(text, trimmed, words));
    }
    if unit.starts_with(',') {
        return Err(QuantityError::Comma {
            text: text.into(),
            quantity: words.name,
            example: trimmed.replace(',', "."),
        });
    }
    if unit.is_empty() {
        return Err(QuantityError::MissingUnit { text: text.into(), quantity: words.name, units: symbols(words) });
    }
    let scale = find_unit(unit, words).ok_or_else(|| wrong_unit(text, unit, words))?;
    let value = scaled(number, scale).ok_or_else(|| no_number(text, trimmed, words))?;
    if value.is_finite() {
        Ok(value)
    } else {
        Err(QuantityError::NotFinite { text: text.into(), quantity: words.name })
    }
}

/// Prints `value` (in the stored unit) so that [`read`] returns the same bits.
pub(crate) fn print(value: f64, words: &Words) -> String {
    let unit = printing_unit(value, words);
    match unit.scale {
        Scale::Ten(exponent) => format!("{} {}", shifted(value, -exponent), unit.symbol),
        Scale::Offset(_) | Scale::Factor(_) => format!("{value} {}", unit.symbol),
    }
}

/// The symbols of all units, for messages.
pub(crate) fn symbols(words: &Words) -> Vec<&'static str> {
    words.units.iter().map(|u| u.symbol).collect()
}

/// Splits a text into its leading decimal number and the rest.
fn split(text: &str) -> (&str, &str) {
    let bytes = text.as_bytes();
    let digits_from = |mut i: usize| {
        while bytes.get(i).is_some_and(u8::is_ascii_digit) {
            i += 1;
        }
        i
    };
    let start = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let mut end = digits_from(start);
    let mut n_digits = end - start;
    if bytes.get(end) == Some(&b'.') {
        let fraction_end = digits_from(end + 1);
        n_digits += fraction_end - end - 1;
        end = fraction_end;
    }
    if n_digits == 0 {
        return ("", text);
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let exponent_end = digits_from(end + 1 + sign);
        if exponent_end > end + 1 + sign {
            end = exponent_end;
        }
    }
    (&text[..end], text[end..].trim_start())
}

fn no_number(text: &str, trimmed: &str, words: &Words) -> QuantityError {
    let word: String =
        trimmed.chars().skip_while(|c| matches!(c, '+' | '-')).take_while(|c| c.is_alphabetic()).collect();
    if ["nan", "inf", "infinity"].contains(&word.to_lowercase().as_str()) {
        return QuantityError::NotFinite { text: text.into(), quantity: words.name };
    }
    let example = words.units.get(words.units.len() / 2).map_or(String::new(), |u| format!("1.5 {}", u.symbol));
    QuantityError::NotANumber { text: text.into(), quantity: words.name, example }
}

fn wrong_unit(text: &str, unit: &str, words: &Words) -> QuantityError {
    let lower = unit.to_lowercase();
    let mut alike = words.units.iter().map(|u| u.symbol).filter(|s| s.to_lowercase() == lower);
    let meant = match (alike.next(), alike.next()) {
        (Some(only), None) => Some(only),
        _ => None,
    };
    QuantityError::WrongUnit {
        text: text.into(),
        unit: unit.into(),
        quantity: words.name,
        units: symbols(words),
        meant,
    }
}

fn find_unit(unit: &str, words: &Words) -> Option<Scale> {
    // The micro sign and the Greek letter both stand for 1e-6; ohm and kelvin signs likewise.
    let plain: String = unit
        .chars()
        .map(|c| match c {
            '\u{b5}' | '\u{3bc}' => 'u',
            '\u{2126}' => '\u{3a9}',
            '\u{2212}' => '-',
            other => other,
        })
        .collect();
    let plain = plain.replace('\u{3a9}', "ohm");
    let symbol = words.spellings.iter().find(|(other, _)| *other == plain).map_or(plain.as_str(), |(_, symbol)| symbol);
    words.units.iter().find(|u| u.symbol == symbol).map(|u| u.scale)
}

/// The number in the stored unit; prefixes move the decimal exponent of the text.
fn scaled(number: &str, scale: Scale) -> Option<f64> {
    match scale {
        Scale::Ten(shift) => {
            let (mantissa, exponent) = match number.split_once(['e', 'E']) {
                Some((m, e)) => (m, e.parse::<i32>().ok()?),
                None => (number, 0),
            };
            format!("{mantissa}e{}", exponent.checked_add(shift)?).parse().ok()
        }
        Scale::Offset(offset) => number.parse::<f64>().ok().map(|x| shifted_zero(x, offset)),
        Scale::Factor(factor) => number.parse::<f64>().ok().map(|x| x * factor),
    }
}

/// `x + offset` rounded to nine decimals.
pub(crate) fn shifted_zero(x: f64, offset: f64) -> f64 {
    ((x + offset) * 1e9).round() / 1e9
}

/// The unit whose number lies in 1…1000, else the nearest one.
fn printing_unit<'a>(value: f64, words: &Words) -> &'a Unit
where
    Words: 'a,
{
    let base = words.units.iter().find(|u| u.scale == Scale::Ten(0));
    let first = words.units.first().expect("a quantity has at least one unit");
    if value == 0.0 {
        return base.unwrap_or(first);
    }
    let magnitude = decimal_exponent(value);
    words
        .units
        .iter()
        .filter(|u| matches!(u.scale, Scale::Ten(e) if e <= magnitude))
        .max_by_key(|u| match u.scale {
            Scale::Ten(e) => e,
            _ => i32::MIN,
        })
        .unwrap_or(first)
}

fn decimal_exponent(value: f64) -> i32 {
    let text = format!("{value:e}");
    text.split_once('e').and_then(|(_, e)| e.parse().ok()).expect("scientific notation has an exponent")
}

/// Shortest decimal digits of `value · 10^shift`, moved as text so that no digit changes.
fn shifted(value: f64, shift: i32) -> String {
    let text = format!("{value:e}");
    let (mantissa, exponent) = text.split_once('e').expect("scientific notation has an exponent");
    let exponent = exponent.parse::<i32>().expect("the exponent is an integer") + shift;
    let (sign, mantissa) = mantissa.strip_prefix('-').map_or(("", mantissa), |m| ("-", m));
    let digits: String = mantissa.chars().filter(char::is_ascii_digit).collect();
    if value == 0.0 {
        return format!("{sign}0");
    }
    let n_digits = i32::try_from(digits.len()).expect("a double has few digits");
    let plain = match exponent {
        e if !(-4..15).contains(&e) => format!("{mantissa}e{e}"),
        e if e < 0 => format!("0.{}{digits}", "0".repeat(e.unsigned_abs() as usize - 1)),
        e if e + 1 >= n_digits => format!("{digits}{}", "0".repeat((e + 1 - n_digits) as usize)),
        e => format!("{}.{}", &digits[..=e as usize], &digits[e as usize + 1..]),
    };
    format!("{sign}{plain}")
}
