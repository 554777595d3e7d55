//! A network given by samples, at any frequency: between the samples, at 0 Hz, and beyond.
//!
//! Input: a [`Network`] and [`SampledSettings`]. Output: a [`SampledResponse`].
//! Inside the data the answer goes exactly through the samples. Between them stands a cubic spline,
//! with the phase turn of each port taken out first, or a rational model plus a spline through what
//! the model misses at the samples. [`Between::Best`] decides by leaving out every second sample and
//! predicting it. At 0 Hz stands the measured or given value,
//! else the even polynomial through the lowest samples. Beyond the data there is no truth, only a
//! stated [`Continuation`], and [`FrequencyResponse::data_up_to_hz`] says where it starts.
//! Every answer is passive unless the settings ask to keep activity: where the spline overshoots,
//! the nearest passive matrix is returned.
//! Conventions: see the crate; references are made real.
//!
//! ```
//! # use mixwright_network as network;
//! use network::{Continuation, FrequencyResponse, Network, SampledResponse, SampledSettings};
//! use numerics::CMatrix;
//! // a matched pad of 6 dB, known at three frequencies
//! let pad = CMatrix::from_rows(&[vec![0.0.into(), 0.5.into()], vec![0.5.into(), 0.0.into()]]);
//! let network = Network::with_reference(50.0, vec![1e9, 2e9, 3e9], vec![pad; 3])?;
//! let settings = SampledSettings { continuation: Continuation::NearOpen, ..Default::default() };
//! let response = SampledResponse::new(&network, &settings)?;
//! assert!((response.scattering(1.5e9)?[(1, 0)].norm() - 0.5).abs() < 1e-12);
//! assert_eq!(response.data_up_to_hz(), Some(3e9));
//! assert!(response.scattering(30e9)?[(1, 0)].norm() < 1e-12, "nothing passes far beyond the data");
//! # Ok::<(), network::NetworkError>(())
//! ```

mod continuation;
mod inside;
mod packed;
mod passive;
mod spline;

pub use continuation::Continuation;

use crate::hygiene::{self, dc_by_even_polynomial};
use crate::network::mismatch;
use crate::rational::FitSettings;
use crate::{FrequencyResponse, Network, NetworkError};
use continuation::Beyond;
use inside::{Inside, Prepared};
use numerics::{CMatrix, Complex64};
use passive::made_passive;
use quantity::Finding;

/// Singular value above which the samples themselves are called active.
const ACTIVE_ABOVE: f64 = 1.0 + 1e-6;

/// Phase of a reflection at the first sample, radian, up to which 0 Hz can be reached from there.
const DC_TURN_MAX: f64 = 1.0;
/// Singular value at 0 Hz above which the extrapolation is called a guess.
const DC_SIGMA_MAX: f64 = 1.02;

/// Imaginary part of a sample at 0 Hz that is still rounding of the file.
const DC_IMAGINARY_MAX: f64 = 1e-6;

/// What to believe at 0 Hz when the data do not contain it.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum DcPoint {
    /// Even polynomial through the three lowest samples.
    #[default]
    Polynomial,
    /// This matrix, relative to the real references of the response.
    Given(CMatrix),
}

/// What stands between the samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Between {
    /// The spline where it predicts left-out samples well, else whichever of both predicts better.
    #[default]
    Best,
    /// Always the spline.
    Spline,
    /// Always the rational model with a spline through its misses.
    Rational,
}

/// How a response was made and how good it is.
#[derive(Debug, Clone, PartialEq)]
pub struct SampledQuality {
    /// [`Between::Spline`] or [`Between::Rational`].
    pub between: Between,
    /// Largest error of an entry at samples that were left out, every second one: an upper bound for
    /// smooth data, because the step was twice as wide. `None` below five samples.
    pub left_out_error: Option<f64>,
    /// Order of the rational model, when there is one.
    pub order: Option<usize>,
    /// Root mean square miss of the rational model at the samples, when there is one.
    pub fit_rms: Option<f64>,
    /// Root mean square miss at the samples of the passive model that continues the data, when
    /// [`Continuation::Rational`] was asked for.
    pub continuation_rms: Option<f64>,
}

/// How to fill the gaps.
#[derive(Debug, Clone, PartialEq)]
pub struct SampledSettings {
    /// Real references of the response, ohm; `None` keeps those of the network (real part).
    pub reference_ohm: Option<Vec<f64>>,
    /// Value at 0 Hz.
    pub dc: DcPoint,
    /// Between the samples.
    pub between: Between,
    /// How to fit the rational model, where one is needed.
    pub fit: FitSettings,
    /// Beyond the last sample.
    pub continuation: Continuation,
    /// Width of the passage from the data to the continuation, hertz; `None`: a tenth of the last frequency.
    pub fade_hz: Option<f64>,
    /// Return active matrices as they are, for networks with gain.
    pub keep_activity: bool,
}

impl Default for SampledSettings {
    fn default() -> Self {
        Self {
            reference_ohm: None,
            dc: DcPoint::Polynomial,
            between: Between::Best,
            fit: FitSettings::default(),
            continuation: Continuation::default(),
            fade_hz: None,
            keep_activity: false,
        }
    }
}

/// A sampled network at any frequency.
#[derive(Debug, Clone)]
pub struct SampledResponse {
    reference_ohm: Vec<f64>,
    inside: Inside,
    quality: SampledQuality,
    beyond: Beyond,
    last_hz: f64,
    keep_activity: bool,
    findings: Vec<Finding>,
}

