//! From a design to the mixer the review works on.
//!
//! Input: a [`Design`]. Output: a [`mixer::Mixer`] and its [`mixer::Plan`]s.
//! Attenuation and conductor resistance rise with the square root of frequency; conductors get the internal reactance
//! that belongs to their resistance, so inductance matrices are those of the fields outside the metal.

use crate::design::{
    CircuitText, CoupledConstants, Design, DiodeModel, DiodeSite, FreeCircuit, GROUND, LineLoss, OPEN, Part, PartKind,
    Problem, ProblemKind, Seat,
};
use crate::error::{NetworkFileError, ProjectError};
use crate::{field, heat, templates};
use circuit::{Access, AccessResistance, Circuit, CircuitError, MulticonductorLine, MulticonductorLoss, Multiport};
use diode::{Device, SchottkyParameters};
use mixer::{Alternative, Mixer, Plan, Ports, Tolerances};
use network::touchstone::{self, ReadSettings};
use network::{Continuation, SampledResponse, SampledSettings};
use numerics::{RMatrix, Watch};
use quantity::Finding;
use quantity::constants::LIGHT_SPEED_M_PER_S;
use spec::PortName;
use std::sync::Arc;

/// Decibel in a neper.
const DB_PER_NP: f64 = 20.0 * std::f64::consts::LOG10_E;

