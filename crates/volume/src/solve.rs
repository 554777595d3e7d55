//! The whole way from a structure to a network that can be trusted.
//!
//! Input: a [`Structure`] and what is [`Asked`]. Output: [`Solved`], the network with an error of every S-entry at
//! every frequency, derivatives, self-checks and the cost.
//! Method: meshes are refined until the entries that matter are good enough; the last two meshes are swept over the
//! band, and their difference is the error that is stated; see `adapt`, `sweep` and `derivative`.

use crate::adapt::{Charges, FALL_MAX, Surplus, refine};
use crate::currents::Picture;
use crate::plan_ahead::{Cost, cost_of};
use crate::reduced::ReducedChange;
use crate::solution::solve_system;
use crate::sweep::sweep_system;
use crate::system::System;
use crate::vary;
use crate::{
    CurrentMap, FieldNetwork, Formulation, MeshSettings, MeshShape, Order, PortTest, SolutionReport, SolveSettings,
    Structure, SweepSettings, VolumeError, internal_ports_test, port_inductance_h,
};
use numerics::{CMatrix, RMatrix, Watch, parallel};
use sparse::Precision;
use std::sync::Arc;

/// Full solutions that a sweep is expected to need.
const SWEEP_SOLUTIONS: f64 = 12.0;
/// Share of the highest frequency within which the largest change counts: at one frequency alone two meshes may
/// agree by chance.
const NEAR: f64 = 0.02;
/// Error left on the last mesh over its change from the mesh before: first meshes gain only a quarter at metal edges,
/// and the series of such changes sums to three times the last.
const LEFT: f64 = 3.0;

/// Where the reference planes of internal ports are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InternalPorts {
    /// At the facing edges of the pads: the partial inductance of the port's own current sheet is taken away, and
    /// what is connected there brings the inductance of its own body. See [`crate::port_inductance_h`].
    PadEdges,
    /// At a generator in the middle of the sheet, whose inductance stays in the network.
    Sheet,
}

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
    /// Shape of the cells; `None` follows the structure.
    pub shape: Option<MeshShape>,
    /// Frequencies at which meshes are refined, hertz; empty means the highest of the list.
    pub refine_hz: Vec<f64>,
    /// Largest error of the reduced equations over frequency.
    pub sweep_error_max: f64,
    /// Where the reference planes of internal ports are.
    pub internal_ports: InternalPorts,
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
            shape: None,
            refine_hz: Vec::new(),
            sweep_error_max: 1e-4,
            internal_ports: InternalPorts::PadEdges,
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
    /// Largest error of S by the linear solutions: what the residuals leave, exact to first order. Twice this and the
    /// rounding of the reduced equations is the most that reciprocity may be off.
    pub solution_error: f64,
    /// Internal ports closed by known parts against the same parts solved inside, first order on the last mesh.
    pub internal_ports: Option<PortTest>,
    /// Largest singular value of S minus one over the listed frequencies; positive means active.
    pub passivity_excess: f64,
    /// Largest backward error of a linear solution.
    pub backward_error: f64,
    /// Pivots that had to be replaced.
    pub perturbed_pivots: usize,
    /// Full solutions whose single-precision factor did not do and that were factored again in double precision.
    pub double_precision: usize,
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
    picture: Arc<Picture>,
}

impl Solved {
    /// Current on the metal at a frequency for a wave of one watt (average power) into one port.
    pub fn currents(&self, freq_hz: f64, port_idx: usize) -> Result<CurrentMap, VolumeError> {
        self.picture.currents(&self.network.sweep().reduced, freq_hz, port_idx)
    }
}

