//! Sweeps of a model: many cases of frequency, level and termination, the same numbers for each.
//!
//! Input: a model, what stands around it, and cases: LO, RF, level, reflections at single frequencies. Output: one
//! [`Answer`] a case, in the order of the cases, and what lay outside the validity region.
//! Small-signal numbers come from the state pumped by the LO alone; products from a full balance of LO and signal.
//! Cases that stand side by side with one LO and one set of reflections share their pumped state.

use crate::error::ProjectError;
use crate::surround::LoSource;
use handover::point::{IF, Lo, Pumped, RF, pump, two_tone, wave_of_dbm};
use handover::{HandoverError, Model, Span, Surrounded, Surroundings};
use mixer::Mixer;
use numerics::{Complex64, Watch, parallel};
use quantity::Finding;
use spec::{Measure, PortName, Product};
use std::sync::Arc;

/// A reflection at one frequency, directly at a connector.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Termination {
    /// Connector.
    pub port: PortName,
    /// Frequency, hertz.
    pub freq_hz: f64,
    /// Reflection towards the model, magnitude at most one.
    pub gamma: Complex64,
}

/// One case.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// The LO.
    pub lo: Lo,
    /// RF, hertz; in both directions.
    pub rf_hz: f64,
    /// Level of the signal at its input, dBm; matters for products only.
    pub signal_dbm: f64,
    /// Reflections.
    pub terminations: Vec<Termination>,
}

impl Case {
    /// IF that belongs to the RF, hertz.
    pub fn if_hz(&self) -> f64 {
        (self.rf_hz - self.lo.hz).abs()
    }
}

/// Names of lines of the spectrum at which a termination may reflect.
pub const LINES: [&str; 8] = ["rf", "if", "image", "sum", "lo", "2lo", "3lo", "4lo"];

/// Frequency of a line of the spectrum by its name, hertz.
///
/// # Errors
/// A name that is none of [`LINES`].
pub fn line_hz(name: &str, lo_hz: f64, rf_hz: f64) -> Result<f64, ProjectError> {
    Ok(match name {
        "rf" => rf_hz,
        "if" => (lo_hz - rf_hz).abs(),
        "image" => (2.0 * lo_hz - rf_hz).abs(),
        "sum" => lo_hz + rf_hz,
        "lo" => lo_hz,
        "2lo" => 2.0 * lo_hz,
        "3lo" => 3.0 * lo_hz,
        "4lo" => 4.0 * lo_hz,
        other => {
            let expected = format!("one of {}", LINES.join(", "));
            return Err(HandoverError::mismatch(expected, format!("`{other}`"), "the line of a termination").into());
        }
    })
}

/// What is asked of every case.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// The signal enters at the IF.
    pub is_up: bool,
    /// LO harmonics kept.
    pub lo_order: usize,
    /// Noise figures too.
    pub noise: bool,
    /// Solve again with twice the LO harmonics and tell how far the loss moves.
    pub band: bool,
    /// Products whose level is asked; they need a full balance.
    pub products: Vec<Product>,
    /// LO and signal orders of that balance.
    pub orders: (usize, usize),
}

/// LO harmonics kept unless asked otherwise: loss stands still to 0.01 dB from here on.
pub const LO_ORDER: usize = 16;
/// LO and signal orders of the full balance unless asked otherwise.
pub const ORDERS: (usize, usize) = (12, 5);

impl Default for Asked {
    fn default() -> Self {
        Self { is_up: false, lo_order: LO_ORDER, noise: false, band: false, products: Vec::new(), orders: ORDERS }
    }
}

/// The numbers of one case.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// Small-signal conversion loss, dB.
    pub loss_db: f64,
    /// How far the loss moves with twice the LO harmonics, dB; none when not asked.
    pub loss_band_db: Option<f64>,
    /// Single-sideband noise figure, every source at 290 K, dB; none when not asked or withheld by the maker.
    pub noise_db: Option<f64>,
    /// Reflections of the pumped ports LO, RF and IF at their own frequencies.
    pub reflection: [Complex64; 3],
    /// Isolation from LO to RF, LO to IF, and from the input to the output at the frequency of the input, dB.
    pub isolation_db: [f64; 3],
    /// Direct voltage at the IF port, LO alone, millivolt.
    pub offset_mv: f64,
    /// Conversion loss at the level of the case, dB; none without products.
    pub full_loss_db: Option<f64>,
    /// Levels of the products, dBc.
    pub products_dbc: Vec<f64>,
}

impl Answer {
    /// Return losses of the pumped ports LO, RF and IF, dB.
    pub fn return_loss_db(&self) -> [f64; 3] {
        self.reflection.map(loss_of)
    }
}