/// The circuit of a design with its diodes in order, ready to be compiled.
#[derive(Debug, Clone)]
pub struct Assembled {
    /// Ports `LO`, `RF`, `IF`, then the diode sites.
    pub circuit: Circuit,
    /// Parameters of each diode, deviation applied.
    pub diodes: Vec<SchottkyParameters>,
    /// Name of each diode.
    pub diode_names: Vec<String>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// Joins the parts of a design; `continuation` overrides that of every block.
///
/// # Errors
/// Network data that cannot be read or do not fit, parts the circuit refuses.
pub fn assemble(design: &Design, continuation: Option<Continuation>) -> Result<Assembled, ProjectError> {
    match &design.circuit {
        CircuitText::Free(free) => assemble_free(design, free, continuation),
        CircuitText::Template { template, model_idx, resistance, deviations } => {
            let settings = templates::Settings {
                model: &design.models[*model_idx],
                ohm: resistance.map(|r| r.si()),
                deviations,
                sideband: design.plan.seats[0].sideband,
            };
            Ok(templates::assemble(*template, &settings))
        }
    }
}

fn assemble_free(
    design: &Design,
    free: &FreeCircuit,
    continuation: Option<Continuation>,
) -> Result<Assembled, ProjectError> {
    let mut circuit = Circuit::new();
    let mut findings = design.findings.clone();
    for role in [PortName::Lo, PortName::Rf, PortName::If] {
        for port in free.ports.iter().filter(|p| p.role.value == role) {
            let nodes = [port.nodes[0].value.as_str(), port.nodes[1].value.as_str()];
            circuit.add_port(role.label(), nodes, port.resistance.si());
        }
    }
    let mut open_ends = OpenEnds::default();
    let mut contains_pads = None;
    for part in &free.parts {
        if let PartKind::Block { contains_pads: Some(yes), .. } | PartKind::Solution { contains_pads: Some(yes), .. } =
            part.kind
        {
            contains_pads = Some(yes);
        }
        let nodes = open_ends.names(&mut circuit, part);
        findings.extend(add_part(&mut circuit, design, part, &nodes, continuation)?);
    }
    let has_block = free.parts.iter().any(|p| matches!(p.kind, PartKind::Block { .. } | PartKind::Solution { .. }));
    let mut diodes = Vec::new();
    for site in &free.diodes {
        let model = &design.models[site.model_idx];
        let parameters = site.deviation.apply(&model.parameters);
        if has_block {
            findings
                .extend(parameters.access(model.parasitics_in).check_against_field(contains_pads, &site.name.value));
        }
        add_site(&mut circuit, site, model, &parameters);
        diodes.push(parameters);
    }
    let diode_names = free.diodes.iter().map(|d| d.name.value.clone()).collect();
    Ok(Assembled { circuit, diodes, diode_names, findings })
}

/// Gives every `open` a node of its own.
#[derive(Default)]
struct OpenEnds {
    n_used: usize,
}

impl OpenEnds {
    fn names(&mut self, circuit: &mut Circuit, part: &Part) -> Vec<String> {
        let mut name = |node: &str| {
            if node != OPEN {
                return node.to_string();
            }
            self.n_used += 1;
            let own = format!("{OPEN} {}", self.n_used);
            circuit.leave_open(&own);
            own
        };
        part.nodes.iter().map(|n| name(&n.value)).collect()
    }
}

fn add_part(
    circuit: &mut Circuit,
    design: &Design,
    part: &Part,
    nodes: &[String],
    continuation: Option<Continuation>,
) -> Result<Vec<Finding>, ProjectError> {
    let name = &part.name.value;
    let node: Vec<&str> = nodes.iter().map(String::as_str).collect();
    match &part.kind {
        PartKind::Resistor(r) => circuit.add_resistor(name, [node[0], node[1]], r.si()),
        PartKind::Inductor(l) => circuit.add_inductor(name, [node[0], node[1]], l.si()),
        PartKind::Capacitor(c) => circuit.add_capacitor(name, [node[0], node[1]], c.si()),
        PartKind::Line { impedance, permittivity, length, loss } => {
            let ends = match node.as_slice() {
                [a, b] => [*a, GROUND, *b, GROUND],
                [a, a_reference, b, b_reference, ..] => [*a, *a_reference, *b, *b_reference],
                _ => unreachable!("a line was read with two or four nodes"),
            };
            circuit.add_line(name, ends, line(impedance.si(), *permittivity, length.si(), loss.as_ref()))
        }
        PartKind::Coupled { length, constants } => {
            let (near, far) = node.split_at(node.len() / 2);
            circuit.add_multiconductor_line(name, near, far, coupled(constants, length.si()))
        }
        PartKind::Section { length, strips, walls_m } => {
            let block = field::sections::block(design, name, strips, *walls_m, length.si())?;
            let ports: Vec<[&str; 2]> = node.iter().map(|n| [*n, GROUND]).collect();
            circuit.add_block(name, &ports, Arc::new(block))
        }
        PartKind::Solution { solution, continuation: own, .. } => {
            let settings = SampledSettings { continuation: continuation.unwrap_or(*own), ..SampledSettings::default() };
            let (response, findings) = field::solution::response(design, part, solution, &settings)?;
            let ports: Vec<[&str; 2]> = node.chunks_exact(2).map(|pair| [pair[0], pair[1]]).collect();
            circuit.add_block(name, &ports, Arc::new(response));
            return Ok(findings);
        }
        PartKind::FilmCapacitor { film, size_m } => {
            let (farad, loss) = field::sections::film_capacitor(design, film, *size_m)?;
            circuit.add_lossy_capacitor(name, [node[0], node[1]], farad, loss)
        }
        PartKind::Transformer { turns } => {
            let windings: Vec<([&str; 2], f64)> = node.chunks(2).zip(turns).map(|(w, n)| ([w[0], w[1]], *n)).collect();
            circuit.add_transformer(name, &windings)
        }
        PartKind::Block { file, continuation: own, lenient, .. } => {
            let settings = SampledSettings { continuation: continuation.unwrap_or(*own), ..SampledSettings::default() };
            let response = read_block(design, file, *lenient, &settings)?;
            if network::FrequencyResponse::n_ports(&response) != node.len() {
                return Err(wrong_port_count(design, part, file, network::FrequencyResponse::n_ports(&response)));
            }
            let findings = response.findings().to_vec();
            let ports: Vec<[&str; 2]> = node.iter().map(|n| [*n, GROUND]).collect();
            circuit.add_block(name, &ports, Arc::new(response));
            return Ok(findings);
        }
    };
    Ok(Vec::new())
}

fn line(z0_ohm: f64, permittivity: f64, length_m: f64, loss: Option<&LineLoss>) -> circuit::Line {
    let mut line = circuit::Line::lossless(z0_ohm, length_m * permittivity.sqrt() / LIGHT_SPEED_M_PER_S);
    if let Some(loss) = loss {
        line.loss.skin_np_per_sqrt_hz = loss.attenuation.db_per_m() / DB_PER_NP * length_m / loss.at.si().sqrt();
    }
    line
}

fn coupled(constants: &CoupledConstants, length_m: f64) -> MulticonductorLine {
    let n = constants.capacitance_f_per_m.len();
    let capacitance_f_per_m = RMatrix::from_rows(&constants.capacitance_f_per_m);
    let has_resistance = constants.resistance_ohm_per_m.iter().any(|r| *r > 0.0);
    let per_root_hz = constants.resistance_at_hz.sqrt();
    let skin =
        RMatrix::from_fn(n, n, |i, j| if i == j { constants.resistance_ohm_per_m[i] / per_root_hz } else { 0.0 });
    let dielectric = RMatrix::from_fn(n, n, |i, j| capacitance_f_per_m[(i, j)] * constants.loss_tangent);
    MulticonductorLine {
        inductance_h_per_m: RMatrix::from_rows(&constants.inductance_h_per_m),
        loss: MulticonductorLoss {
            dc_ohm_per_m: None,
            skin_ohm_per_m_sqrt_hz: has_resistance.then_some(skin),
            skin_reactance: true,
            dielectric_f_per_m: (constants.loss_tangent > 0.0).then_some(dielectric),
        },
        capacitance_f_per_m,
        length_m,
    }
}

fn read_block(
    design: &Design,
    file: &str,
    lenient: bool,
    settings: &SampledSettings,
) -> Result<SampledResponse, ProjectError> {
    let path = design.folder.join(file);
    let bytes = std::fs::read(&path).map_err(ProjectError::io("read", &path))?;
    let reading = if lenient { ReadSettings::lenient(file) } else { ReadSettings::strict(file) };
    let data = touchstone::read(&bytes, &reading).map_err(|error| NetworkFileError::new(error, &bytes))?;
    let in_file = |source| ProjectError::Network { place: file.to_string(), source };
    SampledResponse::new(&data.to_network().map_err(in_file)?, settings).map_err(in_file)
}

fn wrong_port_count(design: &Design, part: &Part, file: &str, n_ports: usize) -> ProjectError {
    let message =
        format!("`{file}` has {n_ports} ports, but block `{}` names {} nodes", part.name.value, part.nodes.len());
    let help = format!("write {n_ports} nodes in the order of the ports; a port that is not used goes to a resistor");
    design.refused(ProblemKind::WrongCount, part.name.span.clone(), message, help).into()
}

fn add_site(circuit: &mut Circuit, site: &DiodeSite, model: &DiodeModel, parameters: &SchottkyParameters) {
    let access = access_of(parameters, model);
    circuit.add_diode(&site.name.value, &site.anode.value, &site.cathode.value, access);
}

/// The linear parts of a diode that belong to the circuit.
pub(crate) fn access_of(parameters: &SchottkyParameters, model: &DiodeModel) -> Access {
    let access = parameters.access(model.parasitics_in);
    Access {
        rs_ohm: access.rs_ohm,
        finger_inductance_h: access.series_inductance_h(),
        pad_capacitance_f: access.shunt_capacitance_f(),
    }
}

impl Design {
    /// This design with one problem at a place of its file.
    pub(crate) fn refused(
        &self,
        kind: ProblemKind,
        span: std::ops::Range<usize>,
        message: String,
        help: impl Into<String>,
    ) -> crate::design::DesignError {
        let problem = Problem { kind, message, span, help: help.into() };
        crate::design::DesignError {
            file: self.file.clone(),
            source_text: self.source_text.clone(),
            problems: vec![problem],
        }
    }

