//! Tables of the bench: comma-separated text with units in the header.
//!
//! Input: text of a file and its bench record. Output: [`Measured`] values.
//! Layout: one row a unit and frequency. Heads are a name and a unit in brackets, `rf (GHz)`,
//! `conversion_loss (dB)`; a column `unit` without a bracket names the unit under test, `lot` overrides the lot of the
//! record. `rf`, `lo`, `lo_level`, `signal_level`, `temperature` override the conditions of the record, `floor` places
//! the floor of the analyser against the wanted product. All other heads are keys of measures. An empty cell was not
//! measured; `<-95` and `>60` are bounds. Lines that begin with `#` are remarks.

use crate::correct::{Raw, corrected};
use crate::{Measured, MeasurementError, Place, Session};
use quantity::{
    CarrierRatio, Current, Frequency, Level, LevelSlope, PowerRatio, Quantity, Temperature, Voltage, VoltagePerAngle,
};
use spec::{Bound, Conditions, Measure, Sideband};

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Column {
    Unit,
    Lot,
    Rf,
    Lo,
    LoLevel,
    SignalLevel,
    Temperature,
    Floor,
    Measure(Measure),
}

/// A column with its unit as written.
struct Head {
    column: Column,
    name: String,
    unit: String,
}

/// Makes a bound of a number.
type MakeBound = fn(f64) -> Bound;

/// Names of the columns that are not measures.
const CONDITION_COLUMNS: [(&str, Column); 8] = [
    ("unit", Column::Unit),
    ("lot", Column::Lot),
    ("rf", Column::Rf),
    ("lo", Column::Lo),
    ("lo_level", Column::LoLevel),
    ("signal_level", Column::SignalLevel),
    ("temperature", Column::Temperature),
    ("floor", Column::Floor),
];

/// Line on which a record really begins: the reader's position lies before the remarks it skipped.
fn line_at(text: &str, position: &csv::Position) -> u64 {
    let rest = text.get(position.byte() as usize..).unwrap_or_default();
    let skipped = rest.lines().take_while(|l| l.trim().is_empty() || l.starts_with('#')).count();
    position.line() + skipped as u64
}

/// Reads a table.
///
/// # Errors
/// The first thing that is wrong, with file, line and column.
pub fn read(file: &str, text: &str, session: &Session) -> Result<Vec<Measured>, MeasurementError> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .flexible(true)
        .has_headers(false)
        .from_reader(text.as_bytes());
    let mut records = reader.records();
    let place = |line: u64, column: usize| Place { file: file.into(), line, column: column as u64 + 1 };
    let line_of = |r: &csv::StringRecord| r.position().map_or(0, |p| line_at(text, p));
    let broken = |e: &csv::Error| {
        let line = e.position().map_or(0, csv::Position::line);
        MeasurementError::file(place(line, 0), "comma-separated text", e.to_string(), "correct the line")
    };
    let first = match records.next() {
        Some(first) => first.map_err(|e| broken(&e))?,
        None => {
            let next = "write the heads, for example `unit,rf (GHz),conversion_loss (dB)`";
            return Err(MeasurementError::file(place(1, 0), "a line of column heads", "an empty file", next));
        }
    };
    let head_line = line_of(&first);
    let heads = read_heads(&first, &|k| place(head_line, k))?;
    let mut out: Vec<Measured> = Vec::new();
    for record in records {
        let record = record.map_err(|e| broken(&e))?;
        let line = line_of(&record);
        if record.len() != heads.len() {
            let found = format!("{} cells", record.len());
            let next = "an empty cell keeps its commas";
            return Err(MeasurementError::file(
                place(line, 0),
                format!("{} cells as in the heads", heads.len()),
                found,
                next,
            ));
        }
        let cells: Vec<&str> = record.iter().collect();
        for measured in read_row(&cells, &heads, session, &|k| place(line, k))? {
            out.push(measured);
        }
    }
    if out.is_empty() {
        return Err(MeasurementError::file(
            place(head_line, 0),
            "at least one measured number",
            "none",
            "add rows below the heads",
        ));
    }
    refuse_repeated(&out)?;
    Ok(out)
}

/// Refuses a number that stands twice for one unit, measure and set of conditions; files of one session are given
/// together.
///
/// # Errors
/// The second of two such numbers, with its place.
pub fn refuse_repeated(measured: &[Measured]) -> Result<(), MeasurementError> {
    let mut seen: std::collections::BTreeMap<String, &Place> = std::collections::BTreeMap::new();
    for m in measured {
        if let Some(before) = seen.insert(identity(m), &m.place) {
            let (name, unit) = (m.measure.label(), &m.unit);
            let expected = format!("one value of {name} for unit `{unit}` under one set of conditions");
            let found = if before.file == m.place.file {
                format!("another on line {}", before.line)
            } else {
                format!("another in {}, line {}", before.file, before.line)
            };
            let next = "a repeated measurement belongs into a session of its own";
            return Err(MeasurementError::file(m.place.clone(), expected, found, next));
        }
    }
    Ok(())
}

