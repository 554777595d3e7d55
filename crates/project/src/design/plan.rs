//! Frequency plan and requirement lines of a design file.

use super::problem::ProblemKind;
use super::tree::{At, Rule, Table, meant_or_list};
use quantity::{CarrierRatio, Current, Frequency, Level, LevelSlope, PowerRatio, Quantity, Voltage, VoltagePerAngle};
use spec::{Bound, Limit, Measure, PortName, Product, Sideband};

/// Which way the signal goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// RF in, IF out.
    Down,
    /// IF in, RF out.
    Up,
}

/// One use of the mixer: an input band, an output band and a level.
#[derive(Debug, Clone, PartialEq)]
pub struct Seat {
    /// Name.
    pub name: String,
    /// Which way the signal goes.
    pub direction: Direction,
    /// Input band.
    pub input: (Frequency, Frequency),
    /// Available power of the input.
    pub input_level: Level,
    /// Output band.
    pub output: (Frequency, Frequency),
    /// Side of the LO on which the RF lies.
    pub sideband: Sideband,
}

impl Seat {
    /// RF band, hertz, whichever way the signal goes.
    pub fn rf_band_hz(&self) -> (f64, f64) {
        let band = if self.direction == Direction::Down { self.input } else { self.output };
        (band.0.si(), band.1.si())
    }
}

/// The frequency plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// LO frequency.
    pub lo: Frequency,
    /// Band over which the LO moves; none for a fixed LO.
    pub lo_range: Option<(Frequency, Frequency)>,
    /// Available LO power.
    pub lo_level: Level,
    /// Drive range promised to the customer.
    pub lo_level_range: (Level, Level),
    /// The uses; the first one leads.
    pub seats: Vec<Seat>,
}

pub(super) fn read_plan(root: &Table<'_>) -> Option<Plan> {
    let table = root.required_table("plan", "add a table `[plan]` with `lo`, `lo_level` and one `[[plan.seat]]`")?;
    let lo = table.required::<Frequency>("lo", Rule::Positive);
    let lo_range = table.band::<Frequency>("lo_range", Rule::Positive);
    let lo_level = table.required::<Level>("lo_level", Rule::Any);
    let lo_level_range = table.band::<Level>("lo_level_range", Rule::Any);
    check_inside(&table, "lo", lo.as_ref(), lo_range.as_ref());
    check_inside(&table, "lo_level", lo_level.as_ref(), lo_level_range.as_ref());
    let lo_span = lo_range.as_ref().map(|r| (r.value.0.si(), r.value.1.si()));
    let pump = lo_span.or(lo.as_ref().map(|l| (l.value.si(), l.value.si())));
    let seat_tables = table.tables("seat");
    if seat_tables.is_empty() && !table.has("seat") {
        let message = "`plan` has no `seat`".to_string();
        let help = "add `[[plan.seat]]` with name, direction, input, input_level and output";
        table.sink().push(ProblemKind::MissingKey, table.span.clone(), message, help);
    }
    let mut seats = Vec::new();
    let mut complete = !seat_tables.is_empty();
    for seat in seat_tables {
        match read_seat(seat, pump) {
            Some(seat) => seats.push(seat),
            None => complete = false,
        }
    }
    table.finish();
    let (lo, lo_level) = (lo?.value, lo_level?.value);
    let lo_level_range = lo_level_range.map_or((lo_level, lo_level), |r| r.value);
    let lo_range = lo_range.map(|r| r.value);
    complete.then_some(Plan { lo, lo_range, lo_level, lo_level_range, seats })
}

fn check_inside<Q: Quantity>(table: &Table<'_>, key: &str, value: Option<&At<Q>>, band: Option<&At<(Q, Q)>>) {
    if let (Some(v), Some(b)) = (value, band)
        && !(b.value.0.stored() <= v.value.stored() && v.value.stored() <= b.value.1.stored())
    {
        let message = format!("`{key}` is {}, outside its range {} to {}", v.value, b.value.0, b.value.1);
        let help = format!("move `{key}` into `{key}_range`, or widen the range");
        table.sink().push(ProblemKind::Plan, v.span.clone(), message, help);
    }
}

