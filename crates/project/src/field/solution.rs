//! Field solutions of the layouts of a design: what they cost, solved once, kept, joined into the circuit.
//!
//! Input: `[[circuit.solution]]`. Output: a sampled network with an error estimate of every entry ([`Kept`]).
//! [`prepare`] computes what is not kept; the circuit only takes what is there, so that nothing long starts unasked.

use super::draw;
use crate::cache::{self, Found, Key, Reader, Writer};
use crate::design::{CircuitText, Design, Part, PartKind, SolutionText};
use crate::error::ProjectError;
use network::{Network, SampledResponse, SampledSettings};
use numerics::{CMatrix, Complex64, RMatrix, Watch, linear};
use quantity::Finding;
use volume::{
    Asked, Cost, Formulation, LayoutSettings, MeshSettings, MeshShape, Order, Structure, VolumeError, solve_structure,
};

/// Name of the method in keys; changes when results may change.
const METHOD: &str = "layout solution 2";
/// Air above an open stack before the absorbing top, metre.
const OPEN_HEIGHT_M: f64 = 1e-3;
/// Distance in turns of the phases of the errors of neighbouring entries: never twice the same.
const GOLDEN: f64 = 0.618_033_988_749_895;

/// A solution with everything worth knowing about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// Names of the ports, in the order of the rows.
    pub ports: Vec<String>,
    /// Their reference resistances, ohm.
    pub reference_ohm: Vec<f64>,
    /// Frequencies, hertz, from zero.
    pub freqs_hz: Vec<f64>,
    /// Scattering matrix at each of them.
    pub scattering: Vec<CMatrix>,
    /// Error estimate of every entry at each of them.
    pub errors: Vec<RMatrix>,
    /// Whether every asked entry met its error.
    pub converged: bool,
    /// Unknowns and largest error of an asked entry, mesh by mesh.
    pub meshes: Vec<(usize, f64)>,
    /// Full solutions over all meshes.
    pub n_solutions: usize,
    /// Largest difference of power in and out, when it can be told.
    pub power_defect: Option<f64>,
    /// Largest `|S_pq − S_qp|`.
    pub reciprocity_defect: f64,
    /// Largest singular value minus one.
    pub passivity_excess: f64,
    /// Largest backward error of a linear solution.
    pub backward_error: f64,
    /// Pivots that were replaced.
    pub perturbed_pivots: usize,
    /// Memory of one full solution on the last mesh, bytes.
    pub peak_bytes: usize,
}

impl Kept {
    /// Largest error estimate of any entry at any frequency.
    pub fn error_max(&self) -> f64 {
        self.errors.iter().map(RMatrix::max_abs).fold(0.0, f64::max)
    }

    /// As network data.
    ///
    /// # Errors
    /// None unless the kept numbers are no network.
    pub fn network(&self) -> Result<Network, network::NetworkError> {
        let reference = self.reference_ohm.iter().map(|r| Complex64::new(*r, 0.0)).collect();
        let network = Network::new(self.ports.clone(), reference, self.freqs_hz.clone(), self.scattering.clone())?;
        let error = self.error_max();
        Ok(network.noted(format!("field solution; error estimate of any entry at most {error:.1e}")))
    }
}

/// A solution of a design, ready to be asked for.
pub struct Task<'a> {
    /// The part of the circuit.
    pub part: &'a Part,
    /// What is asked.
    pub text: &'a SolutionText,
    /// The drawing as made.
    pub layout: stackup::Layout,
    /// The structure.
    pub structure: Structure,
    start: MeshSettings,
    asked: Asked,
    key: Key,
}

/// All solutions of a design.
///
/// # Errors
/// A layout that cannot be drawn or stood on the stack.
pub fn tasks(design: &Design) -> Result<Vec<Task<'_>>, ProjectError> {
    let CircuitText::Free(free) = &design.circuit else { return Ok(Vec::new()) };
    let solutions = free.parts.iter().filter_map(|part| match &part.kind {
        PartKind::Solution { solution, .. } => Some((part, solution)),
        _ => None,
    });
    solutions.map(|(part, text)| task(design, part, text)).collect()
}

