//! From the items of a review to pictures.

use crate::number::{bound, fixed, frequency, plain, shown, typeset};
use crate::picture::{
    Arrow, Cell, CellLevel, Forbidden, JunctionScale, JunctionWaves, LevelGrid, LimitLine, LinePlot, Look,
    PhasorDiagram, Point, Series, SmithDisplay, SmithLocus,
};
use crate::words;
use spec::{
    Axis, Bound, Cancellation, CurvePlot, Item, Limit, Outcome, Reading, Review, SmithPlot, SpurEntry, SpurGrid,
    WaveformPlot,
};

/// Pictures of an item: short name for files and the SVG text.
pub(crate) fn pictures_of(item: &Item, look: Look) -> Vec<(String, String)> {
    match item {
        Item::Curves(p) => vec![("curves".into(), curves(p).svg(look))],
        Item::Spurs(g) => spur_grids(g).into_iter().map(|(name, grid)| (name.into(), grid.svg(look))).collect(),
        Item::Smith(s) => vec![("smith".into(), smith(s).svg(look))],
        Item::Waveforms(w) => waveforms(w, look),
        Item::Table(_) => Vec::new(),
        Item::Figure(f) => crate::figures::pictures(f, look),
    }
}

/// Every picture of a review to stand alone: file name and SVG text.
///
/// Names are `section-number-kind.svg` in lower case, unique within a review.
pub fn pictures(review: &Review) -> Vec<(String, String)> {
    let mut out = Vec::new();
    for section in &review.sections {
        let mut number = 0;
        for (kind, svg) in section.items.iter().flat_map(|i| pictures_of(i, Look::Standalone)) {
            number += 1;
            out.push((format!("{}-{number:02}-{}.svg", file_word(&section.key), file_word(&kind)), svg));
        }
    }
    for (number, (reading, cancellation)) in cancelled(&review.summary).enumerate() {
        let name = format!("cancellation-{:02}-{}.svg", number + 1, file_word(&reading.measure.key()));
        out.push((name, phasors(&reading.measure.label(), cancellation).svg(Look::Standalone)));
    }
    make_unique(&mut out);
    out
}

/// Readings formed by cancellation.
pub(crate) fn cancelled(readings: &[Reading]) -> impl Iterator<Item = (&Reading, &Cancellation)> {
    readings.iter().filter_map(|r| r.quality.cancellation.as_ref().map(|c| (r, c)))
}

fn make_unique(files: &mut [(String, String)]) {
    let mut seen = std::collections::BTreeSet::new();
    for (name, _) in files {
        let stem = name.trim_end_matches(".svg").to_owned();
        let mut copy = 1;
        while !seen.insert(name.clone()) {
            copy += 1;
            *name = format!("{stem}-{copy}.svg");
        }
    }
}

/// Letters, digits and dashes only.
fn file_word(text: &str) -> String {
    let safe = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' };
    let word: String = text.chars().map(safe).collect();
    let word = word.trim_matches('-').to_owned();
    if word.is_empty() { "picture".into() } else { word }
}

fn with_unit(label: &str, unit: &str) -> String {
    if unit.is_empty() { label.to_owned() } else { format!("{label}, {unit}") }
}

/// Line plot of a curve item.
pub(crate) fn curves(p: &CurvePlot) -> LinePlot {
    let series = p
        .curves
        .iter()
        .map(|c| Series {
            name: c.name.clone(),
            points: c.points.iter().map(|(x, r)| point(*x, r, &c.name, &p.x)).collect(),
        })
        .collect();
    let mut notes = Vec::new();
    let limits = p.limits.iter().filter_map(|l| limit_line(l, p, &mut notes)).collect();
    LinePlot {
        title: p.title.clone(),
        x_label: with_unit(&p.x.label, &p.x.unit),
        y_label: with_unit(&p.y_label, &p.y_unit),
        series,
        limits,
        notes,
    }
}

fn point(x: f64, r: &Reading, name: &str, axis: &Axis) -> Point {
    Point {
        x,
        y: r.value,
        band: r.quality.numeric_band,
        reach: words::is_banded(&r.quality).then(|| r.quality.interval(r.value)).flatten(),
        hollow: r.quality.is_bound || r.quality.outcome == Outcome::Almost,
        tip: format!("{name}: {} at {} {}", typeset(&words::value(r)), typeset(&plain(x)), axis.unit),
    }
}

