//! The same design twice: passive structure as lines, and as field solutions. What differs, whether it may, and why.

use super::{low, solution};
use crate::design::Design;
use crate::error::ProjectError;
use crate::process::DesignProcess;
use network::FrequencyResponse;
use numerics::{CMatrix, Watch};
use spec::{
    Axis, Card, Cards, Curve, CurvePlot, Figure, Grid, Item, Lines, Measure, PlainCurve, PortName, Reading, Review,
    Section, Tone,
};
use tolerance::Process;

/// Key of the section in a review.
pub const KEY: &str = "compared";
/// Sections of a review that are shown side by side.
const SHOWN: [&str; 2] = ["down_fixed_lo", "up_fixed_lo"];
/// Frequencies of the passive comparison.
const POINTS: usize = 60;
/// Ports before those of the diodes.
const EXTERNAL: usize = 3;

/// A section on the differences between the reviews of two designs with the same ports.
///
/// # Errors
/// A passive structure that cannot be joined; derivatives that cannot be found; the wish of `watch` to stop.
pub fn section(
    lines: (&Design, &Review),
    solved: (&Design, &Review),
    watch: &dyn Watch,
) -> Result<Section, ProjectError> {
    let differences: Vec<Difference> = MEASURES.iter().filter_map(|m| Difference::of(lines.1, solved.1, *m)).collect();
    let mut items = vec![
        Item::Figure(Figure::Cards(cards(&differences, solved.0)?)),
        Item::Figure(Figure::Grid(table(&differences))),
    ];
    items.extend(curves(lines.1, solved.1).into_iter().map(Item::Curves));
    items.extend(passive(lines.0, solved.0)?.into_iter().map(|l| Item::Figure(Figure::Lines(l))));
    items.extend(derivatives(lines.0, solved.0, watch)?.map(|g| Item::Figure(Figure::Grid(g))));
    Ok(Section {
        key: KEY.into(),
        title: "Lines and field solution compared".into(),
        text: "The same baluns twice: as coupled lines of a cross-section, and solved in three dimensions. Lines know \
               nothing of ends, gaps, box walls and of how current turns into the ground at each port; the field solution \
               has the error of its mesh, stated with it. Where both stated errors together are smaller than \
               the difference, it is what lines leave out."
            .into(),
        items,
    })
}

const MEASURES: [Measure; 8] = [
    Measure::ConversionLoss,
    Measure::ConversionLossUp,
    Measure::ReturnLoss(PortName::Rf),
    Measure::ReturnLoss(PortName::Lo),
    Measure::Isolation { from: PortName::Lo, to: PortName::Rf },
    Measure::Isolation { from: PortName::Lo, to: PortName::If },
    Measure::Isolation { from: PortName::Rf, to: PortName::If },
    Measure::DcOffset,
];

/// One measure in both reviews.
struct Difference {
    measure: Measure,
    /// Of lines and field solution, at the same conditions.
    pairs: Vec<(Reading, Reading)>,
}

impl Difference {
    fn of(lines: &Review, solved: &Review, measure: Measure) -> Option<Self> {
        let (a, b) = (readings(lines, measure), readings(solved, measure));
        let same = |r: &Reading| b.iter().copied().find(|s| s.conditions == r.conditions).cloned();
        let mut pairs: Vec<(Reading, Reading)> = a.iter().filter_map(|r| Some(((*r).clone(), same(r)?))).collect();
        if pairs.is_empty() {
            pairs = a.first().copied().cloned().zip(b.first().copied().cloned()).into_iter().collect();
        }
        (!pairs.is_empty()).then_some(Self { measure, pairs })
    }

    /// Where both are furthest apart.
    fn worst(&self) -> &(Reading, Reading) {
        self.pairs.iter().max_by(|x, y| apart(x).total_cmp(&apart(y))).expect("never empty")
    }

    fn mean(&self) -> f64 {
        self.pairs.iter().map(|(a, b)| b.value - a.value).sum::<f64>() / self.pairs.len() as f64
    }

    fn within(&self) -> usize {
        self.pairs.iter().filter(|pair| apart(pair) <= allowed(pair)).count()
    }

