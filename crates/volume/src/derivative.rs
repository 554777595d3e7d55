//! Derivatives of S with respect to dimensions and materials from solutions already at hand.
//!
//! With unit-wave solutions `x_p`, `x_q` the equations are their own adjoint, so
//! `dS_pq = −xₚᵀ dA x_q / (2jkη)` needs no further solution for sheet ports. `dA` comes from moving
//! the points of the plan and the levels: element matrices are differentiated along the motion.
//! Source: N. K. Nikolova, J. Zhu, D. Li, M. H. Bakr, J. W. Bandler, "Sensitivity analysis of
//! network parameters with electromagnetic frequency-domain simulators", IEEE Trans. MTT-54 (2006).
//! Not here: wave ports whose own cross-section changes; their planes must not move.

use crate::VolumeError;
use crate::element::{IntervalMatrices, PrismMatrices, TriangleMatrices};
use crate::foil::{FacePlace, face_terms};
use crate::model::{PortShape, PrismMesh, vacuum_impedance_ohm};
use crate::plan::PlanMesh;
use crate::solution::{Driven, FieldSolution, solve_system};
use crate::system::{System, flat_mass, upright_mass, wavenumber};
use numerics::{CMatrix, Complex64, Watch};

/// Relative step of the differences within one element; the third-order term stays below 1e-10.
const STEP: f64 = 1e-4;

/// A small change of a structure, per unit of one design variable.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// Motion of every point of the plan, metre per unit; empty for none.
    pub points: Vec<[f64; 2]>,
    /// Motion of every level, metre per unit; empty for none.
    pub levels: Vec<f64>,
    /// Change of the relative permittivity of each medium, per unit; empty for none.
    pub permittivity: Vec<Complex64>,
}

impl Driven {
    /// Scattering matrix at one frequency and its derivative along each motion.
    pub fn solve_with_derivatives(
        &mut self,
        freq_hz: f64,
        motions: &[Motion],
        watch: &dyn Watch,
    ) -> Result<(FieldSolution, Vec<CMatrix>), VolumeError> {
        let system = self.system(freq_hz)?;
        let (solution, fields) = solve_system(&system, freq_hz, watch)?;
        let out = motions.iter().map(|m| derivative(&system, freq_hz, &fields, m)).collect::<Result<_, _>>()?;
        Ok((solution, out))
    }

    /// Motion of the whole mesh for given motions of the points of the plan for which `known` gives
    /// one: the rest follows smoothly (each free point moves as the mean of its neighbours).
    pub fn spread_motion(&self, known: impl Fn(usize, [f64; 2]) -> Option<[f64; 2]>) -> Vec<[f64; 2]> {
        const SWEEPS: usize = 2000;
        let plan = &self.model().mesh.plan;
        let fixed: Vec<Option<[f64; 2]>> = plan.points.iter().enumerate().map(|(v, &p)| known(v, p)).collect();
        let mut neighbours: Vec<Vec<u32>> = vec![Vec::new(); plan.points.len()];
        for [a, b] in &plan.edges {
            neighbours[*a as usize].push(*b);
            neighbours[*b as usize].push(*a);
        }
        let mut out: Vec<[f64; 2]> = fixed.iter().map(|f| f.unwrap_or_default()).collect();
        for _ in 0..SWEEPS {
            let mut change = 0.0_f64;
            for v in (0..out.len()).filter(|&v| fixed[v].is_none()) {
                let n = neighbours[v].len() as f64;
                let mean = [0, 1].map(|d| neighbours[v].iter().map(|&u| out[u as usize][d]).sum::<f64>() / n);
                change = change.max((mean[0] - out[v][0]).abs().max((mean[1] - out[v][1]).abs()));
                out[v] = mean;
            }
            // The exact spread does not matter: any smooth one gives the same derivative.
            if change < 1e-4 {
                break;
            }
        }
        out
    }
}

fn derivative(
    system: &System,
    freq_hz: f64,
    fields: &[Vec<Complex64>],
    motion: &Motion,
) -> Result<CMatrix, VolumeError> {
    check(system, motion)?;
    let mut change = Change::new(system, freq_hz, fields, motion);
    change.prisms();
    change.surfaces();
    change.ports();
    let n = fields.len();
    let k = wavenumber(freq_hz);
    let factor = -1.0 / (2.0 * Complex64::new(0.0, k * vacuum_impedance_ohm()));
    Ok(CMatrix::from_fn(n, n, |p, q| factor * change.sum[(p, q)]))
}

