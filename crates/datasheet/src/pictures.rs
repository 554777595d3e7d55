//! Which pictures a datasheet shows, made by the kernel of `report`.

use crate::Sheet;
use crate::words::{fixed, frequency, level};
use report::picture::{Cell, CellLevel, LevelGrid, LinePlot, Look, Point, Series};
use spec::{Curve, CurvePlot, Item, Measure, PortName, Section, SpurEntry, SpurGrid};

/// A picture with its title.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Panel {
    pub(crate) title: String,
    pub(crate) svg: String,
}

/// Most pictures of curves.
const CURVES_MAX: usize = 8;

/// The curves of the second page, in reading order.
pub(crate) fn curves(sheet: &Sheet, look: Look) -> Vec<Panel> {
    let sections = &sheet.review.sections;
    let is = |m: Measure| move |x: Measure| x == m;
    let isolation_from =
        |port: PortName| move |x: Measure| matches!(x, Measure::Isolation { from, .. } if from == port);
    let against_level = level_sweep(sections, "Conversion loss");
    // noise may be withheld
    let with_noise = against_level.as_ref().is_some_and(|p| p.curves.len() > 1);
    let level_title = if with_noise { "Loss and noise figure against LO level" } else { "Loss against LO level" };
    let wanted = [
        ("Conversion loss, down", merged(sections, "down_fixed_lo", &is(Measure::ConversionLoss), 1)),
        ("Conversion loss, up", merged(sections, "up_fixed_lo", &is(Measure::ConversionLossUp), 1)),
        ("Return loss at RF, LO on", merged(sections, "down_fixed_lo", &is(Measure::ReturnLoss(PortName::Rf)), 2)),
        ("Isolation from RF, LO on", named(sections, "down_fixed_lo", &isolation_from(PortName::Rf))),
        (level_title, against_level),
        ("LO leakage against LO level", merged(sections, "lo_level", &isolation_from(PortName::Lo), 1)),
        ("Return loss against LO level", merged(sections, "lo_level", &|x| matches!(x, Measure::ReturnLoss(_)), 1)),
        ("Conversion loss against RF level", merged(sections, "compression", &is(Measure::ConversionLoss), 1)),
        ("Noise figure", merged(sections, "noise", &|_| true, 1)),
    ];
    let shown = wanted.into_iter().filter_map(|(title, plot)| Some((title, plot?)));
    shown
        .map(|(title, plot)| Panel { title: title.into(), svg: line_plot(title, &plot).svg(look) })
        .take(CURVES_MAX)
        .collect()
}

/// Products over frequency and level, for the page of spurious products.
pub(crate) fn product_curves(sheet: &Sheet, look: Look) -> Vec<Panel> {
    let sections = &sheet.review.sections;
    let is_product = |x: Measure| matches!(x, Measure::Spur(_) | Measure::SpurUp(_));
    let wanted = [
        ("Strongest products over frequency", merged(sections, "products_over_frequency", &is_product, 2)),
        ("Products against RF level", merged(sections, "spur_level", &is_product, 1)),
    ];
    let shown = wanted.into_iter().filter_map(|(title, plot)| Some((title, plot?)));
    shown.map(|(title, plot)| Panel { title: title.into(), svg: line_plot(title, &plot).svg(look) }).collect()
}

fn plots<'a>(sections: &'a [Section], key: &'a str) -> impl Iterator<Item = &'a CurvePlot> {
    let mine = sections.iter().filter(move |s| s.key == key || s.key.starts_with(&format!("{key}-")));
    mine.flat_map(|s| &s.items).filter_map(|i| if let Item::Curves(p) = i { Some(p) } else { None })
}

/// The first plot of a section in which every curve keeps its measure; at most the curves that fit.
fn merged(sections: &[Section], key: &str, fits: &dyn Fn(Measure) -> bool, least_points: usize) -> Option<CurvePlot> {
    let found = plots(sections, key).find(|p| p.curves.iter().any(|c| first(c).is_some_and(fits)))?;
    let mut plot = found.clone();
    plot.curves.retain(|c| c.points.len() >= least_points);
    plot.limits.clear();
    (!plot.curves.is_empty()).then_some(plot)
}

/// Curves of several plots of a section on one picture: the first of each measure, named by its measure.
fn named(sections: &[Section], key: &str, fits: &dyn Fn(Measure) -> bool) -> Option<CurvePlot> {
    let mut out: Option<CurvePlot> = None;
    for plot in plots(sections, key) {
        let Some(curve) = plot.curves.iter().find(|c| first(c).is_some_and(fits)) else { continue };
        let name = match first(curve) {
            Some(Measure::Isolation { from, to }) => format!("{} to {}", from.label(), to.label()),
            _ => curve.name.clone(),
        };
        let curve = Curve { name, points: curve.points.clone() };
        match &mut out {
            Some(all) => all.curves.push(curve),
            None => out = Some(CurvePlot { curves: vec![curve], limits: Vec::new(), ..plot.clone() }),
        }
    }
    out
}