    fn says(&self) -> String {
        let worst = self.worst();
        let unit = self.measure.unit();
        let at = worst.0.conditions.rf_hz.map_or(String::new(), |f| format!(" (RF {:.1} GHz)", f * 1e-9));
        format!(
            "{}: {:.2} {unit} with lines, {:.2} {unit} in three dimensions{at}",
            self.measure.label(),
            worst.0.value,
            worst.1.value
        )
    }
}

fn apart(pair: &(Reading, Reading)) -> f64 {
    (pair.0.value - pair.1.value).abs()
}

/// What the errors stated with both leave open.
fn allowed(pair: &(Reading, Reading)) -> f64 {
    stated(&pair.0) + stated(&pair.1)
}

/// Numerical, continued and field error of a reading; a field error counts even where nobody climbed.
fn stated(r: &Reading) -> f64 {
    r.quality.known_within().or(r.quality.bands.field).unwrap_or(0.0)
}

fn sweeps(review: &Review) -> impl Iterator<Item = &CurvePlot> {
    review
        .sections
        .iter()
        .filter(|s| SHOWN.contains(&s.key.as_str()))
        .flat_map(|s| &s.items)
        .filter_map(|i| if let Item::Curves(plot) = i { Some(plot) } else { None })
}

fn readings(review: &Review, measure: Measure) -> Vec<&Reading> {
    let swept = sweeps(review).flat_map(|p| &p.curves).flat_map(|c| c.points.iter().map(|(_, r)| r));
    let all: Vec<&Reading> = swept.filter(|r| r.measure == measure).collect();
    if !all.is_empty() {
        return all;
    }
    review.summary.iter().filter(|r| r.measure == measure).collect()
}

/// What a designer wants to know first: what agrees, what does not, and why.
fn cards(differences: &[Difference], solved: &Design) -> Result<Cards, ProjectError> {
    let (agree, apart): (Vec<_>, Vec<_>) = differences.iter().partition(|d| d.within() == d.pairs.len());
    let fact = |d: &&Difference| {
        let worst = d.worst();
        let unit = d.measure.unit();
        (
            d.measure.label(),
            format!(
                "{:+.2} {unit} on average, at most {:.2} {unit}; {:.2} {unit} may be error; {} of {} points within",
                d.mean(),
                self::apart(worst),
                allowed(worst),
                d.within(),
                d.pairs.len()
            ),
        )
    };
    let mut cards = Vec::new();
    if !agree.is_empty() {
        cards.push(Card {
            tone: Tone::Good,
            title: format!("{} of {} agree", agree.len(), differences.len()),
            text: "Nowhere in the band is the difference larger than the errors stated with both.".into(),
            facts: agree.iter().map(fact).collect(),
        });
    }
    if !apart.is_empty() {
        let text = apart.iter().map(|d| d.says()).collect::<Vec<_>>().join(". ");
        cards.push(Card {
            tone: Tone::Open,
            title: format!("{} of {} differ", apart.len(), differences.len()),
            text: format!(
                "Somewhere in the band by more than both stated errors. Furthest apart: {text}. Judge these by the field solution, or refine it until its error is smaller."
            ),
            facts: apart.iter().map(fact).collect(),
        });
    }
    cards.push(reasons(solved)?);
    Ok(Cards { title: "What the comparison says".into(), cards })
}

/// What the field knows and lines do not, as far as low frequencies show it, and how far it is to be trusted.
fn reasons(solved: &Design) -> Result<Card, ProjectError> {
    let mut facts = Vec::new();
    for task in solution::tasks(solved)? {
        let Some(kept) = task.kept().0 else { continue };
        let name = &task.part.name.value;
        if let Some(low) = low::compare(solved, &task, &kept) {
            let of = |list: &[(String, [f64; 2])]| {
                let sum = |k: usize| list.iter().map(|(_, both)| both[k]).sum::<f64>();
                (sum(1) - sum(0), sum(1) / sum(0) - 1.0)
            };
            let own: Vec<_> = low.capacitance_f.iter().filter(|(_, [a, _])| *a > 0.0).cloned().collect();
            let (more_f, c) = of(&own);
            let (more_h, l) = of(&low.inductance_h);
            let mut text = format!("capacitance {:+.1} % ({:+.1} fF)", 100.0 * c, more_f * 1e15);
            if !low.inductance_h.is_empty() {
                text = format!("{text}, inductance of the loops {:+.1} % ({:+.0} pH)", 100.0 * l, more_h * 1e12);
            }
            facts.push((format!("{name} against its line sections at {:.1} GHz", low.freq_hz * 1e-9), text));
        }
        let word = if kept.converged { "as asked" } else { "more than asked" };
        facts.push((format!("{name}, largest error of any entry of S"), format!("{:.1e}, {word}", kept.error_max())));
    }
    Ok(Card {
        tone: Tone::Plain,
        title: "Why they differ".into(),
        text:
            "At low frequency the field solution should be the sum of its line sections; what it has more or less is \
               the field at ends and gap, and ports that end at the edges of their metal."
                .into(),
        facts,
    })
}

