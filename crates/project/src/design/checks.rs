//! What a designer forgets in a circuit: floating nodes, parts without ground, a reversed diode, names used twice.

use super::circuit::{DiodeSite, FreeCircuit, GROUND, OPEN, PartKind};
use super::problem::ProblemKind;
use super::tree::{At, Sink};
use quantity::Finding;
use spec::PortName;
use std::collections::BTreeMap;

pub(super) fn check_circuit(circuit: &FreeCircuit, sink: &Sink) -> Vec<Finding> {
    duplicate_names(circuit, sink);
    port_roles(circuit, sink);
    shorted_parts(circuit, sink);
    floating_nodes(circuit, sink);
    floating_parts(circuit, sink);
    reversed_diodes(&circuit.diodes, sink)
}

fn duplicate_names(circuit: &FreeCircuit, sink: &Sink) {
    let mut seen: BTreeMap<&str, ()> = BTreeMap::new();
    let mut names: Vec<&At<String>> =
        circuit.parts.iter().map(|p| &p.name).chain(circuit.diodes.iter().map(|d| &d.name)).collect();
    names.sort_by_key(|n| n.span.start);
    for name in names {
        if seen.insert(&name.value, ()).is_some() {
            let message = format!("the name `{}` is used twice", name.value);
            sink.push(ProblemKind::DuplicateName, name.span.clone(), message, "give every part a name of its own");
        }
    }
}

fn port_roles(circuit: &FreeCircuit, sink: &Sink) {
    for role in [PortName::Lo, PortName::Rf, PortName::If] {
        let mut ports = circuit.ports.iter().filter(|p| p.role.value == role);
        let word = role.label().to_lowercase();
        if ports.next().is_none() {
            let help = format!("add a `[[circuit.port]]` with `role = \"{word}\"`");
            let place = circuit.ports.first().map_or(0..0, |p| p.role.span.clone());
            sink.push(ProblemKind::PortRole, place, format!("the circuit has no {} port", role.label()), help);
        }
        for again in ports {
            let message = format!("the circuit has a second {} port", role.label());
            sink.push(ProblemKind::PortRole, again.role.span.clone(), message, "keep one port for each role");
        }
    }
    if circuit.diodes.is_empty() {
        let message = "the circuit has no diode".to_string();
        sink.push(ProblemKind::PortRole, 0..0, message, "add a `[[circuit.diode]]`; without one nothing mixes");
    }
}

fn shorted_parts(circuit: &FreeCircuit, sink: &Sink) {
    let complain = |name: &At<String>, node: &At<String>| {
        let message = format!("both ends of `{}` are on node `{}`", name.value, node.value);
        sink.push(
            ProblemKind::ShortedPart,
            node.span.clone(),
            message,
            "correct one of the two nodes, or leave the part out",
        );
    };
    for part in &circuit.parts {
        let two_terminal = matches!(
            part.kind,
            PartKind::Resistor(_) | PartKind::Inductor(_) | PartKind::Capacitor(_) | PartKind::FilmCapacitor { .. }
        );
        if let [a, b] = part.nodes.as_slice()
            && two_terminal
            && a.value == b.value
            && a.value != OPEN
        {
            complain(&part.name, b);
        }
    }
    for diode in circuit.diodes.iter().filter(|d| d.anode.value == d.cathode.value) {
        complain(&diode.name, &diode.cathode);
    }
}

/// Every end of every part: node, who is there.
fn ends(circuit: &FreeCircuit) -> Vec<(&At<String>, String)> {
    let mut all = Vec::new();
    for part in &circuit.parts {
        all.extend(part.nodes.iter().map(|n| (n, format!("`{}`", part.name.value))));
    }
    for port in &circuit.ports {
        all.extend(port.nodes.iter().map(|n| (n, format!("the {} port", port.role.value.label()))));
    }
    for diode in &circuit.diodes {
        all.extend([&diode.anode, &diode.cathode].map(|n| (n, format!("`{}`", diode.name.value))));
    }
    all
}

fn floating_nodes(circuit: &FreeCircuit, sink: &Sink) {
    let all = ends(circuit);
    let mut count: BTreeMap<&str, usize> = BTreeMap::new();
    for (node, _) in &all {
        *count.entry(&node.value).or_default() += 1;
    }
    for (node, who) in &all {
        if node.value == GROUND || node.value == OPEN || count.get(node.value.as_str()) != Some(&1) {
            continue;
        }
        let others: Vec<&str> = count.keys().copied().filter(|n| *n != node.value).collect();
        let close = super::tree::meant_or_list(&node.value, &others);
        let hint = if close.starts_with("did you mean") { format!("{close} else ") } else { String::new() };
        let message = format!("node `{}` leads nowhere: only {who} is connected to it", node.value);
        let help = format!("{hint}connect something to it, or write `{OPEN}` for an end that is meant to be open");
        sink.push(ProblemKind::FloatingNode, node.span.clone(), message, help);
    }
}

