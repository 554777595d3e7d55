//! Refinement driven by the S-entries that matter.
//!
//! The second-order space contains the first-order one function by function. For both solutions of
//! one mesh, with errors `e = x₂ − x₁` and unit waves into ports p and q,
//! `S₂ − S₁ = eₚᵀ A e_q / (2jkη)` holds exactly, and the right side is a sum over prisms: it says
//! where an entry of S gains by refinement. Prisms are charged to their triangle or to their layer
//! by the share of functions that are of higher order in the plan or in height.
//! Source of the idea: R. Becker, R. Rannacher, "An optimal control approach to a posteriori error
//! estimation in finite element methods", Acta Numerica 10 (2001); marking: W. Doerfler, SIAM J.
//! Numer. Anal. 33 (1996).

use crate::element::{IntervalMatrices, Order, PrismMatrices, TriangleMatrices};
use crate::model::{Model, vacuum_impedance_ohm};
use crate::solution::{FieldSolution, solve_system};
use crate::space::Formulation;
use crate::system::{System, wavenumber};
use crate::{MeshSettings, MeshShape, Volume, VolumeError};
use numerics::{Complex64, Quiet, RMatrix, Watch};
use sparse::{Analysis, AnalysisSettings, Precision, Solver, SymmetricMatrix, SymmetricPattern};
use std::sync::Arc;

/// Share of the charged error that is refined in one pass.
const MARKED_SHARE: f64 = 0.7;

/// An estimate falls at most by this factor from mesh to mesh. Cells are halved at best, and fields
/// at edges then lose no more than that; a smaller change is chance.
pub(crate) const FALL_MAX: f64 = 1.0 / 3.0;

/// Choices of an adaptive solution.
#[derive(Debug, Clone, PartialEq)]
pub struct AdaptSettings {
    /// Frequency at which the mesh is adapted, hertz: the highest of interest is a good choice.
    pub freq_hz: f64,
    /// Entries of S that matter (row, column); empty means all.
    pub targets: Vec<(usize, usize)>,
    /// Largest wanted error estimate of each of them.
    pub error_max: f64,
    /// Most meshes.
    pub passes_max: usize,
    /// Refuse meshes with more unknowns than this.
    pub unknowns_max: usize,
}

/// One mesh of an adaptive solution.
#[derive(Debug, Clone)]
pub struct Pass {
    /// Unknowns.
    pub unknowns: usize,
    /// Scattering matrix and its report.
    pub solution: FieldSolution,
    /// Error estimate of every entry of S: the change from the mesh before (from first to second
    /// order on the first mesh), or a third of the estimate before if that is more; it overestimates
    /// the error that is left.
    pub error_estimate: RMatrix,
    /// Largest estimate of a target.
    pub target_error: f64,
}

/// Result of an adaptive solution.
#[derive(Debug, Clone)]
pub struct Adapted {
    /// Settings of the last mesh; give them to [`Volume::mesh`] for sweeps on it.
    pub mesh_settings: MeshSettings,
    /// The last mesh.
    pub model: Model,
    /// All meshes in order.
    pub passes: Vec<Pass>,
    /// Whether every target met its error.
    pub converged: bool,
}

/// Meshes, solves and refines until every target's error estimate is small enough.
pub fn solve_adaptively(
    volume: &Volume,
    start: &MeshSettings,
    settings: &AdaptSettings,
    watch: &dyn Watch,
) -> Result<Adapted, VolumeError> {
    let mut mesh_settings = start.clone();
    let mut passes: Vec<Pass> = Vec::new();
    loop {
        watch.step("adaptive meshes", passes.len(), settings.passes_max)?;
        let model = Arc::new(volume.mesh(&mesh_settings)?);
        let system = System::new(&model, Order::Second, Formulation::Field)?;
        if system.space.n_unknowns > settings.unknowns_max {
            return Err(VolumeError::TooLarge {
                unknowns: system.space.n_unknowns,
                unknowns_max: settings.unknowns_max,
            });
        }
        let (solution, fields) = solve_system(&system, settings.freq_hz, watch)?;
        let surplus = Surplus::new(&system, settings.freq_hz, fields)?;
        let n = solution.scattering.n_rows();
        let error_estimate = match passes.last() {
            None => surplus.differences(),
            Some(last) => RMatrix::from_fn(n, n, |p, q| {
                let change = (solution.scattering[(p, q)] - last.solution.scattering[(p, q)]).norm();
                change.max(FALL_MAX * last.error_estimate[(p, q)])
            }),
        };
        let all: Vec<(usize, usize)> = (0..n).flat_map(|p| (0..n).map(move |q| (p, q))).collect();
        let targets = if settings.targets.is_empty() { &all } else { &settings.targets };
        if let Some(&(p, q)) = targets.iter().find(|t| t.0 >= n || t.1 >= n) {
            return Err(VolumeError::Port {
                what: format!("target S({}, {}): expected ports up to {n}", p + 1, q + 1),
            });
        }
        let target_error = targets.iter().map(|&t| error_estimate[t]).fold(0.0, f64::max);
        passes.push(Pass { unknowns: system.space.n_unknowns, solution, error_estimate, target_error });
        let converged = target_error <= settings.error_max;
        if converged || passes.len() >= settings.passes_max {
            let model = Model::clone(&model);
            return Ok(Adapted { mesh_settings, model, passes, converged });
        }
        let charges = Charges::new(&system, &surplus, settings.freq_hz, targets);
        refine(&system, &charges, &mut mesh_settings, &MeshShape::default());
    }
}

