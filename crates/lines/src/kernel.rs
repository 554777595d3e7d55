//! Potential and field of one panel of charge, exactly, for points near and far.
//!
//! A panel is the curve `z(t) = a + d·v(t)`, `t ∈ [−1, 1]`, in the complex plane of the cross-section.
//! Its charge per unit of `t` is a sum of Legendre polynomials `P_k`. With `u = (z − a)/d`:
//! complex potential `Φ_k = −(1/2π) [2 δ_k0 ln d + g_k(u)]`, `g_k(u) = ∫ P_k(t) ln(u − v(t)) dt`,
//! field `F_k = E_x − jE_y = −dΦ_k/dz = g_k'(u) / (2π d)`, both for unit vacuum permittivity.
//!
//! For `v(t) = s^β`, `s = (1 + t)/2`, the logarithm splits into one term for each root of `s^β = u`, so that
//! `g_k` is a sum of `W_k(t_j)` with `W_k(ζ) = ∫ P_k(t) ln(ζ − t) dt` and `W_k' = 2 Q_k`, the Legendre function of
//! the second kind. `β = 2` holds the charge of a knife edge exactly, `β = 3` that of a right-angled corner.
//! On an arc, `v(t) = exp(jθ(t))`, the logarithm is that of the straight panel plus a smooth function.
//! Source of the Legendre relations: NIST Digital Library of Mathematical Functions, 14.10.3, 14.10.5 (memory).

use numerics::Complex64;
use std::f64::consts::{LN_2, PI, TAU};

/// Largest number of polynomials on a panel.
pub(crate) const ORDER_MAX: usize = 12;
/// Values of one function for all polynomials of a panel.
pub(crate) type Row = [Complex64; ORDER_MAX];
/// Points of the rule for the smooth part on arcs and for far arcs.
const ARC_POINTS: usize = 20;
/// Sum of the distances to both ends of `[−1, 1]` up to which the recurrence may run upwards: it loses
/// `ρ^(2k)` roundings, `ρ + 1/ρ` = this sum, so some 1e-11 at the highest order.
const NEAR_SUM: f64 = 2.4;
/// Distance from which `W_0` is summed as a series, because its closed form cancels.
const FAR: f64 = 30.0;

/// Shape of a panel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Curve {
    /// Straight, `v = s^power`, power 1, 2 or 3.
    Straight { power: u8 },
    /// Arc of the unit circle, `v = exp(j(middle + half·t))`.
    Arc { middle: f64, half: f64 },
}

/// What is asked of a panel at one point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Depth {
    /// Only the real part of `g`.
    Potential,
    /// Only `g'`.
    Field,
    /// The real part of `g`, and `g'` and `g''`.
    Gradient,
}

/// `g_k`, `g_k'`, `g_k''` at one point, as far as asked for.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Kernel {
    pub(crate) g: Row,
    pub(crate) g1: Row,
    pub(crate) g2: Row,
}

const ZERO: Complex64 = Complex64::new(0.0, 0.0);
const I: Complex64 = Complex64::new(0.0, 1.0);

impl Curve {
    /// `v(t)`.
    pub(crate) fn place(self, t: f64) -> Complex64 {
        match self {
            Self::Straight { power } => (0.5 * (1.0 + t)).powi(power.into()).into(),
            Self::Arc { middle, half } => Complex64::cis(middle + half * t),
        }
    }

    /// `v'(t)`.
    pub(crate) fn speed(self, t: f64) -> Complex64 {
        match self {
            Self::Straight { power } => (0.5 * f64::from(power) * (0.5 * (1.0 + t)).powi(i32::from(power) - 1)).into(),
            Self::Arc { half, .. } => I * half * self.place(t),
        }
    }

