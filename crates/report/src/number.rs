//! Numbers as people read them: value and band with matching digits, frequencies, prefixes.
//!
//! Plain functions give ASCII (`-3.2`), [`typeset`] turns that into the typographic minus of pages
//! and pictures. A number that is not finite reads `no value`.

use spec::{Bound, Measure, Reading};

/// What stands in place of a number that is not finite.
pub(crate) const NO_VALUE: &str = "no value";
/// Finest band that is printed; smaller ones read `<0.001`.
const DECIMALS_MAX: i32 = 3;

/// Text safe inside XML and HTML, content and attributes; characters XML forbids become `�`.
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Typographic minus instead of the hyphen; for texts that are numbers.
pub(crate) fn typeset(number: &str) -> String {
    number.replace('-', "−")
}

/// Fixed decimals, without a negative zero; powers of ten beyond a thousand million.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return NO_VALUE.into();
    }
    if value.abs() >= 1e9 {
        return scientific(value);
    }
    let text = format!("{value:.decimals$}");
    let zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    if zero { text.trim_start_matches('-').to_owned() } else { text }
}

/// Up to six significant digits without trailing zeros; powers of ten for the very large and small.
pub(crate) fn plain(value: f64) -> String {
    if !value.is_finite() {
        return NO_VALUE.into();
    }
    if value.abs() < f64::MIN_POSITIVE {
        return "0".into();
    }
    let magnitude = value.abs().log10().floor() as i32;
    if !(-4..9).contains(&magnitude) {
        return scientific(value);
    }
    let text = fixed(value, (5 - magnitude).max(0) as usize);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Two significant digits and a power of ten, for residuals.
pub(crate) fn scientific(value: f64) -> String {
    if value.is_finite() { format!("{value:.1e}") } else { NO_VALUE.into() }
}

/// Signed, for levels: `+15`, `-10`, `0`.
pub(crate) fn signed(value: f64) -> String {
    let text = plain(value);
    if value.is_finite() && value > 0.0 && text != "0" { format!("+{text}") } else { text }
}

/// Frequency with the prefix that reads best.
pub(crate) fn frequency(hz: f64) -> String {
    prefixed(hz, "Hz")
}

/// Value with an SI prefix, up to six significant digits.
pub(crate) fn prefixed(value: f64, unit: &str) -> String {
    let (scaled, prefix) = prefix_of(value);
    if value.is_finite() { format!("{} {prefix}{unit}", plain(scaled)) } else { NO_VALUE.into() }
}

/// Value with an SI prefix and three significant digits.
pub(crate) fn prefixed_short(value: f64, unit: &str) -> String {
    if !value.is_finite() {
        return NO_VALUE.into();
    }
    let (scaled, prefix) = prefix_of(value);
    let decimals = if scaled.abs() < 10.0 { 2 } else { usize::from(scaled.abs() < 100.0) };
    format!("{} {prefix}{unit}", fixed(scaled, decimals))
}

fn prefix_of(value: f64) -> (f64, &'static str) {
    const PREFIXES: [(f64, &str); 9] = [
        (1e12, "T"),
        (1e9, "G"),
        (1e6, "M"),
        (1e3, "k"),
        (1.0, ""),
        (1e-3, "m"),
        (1e-6, "µ"),
        (1e-9, "n"),
        (1e-12, "p"),
    ];
    if value.abs() < 1e-15 || !value.is_finite() {
        return (value, "");
    }
    let found = PREFIXES.into_iter().find(|(scale, _)| value.abs() >= scale * (1.0 - 1e-9));
    let (scale, prefix) = found.unwrap_or((1e-15, "f"));
    (value / scale, prefix)
}

/// A number ready to print.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Shown {
    /// `≥ ` or `≤ ` in front of a bound, else empty.
    pub(crate) relation: &'static str,
    /// The value with as many decimals as the band allows.
    pub(crate) value: String,
    /// Half width of the numeric band, rounded up; empty when unknown.
    pub(crate) band: String,
}

impl Shown {
    /// The value with its relation, without band.
    pub(crate) fn value_text(&self) -> String {
        format!("{}{}", self.relation, self.value)
    }

