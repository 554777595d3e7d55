//! The manifest of a package as it stands in its JSON file, and back.
//!
//! Numbers are written so that they read back to the same bits. Names are those of `docs/model-package.md`.
//! Every value is checked again by the types it becomes.

use crate::model::{Challenge, Model, ModelDiode, ModelPlan, Reference, Terms};
use crate::table::{Piece, Table, TableParts, TableQuality};
use crate::{HandoverError, OutsidePolicy, Region};
use diode::temperature::{DepletionLaw, SaturationLaw};
use diode::{Breakdown, SchottkyParameters};
use mixer::{Direction, Plan, Tolerances};
use numerics::Complex64;
use quantity::{Finding, Severity};
use serde::{Deserialize, Serialize};
use spec::{
    Band, Bands, Bound, Conditions, Continued, Limit, Measure, Method, Outcome, PortName, Product, Quality, Reading,
    Sideband, Verdict, VerdictStatus,
};
use std::sync::Arc;

/// Name of the file of samples.
pub(crate) const NETWORK: &str = "network.f64";
/// Name of the file of provenance.
pub(crate) const PROVENANCE: &str = "provenance.json";

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Manifest {
    pub(crate) format: u64,
    pub(crate) name: String,
    pub(crate) about: String,
    pub(crate) maker: String,
    pub(crate) revision: String,
    temp_k: f64,
    terminations: String,
    network: NetworkText,
    junctions: Vec<JunctionText>,
    region: RegionText,
    plans: Vec<PlanText>,
    readings: Vec<ReadingText>,
    verdicts: Vec<VerdictText>,
    challenge: Option<ChallengeText>,
    terms: TermsText,
    findings: Vec<FindingText>,
    pub(crate) files: Vec<FileText>,
}

