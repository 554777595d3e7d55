//! Conditions and quality in words, shared by page, pictures and terminal.
//!
//! Texts are ASCII in their numbers; pages apply the typographic minus.

use crate::number::{NO_VALUE, bound, fixed, frequency, plain, prefixed_short, scientific, shown, signed};
use spec::{Cancellation, Conditions, Continued, Limit, Method, Outcome, Quality, Reading, Sideband, VerdictStatus};

pub(crate) const fn method(method: Method) -> &'static str {
    match method {
        Method::Balance => "full balance",
        Method::SmallSignal => "small signal",
        Method::Perturbation => "perturbation",
        Method::Measured => "measured",
    }
}

pub(crate) const fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Converged => "converged",
        Outcome::Almost => "almost",
    }
}

pub(crate) const fn sideband(sideband: Sideband) -> &'static str {
    match sideband {
        Sideband::Upper => "upper",
        Sideband::Lower => "lower",
    }
}

/// Word of a verdict.
pub(crate) const fn status(status: VerdictStatus) -> &'static str {
    match status {
        VerdictStatus::Pass => "pass",
        VerdictStatus::Fail => "fail",
        VerdictStatus::Undecided => "undecided",
        VerdictStatus::NotComputed => "not computed",
    }
}

/// Symbol of a verdict.
pub(crate) const fn symbol(status: VerdictStatus) -> &'static str {
    match status {
        VerdictStatus::Pass => "✓",
        VerdictStatus::Fail => "✗",
        VerdictStatus::Undecided => "?",
        VerdictStatus::NotComputed => "○",
    }
}

/// What kind of page a review is.
pub(crate) fn kind(review: &spec::Review) -> &str {
    if review.title.is_empty() { "Mixer review" } else { &review.title }
}

/// Name and text of each condition that is given, in a fixed order.
pub(crate) fn conditions(c: &Conditions) -> Vec<(&'static str, String)> {
    let mut out = vec![("LO", frequency(c.lo_hz))];
    out.extend(c.rf_hz.map(|f| ("RF", frequency(f))));
    out.extend(c.if_hz.map(|f| ("IF", frequency(f))));
    out.extend(c.sideband.map(|s| ("Sideband", sideband(s).to_owned())));
    out.push(("LO level", dbm(c.lo_dbm)));
    out.push(("Signal level", c.signal_dbm.map_or_else(|| "small-signal limit".to_owned(), dbm)));
    out.push(("Temperature", kelvin(c.temp_k)));
    if !c.terminations.is_empty() {
        out.push(("Terminations", c.terminations.clone()));
    }
    out
}

pub(crate) fn dbm(level: f64) -> String {
    if level.is_finite() { format!("{} dBm", signed(level)) } else { NO_VALUE.into() }
}

fn kelvin(temp_k: f64) -> String {
    if temp_k.is_finite() { format!("{} K", plain(temp_k)) } else { NO_VALUE.into() }
}

