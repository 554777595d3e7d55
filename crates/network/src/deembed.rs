//! Taking away what lies between the instrument and the device.
//!
//! Input: matrices measured with and without the device. Output: the device alone, or the fixture.
//! Sources: open-short and 2x-thru relations as stated beside each function (derived; exact under
//! the stated assumption).

use crate::NetworkError;
use crate::connect::stack;
use crate::convert::divide;
use crate::network::mismatch;
use numerics::{CMatrix, Complex64, linear};

/// Device admittance from measured, open and short admittances, siemens:
/// `((Ym − Yo)⁻¹ − (Ys − Yo)⁻¹)⁻¹`. Exact when the pads lie outside the series part.
pub fn open_short(measured: &CMatrix, open: &CMatrix, short: &CMatrix) -> Result<CMatrix, NetworkError> {
    check_same(measured, open)?;
    check_same(measured, short)?;
    let series = inverse(&(short - open), "series part: short and open agree")?;
    let with_series = inverse(&(measured - open), "device: measurement and open agree")?;
    inverse(&(&with_series - &series), "device: measurement and short agree")
}

/// Device admittance when only the pads are known: `Ym − Yo`, siemens.
pub fn open_only(measured: &CMatrix, open: &CMatrix) -> Result<CMatrix, NetworkError> {
    check_same(measured, open)?;
    Ok(measured - open)
}

/// One half of a thru made of two equal symmetric halves, as chain matrices:
/// `X = (T + I)/√(tr T + 2)` (Cayley–Hamilton with det T = 1), principal root.
pub fn half_of_symmetric_thru(chain: &CMatrix) -> Result<CMatrix, NetworkError> {
    if (chain.n_rows(), chain.n_cols()) != (2, 2) {
        return mismatch("a chain matrix of two ports", format!("{} by {}", chain.n_rows(), chain.n_cols()));
    }
    let root = (chain[(0, 0)] + chain[(1, 1)] + 2.0).sqrt();
    // half a turn through the thru: any quarter-wave line is a half of it
    if root.norm() < f64::EPSILON.sqrt() {
        return Err(NetworkError::NoSuchForm { form: "half of this thru", why: "the thru is half a turn".into() });
    }
    Ok((chain + &CMatrix::identity(2)).scaled(root.inv()))
}

/// Halves over rising frequencies; the sign of the root follows by continuity from the first one.
pub fn halves_of_symmetric_thru(chains: &[CMatrix]) -> Result<Vec<CMatrix>, NetworkError> {
    let mut out: Vec<CMatrix> = Vec::with_capacity(chains.len());
    for chain in chains {
        let half = half_of_symmetric_thru(chain)?;
        out.push(match out.last() {
            Some(before) if distance(before, &-&half) < distance(before, &half) => -&half,
            _ => half,
        });
    }
    Ok(out)
}

/// Distance of two chain matrices, ohm and siemens made comparable by the impedance of the second.
fn distance(a: &CMatrix, b: &CMatrix) -> f64 {
    let (ohm, siemens) = (b[(0, 1)].norm(), b[(1, 0)].norm());
    let z = if ohm > 0.0 && siemens > 0.0 { (ohm / siemens).sqrt() } else { 1.0 };
    let d = a - b;
    d[(0, 0)].norm() + d[(1, 1)].norm() + d[(0, 1)].norm() / z + d[(1, 0)].norm() * z
}

/// Fixture and number of sign changes against the principal root.
#[derive(Debug, Clone, PartialEq)]
pub struct MirroredThru {
    /// Scattering matrices of the left fixture, port 1 outside.
    pub fixture: Vec<CMatrix>,
    /// How often the principal root changes sign along the band.
    pub sign_flips: usize,
}