fn task<'a>(design: &'a Design, part: &'a Part, text: &'a SolutionText) -> Result<Task<'a>, ProjectError> {
    let drawing = design.layouts.iter().find(|l| l.name.value == text.layout);
    let drawing = drawing.expect("a solution was read with its layout");
    let stack = &design.technology.as_ref().expect("a layout was read with a stack").stackup;
    let wrong = |source| ProjectError::Layout { layout: text.layout.clone(), source };
    let mut layout = draw::layout(design, drawing, &text.variables)?.as_made(stack).map_err(wrong)?;
    // rows of the result in the order of the nodes
    layout.ports.sort_by_key(|port| text.ports.iter().position(|name| *name == port.name));
    let of = |source| ProjectError::Volume { part: part.name.value.clone(), source };
    let settings = LayoutSettings { open_height_m: OPEN_HEIGHT_M };
    let structure = Structure::from_layout(stack, &layout, &settings).map_err(of)?;
    let mut start = MeshSettings::for_volume(&structure.volume, text.up_to_hz);
    start.symmetry = drawing.mirrored.map(|axis| if axis == 0 { volume::Axis::X } else { volume::Axis::Y });
    let n = (text.up_to_hz / text.step_hz).round() as usize;
    let asked = Asked {
        targets: text.targets.clone(),
        error_max: text.error_max,
        meshes_max: text.meshes_max,
        mesh: Some(start.clone()),
        bytes_max: text.bytes_max,
        time_max_s: text.time_max_s,
        ..Asked::at((0..=n).map(|k| text.up_to_hz * k as f64 / n as f64).collect())
    };
    let key = Key::new(METHOD, &canonical(&structure, &asked));
    Ok(Task { part, text, layout, structure, start, asked, key })
}

impl Task<'_> {
    /// What the first mesh costs.
    ///
    /// # Errors
    /// A structure that cannot be meshed.
    pub fn estimate(&self) -> Result<Cost, ProjectError> {
        let model = self.mesh().map_err(|e| self.wrong(e))?;
        volume::cost(&model, Order::Second, Formulation::Field, self.asked.flops_per_s).map_err(|e| self.wrong(e))
    }

    fn mesh(&self) -> Result<volume::Model, VolumeError> {
        let volume = &self.structure.volume;
        volume.mesh_shaped(&self.start, &MeshShape::for_volume(volume))
    }

    /// Memory that may be used, bytes.
    pub fn bytes_max(&self) -> usize {
        self.asked.bytes_max
    }

    /// Name of the kept result.
    pub fn key(&self) -> Key {
        self.key
    }

    /// The result kept from before, and a remark when something was kept but damaged.
    pub fn kept(&self) -> (Option<Kept>, Option<Finding>) {
        match cache::look(self.key) {
            Found::Kept(bytes) => (kept_from(&bytes), None),
            Found::Absent => (None, None),
            Found::Damaged(path) => {
                let text = format!("the result kept in {} is damaged and is computed again", path.display());
                (None, Some(Finding::warning(self.part.name.value.clone(), text)))
            }
        }
    }

    /// Solves, unless a result is kept; refuses before the work when the first mesh does not fit.
    ///
    /// # Errors
    /// As the solution itself, or the wish of `watch` to stop.
    pub fn solve(&self, watch: &dyn Watch) -> Result<(Kept, Vec<Finding>), ProjectError> {
        let (kept, remark) = self.kept();
        let mut findings: Vec<Finding> = remark.into_iter().collect();
        if let Some(kept) = kept {
            return Ok((kept, findings));
        }
        self.estimate()?.check(self.asked.bytes_max).map_err(|e| self.wrong(e))?;
        let solved = solve_structure(&self.structure, &self.asked, watch).map_err(|e| self.wrong(e))?;
        let kept = Kept {
            ports: solved.port_names,
            reference_ohm: network::FrequencyResponse::reference_ohm(&solved.network).to_vec(),
            freqs_hz: solved.freqs_hz,
            scattering: solved.scattering,
            errors: solved.errors,
            converged: solved.converged,
            meshes: solved.meshes.iter().map(|m| (m.unknowns, m.target_error)).collect(),
            n_solutions: solved.n_solutions,
            power_defect: solved.checks.power_defect,
            reciprocity_defect: solved.checks.reciprocity_defect,
            passivity_excess: solved.checks.passivity_excess,
            backward_error: solved.checks.backward_error,
            perturbed_pivots: solved.checks.perturbed_pivots,
            peak_bytes: solved.cost.peak_bytes,
        };
        if let Some(why) = cache::keep(self.key, bytes_of(&kept)) {
            let text = format!("the result could not be kept and will be computed again next time: {why}");
            findings.push(Finding::note(self.part.name.value.clone(), text));
        }
        Ok((kept, findings))
    }

    /// The electric field at a frequency on the first mesh, as a file of a general viewer (VTU), for a wave of one watt
    /// into a port (the first one unless named).
    ///
    /// # Errors
    /// A port that is not there; as the solution itself.
    pub fn field_file(&self, freq_hz: f64, port: Option<&str>, watch: &dyn Watch) -> Result<String, ProjectError> {
        let names: Vec<&str> = self.structure.ports.iter().map(|p| p.name.as_str()).collect();
        let index = port.map_or(Some(0), |port| names.iter().position(|name| *name == port));
        let Some(index) = index else {
            let what = format!("expected a port among {}, found `{}`", names.join(", "), port.unwrap_or(""));
            return Err(self.wrong(VolumeError::Port { what }));
        };
        self.estimate()?.check(self.asked.bytes_max).map_err(|e| self.wrong(e))?;
        let model = self.mesh().map_err(|e| self.wrong(e))?;
        let driven = volume::Driven::new(model, volume::SolveSettings::default());
        driven.and_then(|mut d| d.field_file(freq_hz, index, watch)).map_err(|e| self.wrong(e))
    }

    fn wrong(&self, source: VolumeError) -> ProjectError {
        ProjectError::Volume { part: self.part.name.value.clone(), source }
    }
}

