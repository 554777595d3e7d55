//! The circuit as the designer writes it: named nodes and named elements.
//!
//! Nothing is checked while elements are added; [`Circuit::compile`] checks everything and names
//! the element and node, so that a reader of design files can point at the line.

use crate::line::{CoupledPair, Line, MulticonductorLine};
use crate::multiport::Multiport;
use crate::{CircuitError, assemble, topology};
use network::FrequencyResponse;
use numerics::RMatrix;
use std::collections::HashMap;
use std::sync::Arc;

/// Number of the ground node.
pub(crate) const GROUND: usize = 0;
/// Reference resistance of junction ports unless set otherwise, ohm.
const JUNCTION_REFERENCE_OHM: f64 = 50.0;

/// Loss of an inductor or capacitor.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Loss {
    /// None.
    #[default]
    None,
    /// A constant series resistance, ohm.
    SeriesOhm(f64),
    /// A quality factor that is the same at all frequencies.
    Quality(f64),
}

/// Linear parts between the pads of a diode and its junction; counted here and nowhere else.
///
/// From the pads inward: the pad-to-pad capacitance lies across both pads, then the finger
/// inductance and the series resistance lead to the junction.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Access {
    /// Series resistance, ohm; zero for none.
    pub rs_ohm: f64,
    /// Finger (air bridge or beam) inductance, henry; zero for none.
    pub finger_inductance_h: f64,
    /// Pad-to-pad capacitance, farad; zero for none.
    pub pad_capacitance_f: f64,
}

/// On which side of the series resistance the junction ports lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum AccessResistance {
    /// Series resistances belong to the multiport; the ports are at the junctions.
    #[default]
    Inside,
    /// Series resistances are left out; the ports are at their outer sides. For resistances at
    /// another temperature than the rest.
    Outside,
}

#[derive(Debug, Clone)]
pub(crate) struct Element {
    pub(crate) name: String,
    pub(crate) kind: Kind,
}

#[derive(Debug, Clone)]
pub(crate) enum Kind {
    Resistor { nodes: [usize; 2], ohm: f64 },
    Inductor { nodes: [usize; 2], henry: f64, loss: Loss },
    Capacitor { nodes: [usize; 2], farad: f64, loss: Loss },
    CoupledInductors { windings: Vec<[usize; 2]>, henry: RMatrix },
    Transformer { windings: Vec<[usize; 2]>, turns: Vec<f64> },
    Line { near: [usize; 2], far: [usize; 2], line: Line },
    CoupledPair { near: Vec<[usize; 2]>, far: Vec<[usize; 2]>, pair: CoupledPair },
    Multiconductor { near: Vec<[usize; 2]>, far: Vec<[usize; 2]>, line: MulticonductorLine },
    Block { ports: Vec<[usize; 2]>, response: Arc<dyn FrequencyResponse> },
    Port { nodes: [usize; 2], ohm: f64 },
    Diode { nodes: [usize; 2], access: Access },
}

/// A circuit of named nodes; ground is `"0"` or `"gnd"`.
#[derive(Debug, Clone)]
pub struct Circuit {
    pub(crate) nodes: Vec<String>,
    pub(crate) elements: Vec<Element>,
    pub(crate) open_nodes: Vec<usize>,
    pub(crate) junction_reference_ohm: f64,
    node_idx: HashMap<String, usize>,
}

impl Default for Circuit {
    fn default() -> Self {
        Self::new()
    }
}

impl Circuit {
    /// A circuit with nothing but ground.
    pub fn new() -> Self {
        Self {
            nodes: vec!["0".into()],
            elements: Vec::new(),
            open_nodes: Vec::new(),
            junction_reference_ohm: JUNCTION_REFERENCE_OHM,
            node_idx: HashMap::new(),
        }
    }

    /// A resistor, ohm.
    pub fn add_resistor(&mut self, name: &str, nodes: [&str; 2], ohm: f64) -> &mut Self {
        let nodes = self.pair(nodes);
        self.push(name, Kind::Resistor { nodes, ohm })
    }

