//! The passive network of a model as one rational function, stable and passive at every frequency.
//!
//! Input: a [`Model`], a band and a number of poles. Output: a [`Fitted`] network, which stands in for the sampled one,
//! and how far it misses it: the error of the scattering matrix over the band, and what that does to the numbers of the
//! mixer, by solving both.
//! Samples lie denser at low frequencies, where the IF and the direct current live. Beyond the band the rational function
//! goes on by itself; LO harmonics there see a passive network, but not the true one.

use crate::point::{Lo, two_tone};
use crate::{HandoverError, Model};
use mixer::{Mixer, Plan};
use network::rational::{
    Asymptote, EnforceSettings, FitSettings, RationalModel, basis, enforce_passivity, fit_matrices, rms_miss,
    violations,
};
use network::{FrequencyResponse, NetworkError, hygiene};
use numerics::{CMatrix, Complex64, Watch, parallel};
use spec::{Measure, PortName, Product};
use std::sync::Arc;

/// What to fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitQuestion {
    /// Upper end of the band, hertz; it begins at 0 Hz.
    pub up_to_hz: f64,
    /// Most poles, pairs counted twice; one set serves all ports.
    pub poles_max: usize,
    /// Root mean square error of an entry of the scattering matrix at which no more poles are added.
    pub goal: f64,
}

impl FitQuestion {
    /// A band of 4.3 LO frequencies, up to 72 poles, an error of 1e-4: a tenth of what isolation of 60 dB asks for.
    pub fn usual(plan: &Plan) -> Self {
        Self { up_to_hz: BAND_LO_HARMONICS * plan.lo_hz, poles_max: 72, goal: 1e-4 }
    }
}

/// LO frequencies inside the usual band: four harmonics and an IF beside the last.
const BAND_LO_HARMONICS: f64 = 4.3;
/// Most poles: states of the module are poles times ports.
pub const POLES_MAX: usize = 96;
/// Fewest poles tried, and how many are added at a time.
const POLES_MIN: usize = 8;
const POLES_STEP: usize = 4;
/// Samples of the band.
const SAMPLES: usize = 361;
/// Relocations of the poles.
const RELOCATIONS: usize = 12;
/// Corrections of residues until the network is passive.
const CORRECTIONS: usize = 40;
/// Distance kept below a singular value of one.
const MARGIN: f64 = 1e-4;
/// LO and signal orders of the solutions that are compared.
const ORDERS: (usize, usize) = (16, 4);

/// How well the rational network stands for the sampled one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitReport {
    /// Upper end of the band, hertz.
    pub up_to_hz: f64,
    /// Poles, pairs counted twice.
    pub poles: usize,
    /// Root of the mean squared error of an entry of the scattering matrix over the band.
    pub rms: f64,
    /// Largest error of an entry.
    pub worst: f64,
    /// Where, hertz.
    pub worst_hz: f64,
    /// Largest singular value before it was made passive.
    pub sigma_before: f64,
    /// Corrections that made it passive.
    pub corrections: usize,
    /// Bands in which it is still active, by the eigenvalue test over all frequencies; the excess is at most that of rounding.
    pub active_bands: usize,
    /// Time constant of the slowest pole, second.
    pub slowest_s: f64,
}

impl FitReport {
    /// Whether the network is passive, in words.
    pub fn passivity_words(&self) -> String {
        match self.active_bands {
            0 => "passive at every frequency".into(),
            n => format!("active by less than {EXCESS:.0e} in {n} bands of frequency"),
        }
    }
}

/// A rational network.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// The sum over poles.
    pub rational: RationalModel,
    /// Reference resistance of each port, ohm.
    pub reference_ohm: Vec<f64>,
    /// How good it is.
    pub report: FitReport,
}

impl FrequencyResponse for Fitted {
    fn n_ports(&self) -> usize {
        self.reference_ohm.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        Ok(self.rational.at(freq_hz))
    }
}

/// Sample frequencies: even in the root of frequency over the lower tenth of the band, then even.
fn samples_hz(up_to_hz: f64) -> Vec<f64> {
    let low = SAMPLES / 4;
    let knee = 0.1 * up_to_hz;
    let mut out: Vec<f64> = (0..low).map(|i| knee * (i as f64 / low as f64).powi(2)).collect();
    out.extend((0..SAMPLES - low).map(|i| knee + (up_to_hz - knee) * i as f64 / (SAMPLES - low - 1) as f64));
    out
}

