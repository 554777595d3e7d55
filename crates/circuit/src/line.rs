//! Lines: two conductors, a symmetric coupled pair, any number of conductors over a return.
//!
//! Input: impedances and delays, or matrices per metre. Output: chain parameters between the two
//! ends, `v1 = A v2 − B i2`, `i1 = C v2 − D i2` with both currents into the line.
//! The chain form holds at direct current, at half-wave resonance and for equal modal velocities
//! alike. For losses so high that it grows exponentially the admittance form takes over.
//! Method: V. Belevitch, H. Uchida, C. R. Paul, "Analysis of Multiconductor Transmission Lines",
//! chapter on general solutions (from memory): `A = cosh Γl`, `B = Γ⁻¹ sinh(Γl) Z`, `Γ² = Z Y`.

use crate::matrix_function::{WORK_MATRICES, coth_csch, even_functions};
use numerics::{CMatrix, Complex64, NumericsError, RMatrix, linear};
use std::f64::consts::TAU;

/// Largest entry of `cosh Γl` for which the chain form is kept: one and a half digits of growth.
const CHAIN_MAX: f64 = 20.0;
/// Attenuation in neper beyond which the admittance form of a two-conductor line is used.
const CHAIN_ATTENUATION_MAX_NP: f64 = 3.0;

/// A two-conductor line of given impedance and delay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Characteristic impedance, ohm; real at all frequencies.
    pub z0_ohm: f64,
    /// Delay end to end, second.
    pub delay_s: f64,
    /// Attenuation law.
    pub loss: LineLoss,
}

/// Attenuation of a whole line: `α(f) = dc + skin·√f + π·f·delay·tan δ`, neper.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LineLoss {
    /// Part that does not depend on frequency, neper.
    pub dc_np: f64,
    /// Skin-effect part, neper per root hertz.
    pub skin_np_per_sqrt_hz: f64,
    /// Loss tangent of the dielectric.
    pub tan_delta: f64,
}

impl Line {
    /// A line without loss.
    pub fn lossless(z0_ohm: f64, delay_s: f64) -> Self {
        Self { z0_ohm, delay_s, loss: LineLoss::default() }
    }

    /// True when no attenuation was given.
    pub(crate) fn is_lossless(&self) -> bool {
        self.loss == LineLoss::default()
    }

    pub(crate) fn ends(&self, freq_hz: f64, out: &mut EndForm<'_>) {
        let attenuation = self.loss.dc_np
            + self.loss.skin_np_per_sqrt_hz * freq_hz.sqrt()
            + 0.5 * TAU * freq_hz * self.delay_s * self.loss.tan_delta;
        let gamma = Complex64::new(attenuation, TAU * freq_hz * self.delay_s);
        if attenuation < CHAIN_ATTENUATION_MAX_NP {
            let (sinh, cosh) = sinh_cosh(gamma);
            out.chain(&[cosh], &[sinh * self.z0_ohm], &[sinh / self.z0_ohm]);
        } else {
            let once = (-gamma).exp();
            let twice = once * once;
            let csch = 2.0 * once / (1.0 - twice) / self.z0_ohm;
            let coth = (1.0 + twice) / (1.0 - twice) / self.z0_ohm;
            out.admittance(&[coth], &[-csch]);
        }
    }
}

/// `sinh` and `cosh` of `re + j im` with one pair of real exponentials and one sine-cosine.
fn sinh_cosh(x: Complex64) -> (Complex64, Complex64) {
    let (sin, cos) = x.im.sin_cos();
    if x.re == 0.0 {
        return (Complex64::new(0.0, sin), Complex64::new(cos, 0.0));
    }
    let (sh, ch) = (x.re.sinh(), x.re.cosh());
    (Complex64::new(sh * cos, ch * sin), Complex64::new(ch * cos, sh * sin))
}

/// A symmetric pair of coupled lines over ground, without loss.
///
/// Even mode: both voltages equal, voltage over current of one conductor is `z0e_ohm`; odd mode:
/// opposite voltages, `z0o_ohm`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoupledPair {
    /// Even-mode impedance, ohm.
    pub z0e_ohm: f64,
    /// Odd-mode impedance, ohm.
    pub z0o_ohm: f64,
    /// Even-mode delay end to end, second.
    pub delay_even_s: f64,
    /// Odd-mode delay end to end, second.
    pub delay_odd_s: f64,
}

