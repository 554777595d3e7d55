//! Histogram of samples, with a limit and the share beyond it.
//!
//! Bin width after Freedman and Diaconis, "On the histogram as a density estimator" (1981):
//! twice the interquartile range over the cube root of the number of samples, made round.

use super::lines::{Forbidden, LimitLine};
use super::palette::Colour;
use super::svg::{Anchor, Area, Canvas, Look, Pen, SMALL, TEXT, Type, fit, text_width, wrap, xy};
use super::ticks::{round_range, ticks};
use crate::number::{NO_VALUE, fixed};
use std::fmt::Write as _;

/// Histogram of samples.
#[derive(Debug, Clone, PartialEq)]
pub struct Histogram {
    /// Title, printed when standing alone.
    pub title: String,
    /// Horizontal axis with unit.
    pub x_label: String,
    /// Samples; those that are not finite are counted apart.
    pub samples: Vec<f64>,
    /// Limit, drawn upright.
    pub limit: Option<LimitLine>,
}

const WIDTH: f64 = 480.0;
const AREA: Area = Area { x: 44.0, y: 30.0, w: WIDTH - 44.0 - 14.0, h: 180.0 };
const BINS_MAX: usize = 40;

/// Lower edge of the first bin, bin width, samples a bin.
#[derive(Debug, Clone, PartialEq)]
struct Bins {
    start: f64,
    width: f64,
    counts: Vec<usize>,
}

impl Histogram {
    /// The picture as SVG text.
    pub fn svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, WIDTH, &self.title);
        let mut sorted: Vec<f64> = self.samples.iter().copied().filter(|v| v.is_finite()).collect();
        sorted.sort_by(f64::total_cmp);
        let ink = Type::new(TEXT, Colour::Ink, Anchor::Start);
        canvas.text((6.0, 15.0), ink, "Samples a bin");
        let bins = bins(&sorted);
        let limit = self.limit.as_ref().filter(|l| l.value.is_finite());
        let (mut lo, mut hi) = (bins.start, bins.start + bins.width * bins.counts.len() as f64);
        if let Some(l) = limit {
            (lo, hi) = (lo.min(l.value), hi.max(l.value));
        }
        let margin = 0.04 * (hi - lo);
        let x = (lo - margin, hi + margin);
        let most = bins.counts.iter().copied().max().unwrap_or(0).max(1) as f64;
        let y = (0.0, round_range(0.0, 1.15 * most, 4).1);
        let at = |a: f64, b: f64| {
            (AREA.x + (a - x.0) / (x.1 - x.0) * AREA.w, AREA.y + (1.0 - (b - y.0) / (y.1 - y.0)) * AREA.h)
        };
        self.draw_axes(&mut canvas, x, y, &at);
        for (i, &count) in bins.counts.iter().enumerate().filter(|(_, c)| **c > 0) {
            let left = bins.start + bins.width * i as f64;
            let (a, b) = (at(left, count as f64), at(left + bins.width, 0.0));
            let area = Area { x: a.0 + 0.5, y: a.1, w: b.0 - a.0 - 1.0, h: b.1 - a.1 };
            canvas.open_tip(&format!("{count} samples"));
            canvas.rect(area, Some(Colour::Heat(4)), Some(Pen::solid(Colour::Series(0), 1.0)));
            canvas.close_tip();
        }
        if let Some(l) = limit {
            draw_limit(&mut canvas, l, at(l.value, 0.0).0);
        }
        if sorted.is_empty() {
            let place = (AREA.x + AREA.w / 2.0, AREA.y + AREA.h / 2.0);
            canvas.text(place, Type::new(14.0, Colour::Soft, Anchor::Middle), NO_VALUE);
        }
        let mut bottom = AREA.y + AREA.h + 42.0;
        for line in wrap(&self.note(&sorted), SMALL, WIDTH - 56.0) {
            canvas.text((AREA.x, bottom + 10.0), Type::new(SMALL, Colour::Soft, Anchor::Start), &line);
            bottom += 16.0;
        }
        canvas.finish(bottom + 6.0)
    }

    fn note(&self, sorted: &[f64]) -> String {
        let mut note = format!("{} samples", sorted.len());
        let missing = self.samples.len() - sorted.len();
        if missing > 0 {
            let _ = write!(note, ", {missing} more with {NO_VALUE}");
        }
        if let Some(l) = &self.limit {
            let beyond = match l.forbidden {
                Forbidden::Above => sorted.iter().filter(|v| **v > l.value).count(),
                Forbidden::Below => sorted.iter().filter(|v| **v < l.value).count(),
            };
            let _ = write!(note, ", {beyond} beyond the limit");
        }
        if sorted.len() > 1 {
            let mean = sorted.iter().sum::<f64>() / sorted.len() as f64;
            let sd = (sorted.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (sorted.len() - 1) as f64).sqrt();
            let _ = write!(note, "; mean {}, standard deviation {}", fixed(mean, 2), fixed(sd, 2));
        }
        crate::number::typeset(&note) + "."
    }

    fn draw_axes(&self, canvas: &mut Canvas, x: (f64, f64), y: (f64, f64), at: &dyn Fn(f64, f64) -> (f64, f64)) {
        let soft = |anchor| Type::new(SMALL, Colour::Soft, anchor);
        let y_ticks = ticks(y.0, y.1, 5);
        for &v in &y_ticks.values {
            let p = at(x.0, v);
            canvas.line(Pen::solid(Colour::Hair, 1.0), p, (AREA.x + AREA.w, p.1));
            canvas.text((p.0 - 7.0, p.1 + 4.0), soft(Anchor::End), &y_ticks.label(v));
        }
        let floor = AREA.y + AREA.h;
        let x_ticks = ticks(x.0, x.1, 6);
        for &v in &x_ticks.values {
            let p = at(v, 0.0);
            canvas.line(Pen::solid(Colour::Frame, 1.0), (p.0, floor), (p.0, floor + 4.0));
            canvas.text((p.0, floor + 17.0), soft(Anchor::Middle), &x_ticks.label(v));
        }
        canvas.line(Pen::solid(Colour::Frame, 1.0), (AREA.x, floor), (AREA.x + AREA.w, floor));
        let label = fit(&self.x_label, TEXT, AREA.w);
        let place = (AREA.x + AREA.w / 2.0, floor + 36.0);
        canvas.text(place, Type::new(TEXT, Colour::Ink, Anchor::Middle), &label);
    }
}

