//! What the LO does: match, leakage, harmonics, waveforms, drive level, purity, phase detector.

use super::{Context, RunResult, curve, dbm_axis, ghz_axis, limits_on, plot, reading, section};
use crate::believe::{cancellation, claim, small_signal_quality};
use crate::mixer::{MixerError, dbm, watt};
use crate::plan::grid;
use crate::point::{LoState, loss_db};
use crate::runs::band::{noise_figures, small_signal};
use balance::{Drive, Problem, solve_from};
use numerics::fourier::Fourier;
use numerics::{Complex64, Quiet, parallel};
use spec::{
    Axis, Curve, Item, JunctionWaveform, Measure, Method, Outcome, PortName, Quality, Reading, Table, WaveformPlot,
};
use std::fmt::Write as _;

/// Numbers read from the LO alone.
fn lo_reading(ctx: &Context, lo: &LoState, measure: Measure) -> Option<Reading> {
    let ports = ctx.mixer.ports;
    let level = |port: PortName, n: i32| lo.state.power_out_w(ports.index(port), &[n]).map(dbm);
    let terms = |port: PortName, n: i32| lo.state.wave_out_terms(ports.index(port), &[n]);
    let (value, terms) = match measure {
        Measure::ReturnLoss(PortName::Lo) => {
            let gamma = lo.state.wave_out(ports.lo, &[1])? / lo.state.wave_in(ports.lo, &[1]);
            (loss_db(gamma.norm_sqr()), None)
        }
        Measure::Isolation { to, .. } => (lo.lo_dbm - level(to, 1)?, terms(to, 1)),
        Measure::LoHarmonic { port, n } => (level(port, n as i32)?, terms(port, n as i32)),
        Measure::DcOffset => (lo.state.port_voltage(ports.if_, &[0])?.re * 1e3, terms(PortName::If, 0)),
        Measure::DiodeCurrent { diode } => (lo.state.junction_current(diode as usize, &[0])?.re * 1e3, None),
        _ => return None,
    };
    let quality = Quality {
        outcome: Outcome::Converged,
        method: Method::Balance,
        numeric_band: nominal_band(ctx, lo, measure),
        orders: (ctx.order, 0),
        residual: lo.report.residual,
        continued: None,
        cancellation: terms.and_then(|t| cancellation(ctx.mixer, &t)),
        is_bound: false,
        bands: spec::Bands::default(),
    };
    Some(claim(ctx.plan, reading(measure, value, ctx.mixer.lo_conditions(lo.lo_hz, lo.lo_dbm), quality)))
}

/// Band of the nearest climbed anchor; none away from the LO the anchors were climbed at.
fn nominal_band(ctx: &Context, lo: &LoState, measure: Measure) -> Option<f64> {
    let plan = ctx.plan;
    let is_clean = lo.problem.drives.len() == 1;
    let is_nominal = is_clean && lo.lo_hz == plan.lo_hz && lo.lo_dbm == plan.lo_dbm;
    let anchors = if ctx.down.is_empty() { ctx.up } else { ctx.down };
    let of = |m| small_signal_quality(anchors, m, plan.rf_centre_hz(), ctx.order, 0.0).numeric_band;
    if is_nominal { of(measure) } else { None }
}

const LO_RF: Measure = Measure::Isolation { from: PortName::Lo, to: PortName::Rf };
const LO_IF: Measure = Measure::Isolation { from: PortName::Lo, to: PortName::If };

