//! The review as JSON: every number with key, value, unit, conditions and quality.
//!
//! The structs here are the file format, version [`VERSION`]; core types know nothing of it.
//! Units stand in field names; `value`, `margin`, `numeric_band` and `continued_spread` are in the
//! unit of their reading. Numbers that are not finite are `null`. Numbers are written with the
//! digits that read back to the same bits.

use crate::{plots, words};
use serde::{Deserialize, Serialize};
use spec::{Bound, Review};

/// Name of the format.
pub const FORMAT: &str = "mixwright-review";
/// Version of the format; rises when a field changes its meaning or goes away.
pub const VERSION: u32 = 1;

/// A whole review.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct File {
    /// Always [`FORMAT`].
    pub format: String,
    /// Version of the format.
    pub version: u32,
    /// What kind of page this is; absent for the review of a mixer.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub title: String,
    /// Name of the design.
    pub design: String,
    /// What was reviewed.
    pub about: String,
    /// Nominal conditions.
    pub nominal: Conditions,
    /// Headline numbers.
    pub summary: Vec<Reading>,
    /// Requirements judged.
    pub verdicts: Vec<Verdict>,
    /// The runs.
    pub sections: Vec<Section>,
    /// Remarks.
    pub findings: Vec<Finding>,
    /// Facts about the computation.
    pub work: Vec<Fact>,
}

/// A fact about the computation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fact {
    /// What it is.
    pub name: String,
    /// What was found.
    pub text: String,
}

/// A remark.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// `note` or `warning`.
    pub severity: String,
    /// Where.
    pub place: String,
    /// What.
    pub text: String,
}

/// Conditions of a number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// LO frequency.
    pub lo_hz: Option<f64>,
    /// RF frequency.
    pub rf_hz: Option<f64>,
    /// IF frequency.
    pub if_hz: Option<f64>,
    /// `upper` or `lower`.
    pub sideband: Option<String>,
    /// Available LO power.
    pub lo_dbm: Option<f64>,
    /// Available signal power, `null` for the small-signal limit.
    pub signal_dbm: Option<f64>,
    /// Temperature.
    pub temp_k: Option<f64>,
    /// Terminations in words.
    pub terminations: String,
}

/// Quality of a number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Quality {
    /// `converged` or `almost`.
    pub outcome: String,
    /// `full balance`, `small signal` or `perturbation`.
    pub method: String,
    /// Half width of the remaining motion, in the unit of the reading.
    pub numeric_band: Option<f64>,
    /// LO harmonics kept.
    pub orders_lo: usize,
    /// RF harmonics kept.
    pub orders_rf: usize,
    /// Largest residual relative to the smallest product asked for.
    pub residual: Option<f64>,
    /// Share resting on continued network data, 0 to 1.
    pub continued_share: Option<f64>,
    /// Change under the other continuations, in the unit of the reading.
    pub continued_spread: Option<f64>,
    /// Formed by cancellation.
    pub cancellation: Option<Cancellation>,
    /// The value is only a bound.
    pub is_bound: bool,
    /// Error estimate of the field solution, in the unit of the reading.
    #[serde(default)]
    pub field_band: Option<f64>,
    /// Spread of fabrication.
    #[serde(default)]
    pub fabrication: Option<Band>,
    /// Bias and spread learned from earlier comparisons.
    #[serde(default)]
    pub model: Option<Band>,
    /// Lower and upper end of all bands together.
    #[serde(default)]
    pub interval: Option<(f64, f64)>,
    /// One-sided promise.
    #[serde(default)]
    pub promise: Option<Promise>,
    /// What moves the number most.
    #[serde(default)]
    pub asymmetry: Option<Asymmetry>,
}

/// Cancellation that formed a number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cancellation {
    /// Sum of term magnitudes over magnitude of their sum.
    pub ratio_db: Option<f64>,
    /// The terms.
    pub terms: Vec<Term>,
}

/// A cancelling term.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Term {
    /// What contributes.
    pub name: String,
    /// Real part, peak.
    pub re_v: Option<f64>,
    /// Imaginary part, peak.
    pub im_v: Option<f64>,
}

/// One number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Name for machines.
    pub key: String,
    /// Name for people.
    pub label: String,
    /// Value in `unit`, `null` when there is none.
    pub value: Option<f64>,
    /// Unit of value, band and spread.
    pub unit: String,
    /// Under what conditions.
    pub conditions: Conditions,
    /// How far it can be believed.
    pub quality: Quality,
}