/// Carries out the cases.
///
/// # Errors
/// Cases that make no sense or lie outside the region when the maker chose to refuse, a steady state that cannot be found,
/// or the wish of `watch` to stop.
pub fn run(
    model: &Model,
    around: &Surroundings,
    lo_source: &LoSource,
    temp_k: f64,
    cases: &[Case],
    asked: &Asked,
    watch: &dyn Watch,
) -> Result<(Vec<Answer>, Vec<Finding>), ProjectError> {
    check(cases, asked)?;
    let findings = model.region.enforce(departures(model, temp_k, cases, asked))?;
    let groups = groups(cases);
    let answers = parallel::map_watched(&groups, watch, "cases", |group| {
        let group = &cases[group.clone()];
        let mixer = mixer_of(model, around, temp_k, &group[0].terminations)?;
        let lo = group[0].lo;
        let harmonics: Vec<(u32, Complex64)> = lo_source
            .harmonics
            .iter()
            .map(|&(n, dbc, phase)| (n, wave_of_dbm(lo.dbm) * Complex64::from_polar(10f64.powf(dbc / 20.0), phase)))
            .collect();
        let pumped = pump(&mixer, lo, &harmonics, asked.lo_order, None)?;
        let finer = asked.band.then(|| pump(&mixer, lo, &harmonics, 2 * asked.lo_order, None)).transpose()?;
        group
            .iter()
            .map(|case| {
                let mut answer = small_signal(model, &mixer, &pumped, case, asked, temp_k)?;
                if let Some(finer) = &finer {
                    answer.loss_band_db =
                        Some((loss_db(&mixer, finer, case.rf_hz, asked.is_up)? - answer.loss_db).abs());
                }
                full_level(&mixer, &harmonics, case, asked, &mut answer)?;
                Ok(answer)
            })
            .collect::<Result<Vec<_>, ProjectError>>()
    })?;
    Ok((answers.into_iter().flatten().collect(), findings))
}

fn check(cases: &[Case], asked: &Asked) -> Result<(), ProjectError> {
    let refuse = |expected: &str, found: String| {
        Err(ProjectError::Handover(HandoverError::mismatch(expected, found, "the sweep")))
    };
    let most = |pick: fn(&Product) -> i32| asked.products.iter().map(|p| pick(p).unsigned_abs() as usize).max();
    if asked.lo_order == 0 || asked.lo_order > 128 {
        return refuse("1 to 128 LO harmonics", asked.lo_order.to_string());
    }
    if most(|p| p.n_lo) > Some(asked.orders.0) || most(|p| p.m_rf) > Some(asked.orders.1) {
        let expected =
            format!("products up to order {} of the LO and {} of the signal", asked.orders.0, asked.orders.1);
        return refuse(&expected, format!("{:?}", asked.products));
    }
    for case in cases {
        let sound = |x: f64| x.is_finite() && x > 0.0;
        if !(sound(case.lo.hz) && sound(case.rf_hz) && case.lo.dbm.is_finite() && case.signal_dbm.is_finite()) {
            let found =
                format!("LO {} Hz {} dBm, RF {} Hz {} dBm", case.lo.hz, case.lo.dbm, case.rf_hz, case.signal_dbm);
            return refuse("positive finite frequencies and finite levels", found);
        }
        if let Some(t) = case.terminations.iter().find(|t| !sound(t.freq_hz)) {
            return refuse("a positive finite frequency of the termination", format!("{} Hz", t.freq_hz));
        }
    }
    Ok(())
}

/// What lies outside the region, all cases together.
fn departures(model: &Model, temp_k: f64, cases: &[Case], asked: &Asked) -> Vec<String> {
    let region = &model.region;
    let mut out: Vec<String> = region.temperature_departure(temp_k).into_iter().collect();
    if cases.is_empty() {
        return out;
    }
    let span = |value: &dyn Fn(&Case) -> f64| {
        let ends = (f64::INFINITY, f64::NEG_INFINITY);
        cases.iter().map(value).fold(ends, |(a, b), x| (a.min(x), b.max(x)))
    };
    let most = |pick: fn(&Product) -> i32| asked.products.iter().map(|p| pick(p).unsigned_abs()).max().unwrap_or(0);
    out.extend(region.departures_of(&Span {
        lo_hz: span(&|c| c.lo.hz),
        lo_dbm: span(&|c| c.lo.dbm),
        rf_hz: span(&|c| c.rf_hz),
        if_hz: span(&Case::if_hz),
        signal_dbm: if asked.products.is_empty() { -300.0 } else { span(&|c| c.signal_dbm).1 },
        orders: (most(|p| p.m_rf), most(|p| p.n_lo)),
    }));
    let gammas = cases.iter().flat_map(|c| &c.terminations).map(|t| t.gamma.norm());
    out.extend(region.reflection_departure(gammas.fold(0.0, f64::max)));
    out
}