/// Node groups held together by parts; a transformer holds each winding together, not the windings.
fn floating_parts(circuit: &FreeCircuit, sink: &Sink) {
    let mut groups = Groups::default();
    let ground = At { value: GROUND.to_string(), span: 0..0 };
    for part in &circuit.parts {
        match part.kind {
            PartKind::Transformer { .. } => part.nodes.chunks(2).for_each(|winding| groups.join(winding.iter())),
            PartKind::Coupled { .. }
            | PartKind::Section { .. }
            | PartKind::Solution { .. }
            | PartKind::Block { .. } => groups.join(part.nodes.iter().chain([&ground])),
            PartKind::Line { .. } if part.nodes.len() == 2 => groups.join(part.nodes.iter().chain([&ground])),
            _ => groups.join(part.nodes.iter()),
        }
    }
    for port in &circuit.ports {
        groups.join(port.nodes.iter());
    }
    for diode in &circuit.diodes {
        groups.join([&diode.anode, &diode.cathode].into_iter());
    }
    let grounded = groups.root(GROUND);
    let mut floating: BTreeMap<String, Vec<&At<String>>> = BTreeMap::new();
    for (node, _) in ends(circuit) {
        let root = groups.root(&node.value);
        if root != grounded && node.value != OPEN {
            floating.entry(root).or_default().push(node);
        }
    }
    for nodes in floating.into_values() {
        let mut names: Vec<&str> = nodes.iter().map(|n| n.value.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        let first = nodes.iter().min_by_key(|n| n.span.start).expect("a group has a node");
        let message =
            format!("no path leads from node{} {} to ground", if names.len() > 1 { "s" } else { "" }, names.join(", "));
        let help =
            format!("ground one of them (node `{GROUND}`), for example at a centre tap; direct currents need a return");
        sink.push(ProblemKind::FloatingPart, first.span.clone(), message, help);
    }
}

/// Sets of nodes joined pairwise.
#[derive(Default)]
struct Groups {
    parent: BTreeMap<String, String>,
}

impl Groups {
    fn root(&mut self, node: &str) -> String {
        let mut at = node.to_string();
        while let Some(up) = self.parent.get(&at).filter(|up| **up != at) {
            at = up.clone();
        }
        at
    }

    fn join<'a>(&mut self, nodes: impl Iterator<Item = &'a At<String>>) {
        let mut first: Option<String> = None;
        for node in nodes.filter(|n| n.value != OPEN) {
            let root = self.root(&node.value);
            match &first {
                None => first = Some(root),
                Some(f) if *f != root => {
                    self.parent.insert(root, f.clone());
                }
                Some(_) => {}
            }
        }
    }
}

/// Looks at every closed loop of four diodes: in a ring all four point the same way round.
fn reversed_diodes(diodes: &[DiodeSite], sink: &Sink) -> Vec<Finding> {
    let mut findings = Vec::new();
    for ring in rings(diodes) {
        let forward: Vec<bool> = ring.iter().map(|(_, along)| *along).collect();
        let n_forward = forward.iter().filter(|f| **f).count();
        match n_forward {
            0 | 4 => {}
            2 => {
                let names: Vec<&str> = ring.iter().map(|(i, _)| diodes[*i].name.value.as_str()).collect();
                let text = "two diodes of this loop point one way round and two the other: a bridge, not a ring; correct for a series or shunt switch only";
                findings.push(Finding::warning(format!("diodes {}", names.join(", ")), text));
            }
            _ => {
                let odd = n_forward == 1;
                let (idx, _) = ring.iter().find(|(_, along)| *along == odd).expect("one of four differs");
                let diode = &diodes[*idx];
                let message = format!("diode `{}` is reversed against the other three of its ring", diode.name.value);
                let help = format!(
                    "swap its nodes: `anode = \"{}\"`, `cathode = \"{}\"`",
                    diode.cathode.value, diode.anode.value
                );
                sink.push(ProblemKind::ReversedDiode, diode.anode.span.clone(), message, help);
            }
        }
    }
    findings
}

/// Closed loops of four diodes over four different nodes, each once: diode number and whether it points along the loop.
fn rings(diodes: &[DiodeSite]) -> Vec<Vec<(usize, bool)>> {
    let mut found: Vec<Vec<(usize, bool)>> = Vec::new();
    for start in 0..diodes.len() {
        walk(diodes, &mut vec![(start, true)], &mut found);
    }
    found
}

fn walk(diodes: &[DiodeSite], path: &mut Vec<(usize, bool)>, found: &mut Vec<Vec<(usize, bool)>>) {
    let end_of = |(i, along): (usize, bool)| if along { &diodes[i].cathode.value } else { &diodes[i].anode.value };
    let start_of = |(i, along): (usize, bool)| if along { &diodes[i].anode.value } else { &diodes[i].cathode.value };
    let (first, last) = (path[0], path[path.len() - 1]);
    if path.len() == 4 {
        let mut members: Vec<usize> = path.iter().map(|(i, _)| *i).collect();
        members.sort_unstable();
        let known = found.iter().any(|ring| {
            let mut other: Vec<usize> = ring.iter().map(|(i, _)| *i).collect();
            other.sort_unstable();
            other == members
        });
        if end_of(last) == start_of(first) && !known {
            found.push(path.clone());
        }
        return;
    }
    for next in first.0 + 1..diodes.len() {
        for along in [true, false] {
            let joins = start_of((next, along)) == end_of(last);
            let visited = path.iter().any(|step| end_of(*step) == end_of((next, along)));
            let grounded = start_of((next, along)) == GROUND;
            if joins && !visited && !grounded && path.iter().all(|(i, _)| *i != next) {
                path.push((next, along));
                walk(diodes, path, found);
                path.pop();
            }
        }
    }
}
