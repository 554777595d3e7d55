//! A small SVG kernel: line plots, Smith display, level grid, waveforms, histogram, phasors, drawings, maps.
//!
//! Input: plain numbers and names, no types of the job. Output: SVG text, either for a page that
//! brings [`palette::style_sheet`] or to stand alone.
//! Numbers that are not finite leave gaps; a picture without any says `no value`.
//! Not here: logarithmic axes, interaction beyond the reader's own tooltips.

mod bars;
mod drawing;
mod grid;
mod histogram;
mod label;
mod lines;
mod map;
pub mod palette;
mod phasor;
mod smith;
mod strip;
mod svg;
mod ticks;
mod waves;

pub use bars::{BarPlot, NamedBar};
pub use drawing::{DrawingPicture, LayerShapes};
pub use grid::{Cell, CellLevel, LevelGrid};
pub use histogram::Histogram;
pub use lines::{Forbidden, LimitLine, LinePlot, Point, Series};
pub use map::MapPicture;
pub use phasor::{Arrow, PhasorDiagram};
pub use smith::{SmithDisplay, SmithLocus};
pub use strip::MarginStrip;
pub use svg::Look;
pub use ticks::{Ticks, round_range, ticks};
pub use waves::{JunctionScale, JunctionWaves};

/// Estimated left, top, right and bottom of a text, pixels, for the layout tests.
#[cfg(test)]
pub(crate) fn text_area(text: &str, size: f64, anchor: Option<&str>, at: (f64, f64)) -> [f64; 4] {
    let w = svg::text_width(text, size);
    let left = match anchor {
        Some("middle") => at.0 - w / 2.0,
        Some("end") => at.0 - w,
        _ => at.0,
    };
    // Height of capitals and digits; descenders may reach into the gap between lines.
    [left, at.1 - 0.73 * size, left + w, at.1]
}
