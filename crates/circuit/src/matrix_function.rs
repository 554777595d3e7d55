//! Functions of small complex matrices that lines need.
//!
//! `cosh √X` and `sinh(√X)/√X` by a power series of `X/4^s` and `s` doublings; no eigenvectors, so
//! equal and nearly equal modes need no care.
//! Source of scaling and doubling: N. J. Higham, "Functions of Matrices", SIAM 2008, chapter 12
//! (from memory); the doubling is done on `cosh − 1`, which keeps small angles exact.

use crate::line::multiply;
use numerics::{CMatrix, Complex64, NumericsError, linear};

/// Norm of `X` below which the series is summed directly.
const SERIES_NORM_MAX: f64 = 0.5;
/// Terms of the series: the first one left out is 0.5⁹/18! < 1e-18.
const SERIES_TERMS: usize = 8;
/// Most doublings: lines beyond 2⁶⁰ radians are not lines.
const DOUBLINGS_MAX: u32 = 60;
/// Steps of the square-root iteration; it doubles the digits in each.
const ROOT_STEPS_MAX: usize = 40;
/// Relative change at which the square root has settled: a hundred roundings.
const ROOT_TOLERANCE: f64 = 2e-14;

/// Writes `c = cosh √X` and `s = sinh(√X)/√X`; `work` holds three matrices.
pub(crate) fn even_functions(
    n: usize,
    x: &[Complex64],
    c: &mut [Complex64],
    s: &mut [Complex64],
    work: &mut [Complex64],
) {
    let nn = n * n;
    let (scaled, rest) = work.split_at_mut(nn);
    let (d, t) = rest.split_at_mut(nn);
    let norm = row_norm(n, x);
    let mut doublings = 0;
    let mut scale = 1.0;
    while norm * scale > SERIES_NORM_MAX && doublings < DOUBLINGS_MAX {
        scale *= 0.25;
        doublings += 1;
    }
    scaled.iter_mut().zip(x).for_each(|(o, &x)| *o = x * scale);
    series(n, scaled, d, s, t);
    for _ in 0..doublings {
        // s ← s·(1 + d);  d ← 4d + 2d²
        multiply(n, s, d, t);
        s.iter_mut().zip(&*t).for_each(|(s, &t)| *s += t);
        multiply(n, d, d, t);
        d.iter_mut().zip(&*t).for_each(|(d, &t)| *d = *d * 4.0 + t * 2.0);
    }
    c.copy_from_slice(&d[..nn]);
    (0..n).for_each(|i| c[i * n + i] += 1.0);
}

/// `d = cosh √X − 1 = Σ Xᵏ/(2k)!` and `s = Σ Xᵏ/(2k+1)!` by Horner's rule.
fn series(n: usize, x: &[Complex64], d: &mut [Complex64], s: &mut [Complex64], t: &mut [Complex64]) {
    let nn = n * n;
    // Horner: p ← I + X p / (k(k+1)) from the last term; d and s differ in the divisors only.
    let horner = |p: &mut [Complex64], t: &mut [Complex64], first: usize| {
        identity(n, p);
        for k in (first..=SERIES_TERMS).rev() {
            multiply(n, x, p, t);
            let divisor = if first == 1 { (2 * k) * (2 * k + 1) } else { (2 * k - 1) * (2 * k) };
            let by = 1.0 / divisor as f64;
            p.iter_mut().zip(&*t).for_each(|(p, &t)| *p = t * by);
            (0..n).for_each(|i| p[i * n + i] += 1.0);
        }
    };
    horner(s, t, 1);
    // d = X/2 · (1 + X/12 · (1 + X/30 …)): start at the second term so that the one never appears.
    horner(d, t, 2);
    multiply(n, x, d, t);
    d[..nn].iter_mut().zip(&*t).for_each(|(d, &t)| *d = t * 0.5);
}

/// `Yc coth Γl` and `−Yc csch Γl` of a line, from `X = (Γl)²` and `Z l`; for strong attenuation.
pub(crate) fn coth_csch(x: &CMatrix, z: &CMatrix) -> Result<(CMatrix, CMatrix), NumericsError> {
    let n = x.n_rows();
    let gamma = root_right_half(x)?;
    let once = exp_of_negative(&gamma);
    let twice = &once * &once;
    let one = CMatrix::identity(n);
    // Functions of one matrix commute, so the order of the factors is free.
    let yc = linear::solve(z, &gamma)?;
    let denominator = &one - &twice;
    let coth = linear::solve(&denominator, &(&one + &twice))?;
    let csch = linear::solve(&denominator, &once.scaled(2.0.into()))?;
    Ok((&yc * &coth, -&(&yc * &csch)))
}

/// The square root of `X` whose eigenvalues lie right of the imaginary axis or on its upper half.
///
/// The eigenvalues of `−X` have angles in (−π, 0]; turned by 45° they keep clear of the negative
/// axis, where the product iteration of Denman and Beavers (as in Higham, chapter 6) works.
fn root_right_half(x: &CMatrix) -> Result<CMatrix, NumericsError> {
    let n = x.n_rows();
    let turn = Complex64::from_polar(1.0, std::f64::consts::FRAC_PI_4);
    let mut y = x.scaled(-turn);
    let mut z = CMatrix::identity(n);
    let one = CMatrix::identity(n);
    for _ in 0..ROOT_STEPS_MAX {
        let y_next = (&y + &linear::solve(&z, &one)?).scaled(0.5.into());
        let z_next = (&z + &linear::solve(&y, &one)?).scaled(0.5.into());
        let change = (&y_next - &y).max_abs();
        (y, z) = (y_next, z_next);
        if change <= ROOT_TOLERANCE * y.max_abs() {
            break;
        }
    }
    // √(−X·turn) = √turn · (Γl/j)
    Ok(y.scaled(Complex64::i() * Complex64::from_polar(1.0, -std::f64::consts::FRAC_PI_8)))
}

/// `exp(−M)` by scaling and squaring.
fn exp_of_negative(m: &CMatrix) -> CMatrix {
    let n = m.n_rows();
    let mut squarings = 0;
    let mut scale = 1.0;
    while row_norm(n, m.as_slice()) * scale > SERIES_NORM_MAX && squarings < DOUBLINGS_MAX {
        scale *= 0.5;
        squarings += 1;
    }
    let small = m.scaled((-scale).into());
    let mut e = CMatrix::identity(n);
    for k in (1..=2 * SERIES_TERMS).rev() {
        e = &CMatrix::identity(n) + &(&small * &e).scaled((1.0 / k as f64).into());
    }
    for _ in 0..squarings {
        e = &e * &e;
    }
    e
}

fn identity(n: usize, m: &mut [Complex64]) {
    m.fill(Complex64::default());
    (0..n).for_each(|i| m[i * n + i] = 1.0.into());
}

/// Largest sum of magnitudes (as |re| + |im|) of a row.
fn row_norm(n: usize, m: &[Complex64]) -> f64 {
    m.chunks_exact(n).map(|row| row.iter().map(|x| x.l1_norm()).sum()).fold(0.0, f64::max)
}
