//! The bench record as a file: one TOML text a session, with units in the text, naming its tables and network data.
//!
//! Every key is described in `docs/measurements.md`; a test compares that page with the keys asked for here.

use crate::design::DesignError;
use crate::design::ProblemKind;
use crate::design::tree::{Rule, Sink, Table};
use crate::error::{NetworkFileError, ProjectError};
use measurement::analyser::Residuals;
use measurement::{Detector, Floor, Leakage, Measured, Pad, Session, Uncertainty};
use network::touchstone::{self, ReadSettings};
use quantity::{CarrierRatio, Frequency, Level, PowerRatio, Ratio, Temperature, Voltage};
use spec::{Conditions, Measure, PortName};
use std::path::{Path, PathBuf};
use toml::de::DeTable;

/// Version of the file.
const FORMAT: usize = 1;

/// Groups of measures for uncertainties, as in [`Uncertainty::group`].
const GROUPS: [&str; 7] = ["loss", "return_loss", "isolation", "product", "direct", "level", "noise_figure"];

const PORTS: [(&str, PortName); 3] = [("lo", PortName::Lo), ("rf", PortName::Rf), ("if", PortName::If)];

/// Network data named by a session.
#[derive(Debug, Clone, PartialEq)]
struct NetworkData {
    unit: String,
    file: String,
    ports: Vec<PortName>,
    rf_band_hz: (f64, f64),
    lenient: bool,
}

/// What a session file says.
#[derive(Debug, Clone, PartialEq)]
struct SessionFile {
    session: Session,
    tables: Vec<String>,
    networks: Vec<NetworkData>,
}

/// Reads a session with its tables and network data, which lie beside it.
///
/// # Errors
/// All problems of the record, or the first of its tables and data, each with its place.
pub fn read(path: &Path) -> Result<(Session, Vec<Measured>), ProjectError> {
    let text = read_text(path)?;
    let file = parse(&path.display().to_string(), &text)?;
    let folder = path.parent().unwrap_or(Path::new(""));
    let mut measured = Vec::new();
    for name in &file.tables {
        let table = folder.join(name);
        measured.extend(measurement::table::read(name, &read_text(&table)?, &file.session)?);
    }
    for data in &file.networks {
        measured.extend(read_network(&folder.join(&data.file), data, &file.session)?);
    }
    measurement::table::refuse_repeated(&measured)?;
    Ok((file.session, measured))
}

fn read_text(path: &Path) -> Result<String, ProjectError> {
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    String::from_utf8(bytes).map_err(|error| ProjectError::Io {
        what: "read",
        path: PathBuf::from(path),
        source: std::io::Error::new(std::io::ErrorKind::InvalidData, error),
    })
}

fn read_network(path: &Path, data: &NetworkData, session: &Session) -> Result<Vec<Measured>, ProjectError> {
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    let settings = if data.lenient { ReadSettings::lenient(&data.file) } else { ReadSettings::strict(&data.file) };
    let content = touchstone::read(&bytes, &settings).map_err(|error| NetworkFileError::new(error, &bytes))?;
    let network = content.to_network().map_err(|source| ProjectError::Network { place: data.file.clone(), source })?;
    Ok(measurement::from_network(&data.file, &network, session, &data.unit, &data.ports, data.rf_band_hz)?)
}

fn parse(file: &str, text: &str) -> Result<SessionFile, DesignError> {
    let sink = Sink::default();
    let (document, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        let message = error.message().replace('\n', ", ");
        let help = "correct the TOML text; values with units stand in quotes";
        sink.push(ProblemKind::Syntax, error.span().unwrap_or(0..0), message, help);
    }
    let read = if errors.is_empty() { read_root(Table::new(document.get_ref(), 0..0, "", &sink)) } else { None };
    match read {
        Some(read) if sink.is_empty() => Ok(read),
        _ => Err(DesignError { file: file.into(), source_text: text.into(), problems: sink.into_problems() }),
    }
}

