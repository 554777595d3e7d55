//! Solution of the driven problem at one frequency, with its self-checks.

use crate::VolumeError;
use crate::element::Order;
use crate::model::{Model, vacuum_impedance_ohm};
use crate::space::Formulation;
use crate::system::{PortState, System, wavenumber};
use numerics::{CMatrix, Complex64, Watch};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use sparse::Precision;
use std::sync::Arc;

/// Longest edge of the mesh in wavelengths below which the stabilised form is used.
const STABILISED_BELOW_WAVELENGTHS: f64 = 1.0 / 400.0;

/// Choices of the solution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SolveSettings {
    /// Order of the elements; second gives more digits for the same memory on smooth fields.
    pub order: Order,
    /// Form of the equations; `None` chooses by frequency.
    pub formulation: Option<Formulation>,
    /// Hold the factor in single precision and refine: half the time and memory. Falls back to double
    /// precision by itself when the refinement does not reach the goal, as it happens at low frequencies.
    pub single_precision: bool,
}

impl Default for SolveSettings {
    fn default() -> Self {
        Self { order: Order::Second, formulation: None, single_precision: false }
    }
}

/// How good the result at one frequency is.
#[derive(Debug, Clone, PartialEq)]
pub struct SolutionReport {
    /// Unknowns.
    pub unknowns: usize,
    /// Entries of the factor.
    pub factor_entries: usize,
    /// Whether the factor that gave the answer is held in single precision.
    pub single_precision: bool,
    /// Pivots that had to be replaced.
    pub perturbed_pivots: usize,
    /// Largest backward error of a right-hand side.
    pub backward_error_max: f64,
    /// Largest error of an entry of S by the linear solution: `|x_pᵀ r_q|/2|c|` with the residual `r_q` of unit
    /// wave `q`, which is exact to first order since the equations are their own adjoint. Two such errors are the
    /// most that reciprocity may be off.
    pub solution_error: f64,
    /// Largest `|S_pq − S_qp|`.
    pub reciprocity_defect: f64,
    /// Largest singular value of S minus one; positive means active.
    pub passivity_excess: f64,
    /// Largest difference between the power that enters through the ports and the power lost, relative to the
    /// wave sent in. Always known; kept as an option for results from elsewhere.
    pub power_defect: Option<f64>,
}

/// Scattering matrix at one frequency.
#[derive(Debug, Clone)]
pub struct FieldSolution {
    /// Frequency, hertz.
    pub freq_hz: f64,
    /// Scattering matrix: sheet ports against their resistance, wave ports against their modes,
    /// at the reference planes.
    pub scattering: CMatrix,
    /// Phase constant of each wave port, 1/m; `None` for sheet ports.
    pub beta: Vec<Option<Complex64>>,
    /// Line impedance of each wave port with a voltage path, ohm.
    pub impedance_ohm: Vec<Option<Complex64>>,
    /// Quality.
    pub report: SolutionReport,
}

/// The line behind a network port.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PortLine {
    /// Complex phase constant, 1/m; `None` for a sheet port.
    pub beta: Option<Complex64>,
    /// Line impedance, ohm; `None` for a sheet port or without a voltage path.
    pub impedance_ohm: Option<Complex64>,
}

/// A model made ready for many frequencies.
pub struct Driven {
    model: Arc<Model>,
    settings: SolveSettings,
    systems: Vec<(Formulation, Arc<System>)>,
    edge_max_m: f64,
}

impl Driven {
    /// Numbers and assembles `model`.
    pub fn new(model: Model, settings: SolveSettings) -> Result<Self, VolumeError> {
        let mesh = &model.mesh;
        let plan = (0..mesh.plan.edges.len()).map(|e| mesh.plan.edge_length(e)).fold(0.0, f64::max);
        let edge_max_m = (0..mesh.n_layers()).map(|l| mesh.height(l)).fold(plan, f64::max);
        Ok(Self { model: Arc::new(model), settings, systems: Vec::new(), edge_max_m })
    }

    /// Number of network ports.
    pub fn n_ports(&self) -> usize {
        let of = |p: &crate::PortShape| if let crate::PortShape::Wave { n_modes, .. } = p { *n_modes } else { 1 };
        self.model.ports.iter().map(of).sum()
    }

