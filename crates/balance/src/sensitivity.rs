//! First and second derivatives of outgoing waves of a steady state.
//!
//! Input: a steady state, parameters, and how the linear multiport moves with its own parameters.
//! Output: waves, gradients and curvature with respect to all parameters.
//!
//! # Method
//! With all waves `A` arriving at the linear multiport (external drives and the waves from the
//! junctions) and `t = w + jωR·q`, the balance is `t = 2√R·(S·A)` at the junctions. One linear solution
//! with the converged derivative gives the motion of the whole state with a parameter (direct); one
//! with its adjoint gives the weight `λ` of every imbalance in one part of one output. With the two,
//! second derivatives need no further solution: the second-order imbalance of two motions, weighted.
//! First derivatives come from whichever way needs fewer solutions; where second ones are asked for
//! both ways are known, and their difference is the reported error.
//! The adjoint belongs to the inner product "mean over the grid of samples", under which products
//! with real waveforms are symmetric and a line of the multiport is conjugated and transposed.
//! Source: adjoint of harmonic balance after J. W. Bandler, Q. J. Zhang, R. M. Biernacki, IEEE Trans.
//! MTT-36 (1988) 1688 (from memory); second-order form derived here.

mod motion;
mod state;

pub use motion::{NetworkDerivatives, NetworkMotion, Rigid, Stencil};

use crate::{BalanceError, Problem, SteadyState};
use numerics::{CMatrix, Complex64, Report};
use state::{Adjoint, Linear, Moved};

/// A wave leaving an external port at a product of the tones.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Output {
    /// External port.
    pub port: usize,
    /// Orders in all tones.
    pub orders: Vec<i32>,
}

/// What is moved; every parameter is zero at the given state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parameter {
    /// A parameter of the [`NetworkMotion`], in its own unit.
    Network(usize),
    /// Resistance added in series with a junction, ohm.
    SeriesOhm(usize),
    /// The current of a junction becomes `exp(p)·i(v)`: `ln IS`, or minus a shift of the forward
    /// voltage over its scale voltage.
    Current(usize),
    /// The charge of a junction becomes `(1 + p)·q(v)`: relative change of `CJ0`.
    Charge(usize),
    /// The wave of a drive becomes `exp(p)` of itself, by its number in the problem.
    Drive(usize),
}

/// Which derivatives are asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// Gradients only.
    First,
    /// Gradients and curvature.
    Second,
}

/// Waves with their derivatives.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensitivities {
    /// Waves leaving, √W peak (the wave itself at direct current).
    pub values: Vec<Complex64>,
    /// One row an output, one column a parameter.
    pub first: CMatrix,
    /// One symmetric matrix an output; empty when not asked for.
    pub second: Vec<CMatrix>,
    /// Largest difference between the gradients of both ways, relative to the largest entry of their
    /// row; none when only one way was taken.
    pub mismatch: Option<f64>,
}

/// Derivatives of `outputs` with respect to `parameters` at a converged `state` of `problem`.
///
/// The report tells iterations and the largest relative residual of the linear solutions.
///
/// # Errors
/// An output that is not kept, a parameter that does not exist, network derivatives that fail.
pub fn sensitivities(
    problem: &Problem,
    state: &SteadyState,
    motion: &dyn NetworkMotion,
    parameters: &[Parameter],
    outputs: &[Output],
    order: Order,
) -> Result<(Sensitivities, Report), BalanceError> {
    check(problem, motion, parameters)?;
    let mut linear = Linear::new(problem, state, motion, parameters, order)?;
    let values = outputs
        .iter()
        .map(|o| state.wave_out(o.port, &o.orders).ok_or_else(|| not_kept(o)))
        .collect::<Result<Vec<_>, _>>()?;
    let (n_out, n) = (outputs.len(), parameters.len());
    let direct = order == Order::Second || n <= 2 * n_out;
    let adjoint = order == Order::Second || !direct;
    let mut first = CMatrix::zeros(n_out, n);
    let mut moved: Vec<Moved> = Vec::new();
    if direct {
        for k in 0..n {
            let m = linear.direct(k)?;
            for (o, output) in outputs.iter().enumerate() {
                first[(o, k)] = linear.moved_output(&m, output)?;
            }
            moved.push(m);
        }
    }
    let mut second = vec![CMatrix::zeros(n, n); if order == Order::Second { n_out } else { 0 }];
    let mut mismatch: Option<f64> = direct.then_some(0.0).filter(|_| adjoint);
    if adjoint {
        for (o, output) in outputs.iter().enumerate() {
            let mut row = vec![Complex64::default(); n];
            for unit in [Complex64::new(1.0, 0.0), Complex64::new(0.0, 1.0)] {
                let Some(weights) = linear.adjoint(output, unit)? else { continue };
                for (k, x) in row.iter_mut().enumerate() {
                    *x += unit * linear.weighted_first(&weights, k);
                }
                if order == Order::Second {
                    add_curvature(&linear, &weights, &moved, unit, &mut second[o]);
                }
            }
            let scale = row.iter().map(|x| x.norm()).fold(f64::MIN_POSITIVE, f64::max);
            for (k, x) in row.into_iter().enumerate() {
                if let Some(worst) = &mut mismatch {
                    *worst = worst.max((x - first[(o, k)]).norm() / scale);
                }
                if !direct {
                    first[(o, k)] = x;
                }
            }
        }
    }
    let report = Report { error_estimate: mismatch, ..linear.report };
    Ok((Sensitivities { values, first, second, mismatch }, report))
}

fn add_curvature(linear: &Linear, weights: &Adjoint, moved: &[Moved], unit: Complex64, into: &mut CMatrix) {
    let n = moved.len();
    let part = linear.weighted_second(weights, moved);
    for i in 0..n {
        for j in i..n {
            let x = unit * part[(i, j)];
            into[(i, j)] += x;
            if i != j {
                into[(j, i)] += x;
            }
        }
    }
}

fn not_kept(output: &Output) -> BalanceError {
    BalanceError::Mismatch {
        expected: "outputs at kept products; raise the truncation".into(),
        found: format!("an output at product {:?} of port {}", output.orders, output.port),
    }
}

fn check(problem: &Problem, motion: &dyn NetworkMotion, parameters: &[Parameter]) -> Result<(), BalanceError> {
    let n_junctions = problem.devices.len();
    for p in parameters {
        let (found, limit, what) = match *p {
            Parameter::Network(k) => (k, motion.n_parameters(), "parameters of the network"),
            Parameter::SeriesOhm(j) | Parameter::Current(j) | Parameter::Charge(j) => (j, n_junctions, "junctions"),
            Parameter::Drive(d) => (d, problem.drives.len(), "drives"),
        };
        if found >= limit {
            let expected = format!("one of {limit} {what}, counted from zero");
            return Err(BalanceError::Mismatch { expected, found: format!("number {found}") });
        }
    }
    Ok(())
}
