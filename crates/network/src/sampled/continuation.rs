//! Beyond the last sample: stated assumptions, each passive at every frequency.
//!
//! All start from the last sample, so nothing jumps. The passage weight is `w = ½(1 + cos πx)` over
//! the fade width, then zero; a mean of two passive matrices is passive, and so is a passive matrix
//! with lossless lines at its ports.

use super::packed::Packed;
use super::spline::turns;
use crate::NetworkError;
use crate::network::mismatch;
use numerics::{CMatrix, Complex64, RMatrix, linear};

/// Reflection magnitude of the lossy ends: a port sees 19 times, or a 19th of, its reference.
const LOSSY_REFLECTION: f64 = 0.9;
/// Keeps the delay estimate defined for ports that pass and reflect nothing.
const RIDGE: f64 = 1e-9;

/// What the ports see above the last frequency of the data.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Continuation {
    /// Every port fades into its own reference resistance: nothing is reflected or passed on.
    /// Physically a structure that is lossy far above its band. The calm default.
    #[default]
    Matched,
    /// Every port fades into a resistor of 19 times its reference: nearly open, no coupling.
    /// Physically small series capacitances or thin wires that no longer conduct.
    NearOpen,
    /// Every port fades into a resistor of a 19th of its reference: nearly short, no coupling.
    /// Physically pads whose capacitance to ground takes over.
    NearShort,
    /// The last matrix with the lines at its ports growing on: magnitudes stay, phases turn as the
    /// last samples did. Physically the same structure, electrically longer.
    TurnOn,
    /// The last matrix, unchanged. Not causal; only to see how much a product rests on phase.
    Freeze,
    /// The rational model of the data, made passive for all frequencies; its miss at the last sample
    /// fades out. Physically the same resonances, whose tails go on; nothing new comes in.
    Rational,
}

impl Continuation {
    /// All of them, for studies of how much a result moves.
    pub const ALL: [Self; 6] =
        [Self::Matched, Self::NearOpen, Self::NearShort, Self::TurnOn, Self::Freeze, Self::Rational];

    /// The continuation of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|c| c.name() == name)
    }

    /// One word for files and tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Matched => "matched",
            Self::NearOpen => "near-open",
            Self::NearShort => "near-short",
            Self::TurnOn => "turn-on",
            Self::Freeze => "freeze",
            Self::Rational => "rational",
        }
    }
}

/// A continuation ready for use.
#[derive(Debug, Clone)]
pub(super) struct Beyond {
    kind: Continuation,
    last_hz: f64,
    fade_hz: f64,
    last: CMatrix,
    delay_s: Vec<f64>,
    /// Model and its miss at the last sample.
    model: Option<(Packed, CMatrix)>,
}

impl Beyond {
    pub(super) fn new(
        kind: Continuation,
        freq_hz: &[f64],
        s: &[CMatrix],
        fade_hz: f64,
        model: Option<Packed>,
    ) -> Result<Self, NetworkError> {
        let end = freq_hz.len() - 1;
        let from = end.saturating_sub(2);
        let delay_s = port_delays(&freq_hz[from..], &s[from..]);
        if kind == Continuation::Rational && model.is_none() {
            return mismatch("a rational model of the data", "none; choose another continuation");
        }
        let (last_hz, last) = (freq_hz[end], s[end].clone());
        let model = model.map(|m| {
            let miss = &last - &m.at(last_hz);
            (m, miss)
        });
        Ok(Self { kind, last_hz, fade_hz, last, delay_s, model })
    }

    pub(super) fn at(&self, freq_hz: f64) -> CMatrix {
        let target = match self.kind {
            Continuation::Freeze => return self.last.clone(),
            Continuation::TurnOn => return self.turned(freq_hz),
            Continuation::Matched | Continuation::Rational => 0.0,
            Continuation::NearOpen => LOSSY_REFLECTION,
            Continuation::NearShort => -LOSSY_REFLECTION,
        };
        let w = fade(freq_hz - self.last_hz, self.fade_hz);
        if let (Continuation::Rational, Some((model, miss))) = (self.kind, &self.model) {
            return &model.at(freq_hz) + &miss.scaled(w.into());
        }
        let mut s = if w > 0.0 { self.turned(freq_hz).scaled(w.into()) } else { self.last.map(|_| 0.0.into()) };
        for i in 0..s.n_rows() {
            s[(i, i)] += (1.0 - w) * target;
        }
        s
    }

    fn turned(&self, freq_hz: f64) -> CMatrix {
        let d = turns(&self.delay_s, freq_hz - self.last_hz);
        let n = d.len();
        CMatrix::from_fn(n, n, |i, j| self.last[(i, j)] * d[i] * d[j])
    }
}

/// One at the last sample, zero from `width_hz` above it.
pub(super) fn fade(above_hz: f64, width_hz: f64) -> f64 {
    if above_hz >= width_hz { 0.0 } else { 0.5 * (1.0 + (std::f64::consts::PI * above_hz / width_hz).cos()) }
}

/// Delay of each port, second, not negative: `τ_i + τ_j` is the mean delay of entry `ij`, weighted
/// by its power.
pub(super) fn port_delays(freq_hz: &[f64], s: &[CMatrix]) -> Vec<f64> {
    let n = s.first().map_or(0, CMatrix::n_rows);
    let mut a = RMatrix::zeros(n, n);
    let mut b = vec![0.0; n];
    for (f, m) in freq_hz.windows(2).zip(s.windows(2)) {
        let step = std::f64::consts::TAU * (f[1] - f[0]);
        for i in 0..n {
            for j in 0..n {
                let product: Complex64 = m[1][(i, j)] * m[0][(i, j)].conj();
                let (w, delay) = (product.norm(), -product.arg() / step);
                a[(i, i)] += w;
                a[(i, j)] += w;
                b[i] += w * delay;
            }
        }
    }
    let scale = a.max_abs().max(1.0) * RIDGE;
    for i in 0..n {
        a[(i, i)] += scale;
    }
    match linear::solve_real(&a, &b) {
        Ok(delay) => delay.into_iter().map(|d| d.max(0.0)).collect(),
        Err(_) => vec![0.0; n],
    }
}
