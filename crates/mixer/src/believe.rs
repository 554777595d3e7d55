//! How far each number can be believed: order climb at the anchors, cancellation, continued data.

use crate::plan::{Plan, grid};
use crate::{Anchor, Mixer, MixerError};
use balance::{ClimbSettings, SteadyState, climb};
use numerics::{Complex64, Quiet, Watch, parallel};
use spec::{Cancellation, Continued, Measure, Method, Outcome, PortName, Product, Quality, Reading, Term};
use std::collections::BTreeMap;

/// Sum of magnitudes over magnitude of the sum above which a number counts as made by cancellation.
const CANCELLATION_DB: f64 = 12.0;
/// Isolation above which motion under truncation is not followed: no bench and no mask resolves it.
const ISOLATION_FOLLOWED_DB: f64 = 90.0;
/// Return loss above which motion is not followed.
const RETURN_LOSS_FOLLOWED_DB: f64 = 60.0;
/// Products this far below the claimed floor are not followed.
const FOLLOWED_BELOW_FLOOR_DB: f64 = 6.0;
/// Signal and LO orders of the climb.
const LADDER: [(usize, usize); 6] = [(12, 5), (16, 6), (24, 7), (32, 8), (48, 9), (64, 10)];

/// An operating point climbed until its numbers stand still.
pub(crate) struct ClimbedAnchor {
    pub anchor: Anchor,
    pub readings: BTreeMap<Measure, Reading>,
    /// Numbers at each step of the climb.
    pub history: Vec<((usize, usize), BTreeMap<Measure, f64>)>,
    pub newton_steps: usize,
}

impl ClimbedAnchor {
    /// Reading of a measure at this point.
    pub(crate) fn reading(&self, measure: Measure) -> Option<&Reading> {
        self.readings.get(&canonical(measure))
    }

    /// Motion of a measure from the step with `pump_order` LO harmonics to the end of the climb.
    fn motion_since(&self, measure: Measure, pump_order: usize) -> Option<f64> {
        let end = self.history.last()?.1.get(&measure)?;
        let (_, then) = self.history.iter().find(|((k, _), _)| *k >= pump_order)?;
        Some((then.get(&measure)? - end).abs())
    }
}

/// Everything the bench would read with LO and a signal at `input`.
pub(crate) fn measures(plan: &Plan, input: PortName, diodes: usize) -> Vec<Measure> {
    let loss = if input == PortName::If { Measure::ConversionLossUp } else { Measure::ConversionLoss };
    let isolation = |from, to| Measure::Isolation { from, to };
    let mut out = vec![
        loss,
        Measure::ReturnLoss(input),
        Measure::ReturnLoss(PortName::Lo),
        isolation(PortName::Lo, PortName::Rf),
        isolation(PortName::Lo, PortName::If),
        Measure::DcOffset,
    ];
    if input == PortName::Rf {
        out.extend([isolation(PortName::Rf, PortName::If), isolation(PortName::Rf, PortName::Lo)]);
    } else {
        out.extend([
            isolation(PortName::If, PortName::Rf),
            isolation(PortName::If, PortName::Lo),
            Measure::CarrierLeak,
        ]);
    }
    out.extend((0..diodes).map(|d| Measure::DiodeCurrent { diode: d as u32 }));
    out.extend(grid_products(plan).into_iter().map(|(_, _, _, p)| spur(input, p)));
    out
}

/// A product and its mirror image are one line; the grid names it with a positive LO order.
pub(crate) fn canonical(measure: Measure) -> Measure {
    let of = |p: Product| if p.n_lo < 0 || (p.n_lo == 0 && p.m_rf > 0) { p.mirrored() } else { p };
    match measure {
        Measure::Spur(p) => Measure::Spur(of(p)),
        Measure::SpurUp(p) => Measure::SpurUp(of(p)),
        other => other,
    }
}

/// The measure of a product when the signal enters at `input`.
pub(crate) fn spur(input: PortName, product: Product) -> Measure {
    canonical(if input == PortName::If { Measure::SpurUp(product) } else { Measure::Spur(product) })
}

