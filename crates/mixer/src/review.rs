//! The whole review: anchors, runs, verdicts, summary.

use crate::believe::{ClimbedAnchor, climb_anchors};
use crate::runs::{self, Context};
use crate::{Direction, Mixer, MixerError, Plan};
use numerics::Watch;
use quantity::Finding;
use spec::{Item, Limit, Measure, Outcome, PortName, Reading, Review, Section, Verdict};

/// Carries out every run of the plan.
///
/// Progress is told section by section. Sweeps use all cores; the result has the same bits for any
/// number of threads.
pub fn review(mixer: &Mixer, plan: &Plan, watch: &dyn Watch) -> Result<Review, MixerError> {
    plan.check()?;
    let anchors = |input| climb_anchors(mixer, plan, input, watch);
    let down = if plan.direction == Direction::Up { Vec::new() } else { anchors(PortName::Rf)? };
    let up = if plan.direction == Direction::Down { Vec::new() } else { anchors(PortName::If)? };
    let order = settled_order(down.iter().chain(&up));
    let ctx = Context { mixer, plan, down: &down, up: &up, order, watch };
    let sections = all_runs(&ctx)?;
    let verdicts = plan.limits.iter().map(|l| judge(&ctx, l, &sections)).collect();
    let nominal = mixer.conditions(plan.lo_hz, plan.lo_dbm, plan.rf_centre_hz(), Some(plan.signal_dbm));
    Ok(Review {
        title: String::new(),
        design: mixer.name.clone(),
        about: mixer.about.clone(),
        nominal,
        summary: summary(&ctx, &sections),
        verdicts,
        findings: findings(&ctx),
        work: work(&ctx),
        sections,
    })
}

/// LO harmonics at which loss, match, isolation and direct voltage stood still at every anchor.
fn settled_order<'a>(anchors: impl Iterator<Item = &'a ClimbedAnchor>) -> usize {
    // the step before the last already agreed with the last; never fewer than 24
    anchors.filter_map(|a| a.history.iter().rev().nth(1)).map(|h| h.0.0).max().unwrap_or(24).clamp(24, 32)
}

fn all_runs(ctx: &Context) -> Result<Vec<Section>, MixerError> {
    type Run<'a> = (&'a str, Box<dyn Fn() -> runs::RunResult + 'a>);
    let lo = ctx.mixer.pump(ctx.plan.lo_hz, ctx.plan.lo_dbm, ctx.order, &ctx.inside())?;
    let lo = &lo;
    let mut all: Vec<Run> = vec![("LO alone", Box::new(move || runs::drive::lo_only(ctx, lo)))];
    if let Some(at) = runs::spurs::middle(ctx.plan, ctx.down) {
        all.push(("down-conversion", Box::new(move || runs::band::down(ctx, lo))));
        all.push(("moving LO", Box::new(move || runs::band::moving_lo(ctx))));
        all.push(("spurious products", Box::new(move || runs::spurs::table(ctx, ctx.down, lo))));
        all.push(("products against level", Box::new(move || runs::spurs::against_level(ctx, at))));
        all.push(("compression", Box::new(move || runs::linearity::compression(ctx, at))));
        all.push(("intercepts", Box::new(move || runs::linearity::intercepts(ctx, at))));
        all.push(("noise", Box::new(move || runs::band::noise(ctx, lo))));
    }
    if !ctx.up.is_empty() {
        all.push(("up-conversion", Box::new(move || runs::band::up(ctx, lo))));
        all.push(("spurious products, up", Box::new(move || runs::spurs::table(ctx, ctx.up, lo))));
    }
    all.push(("LO level", Box::new(move || runs::drive::lo_level(ctx))));
    all.push(("LO purity", Box::new(move || runs::drive::lo_purity(ctx, lo))));
    all.push(("phase detector", Box::new(move || runs::drive::phase_detector(ctx, lo))));
    all.push(("numerical study", Box::new(move || runs::numerics_study::study(ctx))));
    let total = all.len();
    let mut sections = Vec::with_capacity(total);
    for (i, (what, run)) in all.iter().enumerate() {
        ctx.watch.step(what, i, total)?;
        sections.push(run()?);
    }
    ctx.watch.step("review", total, total)?;
    Ok(sections)
}

