//! The model for other programs, in open standards only: text files that need nothing of ours to be read.
//!
//! Input: a [`Model`] and where it came from. Output: texts: spur table (CSV), small-signal scattering around the pumped
//! state (Touchstone and CSV), a Verilog-A module with a rational network, and a check of that module that reads the
//! text back and integrates it in time.
//! Every text begins with the same heading: type, revision, maker, hash of the package, validity region, watermark and
//! expiry notice. Texts are plain ASCII.
//! Not here: files, clocks.

pub mod check;
mod equations;
pub mod fit;
pub mod pumped;
pub mod reader;
pub mod spurs;
pub mod transient;
pub mod verilog;

use crate::{Model, OutsidePolicy, Region};

/// Where an exported text comes from.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Origin {
    /// blake3 hash of the manifest of the package; none when the model was taken from a design.
    pub package_blake3: Option<String>,
    /// State of the signature in words.
    pub signature: String,
    /// Program and version.
    pub program: String,
    /// What the maker has to say today (an expiry day that has passed).
    pub notices: Vec<String>,
}

/// Lines that every exported text begins with; `what` names the text.
pub fn heading(model: &Model, origin: &Origin, what: &str) -> Vec<String> {
    let maker = if model.maker.is_empty() { String::new() } else { format!(", by {}", model.maker) };
    let mut out = vec![format!("{what} of {}, revision {}{maker}", model.name, model.revision)];
    out.push(match &origin.package_blake3 {
        Some(hash) => format!("from model package blake3 {hash}"),
        None => "from a design, not from a model package".into(),
    });
    if !origin.signature.is_empty() {
        out.push(format!("signature: {}", origin.signature));
    }
    out.push(format!("written by {}", origin.program));
    out.extend(model.terms.watermark.clone());
    if let Some(day) = &model.terms.expires {
        let text = model.terms.expiry_text.as_deref().unwrap_or("ask the maker for a later one");
        out.push(format!("meant for use up to {day}: {text} (a notice, nothing is locked)"));
    }
    out.extend(origin.notices.iter().cloned());
    out.push(region_words(&model.region));
    out.push(format!("temperature {:.2} degC; terminations: {}", model.temp_k - 273.15, model.terminations));
    out.push("simulated values; nothing here is guaranteed".into());
    out.iter().map(|l| ascii(l)).collect()
}

/// The validity region in one sentence.
pub fn region_words(r: &Region) -> String {
    format!(
        "the maker vouches for LO {} to {} GHz at {:+} to {:+} dBm, RF {} to {} GHz, IF {} to {} GHz, input up to {:+} dBm, \
         reflections up to {}; outside that questions are {}",
        ghz(r.lo_hz.0),
        ghz(r.lo_hz.1),
        r.lo_dbm.0,
        r.lo_dbm.1,
        ghz(r.rf_hz.0),
        ghz(r.rf_hz.1),
        ghz(r.if_hz.0),
        ghz(r.if_hz.1),
        r.signal_dbm_max,
        r.reflection_max,
        if r.policy == OutsidePolicy::Refuse { "refused" } else { "answered with a warning" }
    )
}

/// Gigahertz with at most six decimals.
pub(crate) fn ghz(hz: f64) -> f64 {
    (hz / 1e3).round() / 1e6
}

/// Plain ASCII: the few signs our texts use are spelt out, everything else becomes a question mark.
pub fn ascii(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\u{2013}' | '\u{2212}' | '\u{2014}' => out.push('-'),
            '\u{d7}' => out.push('x'),
            '\u{2264}' => out.push_str("<="),
            '\u{2265}' => out.push_str(">="),
            '\u{b1}' => out.push_str("+-"),
            '\u{3a9}' => out.push_str("ohm"),
            '\u{b0}' => out.push_str(" deg"),
            '\u{b5}' | '\u{3bc}' => out.push('u'),
            '\n' | '\r' | '\t' => out.push(' '),
            c if c.is_ascii() && !c.is_ascii_control() => out.push(c),
            _ => out.push('?'),
        }
    }
    out
}

/// A text of lines, each behind a mark.
pub(crate) fn commented(mark: &str, lines: &[String]) -> String {
    lines.iter().map(|l| format!("{mark} {l}\n")).collect()
}

/// A cell of a comma-separated table.
pub(crate) fn cell(text: &str) -> String {
    let text = ascii(text);
    if text.contains([',', '"']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}