/// Difference of the second- and first-order solutions of one mesh.
pub(crate) struct Surplus {
    /// One vector of unknowns a port, border included.
    errors: Vec<Vec<Complex64>>,
    matrix: SymmetricMatrix<Complex64>,
    c: Complex64,
}

impl Surplus {
    pub(crate) fn new(system: &System, freq_hz: f64, fields: Vec<Vec<Complex64>>) -> Result<Self, VolumeError> {
        let states = system.port_states(freq_hz)?;
        let matrix = system.matrix(freq_hz, &states);
        let n = matrix.order();
        let mut kept: Vec<bool> = vec![false; n];
        for raw in system.space.first_order_raws() {
            system.space.terms(raw).iter().for_each(|t| kept[t.0 as usize] = true);
        }
        kept[system.space.n_unknowns..].fill(true);
        let names: Vec<usize> = (0..n).filter(|&u| kept[u]).collect();
        let mut place = vec![usize::MAX; n];
        names.iter().enumerate().for_each(|(k, &u)| place[u] = k);
        let sub = restrict(&matrix, &kept, &place, names.len())?;
        let analysis = Arc::new(Analysis::new(sub.pattern(), &AnalysisSettings::default())?);
        let solver = Solver::new(&analysis, sub, Precision::Double, &Quiet)?;
        let rhs: Vec<Vec<Complex64>> = (0..states.len())
            .map(|q| {
                let b = system.excitation(freq_hz, &states, q);
                names.iter().map(|&u| b[u]).collect()
            })
            .collect();
        let first = solver.solve(&rhs, &Quiet)?.columns;
        let mut errors = fields;
        for (e, x) in errors.iter_mut().zip(&first) {
            names.iter().zip(x).for_each(|(&u, x)| e[u] -= x);
        }
        let c = Complex64::new(0.0, wavenumber(freq_hz) * vacuum_impedance_ohm());
        Ok(Self { errors, matrix, c })
    }

    /// `|S₂ − S₁|`.
    pub(crate) fn differences(&self) -> RMatrix {
        let images: Vec<Vec<Complex64>> = self.errors.iter().map(|e| self.matrix.times(e)).collect();
        let n = self.errors.len();
        RMatrix::from_fn(n, n, |p, q| {
            let sum: Complex64 = self.errors[p].iter().zip(&images[q]).map(|(a, b)| a * b).sum();
            (sum / (2.0 * self.c)).norm()
        })
    }
}

fn restrict(
    matrix: &SymmetricMatrix<Complex64>,
    kept: &[bool],
    place: &[usize],
    n: usize,
) -> Result<SymmetricMatrix<Complex64>, VolumeError> {
    let pattern = matrix.pattern();
    let mut positions = Vec::new();
    let mut values = Vec::new();
    for j in (0..matrix.order()).filter(|&j| kept[j]) {
        for (k, &i) in pattern.column_range(j).zip(pattern.column(j)) {
            if kept[i as usize] {
                positions.push((place[i as usize], place[j]));
                values.push(matrix.values[k]);
            }
        }
    }
    // Numbering keeps the order, so entries arrive in the order of the new pattern.
    let sub = Arc::new(SymmetricPattern::from_positions(n, positions)?);
    Ok(SymmetricMatrix::from_values(sub, values)?)
}

/// Shares of triangles and layers in the error.
pub(crate) struct Charges {
    triangles: Vec<f64>,
    layers: Vec<f64>,
}

impl Charges {
    /// Charges of the worst target of each prism at one frequency.
    pub(crate) fn new(system: &System, surplus: &Surplus, freq_hz: f64, targets: &[(usize, usize)]) -> Self {
        charge(system, surplus, freq_hz, targets)
    }

    /// Adds those of another frequency.
    pub(crate) fn add(&mut self, other: &Self) {
        self.triangles.iter_mut().zip(&other.triangles).for_each(|(a, b)| *a += b);
        self.layers.iter_mut().zip(&other.layers).for_each(|(a, b)| *a += b);
    }
}

