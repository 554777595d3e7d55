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

pub(super) const WIDTH: f64 = 720.0;
pub(super) const EDGE: f64 = 14.0;
const HEIGHT_MAX: f64 = 560.0;

/// From micrometres to pixels.
pub(super) struct Frame {
    left: f64,
    top_um: f64,
    pub(super) scale: f64,
    pub(super) stretch: f64,
    x0: f64,
}

impl Frame {
    /// Fits finite points into the width; none without extent.
    pub(super) fn new(points: impl Iterator<Item = (f64, f64)>, stretch: f64) -> Option<(Self, f64)> {
        let none = [f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY];
        let [x0, x1, y0, y1] = points
            .filter(|p| p.0.is_finite() && p.1.is_finite())
            .fold(none, |[a, b, c, d], p| [a.min(p.0), b.max(p.0), c.min(p.1), d.max(p.1)]);
        if !(x1 > x0 && y1 > y0) {
            return None;
        }
        let stretch = if stretch.is_finite() && stretch > 0.0 { stretch } else { 1.0 };
        let scale = ((WIDTH - 2.0 * EDGE) / (x1 - x0)).min(HEIGHT_MAX / ((y1 - y0) * stretch));
        let left = EDGE + (WIDTH - 2.0 * EDGE - (x1 - x0) * scale) / 2.0;
        let frame = Self { left, top_um: y1, scale, stretch, x0 };
        let bottom = frame.at((x0, y0)).1;
        Some((frame, bottom))
    }

    pub(super) fn at(&self, p: (f64, f64)) -> (f64, f64) {
        (self.left + (p.0 - self.x0) * self.scale, EDGE + (self.top_um - p.1) * self.scale * self.stretch)
    }
}

impl DrawingPicture {
    /// The picture as SVG text.
    pub fn svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, WIDTH, &self.title);
        let outlines = self.layers.iter().flat_map(|l| l.outlines.iter().flatten()).copied();
        let points: Vec<_> = outlines.chain(self.marks.iter().map(|m| m.1)).collect();
        let Some((frame, bottom)) = Frame::new(points.iter().copied(), self.stretch) else {
            canvas.text((WIDTH / 2.0, 40.0), Type::new(14.0, Colour::Soft, Anchor::Middle), NO_VALUE);
            return canvas.finish(70.0);
        };
        for (i, layer) in self.layers.iter().enumerate() {
            let d: String = layer.outlines.iter().map(|o| closed(o, &frame)).collect();
            if !d.is_empty() {
                canvas.path(&d, Some(layer_colour(i)), None, if covers(layer, &points) { 0.08 } else { 0.45 });
                canvas.path(&d, None, Some(Pen::solid(layer_colour(i), 1.0)), 1.0);
            }
        }
        marks(&mut canvas, &frame, &self.marks);
        let bottom = bottom + 18.0;
        scale_bar(&mut canvas, &frame, bottom);
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

/// True for a layer that is the ground of the whole picture, such as the box: it must not outshine what lies in it.
fn covers(layer: &LayerShapes, points: &[(f64, f64)]) -> bool {
    let [outline] = layer.outlines.as_slice() else { return false };
    let span = |list: &[(f64, f64)]| {
        list.iter()
            .filter(|p| p.0.is_finite() && p.1.is_finite())
            .fold([f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY], |[a, b, c, d], p| {
                [a.min(p.0), b.max(p.0), c.min(p.1), d.max(p.1)]
            })
    };
    span(outline) == span(points)
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

/// Rings with names; a name that would cover an earlier one moves down, away from it.
pub(super) fn marks(canvas: &mut Canvas, frame: &Frame, marks: &[(String, (f64, f64))]) {
    let finite: Vec<_> = marks.iter().filter(|m| m.1.0.is_finite() && m.1.1.is_finite()).collect();
    for (_, at) in &finite {
        canvas.circle(frame.at(*at), 3.4, Some(Colour::Ground), Some(Pen::solid(Colour::Bad, 1.6)));
    }
    let mut taken: Vec<Area> = Vec::new();
    for (name, at) in finite {
        let (x, y) = frame.at(*at);
        let w = text_width(name, SMALL);
        let mut place = Area { x: (x + 7.0).min(WIDTH - w - 4.0).max(4.0), y: (y - 15.0).max(2.0), w, h: 12.0 };
        while let Some(other) = taken.iter().find(|o| o.overlaps(&place)) {
            place.y = other.y + 13.0;
        }
        canvas.veil(place);
        canvas.text((place.x, place.y + 9.0), Type::new(SMALL, Colour::Ink, Anchor::Start), name);
        taken.push(place);
    }
}

/// A round length of about a fifth of the width.
pub(super) fn scale_bar(canvas: &mut Canvas, frame: &Frame, y: f64) {
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
    if (frame.stretch - 1.0).abs() > 1e-9 {
        let _ = write!(text, "; heights drawn {} times as large", frame.stretch);
    }
    canvas.text((b + 8.0, y + 4.0), Type::new(SMALL, Colour::Soft, Anchor::Start), &text);
}