    /// The model.
    pub fn model(&self) -> &Model {
        &self.model
    }

    fn formulation(&self, freq_hz: f64) -> Formulation {
        self.settings.formulation.unwrap_or({
            let low = self.edge_max_m * freq_hz / LIGHT_SPEED_M_PER_S < STABILISED_BELOW_WAVELENGTHS;
            if low { Formulation::Stabilised } else { Formulation::Field }
        })
    }

    /// The assembled equations for one frequency.
    pub(crate) fn system(&mut self, freq_hz: f64) -> Result<Arc<System>, VolumeError> {
        let form = self.formulation(freq_hz);
        if let Some(k) = self.systems.iter().position(|s| s.0 == form) {
            return Ok(self.systems[k].1.clone());
        }
        let mut system = System::new(&self.model, self.settings.order, form)?;
        if self.settings.single_precision {
            system.precision = Precision::Single;
        }
        let system = Arc::new(system);
        self.systems.push((form, system.clone()));
        Ok(system)
    }

    /// Numbers, analyses and assembles the equations for one frequency, so that a following solution
    /// only factors.
    pub fn prepare(&mut self, freq_hz: f64) -> Result<(), VolumeError> {
        self.system(freq_hz).map(|_| ())
    }

    /// The lines that leave through the ports, one for each network port.
    pub fn port_lines(&mut self, freq_hz: f64) -> Result<Vec<PortLine>, VolumeError> {
        let system = self.system(freq_hz)?;
        let states = system.port_states(freq_hz)?;
        Ok(states.iter().map(|s| PortLine { beta: s.beta, impedance_ohm: s.impedance_ohm }).collect())
    }

    /// Solves at one frequency above zero.
    pub fn solve(&mut self, freq_hz: f64, watch: &dyn Watch) -> Result<FieldSolution, VolumeError> {
        if !(freq_hz > 0.0 && freq_hz.is_finite()) {
            return Err(VolumeError::Frequency { freq_hz });
        }
        solve_system(&*self.system(freq_hz)?, freq_hz, watch).map(|s| s.0)
    }
}

/// Scattering matrix at the planes of the ports, and the state of the ports.
pub(crate) fn scattering_and_states(
    system: &System,
    freq_hz: f64,
    watch: &dyn Watch,
) -> Result<(CMatrix, Vec<PortState>), VolumeError> {
    let states = system.port_states(freq_hz)?;
    let solver = system.factor(freq_hz, &states, watch)?;
    let rhs: Vec<Vec<Complex64>> = (0..states.len()).map(|q| system.excitation(freq_hz, &states, q)).collect();
    let fields = solver.solve(&rhs, watch)?;
    Ok((scattering(&states, &fields.columns), states))
}

/// Scattering matrix and the solution vectors of unit waves.
pub(crate) fn solve_system(
    system: &System,
    freq_hz: f64,
    watch: &dyn Watch,
) -> Result<(FieldSolution, Vec<Vec<Complex64>>), VolumeError> {
    let states = system.port_states(freq_hz)?;
    let solver = system.factor(freq_hz, &states, watch)?;
    let rhs: Vec<Vec<Complex64>> = (0..states.len()).map(|q| system.excitation(freq_hz, &states, q)).collect();
    let fields = solver.solve(&rhs, watch)?;
    let raw = scattering(&states, &fields.columns);
    let report = solver.report();
    drop(solver);
    let solution_error = solution_error(system, freq_hz, &states, &rhs, &fields.columns);
    let power_defect = Some(power_defect(system, freq_hz, &states, &fields.columns, &raw));
    let n = states.len();
    let mut reciprocity_defect = 0.0_f64;
    for p in 0..n {
        for q in 0..p {
            reciprocity_defect = reciprocity_defect.max((raw[(p, q)] - raw[(q, p)]).norm());
        }
    }
    let largest = if n > 0 { numerics::linear::singular_values(&raw)?.into_iter().fold(0.0, f64::max) } else { 0.0 };
    let solution = FieldSolution {
        freq_hz,
        scattering: shift_planes(system, &states, raw),
        beta: states.iter().map(|s| s.beta).collect(),
        impedance_ohm: states.iter().map(|s| s.impedance_ohm).collect(),
        report: SolutionReport {
            unknowns: report.unknowns,
            factor_entries: report.factor_entries,
            single_precision: report.single_precision,
            perturbed_pivots: report.perturbed_pivots,
            backward_error_max: fields.backward_errors.iter().fold(0.0, |a, &b| f64::max(a, b)),
            solution_error,
            reciprocity_defect,
            passivity_excess: largest - 1.0,
            power_defect,
        },
    };
    Ok((solution, fields.columns))
}

