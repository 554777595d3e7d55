//! Self-heating: junctions warmer than their surroundings by thermal resistance times mean power.
//!
//! Input: a mixer whose junctions are at the temperature of the design, and the parameters of its diodes.
//! Output: the same mixer with every junction at the temperature at which heating and cooling balance under the LO at
//! its nominal level, and a note with these temperatures.
//! Method: pump, power of each diode, next temperatures, again; the rounds contract by thermal resistance times the
//! slope of power over temperature.
//! Not here: series resistances stay at their value; the power of the signal; another temperature at another LO level.

use crate::design::Design;
use crate::error::ProjectError;
use diode::temperature::TEMP_MAX_K;
use diode::{Device, DiodeError, SchottkyParameters};
use mixer::Mixer;
use numerics::Watch;
use quantity::Finding;
use std::sync::Arc;

/// LO harmonics of the pump: power settles with far fewer than spurious products do.
const PUMP_ORDER: usize = 24;
/// Distance from balance that is left, kelvin: changes a current by less than 0.1 %.
const LEFT_K: f64 = 0.01;
/// Rounds allowed; a contraction of one half needs 15 from 300 K to [`LEFT_K`].
const ROUNDS_MAX: usize = 40;

/// Brings every junction to the temperature of its heat balance; nothing changes without thermal resistances. Gives the
/// temperatures, kelvin.
pub(crate) fn settle(
    mixer: &mut Mixer,
    design: &Design,
    diodes: &[SchottkyParameters],
    watch: &dyn Watch,
) -> Result<Vec<f64>, ProjectError> {
    let surroundings_k = design.temperature.si();
    if diodes.iter().all(|d| d.thermal_resistance_k_per_w.unwrap_or(0.0) <= 0.0) {
        return Ok(vec![surroundings_k; diodes.len()]);
    }
    let rs_ohm: Vec<f64> = diodes.iter().map(|d| d.rs_ohm).collect();
    let mut temp_k = vec![surroundings_k; diodes.len()];
    let mut power_w = vec![0.0; diodes.len()];
    let mut step_before_k = f64::INFINITY;
    for round in 0..ROUNDS_MAX {
        let watch = Round { watch, round };
        let lo = mixer.pump(design.plan.lo.si(), design.plan.lo_level.dbm(), PUMP_ORDER, &watch)?;
        power_w = lo.dissipation_w(&rs_ohm);
        let next = next_temperatures(mixer, diodes, &power_w, surroundings_k)?;
        let step_k = next.iter().zip(&temp_k).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        temp_k = next;
        mixer.devices = junctions(mixer, diodes, &temp_k)?;
        // steps shrink as a geometric series: what is left is this one times contraction / (1 − contraction)
        let contraction = step_k / step_before_k;
        if step_k <= LEFT_K * (1.0 - contraction) {
            mixer.findings.push(note(mixer, design, &temp_k, &power_w));
            return Ok(temp_k);
        }
        step_before_k = step_k;
    }
    let hottest = (0..temp_k.len()).fold(0, |h, k| if temp_k[k] > temp_k[h] { k } else { h });
    Err(runaway(mixer, hottest, surroundings_k, temp_k[hottest], power_w[hottest]))
}

fn runaway(mixer: &Mixer, diode: usize, ambient_k: f64, temp_k: f64, power_w: f64) -> ProjectError {
    let source = DiodeError::ThermalRunaway { ambient_k, temp_k, power_w };
    ProjectError::Heat { diode: mixer.diode_names[diode].clone(), source }
}

fn next_temperatures(
    mixer: &Mixer,
    diodes: &[SchottkyParameters],
    power_w: &[f64],
    ambient_k: f64,
) -> Result<Vec<f64>, ProjectError> {
    let of = |(k, (diode, power_w)): (usize, (&SchottkyParameters, &f64))| {
        let temp_k = diode.self_heated_temperature_k(ambient_k, *power_w);
        if temp_k <= TEMP_MAX_K { Ok(temp_k) } else { Err(runaway(mixer, k, ambient_k, temp_k, *power_w)) }
    };
    diodes.iter().zip(power_w).enumerate().map(of).collect()
}

fn junctions(
    mixer: &Mixer,
    diodes: &[SchottkyParameters],
    temp_k: &[f64],
) -> Result<Vec<Arc<dyn Device>>, ProjectError> {
    let of = |((diode, temp_k), name): ((&SchottkyParameters, &f64), &String)| {
        let junction = diode.at_temperature(*temp_k);
        let junction = junction.map_err(|source| ProjectError::Heat { diode: name.clone(), source })?;
        Ok(Arc::new(junction) as Arc<dyn Device>)
    };
    diodes.iter().zip(temp_k).zip(&mixer.diode_names).map(of).collect()
}

fn note(mixer: &Mixer, design: &Design, temp_k: &[f64], power_w: &[f64]) -> Finding {
    let each: Vec<String> = mixer
        .diode_names
        .iter()
        .zip(temp_k)
        .zip(power_w)
        .map(|((name, t), p)| format!("{name} {t:.2} K ({:.3} mW)", p * 1e3))
        .collect();
    let text = format!(
        "junctions warmed by the LO alone at {}, surroundings {:.2} K: {}; every number of this review holds at these \
         temperatures, series resistances at their value",
        design.plan.lo_level,
        design.temperature.si(),
        each.join(", ")
    );
    Finding::note("self-heating", text)
}

/// Passes on the wish to stop; tells the round instead of the steps within.
struct Round<'a> {
    watch: &'a dyn Watch,
    round: usize,
}

impl Watch for Round<'_> {
    fn step(&self, _what: &str, _done: usize, _total: usize) -> Result<(), numerics::Cancelled> {
        self.watch.step("self-heating", self.round, ROUNDS_MAX)
    }
}