    /// The functions of the first `n` polynomials at `u`.
    pub(crate) fn kernel(self, u: Complex64, n: usize, depth: Depth) -> Kernel {
        let mut out = Kernel { g: [ZERO; ORDER_MAX], g1: [ZERO; ORDER_MAX], g2: [ZERO; ORDER_MAX] };
        match self {
            Self::Straight { power } if far_rule(u, power, n).is_some() => {
                let rule = far_rule(u, power, n).expect("asked in the guard");
                far_straight(u, power, n, depth, rule, &mut out);
            }
            Self::Straight { power } => straight(u, power, n, depth, &mut out),
            Self::Arc { middle, half } => arc(u, middle, half, n, depth, &mut out),
        }
        out
    }
}

/// Gauss rule times Legendre polynomials, with the places of its points on straight panels.
struct FarRule {
    /// `s^power` at the points, for powers 1, 2, 3.
    places: [Vec<f64>; 3],
    /// Weight times `P_k`.
    moments: Vec<[f64; ORDER_MAX]>,
}

/// Ellipse parameters from which a rule with `n` + this many points leaves 1e-10: `ρ^(−2·points + n)`.
const FAR_TIERS: [(f64, usize); 2] = [(6.0, 4), (3.0, 8)];

/// The rule for points so far from a straight panel that the integrand is smooth.
fn far_rule(u: Complex64, power: u8, n: usize) -> Option<&'static FarRule> {
    static RULES: [std::sync::OnceLock<FarRule>; 32] = [const { std::sync::OnceLock::new() }; 32];
    // the nearest root of s^power = u has |2s − 1| at least 2|u|^(1/power) − 1; for power 1 the distance is exact
    let away = match power {
        1 => (2.0 * u - 1.0).norm(),
        2 => 2.0 * u.norm().sqrt() - 1.0,
        _ => 2.0 * u.norm().cbrt() - 1.0,
    };
    let (_, more) = FAR_TIERS.iter().find(|(rho, _)| away > 0.5 * (rho + 1.0 / rho))?;
    let m = n + more;
    Some(RULES[m].get_or_init(|| {
        let (points, weights) = gauss_rule(m);
        let places = [1, 2, 3].map(|power| points.iter().map(|t| (0.5 * (1.0 + t)).powi(power)).collect());
        let moments = points.iter().zip(&weights).map(|(&t, w)| legendre(t, ORDER_MAX).map(|p| p * w)).collect();
        FarRule { places, moments }
    }))
}

fn far_straight(u: Complex64, power: u8, n: usize, depth: Depth, rule: &FarRule, out: &mut Kernel) {
    for (&v, moments) in rule.places[usize::from(power) - 1].iter().zip(&rule.moments) {
        let gap = u - v;
        let size = gap.norm_sqr();
        if depth == Depth::Potential {
            // only the real part of the potential is used; half the logarithm of the square
            let value = 0.5 * size.ln();
            for k in 0..n {
                out.g[k].re += value * moments[k];
            }
            continue;
        }
        let first = gap.conj() / size;
        for k in 0..n {
            out.g1[k] += first * moments[k];
        }
        if depth == Depth::Gradient {
            let (value, second) = (0.5 * size.ln(), first * first);
            for k in 0..n {
                out.g[k].re += value * moments[k];
                out.g2[k] -= second * moments[k];
            }
        }
    }
}

fn straight(u: Complex64, power: u8, n: usize, depth: Depth, out: &mut Kernel) {
    const OMEGA: Complex64 = Complex64::new(-0.5, 0.866_025_403_784_438_6);
    let roots: [Complex64; 3] = match power {
        1 => [u, ZERO, ZERO],
        2 => {
            let s = u.sqrt();
            [s, -s, ZERO]
        }
        _ => {
            let s = if u.im == 0.0 { u.re.cbrt().into() } else { u.cbrt() };
            [s, s * OMEGA, s * OMEGA.conj()]
        }
    };
    let inverse = 1.0 / f64::from(power);
    out.g[0] -= 2.0 * f64::from(power) * LN_2;
    for &s in &roots[..power.into()] {
        // t = 2s − 1 and s = u^(1/power)
        let slope = 2.0 * inverse * s / u;
        let bend = (inverse - 1.0) * slope / u;
        add_branch(2.0 * s - 1.0, slope, bend, n, depth, out);
    }
}

