//! The whole way from a structure to a network that can be trusted.
//!
//! Input: a [`Structure`] and what is [`Asked`]. Output: [`Solved`], the network with an error of every S-entry at
//! every frequency, derivatives, self-checks and the cost.
//! Method: meshes are refined until the entries that matter are good enough; the last two meshes are swept over the
//! band, and their difference is the error that is stated; see `adapt`, `sweep` and `derivative`.

use crate::adapt::{AdaptSettings, solve_adaptively};
use crate::plan_ahead::{Cost, cost};
use crate::{
    Driven, FieldNetwork, Formulation, MeshSettings, Order, SolveSettings, Structure, SweepSettings, VolumeError,
};
use network::FrequencyResponse;
use numerics::{CMatrix, RMatrix, Watch};

/// What is wanted of a structure.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// Frequencies at which S, errors and derivatives are listed, hertz; zero (direct current) is allowed.
    pub freqs_hz: Vec<f64>,
    /// Entries of S that drive the refinement (row, column); empty means all.
    pub targets: Vec<(usize, usize)>,
    /// Largest wanted error of each of them, at every frequency of the list.
    pub error_max: f64,
    /// Most meshes.
    pub meshes_max: usize,
    /// First mesh; `None` chooses one from the structure and the highest frequency.
    pub mesh: Option<MeshSettings>,
    /// Memory that may be used, bytes.
    pub bytes_max: usize,
    /// Time that the factorisations may take, second, judged by `flops_per_s` before each mesh.
    pub time_max_s: f64,
    /// Sustained rate of the factorisation on this machine, real operations per second.
    pub flops_per_s: f64,
}

impl Asked {
    /// The usual wishes for a list of frequencies: every entry to 0.02, eight gibibyte, eight minutes on two cores.
    pub fn at(freqs_hz: Vec<f64>) -> Self {
        Self {
            freqs_hz,
            targets: Vec::new(),
            error_max: 0.02,
            meshes_max: 6,
            mesh: None,
            bytes_max: 8 << 30,
            time_max_s: 480.0,
            flops_per_s: 8e10,
        }
    }
}

/// Derivative of S with respect to one number of the structure.
#[derive(Debug, Clone)]
pub struct Derivative {
    /// Name of the variation.
    pub name: String,
    /// `∂S` per unit of the number at each listed frequency.
    pub scattering: Vec<CMatrix>,
    /// Length of metal edges whose motion could not be followed because an edge of another layer lies on the same
    /// line of the plan and moves otherwise, metre. Zero means the derivative is complete.
    pub left_out_m: f64,
}

/// One mesh on the way.
#[derive(Debug, Clone, PartialEq)]
pub struct MeshStep {
    /// Unknowns.
    pub unknowns: usize,
    /// Largest error estimate of a target at the frequency of refinement.
    pub target_error: f64,
}

/// Self-checks of the result, each the worst over all full solutions of the last mesh.
#[derive(Debug, Clone, PartialEq)]
pub struct Checks {
    /// Largest difference between the power sent in and the power returned plus lost, relative to the wave sent in;
    /// `None` when a port carries no separate power.
    pub power_defect: Option<f64>,
    /// Largest `|S_pq − S_qp|`.
    pub reciprocity_defect: f64,
    /// Largest singular value of S minus one over the listed frequencies; positive means active.
    pub passivity_excess: f64,
    /// Largest backward error of a linear solution.
    pub backward_error: f64,
    /// Pivots that had to be replaced.
    pub perturbed_pivots: usize,
    /// Largest error of the reduced equations against full solutions, part of every stated error.
    pub sweep_error: f64,
}

/// The answer.
#[derive(Debug, Clone)]
pub struct Solved {
    /// Port names in the order of the rows and columns.
    pub port_names: Vec<String>,
    /// The network: answers at any frequency from zero to the highest of the list (and beyond, without promise).
    pub network: FieldNetwork,
    /// Frequencies as asked, hertz.
    pub freqs_hz: Vec<f64>,
    /// Scattering matrix at each of them, power waves at the references of the ports.
    pub scattering: Vec<CMatrix>,
    /// Estimate of the error `|ΔS|` of every entry at each of them: mesh and reduced equations together.
    pub errors: Vec<RMatrix>,
    /// Derivatives, one for each variation.
    pub derivatives: Vec<Derivative>,
    /// Whether every target met its error at every frequency.
    pub converged: bool,
    /// Meshes in order.
    pub meshes: Vec<MeshStep>,
    /// Settings of the last mesh.
    pub mesh_settings: MeshSettings,
    /// Self-checks.
    pub checks: Checks,
    /// Cost of one full solution on the last mesh.
    pub cost: Cost,
    /// Number of full solutions over all meshes.
    pub n_solutions: usize,
}

