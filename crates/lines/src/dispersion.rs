//! Dispersion of one thin strip in layers: the longitudinal fields that the quasi-static solution leaves out.
//!
//! Answers: up to which frequency may the quasi-static matrices be trusted, and how large is the effective permittivity
//! beyond? Input: a strip without thickness between layers. Output: effective permittivity of its fundamental mode.
//! Method: Galerkin solution in the spectrum of the transverse coordinate; the strip current is a sum of Chebyshev
//! polynomials with the right behaviour at the edges; layers enter as admittances of TM and TE waves.
//! Source: T. Itoh, R. Mittra, IEEE Trans. MTT-21 (1973) 496-499; T. Itoh, "Spectral domain immitance approach for
//! dispersion characteristics of generalized printed transmission lines", IEEE Trans. MTT-28 (1980) 733-736 (memory).
//! Not here: leaky modes; loss; lines with thickness.

use crate::kernel::gauss_rule;
use crate::section::{Conductor, CrossSection, Filling, Layer, Surface};
use crate::{LineSettings, LinesError, solve_lines};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use std::f64::consts::{PI, TAU};

/// A strip without thickness in lossless layers over a ground plane.
#[derive(Debug, Clone, PartialEq)]
pub struct LayeredStrip {
    /// Width, metre.
    pub width_m: f64,
    /// Thickness (metre) and permittivity of the layers below the strip, from the ground upwards.
    pub below: Vec<(f64, f64)>,
    /// The same above the strip, upwards; the last one may have infinite thickness.
    pub above: Vec<(f64, f64)>,
    /// True when a metal lid closes the last layer above.
    pub lid: bool,
}

/// Polynomials of the current along and across the strip.
const ALONG: usize = 4;
const ACROSS: usize = 3;
/// Half periods of the spectrum that are integrated; the rest is added in closed form.
const HALF_PERIODS: usize = 100;
/// Halvings of the first half period towards zero, for strips narrow against the layers.
const HALVINGS: usize = 10;
/// Steps of the search for the sign change of the determinant.
const SCAN: usize = 48;

/// One point of the spectrum: `ν = α·width/2`, weight, transforms of the currents.
struct Point {
    nu: f64,
    weight: f64,
    along: [f64; ALONG],
    across: [f64; ACROSS],
}

impl LayeredStrip {
    /// Effective permittivity of the fundamental mode at each frequency, hertz.
    pub fn eps_eff(&self, freqs_hz: &[f64]) -> Result<Vec<f64>, LinesError> {
        let fixed = self.static_eps()?;
        let spectrum = spectrum();
        freqs_hz.iter().map(|&f| self.at(f, fixed, &spectrum)).collect()
    }

    /// Effective permittivity at zero frequency, from the quasi-static solution.
    pub fn static_eps(&self) -> Result<f64, LinesError> {
        let all = || self.below.iter().chain(&self.above);
        let mut top = 0.0;
        let mut layers = Vec::new();
        for (filling, layer) in all().enumerate() {
            top += layer.0;
            layers.push(Layer { top_m: top, filling });
        }
        let height: f64 = self.below.iter().map(|l| l.0).sum();
        let section = CrossSection {
            ground: Some(Surface::PERFECT),
            lid: self.lid.then_some((top, Surface::PERFECT)),
            walls_m: None,
            fillings: all().map(|l| Filling::lossless(l.1)).collect(),
            layers,
            conductors: vec![Conductor::sheet("strip", [-0.5 * self.width_m, 0.5 * self.width_m], height)],
        };
        let (solution, _) = solve_lines(&section, &LineSettings { tolerance: 1e-4, ..LineSettings::default() })?;
        Ok(solution.modes()?[0].eps_eff)
    }