/// Fits the network of a model.
///
/// # Errors
/// A band or a number of poles that makes no sense, a network that cannot be made passive, or the wish of `watch` to stop.
pub fn fit(model: &Model, question: &FitQuestion, watch: &dyn Watch) -> Result<Fitted, HandoverError> {
    let highest = model.network.up_to_hz();
    if !(question.up_to_hz > 0.0 && question.up_to_hz <= highest) {
        return Err(HandoverError::mismatch(
            format!("a band that ends above 0 Hz and not above the {:.1} GHz the model was sampled to", highest / 1e9),
            format!("{} GHz", question.up_to_hz / 1e9),
            "the rational network",
        ));
    }
    if question.poles_max < POLES_MIN || question.poles_max > POLES_MAX {
        let found = question.poles_max.to_string();
        let expected = format!("{POLES_MIN} to {POLES_MAX} poles");
        return Err(HandoverError::mismatch(expected, found, "the rational network"));
    }
    watch.step("fitting the rational network", 0, 3)?;
    let freq_hz = samples_hz(question.up_to_hz);
    let s = parallel::map(&freq_hz, |&f| model.network.scattering(f))?;
    let all = candidates(model, question, watch)?;
    watch.step("fitting the rational network", 1, 3)?;
    let Passive { rational, sigma_before, corrections } = best_passive(&all, &freq_hz, &s, watch)?;
    watch.step("fitting the rational network", 2, 3)?;
    let (worst, worst_hz) = freq_hz
        .iter()
        .zip(&s)
        .map(|(&f, s)| ((s - &rational.at(f)).max_abs(), f))
        .fold((0.0, 0.0), |a, b| if b.0 > a.0 { b } else { a });
    let report = FitReport {
        up_to_hz: question.up_to_hz,
        poles: rational.order(),
        rms: rms_miss(&rational, &freq_hz, &s),
        worst,
        worst_hz,
        sigma_before,
        corrections,
        active_bands: violations(&rational)?.len(),
        slowest_s: rational.poles.iter().map(|p| -1.0 / p.re).fold(0.0, f64::max),
    };
    watch.step("fitting the rational network", 3, 3)?;
    Ok(Fitted { rational, reference_ohm: model.network.reference_ohm().to_vec(), report })
}

/// Fits of rising order whose error is small enough to go on with, over the band and over wider ones.
///
/// A function that meets the samples of the band very well is wild right above it, where it must then be made passive;
/// samples of a guard band keep it calm there. Which of both costs less in the band is tried out.
fn candidates(
    model: &Model,
    question: &FitQuestion,
    watch: &dyn Watch,
) -> Result<Vec<(f64, RationalModel)>, HandoverError> {
    let (mut out, mut failure) = (Vec::new(), None);
    let mut coarsest: Option<(f64, RationalModel)> = None;
    for guard in GUARDS {
        let top = (guard * question.up_to_hz).min(model.network.up_to_hz());
        let freq_hz = samples_hz(top);
        let s = parallel::map(&freq_hz, |&f| model.network.scattering(f))?;
        for poles in (POLES_MIN..=question.poles_max).step_by(POLES_STEP) {
            watch.step("", 0, 0)?;
            let mut least = f64::INFINITY;
            for asymptote in [Asymptote::Zero, Asymptote::Constant] {
                let settings = FitSettings {
                    order: poles,
                    order_max: poles,
                    rms_goal: question.goal * 1e-2, // never met early: all relocations are wanted
                    iterations_max: RELOCATIONS,
                    asymptote,
                    start_poles: None,
                };
                match candidate(&freq_hz, &s, &settings) {
                    Ok(Some((rms, rational))) => {
                        least = least.min(rms);
                        if rms <= CANDIDATE_RMS {
                            out.push((rms, rational));
                        } else if coarsest.as_ref().is_none_or(|c| rms < c.0) {
                            coarsest = Some((rms, rational));
                        }
                    }
                    Ok(None) => {}
                    Err(e) => failure = Some(e),
                }
            }
            if least <= question.goal {
                break;
            }
        }
    }
    if out.is_empty() {
        out.extend(coarsest);
    }
    match failure {
        Some(e) if out.is_empty() => Err(e),
        _ => Ok(out),
    }
}

