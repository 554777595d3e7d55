//! The review as CSV: one row per reading, headline numbers first, then section by section.
//!
//! Columns (UTF-8, comma, quotes where needed, first row is the header):
//! `section`, `item`, `series` say where the number stands; `x`, `x_unit` its abscissa; `key`,
//! `measure`, `value`, `unit` what it is; `claimed` is `false` below the floor of a spur grid;
//! `is_bound`, `numeric_band` (in `unit`), `outcome`, `method`, `orders_lo`, `orders_rf`,
//! `residual`, `continued_share` (0 to 1), `continued_spread` (in `unit`),
//! `cancellation_ratio_db`, `cancellation_terms` its quality; then conditions with units in their
//! names; then the bands beyond the numerical one: `field_band` (half width), `fabrication_…` and
//! `model_…` (distances below and above the value, share covered), `low` and `high` (ends of all
//! bands together), `promise…` (side, bound, share of units) and `asymmetry…` (what moves the number
//! most, and by how much for one standard deviation). An empty cell means absent, or not a finite number.
//! Not here: reflection coefficients and waveforms, which are no readings; see the JSON.

use crate::{plots, words};
use spec::{Item, Reading, Review};

/// Names of the columns, in order.
pub(crate) const COLUMNS: [&str; 46] = [
    "section",
    "item",
    "series",
    "x",
    "x_unit",
    "key",
    "measure",
    "value",
    "unit",
    "claimed",
    "is_bound",
    "numeric_band",
    "outcome",
    "method",
    "orders_lo",
    "orders_rf",
    "residual",
    "continued_share",
    "continued_spread",
    "cancellation_ratio_db",
    "cancellation_terms",
    "lo_hz",
    "rf_hz",
    "if_hz",
    "sideband",
    "lo_dbm",
    "signal_dbm",
    "temp_k",
    "terminations",
    "product_m_rf",
    "product_n_lo",
    "product_hz",
    "field_band",
    "fabrication_below",
    "fabrication_above",
    "fabrication_coverage",
    "model_below",
    "model_above",
    "model_coverage",
    "low",
    "high",
    "promise",
    "promise_value",
    "promise_confidence",
    "asymmetry",
    "asymmetry_change",
];

/// Where a reading stands.
#[derive(Default, Clone)]
struct Place<'a> {
    section: &'a str,
    item: &'a str,
    series: &'a str,
    x: Option<f64>,
    x_unit: &'a str,
    claimed: bool,
    product: Option<(u32, u32, f64)>,
}

/// The review as CSV text. The columns are listed at the head of this module.
pub fn csv(review: &Review) -> String {
    let mut out = csv::Writer::from_writer(Vec::new());
    let mut write = |record: &[String]| {
        out.write_record(record).expect("every row has the same number of cells and memory does not fail");
    };
    write(&COLUMNS.map(str::to_owned));
    for (place, reading) in all(review) {
        write(&record(&place, reading));
    }
    let bytes = out.into_inner().expect("memory does not fail");
    String::from_utf8(bytes).expect("only strings were written")
}

fn all(review: &Review) -> Vec<(Place<'_>, &Reading)> {
    let summary = Place { section: "summary", claimed: true, ..Place::default() };
    let mut out: Vec<(Place<'_>, &Reading)> = review.summary.iter().map(|r| (summary.clone(), r)).collect();
    for section in &review.sections {
        let base = Place { section: &section.key, claimed: true, ..Place::default() };
        for item in &section.items {
            match item {
                Item::Curves(p) => out.extend(p.curves.iter().flat_map(|c| {
                    let base = Place { item: &p.title, series: &c.name, x_unit: &p.x.unit, ..base.clone() };
                    c.points.iter().map(move |(x, r)| (Place { x: Some(*x), ..base.clone() }, r))
                })),
                Item::Spurs(g) => out.extend(g.entries.iter().map(|e| {
                    let series = if e.sum { "sum" } else { "difference" };
                    let claimed = e.reading.value.is_finite() && !plots::not_claimed(g, e);
                    let product = Some((e.m, e.n, e.frequency_hz));
                    (Place { item: &g.title, series, claimed, product, ..base.clone() }, &e.reading)
                })),
                Item::Table(t) => {
                    out.extend(t.readings.iter().map(|r| (Place { item: &t.title, ..base.clone() }, r)));
                }
                Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => {}
            }
        }
    }
    out
}

fn number(value: Option<f64>) -> String {
    value.filter(|v| v.is_finite()).map(|v| v.to_string()).unwrap_or_default()
}

const fn promise_side(bound: spec::Bound) -> &'static str {
    match bound {
        spec::Bound::AtMost(_) => "at most",
        spec::Bound::AtLeast(_) => "at least",
    }
}

const fn promise_value(bound: spec::Bound) -> f64 {
    match bound {
        spec::Bound::AtMost(x) | spec::Bound::AtLeast(x) => x,
    }
}

fn record(place: &Place<'_>, r: &Reading) -> [String; COLUMNS.len()] {
    let (q, c) = (&r.quality, &r.conditions);
    let order = |pick: fn((u32, u32, f64)) -> u32| place.product.map(|p| pick(p).to_string()).unwrap_or_default();
    [
        place.section.into(),
        place.item.into(),
        place.series.into(),
        number(place.x),
        place.x_unit.into(),
        r.measure.key(),
        r.measure.label(),
        number(Some(r.value)),
        r.measure.unit().into(),
        place.claimed.to_string(),
        q.is_bound.to_string(),
        number(q.numeric_band),
        words::outcome(q.outcome).into(),
        words::method(q.method).into(),
        q.orders.0.to_string(),
        q.orders.1.to_string(),
        number(Some(q.residual)),
        number(q.continued.map(|c| c.share)),
        number(q.continued.map(|c| c.spread)),
        number(q.cancellation.as_ref().map(|c| c.ratio_db)),
        q.cancellation.as_ref().map(words::terms).unwrap_or_default(),
        number(Some(c.lo_hz)),
        number(c.rf_hz),
        number(c.if_hz),
        c.sideband.map(|s| words::sideband(s).to_owned()).unwrap_or_default(),
        number(Some(c.lo_dbm)),
        number(c.signal_dbm),
        number(Some(c.temp_k)),
        c.terminations.clone(),
        order(|p| p.0),
        order(|p| p.1),
        number(place.product.map(|p| p.2)),
        number(q.bands.field),
        number(q.bands.fabrication.map(|b| b.below)),
        number(q.bands.fabrication.map(|b| b.above)),
        number(q.bands.fabrication.map(|b| b.coverage)),
        number(q.bands.model.map(|b| b.below)),
        number(q.bands.model.map(|b| b.above)),
        number(q.bands.model.map(|b| b.coverage)),
        number(q.interval(r.value).map(|i| i.0)),
        number(q.interval(r.value).map(|i| i.1)),
        q.bands.promise.map(|p| promise_side(p.bound).to_owned()).unwrap_or_default(),
        number(q.bands.promise.map(|p| promise_value(p.bound))),
        number(q.bands.promise.map(|p| p.confidence)),
        q.bands.asymmetry.as_ref().map(|a| a.name.clone()).unwrap_or_default(),
        number(q.bands.asymmetry.as_ref().map(|a| a.change)),
    ]
}
