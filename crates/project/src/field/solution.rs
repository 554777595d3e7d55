//! Field solutions of the layouts of a design: what they cost, solved once, kept, joined into the circuit.
//!
//! Input: `[[circuit.solution]]`. Output: a sampled network with an error estimate of every entry ([`Kept`]).
//! [`prepare`] computes what is not kept; the circuit only takes what is there, so that nothing long starts unasked.

use super::current::Currents;
use super::draw;
use super::kept::{Kept, KeptDerivative, bytes_of, kept_from};
use super::numbers::{self, Number};
use super::told::Told;
use crate::cache::{self, Found, Key, Writer};
use crate::design::{CircuitText, Design, LayoutText, Part, PartKind, SolutionText};
use crate::error::ProjectError;
use network::{SampledResponse, SampledSettings};
use numerics::{CMatrix, Complex64, RMatrix, Watch};
use quantity::Finding;
pub use volume::Cost;
use volume::{
    Asked, LayoutSettings, MeshSettings, MeshShape, Solved, Structure, VolumeError, estimate_structure, solve_structure,
};

/// Name of the method in keys; changes when results may change.
const METHOD: &str = "layout solution 5";
/// The same for the currents kept beside it.
const CURRENTS: &str = "layout currents 2";
/// Air above an open stack before the absorbing top.
pub(super) const LAYOUT_SETTINGS: LayoutSettings = LayoutSettings { open_height_m: 1e-3 };
/// Distance in turns of the phases of the errors of neighbouring entries: never twice the same.
const GOLDEN: f64 = 0.618_033_988_749_895;

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
    design: &'a Design,
    drawing: &'a LayoutText,
    numbers: Vec<(String, Number)>,
    start: MeshSettings,
    asked: Asked,
    key: Key,
    currents_key: Key,
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
    let mut layout = made(design, drawing, &text.variables)?;
    // rows of the result in the order of the nodes
    layout.ports.sort_by_key(|port| text.ports.iter().position(|name| *name == port.name));
    let of = |source| ProjectError::Volume { part: part.name.value.clone(), source };
    let structure = Structure::from_layout(stack, &layout, &LAYOUT_SETTINGS).map_err(of)?;
    let mut start = MeshSettings::for_volume(&structure.volume, text.up_to_hz);
    let mirror = drawing.mirrored.filter(|axis| !shifted(stack, *axis));
    start.symmetry = mirror.map(|axis| if axis == 0 { volume::Axis::X } else { volume::Axis::Y });
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
    let numbers = numbers::numbers(design, drawing, &text.variables, &layout)?;
    let content = canonical(&structure, &numbers, &asked);
    let (key, currents_key) = (Key::new(METHOD, &content), Key::new(CURRENTS, &content));
    Ok(Task { part, text, layout, structure, design, drawing, numbers, start, asked, key, currents_key })
}

/// The drawing as it is made.
pub(super) fn made(
    design: &Design,
    drawing: &LayoutText,
    variables: &[(String, f64)],
) -> Result<stackup::Layout, ProjectError> {
    let stack = &design.technology.as_ref().expect("a layout was read with a stack").stackup;
    let wrong = |source| ProjectError::Layout { layout: drawing.name.value.clone(), source };
    draw::layout(design, drawing, variables)?.as_made(stack).map_err(wrong)
}

/// True when some metal is shifted off the axis of a mirror image.
fn shifted(stack: &stackup::Stackup, axis: usize) -> bool {
    (0..stack.layers.len())
        .any(|k| stack.dimension(stackup::Parameter::Registration(k, axis)).is_some_and(|r| r.nominal.abs() > 0.0))
}

impl Task<'_> {
    /// What the first mesh costs.
    ///
    /// # Errors
    /// A structure that cannot be meshed.
    pub fn estimate(&self) -> Result<Cost, ProjectError> {
        estimate_structure(&self.structure, &self.asked).map_err(|e| self.wrong(e))
    }

    /// Refuses what needs more memory than the design allows or the machine has left.
    ///
    /// # Errors
    /// [`ProjectError::DoesNotFit`].
    pub fn fits(&self, cost: &Cost) -> Result<(), ProjectError> {
        const GIB: f64 = 1_073_741_824.0;
        let refuse = |allowed: usize, whose, help| {
            let needed_gib = cost.peak_bytes as f64 / GIB;
            let (part, allowed_gib) = (self.part.name.value.clone(), allowed as f64 / GIB);
            Err(ProjectError::DoesNotFit { part, unknowns: cost.unknowns, needed_gib, allowed_gib, whose, help })
        };
        if cost.peak_bytes > self.asked.bytes_max {
            return refuse(self.asked.bytes_max, "allowed by the design", "or allow more with `memory_gib`");
        }
        match free_bytes() {
            Some(free) if cost.peak_bytes > free => {
                refuse(free, "free on this machine", "close other programs, or solve it on a larger machine")
            }
            _ => Ok(()),
        }
    }

    fn mesh(&self) -> Result<volume::Model, VolumeError> {
        let volume = &self.structure.volume;
        volume.mesh_shaped(&self.start, &MeshShape::for_volume(volume))
    }

    /// The stack the layout stands on.
    pub(super) fn stack(&self) -> &stackup::Stackup {
        &self.design.technology.as_ref().expect("a layout was read with a stack").stackup
    }

    /// Numbers of stack and drawing by which the result has derivatives.
    pub(super) fn numbers(&self) -> &[(String, Number)] {
        &self.numbers
    }

    /// The currents kept beside the result.
    pub fn currents(&self) -> Option<Currents> {
        if let Found::Kept(bytes) = cache::look(self.currents_key) { Currents::from_bytes(&bytes) } else { None }
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
        self.fits(&self.estimate()?)?;
        let mut structure = self.structure.clone();
        numbers::vary(&mut structure, self.design, self.drawing, &self.text.variables, &self.layout, &self.numbers)?;
        let told = Told::new(&self.part.name.value, watch);
        let solved = solve_structure(&structure, &self.asked, &told).map_err(|e| self.wrong(e))?;
        let currents = Currents::of(&solved, self.stack()).map_err(|e| self.wrong(e))?;
        // pictures only: when they cannot be kept, the result says so for both
        let _ = cache::keep(self.currents_key, currents.bytes());
        let kept = keep_of(solved);
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
        self.fits(&self.estimate()?)?;
        let model = self.mesh().map_err(|e| self.wrong(e))?;
        let driven = volume::Driven::new(model, volume::SolveSettings::default());
        driven.and_then(|mut d| d.field_file(freq_hz, index, watch)).map_err(|e| self.wrong(e))
    }

    fn wrong(&self, source: VolumeError) -> ProjectError {
        ProjectError::Volume { part: self.part.name.value.clone(), source }
    }
}

