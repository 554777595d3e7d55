//! From elements to the linear system: which unknowns, which entries.

use crate::CircuitError;
use crate::builder::{Access, AccessResistance, Circuit, Kind, Loss};
use crate::line::ReadyLine;
use crate::multiport::{PortInfo, PortKind};
use crate::stamp::{Part, SCALE_OHM, System};
use crate::topology::Groups;
use network::NetworkError;

/// Resistors below this value, ohm, are written by their current, which keeps a near short exact.
const SMALL_RESISTANCE_OHM: f64 = 1.0;
/// Capacitors above this value, farad, are written by their current for the same reason.
const LARGE_CAPACITANCE_F: f64 = 20e-12;

/// The system of a checked circuit and its ports in order: external ports, then junction ports.
pub(crate) fn assemble(
    circuit: &Circuit,
    groups: &Groups,
    access: AccessResistance,
) -> Result<(System, Vec<PortInfo>), CircuitError> {
    let mut a = Assembly::new(circuit, groups);
    for element in &circuit.elements {
        a.add_element(&element.name, &element.kind, access).map_err(NetworkError::from)?;
    }
    // The border is placed last, when the number of unknowns is known.
    let n = a.system.n();
    let mut ports = std::mem::take(&mut a.ports);
    ports.sort_by_key(|p| p.info.kind);
    a.system.n_ports = ports.len();
    for (k, port) in ports.iter().enumerate() {
        let root = port.info.reference_ohm.sqrt();
        for (node, sign) in port.nodes.into_iter().zip([1.0, -1.0]) {
            let Some(row) = node else { continue };
            a.system.add(n + k, row, sign / root, 0.0);
            a.system.add(row, n + k, -sign * 2.0 * SCALE_OHM / root, 0.0);
        }
    }
    Ok((a.system, ports.into_iter().map(|p| p.info).collect()))
}

/// Unknown of a node voltage and row of its current sum; `None` for nodes at zero volt.
type Node = Option<usize>;

struct Assembly {
    system: System,
    unknown_of_node: Vec<Node>,
    ports: Vec<PlacedPort>,
    junction_reference_ohm: f64,
}

struct PlacedPort {
    info: PortInfo,
    nodes: [Node; 2],
}

impl Assembly {
    fn new(circuit: &Circuit, groups: &Groups) -> Self {
        let mut system = System::default();
        let mut unknown_of_node = Vec::new();
        for (name, &datum) in circuit.nodes.iter().zip(&groups.datum) {
            unknown_of_node.push(if datum {
                None
            } else {
                system.unknowns.push(format!("voltage of node `{name}`"));
                Some(system.n() - 1)
            });
        }
        let junction_reference_ohm = circuit.junction_reference_ohm;
        Self { system, unknown_of_node, ports: Vec::new(), junction_reference_ohm }
    }

    fn add_element(
        &mut self,
        name: &str,
        kind: &Kind,
        access: AccessResistance,
    ) -> Result<(), numerics::NumericsError> {
        match kind {
            Kind::Resistor { nodes, ohm } => {
                let nodes = self.pair(*nodes);
                if *ohm >= SMALL_RESISTANCE_OHM {
                    self.add_admittance(nodes, SCALE_OHM / ohm, 0.0);
                } else {
                    self.add_series(name, nodes, *ohm, 0.0);
                }
            }
            Kind::Inductor { nodes, henry, loss } => {
                let nodes = self.pair(*nodes);
                let ohm = if let Loss::SeriesOhm(r) = *loss { r } else { 0.0 };
                let i = self.add_series(name, nodes, ohm, *henry);
                if let Loss::Quality(q) = *loss {
                    let slot = self.system.slot(i, i);
                    let part = Part::InductorQuality { henry: *henry, q };
                    self.system.add_part(part, 1, vec![(0, slot, 1.0)]);
                }
            }
            Kind::Capacitor { nodes, farad, loss } => {
                let nodes = self.pair(*nodes);
                self.add_capacitor(name, nodes, *farad, *loss);
            }
            Kind::CoupledInductors { windings, henry } => {
                let currents: Vec<usize> = windings.iter().map(|_| self.current(name)).collect();
                for (k, &nodes) in windings.iter().enumerate() {
                    let nodes = self.pair(nodes);
                    self.place_current(nodes, currents[k], 1.0);
                    self.place_voltage(currents[k], nodes, 1.0);
                    for (l, &other) in currents.iter().enumerate() {
                        self.system.add(currents[k], other, 0.0, -henry[(k, l)] / SCALE_OHM);
                    }
                }
            }
            Kind::Transformer { windings, turns } => {
                // The current of the first winding follows from the others: Σ N_k i_k = 0.
                let first = self.pair(windings[0]);
                for (&nodes, &n) in windings.iter().zip(turns).skip(1) {
                    let (nodes, ratio) = (self.pair(nodes), n / turns[0]);
                    let i = self.current(name);
                    self.place_current(nodes, i, 1.0);
                    self.place_current(first, i, -ratio);
                    self.place_voltage(i, nodes, 1.0);
                    self.place_voltage(i, first, -ratio);
                }
            }
            Kind::Line { near, far, line } => {
                let lossy = !line.is_lossless();
                self.add_ends(name, &[*near], &[*far], Part::Line(*line), lossy);
            }
            Kind::CoupledPair { near, far, pair } => {
                let line = ReadyLine::new(&pair.to_multiconductor())?;
                self.add_ends(name, near, far, Part::Lines { n: near.len(), line }, false);
            }
            Kind::Multiconductor { near, far, line } => {
                let lossy = !line.is_lossless();
                let line = ReadyLine::new(line)?;
                self.add_ends(name, near, far, Part::Lines { n: near.len(), line }, lossy);
            }
            Kind::Block { ports, response } => self.add_block(name, ports, Part::Block(response.clone())),
            Kind::Port { nodes, ohm } => {
                let nodes = self.pair(*nodes);
                self.add_port(name, PortKind::External, nodes, *ohm);
            }
            Kind::Diode { nodes, access: parts } => {
                let pads = self.pair(*nodes);
                self.add_diode(name, pads, *parts, access);
            }
        }
        Ok(())
    }