impl SampledResponse {
    /// Prepares a network for evaluation.
    pub fn new(network: &Network, settings: &SampledSettings) -> Result<Self, NetworkError> {
        // 1. Real references.
        let reference_ohm = match &settings.reference_ohm {
            Some(r) => r.clone(),
            None => network.reference_ohm().iter().map(|z| z.re).collect(),
        };
        let reference: Vec<Complex64> = reference_ohm.iter().map(|&r| r.into()).collect();
        let network = network.renormalised(&reference)?;
        let mut findings = network.findings().to_vec();
        // 2. Knots from 0 Hz up.
        note_activity(&network, settings.keep_activity, &mut findings)?;
        let (freq_hz, s) = knots(&network, settings, &mut findings)?;
        // 3. Inside and beyond.
        let needs_model = settings.continuation == Continuation::Rational;
        let Prepared { inside, model, quality } = inside::prepare(&freq_hz, &s, settings, needs_model, &mut findings)?;
        let last_hz = freq_hz[freq_hz.len() - 1];
        let fade_hz = settings.fade_hz.unwrap_or(last_hz / 10.0);
        if !(fade_hz.is_finite() && fade_hz >= 0.0) {
            return mismatch("a finite fade width from 0 Hz up", format!("{fade_hz} Hz"));
        }
        let beyond = Beyond::new(settings.continuation, &freq_hz, &s, fade_hz, model)?;
        Ok(Self { reference_ohm, inside, quality, beyond, last_hz, keep_activity: settings.keep_activity, findings })
    }

    /// How it was made and how good it is.
    pub fn quality(&self) -> &SampledQuality {
        &self.quality
    }

    /// Remarks: those of the network, and what was assumed here.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }
}

impl FrequencyResponse for SampledResponse {
    fn n_ports(&self) -> usize {
        self.reference_ohm.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        if !(freq_hz >= 0.0 && freq_hz.is_finite()) {
            return mismatch("a finite frequency from 0 Hz up", format!("{freq_hz} Hz"));
        }
        let s = if freq_hz <= self.last_hz { self.inside.at(freq_hz) } else { self.beyond.at(freq_hz) };
        let s = if self.keep_activity { s } else { made_passive(s)? };
        // real networks answer direct current with direct current, roundings apart
        Ok(if freq_hz > 0.0 { s } else { s.map(|x| x.re.into()) })
    }

    fn data_up_to_hz(&self) -> Option<f64> {
        Some(self.last_hz)
    }
}

fn note_activity(network: &Network, keep: bool, findings: &mut Vec<Finding>) -> Result<(), NetworkError> {
    let (sigma, freq_hz) = hygiene::sigma_max_over(network)?;
    if sigma > ACTIVE_ABOVE {
        let what = if keep { "kept as asked" } else { "replaced by the nearest passive matrix where it is above one" };
        findings.push(Finding::warning(
            format!("{freq_hz:e} Hz"),
            format!("the data give out more power than they take in: largest singular value {sigma:.6}, {what}"),
        ));
    }
    Ok(())
}

/// Samples with 0 Hz in front.
fn knots(
    network: &Network,
    settings: &SampledSettings,
    findings: &mut Vec<Finding>,
) -> Result<(Vec<f64>, Vec<CMatrix>), NetworkError> {
    let (mut freq_hz, mut s) = (network.freq_hz().to_vec(), network.s().to_vec());
    let n = network.n_ports();
    if let DcPoint::Given(dc) = &settings.dc {
        let real = dc.is_finite() && dc.as_slice().iter().all(|x| x.im == 0.0);
        if (dc.n_rows(), dc.n_cols()) != (n, n) || !real {
            return mismatch(
                format!("a real {n} by {n} matrix at 0 Hz"),
                format!("{} by {}", dc.n_rows(), dc.n_cols()),
            );
        }
        if freq_hz[0] > 0.0 {
            (freq_hz, s) = ([vec![0.0], freq_hz].concat(), [vec![dc.clone()], s].concat());
        } else {
            s[0] = dc.clone();
        }
        return Ok((freq_hz, s));
    }
    if freq_hz[0] == 0.0 {
        let imaginary = s[0].as_slice().iter().map(|x| x.im.abs()).fold(0.0, f64::max);
        if imaginary > DC_IMAGINARY_MAX {
            let text = format!("the sample at 0 Hz has imaginary parts up to {imaginary:.1e}; its real part is used");
            findings.push(Finding::warning("0 Hz", text));
        }
        s[0] = s[0].map(|x| x.re.into());
    }
    if freq_hz[0] > 0.0 {
        let mut dc = dc_by_even_polynomial(&freq_hz, &s)?;
        let sigma = hygiene::sigma_max(&dc)?;
        if sigma > 1.0 && !settings.keep_activity {
            dc = hygiene::clip_singular_values(&dc, 1.0)?.map(|x| x.re.into());
        }
        findings.push(dc_finding(&freq_hz, &s, sigma));
        (freq_hz, s) = ([vec![0.0], freq_hz].concat(), [vec![dc], s].concat());
    }
    Ok((freq_hz, s))
}

/// What stands at 0 Hz when it was extrapolated, and how far that can be trusted.
fn dc_finding(freq_hz: &[f64], s: &[CMatrix], sigma: f64) -> Finding {
    let text = format!(
        "no sample at 0 Hz: an even polynomial through low samples (from {:e} Hz) stands there, \
         largest singular value {sigma:.4}",
        freq_hz[0]
    );
    let delay_s = continuation::port_delays(freq_hz, s).into_iter().fold(0.0, f64::max);
    let turn = 2.0 * std::f64::consts::TAU * freq_hz[0] * delay_s;
    if turn <= DC_TURN_MAX && sigma <= DC_SIGMA_MAX {
        return Finding::note("0 Hz", text);
    }
    let why = format!("phases have turned by {turn:.1} rad at the first sample; give the matrix at 0 Hz");
    Finding::warning("0 Hz", format!("{text}; this is a guess: {why}"))
}
