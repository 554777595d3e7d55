//! Measured data of the demonstration lots: this program's own mixer under hidden causes, read by a bench with errors.
//!
//! Input: the demonstration design and `demo/lots/truth.toml`. Output: bench records, tables and pumped network data in
//! `demo/lots/`. The truth is computed to ten times tighter tolerances than a prediction, with more orders, so that the
//! numerical band of the prediction is put to the test as well. Everything is seeded: the same files come out again.
//! Physics: film, widths and diodes move the design itself; the loss not in the design sits before the IF connector; a
//! wrong cable table makes the unit's RF level differ from the level written, so that loss and RF isolation are read too
//! small and a product of order m too high by m−1 times the error.
//!
//! Run: `cargo run --release -p mixwright-project --example measured_lots`.

use mixwright_project as project;
use project::design::Design;
use project::network::Network;
use project::network::touchstone::{self, WriteVersion};
use project::numerics::{CMatrix, Complex64, Quiet};
use project::spec::{Item, Measure, PortName, Product, Reading, Review};
use project::{demo, files, seal};
use rand::Rng;
use rand_pcg::Pcg64;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use toml::{Table, Value};

/// Frequencies of the full measurement, GHz.
const POINTS_GHZ: [f64; 3] = [20.0, 23.0, 26.0];
/// Standard uncertainties of the bench, as in the bench records.
const U_LOSS: f64 = 0.12;
const U_RETURN: f64 = 0.25;
const U_LI: f64 = 0.5;
const U_LR: f64 = 0.6;
const U_RI: f64 = 0.3;
const U_DIRECT: f64 = 0.08;
const U_PRODUCT: f64 = 0.5;
const U_PRODUCT_NEAR: f64 = 1.5;
/// Floor at the package plane, dBm.
const FLOOR_DBM: f64 = -115.0;
const SIGNAL_DBM: f64 = -10.0;
/// Leakage of the bench from LO to RF, dB.
const LEAKAGE_DB: f64 = -72.0;

type Answer<T> = Result<T, Box<dyn std::error::Error>>;

struct Random(Pcg64);

impl Random {
    fn new(seed: u64, stream: u64) -> Self {
        Self(Pcg64::new(u128::from(seed), u128::from(stream)))
    }

    fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// Box and Muller.
    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (2.0 * std::f64::consts::PI * self.uniform()).cos()
    }
}

fn main() -> Answer<()> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("demo/lots");
    let truth: Table = std::fs::read_to_string(folder.join("truth.toml"))?.parse()?;
    let design = Design::parse(demo::CIRCUIT_FILE, demo::CIRCUIT_TEXT, Path::new(""))?;
    let seed = truth["seed"].as_integer().ok_or("a seed")? as u64;
    for (k, lot) in list(&truth, "lot").iter().enumerate() {
        let name = text(lot, "name");
        let mut units = Vec::new();
        for number in 1..=4 {
            let mut random = Random::new(seed, (10 * k + number) as u64);
            let review = truth_of(&design, lot, &truth, &mut random)?;
            let unit = format!("{name}{number}");
            eprintln!("unit {unit} solved");
            units.push((unit, review));
        }
        for (s, session) in list(&truth, "session").iter().enumerate() {
            if text(session, "lot") == name {
                let mut random = Random::new(seed, 1000 + s as u64);
                write_session(&folder, lot, session, &units, &mut random)?;
            }
        }
    }
    Ok(())
}

fn list(table: &Table, key: &str) -> Vec<Table> {
    let array = table.get(key).and_then(Value::as_array).cloned().unwrap_or_default();
    array.into_iter().filter_map(|v| v.as_table().cloned()).collect()
}

fn text(table: &Table, key: &str) -> String {
    table.get(key).and_then(Value::as_str).unwrap_or_default().into()
}

fn number(table: &Table, key: &str) -> f64 {
    table.get(key).and_then(Value::as_float).unwrap_or(0.0)
}

