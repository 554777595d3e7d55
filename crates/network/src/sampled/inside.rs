//! Between the samples: spline, or rational model plus spline through its misses.

use super::continuation::port_delays;
use super::packed::Packed;
use super::spline::MatrixSpline;
use super::{Between, SampledQuality, SampledSettings};
use crate::NetworkError;
use crate::rational::{Asymptote, FitSettings, RationalModel, fit_matrices, fit_passive};
use numerics::CMatrix;
use quantity::Finding;

/// Left-out error below which the spline is not questioned: a tenth of what 40 dB of isolation to
/// 3 dB asks of the data (0.0041), at half the step.
const SPLINE_GOOD: f64 = 4e-4;
/// Samples below which nothing can be left out.
const SAMPLES_MIN: usize = 5;

/// A response inside its data.
#[derive(Debug, Clone)]
pub(super) struct Inside {
    model: Option<Packed>,
    spline: MatrixSpline,
}

impl Inside {
    fn plain(freq_hz: &[f64], s: &[CMatrix]) -> Self {
        Self { model: None, spline: MatrixSpline::new(freq_hz, s, port_delays(freq_hz, s)) }
    }

    fn with_model(freq_hz: &[f64], s: &[CMatrix], model: &RationalModel) -> Self {
        let model = Packed::new(model);
        let misses: Vec<CMatrix> = freq_hz.iter().zip(s).map(|(&f, s)| s - &model.at(f)).collect();
        // misses are small and turn in no common way
        let spline = MatrixSpline::new(freq_hz, &misses, vec![0.0; model.n_ports()]);
        Self { model: Some(model), spline }
    }

    pub(super) fn at(&self, freq_hz: f64) -> CMatrix {
        match &self.model {
            None => self.spline.at(freq_hz),
            Some(model) => &model.at(freq_hz) + &self.spline.at(freq_hz),
        }
    }
}

/// What was prepared.
pub(super) struct Prepared {
    pub inside: Inside,
    /// Passive model, when one was needed.
    pub model: Option<Packed>,
    pub quality: SampledQuality,
}

/// Chooses and prepares what stands between the samples; knots start at 0 Hz.
pub(super) fn prepare(
    freq_hz: &[f64],
    s: &[CMatrix],
    settings: &SampledSettings,
    needs_model: bool,
    findings: &mut Vec<Finding>,
) -> Result<Prepared, NetworkError> {
    let spline = Inside::plain(freq_hz, s);
    let enough = freq_hz.len() >= SAMPLES_MIN;
    let spline_error = enough.then(|| left_out(freq_hz, s, |f, s| Some(Inside::plain(f, s)))).flatten();
    let plain = SampledQuality {
        between: Between::Spline,
        left_out_error: spline_error,
        order: None,
        fit_rms: None,
        continuation_rms: None,
    };
    let spline_does = match settings.between {
        Between::Spline => true,
        Between::Rational => false,
        Between::Best => spline_error.is_none_or(|e| e <= SPLINE_GOOD),
    };
    if spline_does && !needs_model {
        return Ok(Prepared { inside: spline, model: None, quality: plain });
    }
    let mut quality = plain;
    let mut inside = spline;
    if !spline_does {
        if let Some((rational, found)) = rational_inside(freq_hz, s, settings, &quality)? {
            (inside, quality) = (rational, found);
        }
        warn_if_coarse(&quality, findings);
    }
    let mut model = None;
    if needs_model {
        model = Some(model_beyond(freq_hz, s, settings, &mut quality, findings)?);
    }
    Ok(Prepared { inside, model, quality })
}

/// The rational model that continues the data.
///
/// Where the search for a passive one ends without success, the plain one stands: every answer is
/// made passive afterwards, frequency by frequency, and a remark says so.
fn model_beyond(
    freq_hz: &[f64],
    s: &[CMatrix],
    settings: &SampledSettings,
    quality: &mut SampledQuality,
    findings: &mut Vec<Finding>,
) -> Result<Packed, NetworkError> {
    let place = "beyond the samples";
    let passive = if settings.keep_activity { None } else { fit_passive(freq_hz, s, &settings.fit).ok() };
    let (model, report) = match passive {
        Some(fit) => fit,
        None => {
            if !settings.keep_activity {
                let text = "no passive rational model was found: the plain one is made passive at each frequency";
                findings.push(Finding::warning(place, text));
            }
            fit_matrices(freq_hz, s, &FitSettings { asymptote: Asymptote::Constant, ..settings.fit.clone() })?
        }
    };
    quality.continuation_rms = Some(report.residual);
    let text =
        format!("rational model of {} poles misses the samples by {:.1e} in the mean", model.order(), report.residual);
    findings.push(Finding::note(place, text));
    Ok(Packed::new(&model))
}

/// The rational model inside the data, when it is wanted or predicts better.
fn rational_inside(
    freq_hz: &[f64],
    s: &[CMatrix],
    settings: &SampledSettings,
    plain: &SampledQuality,
) -> Result<Option<(Inside, SampledQuality)>, NetworkError> {
    let forced = settings.between == Between::Rational;
    // an active model does no harm here: every answer is made passive afterwards
    let (model, report) = match fit_matrices(freq_hz, s, &settings.fit) {
        Ok(fit) => fit,
        Err(e) if forced => return Err(e),
        Err(_) => return Ok(None),
    };
    let same = FitSettings { order: model.order(), order_max: model.order(), ..settings.fit.clone() };
    let on_half = |f: &[f64], s: &[CMatrix]| {
        let (half, _) = fit_matrices(f, s, &same).ok()?;
        Some(Inside::with_model(f, s, &half))
    };
    let error = if freq_hz.len() >= SAMPLES_MIN { left_out(freq_hz, s, on_half) } else { None };
    let better = matches!((error, plain.left_out_error), (Some(m), Some(s)) if m < s);
    if !(forced || better) {
        return Ok(None);
    }
    let quality = SampledQuality {
        between: Between::Rational,
        left_out_error: error,
        order: Some(model.order()),
        fit_rms: Some(report.residual),
        continuation_rms: None,
    };
    Ok(Some((Inside::with_model(freq_hz, s, &model), quality)))
}

fn warn_if_coarse(quality: &SampledQuality, findings: &mut Vec<Finding>) {
    if let Some(error) = quality.left_out_error.filter(|&e| e > SPLINE_GOOD) {
        findings.push(Finding::warning(
            "between the samples",
            format!("samples left out are missed by up to {error:.1e}; take smaller frequency steps"),
        ));
    }
}

/// Largest error at every second sample when it is left out.
fn left_out(freq_hz: &[f64], s: &[CMatrix], build: impl Fn(&[f64], &[CMatrix]) -> Option<Inside>) -> Option<f64> {
    // the last sample stays in, so that nothing is asked beyond the data
    let last = freq_hz.len() - 1;
    let kept: Vec<usize> = (0..=last).filter(|k| k % 2 == 0 || *k == last).collect();
    let f: Vec<f64> = kept.iter().map(|&k| freq_hz[k]).collect();
    let m: Vec<CMatrix> = kept.iter().map(|&k| s[k].clone()).collect();
    let inside = build(&f, &m)?;
    let missed = (1..last).step_by(2).map(|k| (&inside.at(freq_hz[k]) - &s[k]).max_abs());
    Some(missed.fold(0.0, f64::max))
}