/// A requirement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// Key of the limited measure, `null` for any product in the output band.
    pub key: Option<String>,
    /// `at most` or `at least`.
    pub bound: String,
    /// The bound, in `unit`.
    pub value: Option<f64>,
    /// Unit.
    pub unit: String,
    /// Lower end of the band.
    pub band_from_hz: Option<f64>,
    /// Upper end of the band.
    pub band_to_hz: Option<f64>,
    /// Why it is asked for.
    pub why: String,
}

/// A requirement judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// The requirement.
    pub limit: Limit,
    /// `pass`, `fail`, `undecided` or `not computed`.
    pub status: String,
    /// Distance to the limit, positive on the allowed side.
    pub margin: Option<f64>,
    /// The reading that decides.
    pub worst: Option<Reading>,
}

/// One run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Section {
    /// Name for machines.
    pub key: String,
    /// Name for people.
    pub title: String,
    /// What was swept and what was held.
    pub text: String,
    /// Its results.
    pub items: Vec<Item>,
}

/// A point of a curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Abscissa in the unit of the axis.
    pub x: Option<f64>,
    /// Reading.
    pub reading: Reading,
}

/// A curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Name.
    pub name: String,
    /// Points.
    pub points: Vec<CurvePoint>,
}

/// A cell of a spur grid.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpurEntry {
    /// RF order.
    pub m_rf: u32,
    /// LO order.
    pub n_lo: u32,
    /// Sum rather than difference.
    pub sum: bool,
    /// Frequency of the product.
    pub frequency_hz: Option<f64>,
    /// False below the floor: the value is then only what the solver left, no claim.
    pub claimed: bool,
    /// Level.
    pub reading: Reading,
}

/// A reflection coefficient at a frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reflection {
    /// Frequency.
    pub frequency_hz: Option<f64>,
    /// Real part.
    pub re: Option<f64>,
    /// Imaginary part.
    pub im: Option<f64>,
}

/// A reflection coefficient over frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Locus {
    /// Name.
    pub name: String,
    /// Points.
    pub points: Vec<Reflection>,
}

/// Waveforms of a junction, point by point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Junction {
    /// Name.
    pub name: String,
    /// Time.
    pub time_s: Vec<Option<f64>>,
    /// Junction voltage.
    pub voltage_v: Vec<Option<f64>>,
    /// Conduction current.
    pub current_a: Vec<Option<f64>>,
    /// Total current.
    pub total_current_a: Vec<Option<f64>>,
}

/// One result of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Item {
    /// Curves.
    Curves {
        /// Title.
        title: String,
        /// Label of the horizontal axis.
        x_label: String,
        /// Unit of the horizontal axis.
        x_unit: String,
        /// Label of the vertical axis.
        y_label: String,
        /// Unit of the vertical axis.
        y_unit: String,
        /// Curves.
        curves: Vec<Curve>,
        /// Limits.
        limits: Vec<Limit>,
    },
    /// Products.
    Spurs {
        /// Title.
        title: String,
        /// Port at which the signal counted by `m` enters.
        input: String,
        /// Level of the wanted product.
        wanted_dbm: Option<f64>,
        /// Nothing is claimed below this.
        not_claimed_dbc: Option<f64>,
        /// Cells.
        entries: Vec<SpurEntry>,
    },
    /// Reflections.
    Smith {
        /// Title.
        title: String,
        /// Reference resistance.
        reference_ohm: Option<f64>,
        /// Loci.
        loci: Vec<Locus>,
    },
    /// Waveforms.
    Waveforms {
        /// Title.
        title: String,
        /// Junctions.
        junctions: Vec<Junction>,
    },
    /// Readings.
    Table {
        /// Title.
        title: String,
        /// Readings.
        readings: Vec<Reading>,
    },
    /// Anything that is not made of readings.
    Figure {
        /// What it shows.
        content: crate::figures::FigureFile,
    },
}

/// A band around a value, as distances from it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// Reach below the value.
    pub below: Option<f64>,
    /// Reach above the value.
    pub above: Option<f64>,
    /// Share of cases covered, 0 to 1.
    pub coverage: Option<f64>,
}

/// A one-sided promise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Promise {
    /// `at most` or `at least`.
    pub bound: String,
    /// The bound, in the unit of the reading.
    pub value: Option<f64>,
    /// Share of fabricated units that keep it, 0 to 1.
    pub confidence: Option<f64>,
}

