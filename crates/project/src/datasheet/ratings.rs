//! What a customer must not exceed, and what direct current sees at the ports: computed, not typed in.
//!
//! Input: a model, and the ratings of its diodes from the design. Output: levels at which a diode reaches its rating, and
//! resistances to ground at rest.

use super::is_design;
use crate::design::{CircuitText, Design, DiodeModel};
use crate::error::ProjectError;
use crate::export::Loaded;
use crate::files;
use ::datasheet::{Path as DirectPath, Rating};
use balance::{BalanceSettings, Drive, Problem, SteadyState, solve_from};
use handover::point::wave_of_dbm;
use handover::{HandoverError, Model};
use mixer::{Mixer, Plan};
use network::FrequencyResponse;
use numerics::{CMatrix, Complex64, Quiet, Watch, linear};
use spec::PortName;
use std::path::Path;

/// The design behind a model: the file itself, or the one named, whose hash must stand in the provenance.
pub(super) fn design_of(path: &Path, loaded: &Loaded, named: Option<&Path>) -> Result<Option<Design>, ProjectError> {
    let Some(file) = named.or(Some(path).filter(|p| is_design(p))) else { return Ok(None) };
    let design = files::read_design(file)?;
    if named.is_some() && !is_design(path) {
        let hash = blake3::hash(design.source_text.as_bytes()).to_hex().to_string();
        if !loaded.links.iter().any(|(_, h)| *h == hash) {
            return Err(HandoverError::mismatch(
                "the design file the package was made from (its hash stands in the provenance)",
                format!("another one, hash {}…", &hash[..16]),
                file.display().to_string(),
            )
            .into());
        }
    }
    Ok(Some(design))
}

/// Ratings of one junction.
#[derive(Debug, Clone, Copy)]
struct Limits {
    reverse_v: Option<f64>,
    mean_a: Option<f64>,
}

fn limits(design: &Design, junctions: usize) -> Vec<Limits> {
    let of = |m: Option<&DiodeModel>| Limits {
        reverse_v: m.and_then(|m| m.reverse_rating).map(|v| v.si()),
        mean_a: m.and_then(|m| m.current_rating).map(|a| a.si()),
    };
    match &design.circuit {
        CircuitText::Template { model_idx, .. } => vec![of(design.models.get(*model_idx)); junctions],
        CircuitText::Free(free) => free.diodes.iter().map(|d| of(design.models.get(d.model_idx))).collect(),
    }
}

/// Highest level tried, dBm, and step.
const HIGHEST_DBM: f64 = 27.0;
const STEP_DB: f64 = 1.0;
/// Harmonics kept in the search.
const ORDER: usize = 16;

/// Absolute maximum ratings.
pub(super) fn ratings(
    model: &Model,
    mixer: &Mixer,
    plan: &Plan,
    design: Option<&Design>,
    watch: &dyn Watch,
) -> Result<Vec<Rating>, ProjectError> {
    let Some(design) = design else { return Ok(Vec::new()) };
    let limits = limits(design, model.diodes.len());
    if limits.len() != model.diodes.len() || limits.iter().all(|l| l.reverse_v.is_none() && l.mean_a.is_none()) {
        return Ok(Vec::new());
    }
    let mut out = Vec::new();
    let drives = [
        ("LO level", PortName::Lo, plan.lo_hz, plan.lo_dbm),
        ("RF level, LO off", PortName::Rf, plan.rf_centre_hz(), plan.lo_dbm),
    ];
    for (i, (name, port, hz, from_dbm)) in drives.into_iter().enumerate() {
        watch.step("maximum ratings", i, drives.len())?;
        let (level, why) = highest_level(mixer, port, hz, from_dbm - 6.0, &limits);
        let value = match why {
            Some(_) => format!("{level:+.1} dBm"),
            None => format!("{level:+.0} dBm"),
        };
        let from = why.unwrap_or_else(|| "highest level solved; no diode rating is reached there".into());
        out.push(Rating { name: name.into(), value, from: format!("{from}, at {} GHz", hz / 1e9) });
    }
    let least = |f: &dyn Fn(&Limits) -> Option<f64>| limits.iter().filter_map(f).reduce(f64::min);
    if let Some(v) = least(&|l| l.reverse_v) {
        let rating = format!("{v} V");
        out.push(Rating { name: "Reverse voltage of a junction".into(), value: rating, from: "diode data".into() });
    }
    if let Some(a) = least(&|l| l.mean_a) {
        let rating = format!("{} mA", 1e3 * a);
        out.push(Rating { name: "Mean current of a junction".into(), value: rating, from: "diode data".into() });
    }
    watch.step("maximum ratings", drives.len(), drives.len())?;
    Ok(out)
}

