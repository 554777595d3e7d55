//! The customer's file: what stands around a model, and the same report as the maker's with it.
//!
//! Input: a model and a small TOML file (every key in `docs/surroundings.md`). Output: a [`Review`] with the customer's
//! filters, lines, pads and terminations in place, beside the bare model's headline numbers.

use crate::design::tree::{At, Rule, Sink, Table, meant_or_list};
use crate::design::{Design, DesignError, ProblemKind};
use crate::error::{NetworkFileError, ProjectError};
use crate::package::{breaks_hz, review_model, uses};
use crate::{build, field, heat};
use handover::point::{IF, Lo, RF, pump};
use handover::surround::{Lumped, Part};
use handover::{Model, ModelPlan, Surrounded, Surroundings};
use mixer::{Mixer, Plan};
use network::touchstone::{self, ReadSettings};
use network::{Continuation, SampledResponse, SampledSettings};
use numerics::{Complex64, Watch};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use quantity::{
    Angle, AttenuationPerLength, Capacitance, CarrierRatio, Finding, Frequency, Inductance, Length, Level, PowerRatio,
    Resistance, Temperature,
};
use spec::{Figure, Grid, Item, Locus, Measure, PortName, Reading, Review, Section, SmithPlot};
use std::path::Path;
use std::sync::Arc;
use toml::de::DeTable;

/// Version of the file format this program reads.
const FORMAT: usize = 1;
const PORTS: [(PortName, &str); 3] = [(PortName::Lo, "lo"), (PortName::Rf, "rf"), (PortName::If, "if")];

/// The LO source of the customer.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LoSource {
    /// Harmonics: order, level against the LO (dBc), phase (radian) of a cosine against that of the LO.
    pub harmonics: Vec<(u32, f64, f64)>,
    /// Amplitude noise, both sidebands together, relative to the LO, dBc per hertz.
    pub am_noise_dbc_per_hz: Option<f64>,
}

/// The customer's file, read.
#[derive(Debug, Clone)]
pub struct Around {
    /// Name of the set-up.
    pub name: String,
    /// What stands at the connectors.
    pub surroundings: Surroundings,
    /// What is computed.
    pub plan: ModelPlan,
    /// Temperature, kelvin.
    pub temp_k: f64,
    /// The LO source.
    pub lo: LoSource,
    /// Remarks on the file and its data.
    pub findings: Vec<Finding>,
}

/// A package or, for its maker, a design taken as a model without writing one.
///
/// # Errors
/// A file that cannot be read, a package that was changed, a design that cannot be joined.
pub fn load_model(path: &Path, watch: &dyn Watch) -> Result<Model, ProjectError> {
    if path.extension().is_none_or(|e| e != "toml") {
        return Ok(crate::package::open(path, None)?.model);
    }
    let design = crate::files::read_design(path)?;
    model_of(&design, watch)
}

/// The model of a design, without a package.
///
/// # Errors
/// A design that cannot be joined, or the wish of `watch` to stop.
pub fn model_of(design: &Design, watch: &dyn Watch) -> Result<Model, ProjectError> {
    field::solution::prepare(design, watch)?;
    let (mut mixer, diodes) = (design.mixer()?, build::assemble(design, None)?.diodes);
    let ambient_k = design.temperature.si();
    let rise_k: Vec<f64> =
        heat::settle(&mut mixer, design, &diodes, watch)?.into_iter().map(|t| t - ambient_k).collect();
    Ok(Model::take(&mixer, &diodes, &rise_k, &uses(design), &breaks_hz(design)?, watch)?)
}

/// Reads the customer's file for a model.
///
/// # Errors
/// All problems of the file at once, each with its place; data files that cannot be used.
pub fn read(path: &Path, model: &Model) -> Result<Around, ProjectError> {
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    let text = String::from_utf8_lossy(&bytes).into_owned();
    parse(&path.display().to_string(), &text, path.parent().unwrap_or(Path::new("")), model)
}

/// Reads the text of a customer's file; `folder` resolves names of data files.
///
/// # Errors
/// As [`read`].
pub fn parse(file: &str, text: &str, folder: &Path, model: &Model) -> Result<Around, ProjectError> {
    let sink = Sink::default();
    let around = parse_with(text, folder, model, &sink)?;
    match around {
        Some(around) if sink.is_empty() => Ok(around),
        _ => Err(DesignError { file: file.into(), source_text: text.into(), problems: sink.into_problems() }.into()),
    }
}

