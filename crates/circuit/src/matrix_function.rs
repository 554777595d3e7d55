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

/// Matrices of working memory that [`even_functions`] needs.
pub(crate) const WORK_MATRICES: usize = 5;

/// Writes `c = cosh √X` and `s = sinh(√X)/√X`; `work` holds [`WORK_MATRICES`] matrices.
pub(crate) fn even_functions(
    n: usize,
    x: &[Complex64],
    c: &mut [Complex64],
    s: &mut [Complex64],
    work: &mut [Complex64],
) {
    let norm = row_norm(n, x);
    let mut doublings = 0;
    let mut scale = 1.0;
    while norm * scale > SERIES_NORM_MAX && doublings < DOUBLINGS_MAX {
        scale *= 0.25;
        doublings += 1;
    }
    // `c` holds cosh − 1 until the end.
    series(n, x, scale, [&mut *c, &mut *s], work);
    let (t, _) = work.split_at_mut(n * n);
    for _ in 0..doublings {
        // s ← s·(1 + d);  d ← 4d + 2d²
        multiply(n, s, c, t);
        s.iter_mut().zip(&*t).for_each(|(s, &t)| *s += t);
        multiply(n, c, c, t);
        c.iter_mut().zip(&*t).for_each(|(d, &t)| *d = *d * 4.0 + t * 2.0);
    }
    (0..n).for_each(|i| c[i * n + i] += 1.0);
}

/// `d = cosh √Y − 1 = Σ Yᵏ/(2k)!` from `k = 1` and `s = Σ Yᵏ/(2k+1)!` from `k = 0` for `Y = scale·X`,
/// up to `Y⁸`, from the powers `Y` to `Y⁴`: one product for the upper half of each series.
fn series(n: usize, x: &[Complex64], scale: f64, out: [&mut [Complex64]; 2], work: &mut [Complex64]) {
    let nn = n * n;
    let (y, rest) = work.split_at_mut(nn);
    let (y2, rest) = rest.split_at_mut(nn);
    let (y3, rest) = rest.split_at_mut(nn);
    let (y4, rest) = rest.split_at_mut(nn);
    let upper = &mut rest[..nn];
    y.iter_mut().zip(x).for_each(|(y, &x)| *y = x * scale);
    multiply(n, y, y, y2);
    multiply(n, y2, y, y3);
    multiply(n, y2, y2, y4);
    for (out, factors) in out.into_iter().zip([&COSH_FACTORS, &SINH_FACTORS]) {
        for k in 0..nn {
            upper[k] = y[k] * factors[5] + y2[k] * factors[6] + y3[k] * factors[7] + y4[k] * factors[8];
        }
        (0..n).for_each(|i| upper[i * n + i] += factors[4]);
        multiply(n, y4, upper, out);
        for k in 0..nn {
            out[k] += y[k] * factors[1] + y2[k] * factors[2] + y3[k] * factors[3];
        }
        (0..n).for_each(|i| out[i * n + i] += factors[0]);
    }
}

/// Factors of `cosh √Y − 1`: none, then `1/(2k)!`.
const COSH_FACTORS: [f64; SERIES_TERMS + 1] = inverse_factorials(0);
/// Factors of `sinh(√Y)/√Y`: `1/(2k + 1)!`.
const SINH_FACTORS: [f64; SERIES_TERMS + 1] = inverse_factorials(1);

/// `1/(2k + odd)!` for each `k`; for even factorials the first is zero instead of one.
const fn inverse_factorials(odd: usize) -> [f64; SERIES_TERMS + 1] {
    let mut out = [0.0; SERIES_TERMS + 1];
    let mut factorial = 1.0;
    let mut k = 0;
    while k <= SERIES_TERMS {
        if k > 0 {
            factorial *= ((2 * k + odd - 1) * (2 * k + odd)) as f64;
        }
        out[k] = if k == 0 && odd == 0 { 0.0 } else { 1.0 / factorial };
        k += 1;
    }
    out
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

/// Largest sum of magnitudes (as |re| + |im|) of a row.
fn row_norm(n: usize, m: &[Complex64]) -> f64 {
    m.chunks_exact(n).map(|row| row.iter().map(|x| x.l1_norm()).sum()).fold(0.0, f64::max)
}