/// One unit of a lot, solved.
fn truth_of(design: &Design, lot: &Table, truth: &Table, random: &mut Random) -> Answer<Review> {
    let scatter = truth["scatter"].as_table().ok_or("a table of scatter")?;
    let mut draw = |key: &str| number(scatter, key) * random.normal();
    let film = 1.0 + 0.01 * (number(lot, "film1_percent") + draw("film1_percent"));
    let width_m = 1e-6 * (number(lot, "width_um") + draw("width_um"));
    let mut values: Vec<(String, f64)> = vec![
        ("temperature".into(), 273.15 + 23.0),
        ("film1.thickness".into(), film * design.value("film1.thickness")?),
        ("M1.width_bias".into(), width_m),
        ("M2.width_bias".into(), width_m),
    ];
    let quad_v = 1e-3 * draw("quad_saturation_mv");
    let quad_rs = 0.01 * draw("quad_series_percent");
    let quad_cj = 0.01 * draw("quad_capacitance_percent");
    for diode in ["D1", "D2", "D3", "D4"] {
        let foreign = if text(lot, "foreign_diode") == diode { 1e-3 * number(lot, "foreign_shift_mv") } else { 0.0 };
        let shift_v = quad_v + foreign + 1e-3 * draw("diode_saturation_mv");
        let rs = (1.0 + quad_rs) * (1.0 + 0.01 * draw("diode_series_percent"));
        let cj = (1.0 + quad_cj) * (1.0 + 0.01 * draw("diode_capacitance_percent"));
        values.push((format!("{diode}.forward_voltage"), shift_v));
        values.push((format!("{diode}.RS"), rs * design.value(&format!("{diode}.RS"))?));
        values.push((format!("{diode}.CJ0"), cj * design.value(&format!("{diode}.CJ0"))?));
    }
    let named: Vec<(&str, f64)> = values.iter().map(|(n, v)| (n.as_str(), *v)).collect();
    let moved = design.moved(&named)?;
    let (_, mut plan) = moved.plans().into_iter().next().ok_or("a plan")?;
    plan.direction = project::mixer::Direction::Down;
    plan.limits.clear();
    plan.spur_orders = (7, 7);
    plan.tolerances.wanted_db /= 10.0;
    plan.tolerances.product_db /= 10.0;
    plan.tolerances.direct_mv /= 10.0;
    plan.tolerances.not_claimed_dbc = -115.0;
    Ok(project::mixer::review(&moved.mixer()?, &plan, &Quiet)?)
}

/// The reading of a measure at an RF, full level before the small-signal limit before the LO alone.
fn find(review: &Review, measure: Measure, rf_ghz: f64) -> Option<f64> {
    let near = |r: &&Reading| {
        let c = &r.conditions;
        r.measure.canonical() == measure
            && c.rf_hz.is_none_or(|f| (f - rf_ghz * 1e9).abs() < 1.0)
            && c.lo_dbm == review.nominal.lo_dbm
            && c.lo_hz == review.nominal.lo_hz
    };
    let all: Vec<&Reading> = seal::promised(review).filter(near).collect();
    let at_rf = |r: &&&Reading| r.conditions.rf_hz.is_some();
    let full = all.iter().filter(at_rf).find(|r| r.conditions.signal_dbm == Some(SIGNAL_DBM));
    let small = all.iter().filter(at_rf).find(|r| r.conditions.signal_dbm.is_none());
    // numbers of the LO alone hold without an RF
    full.or(small).or(all.iter().find(|r| r.conditions.rf_hz.is_none())).map(|r| r.value)
}

fn isolation(from: PortName, to: PortName) -> Measure {
    Measure::Isolation { from, to }
}

/// Products at the IF: RF order and LO order of a difference product.
const PRODUCTS: [(i32, i32); 3] = [(2, 2), (3, 2), (3, 3)];