/// Computes every solution of a design that is not kept.
///
/// # Errors
/// As [`Task::solve`].
pub fn prepare(design: &Design, watch: &dyn Watch) -> Result<Vec<Finding>, ProjectError> {
    let mut findings = Vec::new();
    for task in tasks(design)? {
        findings.extend(task.solve(watch)?.1);
    }
    Ok(findings)
}

/// The kept result of a part as a response at any frequency, with remarks.
pub(crate) fn response(
    design: &Design,
    part: &Part,
    text: &SolutionText,
    settings: &SampledSettings,
) -> Result<(SampledResponse, Vec<Finding>), ProjectError> {
    let task = task(design, part, text)?;
    let Some(mut kept) = task.kept().0 else {
        return Err(ProjectError::NotSolved { part: part.name.value.clone(), unknowns: task.estimate()?.unknowns });
    };
    if let Some(pattern) = design.solution_error {
        let wrong = |e: numerics::NumericsError| task.wrong(e.into());
        for (s, errors) in kept.scattering.iter_mut().zip(&kept.errors) {
            *s = with_error(s, errors, pattern).map_err(wrong)?;
        }
    }
    let wrong = |source| ProjectError::Network { place: part.name.value.clone(), source };
    let response = SampledResponse::new(&kept.network().map_err(wrong)?, settings).map_err(wrong)?;
    let mut findings = response.findings().to_vec();
    if !kept.converged {
        let text = format!(
            "the error estimate of the field solution is {:.1e}, asked {:.1e}; allow more meshes, memory or time",
            kept.error_max(),
            text.error_max
        );
        findings.push(Finding::warning(part.name.value.clone(), text));
    }
    Ok((response, findings))
}

/// The matrix with its error estimate added to every entry under phases of a pattern; symmetric as it was, and passive.
fn with_error(s: &CMatrix, errors: &RMatrix, pattern: usize) -> Result<CMatrix, numerics::NumericsError> {
    let n = s.n_rows();
    let moved = CMatrix::from_fn(n, n, |p, q| {
        let (low, high) = (p.min(q), p.max(q));
        let turns = GOLDEN * (low * n + high) as f64 + 0.25 * pattern as f64;
        s[(p, q)] + Complex64::from_polar(errors[(p, q)].max(errors[(q, p)]), std::f64::consts::TAU * turns)
    });
    // at direct current responses are real
    let moved = if s.as_slice().iter().all(|x| x.im == 0.0) { moved.map(|x| x.re.into()) } else { moved };
    let largest = linear::singular_values(&moved)?.into_iter().fold(0.0, f64::max);
    Ok(if largest > 1.0 { moved.map(|x| x / largest) } else { moved })
}

/// Everything the result depends on. Numbers enter through their shortest text that reads back to the same bits.
fn canonical(structure: &Structure, asked: &Asked) -> Vec<u8> {
    let mut out = Writer::default();
    out.text(&format!("{:?}", structure.volume));
    out.text(&format!("{:?}", structure.ports));
    // the rate of the machine is no part of the question
    out.text(&format!("{:?}", Asked { flops_per_s: 0.0, ..asked.clone() }));
    out.0
}

