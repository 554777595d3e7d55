//! Smith display: reflection coefficients over frequency in the unit disk.
//!
//! Circles of constant resistance carry their value in ohm, arcs of constant reactance end at the
//! rim; a dotted ring marks 10 dB return loss. Frequencies are marked along each locus.
//! Source of the map: Γ = (z − 1)/(z + 1), z = Z/R₀.

use super::label::{dense, least_covered, legend};
use super::palette::{Colour, dash};
use super::svg::{Anchor, Area, Canvas, Look, Pen, SMALL, TEXT, Type, fit, polyline, text_width, wrap};
use super::ticks::ticks;
use crate::number::{NO_VALUE, plain, typeset};

/// A reflection coefficient over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct SmithLocus {
    /// Name.
    pub name: String,
    /// Frequency in hertz, real and imaginary part of the reflection coefficient.
    pub points: Vec<(f64, f64, f64)>,
}

/// Smith display of one or more loci.
#[derive(Debug, Clone, PartialEq)]
pub struct SmithDisplay {
    /// Title, printed when standing alone.
    pub title: String,
    /// Reference resistance, ohm.
    pub reference_ohm: f64,
    /// Loci.
    pub loci: Vec<SmithLocus>,
}

const WIDTH: f64 = 480.0;
const RADIUS: f64 = 178.0;
const CENTRE: (f64, f64) = (WIDTH / 2.0, RADIUS + 22.0);
const GRID: [f64; 5] = [0.2, 0.5, 1.0, 2.0, 5.0];

impl SmithDisplay {
    /// The picture as SVG text.
    pub fn svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, WIDTH, &self.title);
        // Pumped ports can reflect more than they receive; the disk then shrinks to show it.
        let reach = self.loci.iter().flat_map(finite).map(|(_, re, im)| re.hypot(im)).fold(1.0, f64::max).min(3.0);
        let unit = RADIUS / reach;
        let at = |re: f64, im: f64| (CENTRE.0 + unit * re.clamp(-3.0, 3.0), CENTRE.1 - unit * im.clamp(-3.0, 3.0));
        let mut taken = self.draw_grid(&mut canvas, unit, &at);
        let curves: Vec<Vec<(f64, f64)>> =
            self.loci.iter().map(|l| finite(l).map(|(_, re, im)| at(re, im)).collect()).collect();
        for (i, curve) in curves.iter().enumerate() {
            if curve.len() > 1 {
                let pen = Pen { colour: Colour::Series(i), width: 2.0, dash: dash(i) };
                canvas.path(&polyline(curve), None, Some(pen), 1.0);
            }
        }
        let all: Vec<_> = curves.iter().flat_map(|c| dense(c)).collect();
        let mut marked = false;
        for (i, locus) in self.loci.iter().enumerate() {
            for (hz, re, im) in marks(locus).into_iter().filter(|(_, re, im)| re.hypot(*im) <= reach) {
                let tip = format!(
                    "{}: {}, Γ = {} at {}°",
                    locus.name,
                    crate::number::frequency(hz),
                    crate::number::fixed(re.hypot(im), 3),
                    typeset(&crate::number::fixed(im.atan2(re).to_degrees(), 1))
                );
                canvas.marker(i, at(re, im), false, &tip);
                mark_label(&mut canvas, at(re, im), &plain(hz / 1e9), &all, &mut taken);
                marked = true;
            }
        }
        let mut bottom = CENTRE.1 + RADIUS + 10.0;
        let names: Vec<&str> = self.loci.iter().map(|l| l.name.as_str()).collect();
        bottom += legend(&mut canvas, &names, (20.0, bottom, WIDTH - 40.0));
        let marks = if marked { "Marks: frequency in GHz. " } else { NO_VALUE };
        let note = format!(
            "{marks} Circles: resistance in Ω, reference {} Ω. Dotted: 10 dB return loss.",
            plain(self.reference_ohm)
        );
        for line in wrap(&note, SMALL, WIDTH - 40.0) {
            canvas.text((20.0, bottom + 14.0), Type::new(SMALL, Colour::Soft, Anchor::Start), &line);
            bottom += 16.0;
        }
        canvas.finish(bottom + 8.0)
    }

    /// Draws the map, returns the areas its labels take.
    fn draw_grid(&self, canvas: &mut Canvas, unit: f64, at: &dyn Fn(f64, f64) -> (f64, f64)) -> Vec<Area> {
        let hair = Pen::solid(Colour::Hair, 1.1);
        canvas.line(hair, at(-1.0, 0.0), at(1.0, 0.0));
        for g in GRID {
            canvas.circle(at(g / (1.0 + g), 0.0), unit / (1.0 + g), None, Some(hair));
            for sign in [1.0, -1.0] {
                let arc: Vec<_> = (0..=48)
                    .map(|k| {
                        // Resistance from zero to infinity, even in angle.
                        let r = (f64::from(k) / 48.0 * std::f64::consts::FRAC_PI_2).tan().min(1e6);
                        let (re, im) = reflection(r, sign * g);
                        at(re, im)
                    })
                    .collect();
                canvas.path(&polyline(&arc), None, Some(hair), 1.0);
            }
        }
        let ring = Pen { colour: Colour::Frame, width: 1.0, dash: "1.5 3" };
        canvas.circle(at(0.0, 0.0), unit * 10f64.powf(-0.5), None, Some(ring));
        canvas.circle(at(0.0, 0.0), unit, None, Some(Pen::solid(Colour::Frame, 1.2)));
        let mut taken = Vec::new();
        for g in GRID {
            // Without a reference the normalised values remain.
            let scale = if self.reference_ohm.is_finite() { self.reference_ohm } else { 1.0 };
            let label = fit(&plain(g * scale), 10.0, 40.0);
            let (x, y) = at((g - 1.0) / (g + 1.0), 0.0);
            let w = text_width(&label, 10.0);
            canvas.text((x + 3.0, y - 3.5), Type::new(10.0, Colour::Soft, Anchor::Start), &label);
            taken.push(Area { x: x + 3.0, y: y - 12.0, w, h: 11.0 });
        }
        taken
    }
}