/// The document, or complaints in `sink`.
pub(crate) fn document<'a>(text: &'a str, sink: &Sink) -> Option<toml::Spanned<DeTable<'a>>> {
    let (document, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        let message = error.message().replace('\n', ", ");
        let help = "correct the TOML text; values with units stand in quotes";
        sink.push(ProblemKind::Syntax, error.span().unwrap_or(0..0), message, help);
    }
    errors.is_empty().then_some(document)
}

/// Refuses other versions of a small file.
pub(crate) fn check_format(root: &Table<'_>) {
    if !root.has("format") {
        let help = format!("write `format = {FORMAT}` on the first line");
        root.sink().push(ProblemKind::MissingKey, 0..0, "the file has no `format`".into(), help);
    }
    root.count("format", FORMAT..=FORMAT);
}

fn parse_with(text: &str, folder: &Path, model: &Model, sink: &Sink) -> Result<Option<Around>, ProjectError> {
    let Some(document) = document(text, sink) else { return Ok(None) };
    let root = Table::new(document.get_ref(), 0..0, "", sink);
    check_format(&root);
    let name = root.required_text("name", "name the set-up, for example `name = \"receiver with preselector\"`");
    let mut findings = Vec::new();
    let (plan, temp_k) = read_plan(&root, model);
    let lo = read_lo_source(&root);
    let mut surroundings = Surroundings::default();
    for (port, key) in PORTS {
        let ohm = network::FrequencyResponse::reference_ohm(&*model.network)[handover::PORTS.index(port)];
        for table in root.tables(key) {
            if let Some(part) = read_part(&table, &plan.plan, folder, ohm, &mut findings)? {
                surroundings.chain_mut(port).parts.push(part);
            }
            table.finish();
        }
    }
    if let Some(ends) = root.table("end") {
        for (port, key) in PORTS {
            surroundings.chain_mut(port).end_ohm =
                ends.quantity::<Resistance>(key, Rule::Positive).map(|r| r.value.si());
        }
        ends.finish();
    }
    root.finish();
    let Some(name) = name else { return Ok(None) };
    Ok(Some(Around { name: name.value, surroundings, plan, temp_k, lo, findings }))
}

fn read_plan(root: &Table<'_>, model: &Model) -> (ModelPlan, f64) {
    let mut plan = model.plans[0].clone();
    let mut temp_k = model.temp_k;
    let Some(t) = root.table("plan") else { return (plan, temp_k) };
    if let Some(use_of) = t.text("use") {
        let of_plan = |p: &ModelPlan| [p.name.clone(), p.down.clone(), p.up.clone()];
        let names: Vec<String> = model.plans.iter().flat_map(of_plan).filter(|n| !n.is_empty()).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        match use_called(model, &use_of.value) {
            Some(found) => plan = found,
            None => {
                let message = format!("the model has no use called `{}`", use_of.value);
                t.sink().push(ProblemKind::UnknownName, use_of.span, message, meant_or_list(&use_of.value, &names));
            }
        }
    }
    let p = &mut plan.plan;
    if let Some(lo) = t.quantity::<Frequency>("lo", Rule::Positive) {
        p.lo_hz = lo.value.si();
        p.lo_band_hz = None;
    }
    if let Some(level) = t.quantity::<Level>("lo_level", Rule::Any) {
        let shift = level.value.dbm() - p.lo_dbm;
        p.lo_dbm = level.value.dbm();
        // a level of one's own is looked at with the maker's range only as far as it reaches
        if shift.abs() > 0.0 {
            p.lo_range_dbm = (p.lo_range_dbm.0.min(p.lo_dbm), p.lo_range_dbm.1.max(p.lo_dbm));
        }
    }
    if let Some(band) = t.band::<Frequency>("rf", Rule::Positive) {
        p.rf_band_hz = (band.value.0.si(), band.value.1.si());
        p.limits.iter_mut().for_each(|l| l.band_hz = None);
    }
    if let Some(level) = t.quantity::<Level>("level", Rule::Any) {
        p.signal_dbm = level.value.dbm();
    }
    let directions = [("down", mixer::Direction::Down), ("up", mixer::Direction::Up), ("both", mixer::Direction::Both)];
    if let Some(direction) = t.word("direction", &directions) {
        p.direction = direction.value;
    }
    if let Some(n) = t.count("anchors", 2..=201) {
        p.anchors = n.value;
    }
    if let Some(n) = t.count("points", 2..=2001) {
        p.points = n.value;
    }
    if let Some(t) = t.quantity::<Temperature>("temperature", Rule::Positive) {
        temp_k = t.value.si();
    }
    if let Err(error) = p.check() {
        t.sink().push(ProblemKind::Plan, t.span.clone(), error.to_string(), "correct the bands of the plan");
    }
    t.finish();
    (plan, temp_k)
}

