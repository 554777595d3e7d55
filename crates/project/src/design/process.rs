//! `[[process]]`: what spreads in fabrication, how much, and at which level.
//!
//! A technology file shared by many designs may hold the tables of its own numbers; a table of the design with the same
//! name stands in place of that one.

use super::Design;
use super::circuit::CircuitText;
use super::numbers::is_of_stack;
use super::problem::ProblemKind;
use super::tree::{At, Sink, Table, meant_or_list};
use quantity::{Capacitance, Inductance, Length, PowerRatio, Quantity, Resistance, Time, Voltage};
use stackup::Stackup;
use std::str::FromStr;
use tolerance::{Law, Level};

/// The LO level among process variables; in `moved` it is `lo_level`.
pub const LO_LEVEL: &str = "LO level";

/// One `[[process]]` table.
#[derive(Debug, Clone, PartialEq)]
pub struct ProcessText {
    /// The number of the design that spreads.
    pub name: At<String>,
    /// Shape of the distribution.
    pub law: Law,
    /// Unit of the spreads: `%` of the nominal value, or a unit of the number.
    pub unit: String,
    /// One unit in the stored unit of the number (SI, dB); none for `%`.
    pub one_si: Option<f64>,
    /// Standard deviation at [`Level::ALL`], in `unit`.
    pub sd: [f64; 4],
    /// Correlations: with which variable, at which level, how much.
    pub correlated: Vec<(At<String>, Level, f64)>,
}

const LEVELS: [(&str, Level); 4] =
    [("lot", Level::Lot), ("wafer", Level::Wafer), ("tile", Level::Tile), ("diode", Level::Diode)];

pub(super) fn read_process(root: &Table<'_>) -> Vec<ProcessText> {
    root.tables("process").into_iter().filter_map(read_one).collect()
}

fn read_one(t: Table<'_>) -> Option<ProcessText> {
    let name = t.required_text("name", "name a number of the design, for example `name = \"film1.thickness\"`");
    let laws = [
        ("normal", Law::Normal),
        ("uniform", Law::Uniform),
        ("triangular", Law::Triangular),
        ("arcsine", Law::Arcsine),
    ];
    let law = t.word("law", &laws).map_or(Law::Normal, |l| l.value);
    let mut sd = [0.0; 4];
    let mut unit: Option<(String, Option<f64>)> = None;
    let mut complete = true;
    for (key, level) in LEVELS {
        let Some(text) = t.text(key) else { continue };
        match spread_of(&text.value) {
            Ok((value, found, one_si)) => {
                let (first, first_si) = unit.get_or_insert((found.clone(), one_si)).clone();
                match (first_si, one_si) {
                    _ if first == found => sd[level as usize] = value,
                    // lengths in micrometre and nanometre, but never % beside a length
                    (Some(a), Some(b)) => sd[level as usize] = value * b / a,
                    _ => {
                        let message = format!("`{key}` is in {found}, another spread of this variable in {first}");
                        let help = "write all spreads of a variable in one unit, or all in %";
                        t.sink().push(ProblemKind::Quantity, text.span.clone(), message, help);
                        complete = false;
                    }
                }
            }
            Err(message) => {
                let help =
                    "write a standard deviation with its unit, for example \"2.5 %\", \"1 um\", \"6 mV\", \"0.3 dB\"";
                t.sink().push(ProblemKind::Quantity, text.span.clone(), format!("`{key}`: {message}"), help);
                complete = false;
            }
        }
    }
    if unit.is_none() && complete {
        let message = "this variable has no spread at any level".to_string();
        let help = "add `lot`, `wafer`, `tile` or `diode` with a standard deviation";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
    }
    let correlated = t.tables("correlated").into_iter().filter_map(read_correlation).collect();
    t.finish();
    let (unit, one_si) = unit.filter(|_| complete)?;
    Some(ProcessText { name: name?, law, unit, one_si, sd, correlated })
}

