//! Figures that are not made of readings: pictures, page, terminal and file format.

use crate::number::{escape, fixed, plain, typeset};
use crate::picture::{
    BarPlot, DrawingPicture, Forbidden, Histogram, LayerShapes, LimitLine, LinePlot, Look, MapPicture, NamedBar, Point,
    Series,
};
use crate::words;
use serde::{Deserialize, Serialize};
use spec::{Bound, Card, Cards, Figure, Grid, Limit, Tone};
use std::fmt::Write as _;

/// Pictures of a figure: short name for files and the SVG text.
pub(crate) fn pictures(figure: &Figure, look: Look) -> Vec<(String, String)> {
    match figure {
        Figure::Histogram(h) => vec![("distribution".into(), histogram(h).svg(look))],
        Figure::Bars(b) => vec![("bars".into(), bars(b).svg(look))],
        Figure::Drawing(d) => vec![("drawing".into(), drawing(d).svg(look))],
        Figure::Lines(l) => vec![("curves".into(), lines(l).svg(look))],
        Figure::Map(m) => vec![("map".into(), map(m).svg(look))],
        Figure::Cards(_) | Figure::Grid(_) => Vec::new(),
    }
}

/// True when the figure wants the whole width of the page.
pub(crate) const fn is_wide(figure: &Figure) -> bool {
    matches!(figure, Figure::Cards(_) | Figure::Grid(_) | Figure::Drawing(_) | Figure::Map(_))
}

/// The figure in the page, without its frame.
pub(crate) fn html(figure: &Figure) -> String {
    let (title, body) = match figure {
        Figure::Histogram(h) => (&h.title, histogram(h).svg(Look::Embedded)),
        Figure::Bars(b) => (&b.title, bars(b).svg(Look::Embedded)),
        Figure::Drawing(d) => (&d.title, drawing(d).svg(Look::Embedded)),
        Figure::Lines(l) => (&l.title, lines(l).svg(Look::Embedded) + &lines_table(l)),
        Figure::Map(m) => (&m.title, map(m).svg(Look::Embedded)),
        Figure::Cards(c) => (&c.title, cards(c)),
        Figure::Grid(g) => (&g.title, grid(g)),
    };
    format!("<figure><figcaption>{}</figcaption>\n{body}</figure>\n", escape(title))
}

fn histogram(h: &spec::Histogram) -> Histogram {
    let x_label = if h.unit.is_empty() { h.x_label.clone() } else { format!("{}, {}", h.x_label, h.unit) };
    Histogram { title: h.title.clone(), x_label, samples: h.samples.clone(), limit: h.limit.as_ref().map(limit_line) }
}

fn limit_line(l: &Limit) -> LimitLine {
    let (value, forbidden) = match l.bound {
        Bound::AtMost(x) => (x, Forbidden::Above),
        Bound::AtLeast(x) => (x, Forbidden::Below),
    };
    LimitLine { label: typeset(&words::limit_bound(l)), value, forbidden, extent: None }
}

fn bars(b: &spec::Bars) -> BarPlot {
    let bar = |b: &spec::Bar| NamedBar { name: b.name.clone(), value: b.value, interval: b.interval };
    BarPlot { title: b.title.clone(), unit: b.unit.clone(), bars: b.bars.iter().map(bar).collect() }
}

fn drawing(d: &spec::Drawing) -> DrawingPicture {
    let layer = |l: &spec::DrawingLayer| LayerShapes { name: l.name.clone(), outlines: l.outlines.clone() };
    DrawingPicture {
        title: d.title.clone(),
        layers: d.layers.iter().map(layer).collect(),
        marks: d.marks.iter().map(|m| (m.name.clone(), m.at)).collect(),
        stretch: d.stretch,
    }
}

