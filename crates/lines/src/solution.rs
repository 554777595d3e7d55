//! The verb: cross-section in; matrices per metre, their derivatives and their error out.

use crate::gradient::{Gradient, gradient, pair_index};
use crate::kernel::ORDER_MAX;
use crate::loss::MetalProblem;
use crate::mesh::{Grading, Mesh, build};
use crate::section::CrossSection;
use crate::solve::{Charges, Discrete};
use crate::{LinesError, Motion};
use numerics::linear::eigen_symmetric;
use numerics::{Outcome, RMatrix, Report};
use quantity::constants::{VACUUM_PERMEABILITY_H_PER_M, VACUUM_PERMITTIVITY_F_PER_M};

/// How well to solve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineSettings {
    /// Estimated error of any capacitance or inductance, relative to the geometric mean of the two self terms,
    /// at which refinement stops. The estimate is three times the larger of two changes: under one more polynomial
    /// on every panel, and, once panels were cut, since the mesh before.
    pub tolerance: f64,
    /// Largest number of unknowns; memory grows with its square, time with its cube.
    pub unknowns_max: usize,
    /// Polynomials on each panel of the returned solution.
    pub polynomials: usize,
}

impl Default for LineSettings {
    fn default() -> Self {
        Self { tolerance: 1e-3, unknowns_max: 6000, polynomials: 4 }
    }
}

/// Estimate over observed change; on exactly known lines the true error reached twice the change.
const SAFETY: f64 = 3.0;
/// Refinement rounds at most: each cuts the worst panels in two.
const ROUNDS_MAX: usize = 12;
/// Panels are cut when their change is at least this share of the largest.
const MARK_SHARE: f64 = 0.2;
/// First mesh: two settings of panel length over distance were tried on the checks; 1.5 meets 1e-3 at once.
const START: Grading = Grading { reach: 1.5, tip_cuts: 0 };

/// Matrices per metre of a solved cross-section and all that is needed for derivatives and losses.
#[derive(Debug, Clone)]
pub struct LineSolution {
    pub(crate) section: CrossSection,
    pub(crate) mesh: Mesh,
    /// Capacitance matrix, farad per metre, for the real permittivities as given.
    pub c_f_per_m: RMatrix,
    /// External inductance matrix (perfect conductors), henry per metre.
    pub l_h_per_m: RMatrix,
    /// Estimated error of capacitances and inductances, relative to the geometric mean of the self terms.
    pub error_estimate: f64,
    pub(crate) filled: Gradient,
    pub(crate) empty: Gradient,
    pub(crate) c_air: RMatrix,
    pub(crate) metal: MetalProblem,
    pub(crate) polynomials: usize,
}

/// One pair of discretisations of a mesh: with all dielectrics and with none.
struct Round {
    filled: (Discrete, Charges),
    empty: (Discrete, Charges),
}