fn read_correlation(t: Table<'_>) -> Option<(At<String>, Level, f64)> {
    let with = t.required_text("with", "name the other variable of the pair");
    let level = t.word("level", &LEVELS);
    if !t.has("level") {
        let help = "write `lot`, `wafer`, `tile` or `diode`";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), "a correlation has no `level`".into(), help);
    }
    let coefficient = t.number("coefficient", super::tree::Rule::Any);
    if !t.has("coefficient") {
        let help = "write a number from -1 to 1";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), "a correlation has no `coefficient`".into(), help);
    }
    t.finish();
    Some((with?, level?.value, coefficient?.value))
}

/// Number, unit and the size of the unit of a spread.
fn spread_of(text: &str) -> Result<(f64, String, Option<f64>), String> {
    let trimmed = text.trim();
    let (number, unit) = match trimmed.split_once(char::is_whitespace) {
        Some((number, unit)) => (number, unit.trim()),
        None => trimmed.strip_suffix('%').map_or((trimmed, ""), |number| (number, "%")),
    };
    let value: f64 = number.parse().map_err(|_| format!("expected a number with its unit, found `{text}`"))?;
    if !(value.is_finite() && value >= 0.0) {
        return Err(format!("expected a standard deviation of zero or more, found {value}"));
    }
    if unit == "%" {
        return Ok((value, unit.into(), None));
    }
    if unit.is_empty() {
        return Ok((value, String::new(), Some(1.0)));
    }
    let size = stored::<Length>(unit)
        .or_else(|| stored::<Voltage>(unit))
        .or_else(|| stored::<PowerRatio>(unit))
        .or_else(|| stored::<Resistance>(unit))
        .or_else(|| stored::<Capacitance>(unit))
        .or_else(|| stored::<Inductance>(unit))
        .or_else(|| stored::<Time>(unit));
    size.map(|size| (value, unit.to_string(), Some(size))).ok_or_else(|| format!("`{unit}` is no unit of a spread"))
}

fn stored<Q: Quantity + FromStr>(unit: &str) -> Option<f64> {
    format!("1 {unit}").parse::<Q>().ok().map(Q::stored)
}

/// Units that fit the number behind a name.
fn fits(name: &str, unit: &str) -> bool {
    let key = name.rsplit('.').next().unwrap_or(name);
    let is = |known: bool| known || unit == "%";
    match key {
        "thickness" | "length" | "width" | "offset" | "size_1" | "size_2" => is(stored::<Length>(unit).is_some()),
        "width_bias" | "registration" | "registration_x" | "registration_y" => stored::<Length>(unit).is_some(),
        "IS" => is(stored::<Voltage>(unit).is_some()),
        "forward_voltage" => stored::<Voltage>(unit).is_some(),
        "RS" | "resistance" | "impedance" => is(stored::<Resistance>(unit).is_some()),
        "CJ0" | "capacitance" | "pad_capacitance" => is(stored::<Capacitance>(unit).is_some()),
        "inductance" | "finger_inductance" => is(stored::<Inductance>(unit).is_some()),
        "permittivity" | "loss_tangent" | "conductivity" => is(unit.is_empty()),
        "N" | "M" | "FC" => is(unit.is_empty()),
        "VJ" => is(stored::<Voltage>(unit).is_some()),
        "TT" => is(stored::<Time>(unit).is_some()),
        LO_LEVEL => stored::<PowerRatio>(unit).is_some(),
        _ => false,
    }
}

/// All variables of a design: those of the technology that the design does not declare anew, then its own; and how
/// many are of the technology.
pub(super) fn joined(technology: Vec<ProcessText>, own: Vec<ProcessText>) -> (Vec<ProcessText>, usize) {
    let is_anew = |p: &ProcessText| own.iter().any(|o| o.name.value == p.name.value);
    let mut all: Vec<ProcessText> = technology.into_iter().filter(|p| !is_anew(p)).collect();
    let n = all.len();
    all.extend(own);
    (all, n)
}

