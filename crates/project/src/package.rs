//! A design becomes a model package; a package is opened, verified and shown to reproduce its numbers.
//!
//! Input: a design and what its maker wants to tell or keep, or the path of a package. Output: files, and what was found
//! in plain words.
//! The package itself is described in `docs/model-package.md`.

use crate::build::assemble;
use crate::design::{CircuitText, Design, Direction, PartKind, Seat};
use crate::error::ProjectError;
use crate::{field, files, heat, network_file, review, seal};
use diode::Device;
use handover::provenance::Link;
use handover::seal::{MakerKey, TrustedKey};
use handover::{Challenge, HandoverError, Model, ModelPlan, Opened, OutsidePolicy, Reference, challenge};
use mixer::Mixer;
use numerics::Watch;
use quantity::Finding;
use spec::{Item, Measure, Reading, Review};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Program named in the provenance.
const PROGRAM: &str = concat!("mixwright ", env!("CARGO_PKG_VERSION"));
/// Seed of the challenge set unless another is asked for.
pub const SEED: u64 = 20_260_101;

/// What the maker tells, keeps and vouches for.
#[derive(Debug, Clone, PartialEq)]
pub struct PackOptions {
    /// Name of the maker; signs the package with a key file of plain digits.
    pub maker: String,
    /// Revision.
    pub revision: String,
    /// Temperatures vouched for, kelvin; none for that of the design alone.
    pub temp_k: Option<(f64, f64)>,
    /// Highest input level vouched for, dBm; none for the default of the model.
    pub signal_dbm_max: Option<f64>,
    /// Largest reflection vouched for.
    pub reflection_max: f64,
    /// Questions outside the region are refused instead of flagged.
    pub refuse_outside: bool,
    /// Diodes are called D1, D2, … whatever their names in the design.
    pub hide_names: bool,
    /// Requirements and their verdicts stay at home.
    pub hide_requirements: bool,
    /// No noise can be computed.
    pub withhold_noise: bool,
    /// Shown on every page made from the model.
    pub watermark: Option<String>,
    /// Day after which the user is told that the model is old.
    pub expires: Option<String>,
    /// What he is told.
    pub expiry_text: Option<String>,
    /// Files of measured units whose hashes enter the provenance.
    pub measured: Vec<PathBuf>,
    /// Operating points of the challenge set.
    pub challenge_points: usize,
    /// Seed of the challenge set.
    pub seed: u64,
}

impl Default for PackOptions {
    fn default() -> Self {
        Self {
            maker: String::new(),
            revision: "1".into(),
            temp_k: None,
            signal_dbm_max: None,
            reflection_max: 1.0,
            refuse_outside: false,
            hide_names: false,
            hide_requirements: false,
            withhold_noise: false,
            watermark: None,
            expires: None,
            expiry_text: None,
            measured: Vec::new(),
            challenge_points: 24,
            seed: SEED,
        }
    }
}

/// A package ready to be written.
#[derive(Debug, Clone)]
pub struct Packed {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// The package opened again from these bytes.
    pub opened: Opened,
    /// How well it reproduces its numbers.
    pub reproduction: Reproduction,
}

/// How well a model gives the numbers it came with.
#[derive(Debug, Clone, PartialEq)]
pub struct Reproduction {
    /// Numbers compared.
    pub compared: usize,
    /// Largest difference and the number it belongs to.
    pub worst: Option<(f64, String)>,
    /// Numbers that could not be found again.
    pub missing: Vec<String>,
}

/// Difference up to which a number counts as reproduced, in its own unit (dB, dBc, dBm, mV).
pub const REPRODUCED_WITHIN: f64 = 1e-6;

impl Reproduction {
    /// True when everything came back.
    pub fn is_good(&self) -> bool {
        self.missing.is_empty() && self.worst.as_ref().is_none_or(|(w, _)| *w <= REPRODUCED_WITHIN)
    }