/// Share of a rating used at a solution, and which one.
fn use_of(state: &SteadyState, limits: &[Limits]) -> (f64, &'static str) {
    let mut worst = (0.0, "");
    for (j, l) in limits.iter().enumerate() {
        let reverse = -state.junction_voltage_samples(j).iter().copied().fold(0.0, f64::min);
        let mean = state.junction_current(j, &[0]).map_or(0.0, |i| i.re.abs());
        for (value, limit, why) in [
            (reverse, l.reverse_v, "reverse voltage of a diode reaches its rating"),
            (mean, l.mean_a, "mean current of a diode reaches its rating"),
        ] {
            if let Some(limit) = limit
                && value / limit > worst.0
            {
                worst = (value / limit, why);
            }
        }
    }
    worst
}

/// Level at which the first rating is reached, straight between steps of a decibel; rounded down to a tenth.
fn highest_level(mixer: &Mixer, port: PortName, hz: f64, from_dbm: f64, limits: &[Limits]) -> (f64, Option<String>) {
    let settings = BalanceSettings { pump_order: ORDER, signal_order: 0, ..BalanceSettings::default() };
    let mut before: Option<(f64, f64)> = None;
    let mut start: Option<SteadyState> = None;
    let mut dbm = from_dbm;
    while dbm <= HIGHEST_DBM {
        let problem = Problem {
            embedding: mixer.embedding.clone(),
            devices: mixer.devices.clone(),
            tones_hz: vec![hz],
            drives: vec![Drive { port: mixer.ports.index(port), orders: vec![1], wave: wave_of_dbm(dbm) }],
        };
        // a level that cannot be solved ends the search at the one before
        let Ok((state, _)) = solve_from(&problem, &settings, start.as_ref(), &Quiet) else { break };
        let (used, why) = use_of(&state, limits);
        if used >= 1.0 {
            let level = before.map_or(dbm, |(d, u)| d + STEP_DB * (1.0 - u) / (used - u));
            return ((level * 10.0).floor() / 10.0, Some(why.to_owned()));
        }
        before = Some((dbm, used));
        start = Some(state);
        dbm += STEP_DB;
    }
    (before.map_or(from_dbm, |b| b.0), None)
}

/// Resistance to ground at each connector for direct current, the others terminated, the diodes at rest.
pub(super) fn direct_paths(model: &Model) -> Result<Vec<DirectPath>, ProjectError> {
    let s = model.network.scattering(0.0).map_err(HandoverError::from)?;
    let reference = model.network.reference_ohm();
    let n = s.n_rows();
    let external: Vec<usize> = (0..3).collect();
    let inner: Vec<usize> = (3..n).collect();
    let devices = model.devices_at(model.temp_k)?;
    let reflection = CMatrix::from_fn(inner.len(), inner.len(), |i, j| {
        let ohm = 1.0 / devices[i].at(0.0).conductance_s;
        let r = reference[3 + i];
        let gamma = if ohm.is_finite() { (ohm - r) / (ohm + r) } else { 1.0 };
        Complex64::from(if i == j { gamma } else { 0.0 })
    });
    let (ee, ej) = (s.select(&external, &external), s.select(&external, &inner));
    let (je, jj) = (s.select(&inner, &external), s.select(&inner, &inner));
    // waves back from the diodes: Γ(1 − S_jj Γ)⁻¹ S_je
    let closed = &CMatrix::identity(inner.len()) - &(&jj * &reflection);
    let inside = linear::solve(&closed, &je).map_err(|e| HandoverError::Network(e.into()))?;
    let whole = &ee + &(&ej * &(&reflection * &inside));
    let of = |(p, name): (usize, &str)| {
        let gamma = whole[(p, p)].re;
        let open = 1.0 - gamma;
        let ohm = if open < 1e-10 { f64::INFINITY } else { reference[p] * (1.0 + gamma) / open };
        DirectPath { port: name.into(), ohm: ohm.max(0.0) }
    };
    Ok([(0, "LO"), (1, "RF"), (2, "IF")].into_iter().map(of).collect())
}