fn lines(l: &spec::Lines) -> LinePlot {
    let axis = |a: &spec::Axis| if a.unit.is_empty() { a.label.clone() } else { format!("{}, {}", a.label, a.unit) };
    let series = |c: &spec::PlainCurve| Series {
        name: c.name.clone(),
        points: c
            .points
            .iter()
            .map(|&(x, y, band)| Point {
                x,
                y,
                band,
                reach: None,
                hollow: false,
                tip: format!("{}: {} {} at {} {}", c.name, typeset(&fixed(y, 3)), l.y.unit, plain(x), l.x.unit),
            })
            .collect(),
    };
    let limit = |b: &Bound| {
        let (word, value, forbidden) = match *b {
            Bound::AtMost(x) => ("at most", x, Forbidden::Above),
            Bound::AtLeast(x) => ("at least", x, Forbidden::Below),
        };
        let label = typeset(format!("{word} {} {}", plain(value), l.y.unit).trim_end());
        LimitLine { label, value, forbidden, extent: None }
    };
    LinePlot {
        title: l.title.clone(),
        x_label: axis(&l.x),
        y_label: axis(&l.y),
        series: l.curves.iter().map(series).collect(),
        limits: l.bounds.iter().map(limit).collect(),
        notes: Vec::new(),
    }
}

/// The numbers of the curves, folded away.
fn lines_table(l: &spec::Lines) -> String {
    let count: usize = l.curves.iter().map(|c| c.points.len()).sum();
    let heads = ["Curve".into(), format!("{}, {}", l.x.label, l.x.unit), format!("{}, {}", l.y.label, l.y.unit)];
    let row = |c: &spec::PlainCurve, &(x, y, band): &(f64, f64, Option<f64>)| {
        let band = band.map_or(String::new(), |b| format!(" ± {}", fixed(b, 3)));
        vec![c.name.clone(), plain(x), fixed(y, 3) + &band]
    };
    let rows = l.curves.iter().flat_map(|c| c.points.iter().map(move |p| row(c, p))).collect();
    let table = grid(&Grid { title: String::new(), heads: heads.to_vec(), rows });
    format!("<details><summary>Numbers ({count})</summary>\n{table}</details>\n")
}

fn map(m: &spec::FieldMap) -> MapPicture {
    MapPicture {
        title: m.title.clone(),
        unit: m.unit.clone(),
        triangles: m.triangles.clone(),
        marks: m.marks.iter().map(|m| (m.name.clone(), m.at)).collect(),
        stretch: m.stretch,
    }
}

fn cards(c: &Cards) -> String {
    let mut out = String::from("<div class=\"cards findings\">\n");
    for card in &c.cards {
        one_card(&mut out, card);
    }
    out + "</div>\n"
}

fn one_card(out: &mut String, card: &Card) {
    let (class, symbol) = match card.tone {
        Tone::Good => ("pass", "✓"),
        Tone::Bad => ("fail", "✗"),
        Tone::Open => ("undecided", "?"),
        Tone::Plain => ("notcomputed", "○"),
    };
    let _ = writeln!(
        out,
        "<div class=\"card\"><div class=\"status {class}\"><span class=\"badge\" aria-hidden=\"true\">{symbol}</span>{}</div>\
         <p>{}</p>",
        escape(&card.title),
        escape(&card.text)
    );
    for (name, value) in &card.facts {
        let _ = writeln!(out, "<div class=\"how\">{}: {}</div>", escape(name), escape(&typeset_value(value)));
    }
    out.push_str("</div>\n");
}

/// Typographic minus in front of a leading digit only.
fn typeset_value(text: &str) -> String {
    text.strip_prefix('-')
        .filter(|rest| rest.starts_with(|c: char| c.is_ascii_digit()))
        .map_or_else(|| text.to_owned(), |rest| format!("−{rest}"))
}

fn grid(g: &Grid) -> String {
    let numeric: Vec<bool> = (0..g.heads.len()).map(|k| is_numeric(g, k)).collect();
    let class = |k: usize| if numeric.get(k) == Some(&true) { " class=\"n\"" } else { "" };
    let mut out = String::from("<div class=\"scroll\"><table class=\"texts\"><thead><tr>");
    for (k, head) in g.heads.iter().enumerate() {
        let _ = write!(out, "<th scope=\"col\"{}>{}</th>", class(k), escape(head));
    }
    out.push_str("</tr></thead><tbody>\n");
    for row in &g.rows {
        out.push_str("<tr>");
        for (k, cell) in row.iter().enumerate() {
            let _ = write!(out, "<td{}>{}</td>", class(k), escape(&typeset_value(cell)));
        }
        out.push_str("</tr>\n");
    }
    out + "</tbody></table></div>\n"
}

