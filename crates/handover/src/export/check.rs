//! The exported module against the harmonic balance of the same rational network.
//!
//! Input: the text of a module, the model and its rational network. Output: direct voltages, LO harmonics at every
//! junction, the converted product, leakage and reflection, by integration in time of the text as read and by harmonic
//! balance, side by side. What agrees here was written down rightly; how far the rational network misses the true one is
//! another question ([`super::fit::consequence`]).
//! LO and RF are chosen commensurate (`RF = LO·p/q`), and the balance has their common frequency as its only tone, so that
//! both sides hold the same lines whatever falls onto them.

use super::fit::Fitted;
use super::reader::read;
use super::transient::{Periodic, Source, TransientSettings, integrate};
use super::verilog::PORTS;
use crate::point::wave_of_dbm;
use crate::{HandoverError, Model};
use balance::{BalanceSettings, Drive, Problem, SteadyState, solve};
use mixer::Plan;
use numerics::{Complex64, Watch};
use std::sync::Arc;

/// What to compare.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckQuestion {
    /// LO frequency, hertz, and level, dBm.
    pub lo: (f64, f64),
    /// RF as a part of the LO: numerator and denominator.
    pub ratio: (usize, usize),
    /// RF level, dBm.
    pub rf_dbm: f64,
    /// LO harmonics kept by the balance.
    pub lo_order: usize,
    /// Relative tolerance of a time step.
    pub tolerance: f64,
    /// Change of a period that counts as repeating.
    pub repeats_within: f64,
    /// Most common periods.
    pub periods_max: usize,
}

/// Largest denominator of the RF as a part of the LO.
const DENOMINATOR_MAX: usize = 16;

impl CheckQuestion {
    /// LO of a plan, an RF inside its band whose ratio to the LO has the smallest denominator, at −20 dBm.
    ///
    /// # Errors
    /// No such RF within a denominator of 16.
    pub fn of(plan: &Plan) -> Result<Self, HandoverError> {
        let (low, high) = plan.rf_band_hz;
        let fits = |&(p, q): &(usize, usize)| {
            let rf = plan.lo_hz * p as f64 / q as f64;
            p != q && rf >= low && rf <= high
        };
        let found = (2..=DENOMINATOR_MAX).flat_map(|q| (1..4 * q).map(move |p| (p, q))).find(fits);
        let ratio = found.ok_or_else(|| {
            HandoverError::mismatch(
                "an RF band with a frequency LO·p/q, q up to 16",
                format!("{low} Hz to {high} Hz with an LO of {} Hz", plan.lo_hz),
                "the check of the exported module",
            )
        })?;
        let lo = (plan.lo_hz, plan.lo_dbm);
        Ok(Self { lo, ratio, rf_dbm: -20.0, lo_order: 48, tolerance: 1e-7, repeats_within: 1e-5, periods_max: 400 })
    }

    /// Frequency all lines are multiples of, hertz.
    pub fn common_hz(&self) -> f64 {
        self.lo.0 / self.ratio.1 as f64
    }

    /// RF, hertz.
    pub fn rf_hz(&self) -> f64 {
        self.common_hz() * self.ratio.0 as f64
    }
}

/// One line by both roads.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What, for example `IF connector, 7 GHz (converted product)`.
    pub name: String,
    /// Peak voltage by integration in time (mean for direct voltages).
    pub integrated_v: Complex64,
    /// By harmonic balance.
    pub balance_v: Complex64,
    /// Whether it is one of the lines that must agree closely: LO harmonics at junctions, product, direct voltage.
    pub counts: bool,
}

impl Line {
    /// Ratio of the magnitudes, dB.
    pub fn difference_db(&self) -> f64 {
        20.0 * (self.integrated_v.norm() / self.balance_v.norm()).log10()
    }

    /// Size of the difference relative to the balance, dB.
    pub fn error_db(&self) -> f64 {
        20.0 * ((self.integrated_v - self.balance_v).norm() / self.balance_v.norm()).log10()
    }
}

/// The comparison.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckReport {
    /// LO and RF, hertz.
    pub tones_hz: (f64, f64),
    /// LO and RF levels, dBm.
    pub levels_dbm: (f64, f64),
    /// The lines.
    pub lines: Vec<Line>,
    /// Common periods integrated.
    pub periods: usize,
    /// Time integrated, second.
    pub time_s: f64,
    /// Steps of the integrator.
    pub steps: usize,
    /// States integrated.
    pub states: usize,
}

impl CheckReport {
    /// Largest difference of the lines that count, dB.
    pub fn worst_db(&self) -> f64 {
        self.lines
            .iter()
            .filter(|l| l.counts && l.balance_v.norm() > VANISHING_V)
            .map(|l| l.difference_db().abs())
            .fold(0.0, f64::max)
    }
}

/// Lines below this voltage vanish by symmetry: a ratio of two roundings says nothing.
const VANISHING_V: f64 = 1e-6;
/// Harmonics of the LO compared at every junction.
const HARMONICS: usize = 5;
/// Samples a common period and LO period.
const SAMPLES: usize = 96;