    /// One sentence for people.
    pub fn words(&self) -> String {
        let mut text = match &self.worst {
            Some((worst, name)) => format!(
                "{} of its numbers were computed again from the package; the largest difference is {worst:.1e} ({name})",
                self.compared
            ),
            None => "the package holds no numbers to compare with".into(),
        };
        if !self.missing.is_empty() {
            text.push_str(&format!("; not found again: {}", self.missing.join(", ")));
        }
        text
    }
}

/// Packs a design: review, model, challenge set, package, and the same review again from the package.
///
/// # Errors
/// A design that cannot be reviewed, options that make no sense, or the wish of `watch` to stop.
pub fn pack(
    design: &Design,
    options: &PackOptions,
    key: Option<&MakerKey>,
    watch: &dyn Watch,
) -> Result<Packed, ProjectError> {
    if let Some(day) = &options.expires {
        check_day(day)?;
    }
    let origin = origin(design, options)?;
    let reviewed = review::run(design, watch)?;
    field::solution::prepare(design, watch)?;
    let (mut mixer, diodes) = (design.mixer()?, assemble(design, None)?.diodes);
    let ambient_k = design.temperature.si();
    let rise_k: Vec<f64> =
        heat::settle(&mut mixer, design, &diodes, watch)?.into_iter().map(|t| t - ambient_k).collect();
    let plans = uses(design);
    let mut model = Model::take(&mixer, &diodes, &rise_k, &plans, &breaks_hz(design)?, watch)?;
    tell(&mut model, &reviewed, options)?;
    let design_at = |temp_k: f64| -> Result<Mixer, HandoverError> {
        let devices = diodes
            .iter()
            .zip(&rise_k)
            .map(|(d, rise)| Ok(Arc::new(d.at_temperature(temp_k + rise)?) as Arc<dyn Device>))
            .collect::<Result<_, HandoverError>>()?;
        Ok(Mixer { devices, temp_k, ..mixer.clone() })
    };
    model.challenge = Some(challenge(&model, &design_at, options.seed, options.challenge_points, watch)?);
    keep(&mut model, options);
    let bytes = handover::pack(&model, &origin, PROGRAM, key)?;
    let opened = handover::open(&bytes, None)?;
    let reproduction = reproduce(&opened.model, watch)?;
    Ok(Packed { bytes, opened, reproduction })
}

/// The uses of a design with the names of their seats.
pub(crate) fn uses(design: &Design) -> Vec<ModelPlan> {
    let names = |seats: &[&Seat], wanted: &dyn Fn(&Seat) -> bool| {
        let names: Vec<&str> = seats.iter().filter(|s| wanted(s)).map(|s| s.name.as_str()).collect();
        names.join(" and ")
    };
    let of = |(seats, plan): (Vec<&Seat>, mixer::Plan)| ModelPlan {
        name: names(&seats, &|_| true),
        down: names(&seats, &|s| s.direction == Direction::Down),
        up: names(&seats, &|s| s.direction == Direction::Up),
        plan,
    };
    design.plans().into_iter().map(of).collect()
}

fn invalid(expected: &str, found: impl Into<String>, place: &str) -> ProjectError {
    ProjectError::Handover(HandoverError::mismatch(expected, found, place))
}