/// Widths of the sampled band, parts of the asked one.
const GUARDS: [f64; 3] = [1.0, 1.2, 1.5];
/// Error of a fit from which on it is tried.
const CANDIDATE_RMS: f64 = 2e-3;
/// Excess of a singular value over one at which corrections end; the rest is taken off by scaling the whole network.
const EXCESS: f64 = 3e-5;

/// A network that is passive at every frequency.
struct Passive {
    rational: RationalModel,
    /// Largest singular value before.
    sigma_before: f64,
    corrections: usize,
}

/// Largest part of a scattering matrix a pole may contribute and still be left out.
const NEGLIGIBLE: f64 = 1e-7;

/// Frequency of a pole, in units of the end of the band, from which on it counts as a constant.
const FAST: f64 = 100.0;

/// The same without poles that contribute nothing, and with those far above the band as a part of the constant: networks
/// of transformers and resistors have no poles of their own, and what the fit finds instead may lie anywhere. One pole
/// at the end of the band stays when all go.
fn pruned(rational: RationalModel, freq_hz: &[f64]) -> RationalModel {
    let top_rad_s = std::f64::consts::TAU * freq_hz.last().copied().unwrap_or(1.0);
    let (mut poles, mut coefficients, mut constant) = (Vec::new(), Vec::new(), rational.constant.clone());
    let mut first = 0;
    for &pole in &rational.poles {
        let count = if pole.im.abs() > 0.0 { 2 } else { 1 };
        let own = &rational.coefficients[first..first + count];
        first += count;
        let largest: f64 = own.iter().map(numerics::RMatrix::max_abs).sum();
        if pole.norm() > FAST * top_rad_s {
            for (phi, c) in basis(&[pole], Complex64::default()).into_iter().zip(own) {
                constant = &constant + &c.map(|x| x * phi.re);
            }
        } else if count as f64 * largest > NEGLIGIBLE * pole.re.abs() {
            poles.push(pole);
            coefficients.extend_from_slice(own);
        }
    }
    if poles.is_empty() {
        poles.push(Complex64::from(-top_rad_s));
        coefficients.push(constant.map(|_| 0.0));
    }
    RationalModel { poles, coefficients, constant, slope: None }
}

/// The candidate that lies nearest in the band once it is passive.
fn best_passive(
    candidates: &[(f64, RationalModel)],
    freq_hz: &[f64],
    s: &[CMatrix],
    watch: &dyn Watch,
) -> Result<Passive, HandoverError> {
    let all = parallel::map_watched(candidates, watch, "making the rational network passive", |(_, rational)| {
        Ok::<_, HandoverError>(passive(rational, freq_hz))
    })?;
    let (mut best, mut failure) = (None::<(f64, Passive)>, None);
    for one in all {
        match one {
            Ok(one) => {
                let rms = rms_miss(&one.rational, freq_hz, s);
                if best.as_ref().is_none_or(|b| rms < b.0) {
                    best = Some((rms, one));
                }
            }
            Err(e) => failure = Some(e),
        }
    }
    match (best, failure) {
        (Some((_, one)), _) => Ok(one),
        (None, Some(e)) => Err(e),
        (None, None) => {
            Err(HandoverError::mismatch("a rational function close to the network", "none", "the rational network"))
        }
    }
}

/// Distance of the constant from a singular value of one.
const CONSTANT_MARGIN: f64 = 1e-5;
/// Largest singular value of a constant that is pulled back; larger ones belong to fits that are wild above the band.
const CONSTANT_MAX: f64 = 1.0 + 1e-3;

/// One fit with its miss; none when its constant is too active to be pulled back.
///
/// Without a constant every port sees its reference at infinite frequency, as in the package itself; ideal networks of
/// transformers need one.
fn candidate(
    freq_hz: &[f64],
    s: &[CMatrix],
    settings: &FitSettings,
) -> Result<Option<(f64, RationalModel)>, HandoverError> {
    let mut rational = pruned(fit_matrices(freq_hz, s, settings)?.0, freq_hz);
    let constant = rational.constant.map(Complex64::from);
    let sigma = hygiene::sigma_max(&constant)?;
    if sigma > CONSTANT_MAX {
        return Ok(None);
    }
    if sigma <= 1.0 - CONSTANT_MARGIN {
        return Ok(Some((rms_miss(&rational, freq_hz, s), rational)));
    }
    rational.constant = hygiene::clip_singular_values(&constant, 1.0 - CONSTANT_MARGIN)?.map(|x| x.re);
    Ok(Some((rms_miss(&rational, freq_hz, s), rational)))
}