fn check(system: &System, motion: &Motion) -> Result<(), VolumeError> {
    let mesh = &system.model.mesh;
    let sizes = [
        ("points", motion.points.len(), mesh.plan.points.len()),
        ("levels", motion.levels.len(), mesh.n_levels()),
        ("permittivity", motion.permittivity.len(), system.model.media.len()),
    ];
    for (what, found, expected) in sizes {
        if found != 0 && found != expected {
            return Err(VolumeError::Mesh {
                what: format!("motion of {what}: expected {expected} entries or none, found {found}"),
            });
        }
    }
    let moves = |v: u32| motion.points.get(v as usize).is_some_and(|m| m[0] != 0.0 || m[1] != 0.0);
    for shape in &system.model.ports {
        let PortShape::Wave { edges, .. } = shape else { continue };
        let rim_moves = edges.iter().flat_map(|&e| mesh.plan.edges[e as usize]).any(moves);
        if rim_moves || motion.levels.iter().any(|&l| l != 0.0) || motion.permittivity.iter().any(|e| e.norm() > 0.0) {
            return Err(VolumeError::Port {
                what: "the motion changes the cross-section of a wave port; derivatives need sheet ports there".into(),
            });
        }
    }
    Ok(())
}

/// Corners of a triangle moved by `s` units.
pub(crate) fn moved_corners(plan: &PlanMesh, motion: &[[f64; 2]], t: usize, s: f64) -> [[f64; 2]; 3] {
    plan.triangles[t].map(|v| moved_point(plan, motion, v, s))
}

fn moved_point(plan: &PlanMesh, motion: &[[f64; 2]], v: u32, s: f64) -> [f64; 2] {
    let (p, m) = (plan.points[v as usize], motion.get(v as usize).copied().unwrap_or_default());
    [p[0] + s * m[0], p[1] + s * m[1]]
}

/// Length of an edge moved by `s` units.
pub(crate) fn moved_length(plan: &PlanMesh, motion: &[[f64; 2]], e: usize, s: f64) -> f64 {
    let [a, b] = plan.edges[e].map(|v| moved_point(plan, motion, v, s));
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Height of a layer moved by `s` units.
pub(crate) fn moved_height(mesh: &PrismMesh, levels: &[f64], l: usize, s: f64) -> f64 {
    let rise = |level: usize| levels.get(level).copied().unwrap_or_default();
    mesh.height(l) + s * (rise(l + 1) - rise(l))
}

/// Shortest and longest side of a triangle.
pub(crate) fn element_size(plan: &PlanMesh, t: usize) -> (f64, f64) {
    let sides = plan.triangle_edges[t].map(|e| plan.edge_length(e as usize));
    (sides.into_iter().fold(f64::MAX, f64::min), sides.into_iter().fold(0.0, f64::max))
}

/// Sum of `xₚᵀ dA x_q` over elements.
struct Change<'a> {
    system: &'a System,
    freq_hz: f64,
    raw: Vec<Vec<Complex64>>,
    fields: &'a [Vec<Complex64>],
    motion: &'a Motion,
    sum: CMatrix,
}

impl<'a> Change<'a> {
    fn new(system: &'a System, freq_hz: f64, fields: &'a [Vec<Complex64>], motion: &'a Motion) -> Self {
        let raw = fields.iter().map(|x| system.space.raw_values(x)).collect();
        let sum = CMatrix::zeros(fields.len(), fields.len());
        Self { system, freq_hz, raw, fields, motion, sum }
    }

    fn point(&self, v: u32) -> [f64; 2] {
        self.motion.points.get(v as usize).copied().unwrap_or_default()
    }

    fn rise(&self, level: usize) -> f64 {
        self.motion.levels.get(level).copied().unwrap_or_default()
    }

    /// Corners of a triangle moved by `s` units.
    fn corners(&self, t: usize, s: f64) -> [[f64; 2]; 3] {
        let plan = &self.system.model.mesh.plan;
        plan.triangles[t].map(|v| {
            let (p, m) = (plan.points[v as usize], self.point(v));
            [p[0] + s * m[0], p[1] + s * m[1]]
        })
    }

    fn length(&self, e: usize, s: f64) -> f64 {
        let plan = &self.system.model.mesh.plan;
        let [a, b] = plan.edges[e].map(|v| {
            let (p, m) = (plan.points[v as usize], self.point(v));
            [p[0] + s * m[0], p[1] + s * m[1]]
        });
        (a[0] - b[0]).hypot(a[1] - b[1])
    }

    fn height(&self, l: usize, s: f64) -> f64 {
        self.system.model.mesh.height(l) + s * (self.rise(l + 1) - self.rise(l))
    }

    /// Step in units that moves nothing by more than a small share of the element.
    fn step(&self, size: f64, moved: f64) -> Option<f64> {
        (moved > 0.0).then(|| STEP * size / moved)
    }

    fn add(&mut self, places: &[usize], dm: &[Complex64]) {
        let n = places.len();
        let local: Vec<Vec<Complex64>> = self.raw.iter().map(|r| places.iter().map(|&p| r[p]).collect()).collect();
        for (q, xq) in local.iter().enumerate() {
            let image: Vec<Complex64> = (0..n).map(|i| (0..n).map(|j| dm[i * n + j] * xq[j]).sum()).collect();
            for (p, xp) in local.iter().enumerate() {
                self.sum[(p, q)] += xp.iter().zip(&image).map(|(a, b)| a * b).sum::<Complex64>();
            }
        }
    }

