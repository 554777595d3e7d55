//! Headline numbers: typical, simulated worst and guaranteed, never mixed.

use crate::bound::{UNITS_MIN, tolerance_bound};
use crate::words::{band, conditions, fixed, frequency, level, plain, value};
use crate::{DatasheetError, Measured, Sample, Sheet};
use spec::{Item, Measure, PortName, Reading, Section};

/// Basis of rows without measured units.
pub(crate) const SIMULATED: &str = "simulated";

/// One line of the headline table; texts are ready to print, empty where nothing is claimed.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The quantity.
    pub measure: Measure,
    /// Its name.
    pub name: String,
    /// Under what conditions.
    pub conditions: String,
    /// Typical value: mean of measured units, else mean of the simulated band.
    pub typical: String,
    /// Mean of the simulated nominal design over the band.
    pub simulated_mean: String,
    /// Worst simulated value within the band, with its numeric band.
    pub simulated_worst: String,
    /// Guaranteed minimum: tolerance bound of measured units, unless the simulation is worse at frequencies not measured.
    pub guaranteed_min: String,
    /// Guaranteed maximum: tolerance bound of measured units.
    pub guaranteed_max: String,
    /// Unit.
    pub unit: &'static str,
    /// What the typical value rests on.
    pub basis: String,
}

/// The headline table of a sheet.
///
/// # Errors
/// Measured samples that allow no statement.
pub fn rows(sheet: &Sheet) -> Result<Vec<Row>, DatasheetError> {
    sheet.review.summary.iter().map(|r| row(sheet, r)).collect()
}

impl Row {
    /// Whether measured units stand behind the typical value.
    pub fn is_measured(&self) -> bool {
        self.basis != SIMULATED
    }

    /// Conditions, and what stands behind measured values.
    pub(crate) fn said(&self) -> String {
        if self.is_measured() {
            format!("{}. Measured: {}", self.conditions, self.basis)
        } else {
            self.conditions.clone()
        }
    }

    /// The typical value when units were measured.
    pub(crate) fn measured_typical(&self) -> &str {
        if self.is_measured() { &self.typical } else { "" }
    }
}

/// Whether larger is worse.
fn larger_is_worse(measure: Measure) -> bool {
    !matches!(
        measure,
        Measure::Isolation { .. }
            | Measure::ReturnLoss(_)
            | Measure::InputP1db
            | Measure::InputIp3
            | Measure::InputIp2
            | Measure::LoNoiseRejection
    )
}

fn row(sheet: &Sheet, worst: &Reading) -> Result<Row, DatasheetError> {
    let measure = worst.measure;
    let simulated = readings(sheet, measure);
    let simulated_mean =
        if simulated.len() > 1 { value(measure, mean(simulated.iter().map(|r| r.value))) } else { String::new() };
    let mut row = Row {
        measure,
        name: name(measure),
        conditions: said(sheet, worst, simulated.len()),
        typical: simulated_mean.clone(),
        simulated_mean,
        simulated_worst: worst_text(worst),
        guaranteed_min: String::new(),
        guaranteed_max: String::new(),
        unit: measure.unit(),
        basis: SIMULATED.into(),
    };
    if let Some(measured) = &sheet.measured
        && let Some(j) = judged(measured, measure)?
    {
        row.typical = value(measure, j.typical);
        row.basis = j.basis();
        if j.misses(worst) {
            row.basis.push_str("; not guaranteed, the simulation is worse between them");
        } else {
            let bound = |b: Option<f64>| b.map(|b| value(measure, b)).unwrap_or_default();
            (row.guaranteed_min, row.guaranteed_max) = (bound(j.bounds.0), bound(j.bounds.1));
        }
    }
    Ok(row)
}

fn name(measure: Measure) -> String {
    match measure {
        Measure::Spur(p) | Measure::SpurUp(p) => {
            let input = if matches!(measure, Measure::Spur(_)) { "RF" } else { "IF" };
            format!("Largest in-band product: {}×{} (m {input} × n LO)", p.m_rf.abs(), p.n_lo.abs())
        }
        Measure::DcOffset => "DC offset at IF, largest".into(),
        other => other.label(),
    }
}

fn worst_text(r: &Reading) -> String {
    let relation = match (r.quality.is_bound, larger_is_worse(r.measure)) {
        (false, _) => "",
        (true, true) => "≤ ",
        (true, false) => "≥ ",
    };
    let number = value(r.measure, r.value);
    match r.quality.known_within() {
        Some(half) if half >= 0.05 => format!("{relation}{number} ± {}", fixed((half * 10.0).ceil() / 10.0, 1)),
        _ => format!("{relation}{number}"),
    }
}

