//! Loss, match, isolation and noise over frequency at nominal LO.

use super::{Context, RunResult, curve, ghz_axis, limits_on, plot, reading, section};
use crate::believe::{claim, small_signal_quality};
use crate::mixer::{MixerError, db};
use crate::plan::grid;
use crate::point::{LoState, loss_db};
use balance::{NoiseSettings, ShotLaw, noise_at};
use numerics::{Complex64, parallel};
use spec::{Curve, Item, Locus, Measure, PortName, Reading, SmithPlot, Table};

/// Small-signal numbers at one RF frequency.
pub(crate) struct SmallSignalPoint {
    pub rf_hz: f64,
    pub gamma_rf: Complex64,
    pub gamma_if: Complex64,
    /// Power gains.
    pub down: f64,
    pub down_image: f64,
    pub up: f64,
    pub up_other: f64,
    pub rf_to_if: f64,
    pub rf_to_lo: f64,
    /// LO amplitude noise at the IF offset (both sidebands, unit power together), to the IF.
    pub lo_noise: f64,
    pub residual: f64,
}

/// Sidebands of a signal at `f_RF`: the RF itself, the IF and the image.
const RF: i32 = 0;
const IF: i32 = -1;
const IMAGE: i32 = -2;

/// Linear response of the pumped mixer at one RF.
pub(crate) fn small_signal(ctx: &Context, lo: &LoState, rf_hz: f64) -> Result<SmallSignalPoint, MixerError> {
    let ports = ctx.mixer.ports;
    let in_run = || MixerError::in_run(format!("small signal at {:.6} GHz", rf_hz / 1e9));
    let conversion = lo.pumped.conversion(rf_hz).map_err(in_run())?;
    let inputs = [(ports.rf, RF), (ports.if_, IF), (ports.rf, IMAGE), (ports.lo, RF), (ports.lo, IMAGE)];
    let s = conversion.scattered(&inputs).map_err(in_run())?;
    let [from_rf, from_if, from_image, from_lo_a, from_lo_b] = &s[..] else { unreachable!("five inputs") };
    // amplitude modulation of the LO: equal sidebands with the carrier's phase, half the power each
    let carrier = lo.problem.drives[0].wave;
    let phase = carrier / carrier.norm();
    let lo_am = (from_lo_a.at(ports.if_, IF) * phase + from_lo_b.at(ports.if_, IF) * phase.conj()).norm_sqr() / 2.0;
    Ok(SmallSignalPoint {
        rf_hz,
        gamma_rf: from_rf.at(ports.rf, RF),
        gamma_if: from_if.at(ports.if_, IF),
        down: from_rf.at(ports.if_, IF).norm_sqr(),
        down_image: from_image.at(ports.if_, IF).norm_sqr(),
        up: from_if.at(ports.rf, RF).norm_sqr(),
        up_other: from_if.at(ports.rf, IMAGE).norm_sqr(),
        rf_to_if: from_rf.at(ports.if_, RF).norm_sqr(),
        rf_to_lo: from_rf.at(ports.lo, RF).norm_sqr(),
        lo_noise: lo_am,
        residual: s.iter().map(|x| x.residual).fold(0.0, f64::max),
    })
}