/// Every reading of a section.
fn readings(section: &Section) -> impl Iterator<Item = &Reading> {
    section.items.iter().flat_map(|item| -> Box<dyn Iterator<Item = &Reading>> {
        match item {
            Item::Curves(p) => Box::new(p.curves.iter().flat_map(|c| c.points.iter().map(|(_, r)| r))),
            Item::Table(t) => Box::new(t.readings.iter()),
            Item::Spurs(g) => Box::new(g.entries.iter().map(|e| &e.reading)),
            Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => Box::new(std::iter::empty()),
        }
    })
}

/// Judges a limit by every reading that belongs to it: the worst one decides.
fn judge<'a>(ctx: &Context<'a>, limit: &Limit, sections: &'a [Section]) -> Verdict {
    let Some(measure) = limit.measure else {
        let all: Vec<Reading> =
            [ctx.down, ctx.up].into_iter().flat_map(|a| runs::spurs::in_limit_band(ctx.plan, limit, a)).collect();
        return limit.judge(&all);
    };
    let judged: Vec<&Reading> = nominal_readings(ctx, measure, sections)
        .into_iter()
        .filter(|r| match (limit.band_hz, r.conditions.rf_hz) {
            (Some((low, high)), Some(f)) => f >= low * (1.0 - 1e-9) && f <= high * (1.0 + 1e-9),
            _ => true,
        })
        .collect();
    limit.judge(judged)
}

/// Readings of a measure at nominal LO inside the plan's RF band: anchors at full level, then sweeps.
fn nominal_readings<'a>(ctx: &Context<'a>, measure: Measure, sections: &'a [Section]) -> Vec<&'a Reading> {
    let plan = ctx.plan;
    let nominal = |r: &&Reading| r.conditions.lo_hz == plan.lo_hz && r.conditions.lo_dbm == plan.lo_dbm;
    let (low, high) = plan.rf_band_hz;
    let in_band = |r: &&Reading| r.conditions.rf_hz.is_none_or(|f| f >= low * (1.0 - 1e-9) && f <= high * (1.0 + 1e-9));
    if matches!(measure, Measure::InputP1db | Measure::InputIp3 | Measure::InputIp2) {
        return table_readings(sections).filter(|r| r.measure == measure).filter(nominal).collect();
    }
    if matches!(measure, Measure::PhaseDetectorVoltage | Measure::PhaseDetectorSlope | Measure::LoHarmonic { .. }) {
        return sections.iter().flat_map(readings).filter(|r| r.measure == measure).filter(nominal).collect();
    }
    // an LO that moves must meet its own limits over its whole range
    let is_of_lo = matches!(measure, Measure::ReturnLoss(PortName::Lo) | Measure::Isolation { from: PortName::Lo, .. });
    let moving = sections.iter().filter(|s| is_of_lo && plan.lo_band_hz.is_some() && s.key == "lo_only");
    let moving = moving.flat_map(readings).filter(|r| r.measure == measure && r.conditions.lo_dbm == plan.lo_dbm);
    let at_level = |r: &&Reading| r.conditions.signal_dbm.is_none_or(|l| l == plan.signal_dbm);
    let anchored = ctx.down.iter().chain(ctx.up).filter_map(|a| a.reading(measure));
    let swept = sections.iter().filter(|s| JUDGED_SWEEPS.contains(&s.key.as_str())).flat_map(readings);
    let all = anchored.chain(swept.filter(|r| r.measure == measure));
    all.filter(nominal).filter(in_band).filter(at_level).chain(moving).collect()
}

/// Sweeps whose readings hold under the plan's own conditions.
const JUDGED_SWEEPS: [&str; 4] = ["down_fixed_lo", "up_fixed_lo", "noise", "phase_detector"];

/// Headline numbers: worst over the band where there is one.
fn summary<'a>(ctx: &Context<'a>, sections: &'a [Section]) -> Vec<Reading> {
    let isolation = |from, to| Measure::Isolation { from, to };
    let by = |a: &&Reading, b: &&Reading| a.value.total_cmp(&b.value);
    let worst_spur = |anchors| runs::spurs::in_band_readings(ctx.plan, anchors).into_iter().max_by(|a, b| by(&a, &b));
    let all = |m: Measure| nominal_readings(ctx, m, sections).into_iter();
    let mut out: Vec<Reading> = Vec::new();
    for m in [Measure::ConversionLoss, Measure::Flatness, Measure::ConversionLossUp] {
        out.extend(all(m).max_by(by).cloned());
    }
    let smallest = [
        isolation(PortName::Lo, PortName::Rf),
        isolation(PortName::Lo, PortName::If),
        isolation(PortName::Rf, PortName::If),
        Measure::ReturnLoss(PortName::Rf),
        Measure::ReturnLoss(PortName::Lo),
    ];
    for m in smallest {
        out.extend(all(m).min_by(by).cloned());
    }
    out.extend(worst_spur(ctx.down));
    out.extend(worst_spur(ctx.up));
    out.extend(all(Measure::CarrierLeak).max_by(by).cloned());
    for m in [Measure::InputP1db, Measure::InputIp3, Measure::InputIp2] {
        out.extend(all(m).min_by(by).cloned());
    }
    for m in [Measure::NoiseFigureSsb, Measure::NoiseFigureDsb] {
        out.extend(all(m).max_by(by).cloned());
    }
    out.extend(all(Measure::DcOffset).max_by(|a, b| a.value.abs().total_cmp(&b.value.abs())).cloned());
    out
}

