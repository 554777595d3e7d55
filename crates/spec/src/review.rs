//! The content of a design review: sections of readings, curves, grids and displays.
//!
//! Everything a reader sees is made from [`Reading`]s, so every point of every curve carries its
//! conditions and quality.

use crate::{Conditions, Figure, Limit, PortName, Reading, Verdict};
use num_complex::Complex64;
use quantity::Finding;

/// A whole review.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Review {
    /// What kind of page this is, such as `Spread in fabrication`; empty for the review of a mixer.
    pub title: String,
    /// Name of the design.
    pub design: String,
    /// One paragraph on what was reviewed.
    pub about: String,
    /// Nominal conditions.
    pub nominal: Conditions,
    /// Headline numbers, in reading order.
    pub summary: Vec<Reading>,
    /// Requirements judged.
    pub verdicts: Vec<Verdict>,
    /// The runs.
    pub sections: Vec<Section>,
    /// Remarks.
    pub findings: Vec<Finding>,
    /// Facts about the computation for people: unknowns, factorisations, solutions.
    pub work: Vec<(String, String)>,
}

/// One run of the review.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Name for machines, unique.
    pub key: String,
    /// Name for people.
    pub title: String,
    /// What was swept and what was held.
    pub text: String,
    /// What to show.
    pub items: Vec<Item>,
}

/// One thing to show.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// Line plot.
    Curves(CurvePlot),
    /// Heat map with values.
    Spurs(SpurGrid),
    /// Reflection in the Smith display.
    Smith(SmithPlot),
    /// Waveforms and load lines of the junctions.
    Waveforms(WaveformPlot),
    /// Plain table of readings.
    Table(Table),
    /// Anything that is not made of readings.
    Figure(Figure),
}

/// Horizontal axis of a line plot.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// Label without unit.
    pub label: String,
    /// Unit shown; values are in this unit.
    pub unit: String,
}

/// One curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Name in the legend.
    pub name: String,
    /// Abscissa (in the axis unit) and reading.
    pub points: Vec<(f64, Reading)>,
}

/// Line plot of curves in one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct CurvePlot {
    /// Title.
    pub title: String,
    /// Horizontal axis.
    pub x: Axis,
    /// Label of the vertical axis, without unit.
    pub y_label: String,
    /// Unit of the vertical axis.
    pub y_unit: String,
    /// Curves.
    pub curves: Vec<Curve>,
    /// Limits to draw.
    pub limits: Vec<Limit>,
}

/// One cell of a spur grid.
#[derive(Debug, Clone, PartialEq)]
pub struct SpurEntry {
    /// Order in RF, zero or positive.
    pub m: u32,
    /// Order in LO, zero or positive.
    pub n: u32,
    /// True for the sum product, false for the difference product.
    pub sum: bool,
    /// Frequency of the product, hertz, positive.
    pub frequency_hz: f64,
    /// Level with conditions and quality.
    pub reading: Reading,
}

/// Grid of products at the output, rows RF order, columns LO order.
#[derive(Debug, Clone, PartialEq)]
pub struct SpurGrid {
    /// Title.
    pub title: String,
    /// Port at which the signal counted by `m` enters.
    pub input: PortName,
    /// Cells.
    pub entries: Vec<SpurEntry>,
    /// Level of the wanted product, dBm.
    pub wanted_dbm: f64,
    /// Below this level (dBc) values are not claimed.
    pub not_claimed_dbc: f64,
}

/// A reflection coefficient over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Locus {
    /// Name in the legend.
    pub name: String,
    /// Frequency in hertz and reflection coefficient.
    pub points: Vec<(f64, Complex64)>,
}

/// Loci in the Smith display.
#[derive(Debug, Clone, PartialEq)]
pub struct SmithPlot {
    /// Title.
    pub title: String,
    /// Reference resistance, ohm.
    pub reference_ohm: f64,
    /// Loci.
    pub loci: Vec<Locus>,
}

/// One LO period at a junction.
#[derive(Debug, Clone, PartialEq)]
pub struct JunctionWaveform {
    /// Name of the diode.
    pub name: String,
    /// Time, seconds.
    pub time_s: Vec<f64>,
    /// Junction voltage, volt.
    pub voltage_v: Vec<f64>,
    /// Conduction current, ampere.
    pub current_a: Vec<f64>,
    /// Total current with displacement, ampere.
    pub total_current_a: Vec<f64>,
}

/// Waveforms and load lines of all junctions.
#[derive(Debug, Clone, PartialEq)]
pub struct WaveformPlot {
    /// Title.
    pub title: String,
    /// The junctions.
    pub junctions: Vec<JunctionWaveform>,
}

/// Plain table of readings.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Title.
    pub title: String,
    /// Readings, one a row.
    pub readings: Vec<Reading>,
}