/// Neighbours with one LO and one set of reflections.
fn groups(cases: &[Case]) -> Vec<std::ops::Range<usize>> {
    let mut out: Vec<std::ops::Range<usize>> = Vec::new();
    for (i, case) in cases.iter().enumerate() {
        match out.last_mut() {
            Some(last) if cases[last.start].lo == case.lo && cases[last.start].terminations == case.terminations => {
                last.end = i + 1;
            }
            _ => out.push(i..i + 1),
        }
    }
    out
}

fn mixer_of(
    model: &Model,
    around: &Surroundings,
    temp_k: f64,
    terminations: &[Termination],
) -> Result<Mixer, ProjectError> {
    let around = terminations.iter().fold(around.clone(), |a, t| a.with_reflection(t.port, t.freq_hz, t.gamma));
    let network = Arc::new(Surrounded::new(model.network.clone(), &around)?);
    Ok(model.mixer_with(network, temp_k, "as swept".into())?)
}

/// Input port and sideband, output port and sideband.
fn ways(mixer: &Mixer, is_up: bool) -> ((usize, i32), (usize, i32)) {
    let (rf, if_) = ((mixer.ports.rf, RF), (mixer.ports.if_, IF));
    if is_up { (if_, rf) } else { (rf, if_) }
}

fn loss_of(wave: Complex64) -> f64 {
    -20.0 * wave.norm().log10()
}

fn loss_db(mixer: &Mixer, pumped: &Pumped, rf_hz: f64, is_up: bool) -> Result<f64, ProjectError> {
    let (input, output) = ways(mixer, is_up);
    let s = pumped.state.conversion(rf_hz)?.scattered(&[input])?;
    Ok(loss_of(s[0].at(output.0, output.1)))
}

fn small_signal(
    model: &Model,
    mixer: &Mixer,
    pumped: &Pumped,
    case: &Case,
    asked: &Asked,
    temp_k: f64,
) -> Result<Answer, ProjectError> {
    let ports = mixer.ports;
    let (input, output) = ways(mixer, asked.is_up);
    let conversion = pumped.state.conversion(case.rf_hz)?;
    let s = conversion.scattered(&[(ports.rf, RF), (ports.if_, IF)])?;
    let from_input = &s[usize::from(asked.is_up)];
    let noise_db = if asked.noise && !model.terms.noise_withheld {
        let settings =
            balance::NoiseSettings { network_temp_k: temp_k, port_temp_k: 290.0, shot: balance::ShotLaw::Device };
        let budget = balance::noise_at(&conversion, output.0, output.1, &settings)?;
        Some(10.0 * budget.figure_single(input.0, input.1).log10())
    } else {
        None
    };
    let steady = &pumped.steady;
    let leak =
        |port: usize| case.lo.dbm - steady.power_out_w(port, &[1]).map_or(f64::NAN, |w| 10.0 * (w / 1e-3).log10());
    let lo = steady.wave_out(ports.lo, &[1]).unwrap_or_default() / steady.wave_in(ports.lo, &[1]);
    Ok(Answer {
        loss_db: loss_of(from_input.at(output.0, output.1)),
        loss_band_db: None,
        noise_db,
        reflection: [lo, s[0].at(ports.rf, RF), s[1].at(ports.if_, IF)],
        isolation_db: [leak(ports.rf), leak(ports.if_), loss_of(from_input.at(output.0, input.1))],
        offset_mv: steady.port_voltage(ports.if_, &[0]).map_or(f64::NAN, |v| v.re * 1e3),
        full_loss_db: None,
        products_dbc: Vec::new(),
    })
}

fn full_level(
    mixer: &Mixer,
    harmonics: &[(u32, Complex64)],
    case: &Case,
    asked: &Asked,
    answer: &mut Answer,
) -> Result<(), ProjectError> {
    if asked.products.is_empty() {
        return Ok(());
    }
    let input = if asked.is_up { PortName::If } else { PortName::Rf };
    let anchor = two_tone(mixer, case.lo, harmonics, (case.rf_hz, case.signal_dbm), input, asked.orders, None)?;
    let loss = if asked.is_up { Measure::ConversionLossUp } else { Measure::ConversionLoss };
    answer.full_loss_db = anchor.value(mixer, loss);
    answer.products_dbc = asked
        .products
        .iter()
        .map(|&p| {
            let measure = if asked.is_up { Measure::SpurUp(p) } else { Measure::Spur(p) };
            anchor.value(mixer, measure).unwrap_or(f64::NAN)
        })
        .collect();
    Ok(())
}
