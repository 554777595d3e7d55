//! The spur grid, products inside the output band, and how products move with the signal level.

use super::{Context, RunResult, curve, dbm_axis, ghz_axis, plot, reading, section};
use crate::believe::{ClimbedAnchor, canonical, grid_products, in_band_products, spur};
use crate::mixer::{MixerError, dbm, watt};
use crate::plan::grid;
use crate::point::LoState;
use crate::{Anchor, Plan};
use balance::{SteadyState, perturb};
use numerics::{Quiet, parallel};
use spec::{Item, Limit, Measure, Method, Outcome, PortName, Product, Quality, Reading, SpurEntry, SpurGrid, Table};

/// Anchor nearest the middle of the band.
pub(crate) fn middle<'a>(plan: &Plan, anchors: &'a [ClimbedAnchor]) -> Option<&'a ClimbedAnchor> {
    let centre = plan.rf_centre_hz();
    anchors.iter().min_by(|a, b| (a.anchor.rf.0 - centre).abs().total_cmp(&(b.anchor.rf.0 - centre).abs()))
}

/// Grid at the middle of the band, and all products that fall into the output band.
pub(crate) fn table(ctx: &Context, anchors: &[ClimbedAnchor], lo: &LoState) -> RunResult {
    let plan = ctx.plan;
    let Some(middle) = middle(plan, anchors) else {
        return Ok(section("spurs", "Spurious products", "No operating point.", vec![]));
    };
    let is_up = middle.anchor.input == PortName::If;
    let mut items = vec![Item::Spurs(spur_grid(ctx, middle))];
    let limits: Vec<Limit> = plan.limits.iter().filter(|l| l.measure.is_none()).cloned().collect();
    items.push(in_band_plot(plan, anchors, limits));
    items.extend([2, 3].into_iter().filter_map(|m| order_plot(plan, anchors, m)));
    items.push(Item::Table(Table {
        title: "Products inside the output band".into(),
        readings: in_band_readings(plan, anchors),
    }));
    if !is_up {
        items.extend(perturbed(ctx, middle, lo)?);
    }
    let (key, title) = if is_up {
        ("spurs_up", "Spurious products, up-conversion")
    } else {
        ("spurs", "Spurious products, down-conversion")
    };
    let text = format!(
        "Full balance with the signal at {:+.0} dBm. Convention: m counts the {} and selects the row, n counts the LO and \
         selects the column; each level is relative to the wanted product. Below {:.0} dBc nothing is claimed. Each \
         product was followed through rising truncation; its remaining motion is its numeric band.",
        plan.signal_dbm,
        if is_up { "IF" } else { "RF" },
        plan.tolerances.not_claimed_dbc
    );
    Ok(section(key, title, text, items))
}

fn spur_grid(ctx: &Context, at: &ClimbedAnchor) -> SpurGrid {
    let anchor = &at.anchor;
    let entries = grid_products(ctx.plan)
        .into_iter()
        .filter_map(|(m, n, sum, product)| {
            let reading = at.reading(spur(anchor.input, product))?.clone();
            let frequency_hz = product.frequency_hz(anchor.lo.0, anchor.signal_hz()).abs();
            Some(SpurEntry { m, n, sum, frequency_hz, reading })
        })
        .collect();
    SpurGrid {
        title: format!(
            "Products at the {} port, {} {:.3} GHz, LO {:.3} GHz",
            anchor.output().label(),
            anchor.input.label(),
            anchor.signal_hz() / 1e9,
            anchor.lo.0 / 1e9
        ),
        input: anchor.input,
        entries,
        wanted_dbm: anchor.wanted_dbm(ctx.mixer),
        not_claimed_dbc: ctx.plan.tolerances.not_claimed_dbc,
    }
}

/// Readings of all in-band products of all anchors.
pub(crate) fn in_band_readings(plan: &Plan, anchors: &[ClimbedAnchor]) -> Vec<Reading> {
    anchors
        .iter()
        .flat_map(|a| in_band_products(plan, &a.anchor).into_iter().map(move |p| (a, p)))
        .filter_map(|(a, p)| a.reading(spur(a.anchor.input, p)).cloned())
        .collect()
}

