//! Checks of a circuit before it is joined: names, values, nodes, return paths.

use crate::CircuitError;
use crate::builder::{Circuit, Element, GROUND, Kind, Loss};
use numerics::{RMatrix, linear};
use quantity::Finding;
use std::collections::HashSet;

/// Asymmetry of a given matrix above which it is refused, relative to its largest entry: six
/// printed digits.
const ASYMMETRY_MAX: f64 = 1e-6;
/// Smallest eigenvalue of a matrix that must be positive definite, relative to the largest.
const DEFINITENESS_MIN: f64 = 1e-12;

/// What the assembly must know about the nodes.
pub(crate) struct Groups {
    /// Nodes taken as zero volt: ground and one node of every part without a path to it.
    pub(crate) datum: Vec<bool>,
    pub(crate) findings: Vec<Finding>,
}

/// Names, values and shapes.
pub(crate) fn check_values(circuit: &Circuit) -> Result<(), CircuitError> {
    let mut seen = HashSet::new();
    for element in &circuit.elements {
        if !seen.insert(element.name.as_str()) {
            return Err(CircuitError::DuplicateName { element: element.name.clone() });
        }
        check_element(element)?;
    }
    positive("junction ports", "reference resistance in ohm", circuit.junction_reference_ohm)
}

fn check_element(element: &Element) -> Result<(), CircuitError> {
    let name = element.name.as_str();
    match &element.kind {
        Kind::Resistor { ohm, .. } => positive(name, "resistance in ohm", *ohm),
        Kind::Inductor { henry, loss, .. } => {
            positive(name, "inductance in henry", *henry)?;
            check_loss(name, *loss)
        }
        Kind::Capacitor { farad, loss, .. } => {
            positive(name, "capacitance in farad", *farad)?;
            check_loss(name, *loss)
        }
        Kind::CoupledInductors { windings, henry } => {
            square(name, "inductance matrix", henry, windings.len())?;
            let lowest = lowest_eigenvalue(name, "inductance matrix", henry)?;
            if lowest < -DEFINITENESS_MIN * henry.max_abs() {
                return Err(not_definite(name, "inductance matrix", "without negative eigenvalue", lowest));
            }
            Ok(())
        }
        Kind::Transformer { windings, turns } => {
            if windings.len() < 2 {
                return Err(shape(name, "at least two windings", windings.len().to_string()));
            }
            let bad = turns.iter().find(|t| !(t.is_finite() && **t != 0.0));
            bad.map_or(Ok(()), |&t| Err(value(name, "turns", "finite and not zero", t)))
        }
        Kind::Line { line, .. } => {
            positive(name, "characteristic impedance in ohm", line.z0_ohm)?;
            not_negative(name, "delay in second", line.delay_s)?;
            not_negative(name, "attenuation at direct current in neper", line.loss.dc_np)?;
            not_negative(name, "skin attenuation in neper per root hertz", line.loss.skin_np_per_sqrt_hz)?;
            not_negative(name, "dielectric loss tangent", line.loss.tan_delta)
        }
        Kind::CoupledPair { pair, .. } => {
            positive(name, "even-mode impedance in ohm", pair.z0e_ohm)?;
            positive(name, "odd-mode impedance in ohm", pair.z0o_ohm)?;
            positive(name, "even-mode delay in second", pair.delay_even_s)?;
            positive(name, "odd-mode delay in second", pair.delay_odd_s)
        }
        Kind::Multiconductor { near, far, line } => {
            let n = near.len();
            if n == 0 || far.len() != n {
                return Err(shape(name, "one near and one far node a conductor", format!("{n} and {}", far.len())));
            }
            positive(name, "length in metre", line.length_m)?;
            for (what, m) in line.required_matrices() {
                square(name, what, m, n)?;
                let lowest = lowest_eigenvalue(name, what, m)?;
                if lowest <= DEFINITENESS_MIN * m.max_abs() {
                    return Err(not_definite(name, what, "positive definite", lowest));
                }
            }
            maxwell_form(name, &line.capacitance_f_per_m)?;
            for (what, m) in line.loss.matrices() {
                square(name, what, m, n)?;
                let lowest = lowest_eigenvalue(name, what, m)?;
                if lowest < -DEFINITENESS_MIN * m.max_abs() {
                    return Err(not_definite(name, what, "without negative eigenvalue", lowest));
                }
            }
            Ok(())
        }
        Kind::Block { ports, response } => {
            if ports.len() != response.n_ports() {
                return Err(shape(name, format!("{} pairs of nodes", response.n_ports()), ports.len().to_string()));
            }
            response.reference_ohm().iter().try_for_each(|&z| positive(name, "reference resistance in ohm", z))
        }
        Kind::Port { ohm, .. } => positive(name, "reference resistance in ohm", *ohm),
        Kind::Diode { access, .. } => {
            not_negative(name, "series resistance in ohm", access.rs_ohm)?;
            not_negative(name, "finger inductance in henry", access.finger_inductance_h)?;
            not_negative(name, "pad capacitance in farad", access.pad_capacitance_f)
        }
    }
}