/// True when every cell of a column that holds something begins with a digit or a sign.
fn is_numeric(g: &Grid, column: usize) -> bool {
    let mut cells = g.rows.iter().filter_map(|r| r.get(column)).filter(|c| !c.is_empty()).peekable();
    cells.peek().is_some()
        && cells.all(|c| {
            c.trim_start_matches(['-', '+', '−', '±', '≤', '≥', ' ']).starts_with(|c: char| c.is_ascii_digit())
        })
}

/// A figure as text for the terminal; empty for drawings.
pub fn text(figure: &Figure) -> String {
    let mut out = String::new();
    match figure {
        Figure::Cards(c) => {
            for card in &c.cards {
                let sign = match card.tone {
                    Tone::Good => "ok  ",
                    Tone::Bad => "BAD ",
                    Tone::Open => "open",
                    Tone::Plain => "    ",
                };
                let _ = writeln!(out, "{sign}  {}\n      {}", card.title, card.text);
            }
        }
        Figure::Grid(g) => {
            let width = |k: usize| {
                let cells = g.rows.iter().filter_map(|r| r.get(k)).chain(g.heads.get(k));
                cells.map(|c| c.chars().count()).max().unwrap_or(0)
            };
            let line = |row: &[String]| {
                let cells = row.iter().enumerate().map(|(k, c)| format!("{c:<w$}", w = width(k)));
                cells.collect::<Vec<_>>().join("  ").trim_end().to_owned()
            };
            let _ = writeln!(out, "{}\n{}", g.title, line(&g.heads));
            for row in &g.rows {
                let _ = writeln!(out, "{}", line(row));
            }
        }
        Figure::Bars(b) => {
            let _ = writeln!(out, "{}", b.title);
            for bar in &b.bars {
                let _ = writeln!(out, "  {:<28} {} {}", bar.name, plain(bar.value), b.unit);
            }
        }
        Figure::Histogram(h) => {
            let finite: Vec<f64> = h.samples.iter().copied().filter(|v| v.is_finite()).collect();
            let mean = finite.iter().sum::<f64>() / finite.len().max(1) as f64;
            let _ = writeln!(out, "{}: {} samples, mean {} {}", h.title, finite.len(), fixed(mean, 2), h.unit);
        }
        Figure::Lines(l) => {
            for curve in &l.curves {
                let values = || curve.points.iter().map(|p| p.1).filter(|y| y.is_finite());
                let (low, high) = values().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), y| (l.min(y), h.max(y)));
                let _ =
                    writeln!(out, "{}: {} from {} to {} {}", l.title, curve.name, plain(low), plain(high), l.y.unit);
            }
        }
        Figure::Drawing(_) | Figure::Map(_) => {}
    }
    out
}

/// A figure in the JSON file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "figure", rename_all = "snake_case")]
pub enum FigureFile {
    /// Distribution of samples.
    Histogram {
        /// Title.
        title: String,
        /// Label of the axis.
        x_label: String,
        /// Unit of the samples.
        unit: String,
        /// Samples; `null` where there is no value.
        samples: Vec<Option<f64>>,
        /// The limit in words.
        limit: Option<String>,
    },
    /// Bars.
    Bars {
        /// Title.
        title: String,
        /// Unit.
        unit: String,
        /// The bars.
        bars: Vec<BarFile>,
    },
    /// Findings.
    Cards {
        /// Title.
        title: String,
        /// The cards.
        cards: Vec<CardFile>,
    },
    /// Table of texts.
    Grid {
        /// Title.
        title: String,
        /// Heads of the columns.
        heads: Vec<String>,
        /// Rows.
        rows: Vec<Vec<String>>,
    },
    /// Shapes in layers.
    Drawing {
        /// Title.
        title: String,
        /// Layers, lowest first; points in micrometres.
        layers: Vec<LayerFile>,
        /// Marks: name, x and y in micrometres.
        marks: Vec<(String, f64, f64)>,
    },
    /// Curves of plain numbers.
    Lines {
        /// Title.
        title: String,
        /// Label and unit of the horizontal axis.
        x: (String, String),
        /// Label and unit of the vertical axis.
        y: (String, String),
        /// Name of each curve with abscissa, value, and half width of the band.
        curves: Vec<(String, Vec<PointFile>)>,
    },
    /// Values on triangles of a plan.
    Map {
        /// Title.
        title: String,
        /// Unit of the values.
        unit: String,
        /// x1, y1, x2, y2, x3, y3 in micrometres, and the value.
        triangles: Vec<([f64; 6], Option<f64>)>,
    },
}