/// The LO alone, at nominal level and over its frequency band.
pub(crate) fn lo_only(ctx: &Context, lo: &LoState) -> RunResult {
    let plan = ctx.plan;
    let band = plan.lo_band_hz.unwrap_or((0.9 * plan.lo_hz, 1.1 * plan.lo_hz));
    let frequencies = grid(band.0, band.1, plan.points.div_ceil(3).max(9));
    let states =
        parallel::map_watched(&frequencies, &ctx.inside(), "", |&f| ctx.mixer.pump(f, plan.lo_dbm, ctx.order, &Quiet))?;
    let over_frequency = |measure: Measure, name: &str| -> Curve {
        curve(name, states.iter().filter_map(|s| Some((s.lo_hz / 1e9, lo_reading(ctx, s, measure)?))).collect())
    };
    let rl = Measure::ReturnLoss(PortName::Lo);
    let mut readings: Vec<Reading> =
        [rl, LO_RF, LO_IF, Measure::DcOffset].iter().filter_map(|&m| lo_reading(ctx, lo, m)).collect();
    readings.extend(
        (0..ctx.mixer.devices.len()).filter_map(|d| lo_reading(ctx, lo, Measure::DiodeCurrent { diode: d as u32 })),
    );
    let mut harmonics = Vec::new();
    for port in [PortName::Lo, PortName::Rf, PortName::If] {
        harmonics.extend((1..=5).filter_map(|n| lo_reading(ctx, lo, Measure::LoHarmonic { port, n })));
    }
    let items = vec![
        Item::Table(Table { title: "LO alone".into(), readings }),
        plot(
            "Return loss of the LO port",
            ghz_axis("LO"),
            "Return loss",
            vec![over_frequency(rl, "LO port")],
            limits_on(plan, rl),
        ),
        plot(
            "LO leakage",
            ghz_axis("LO"),
            "Isolation",
            vec![over_frequency(LO_RF, "LO to RF"), over_frequency(LO_IF, "LO to IF")],
            limits_on(plan, LO_RF),
        ),
        Item::Waveforms(waveforms(ctx, lo)),
        Item::Table(Table { title: "LO harmonics leaving each port".into(), readings: harmonics }),
    ];
    let text = format!(
        "No signal applied; LO {:+.1} dBm over {:.3}–{:.3} GHz. Leakage and direct voltage are sums that cancel: \
         the terms are listed with each number.",
        plan.lo_dbm,
        band.0 / 1e9,
        band.1 / 1e9
    );
    Ok(section("lo_only", "LO alone", text, items))
}

/// One LO period at every junction.
fn waveforms(ctx: &Context, lo: &LoState) -> WaveformPlot {
    let order = lo.state.basis().pump_order as i32;
    let n = 256;
    let samples = |of: &dyn Fn(i32) -> Option<numerics::Complex64>| -> Vec<f64> {
        (0..n)
            .map(|s| {
                let theta = std::f64::consts::TAU * s as f64 / n as f64;
                (0..=order)
                    .filter_map(|k| Some((of(k)? * numerics::Complex64::from_polar(1.0, f64::from(k) * theta)).re))
                    .sum()
            })
            .collect()
    };
    let junctions = ctx
        .mixer
        .diode_names
        .iter()
        .enumerate()
        .map(|(j, name)| {
            let current_a = samples(&|k| lo.state.junction_current(j, &[k]));
            let displacement = samples(&|k| lo.state.displacement_current(j, &[k]));
            JunctionWaveform {
                name: name.clone(),
                time_s: (0..n).map(|s| s as f64 / (n as f64 * lo.lo_hz)).collect(),
                voltage_v: samples(&|k| lo.state.junction_voltage(j, &[k])),
                total_current_a: current_a.iter().zip(&displacement).map(|(a, b)| a + b).collect(),
                current_a,
            }
        })
        .collect();
    WaveformPlot { title: "Junction voltage and current over one LO period".into(), junctions }
}

/// LO level swept around nominal: loss, match, leakage, noise, direct voltage.
pub(crate) fn lo_level(ctx: &Context) -> RunResult {
    let plan = ctx.plan;
    let levels = grid(plan.lo_dbm - 6.0, plan.lo_dbm + 4.0, 11);
    let rf_hz = plan.rf_centre_hz();
    let done = parallel::map_watched(&levels, &ctx.inside(), "", |&level| {
        let lo = ctx.mixer.pump(plan.lo_hz, level, ctx.order, &Quiet)?;
        let ss = small_signal(ctx, &lo, rf_hz)?;
        let nf = noise_figures(ctx, &lo, rf_hz)?;
        Ok::<_, MixerError>((lo, ss, nf))
    })?;
    let small = |name: &str, measure: Measure, value: &dyn Fn(usize) -> f64| {
        let points = done
            .iter()
            .enumerate()
            .map(|(i, (lo, ss, _))| {
                let quality = small_signal_quality(ctx.down, measure, rf_hz, ctx.order, ss.residual);
                let conditions = ctx.mixer.conditions(lo.lo_hz, lo.lo_dbm, rf_hz, None);
                (lo.lo_dbm, reading(measure, value(i), conditions, quality))
            })
            .collect();
        curve(name, points)
    };
    let large = |name: &str, measure: Measure| {
        curve(name, done.iter().filter_map(|(lo, ..)| Some((lo.lo_dbm, lo_reading(ctx, lo, measure)?))).collect())
    };
    let (rl_rf, rl_lo) = (Measure::ReturnLoss(PortName::Rf), Measure::ReturnLoss(PortName::Lo));
    let items = vec![
        plot(
            "Conversion loss and noise figure",
            dbm_axis("LO level"),
            "Loss, noise figure",
            vec![
                small("conversion loss", Measure::ConversionLoss, &|i| loss_db(done[i].1.down)),
                small("noise figure SSB", Measure::NoiseFigureSsb, &|i| done[i].2.single_db),
            ],
            vec![],
        ),
        plot(
            "Return loss",
            dbm_axis("LO level"),
            "Return loss",
            vec![large("LO port", rl_lo), small("RF port", rl_rf, &|i| loss_db(done[i].1.gamma_rf.norm_sqr()))],
            vec![],
        ),
        plot(
            "LO leakage",
            dbm_axis("LO level"),
            "Isolation",
            vec![large("LO to RF", LO_RF), large("LO to IF", LO_IF)],
            vec![],
        ),
        plot(
            "Direct voltage at the IF port",
            dbm_axis("LO level"),
            "Voltage",
            vec![large("DC offset", Measure::DcOffset)],
            vec![],
        ),
    ];
    let text = format!(
        "RF at {:.3} GHz in the small-signal limit; the nominal level is {:+.1} dBm. Starvation shows in spurs before it shows in loss.",
        rf_hz / 1e9,
        plan.lo_dbm
    );
    Ok(section("lo_level", "LO level", text, items))
}

