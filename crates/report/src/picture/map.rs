//! Values on triangles of a plan in steps of colour, such as a surface current.
//!
//! Every colour stands for values twice as large as the one before. The size of the picture is bounded: of very many
//! triangles the smallest are left out, and the picture says so.

use super::drawing::{EDGE, Frame, WIDTH, marks, scale_bar};
use super::palette::{Colour, HEAT};
use super::svg::{Anchor, Area, Canvas, Look, Pen, SMALL, Type, xy};
use crate::number::NO_VALUE;
use std::fmt::Write as _;

/// Values on triangles of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct MapPicture {
    /// Title, printed when standing alone.
    pub title: String,
    /// Unit of the values.
    pub unit: String,
    /// Corners in micrometres, and the value.
    pub triangles: Vec<([(f64, f64); 3], f64)>,
    /// Names and places of marks.
    pub marks: Vec<(String, (f64, f64))>,
    /// Stretch of the vertical axis.
    pub stretch: f64,
}

/// Triangles drawn at most; about 30 bytes each.
const TRIANGLES_MAX: usize = 6000;
/// Share of the largest values that does not decide on the colours: peaks at metal edges hide everything else.
const PEAKS: f64 = 0.01;

impl MapPicture {
    /// The picture as SVG text.
    pub fn svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, WIDTH, &self.title);
        let corners = self.triangles.iter().flat_map(|t| t.0);
        let frame = Frame::new(corners.chain(self.marks.iter().map(|m| m.1)), self.stretch);
        let (Some((frame, bottom)), Some(top)) = (frame, self.top()) else {
            canvas.text((WIDTH / 2.0, 40.0), Type::new(14.0, Colour::Soft, Anchor::Middle), NO_VALUE);
            return canvas.finish(70.0);
        };
        let drawn = self.largest();
        let mut paths = vec![String::new(); HEAT];
        for &k in &drawn {
            let (corners, value) = &self.triangles[k];
            triangle(&mut paths[step(*value, top)], corners.map(|c| frame.at(c)));
        }
        for (i, d) in paths.iter().enumerate().filter(|(_, d)| !d.is_empty()) {
            canvas.path(d, Some(Colour::Heat(i)), Some(Pen::solid(Colour::Heat(i), 0.4)), 1.0);
        }
        marks(&mut canvas, &frame, &self.marks);
        scale_bar(&mut canvas, &frame, bottom + 18.0);
        let mut y = self.legend(&mut canvas, top, bottom + 34.0);
        if drawn.len() < self.triangles.len() {
            let text = format!("{} smaller triangles are left out", self.triangles.len() - drawn.len());
            canvas.text((EDGE, y + 12.0), Type::new(SMALL, Colour::Soft, Anchor::Start), &text);
            y += 16.0;
        }
        canvas.finish(y + 6.0)
    }

    /// Upper end of the colours: the largest value without the peaks, to two digits.
    fn top(&self) -> Option<f64> {
        let mut values: Vec<f64> = self.triangles.iter().map(|t| t.1).filter(|v| v.is_finite() && *v > 0.0).collect();
        values.sort_by(f64::total_cmp);
        let below = (values.len() as f64 * (1.0 - PEAKS)) as usize;
        let value = *values.get(below.min(values.len().checked_sub(1)?))?;
        let digit = 10f64.powf(value.log10().floor() - 1.0);
        Some((value / digit).ceil() * digit)
    }

    /// Triangles in their order, without the smallest when there are too many.
    fn largest(&self) -> Vec<usize> {
        let area = |k: &usize| {
            let [a, b, c] = self.triangles[*k].0;
            ((b.0 - a.0) * (c.1 - a.1) - (c.0 - a.0) * (b.1 - a.1)).abs()
        };
        let mut all: Vec<usize> = (0..self.triangles.len()).filter(|k| area(k).is_finite()).collect();
        if all.len() > TRIANGLES_MAX {
            all.sort_by(|a, b| area(b).total_cmp(&area(a)));
            all.truncate(TRIANGLES_MAX);
            all.sort_unstable();
        }
        all
    }

    fn legend(&self, canvas: &mut Canvas, top: f64, y: f64) -> f64 {
        let width = 58.0;
        for i in 0..HEAT {
            let x = EDGE + width * i as f64;
            canvas.rect(Area { x, y, w: width, h: 10.0 }, Some(Colour::Heat(i)), Some(Pen::solid(Colour::Frame, 0.5)));
            if i > 0 {
                let text = short(top / 2f64.powi((HEAT - i) as i32));
                canvas.text((x, y + 24.0), Type::new(SMALL, Colour::Ink, Anchor::Middle), &text);
            }
        }
        let end = EDGE + width * HEAT as f64;
        let text = format!("{} {} and above", short(top / 2.0), self.unit);
        canvas.text((end + 8.0, y + 10.0), Type::new(SMALL, Colour::Soft, Anchor::Start), &text);
        y + 28.0
    }
}

/// Colour of a value.
fn step(value: f64, top: f64) -> usize {
    if !(value > 0.0 && value.is_finite()) {
        return 0;
    }
    (HEAT as f64 + (value / top).log2()).floor().clamp(0.0, (HEAT - 1) as f64) as usize
}

fn triangle(d: &mut String, corners: [(f64, f64); 3]) {
    for (i, (x, y)) in corners.into_iter().enumerate() {
        let _ = write!(d, "{}{} {}", if i == 0 { "M" } else { "L" }, xy(x), xy(y));
    }
    d.push('z');
}

/// Two significant digits.
fn short(value: f64) -> String {
    let digits = (1 - value.abs().log10().floor() as i32).clamp(0, 6) as usize;
    format!("{value:.digits$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map(n: usize) -> MapPicture {
        let one = |k: usize| {
            let x = k as f64;
            ([(x, 0.0), (x + 1.0, 0.0), (x, 1.0 + (k % 7) as f64)], 1.0 + x)
        };
        MapPicture {
            title: "current".into(),
            unit: "A/m".into(),
            triangles: (0..n).map(one).collect(),
            marks: vec![("in".into(), (0.0, 0.0))],
            stretch: 1.0,
        }
    }

    #[test]
    fn every_colour_is_twice_the_one_before() {
        for (value, expected) in [(1.0, 7), (0.6, 7), (0.4, 6), (0.2, 5), (0.1, 4), (1e-9, 0), (0.0, 0), (5.0, 7)] {
            assert_eq!(step(value, 1.0), expected, "{value}");
        }
    }

    #[test]
    fn a_picture_of_very_many_triangles_stays_small_and_says_what_is_missing() {
        let (few, many) = (map(100).svg(Look::Standalone), map(60_000).svg(Look::Standalone));
        assert!(!few.contains("left out"));
        assert!(many.contains("54000 smaller triangles are left out"));
        assert!(many.len() < 400_000, "{}", many.len());
    }

    #[test]
    fn nothing_to_show_is_said() {
        let mut hostile = map(3);
        hostile.triangles.iter_mut().for_each(|t| t.1 = f64::NAN);
        assert!(hostile.svg(Look::Standalone).contains(NO_VALUE));
        hostile.triangles.clear();
        assert!(hostile.svg(Look::Standalone).contains(NO_VALUE));
    }
}