/// Cells of the spur grid: RF order, LO order, sum or difference, signed product.
pub(crate) fn grid_products(plan: &Plan) -> Vec<(u32, u32, bool, Product)> {
    let mut out = Vec::new();
    for m in 0..=plan.spur_orders.0 {
        for n in 0..=plan.spur_orders.1 {
            if m == 0 && n == 0 {
                continue;
            }
            let (mi, ni) = (m as i32, n as i32);
            out.push((m, n, false, Product::new(ni, -mi)));
            if m > 0 && n > 0 {
                out.push((m, n, true, Product::new(ni, mi)));
            }
        }
    }
    out
}

/// Climbs all anchors of the RF band, with the signal at `input`.
pub(crate) fn climb_anchors(
    mixer: &Mixer,
    plan: &Plan,
    input: PortName,
    watch: &dyn Watch,
) -> Result<Vec<ClimbedAnchor>, MixerError> {
    let frequencies = grid(plan.rf_band_hz.0, plan.rf_band_hz.1, plan.anchors);
    parallel::map_watched(&frequencies, watch, "operating points", |&rf_hz| climb_anchor(mixer, plan, input, rf_hz))
}

fn climb_anchor(mixer: &Mixer, plan: &Plan, input: PortName, rf_hz: f64) -> Result<ClimbedAnchor, MixerError> {
    let measures = measures(plan, input, mixer.devices.len());
    let (lo, rf) = ((plan.lo_hz, plan.lo_dbm), (rf_hz, plan.signal_dbm));
    let steps: Vec<_> =
        LADDER.iter().map(|&(k, m)| (k.max(plan.spur_orders.1 as usize), m.max(plan.spur_orders.0 as usize))).collect();
    let settings = ClimbSettings { steps, tolerance: measures.iter().map(|&m| tolerance(plan, m)).collect() };
    let mut last: Option<(SteadyState, f64)> = None;
    let mut history = Vec::new();
    let mut newton_steps = 0;
    let mut failed: Option<MixerError> = None;
    let climbed = climb(&settings, &Quiet, |pump_order, signal_order| {
        let start = last.as_ref().map(|l| &l.0);
        let orders = (pump_order, signal_order);
        let (_, state, report) =
            mixer.two_tone(&mixer.embedding, lo, rf, input, orders, start, &Quiet).map_err(|e| match e {
                MixerError::Balance { source, run } => {
                    failed = Some(MixerError::Balance { run, source: source.clone() });
                    source
                }
                MixerError::Cancelled(c) => c.into(),
                MixerError::Plan { expected, found } => balance::BalanceError::Mismatch { expected, found },
            })?;
        newton_steps += report.iterations;
        let anchor = Anchor { lo, rf, input, state };
        let raw: Vec<f64> = measures.iter().map(|&m| anchor.value(mixer, m).unwrap_or(f64::NAN)).collect();
        history.push((orders, measures.iter().copied().zip(raw.iter().copied()).collect()));
        last = Some((anchor.state, report.residual));
        Ok(measures.iter().zip(raw).map(|(&m, x)| followed(plan, m, x)).collect())
    });
    let climbed = match (climbed, failed) {
        (_, Some(e)) => return Err(e),
        (Err(e), None) => return Err(MixerError::in_run("order climb")(e)),
        (Ok(c), None) => c,
    };
    let Some((state, residual)) = last else {
        return Err(MixerError::Plan { expected: "a ladder with steps".into(), found: "none".into() });
    };
    let orders = climbed.history.last().map(|h| h.0).unwrap_or_default();
    let anchor = Anchor { lo, rf, input, state };
    let conditions = mixer.conditions(lo.0, lo.1, rf.0, Some(rf.1));
    let spreads = continued_spreads(mixer, &anchor, orders, &measures)?;
    let mut readings = BTreeMap::new();
    for (i, &measure) in measures.iter().enumerate() {
        let Some(value) = anchor.value(mixer, measure) else { continue };
        let is_bound = is_below_floor(plan, measure, value);
        let quality = Quality {
            outcome: if climbed.stable[i] || is_bound { Outcome::Converged } else { Outcome::Almost },
            method: Method::Balance,
            numeric_band: Some(climbed.bands[i]),
            orders,
            residual,
            continued: spreads.get(&measure).copied(),
            cancellation: anchor.terms(mixer, measure).and_then(|t| cancellation(mixer, &t)),
            is_bound: false,
            bands: spec::Bands::default(),
        };
        readings.insert(measure, claim(plan, Reading { measure, value, conditions: conditions.clone(), quality }));
    }
    Ok(ClimbedAnchor { anchor, readings, history, newton_steps })
}