/// Solves a cross-section to the asked tolerance.
pub fn solve_lines(section: &CrossSection, settings: &LineSettings) -> Result<(LineSolution, Report), LinesError> {
    section.check()?;
    if !(2..ORDER_MAX).contains(&settings.polynomials) {
        let fault = format!("expected 2 to {} polynomials a panel, found {}", ORDER_MAX - 1, settings.polynomials);
        return Err(LinesError::Section { place: "settings".into(), fault });
    }
    let eps: Vec<f64> = section.fillings.iter().map(|f| f.eps_r).collect();
    let ones = vec![1.0; eps.len()];
    let n_lines = section.line_names().len();
    let mut mesh = build(section, START)?;
    let mut report = Report { residual_asked: settings.tolerance, ..Report::default() };
    let mut coarse = solve_round(&mesh, settings.polynomials - 1, n_lines, &eps)?;
    let mut before: Option<[RMatrix; 2]> = None;
    loop {
        let fine = solve_round(&mesh, settings.polynomials, n_lines, &eps)?;
        let now = [fine.filled.1.c.clone(), fine.empty.1.c.clone()];
        let since = |old: [&RMatrix; 2]| distance(old[0], &now[0]).max(distance(old[1], &now[1]));
        let by_order = since([&coarse.filled.1.c, &coarse.empty.1.c]);
        let error = SAFETY * before.as_ref().map_or(by_order, |b| by_order.max(since([&b[0], &b[1]])));
        report.history.push(error);
        report.iterations += 1;
        report.factorisations += 4;
        report.unknowns = fine.filled.0.unknowns();
        if error <= settings.tolerance {
            (report.outcome, report.residual, report.error_estimate) = (Outcome::Converged, error, Some(error));
            let solution = finish(section, mesh, fine, &eps, &ones, error)?;
            return Ok((solution, report));
        }
        mesh.refine(&mark(&mesh, &coarse, &fine));
        before = Some(now);
        if report.iterations >= ROUNDS_MAX || mesh.pieces.len() * settings.polynomials > settings.unknowns_max {
            let unknowns = report.unknowns;
            return Err(LinesError::Budget { wanted: settings.tolerance, reached: error, unknowns });
        }
        coarse = solve_round(&mesh, settings.polynomials - 1, n_lines, &eps)?;
    }
}

fn solve_round(mesh: &Mesh, n: usize, n_lines: usize, eps: &[f64]) -> Result<Round, LinesError> {
    let filled = Discrete::new(mesh, n, n_lines, true);
    let empty = Discrete::new(mesh, n, n_lines, false);
    let (x, y) = (filled.solve(eps)?, empty.solve(&vec![1.0; eps.len()])?);
    Ok(Round { filled: (filled, x), empty: (empty, y) })
}

/// Largest difference of two capacitance matrices over the geometric mean of the self terms; the lack of
/// symmetry of the finer one counts as well.
fn distance(coarse: &RMatrix, fine: &RMatrix) -> f64 {
    let n = fine.n_rows();
    let entry = |i: usize, j: usize| {
        let scale = (fine[(i, i)] * fine[(j, j)]).abs().sqrt();
        (coarse[(i, j)] - fine[(i, j)]).abs().max((fine[(i, j)] - fine[(j, i)]).abs()) / scale
    };
    (0..n).flat_map(|i| (0..n).map(move |j| (i, j))).map(|(i, j)| entry(i, j)).fold(0.0, f64::max)
}

/// Panels whose charge changed most between the two orders, weighted by the adjoint charge.
fn mark(mesh: &Mesh, coarse: &Round, fine: &Round) -> Vec<bool> {
    let (m, n) = (coarse.filled.0.n, fine.filled.0.n);
    let change: Vec<f64> = (0..mesh.pieces.len())
        .map(|e| {
            let of_line = |x: &Vec<f64>, y: &Vec<f64>| -> f64 {
                let low = (0..m).map(|k| (x[e * m + k] - y[e * n + k]).abs() / (2 * k + 1) as f64);
                low.sum::<f64>() + y[e * n + n - 1].abs() / (2 * n - 1) as f64
            };
            coarse.filled.1.x.iter().zip(&fine.filled.1.x).map(|(x, y)| of_line(x, y)).sum()
        })
        .collect();
    let largest = change.iter().copied().fold(0.0, f64::max);
    change.iter().map(|&c| c >= MARK_SHARE * largest).collect()
}