/// Adds `W_k(t(u))` and its derivatives by `u`, given `t`, `t'`, `t''`.
fn add_branch(t: Complex64, slope: Complex64, bend: Complex64, n: usize, depth: Depth, out: &mut Kernel) {
    let (q, w) = legendre_second(t, n, depth != Depth::Field);
    for k in 0..n {
        out.g[k] += w[k];
    }
    if depth == Depth::Potential {
        return;
    }
    for k in 0..n {
        out.g1[k] += 2.0 * q[k] * slope;
    }
    if depth == Depth::Gradient {
        let pole = (t * t - 1.0).inv();
        for k in 0..n {
            let lower = if k == 0 { Complex64::from(1.0) } else { (q[k - 1] - t * q[k]) * k as f64 };
            out.g2[k] += 2.0 * (-lower * pole * slope * slope + q[k] * bend);
        }
    }
}

/// `Q_k(ζ)` for `k ≤ n` and, when asked for, `W_k(ζ)` for `k < n`.
fn legendre_second(z: Complex64, n: usize, with_w: bool) -> ([Complex64; ORDER_MAX + 1], Row) {
    let mut q = [ZERO; ORDER_MAX + 1];
    let mut w = [ZERO; ORDER_MAX];
    let size = z.norm();
    let near = (z - 1.0).norm() + (z + 1.0).norm() < NEAR_SUM;
    let logs = (near || (with_w && size < FAR)).then(|| ((z + 1.0).ln(), (z - 1.0).ln()));
    let (upper, lower) = logs.unwrap_or_default();
    if near {
        q[0] = 0.5 * (upper - lower);
        q[1] = z * q[0] - 1.0;
        for k in 1..n {
            q[k + 1] = (z * q[k] * (2 * k + 1) as f64 - q[k - 1] * k as f64) / (k + 1) as f64;
        }
    } else {
        downward(z, n, &mut q);
    }
    if !with_w {
        return (q, w);
    }
    w[0] = if size < FAR { (z + 1.0) * upper - (z - 1.0) * lower - 2.0 } else { far_logarithm(z) };
    for k in 1..n {
        w[k] = 2.0 * (q[k + 1] - q[k - 1]) / (2 * k + 1) as f64;
    }
    (q, w)
}

/// Ratios `Q_k/Q_{k−1}` from far above, then `Q_0` from its own series or logarithm.
fn downward(z: Complex64, n: usize, q: &mut [Complex64; ORDER_MAX + 1]) {
    // ρ ≈ |ζ| + sqrt(|ζ|² − 1) at least 1.8 here; the ratio error falls as ρ^−2 a step
    let size = z.norm().max(1.2);
    let steps = (18.0 / (size + (size * size - 1.0).sqrt()).ln()) as usize + 2;
    let mut ratio = ZERO;
    let mut ratios = [ZERO; ORDER_MAX + 1];
    for k in (1..=n + steps).rev() {
        ratio = k as f64 / (z * (2 * k + 1) as f64 - ratio * (k + 1) as f64);
        if k <= n {
            ratios[k] = ratio;
        }
    }
    // the Wronskian of the first two functions: Q_1 = ζ Q_0 − 1
    q[0] = (z - ratios[1]).inv();
    for k in 1..=n {
        q[k] = q[k - 1] * ratios[k];
    }
}

/// `∫ ln(ζ − t) dt = 2 ln ζ − Σ 2/(2m (2m+1) ζ^2m)`.
fn far_logarithm(z: Complex64) -> Complex64 {
    let x = (z * z).inv();
    let mut sum = 2.0 * z.ln();
    let mut power = x;
    for m in 1..6 {
        sum -= power * (2.0 / (2.0 * m as f64 * (2.0 * m as f64 + 1.0)));
        power *= x;
    }
    sum
}