fn read_seat(table: Table<'_>, pump_hz: Option<(f64, f64)>) -> Option<Seat> {
    let name = table.required_text("name", "name the seat, for example `name = \"receiver\"`");
    let choices = [("down", Direction::Down), ("up", Direction::Up)];
    if !table.has("direction") {
        let message = "`plan.seat` has no `direction`".to_string();
        table.sink().push(ProblemKind::MissingKey, table.span.clone(), message, "write `\"down\"` or `\"up\"`");
    }
    let direction = table.word("direction", &choices);
    let input = table.required_band::<Frequency>("input", Rule::Positive);
    let input_level = table.required::<Level>("input_level", Rule::Any);
    let output = table.required_band::<Frequency>("output", Rule::NotNegative);
    let sideband = match (&direction, &input, &output, pump_hz) {
        (Some(d), Some(i), Some(o), Some(pump)) => sideband_of(&table, d.value, i, o, pump),
        _ => None,
    };
    table.finish();
    Some(Seat {
        name: name?.value,
        direction: direction?.value,
        input: input?.value,
        input_level: input_level?.value,
        output: output?.value,
        sideband: sideband?,
    })
}

/// The side of the pump on which RF lies, from the two bands; complains when they do not belong together.
fn sideband_of(
    table: &Table<'_>,
    direction: Direction,
    input: &At<(Frequency, Frequency)>,
    output: &At<(Frequency, Frequency)>,
    pump_hz: (f64, f64),
) -> Option<Sideband> {
    let si = |band: &At<(Frequency, Frequency)>| (band.value.0.si(), band.value.1.si());
    let (rf, intermediate) = match direction {
        Direction::Down => (si(input), si(output)),
        Direction::Up => (si(output), si(input)),
    };
    let below = (pump_hz.0 - rf.1, pump_hz.1 - rf.0);
    let above = (rf.0 - pump_hz.1, rf.1 - pump_hz.0);
    let slack = 1e-9 * (pump_hz.1 + rf.1); // bands are written in decimal digits; rounding of their difference only
    let covers = |reach: (f64, f64)| reach.0 <= intermediate.0 + slack && intermediate.1 <= reach.1 + slack;
    if covers(below) && rf.1 <= pump_hz.1 {
        return Some(Sideband::Lower);
    }
    if covers(above) && rf.0 >= pump_hz.0 {
        return Some(Sideband::Upper);
    }
    if covers((2.0 * pump_hz.0 - rf.1, 2.0 * pump_hz.1 - rf.0))
        || covers((rf.0 - 2.0 * pump_hz.1, rf.1 - 2.0 * pump_hz.0))
    {
        let message = "these bands belong to conversion with twice the LO, which is not reviewed".to_string();
        let help = "plan |RF - LO|: the wanted product is of first order in the LO; the product of two LO and one RF \
                    is in the table of spurious products";
        table.sink().push(ProblemKind::Plan, output.span.clone(), message, help);
        return None;
    }
    let show = |(a, b): (f64, f64)| {
        if b <= 0.0 { "none".into() } else { format!("{} to {}", Frequency::hz(a.max(0.0)), Frequency::hz(b)) }
    };
    let found = format!("{} to {}", Frequency::hz(intermediate.0), Frequency::hz(intermediate.1));
    let message = format!(
        "the RF band and the LO give an IF of {} (RF below the LO) or {} (RF above), not {found}",
        show(below),
        show(above)
    );
    table.sink().push(ProblemKind::Plan, output.span.clone(), message, "correct the LO, the input or the output band");
    None
}

pub(super) fn read_requirements(root: &Table<'_>) -> Vec<Limit> {
    root.tables("require").into_iter().flat_map(read_requirement).collect()
}

fn read_requirement(table: Table<'_>) -> Vec<Limit> {
    let key = table.required_text("measure", "name what is limited, for example `measure = \"conversion_loss\"`");
    let measure = key.as_ref().and_then(|k| {
        let found = measure_from_key(&k.value);
        if found.is_none() {
            let known = plain_measure_keys();
            let words: Vec<&str> = known.iter().map(String::as_str).collect();
            let message = format!("`{}` is not a measure", k.value);
            table.sink().push(ProblemKind::UnknownWord, k.span.clone(), message, meant_or_list(&k.value, &words));
        }
        found
    });
    let band = table.band::<Frequency>("band", Rule::NotNegative).map(|b| (b.value.0.si(), b.value.1.si()));
    let why = table.text("why").map(|w| w.value).unwrap_or_default();
    let mut bounds = Vec::new();
    if let Some(measure) = measure {
        if let Some(x) = value_in_unit(&table, "at_most", measure) {
            bounds.push(Bound::AtMost(x));
        }
        if let Some(x) = value_in_unit(&table, "at_least", measure) {
            bounds.push(Bound::AtLeast(x));
        }
        if let Some(x) = value_in_unit(&table, "within", measure) {
            bounds.extend([Bound::AtMost(x.abs()), Bound::AtLeast(-x.abs())]);
        }
    }
    let given = ["at_most", "at_least", "within"].iter().filter(|k| table.has(k)).count();
    if given == 0 {
        let message = "this requirement has no limit".to_string();
        let help = "add `at_most`, `at_least`, or `within` for both signs";
        table.sink().push(ProblemKind::MissingKey, table.span.clone(), message, help);
    }
    table.finish();
    let Some(measure) = measure else { return Vec::new() };
    bounds.into_iter().map(|bound| Limit { measure, bound, band_hz: band, why: why.clone() }).collect()
}

