//! `intervals`: input frequencies at which products fall into the wanted band.

use super::Outcome;
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::handover::intervals::{LoMotion, SpurPlan};
use project::intervals::{SpurList, list, product_words, text};
use project::{ProjectError, surround};
use quantity::Frequency;
use serde_json::json;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Intervals {
    /// Model package or design, whose plans are taken and whose levels are joined; or give the bands below
    #[arg(required_unless_present_all = ["input", "lo", "output"])]
    model: Option<PathBuf>,
    /// Intervals only, no levels
    #[arg(long)]
    without_levels: bool,
    /// The LO follows the input, the output stands still in the middle of its band
    #[arg(long, conflicts_with_all = ["input", "lo", "output"])]
    following_lo: bool,
    /// Input band, two frequencies
    #[arg(long, num_args = 2, value_names = ["LOW", "HIGH"], value_parser = crate::arguments::unit::<Frequency>, conflicts_with = "model")]
    input: Option<Vec<Frequency>>,
    /// LO, one frequency, or two when it may be anywhere between
    #[arg(long, num_args = 1..=2, value_name = "FREQUENCY", value_parser = crate::arguments::unit::<Frequency>, conflicts_with = "model")]
    lo: Option<Vec<Frequency>>,
    /// Wanted band at the output, two frequencies
    #[arg(long, num_args = 2, value_names = ["LOW", "HIGH"], value_parser = crate::arguments::unit::<Frequency>, conflicts_with = "model")]
    output: Option<Vec<Frequency>>,
    /// Highest order of the input and of the LO; five unless the plan says otherwise
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=50))]
    orders: Option<u32>,
}

pub(super) fn run(arguments: &Intervals, global: &Global) -> Result<Outcome, ProjectError> {
    let lists = match (&arguments.model, &arguments.input, &arguments.lo, &arguments.output) {
        (Some(path), ..) => of_model(arguments, path, global)?,
        (None, Some(input), Some(lo), Some(output)) => vec![of_bands(arguments, input, lo, output)?],
        _ => Vec::new(),
    };
    if global.json {
        let value: Vec<_> = lists.iter().map(value).collect();
        return Ok(Outcome::done(format!("{:#}", json!(value))));
    }
    let texts: Vec<String> = lists.iter().map(text).collect();
    Ok(Outcome::done(texts.join("\n")))
}

fn of_model(arguments: &Intervals, path: &std::path::Path, global: &Global) -> Result<Vec<SpurList>, ProjectError> {
    let progress = Progress::new(global.quiet);
    let lists = surround::load_model(path, &progress).and_then(|model| {
        project::intervals::of_model(
            &model,
            arguments.following_lo,
            arguments.orders,
            !arguments.without_levels,
            &progress,
        )
    });
    progress.finish();
    lists
}

fn of_bands(
    arguments: &Intervals,
    input: &[Frequency],
    lo: &[Frequency],
    output: &[Frequency],
) -> Result<SpurList, ProjectError> {
    let whole = |f: &Frequency| f.si().round() as i64;
    let motion = match lo {
        [one] => LoMotion::Fixed(whole(one)),
        [a, b, ..] => LoMotion::Free(whole(a), whole(b)),
        [] => LoMotion::Fixed(0),
    };
    let n = arguments.orders.unwrap_or(5);
    let (input_hz, output_hz) = ((whole(&input[0]), whole(&input[1])), (whole(&output[0]), whole(&output[1])));
    let plan = SpurPlan::between(input_hz, motion, output_hz, (n, n));
    list("bands given", false, &plan, None, &project::Quiet)
}

fn value(list: &SpurList) -> serde_json::Value {
    let products: Vec<_> = list
        .products
        .iter()
        .map(|r| {
            let p = r.interval.product;
            let (mn, words) = product_words(p, list.is_up);
            let (a, b) = r.interval.input_hz;
            json!({
                "product": mn, "words": words, "n_lo": p.n_lo, "m_input": p.m_rf,
                "from": a.to_string(), "to": b.to_string(), "from_hz": a.hz(), "to_hz": b.hz(),
                "slope": r.interval.slope, "strongest_dbc": r.worst.map(|w| w.0), "strongest_at_hz": r.worst.map(|w| w.1),
            })
        })
        .collect();
    json!({ "name": list.name, "is_up": list.is_up, "signal_dbm": list.signal_dbm, "products": products })
}
