//! Minimum loss of a pumped conductance at three frequencies (C): signal, image, IF; all else shorted.
//!
//! Inputs are the two-sided coefficients `g0, g1, g2` of an even conductance waveform. Results are
//! available losses (IF matched, source conductance best), as power ratios.
//! Source: H. C. Torrey, C. A. Whitmer, Crystal Rectifiers (1948); A. A. M. Saleh, Theory of Resistive
//! Mixers (1971); both from memory, formulas re-derived.

/// What the image frequency sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Image {
    /// Short circuit at the junction.
    Short,
    /// Open circuit at the junction.
    Open,
    /// The same conductance as the signal.
    Matched,
}

/// Minimum loss and the source conductance that gives it, S.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Minimum {
    /// Power ratio, at least one.
    pub loss: f64,
    /// Best source conductance, S.
    pub source_s: f64,
}

/// `L = (1 + r)/(1 - r)`, `r = sqrt(1 - e)`, twice that with the image matched.
pub fn minimum_loss(g0: f64, g1: f64, g2: f64, image: Image) -> Minimum {
    let (e, own, factor) = match image {
        Image::Short => ((g1 / g0).powi(2), g0, 1.0),
        Image::Open => {
            let (at_signal, at_if) = (g0 - g2 * g2 / g0, g0 - g1 * g1 / g0);
            ((g1 * (1.0 - g2 / g0)).powi(2) / (at_signal * at_if), at_signal, 1.0)
        }
        Image::Matched => (2.0 * g1 * g1 / (g0 * (g0 + g2)), g0 + g2, 2.0),
    };
    let r = (1.0 - e).sqrt();
    Minimum { loss: factor * (1.0 + r) / (1.0 - r), source_s: own * r }
}

/// `g_n/g0` of a rectangular conductance pulse of duty ratio `t`.
pub fn pulse_coefficient(n: u32, t: f64) -> f64 {
    let y = f64::from(n) * std::f64::consts::PI * t;
    if n == 0 { 1.0 } else { y.sin() / y }
}