fn draw_limit(canvas: &mut Canvas, limit: &LimitLine, x: f64) {
    let side = if limit.forbidden == Forbidden::Above { 7.0 } else { -7.0 };
    let mut hatch = String::new();
    for k in 0..(AREA.h / 7.0) as usize {
        let _ = write!(hatch, "M{} {}l{side} -7", xy(x), xy(AREA.y + AREA.h - 7.0 * k as f64));
    }
    canvas.path(&hatch, None, Some(Pen::solid(Colour::Limit, 0.8)), 0.75);
    canvas.line(Pen::solid(Colour::Limit, 1.6), (x, AREA.y), (x, AREA.y + AREA.h));
    let label = fit(&limit.label, SMALL, WIDTH / 2.0);
    let half = text_width(&label, SMALL) / 2.0;
    let centre = x.clamp(half + 100.0, (WIDTH - half - 8.0).max(half + 100.0));
    canvas.text((centre, AREA.y - 5.0), Type::new(SMALL, Colour::Limit, Anchor::Middle), &label);
}

fn bins(sorted: &[f64]) -> Bins {
    let (Some(&lo), Some(&hi)) = (sorted.first(), sorted.last()) else {
        return Bins { start: 0.0, width: 1.0, counts: vec![0] };
    };
    let quantile = |p: f64| sorted[(p * (sorted.len() - 1) as f64).round() as usize];
    let raw = 2.0 * (quantile(0.75) - quantile(0.25)) / (sorted.len() as f64).cbrt();
    let wanted = if raw > 0.0 { ((hi - lo) / raw).ceil() } else { 1.0 };
    let t = ticks(lo, hi, (wanted as usize).clamp(1, BINS_MAX));
    let start = (lo / t.step - 1e-9).floor() * t.step;
    let n = (((hi - start) / t.step).floor() as usize + 1).min(2 * BINS_MAX);
    let mut counts = vec![0; n];
    for v in sorted {
        counts[(((v - start) / t.step + 1e-9).floor().max(0.0) as usize).min(n - 1)] += 1;
    }
    Bins { start, width: t.step, counts }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_sample_is_counted_once(mut v in prop::collection::vec(-1e3f64..1e3, 0..300)) {
            v.sort_by(f64::total_cmp);
            prop_assert_eq!(bins(&v).counts.iter().sum::<usize>(), v.len());
        }
    }

    #[test]
    fn samples_fall_into_the_bin_that_holds_them() {
        let b = bins(&[0.51, 1.53, 1.55, 3.27]);
        for (i, expected) in [(0.51, 1), (1.53, 2), (3.27, 1)] {
            let index = ((i - b.start) / b.width).floor() as usize;
            assert_eq!(b.counts[index], expected, "{b:?}");
        }
    }
}