    fn add_capacitor(&mut self, name: &str, nodes: [Node; 2], farad: f64, loss: Loss) {
        if farad > LARGE_CAPACITANCE_F {
            let ohm = if let Loss::SeriesOhm(r) = loss { r } else { 0.0 };
            let q_inverse = if let Loss::Quality(q) = loss { 1.0 / q } else { 0.0 };
            let i = self.current(name);
            self.place_current(nodes, i, 1.0);
            let mut scatter = vec![(1, self.system.slot(i, i), 1.0)];
            for (node, sign) in signed(nodes) {
                scatter.push((0, self.system.slot(i, node), sign));
            }
            let part = Part::LargeCapacitor { farad, ohm, q_inverse };
            self.system.add_part(part, 2, scatter);
            return;
        }
        let part = match loss {
            Loss::SeriesOhm(ohm) if ohm > 0.0 => Part::CapacitorSeries { farad, ohm },
            Loss::Quality(q) => {
                self.add_admittance(nodes, 0.0, farad * SCALE_OHM);
                Part::CapacitorQuality { farad, q }
            }
            _ => return self.add_admittance(nodes, 0.0, farad * SCALE_OHM),
        };
        let mut scatter = Vec::new();
        for (row, s) in signed(nodes) {
            for (col, t) in signed(nodes) {
                scatter.push((0, self.system.slot(row, col), s * t));
            }
        }
        self.system.add_part(part, 1, scatter);
    }

    /// From the pads inward: capacitance across, finger inductance and series resistance, port.
    fn add_diode(&mut self, name: &str, [anode, cathode]: [Node; 2], parts: Access, access: AccessResistance) {
        if parts.pad_capacitance_f > 0.0 {
            self.add_capacitor(name, [anode, cathode], parts.pad_capacitance_f, Loss::None);
        }
        let ohm = if access == AccessResistance::Inside { parts.rs_ohm } else { 0.0 };
        let mut inner = anode;
        if ohm > 0.0 || parts.finger_inductance_h > 0.0 {
            self.system.unknowns.push(format!("voltage at the junction of `{name}`"));
            inner = Some(self.system.n() - 1);
            if parts.finger_inductance_h == 0.0 && ohm >= SMALL_RESISTANCE_OHM {
                self.add_admittance([anode, inner], SCALE_OHM / ohm, 0.0);
            } else {
                self.add_series(name, [anode, inner], ohm, parts.finger_inductance_h);
            }
        }
        self.add_port(name, PortKind::Junction, [inner, cathode], self.junction_reference_ohm);
    }

    /// A port closes its nodes by its reference resistance.
    fn add_port(&mut self, name: &str, kind: PortKind, nodes: [Node; 2], reference_ohm: f64) {
        self.add_admittance(nodes, SCALE_OHM / reference_ohm, 0.0);
        let info = PortInfo { name: name.to_owned(), kind, reference_ohm };
        self.ports.push(PlacedPort { info, nodes });
    }