/// The departure from symmetry that moves a number most.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Asymmetry {
    /// Process variable.
    pub name: String,
    /// One standard deviation of it.
    pub step: String,
    /// Change of the number under that step.
    pub change: Option<f64>,
}

/// A text that is not a review in this format.
#[derive(Debug, thiserror::Error)]
pub enum JsonError {
    /// Not JSON, or fields missing.
    #[error("expected a review in the format `{FORMAT}`, found: {0}; write it again with this program")]
    Shape(#[from] serde_json::Error),
    /// Another format or version.
    #[error(
        "expected format `{FORMAT}` version {VERSION}, found `{format}` version {version}; write it again with this program"
    )]
    Version {
        /// Format found.
        format: String,
        /// Version found.
        version: u32,
    },
}

/// The review as JSON text, indented.
pub fn json(review: &Review) -> String {
    // Strings, numbers, lists and structs only: nothing in the format can fail to be written.
    serde_json::to_string_pretty(&file(review)).expect("the file structs hold nothing JSON cannot express")
}

/// Reads what [`json`] wrote.
///
/// # Errors
/// When the text is no JSON of this format and version.
pub fn read(text: &str) -> Result<File, JsonError> {
    let file: File = serde_json::from_str(text)?;
    if file.format != FORMAT || file.version != VERSION {
        return Err(JsonError::Version { format: file.format, version: file.version });
    }
    Ok(file)
}