/// Cost of one full solution on the first mesh, before any work; the memory includes the response over the band.
pub fn estimate_structure(structure: &Structure, asked: &Asked) -> Result<Cost, VolumeError> {
    let freq_max = check(structure, asked)?;
    let shape = asked.shape.unwrap_or_else(|| MeshShape::for_volume(&structure.volume));
    let settings = asked.mesh.clone().unwrap_or_else(|| MeshSettings::for_volume(&structure.volume, freq_max));
    Ok(Mesh::new(structure, &settings, &shape, asked)?.cost)
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
    let freq_max = check(structure, asked)?;
    let shape = asked.shape.unwrap_or_else(|| MeshShape::for_volume(&structure.volume));
    let mut mesh_settings = asked.mesh.clone().unwrap_or_else(|| MeshSettings::for_volume(&structure.volume, freq_max));
    let refine_hz = if asked.refine_hz.is_empty() { vec![freq_max] } else { asked.refine_hz.clone() };
    let mut meshes: Vec<MeshStep> = Vec::new();
    let mut before: Option<Mesh> = None;
    let mut now = Mesh::new(structure, &mesh_settings, &shape, asked)?;
    let mut spent_s = 0.0;
    now.cost.check(asked.bytes_max)?;
    loop {
        watch.step("meshes", meshes.len(), asked.meshes_max)?;
        let charges = now.solve(&refine_hz, asked, before.as_ref(), watch)?;
        meshes.push(MeshStep { unknowns: now.cost.unknowns, target_error: now.target_error });
        spent_s += now.cost.time_s * refine_hz.len() as f64;
        if now.target_error <= asked.error_max || meshes.len() >= asked.meshes_max {
            break;
        }
        let mut finer = mesh_settings.clone();
        refine(&now.system, &charges, &mut finer, &shape);
        let next = Mesh::new(structure, &finer, &shape, asked)?;
        // Both the last and the mesh before are swept.
        let sweeps = SWEEP_SOLUTIONS * (next.cost.time_s + now.cost.time_s);
        let in_time = spent_s + refine_hz.len() as f64 * next.cost.time_s + sweeps <= asked.time_max_s;
        if next.cost.peak_bytes > asked.bytes_max || !in_time {
            break;
        }
        before = Some(std::mem::replace(&mut now, next));
        mesh_settings = finer;
    }
    finish(structure, asked, Meshes { meshes, before, now, mesh_settings, n_refine: refine_hz.len() }, watch)
}

/// What the meshes gave.
struct Meshes {
    meshes: Vec<MeshStep>,
    before: Option<Mesh>,
    now: Mesh,
    mesh_settings: MeshSettings,
    n_refine: usize,
}

/// One mesh with its equations.
struct Mesh {
    system: Arc<System>,
    cost: Cost,
    /// Scattering and error estimate at each frequency of refinement.
    at: Vec<(CMatrix, RMatrix)>,
    target_error: f64,
}

impl Mesh {
    fn new(
        structure: &Structure,
        settings: &MeshSettings,
        shape: &MeshShape,
        asked: &Asked,
    ) -> Result<Self, VolumeError> {
        let model = Arc::new(structure.volume.mesh_shaped(settings, shape)?);
        let mut system = System::new(&model, Order::Second, Formulation::Stabilised)?;
        system.precision = Precision::Single;
        let mut cost = cost_of(&system, 8, asked.flops_per_s);
        // The space of the sweep, and what is kept of the mesh before.
        let space = 8 * cost.unknowns * 2 * system.ports.len() * SWEEP_SOLUTIONS as usize;
        cost.peak_bytes += space + system.pattern.n_entries() * 40;
        Ok(Self { system: Arc::new(system), cost, at: Vec::new(), target_error: f64::INFINITY })
    }

    /// Solves at the frequencies of refinement and says where the error sits.
    fn solve(
        &mut self,
        freqs_hz: &[f64],
        asked: &Asked,
        before: Option<&Self>,
        watch: &dyn Watch,
    ) -> Result<Charges, VolumeError> {
        let n = self.system.ports.len();
        let targets = targets(asked, n);
        let mut charges: Option<Charges> = None;
        self.target_error = 0.0;
        for (k, &freq_hz) in freqs_hz.iter().enumerate() {
            let (solution, fields) = solve_system(&self.system, freq_hz, watch)?;
            let surplus = Surplus::new(&self.system, freq_hz, fields)?;
            let error = match before {
                None => surplus.differences(),
                Some(last) => RMatrix::from_fn(n, n, |p, q| {
                    let change = (solution.scattering[(p, q)] - last.at[k].0[(p, q)]).norm();
                    change.max(FALL_MAX * last.at[k].1[(p, q)])
                }),
            };
            self.target_error = targets.iter().map(|&t| error[t]).fold(self.target_error, f64::max);
            let own = Charges::new(&self.system, &surplus, freq_hz, &targets);
            match &mut charges {
                Some(all) => all.add(&own),
                None => charges = Some(own),
            }
            self.at.push((solution.scattering, error));
        }
        charges.ok_or(VolumeError::Frequency { freq_hz: f64::NAN })
    }
}