/// Fixed LO, RF swept: loss, flatness, match and isolation.
pub(crate) fn down(ctx: &Context, lo: &LoState) -> RunResult {
    let plan = ctx.plan;
    let frequencies = plan.rf_grid(plan.points);
    let points = parallel::map_watched(&frequencies, &ctx.inside(), "", |&f| small_signal(ctx, lo, f))?;
    let make = |measure: Measure, value: &dyn Fn(&SmallSignalPoint) -> f64| -> Curve {
        let points = points
            .iter()
            .map(|p| {
                let quality = small_signal_quality(ctx.down, measure, p.rf_hz, ctx.order, p.residual);
                let conditions = ctx.mixer.conditions(lo.lo_hz, lo.lo_dbm, p.rf_hz, None);
                (p.rf_hz / 1e9, claim(plan, reading(measure, value(p), conditions, quality)))
            })
            .collect();
        curve("small signal", points)
    };
    let at_level = |measure: Measure| -> Curve {
        let points = ctx.down.iter().filter_map(|a| Some((a.anchor.rf.0 / 1e9, a.reading(measure)?.clone()))).collect();
        curve(format!("RF {:+.0} dBm", plan.signal_dbm), points)
    };
    let x = || ghz_axis("RF");
    let with_level = |measure: Measure, value: &dyn Fn(&SmallSignalPoint) -> f64, title: &str, y: &str| {
        plot(title, x(), y, vec![make(measure, value), at_level(measure)], limits_on(plan, measure))
    };
    let isolation = |from, to| Measure::Isolation { from, to };
    let mut items = vec![
        with_level(Measure::ConversionLoss, &|p| loss_db(p.down), "Conversion loss", "Loss"),
        with_level(
            Measure::ReturnLoss(PortName::Rf),
            &|p| loss_db(p.gamma_rf.norm_sqr()),
            "Return loss, RF pumped",
            "Return loss",
        ),
        with_level(isolation(PortName::Rf, PortName::If), &|p| loss_db(p.rf_to_if), "Isolation RF to IF", "Isolation"),
        with_level(isolation(PortName::Rf, PortName::Lo), &|p| loss_db(p.rf_to_lo), "Isolation RF to LO", "Isolation"),
    ];
    items.push(plot(
        "Wanted and image response",
        x(),
        "Loss",
        vec![make(Measure::ConversionLoss, &|p| loss_db(p.down)), image_curve(ctx, lo, &points)],
        vec![],
    ));
    items.push(Item::Smith(SmithPlot {
        title: "Pumped match at RF and IF".into(),
        reference_ohm: ctx.mixer.embedding.external_ohm(ctx.mixer.ports.rf),
        loci: vec![
            Locus { name: "RF port".into(), points: points.iter().map(|p| (p.rf_hz, p.gamma_rf)).collect() },
            Locus {
                name: "IF port".into(),
                points: points.iter().map(|p| ((p.rf_hz - lo.lo_hz).abs(), p.gamma_if)).collect(),
            },
        ],
    }));
    if let Some(flat) = flatness(&make(Measure::ConversionLoss, &|p| loss_db(p.down))) {
        items.push(Item::Table(Table { title: "Flatness over the band".into(), readings: vec![flat] }));
    }
    Ok(section(
        "down_fixed_lo",
        "Down-conversion, LO fixed",
        format!(
            "RF swept over {:.3}–{:.3} GHz with the LO at {:.3} GHz, {:+.1} dBm; lines: linear response of the pumped \
             state; marks: full balance with the RF at {:+.0} dBm.",
            plan.rf_band_hz.0 / 1e9,
            plan.rf_band_hz.1 / 1e9,
            lo.lo_hz / 1e9,
            lo.lo_dbm,
            plan.signal_dbm
        ),
        items,
    ))
}

/// Loss from the image to the IF, drawn over the RF it belongs to.
fn image_curve(ctx: &Context, lo: &LoState, points: &[SmallSignalPoint]) -> Curve {
    let of = |p: &SmallSignalPoint| {
        let quality = small_signal_quality(ctx.down, Measure::ConversionLoss, p.rf_hz, ctx.order, p.residual);
        let conditions = ctx.mixer.conditions(lo.lo_hz, lo.lo_dbm, 2.0 * lo.lo_hz - p.rf_hz, None);
        (p.rf_hz / 1e9, reading(Measure::ConversionLoss, loss_db(p.down_image), conditions, quality))
    };
    curve("image, on the other side of the LO", points.iter().map(of).collect())
}

/// Largest minus smallest loss of a curve.
pub(crate) fn flatness(loss: &Curve) -> Option<Reading> {
    let by = |a: &&(f64, Reading), b: &&(f64, Reading)| a.1.value.total_cmp(&b.1.value);
    let (low, high) = (loss.points.iter().min_by(by)?, loss.points.iter().max_by(by)?);
    let mut quality = high.1.quality.clone();
    quality.numeric_band = match (low.1.quality.numeric_band, high.1.quality.numeric_band) {
        (Some(a), Some(b)) => Some(a + b),
        _ => None,
    };
    quality.cancellation = None;
    Some(reading(Measure::Flatness, high.1.value - low.1.value, high.1.conditions.clone(), quality))
}