fn table_readings(sections: &[Section]) -> impl Iterator<Item = &Reading> {
    let tables = sections.iter().flat_map(|s| &s.items).filter_map(|i| match i {
        Item::Table(t) => Some(&t.readings),
        _ => None,
    });
    tables.flatten()
}

fn findings(ctx: &Context) -> Vec<Finding> {
    let mut out = ctx.mixer.findings.clone();
    if let Some((low, high)) = ctx.plan.lo_band_hz {
        out.push(Finding::warning(
            "verdicts",
            format!(
                "the LO moves from {:.3} to {:.3} GHz: limits on LO match and LO leakage are judged over that range, all \
                 others, and products in the output band, at {:.3} GHz with the IF that belongs to it; review other LO \
                 frequencies with designs of their own",
                low / 1e9,
                high / 1e9,
                ctx.plan.lo_hz / 1e9
            ),
        ));
    }
    for a in ctx.down.iter().chain(ctx.up) {
        let place = format!("{} at {:.3} GHz", a.anchor.input.label(), a.anchor.signal_hz() / 1e9);
        let moving: Vec<String> = a
            .readings
            .values()
            .filter(|r| r.quality.outcome == Outcome::Almost && !r.quality.is_bound)
            .map(|r| {
                format!("{} ±{:.2} {}", r.measure.label(), r.quality.numeric_band.unwrap_or(f64::NAN), r.measure.unit())
            })
            .collect();
        if !moving.is_empty() {
            out.push(Finding::warning(
                place,
                format!(
                    "still moving at the end of the order climb: {}; read them with their bands",
                    moving.join(", ")
                ),
            ));
        }
        out.extend(coincidence(a));
    }
    out
}

/// Products that fall on one frequency with the wanted one would be read together on a bench.
fn coincidence(a: &ClimbedAnchor) -> Option<Finding> {
    let (lo, rf) = (a.anchor.lo.0, a.anchor.signal_hz());
    let wanted = a.anchor.wanted();
    let f0 = wanted.frequency_hz(lo, rf).abs();
    let hits: Vec<String> = a
        .readings
        .keys()
        .filter_map(|m| match m {
            Measure::Spur(p) | Measure::SpurUp(p) if *p != wanted && *p != wanted.mirrored() => Some(*p),
            _ => None,
        })
        .filter(|p| (p.frequency_hz(lo, rf).abs() - f0).abs() < 1e-6 * f0)
        .map(|p| format!("{}×{}", p.m_rf.abs(), p.n_lo.abs()))
        .collect();
    (!hits.is_empty()).then(|| {
        Finding::note(
            format!("{} at {:.3} GHz", a.anchor.input.label(), rf / 1e9),
            format!(
                "{} fall exactly on the wanted product; they are computed apart, a bench would read them together",
                hits.join(", ")
            ),
        )
    })
}

fn work(ctx: &Context) -> Vec<(String, String)> {
    let newton: usize = ctx.down.iter().chain(ctx.up).map(|a| a.newton_steps).sum();
    let climbs = ctx.down.len() + ctx.up.len();
    let deepest = ctx.down.iter().chain(ctx.up).filter_map(|a| a.history.last()).map(|h| h.0).max().unwrap_or_default();
    vec![
        ("operating points climbed".into(), climbs.to_string()),
        ("Newton steps in the climbs".into(), newton.to_string()),
        ("deepest truncation, LO × signal".into(), format!("{} × {}", deepest.0, deepest.1)),
        ("LO harmonics in the sweeps".into(), ctx.order.to_string()),
        ("junctions".into(), ctx.mixer.devices.len().to_string()),
    ]
}