fn targets(asked: &Asked, n: usize) -> Vec<(usize, usize)> {
    if asked.targets.is_empty() {
        (0..n).flat_map(|p| (0..n).map(move |q| (p, q))).collect()
    } else {
        asked.targets.clone()
    }
}

/// Refuses what cannot be done; returns the highest frequency.
fn check(structure: &Structure, asked: &Asked) -> Result<f64, VolumeError> {
    let bad = |f: &&f64| !(**f >= 0.0 && f.is_finite());
    if let Some(&freq_hz) = asked.freqs_hz.iter().chain(&asked.refine_hz).find(bad) {
        return Err(VolumeError::Frequency { freq_hz });
    }
    let freq_max = asked.freqs_hz.iter().copied().fold(0.0, f64::max);
    if freq_max == 0.0 || asked.refine_hz.contains(&0.0) {
        return Err(VolumeError::Frequency { freq_hz: 0.0 });
    }
    let n = structure.ports.len();
    if n != structure.volume.ports.len() {
        return Err(VolumeError::Port {
            what: format!("expected names for {} ports, found {n}", structure.volume.ports.len()),
        });
    }
    if let Some(&(p, q)) = asked.targets.iter().find(|t| t.0 >= n || t.1 >= n) {
        return Err(VolumeError::Port { what: format!("target S({}, {}): expected ports up to {n}", p + 1, q + 1) });
    }
    structure.variations.iter().try_for_each(|v| vary::check(&structure.volume, v))?;
    Ok(freq_max)
}

/// Sweeps the last two meshes, compares them, and adds derivatives and checks.
fn finish(structure: &Structure, asked: &Asked, found: Meshes, watch: &dyn Watch) -> Result<Solved, VolumeError> {
    let Meshes { meshes, before, now, mesh_settings, n_refine } = found;
    let settings = SweepSettings { error_max: asked.sweep_error_max, ..SweepSettings::default() };
    let references: Vec<f64> = structure.ports.iter().map(|p| p.reference_ohm).collect();
    // With a single mesh its first-order space takes the place of a coarser one.
    let coarse = match before {
        Some(mesh) => mesh.system,
        None => Arc::new(System::new(&now.system.model, Order::First, Formulation::Stabilised)?),
    };
    let (coarse_sweep, _) = sweep_system(&coarse, &asked.freqs_hz, &settings, watch)?;
    drop(coarse);
    let n_coarse = coarse_sweep.solved_hz.len();
    let inductance_h: Vec<f64> = match asked.internal_ports {
        InternalPorts::PadEdges => {
            structure.volume.ports.iter().map(|p| port_inductance_h(&structure.volume, p)).collect()
        }
        InternalPorts::Sheet => vec![0.0; references.len()],
    };
    let coarse =
        FieldNetwork::with_references(coarse_sweep, references.clone())?.without_inductance(inductance_h.clone())?;
    let before = listed(&coarse, &asked.freqs_hz)?;
    drop(coarse);
    let (sweep, basis) = sweep_system(&now.system, &asked.freqs_hz, &settings, watch)?;
    let mut changes: Vec<(ReducedChange, f64)> = Vec::new();
    for (k, variation) in structure.variations.iter().enumerate() {
        watch.step("derivatives", k, structure.variations.len())?;
        let (full, left_out_m) = vary::full_change(&now.system, &sweep.reduced, &structure.volume, variation)?;
        changes.push((sweep.reduced.change(&now.system, &basis, full), left_out_m));
    }
    let test_settings = SolveSettings { order: Order::First, formulation: None, single_precision: false };
    let highest = asked.freqs_hz.iter().copied().fold(0.0, f64::max);
    let internal_ports = internal_ports_test(&now.system.model, test_settings, highest, watch)?;
    let picture = Arc::new(Picture::new(&now.system, &basis));
    drop(basis);
    let reports: Vec<SolutionReport> = sweep.solutions.iter().map(|s| s.report.clone()).collect();
    let (sweep_errors, sweep_error) = (sweep.entry_errors.clone(), sweep.error_estimate);
    let network = FieldNetwork::with_references(sweep, references)?.without_inductance(inductance_h)?;
    let scattering = listed(&network, &asked.freqs_hz)?;
    let errors = errors(&asked.freqs_hz, &scattering, &before, &sweep_errors);
    let mut derivatives = Vec::new();
    for ((change, left_out_m), variation) in changes.iter().zip(&structure.variations) {
        let scattering = parallel::map(&asked.freqs_hz, |&f| network.derivative(f, change))?;
        derivatives.push(Derivative { name: variation.name.clone(), scattering, left_out_m: *left_out_m });
    }
    let all = targets(asked, structure.ports.len());
    let converged = errors.iter().all(|e| all.iter().all(|&t| e[t] <= asked.error_max));
    Ok(Solved {
        port_names: structure.ports.iter().map(|p| p.name.clone()).collect(),
        freqs_hz: asked.freqs_hz.clone(),
        checks: checks(&reports, &scattering, sweep_error, internal_ports)?,
        n_solutions: n_refine * meshes.len() + n_coarse + reports.len(),
        cost: now.cost,
        scattering,
        errors,
        derivatives,
        converged,
        meshes,
        mesh_settings,
        network,
        picture,
    })
}

