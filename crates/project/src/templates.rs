//! Ready-made circuits with ideal baluns, between three ports.

use crate::build::{Assembled, access_of};
use crate::design::{DiodeModel, Template};
use circuit::templates::{
    ImageRejectNodes, MixerNodes, antiparallel_pair, double_ring_mixer, image_reject_mixer, ring_mixer,
    single_balanced, single_diode, star_mixer,
};
use circuit::{Access, Circuit};
use diode::{Deviation, SchottkyParameters};
use quantity::Finding;
use spec::Sideband;

/// What a template needs besides its kind.
pub(crate) struct Settings<'a> {
    /// Model of every diode.
    pub(crate) model: &'a DiodeModel,
    /// Resistances of LO, RF and IF, ohm.
    pub(crate) ohm: [f64; 3],
    /// Differences of the diodes from the model, by position; missing ones are zero.
    pub(crate) deviations: &'a [Deviation],
    /// Side of the LO whose IF leaves through the IF port of an image-reject mixer.
    pub(crate) sideband: Sideband,
}

/// Builds a template. Diode parameters and names are in the order of the junction ports.
pub(crate) fn assemble(template: Template, settings: &Settings<'_>) -> Assembled {
    let n_diodes = template.n_diodes();
    let diodes: Vec<SchottkyParameters> = (0..n_diodes)
        .map(|k| settings.deviations.get(k).copied().unwrap_or_default().apply(&settings.model.parameters))
        .collect();
    let access: Vec<Access> = diodes.iter().map(|d| access_of(d, settings.model)).collect();
    let mut circuit = Circuit::new();
    let mut findings = Vec::new();
    let [lo, rf, intermediate] = settings.ohm;
    circuit.add_port("LO", ["lo", "0"], lo).add_port("RF", ["rf", "0"], rf).add_port("IF", ["if", "0"], intermediate);
    let nodes = MixerNodes { lo: "lo", rf: "rf", intermediate: "if" };
    match template {
        Template::Single => {
            in_series(&mut circuit, "LO", "lo", ["pumped", "0"]);
            in_series(&mut circuit, "RF", "rf", ["driven", "pumped"]);
            single_diode(&mut circuit, "", ["driven", "if"], access[0]);
        }
        Template::Antiparallel => {
            in_series(&mut circuit, "LO", "lo", ["pumped", "0"]);
            in_series(&mut circuit, "RF", "rf", ["driven", "pumped"]);
            antiparallel_pair(&mut circuit, "", ["driven", "if"], first(&access));
            findings.push(Finding::warning("template", ANTIPARALLEL_REMARK));
        }
        Template::SingleBalanced => {
            in_series(&mut circuit, "RF", "rf", ["common", "if"]);
            single_balanced(&mut circuit, "", "lo", "common", first(&access));
        }
        Template::Ring => ring_mixer(&mut circuit, "", nodes, first(&access)),
        Template::Star => star_mixer(&mut circuit, "", nodes, first(&access)),
        Template::DoubleRing => double_ring_mixer(&mut circuit, "", nodes, first(&access)),
        Template::ImageReject => {
            let (upper, lower) = match settings.sideband {
                Sideband::Upper => ("if", "image"),
                Sideband::Lower => ("image", "if"),
            };
            circuit.add_resistor("R_image", ["image", "0"], intermediate);
            let nodes = ImageRejectNodes { lo: "lo", rf: "rf", upper, lower };
            let halves = [first(&access), first(&access[4..])];
            image_reject_mixer(&mut circuit, "", nodes, halves);
        }
    }
    let diode_names = (0..n_diodes).map(|k| template.diode_name(k)).collect();
    Assembled { circuit, diodes, diode_names, findings }
}

/// Said of every antiparallel pair.
const ANTIPARALLEL_REMARK: &str = "a pair of equal diodes has no product of one LO and one RF; what the review calls \
    wanted is what differences of the diodes leave, and levels in dBc refer to that. The product of an antiparallel \
    pair, two LO and one RF, is reviewed as a spurious product only";

/// An ideal transformer 1:1 that puts a port between two nodes.
fn in_series(circuit: &mut Circuit, name: &str, port: &str, nodes: [&str; 2]) {
    circuit.add_transformer(&format!("T{name}"), &[([port, "0"], 1.0), (nodes, 1.0)]);
}

fn first<const N: usize>(access: &[Access]) -> [Access; N] {
    std::array::from_fn(|k| access[k])
}

impl Template {
    /// Number of diodes.
    pub const fn n_diodes(self) -> usize {
        match self {
            Self::Single => 1,
            Self::Antiparallel | Self::SingleBalanced => 2,
            Self::Ring | Self::Star => 4,
            Self::DoubleRing | Self::ImageReject => 8,
        }
    }

    /// Name of a diode, counted from zero.
    fn diode_name(self, k: usize) -> String {
        match self {
            Self::ImageReject => format!("{}_D{}", if k < 4 { "A" } else { "B" }, k % 4 + 1),
            _ => format!("D{}", k + 1),
        }
    }
}