/// A use by its name, or by the name it has in one direction.
fn use_called(model: &Model, name: &str) -> Option<ModelPlan> {
    if let Some(whole) = model.plans.iter().find(|p| p.name == name) {
        return Some(whole.clone());
    }
    let mut directions = [(false, mixer::Direction::Down), (true, mixer::Direction::Up)].into_iter();
    directions.find_map(|(is_up, direction)| {
        let found = model.plans.iter().find(|p| !name.is_empty() && p.name_of(is_up) == name)?;
        let plan = Plan { direction, ..found.plan.clone() };
        Some(ModelPlan { plan, ..found.clone() })
    })
}

fn read_lo_source(root: &Table<'_>) -> LoSource {
    let mut lo = LoSource::default();
    let Some(t) = root.table("lo_source") else { return lo };
    lo.am_noise_dbc_per_hz = t.number("am_noise_dbc_per_hz", Rule::Any).map(|n| n.value);
    for h in t.tables("harmonic") {
        let order = h.count("order", 2..=8);
        let level = h.required::<CarrierRatio>("level", Rule::Any);
        let phase = h.quantity::<Angle>("phase", Rule::Any).map_or(0.0, |a| a.value.deg().to_radians());
        if order.is_none() && !h.has("order") {
            let help = "add `order = 2` for the second harmonic";
            h.sink().push(ProblemKind::MissingKey, h.span.clone(), "a harmonic of the LO has no `order`".into(), help);
        }
        if let (Some(order), Some(level)) = (order, level) {
            lo.harmonics.push((order.value as u32, level.value.dbc(), phase));
        }
        h.finish();
    }
    t.finish();
    lo
}

/// Kinds of parts, as written.
const KINDS: [(&str, &str); 7] = [
    ("line", "line"),
    ("pad", "pad"),
    ("series", "series"),
    ("shunt", "shunt"),
    ("file", "file"),
    ("reflection", "reflection"),
    ("filter", "filter"),
];

fn read_part(
    t: &Table<'_>,
    plan: &Plan,
    folder: &Path,
    ohm: f64,
    findings: &mut Vec<Finding>,
) -> Result<Option<Part>, ProjectError> {
    if !t.has("part") {
        let words: Vec<&str> = KINDS.iter().map(|k| k.0).collect();
        let help = format!("add `part = \"…\"` with one of {}", words.join(", "));
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), "this entry does not say which part it is".into(), help);
        return Ok(None);
    }
    let Some(kind) = t.word("part", &KINDS) else { return Ok(None) };
    Ok(match kind.value {
        "line" => read_line(t, ohm),
        "pad" => t.required::<PowerRatio>("loss", Rule::NotNegative).map(|q| Part::Pad(q.value.db())),
        "series" => read_lumped(t, &kind.span).map(Part::Series),
        "shunt" => read_lumped(t, &kind.span).map(Part::Shunt),
        "file" => read_file(t, folder, ohm, findings)?,
        "filter" => {
            let pass = t.required_band::<Frequency>("pass", Rule::NotNegative);
            let gamma = read_gamma(t);
            pass.map(|b| Part::PassBand { band_hz: (b.value.0.si(), b.value.1.si()), gamma })
        }
        _ => read_reflection(t, plan, &kind.span),
    })
}

