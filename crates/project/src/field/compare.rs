//! The same design twice: passive structure as lines, and as field solutions. What differs, and by how much it may.

use crate::design::Design;
use crate::error::ProjectError;
use network::FrequencyResponse;
use numerics::CMatrix;
use spec::{Curve, CurvePlot, Figure, Grid, Item, Measure, PortName, Reading, Review, Section};

/// Sections of a review that are shown side by side.
const SHOWN: [&str; 2] = ["down_fixed_lo", "up_fixed_lo"];
/// Frequencies of the passive comparison.
const POINTS: usize = 12;

/// A section on the differences between the reviews of two designs with the same ports.
///
/// # Errors
/// A passive structure that cannot be joined.
pub fn section(lines: (&Design, &Review), solved: (&Design, &Review)) -> Result<Section, ProjectError> {
    let mut items = vec![Item::Figure(Figure::Grid(differences(lines.1, solved.1)))];
    items.extend(curves(lines.1, solved.1).into_iter().map(Item::Curves));
    items.push(Item::Figure(Figure::Grid(balance(lines.0, solved.0)?)));
    Ok(Section {
        key: "compared".into(),
        title: "Lines and field solution compared".into(),
        text: "The same baluns twice: as coupled lines of a cross-section, and solved in three dimensions. Lines know \
               nothing of ends, gaps, box walls and of the inductance of the ports; the field solution has the error \
               stated with it. A difference beyond the stated error is what lines leave out."
            .into(),
        items,
    })
}

fn sweeps(review: &Review) -> impl Iterator<Item = &CurvePlot> {
    review
        .sections
        .iter()
        .filter(|s| SHOWN.contains(&s.key.as_str()))
        .flat_map(|s| &s.items)
        .filter_map(|i| if let Item::Curves(plot) = i { Some(plot) } else { None })
}

/// Plots of both reviews in one.
fn curves(lines: &Review, solved: &Review) -> Vec<CurvePlot> {
    let both = |a: &CurvePlot, b: &CurvePlot| {
        let named = |p: &CurvePlot, who: &str| {
            let named = |c: &Curve| Curve { name: format!("{}, {who}", c.name), points: c.points.clone() };
            p.curves.iter().map(named).collect::<Vec<_>>()
        };
        let curves = named(a, "lines").into_iter().chain(named(b, "field")).collect();
        CurvePlot { title: format!("{}: lines and field solution", a.title), curves, ..a.clone() }
    };
    let pairs = sweeps(lines).filter_map(|a| Some((a, sweeps(solved).find(|b| b.title == a.title)?)));
    pairs.map(|(a, b)| both(a, b)).collect()
}

/// Largest difference of every measure over the sweeps, beside the errors stated with it.
fn differences(lines: &Review, solved: &Review) -> Grid {
    let isolation = |from, to| Measure::Isolation { from, to };
    let (lo, rf, if_) = (PortName::Lo, PortName::Rf, PortName::If);
    let measures = [
        Measure::ConversionLoss,
        Measure::ConversionLossUp,
        Measure::ReturnLoss(rf),
        Measure::ReturnLoss(lo),
        isolation(lo, rf),
        isolation(lo, if_),
        isolation(rf, if_),
        Measure::DcOffset,
    ];
    let rows = measures.into_iter().filter_map(|m| difference(lines, solved, m)).collect();
    let heads = ["Measure", "Lines", "Field solution", "Largest difference", "Stated field error", "Points within"];
    Grid { title: "Differences over the band".into(), heads: heads.map(String::from).to_vec(), rows }
}

fn readings(review: &Review, measure: Measure) -> Vec<&Reading> {
    let swept = sweeps(review).flat_map(|p| &p.curves).flat_map(|c| c.points.iter().map(|(_, r)| r));
    let all: Vec<&Reading> = swept.filter(|r| r.measure == measure).collect();
    if !all.is_empty() {
        return all;
    }
    review.summary.iter().filter(|r| r.measure == measure).collect()
}

fn difference(lines: &Review, solved: &Review, measure: Measure) -> Option<Vec<String>> {
    let (a, b) = (readings(lines, measure), readings(solved, measure));
    let same = |r: &Reading| b.iter().copied().find(|s| s.conditions == r.conditions);
    let mut pairs: Vec<(&Reading, &Reading)> = a.iter().filter_map(|r| Some((*r, same(r)?))).collect();
    if pairs.is_empty() {
        pairs = a.first().copied().zip(b.first().copied()).into_iter().collect();
    }
    let error = |s: &Reading| s.quality.bands.field.unwrap_or(0.0);
    let apart = |(r, s): &(&Reading, &Reading)| (r.value - s.value).abs();
    let worst = pairs.iter().copied().max_by(|x, y| apart(x).total_cmp(&apart(y)))?;
    let within = pairs.iter().filter(|pair| apart(pair) <= error(pair.1)).count();
    let unit = measure.unit();
    Some(vec![
        measure.label(),
        format!("{:.2} {unit}", worst.0.value),
        format!("{:.2} {unit}", worst.1.value),
        format!("{:.2} {unit}", apart(&worst)),
        format!("± {:.2} {unit}", error(worst.1)),
        format!("{within} of {}", pairs.len()),
    ])
}

/// Passive structures at bare pads: how far entries are apart, and how well each divides the LO between the diodes.
fn balance(lines: &Design, solved: &Design) -> Result<Grid, ProjectError> {
    let (a, b) = (lines.passive_at_pads()?, solved.passive_at_pads()?);
    let shifted = Design { solution_error: Some(0), ..solved.clone() }.passive_at_pads()?;
    let top = b.data_up_to_hz().unwrap_or(60e9);
    let mut rows = Vec::new();
    for k in 1..=POINTS {
        let freq_hz = top * k as f64 / POINTS as f64;
        let at = |m: &circuit::Multiport| {
            m.scattering(freq_hz).map_err(|source| ProjectError::Network { place: "passive structure".into(), source })
        };
        let (s, t, u) = (at(&a)?, at(&b)?, at(&shifted)?);
        let mut row = vec![format!("{:.1}", freq_hz * 1e-9)];
        row.push(format!("{:.1e}", (&s - &t).max_abs()));
        row.push(format!("{:.1e}", (&u - &t).max_abs()));
        row.extend([imbalance(&s), imbalance(&t)]);
        rows.push(row);
    }
    let heads = ["GHz", "Largest |ΔS|", "Stated error", "LO balance, lines", "LO balance, field solution"];
    Ok(Grid { title: "Passive structures at bare pads".into(), heads: heads.map(String::from).to_vec(), rows })
}

/// Ports before those of the diodes.
const EXTERNAL: usize = 3;

/// Smallest and largest LO transmission to a diode, as a ratio in dB; nothing with fewer than two diodes.
fn imbalance(s: &CMatrix) -> String {
    let to_diodes = (EXTERNAL..s.n_rows()).map(|k| 20.0 * s[(k, 0)].norm().log10());
    let (low, high) = to_diodes.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
    if high > low && s.n_rows() > EXTERNAL + 1 { format!("{:.2} dB", high - low) } else { "–".into() }
}
