//! The words of the job: tones, mixing products, measures, limits, and the content of a review.
//!
//! Everything here is data. `mixer` fills a [`Review`], `report` shows it, `tolerance` and
//! `measurement` attach bands to its readings.
//! Conventions: levels are available powers in dBm; ratios are stored in dB with the trade's sign
//! (conversion loss, isolation and return loss are positive numbers); a mixing product is
//! `f = n·f_LO + m·f_RF`, `n` counts the LO and `m` the RF tone.

mod band;
mod figure;
mod key;
mod limit;
mod measure;
mod product;
mod reading;
mod review;

pub use band::{Asymmetry, Band, Bands, Promise};
pub use figure::{
    Bar, Bars, Card, Cards, Drawing, DrawingLayer, FieldMap, Figure, Grid, Histogram, Lines, Mark, PlainCurve, Tone,
};
pub use limit::{Bound, Limit, Verdict, VerdictStatus};
pub use measure::{Measure, PortName};
pub use product::Product;
pub use reading::{Cancellation, Conditions, Continued, Method, Outcome, Quality, Reading, Sideband, Term};
pub use review::{
    Axis, Curve, CurvePlot, Item, JunctionWaveform, Locus, Review, Section, SmithPlot, SpurEntry, SpurGrid, Table,
    WaveformPlot,
};
