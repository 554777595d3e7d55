//! Lengths of a drawing: sums of quantities and named variables, such as `"2*section + 120 um"`.

use quantity::Length;

/// A sum of products of a plain factor and a length.
#[derive(Debug, Clone, PartialEq)]
pub struct Expression {
    terms: Vec<(f64, Operand)>,
}

#[derive(Debug, Clone, PartialEq)]
enum Operand {
    /// Metre.
    Length(f64),
    /// Name of a variable.
    Variable(String),
}

impl Expression {
    /// Reads a sum; the error says what is wrong.
    pub(super) fn parse(text: &str) -> Result<Self, String> {
        let terms = split(text).into_iter().map(|(sign, term)| read_term(sign, term)).collect::<Result<Vec<_>, _>>()?;
        if terms.is_empty() { Err("expected a length or a variable, found nothing".into()) } else { Ok(Self { terms }) }
    }

    /// Names of the variables in it.
    pub fn variables(&self) -> impl Iterator<Item = &str> {
        self.terms.iter().filter_map(|(_, o)| if let Operand::Variable(name) = o { Some(name.as_str()) } else { None })
    }

    /// Its value, metre; variables that are not listed count as zero (they are refused when the file is read).
    pub fn value(&self, variables: &[(String, f64)]) -> f64 {
        let of = |operand: &Operand| match operand {
            Operand::Length(m) => *m,
            Operand::Variable(name) => variables.iter().find(|v| v.0 == *name).map_or(0.0, |v| v.1),
        };
        self.terms.iter().map(|(factor, operand)| factor * of(operand)).sum()
    }
}

/// Terms with their signs; a sign behind the `e` of a number belongs to the number.
fn split(text: &str) -> Vec<(f64, &str)> {
    let bytes = text.as_bytes();
    let (mut out, mut start, mut sign) = (Vec::new(), 0, 1.0);
    for (i, b) in bytes.iter().enumerate() {
        let exponent = i >= 2 && matches!(bytes[i - 1], b'e' | b'E') && bytes[i - 2].is_ascii_digit();
        if !matches!(b, b'+' | b'-') || exponent {
            continue;
        }
        if !text[start..i].trim().is_empty() {
            out.push((sign, text[start..i].trim()));
            sign = 1.0;
        }
        sign *= if *b == b'-' { -1.0 } else { 1.0 };
        start = i + 1;
    }
    if !text[start..].trim().is_empty() {
        out.push((sign, text[start..].trim()));
    }
    out
}

fn read_term(sign: f64, term: &str) -> Result<(f64, Operand), String> {
    let (factor, operand) = match term.split_once('*') {
        Some((factor, operand)) => {
            let number = factor.trim().parse::<f64>().ok().filter(|x| x.is_finite());
            (number.ok_or_else(|| format!("expected a plain number before `*`, found `{}`", factor.trim()))?, operand)
        }
        None => (1.0, term),
    };
    let operand = operand.trim();
    if operand.starts_with(|c: char| c.is_ascii_digit() || c == '.') {
        let length: Length = operand.parse().map_err(|e: quantity::QuantityError| e.to_string())?;
        return Ok((sign * factor, Operand::Length(length.si())));
    }
    let is_name = operand.chars().all(|c| c.is_alphanumeric() || c == '_') && !operand.is_empty();
    if is_name {
        return Ok((sign * factor, Operand::Variable(operand.into())));
    }
    Err(format!("expected a length or the name of a variable, found `{operand}`"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(text: &str, expected_um: f64) {
        let variables = [("section".to_string(), 1510e-6), ("gap".to_string(), 120e-6)];
        let found = Expression::parse(text).unwrap_or_else(|e| panic!("{text}: {e}")).value(&variables);
        assert!((found * 1e6 - expected_um).abs() < 1e-9, "{text}: {} um", found * 1e6);
    }

    #[test]
    fn sums_of_lengths_and_variables() {
        check("15 um", 15.0);
        check("-15 um", -15.0);
        check("section", 1510.0);
        check("2*section + gap", 3140.0);
        check("-section - 0.5*gap + 1.5e1 um", -1510.0 - 60.0 + 15.0);
        check("1e-2 mm - - 5 um", 15.0);
    }

    #[test]
    fn what_is_no_sum_is_refused() {
        for (text, expected) in [
            ("", "expected a length or a variable, found nothing"),
            ("x*gap", "expected a plain number before `*`, found `x`"),
            ("2*(gap)", "expected a length or the name of a variable, found `(gap)`"),
        ] {
            assert_eq!(Expression::parse(text).expect_err(text), expected);
        }
        assert!(Expression::parse("15").expect_err("no unit").contains("`15` has no unit"));
    }
}