fn level_sweep(sections: &[Section], first_word: &str) -> Option<CurvePlot> {
    let found = plots(sections, "lo_level").find(|p| p.title.starts_with(first_word))?;
    let y_label = if found.curves.len() > 1 { found.y_label.clone() } else { "Loss".into() };
    (!found.curves.is_empty()).then(|| CurvePlot { limits: Vec::new(), y_label, ..found.clone() })
}

fn first(curve: &Curve) -> Option<Measure> {
    curve.points.first().map(|(_, r)| r.measure)
}

fn with_unit(label: &str, unit: &str) -> String {
    if unit.is_empty() { label.to_owned() } else { format!("{label}, {unit}") }
}

fn line_plot(title: &str, plot: &CurvePlot) -> LinePlot {
    let point = |x: f64, r: &spec::Reading| Point {
        x,
        y: r.value,
        band: r.quality.numeric_band,
        reach: None,
        hollow: r.quality.is_bound,
        tip: format!("{} {} at {} {}", fixed(r.value, 2), r.measure.unit(), fixed(x, 3), plot.x.unit),
    };
    let series = plot.curves.iter().map(|c| Series {
        name: c.name.replace(" -", " −"),
        points: c.points.iter().map(|(x, r)| point(*x, r)).collect(),
    });
    LinePlot {
        title: title.into(),
        x_label: with_unit(&plot.x.label, &plot.x.unit),
        y_label: with_unit(&plot.y_label, &plot.y_unit),
        series: series.collect(),
        limits: Vec::new(),
        notes: Vec::new(),
    }
}

/// One spur grid with its pictures: difference products, then sum products.
pub(crate) struct Spurs<'a> {
    pub(crate) grid: &'a SpurGrid,
    pub(crate) panels: Vec<Panel>,
}

/// All spur grids of the review.
pub(crate) fn spurs(sheet: &Sheet, look: Look) -> Vec<Spurs<'_>> {
    let grids = sheet.review.sections.iter().flat_map(|s| &s.items);
    let grids = grids.filter_map(|i| if let Item::Spurs(g) = i { Some(g) } else { None });
    grids.map(|grid| Spurs { grid, panels: spur_panels(grid, look) }).collect()
}

fn spur_panels(grid: &SpurGrid, look: Look) -> Vec<Panel> {
    let input = grid.input.label();
    [(false, "difference products", '−'), (true, "sum products", '+')]
        .into_iter()
        .filter_map(|(sum, kind, sign)| {
            let cells: Vec<Cell> = grid.entries.iter().filter(|e| e.sum == sum).map(|e| cell(grid, e)).collect();
            let title = format!("n·LO {sign} m·{input}: {kind}");
            let picture = LevelGrid {
                title: title.clone(),
                row_label: format!("{input} order m"),
                column_label: "LO order n".into(),
                floor_dbc: grid.not_claimed_dbc,
                notes: Vec::new(),
                cells,
            };
            (!picture.cells.is_empty()).then(|| Panel { title, svg: picture.svg(look) })
        })
        .collect()
}

fn cell(grid: &SpurGrid, e: &SpurEntry) -> Cell {
    let v = e.reading.value;
    let relation = if e.reading.quality.is_bound { "≤ " } else { "" };
    let level_of = if !v.is_finite() {
        CellLevel::NoValue
    } else if e.m == 1 && e.n == 1 && v.abs() < 1e-9 {
        CellLevel::Wanted
    } else if v < grid.not_claimed_dbc {
        CellLevel::NotClaimed
    } else {
        let band = match e.reading.quality.known_within() {
            Some(half) if half >= 0.05 => format!("± {}", fixed((half * 10.0).ceil() / 10.0, 1)),
            _ => String::new(),
        };
        CellLevel::Level { dbc: v, value: format!("{relation}{}", fixed(v, 1)), band }
    };
    let tip = format!("at {}, {} dBc", frequency(e.frequency_hz), fixed(v, 1));
    Cell { row: e.m, column: e.n, level: level_of, cancelled: false, tip }
}

/// What a spur grid was taken at, in one line.
pub(crate) fn spur_caption(sheet: &Sheet, grid: &SpurGrid) -> String {
    let any = grid.entries.first().map(|e| &e.reading.conditions).unwrap_or(&sheet.review.nominal);
    let output = if grid.input == PortName::If { "RF" } else { "IF" };
    let signal_hz = if grid.input == PortName::If { any.if_hz } else { any.rf_hz };
    format!(
        "At the {output} port. {} {} at {}, LO {} at {}. Wanted product {}.",
        grid.input.label(),
        signal_hz.map(frequency).unwrap_or_default(),
        any.signal_dbm.map_or_else(|| "small signal".into(), level),
        frequency(any.lo_hz),
        level(any.lo_dbm),
        level((10.0 * grid.wanted_dbm).round() / 10.0),
    )
}