/// Solves a structure: adaptive meshes, response over the band, error of every entry, derivatives and self-checks.
///
/// Refuses with [`VolumeError::Memory`] before the work when already the first mesh does not fit into
/// [`Asked::bytes_max`]; when a later mesh does not fit or would take too long, the result of the mesh before is
/// returned with its honest (larger) errors and `converged` false. Progress and cancelling through `watch`.
///
/// ```no_run
/// # fn f(stackup: &stackup::Stackup, layout: &stackup::Layout) -> Result<(), Box<dyn std::error::Error>> {
/// use mixwright_volume::{Asked, LayoutSettings, Structure, solve_structure};
/// let settings = LayoutSettings { open_height_m: 1e-3 };
/// let mut structure = Structure::from_layout(stackup, layout, &settings)?;
/// structure.vary(stackup, layout, &settings, stackup::Parameter::Thickness(stackup.layer("film 1")?))?;
/// let freqs_hz = (0..=180).map(|k| 0.5e9 * f64::from(k)).collect();
/// let solved = solve_structure(&structure, &Asked::at(freqs_hz), &numerics::Quiet)?;
/// let (s21, error) = (solved.scattering[46][(1, 0)], solved.errors[46][(1, 0)]);
/// let per_metre_of_film = solved.derivatives[0].scattering[46][(1, 0)];
/// # Ok(()) }
/// ```
pub fn solve_structure(structure: &Structure, asked: &Asked, watch: &dyn Watch) -> Result<Solved, VolumeError> {
    let freq_max = asked.freqs_hz.iter().copied().fold(f64::NAN, f64::max);
    if !(freq_max > 0.0 && freq_max.is_finite()) {
        return Err(VolumeError::Frequency { freq_hz: freq_max });
    }
    let start = asked.mesh.clone().unwrap_or_else(|| MeshSettings::for_volume(&structure.volume, freq_max));
    let adapted = solve_adaptively(
        &structure.volume,
        &start,
        &AdaptSettings {
            freq_hz: freq_max,
            targets: asked.targets.clone(),
            error_max: asked.error_max,
            passes_max: asked.meshes_max,
            unknowns_max: usize::MAX,
        },
        watch,
    )?;
    let cost = cost(&adapted.model, Order::Second, Formulation::Field, asked.flops_per_s)?;
    cost.check(asked.bytes_max)?;
    let mut driven = Driven::new(adapted.model.clone(), SolveSettings::default())?;
    let sweep = driven.sweep(&asked.freqs_hz, &SweepSettings::default(), watch)?;
    let reports: Vec<_> = sweep.solutions.iter().map(|s| s.report.clone()).collect();
    let (entry_errors, sweep_error) = (sweep.entry_errors.clone(), sweep.error_estimate);
    let network = FieldNetwork::new(sweep, structure.ports.first().map_or(50.0, |p| p.reference_ohm))?;
    let scattering: Vec<CMatrix> = asked
        .freqs_hz
        .iter()
        .map(|&f| network.scattering(f).map_err(|e| VolumeError::Mesh { what: e.to_string() }))
        .collect::<Result<_, _>>()?;
    let last = adapted.passes.last().expect("at least one mesh");
    let errors = scattering
        .iter()
        .map(|s| RMatrix::from_fn(s.n_rows(), s.n_cols(), |p, q| last.error_estimate[(p, q)] + entry_errors[(p, q)]))
        .collect();
    let worst = |f: &dyn Fn(&crate::SolutionReport) -> f64| reports.iter().map(f).fold(0.0, f64::max);
    Ok(Solved {
        port_names: structure.ports.iter().map(|p| p.name.clone()).collect(),
        freqs_hz: asked.freqs_hz.clone(),
        scattering,
        errors,
        derivatives: Vec::new(),
        converged: adapted.converged,
        meshes: adapted
            .passes
            .iter()
            .map(|p| MeshStep { unknowns: p.unknowns, target_error: p.target_error })
            .collect(),
        mesh_settings: adapted.mesh_settings,
        checks: Checks {
            power_defect: reports
                .iter()
                .map(|r| r.power_defect)
                .collect::<Option<Vec<_>>>()
                .map(|v| v.into_iter().fold(0.0, f64::max)),
            reciprocity_defect: worst(&|r| r.reciprocity_defect),
            passivity_excess: worst(&|r| r.passivity_excess),
            backward_error: worst(&|r| r.backward_error_max),
            perturbed_pivots: reports.iter().map(|r| r.perturbed_pivots).max().unwrap_or(0),
            sweep_error,
        },
        cost,
        n_solutions: adapted.passes.len() + reports.len(),
        network,
    })
}
