//! Shapes in named layers with a scale bar and a legend: plan or section.

use super::palette::{Colour, SERIES};
use super::svg::{Anchor, Area, Canvas, Look, Pen, SMALL, Type, fit, text_width, xy};
use crate::number::NO_VALUE;
use std::fmt::Write as _;

/// Shapes of one layer, in micrometres.
#[derive(Debug, Clone, PartialEq)]
pub struct LayerShapes {
    /// Name in the legend.
    pub name: String,
    /// Closed outlines.
    pub outlines: Vec<Vec<(f64, f64)>>,
}

/// Shapes in named layers.
#[derive(Debug, Clone, PartialEq)]
pub struct DrawingPicture {
    /// Title, printed when standing alone.
    pub title: String,
    /// Layers, lowest first.
    pub layers: Vec<LayerShapes>,
    /// Names and places of marks.
    pub marks: Vec<(String, (f64, f64))>,
    /// Stretch of the vertical axis.
    pub stretch: f64,
}

const WIDTH: f64 = 720.0;
const EDGE: f64 = 14.0;
const HEIGHT_MAX: f64 = 560.0;

/// From micrometres to pixels.
struct Frame {
    left: f64,
    top_um: f64,
    scale: f64,
    stretch: f64,
    x0: f64,
}

impl Frame {
    fn at(&self, p: (f64, f64)) -> (f64, f64) {
        (self.left + (p.0 - self.x0) * self.scale, EDGE + (self.top_um - p.1) * self.scale * self.stretch)
    }
}

impl DrawingPicture {
    /// The picture as SVG text.
    pub fn svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, WIDTH, &self.title);
        let points =
            || self.layers.iter().flat_map(|l| l.outlines.iter().flatten()).chain(self.marks.iter().map(|m| &m.1));
        let finite = || points().filter(|p| p.0.is_finite() && p.1.is_finite());
        let bounds = |pick: fn(&(f64, f64)) -> f64| {
            finite().map(pick).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)))
        };
        let ((x0, x1), (y0, y1)) = (bounds(|p| p.0), bounds(|p| p.1));
        if !(x1 > x0 && y1 > y0) {
            canvas.text((WIDTH / 2.0, 40.0), Type::new(14.0, Colour::Soft, Anchor::Middle), NO_VALUE);
            return canvas.finish(70.0);
        }
        let stretch = if self.stretch.is_finite() && self.stretch > 0.0 { self.stretch } else { 1.0 };
        let scale = ((WIDTH - 2.0 * EDGE) / (x1 - x0)).min(HEIGHT_MAX / ((y1 - y0) * stretch));
        let left = EDGE + (WIDTH - 2.0 * EDGE - (x1 - x0) * scale) / 2.0;
        let frame = Frame { left, top_um: y1, scale, stretch, x0 };
        for (i, layer) in self.layers.iter().enumerate() {
            let d: String = layer.outlines.iter().map(|o| closed(o, &frame)).collect();
            if !d.is_empty() {
                canvas.path(&d, Some(layer_colour(i)), None, 0.45);
                canvas.path(&d, None, Some(Pen::solid(layer_colour(i), 1.0)), 1.0);
            }
        }
        for (name, at) in &self.marks {
            mark(&mut canvas, name, frame.at(*at));
        }
        let bottom = frame.at((x0, y0)).1 + 18.0;
        scale_bar(&mut canvas, &frame, bottom, stretch);
        let height = self.legend(&mut canvas, bottom + 24.0);
        canvas.finish(height)
    }

    fn legend(&self, canvas: &mut Canvas, top: f64) -> f64 {
        let (mut x, mut y) = (EDGE, top);
        for (i, layer) in self.layers.iter().enumerate() {
            let name = fit(&layer.name, SMALL, 260.0);
            let w = 22.0 + text_width(&name, SMALL) + 18.0;
            if x + w > WIDTH - EDGE && x > EDGE {
                (x, y) = (EDGE, y + 18.0);
            }
            canvas.rect(Area { x, y: y - 9.0, w: 14.0, h: 10.0 }, Some(layer_colour(i)), None);
            canvas.text((x + 20.0, y), Type::new(SMALL, Colour::Ink, Anchor::Start), &name);
            x += w;
        }
        y + 12.0
    }
}

const fn layer_colour(i: usize) -> Colour {
    Colour::Series(i % SERIES)
}

fn closed(outline: &[(f64, f64)], frame: &Frame) -> String {
    let mut d = String::new();
    for (i, p) in outline.iter().filter(|p| p.0.is_finite() && p.1.is_finite()).enumerate() {
        let (x, y) = frame.at(*p);
        let _ = write!(d, "{}{} {}", if i == 0 { "M" } else { "L" }, xy(x), xy(y));
    }
    if d.is_empty() { d } else { d + "z" }
}

fn mark(canvas: &mut Canvas, name: &str, at: (f64, f64)) {
    canvas.circle(at, 3.4, Some(Colour::Ground), Some(Pen::solid(Colour::Bad, 1.6)));
    let w = text_width(name, SMALL);
    let x = (at.0 + 7.0).min(WIDTH - w - 4.0).max(4.0);
    let y = (at.1 - 6.0).max(11.0);
    canvas.veil(Area { x, y: y - 9.0, w, h: 12.0 });
    canvas.text((x, y), Type::new(SMALL, Colour::Ink, Anchor::Start), name);
}

/// A round length of about a fifth of the width.
fn scale_bar(canvas: &mut Canvas, frame: &Frame, y: f64, stretch: f64) {
    let wanted = WIDTH / 5.0 / frame.scale;
    let decade = 10f64.powf(wanted.log10().floor());
    let step = [5.0, 2.0, 1.0].into_iter().map(|m| m * decade).find(|s| *s <= wanted).unwrap_or(decade);
    let pen = Pen::solid(Colour::Ink, 1.5);
    let (a, b) = (EDGE, EDGE + step * frame.scale);
    canvas.line(pen, (a, y), (b, y));
    for end in [a, b] {
        canvas.line(pen, (end, y - 4.0), (end, y + 4.0));
    }
    let mut text = if step >= 1000.0 { format!("{} mm", step / 1000.0) } else { format!("{step} µm") };
    if (stretch - 1.0).abs() > 1e-9 {
        let _ = write!(text, "; heights drawn {stretch} times as large");
    }
    canvas.text((b + 8.0, y + 4.0), Type::new(SMALL, Colour::Soft, Anchor::Start), &text);
}