fn bytes_of(kept: &Kept) -> Vec<u8> {
    let mut out = Writer::default();
    out.count(kept.ports.len());
    kept.ports.iter().for_each(|name| out.text(name));
    out.numbers(&kept.reference_ohm);
    out.numbers(&kept.freqs_hz);
    for (s, errors) in kept.scattering.iter().zip(&kept.errors) {
        out.numbers(&s.as_slice().iter().flat_map(|x| [x.re, x.im]).collect::<Vec<_>>());
        out.numbers(errors.as_slice());
    }
    out.count(usize::from(kept.converged));
    out.numbers(&kept.meshes.iter().flat_map(|m| [m.0 as f64, m.1]).collect::<Vec<_>>());
    out.count(kept.n_solutions);
    out.numbers(kept.power_defect.as_slice());
    out.numbers(&[kept.reciprocity_defect, kept.passivity_excess, kept.backward_error]);
    out.count(kept.perturbed_pivots);
    out.count(kept.peak_bytes);
    out.0
}

/// Reads what [`bytes_of`] wrote; nothing when it is not that.
fn kept_from(bytes: &[u8]) -> Option<Kept> {
    let mut from = Reader(bytes);
    let n = from.count()?;
    let ports = (0..n).map(|_| from.text()).collect::<Option<Vec<_>>>()?;
    let (reference_ohm, freqs_hz) = (from.numbers()?, from.numbers()?);
    let (mut scattering, mut errors) = (Vec::new(), Vec::new());
    for _ in &freqs_hz {
        let (s, e) = (from.numbers()?, from.numbers()?);
        if s.len() != 2 * n * n || e.len() != n * n {
            return None;
        }
        let at = |p: usize, q: usize| p * n + q;
        scattering.push(CMatrix::from_fn(n, n, |p, q| Complex64::new(s[2 * at(p, q)], s[2 * at(p, q) + 1])));
        errors.push(RMatrix::from_fn(n, n, |p, q| e[at(p, q)]));
    }
    let converged = from.count()? == 1;
    let meshes = from.numbers()?.chunks_exact(2).map(|m| (m[0] as usize, m[1])).collect();
    let n_solutions = from.count()?;
    let power_defect = from.numbers()?.first().copied();
    let [reciprocity_defect, passivity_excess, backward_error] = from.numbers()?.try_into().ok()?;
    let (perturbed_pivots, peak_bytes) = (from.count()?, from.count()?);
    Some(Kept {
        ports,
        reference_ohm,
        freqs_hz,
        scattering,
        errors,
        converged,
        meshes,
        n_solutions,
        power_defect,
        reciprocity_defect,
        passivity_excess,
        backward_error,
        perturbed_pivots,
        peak_bytes,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept() -> Kept {
        let s = |x: f64| CMatrix::from_fn(2, 2, |p, q| Complex64::new(x, 0.1 * (p + q) as f64));
        Kept {
            ports: vec!["in".into(), "out".into()],
            reference_ohm: vec![50.0, 33.5],
            freqs_hz: vec![0.0, 1e9],
            scattering: vec![s(0.3), s(1.0 / 3.0)],
            errors: vec![RMatrix::from_fn(2, 2, |p, q| 0.01 * (p + 2 * q) as f64); 2],
            converged: true,
            meshes: vec![(1000, 0.1), (2500, 0.02)],
            n_solutions: 9,
            power_defect: None,
            reciprocity_defect: 1e-12,
            passivity_excess: -1e-3,
            backward_error: 1e-15,
            perturbed_pivots: 0,
            peak_bytes: 1 << 33,
        }
    }

    #[test]
    fn a_result_survives_being_kept_and_a_cut_one_is_none() {
        let bytes = bytes_of(&kept());
        assert_eq!(kept_from(&bytes), Some(kept()));
        for n in 0..bytes.len() {
            assert_eq!(kept_from(&bytes[..n]), None, "cut after {n} bytes");
        }
    }

    #[test]
    fn an_added_error_has_the_size_that_was_estimated_and_stays_passive_and_symmetric() {
        let s = CMatrix::from_fn(2, 2, |p, q| Complex64::new(if p == q { 0.1 } else { 0.7 }, 0.2));
        let errors = RMatrix::from_fn(2, 2, |_, _| 0.02);
        for pattern in 0..4 {
            let moved = with_error(&s, &errors, pattern).expect("finite");
            assert!((moved[(0, 1)] - moved[(1, 0)]).norm() < 1e-15);
            for (a, b) in moved.as_slice().iter().zip(s.as_slice()) {
                assert!(((a - b).norm() - 0.02).abs() < 1e-12);
            }
        }
        let full = CMatrix::from_fn(2, 2, |p, q| Complex64::new(if p == q { 0.0 } else { 1.0 }, 0.0));
        let moved = with_error(&full, &errors, 1).expect("finite");
        let largest = linear::singular_values(&moved).expect("finite")[0];
        assert!(largest <= 1.0 + 1e-12, "{largest}");
    }
}