/// IF swept at a fixed LO, both sidebands: up-conversion loss, unwanted sideband, carrier leak.
pub(crate) fn up(ctx: &Context, lo: &LoState) -> RunResult {
    let plan = ctx.plan;
    let frequencies = plan.rf_grid(plan.points);
    let points = parallel::map_watched(&frequencies, &ctx.inside(), "", |&f| small_signal(ctx, lo, f))?;
    let make = |name: &str, is_wanted: bool, value: &dyn Fn(&SmallSignalPoint) -> f64| {
        let points = points
            .iter()
            .map(|p| {
                let m = Measure::ConversionLossUp;
                let quality = small_signal_quality(ctx.up, m, p.rf_hz, ctx.order, p.residual);
                let out_hz = if is_wanted { p.rf_hz } else { 2.0 * lo.lo_hz - p.rf_hz };
                let conditions = ctx.mixer.conditions(lo.lo_hz, lo.lo_dbm, out_hz, None);
                ((p.rf_hz - lo.lo_hz).abs() / 1e9, reading(m, value(p), conditions, quality))
            })
            .collect();
        curve(name, points)
    };
    let at_level = |measure: Measure| {
        let points =
            ctx.up.iter().filter_map(|a| Some((a.anchor.signal_hz() / 1e9, a.reading(measure)?.clone()))).collect();
        curve(format!("IF {:+.0} dBm", plan.signal_dbm), points)
    };
    let items = vec![
        plot(
            "Up-conversion loss",
            ghz_axis("IF"),
            "Loss",
            vec![
                make("wanted sideband", true, &|p| loss_db(p.up)),
                make("other sideband", false, &|p| loss_db(p.up_other)),
                at_level(Measure::ConversionLossUp),
            ],
            limits_on(plan, Measure::ConversionLossUp),
        ),
        plot(
            "LO leaving the RF port",
            ghz_axis("IF"),
            "Level",
            vec![at_level(Measure::CarrierLeak)],
            limits_on(plan, Measure::CarrierLeak),
        ),
    ];
    let text = "IF swept with the LO fixed; the other sideband lies on the far side of the LO. The carrier leak is \
                formed by cancellation: see its terms.";
    Ok(section("up_fixed_lo", "Up-conversion, LO fixed", text, items))
}

/// The LO moves with the RF: IF fixed and RF swept, then RF fixed and IF swept on both sides.
pub(crate) fn moving_lo(ctx: &Context) -> RunResult {
    let plan = ctx.plan;
    let side = (plan.lo_hz - plan.rf_centre_hz()).signum();
    let if_centre = (plan.lo_hz - plan.rf_centre_hz()).abs();
    let (if_low, if_high) = plan.if_band_hz();
    let count = plan.points.div_ceil(4).max(9);
    let mut jobs: Vec<(usize, f64, f64, f64)> = Vec::new();
    for rf in plan.rf_grid(count) {
        jobs.push((0, rf, rf + side * if_centre, rf));
    }
    let if_floor = if_low.min(0.1 * if_high).max(0.02 * if_high);
    for if_hz in grid(if_floor, if_high, count) {
        let rf = plan.rf_centre_hz();
        jobs.push((1, if_hz, rf + if_hz, rf));
        if rf > 1.5 * if_hz {
            jobs.push((2, if_hz, rf - if_hz, rf));
        }
    }
    let done = parallel::map_watched(&jobs, &ctx.inside(), "", |&(kind, x, lo_hz, rf_hz)| {
        let lo = ctx.mixer.pump(lo_hz, plan.lo_dbm, ctx.order, &numerics::Quiet)?;
        let p = small_signal(ctx, &lo, rf_hz)?;
        let quality = small_signal_quality(ctx.down, Measure::ConversionLoss, rf_hz, ctx.order, p.residual);
        let conditions = ctx.mixer.conditions(lo_hz, plan.lo_dbm, rf_hz, None);
        Ok::<_, MixerError>((kind, x / 1e9, reading(Measure::ConversionLoss, loss_db(p.down), conditions, quality)))
    })?;
    let pick = |kind: usize, name: &str| {
        curve(name, done.iter().filter(|d| d.0 == kind).map(|d| (d.1, d.2.clone())).collect())
    };
    let items = vec![
        plot(
            "Loss with the IF fixed",
            ghz_axis("RF"),
            "Loss",
            vec![pick(0, &format!("IF {:.2} GHz", if_centre / 1e9))],
            vec![],
        ),
        plot(
            "Loss with the RF fixed, IF swept by moving the LO",
            ghz_axis("IF"),
            "Loss",
            vec![pick(1, "LO above RF"), pick(2, "LO below RF")],
            vec![],
        ),
    ];
    let text = format!(
        "LO level {:+.1} dBm at every frequency; the second plot shows the asymmetry of the sidebands.",
        plan.lo_dbm
    );
    Ok(section("moving_lo", "Conversion loss, LO moving", text, items))
}