    fn at(&self, freq_hz: f64, fixed: f64, spectrum: &[Point]) -> Result<f64, LinesError> {
        let k0 = TAU * freq_hz / LIGHT_SPEED_M_PER_S;
        let highest = self.below.iter().chain(&self.above).map(|l| l.1).fold(1.0, f64::max);
        // the static value is good to 1e-4: start a little below it
        let (low, high) = (fixed * (1.0 - 3e-4), highest);
        let sign = |eps: f64| self.determinant(k0, eps, spectrum);
        let place = |k: usize| low + (high - low) * (k as f64 / SCAN as f64).powi(2);
        let mut below = (low, sign(low));
        for k in 1..=SCAN {
            let above = (place(k), sign(place(k)));
            if below.1 * above.1 <= 0.0 {
                return Ok(bisect(below, above.0, sign));
            }
            below = above;
        }
        let fault = format!(
            "expected a bound mode between effective permittivity {low:.4} and {high:.4} at {freq_hz} Hz, found none; \
             above some frequency the mode leaks into the layers"
        );
        Err(LinesError::Section { place: "dispersion".into(), fault })
    }

    /// Determinant of the Galerkin matrix, scaled to order one.
    fn determinant(&self, k0: f64, eps_eff: f64, spectrum: &[Point]) -> f64 {
        const N: usize = ALONG + ACROSS;
        // lengths in half widths
        let half = 0.5 * self.width_m;
        let (k2, beta2) = ((k0 * half).powi(2), eps_eff * (k0 * half).powi(2));
        let mut m = [[0.0; N]; N];
        let last = spectrum.len() - 1;
        for (index, point) in spectrum.iter().enumerate() {
            let alpha2 = point.nu * point.nu;
            let rho2 = alpha2 + beta2;
            let tm = 1.0 / (self.admittance(rho2, k2, half, true));
            let te = -k2 / self.admittance(rho2, k2, half, false);
            let zz = (beta2 * tm + alpha2 * te) / rho2;
            let zx = point.nu * beta2.sqrt() * (tm - te) / rho2;
            let xx = (alpha2 * tm + beta2 * te) / rho2;
            let mut add = |a: &[f64; ALONG], b: &[f64; ACROSS], weight: f64| {
                for i in 0..N {
                    for j in 0..N {
                        let (z, p) = match (i < ALONG, j < ALONG) {
                            (true, true) => (zz, a[i] * a[j]),
                            (true, false) => (zx, a[i] * b[j - ALONG]),
                            (false, true) => (zx, b[i - ALONG] * a[j]),
                            (false, false) => (xx, b[i - ALONG] * b[j - ALONG]),
                        };
                        m[i][j] += weight * z * p;
                    }
                }
            };
            add(&point.along, &point.across, point.weight);
            if index == last {
                // rest to infinity: all products average to 1/(πν) and the integrand falls as ν⁻²
                let nu = HALF_PERIODS as f64 * PI;
                let mean = (1.0 / (PI * nu)).sqrt();
                let across = std::array::from_fn(|n| mean * 2.0 * (n + 1) as f64 / nu);
                add(&[mean; ALONG], &across, nu);
            }
        }
        scaled_determinant(m)
    }

    /// Sum of the admittances below and above, `1/ωε₀`-scaled for TM and `ωμ₀`-scaled for TE, lengths in half widths.
    fn admittance(&self, rho2: f64, k2: f64, half: f64, tm: bool) -> f64 {
        let walk = |layers: &mut dyn Iterator<Item = &(f64, f64)>, start: Option<f64>| {
            // admittance seen; `None` is a metal plane
            let mut seen = start;
            for &(thickness, eps) in layers {
                let gamma2 = rho2 - eps * k2;
                let (over, times) = tanh_pair(gamma2, thickness / half);
                // y₀·tanh and tanh/y₀ of the layer
                let (product, quotient) = if tm { (eps * over, times / eps) } else { (times, over) };
                seen = Some(match seen {
                    None => 1.0 / quotient,
                    Some(y) => (y + product) / (1.0 + y * quotient),
                });
            }
            seen.unwrap_or(f64::INFINITY)
        };
        let from_ground = walk(&mut self.below.iter(), None);
        let open = self.above.last().filter(|_| !self.lid);
        let start = open.map(|&(_, eps)| {
            let gamma = (rho2 - eps * k2).max(0.0).sqrt();
            if tm { eps / gamma.max(f64::MIN_POSITIVE) } else { gamma }
        });
        let skip = usize::from(open.is_some());
        from_ground + walk(&mut self.above.iter().rev().skip(skip), start)
    }
}