/// Motion allowed before a measure counts as stable.
fn tolerance(plan: &Plan, measure: Measure) -> f64 {
    let t = plan.tolerances;
    match measure {
        Measure::Spur(_) | Measure::SpurUp(_) => t.product_db,
        Measure::DcOffset => t.direct_mv,
        Measure::DiodeCurrent { .. } => 0.01,
        Measure::Isolation { .. } | Measure::CarrierLeak => 2.0 * t.wanted_db,
        _ => t.wanted_db,
    }
}

/// The part of a value whose motion is followed: nothing below the floors.
fn followed(plan: &Plan, measure: Measure, value: f64) -> f64 {
    match measure {
        Measure::Spur(_) | Measure::SpurUp(_) => value.max(plan.tolerances.not_claimed_dbc - FOLLOWED_BELOW_FLOOR_DB),
        Measure::Isolation { .. } => value.min(ISOLATION_FOLLOWED_DB),
        Measure::ReturnLoss(_) => value.min(RETURN_LOSS_FOLLOWED_DB),
        Measure::CarrierLeak => value.max(plan.lo_dbm - ISOLATION_FOLLOWED_DB),
        _ => value,
    }
}

/// Replaces a number below its floor by the floor, as a bound without a band.
pub(crate) fn claim(plan: &Plan, mut reading: Reading) -> Reading {
    if is_below_floor(plan, reading.measure, reading.value) {
        reading.value = floor(plan, reading.measure, reading.value);
        reading.quality.is_bound = true;
        reading.quality.numeric_band = None;
    }
    reading
}

/// What is said of a value below its floor.
fn floor(plan: &Plan, measure: Measure, value: f64) -> f64 {
    match measure {
        Measure::Spur(_) | Measure::SpurUp(_) => plan.tolerances.not_claimed_dbc,
        _ => followed(plan, measure, value),
    }
}

fn is_below_floor(plan: &Plan, measure: Measure, value: f64) -> bool {
    match measure {
        Measure::Spur(_) | Measure::SpurUp(_) => value < plan.tolerances.not_claimed_dbc,
        Measure::Isolation { .. } => value > ISOLATION_FOLLOWED_DB,
        Measure::ReturnLoss(_) => value > RETURN_LOSS_FOLLOWED_DB,
        Measure::CarrierLeak => value < plan.lo_dbm - ISOLATION_FOLLOWED_DB,
        _ => false,
    }
}

/// Marks a sum whose terms are much larger than itself.
pub(crate) fn cancellation(mixer: &Mixer, terms: &[Complex64]) -> Option<Cancellation> {
    let sum: Complex64 = terms.iter().sum();
    let magnitudes: f64 = terms.iter().map(|t| t.norm()).sum();
    let ratio_db = 20.0 * (magnitudes / sum.norm()).log10();
    if ratio_db.is_nan() || ratio_db < CANCELLATION_DB {
        return None;
    }
    let mut named: Vec<Term> = terms
        .iter()
        .enumerate()
        .map(|(i, &value)| Term { name: mixer.diode_names.get(i).cloned().unwrap_or("passive path".into()), value })
        .filter(|t| t.value.norm() > 1e-3 * magnitudes / terms.len() as f64)
        .collect();
    named.sort_by(|a, b| b.value.norm().total_cmp(&a.value.norm()));
    Some(Cancellation { ratio_db, terms: named })
}

/// Motion of every measure under the other continuations of the network data, and the share of its
/// sensitivity that lies beyond the data.
fn continued_spreads(
    mixer: &Mixer,
    anchor: &Anchor,
    orders: (usize, usize),
    measures: &[Measure],
) -> Result<BTreeMap<Measure, Continued>, MixerError> {
    let mut out = BTreeMap::new();
    let Some(data_up_to_hz) = mixer.embedding.data_up_to_hz() else { return Ok(out) };
    let mut variants = Vec::new();
    for alternative in &mixer.alternatives {
        let (_, state, _) = mixer.two_tone(
            &alternative.embedding,
            anchor.lo,
            anchor.rf,
            anchor.input,
            orders,
            Some(&anchor.state),
            &Quiet,
        )?;
        variants.push(Anchor { lo: anchor.lo, rf: anchor.rf, input: anchor.input, state });
    }
    for &measure in measures {
        let Some(value) = anchor.value(mixer, measure) else { continue };
        let spread =
            variants.iter().filter_map(|v| v.value(mixer, measure)).map(|v| (v - value).abs()).fold(0.0, f64::max);
        let share = continued_share(mixer, anchor, measure, data_up_to_hz);
        out.insert(measure, Continued { share, spread });
    }
    Ok(out)
}