/// Largest error of S that the residuals leave.
fn solution_error(
    system: &System,
    freq_hz: f64,
    states: &[PortState],
    rhs: &[Vec<Complex64>],
    columns: &[Vec<Complex64>],
) -> f64 {
    let matrix = system.matrix(freq_hz, states);
    let c = 2.0 * wavenumber(freq_hz) * vacuum_impedance_ohm();
    let mut worst = 0.0_f64;
    for (b, x) in rhs.iter().zip(columns) {
        let image = matrix.times(x);
        let residual: Vec<Complex64> = b.iter().zip(&image).map(|(b, a)| b - a).collect();
        for y in columns {
            let change: Complex64 = y.iter().zip(&residual).map(|(y, r)| y * r).sum();
            worst = worst.max(change.norm() / c);
        }
    }
    worst
}

/// `S_pq = V_p/√R_p − δ_pq` for unit waves.
pub(crate) fn scattering(states: &[PortState], columns: &[Vec<Complex64>]) -> CMatrix {
    CMatrix::from_fn(states.len(), states.len(), |p, q| {
        let v: Complex64 = states[p].functional.iter().map(|&(u, v)| v * columns[q][u as usize]).sum();
        v / states[p].resistance.sqrt() - if p == q { 1.0 } else { 0.0 }
    })
}

/// Moves the reference planes of wave ports into the volume.
pub(crate) fn shift_planes(system: &System, states: &[PortState], s: CMatrix) -> CMatrix {
    let factor: Vec<Complex64> = states
        .iter()
        .zip(&system.ports)
        .map(|(state, port)| match (state.beta, &system.model.ports[port.shape_idx]) {
            (Some(beta), crate::PortShape::Wave { shift_m, .. }) => (Complex64::i() * beta * *shift_m).exp(),
            _ => 1.0.into(),
        })
        .collect();
    CMatrix::from_fn(s.n_rows(), s.n_cols(), |p, q| s[(p, q)] * factor[p] * factor[q])
}

/// Power sent in minus power returned and power lost in media and surfaces, for each port.
fn power_defect(system: &System, freq_hz: f64, states: &[PortState], columns: &[Vec<Complex64>], s: &CMatrix) -> f64 {
    let k = wavenumber(freq_hz);
    let entry_columns = system.entry_columns();
    let mut worst = 0.0_f64;
    for (q, x) in columns.iter().enumerate() {
        let mut lost = 0.0;
        for (medium, entries) in system.model.media.iter().zip(&system.media) {
            let loss = -medium.relative_permittivity(freq_hz).im;
            if loss != 0.0 {
                lost += k / vacuum_impedance_ohm() * loss * system.energy(entries, &entry_columns, x);
            }
        }
        for (surface, entries) in system.model.surfaces.iter().zip(&system.surfaces) {
            lost += surface.admittance_s(freq_hz).re * system.energy(entries, &entry_columns, x);
        }
        // Conjugate voltage times current; for real functionals this is 1 − Σ |S|².
        let entering: f64 = states
            .iter()
            .enumerate()
            .map(|(p, state)| {
                let voltage: Complex64 = state.functional.iter().map(|&(u, v)| x[u as usize].conj() * v).sum();
                let net = if p == q { 1.0 - s[(p, q)] } else { -s[(p, q)] };
                (voltage * net).re / state.resistance.sqrt()
            })
            .sum();
        worst = worst.max((entering - lost).abs());
    }
    worst
}