fn read_line(t: &Table<'_>, ohm: f64) -> Option<Part> {
    let impedance_ohm = t.quantity::<Resistance>("impedance", Rule::Positive).map_or(ohm, |q| q.value.si());
    let length = t.required::<Length>("length", Rule::NotNegative);
    let permittivity = t.number("permittivity", Rule::Positive).map_or(1.0, |x| x.value);
    let attenuation = t.quantity::<AttenuationPerLength>("attenuation", Rule::NotNegative);
    let at = t.quantity::<Frequency>("attenuation_at", Rule::Positive);
    if attenuation.is_some() != at.is_some() {
        let help = "give both `attenuation` and `attenuation_at`; it rises with the square root of frequency";
        let message = "the loss of a line needs the frequency it holds at".to_string();
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, help);
    }
    let length_m = length?.value.si();
    let skin_np_per_sqrt_hz = match (attenuation, at) {
        (Some(a), Some(f)) => a.value.db_per_m() / (20.0 * std::f64::consts::LOG10_E) * length_m / f.value.si().sqrt(),
        _ => 0.0,
    };
    let delay_s = length_m * permittivity.sqrt() / LIGHT_SPEED_M_PER_S;
    Some(Part::Line { impedance_ohm, delay_s, skin_np_per_sqrt_hz })
}

fn read_lumped(t: &Table<'_>, span: &std::ops::Range<usize>) -> Option<Lumped> {
    let r = t.quantity::<Resistance>("resistance", Rule::NotNegative).map(|q| Lumped::Resistor(q.value.si()));
    let l = t.quantity::<Inductance>("inductance", Rule::NotNegative).map(|q| Lumped::Inductor(q.value.si()));
    let c = t.quantity::<Capacitance>("capacitance", Rule::NotNegative).map(|q| Lumped::Capacitor(q.value.si()));
    let given: Vec<Lumped> = [r, l, c].into_iter().flatten().collect();
    if let [one] = given[..] {
        return Some(one);
    }
    let message = format!("a part in series or shunt has one value, found {}", given.len());
    let help = "give one of `resistance`, `inductance`, `capacitance`; write several parts one after the other";
    t.sink().push(ProblemKind::WrongCount, span.clone(), message, help);
    None
}

/// Magnitude and phase; a full reflection in phase unless given.
fn read_gamma(t: &Table<'_>) -> Complex64 {
    let magnitude = t.number("magnitude", Rule::NotNegative);
    let phase = t.quantity::<Angle>("phase", Rule::Any).map_or(0.0, |a| a.value.deg().to_radians());
    if let Some(m) = magnitude.as_ref().filter(|m| m.value > 1.0) {
        let message = format!("`magnitude` is {}, a passive reflection is at most 1", m.value);
        t.sink().push(ProblemKind::ImpossibleValue, m.span.clone(), message, "write a number from 0 to 1");
        return Complex64::default();
    }
    Complex64::from_polar(magnitude.map_or(1.0, |m| m.value), phase)
}

fn read_reflection(t: &Table<'_>, plan: &Plan, span: &std::ops::Range<usize>) -> Option<Part> {
    let gamma = read_gamma(t);
    let band = t.band::<Frequency>("band", Rule::NotNegative).map(|b| (b.value.0.si(), b.value.1.si()));
    let (lo, rf) = (plan.lo_hz, plan.rf_band_hz);
    let about = |f: f64| (0.999 * f, 1.001 * f);
    let lines = [
        ("rf", rf),
        ("if", plan.if_band_hz()),
        ("image", (2.0 * lo - rf.1, 2.0 * lo - rf.0)),
        ("sum", (lo + rf.0, lo + rf.1)),
        ("lo", about(lo)),
        ("2lo", about(2.0 * lo)),
        ("3lo", about(3.0 * lo)),
        ("4lo", about(4.0 * lo)),
    ];
    let named = t.word("at", &lines).map(|w| w.value);
    match (band, named) {
        (Some(band_hz), None) | (None, Some(band_hz)) => Some(Part::Reflects { band_hz, gamma }),
        _ if t.has("at") && !t.has("band") => None,
        _ => {
            let message = "a reflection has either `at` or `band`".to_string();
            let help = "write `at = \"image\"` (or rf, if, sum, lo, 2lo, 3lo, 4lo), or `band = [\"…\", \"…\"]`";
            t.sink().push(ProblemKind::WrongCount, span.clone(), message, help);
            None
        }
    }
}