/// A limit over the abscissae whose signal frequency it covers.
fn limit_line(limit: &Limit, plot: &CurvePlot, notes: &mut Vec<String>) -> Option<LimitLine> {
    let (value, forbidden) = match limit.bound {
        Bound::AtMost(x) => (x, Forbidden::Above),
        Bound::AtLeast(x) => (x, Forbidden::Below),
    };
    let label = format!("limit {}", typeset(&bound(limit.bound, &plot.y_unit)));
    let mut extent = None;
    if let Some((lo, hi)) = limit.band_hz {
        let slack = 1e-9 * hi.abs();
        let covers = |f: Option<f64>| f.is_some_and(|f| f >= lo - slack && f <= hi + slack);
        let inside = plot.curves.iter().flat_map(|c| &c.points).filter(|(x, r)| {
            x.is_finite()
                && (covers(r.conditions.rf_hz) || covers(r.conditions.if_hz) || covers(Some(r.conditions.lo_hz)))
        });
        let span = inside.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), (x, _)| (a.min(*x), b.max(*x)));
        if span.1 < span.0 {
            notes.push(format!("The {label} holds from {}, outside this sweep.", words::frequency_range((lo, hi))));
            return None;
        }
        extent = Some(span);
    }
    Some(LimitLine { value, forbidden, extent, label })
}

/// Smith display of a Smith item.
pub(crate) fn smith(s: &SmithPlot) -> SmithDisplay {
    let loci = s
        .loci
        .iter()
        .map(|l| SmithLocus { name: l.name.clone(), points: l.points.iter().map(|(f, g)| (*f, g.re, g.im)).collect() });
    SmithDisplay { title: s.title.clone(), reference_ohm: s.reference_ohm, loci: loci.collect() }
}

/// True when a grid makes no claim on the level of this entry.
pub(crate) fn not_claimed(grid: &SpurGrid, entry: &SpurEntry) -> bool {
    entry.reading.value < grid.not_claimed_dbc
}

/// True for the product all others are compared with.
pub(crate) fn is_wanted(entry: &SpurEntry) -> bool {
    // By definition 0 dBc; nothing else is that close to it.
    entry.m == 1 && entry.n == 1 && entry.reading.value.abs() < 1e-9
}

/// Difference and sum products as one grid each; grids without entries are left out.
pub(crate) fn spur_grids(g: &SpurGrid) -> Vec<(&'static str, LevelGrid)> {
    [(false, "spurs-difference", "difference products"), (true, "spurs-sum", "sum products")]
        .into_iter()
        .filter_map(|(sum, name, words)| {
            let cells: Vec<Cell> = g.entries.iter().filter(|e| e.sum == sum).map(|e| cell(g, e)).collect();
            (!cells.is_empty()).then(|| (name, level_grid(g, cells, words)))
        })
        .collect()
}

fn level_grid(g: &SpurGrid, cells: Vec<Cell>, kind: &str) -> LevelGrid {
    let wanted = words::dbm((10.0 * g.wanted_dbm).round() / 10.0);
    let mut notes = vec![format!("Levels in dBc, relative to the wanted product of {}.", typeset(&wanted))];
    if cells.iter().any(|c| matches!(&c.level, CellLevel::Level { band, .. } if !band.is_empty())) {
        notes.push("Second line: numeric band in dB.".into());
    }
    if cells.iter().any(|c| c.level == CellLevel::NotClaimed) {
        notes.push(format!("Not claimed: below {} dBc.", typeset(&fixed(g.not_claimed_dbc, 0))));
    }
    LevelGrid {
        title: format!("{}: {kind}", g.title),
        row_label: format!("{} order m", g.input.label()),
        column_label: "LO order n".into(),
        cells,
        floor_dbc: g.not_claimed_dbc,
        notes,
    }
}

fn cell(g: &SpurGrid, e: &SpurEntry) -> Cell {
    let s = shown(&e.reading);
    let level = if !e.reading.value.is_finite() {
        CellLevel::NoValue
    } else if is_wanted(e) {
        CellLevel::Wanted
    } else if not_claimed(g, e) {
        CellLevel::NotClaimed
    } else {
        // One decimal at most: a cell is for the overview, the table below has the digits.
        let value = if s.band.is_empty() || s.value.contains('.') { fixed(e.reading.value, 1) } else { s.value };
        let band = if s.band.is_empty() { String::new() } else { format!("± {}", s.band) };
        CellLevel::Level { dbc: e.reading.value, value: typeset(&format!("{}{value}", s.relation)), band }
    };
    let sign = if e.sum { "+" } else { "−" };
    let said = match level {
        CellLevel::NotClaimed => format!("not claimed, below {} dBc", fixed(g.not_claimed_dbc, 0)),
        _ => words::value(&e.reading),
    };
    let tip =
        format!("{} LO {sign} {} {} at {}: {}", e.n, e.m, g.input.label(), frequency(e.frequency_hz), typeset(&said));
    Cell { row: e.m, column: e.n, level, cancelled: e.reading.quality.cancellation.is_some(), tip }
}