/// Second harmonic in the LO source, and LO amplitude noise.
pub(crate) fn lo_purity(ctx: &Context, clean: &LoState) -> RunResult {
    let plan = ctx.plan;
    let levels = grid(-40.0, -10.0, 7);
    let mut jobs = Vec::new();
    for &phase_deg in &[0.0, 90.0, 180.0, 270.0] {
        jobs.extend(levels.iter().map(|&dbc| (phase_deg, dbc)));
    }
    let done = parallel::map_watched(&jobs, &ctx.inside(), "", |&(phase_deg, dbc)| {
        let mut problem = clean.problem.clone();
        problem.drives.push(Drive::tone(
            ctx.mixer.ports.lo,
            vec![2],
            watt(plan.lo_dbm + dbc),
            f64::to_radians(phase_deg),
        ));
        let settings = crate::point::settings(ctx.order, 0);
        let in_run = || MixerError::in_run("LO with second harmonic");
        let (state, report) = solve_from(&problem, &settings, Some(&clean.state), &Quiet).map_err(in_run())?;
        let pumped = balance::PumpedState::new(&problem, &state, settings.dense_order).map_err(in_run())?;
        Ok::<_, MixerError>(LoState { problem, state, report, pumped, ..*clean })
    })?;
    let over_level = |measure: Measure| -> Vec<Curve> {
        [0.0, 90.0, 180.0, 270.0]
            .iter()
            .map(|&phase| {
                let points = jobs
                    .iter()
                    .zip(&done)
                    .filter(|(j, _)| j.0 == phase)
                    .filter_map(|(j, s)| Some((j.1, dirty(j, lo_reading(ctx, s, measure)?))))
                    .collect();
                curve(format!("phase {phase:.0}°"), points)
            })
            .collect()
    };
    let noise = parallel::map_watched(&plan.rf_grid(25), &ctx.inside(), "", |&f| small_signal(ctx, clean, f))?;
    let rejection = noise
        .iter()
        .map(|p| {
            let mut quality = small_signal_quality(ctx.down, LO_IF, p.rf_hz, ctx.order, p.residual);
            quality.numeric_band = None;
            let conditions = ctx.mixer.conditions(clean.lo_hz, clean.lo_dbm, p.rf_hz, None);
            let value = loss_db(p.lo_noise);
            ((p.rf_hz - clean.lo_hz).abs() / 1e9, reading(Measure::LoNoiseRejection, value, conditions, quality))
        })
        .collect();
    let x = || Axis { label: "second harmonic of the LO source".into(), unit: "dBc".into() };
    let items = vec![
        plot("LO to RF isolation", x(), "Isolation", over_level(LO_RF), vec![]),
        plot("Direct voltage at the IF port", x(), "Voltage", over_level(Measure::DcOffset), vec![]),
        plot(
            "LO amplitude noise",
            ghz_axis("distance from the LO"),
            "Rejection",
            vec![curve("LO port to IF port", rejection)],
            vec![],
        ),
    ];
    let text = "A second harmonic enters at the LO port together with the LO, at four phases. Isolation and direct \
                voltage are the first to notice. Amplitude noise: two equal sidebands around the LO in phase with it; \
                only imbalance lets them reach the IF.";
    Ok(section("lo_purity", "LO purity", text, items))
}