/// What makes a measured number the same as another of one session.
fn identity(m: &Measured) -> String {
    let c = &m.conditions;
    format!(
        "{} {} {:?} {:?} {:?} {:?} {:?}",
        m.unit,
        m.measure.key(),
        c.rf_hz,
        c.lo_hz,
        c.lo_dbm,
        c.signal_dbm,
        c.temp_k
    )
}

fn read_heads(record: &csv::StringRecord, place: &dyn Fn(usize) -> Place) -> Result<Vec<Head>, MeasurementError> {
    let mut heads: Vec<Head> = Vec::new();
    for (k, text) in record.iter().enumerate() {
        // a byte-order mark belongs to the file, not to the first head
        let head = read_head(text.trim_start_matches('\u{feff}'), place(k))?;
        if let Some(before) = heads.iter().position(|h| h.column == head.column) {
            let found = format!("it in columns {} and {}", before + 1, k + 1);
            let next = "remove or rename one of them; the same measure in two units is one column";
            return Err(MeasurementError::file(place(k), format!("one column `{}`", head.name), found, next));
        }
        heads.push(head);
    }
    if !heads.iter().any(|h| h.column == Column::Unit) {
        let found = heads.iter().map(|h| h.name.as_str()).collect::<Vec<_>>().join(", ");
        return Err(MeasurementError::file(place(0), "a column `unit` with the names of the units", found, "add it"));
    }
    Ok(heads)
}

fn read_head(text: &str, place: Place) -> Result<Head, MeasurementError> {
    let (name, unit) = match text.split_once('(') {
        Some((name, rest)) => (name.trim(), Some(rest.trim().trim_end_matches(')').trim())),
        None => (text.trim(), None),
    };
    let condition = CONDITION_COLUMNS.iter().find(|(n, _)| *n == name).map(|(_, c)| *c);
    let Some(column) = condition.or_else(|| Measure::from_key(name).map(|m| Column::Measure(m.canonical()))) else {
        let known: Vec<&str> = CONDITION_COLUMNS.iter().map(|(n, _)| *n).collect();
        let next = format!(
            "conditions are {}; measures are written as in a design file, products as `spur_lo+2_rf-2`",
            known.join(", ")
        );
        return Err(MeasurementError::file(place, "the name of a condition or a measure", format!("`{name}`"), next));
    };
    match (column, unit) {
        (Column::Unit | Column::Lot, None) => {}
        (Column::Unit | Column::Lot, Some(unit)) => {
            let next = format!("write `{name}`");
            return Err(MeasurementError::file(place, format!("`{name}` without a unit"), format!("`({unit})`"), next));
        }
        (_, None) => {
            let next = format!("write `{name} ({})`", usual_unit(column));
            return Err(MeasurementError::file(place, "a unit in brackets behind the name", format!("`{text}`"), next));
        }
        (_, Some(unit)) => {
            // a wrong unit is a mistake of the head, not of every row
            if let Err(error) = value(column, &format!("1 {unit}")) {
                let next = format!("write `{name} ({})`", usual_unit(column));
                return Err(MeasurementError::file(place, format!("a unit of {name}"), error, next));
            }
        }
    }
    Ok(Head { column, name: name.into(), unit: unit.unwrap_or_default().into() })
}

const fn usual_unit(column: Column) -> &'static str {
    match column {
        Column::Unit | Column::Lot => "",
        Column::Rf | Column::Lo => "GHz",
        Column::LoLevel | Column::SignalLevel => "dBm",
        Column::Temperature => "degC",
        Column::Floor => "dBc",
        Column::Measure(m) => m.unit(),
    }
}

/// A number with unit in the unit of the column.
fn value(column: Column, text: &str) -> Result<f64, String> {
    fn get<Q: Quantity>(text: &str, to: f64) -> Result<f64, String> {
        text.parse::<Q>().map(|q| q.stored() * to).map_err(|e| e.to_string())
    }
    match column {
        Column::Unit | Column::Lot => Err("text".into()),
        Column::Rf | Column::Lo => get::<Frequency>(text, 1.0),
        Column::LoLevel | Column::SignalLevel => get::<Level>(text, 1.0),
        Column::Temperature => get::<Temperature>(text, 1.0),
        Column::Floor => get::<CarrierRatio>(text, 1.0),
        Column::Measure(m) => match m.unit() {
            "dBc" => get::<CarrierRatio>(text, 1.0),
            "dBm" => get::<Level>(text, 1.0),
            "mV" => get::<Voltage>(text, 1e3),
            "mV/deg" => get::<VoltagePerAngle>(text, 1e3),
            "mA" => get::<Current>(text, 1e3),
            "dB/dB" => get::<LevelSlope>(text, 1.0),
            _ => get::<PowerRatio>(text, 1.0),
        },
    }
}