/// The nearest passive network, to first order in the residues; what is left of activity is scaled away.
fn passive(rational: &RationalModel, freq_hz: &[f64]) -> Result<Passive, HandoverError> {
    let sigma_before = violations(rational)?.iter().map(|v| v.sigma).fold(1.0, f64::max);
    let settings = EnforceSettings {
        margin: MARGIN,
        tolerance: EXCESS,
        iterations_max: CORRECTIONS,
        keep_close_at_hz: freq_hz.to_vec(),
    };
    let (mut rational, report) = enforce_passivity(rational, &settings)?;
    let largest = violations(&rational)?.iter().map(|v| v.sigma).fold(1.0, f64::max);
    if largest > 1.0 {
        let by = 1.0 / (largest + ROUNDING);
        rational.coefficients.iter_mut().for_each(|c| *c = c.map(|x| x * by));
        rational.constant = rational.constant.map(|x| x * by);
    }
    Ok(Passive { rational, sigma_before, corrections: report.iterations })
}

/// Reserve of the scaling.
const ROUNDING: f64 = 1e-9;

/// One number of the mixer by both networks.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    /// What.
    pub name: String,
    /// RF, hertz.
    pub rf_hz: f64,
    /// Unit.
    pub unit: &'static str,
    /// With the network of the model.
    pub sampled: f64,
    /// With the rational network.
    pub rational: f64,
}

impl Compared {
    /// Rational minus sampled.
    pub fn difference(&self) -> f64 {
        self.rational - self.sampled
    }
}

/// What the error of the fit does to the mixer: its numbers by both networks at three frequencies of the plan.
///
/// # Errors
/// A steady state that cannot be found, or the wish of `watch` to stop.
pub fn consequence(
    model: &Model,
    fitted: &Arc<Fitted>,
    plan: &Plan,
    watch: &dyn Watch,
) -> Result<Vec<Compared>, HandoverError> {
    let ours = model.mixer()?;
    let theirs = model.mixer_with(fitted.clone(), model.temp_k, model.terminations.clone())?;
    let lo = Lo { hz: plan.lo_hz, dbm: plan.lo_dbm };
    let isolation = |from, to| Measure::Isolation { from, to };
    let measures = [
        Measure::ConversionLoss,
        Measure::ReturnLoss(PortName::Rf),
        Measure::ReturnLoss(PortName::Lo),
        isolation(PortName::Lo, PortName::Rf),
        isolation(PortName::Lo, PortName::If),
        isolation(PortName::Rf, PortName::If),
        Measure::DcOffset,
        Measure::Spur(Product::new(2, -2)),
    ];
    let sets = parallel::map_watched(&plan.rf_grid(3), watch, "both networks", |&rf_hz| {
        let solve = |m: &Mixer| two_tone(m, lo, &[], (rf_hz, plan.signal_dbm), PortName::Rf, ORDERS, None);
        let (a, b) = (solve(&ours)?, solve(&theirs)?);
        let of = |m: &Measure| {
            let (sampled, rational) = (a.value(&ours, *m)?, b.value(&theirs, *m)?);
            Some(Compared { name: m.label(), rf_hz, unit: m.unit(), sampled, rational })
        };
        Ok::<_, HandoverError>(measures.iter().filter_map(of).collect::<Vec<_>>())
    })?;
    Ok(sets.concat())
}

#[cfg(test)]
mod tests {
    use super::*;
    use numerics::RMatrix;

    /// A constant network, whatever the fit makes of it, becomes a constant and one idle pole at the end of the band.
    #[test]
    fn constants_stay_constants() {
        let s = CMatrix::from_fn(2, 2, |i, j| Complex64::from(if i == j { 0.2 } else { 0.6 }));
        let freq_hz: Vec<f64> = (0..40).map(|i| 1e9 * f64::from(i)).collect();
        let fast = RationalModel {
            poles: vec![Complex64::from(-2e26)],
            coefficients: vec![s.map(|x| 2e26 * x.re)],
            constant: RMatrix::zeros(2, 2),
            slope: None,
        };
        let folded = pruned(fast, &freq_hz);
        assert_eq!(folded.order(), 1);
        assert!(folded.poles[0].norm() < 3e11);
        for f in [0.0, 20e9, 39e9] {
            assert!((&folded.at(f) - &s).max_abs() < 1e-9, "{:?}", folded.at(f));
        }
    }
}