/// What differs from the nominal conditions, in a few words; empty when nothing does.
pub(crate) fn difference(c: &Conditions, nominal: &Conditions) -> String {
    let base = conditions(nominal);
    let differs = |item: &(&'static str, String)| !base.contains(item);
    conditions(c)
        .into_iter()
        .filter(differs)
        .map(|(name, text)| format!("{name} {text}"))
        .collect::<Vec<_>>()
        .join(", ")
}

/// `48 LO × 1 RF`.
pub(crate) fn orders(q: &Quality) -> String {
    format!("{} LO × {} RF", q.orders.0, q.orders.1)
}

/// `31 dB of 4 terms`.
pub(crate) fn cancellation(c: &Cancellation) -> String {
    if c.ratio_db.is_finite() {
        format!("{} dB of {} terms", fixed(c.ratio_db, 1), c.terms.len())
    } else {
        format!("complete, of {} terms", c.terms.len())
    }
}

/// `diode 1: 12.3 mV at -31°; …`.
pub(crate) fn terms(c: &Cancellation) -> String {
    let one = |t: &spec::Term| {
        let angle = fixed(t.value.arg().to_degrees(), 0);
        format!("{}: {} at {angle}°", t.name, prefixed_short(t.value.norm(), "V"))
    };
    c.terms.iter().map(one).collect::<Vec<_>>().join("; ")
}

/// `12 %, ± 0.3`.
pub(crate) fn continued(c: &Continued) -> String {
    format!("{} %, moves {}", fixed(100.0 * c.share, usize::from(c.share < 0.0995)), plain_short(c.spread))
}

fn plain_short(value: f64) -> String {
    fixed(value, if value.abs() < 0.1 { 3 } else { 2 })
}

/// Quality in one line.
pub(crate) fn quality(q: &Quality, unit: &'static str) -> String {
    if q.method == Method::Measured {
        return method(q.method).to_owned();
    }
    let mut out = format!("{}, {}, residual {}", method(q.method), orders(q), scientific(q.residual));
    if q.outcome == Outcome::Almost {
        out.push_str(", looser tolerance only");
    }
    if q.numeric_band.is_none() {
        out.push_str(", no numeric band");
    }
    if let Some(c) = &q.continued {
        out.push_str(&format!(", continued data {} {}", continued(c), difference_unit(unit)));
    }
    if let Some(c) = &q.cancellation {
        out.push_str(&format!(", cancels {}", cancellation(c)));
    }
    out
}

/// True when more than the numeric band is known.
pub(crate) const fn is_banded(q: &Quality) -> bool {
    q.bands.fabrication.is_some() || q.bands.model.is_some() || q.bands.field.is_some()
}

/// `-0.31 to +0.42, 90 %`.
pub(crate) fn band(b: &spec::Band) -> String {
    let end = |v: f64| {
        let text = fixed(v, if v.abs() < 0.1 { 3 } else { 2 });
        if v > 0.0 { format!("+{text}") } else { text }
    };
    format!("{} to {}, {} %", end(-b.below), end(b.above), plain((1000.0 * b.coverage).round() / 10.0))
}

/// `>= 38 dB for 98 % of units`.
pub(crate) fn promise(p: &spec::Promise, unit: &str) -> String {
    let rounded = match p.bound {
        spec::Bound::AtMost(x) => spec::Bound::AtMost((10.0 * x).ceil() / 10.0),
        spec::Bound::AtLeast(x) => spec::Bound::AtLeast((10.0 * x).floor() / 10.0),
    };
    format!("{} for {} % of units", bound(rounded, unit), plain((1000.0 * p.confidence).round() / 10.0))
}

/// `D3.CJ0, one standard deviation (1.2 %) moves it by -7.1 dB`.
pub(crate) fn asymmetry(a: &spec::Asymmetry, unit: &'static str) -> String {
    let step = if a.step.is_empty() { String::new() } else { format!(" ({})", a.step) };
    format!("{}: one standard deviation{step} moves it by {} {}", a.name, fixed(a.change, 2), difference_unit(unit))
}

/// Everything known beyond the numeric band, one line each.
pub(crate) fn bands(r: &Reading) -> Vec<String> {
    let (b, unit) = (&r.quality.bands, r.measure.unit());
    let mut out = Vec::new();
    out.extend(b.field.map(|f| format!("field solution ± {} {}", plain_short(f), difference_unit(unit))));
    out.extend(b.fabrication.as_ref().map(|f| format!("fabrication {}", band(f))));
    out.extend(b.model.as_ref().map(|m| format!("learned model error {}", band(m))));
    out.extend(b.promise.as_ref().map(|p| format!("promise {}", promise(p, unit))));
    out.extend(b.asymmetry.as_ref().map(|a| asymmetry(a, unit)));
    out
}

/// Value, band and unit of a reading.
pub(crate) fn value(r: &Reading) -> String {
    let text = shown(r).text();
    if r.value.is_finite() { format!("{text} {}", r.measure.unit()) } else { text }
}

/// What a limit asks for, without the bound: measure and band.
pub(crate) fn limit_subject(l: &Limit) -> String {
    let name = l.measure.map_or_else(|| "Any product in the output band".to_owned(), spec::Measure::label);
    match l.band_hz {
        Some(band) => format!("{name}, {}", frequency_range(band)),
        None => name,
    }
}

/// `20 to 26 GHz`.
pub(crate) fn frequency_range((lo, hi): (f64, f64)) -> String {
    let (low, high) = (frequency(lo), frequency(hi));
    match (low.rsplit_once(' '), high.rsplit_once(' ')) {
        (Some((number, unit)), Some((_, same))) if unit == same && lo.is_finite() => format!("{number} to {high}"),
        _ => format!("{low} to {high}"),
    }
}

/// Unit of a difference of two values in `unit`: levels differ by dB.
pub(crate) fn difference_unit(unit: &'static str) -> &'static str {
    if matches!(unit, "dBm" | "dBc") { "dB" } else { unit }
}

/// The bound of a limit with its unit.
pub(crate) fn limit_bound(l: &Limit) -> String {
    bound(l.bound, l.measure.map_or("dBc", spec::Measure::unit))
}