fn check_loss(name: &str, loss: Loss) -> Result<(), CircuitError> {
    match loss {
        Loss::None => Ok(()),
        Loss::SeriesOhm(r) => not_negative(name, "series resistance in ohm", r),
        Loss::Quality(q) => positive(name, "quality factor", q),
    }
}

/// Nodes and return paths.
pub(crate) fn check_nodes(circuit: &Circuit) -> Result<Groups, CircuitError> {
    check_terminals(circuit)?;
    let mut findings = check_single_terminals(circuit)?;
    findings.extend(find_islands(circuit));
    check_return_paths(circuit)?;
    let mut all = Joined::new(circuit.nodes.len());
    circuit.elements.iter().for_each(|e| all.join_all(&e.kind));
    let mut datum = vec![false; circuit.nodes.len()];
    let mut seen = HashSet::new();
    for (node, datum) in datum.iter_mut().enumerate() {
        // The first node of each group, ground first of all.
        *datum = seen.insert(all.root(node));
    }
    Ok(Groups { datum, findings })
}

fn check_terminals(circuit: &Circuit) -> Result<(), CircuitError> {
    let mut grounded = false;
    let mut has_port = false;
    for Element { name, kind } in &circuit.elements {
        has_port |= matches!(kind, Kind::Port { .. } | Kind::Diode { .. });
        for [a, b] in kind.pairs() {
            grounded |= a == GROUND || b == GROUND;
            if [a, b].iter().any(|&n| circuit.nodes[n].trim().is_empty()) {
                return Err(CircuitError::EmptyNode { element: name.clone() });
            }
            if a == b && !kind.is_line() {
                return Err(CircuitError::SameNode { element: name.clone(), node: circuit.nodes[a].clone() });
            }
        }
    }
    if !has_port {
        return Err(CircuitError::NoPort);
    }
    if grounded { Ok(()) } else { Err(CircuitError::NoGround) }
}

/// Refuses nodes with one terminal, but open line ends (a finding) and nodes declared open.
fn check_single_terminals(circuit: &Circuit) -> Result<Vec<Finding>, CircuitError> {
    let mut touches: Vec<Vec<usize>> = vec![Vec::new(); circuit.nodes.len()];
    for (idx, element) in circuit.elements.iter().enumerate() {
        element.kind.pairs().iter().flatten().for_each(|&n| touches[n].push(idx));
    }
    let mut findings = Vec::new();
    for (node, elements) in touches.iter().enumerate().skip(1) {
        let &[only] = elements.as_slice() else { continue };
        if circuit.open_nodes.contains(&node) {
            continue;
        }
        let Element { name, kind } = &circuit.elements[only];
        if !kind.is_line() {
            return Err(CircuitError::FloatingNode { element: name.clone(), node: circuit.nodes[node].clone() });
        }
        findings.push(Finding::note(
            name.clone(),
            format!("its end at node `{}` is open; nothing else is connected there", circuit.nodes[node]),
        ));
    }
    Ok(findings)
}

/// Parts that no port can reach, not even through a transformer or line.
fn find_islands(circuit: &Circuit) -> Vec<Finding> {
    let mut reach = Joined::new(circuit.nodes.len());
    for element in &circuit.elements {
        let off_ground: Vec<usize> = element.kind.pairs().into_iter().flatten().filter(|&n| n != GROUND).collect();
        off_ground.windows(2).for_each(|w| reach.join(w[0], w[1]));
    }
    let first_node = |e: &Element| e.kind.pairs().into_iter().flatten().find(|&n| n != GROUND);
    let is_port = |e: &&Element| matches!(e.kind, Kind::Port { .. } | Kind::Diode { .. });
    let ports = circuit.elements.iter().filter(is_port);
    let reached: HashSet<usize> = ports.filter_map(first_node).map(|n| reach.root(n)).collect();
    let mut findings = Vec::new();
    for element in &circuit.elements {
        if let Some(node) = first_node(element)
            && !reached.contains(&reach.root(node))
        {
            findings.push(Finding::warning(
                element.name.clone(),
                format!(
                    "no port or diode is connected to it, not even indirectly; check node `{}`",
                    circuit.nodes[node]
                ),
            ));
        }
    }
    findings
}