fn read_root(root: Table<'_>) -> Option<SessionFile> {
    root.count("format", FORMAT..=FORMAT);
    if !root.has("format") {
        let help = format!("write `format = {FORMAT}` on the first line");
        root.sink().push(ProblemKind::MissingKey, 0..0, "the file has no `format`".into(), help);
    }
    let name = root.required_text("session", "name the session, for example `session = \"A-1\"`");
    let date = root.required_text("date", "write the day, for example `date = \"2031-04-17\"`");
    if let Some(date) = date.as_ref().filter(|d| !is_day(&d.value)) {
        let message = format!("`{}` is not a day", date.value);
        root.sink().push(
            ProblemKind::ImpossibleValue,
            date.span.clone(),
            message,
            "write year, month and day: `2031-04-17`",
        );
    }
    let lot = root.required_text("lot", "name the lot of the units");
    let plain = |key: &str| root.text(key).map(|t| t.value).unwrap_or_default();
    let (lab, foundry, reel) = (plain("lab"), plain("foundry"), plain("reel"));
    let texts = |key: &str| -> Vec<String> {
        root.texts(key).map(|t| t.value.into_iter().map(|t| t.value).collect()).unwrap_or_default()
    };
    let (tables, calibration) = (texts("tables"), texts("calibration"));
    let networks = root.tables("network").into_iter().filter_map(read_network_data).collect::<Vec<_>>();
    if tables.is_empty() && networks.is_empty() {
        let help = "write `tables = [\"a-1.csv\"]` or a `[[network]]` entry";
        root.sink().push(ProblemKind::MissingKey, 0..0, "the session names no data".into(), help);
    }
    let conditions = root.required_table("conditions", "state LO, levels and temperature under `[conditions]`");
    let (conditions, temp_within_k) = conditions.and_then(read_conditions).unzip();
    let pads = root.tables("pad").into_iter().filter_map(read_pad).collect();
    let leakage = root.tables("leakage").into_iter().filter_map(read_leakage).collect();
    let floor = root.table("floor").and_then(read_floor);
    let residuals = root.table("residuals").and_then(read_residuals);
    let lo_second_harmonic_dbc = root.quantity::<CarrierRatio>("lo_second_harmonic", Rule::Any).map(|q| q.value.dbc());
    let uncertainty = root.table("uncertainty").map(read_uncertainty).unwrap_or_default();
    root.finish();
    let session = Session {
        name: name?.value,
        date: date?.value,
        lab,
        lot: lot?.value,
        foundry,
        reel,
        conditions: conditions?,
        temp_within_k: temp_within_k?,
        lo_second_harmonic_dbc,
        pads,
        floor,
        leakage,
        residuals,
        uncertainty,
        calibration,
    };
    Some(SessionFile { session, tables, networks })
}

/// Four, two and two digits.
fn is_day(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let digits = |t: &str, n: usize| t.len() == n && t.bytes().all(|b| b.is_ascii_digit());
    let within = |t: &str, high: u32| t.parse::<u32>().is_ok_and(|x| (1..=high).contains(&x));
    matches!(parts[..], [y, m, d] if digits(y, 4) && digits(m, 2) && digits(d, 2) && within(m, 12) && within(d, 31))
}

fn read_conditions(t: Table<'_>) -> Option<(Conditions, f64)> {
    let lo = t.required::<Frequency>("lo", Rule::Positive);
    let lo_level = t.required::<Level>("lo_level", Rule::Any);
    let signal = t.quantity::<Level>("signal_level", Rule::Any);
    let temperature = t.required::<Temperature>("temperature", Rule::Positive);
    let within = t.quantity::<Temperature>("temperature_within", Rule::NotNegative);
    let terminations = t.text("terminations").map(|t| t.value).unwrap_or_default();
    t.finish();
    let conditions = Conditions {
        lo_hz: lo?.value.si(),
        lo_dbm: lo_level?.value.dbm(),
        signal_dbm: signal.map(|s| s.value.dbm()),
        temp_k: temperature?.value.si(),
        terminations,
        ..Conditions::default()
    };
    Some((conditions, within.map_or(0.0, |w| w.value.si())))
}

fn port(t: &Table<'_>, key: &str) -> Option<PortName> {
    if !t.has(key) {
        let message = format!("the entry has no `{key}`");
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), message, "write `\"lo\"`, `\"rf\"` or `\"if\"`");
    }
    t.word(key, &PORTS).map(|w| w.value)
}