fn write_session(
    folder: &Path,
    lot: &Table,
    session: &Table,
    units: &[(String, Review)],
    random: &mut Random,
) -> Answer<()> {
    let name = text(session, "name");
    let stem = name.to_lowercase();
    let cable = |f_ghz: f64| number(session, "cable_error_db") * (f_ghz / 26.0).sqrt();
    let extra = number(lot, "loss_db");
    let mut full = String::from(
        "unit,rf (GHz),conversion_loss (dB),return_loss_lo (dB),isolation_lo_rf (dB),isolation_lo_if (dB),isolation_rf_if (dB),dc_offset (mV)",
    );
    for (m, n) in PRODUCTS {
        let _ = write!(full, ",spur_lo+{n}_rf-{m} (dBc)");
    }
    full.push('\n');
    let mut sweep = String::from("unit,rf (GHz),conversion_loss (dB)\n");
    let mut networks = String::new();
    for (unit, review) in units {
        for f in POINTS_GHZ {
            let get = |m: Measure| find(review, m, f).ok_or(format!("{} at {f} GHz", m.label()));
            let mut noisy = |value: f64, u: f64| value + u * random.normal();
            let true_loss = get(Measure::ConversionLoss)? + extra;
            let loss = noisy(true_loss - cable(f), U_LOSS);
            let rl_lo = noisy(get(Measure::ReturnLoss(PortName::Lo))?, U_RETURN);
            // the leaking LO leaves through the RF cable as well; the bench adds a leakage of its own
            let leak = 10f64.powf(-get(isolation(PortName::Lo, PortName::Rf))? / 20.0);
            let own = 10f64.powf(LEAKAGE_DB / 20.0);
            let phase = 2.0 * std::f64::consts::PI * random.uniform();
            let seen = (Complex64::new(leak, 0.0) + Complex64::from_polar(own, phase)).norm();
            let mut noisy = |value: f64, u: f64| value + u * random.normal();
            let lr = noisy(-20.0 * seen.log10() - cable(28.0), U_LR);
            let li = noisy(get(isolation(PortName::Lo, PortName::If))? + extra, U_LI);
            let ri = noisy(get(isolation(PortName::Rf, PortName::If))? + extra - cable(f), U_RI);
            let direct = noisy(get(Measure::DcOffset)?, U_DIRECT);
            let _ = write!(full, "{unit},{f},{loss:.2},{rl_lo:.2},{lr:.1},{li:.1},{ri:.1},{direct:.2}");
            let floor_dbc = FLOOR_DBM - (SIGNAL_DBM - true_loss + cable(f));
            for (m, n) in PRODUCTS {
                // the review tells products in the middle and where they fall into the output band
                let Some(level) = find(review, Measure::Spur(Product::new(n, -m)), f) else {
                    full.push(',');
                    continue;
                };
                let level = level + f64::from(m - 1) * cable(f);
                let with_floor = 10.0 * (10f64.powf(level / 10.0) + 10f64.powf(floor_dbc / 10.0)).log10();
                let u = if with_floor - floor_dbc < 10.0 { U_PRODUCT_NEAR } else { U_PRODUCT };
                let _ = write!(full, ",{:.1}", with_floor + u * random.normal());
            }
            full.push('\n');
        }
        for k in 0..61 {
            let f = 20.0 + 0.1 * f64::from(k);
            let f = (f * 10.0).round() / 10.0;
            // these stand in the other table
            if POINTS_GHZ.contains(&f) {
                continue;
            }
            let loss = find(review, Measure::ConversionLoss, f).ok_or(format!("loss at {f} GHz"))? + extra - cable(f);
            let _ = writeln!(sweep, "{unit},{f},{:.3}", loss + 0.3 * U_LOSS * random.normal());
        }
        let file = format!("{stem}-{}.s1p", unit.to_lowercase());
        files::write_whole(&folder.join(&file), reflection(review, random)?.as_bytes())?;
        let _ = write!(
            networks,
            "\n[[network]]                           # pumped reflection at the RF port, LO on\nunit = \"{unit}\"\nfile = \"{file}\"\nports = [\"rf\"]\nrf_band = [\"20 GHz\", \"26 GHz\"]\n"
        );
    }
    let remark = "# Invented data of the demonstration.\n";
    files::write_whole(&folder.join(format!("{stem}.csv")), format!("{remark}{full}").as_bytes())?;
    files::write_whole(&folder.join(format!("{stem}-sweep.csv")), format!("{remark}{sweep}").as_bytes())?;
    let record = record(lot, session, &stem) + &networks;
    files::write_whole(&folder.join(format!("{stem}.toml")), record.as_bytes())?;
    Ok(())
}