fn read_row(
    cells: &[&str],
    heads: &[Head],
    session: &Session,
    place: &dyn Fn(usize) -> Place,
) -> Result<Vec<Measured>, MeasurementError> {
    let mut conditions = session.conditions.clone();
    let (mut unit, mut lot, mut floor_dbc) = (String::new(), session.lot.clone(), None);
    let mut raws: Vec<Raw> = Vec::new();
    for (k, (cell, head)) in cells.iter().zip(heads).enumerate() {
        if cell.is_empty() {
            continue;
        }
        match head.column {
            Column::Unit => unit = (*cell).into(),
            Column::Lot => lot = (*cell).into(),
            column => {
                let (number, bound) = read_cell(cell, head, place(k))?;
                match column {
                    Column::Rf => conditions.rf_hz = Some(number),
                    Column::Lo => conditions.lo_hz = number,
                    Column::LoLevel => conditions.lo_dbm = number,
                    Column::SignalLevel => conditions.signal_dbm = Some(number),
                    Column::Temperature => conditions.temp_k = number,
                    Column::Floor => floor_dbc = Some(number),
                    Column::Measure(measure) => raws.push(Raw {
                        measure,
                        value: number,
                        bound,
                        conditions: Conditions::default(),
                        unit: String::new(),
                        lot: String::new(),
                        place: place(k),
                    }),
                    Column::Unit | Column::Lot => {}
                }
            }
        }
    }
    if unit.is_empty() {
        return Err(MeasurementError::file(
            place(0),
            "the name of the unit",
            "an empty cell",
            "every row names its unit",
        ));
    }
    complete(&mut conditions);
    floor_dbc = floor_dbc.or_else(|| floor_under(&raws, session, &conditions));
    let finish = |mut raw: Raw| {
        raw.conditions = conditions.clone();
        raw.unit.clone_from(&unit);
        raw.lot.clone_from(&lot);
        corrected(raw, session, floor_dbc)
    };
    raws.into_iter().map(finish).collect()
}

/// Intermediate frequency and sideband follow from LO and RF.
pub(crate) fn complete(conditions: &mut Conditions) {
    if let Some(rf) = conditions.rf_hz {
        conditions.if_hz = Some((rf - conditions.lo_hz).abs());
        conditions.sideband = Some(if rf < conditions.lo_hz { Sideband::Lower } else { Sideband::Upper });
    }
}

/// Floor against the wanted product of this row, dBc.
fn floor_under(raws: &[Raw], session: &Session, conditions: &Conditions) -> Option<f64> {
    let loss = raws.iter().find(|r| matches!(r.measure, Measure::ConversionLoss | Measure::ConversionLossUp))?;
    let corrected = corrected(loss.clone(), session, None).ok()?;
    Some(session.floor?.level_dbm - (conditions.signal_dbm? - corrected.value))
}

fn read_cell(cell: &str, head: &Head, place: Place) -> Result<(f64, Option<Bound>), MeasurementError> {
    let is_measure = matches!(head.column, Column::Measure(_));
    let (number, make): (&str, Option<MakeBound>) = match cell.split_at_checked(1) {
        Some(("<", rest)) if is_measure => (rest, Some(Bound::AtMost)),
        Some((">", rest)) if is_measure => (rest, Some(Bound::AtLeast)),
        _ => (cell, None),
    };
    // the printed minus of text programs is a minus as well
    let number = number.trim().replace('\u{2212}', "-");
    let plain = number.parse::<f64>().ok().filter(|x| x.is_finite());
    if plain.is_none() {
        let next = "leave the cell empty where nothing was measured; a bound is written `<-95`";
        return Err(MeasurementError::file(
            place,
            format!("a number for `{} ({})`", head.name, head.unit),
            format!("`{cell}`"),
            next,
        ));
    }
    match value(head.column, &format!("{number} {}", head.unit)) {
        Ok(x) => Ok((x, make.map(|f| f(x)))),
        Err(error) => {
            Err(MeasurementError::file(place, format!("a value of `{}`", head.name), error, "correct the cell"))
        }
    }
}