fn read_pad(t: Table<'_>) -> Option<Pad> {
    let port = port(&t, "port");
    let loss = t.required::<PowerRatio>("loss", Rule::NotNegative);
    let removed = t.flag("removed");
    if !t.has("removed") {
        let help = "`removed = true` when the numbers already have it taken off, `false` when they have not";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), "the pad has no `removed`".into(), help);
    }
    t.finish();
    Some(Pad { port: port?, loss_db: loss?.value.db(), removed: removed? })
}

fn read_leakage(t: Table<'_>) -> Option<Leakage> {
    let (from, to) = (port(&t, "from"), port(&t, "to"));
    let level = t.required::<PowerRatio>("level", Rule::Any);
    t.finish();
    Some(Leakage { from: from?, to: to?, level_db: level?.value.db() })
}

fn read_floor(t: Table<'_>) -> Option<Floor> {
    let level = t.required::<Level>("level", Rule::Any);
    let bandwidth = t.required::<Frequency>("bandwidth", Rule::Positive);
    let detector = t.word("detector", &[("power", Detector::Power), ("log", Detector::Log)]);
    t.finish();
    let detector = detector.map_or(Detector::Power, |d| d.value);
    Some(Floor { level_dbm: level?.value.dbm(), bandwidth_hz: bandwidth?.value.si(), detector })
}

fn read_residuals(t: Table<'_>) -> Option<Residuals> {
    let amplitude = |q: PowerRatio| 10f64.powf(q.db() / 20.0);
    let directivity = t.required::<PowerRatio>("directivity", Rule::Any);
    let source_match = t.required::<PowerRatio>("source_match", Rule::Any);
    let tracking = t.required::<Ratio>("tracking", Rule::NotNegative);
    t.finish();
    Some(Residuals {
        directivity: amplitude(directivity?.value),
        tracking: tracking?.value.fraction(),
        source_match: amplitude(source_match?.value),
    })
}

/// Standard uncertainties by name; `_near_floor` behind a name makes it that of numbers near the floor.
fn read_uncertainty(t: Table<'_>) -> Uncertainty {
    let mut out = Uncertainty::default();
    let measures = Measure::plain();
    let names = GROUPS.iter().map(|g| (*g).to_string()).chain(measures.iter().map(|m| m.key()));
    for name in names {
        for (suffix, near) in [("", false), ("_near_floor", true)] {
            let key = format!("{name}{suffix}");
            if !t.has(&key) {
                continue;
            }
            if let Some(value) = standard_uncertainty(&t, &key, &name, &measures) {
                if near { &mut out.near_floor } else { &mut out.by_name }.insert(name.clone(), value);
            }
        }
    }
    t.finish();
    out
}

fn standard_uncertainty(t: &Table<'_>, key: &str, name: &str, measures: &[Measure]) -> Option<f64> {
    let group = measures.iter().find(|m| m.key() == name).map_or(name, |m| Uncertainty::group(*m));
    if group == "direct" {
        t.quantity::<Voltage>(key, Rule::NotNegative).map(|q| q.value.si() * 1e3)
    } else {
        t.quantity::<PowerRatio>(key, Rule::NotNegative).map(|q| q.value.db())
    }
}

fn read_network_data(t: Table<'_>) -> Option<NetworkData> {
    let unit = t.required_text("unit", "name the unit");
    let file = t.required_text("file", "name the network data file");
    let band = t.required_band::<Frequency>("rf_band", Rule::Positive);
    let lenient = t.flag("lenient").unwrap_or(false);
    let ports = t.texts("ports").map(|list| {
        let all: Option<Vec<PortName>> =
            list.value.iter().map(|p| PORTS.iter().find(|(name, _)| *name == p.value).map(|(_, port)| *port)).collect();
        all.unwrap_or_else(|| {
            let message = "`ports` names something else than `lo`, `rf`, `if`".to_string();
            t.sink().push(
                ProblemKind::UnknownWord,
                list.span.clone(),
                message,
                "name each port of the data in its order",
            );
            Vec::new()
        })
    });
    if !t.has("ports") {
        let help = "write `ports = [\"rf\", \"lo\"]` in the order of the data";
        t.sink().push(ProblemKind::MissingKey, t.span.clone(), "the network data have no `ports`".into(), help);
    }
    t.finish();
    let band = band?.value;
    Some(NetworkData {
        unit: unit?.value,
        file: file?.value,
        ports: ports?,
        rf_band_hz: (band.0.si(), band.1.si()),
        lenient,
    })
}