    /// `7.36 ± 0.10`, without unit.
    pub(crate) fn text(&self) -> String {
        let band = if self.band.is_empty() { String::new() } else { format!(" ± {}", self.band) };
        format!("{}{}{band}", self.relation, self.value)
    }
}

/// Value and band of a reading with matching digits.
pub(crate) fn shown(reading: &Reading) -> Shown {
    let relation = if reading.quality.is_bound { bound_sign(reading.measure) } else { "" };
    let (value, band) = with_band(reading.value, reading.quality.numeric_band);
    if reading.value.is_finite() {
        Shown { relation, value, band }
    } else {
        Shown { relation: "", value: NO_VALUE.into(), band: String::new() }
    }
}

/// Which side a bound of this measure is on: leaks are smaller, isolations and intercepts larger.
fn bound_sign(measure: Measure) -> &'static str {
    match measure {
        Measure::Isolation { .. }
        | Measure::ReturnLoss(_)
        | Measure::InputIp2
        | Measure::InputIp3
        | Measure::InputP1db => "≥ ",
        _ => "≤ ",
    }
}

/// Value and half width with the same decimals: two digits of the band when it starts with 1 or 2,
/// else one; the band is rounded up so that it never claims too much.
fn with_band(value: f64, band: Option<f64>) -> (String, String) {
    let Some(band) = band.filter(|b| b.is_finite() && *b >= 0.0) else {
        return (fixed(value, 2), String::new());
    };
    let finest = 10f64.powi(-DECIMALS_MAX);
    if band < finest {
        let text = if band > 0.0 { format!("<{finest}") } else { "0".into() };
        return (fixed(value, DECIMALS_MAX as usize), text);
    }
    let magnitude = (band.log10() + 1e-9).floor() as i32;
    let lead = band / 10f64.powi(magnitude);
    let decimals = (if lead < 2.95 { 1 - magnitude } else { -magnitude }).clamp(0, DECIMALS_MAX);
    let unit = 10f64.powi(decimals);
    let up = (band * unit - 1e-6).ceil() / unit;
    (fixed(value, decimals as usize), fixed(up, decimals as usize))
}

/// A bound in words: `≤ 8 dB`.
pub(crate) fn bound(bound: Bound, unit: &str) -> String {
    match bound {
        Bound::AtMost(x) => format!("≤ {} {unit}", plain(x)),
        Bound::AtLeast(x) => format!("≥ {} {unit}", plain(x)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn band_sets_the_digits() {
        let check = |value, band, expected: &str| {
            let (v, b) = with_band(value, band);
            assert_eq!(Shown { relation: "", value: v, band: b }.text(), expected);
        };
        check(7.3561, Some(0.1), "7.36 ± 0.10");
        check(7.3561, Some(0.34), "7.4 ± 0.4");
        check(-73.2, Some(3.5), "-73 ± 4");
        check(-97.6, Some(10.0), "-98 ± 10");
        check(-97.6, Some(12.01), "-98 ± 13");
        check(2.09, None, "2.09");
        check(2.09, Some(4e-7), "2.090 ± <0.001");
        check(2.0, Some(0.0), "2.000 ± 0");
        check(-0.0004, Some(0.1), "0.00 ± 0.10");
        check(5.0, Some(f64::NAN), "5.00");
    }

    #[test]
    fn numbers_read_as_written_by_people() {
        assert_eq!(frequency(28e9), "28 GHz");
        assert_eq!(frequency(4.5e9), "4.5 GHz");
        assert_eq!(frequency(f64::NAN), "no value");
        assert_eq!(signed(15.0), "+15");
        assert_eq!(signed(-10.0), "-10");
        assert_eq!(plain(298.15), "298.15");
        assert_eq!(plain(0.0), "0");
        assert_eq!(plain(1.5e-7), "1.5e-7");
        assert_eq!(prefixed_short(0.001_234, "V"), "1.23 mV");
        assert_eq!(fixed(f64::INFINITY, 2), "no value");
        assert_eq!(typeset("-3"), "−3");
    }

    #[test]
    fn escape_leaves_nothing_for_a_parser_to_trip_over() {
        assert_eq!(escape("a<b> & \"c\" 'd'\u{0}"), "a&lt;b&gt; &amp; &quot;c&quot; &#39;d&#39;\u{fffd}");
    }
}