/// Memory that the system says can still be used, bytes; none where it does not say.
fn free_bytes() -> Option<usize> {
    let text = std::fs::read_to_string("/proc/meminfo").ok()?;
    let line = text.lines().find_map(|l| l.strip_prefix("MemAvailable:"))?;
    let kib: usize = line.trim().trim_end_matches("kB").trim().parse().ok()?;
    kib.checked_mul(1024)
}

/// What of a solution is kept.
fn keep_of(solved: Solved) -> Kept {
    let freqs_hz = solved.freqs_hz;
    Kept {
        ports: solved.port_names,
        reference_ohm: network::FrequencyResponse::reference_ohm(&solved.network).to_vec(),
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
        port_test: solved.checks.internal_ports.map(|t| [t.freq_hz, t.resistor, t.inductor, t.capacitor]),
        derivatives: solved.derivatives.into_iter().map(|d| derivative(d, &freqs_hz)).collect(),
        freqs_hz,
    }
}

/// A derivative as it is kept. That at direct current is the real part of that at the next frequency: there the fields
/// of loops and gaps are so much smaller than those around them that rounding rules their derivatives, while the change
/// up to the next frequency is of the order of the square of the length in wavelengths.
fn derivative(found: volume::Derivative, freqs_hz: &[f64]) -> KeptDerivative {
    let mut scattering = found.scattering;
    if let [0.0, next, ..] = freqs_hz
        && *next > 0.0
        && let [first, second, ..] = scattering.as_mut_slice()
    {
        *first = second.map(|x| x.re.into());
    }
    KeptDerivative { name: found.name, scattering, left_out_m: found.left_out_m }
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
    let (mut kept, followed) = match task.kept().0 {
        Some(kept) => (kept, false),
        None => match from_base(design, part, text)? {
            Some(kept) => (kept, true),
            None => {
                let unknowns = task.estimate()?.unknowns;
                return Err(ProjectError::NotSolved { part: part.name.value.clone(), unknowns });
            }
        },
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
    if followed {
        let text = "moved numbers are followed to first order from the kept field solution";
        findings.push(Finding::note(part.name.value.clone(), text));
    }
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

/// The kept result of the design this one was moved from, followed to first order.
fn from_base(design: &Design, part: &Part, text: &SolutionText) -> Result<Option<Kept>, ProjectError> {
    let Some(base) = &design.moved_from else { return Ok(None) };
    let CircuitText::Free(free) = &base.circuit else { return Ok(None) };
    let of = |p: &Part| match &p.kind {
        PartKind::Solution { solution, .. } if p.name == part.name => Some(solution.as_ref().clone()),
        _ => None,
    };
    let Some(base_text) = free.parts.iter().find_map(of) else { return Ok(None) };
    let task = task(base, part, &base_text)?;
    task.kept().0.map(|kept| numbers::moved(&task, base, (design, text), kept)).transpose()
}

/// The matrix with its error estimate added to every entry under phases of a pattern; symmetric as it was, and passive.
pub(super) fn with_error(s: &CMatrix, errors: &RMatrix, pattern: usize) -> Result<CMatrix, numerics::NumericsError> {
    let n = s.n_rows();
    let moved = CMatrix::from_fn(n, n, |p, q| {
        let (low, high) = (p.min(q), p.max(q));
        let turns = GOLDEN * (low * n + high) as f64 + 0.25 * pattern as f64;
        s[(p, q)] + Complex64::from_polar(errors[(p, q)].max(errors[(q, p)]), std::f64::consts::TAU * turns)
    });
    // at direct current responses are real
    let moved = if s.as_slice().iter().all(|x| x.im == 0.0) { moved.map(|x| x.re.into()) } else { moved };
    numbers::passive(moved)
}

/// Everything the result depends on. Numbers enter through their shortest text that reads back to the same bits.
fn canonical(structure: &Structure, numbers: &[(String, Number)], asked: &Asked) -> Vec<u8> {
    let mut out = Writer::default();
    out.text(&format!("{:?}", structure.volume));
    out.text(&format!("{:?}", structure.ports));
    numbers.iter().for_each(|n| out.text(&n.0));
    // the rate of the machine is no part of the question
    out.text(&format!("{:?}", Asked { flops_per_s: 0.0, ..asked.clone() }));
    out.0
}

#[cfg(test)]
mod tests {
    use super::*;

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
        let largest = numerics::linear::singular_values(&moved).expect("finite")[0];
        assert!(largest <= 1.0 + 1e-12, "{largest}");
    }
}
