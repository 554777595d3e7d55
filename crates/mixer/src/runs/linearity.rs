//! Compression and intercept points.

use super::{Context, RunResult, curve, dbm_axis, limits_on, plot, reading, section};
use crate::Anchor;
use crate::believe::ClimbedAnchor;
use crate::mixer::{MixerError, dbm, watt};
use crate::plan::grid;
use crate::point::loss_db;
use crate::runs::band::small_signal;
use crate::runs::spurs::sweep_levels;
use balance::{BalanceSettings, Drive, Embedding, Problem, SteadyState, Truncation, solve_from};
use numerics::{Quiet, parallel};
use spec::{Conditions, Continued, Curve, Item, Measure, Method, Outcome, Quality, Reading, Table};
use std::sync::Arc;

/// Orders of the compression sweep: the signal is strong, so it needs its own.
const COMPRESSION_ORDERS: (usize, usize) = (24, 9);
/// Distance of an intercept from the tones beyond which the product is a numerical zero.
const INTERCEPT_FOLLOWED_DB: f64 = 120.0;
/// LO and signal orders of the two-tone test.
const TWO_TONE_ORDERS: (usize, usize) = (64, 4);
/// Lower orders whose distance is the band: the LO order and the signal order, one at a time.
const TWO_TONE_LOWER: [(usize, usize); 2] = [(48, 4), (64, 3)];

fn quality(orders: (usize, usize), band: Option<f64>) -> Quality {
    Quality {
        outcome: Outcome::Converged,
        method: Method::Balance,
        numeric_band: band,
        orders,
        residual: BalanceSettings::default().residual_v,
        continued: None,
        cancellation: None,
        is_bound: false,
        bands: spec::Bands::default(),
    }
}

/// Conversion loss against RF level at three LO levels, and the 1 dB points.
pub(crate) fn compression(ctx: &Context, at: &ClimbedAnchor) -> RunResult {
    let plan = ctx.plan;
    let lo_levels = [plan.lo_range_dbm.0, plan.lo_dbm, plan.lo_range_dbm.1];
    let mut curves = Vec::new();
    let mut points_1db = Vec::new();
    for lo_dbm in lo_levels {
        let (curve, p1db) = one_compression(ctx, &at.anchor, lo_dbm)?;
        curves.push(curve);
        points_1db.extend(p1db);
    }
    for edge in edges(ctx) {
        points_1db.extend(one_compression(ctx, &edge.anchor, plan.lo_dbm)?.1);
    }
    let items = vec![
        plot("Conversion loss against RF level", dbm_axis("RF level"), "Loss", curves, vec![]),
        Item::Table(Table { title: "Input 1 dB compression".into(), readings: points_1db }),
    ];
    let text = format!(
        "Curves at RF {:.3} GHz; 1 dB points there and, at nominal LO, at the edges of the band. The 1 dB point is where the loss has risen 1 dB above its small-signal value; it is solved \
         for, not read between sweep points.",
        at.anchor.rf.0 / 1e9
    );
    Ok(section("compression", "Compression", text, items))
}

/// Anchors at the edges of the band.
fn edges<'a>(ctx: &Context<'a>) -> Vec<&'a ClimbedAnchor> {
    [ctx.down.first(), ctx.down.last()].into_iter().flatten().collect()
}

/// Sweep and 1 dB point at one LO level.
fn one_compression(ctx: &Context, like: &Anchor, lo_dbm: f64) -> Result<(Curve, Option<Reading>), MixerError> {
    let plan = ctx.plan;
    let lo = ctx.mixer.pump(plan.lo_hz, lo_dbm, COMPRESSION_ORDERS.0, &ctx.inside())?;
    let base_db = loss_db(small_signal(ctx, &lo, like.rf.0)?.down);
    let anchor = Anchor { lo: (like.lo.0, lo_dbm), rf: like.rf, input: like.input, state: like.state.clone() };
    let levels = grid(-20.0, lo_dbm + 1.0, 12);
    let swept = sweep_levels(ctx, &anchor, &levels, COMPRESSION_ORDERS)?;
    let loss = |a: &Anchor| a.value(ctx.mixer, Measure::ConversionLoss).unwrap_or(f64::NAN);
    let points = swept
        .iter()
        .map(|a| {
            let conditions = ctx.mixer.conditions(a.lo.0, a.lo.1, a.rf.0, Some(a.rf.1));
            (a.rf.1, reading(Measure::ConversionLoss, loss(a), conditions, quality(COMPRESSION_ORDERS, None)))
        })
        .collect();
    let crossing = swept.windows(2).find(|w| loss(&w[0]) < base_db + 1.0 && loss(&w[1]) >= base_db + 1.0);
    let p1db = match crossing {
        None => None,
        Some(w) => Some(solve_for_loss(ctx, &w[0], &w[1], base_db + 1.0)?),
    };
    Ok((curve(format!("LO {lo_dbm:+.0} dBm"), points), p1db))
}

