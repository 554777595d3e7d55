//! A filter that reflects the image: at which line lengths it hurts, and what image recovery can gain.
//!
//! Input: a model, an LO, RF frequencies, the reflection of the filter outside its band and the line between. Output:
//! loss against length from the exact map of the image alone and from the whole filter re-solved, the lengths to keep
//! out of, and loss and noise against the phase of an image reflection.

use crate::mobius::{joined, lengths_in_arcs};
use crate::point::{IF, IMAGE, Lo, RF, pump};
use crate::study::{Line, Place, sidebands};
use crate::surround::{Part, Surrounded, Surroundings};
use crate::{HandoverError, Model};
use balance::{NoiseSettings, ShotLaw, noise_at};
use numerics::{Complex64, Watch, parallel};
use spec::PortName;
use std::f64::consts::TAU;
use std::sync::Arc;

/// LO harmonics kept: loss stands still to 0.01 dB from here on.
const LO_ORDER: usize = 16;
const LIGHT_SPEED_M_PER_S: f64 = quantity::constants::LIGHT_SPEED_M_PER_S;

/// A reflecting filter on a line at the RF connector.
#[derive(Debug, Clone, PartialEq)]
pub struct FilterQuestion {
    /// The LO.
    pub lo: Lo,
    /// RF frequencies looked at, hertz.
    pub rf_hz: Vec<f64>,
    /// Band the filter passes, hertz.
    pub pass_hz: (f64, f64),
    /// Its reflection outside the band at its own plane.
    pub gamma: Complex64,
    /// Effective permittivity of the line.
    pub permittivity: f64,
    /// Longest line, metre.
    pub length_max_m: f64,
    /// Loss that must not be exceeded anywhere in the band, dB.
    pub limit_db: f64,
    /// Temperature, kelvin.
    pub temp_k: f64,
}

/// One length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtLength {
    /// Length of the line, metre.
    pub length_m: f64,
    /// Greatest loss over the band with the image reflected and nothing else, dB.
    pub image_db: f64,
    /// Greatest loss over the band with the whole filter re-solved, dB.
    pub filter_db: f64,
    /// RF at which the whole filter is worst, hertz.
    pub worst_rf_hz: f64,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct FilterAnswer {
    /// Loss without a filter, greatest over the band, dB.
    pub nominal_db: f64,
    /// Against length.
    pub lengths: Vec<AtLength>,
    /// Lengths at which the loss exceeds the limit at some RF by the exact map of the image, metre.
    pub keep_out_m: Vec<(f64, f64)>,
    /// Lengths at which the loss with the whole filter exceeds the limit, straight lines between the lengths looked at,
    /// metre.
    pub keep_out_filter_m: Vec<(f64, f64)>,
}

fn loss_db(wave: Complex64) -> f64 {
    -20.0 * wave.norm().log10()
}

fn image_place() -> Vec<Place> {
    vec![Place { name: "image at RF".into(), port: PortName::Rf, line: Line::Sideband(IMAGE) }]
}

/// Looks at `count` lengths and finds the keep-out lengths.
///
/// # Errors
/// A question that makes no sense, a steady state that cannot be found, or the wish of `watch` to stop.
pub fn keep_out(
    model: &Model,
    q: &FilterQuestion,
    count: usize,
    watch: &dyn Watch,
) -> Result<FilterAnswer, HandoverError> {
    let sound =
        q.gamma.norm() <= 1.0 && q.permittivity >= 1.0 && q.length_max_m > 0.0 && !q.rf_hz.is_empty() && count > 1;
    if !sound {
        return Err(HandoverError::mismatch(
            "a reflection up to 1, a permittivity from 1 up, a length above 0 and some RF",
            format!("{}, {}, {} m, {} frequencies", q.gamma.norm(), q.permittivity, q.length_max_m, q.rf_hz.len()),
            "the filter",
        ));
    }
    let mixer = model.mixer_at(q.temp_k)?;
    let bare = pump(&mixer, q.lo, &[], LO_ORDER, None)?;
    let per_m = |f: f64| 2.0 * TAU * f * q.permittivity.sqrt() / LIGHT_SPEED_M_PER_S;
    let mut maps = Vec::new();
    let mut arcs = Vec::new();
    for &rf in &q.rf_hz {
        let image_hz = (2.0 * q.lo.hz - rf).abs();
        // a filter that passes the image does not reflect it
        if image_hz >= q.pass_hz.0 && image_hz <= q.pass_hz.1 {
            continue;
        }
        let waves = sidebands(&mixer, &bare, q.lo.hz, rf, &image_place())?;
        let map = waves.map(0, &[Complex64::default()])?;
        let mirrored = waves.mirrored[0];
        let below = map.below(q.gamma.norm(), 10f64.powf(-q.limit_db / 20.0));
        let physical: Vec<(f64, f64)> =
            below.into_iter().map(|(a, b)| if mirrored { (-b, -a) } else { (a, b) }).collect();
        arcs.extend(lengths_in_arcs(&physical, q.gamma.arg(), per_m(image_hz), q.length_max_m));
        maps.push((map, mirrored, image_hz));
    }
    let nominal: Vec<f64> = q
        .rf_hz
        .iter()
        .map(|&rf| {
            Ok(loss_db(bare.state.conversion(rf)?.scattered(&[(mixer.ports.rf, RF)])?[0].at(mixer.ports.if_, IF)))
        })
        .collect::<Result<_, HandoverError>>()?;
    let lengths: Vec<f64> = (0..count).map(|i| q.length_max_m * i as f64 / (count - 1) as f64).collect();
    let lengths = parallel::map_watched(&lengths, watch, "line lengths", |&length_m| {
        let image_db = maps
            .iter()
            .map(|(map, mirrored, image_hz)| {
                let gamma = q.gamma * Complex64::from_polar(1.0, -per_m(*image_hz) * length_m);
                loss_db(map.at(if *mirrored { gamma.conj() } else { gamma }))
            })
            .fold(f64::NEG_INFINITY, f64::max);
        let (filter_db, worst_rf_hz) = with_filter(model, q, length_m)?;
        Ok::<_, HandoverError>(AtLength { length_m, image_db, filter_db, worst_rf_hz })
    })?;
    let nominal_db = nominal.into_iter().fold(f64::NEG_INFINITY, f64::max);
    let keep_out_filter_m = above(&lengths, q.limit_db);
    Ok(FilterAnswer { nominal_db, lengths, keep_out_m: joined(arcs), keep_out_filter_m })
}