    /// An inductor without loss, henry. A short at direct current.
    pub fn add_inductor(&mut self, name: &str, nodes: [&str; 2], henry: f64) -> &mut Self {
        self.add_lossy_inductor(name, nodes, henry, Loss::None)
    }

    /// An inductor with loss.
    pub fn add_lossy_inductor(&mut self, name: &str, nodes: [&str; 2], henry: f64, loss: Loss) -> &mut Self {
        let nodes = self.pair(nodes);
        self.push(name, Kind::Inductor { nodes, henry, loss })
    }

    /// A capacitor without loss, farad. Open at direct current.
    pub fn add_capacitor(&mut self, name: &str, nodes: [&str; 2], farad: f64) -> &mut Self {
        self.add_lossy_capacitor(name, nodes, farad, Loss::None)
    }

    /// A capacitor with loss.
    pub fn add_lossy_capacitor(&mut self, name: &str, nodes: [&str; 2], farad: f64, loss: Loss) -> &mut Self {
        let nodes = self.pair(nodes);
        self.push(name, Kind::Capacitor { nodes, farad, loss })
    }

    /// Coupled inductors: one pair of nodes a winding (dotted end first) and the symmetric
    /// inductance matrix, henry.
    pub fn add_coupled_inductors(&mut self, name: &str, windings: &[[&str; 2]], henry: RMatrix) -> &mut Self {
        let windings = self.pairs(windings);
        self.push(name, Kind::CoupledInductors { windings, henry })
    }

    /// An ideal transformer of any number of windings: `v_k/N_k` equal, `Σ N_k i_k = 0`, at direct
    /// current too. Each winding is its pair of nodes (dotted end first) and its turns.
    pub fn add_transformer(&mut self, name: &str, windings: &[([&str; 2], f64)]) -> &mut Self {
        let turns = windings.iter().map(|w| w.1).collect();
        let windings = windings.iter().map(|w| self.pair(w.0)).collect();
        self.push(name, Kind::Transformer { windings, turns })
    }

    /// A two-conductor line; nodes are `[near, near reference, far, far reference]`.
    pub fn add_line(&mut self, name: &str, nodes: [&str; 4], line: Line) -> &mut Self {
        let near = self.pair([nodes[0], nodes[1]]);
        let far = self.pair([nodes[2], nodes[3]]);
        self.push(name, Kind::Line { near, far, line })
    }

    /// A symmetric coupled pair over ground; nodes are `[a near, a far, b near, b far]`.
    pub fn add_coupled_pair(&mut self, name: &str, nodes: [&str; 4], pair: CoupledPair) -> &mut Self {
        let near = self.pairs(&[[nodes[0], "0"], [nodes[2], "0"]]);
        let far = self.pairs(&[[nodes[1], "0"], [nodes[3], "0"]]);
        self.push(name, Kind::CoupledPair { near, far, pair })
    }

    /// A multiconductor line over ground: near and far node of each conductor, in the order of the
    /// rows of its matrices.
    pub fn add_multiconductor_line(
        &mut self,
        name: &str,
        near: &[&str],
        far: &[&str],
        line: MulticonductorLine,
    ) -> &mut Self {
        self.add_multiconductor_line_over(name, [near, far], ["0", "0"], line)
    }

    /// A multiconductor line whose return conductor ends at the two `references` instead of ground.
    pub fn add_multiconductor_line_over(
        &mut self,
        name: &str,
        [near, far]: [&[&str]; 2],
        references: [&str; 2],
        line: MulticonductorLine,
    ) -> &mut Self {
        let near = near.iter().map(|n| self.pair([n, references[0]])).collect();
        let far = far.iter().map(|n| self.pair([n, references[1]])).collect();
        self.push(name, Kind::Multiconductor { near, far, line })
    }