/// Pumped reflection over the band with the residual errors of a calibrated analyser.
fn reflection(review: &Review, random: &mut Random) -> Answer<String> {
    let items = review.sections.iter().flat_map(|s| &s.items);
    let locus = items
        .filter_map(|i| if let Item::Smith(s) = i { Some(s) } else { None })
        .flat_map(|s| &s.loci)
        .find(|l| l.name == "RF port")
        .ok_or("the review shows the pumped match")?;
    let mut turn = |size: f64| Complex64::from_polar(size, 2.0 * std::f64::consts::PI * random.uniform());
    let (directivity, tracking, source) = (turn(0.007), turn(0.004), turn(0.012));
    let inside = locus.points.iter().filter(|(f, _)| *f >= 20e9 - 1.0 && *f <= 26e9 + 1.0);
    let (freq, s): (Vec<f64>, Vec<CMatrix>) = inside
        .map(|(f, g)| {
            let read = directivity + (1.0 + tracking) * g / (1.0 - source * g);
            (*f, CMatrix::from_rows(&[vec![read]]))
        })
        .unzip();
    let network =
        Network::with_reference(50.0, freq, s)?.noted("pumped reflection at the RF port, LO 28 GHz +15 dBm on");
    Ok(touchstone::write(&network, WriteVersion::One)?)
}

fn record(lot: &Table, session: &Table, stem: &str) -> String {
    let notes = session.get("calibration").and_then(Value::as_array).cloned().unwrap_or_default();
    let notes: Vec<String> = notes.iter().filter_map(Value::as_str).map(|n| format!("    \"{n}\",\n")).collect();
    format!(
        r#"# Bench record of the demonstration, invented. Keys are described in docs/measurements.md.
format = 1
session = "{name}"
date = "{date}"
lab = "own bench"
lot = "{lot}"
foundry = "{foundry}"
reel = "{reel}"
tables = ["{stem}.csv", "{stem}-sweep.csv"]
lo_second_harmonic = "{harmonic}"
calibration = [
{notes}]

[conditions]
lo = "28 GHz"
lo_level = "+15 dBm"                  # at the package plane
signal_level = "-10 dBm"
temperature = "23 degC"
temperature_within = "1 K"
terminations = "50 ohm on every port at every frequency"

[floor]
level = "-115 dBm"                    # referred to the package plane
bandwidth = "1 kHz"
detector = "power"

[residuals]                           # of the calibrated network analyser
directivity = "-40 dB"
tracking = "0.5 %"
source_match = "-35 dB"

[[pad]]
port = "rf"
loss = "6 dB"
removed = true

[[pad]]
port = "if"
loss = "10 dB"
removed = true

[[leakage]]
from = "lo"
to = "rf"
level = "-72 dB"

[uncertainty]                         # standard, k = 1
loss = "0.12 dB"
return_loss = "0.25 dB"
isolation_lo_if = "0.5 dB"
isolation_lo_rf = "0.6 dB"
isolation_rf_if = "0.3 dB"
direct = "0.08 mV"
product = "0.5 dB"
product_near_floor = "1.5 dB"
"#,
        name = text(session, "name"),
        date = text(session, "date"),
        lot = text(lot, "name"),
        foundry = text(lot, "foundry"),
        reel = text(lot, "reel"),
        harmonic = text(session, "lo_second_harmonic"),
        notes = notes.concat(),
    )
}
