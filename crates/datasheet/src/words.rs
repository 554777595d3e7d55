//! Numbers and conditions as a datasheet prints them, with the typographic minus.

use spec::{Conditions, Measure};

/// Fixed decimals; a number that is not finite reads as a dash.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "–".into();
    }
    let text = format!("{value:.decimals$}");
    let zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    let text = if zero { text.trim_start_matches('-').to_owned() } else { text };
    text.replace('-', "−")
}

/// Up to three decimals without trailing zeros.
pub(crate) fn plain(value: f64) -> String {
    let text = fixed(value, 3);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Signed level.
pub(crate) fn level(dbm: f64) -> String {
    format!("{}{} dBm", if dbm > 0.0 { "+" } else { "" }, plain(dbm))
}

/// Frequency in GHz, or MHz when small.
pub(crate) fn frequency(hz: f64) -> String {
    if hz.abs() < 0.9995e9 && hz != 0.0 {
        format!("{} MHz", plain(hz / 1e6))
    } else {
        format!("{} GHz", plain(hz / 1e9))
    }
}

/// `20–26 GHz`.
pub(crate) fn band((low, high): (f64, f64)) -> String {
    if (high - low).abs() <= 1e-9 * high.abs() {
        frequency(low)
    } else {
        format!("{}–{} GHz", plain(low / 1e9), plain(high / 1e9))
    }
}

/// Degrees Celsius.
pub(crate) fn celsius(kelvin: f64) -> String {
    format!("{} °C", plain(kelvin - 273.15))
}

/// The value of a measure with the decimals its kind deserves.
pub(crate) fn value(measure: Measure, value: f64) -> String {
    fixed(value, if measure.unit() == "mV" { 2 } else { 1 })
}

/// Conditions of a reading in a few words: those that matter for one number.
pub(crate) fn conditions(c: &Conditions) -> String {
    let mut out = Vec::new();
    out.extend(c.rf_hz.map(|f| format!("RF {}", frequency(f))));
    out.extend(c.if_hz.filter(|_| c.rf_hz.is_some()).map(|f| format!("IF {}", frequency(f))));
    out.push(match (c.signal_dbm, c.rf_hz) {
        (Some(l), _) => format!("signal {}", level(l)),
        (None, Some(_)) => "small signal".into(),
        (None, None) => format!("LO {}", frequency(c.lo_hz)),
    });
    out.join(", ")
}

/// Text safe inside XML; characters XML forbids become `�`.
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