/// RF level at which the loss is `wanted_db`, between two solved levels, by false position.
///
/// The band is the move of the result when both truncation orders are lowered by a third.
fn solve_for_loss(ctx: &Context, low: &Anchor, high: &Anchor, wanted_db: f64) -> Result<Reading, MixerError> {
    let fine = level_at_loss(ctx, low, high, wanted_db, COMPRESSION_ORDERS)?;
    let coarse_orders = (COMPRESSION_ORDERS.0 * 2 / 3, COMPRESSION_ORDERS.1 * 2 / 3);
    let coarse = level_at_loss(ctx, low, high, wanted_db, coarse_orders)?;
    let conditions = ctx.mixer.conditions(low.lo.0, low.lo.1, low.rf.0, Some(fine));
    Ok(reading(Measure::InputP1db, fine, conditions, quality(COMPRESSION_ORDERS, Some((fine - coarse).abs()))))
}

fn level_at_loss(
    ctx: &Context,
    low: &Anchor,
    high: &Anchor,
    wanted_db: f64,
    orders: (usize, usize),
) -> Result<f64, MixerError> {
    let mut start = low.state.clone();
    let mut at = |level: f64| -> Result<f64, MixerError> {
        let rf = (low.rf.0, level);
        let (_, state, _) =
            ctx.mixer.two_tone(&ctx.mixer.embedding, low.lo, rf, low.input, orders, Some(&start), &ctx.inside())?;
        start = state.clone();
        let a = Anchor { lo: low.lo, rf, input: low.input, state };
        Ok(a.value(ctx.mixer, Measure::ConversionLoss).unwrap_or(f64::NAN) - wanted_db)
    };
    let (mut a, mut b) = (low.rf.1, high.rf.1);
    let (mut fa, mut fb) = (at(a)?, at(b)?);
    if fa * fb > 0.0 {
        return Ok(f64::NAN);
    }
    for _ in 0..12 {
        let x = a - fa * (b - a) / (fb - fa);
        let fx = at(x)?;
        if fx.abs() < 1e-4 || (b - a).abs() < 1e-3 {
            return Ok(x);
        }
        // the end that stays twice in a row counts half (Illinois rule), so both ends close in
        if fx * fb < 0.0 {
            (a, fa) = (b, fb);
        } else {
            fa *= 0.5;
        }
        (b, fb) = (x, fx);
    }
    Ok(b)
}

