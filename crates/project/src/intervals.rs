//! Spur planning: when does which product fall into the wanted band, and how strong is it there.
//!
//! Input: the seats of a design, or bands given on the command line, and a model when there is one. Output: a ranked list
//! of products with exact input intervals and the levels of the model in them.

use crate::error::ProjectError;
use handover::intervals::{LoMotion, SpurInterval, SpurPlan, spur_intervals};
use handover::point::{Lo, two_tone};
use handover::{HandoverError, Model};
use mixer::{Direction, Plan};
use numerics::{Watch, parallel};
use spec::{Measure, PortName, Product};
use std::fmt::Write as _;

/// One interval with what the model says inside it.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranked {
    /// The product and its interval.
    pub interval: SpurInterval,
    /// Strongest level inside, dBc, and the input at which it was found, hertz; none without a model.
    pub worst: Option<(f64, f64)>,
}

/// One use with its ranked products.
#[derive(Debug, Clone, PartialEq)]
pub struct SpurList {
    /// Name of the use.
    pub name: String,
    /// The plan in whole hertz.
    pub plan: SpurPlan,
    /// Whether the signal enters at the IF.
    pub is_up: bool,
    /// Strongest first; without levels in the order of the orders.
    pub products: Vec<Ranked>,
    /// Input level of the levels, dBm.
    pub signal_dbm: Option<f64>,
}

/// Input frequencies of an interval at which the model is asked, at most this far apart.
const STEP_HZ: f64 = 250e6;
/// Inputs of one interval at most.
const INPUTS_MAX: usize = 25;
/// LO and signal orders of the levels.
const ORDERS: (usize, usize) = (16, 6);
/// Below this a level is not claimed, dBc.
const NOT_CLAIMED_DBC: f64 = -100.0;

/// The spur plans of a review plan: fixed LO, or one that follows the input with the IF standing still.
pub fn spur_plans(plan: &Plan, follows: bool) -> Result<Vec<(bool, SpurPlan)>, ProjectError> {
    let whole = |f: f64| f.round() as i64;
    let band = |(a, b): (f64, f64)| (whole(a), whole(b));
    let (rf, if_) = (band(plan.rf_band_hz), band(plan.if_band_hz()));
    let below = plan.rf_band_hz.1 <= plan.lo_hz;
    let orders = plan.spur_orders;
    let mut out = Vec::new();
    if plan.direction != Direction::Up {
        let lo = if follows {
            LoMotion::Follows(whole(plan.lo_hz - plan.rf_centre_hz()))
        } else {
            LoMotion::Fixed(whole(plan.lo_hz))
        };
        let output_hz = if follows { follow_band(plan) } else { if_ };
        let wanted = if below { Product::new(1, -1) } else { Product::new(-1, 1) };
        out.push((false, SpurPlan { input_hz: rf, lo, output_hz, wanted, orders }));
    }
    if plan.direction != Direction::Down && !follows {
        let wanted = if below { Product::new(1, -1) } else { Product::new(1, 1) };
        out.push((
            true,
            SpurPlan { input_hz: if_, lo: LoMotion::Fixed(whole(plan.lo_hz)), output_hz: rf, wanted, orders },
        ));
    }
    if out.is_empty() {
        return Err(
            HandoverError::mismatch("a down-converter", "an up-converter", "an LO that follows the input").into()
        );
    }
    Ok(out)
}

/// With a standing IF the wanted band is taken as 2 % around it.
fn follow_band(plan: &Plan) -> (i64, i64) {
    let if_hz = (plan.lo_hz - plan.rf_centre_hz()).abs();
    ((0.99 * if_hz).round() as i64, (1.01 * if_hz).round() as i64)
}

/// Intervals of one use, with levels of the model where there is one.
///
/// # Errors
/// A plan that cannot be, a steady state that cannot be found, or the wish of `watch` to stop.
pub fn list(
    name: &str,
    is_up: bool,
    plan: &SpurPlan,
    model: Option<(&Model, &Plan)>,
    watch: &dyn Watch,
) -> Result<SpurList, ProjectError> {
    let intervals = spur_intervals(plan)?;
    let mut products: Vec<Ranked> = match model {
        None => intervals.into_iter().map(|interval| Ranked { interval, worst: None }).collect(),
        Some((model, review)) => with_levels(is_up, plan, intervals, model, review, watch)?,
    };
    if model.is_some() {
        let level = |r: &Ranked| r.worst.map_or(f64::NEG_INFINITY, |w| w.0);
        products.sort_by(|a, b| level(b).total_cmp(&level(a)));
    }
    let signal_dbm = model.map(|(_, review)| review.signal_dbm);
    Ok(SpurList { name: name.into(), plan: *plan, is_up, products, signal_dbm })
}

/// Intervals of every use and direction of a model, with its levels when asked for.
///
/// # Errors
/// As [`list`]; an LO that follows the input of a model without a down-converter.
pub fn of_model(
    model: &Model,
    following_lo: bool,
    orders: Option<u32>,
    levels: bool,
    watch: &dyn Watch,
) -> Result<Vec<SpurList>, ProjectError> {
    let mut lists = Vec::new();
    for used in &model.plans {
        for (is_up, mut plan) in spur_plans(&used.plan, following_lo)? {
            if let Some(n) = orders {
                plan.orders = (n, n);
            }
            let name = format!("{}, {}-conversion", used.name_of(is_up), if is_up { "up" } else { "down" });
            lists.push(list(&name, is_up, &plan, levels.then_some((model, &used.plan)), watch)?);
        }
    }
    Ok(lists)
}