fn charge(system: &System, surplus: &Surplus, freq_hz: f64, targets: &[(usize, usize)]) -> Charges {
    let mesh = &system.model.mesh;
    let mut triangles = vec![0.0; mesh.plan.triangles.len()];
    let mut layers = vec![0.0; mesh.n_layers()];
    let k = wavenumber(freq_hz);
    let raw: Vec<Vec<Complex64>> = surplus.errors.iter().map(|e| system.space.raw_values(e)).collect();
    let intervals: Vec<IntervalMatrices> =
        (0..mesh.n_layers()).map(|l| IntervalMatrices::new(mesh.height(l))).collect();
    let upright = upright_functions();
    for t in 0..mesh.plan.triangles.len() {
        let plane = TriangleMatrices::new(mesh.plan.corners(t));
        for (l, z) in intervals.iter().enumerate() {
            let Some(medium) = mesh.medium(t, l) else { continue };
            let eps = system.model.media[medium as usize].relative_permittivity(freq_hz);
            let m = PrismMatrices::new(&plane, z, Order::Second);
            let places = system.space.prism(mesh, t, l);
            let local: Vec<Vec<Complex64>> = raw.iter().map(|r| places.iter().map(|&p| r[p]).collect()).collect();
            let image = |e: &[Complex64]| -> Vec<Complex64> {
                let row = |i: usize| {
                    (0..m.n).map(|j| e[j] * (m.curl_curl[i * m.n + j] - k * k * eps * m.mass[i * m.n + j])).sum()
                };
                (0..m.n).map(row).collect()
            };
            let images: Vec<Vec<Complex64>> = local.iter().map(|e| image(e)).collect();
            let charge: f64 = targets
                .iter()
                .map(|&(p, q)| local[p].iter().zip(&images[q]).map(|(a, b)| a * b).sum::<Complex64>().norm())
                .fold(0.0, f64::max);
            let energy = |e: &Vec<Complex64>, i: usize| {
                e[i].norm_sqr() * (m.curl_curl[i * m.n + i] + k * k * m.mass[i * m.n + i])
            };
            let part = |up: bool| -> f64 {
                local
                    .iter()
                    .map(|e| (0..m.n).filter(|&i| upright[i] == Some(up)).map(|i| energy(e, i)).sum::<f64>())
                    .sum()
            };
            let (up, flat) = (part(true), part(false));
            let share = if up + flat > 0.0 { up / (up + flat) } else { 0.5 };
            layers[l] += charge * share;
            triangles[t] += charge * (1.0 - share);
        }
    }
    Charges { triangles, layers }
}

/// Asks for finer triangles and layers where most of the error sits.
pub(crate) fn refine(system: &System, charges: &Charges, settings: &mut MeshSettings, shape: &MeshShape) {
    let mesh = &system.model.mesh;
    for (is_layer, k) in marked(&charges.triangles, &charges.layers) {
        if is_layer {
            settings.levels_m.push((mesh.levels_m[k] + mesh.levels_m[k + 1]) / 2.0);
        } else {
            let p = mesh.plan.corners(k).map(|p| shape.shrink(p));
            let side = |i: usize, j: usize| (p[i][0] - p[j][0]).hypot(p[i][1] - p[j][1]);
            let longest = side(0, 1).max(side(1, 2)).max(side(0, 2));
            settings.plan.hints.push((mesh.plan.centre(k), 0.5 * longest));
        }
    }
}

/// Largest charges that together make up the marked share: (is a layer, index).
fn marked(triangles: &[f64], layers: &[f64]) -> Vec<(bool, usize)> {
    let mut all: Vec<(f64, bool, usize)> = triangles.iter().enumerate().map(|(k, &c)| (c, false, k)).collect();
    // A layer costs as many prisms as there are triangles, so it must be worth as much as a share of them.
    let mean = triangles.iter().sum::<f64>() / triangles.len() as f64;
    all.extend(layers.iter().enumerate().filter(|(_, c)| **c > mean).map(|(k, &c)| (c, true, k)));
    all.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.2.cmp(&b.2)));
    let total: f64 = all.iter().map(|a| a.0).sum();
    let mut sum = 0.0;
    let mut out = Vec::new();
    for (c, is_layer, k) in all {
        if sum >= MARKED_SHARE * total {
            break;
        }
        sum += c;
        out.push((is_layer, k));
    }
    out
}

/// For each function of a second-order prism: higher order in height (true), in the plan (false),
/// or of first order in both.
fn upright_functions() -> Vec<Option<bool>> {
    let plane = (0..8).flat_map(|c| (0..3).map(move |a| (c >= 3, a == 2)));
    let nodes = (0..6).flat_map(|v| (0..2).map(move |b| (v >= 3, b == 1)));
    plane
        .chain(nodes)
        .map(|(flat, up)| match (flat, up) {
            (_, true) => Some(true),
            (true, false) => Some(false),
            (false, false) => None,
        })
        .collect()
}