/// Two equal RF tones: intercepts of second and third order.
///
/// Intermodulation of close tones is as hard on the LO order as any high product: the orders are
/// climbed at the nominal level and the remaining motion is the band.
pub(crate) fn intercepts(ctx: &Context, at: &ClimbedAnchor) -> RunResult {
    let plan = ctx.plan;
    let levels: Vec<f64> = (0..4).map(|i| plan.two_tone_dbm - 5.0 + 5.0 * f64::from(i)).collect();
    let mut jobs: Vec<(f64, (usize, usize))> = levels.iter().map(|&l| (l, TWO_TONE_ORDERS)).collect();
    jobs.extend(TWO_TONE_LOWER.iter().map(|&orders| (plan.two_tone_dbm, orders)));
    let mut done = parallel::map_watched(&jobs, &ctx.inside(), "", |&(level, (pump_order, signal_order))| {
        two_tones(ctx, &ctx.mixer.embedding, &at.anchor, level, signal_order, pump_order)
    })?;
    let lower = done.split_off(levels.len());
    let nominal = &done[1];
    let conditions = |level: f64| -> Conditions {
        ctx.mixer.conditions(at.anchor.lo.0, at.anchor.lo.1, at.anchor.rf.0, Some(level))
    };
    // other continuations of the network data, at lower orders and against the same orders
    let (pump_order, signal_order) = TWO_TONE_LOWER[0];
    let others = parallel::map_watched(&ctx.mixer.alternatives, &ctx.inside(), "", |other| {
        two_tones(ctx, &other.embedding, &at.anchor, plan.two_tone_dbm, signal_order, pump_order)
    })?;
    let share = at.reading(Measure::ConversionLoss).and_then(|r| r.quality.continued).map(|c| c.share);
    let continued = |f: &dyn Fn(&TwoTones) -> f64| {
        let spread = others.iter().map(|o| (f(o) - f(&lower[0])).abs()).fold(0.0, f64::max);
        share.map(|share| Continued { share, spread })
    };
    let make = |m: Measure, value: f64, level: f64, band: f64| {
        let mut quality = quality(TWO_TONE_ORDERS, Some(band));
        quality.is_bound = value - plan.two_tone_dbm > INTERCEPT_FOLLOWED_DB;
        let value = value.min(plan.two_tone_dbm + INTERCEPT_FOLLOWED_DB);
        quality.continued = if m == Measure::InputIp3 { continued(&|t| t.iip3()) } else { continued(&|t| t.iip2()) };
        reading(m, value, conditions(level), quality)
    };
    let motion = |f: &dyn Fn(&TwoTones) -> f64| lower.iter().map(|l| (f(nominal) - f(l)).abs()).fold(0.0, f64::max);
    // an intercept that still moves with the level is known no better than that motion
    let with_level = |f: &dyn Fn(&TwoTones) -> f64| {
        motion(f) + done.windows(2).take(2).map(|w| (f(&w[1]) - f(&w[0])).abs()).fold(0.0, f64::max)
    };
    let (band3, band2) = (with_level(&|t| t.iip3()), with_level(&|t| t.iip2()));
    let edge_anchors = edges(ctx);
    let at_edges = parallel::map_watched(&edge_anchors, &ctx.inside(), "", |edge| {
        let (pump_order, signal_order) = TWO_TONE_ORDERS;
        let t = two_tones(ctx, &ctx.mixer.embedding, &edge.anchor, plan.two_tone_dbm, signal_order, pump_order)?;
        Ok::<_, MixerError>((edge.anchor.rf.0, t))
    })?;
    let points = |m: Measure, f: &dyn Fn(&TwoTones) -> f64, band: f64| {
        levels.iter().zip(&done).map(|(&l, d)| (l, make(m, f(d), l, band))).collect()
    };
    let slope3 = (done[1].third_dbm - done[0].third_dbm) / (levels[1] - levels[0]);
    let slope2 = (done[1].second_dbm - done[0].second_dbm) / (levels[1] - levels[0]);
    let mut intercept_table = vec![
        make(Measure::InputIp3, nominal.iip3(), plan.two_tone_dbm, band3),
        make(Measure::InputIp2, nominal.iip2(), plan.two_tone_dbm, band2),
    ];
    for (rf_hz, t) in &at_edges {
        for (m, value, band) in [(Measure::InputIp3, t.iip3(), band3), (Measure::InputIp2, t.iip2(), band2)] {
            let mut r = make(m, value, plan.two_tone_dbm, band);
            r.conditions = ctx.mixer.conditions(at.anchor.lo.0, at.anchor.lo.1, *rf_hz, Some(plan.two_tone_dbm));
            intercept_table.push(r);
        }
    }
    let items = vec![
        Item::Table(Table { title: "Intercepts at the nominal tone level".into(), readings: intercept_table }),
        plot(
            "Intercept computed at each tone level",
            dbm_axis("level of each tone"),
            "Intercept",
            vec![
                curve("IP3", points(Measure::InputIp3, &|d| d.iip3(), band3)),
                curve("IP2", points(Measure::InputIp2, &|d| d.iip2(), band2)),
            ],
            limits_on(plan, Measure::InputIp3),
        ),
    ];
    let text = format!(
        "Two RF tones {:.3} MHz apart at {:.3} GHz, equal levels. An intercept holds where its product rises 3 (2) dB a dB: \
         found {slope3:.2} and {slope2:.2} at the low end. IP2 is that of the difference of the two tones at the IF port; it exists only \
         through imbalance.",
        plan.two_tone_spacing_hz / 1e6,
        at.anchor.rf.0 / 1e9
    );
    Ok(section("intercepts", "Intercept points", text, items))
}

/// Levels at the IF port under two tones, dBm.
struct TwoTones {
    level_dbm: f64,
    wanted_dbm: f64,
    third_dbm: f64,
    second_dbm: f64,
}

impl TwoTones {
    fn iip3(&self) -> f64 {
        self.level_dbm + (self.wanted_dbm - self.third_dbm) / 2.0
    }
    fn iip2(&self) -> f64 {
        self.level_dbm + (self.wanted_dbm - self.second_dbm)
    }
}

fn two_tones(
    ctx: &Context,
    embedding: &Arc<Embedding>,
    anchor: &Anchor,
    level_dbm: f64,
    signal_order: usize,
    pump_order: usize,
) -> Result<TwoTones, MixerError> {
    let (lo_hz, lo_dbm) = anchor.lo;
    let half = 0.5 * ctx.plan.two_tone_spacing_hz;
    let ports = ctx.mixer.ports;
    let problem = Problem {
        embedding: embedding.clone(),
        devices: ctx.mixer.devices.clone(),
        tones_hz: vec![lo_hz, anchor.rf.0 - half, anchor.rf.0 + half],
        drives: vec![
            Drive::tone(ports.lo, vec![1, 0, 0], watt(lo_dbm), 0.0),
            Drive::tone(ports.rf, vec![0, 1, 0], watt(level_dbm), 0.0),
            Drive::tone(ports.rf, vec![0, 0, 1], watt(level_dbm), 0.0),
        ],
    };
    let settings =
        BalanceSettings { pump_order, signal_order, truncation: Truncation::Order, ..BalanceSettings::default() };
    let (state, _): (SteadyState, _) = solve_from(&problem, &settings, None, &Quiet)
        .map_err(MixerError::in_run(format!("two tones at {level_dbm:+.0} dBm")))?;
    let sign = crate::mixer::wanted_lo_order(lo_hz, anchor.rf.0);
    let level = |orders: [i32; 3]| state.power_out_w(ports.if_, &orders).map_or(f64::NAN, dbm);
    Ok(TwoTones {
        level_dbm,
        wanted_dbm: level([sign, -sign, 0]),
        third_dbm: level([sign, -2 * sign, sign]),
        second_dbm: level([0, 1, -1]),
    })
}