/// Share of the junction power flow `Σ|V·I*|` of the lane that makes a product which lies beyond
/// the data.
///
/// The lane is the set of lines `n·LO + m·signal` with the measure's own `m`: those are the lines
/// that the conversion matrix couples to it directly.
fn continued_share(mixer: &Mixer, anchor: &Anchor, measure: Measure, data_up_to_hz: f64) -> f64 {
    let m = match measure {
        Measure::Spur(p) | Measure::SpurUp(p) => p.m_rf,
        Measure::ConversionLoss | Measure::ConversionLossUp => anchor.wanted().m_rf,
        Measure::ReturnLoss(PortName::Lo) | Measure::DcOffset | Measure::CarrierLeak => 0,
        Measure::Isolation { from: PortName::Lo, .. } | Measure::DiodeCurrent { .. } => 0,
        _ => 1,
    };
    let basis = anchor.state.basis();
    let (mut beyond, mut all) = (0.0, 0.0);
    for n in -(basis.pump_order as i32)..=basis.pump_order as i32 {
        let f = f64::from(n) * basis.tones_hz[0] + f64::from(m) * basis.tones_hz[1];
        let flow: f64 = (0..mixer.devices.len())
            .filter_map(|j| {
                let v = anchor.state.junction_voltage(j, &[n, m])?;
                let i = anchor.state.junction_current(j, &[n, m])?
                    + anchor.state.displacement_current(j, &[n, m]).unwrap_or_default();
                Some((v * i.conj()).norm())
            })
            .sum();
        all += flow;
        if f.abs() > data_up_to_hz {
            beyond += flow;
        }
    }
    if all > 0.0 { beyond / all } else { 0.0 }
}

/// Products of the grid that fall into the output band at an anchor, the wanted one left out.
pub(crate) fn in_band_products(plan: &Plan, anchor: &Anchor) -> Vec<Product> {
    let band = match anchor.output() {
        PortName::If => plan.if_band_hz(),
        _ => plan.rf_band_hz,
    };
    let inside = |p: &Product| {
        let f = p.frequency_hz(anchor.lo.0, anchor.signal_hz()).abs();
        f >= band.0 && f <= band.1
    };
    let wanted = anchor.wanted();
    grid_products(plan)
        .into_iter()
        .map(|(_, _, _, p)| p)
        .filter(|p| *p != wanted && *p != wanted.mirrored())
        .filter(inside)
        .collect()
}

/// Quality of a small-signal number, with the band borrowed from the nearest climbed anchor.
pub(crate) fn small_signal_quality(
    anchors: &[ClimbedAnchor],
    measure: Measure,
    rf_hz: f64,
    pump_order: usize,
    residual: f64,
) -> Quality {
    let nearest = anchors
        .iter()
        .filter(|a| a.readings.contains_key(&measure))
        .min_by(|a, b| (a.anchor.rf.0 - rf_hz).abs().total_cmp(&(b.anchor.rf.0 - rf_hz).abs()));
    let at = nearest.and_then(|a| a.reading(measure));
    // the sweep keeps fewer harmonics than the climb: what the anchor moved since then is its own
    let since = nearest.and_then(|a| a.motion_since(measure, pump_order));
    let band = at.and_then(|r| r.quality.numeric_band);
    Quality {
        outcome: Outcome::Converged,
        method: Method::SmallSignal,
        numeric_band: band.map(|b| b.max(since.unwrap_or(0.0))),
        orders: (pump_order, 1),
        residual,
        continued: at.and_then(|r| r.quality.continued),
        cancellation: None,
        is_bound: false,
        bands: spec::Bands::default(),
    }
}