/// The review in the structs of the file.
pub fn file(review: &Review) -> File {
    File {
        format: FORMAT.into(),
        version: VERSION,
        title: review.title.clone(),
        design: review.design.clone(),
        about: review.about.clone(),
        nominal: conditions(&review.nominal),
        summary: review.summary.iter().map(reading).collect(),
        verdicts: review.verdicts.iter().map(verdict).collect(),
        sections: review.sections.iter().map(section).collect(),
        findings: review.findings.iter().map(finding).collect(),
        work: review.work.iter().map(|(name, text)| Fact { name: name.clone(), text: text.clone() }).collect(),
    }
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn finding(f: &quantity::Finding) -> Finding {
    let severity = match f.severity {
        quantity::Severity::Note => "note",
        quantity::Severity::Warning => "warning",
    };
    Finding { severity: severity.into(), place: f.place.clone(), text: f.text.clone() }
}

fn conditions(c: &spec::Conditions) -> Conditions {
    Conditions {
        lo_hz: finite(c.lo_hz),
        rf_hz: c.rf_hz.and_then(finite),
        if_hz: c.if_hz.and_then(finite),
        sideband: c.sideband.map(|s| words::sideband(s).into()),
        lo_dbm: finite(c.lo_dbm),
        signal_dbm: c.signal_dbm.and_then(finite),
        temp_k: finite(c.temp_k),
        terminations: c.terminations.clone(),
    }
}

fn quality(q: &spec::Quality, value: f64) -> Quality {
    let band = |b: spec::Band| Band { below: finite(b.below), above: finite(b.above), coverage: finite(b.coverage) };
    let term = |t: &spec::Term| Term { name: t.name.clone(), re_v: finite(t.value.re), im_v: finite(t.value.im) };
    Quality {
        outcome: words::outcome(q.outcome).into(),
        method: words::method(q.method).into(),
        numeric_band: q.numeric_band.and_then(finite),
        orders_lo: q.orders.0,
        orders_rf: q.orders.1,
        residual: finite(q.residual),
        continued_share: q.continued.and_then(|c| finite(c.share)),
        continued_spread: q.continued.and_then(|c| finite(c.spread)),
        cancellation: q
            .cancellation
            .as_ref()
            .map(|c| Cancellation { ratio_db: finite(c.ratio_db), terms: c.terms.iter().map(term).collect() }),
        is_bound: q.is_bound,
        field_band: q.bands.field.and_then(finite),
        fabrication: q.bands.fabrication.map(band),
        model: q.bands.model.map(band),
        interval: q.interval(value).filter(|(low, high)| low.is_finite() && high.is_finite()),
        promise: q.bands.promise.map(promise),
        asymmetry: q.bands.asymmetry.as_ref().map(|a| Asymmetry {
            name: a.name.clone(),
            step: a.step.clone(),
            change: finite(a.change),
        }),
    }
}

fn reading(r: &spec::Reading) -> Reading {
    Reading {
        key: r.measure.key(),
        label: r.measure.label(),
        value: finite(r.value),
        unit: r.measure.unit().into(),
        conditions: conditions(&r.conditions),
        quality: quality(&r.quality, r.value),
    }
}

fn promise(p: spec::Promise) -> Promise {
    let (bound, value) = match p.bound {
        Bound::AtMost(x) => ("at most", x),
        Bound::AtLeast(x) => ("at least", x),
    };
    Promise { bound: bound.into(), value: finite(value), confidence: finite(p.confidence) }
}

fn limit(l: &spec::Limit) -> Limit {
    let (bound, value) = match l.bound {
        Bound::AtMost(x) => ("at most", x),
        Bound::AtLeast(x) => ("at least", x),
    };
    Limit {
        key: l.measure.map(spec::Measure::key),
        bound: bound.into(),
        value: finite(value),
        unit: l.measure.map_or("dBc", spec::Measure::unit).into(),
        band_from_hz: l.band_hz.and_then(|b| finite(b.0)),
        band_to_hz: l.band_hz.and_then(|b| finite(b.1)),
        why: l.why.clone(),
    }
}

fn verdict(v: &spec::Verdict) -> Verdict {
    Verdict {
        limit: limit(&v.limit),
        status: words::status(v.status).into(),
        margin: v.margin.and_then(finite),
        worst: v.worst.as_ref().map(reading),
    }
}

fn section(s: &spec::Section) -> Section {
    let items = s.items.iter().map(item).collect();
    Section { key: s.key.clone(), title: s.title.clone(), text: s.text.clone(), items }
}

fn item(item: &spec::Item) -> Item {
    match item {
        spec::Item::Curves(p) => Item::Curves {
            title: p.title.clone(),
            x_label: p.x.label.clone(),
            x_unit: p.x.unit.clone(),
            y_label: p.y_label.clone(),
            y_unit: p.y_unit.clone(),
            curves: p.curves.iter().map(curve).collect(),
            limits: p.limits.iter().map(limit).collect(),
        },
        spec::Item::Spurs(g) => Item::Spurs {
            title: g.title.clone(),
            input: g.input.label().into(),
            wanted_dbm: finite(g.wanted_dbm),
            not_claimed_dbc: finite(g.not_claimed_dbc),
            entries: g.entries.iter().map(|e| spur(g, e)).collect(),
        },
        spec::Item::Smith(s) => Item::Smith {
            title: s.title.clone(),
            reference_ohm: finite(s.reference_ohm),
            loci: s.loci.iter().map(locus).collect(),
        },
        spec::Item::Waveforms(w) => {
            Item::Waveforms { title: w.title.clone(), junctions: w.junctions.iter().map(junction).collect() }
        }
        spec::Item::Table(t) => {
            Item::Table { title: t.title.clone(), readings: t.readings.iter().map(reading).collect() }
        }
        spec::Item::Figure(f) => Item::Figure { content: crate::figures::file(f) },
    }
}

fn curve(c: &spec::Curve) -> Curve {
    let point = |(x, r): &(f64, spec::Reading)| CurvePoint { x: finite(*x), reading: reading(r) };
    Curve { name: c.name.clone(), points: c.points.iter().map(point).collect() }
}

fn spur(g: &spec::SpurGrid, e: &spec::SpurEntry) -> SpurEntry {
    SpurEntry {
        m_rf: e.m,
        n_lo: e.n,
        sum: e.sum,
        frequency_hz: finite(e.frequency_hz),
        claimed: e.reading.value.is_finite() && !plots::not_claimed(g, e),
        reading: reading(&e.reading),
    }
}

fn locus(l: &spec::Locus) -> Locus {
    let points = l.points.iter();
    let points = points.map(|(f, g)| Reflection { frequency_hz: finite(*f), re: finite(g.re), im: finite(g.im) });
    Locus { name: l.name.clone(), points: points.collect() }
}

fn junction(j: &spec::JunctionWaveform) -> Junction {
    let list = |v: &[f64]| v.iter().copied().map(finite).collect();
    Junction {
        name: j.name.clone(),
        time_s: list(&j.time_s),
        voltage_v: list(&j.voltage_v),
        current_a: list(&j.current_a),
        total_current_a: list(&j.total_current_a),
    }
}
