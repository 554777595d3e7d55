//! How good an answer is; returned beside it by every solver.

/// How an iteration ended when there is an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Outcome {
    /// Reached the asked tolerance.
    #[default]
    Converged,
    /// Reached only the looser, named tolerance; the best iterate is returned.
    Almost,
}

/// Quality and work of one solution.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Report {
    /// How it ended.
    pub outcome: Outcome,
    /// Residual asked for, in the solver's stated scale.
    pub residual_asked: f64,
    /// Residual reached.
    pub residual: f64,
    /// Residual after each outer iteration.
    pub history: Vec<f64>,
    /// Estimated relative error of the answer, when known.
    pub error_estimate: Option<f64>,
    /// Unknowns (real numbers).
    pub unknowns: usize,
    /// Outer iterations.
    pub iterations: usize,
    /// Inner (Krylov) iterations.
    pub inner_iterations: usize,
    /// Matrix factorisations.
    pub factorisations: usize,
}