/// Abscissa, value, and half width of the band of a point in the JSON file.
type PointFile = (f64, Option<f64>, Option<f64>);

/// A bar in the JSON file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BarFile {
    /// Name.
    pub name: String,
    /// Value.
    pub value: Option<f64>,
    /// Ends of the interval.
    pub interval: Option<(f64, f64)>,
}

/// A card in the JSON file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CardFile {
    /// `good`, `bad`, `open` or `plain`.
    pub tone: String,
    /// One line.
    pub title: String,
    /// What, why, what next.
    pub text: String,
    /// Names and values.
    pub facts: Vec<(String, String)>,
}

/// A layer in the JSON file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LayerFile {
    /// Name.
    pub name: String,
    /// Closed outlines, micrometres.
    pub outlines: Vec<Vec<(f64, f64)>>,
}

/// A figure in the structs of the file.
pub(crate) fn file(figure: &Figure) -> FigureFile {
    let finite = |v: f64| v.is_finite().then_some(v);
    match figure {
        Figure::Histogram(h) => FigureFile::Histogram {
            title: h.title.clone(),
            x_label: h.x_label.clone(),
            unit: h.unit.clone(),
            samples: h.samples.iter().copied().map(finite).collect(),
            limit: h.limit.as_ref().map(words::limit_bound),
        },
        Figure::Bars(b) => FigureFile::Bars {
            title: b.title.clone(),
            unit: b.unit.clone(),
            bars: b
                .bars
                .iter()
                .map(|b| BarFile {
                    name: b.name.clone(),
                    value: finite(b.value),
                    interval: b.interval.filter(|(l, h)| l.is_finite() && h.is_finite()),
                })
                .collect(),
        },
        Figure::Cards(c) => {
            FigureFile::Cards { title: c.title.clone(), cards: c.cards.iter().map(card_file).collect() }
        }
        Figure::Grid(g) => FigureFile::Grid { title: g.title.clone(), heads: g.heads.clone(), rows: g.rows.clone() },
        Figure::Drawing(d) => FigureFile::Drawing {
            title: d.title.clone(),
            layers: d.layers.iter().map(|l| LayerFile { name: l.name.clone(), outlines: l.outlines.clone() }).collect(),
            marks: d.marks.iter().map(|m| (m.name.clone(), m.at.0, m.at.1)).collect(),
        },
        Figure::Lines(l) => {
            let points =
                |c: &spec::PlainCurve| c.points.iter().map(|&(x, y, b)| (x, finite(y), b.and_then(finite))).collect();
            let curves = l.curves.iter().map(|c| (c.name.clone(), points(c))).collect();
            let axis = |a: &spec::Axis| (a.label.clone(), a.unit.clone());
            FigureFile::Lines { title: l.title.clone(), x: axis(&l.x), y: axis(&l.y), curves }
        }
        Figure::Map(m) => FigureFile::Map {
            title: m.title.clone(),
            unit: m.unit.clone(),
            triangles: m.triangles.iter().map(|([a, b, c], v)| ([a.0, a.1, b.0, b.1, c.0, c.1], finite(*v))).collect(),
        },
    }
}

fn card_file(c: &Card) -> CardFile {
    let tone = match c.tone {
        Tone::Good => "good",
        Tone::Bad => "bad",
        Tone::Open => "open",
        Tone::Plain => "plain",
    };
    CardFile { tone: tone.into(), title: c.title.clone(), text: c.text.clone(), facts: c.facts.clone() }
}