/// Says in the conditions that the LO was not clean.
fn dirty(&(phase_deg, dbc): &(f64, f64), mut reading: Reading) -> Reading {
    let _ = write!(reading.conditions.terminations, "; LO second harmonic {dbc:.0} dBc at {phase_deg:.0}°");
    reading
}

/// RF at the LO frequency: the mixer as a phase detector.
pub(crate) fn phase_detector(ctx: &Context, clean: &LoState) -> RunResult {
    let plan = ctx.plan;
    let phases: Vec<f64> = grid(-180.0, 180.0, 37);
    let volts = parallel::map_watched(&phases, &ctx.inside(), "", |&phase_deg| {
        let mut problem: Problem = clean.problem.clone();
        problem.drives.push(Drive::tone(
            ctx.mixer.ports.rf,
            vec![1],
            watt(plan.signal_dbm),
            f64::to_radians(phase_deg),
        ));
        let (state, _) = solve_from(&problem, &crate::point::settings(ctx.order, 0), Some(&clean.state), &Quiet)
            .map_err(MixerError::in_run(format!("phase detector at {phase_deg:.0}°")))?;
        Ok::<_, MixerError>(state.port_voltage(ctx.mixer.ports.if_, &[0]).map_or(f64::NAN, |v| v.re * 1e3))
    })?;
    let quality = Quality {
        outcome: Outcome::Converged,
        method: Method::Balance,
        numeric_band: small_signal_quality(ctx.down, Measure::DcOffset, plan.lo_hz, ctx.order, 0.0).numeric_band,
        orders: (ctx.order, 0),
        residual: clean.report.residual,
        continued: None,
        cancellation: None,
        is_bound: false,
        bands: spec::Bands::default(),
    };
    let conditions = ctx.mixer.conditions(plan.lo_hz, plan.lo_dbm, plan.lo_hz, Some(plan.signal_dbm));
    let make = |measure, value| reading(measure, value, conditions.clone(), quality.clone());
    let points: Vec<_> =
        phases.iter().zip(&volts).map(|(&p, &v)| (p, make(Measure::PhaseDetectorVoltage, v))).collect();
    let (slope, slope_band) = steepest(&volts[..volts.len() - 1]);
    let mut slope_reading = make(Measure::PhaseDetectorSlope, slope);
    slope_reading.quality.numeric_band = Some(slope_band);
    let items = vec![
        plot(
            "Voltage against phase",
            Axis { label: "phase of the RF against the LO".into(), unit: "deg".into() },
            "Voltage at IF",
            vec![curve(format!("RF {:+.0} dBm", plan.signal_dbm), points)],
            vec![],
        ),
        Item::Table(Table {
            title: "Phase detector".into(),
            readings: vec![
                lo_reading(ctx, clean, Measure::DcOffset).unwrap_or_else(|| make(Measure::DcOffset, f64::NAN)),
                slope_reading,
            ],
        }),
    ];
    let text = "RF and LO at one frequency, phase swept; the offset without RF shifts the zero. The slope is the \
                steepest of the curve.";
    Ok(section("phase_detector", "DC offset and phase detector", text, items))
}

/// Steepest slope, per degree, of a curve sampled over one turn, and its distance from the slope
/// found with every second sample: derivative of the interpolating Fourier sum.
fn steepest(samples: &[f64]) -> (f64, f64) {
    let slope = |samples: &[f64]| {
        let n = samples.len();
        let mut c: Vec<Complex64> = samples.iter().map(|&x| x.into()).collect();
        Fourier::new(&[n]).coefficients(&mut c);
        let at = |theta: f64| -> f64 {
            (1..n.div_ceil(2))
                .map(|k| (Complex64::new(0.0, k as f64) * c[k] * Complex64::from_polar(2.0, k as f64 * theta)).re)
                .sum()
        };
        (0..720).map(|i| at(f64::from(i) * std::f64::consts::PI / 360.0).abs()).fold(0.0, f64::max).to_radians()
    };
    let coarse: Vec<f64> = samples.iter().step_by(2).copied().collect();
    let fine = slope(samples);
    (fine, (fine - slope(&coarse)).abs())
}