/// `tanh(γd)/γ` and `γ·tanh(γd)` for any sign of `γ²`.
fn tanh_pair(gamma2: f64, d: f64) -> (f64, f64) {
    if gamma2.abs() * d * d < 1e-12 {
        return (d, gamma2 * d);
    }
    if gamma2 > 0.0 {
        let gamma = gamma2.sqrt();
        let t = (gamma * d).tanh();
        (t / gamma, t * gamma)
    } else {
        let g = (-gamma2).sqrt();
        let t = (g * d).tan();
        (t / g, -t * g)
    }
}

fn spectrum() -> Vec<Point> {
    let mut stops = vec![0.0];
    stops.extend((0..HALVINGS).rev().map(|k| PI * 0.5f64.powi(k as i32 + 1)));
    stops.extend((1..=HALF_PERIODS).map(|k| k as f64 * PI));
    let (x, w) = gauss_rule(10);
    let mut points = Vec::with_capacity(10 * stops.len());
    for pair in stops.windows(2) {
        let (middle, half) = (0.5 * (pair[0] + pair[1]), 0.5 * (pair[1] - pair[0]));
        for (x, w) in x.iter().zip(&w) {
            let nu = middle + half * x;
            let j = bessel(nu);
            // transforms of T_2m/√(1−ξ²) and of √(1−ξ²) U_2n−1; the signs (−1)^m make all products alike far out
            let sign = |k: usize| if k.is_multiple_of(2) { 1.0 } else { -1.0 };
            let along = std::array::from_fn(|m| sign(m) * j[2 * m]);
            let across = std::array::from_fn(|n| sign(n + 1) * j[2 * (n + 1)] * 2.0 * (n + 1) as f64 / nu);
            points.push(Point { nu, weight: half * w, along, across });
        }
    }
    points
}

/// `J_0 … J_8` by downward recurrence, normalised with `J_0 + 2 Σ J_2k = 1`.
fn bessel(x: f64) -> [f64; 9] {
    let start = 2 * ((x.max(8.0) + 12.0 * x.max(8.0).cbrt()) as usize / 2 + 8);
    let (mut above, mut at, mut sum) = (0.0, 1e-300, 0.0);
    let mut out = [0.0; 9];
    for k in (0..start).rev() {
        (above, at) = (at, 2.0 * (k + 1) as f64 / x * at - above);
        if at.abs() > 1e200 {
            above *= 1e-200;
            at *= 1e-200;
            sum *= 1e-200;
            out = out.map(|v| v * 1e-200);
        }
        if k < out.len() {
            out[k] = at;
        }
        if k.is_multiple_of(2) {
            sum += if k == 0 { at } else { 2.0 * at };
        }
    }
    out.map(|v| v / sum)
}

/// Determinant of a symmetric matrix scaled to a unit diagonal.
fn scaled_determinant<const N: usize>(mut m: [[f64; N]; N]) -> f64 {
    let scale: [f64; N] = std::array::from_fn(|i| m[i][i].abs().sqrt().max(f64::MIN_POSITIVE));
    for i in 0..N {
        for j in 0..N {
            m[i][j] /= scale[i] * scale[j];
        }
    }
    let mut product = 1.0;
    for k in 0..N {
        let pivot = (k..N).max_by(|&a, &b| m[a][k].abs().total_cmp(&m[b][k].abs())).unwrap_or(k);
        if pivot != k {
            m.swap(pivot, k);
            product = -product;
        }
        product *= m[k][k];
        for i in k + 1..N {
            let factor = m[i][k] / m[k][k];
            for j in k..N {
                m[i][j] -= factor * m[k][j];
            }
        }
    }
    product
}

fn bisect(mut low: (f64, f64), mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..40 {
        let middle = 0.5 * (low.0 + high);
        let value = f(middle);
        if value * low.1 <= 0.0 { high = middle } else { low = (middle, value) }
    }
    0.5 * (low.0 + high)
}