/// Largest difference of every measure over the sweeps, beside the errors stated with both.
fn table(differences: &[Difference]) -> Grid {
    let row = |d: &Difference| {
        let worst = d.worst();
        let unit = d.measure.unit();
        let shown = |r: &Reading| match stated(r) {
            e if e > 0.0 => format!("{:.2} ± {:.2} {unit}", r.value, e),
            _ => format!("{:.2} {unit}", r.value),
        };
        let at = worst.0.conditions.rf_hz.map_or_else(String::new, |f| format!("{:.1}", f * 1e-9));
        vec![
            d.measure.label(),
            at,
            shown(&worst.0),
            shown(&worst.1),
            format!("{:+.2} {unit}", worst.1.value - worst.0.value),
            format!("{:+.2} {unit}", d.mean()),
            format!("{} of {}", d.within(), d.pairs.len()),
        ]
    };
    let heads = [
        "Measure",
        "RF, GHz",
        "Lines",
        "Field solution",
        "Largest difference",
        "Mean difference",
        "Points within both errors",
    ];
    Grid {
        title: "Differences over the band, where they are largest".into(),
        heads: heads.map(String::from).to_vec(),
        rows: differences.iter().map(row).collect(),
    }
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

/// Passive structures at bare pads: LO to the diodes and its balance, and how far all entries are apart.
fn passive(lines: &Design, solved: &Design) -> Result<Vec<Lines>, ProjectError> {
    let (a, b) = (lines.passive_at_pads()?, solved.passive_at_pads()?);
    let shifted = Design { solution_error: Some(0), ..solved.clone() }.passive_at_pads()?;
    let top = b.data_up_to_hz().unwrap_or(60e9);
    let (mut reach, mut balance, mut gaps) = (both(), both(), [Vec::new(), Vec::new()]);
    for k in 1..=POINTS {
        let freq_hz = top * k as f64 / POINTS as f64;
        let at = |m: &circuit::Multiport| {
            m.scattering(freq_hz).map_err(|source| ProjectError::Network { place: "passive structure".into(), source })
        };
        let (s, t, u) = (at(&a)?, at(&b)?, at(&shifted)?);
        let x = freq_hz * 1e-9;
        let ([sum_t, even_t], [sum_u, even_u]) = (to_diodes(&t), to_diodes(&u));
        let [sum_s, even_s] = to_diodes(&s);
        reach[0].points.push((x, sum_s, None));
        reach[1].points.push((x, sum_t, Some((sum_u - sum_t).abs())));
        balance[0].points.push((x, even_s, None));
        balance[1].points.push((x, even_t, Some((even_u - even_t).abs())));
        gaps[0].push((x, (&s - &t).max_abs(), None));
        gaps[1].push((x, (&u - &t).max_abs(), None));
    }
    let axis = |label: &str, unit: &str| Axis { label: label.into(), unit: unit.into() };
    let plot = |title: &str, y: Axis, curves: Vec<PlainCurve>| Lines {
        title: title.into(),
        x: axis("Frequency", "GHz"),
        y,
        curves,
        bounds: Vec::new(),
    };
    let [apart, error] = gaps;
    let gaps = vec![
        PlainCurve { name: "difference".into(), points: apart },
        PlainCurve { name: "stated error".into(), points: error },
    ];
    Ok(vec![
        plot("LO wave to all diodes, bare pads", axis("Power reaching the pads", "dB"), reach.to_vec()),
        plot("Balance of the LO between the diodes", axis("Largest over smallest wave", "dB"), balance.to_vec()),
        plot("All ports: largest difference of any entry of S", axis("|ΔS|", ""), gaps),
    ])
}

/// Two empty curves.
fn both() -> [PlainCurve; 2] {
    ["lines", "field"].map(|name| PlainCurve { name: name.into(), points: Vec::new() })
}

/// LO power that reaches the diodes together, dB, and the ratio of the largest to the smallest wave, dB.
fn to_diodes(s: &CMatrix) -> [f64; 2] {
    let waves = || (EXTERNAL..s.n_rows()).map(|k| s[(k, 0)].norm());
    let power: f64 = waves().map(|w| w * w).sum();
    let (low, high) = waves().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
    [10.0 * power.log10(), 20.0 * (high / low).log10()]
}

/// What one standard deviation of every process variable of the stack does, by lines and by the derivatives of the
/// field solutions; nothing for designs that spread in nothing.
fn derivatives(lines: &Design, solved: &Design, watch: &dyn Watch) -> Result<Option<Grid>, ProjectError> {
    if lines.process.is_empty() || solved.process.is_empty() {
        return Ok(None);
    }
    let of = |design: &Design| -> Result<(DesignProcess, Vec<Vec<f64>>), ProjectError> {
        let process = DesignProcess::new(design, watch)?;
        let n = process.variables().len();
        let (values, gradient) = process.differentiate(&vec![0.0; n])?;
        let nominal = process.measures(&values);
        let changes = (0..n).map(|k| {
            let sd = process.variables()[k].total_sd();
            let moved: Vec<_> = values.iter().enumerate().map(|(a, v)| v + gradient[(a, k)] * sd).collect();
            process.measures(&moved).iter().zip(&nominal).map(|(m, n)| m - n).collect()
        });
        let changes = changes.collect();
        Ok((process, changes))
    };
    let (a, by_lines) = of(lines)?;
    let (b, by_field) = of(solved)?;
    let band_hz = solved.plan.seats[0].rf_band_hz();
    let centre_hz = 0.5 * (band_hz.0 + band_hz.1);
    let near = |p: &DesignProcess, measure: Measure| {
        let own = p.quantities().iter().enumerate().filter(|(_, q)| q.measure == measure);
        let distance = |q: &tolerance::Quantity| (q.conditions.rf_hz.unwrap_or(centre_hz) - centre_hz).abs();
        own.min_by(|x, y| distance(x.1).total_cmp(&distance(y.1))).map(|(i, _)| i)
    };
    let shown: Vec<(Measure, usize, usize)> =
        MEASURES.iter().filter_map(|m| Some((*m, near(&a, *m)?, near(&b, *m)?))).collect();
    let rows = a.variables().iter().enumerate().filter(|(_, v)| of_stack(solved, &v.name)).filter_map(|(k, v)| {
        let other = b.variables().iter().position(|w| w.name == v.name)?;
        let cell =
            |(_, i, j): &(Measure, usize, usize)| format!("{:+.3} / {:+.3}", by_lines[k][*i], by_field[other][*j]);
        Some(
            [vec![v.name.clone(), format!("{:.3} {}", v.total_sd(), v.unit)], shown.iter().map(cell).collect()]
                .concat(),
        )
    });
    let heads = shown.iter().map(|(m, ..)| format!("{}, {}", m.label(), m.unit()));
    Ok(Some(Grid {
        title: format!("What one standard deviation does, lines / field solution, RF near {:.1} GHz", centre_hz * 1e-9),
        rows: rows.collect(),
        heads: ["Variable".to_string(), "Standard deviation".into()].into_iter().chain(heads).collect(),
    }))
}

/// True for a number of the stack: what the passive structure spreads in.
fn of_stack(design: &Design, name: &str) -> bool {
    let Some(technology) = &design.technology else { return false };
    let owner = name.rsplit_once('.').map_or(name, |(owner, _)| owner);
    let stack = &technology.stackup;
    name == "registration"
        || stack.layers.iter().any(|l| l.name == owner)
        || stack.dielectrics.iter().any(|d| d.name == owner)
}