fn read_file(
    t: &Table<'_>,
    folder: &Path,
    ohm: f64,
    findings: &mut Vec<Finding>,
) -> Result<Option<Part>, ProjectError> {
    let name = t.required_text("file", "name a two-port network data file beside this one");
    let swapped = t.flag("swapped").unwrap_or(false);
    let lenient = t.flag("lenient").unwrap_or(false);
    let choices: Vec<(&str, Continuation)> = Continuation::ALL.into_iter().map(|c| (c.name(), c)).collect();
    let continuation = t.word("continuation", &choices).map_or(Continuation::NearOpen, |w| w.value);
    let Some(At { value: file, span }) = name else { return Ok(None) };
    let path = folder.join(&file);
    if !path.is_file() {
        let message = format!("`{file}` is not beside this file");
        t.sink().push(ProblemKind::File, span, message, "correct the name, or put the file there");
        return Ok(None);
    }
    let bytes = std::fs::read(&path).map_err(ProjectError::io("read", &path))?;
    let reading = if lenient { ReadSettings::lenient(&file) } else { ReadSettings::strict(&file) };
    let data = touchstone::read(&bytes, &reading).map_err(|error| NetworkFileError::new(error, &bytes))?;
    let wrong = |source| ProjectError::Network { place: file.clone(), source };
    let mut network = data.to_network().map_err(wrong)?;
    if network.n_ports() != 2 {
        let message = format!("`{file}` has {} ports, a part at a connector has two", network.n_ports());
        t.sink().push(ProblemKind::WrongCount, span, message, "select two ports of the data first");
        return Ok(None);
    }
    if swapped {
        network = network.select_ports(&[1, 0]).map_err(wrong)?;
    }
    let settings = SampledSettings { reference_ohm: Some(vec![ohm; 2]), continuation, ..SampledSettings::default() };
    let response = SampledResponse::new(&network, &settings).map_err(wrong)?;
    findings.extend(response.findings().iter().map(|f| Finding { place: format!("{file}: {}", f.place), ..f.clone() }));
    Ok(Some(Part::TwoPort(Arc::new(response))))
}

/// Frequencies looked at when the largest reflection is compared with the region.
const LOOKED_AT: usize = 400;

/// The model's mixer inside its surroundings, departures from the region refused or flagged.
///
/// # Errors
/// Parts that cannot be, a question outside the region when the maker chose to refuse.
pub fn mixer_of(model: &Model, around: &Around) -> Result<(Mixer, Arc<Surrounded>), ProjectError> {
    let network = Arc::new(Surrounded::new(model.network.clone(), &around.surroundings)?);
    let mut largest = 0.0f64;
    for (port, _) in PORTS {
        for i in 1..=LOOKED_AT {
            let f = 5.0 * around.plan.plan.lo_hz * i as f64 / LOOKED_AT as f64;
            let gamma = network.reflection(port, f).map_err(handover::HandoverError::from)?;
            largest = largest.max(gamma.norm());
        }
    }
    let reflected = model.region.reflection_departure(largest.min(1.0));
    let mut mixer = model.mixer_with(network.clone(), around.temp_k, format!("as in `{}`", around.name))?;
    mixer.findings.extend(model.region.enforce(reflected.into_iter().collect())?);
    mixer.findings.extend(around.findings.iter().cloned());
    mixer.name = format!("{} in {}", model.name, around.name);
    Ok((mixer, network))
}

/// The customer's report: the maker's runs inside the surroundings, and what the surroundings changed.
///
/// # Errors
/// As [`mixer_of`]; a steady state that cannot be found, or the wish of `watch` to stop.
pub fn run(model: &Model, around: &Around, watch: &dyn Watch) -> Result<Review, ProjectError> {
    let (mixer, network) = mixer_of(model, around)?;
    let mut review = review_model(model, &mixer, std::slice::from_ref(&around.plan), watch)?;
    review.title = "Set-up review".into();
    let mut sections = vec![comparison(model, around, &review)];
    sections.push(seen(model, around, &network)?);
    if around.lo != LoSource::default() {
        sections.push(lo_section(model, around, &mixer)?);
    }
    sections.append(&mut review.sections);
    review.sections = sections;
    Ok(review)
}