/// Band, level, and where the worst value lies.
fn said(sheet: &Sheet, worst: &Reading, points: usize) -> String {
    let c = &worst.conditions;
    let mut out = match c.rf_hz {
        Some(_) if points > 1 => {
            // a compression point is a level itself
            let own = c.signal_dbm.filter(|_| !matches!(worst.measure, Measure::InputP1db));
            let small = if matches!(worst.measure, Measure::InputP1db) { "LO nominal" } else { "small signal" };
            let drive = own.map_or_else(|| small.into(), |l| format!("signal {}", level(l)));
            let at = c.rf_hz.map(frequency).unwrap_or_default();
            format!("RF {}, {drive}; worst at {at}", band(sheet.rf_band_hz))
        }
        _ if matches!(worst.measure, Measure::InputP1db) => {
            format!("RF {}", c.rf_hz.map(frequency).unwrap_or_default())
        }
        _ => conditions(c),
    };
    if let Some(spread) = &worst.quality.bands.fabrication {
        let (low, high) = spread.around(worst.value);
        out.push_str(&format!(
            "; {} % of units {} to {} (simulated)",
            plain(100.0 * spread.coverage),
            value(worst.measure, low),
            value(worst.measure, high)
        ));
    }
    out
}

/// Simulated readings of a measure at the nominal LO within the band.
fn readings(sheet: &Sheet, measure: Measure) -> Vec<&Reading> {
    let nominal = &sheet.review.nominal;
    let same = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b.abs().max(1.0);
    let (low, high) = sheet.rf_band_hz;
    let fits = |r: &&Reading| {
        let c = &r.conditions;
        r.measure == measure
            && r.value.is_finite()
            && same(c.lo_hz, nominal.lo_hz)
            && same(c.lo_dbm, nominal.lo_dbm)
            && c.rf_hz.is_none_or(|f| f >= low * (1.0 - 1e-9) && f <= high * (1.0 + 1e-9))
    };
    let first = |s: &&Section| OVER_THE_BAND.iter().any(|k| s.key.starts_with(k));
    sheet.review.sections.iter().filter(first).flat_map(of_section).filter(fits).collect()
}

/// Sections that sweep the band at nominal drive.
const OVER_THE_BAND: [&str; 5] = ["down_fixed_lo", "up_fixed_lo", "noise", "compression", "intercepts"];

fn of_section(section: &Section) -> Vec<&Reading> {
    let mut out = Vec::new();
    for item in &section.items {
        match item {
            Item::Curves(p) => {
                // the first curve of a measure is the one over the fine grid; others repeat it at other levels
                let mut seen = Vec::new();
                for c in &p.curves {
                    let Some((_, first)) = c.points.first() else { continue };
                    if !seen.contains(&first.measure) {
                        seen.push(first.measure);
                        out.extend(c.points.iter().map(|(_, r)| r));
                    }
                }
            }
            Item::Table(t) => out.extend(&t.readings),
            _ => {}
        }
    }
    out
}

/// What measured units say about a quantity.
struct Judged {
    /// Mean over units and frequencies.
    typical: f64,
    /// Guaranteed bounds of the worst frequency; none with too few units anywhere.
    bounds: (Option<f64>, Option<f64>),
    /// Fewest units at a frequency.
    units: usize,
    lots: usize,
    /// Frequencies.
    places: usize,
}

impl Judged {
    /// Whether the nominal design itself breaks the bound somewhere in the band: then the measured frequencies miss it.
    fn misses(&self, worst: &Reading) -> bool {
        if larger_is_worse(worst.measure) {
            self.bounds.1.is_some_and(|max| worst.value > max)
        } else {
            self.bounds.0.is_some_and(|min| worst.value < min)
        }
    }

    fn basis(&self) -> String {
        let lots = if self.lots == 1 { "lot" } else { "lots" };
        let units = if self.units == 1 { "unit" } else { "units" };
        let at = if self.places > 1 { format!(" at {} frequencies", self.places) } else { String::new() };
        let few = if self.units < UNITS_MIN { ": too few to guarantee" } else { "" };
        format!("{} {units} of {} {lots}{at}{few}", self.units, self.lots)
    }
}

