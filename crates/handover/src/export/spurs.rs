//! The spur table as comma-separated values.
//!
//! Input: the spur grids of a review. Output: a text with units in its heads, conditions in every row, and both index
//! conventions said in the heading.

use super::{cell, commented};
use spec::{Item, Method, PortName, Review, SpurEntry, SpurGrid};
use std::fmt::Write as _;

/// How rows are to be read.
const CONVENTION: [&str; 6] = [
    "m counts the signal (RF when converting down, IF when converting up), n counts the LO; a product is written m x n",
    "frequency of a product: |n*LO + m*signal| for sum products, |n*LO - m*signal| for difference products",
    "other tables write the LO first: their 1x2 is m = 2, n = 1 here; compare the frequency, never the pair of numbers alone",
    "level: power of the product relative to the wanted product at the same port, dBc",
    "known_within: half width of the numeric band; empty: nobody looked. relation `<=`: the level is a bound",
    "claimed `no`: below the level the plan claims; such a level says no more than that it is low",
];

/// Text of the table of every grid of a review.
pub fn table(review: &Review, heading: &[String]) -> String {
    let mut out = commented("#", heading);
    out.push_str(&commented("#", &CONVENTION.map(str::to_owned)));
    out.push_str(
        "direction,m,n,kind,frequency (Hz),relation,level (dBc),known_within (dB),claimed,wanted (dBm),\
         lo (Hz),lo_level (dBm),rf (Hz),if (Hz),signal_level (dBm),temperature (K),lo_orders,signal_orders,method,\
         terminations\n",
    );
    for item in review.sections.iter().flat_map(|s| &s.items) {
        if let Item::Spurs(grid) = item {
            grid.entries.iter().for_each(|e| row(&mut out, grid, e));
        }
    }
    out
}

fn row(out: &mut String, grid: &SpurGrid, e: &SpurEntry) {
    let (c, q) = (&e.reading.conditions, &e.reading.quality);
    let value = e.reading.value;
    let or_empty = |x: Option<f64>| x.map(|x| x.to_string()).unwrap_or_default();
    let is_wanted = e.m == 1 && e.n == 1 && value.abs() < 1e-9;
    let method = match q.method {
        Method::Balance => "full balance",
        Method::SmallSignal => "linear response",
        Method::Perturbation => "perturbation orders",
        Method::Measured => "measured",
    };
    let _ = writeln!(
        out,
        "{},{},{},{},{:.0},{},{},{},{},{:.4},{},{},{},{},{},{},{},{},{method},{}",
        if grid.input == PortName::If { "up" } else { "down" },
        e.m,
        e.n,
        if e.sum { "sum" } else { "difference" },
        e.frequency_hz,
        if q.is_bound { "<=" } else { "=" },
        if value.is_finite() { format!("{value:.3}") } else { String::new() },
        q.known_within().map(|h| format!("{h:.3}")).unwrap_or_default(),
        if is_wanted {
            "wanted"
        } else if value.is_finite() && value >= grid.not_claimed_dbc {
            "yes"
        } else {
            "no"
        },
        grid.wanted_dbm,
        c.lo_hz,
        c.lo_dbm,
        or_empty(c.rf_hz),
        or_empty(c.if_hz),
        or_empty(c.signal_dbm),
        c.temp_k,
        q.orders.0,
        q.orders.1,
        cell(&c.terminations),
    );
}
