//! The three-port nonlinear model: a passive network known by samples, junctions, and where both hold.
//!
//! Input: a mixer (from a design) or a package. Output: a [`Model`], which becomes a [`Mixer`] again at any temperature.
//! The model knows no layout, no stackup and no part: only waves at three connectors and at the junctions.
//! Series resistances, pads and fingers of the diodes belong to the passive network.

use crate::{HandoverError, OutsidePolicy, Region, Table, TableSettings};
use balance::Embedding;
use diode::{Device, SchottkyParameters};
use mixer::{Mixer, Plan, Ports};
use numerics::Watch;
use quantity::Finding;
use spec::{Reading, Verdict};
use std::sync::Arc;

/// One junction of the model.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelDiode {
    /// Its name.
    pub name: String,
    /// Parameters of the junction and its temperature law; series resistance and parasitics are zero here because they
    /// are part of the network.
    pub parameters: SchottkyParameters,
    /// Temperature above the surroundings under the LO at its nominal level, kelvin.
    pub rise_k: f64,
}

/// One use of the mixer the model was packed for.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelPlan {
    /// Name, for example `seat D`, or `D and U` when two seats share it.
    pub name: String,
    /// Name of the use as a down-converter; empty when there is none of its own.
    pub down: String,
    /// Name of the use as an up-converter; empty when there is none of its own.
    pub up: String,
    /// Frequencies, levels and requirement.
    pub plan: Plan,
}

impl ModelPlan {
    /// A use of one name in both directions.
    pub fn new(name: impl Into<String>, plan: Plan) -> Self {
        Self { name: name.into(), down: String::new(), up: String::new(), plan }
    }

    /// What the use is called in one direction.
    pub fn name_of(&self, is_up: bool) -> &str {
        let own = if is_up { &self.up } else { &self.down };
        if own.is_empty() { &self.name } else { own }
    }
}

/// What the package promises to reproduce.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Reference {
    /// Headline numbers of the datasheet.
    pub readings: Vec<Reading>,
    /// Requirements with what decided them.
    pub verdicts: Vec<Verdict>,
}

/// Worst departures of the model from the design it stands for, measured when it was packed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Challenge {
    /// Seed of the operating points.
    pub seed: u64,
    /// Number of operating points.
    pub points: usize,
    /// Largest difference of each kind of number: name, unit, difference.
    pub worst: Vec<(String, String, f64)>,
    /// Which levels, frequencies, temperatures and terminations were drawn, in words.
    pub text: String,
}

/// What the maker keeps for himself or tells the user.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Terms {
    /// Whether noise may be computed.
    pub noise_withheld: bool,
    /// Shown on every page made from the model.
    pub watermark: Option<String>,
    /// Day after which the user is told that the model is old, `YYYY-MM-DD`; nothing is locked.
    pub expires: Option<String>,
    /// What the user is told from that day on.
    pub expiry_text: Option<String>,
}

/// The model.
#[derive(Debug, Clone)]
pub struct Model {
    /// Name of the type.
    pub name: String,
    /// One paragraph on it.
    pub about: String,
    /// Maker, as he calls himself; empty when he does not say.
    pub maker: String,
    /// Revision, as the maker counts.
    pub revision: String,
    /// Ports LO, RF, IF, then one a junction, + at the anode.
    pub network: Arc<Table>,
    /// The junctions in the order of their ports.
    pub diodes: Vec<ModelDiode>,
    /// Temperature of the reference numbers, kelvin.
    pub temp_k: f64,
    /// Terminations of the reference numbers, in words.
    pub terminations: String,
    /// Uses the model was packed for; the first is the leading one.
    pub plans: Vec<ModelPlan>,
    /// Where it holds.
    pub region: Region,
    /// What it reproduces.
    pub reference: Reference,
    /// How well it stood for the design when it was packed.
    pub challenge: Option<Challenge>,
    /// What the maker keeps or tells.
    pub terms: Terms,
    /// Remarks that travel with it.
    pub findings: Vec<Finding>,
}