    /// Any network known by its scattering matrix; one pair `[node, reference node]` a port.
    pub fn add_block(&mut self, name: &str, ports: &[[&str; 2]], response: Arc<dyn FrequencyResponse>) -> &mut Self {
        let ports = self.pairs(ports);
        self.push(name, Kind::Block { ports, response })
    }

    /// An external port `[node, reference node]` with its reference resistance, ohm.
    pub fn add_port(&mut self, name: &str, nodes: [&str; 2], ohm: f64) -> &mut Self {
        let nodes = self.pair(nodes);
        self.push(name, Kind::Port { nodes, ohm })
    }

    /// A diode site from `anode` to `cathode` with its linear access parts; the junction itself
    /// becomes a port.
    pub fn add_diode(&mut self, name: &str, anode: &str, cathode: &str, access: Access) -> &mut Self {
        let nodes = self.pair([anode, cathode]);
        self.push(name, Kind::Diode { nodes, access })
    }

    /// Declares that a node with a single terminal is meant to be open.
    pub fn leave_open(&mut self, node: &str) -> &mut Self {
        let node = self.node(node);
        self.open_nodes.push(node);
        self
    }

    /// Sets the reference resistance of the junction ports, ohm (50 unless set).
    pub fn set_junction_reference_ohm(&mut self, ohm: f64) -> &mut Self {
        self.junction_reference_ohm = ohm;
        self
    }

    /// Names of all nodes, ground first, in the order they were first used.
    pub fn node_names(&self) -> &[String] {
        &self.nodes
    }

    /// Checks the circuit and joins it, series resistances inside.
    pub fn compile(&self) -> Result<Multiport, CircuitError> {
        self.compile_with(AccessResistance::Inside)
    }

    /// Checks the circuit and joins it.
    pub fn compile_with(&self, access: AccessResistance) -> Result<Multiport, CircuitError> {
        topology::check_values(self)?;
        let groups = topology::check_nodes(self)?;
        let (system, ports) = assemble::assemble(self, &groups, access)?;
        Multiport::new(system, ports, groups.findings).map_err(CircuitError::from)
    }

    fn push(&mut self, name: &str, kind: Kind) -> &mut Self {
        self.elements.push(Element { name: name.to_owned(), kind });
        self
    }

    fn node(&mut self, name: &str) -> usize {
        if name == "0" || name == "gnd" {
            return GROUND;
        }
        if let Some(&idx) = self.node_idx.get(name) {
            return idx;
        }
        self.nodes.push(name.to_owned());
        self.node_idx.insert(name.to_owned(), self.nodes.len() - 1);
        self.nodes.len() - 1
    }

    fn pair(&mut self, nodes: [&str; 2]) -> [usize; 2] {
        nodes.map(|n| self.node(n))
    }

    fn pairs(&mut self, pairs: &[[&str; 2]]) -> Vec<[usize; 2]> {
        pairs.iter().map(|&p| self.pair(p)).collect()
    }
}

impl Kind {
    /// The pairs of nodes between which a current can flow.
    pub(crate) fn pairs(&self) -> Vec<[usize; 2]> {
        match self {
            Self::Resistor { nodes, .. }
            | Self::Inductor { nodes, .. }
            | Self::Capacitor { nodes, .. }
            | Self::Port { nodes, .. }
            | Self::Diode { nodes, .. } => vec![*nodes],
            Self::CoupledInductors { windings, .. } | Self::Transformer { windings, .. } => windings.clone(),
            Self::Line { near, far, .. } => vec![*near, *far],
            Self::CoupledPair { near, far, .. } | Self::Multiconductor { near, far, .. } => {
                near.iter().chain(far).copied().collect()
            }
            Self::Block { ports, .. } => ports.clone(),
        }
    }

    /// True for lines, whose ends may be open or short-circuited on purpose.
    pub(crate) fn is_line(&self) -> bool {
        matches!(self, Self::Line { .. } | Self::CoupledPair { .. } | Self::Multiconductor { .. })
    }
}