/// The tables of a technology file, which know the stack only.
pub(super) fn check_of_stack(stack: &Stackup, spreads: &[ProcessText], sink: &Sink) {
    for (i, p) in spreads.iter().enumerate() {
        let name = p.name.value.as_str();
        let place = p.name.span.clone();
        if !is_of_stack(stack, name) {
            let message = format!("`{name}` is no number of this stack");
            let help =
                "a technology file spreads its layers and materials; diodes, parts and levels spread in the design";
            sink.push(ProblemKind::UnknownName, place, message, help);
            continue;
        }
        check_one(spreads, i, sink);
        if p.sd[Level::Diode as usize] > 0.0 {
            let message = format!("`{name}` belongs to no diode, but spreads at the level `diode`");
            let help = "use the level `tile` for the scatter of one unit";
            sink.push(ProblemKind::ImpossibleValue, place, message, help);
        }
    }
}

/// What holds for every table: declared once, in units that fit, correlated with variables before it.
fn check_one(all: &[ProcessText], i: usize, sink: &Sink) {
    let p = &all[i];
    let name = p.name.value.as_str();
    let place = p.name.span.clone();
    if all[..i].iter().any(|q| q.name.value == name) {
        let help = "one table a variable; write all its levels there";
        sink.push(ProblemKind::DuplicateName, place.clone(), format!("`{name}` is declared twice"), help);
    }
    if !fits(name, &p.unit) {
        let message = if matches!(name.rsplit('.').next(), Some("XTI" | "barrier")) {
            format!("a spread of `{name}` is not supported")
        } else {
            format!("`{name}` does not spread in `{}`", p.unit)
        };
        let help = "lengths in um, IS in mV of forward voltage or %, RS and CJ0 in % or their units, levels in dB, \
                    VJ in mV, TT in ps, N, M, FC and permittivities as plain numbers, all of them also in %";
        sink.push(ProblemKind::ImpossibleValue, place, message, help);
    }
    for (with, ..) in &p.correlated {
        if !all[..i].iter().any(|q| q.name.value == with.value) {
            let message = format!("`{}` is no variable declared before `{name}`", with.value);
            let help = "declare the other variable of the pair first";
            sink.push(ProblemKind::UnknownName, with.span.clone(), message, help);
        }
    }
}

/// Names, units and levels against the design; the first `of_technology` were checked in their own file.
pub(super) fn check(design: &Design, of_technology: usize, sink: &Sink) {
    let diode_owners: Vec<&str> = match &design.circuit {
        CircuitText::Free(free) => free.diodes.iter().map(|d| d.name.value.as_str()).collect(),
        CircuitText::Template { .. } => Vec::new(),
    };
    for (i, p) in design.process.iter().enumerate().skip(of_technology) {
        let name = p.name.value.as_str();
        let place = p.name.span.clone();
        if name != LO_LEVEL && design.value(name).is_err() {
            let mut known = design.numbers();
            known.push(LO_LEVEL.into());
            let words: Vec<&str> = known.iter().map(String::as_str).collect();
            let message = format!("`{name}` is no number of this design");
            sink.push(ProblemKind::UnknownName, place.clone(), message, meant_or_list(name, &words));
            continue;
        }
        check_one(&design.process, i, sink);
        let of_model = design.models.iter().any(|m| name.starts_with(&format!("{}.", m.name)));
        let of_diode = diode_owners.iter().any(|d| name.starts_with(&format!("{d}.")));
        let key = name.rsplit('.').next().unwrap_or_default();
        if p.sd[Level::Diode as usize] > 0.0 && of_model && matches!(key, "VJ" | "M" | "FC" | "TT") {
            let message = format!("`{name}` belongs to the model, but spreads at the level `diode`");
            let help = "single diodes differ by IS, N, RS and CJ0; give this one a level up to `tile`";
            sink.push(ProblemKind::ImpossibleValue, place.clone(), message, help);
        }
        if p.sd[Level::Diode as usize] > 0.0 && !of_model && !of_diode {
            let message = format!("`{name}` belongs to no diode, but spreads at the level `diode`");
            sink.push(
                ProblemKind::ImpossibleValue,
                place.clone(),
                message,
                "use the level `tile` for the scatter of one unit",
            );
        }
    }
}
