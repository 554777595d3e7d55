//! The challenge set: seeded operating points at which a model is compared with the design it stands for.
//!
//! Input: the design's mixer at any temperature, its model, a seed. Output: the worst difference of each kind of number.
//! Frequencies, levels, temperatures and terminations are drawn evenly from the validity region; terminations are
//! reflections of any phase at the image, at two LO harmonics and at the sum, the same for both sides.

use crate::point::{Lo, compared, two_tone};
use crate::surround::{Surrounded, Surroundings};
use crate::{Challenge, HandoverError, Model};
use mixer::{Direction, Mixer};
use network::FrequencyResponse;
use numerics::{Complex64, Watch, parallel};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use spec::{Measure, PortName};
use std::collections::BTreeMap;
use std::sync::Arc;

/// LO and signal orders of the comparison; both sides are cut alike, so that only the network differs.
const ORDERS: (usize, usize) = (16, 5);
/// Levels below which a product is not compared, dBc.
const NOT_COMPARED_DBC: f64 = -100.0;
/// Isolation above which nothing but rounding is left, as in a perfectly symmetric mixer, dB.
const NOTHING_DB: f64 = 200.0;

/// One drawn operating point.
struct Point {
    lo: Lo,
    rf: (f64, f64),
    input: PortName,
    temp_k: f64,
    surroundings: Surroundings,
}

/// A number from 0 (included) to 1.
pub(crate) fn uniform(rng: &mut Pcg64) -> f64 {
    // 53 bits of the draw, the mantissa of a double
    (rng.next_u64() >> 11) as f64 / (1u64 << 53) as f64
}

pub(crate) fn between(rng: &mut Pcg64, (a, b): (f64, f64)) -> f64 {
    a + (b - a) * uniform(rng)
}

/// A point of the disc `|Γ| ≤ rho`, evenly over its area.
pub(crate) fn reflection(rng: &mut Pcg64, rho: f64) -> Complex64 {
    Complex64::from_polar(rho * uniform(rng).sqrt(), std::f64::consts::TAU * uniform(rng))
}

fn draw(model: &Model, rng: &mut Pcg64, index: usize) -> Point {
    let r = &model.region;
    let plan = &model.plans[index % model.plans.len()].plan;
    let lo = Lo { hz: between(rng, r.lo_hz), dbm: between(rng, r.lo_dbm) };
    // the RF must not fall on the LO
    let rf_hz = loop {
        let f = between(rng, r.rf_hz);
        if (f - lo.hz).abs() > 0.01 * lo.hz {
            break f;
        }
    };
    let input = match plan.direction {
        Direction::Down => PortName::Rf,
        Direction::Up => PortName::If,
        Direction::Both => [PortName::Rf, PortName::If][index % 2],
    };
    let signal_dbm = between(rng, (r.signal_dbm_max - 20.0, r.signal_dbm_max));
    let temp_k = between(rng, r.temp_k);
    let mut surroundings = Surroundings::default();
    let rho = 0.95 * r.reflection_max;
    for (port, freq_hz) in [
        (PortName::Rf, (2.0 * lo.hz - rf_hz).abs()),
        (PortName::Rf, lo.hz + rf_hz),
        (PortName::Lo, 2.0 * lo.hz),
        (PortName::Rf, 3.0 * lo.hz),
    ] {
        surroundings = surroundings.with_reflection(port, freq_hz, reflection(rng, rho));
    }
    Point { lo, rf: (rf_hz, signal_dbm), input, temp_k, surroundings }
}