fn listed(network: &FieldNetwork, freqs_hz: &[f64]) -> Result<Vec<CMatrix>, VolumeError> {
    parallel::map(freqs_hz, |&f| network.evaluate(f))
}

/// What the change from mesh to mesh at a frequency and near it leaves, and the error of the sweep.
fn errors(freqs_hz: &[f64], now: &[CMatrix], before: &[CMatrix], sweep: &RMatrix) -> Vec<RMatrix> {
    let width = NEAR * freqs_hz.iter().copied().fold(0.0, f64::max);
    let n = now.first().map_or(0, CMatrix::n_rows);
    let swept = |p: usize, q: usize| if sweep.n_rows() == n { sweep[(p, q)] } else { 0.0 };
    (0..freqs_hz.len())
        .map(|k| {
            let near: Vec<usize> =
                (0..freqs_hz.len()).filter(|&j| (freqs_hz[j] - freqs_hz[k]).abs() <= width).collect();
            RMatrix::from_fn(n, n, |p, q| {
                let change = |j: usize| (now[j][(p, q)] - before[j][(p, q)]).norm();
                LEFT * near.iter().map(|&j| change(j)).fold(0.0, f64::max) + swept(p, q)
            })
        })
        .collect()
}

fn checks(
    reports: &[SolutionReport],
    scattering: &[CMatrix],
    sweep_error: f64,
    internal_ports: Option<PortTest>,
) -> Result<Checks, VolumeError> {
    let worst = |f: &dyn Fn(&SolutionReport) -> f64| reports.iter().map(f).fold(0.0, f64::max);
    let mut passivity_excess = f64::NEG_INFINITY;
    let mut reciprocity_defect = worst(&|r| r.reciprocity_defect);
    for s in scattering {
        passivity_excess = passivity_excess.max(numerics::linear::singular_values(s)?[0] - 1.0);
        reciprocity_defect = reciprocity_defect.max((s - &s.transpose()).max_abs());
    }
    let power: Option<Vec<f64>> = reports.iter().map(|r| r.power_defect).collect();
    Ok(Checks {
        power_defect: power.map(|p| p.into_iter().fold(0.0, f64::max)),
        reciprocity_defect,
        solution_error: worst(&|r| r.solution_error),
        internal_ports,
        passivity_excess,
        backward_error: worst(&|r| r.backward_error_max),
        perturbed_pivots: reports.iter().map(|r| r.perturbed_pivots).max().unwrap_or(0),
        double_precision: reports.iter().filter(|r| !r.single_precision).count(),
        sweep_error,
    })
}
