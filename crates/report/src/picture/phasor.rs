//! Phasor diagram: terms head to tail, and the small sum that is left.

use super::palette::Colour;
use super::svg::{Anchor, Area, Canvas, Look, Pen, SMALL, Type, fit, xy};
use crate::number::{NO_VALUE, fixed, prefixed_short, typeset};

/// One term.
#[derive(Debug, Clone, PartialEq)]
pub struct Arrow {
    /// What contributes.
    pub name: String,
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
}

/// Terms that add up to much less than themselves.
#[derive(Debug, Clone, PartialEq)]
pub struct PhasorDiagram {
    /// Title, printed when standing alone.
    pub title: String,
    /// Terms; drawn in the order of their angles, so that the chain does not cross itself.
    pub terms: Vec<Arrow>,
    /// Unit of the amplitudes.
    pub unit: String,
}

const SIDE: f64 = 180.0;
const WIDTH: f64 = 480.0;

impl PhasorDiagram {
    fn finite(&self) -> impl Iterator<Item = &Arrow> {
        let mut terms: Vec<&Arrow> = self.terms.iter().filter(|t| t.re.is_finite() && t.im.is_finite()).collect();
        terms.sort_by(|a, b| a.im.atan2(a.re).total_cmp(&b.im.atan2(b.re)));
        terms.into_iter()
    }

    /// Corners of the chain of arrows, starting at zero.
    fn chain(&self) -> Vec<(f64, f64)> {
        let mut at = (0.0, 0.0);
        let mut out = vec![at];
        for t in self.finite() {
            at = (at.0 + t.re, at.1 + t.im);
            out.push(at);
        }
        out
    }

    /// The picture with a list of the terms, as SVG text.
    pub fn svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, WIDTH, &self.title);
        let chain = self.chain();
        self.draw_chain(&mut canvas, Area { x: 14.0, y: 14.0, w: SIDE, h: SIDE }, 2.0);
        let (x, mut y) = (SIDE + 44.0, 28.0);
        let ink = Type::new(SMALL, Colour::Ink, Anchor::Start);
        let end = ink.with_anchor(Anchor::End);
        let mut row = |canvas: &mut Canvas, pen: Pen, name: &str, (re, im): (f64, f64)| {
            canvas.line(pen, (x, y - 4.0), (x + 22.0, y - 4.0));
            canvas.text((x + 28.0, y), ink, &fit(name, SMALL, 92.0));
            canvas.text((WIDTH - 62.0, y), end, &typeset(&prefixed_short(re.hypot(im), &self.unit)));
            canvas.text((WIDTH - 10.0, y), end, &format!("{}°", typeset(&fixed(im.atan2(re).to_degrees(), 0))));
            y += 19.0;
        };
        for (i, t) in self.finite().enumerate() {
            row(&mut canvas, Pen::solid(Colour::Series(i), 2.4), &t.name, (t.re, t.im));
        }
        if let (true, Some(&sum)) = (chain.len() > 1, chain.last()) {
            row(&mut canvas, Pen { colour: Colour::Ink, width: 2.4, dash: "2 2" }, "sum", sum);
        } else {
            canvas.text((x, 28.0), Type::new(14.0, Colour::Soft, Anchor::Start), NO_VALUE);
        }
        canvas.finish((SIDE + 28.0).max(28.0 + 19.0 * (chain.len() as f64 + 1.0)))
    }

    /// The chain alone, for a table cell.
    pub fn small_svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, 48.0, &self.title);
        self.draw_chain(&mut canvas, Area { x: 5.0, y: 5.0, w: 38.0, h: 38.0 }, 1.2);
        canvas.finish(48.0)
    }

    fn draw_chain(&self, canvas: &mut Canvas, area: Area, width: f64) {
        let chain = self.chain();
        let bound = |pick: fn(&(f64, f64)) -> f64| {
            let all = || chain.iter().map(pick);
            (all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max))
        };
        let ((x0, x1), (y0, y1)) = (bound(|p| p.0), bound(|p| p.1));
        let span = (x1 - x0).max(y1 - y0);
        if !(span.is_finite() && span > 0.0) {
            return;
        }
        let scale = area.w / span;
        let centre = ((x0 + x1) / 2.0, (y0 + y1) / 2.0);
        let at = |p: (f64, f64)| {
            (area.x + area.w / 2.0 + scale * (p.0 - centre.0), area.y + area.h / 2.0 - scale * (p.1 - centre.1))
        };
        for (i, pair) in chain.windows(2).enumerate() {
            arrow(canvas, at(pair[0]), at(pair[1]), Colour::Series(i), width);
        }
        let (start, end) = (at(chain[0]), at(chain[chain.len() - 1]));
        let pen = Pen { colour: Colour::Ink, width: width * 1.2, dash: "2 2" };
        canvas.line(pen, start, end);
        canvas.circle(start, width * 1.6, Some(Colour::Ink), None);
        if (end.0 - start.0).hypot(end.1 - start.1) < 6.0 {
            canvas.circle(start, width * 4.0, None, Some(Pen::solid(Colour::Ink, 0.8)));
        }
    }
}

fn arrow(canvas: &mut Canvas, a: (f64, f64), b: (f64, f64), colour: Colour, width: f64) {
    canvas.line(Pen::solid(colour, width), a, b);
    let length = (b.0 - a.0).hypot(b.1 - a.1);
    let head = (4.0 * width).min(0.5 * length);
    if length < 1.0 {
        return;
    }
    let (ux, uy) = ((b.0 - a.0) / length, (b.1 - a.1) / length);
    let back = (b.0 - head * ux, b.1 - head * uy);
    let side = 0.4 * head;
    let d = format!(
        "M{} {}L{} {}L{} {}z",
        xy(b.0),
        xy(b.1),
        xy(back.0 - side * uy),
        xy(back.1 + side * ux),
        xy(back.0 + side * uy),
        xy(back.1 - side * ux)
    );
    canvas.path(&d, Some(colour), None, 1.0);
}