/// Compares a model with its design at `count` operating points.
///
/// `design_at` gives the design's mixer at a temperature of the surroundings, kelvin. A point at which neither side
/// finds a steady state is not counted; one at which only one side does is an error.
///
/// # Errors
/// Points at which only one of both has an answer, or the wish of `watch` to stop.
pub fn challenge(
    model: &Model,
    design_at: &(dyn Fn(f64) -> Result<Mixer, HandoverError> + Sync),
    seed: u64,
    count: usize,
    watch: &dyn Watch,
) -> Result<Challenge, HandoverError> {
    let mut rng = Pcg64::seed_from_u64(seed);
    let points: Vec<Point> = (0..count).map(|i| draw(model, &mut rng, i)).collect();
    let differences = parallel::map_watched(&points, watch, "challenge set", |p| compare(model, design_at, p))?;
    let count = differences.iter().filter(|d| !d.is_empty()).count();
    let mut worst: BTreeMap<(&'static str, &'static str), f64> = BTreeMap::new();
    for (kind, unit, difference) in differences.into_iter().flatten() {
        let w = worst.entry((kind, unit)).or_default();
        // a difference that is no number must not hide
        if difference.is_nan() || difference > *w {
            *w = difference;
        }
    }
    let worst = worst.into_iter().map(|((kind, unit), w)| (kind.to_string(), unit.to_string(), w)).collect();
    let r = &model.region;
    let text = format!(
        "LO {:.3} to {:.3} GHz at {:+.1} to {:+.1} dBm, RF {:.3} to {:.3} GHz, input {:+.1} to {:+.1} dBm, {:.1} to {:.1} K, \
         reflections up to {:.2} of any phase at image, sum, second and third LO harmonic; products above {:.0} dBc; both \
         sides cut at {} LO and {} signal orders",
        r.lo_hz.0 / 1e9,
        r.lo_hz.1 / 1e9,
        r.lo_dbm.0,
        r.lo_dbm.1,
        r.rf_hz.0 / 1e9,
        r.rf_hz.1 / 1e9,
        r.signal_dbm_max - 20.0,
        r.signal_dbm_max,
        r.temp_k.0,
        r.temp_k.1,
        0.95 * r.reflection_max,
        NOT_COMPARED_DBC,
        ORDERS.0,
        ORDERS.1
    );
    Ok(Challenge { seed, points: count, worst, text })
}

fn compare(
    model: &Model,
    design_at: &(dyn Fn(f64) -> Result<Mixer, HandoverError> + Sync),
    p: &Point,
) -> Result<Vec<(&'static str, &'static str, f64)>, HandoverError> {
    let design = design_at(p.temp_k)?;
    let original: Arc<dyn FrequencyResponse> = Arc::new(crate::model::Rearranged::new(&design));
    let around = |inner: Arc<dyn FrequencyResponse>| -> Result<_, HandoverError> {
        Ok(Arc::new(Surrounded::new(inner, &p.surroundings)?))
    };
    // only the network differs: the junctions of both sides are those of their own temperature law
    let theirs = Mixer {
        embedding: Arc::new(balance::Embedding::new(around(original)?, model.diodes.len())?),
        ports: crate::PORTS,
        ..design
    };
    let ours = model.mixer_with(around(model.network.clone())?, p.temp_k, String::new())?;
    let solve = |m: &Mixer| two_tone(m, p.lo, &[], p.rf, p.input, ORDERS, None);
    let (a, b) = match (solve(&theirs), solve(&ours)) {
        (Ok(a), Ok(b)) => (a, b),
        (Err(_), Err(_)) => return Ok(Vec::new()),
        (Err(e), Ok(_)) | (Ok(_), Err(e)) => return Err(e),
    };
    let mut out = Vec::new();
    for measure in compared(p.input, model.region.orders, a.wanted()) {
        let (Some(x), Some(y)) = (a.value(&theirs, measure), b.value(&ours, measure)) else { continue };
        let is_spur = matches!(measure, Measure::Spur(_) | Measure::SpurUp(_));
        let is_isolation = matches!(measure, Measure::Isolation { .. });
        if is_spur && x < NOT_COMPARED_DBC || is_isolation && x.min(y) > NOTHING_DB {
            continue;
        }
        out.push((kind(measure), measure.unit(), (x - y).abs()));
    }
    Ok(out)
}

fn kind(measure: Measure) -> &'static str {
    match measure {
        Measure::ConversionLoss | Measure::ConversionLossUp => "conversion loss",
        Measure::ReturnLoss(_) => "return loss",
        Measure::Isolation { .. } => "isolation",
        Measure::DcOffset => "DC offset",
        _ => "products",
    }
}