/// Reads the module, integrates it and solves the balance.
///
/// # Errors
/// A text that cannot be read, a module that cannot be integrated, a steady state that cannot be found, or the wish of
/// `watch` to stop.
pub fn check(
    text: &str,
    model: &Model,
    fitted: &Arc<Fitted>,
    question: &CheckQuestion,
    watch: &dyn Watch,
) -> Result<CheckReport, HandoverError> {
    let circuit = read(text)?;
    let ohm = &fitted.reference_ohm;
    let open_v = |dbm: f64, ohm: f64| 2.0 * ohm.sqrt() * wave_of_dbm(dbm).re;
    let sources = [
        Source { ohm: ohm[0], tones: vec![(question.lo.0, open_v(question.lo.1, ohm[0]))] },
        Source { ohm: ohm[1], tones: vec![(question.rf_hz(), open_v(question.rf_dbm, ohm[1]))] },
        Source { ohm: ohm[2], tones: Vec::new() },
    ];
    let settings = TransientSettings {
        common_hz: question.common_hz(),
        samples: SAMPLES * question.ratio.1,
        tolerance: question.tolerance,
        repeats_within: question.repeats_within,
        periods_max: question.periods_max,
    };
    let junctions: Vec<String> = (1..=model.diodes.len()).map(|j| format!("j{j}")).collect();
    let observed: Vec<&str> = PORTS[..3].iter().copied().chain(junctions.iter().map(String::as_str)).collect();
    let periodic = integrate(&circuit, &sources, &settings, &observed, watch)?;
    let steady = balanced(model, fitted, question)?;
    Ok(CheckReport {
        tones_hz: (question.lo.0, question.rf_hz()),
        levels_dbm: (question.lo.1, question.rf_dbm),
        lines: lines(model, question, &periodic, &steady)?,
        periods: periodic.periods,
        time_s: periodic.periods as f64 / question.common_hz(),
        steps: periodic.steps,
        states: circuit.nodes.len() - circuit.ports.len(),
    })
}

/// Harmonic balance of the rational network on the common frequency.
fn balanced(model: &Model, fitted: &Arc<Fitted>, q: &CheckQuestion) -> Result<SteadyState, HandoverError> {
    let mixer = model.mixer_with(fitted.clone(), model.temp_k, model.terminations.clone())?;
    let drive =
        |port: usize, order: usize, dbm: f64| Drive { port, orders: vec![order as i32], wave: wave_of_dbm(dbm) };
    let problem = Problem {
        embedding: mixer.embedding.clone(),
        devices: mixer.devices.clone(),
        tones_hz: vec![q.common_hz()],
        drives: vec![drive(0, q.ratio.1, q.lo.1), drive(1, q.ratio.0, q.rf_dbm)],
    };
    let settings =
        BalanceSettings { pump_order: q.lo_order * q.ratio.1, signal_order: 0, ..BalanceSettings::default() };
    Ok(solve(&problem, &settings)?.0)
}

fn lines(
    model: &Model,
    q: &CheckQuestion,
    periodic: &Periodic,
    steady: &SteadyState,
) -> Result<Vec<Line>, HandoverError> {
    let (p, d) = q.ratio;
    let missing = || HandoverError::mismatch("lines the balance keeps", "others", "the check of the exported module");
    let hz = |multiple: usize| format!("{} GHz", super::ghz(multiple as f64 * q.common_hz()));
    let mut out = Vec::new();
    let mut port = |index: usize, multiple: usize, what: &str, counts: bool| -> Result<(), HandoverError> {
        let node = periodic.node(PORTS[index]).ok_or_else(missing)?;
        out.push(Line {
            name: format!("{} connector, {} ({what})", ["LO", "RF", "IF"][index], hz(multiple)),
            integrated_v: periodic.line(node, multiple),
            balance_v: steady.port_voltage(index, &[multiple as i32]).ok_or_else(missing)?,
            counts,
        });
        Ok(())
    };
    port(2, 0, "direct voltage", true)?;
    port(2, p.abs_diff(d), "converted product", true)?;
    port(1, p, "RF", true)?;
    port(0, d, "LO", true)?;
    port(1, d, "LO leakage", false)?;
    port(2, d, "LO leakage", false)?;
    port(2, p, "RF leakage", false)?;
    for (j, diode) in model.diodes.iter().enumerate() {
        let node = periodic.node(&format!("j{}", j + 1)).ok_or_else(missing)?;
        for h in 0..=HARMONICS {
            out.push(Line {
                name: format!("junction {}, LO harmonic {h}", super::ascii(&diode.name)),
                integrated_v: periodic.line(node, h * d),
                balance_v: steady.junction_voltage(j, &[(h * d) as i32]).ok_or_else(missing)?,
                counts: true,
            });
        }
    }
    Ok(out)
}