/// Noise figure over RF, single and double sideband, and LO noise reaching the IF.
pub(crate) fn noise(ctx: &Context, lo: &LoState) -> RunResult {
    let plan = ctx.plan;
    let frequencies = plan.rf_grid(plan.anchors.max(13));
    let figures = parallel::map_watched(&frequencies, &ctx.inside(), "", |&rf_hz| noise_figures(ctx, lo, rf_hz))?;
    let make = |name: &str, measure: Measure, pick: &dyn Fn(&Figures) -> f64| {
        let points = figures
            .iter()
            .map(|f| {
                let quality = small_signal_quality(ctx.down, Measure::ConversionLoss, f.rf_hz, ctx.order, 0.0);
                let conditions = ctx.mixer.conditions(lo.lo_hz, lo.lo_dbm, f.rf_hz, None);
                (f.rf_hz / 1e9, reading(measure, pick(f), conditions, quality))
            })
            .collect();
        curve(name, points)
    };
    let items = vec![plot(
        "Noise figure against conversion loss",
        ghz_axis("RF"),
        "Noise figure, loss",
        vec![
            make("SSB, image noise counted", Measure::NoiseFigureSsb, &|f| f.single_db),
            make("DSB", Measure::NoiseFigureDsb, &|f| f.double_db),
            make("conversion loss", Measure::ConversionLoss, &|f| f.loss_db),
        ],
        limits_on(plan, Measure::NoiseFigureSsb),
    )];
    let text = "SSB: signal in one sideband, noise of every sideband of every port counted at 290 K, the output load's \
                own noise at the IF left out. DSB: both sidebands counted as signal. Shot noise of all junctions is \
                correlated between sidebands; series resistances and network losses are thermal at the stated \
                temperature. Hot-electron noise and 1/f noise are not included. The numeric band is that of the \
                conversion loss.";
    Ok(section("noise", "Noise", text, items))
}

/// Noise figures at one RF.
pub(crate) struct Figures {
    pub rf_hz: f64,
    pub single_db: f64,
    pub double_db: f64,
    pub loss_db: f64,
}

pub(crate) fn noise_figures(ctx: &Context, lo: &LoState, rf_hz: f64) -> Result<Figures, MixerError> {
    let in_run = || MixerError::in_run(format!("noise at {:.6} GHz", rf_hz / 1e9));
    let conversion = lo.pumped.conversion(rf_hz).map_err(in_run())?;
    let settings = NoiseSettings { network_temp_k: ctx.mixer.temp_k, port_temp_k: 290.0, shot: ShotLaw::Device };
    let ports = ctx.mixer.ports;
    let budget = noise_at(&conversion, ports.if_, IF, &settings).map_err(in_run())?;
    Ok(Figures {
        rf_hz,
        single_db: db(budget.figure_single(ports.rf, RF)),
        double_db: db(budget.figure_double(ports.rf, RF, IMAGE)),
        loss_db: loss_db(budget.gain_from(ports.rf, RF)),
    })
}