fn arc(u: Complex64, middle: f64, half: f64, n: usize, depth: Depth, out: &mut Kernel) {
    let w = -I * u.ln();
    let turn = ((w.re - middle) / TAU).round() * TAU;
    let w = w - turn;
    let t = (w - middle) / half;
    if (t - 1.0).norm() + (t + 1.0).norm() > 4.0 {
        return far_arc(u, middle, half, n, depth, out);
    }
    let (w1, w2) = (-I / u, I / (u * u));
    add_branch(t, w1 / half, w2 / half, n, depth, out);
    let (points, weights) = gauss();
    for (&x, &weight) in points.iter().zip(&weights) {
        let theta = middle + half * x;
        let smooth = Smooth::at(w, theta);
        let p = legendre(x, n);
        let value = smooth.value + (half).ln();
        let first = smooth.first * w1;
        let second = smooth.second * w1 * w1 + smooth.first * w2;
        for k in 0..n {
            let factor = weight * p[k];
            out.g[k] += value * factor;
            if depth > Depth::Potential {
                out.g1[k] += first * factor;
                out.g2[k] += second * factor;
            }
        }
    }
}

/// `ln[(u − exp(jθ))/(w − θ)]` with `u = exp(jw)`, and its derivatives by `w`.
struct Smooth {
    value: Complex64,
    first: Complex64,
    second: Complex64,
}

impl Smooth {
    fn at(w: Complex64, theta: f64) -> Self {
        let x = 0.5 * (w - theta);
        let value = I * 0.5 * (w + theta) + I.ln();
        if x.norm() < 0.1 {
            // ln(sin x / x), half its slope and a quarter of its bend: four terms leave 1e-12 at x = 0.1
            let y = x * x;
            let log = -y * (1.0 / 6.0 + y * (1.0 / 180.0 + y * (1.0 / 2835.0 + y / 37800.0)));
            let cot = -x * (1.0 / 3.0 + y * (1.0 / 45.0 + y * (2.0 / 945.0 + y / 4725.0)));
            let bend = -(1.0 / 3.0 + y * (1.0 / 15.0 + y * (2.0 / 189.0 + y / 675.0)));
            return Self { value: value + log, first: 0.5 * (I + cot), second: 0.25 * bend };
        }
        let sin = x.sin();
        Self {
            value: value + (sin / x).ln(),
            first: 0.5 * (I + x.cos() / sin - x.inv()),
            second: 0.25 * ((x * x).inv() - (sin * sin).inv()),
        }
    }
}

fn far_arc(u: Complex64, middle: f64, half: f64, n: usize, depth: Depth, out: &mut Kernel) {
    let (points, weights) = gauss();
    for (&x, &weight) in points.iter().zip(&weights) {
        let gap = u - Complex64::cis(middle + half * x);
        let (value, first) = (gap.ln(), gap.inv());
        let p = legendre(x, n);
        for k in 0..n {
            let factor = weight * p[k];
            out.g[k] += value * factor;
            if depth > Depth::Potential {
                out.g1[k] += first * factor;
                out.g2[k] -= first * first * factor;
            }
        }
    }
}

/// Legendre polynomials `P_0 … P_{n−1}` at `x`.
pub(crate) fn legendre(x: f64, n: usize) -> [f64; ORDER_MAX] {
    let mut p = [0.0; ORDER_MAX];
    p[0] = 1.0;
    if n > 1 {
        p[1] = x;
    }
    for k in 1..n.saturating_sub(1) {
        p[k + 1] = ((2 * k + 1) as f64 * x * p[k] - k as f64 * p[k - 1]) / (k + 1) as f64;
    }
    p
}

fn gauss() -> ([f64; ARC_POINTS], [f64; ARC_POINTS]) {
    static RULE: std::sync::OnceLock<([f64; ARC_POINTS], [f64; ARC_POINTS])> = std::sync::OnceLock::new();
    *RULE.get_or_init(|| {
        let (x, w) = gauss_rule(ARC_POINTS);
        let mut rule = ([0.0; ARC_POINTS], [0.0; ARC_POINTS]);
        rule.0.copy_from_slice(&x);
        rule.1.copy_from_slice(&w);
        rule
    })
}

