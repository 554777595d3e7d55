//! A network given by samples, at any frequency: between the samples, at 0 Hz, and beyond.
//!
//! Input: a [`Network`] and [`SampledSettings`]. Output: a [`SampledResponse`].
//! Inside the data the answer goes exactly through the samples; between them a cubic spline carries
//! it, with the phase turn of each port taken out first. At 0 Hz stands the measured or given value,
//! else the even polynomial through the lowest samples. Beyond the data there is no truth, only a
//! stated [`Continuation`], and [`FrequencyResponse::data_up_to_hz`] says where it starts.
//! Every answer is passive unless the settings ask to keep activity: where the spline overshoots,
//! the nearest passive matrix is returned.
//! Conventions: see the crate; references are made real.

mod continuation;
mod passive;
mod spline;

pub use continuation::Continuation;

use crate::hygiene::{self, dc_by_even_polynomial};
use crate::network::mismatch;
use crate::{FrequencyResponse, Network, NetworkError};
use continuation::Beyond;
use numerics::{CMatrix, Complex64};
use passive::made_passive;
use quantity::Finding;
use spline::MatrixSpline;

/// Singular value above which the samples themselves are called active.
const ACTIVE_ABOVE: f64 = 1.0 + 1e-6;

/// What to believe at 0 Hz when the data do not contain it.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum DcPoint {
    /// Even polynomial through the three lowest samples.
    #[default]
    Polynomial,
    /// This matrix, relative to the real references of the response.
    Given(CMatrix),
}

/// How to fill the gaps.
#[derive(Debug, Clone, PartialEq)]
pub struct SampledSettings {
    /// Real references of the response, ohm; `None` keeps those of the network (real part).
    pub reference_ohm: Option<Vec<f64>>,
    /// Value at 0 Hz.
    pub dc: DcPoint,
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
    spline: MatrixSpline,
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
        let delay_s = continuation::port_delays(&freq_hz, &s);
        let spline = MatrixSpline::new(&freq_hz, &s, delay_s);
        let last_hz = freq_hz[freq_hz.len() - 1];
        let fade_hz = settings.fade_hz.unwrap_or(last_hz / 10.0);
        if !(fade_hz.is_finite() && fade_hz >= 0.0) {
            return mismatch("a finite fade width from 0 Hz up", format!("{fade_hz} Hz"));
        }
        let beyond = Beyond::new(settings.continuation, &freq_hz, &s, fade_hz)?;
        Ok(Self { reference_ohm, spline, beyond, last_hz, keep_activity: settings.keep_activity, findings })
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
        let s = if freq_hz <= self.last_hz { self.spline.at(freq_hz) } else { self.beyond.at(freq_hz) };
        if self.keep_activity { Ok(s) } else { made_passive(s) }
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
    if freq_hz[0] > 0.0 {
        let mut dc = dc_by_even_polynomial(&freq_hz, &s)?;
        let sigma = hygiene::sigma_max(&dc)?;
        if sigma > 1.0 && !settings.keep_activity {
            dc = hygiene::clip_singular_values(&dc, 1.0)?.map(|x| x.re.into());
        }
        findings.push(Finding::note(
            "0 Hz",
            format!(
                "no sample at 0 Hz: an even polynomial through the lowest samples (from {:e} Hz) stands there, \
                 largest singular value {sigma:.4}",
                freq_hz[0]
            ),
        ));
        (freq_hz, s) = ([vec![0.0], freq_hz].concat(), [vec![dc], s].concat());
    }
    Ok((freq_hz, s))
}