fn judged(measured: &Measured, measure: Measure) -> Result<Option<Judged>, DatasheetError> {
    let mine: Vec<&Sample> = measured.samples.iter().filter(|s| s.measure == measure).collect();
    if mine.is_empty() {
        return Ok(None);
    }
    let mut places: Vec<Option<u64>> = mine.iter().map(|s| s.rf_hz.map(f64::to_bits)).collect();
    places.sort_unstable();
    places.dedup();
    let two_sided = measure == Measure::DcOffset;
    let (mut means, mut low, mut high) = (Vec::new(), None::<f64>, None::<f64>);
    let (mut units, mut lots) = (usize::MAX, 0);
    for place in &places {
        let here: Vec<&Sample> = mine.iter().copied().filter(|s| s.rf_hz.map(f64::to_bits) == *place).collect();
        let by_lot = by_lot(&here);
        means.push(mean(by_lot.iter().map(|l| mean(l.iter().copied()))));
        (units, lots) = (units.min(here.len()), lots.max(by_lot.len()));
        if here.len() < UNITS_MIN {
            continue;
        }
        let bound = |upper| {
            tolerance_bound(&measure.label(), &by_lot, upper, measured.coverage, measured.confidence).map(|b| b.bound)
        };
        if two_sided || larger_is_worse(measure) {
            let b = bound(true)?;
            high = Some(high.map_or(b, |h| h.max(b)));
        }
        if two_sided || !larger_is_worse(measure) {
            let b = bound(false)?;
            low = Some(low.map_or(b, |l| l.min(b)));
        }
    }
    // a place with too few units may be the worst one: then nothing is guaranteed
    let bounds = if units < UNITS_MIN { (None, None) } else { (low, high) };
    Ok(Some(Judged { typical: mean(means.into_iter()), bounds, units, lots, places: places.len() }))
}

fn by_lot(samples: &[&Sample]) -> Vec<Vec<f64>> {
    let mut names: Vec<&str> = samples.iter().map(|s| s.lot.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    names.iter().map(|n| samples.iter().filter(|s| s.lot == *n).map(|s| s.value).collect()).collect()
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let all: Vec<f64> = values.collect();
    all.iter().sum::<f64>() / all.len() as f64
}

/// The headline value of a measure for the list of features, when there is one.
pub(crate) fn headline(sheet: &Sheet, measure: Measure) -> Option<&Reading> {
    sheet.review.summary.iter().find(|r| r.measure == measure)
}

/// Key facts of the first page, each computed from the numbers below it.
pub(crate) fn features(sheet: &Sheet) -> Vec<String> {
    let n = &sheet.review.nominal;
    let mut out = vec![
        format!("RF {}, LO {}, IF {}", band(sheet.rf_band_hz), frequency(n.lo_hz), band(sheet.if_band_hz)),
        format!(
            "LO drive {} nominal, {} to {}",
            level(n.lo_dbm),
            level(sheet.lo_range_dbm.0),
            level(sheet.lo_range_dbm.1)
        ),
    ];
    let rows = rows(sheet).unwrap_or_default();
    // what is guaranteed goes before what was simulated; a measured sheet says which is which
    let worst = |m: Measure| {
        let row = rows.iter().find(|r| r.measure == m)?;
        let bound = if row.guaranteed_max.is_empty() { &row.guaranteed_min } else { &row.guaranteed_max };
        if !bound.is_empty() {
            return Some(format!("{bound} {} (guaranteed)", m.unit()));
        }
        let simulated = headline(sheet, m).map(|r| format!("{} {}", value(m, r.value), m.unit()))?;
        Some(if sheet.measured.is_some() { format!("{simulated} (simulated)") } else { simulated })
    };
    if let Some(x) = worst(Measure::ConversionLoss) {
        let flat = worst(Measure::Flatness).map(|f| format!(", flat within {f}")).unwrap_or_default();
        out.push(format!("Conversion loss at most {x} over the band{flat}"));
    } else if let Some(x) = worst(Measure::ConversionLossUp) {
        out.push(format!("Up-conversion loss at most {x} over the band"));
    }
    let isolation = |from, to| worst(Measure::Isolation { from, to });
    if let (Some(a), Some(b)) = (isolation(PortName::Lo, PortName::Rf), isolation(PortName::Lo, PortName::If)) {
        out.push(format!("LO isolation at least {a} to RF, {b} to IF"));
    }
    if let Some(x) = worst(Measure::InputIp3) {
        out.push(format!("Input IP3 at least {x}"));
    }
    out.push("Passive: no supply; works up and down".into());
    if sheet.review.summary.iter().all(|r| r.measure != Measure::ConversionLossUp)
        || sheet.review.summary.iter().all(|r| r.measure != Measure::ConversionLoss)
    {
        out.pop();
        out.push("Passive: no supply".into());
    }
    out
}