fn reflection(r: f64, x: f64) -> (f64, f64) {
    let d = (r + 1.0).powi(2) + x * x;
    ((r * r - 1.0 + x * x) / d, 2.0 * x / d)
}

fn finite(locus: &SmithLocus) -> impl Iterator<Item = (f64, f64, f64)> {
    locus.points.iter().copied().filter(|(f, a, b)| f.is_finite() && a.is_finite() && b.is_finite())
}

/// Both ends and the round frequencies between them, interpolated along the locus.
fn marks(locus: &SmithLocus) -> Vec<(f64, f64, f64)> {
    let points: Vec<_> = finite(locus).collect();
    let (Some(&first), Some(&last)) = (points.first(), points.last()) else { return Vec::new() };
    let lo = points.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let hi = points.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
    if points.len() == 1 || hi <= lo {
        return vec![first];
    }
    let t = ticks(lo / 1e9, hi / 1e9, 4);
    let mut out = vec![first];
    for hz in t.values.iter().map(|v| v * 1e9) {
        let near_end = [first.0, last.0].iter().any(|e| (hz - e).abs() < 0.45 * t.step * 1e9);
        let segment = points.windows(2).find(|w| (w[0].0 - hz) * (w[1].0 - hz) <= 0.0);
        if let (false, Some(w)) = (near_end, segment) {
            let u = (hz - w[0].0) / (w[1].0 - w[0].0);
            out.push((hz, w[0].1 + u * (w[1].1 - w[0].1), w[0].2 + u * (w[1].2 - w[0].2)));
        }
    }
    out.push(last);
    out
}

/// Puts a label beside a mark, in the direction where it hides least.
fn mark_label(canvas: &mut Canvas, mark: (f64, f64), text: &str, curves: &[(f64, f64)], taken: &mut Vec<Area>) {
    let w = text_width(text, TEXT);
    let candidates: Vec<Area> = [13.0, 20.0, 30.0]
        .iter()
        .flat_map(|&radius| {
            (0..12).map(move |k| {
                let angle = f64::from(k) * std::f64::consts::PI / 6.0;
                let centre = (mark.0 + (radius + w / 4.0) * angle.cos(), mark.1 - radius * angle.sin());
                Area { x: centre.0 - w / 2.0, y: centre.1 - 7.0, w, h: 14.0 }
            })
        })
        .filter(|a| a.x > 2.0 && a.x + a.w < WIDTH - 2.0 && a.y > 2.0 && a.y + a.h < CENTRE.1 + RADIUS + 10.0)
        .collect();
    let Some(best) = least_covered(&candidates, curves, taken) else { return };
    let place = candidates[best];
    if taken.iter().any(|t| t.overlaps(&place)) {
        return;
    }
    canvas.veil(place);
    canvas.text((place.x, place.y + 11.0), Type::new(TEXT, Colour::Ink, Anchor::Start), text);
    taken.push(place);
    taken.push(Area { x: mark.0 - 4.0, y: mark.1 - 4.0, w: 8.0, h: 8.0 });
}

#[cfg(test)]
mod tests {
    use super::*;
    use proof::{CheckValue, Origin};

    #[test]
    fn the_map_is_the_reflection_coefficient() {
        let cases = [(1.0, 0.0, 0.0, 0.0), (0.0, 1.0, 0.0, 1.0), (3.0, 0.0, 0.5, 0.0), (0.0, 0.0, -1.0, 0.0)];
        for (r, x, re, im) in cases {
            let found = reflection(r, x);
            for (expected, found) in [(re, found.0), (im, found.1)] {
                CheckValue {
                    what: "reflection coefficient of a normalised impedance",
                    expected,
                    within: 1e-15,
                    because: "a few roundings",
                    origin: Origin::Derived { how: "(z-1)/(z+1) by hand: match, pure reactance, 3:1, short" },
                }
                .check(found);
            }
        }
    }

    #[test]
    fn marks_are_round_and_on_the_locus() {
        let points = (0..=60).map(|i| (20e9 + f64::from(i) * 1e8, f64::from(i) / 60.0, 0.0)).collect();
        let found: Vec<f64> =
            marks(&SmithLocus { name: "a".into(), points }).iter().map(|m| (m.0 / 1e8).round() / 10.0).collect();
        assert_eq!(found, [20.0, 22.0, 24.0, 26.0]);
    }
}