fn with_levels(
    is_up: bool,
    plan: &SpurPlan,
    intervals: Vec<SpurInterval>,
    model: &Model,
    review: &Plan,
    watch: &dyn Watch,
) -> Result<Vec<Ranked>, ProjectError> {
    let mut jobs: Vec<(usize, f64)> = Vec::new();
    for (i, s) in intervals.iter().enumerate() {
        let (a, b) = (s.input_hz.0.hz(), s.input_hz.1.hz());
        let count = (((b - a) / STEP_HZ).ceil() as usize + 1).clamp(2, INPUTS_MAX);
        jobs.extend((0..count).map(|k| (i, a + (b - a) * k as f64 / (count - 1) as f64)));
    }
    let mixer = model.mixer()?;
    let levels = parallel::map_watched(&jobs, watch, "levels of products", |&(i, f)| {
        let lo_hz = match plan.lo {
            LoMotion::Fixed(lo) => lo as f64,
            LoMotion::Follows(offset) => f + offset as f64,
            LoMotion::Free(a, b) => 0.5 * (a as f64 + b as f64),
        };
        let input = if is_up { PortName::If } else { PortName::Rf };
        let rf_hz =
            if is_up { (f64::from(plan.wanted.n_lo) * lo_hz + f64::from(plan.wanted.m_rf) * f).abs() } else { f };
        let lo = Lo { hz: lo_hz, dbm: review.lo_dbm };
        let anchor = two_tone(&mixer, lo, &[], (rf_hz, review.signal_dbm), input, ORDERS, None)?;
        let p = intervals[i].product;
        let measure = if is_up { Measure::SpurUp(p) } else { Measure::Spur(p) };
        Ok::<_, ProjectError>(anchor.value(&mixer, measure).unwrap_or(f64::NEG_INFINITY))
    })?;
    let mut out: Vec<Ranked> = intervals.into_iter().map(|interval| Ranked { interval, worst: None }).collect();
    for ((i, f), level) in jobs.into_iter().zip(levels) {
        let best = &mut out[i].worst;
        if best.is_none_or(|(w, _)| level > w) {
            *best = Some((level, f));
        }
    }
    Ok(out)
}

/// Name of a product in both conventions: `3×2` and `2 LO − 3 RF`.
pub fn product_words(p: Product, is_up: bool) -> (String, String) {
    let input = if is_up { "IF" } else { "RF" };
    let term = |n: i32, what: &str| if n.abs() == 1 { what.to_string() } else { format!("{} {what}", n.abs()) };
    let sum = match p.n_lo {
        0 => term(p.m_rf, input),
        n => format!("{} {} {}", term(n, "LO"), if p.m_rf < 0 { "−" } else { "+" }, term(p.m_rf, input)),
    };
    (format!("{}×{}", p.m_rf.abs(), p.n_lo.abs()), sum)
}

fn ghz(hz: f64) -> String {
    format!("{:.4}", hz / 1e9)
}

/// The list as text.
pub fn text(list: &SpurList) -> String {
    let input = if list.is_up { "IF" } else { "RF" };
    let lo = match list.plan.lo {
        LoMotion::Fixed(lo) => format!("LO {} GHz", ghz(lo as f64)),
        LoMotion::Follows(o) => {
            format!("LO {} GHz {} the input", ghz(o.abs() as f64), if o > 0 { "above" } else { "below" })
        }
        LoMotion::Free(a, b) => format!("LO anywhere from {} to {} GHz", ghz(a as f64), ghz(b as f64)),
    };
    let mut out = format!(
        "{}: {input} {} to {} GHz, {lo}, wanted band {} to {} GHz\n",
        list.name,
        ghz(list.plan.input_hz.0 as f64),
        ghz(list.plan.input_hz.1 as f64),
        ghz(list.plan.output_hz.0 as f64),
        ghz(list.plan.output_hz.1 as f64)
    );
    if list.products.is_empty() {
        let _ = writeln!(
            out,
            "  no product up to {}×{} falls into the wanted band",
            list.plan.orders.0, list.plan.orders.1
        );
        return out;
    }
    let levels = list.signal_dbm.is_some();
    let _ = writeln!(
        out,
        "  {:<6} {:<14} {:>21}   {:>5}{}",
        "m×n",
        "product",
        format!("{input} from … to, GHz"),
        "slope",
        if levels { "   strongest, dBc   at, GHz" } else { "" }
    );
    for r in &list.products {
        let (mn, sum) = product_words(r.interval.product, list.is_up);
        let (a, b) = (r.interval.input_hz.0, r.interval.input_hz.1);
        let range =
            if a == b { format!("touches at {}", ghz(a.hz())) } else { format!("{} … {}", ghz(a.hz()), ghz(b.hz())) };
        let slope = r.interval.slope.map_or("–".into(), |s| s.abs().to_string());
        let _ = write!(out, "  {mn:<6} {sum:<14} {range:>21}   {slope:>5}");
        match r.worst {
            Some((level, _)) if level < NOT_CLAIMED_DBC => out.push_str("      below −100"),
            Some((level, f)) => {
                let _ = write!(out, "   {level:>14.1}   {}", ghz(f));
            }
            None => {}
        }
        out.push('\n');
    }
    let _ = writeln!(
        out,
        "  m counts the {input}, n the LO; slope: hertz of the product for one hertz of the {input}. Ends are exact."
    );
    if let Some(level) = list.signal_dbm {
        let _ = writeln!(
            out,
            "  Levels relative to the wanted product at {level:+.0} dBm, strongest of inputs at most {} MHz apart inside the interval.",
            STEP_HZ / 1e6
        );
    }
    out
}