impl CoupledPair {
    /// A pair with one delay for both modes.
    pub fn new(z0e_ohm: f64, z0o_ohm: f64, delay_s: f64) -> Self {
        Self { z0e_ohm, z0o_ohm, delay_even_s: delay_s, delay_odd_s: delay_s }
    }

    /// The same line as matrices of a piece one metre long.
    pub fn to_multiconductor(&self) -> MulticonductorLine {
        let symmetric = |even: f64, odd: f64| {
            let (own, mutual) = (0.5 * (even + odd), 0.5 * (even - odd));
            RMatrix::from_rows(&[vec![own, mutual], vec![mutual, own]])
        };
        let Self { z0e_ohm, z0o_ohm, delay_even_s, delay_odd_s } = *self;
        MulticonductorLine {
            inductance_h_per_m: symmetric(z0e_ohm * delay_even_s, z0o_ohm * delay_odd_s),
            capacitance_f_per_m: symmetric(delay_even_s / z0e_ohm, delay_odd_s / z0o_ohm),
            loss: MulticonductorLoss::default(),
            length_m: 1.0,
        }
    }
}

/// A uniform line of any number of conductors over a return conductor.
#[derive(Debug, Clone, PartialEq)]
pub struct MulticonductorLine {
    /// Inductance matrix, henry per metre.
    pub inductance_h_per_m: RMatrix,
    /// Capacitance matrix (Maxwell form: mutual entries negative), farad per metre.
    pub capacitance_f_per_m: RMatrix,
    /// Losses.
    pub loss: MulticonductorLoss,
    /// Length, metre.
    pub length_m: f64,
}

/// Losses of a multiconductor line; every matrix may be left out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MulticonductorLoss {
    /// Series resistance that does not depend on frequency, ohm per metre.
    pub dc_ohm_per_m: Option<RMatrix>,
    /// Skin resistance, ohm per metre and root hertz.
    pub skin_ohm_per_m_sqrt_hz: Option<RMatrix>,
    /// Adds the internal reactance equal to the skin resistance, as a causal skin effect has it.
    /// Set it when the inductance matrix holds the external inductance only.
    pub skin_reactance: bool,
    /// Dielectric loss `G/ω`, farad per metre: each capacitance times the loss tangent of its
    /// dielectric; `C · tan δ` for one dielectric.
    pub dielectric_f_per_m: Option<RMatrix>,
}

impl MulticonductorLoss {
    pub(crate) fn matrices(&self) -> Vec<(&'static str, &RMatrix)> {
        let all = [
            ("resistance matrix", &self.dc_ohm_per_m),
            ("skin resistance matrix", &self.skin_ohm_per_m_sqrt_hz),
            ("dielectric loss matrix", &self.dielectric_f_per_m),
        ];
        all.into_iter().filter_map(|(what, m)| m.as_ref().map(|m| (what, m))).collect()
    }
}

impl MulticonductorLine {
    pub(crate) fn required_matrices(&self) -> [(&'static str, &RMatrix); 2] {
        [("inductance matrix", &self.inductance_h_per_m), ("capacitance matrix", &self.capacitance_f_per_m)]
    }

    pub(crate) fn is_lossless(&self) -> bool {
        self.loss.matrices().iter().all(|(_, m)| m.max_abs() == 0.0)
    }
}

/// Where the relation between the two ends of a line is written: rows of the end equation
/// `E1 v1 + E2 v2 + E3 i2 = 0` and of the near current `i1 = K1 v1 + K2 v2 + K3 i2`, six blocks of
/// `n` by `n` entries; currents are scaled by `scale_ohm`.
pub(crate) struct EndForm<'a> {
    pub(crate) n: usize,
    pub(crate) scale_ohm: f64,
    pub(crate) blocks: &'a mut [Complex64],
}