/// Lengths at which the loss with the whole filter lies above a limit.
fn above(lengths: &[AtLength], limit_db: f64) -> Vec<(f64, f64)> {
    let mut pieces = Vec::new();
    for pair in lengths.windows(2) {
        let (a, b) = (pair[0].filter_db - limit_db, pair[1].filter_db - limit_db);
        let (from, to) = (pair[0].length_m, pair[1].length_m);
        let crossing = from + (to - from) * a / (a - b);
        match (a > 0.0, b > 0.0) {
            (true, true) => pieces.push((from, to)),
            (true, false) => pieces.push((from, crossing)),
            (false, true) => pieces.push((crossing, to)),
            (false, false) => {}
        }
    }
    joined(pieces)
}

/// The whole filter, which reflects LO leakage, sum and harmonics too: pumped anew.
fn with_filter(model: &Model, q: &FilterQuestion, length_m: f64) -> Result<(f64, f64), HandoverError> {
    let mut around = Surroundings::default();
    let ohm = network::FrequencyResponse::reference_ohm(&*model.network)[crate::PORTS.rf];
    let delay_s = length_m * q.permittivity.sqrt() / LIGHT_SPEED_M_PER_S;
    around.rf.parts.push(Part::Line { impedance_ohm: ohm, delay_s, skin_np_per_sqrt_hz: 0.0 });
    around.rf.parts.push(Part::PassBand { band_hz: q.pass_hz, gamma: q.gamma });
    let mixer =
        model.mixer_with(Arc::new(Surrounded::new(model.network.clone(), &around)?), q.temp_k, "with filter".into())?;
    let pumped = pump(&mixer, q.lo, &[], LO_ORDER, None)?;
    let mut worst = (f64::NEG_INFINITY, f64::NAN);
    for &rf in &q.rf_hz {
        let s = pumped.state.conversion(rf)?.scattered(&[(mixer.ports.rf, RF)])?;
        let loss = loss_db(s[0].at(mixer.ports.if_, IF));
        if loss > worst.0 {
            worst = (loss, rf);
        }
    }
    Ok(worst)
}

/// One phase of the reflection at the image.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recovery {
    /// The reflection; zero for none.
    pub gamma: Complex64,
    /// Loss, dB.
    pub loss_db: f64,
    /// Noise figure, single sideband, every source at 290 K, dB.
    pub noise_db: f64,
    /// Reflection of the RF port.
    pub rf: Complex64,
    /// Reflection of the IF port.
    pub if_: Complex64,
}

/// Loss, noise and match with the image reflected: none, short (−1), open (+1), then `count` phases of magnitude `rho`.
///
/// # Errors
/// A steady state that cannot be found.
pub fn recovery(
    model: &Model,
    lo: Lo,
    rf_hz: f64,
    temp_k: f64,
    rho: f64,
    count: usize,
    watch: &dyn Watch,
) -> Result<Vec<Recovery>, HandoverError> {
    let mut gammas = vec![Complex64::default(), Complex64::from(-rho), Complex64::from(rho)];
    gammas.extend((0..count).map(|i| Complex64::from_polar(rho, TAU * i as f64 / count as f64)));
    parallel::map_watched(&gammas, watch, "image recovery", |&gamma| {
        let image_hz = (2.0 * lo.hz - rf_hz).abs();
        let around = Surroundings::default().with_reflection(PortName::Rf, image_hz, gamma);
        let network = Arc::new(Surrounded::new(model.network.clone(), &around)?);
        let mixer = model.mixer_with(network, temp_k, "image reflected".into())?;
        let pumped = pump(&mixer, lo, &[], LO_ORDER, None)?;
        let conversion = pumped.state.conversion(rf_hz)?;
        let s = conversion.scattered(&[(mixer.ports.rf, RF), (mixer.ports.if_, IF)])?;
        let settings = NoiseSettings { network_temp_k: temp_k, port_temp_k: 290.0, shot: ShotLaw::Device };
        let noise = noise_at(&conversion, mixer.ports.if_, IF, &settings)?.figure_single(mixer.ports.rf, RF);
        Ok(Recovery {
            gamma,
            loss_db: loss_db(s[0].at(mixer.ports.if_, IF)),
            noise_db: 10.0 * noise.log10(),
            rf: s[0].at(mixer.ports.rf, RF),
            if_: s[1].at(mixer.ports.if_, IF),
        })
    })
}