/// LO and signal orders of the deepest truncation of a review: the network is sampled up to the frequency they reach.
pub const DEEPEST_ORDERS: (u32, u32) = (64, 10);

/// The linear numbers of a diode are zero in a model: they live in the network.
fn bare(parameters: &SchottkyParameters) -> SchottkyParameters {
    SchottkyParameters {
        rs_ohm: 0.0,
        pad_capacitance_f: 0.0,
        finger_inductance_h: 0.0,
        skin: None,
        thermal_resistance_k_per_w: None,
        ..parameters.clone()
    }
}

impl Model {
    /// Takes the model of a mixer: samples its network, strips the diodes to their junctions.
    ///
    /// `parameters` are those of the mixer's diodes in order, `rise_k` their temperatures above the mixer's own,
    /// `breaks_hz` the frequencies at which network data inside it were sampled.
    ///
    /// # Errors
    /// A network that has no answer somewhere, diodes that do not match, or the wish of `watch` to stop.
    pub fn take(
        mixer: &Mixer,
        parameters: &[SchottkyParameters],
        rise_k: &[f64],
        plans: &[ModelPlan],
        breaks_hz: &[f64],
        watch: &dyn Watch,
    ) -> Result<Self, HandoverError> {
        let n = mixer.devices.len();
        if parameters.len() != n || rise_k.len() != n || plans.is_empty() {
            return Err(HandoverError::mismatch(
                format!("{n} diodes with their temperatures and at least one plan"),
                format!("{}, {} and {}", parameters.len(), rise_k.len(), plans.len()),
                "the model",
            ));
        }
        let region = default_region(mixer, plans);
        let settings = TableSettings { breaks_hz: breaks_hz.to_vec(), ..TableSettings::up_to(needed_hz(plans)) };
        let original = Rearranged::new(mixer);
        let network = Table::sample(&original, &settings, watch)?;
        let diodes = mixer
            .diode_names
            .iter()
            .zip(parameters)
            .zip(rise_k)
            .map(|((name, p), rise_k)| ModelDiode { name: name.clone(), parameters: bare(p), rise_k: *rise_k })
            .collect();
        Ok(Self {
            name: mixer.name.clone(),
            about: mixer.about.clone(),
            maker: String::new(),
            revision: "1".into(),
            network: Arc::new(network),
            diodes,
            temp_k: mixer.temp_k,
            terminations: mixer.terminations.clone(),
            plans: plans.to_vec(),
            region,
            reference: Reference::default(),
            challenge: None,
            terms: Terms::default(),
            findings: mixer.findings.clone(),
        })
    }

    /// The mixer of the model at its reference terminations and temperature.
    ///
    /// # Errors
    /// Diode parameters out of their range.
    pub fn mixer(&self) -> Result<Mixer, HandoverError> {
        self.mixer_at(self.temp_k)
    }

    /// The mixer of the model at its reference terminations and another temperature, kelvin.
    ///
    /// # Errors
    /// Diode parameters out of their range; a temperature outside the region when the maker chose to refuse.
    pub fn mixer_at(&self, temp_k: f64) -> Result<Mixer, HandoverError> {
        self.mixer_with(self.network.clone(), temp_k, self.terminations.clone())
    }

    /// The junctions at a temperature of the surroundings, kelvin.
    ///
    /// # Errors
    /// Diode parameters out of their range.
    pub fn devices_at(&self, temp_k: f64) -> Result<Vec<Arc<dyn Device>>, HandoverError> {
        self.diodes
            .iter()
            .map(|d| Ok(Arc::new(d.parameters.at_temperature(temp_k + d.rise_k)?) as Arc<dyn Device>))
            .collect()
    }