/// The number of `key` in the unit of the measure (dBc for "any product").
fn value_in_unit(table: &Table<'_>, key: &str, measure: Option<Measure>) -> Option<f64> {
    match measure.map_or("dBc", Measure::unit) {
        "dBc" => table.quantity::<CarrierRatio>(key, Rule::Any).map(|q| q.value.dbc()),
        "dBm" => table.quantity::<Level>(key, Rule::Any).map(|q| q.value.dbm()),
        "mV" => table.quantity::<Voltage>(key, Rule::Any).map(|q| q.value.si() * 1e3),
        "mV/deg" => table.quantity::<VoltagePerAngle>(key, Rule::Any).map(|q| q.value.volt_per_deg() * 1e3),
        "mA" => table.quantity::<Current>(key, Rule::Any).map(|q| q.value.si() * 1e3),
        "dB/dB" => table.quantity::<LevelSlope>(key, Rule::Any).map(|q| q.value.db_per_db()),
        _ => table.quantity::<PowerRatio>(key, Rule::Any).map(|q| q.value.db()),
    }
}

/// Key of the requirement on every product in the output band.
pub const ANY_PRODUCT: &str = "any_product";

const PORTS: [PortName; 3] = [PortName::Lo, PortName::Rf, PortName::If];

fn plain_measures() -> Vec<Measure> {
    let mut measures = vec![
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
        Measure::CarrierLeak,
    ];
    for from in PORTS {
        measures.push(Measure::ReturnLoss(from));
        measures.extend(PORTS.iter().filter(|to| **to != from).map(|to| Measure::Isolation { from, to: *to }));
    }
    measures
}

fn plain_measure_keys() -> Vec<String> {
    plain_measures().iter().map(|m| m.key()).chain([ANY_PRODUCT.to_string()]).collect()
}

/// The measure with this key: the inverse of [`Measure::key`]; `Some(None)` for [`ANY_PRODUCT`].
pub fn measure_from_key(key: &str) -> Option<Option<Measure>> {
    if key == ANY_PRODUCT {
        return Some(None);
    }
    if let Some(measure) = plain_measures().into_iter().find(|m| m.key() == key) {
        return Some(Some(measure));
    }
    let product = |rest: &str| {
        let (n, m) = rest.split_once("_rf")?;
        Some(Product::new(n.parse().ok()?, m.parse().ok()?))
    };
    let measure = if let Some(rest) = key.strip_prefix("spur_slope_lo") {
        Measure::SpurSlope(product(rest)?)
    } else if let Some(rest) = key.strip_prefix("spur_up_lo") {
        let (n, m) = rest.split_once("_if")?;
        Measure::SpurUp(Product::new(n.parse().ok()?, m.parse().ok()?))
    } else if let Some(rest) = key.strip_prefix("spur_lo") {
        Measure::Spur(product(rest)?)
    } else if let Some(rest) = key.strip_prefix("lo_harmonic_") {
        let (n, port) = rest.split_once('_')?;
        let port = PORTS.into_iter().find(|p| p.label().to_lowercase() == port)?;
        Measure::LoHarmonic { port, n: n.parse().ok()? }
    } else {
        let number = key.strip_prefix("diode_current_")?.parse::<u32>().ok()?;
        Measure::DiodeCurrent { diode: number.checked_sub(1)? }
    };
    (measure.key() == key).then_some(Some(measure))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_measure_is_found_by_its_key() {
        let mut all = plain_measures();
        all.extend([
            Measure::Spur(Product::new(2, -2)),
            Measure::Spur(Product::new(-1, 3)),
            Measure::SpurUp(Product::new(1, -2)),
            Measure::SpurSlope(Product::new(0, 3)),
            Measure::LoHarmonic { port: PortName::If, n: 3 },
            Measure::DiodeCurrent { diode: 2 },
        ]);
        for measure in all {
            assert_eq!(measure_from_key(&measure.key()), Some(Some(measure)), "{}", measure.key());
        }
        assert_eq!(measure_from_key(ANY_PRODUCT), Some(None));
        for wrong in ["loss", "spur_lo2_rf-2", "spur_lo+2", "lo_harmonic_2_xx", "diode_current_0"] {
            assert_eq!(measure_from_key(wrong), None, "{wrong}");
        }
    }
}