fn waveforms(w: &WaveformPlot, look: Look) -> Vec<(String, String)> {
    let scaled = |list: &[f64], factor: f64| list.iter().map(|v| v * factor).collect::<Vec<_>>();
    let all: Vec<JunctionWaves> = w
        .junctions
        .iter()
        .map(|j| JunctionWaves {
            title: format!("{}: {}", w.title, j.name),
            time_ps: scaled(&j.time_s, 1e12),
            voltage_v: j.voltage_v.clone(),
            current_ma: scaled(&j.current_a, 1e3),
            total_ma: scaled(&j.total_current_a, 1e3),
        })
        .collect();
    let scale = JunctionScale::common(&all);
    w.junctions.iter().zip(&all).map(|(j, waves)| (format!("waveform-{}", j.name), waves.svg(look, &scale))).collect()
}

/// The cancelling terms of a number.
pub(crate) fn phasors(title: &str, c: &Cancellation) -> PhasorDiagram {
    let terms = c.terms.iter().map(|t| Arrow { name: t.name.clone(), re: t.value.re, im: t.value.im }).collect();
    PhasorDiagram { title: title.to_owned(), terms, unit: "V".into() }
}

#[cfg(test)]
#[path = "../tests/sample/mod.rs"]
mod sample;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::text_area;

    /// Size of the picture and the estimated area of each text in it.
    fn texts(svg: &str) -> (f64, f64, Vec<(String, [f64; 4])>) {
        let doc = roxmltree::Document::parse(svg).expect("well-formed SVG");
        let number = |n: roxmltree::Node<'_, '_>, name: &str| {
            n.attribute(name).and_then(|v| v.parse::<f64>().ok()).expect("a number")
        };
        let root = doc.root_element();
        let all = doc.descendants().filter(|n| n.has_tag_name("text")).map(|n| {
            let text = n.text().unwrap_or_default();
            let at = (number(n, "x"), number(n, "y"));
            (text.to_owned(), text_area(text, number(n, "font-size"), n.attribute("text-anchor"), at))
        });
        (number(root, "width"), number(root, "height"), all.collect())
    }

    #[test]
    fn text_is_never_clipped_and_never_overlaps() {
        for review in [sample::review(), sample::stress::empty(), sample::stress::broken(), sample::stress::crowded()] {
            let items = review.sections.iter().flat_map(|s| &s.items);
            for (name, svg) in items.flat_map(|i| pictures_of(i, Look::Embedded)) {
                let (width, height, texts) = texts(&svg);
                for (i, (text, a)) in texts.iter().enumerate() {
                    let inside = a[0] >= -0.5 && a[1] >= -0.5 && a[2] <= width + 0.5 && a[3] <= height + 0.5;
                    assert!(inside, "{name}: `{text}` at {a:?} leaves {width} × {height}\n");
                    for (other, b) in &texts[..i] {
                        let apart = a[0] >= b[2] || b[0] >= a[2] || a[1] >= b[3] || b[1] >= a[3];
                        assert!(apart, "{name}: `{text}` {a:?} covers `{other}` {b:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_limit_is_drawn_where_its_band_is_and_named_where_it_is_not() {
        let review = sample::review();
        let plot = |title: &str| {
            let found = review.sections.iter().flat_map(|s| &s.items).find_map(|i| match i {
                Item::Curves(p) if p.title == title => Some(p.clone()),
                _ => None,
            });
            found.expect("the sample has this plot")
        };
        let mut loss = plot("Conversion loss");
        assert_eq!(curves(&loss).limits[0].extent, Some((20.0, 26.0)));
        loss.limits[0].band_hz = Some((22e9, 24e9));
        assert_eq!(curves(&loss).limits[0].extent, Some((22.0, 24.0)));
        loss.limits[0].band_hz = Some((42e9, 44e9));
        let far = curves(&loss);
        assert!(far.limits.is_empty());
        assert!(far.notes[0].contains("42 to 44 GHz"), "{:?}", far.notes);
    }
}