fn finish(
    section: &CrossSection,
    mesh: Mesh,
    round: Round,
    eps: &[f64],
    ones: &[f64],
    error_estimate: f64,
) -> Result<LineSolution, LinesError> {
    let (filled, charges) = &round.filled;
    let (empty, air) = &round.empty;
    let filled_gradient = gradient(&mesh, filled, charges, eps);
    let empty_gradient = gradient(&mesh, empty, air, ones);
    let c_air = symmetric(&air.c);
    let metal = MetalProblem::new(section, &mesh, empty, air, &c_air)?;
    let l_h_per_m = inverse(&c_air)?.map(|x| x * VACUUM_PERMEABILITY_H_PER_M);
    Ok(LineSolution {
        section: section.clone(),
        c_f_per_m: symmetric(&charges.c).map(|x| x * VACUUM_PERMITTIVITY_F_PER_M),
        l_h_per_m,
        error_estimate,
        filled: filled_gradient,
        empty: empty_gradient,
        c_air,
        metal,
        mesh,
        polynomials: empty.n,
    })
}

pub(crate) fn symmetric(c: &RMatrix) -> RMatrix {
    RMatrix::from_fn(c.n_rows(), c.n_rows(), |i, j| 0.5 * (c[(i, j)] + c[(j, i)]))
}

/// Inverse of a symmetric positive matrix.
pub(crate) fn inverse(a: &RMatrix) -> Result<RMatrix, LinesError> {
    matrix_function(a, |x| 1.0 / x)
}

/// `f` of a symmetric matrix with positive eigenvalues.
pub(crate) fn matrix_function(a: &RMatrix, f: impl Fn(f64) -> f64) -> Result<RMatrix, LinesError> {
    let (values, vectors) = eigen_symmetric(a)?;
    let n = values.len();
    if values.iter().any(|&v| v <= 0.0) {
        let why = format!("a matrix of line constants has the eigenvalue {:.3e}, expected all above zero", values[0]);
        return Err(numerics::NumericsError::Singular { n, why }.into());
    }
    Ok(RMatrix::from_fn(n, n, |i, j| (0..n).map(|k| vectors[(i, k)] * f(values[k]) * vectors[(j, k)]).sum()))
}

pub(crate) fn product(a: &RMatrix, b: &RMatrix) -> RMatrix {
    RMatrix::from_fn(a.n_rows(), b.n_cols(), |i, j| (0..a.n_cols()).map(|k| a[(i, k)] * b[(k, j)]).sum())
}

/// Derivatives of the matrices per unit of a motion.
#[derive(Debug, Clone, PartialEq)]
pub struct LineDerivative {
    /// Of the capacitance matrix, farad per metre per unit.
    pub c: RMatrix,
    /// Of the external inductance matrix, henry per metre per unit.
    pub l: RMatrix,
}

impl LineSolution {
    /// Number of lines.
    pub fn n_lines(&self) -> usize {
        self.c_f_per_m.n_rows()
    }

    /// The cross-section that was solved.
    pub fn section(&self) -> &CrossSection {
        &self.section
    }

    /// Derivative of the capacitance matrix by the permittivity of a filling, farad per metre.
    pub fn by_permittivity(&self, filling: usize) -> RMatrix {
        let n = self.n_lines();
        let part = &self.filled.fillings[filling];
        RMatrix::from_fn(n, n, |i, j| part[pair_index(i, j, n)] * VACUUM_PERMITTIVITY_F_PER_M)
    }

    /// Derivatives along any motion of corners, interfaces, walls and permittivities.
    ///
    /// Exact for the discrete solution, so as accurate as the matrices themselves; nothing is solved again.
    pub fn derivative(&self, motion: &Motion) -> Result<LineDerivative, LinesError> {
        motion.check(&self.section)?;
        let n = self.n_lines();
        let along = |g: &Gradient, by_eps: bool| {
            RMatrix::from_fn(n, n, |i, j| motion.along(&self.section, &self.mesh, g, pair_index(i, j, n), by_eps))
        };
        let c = along(&self.filled, true).map(|x| x * VACUUM_PERMITTIVITY_F_PER_M);
        let inverse = inverse(&self.c_air)?;
        let inner = product(&product(&inverse, &along(&self.empty, false)), &inverse);
        Ok(LineDerivative { c, l: inner.map(|x| -x * VACUUM_PERMEABILITY_H_PER_M) })
    }
}