impl EndForm<'_> {
    /// Writes `v1 = A v2 − B i2`, `i1 = C v2 − Aᵀ i2`.
    fn chain(&mut self, a: &[Complex64], b: &[Complex64], c: &[Complex64]) {
        let (n, nn) = (self.n, self.n * self.n);
        let (down, up) = (1.0 / self.scale_ohm, self.scale_ohm);
        for i in 0..n {
            for j in 0..n {
                let k = i * n + j;
                self.blocks[k] = f64::from(u8::from(i == j)).into();
                self.blocks[nn + k] = -a[k];
                self.blocks[2 * nn + k] = b[k] * down;
                self.blocks[3 * nn + k] = Complex64::default();
                self.blocks[4 * nn + k] = c[k] * up;
                self.blocks[5 * nn + k] = -a[j * n + i];
            }
        }
    }

    /// Writes `i2 = Y21 v1 + Y11 v2`, `i1 = Y11 v1 + Y21 v2` of a line symmetric end to end.
    fn admittance(&mut self, y11: &[Complex64], y21: &[Complex64]) {
        let (n, nn, up) = (self.n, self.n * self.n, self.scale_ohm);
        for i in 0..n {
            for j in 0..n {
                let k = i * n + j;
                self.blocks[k] = -y21[k] * up;
                self.blocks[nn + k] = -y11[k] * up;
                self.blocks[2 * nn + k] = f64::from(u8::from(i == j)).into();
                self.blocks[3 * nn + k] = y11[k] * up;
                self.blocks[4 * nn + k] = y21[k] * up;
                self.blocks[5 * nn + k] = Complex64::default();
            }
        }
    }
}

/// A multiconductor line made ready for evaluation at many frequencies.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum ReadyLine {
    /// Without loss: modes computed once.
    Modal(Modes),
    /// With loss: matrix functions at each frequency.
    Lossy(MulticonductorLine),
}

/// Modes of a line without loss. With `T` the voltage modes, `τ` the modal delays end to end:
/// `A = T cos(ωτ) T⁻¹`, `B = j T √Λ sin(ωτ) Tᵀ`, `C = j T⁻ᵀ sin(ωτ)/√Λ T⁻¹`; the products of the
/// columns are kept, one block of `n` by `n` a mode.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Modes {
    n: usize,
    delays_s: Vec<f64>,
    a: Vec<f64>,
    b: Vec<f64>,
    c: Vec<f64>,
}

impl ReadyLine {
    pub(crate) fn new(line: &MulticonductorLine) -> Result<Self, NumericsError> {
        Ok(if line.is_lossless() { Self::Modal(Modes::new(line)?) } else { Self::Lossy(line.clone()) })
    }

    /// Relation of the ends at one frequency; `scratch` is kept between calls.
    pub(crate) fn ends(
        &self,
        freq_hz: f64,
        out: &mut EndForm<'_>,
        scratch: &mut Vec<Complex64>,
    ) -> Result<(), NumericsError> {
        match self {
            Self::Modal(modes) => {
                modes.ends(freq_hz, out, scratch);
                Ok(())
            }
            Self::Lossy(line) => lossy_ends(line, freq_hz, out, scratch),
        }
    }
}

impl Modes {
    /// `C = K²` with `K` symmetric, `K L K = Q Λ Qᵀ`, `T = K⁻¹ Q`: well defined for equal velocities.
    fn new(line: &MulticonductorLine) -> Result<Self, NumericsError> {
        let n = line.capacitance_f_per_m.n_rows();
        let (c_values, u) = linear::eigen_symmetric(&line.capacitance_f_per_m)?;
        let power =
            |p: f64| RMatrix::from_fn(n, n, |i, j| (0..n).map(|m| u[(i, m)] * c_values[m].powf(p) * u[(j, m)]).sum());
        let (root, root_inverse) = (power(0.5), power(-0.5));
        let (lambda, q) = linear::eigen_symmetric(&(&(&root * &line.inductance_h_per_m) * &root))?;
        let t = &root_inverse * &q;
        let t_inverse = &q.transpose() * &root;
        let mut modes = Self { n, delays_s: Vec::new(), a: Vec::new(), b: Vec::new(), c: Vec::new() };
        for m in 0..n {
            let slowness = lambda[m].sqrt();
            modes.delays_s.push(line.length_m * slowness);
            for i in 0..n {
                for j in 0..n {
                    modes.a.push(t[(i, m)] * t_inverse[(m, j)]);
                    modes.b.push(t[(i, m)] * slowness * t[(j, m)]);
                    modes.c.push(t_inverse[(m, i)] / slowness * t_inverse[(m, j)]);
                }
            }
        }
        Ok(modes)
    }