/// The current of every port must find a way back outside the port.
fn check_return_paths(circuit: &Circuit) -> Result<(), CircuitError> {
    for (idx, Element { name, kind }) in circuit.elements.iter().enumerate() {
        let (Kind::Port { nodes, .. } | Kind::Diode { nodes, .. }) = kind else { continue };
        let mut others = Joined::new(circuit.nodes.len());
        let rest = circuit.elements.iter().enumerate().filter(|&(other, _)| other != idx);
        rest.for_each(|(_, e)| others.join_all(&e.kind));
        if others.root(nodes[0]) != others.root(nodes[1]) {
            return Err(CircuitError::NoReturnPath {
                element: name.clone(),
                node: circuit.nodes[nodes[0]].clone(),
                reference: circuit.nodes[nodes[1]].clone(),
            });
        }
    }
    Ok(())
}

/// Sets of nodes joined by elements.
struct Joined(Vec<usize>);

impl Joined {
    fn new(n: usize) -> Self {
        Self((0..n).collect())
    }

    fn root(&mut self, mut node: usize) -> usize {
        while self.0[node] != node {
            self.0[node] = self.0[self.0[node]];
            node = self.0[node];
        }
        node
    }

    fn join_all(&mut self, kind: &Kind) {
        kind.pairs().into_iter().for_each(|[a, b]| self.join(a, b));
    }

    /// Keeps the lowest number as the root, so that ground stays one.
    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.0[a.max(b)] = a.min(b);
    }
}

fn positive(name: &str, what: &'static str, found: f64) -> Result<(), CircuitError> {
    if found.is_finite() && found > 0.0 { Ok(()) } else { Err(value(name, what, "finite and above zero", found)) }
}

fn not_negative(name: &str, what: &'static str, found: f64) -> Result<(), CircuitError> {
    if found.is_finite() && found >= 0.0 { Ok(()) } else { Err(value(name, what, "finite and not negative", found)) }
}

fn value(name: &str, what: &'static str, expected: &'static str, found: f64) -> CircuitError {
    CircuitError::Value { element: name.to_owned(), what, expected, found }
}

fn shape(name: &str, expected: impl Into<String>, found: impl Into<String>) -> CircuitError {
    CircuitError::Shape { element: name.to_owned(), expected: expected.into(), found: found.into() }
}

fn square(name: &str, what: &str, m: &RMatrix, n: usize) -> Result<(), CircuitError> {
    if n > 0 && m.n_rows() == n && m.n_cols() == n {
        return Ok(());
    }
    Err(shape(name, format!("a {n} by {n} {what}"), format!("{} by {}", m.n_rows(), m.n_cols())))
}

fn lowest_eigenvalue(name: &str, what: &'static str, m: &RMatrix) -> Result<f64, CircuitError> {
    let matrix_error =
        |expected, found: String| CircuitError::Matrix { element: name.to_owned(), what, expected, found };
    if !m.as_slice().iter().all(|x| x.is_finite()) {
        return Err(matrix_error("finite", "a value that is not".into()));
    }
    for i in 0..m.n_rows() {
        for j in 0..i {
            if (m[(i, j)] - m[(j, i)]).abs() > ASYMMETRY_MAX * m.max_abs() {
                return Err(matrix_error("symmetric", format!("{} against {}", m[(i, j)], m[(j, i)])));
            }
        }
    }
    let (values, _) = linear::eigen_symmetric(m).map_err(network::NetworkError::from)?;
    Ok(values.first().copied().unwrap_or(0.0))
}

/// Mutual entries of a capacitance matrix are negative; positive ones are a common slip.
fn maxwell_form(name: &str, m: &RMatrix) -> Result<(), CircuitError> {
    for i in 0..m.n_rows() {
        for j in (0..m.n_cols()).filter(|&j| j != i) {
            if m[(i, j)] > ASYMMETRY_MAX * m.max_abs() {
                return Err(CircuitError::Matrix {
                    element: name.to_owned(),
                    what: "capacitance matrix",
                    expected: "in Maxwell form, mutual entries negative",
                    found: format!("{:.6e} at row {}, column {}", m[(i, j)], i + 1, j + 1),
                });
            }
        }
    }
    Ok(())
}

fn not_definite(name: &str, what: &'static str, expected: &'static str, lowest: f64) -> CircuitError {
    CircuitError::Matrix {
        element: name.to_owned(),
        what,
        expected,
        found: format!("smallest eigenvalue {lowest:.3e}"),
    }
}