/// Level against frequency of each product that enters the output band anywhere.
fn in_band_plot(plan: &Plan, anchors: &[ClimbedAnchor], limits: Vec<Limit>) -> Item {
    let mut products: Vec<Product> = anchors.iter().flat_map(|a| in_band_products(plan, &a.anchor)).collect();
    products.sort();
    products.dedup();
    let claimed = plan.tolerances.not_claimed_dbc;
    let curves = products
        .iter()
        .map(|&p| {
            let points = anchors
                .iter()
                .filter(|a| in_band_products(plan, &a.anchor).contains(&p))
                .filter_map(|a| Some((a.anchor.signal_hz() / 1e9, a.reading(spur(a.anchor.input, p))?.clone())))
                .filter(|(_, r)| r.value > claimed)
                .collect::<Vec<_>>();
            curve(format!("{}×{}", p.m_rf.abs(), p.n_lo.abs()), points)
        })
        .filter(|c| !c.points.is_empty())
        .collect();
    let input = anchors.first().map_or("signal", |a| a.anchor.input.label());
    plot("Products inside the output band", ghz_axis(input), "Level", curves, limits)
}

/// Level against frequency of the difference products of one signal order, wherever they fall: a bench sees them all,
/// and what was reviewed can be sealed.
fn order_plot(plan: &Plan, anchors: &[ClimbedAnchor], m: u32) -> Option<Item> {
    let input = anchors.first()?.anchor.input;
    let claimed = plan.tolerances.not_claimed_dbc;
    let difference = |entry: &(u32, u32, bool, Product)| entry.0 == m && entry.1 > 0 && !entry.2;
    let curves: Vec<_> = grid_products(plan)
        .into_iter()
        .filter(difference)
        .map(|(_, n, _, p)| {
            let level = |a: &ClimbedAnchor| Some((a.anchor.signal_hz() / 1e9, a.reading(spur(input, p))?.clone()));
            let points: Vec<_> = anchors.iter().filter_map(level).filter(|(_, r)| r.value > claimed).collect();
            curve(format!("{m}×{n}"), points)
        })
        .filter(|c| !c.points.is_empty())
        .collect();
    let title = format!("Products of signal order {m} over the band, in the output band or not");
    (!curves.is_empty()).then(|| plot(&title, ghz_axis(input.label()), "Level", curves, Vec::new()))
}

/// Distance from the full balance beyond which perturbation does not hold, dB.
const PERTURBATION_HOLDS_DB: f64 = 1.0;

/// The difference products by perturbation where it holds against the full balance; the distance is
/// their band.
fn perturbed(ctx: &Context, at: &ClimbedAnchor, lo: &LoState) -> Result<Vec<Item>, MixerError> {
    let (plan, anchor) = (ctx.plan, &at.anchor);
    let order = plan.spur_orders.0 as usize;
    let wave = numerics::Complex64::from((2.0 * watt(plan.signal_dbm)).sqrt());
    let products = perturb(&lo.pumped, ctx.mixer.ports.rf, anchor.rf.0, wave, order)
        .map_err(MixerError::in_run("perturbation orders"))?;
    let level = |p: Product| {
        let (n, m) = if p.m_rf < 0 { (-p.n_lo, -p.m_rf) } else { (p.n_lo, p.m_rf) };
        dbm(products.wave_out(ctx.mixer.ports.if_, n, m as usize).norm_sqr() / 2.0)
    };
    let wanted = level(anchor.wanted());
    let all: Vec<Reading> = grid_products(plan)
        .into_iter()
        .filter(|(m, n, sum, _)| *m > 0 && *n > 0 && !*sum)
        .filter(|(_, _, _, p)| *p != anchor.wanted() && *p != anchor.wanted().mirrored())
        .map(|(_, _, _, p)| {
            let value = level(p) - wanted;
            let full = at.reading(Measure::Spur(p));
            let quality = Quality {
                outcome: if products.residual < 1e-9 { Outcome::Converged } else { Outcome::Almost },
                method: Method::Perturbation,
                numeric_band: full.filter(|r| !r.quality.is_bound).map(|r| (r.value - value).abs()),
                orders: (ctx.order, order),
                residual: products.residual,
                continued: full.and_then(|r| r.quality.continued),
                cancellation: None,
                is_bound: value < plan.tolerances.not_claimed_dbc,
                bands: spec::Bands::default(),
            };
            reading(Measure::Spur(p), value, at_conditions(ctx, anchor), quality)
        })
        .collect();
    let holds = |r: &Reading| r.quality.numeric_band.is_some_and(|b| b <= PERTURBATION_HOLDS_DB);
    let count = all.len();
    let readings: Vec<Reading> = all.into_iter().filter(holds).collect();
    let title = format!(
        "By perturbation orders: {} of {count} products within {PERTURBATION_HOLDS_DB:.0} dB of the full balance; the \
         others need it",
        readings.len()
    );
    Ok(vec![Item::Table(Table { title, readings })])
}

fn at_conditions(ctx: &Context, anchor: &Anchor) -> spec::Conditions {
    ctx.mixer.conditions(anchor.lo.0, anchor.lo.1, anchor.rf.0, Some(anchor.rf.1))
}