/// Headline numbers beside those the maker gives for the bare model.
fn comparison(model: &Model, around: &Around, review: &Review) -> Section {
    let show = |r: &Reading| format!("{:.2}", r.value);
    let at = |r: &Reading| r.conditions.rf_hz.map_or("–".into(), |f| format!("{:.2}", f / 1e9));
    // a product is compared only with itself at the same RF; other headline numbers are worst cases over the band
    let told = |r: &Reading| {
        let is_product = matches!(r.measure, Measure::Spur(_) | Measure::SpurUp(_));
        let fits = |t: &&Reading| t.measure == r.measure && (!is_product || t.conditions.rf_hz == r.conditions.rf_hz);
        model.reference.readings.iter().find(fits)
    };
    let rows = review
        .summary
        .iter()
        .map(|r| {
            let (bare, place, change) = match told(r) {
                Some(t) => (show(t), at(t), format!("{:+.2}", r.value - t.value)),
                None => ("–".into(), "–".into(), "–".into()),
            };
            vec![r.measure.label(), show(r), at(r), bare, place, change, r.measure.unit().into()]
        })
        .collect();
    let heads = ["number", "in your set-up", "at RF, GHz", "bare model", "at RF, GHz", "change", "unit"];
    let heads = heads.map(String::from).to_vec();
    let grid = Grid { title: "Headline numbers".into(), heads, rows };
    Section {
        key: "your_set_up".into(),
        title: format!("In your set-up: {}", around.name),
        text: format!(
            "Levels and losses are counted at the outer ends of your parts. The column of the bare model is what its maker \
             tells for his own plan and {}; worst values over a band may stand at different frequencies.",
            model.terminations
        ),
        items: vec![Item::Figure(Figure::Grid(grid))],
    }
}

/// What the model sees at its connectors.
fn seen(model: &Model, around: &Around, network: &Surrounded) -> Result<Section, ProjectError> {
    let top = 3.2 * around.plan.plan.lo_hz;
    let mut loci = Vec::new();
    for (port, _) in PORTS {
        if around.surroundings.chain(port).parts.is_empty() && around.surroundings.chain(port).end_ohm.is_none() {
            continue;
        }
        let points = (1..=LOOKED_AT)
            .map(|i| {
                let f = top * i as f64 / LOOKED_AT as f64;
                Ok((f, network.reflection(port, f).map_err(handover::HandoverError::from)?))
            })
            .collect::<Result<_, ProjectError>>()?;
        loci.push(Locus { name: format!("at {}", port.label()), points });
    }
    let reference_ohm = network::FrequencyResponse::reference_ohm(&*model.network)[handover::PORTS.rf];
    let items = if loci.is_empty() {
        Vec::new()
    } else {
        vec![Item::Smith(SmithPlot { title: "Your parts as the model sees them".into(), reference_ohm, loci })]
    };
    let text = format!(
        "Reflection of what stands at each connector, from {:.2} to {:.1} GHz.",
        top / LOOKED_AT as f64 / 1e9,
        top / 1e9
    );
    Ok(Section { key: "your_parts".into(), title: "Your parts".into(), text, items })
}

/// LO orders of the study of the LO source.
const LO_ORDER: usize = 24;