    fn ends(&self, freq_hz: f64, out: &mut EndForm<'_>, scratch: &mut Vec<Complex64>) {
        let nn = self.n * self.n;
        scratch.clear();
        scratch.resize(3 * nn, Complex64::default());
        let (a, rest) = scratch.split_at_mut(nn);
        let (b, c) = rest.split_at_mut(nn);
        for (m, &delay) in self.delays_s.iter().enumerate() {
            let (sin, cos) = (TAU * freq_hz * delay).sin_cos();
            for k in 0..nn {
                a[k].re += cos * self.a[m * nn + k];
                b[k].im += sin * self.b[m * nn + k];
                c[k].im += sin * self.c[m * nn + k];
            }
        }
        out.chain(a, b, c);
    }
}

/// `A = cosh √X`, `B = S(X) Z l`, `C = Y l S(X)` with `X = Z Y l²` and `S(X) = sinh(√X)/√X`: entire
/// functions of `X`, so neither a square root nor an eigenvector is needed.
fn lossy_ends(
    line: &MulticonductorLine,
    freq_hz: f64,
    out: &mut EndForm<'_>,
    scratch: &mut Vec<Complex64>,
) -> Result<(), NumericsError> {
    let n = out.n;
    let nn = n * n;
    scratch.clear();
    scratch.resize((7 + WORK_MATRICES) * nn, Complex64::default());
    let (z, rest) = scratch.split_at_mut(nn);
    let (y, rest) = rest.split_at_mut(nn);
    let (x, rest) = rest.split_at_mut(nn);
    let (a, rest) = rest.split_at_mut(nn);
    let (s, rest) = rest.split_at_mut(nn);
    let (b, rest) = rest.split_at_mut(nn);
    let (c, work) = rest.split_at_mut(nn);
    series_and_shunt(line, freq_hz, z, y);
    multiply(n, z, y, x);
    even_functions(n, x, a, s, work);
    // Written so that an overflow to NaN also leaves the chain form.
    if a.iter().all(|v| v.norm_sqr() < CHAIN_MAX * CHAIN_MAX) {
        multiply(n, s, z, b);
        multiply(n, y, s, c);
        out.chain(a, b, c);
        return Ok(());
    }
    let square = |m: &[Complex64]| CMatrix::from_fn(n, n, |i, j| m[i * n + j]);
    let (y11, y21) = coth_csch(&square(x), &square(z))?;
    out.admittance(y11.as_slice(), y21.as_slice());
    Ok(())
}

/// `Z l` and `Y l` at one frequency.
fn series_and_shunt(line: &MulticonductorLine, freq_hz: f64, z: &mut [Complex64], y: &mut [Complex64]) {
    let (omega, length) = (TAU * freq_hz, line.length_m);
    let loss = &line.loss;
    let entry = |m: &Option<RMatrix>, k: usize| m.as_ref().map_or(0.0, |m| m.as_slice()[k]);
    let root = freq_hz.sqrt();
    for k in 0..z.len() {
        let skin = root * entry(&loss.skin_ohm_per_m_sqrt_hz, k);
        let internal = if loss.skin_reactance { skin } else { 0.0 };
        let resistance = entry(&loss.dc_ohm_per_m, k) + skin;
        let reactance = omega * line.inductance_h_per_m.as_slice()[k] + internal;
        z[k] = Complex64::new(resistance, reactance) * length;
        let conductance = omega * entry(&loss.dielectric_f_per_m, k);
        y[k] = Complex64::new(conductance, omega * line.capacitance_f_per_m.as_slice()[k]) * length;
    }
}

/// `out = a b` of small matrices stored by rows.
pub(crate) fn multiply(n: usize, a: &[Complex64], b: &[Complex64], out: &mut [Complex64]) {
    if let (2, &[a0, a1, a2, a3], &[b0, b1, b2, b3]) = (n, a, b) {
        // Pairs of lines are the common case.
        out.copy_from_slice(&[a0 * b0 + a1 * b2, a0 * b1 + a1 * b3, a2 * b0 + a3 * b2, a2 * b1 + a3 * b3]);
        return;
    }
    for i in 0..n {
        for j in 0..n {
            out[i * n + j] = (0..n).map(|k| a[i * n + k] * b[k * n + j]).sum();
        }
    }
}
