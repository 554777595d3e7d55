//! One margin on a line: where a number with its band lies relative to its limit.

use super::palette::Colour;
use super::svg::{Area, Canvas, Look, Pen, xy};
use std::fmt::Write as _;

/// A margin and its band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarginStrip {
    /// Distance to the limit, positive on the allowed side.
    pub margin: f64,
    /// How far the number may lie on the bad and on the good side of its margin, zero when unknown.
    pub band: (f64, f64),
}

const WIDTH: f64 = 130.0;
const HEIGHT: f64 = 24.0;

impl MarginStrip {
    /// The picture as SVG text: forbidden side hatched on the left, allowed side on the right.
    /// The scale is chosen for each strip, so strips compare margin with band, not with each other.
    pub fn svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, WIDTH, "");
        let middle = HEIGHT / 2.0;
        if !self.margin.is_finite() {
            return canvas.finish(HEIGHT);
        }
        let finite = |b: f64| if b.is_finite() { b } else { 0.0 };
        let (bad, good) = (finite(self.band.0), finite(self.band.1));
        let reach = (self.margin.abs().max((self.margin - bad).abs()).max((self.margin + good).abs()) * 1.2).max(1e-9);
        let x = |v: f64| WIDTH / 2.0 + v / reach * (WIDTH / 2.0 - 4.0);
        let mut hatch = String::new();
        for k in 0..9 {
            let _ = write!(hatch, "M{} {}l-7 7", xy(x(0.0) - 7.0 * f64::from(k)), xy(middle - 3.5));
        }
        canvas.path(&hatch, None, Some(Pen::solid(Colour::Limit, 0.7)), 0.8);
        canvas.line(Pen::solid(Colour::Frame, 1.0), (4.0, middle), (WIDTH - 4.0, middle));
        canvas.line(Pen::solid(Colour::Limit, 1.8), (x(0.0), 2.0), (x(0.0), HEIGHT - 2.0));
        let colour = Colour::Series(0);
        if bad + good > 0.0 {
            let area = Area { x: x(self.margin - bad), y: middle - 4.0, w: x(good) - x(-bad), h: 8.0 };
            canvas.rect(area, Some(Colour::Heat(3)), Some(Pen::solid(colour, 1.0)));
        }
        canvas.circle((x(self.margin), middle), 3.6, Some(colour), None);
        canvas.finish(HEIGHT)
    }
}