    /// The mixer with another network around the same junctions.
    ///
    /// # Errors
    /// As [`Model::mixer_at`]; a network whose ports do not fit.
    pub fn mixer_with(
        &self,
        network: Arc<dyn network::FrequencyResponse>,
        temp_k: f64,
        terminations: String,
    ) -> Result<Mixer, HandoverError> {
        // remarks on the maker's own numbers stay with those numbers
        let mut findings = if self.reference.readings.is_empty() { self.findings.clone() } else { Vec::new() };
        findings.extend(self.region.enforce(self.region.temperature_departure(temp_k).into_iter().collect())?);
        Ok(Mixer {
            name: self.name.clone(),
            about: self.about.clone(),
            embedding: Arc::new(Embedding::new(network, self.diodes.len())?),
            alternatives: Vec::new(),
            devices: self.devices_at(temp_k)?,
            diode_names: self.diodes.iter().map(|d| d.name.clone()).collect(),
            ports: PORTS,
            temp_k,
            terminations,
            findings,
        })
    }

    /// Refuses or flags a plan outside the region, as the maker chose.
    ///
    /// # Errors
    /// A plan outside the region when the maker chose to refuse.
    pub fn check(&self, plan: &Plan) -> Result<Vec<Finding>, HandoverError> {
        self.region.enforce(self.region.departures(plan))
    }
}

/// Roles of the first three ports of every model.
pub const PORTS: Ports = Ports { lo: 0, rf: 1, if_: 2 };

/// Highest frequency a review of these plans may ask for, hertz.
fn needed_hz(plans: &[ModelPlan]) -> f64 {
    let of = |p: &ModelPlan| {
        let (lo, rf) = (p.plan.lo_hz, p.plan.rf_band_hz.1);
        f64::from(DEEPEST_ORDERS.0) * lo + f64::from(DEEPEST_ORDERS.1) * rf
    };
    plans.iter().map(of).fold(0.0, f64::max)
}

/// What the plans use, LO frequencies as far as the review itself sweeps them.
fn default_region(mixer: &Mixer, plans: &[ModelPlan]) -> Region {
    let hull = |f: &dyn Fn(&Plan) -> (f64, f64)| {
        plans.iter().map(|p| f(&p.plan)).fold((f64::INFINITY, f64::NEG_INFINITY), |a, b| (a.0.min(b.0), a.1.max(b.1)))
    };
    let orders = plans.iter().fold((0, 0), |o, p| (o.0.max(p.plan.spur_orders.1), o.1.max(p.plan.spur_orders.0)));
    Region {
        lo_hz: hull(&|p| p.lo_band_hz.unwrap_or((0.9 * p.lo_hz, 1.1 * p.lo_hz))),
        lo_dbm: hull(&|p| p.lo_range_dbm),
        rf_hz: hull(&|p| p.rf_band_hz),
        if_hz: hull(&|p| p.if_band_hz()),
        signal_dbm_max: plans.iter().map(|p| p.plan.signal_dbm).fold(f64::NEG_INFINITY, f64::max).max(0.0),
        temp_k: (mixer.temp_k, mixer.temp_k),
        reflection_max: 1.0,
        orders,
        policy: OutsidePolicy::Flag,
    }
}

/// The network of a mixer with its ports in the order of a model.
#[derive(Debug)]
pub(crate) struct Rearranged {
    embedding: Arc<Embedding>,
    order: Vec<usize>,
    reference_ohm: Vec<f64>,
}

impl Rearranged {
    pub(crate) fn new(mixer: &Mixer) -> Self {
        let embedding = mixer.embedding.clone();
        let n_external = embedding.n_external();
        let junctions = 0..embedding.n_junctions();
        let mut order = vec![mixer.ports.lo, mixer.ports.rf, mixer.ports.if_];
        order.extend(junctions.clone().map(|j| n_external + j));
        let externals = order[..3].iter().map(|&p| embedding.external_ohm(p));
        let reference_ohm = externals.chain(junctions.map(|j| embedding.junction_ohm(j))).collect();
        Self { embedding: Arc::new(embedding.renewed()), order, reference_ohm }
    }
}

impl network::FrequencyResponse for Rearranged {
    fn n_ports(&self) -> usize {
        self.order.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<numerics::CMatrix, network::NetworkError> {
        let s = self.embedding.scattering(freq_hz).map_err(|e| network::NetworkError::Degenerate {
            what: "the network of the mixer".into(),
            freq_hz,
            why: e.to_string(),
        })?;
        Ok(s.select(&self.order, &self.order))
    }
}
