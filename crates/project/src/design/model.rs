//! Diode models of a design file: SPICE-style letters with units.

use super::problem::ProblemKind;
use super::tree::{At, Rule, Table};
use diode::{Breakdown, ParasiticsIn, SaturationLaw, SchottkyParameters};
use quantity::{
    Capacitance, CarrierEnergy, Current, Inductance, Resistance, Temperature, ThermalResistance, Time, Voltage,
};
use std::ops::Range;

/// A named diode model.
#[derive(Debug, Clone, PartialEq)]
pub struct DiodeModel {
    /// Name in the file.
    pub name: String,
    /// The parameters.
    pub parameters: SchottkyParameters,
    /// Who accounts for pad capacitance and finger inductance.
    pub parasitics_in: ParasiticsIn,
    /// Largest reverse voltage the maker allows; the review warns above it.
    pub reverse_rating: Option<Voltage>,
    /// Largest mean current the maker allows; the review warns above it.
    pub current_rating: Option<Current>,
}

/// Key in the file of each parameter the diode crate may complain about.
const KEY_OF: [(&str, &str); 14] = [
    ("is_a", "IS"),
    ("n", "N"),
    ("rs_ohm", "RS"),
    ("cj0_f", "CJ0"),
    ("vj_v", "VJ"),
    ("m", "M"),
    ("fc", "FC"),
    ("tt_s", "TT"),
    ("bv_v", "BV"),
    ("ibv_a", "IBV"),
    ("nbv", "NBV"),
    ("barrier_ev", "barrier"),
    ("xti", "XTI"),
    ("thermal_resistance_k_per_w", "thermal_resistance"),
];

pub(super) fn read_models(root: &Table<'_>) -> Vec<(At<String>, Option<DiodeModel>)> {
    let Some(table) = root.required_table("diode", "add a table such as `[diode.D]` with IS, N, RS, CJ0") else {
        return Vec::new();
    };
    let models = table
        .named_tables()
        .into_iter()
        .map(|(name, model)| {
            let read = read_model(&name, model);
            (name, read)
        })
        .collect();
    table.finish();
    models
}

fn read_model(name: &At<String>, t: Table<'_>) -> Option<DiodeModel> {
    let before = SchottkyParameters::default();
    let is = t.required::<Current>("IS", Rule::NotNegative);
    let n = t.number("N", Rule::Positive);
    let rs = t.required::<Resistance>("RS", Rule::NotNegative);
    let cj0 = t.required::<Capacitance>("CJ0", Rule::NotNegative);
    let parameters = SchottkyParameters {
        is_a: is.as_ref().map_or(before.is_a, |q| q.value.si()),
        n: n.map_or(before.n, |x| x.value),
        rs_ohm: rs.as_ref().map_or(before.rs_ohm, |q| q.value.si()),
        cj0_f: cj0.as_ref().map_or(before.cj0_f, |q| q.value.si()),
        vj_v: t.quantity::<Voltage>("VJ", Rule::Positive).map_or(before.vj_v, |q| q.value.si()),
        m: t.number("M", Rule::NotNegative).map_or(before.m, |x| x.value),
        fc: t.number("FC", Rule::NotNegative).map_or(before.fc, |x| x.value),
        tt_s: t.quantity::<Time>("TT", Rule::NotNegative).map_or(before.tt_s, |q| q.value.si()),
        breakdown: read_breakdown(&t),
        temp_nominal_k: t
            .quantity::<Temperature>("given_at", Rule::Positive)
            .map_or(before.temp_nominal_k, |q| q.value.si()),
        barrier_ev: t.quantity::<CarrierEnergy>("barrier", Rule::Positive).map_or(before.barrier_ev, |q| q.value.ev()),
        xti: t.number("XTI", Rule::Any).map_or(before.xti, |x| x.value),
        saturation_law: t
            .word(
                "saturation_law",
                &[("divided_by_ideality", SaturationLaw::DividedByIdeality), ("thermionic", SaturationLaw::Thermionic)],
            )
            .map_or(before.saturation_law, |w| w.value),
        pad_capacitance_f: t
            .quantity::<Capacitance>("pad_capacitance", Rule::NotNegative)
            .map_or(0.0, |q| q.value.si()),
        finger_inductance_h: t
            .quantity::<Inductance>("finger_inductance", Rule::NotNegative)
            .map_or(0.0, |q| q.value.si()),
        thermal_resistance_k_per_w: t
            .quantity::<ThermalResistance>("thermal_resistance", Rule::NotNegative)
            .map(|q| q.value.si()),
        ..before
    };
    let parasitics = [("diode", ParasiticsIn::Diode), ("network", ParasiticsIn::Field)];
    let parasitics_in = t.word("parasitics_in", &parasitics).map_or(ParasiticsIn::Diode, |w| w.value);
    let reverse_rating = t.quantity::<Voltage>("reverse_rating", Rule::Positive).map(|q| q.value);
    let current_rating = t.quantity::<Current>("current_rating", Rule::Positive).map(|q| q.value);
    if let Err(error) = parameters.validate() {
        complain(&t, name, &error);
    }
    t.finish();
    (is.is_some() && rs.is_some() && cj0.is_some()).then(|| DiodeModel {
        name: name.value.clone(),
        parameters,
        parasitics_in,
        reverse_rating,
        current_rating,
    })
}

fn read_breakdown(t: &Table<'_>) -> Option<Breakdown> {
    let bv = t.quantity::<Voltage>("BV", Rule::Positive);
    let ibv = t.quantity::<Current>("IBV", Rule::Positive);
    let nbv = t.number("NBV", Rule::Positive).map_or(1.0, |x| x.value);
    if t.has("IBV") && !t.has("BV") {
        let message = "`IBV` is given without `BV`".to_string();
        let help = "add the breakdown voltage `BV`, or leave both out for no breakdown";
        t.sink().push(ProblemKind::MissingKey, t.key_span("IBV"), message, help);
    }
    let ibv_a = ibv.map_or(1e-5, |q| q.value.si()); // 10 uA, the trade's usual test current for small anodes
    bv.map(|bv| Breakdown { bv_v: bv.value.si(), ibv_a, nbv })
}

fn complain(t: &Table<'_>, name: &At<String>, error: &diode::DiodeError) {
    let (span, message, help): (Range<usize>, String, String) = match error {
        diode::DiodeError::Parameter { name: parameter, expected, found, hint } => {
            let key = KEY_OF.iter().find(|(p, _)| p == parameter).map_or(*parameter, |(_, k)| *k);
            let value = t.get(key).map_or(t.key_span(key), toml::Spanned::span);
            (value, format!("`{key}` of diode `{}` is {found:e}, expected {expected}", name.value), (*hint).to_string())
        }
        diode::DiodeError::Temperature { min, max, found } => (
            t.key_span("given_at"),
            format!("`given_at` of diode `{}` is {found} K, expected {min} K to {max} K", name.value),
            "write the temperature at which the parameters were measured, for example \"25 degC\"".to_string(),
        ),
        other => (name.span.clone(), other.to_string(), "correct the diode parameters".to_string()),
    };
    t.sink().push(ProblemKind::ImpossibleValue, span, message, help);
}