    /// Points a complaint of the circuit at the part it is about, when there is one.
    fn point_at(&self, error: CircuitError) -> ProjectError {
        let CircuitText::Free(free) = &self.circuit else { return error.into() };
        let names = free.parts.iter().map(|p| &p.name).chain(free.diodes.iter().map(|d| &d.name));
        let ports = free.ports.iter().map(|p| p.role.with(p.role.value.label().to_string())).collect::<Vec<_>>();
        let found = error.element().and_then(|e| names.chain(&ports).find(|n| n.value == e));
        match found {
            Some(name) => {
                let help = "correct this part or its nodes";
                self.refused(ProblemKind::ImpossibleValue, name.span.clone(), error.to_string(), help).into()
            }
            None => error.into(),
        }
    }

    /// The linear multiport: LO, RF, IF, then the junctions; series resistances inside.
    ///
    /// # Errors
    /// Network data that cannot be read or do not fit, parts the circuit refuses.
    pub fn multiport(&self, continuation: Option<Continuation>) -> Result<(Multiport, Assembled), ProjectError> {
        let assembled = assemble(self, continuation)?;
        let multiport =
            assembled.circuit.compile_with(AccessResistance::Inside).map_err(|error| self.point_at(error))?;
        Ok((multiport, assembled))
    }