    fn add_block(&mut self, name: &str, ports: &[[usize; 2]], part: Part) {
        let n = ports.len();
        let currents: Vec<usize> = ports.iter().map(|_| self.current(name)).collect();
        let mut scatter = Vec::new();
        for (j, &nodes) in ports.iter().enumerate() {
            let nodes = self.pair(nodes);
            self.place_current(nodes, currents[j], 1.0);
            for (i, &row) in currents.iter().enumerate() {
                for (node, sign) in signed(nodes) {
                    scatter.push(((i * n + j) as u32, self.system.slot(row, node), sign));
                }
                scatter.push(((n * n + i * n + j) as u32, self.system.slot(row, currents[j]), 1.0));
            }
        }
        self.system.add_part(part, 2 * n * n, scatter);
    }

    /// The ends of a line: the far currents are unknowns, the near ones follow (see `EndForm`).
    fn add_ends(&mut self, name: &str, near: &[[usize; 2]], far: &[[usize; 2]], part: Part, lossy: bool) {
        let n = near.len();
        let currents: Vec<usize> = near.iter().map(|_| self.current(name)).collect();
        let near: Vec<[Node; 2]> = near.iter().map(|&p| self.pair(p)).collect();
        let far: Vec<[Node; 2]> = far.iter().map(|&p| self.pair(p)).collect();
        for (&nodes, &i) in far.iter().zip(&currents) {
            self.place_current(nodes, i, 1.0);
        }
        let mut scatter = Vec::new();
        for i in 0..n {
            for j in 0..n {
                let local = |block: usize| (block * n * n + i * n + j) as u32;
                // Without loss the line stays in chain form, where block 0 is diagonal and 3 empty.
                if lossy || i == j {
                    self.scatter(&mut scatter, local(0), &[(currents[i], 1.0)], &signed_vec(near[j]));
                }
                if lossy {
                    self.scatter(&mut scatter, local(3), &signed_vec(near[i]), &signed_vec(near[j]));
                }
                self.scatter(&mut scatter, local(1), &[(currents[i], 1.0)], &signed_vec(far[j]));
                self.scatter(&mut scatter, local(2), &[(currents[i], 1.0)], &[(currents[j], 1.0)]);
                self.scatter(&mut scatter, local(4), &signed_vec(near[i]), &signed_vec(far[j]));
                self.scatter(&mut scatter, local(5), &signed_vec(near[i]), &[(currents[j], 1.0)]);
            }
        }
        self.system.add_part(part, 6 * n * n, scatter);
    }

    fn scatter(&mut self, out: &mut Vec<(u32, u32, f64)>, local: u32, rows: &[(usize, f64)], cols: &[(usize, f64)]) {
        for &(row, s) in rows {
            for &(col, t) in cols {
                out.push((local, self.system.slot(row, col), s * t));
            }
        }
    }

    /// A branch `v − (ohm + jω·henry) i = 0`; returns its current.
    fn add_series(&mut self, name: &str, nodes: [Node; 2], ohm: f64, henry: f64) -> usize {
        let i = self.current(name);
        self.place_current(nodes, i, 1.0);
        self.place_voltage(i, nodes, 1.0);
        self.system.add(i, i, -ohm / SCALE_OHM, -henry / SCALE_OHM);
        i
    }

    /// An admittance `conductance + jω·slope`, already times the scale.
    fn add_admittance(&mut self, nodes: [Node; 2], conductance: f64, slope: f64) {
        for (row, s) in signed(nodes) {
            for (col, t) in signed(nodes) {
                self.system.add(row, col, s * t * conductance, s * t * slope);
            }
        }
    }

    /// Current `i` times `factor` leaves the first node and enters the second.
    fn place_current(&mut self, nodes: [Node; 2], i: usize, factor: f64) {
        for (row, sign) in signed(nodes) {
            self.system.add(row, i, sign * factor, 0.0);
        }
    }

    /// Adds the voltage between the nodes times `factor` to the equation in `row`.
    fn place_voltage(&mut self, row: usize, nodes: [Node; 2], factor: f64) {
        for (col, sign) in signed(nodes) {
            self.system.add(row, col, sign * factor, 0.0);
        }
    }

    /// A new unknown current and the row of its equation.
    fn current(&mut self, name: &str) -> usize {
        self.system.unknowns.push(format!("current of `{name}`"));
        self.system.n() - 1
    }

    fn pair(&self, nodes: [usize; 2]) -> [Node; 2] {
        nodes.map(|n| self.unknown_of_node[n])
    }
}

/// The nodes that are not at zero volt, with the sign of each in the pair.
fn signed(nodes: [Node; 2]) -> impl Iterator<Item = (usize, f64)> + Clone {
    nodes.into_iter().zip([1.0, -1.0]).filter_map(|(node, sign)| node.map(|n| (n, sign)))
}

fn signed_vec(nodes: [Node; 2]) -> Vec<(usize, f64)> {
    signed(nodes).collect()
}