/// Points and weights of the Gauss-Legendre rule on `[−1, 1]`, points rising.
pub(crate) fn gauss_rule(n: usize) -> (Vec<f64>, Vec<f64>) {
    let mut points = vec![0.0; n];
    let mut weights = vec![0.0; n];
    for i in 0..n {
        let mut x = -((PI * (i as f64 + 0.75)) / (n as f64 + 0.5)).cos();
        let mut slope = 1.0;
        // Newton converges to rounding in five steps from this start for all n used here
        for _ in 0..8 {
            let (mut below, mut at) = (1.0, x);
            for k in 1..n {
                (below, at) = (at, ((2 * k + 1) as f64 * x * at - k as f64 * below) / (k + 1) as f64);
            }
            slope = n as f64 * (x * at - below) / (x * x - 1.0);
            x -= at / slope;
        }
        points[i] = x;
        weights[i] = 2.0 / ((1.0 - x * x) * slope * slope);
    }
    (points, weights)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `∫ P_k ln(u − v(t)) dt` by brute force: composite rule on the polynomial times logarithm.
    fn brute(curve: Curve, u: Complex64, k: usize) -> Complex64 {
        let (x, w) = gauss_rule(30);
        let n = 400;
        let mut sum = ZERO;
        for i in 0..n {
            let (lo, hi) = (-1.0 + 2.0 * i as f64 / n as f64, -1.0 + 2.0 * (i + 1) as f64 / n as f64);
            for (x, w) in x.iter().zip(&w) {
                let t = 0.5 * (lo + hi) + 0.5 * (hi - lo) * x;
                sum += (u - curve.place(t)).norm().ln() * legendre(t, k + 1)[k] * w * 0.5 * (hi - lo);
            }
        }
        sum
    }

    #[test]
    fn potentials_agree_with_brute_force_near_and_far() {
        let curves = [
            Curve::Straight { power: 1 },
            Curve::Straight { power: 2 },
            Curve::Straight { power: 3 },
            Curve::Arc { middle: 0.4, half: 0.5 },
        ];
        let points = [
            Complex64::new(0.3, 0.02),
            Complex64::new(-0.05, -0.03),
            Complex64::new(1.1, 0.6),
            Complex64::new(-3.0, 0.5),
            Complex64::new(0.98, -0.3),
            Complex64::new(20.0, -70.0),
        ];
        for curve in curves {
            for u in points {
                let kernel = curve.kernel(u, 7, Depth::Gradient);
                for k in 0..7 {
                    let expected = brute(curve, u, k).re;
                    // brute force itself is good to 1e-11 this close to the panel
                    let error = (kernel.g[k].re - expected).abs();
                    assert!(error < 1e-9, "{curve:?} {u} k={k}: {} against {expected}", kernel.g[k].re);
                }
            }
        }
    }

    #[test]
    fn slopes_agree_with_differences() {
        let h = 1e-4;
        for curve in
            [Curve::Straight { power: 1 }, Curve::Straight { power: 3 }, Curve::Arc { middle: -1.0, half: 0.3 }]
        {
            for u in [Complex64::new(0.31, 0.2), Complex64::new(0.6, -0.75), Complex64::new(4.0, 3.0)] {
                let at = curve.kernel(u, 6, Depth::Gradient);
                let (up, down) = (curve.kernel(u + h, 6, Depth::Gradient), curve.kernel(u - h, 6, Depth::Gradient));
                for k in 0..6 {
                    let slope = (up.g[k] - down.g[k]).re / (2.0 * h);
                    let bend = (up.g1[k] - down.g1[k]) / (2.0 * h);
                    // central differences: h² times the third derivative, some hundred here
                    assert!((slope - at.g1[k].re).abs() < 1e-5, "{curve:?} {u} {k}");
                    assert!((bend - at.g2[k]).norm() < 1e-4, "{curve:?} {u} {k}: {bend} {}", at.g2[k]);
                }
            }
        }
    }

    #[test]
    fn gauss_rule_is_exact_up_to_its_order() {
        let (x, w) = gauss_rule(7);
        let moment = |n: i32| x.iter().zip(&w).map(|(x, w)| w * x.powi(n)).sum::<f64>();
        assert!((moment(12) - 2.0 / 13.0).abs() < 1e-14 && moment(13).abs() < 1e-14);
    }
}