    /// The passive part between the ports and the bare diode pads: no diode parasitics, no series resistance.
    ///
    /// # Errors
    /// As [`Design::multiport`].
    pub fn passive_at_pads(&self) -> Result<Multiport, ProjectError> {
        let mut bare = self.clone();
        for model in &mut bare.models {
            model.parameters.rs_ohm = 0.0;
            model.parameters.finger_inductance_h = 0.0;
            model.parameters.pad_capacitance_f = 0.0;
        }
        Ok(bare.multiport(None)?.0)
    }

    /// The mixer of this design, every junction at the temperature of the design.
    ///
    /// # Errors
    /// As [`Design::multiport`]; diode parameters out of range at the temperature of the design.
    pub fn mixer(&self) -> Result<Mixer, ProjectError> {
        Ok(self.cold_mixer()?.0)
    }

    /// The mixer of this design with its junctions warmed by the LO, where diode models have a thermal resistance.
    ///
    /// # Errors
    /// As [`Design::mixer`]; a steady state that cannot be found, heating that does not settle, or the wish of `watch`
    /// to stop.
    pub fn mixer_in_operation(&self, watch: &dyn Watch) -> Result<Mixer, ProjectError> {
        let (mut mixer, diodes) = self.cold_mixer()?;
        heat::settle(&mut mixer, self, &diodes, watch)?;
        Ok(mixer)
    }

    fn cold_mixer(&self) -> Result<(Mixer, Vec<SchottkyParameters>), ProjectError> {
        let temp_k = self.temperature.si();
        let (multiport, assembled) = self.multiport(None)?;
        let n_junctions = assembled.diodes.len();
        let mut findings = assembled.findings;
        findings.extend(multiport.findings().iter().cloned());
        let embedding = Arc::new(balance::Embedding::new(Arc::new(multiport), n_junctions)?);
        let mut devices: Vec<Arc<dyn Device>> = Vec::new();
        for diode in &assembled.diodes {
            devices.push(Arc::new(diode.at_temperature(temp_k)?));
        }
        let (alternatives, remarks) = self.alternatives(n_junctions);
        findings.extend(remarks);
        let mixer = Mixer {
            name: self.name.clone(),
            about: self.about.clone(),
            embedding,
            alternatives,
            devices,
            diode_names: assembled.diode_names,
            ports: Ports { lo: 0, rf: 1, if_: 2 },
            temp_k,
            terminations: self.terminations(),
            findings,
        };
        Ok((mixer, assembled.diodes))
    }