/// Fixture of a thru made of one fixture and its mirror image: `A22 = (S11 − A11)/S21`,
/// `A21² = S21 (1 − A22²)`, root sign by continuity of the phase from the low end.
///
/// `outer_reflection` is A11 of the fixture alone, for example from a time gate. The first frequency
/// must be low enough for the fixture to turn less than a quarter.
pub fn mirrored_thru(thru: &[CMatrix], outer_reflection: &[Complex64]) -> Result<MirroredThru, NetworkError> {
    if thru.len() != outer_reflection.len() || thru.iter().any(|s| (s.n_rows(), s.n_cols()) != (2, 2)) {
        let found = format!("{} matrices and {} reflections", thru.len(), outer_reflection.len());
        return mismatch("two-ports, and one reflection a frequency", found);
    }
    let mut out = MirroredThru { fixture: Vec::with_capacity(thru.len()), sign_flips: 0 };
    let mut last: Option<(Complex64, bool)> = None;
    for (s, &a11) in thru.iter().zip(outer_reflection) {
        let s21 = (s[(1, 0)] + s[(0, 1)]) / 2.0;
        if s21.norm() == 0.0 {
            return Err(NetworkError::NoSuchForm { form: "fixture", why: "the thru passes nothing".into() });
        }
        let a22 = (s[(0, 0)] - a11) / s21;
        let principal = (s21 * (1.0 - a22 * a22)).sqrt();
        let flipped = match last {
            Some((before, _)) => (before + principal).norm() < (before - principal).norm(),
            None => principal.re < 0.0,
        };
        out.sign_flips += usize::from(last.is_some_and(|(_, f)| f != flipped));
        let a21 = if flipped { -principal } else { principal };
        last = Some((a21, flipped));
        out.fixture.push(CMatrix::from_rows(&[vec![a11, a21], vec![a21, a22]]));
    }
    Ok(out)
}

/// Removes a two-port from each port where one is given; port 1 of a fixture is outside.
///
/// With `[b1; a1] = T [a2; b2]` of each fixture, `S = (T11 − Sm T21)⁻¹ (Sm T22 − T12)`.
/// Needs only that each fixture passes something; works for devices without Z or Y.
pub fn remove_fixtures(measured: &CMatrix, fixtures: &[Option<&CMatrix>]) -> Result<CMatrix, NetworkError> {
    let n = fixtures.len();
    let through = CMatrix::from_rows(&[vec![0.0.into(), 1.0.into()], vec![1.0.into(), 0.0.into()]]);
    let parts: Vec<&CMatrix> = fixtures.iter().map(|f| f.unwrap_or(&through)).collect();
    if let Some(bad) = parts.iter().find(|p| (p.n_rows(), p.n_cols()) != (2, 2)) {
        return mismatch("fixtures with two ports", format!("{} by {}", bad.n_rows(), bad.n_cols()));
    }
    let all = stack(&parts);
    let outside: Vec<usize> = (0..n).map(|k| 2 * k).collect();
    let inside: Vec<usize> = (0..n).map(|k| 2 * k + 1).collect();
    remove_fixture(measured, &all, &outside, &inside)
}

/// Removes a fixture with `2n` ports from an n-port: port `outside[k]` faced the instrument where
/// port `inside[k]` faced port `k` of the device.
pub fn remove_fixture(
    measured: &CMatrix,
    fixture: &CMatrix,
    outside: &[usize],
    inside: &[usize],
) -> Result<CMatrix, NetworkError> {
    let n = measured.n_rows();
    let mut used: Vec<usize> = outside.iter().chain(inside).copied().collect();
    used.sort_unstable();
    if outside.len() != n
        || !used.iter().copied().eq(0..2 * n)
        || fixture.n_rows() != 2 * n
        || fixture.n_cols() != 2 * n
    {
        let found = format!("{} fixture ports, {} outside, {} inside", fixture.n_rows(), outside.len(), inside.len());
        return mismatch(format!("a fixture with {n} ports outside and {n} inside"), found);
    }
    let (s11, s12) = (fixture.select(outside, outside), fixture.select(outside, inside));
    let (s21, s22) = (fixture.select(inside, outside), fixture.select(inside, inside));
    // outer incident waves for device waves (b, a): a1 = S21⁻¹ (a − S22 b)
    let t22 = inverse(&s21, "transfer matrix of the fixture")?;
    let t21 = -&(&t22 * &s22);
    let (t12, t11) = (&s11 * &t22, &s12 + &(&s11 * &t21));
    let left = &t11 - &(measured * &t21);
    let right = &(measured * &t22) - &t12;
    linear::solve(&left, &right).map_err(|e| NetworkError::NoSuchForm {
        form: "device behind this fixture",
        why: format!("{e}; does the fixture belong to this measurement?"),
    })
}

fn inverse(m: &CMatrix, form: &'static str) -> Result<CMatrix, NetworkError> {
    divide(&CMatrix::identity(m.n_rows()), m, form)
}

fn check_same(a: &CMatrix, b: &CMatrix) -> Result<(), NetworkError> {
    if (a.n_rows(), a.n_cols()) == (b.n_rows(), b.n_cols()) && a.n_rows() == a.n_cols() {
        return Ok(());
    }
    let found = format!("{} by {} and {} by {}", a.n_rows(), a.n_cols(), b.n_rows(), b.n_cols());
    mismatch("square matrices of one size", found)
}