/// A data file of the package.
#[derive(Debug, Serialize, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub(crate) struct FileText {
    pub(crate) name: String,
    pub(crate) bytes: u64,
    pub(crate) blake3: String,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct NetworkText {
    ports: Vec<String>,
    reference_ohm: Vec<f64>,
    reciprocal: bool,
    continuation: String,
    largest_error: f64,
    direct: Vec<f64>,
    /// Lower end, upper end, number of points.
    pieces: Vec<(f64, f64, u32)>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct JunctionText {
    name: String,
    is_a: f64,
    n: f64,
    cj0_f: f64,
    vj_v: f64,
    m: f64,
    fc: f64,
    tt_s: f64,
    breakdown: Option<(f64, f64, f64)>,
    given_at_k: f64,
    barrier_ev: f64,
    xti: f64,
    saturation_law: String,
    gap_ev: Option<f64>,
    rise_k: f64,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RegionText {
    lo_hz: (f64, f64),
    lo_dbm: (f64, f64),
    rf_hz: (f64, f64),
    if_hz: (f64, f64),
    signal_dbm_max: f64,
    temp_k: (f64, f64),
    reflection_max: f64,
    lo_order: u32,
    signal_order: u32,
    outside: String,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PlanText {
    name: String,
    down: String,
    up: String,
    lo_hz: f64,
    lo_dbm: f64,
    lo_range_dbm: (f64, f64),
    lo_band_hz: Option<(f64, f64)>,
    rf_band_hz: (f64, f64),
    signal_dbm: f64,
    direction: String,
    anchors: usize,
    points: usize,
    spur_orders: (u32, u32),
    two_tone_spacing_hz: f64,
    two_tone_dbm: f64,
    wanted_db: f64,
    product_db: f64,
    direct_mv: f64,
    not_claimed_dbc: f64,
    limits: Vec<LimitText>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LimitText {
    measure: Option<String>,
    at_most: Option<f64>,
    at_least: Option<f64>,
    band_hz: Option<(f64, f64)>,
    why: String,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ReadingText {
    measure: String,
    value: f64,
    unit: String,
    lo_hz: f64,
    lo_dbm: f64,
    rf_hz: Option<f64>,
    if_hz: Option<f64>,
    sideband: Option<String>,
    signal_dbm: Option<f64>,
    temp_k: f64,
    terminations: String,
    method: String,
    outcome: String,
    numeric_band: Option<f64>,
    orders: (usize, usize),
    residual: f64,
    continued: Option<(f64, f64)>,
    is_bound: bool,
    field_band: Option<f64>,
    /// Below, above, coverage.
    fabrication_band: Option<(f64, f64, f64)>,
    model_band: Option<(f64, f64, f64)>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct VerdictText {
    limit: LimitText,
    status: String,
    margin: Option<f64>,
    worst: Option<ReadingText>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ChallengeText {
    seed: u64,
    points: usize,
    text: String,
    worst: Vec<(String, String, f64)>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TermsText {
    noise_withheld: bool,
    watermark: Option<String>,
    expires: Option<String>,
    expiry_text: Option<String>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FindingText {
    warning: bool,
    place: String,
    text: String,
}

type Read<T> = Result<T, HandoverError>;

fn refused<T>(expected: impl Into<String>, found: impl Into<String>) -> Read<T> {
    Err(HandoverError::mismatch(expected, found, "the manifest"))
}

const CONTINUATION: &str = "fades into the references of the ports over a tenth of the last frequency, raised cosine";
const OUTSIDE: [(&str, OutsidePolicy); 2] = [("refuse", OutsidePolicy::Refuse), ("flag", OutsidePolicy::Flag)];
const DIRECTIONS: [(&str, Direction); 3] =
    [("down", Direction::Down), ("up", Direction::Up), ("both", Direction::Both)];
const METHODS: [(&str, Method); 3] =
    [("balance", Method::Balance), ("small_signal", Method::SmallSignal), ("perturbation", Method::Perturbation)];
const OUTCOMES: [(&str, Outcome); 2] = [("converged", Outcome::Converged), ("almost", Outcome::Almost)];
const SIDEBANDS: [(&str, Sideband); 2] = [("upper", Sideband::Upper), ("lower", Sideband::Lower)];
const STATUS: [(&str, VerdictStatus); 4] = [
    ("pass", VerdictStatus::Pass),
    ("fail", VerdictStatus::Fail),
    ("undecided", VerdictStatus::Undecided),
    ("not_computed", VerdictStatus::NotComputed),
];
const SATURATION: [(&str, SaturationLaw); 2] =
    [("divided_by_ideality", SaturationLaw::DividedByIdeality), ("thermionic", SaturationLaw::Thermionic)];

fn word<T: PartialEq + Copy>(table: &[(&'static str, T)], value: T) -> String {
    table.iter().find(|(_, v)| *v == value).map_or(String::new(), |(w, _)| (*w).to_string())
}

fn meant<T: Copy>(table: &[(&'static str, T)], text: &str) -> Read<T> {
    match table.iter().find(|(w, _)| *w == text) {
        Some((_, value)) => Ok(*value),
        None => {
            let words: Vec<&str> = table.iter().map(|(w, _)| *w).collect();
            refused(format!("one of {}", words.join(", ")), format!("`{text}`"))
        }
    }
}

/// The measure of a key.
pub(crate) fn measure_of(key: &str) -> Option<Measure> {
    const PORTS: [PortName; 3] = [PortName::Lo, PortName::Rf, PortName::If];
    let mut plain = vec![
        Measure::ConversionLoss,
        Measure::ConversionLossUp,
        Measure::Flatness,
        Measure::NoiseFigureSsb,
        Measure::NoiseFigureDsb,
        Measure::InputP1db,
        Measure::InputIp3,
        Measure::InputIp2,
        Measure::DcOffset,
        Measure::PhaseDetectorVoltage,
        Measure::PhaseDetectorSlope,
        Measure::LoNoiseRejection,
        Measure::CarrierLeak,
    ];
    for port in PORTS {
        plain.push(Measure::ReturnLoss(port));
        plain.extend(PORTS.map(|to| Measure::Isolation { from: port, to }));
        plain.extend((1..=64).map(|n| Measure::LoHarmonic { port, n }));
    }
    plain.extend((0..16).map(|diode| Measure::DiodeCurrent { diode }));
    if let Some(found) = plain.into_iter().find(|m| m.key() == key) {
        return Some(found);
    }
    let orders = |rest: &str, split: &str| -> Option<Product> {
        let (n, m) = rest.split_once(split)?;
        Some(Product::new(n.parse().ok()?, m.parse().ok()?))
    };
    let found = if let Some(rest) = key.strip_prefix("spur_slope_lo") {
        Measure::SpurSlope(orders(rest, "_rf")?)
    } else if let Some(rest) = key.strip_prefix("spur_up_lo") {
        Measure::SpurUp(orders(rest, "_if")?)
    } else {
        Measure::Spur(orders(key.strip_prefix("spur_lo")?, "_rf")?)
    };
    (found.key() == key).then_some(found)
}

fn limit_text(l: &Limit) -> LimitText {
    let (at_most, at_least) = match l.bound {
        Bound::AtMost(x) => (Some(x), None),
        Bound::AtLeast(x) => (None, Some(x)),
    };
    LimitText { measure: l.measure.map(Measure::key), at_most, at_least, band_hz: l.band_hz, why: l.why.clone() }
}

fn known_measure(key: &str) -> Read<Measure> {
    match measure_of(key) {
        Some(m) => Ok(m),
        None => refused("the key of a measure", format!("`{key}`")),
    }
}

impl LimitText {
    fn limit(&self) -> Read<Limit> {
        let bound = match (self.at_most, self.at_least) {
            (Some(x), None) => Bound::AtMost(x),
            (None, Some(x)) => Bound::AtLeast(x),
            _ => return refused("either `at_most` or `at_least`", "both or none"),
        };
        let measure = self.measure.as_deref().map(known_measure).transpose()?;
        Ok(Limit { measure, bound, band_hz: self.band_hz, why: self.why.clone() })
    }
}

fn reading_text(r: &Reading) -> ReadingText {
    let (c, q) = (&r.conditions, &r.quality);
    let band = |b: &Band| (b.below, b.above, b.coverage);
    ReadingText {
        measure: r.measure.key(),
        value: r.value,
        unit: r.measure.unit().into(),
        lo_hz: c.lo_hz,
        lo_dbm: c.lo_dbm,
        rf_hz: c.rf_hz,
        if_hz: c.if_hz,
        sideband: c.sideband.map(|s| word(&SIDEBANDS, s)),
        signal_dbm: c.signal_dbm,
        temp_k: c.temp_k,
        terminations: c.terminations.clone(),
        method: word(&METHODS, q.method),
        outcome: word(&OUTCOMES, q.outcome),
        numeric_band: q.numeric_band.filter(|b| b.is_finite()),
        orders: q.orders,
        residual: q.residual,
        continued: q.continued.map(|c| (c.share, c.spread)),
        is_bound: q.is_bound,
        field_band: q.bands.field,
        fabrication_band: q.bands.fabrication.as_ref().map(band),
        model_band: q.bands.model.as_ref().map(band),
    }
}

impl ReadingText {
    fn reading(&self) -> Read<Reading> {
        let band = |(below, above, coverage): (f64, f64, f64)| Band { below, above, coverage };
        Ok(Reading {
            measure: known_measure(&self.measure)?,
            value: self.value,
            conditions: Conditions {
                lo_hz: self.lo_hz,
                rf_hz: self.rf_hz,
                if_hz: self.if_hz,
                sideband: self.sideband.as_deref().map(|s| meant(&SIDEBANDS, s)).transpose()?,
                lo_dbm: self.lo_dbm,
                signal_dbm: self.signal_dbm,
                temp_k: self.temp_k,
                terminations: self.terminations.clone(),
            },
            quality: Quality {
                outcome: meant(&OUTCOMES, &self.outcome)?,
                method: meant(&METHODS, &self.method)?,
                numeric_band: self.numeric_band,
                orders: self.orders,
                residual: self.residual,
                continued: self.continued.map(|(share, spread)| Continued { share, spread }),
                cancellation: None,
                is_bound: self.is_bound,
                bands: Bands {
                    field: self.field_band,
                    fabrication: self.fabrication_band.map(band),
                    model: self.model_band.map(band),
                    ..Bands::default()
                },
            },
        })
    }
}

fn plan_text(p: &ModelPlan) -> PlanText {
    let (used, p) = (p, &p.plan);
    let t = p.tolerances;
    PlanText {
        name: used.name.clone(),
        down: used.down.clone(),
        up: used.up.clone(),
        lo_hz: p.lo_hz,
        lo_dbm: p.lo_dbm,
        lo_range_dbm: p.lo_range_dbm,
        lo_band_hz: p.lo_band_hz,
        rf_band_hz: p.rf_band_hz,
        signal_dbm: p.signal_dbm,
        direction: word(&DIRECTIONS, p.direction),
        anchors: p.anchors,
        points: p.points,
        spur_orders: p.spur_orders,
        two_tone_spacing_hz: p.two_tone_spacing_hz,
        two_tone_dbm: p.two_tone_dbm,
        wanted_db: t.wanted_db,
        product_db: t.product_db,
        direct_mv: t.direct_mv,
        not_claimed_dbc: t.not_claimed_dbc,
        limits: p.limits.iter().map(limit_text).collect(),
    }
}

impl PlanText {
    fn plan(&self) -> Read<ModelPlan> {
        let plan = Plan {
            lo_range_dbm: self.lo_range_dbm,
            lo_band_hz: self.lo_band_hz,
            signal_dbm: self.signal_dbm,
            direction: meant(&DIRECTIONS, &self.direction)?,
            anchors: self.anchors,
            points: self.points,
            spur_orders: self.spur_orders,
            two_tone_spacing_hz: self.two_tone_spacing_hz,
            two_tone_dbm: self.two_tone_dbm,
            tolerances: Tolerances {
                wanted_db: self.wanted_db,
                product_db: self.product_db,
                direct_mv: self.direct_mv,
                not_claimed_dbc: self.not_claimed_dbc,
            },
            limits: self.limits.iter().map(LimitText::limit).collect::<Read<_>>()?,
            ..Plan::new(self.lo_hz, self.lo_dbm, self.rf_band_hz)
        };
        plan.check()?;
        if self.points > 100_000 || self.anchors > 10_000 {
            return refused("at most 100000 points and 10000 anchors", format!("{} and {}", self.points, self.anchors));
        }
        Ok(ModelPlan { name: self.name.clone(), down: self.down.clone(), up: self.up.clone(), plan })
    }
}

fn junction_text(d: &ModelDiode) -> JunctionText {
    let p = &d.parameters;
    JunctionText {
        name: d.name.clone(),
        is_a: p.is_a,
        n: p.n,
        cj0_f: p.cj0_f,
        vj_v: p.vj_v,
        m: p.m,
        fc: p.fc,
        tt_s: p.tt_s,
        breakdown: p.breakdown.map(|b| (b.bv_v, b.ibv_a, b.nbv)),
        given_at_k: p.temp_nominal_k,
        barrier_ev: p.barrier_ev,
        xti: p.xti,
        saturation_law: word(&SATURATION, p.saturation_law),
        gap_ev: match p.depletion_law {
            DepletionLaw::ConstantGap { gap_ev } => Some(gap_ev),
            DepletionLaw::Fixed => None,
        },
        rise_k: d.rise_k,
    }
}

impl JunctionText {
    fn diode(&self) -> Read<ModelDiode> {
        let parameters = SchottkyParameters {
            is_a: self.is_a,
            n: self.n,
            cj0_f: self.cj0_f,
            vj_v: self.vj_v,
            m: self.m,
            fc: self.fc,
            tt_s: self.tt_s,
            breakdown: self.breakdown.map(|(bv_v, ibv_a, nbv)| Breakdown { bv_v, ibv_a, nbv }),
            temp_nominal_k: self.given_at_k,
            barrier_ev: self.barrier_ev,
            xti: self.xti,
            saturation_law: meant(&SATURATION, &self.saturation_law)?,
            depletion_law: self.gap_ev.map_or(DepletionLaw::Fixed, |gap_ev| DepletionLaw::ConstantGap { gap_ev }),
            ..SchottkyParameters::default()
        };
        parameters.validate()?;
        if !(self.rise_k.is_finite() && self.rise_k >= 0.0) {
            return refused("a temperature rise of 0 K or more", format!("{} K", self.rise_k));
        }
        Ok(ModelDiode { name: self.name.clone(), parameters, rise_k: self.rise_k })
    }
}

fn region_text(r: &Region) -> RegionText {
    RegionText {
        lo_hz: r.lo_hz,
        lo_dbm: r.lo_dbm,
        rf_hz: r.rf_hz,
        if_hz: r.if_hz,
        signal_dbm_max: r.signal_dbm_max,
        temp_k: r.temp_k,
        reflection_max: r.reflection_max,
        lo_order: r.orders.0,
        signal_order: r.orders.1,
        outside: word(&OUTSIDE, r.policy),
    }
}

impl RegionText {
    fn region(&self) -> Read<Region> {
        Ok(Region {
            lo_hz: self.lo_hz,
            lo_dbm: self.lo_dbm,
            rf_hz: self.rf_hz,
            if_hz: self.if_hz,
            signal_dbm_max: self.signal_dbm_max,
            temp_k: self.temp_k,
            reflection_max: self.reflection_max,
            orders: (self.lo_order, self.signal_order),
            policy: meant(&OUTSIDE, &self.outside)?,
        })
    }
}

/// The diode set as it stands in the manifest, for its hash.
pub(crate) fn junctions_json(model: &Model) -> Vec<u8> {
    let junctions: Vec<JunctionText> = model.diodes.iter().map(junction_text).collect();
    serde_json::to_vec(&junctions).expect("plain numbers and texts become JSON")
}

/// Samples as bytes: real and imaginary parts, eight bytes each, little end first.
pub(crate) fn network_bytes(model: &Model) -> Vec<u8> {
    let parts = model.network.parts();
    parts.values.iter().flat_map(|x| [x.re.to_le_bytes(), x.im.to_le_bytes()]).flatten().collect()
}

impl Manifest {
    pub(crate) fn of(model: &Model, files: Vec<FileText>) -> Self {
        let parts = model.network.parts();
        let mut ports: Vec<String> = ["LO", "RF", "IF"].map(String::from).to_vec();
        ports.extend(model.diodes.iter().map(|d| d.name.clone()));
        Self {
            format: crate::container::FORMAT,
            name: model.name.clone(),
            about: model.about.clone(),
            maker: model.maker.clone(),
            revision: model.revision.clone(),
            temp_k: model.temp_k,
            terminations: model.terminations.clone(),
            network: NetworkText {
                ports,
                reference_ohm: parts.reference_ohm,
                reciprocal: parts.is_reciprocal,
                continuation: CONTINUATION.into(),
                largest_error: parts.quality.error,
                direct: parts.direct,
                pieces: parts.pieces.iter().map(|p| (p.band_hz.0, p.band_hz.1, p.n_points as u32)).collect(),
            },
            junctions: model.diodes.iter().map(junction_text).collect(),
            region: region_text(&model.region),
            plans: model.plans.iter().map(plan_text).collect(),
            readings: model.reference.readings.iter().filter(|r| r.value.is_finite()).map(reading_text).collect(),
            verdicts: model.reference.verdicts.iter().map(verdict_text).collect(),
            challenge: model.challenge.as_ref().map(|c| ChallengeText {
                seed: c.seed,
                points: c.points,
                text: c.text.clone(),
                worst: c.worst.clone(),
            }),
            terms: TermsText {
                noise_withheld: model.terms.noise_withheld,
                watermark: model.terms.watermark.clone(),
                expires: model.terms.expires.clone(),
                expiry_text: model.terms.expiry_text.clone(),
            },
            findings: model
                .findings
                .iter()
                .map(|f| FindingText {
                    warning: f.severity == Severity::Warning,
                    place: f.place.clone(),
                    text: f.text.clone(),
                })
                .collect(),
            files,
        }
    }

    /// The model of this manifest and the bytes of its samples.
    pub(crate) fn model(&self, samples: &[u8]) -> Read<Model> {
        let n_junctions = self.junctions.len();
        if n_junctions == 0 || n_junctions > 16 || self.network.reference_ohm.len() != n_junctions + 3 {
            let found = format!("{n_junctions} junctions and {} ports", self.network.reference_ohm.len());
            return refused("1 to 16 junctions and three ports more", found);
        }
        if self.network.continuation != CONTINUATION {
            return refused(format!("the continuation `{CONTINUATION}`"), format!("`{}`", self.network.continuation));
        }
        if self.plans.is_empty() {
            return refused("at least one plan", "none");
        }
        if !samples.len().is_multiple_of(16) {
            return refused("pairs of eight-byte numbers in the samples", format!("{} bytes", samples.len()));
        }
        let number = |c: &[u8]| f64::from_le_bytes(c.try_into().expect("a chunk of eight bytes"));
        let values = samples.chunks_exact(16).map(|c| Complex64::new(number(&c[..8]), number(&c[8..]))).collect();
        let pieces: Vec<Piece> =
            self.network.pieces.iter().map(|&(a, b, n)| Piece { band_hz: (a, b), n_points: n as usize }).collect();
        let quality = TableQuality {
            error: self.network.largest_error,
            samples: pieces.iter().map(|p| p.n_points).sum(),
            pieces: pieces.len(),
        };
        let network = Table::from_parts(TableParts {
            reference_ohm: self.network.reference_ohm.clone(),
            is_reciprocal: self.network.reciprocal,
            pieces,
            direct: self.network.direct.clone(),
            values,
            quality,
        })?;
        let finding = |f: &FindingText| {
            if f.warning {
                Finding::warning(f.place.clone(), f.text.clone())
            } else {
                Finding::note(f.place.clone(), f.text.clone())
            }
        };
        Ok(Model {
            name: self.name.clone(),
            about: self.about.clone(),
            maker: self.maker.clone(),
            revision: self.revision.clone(),
            network: Arc::new(network),
            diodes: self.junctions.iter().map(JunctionText::diode).collect::<Read<_>>()?,
            temp_k: self.temp_k,
            terminations: self.terminations.clone(),
            plans: self.plans.iter().map(PlanText::plan).collect::<Read<_>>()?,
            region: self.region.region()?,
            reference: Reference {
                readings: self.readings.iter().map(ReadingText::reading).collect::<Read<_>>()?,
                verdicts: self.verdicts.iter().map(VerdictText::verdict).collect::<Read<_>>()?,
            },
            challenge: self.challenge.as_ref().map(|c| Challenge {
                seed: c.seed,
                points: c.points,
                worst: c.worst.clone(),
                text: c.text.clone(),
            }),
            terms: Terms {
                noise_withheld: self.terms.noise_withheld,
                watermark: self.terms.watermark.clone(),
                expires: self.terms.expires.clone(),
                expiry_text: self.terms.expiry_text.clone(),
            },
            findings: self.findings.iter().map(finding).collect(),
        })
    }
}

fn verdict_text(v: &Verdict) -> VerdictText {
    VerdictText {
        limit: limit_text(&v.limit),
        status: word(&STATUS, v.status),
        margin: v.margin.filter(|m| m.is_finite()),
        worst: v.worst.as_ref().filter(|r| r.value.is_finite()).map(reading_text),
    }
}

impl VerdictText {
    fn verdict(&self) -> Read<Verdict> {
        Ok(Verdict {
            limit: self.limit.limit()?,
            worst: self.worst.as_ref().map(ReadingText::reading).transpose()?,
            margin: self.margin,
            status: meant(&STATUS, &self.status)?,
        })
    }
}