    /// The same mixer under every other continuation of its network data; a remark on each that the data do not allow.
    fn alternatives(&self, n_junctions: usize) -> (Vec<Alternative>, Vec<Finding>) {
        let CircuitText::Free(free) = &self.circuit else { return Default::default() };
        let own: Vec<Continuation> = free
            .parts
            .iter()
            .filter_map(|p| match &p.kind {
                PartKind::Block { continuation, .. } | PartKind::Solution { continuation, .. } => Some(*continuation),
                _ => None,
            })
            .collect();
        let mut alternatives = Vec::new();
        let mut remarks = Vec::new();
        let others = Continuation::ALL.into_iter().filter(|c| own.iter().any(|o| o != c));
        for other in others {
            match self.embedding_under(other, n_junctions) {
                Ok(embedding) => alternatives.push(Alternative { name: other.name().into(), embedding }),
                Err(error) => {
                    let name = other.name();
                    let text = format!(
                        "the data cannot be continued as `{name}`, so no number was compared with that continuation: {error}"
                    );
                    remarks.push(Finding::warning("continued data", text));
                }
            }
        }
        (alternatives, remarks)
    }

    fn embedding_under(
        &self,
        continuation: Continuation,
        n_junctions: usize,
    ) -> Result<Arc<balance::Embedding>, ProjectError> {
        let (multiport, _) = self.multiport(Some(continuation))?;
        Ok(Arc::new(balance::Embedding::new(Arc::new(multiport), n_junctions)?))
    }

    fn terminations(&self) -> String {
        let ohm: Vec<f64> = match &self.circuit {
            CircuitText::Template { resistance, .. } => resistance.iter().map(|r| r.si()).collect(),
            CircuitText::Free(free) => [PortName::Lo, PortName::Rf, PortName::If]
                .iter()
                .filter_map(|role| free.ports.iter().find(|p| p.role.value == *role))
                .map(|p| p.resistance.si())
                .collect(),
        };
        match ohm.as_slice() {
            [lo, rf, if_] if lo.total_cmp(rf).is_eq() && rf.total_cmp(if_).is_eq() => {
                format!("{lo} ohm on every port at every frequency")
            }
            [lo, rf, if_] => format!("LO {lo} ohm, RF {rf} ohm, IF {if_} ohm at every frequency"),
            _ => "as in the design file".into(),
        }
    }

    /// One plan for each RF band and level in use; the first is that of the leading seat.
    pub fn plans(&self) -> Vec<(Vec<&Seat>, Plan)> {
        let mut groups: Vec<Vec<&Seat>> = Vec::new();
        let key = |s: &Seat| (s.rf_band_hz(), s.input_level.dbm());
        for seat in &self.plan.seats {
            match groups.iter_mut().find(|g| key(g[0]) == key(seat)) {
                Some(group) => group.push(seat),
                None => groups.push(vec![seat]),
            }
        }
        groups.into_iter().map(|seats| (seats.clone(), self.plan_of(&seats))).collect()
    }

    fn plan_of(&self, seats: &[&Seat]) -> Plan {
        use crate::design::Direction as D;
        let uses = |d: D| seats.iter().any(|s| s.direction == d);
        let direction = match (uses(D::Down), uses(D::Up)) {
            (true, true) => mixer::Direction::Both,
            (false, true) => mixer::Direction::Up,
            _ => mixer::Direction::Down,
        };
        let s = &self.settings;
        Plan {
            lo_range_dbm: (self.plan.lo_level_range.0.dbm(), self.plan.lo_level_range.1.dbm()),
            lo_band_hz: self.plan.lo_range.map(|(a, b)| (a.si(), b.si())),
            signal_dbm: seats[0].input_level.dbm(),
            direction,
            anchors: s.anchors,
            points: s.points,
            spur_orders: (s.spur_input_order, s.spur_lo_order),
            two_tone_spacing_hz: s.two_tone_spacing_hz,
            two_tone_dbm: s.two_tone_dbm,
            tolerances: Tolerances {
                wanted_db: s.tolerance_db,
                product_db: s.product_tolerance_db,
                direct_mv: s.direct_tolerance_mv,
                not_claimed_dbc: s.not_claimed_dbc,
            },
            limits: self.requirements.clone(),
            ..Plan::new(self.plan.lo.si(), self.plan.lo_level.dbm(), seats[0].rf_band_hz())
        }
    }
}
