//! A system handed to another program and its answer taken back: the way to a solver that pivots,
//! or that spreads one structure over several machines.
//!
//! Input: a complex matrix and right-hand sides. Output: bytes; and from the bytes of the answer the
//! solutions, each held against the system by the same measures as our own ([`Solution`]).
//! Format (little-endian): 8 bytes `MWSYS01\n`; order, entries, right-hand sides as 64-bit integers;
//! rows then columns as 32-bit integers counted from one, lower triangle; values, then the
//! right-hand sides one after the other, as pairs of doubles. The answer: 8 bytes `MWANS01\n`,
//! order and right-hand sides, then the solutions.
//! `outside/solve.c` is such a program, on the MPI multifrontal library of the Debian distribution.
//! Not here: starting processes; the caller connects the ends.

use crate::solver::{BACKWARD_ERROR_MAX, RESIDUAL_MAX};
use crate::{Solution, SparseError, SymmetricMatrix};
use num_complex::Complex64;
use std::io::{Read, Write};

const SYSTEM: &[u8; 8] = b"MWSYS01\n";
const ANSWER: &[u8; 8] = b"MWANS01\n";

/// Errors of the exchange.
#[derive(Debug, thiserror::Error)]
pub enum ExchangeError {
    /// The other end went away.
    #[error("cannot exchange the system with the other program: {0}; see what it said on its error output")]
    Stream(#[from] std::io::Error),
    /// The bytes are not an answer to this system.
    #[error("expected {expected}, found {found}; is the other program of the same version?")]
    Shape {
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// The answer is no solution.
    #[error(transparent)]
    Solution(#[from] SparseError),
}

/// Writes the system.
///
/// # Errors
/// When a right-hand side has another length, or the stream fails.
pub fn write_system(
    matrix: &SymmetricMatrix<Complex64>,
    rhs: &[Vec<Complex64>],
    out: &mut dyn Write,
) -> Result<(), ExchangeError> {
    let n = matrix.order();
    if let Some(b) = rhs.iter().find(|b| b.len() != n) {
        return Err(shape(format!("right-hand sides of length {n}"), format!("{}", b.len())));
    }
    let pattern = matrix.pattern();
    out.write_all(SYSTEM)?;
    for size in [n, pattern.n_entries(), rhs.len()] {
        out.write_all(&(size as u64).to_le_bytes())?;
    }
    for j in 0..n {
        for &i in pattern.column(j) {
            out.write_all(&(i + 1).to_le_bytes())?;
        }
    }
    for j in 0..n {
        for _ in pattern.column(j) {
            out.write_all(&(j as u32 + 1).to_le_bytes())?;
        }
    }
    for v in matrix.values.iter().chain(rhs.iter().flatten()) {
        out.write_all(&v.re.to_le_bytes())?;
        out.write_all(&v.im.to_le_bytes())?;
    }
    Ok(out.flush()?)
}

/// Reads the answer and holds it against the system.
///
/// # Errors
/// When the bytes are no answer to this system, or a solution has a backward error above 1e-12 or a relative
/// residual above 1e-5.
pub fn read_answer(
    matrix: &SymmetricMatrix<Complex64>,
    rhs: &[Vec<Complex64>],
    answer: &mut dyn Read,
) -> Result<Solution<Complex64>, ExchangeError> {
    let n = matrix.order();
    let mut mark = [0; 8];
    answer.read_exact(&mut mark)?;
    if &mark != ANSWER {
        let found = String::from_utf8_lossy(&mark).into_owned();
        return Err(shape("an answer, beginning with `MWANS01`".into(), format!("`{}`", found.trim_end())));
    }
    let (order, columns) = (read_size(answer)?, read_size(answer)?);
    if (order, columns) != (n as u64, rhs.len() as u64) {
        return Err(shape(
            format!("{} solutions of length {n}", rhs.len()),
            format!("{columns} solutions of length {order}"),
        ));
    }
    let mut out = Solution { columns: vec![], backward_errors: vec![], residuals: vec![], refinements: 0 };
    for b in rhs {
        let mut bytes = vec![0; 16 * n];
        answer.read_exact(&mut bytes)?;
        let x: Vec<Complex64> = bytes.chunks_exact(16).map(complex).collect();
        check(matrix, b, x, &mut out)?;
    }
    Ok(out)
}

fn shape(expected: String, found: String) -> ExchangeError {
    ExchangeError::Shape { expected, found }
}

fn read_size(from: &mut dyn Read) -> Result<u64, ExchangeError> {
    let mut bytes = [0; 8];
    from.read_exact(&mut bytes)?;
    Ok(u64::from_le_bytes(bytes))
}

fn complex(bytes: &[u8]) -> Complex64 {
    let half = |from: usize| f64::from_le_bytes(bytes[from..from + 8].try_into().expect("eight bytes"));
    Complex64::new(half(0), half(8))
}

fn check(
    matrix: &SymmetricMatrix<Complex64>,
    b: &[Complex64],
    x: Vec<Complex64>,
    out: &mut Solution<Complex64>,
) -> Result<(), ExchangeError> {
    if !x.iter().all(|z| z.is_finite()) {
        return Err(SparseError::NotFinite { what: format!("solution {}", out.columns.len()) }.into());
    }
    let largest = |v: &[Complex64]| v.iter().map(|z| z.norm()).fold(0.0, f64::max);
    let r: Vec<Complex64> = matrix.times(&x).iter().zip(b).map(|(a, b)| b - a).collect();
    let (size_r, size_b) = (largest(&r), largest(b));
    let found = size_r / (matrix.norm_inf() * largest(&x) + size_b).max(f64::MIN_POSITIVE);
    let residual = size_r / size_b.max(f64::MIN_POSITIVE);
    if found > BACKWARD_ERROR_MAX || residual > RESIDUAL_MAX {
        let column = out.columns.len();
        let n = matrix.order();
        return Err(
            SparseError::Inaccurate { n, column, found, wanted: BACKWARD_ERROR_MAX, residual, perturbed: 0 }.into()
        );
    }
    out.columns.push(x);
    out.backward_errors.push(found);
    out.residuals.push(residual);
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn small() -> (SymmetricMatrix<Complex64>, Vec<Vec<Complex64>>) {
        let c = Complex64::new;
        let entries = [(0, 0, c(2.0, 1.0)), (1, 0, c(-1.0, 0.5)), (1, 1, c(3.0, 0.0)), (2, 2, c(0.0, 4.0))];
        let matrix = SymmetricMatrix::from_entries(3, &entries).expect("a matrix");
        let x = vec![c(1.0, 2.0), c(-0.5, 0.0), c(3.0, -1.0)];
        (matrix.clone(), vec![matrix.times(&x)])
    }

    fn answer(columns: &[Vec<Complex64>]) -> Vec<u8> {
        let mut bytes = ANSWER.to_vec();
        bytes.extend((columns[0].len() as u64).to_le_bytes());
        bytes.extend((columns.len() as u64).to_le_bytes());
        for v in columns.iter().flatten() {
            bytes.extend(v.re.to_le_bytes());
            bytes.extend(v.im.to_le_bytes());
        }
        bytes
    }

    #[test]
    fn the_system_is_written_in_the_format_described() {
        let (matrix, rhs) = small();
        let mut bytes = Vec::new();
        write_system(&matrix, &rhs, &mut bytes).expect("memory does not fail");
        assert_eq!(&bytes[..8], SYSTEM);
        assert_eq!(bytes.len(), 8 + 24 + 2 * 4 * 4 + 16 * (4 + 3));
        let first_row = u32::from_le_bytes(bytes[32..36].try_into().expect("four bytes"));
        assert_eq!(first_row, 1);
        assert!(write_system(&matrix, &[vec![]], &mut bytes).is_err());
    }

    #[test]
    fn only_solutions_are_accepted() {
        let (matrix, rhs) = small();
        let c = Complex64::new;
        let x = vec![c(1.0, 2.0), c(-0.5, 0.0), c(3.0, -1.0)];
        let bytes = answer(std::slice::from_ref(&x));
        let back = read_answer(&matrix, &rhs, &mut bytes.as_slice()).expect("the solution");
        assert_eq!(back.columns[0], x);
        let mut wrong = x.clone();
        wrong[1].re += 1e-6;
        assert!(read_answer(&matrix, &rhs, &mut answer(&[wrong]).as_slice()).is_err());
        let mut hollow = x;
        hollow[0].im = f64::NAN;
        assert!(read_answer(&matrix, &rhs, &mut answer(&[hollow]).as_slice()).is_err());
        for cut in 0..bytes.len() {
            assert!(read_answer(&matrix, &rhs, &mut &bytes[..cut]).is_err(), "cut at {cut}");
        }
        let mut other = bytes.clone();
        other[3] = b'?';
        assert!(read_answer(&matrix, &rhs, &mut other.as_slice()).is_err());
    }
}