/// A day that exists, `YYYY-MM-DD`.
fn check_day(day: &str) -> Result<(), ProjectError> {
    let parts: Vec<u32> = day.split('-').filter_map(|p| p.parse().ok()).collect();
    let lengths = [31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    let sound = day.len() == 10
        && matches!(parts[..], [_, m, d] if (1..=12).contains(&m) && d >= 1 && d <= lengths[m as usize - 1]);
    if sound { Ok(()) } else { Err(invalid("a day such as 2027-03-31", format!("`{day}`"), "the expiry notice")) }
}

/// The design and what it was made from, as hashes only.
fn origin(design: &Design, options: &PackOptions) -> Result<Vec<Link>, ProjectError> {
    let mut links = vec![Link::to("design", "design file", design.source_text.as_bytes())];
    let mut data = blake3::Hasher::new();
    let mut n_files = 0;
    for (file, _) in blocks(design) {
        let path = design.folder.join(file);
        data.update(&std::fs::read(&path).map_err(ProjectError::io("read", &path))?);
        n_files += 1;
    }
    let label = match n_files {
        0 => "no field data: the passive circuit is made of parts and lines".to_string(),
        n => format!("{n} file{} of network data", if n == 1 { "" } else { "s" }),
    };
    links.push(Link { key: "field-data".into(), label, blake3: data.finalize().to_hex().to_string() });
    for (i, path) in options.measured.iter().enumerate() {
        let content = std::fs::read(path).map_err(ProjectError::io("read", path))?;
        links.push(Link::to(&format!("measured-units-{}", i + 1), "measured units", &content));
    }
    Ok(links)
}

/// Network data files of the circuit and whether they are read leniently.
fn blocks(design: &Design) -> Vec<(&str, bool)> {
    let CircuitText::Free(free) = &design.circuit else { return Vec::new() };
    free.parts
        .iter()
        .filter_map(|p| match &p.kind {
            PartKind::Block { file, lenient, .. } => Some((file.as_str(), *lenient)),
            _ => None,
        })
        .collect()
}

/// Frequencies at which the circuit is not smooth: the samples of its network data and the ends of their continuation.
pub(crate) fn breaks_hz(design: &Design) -> Result<Vec<f64>, ProjectError> {
    let mut breaks = Vec::new();
    for (file, lenient) in blocks(design) {
        let (network, _) = network_file::read(&design.folder.join(file), lenient)?;
        breaks.extend_from_slice(network.freq_hz());
        let last = network.freq_hz().last().copied().unwrap_or(0.0);
        breaks.push(1.1 * last); // the passage to the continuation ends a tenth above
    }
    Ok(breaks)
}

/// What the maker vouches for and tells.
fn tell(model: &mut Model, reviewed: &Review, options: &PackOptions) -> Result<(), ProjectError> {
    model.maker.clone_from(&options.maker);
    model.revision.clone_from(&options.revision);
    if let Some((low, high)) = options.temp_k {
        if !(low > 0.0 && low <= high && low <= model.temp_k && high >= model.temp_k) {
            let found = format!("{low} K to {high} K");
            return Err(invalid("temperatures that include that of the design", found, "the validity region"));
        }
        model.region.temp_k = (low, high);
    }
    if let Some(level) = options.signal_dbm_max {
        model.region.signal_dbm_max = level;
    }
    if !(options.reflection_max >= 0.0 && options.reflection_max <= 1.0) {
        return Err(invalid("a reflection of 0 to 1", options.reflection_max.to_string(), "the validity region"));
    }
    model.region.reflection_max = options.reflection_max;
    model.region.policy = if options.refuse_outside { OutsidePolicy::Refuse } else { OutsidePolicy::Flag };
    model.reference = Reference { readings: reference_readings(reviewed), verdicts: reviewed.verdicts.clone() };
    model.findings.clone_from(&reviewed.findings);
    Ok(())
}

/// Headline numbers and every table and spur grid of the review, each once.
fn reference_readings(review: &Review) -> Vec<Reading> {
    let mut out: Vec<Reading> = review.summary.clone();
    for item in review.sections.iter().flat_map(|s| &s.items) {
        match item {
            Item::Table(t) => out.extend(t.readings.iter().cloned()),
            Item::Spurs(g) => out.extend(g.entries.iter().map(|e| e.reading.clone())),
            _ => {}
        }
    }
    let mut seen = Vec::new();
    out.retain(|r| {
        let new = r.value.is_finite() && !seen.contains(&(r.measure, r.conditions.clone(), r.quality.method));
        seen.push((r.measure, r.conditions.clone(), r.quality.method));
        new
    });
    out
}

/// Takes away what the maker keeps.
fn keep(model: &mut Model, options: &PackOptions) {
    model.terms.noise_withheld = options.withhold_noise;
    model.terms.watermark.clone_from(&options.watermark);
    model.terms.expires.clone_from(&options.expires);
    model.terms.expiry_text.clone_from(&options.expiry_text);
    if options.withhold_noise {
        model.reference.readings.retain(|r| !is_noise(r.measure));
        model.reference.verdicts.retain(|v| v.limit.measure.is_none_or(|m| !is_noise(m)));
        model.plans.iter_mut().for_each(|p| p.plan.limits.retain(|l| l.measure.is_none_or(|m| !is_noise(m))));
    }
    if options.hide_requirements {
        model.reference.verdicts.clear();
        model.plans.iter_mut().for_each(|p| p.plan.limits.clear());
    }
    // remarks name nodes, parts and files of the design: only those on the numbers themselves travel
    let telling = ["RF at", "IF at", "verdicts", "outside"];
    model.findings.retain(|f| telling.iter().any(|t| f.place.starts_with(t)));
    if options.hide_names {
        for (i, d) in model.diodes.iter_mut().enumerate() {
            d.name = format!("D{}", i + 1);
        }
    }
}

fn is_noise(measure: Measure) -> bool {
    matches!(measure, Measure::NoiseFigureSsb | Measure::NoiseFigureDsb | Measure::LoNoiseRejection)
}

/// The whole review of a model at its reference terminations, as the maker's own.
///
/// # Errors
/// A steady state that cannot be found, a plan outside the region when the maker chose to refuse, or the wish of `watch`
/// to stop.
pub fn review_model(
    model: &Model,
    mixer: &Mixer,
    plans: &[ModelPlan],
    watch: &dyn Watch,
) -> Result<Review, ProjectError> {
    let mut whole: Option<Review> = None;
    for ModelPlan { name, plan, .. } in plans {
        let flagged = model.check(plan)?;
        let mut one = mixer::review(mixer, plan, watch)?;
        one.findings.extend(flagged);
        match &mut whole {
            None => whole = Some(one),
            Some(first) => review::append(first, one, name),
        }
    }
    let mut review = whole.ok_or_else(|| invalid("at least one plan", "none", "the model"))?;
    if model.terms.noise_withheld {
        withhold_noise(&mut review);
    }
    review.findings.extend(notices(model));
    if let Some(text) = &model.terms.watermark {
        review.about = format!("{text}\n\n{}", review.about);
    }
    Ok(review)
}

fn withhold_noise(review: &mut Review) {
    review.summary.retain(|r| !is_noise(r.measure));
    review.sections.retain(|s| !s.key.starts_with("noise"));
    for section in &mut review.sections {
        for item in &mut section.items {
            match item {
                Item::Table(t) => t.readings.retain(|r| !is_noise(r.measure)),
                Item::Curves(p) => p.curves.retain(|c| c.points.iter().all(|(_, r)| !is_noise(r.measure))),
                _ => {}
            }
        }
    }
    review.findings.push(Finding::note("noise", "withheld by the maker of the model"));
}

/// What the maker has to say today.
pub fn notices(model: &Model) -> Vec<Finding> {
    let mut out = Vec::new();
    if let Some(day) = &model.terms.expires
        && seal::today() > *day
    {
        let text = model.terms.expiry_text.as_deref().unwrap_or("ask the maker for a later one");
        out.push(Finding::warning(
            "expiry notice",
            format!("this model was meant for use up to {day}: {text}; it still works"),
        ));
    }
    out
}

/// Computes the numbers of a package again and compares.
///
/// # Errors
/// As [`review_model`].
pub fn reproduce(model: &Model, watch: &dyn Watch) -> Result<Reproduction, ProjectError> {
    let again = review_model(model, &model.mixer()?, &model.plans, watch)?;
    let found = reference_readings(&again);
    let mut out = Reproduction { compared: 0, worst: None, missing: Vec::new() };
    for told in &model.reference.readings {
        let same =
            |r: &&Reading| (r.measure, place(r), r.quality.method) == (told.measure, place(told), told.quality.method);
        // of equal worst values another may be the worst this time
        let equal = |r: &&Reading| {
            (r.measure, r.quality.method) == (told.measure, told.quality.method)
                && (r.value - told.value).abs() <= REPRODUCED_WITHIN
        };
        let Some(new) = found.iter().find(same).or_else(|| found.iter().find(equal)) else {
            out.missing.push(told.measure.label());
            continue;
        };
        // two bounds, or two levels of nothing but rounding, are the same whatever their digits
        let alike = told.quality.is_bound && new.quality.is_bound || is_nothing(told) && is_nothing(new);
        let difference = if alike { 0.0 } else { (new.value - told.value).abs() };
        out.compared += 1;
        if out.worst.as_ref().is_none_or(|(w, _)| difference.is_nan() || difference > *w) {
            out.worst = Some((difference, told.measure.label()));
        }
    }
    Ok(out)
}

/// Level below which nothing but rounding is left, as in a perfectly symmetric mixer, dBm or dBc.
const NOTHING_DB: f64 = -200.0;

fn is_nothing(r: &Reading) -> bool {
    match r.measure {
        Measure::Isolation { .. } => r.value > -NOTHING_DB,
        _ => r.measure.unit().starts_with("dB") && r.value < NOTHING_DB,
    }
}

/// Conditions under which a reading is found again: the compression point is itself a level.
fn place(r: &Reading) -> spec::Conditions {
    let own_level = r.measure == spec::Measure::InputP1db;
    let signal_dbm = if own_level { None } else { r.conditions.signal_dbm };
    spec::Conditions { signal_dbm, ..r.conditions.clone() }
}

/// Reads and verifies a package.
///
/// # Errors
/// A file that cannot be read, a package that was changed, a key that cannot be used.
pub fn open(path: &Path, trusted: Option<&Path>) -> Result<Opened, ProjectError> {
    let trusted = trusted
        .map(|p| Ok::<_, ProjectError>(TrustedKey::parse(&text_of(p)?, &p.display().to_string())?))
        .transpose()?;
    let too_long = std::fs::metadata(path).map_err(ProjectError::io("read", path))?.len();
    if too_long > handover::container::LARGEST_BYTES as u64 {
        return Err(HandoverError::package(
            format!("it is {too_long} bytes long"),
            "check that this is the right file",
        )
        .into());
    }
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    Ok(handover::open(&bytes, trusted.as_ref())?)
}

fn text_of(path: &Path) -> Result<String, ProjectError> {
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// Reads a private key.
///
/// # Errors
/// A file that cannot be read or is no private key.
pub fn read_key(path: &Path, maker: &str) -> Result<MakerKey, ProjectError> {
    let key = MakerKey::parse(&text_of(path)?, &path.display().to_string(), maker)?;
    Ok(key)
}

/// Makes a pair of keys from the randomness of the operating system: the private one at `path`, readable by its owner
/// only, the public one beside it. Existing files are not touched. Gives the path of the public key.
///
/// # Errors
/// Files that exist or cannot be written.
pub fn new_key(path: &Path, maker: &str) -> Result<PathBuf, ProjectError> {
    use std::io::Read;
    if maker.trim().is_empty() {
        return Err(invalid("the name you sign under (--maker)", "none", "the new key"));
    }
    let source = Path::new("/dev/urandom");
    let mut secret = [0u8; 32];
    let mut random = std::fs::File::open(source).map_err(ProjectError::io("find randomness in", source))?;
    random.read_exact(&mut secret).map_err(ProjectError::io("read", source))?;
    let key = MakerKey::from_random(secret, maker);
    let public = path.with_extension("pub");
    if public.exists() {
        let error = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
        return Err(ProjectError::io("make the key file", &public)(error));
    }
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(path).map_err(ProjectError::io("make the key file", path))?;
    file.write_all(key.private_text().as_bytes()).map_err(ProjectError::io("write", path))?;
    files::write_whole(&public, key.public_text().as_bytes())?;
    Ok(public)
}

/// The challenge set in one sentence.
pub fn challenge_words(c: &Challenge) -> String {
    let worst: Vec<String> = c.worst.iter().map(|(kind, unit, w)| format!("{kind} {w:.1e} {unit}")).collect();
    format!(
        "compared with the design at {} operating points drawn with seed {} ({}); largest differences: {}",
        c.points,
        c.seed,
        c.text,
        worst.join(", ")
    )
}