/// What harmonics and noise of the LO source do, at the middle of the band.
fn lo_section(model: &Model, around: &Around, mixer: &Mixer) -> Result<Section, ProjectError> {
    let plan = &around.plan.plan;
    let lo = Lo { hz: plan.lo_hz, dbm: plan.lo_dbm };
    let rf_hz = plan.rf_centre_hz();
    let wave = handover::point::wave_of_dbm(lo.dbm);
    let harmonics: Vec<(u32, Complex64)> = around
        .lo
        .harmonics
        .iter()
        .map(|&(n, dbc, phase)| (n, wave * Complex64::from_polar(10f64.powf(dbc / 20.0), phase)))
        .collect();
    let numbers = |harmonics: &[(u32, Complex64)]| -> Result<[f64; 5], ProjectError> {
        let p = pump(mixer, lo, harmonics, LO_ORDER, None)?;
        let s = p.state.conversion(rf_hz).and_then(|c| c.scattered(&[(mixer.ports.rf, RF)]))?;
        let out = |port: usize| p.steady.power_out_w(port, &[1]).map_or(f64::NAN, |w| 10.0 * (w / 1e-3).log10());
        let gamma =
            p.steady.wave_out(mixer.ports.lo, &[1]).unwrap_or_default() / p.steady.wave_in(mixer.ports.lo, &[1]);
        Ok([
            -20.0 * s[0].at(mixer.ports.if_, IF).norm().log10(),
            lo.dbm - out(mixer.ports.rf),
            lo.dbm - out(mixer.ports.if_),
            p.steady.port_voltage(mixer.ports.if_, &[0]).map_or(f64::NAN, |v| v.re * 1e3),
            -20.0 * gamma.norm().log10(),
        ])
    };
    let (clean, own) = (numbers(&[])?, numbers(&harmonics)?);
    let names = [
        ("Conversion loss", "dB"),
        ("Isolation LO-RF", "dB"),
        ("Isolation LO-IF", "dB"),
        ("DC offset at IF", "mV"),
        ("Return loss LO", "dB"),
    ];
    let rows = names
        .iter()
        .zip(clean.iter().zip(&own))
        .map(|((name, unit), (c, o))| {
            vec![(*name).into(), format!("{o:.3}"), format!("{c:.3}"), format!("{:+.3}", o - c), (*unit).into()]
        })
        .collect();
    let heads = ["number", "with your LO", "clean LO", "change", "unit"].map(String::from).to_vec();
    let mut items = vec![Item::Figure(Figure::Grid(Grid { title: "Harmonics of your LO".into(), heads, rows }))];
    if let Some(noise) = around.lo.am_noise_dbc_per_hz.filter(|_| !model.terms.noise_withheld) {
        items.push(Item::Figure(Figure::Grid(lo_noise(around, mixer, lo, rf_hz, noise)?)));
    }
    Ok(Section {
        key: "your_lo".into(),
        title: "Your LO source".into(),
        text: format!(
            "At RF {:.3} GHz, small signal. All other sections of this report hold for a clean LO; add the changes of this \
             table to them.",
            rf_hz / 1e9
        ),
        items,
    })
}

/// Amplitude noise of the LO at the IF, against the mixer's own.
fn lo_noise(around: &Around, mixer: &Mixer, lo: Lo, rf_hz: f64, dbc_per_hz: f64) -> Result<Grid, ProjectError> {
    let p = pump(mixer, lo, &[], LO_ORDER, None)?;
    let conversion = p.state.conversion(rf_hz)?;
    let ports = mixer.ports;
    // equal sidebands at LO ± IF with the carrier's phase, half of the noise power each
    let s = conversion.scattered(&[(ports.lo, 0), (ports.lo, -2), (ports.rf, RF)])?;
    let rejection = (s[0].at(ports.if_, IF) + s[1].at(ports.if_, IF)).norm_sqr() / 2.0;
    let settings =
        balance::NoiseSettings { network_temp_k: around.temp_k, port_temp_k: 290.0, shot: balance::ShotLaw::Device };
    let budget = balance::noise_at(&conversion, ports.if_, IF, &settings)?;
    let own = budget.total_w_per_hz();
    let added = 1e-3 * 10f64.powf((lo.dbm + dbc_per_hz) / 10.0) * rejection;
    let figure =
        |w: f64| 10.0 * (w / (quantity::constants::BOLTZMANN_J_PER_K * 290.0 * budget.gain_from(ports.rf, RF))).log10();
    let rows = vec![
        vec!["LO amplitude-noise rejection".into(), format!("{:.2}", -10.0 * rejection.log10()), "dB".into()],
        vec!["noise figure SSB, clean LO".into(), format!("{:.2}", figure(own)), "dB".into()],
        vec![
            format!("noise figure SSB, LO at {dbc_per_hz} dBc/Hz"),
            format!("{:.2}", figure(own + added)),
            "dB".into(),
        ],
    ];
    Ok(Grid {
        title: "Amplitude noise of your LO".into(),
        heads: ["number", "value", "unit"].map(String::from).to_vec(),
        rows,
    })
}
