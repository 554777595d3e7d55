//! Things to show that are not curves of readings: distributions, shares, findings, tables, drawings.

use crate::{Axis, Bound, Limit};

/// One of them.
#[derive(Debug, Clone, PartialEq)]
pub enum Figure {
    /// Distribution of samples.
    Histogram(Histogram),
    /// Shares or changes, one bar a name.
    Bars(Bars),
    /// Findings in plain words.
    Cards(Cards),
    /// Table of texts.
    Grid(Grid),
    /// Shapes in named layers: a layout in plan or a section through the stack.
    Drawing(Drawing),
    /// Curves of plain numbers.
    Lines(Lines),
    /// Values on triangles of a plan.
    Map(FieldMap),
}

/// Curves of plain numbers, such as a prediction without quality of its own.
#[derive(Debug, Clone, PartialEq)]
pub struct Lines {
    /// Title.
    pub title: String,
    /// Horizontal axis.
    pub x: Axis,
    /// Vertical axis.
    pub y: Axis,
    /// The curves.
    pub curves: Vec<PlainCurve>,
    /// Limits to draw.
    pub bounds: Vec<Bound>,
}

/// One curve of plain numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct PlainCurve {
    /// Name in the legend.
    pub name: String,
    /// Abscissa, value, and half width of the band around it, each in the unit of its axis.
    pub points: Vec<(f64, f64, Option<f64>)>,
}

/// Values on triangles of a plan, such as the magnitude of a surface current.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldMap {
    /// Title.
    pub title: String,
    /// Unit of the values; they are zero or positive.
    pub unit: String,
    /// Corners in micrometres, and the value.
    pub triangles: Vec<([(f64, f64); 3], f64)>,
    /// Marks, such as ports.
    pub marks: Vec<Mark>,
    /// Height over width of a micrometre on paper.
    pub stretch: f64,
}

/// Distribution of samples.
#[derive(Debug, Clone, PartialEq)]
pub struct Histogram {
    /// Title.
    pub title: String,
    /// Label of the horizontal axis, without unit.
    pub x_label: String,
    /// Unit of the samples.
    pub unit: String,
    /// The samples; those that are not finite are counted apart.
    pub samples: Vec<f64>,
    /// The limit they are judged against.
    pub limit: Option<Limit>,
}

/// Bars from zero, one a name, with an interval where known.
#[derive(Debug, Clone, PartialEq)]
pub struct Bars {
    /// Title.
    pub title: String,
    /// Unit of the values; empty for none.
    pub unit: String,
    /// The bars, in the order shown.
    pub bars: Vec<Bar>,
}

/// One bar.
#[derive(Debug, Clone, PartialEq)]
pub struct Bar {
    /// Its name.
    pub name: String,
    /// Its length.
    pub value: f64,
    /// Lower and upper end of the interval.
    pub interval: Option<(f64, f64)>,
}

/// How serious a card is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// In order.
    Good,
    /// Something is wrong.
    Bad,
    /// Not decided.
    Open,
    /// For information.
    Plain,
}

/// A finding in plain words.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    /// How serious.
    pub tone: Tone,
    /// One line.
    pub title: String,
    /// What was found, why, what to do next.
    pub text: String,
    /// Names and values that support it.
    pub facts: Vec<(String, String)>,
}

/// Findings side by side.
#[derive(Debug, Clone, PartialEq)]
pub struct Cards {
    /// Title.
    pub title: String,
    /// The cards.
    pub cards: Vec<Card>,
}

/// Table of texts.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    /// Title.
    pub title: String,
    /// Heads of the columns.
    pub heads: Vec<String>,
    /// Rows, each as long as `heads`; numbers are aligned by the reader of the table.
    pub rows: Vec<Vec<String>>,
}

/// Shapes of one layer of a drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct DrawingLayer {
    /// Name in the legend.
    pub name: String,
    /// Closed outlines, points in micrometres.
    pub outlines: Vec<Vec<(f64, f64)>>,
}

/// A mark with a name on a drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Its text.
    pub name: String,
    /// Where, micrometres.
    pub at: (f64, f64),
}

/// Shapes in named layers, lowest first.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Title.
    pub title: String,
    /// Layers, drawn in this order.
    pub layers: Vec<DrawingLayer>,
    /// Ports, diode sites, rule violations.
    pub marks: Vec<Mark>,
    /// Height over width of a micrometre on paper: more than one stretches thin layers of a section.
    pub stretch: f64,
}