/// Products against the signal level, and their slopes.
pub(crate) fn against_level(ctx: &Context, at: &ClimbedAnchor) -> RunResult {
    let plan = ctx.plan;
    let anchor = &at.anchor;
    let levels = grid(-20.0, 0.0, 9);
    let orders = at.readings.values().next().map_or((ctx.order, 6), |r| r.quality.orders);
    let sign = anchor.wanted().n_lo;
    let mut products = vec![Product::new(2 * sign, -2 * sign), Product::new(3 * sign, -3 * sign)];
    products.extend(in_band_products(plan, anchor));
    products.extend([Product::new(sign, -2 * sign), Product::new(2 * sign, -sign), Product::new(2 * sign, -3 * sign)]);
    let mut seen = std::collections::BTreeSet::new();
    products.retain(|&p| seen.insert(canonical(Measure::Spur(p))));
    products.truncate(7);
    let done = sweep_levels(ctx, anchor, &levels, orders)?;
    let point = |i: usize, p: Product| -> Option<(f64, Reading)> {
        let a = &done[i];
        let value = a.value(ctx.mixer, Measure::Spur(p))?;
        let quality = Quality {
            outcome: Outcome::Converged,
            method: Method::Balance,
            numeric_band: at.reading(Measure::Spur(p)).and_then(|r| r.quality.numeric_band),
            orders,
            residual: 0.0,
            continued: None,
            cancellation: None,
            is_bound: value < plan.tolerances.not_claimed_dbc - 40.0,
            bands: spec::Bands::default(),
        };
        Some((levels[i], reading(Measure::Spur(p), value, at_conditions(ctx, a), quality)))
    };
    let mut curves = Vec::new();
    let mut slopes = Vec::new();
    for &p in &products {
        let points: Vec<_> = (0..levels.len()).filter_map(|i| point(i, p)).collect();
        if let [first, second, ..] = &points[..] {
            let slope = (second.1.value - first.1.value) / (second.0 - first.0);
            let mut r = first.1.clone();
            r.measure = Measure::SpurSlope(p);
            r.value = slope;
            r.quality.numeric_band = None;
            slopes.push(r);
        }
        curves.push(curve(format!("{}×{}", p.m_rf.abs(), p.n_lo.abs()), points));
    }
    let items = vec![
        plot("Products against the RF level", dbm_axis("RF level"), "Level", curves, vec![]),
        Item::Table(Table {
            title: "Slopes at the low end (m − 1 expected while the signal is small)".into(),
            readings: slopes,
        }),
    ];
    let text = "Relative to the wanted product, a product of RF order m rises by m − 1 dB a dB while the signal is \
                small against the LO; where a curve bends, a level taken from another RF level is wrong.";
    Ok(section("spur_level", "Products against signal level", text, items))
}

/// The anchor's operating point at other signal levels, each started from its neighbour.
pub(crate) fn sweep_levels(
    ctx: &Context,
    anchor: &Anchor,
    levels: &[f64],
    orders: (usize, usize),
) -> Result<Vec<Anchor>, MixerError> {
    // two halves in parallel, each continuing from its own neighbour
    let halves: Vec<&[f64]> = levels.chunks(levels.len().div_ceil(2).max(1)).collect();
    let done = parallel::map_watched(&halves, &ctx.inside(), "", |half| {
        let mut start: Option<SteadyState> = Some(anchor.state.clone());
        half.iter()
            .map(|&level| {
                let rf = (anchor.rf.0, level);
                let (_, state, _) = ctx.mixer.two_tone(
                    &ctx.mixer.embedding,
                    anchor.lo,
                    rf,
                    anchor.input,
                    orders,
                    start.as_ref(),
                    &Quiet,
                )?;
                start = Some(state.clone());
                Ok::<_, MixerError>(Anchor { lo: anchor.lo, rf, input: anchor.input, state })
            })
            .collect::<Result<Vec<_>, _>>()
    })?;
    Ok(done.into_iter().flatten().collect())
}

/// Readings of all in-band products of anchors whose signal lies in the limit's own band.
pub(crate) fn in_limit_band(plan: &Plan, limit: &Limit, anchors: &[ClimbedAnchor]) -> Vec<Reading> {
    let inside = |r: &Reading| match (limit.band_hz, r.conditions.rf_hz) {
        (Some((low, high)), Some(f)) => f >= low * (1.0 - 1e-9) && f <= high * (1.0 + 1e-9),
        _ => true,
    };
    in_band_readings(plan, anchors).into_iter().filter(inside).collect()
}