    fn prisms(&mut self) {
        let system = self.system;
        let mesh = &system.model.mesh;
        let k2 = wavenumber(self.freq_hz).powi(2);
        for t in 0..mesh.plan.triangles.len() {
            let size =
                (0..3).map(|e| mesh.plan.edge_length(mesh.plan.triangle_edges[t][e] as usize)).fold(f64::MAX, f64::min);
            let moved =
                mesh.plan.triangles[t].map(|v| self.point(v)).iter().map(|m| m[0].hypot(m[1])).fold(0.0, f64::max);
            for l in 0..mesh.n_layers() {
                let Some(medium) = mesh.medium(t, l) else { continue };
                let eps = system.model.media[medium as usize].relative_permittivity(self.freq_hz);
                let deps = self.motion.permittivity.get(medium as usize).copied().unwrap_or_default();
                let rise = (self.rise(l + 1) - self.rise(l)).abs();
                let step = self
                    .step(size, moved)
                    .into_iter()
                    .chain(self.step(mesh.height(l), rise))
                    .fold(f64::INFINITY, f64::min);
                if step.is_infinite() && deps == Complex64::default() {
                    continue;
                }
                let at = |s: f64| {
                    let plane = TriangleMatrices::new(self.corners(t, s));
                    PrismMatrices::new(&plane, &IntervalMatrices::new(self.height(l, s)), system.space.order)
                };
                let middle = at(0.0);
                let mut dm: Vec<Complex64> = middle.mass.iter().map(|&m| -k2 * deps * m).collect();
                if step.is_finite() {
                    let (plus, minus) = (at(step), at(-step));
                    for (i, d) in dm.iter_mut().enumerate() {
                        let stiffness = (plus.curl_curl[i] - minus.curl_curl[i]) / (2.0 * step);
                        let mass = (plus.mass[i] - minus.mass[i]) / (2.0 * step);
                        *d += stiffness - k2 * eps * mass;
                    }
                }
                self.add(&system.space.prism(mesh, t, l), &dm);
            }
        }
    }

    fn surfaces(&mut self) {
        let system = self.system;
        let mesh = &system.model.mesh;
        let c = Complex64::new(0.0, wavenumber(self.freq_hz) * vacuum_impedance_ohm());
        let freq_hz = self.freq_hz;
        let factor = |s: u16| c * system.model.surfaces[s as usize].admittance_s(freq_hz);
        let order = system.space.order;
        for term in face_terms(&system.model, &system.space) {
            let speed = |vertices: &[u32]| {
                vertices.iter().map(|&v| self.point(v)).map(|m| m[0].hypot(m[1])).fold(0.0, f64::max)
            };
            let step = match term.place {
                FacePlace::Flat(t) => self.step(element_size(&mesh.plan, t).0, speed(&mesh.plan.triangles[t])),
                FacePlace::Upright(e, l) => {
                    let rise = (self.rise(l + 1) - self.rise(l)).abs();
                    let along = self.step(mesh.plan.edge_length(e), speed(&mesh.plan.edges[e]));
                    along.into_iter().chain(self.step(mesh.height(l), rise)).reduce(f64::min)
                }
            };
            let Some(step) = step else { continue };
            let [plus, minus] = [step, -step].map(|s| match term.place {
                FacePlace::Flat(t) => flat_mass(self.corners(t, s), order).0,
                FacePlace::Upright(e, l) => upright_mass(self.length(e, s), self.height(l, s), order),
            });
            let d: Vec<f64> = plus.iter().zip(&minus).map(|(a, b)| (a - b) / (2.0 * step)).collect();
            let dm: Vec<Complex64> =
                term.joined.spread(&d, d.len().isqrt()).into_iter().map(|d| factor(term.surface as u16) * d).collect();
            self.add(&term.raws, &dm);
        }
    }

    /// Change of the voltage functionals of sheet ports: border `c (dv uᵀ + u dvᵀ)` and the
    /// right-hand side, which together weigh `dv` by the current left in the port.
    fn ports(&mut self) {
        let system = self.system;
        let c = Complex64::new(0.0, wavenumber(self.freq_hz) * vacuum_impedance_ohm());
        let n_unknowns = system.space.n_unknowns;
        for (r, port) in system.ports.iter().enumerate() {
            let PortShape::Sheet { reference_ohm, .. } = &system.model.ports[port.shape_idx] else { continue };
            let Some(dv) = system.sheet_functional_change(port.shape_idx, &self.motion.points, &self.motion.levels)
            else {
                continue;
            };
            let n = self.fields.len();
            let voltage: Vec<Complex64> =
                self.fields.iter().map(|x| dv.iter().map(|&(u, v)| x[u as usize] * v).sum()).collect();
            let current = |q: usize| self.fields[q][n_unknowns + r];
            let source = |q: usize| if q == r { 2.0 / reference_ohm.sqrt() } else { 0.0 };
            for p in 0..n {
                for q in 0..n {
                    // S = bᵀx/2c: dS = (2 dbᵀ x − xᵀ dA x)/2c, symmetrised over p and q.
                    let da = c * (voltage[p] * current(q) + current(p) * voltage[q]);
                    let db = c * (voltage[p] * source(q) + source(p) * voltage[q]);
                    self.sum[(p, q)] += da - db;
                }
            }
        }
    }
}
