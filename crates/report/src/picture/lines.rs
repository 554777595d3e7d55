//! Line plot: curves with bands, limits with hatching on the forbidden side, direct labels.
//!
//! Drawn from back to front: grid, bands, limits, curves, markers, labels.

use super::label::{dense, least_covered, legend, spread};
use super::palette::{Colour, dash};
use super::svg::{Anchor, Area, Canvas, Look, Pen, SMALL, TEXT, Type, fit, polyline, text_width, wrap, xy};
use super::ticks::{Ticks, degree_ticks, round_range, ticks};
use crate::number::NO_VALUE;
use std::fmt::Write as _;

/// One point of a curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Abscissa.
    pub x: f64,
    /// Ordinate.
    pub y: f64,
    /// Half width of the numeric band around it.
    pub band: Option<f64>,
    /// Lower and upper end of all bands together, where more than the numeric one is known.
    pub reach: Option<(f64, f64)>,
    /// Draw it hollow: only a bound, or not fully converged.
    pub hollow: bool,
    /// Text shown when pointed at.
    pub tip: String,
}

/// One curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Name.
    pub name: String,
    /// Points in drawing order.
    pub points: Vec<Point>,
}

/// The forbidden side of a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Forbidden {
    /// Larger values.
    Above,
    /// Smaller values.
    Below,
}

/// A horizontal limit.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitLine {
    /// Where.
    pub value: f64,
    /// Which side is forbidden.
    pub forbidden: Forbidden,
    /// Abscissae between which it holds; none for the whole axis.
    pub extent: Option<(f64, f64)>,
    /// Text beside the line.
    pub label: String,
}

/// A line plot.
#[derive(Debug, Clone, PartialEq)]
pub struct LinePlot {
    /// Title, printed when standing alone.
    pub title: String,
    /// Horizontal axis with unit, for example `RF frequency, GHz`.
    pub x_label: String,
    /// Vertical axis with unit.
    pub y_label: String,
    /// Curves.
    pub series: Vec<Series>,
    /// Limits.
    pub limits: Vec<LimitLine>,
    /// Remarks below the picture.
    pub notes: Vec<String>,
}

const WIDTH: f64 = 480.0;
const TOP: f64 = 30.0;
const PLOT_HEIGHT: f64 = 200.0;
const LABEL_GAP: f64 = 15.0;
/// Curves with more points than this are drawn without markers.
const MARKERS_MAX: usize = 30;
/// A limit may stretch the axis to this many times the span of the data, no more.
const LIMIT_STRETCH_MAX: f64 = 10.0;
const HATCH: f64 = 7.0;

/// Data to pixels.
struct Frame {
    area: Area,
    x: (f64, f64),
    y: (f64, f64),
    x_ticks: Ticks,
    y_ticks: Ticks,
}

impl Frame {
    fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let a = &self.area;
        let u = (x - self.x.0) / (self.x.1 - self.x.0);
        let v = (y - self.y.0) / (self.y.1 - self.y.0);
        (a.x + u.clamp(-1.0, 2.0) * a.w, a.y + (1.0 - v.clamp(-1.0, 2.0)) * a.h)
    }
}

impl LinePlot {
    /// The picture as SVG text.
    pub fn svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, WIDTH, &self.title);
        let (y, outside) = self.y_range();
        let labels = self.direct_labels(y);
        let frame = self.frame(y, labels.as_ref().map_or(14.0, |l| l.width));
        draw_axes(&mut canvas, &frame, &self.x_label, &self.y_label);
        for (i, s) in self.series.iter().enumerate() {
            draw_bands(&mut canvas, &frame, i, s);
        }
        for limit in self.limits.iter().filter(|l| !outside.contains(l)) {
            draw_limit(&mut canvas, &frame, limit);
        }
        for (i, s) in self.series.iter().enumerate() {
            draw_curve(&mut canvas, &frame, i, s);
        }
        let unplaced = self.draw_limit_labels(&mut canvas, &frame, &outside);
        let mut bottom = TOP + PLOT_HEIGHT + 42.0;
        match &labels {
            Some(l) => l.draw(&mut canvas, &frame),
            None => {
                let names: Vec<&str> = self.series.iter().map(|s| s.name.as_str()).collect();
                bottom += legend(&mut canvas, &names, (frame.area.x, bottom + 2.0, WIDTH - frame.area.x - 8.0)) + 4.0;
            }
        }
        if !self.series.iter().any(|s| finite(s).next().is_some()) {
            let a = frame.area;
            let style = Type::new(14.0, Colour::Soft, Anchor::Middle);
            canvas.text((a.x + a.w / 2.0, a.y + a.h / 2.0), style, NO_VALUE);
        }
        bottom = self.draw_notes(&mut canvas, (frame.area.x, bottom), &outside, &unplaced);
        canvas.finish(bottom + 4.0)
    }

    /// Vertical range, and the limits too far away to be shown.
    fn y_range(&self) -> ((f64, f64), Vec<&LimitLine>) {
        let mut range: Option<(f64, f64)> = None;
        let mut add = |lo: f64, hi: f64| {
            range = Some(range.map_or((lo, hi), |(a, b)| (a.min(lo), b.max(hi))));
        };
        for p in self.series.iter().flat_map(finite) {
            let band = p.band.filter(|b| b.is_finite()).unwrap_or(0.0);
            add(p.y - band, p.y + band);
            if let Some((low, high)) = finite_reach(p) {
                add(low, high);
            }
        }
        let Some((lo, hi)) = range else {
            let all: Vec<f64> = self.limits.iter().map(|l| l.value).filter(|v| v.is_finite()).collect();
            let lo = all.iter().copied().fold(f64::INFINITY, f64::min);
            let hi = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            return (round_range(lo, hi, 5), Vec::new());
        };
        let span = (hi - lo).max(0.05 * lo.abs().max(hi.abs())).max(f64::MIN_POSITIVE);
        let (mut low, mut high, mut outside) = (lo, hi, Vec::new());
        for limit in &self.limits {
            let stretched = hi.max(limit.value) - lo.min(limit.value);
            if limit.value.is_finite() && stretched <= LIMIT_STRETCH_MAX * span {
                // Room for the hatching and the label on either side.
                low = low.min(limit.value - 0.12 * stretched);
                high = high.max(limit.value + 0.12 * stretched);
            } else {
                outside.push(limit);
            }
        }
        (round_range(low, high, 5), outside)
    }

    fn frame(&self, y: (f64, f64), right: f64) -> Frame {
        let xs = || self.series.iter().flat_map(|s| &s.points).map(|p| p.x).filter(|x| x.is_finite());
        let (lo, hi) = (xs().fold(f64::INFINITY, f64::min), xs().fold(f64::NEG_INFINITY, f64::max));
        let x = if hi > lo {
            (lo, hi)
        } else if lo.is_finite() {
            let half = if lo.abs() > 0.0 { 0.1 * lo.abs() } else { 1.0 };
            (lo - half, lo + half)
        } else {
            (0.0, 1.0)
        };
        let y_ticks = ticks(y.0, y.1, 6);
        let widest = y_ticks.values.iter().map(|&v| text_width(&y_ticks.label(v), SMALL)).fold(0.0, f64::max);
        let left = widest + 14.0;
        let area = Area { x: left, y: TOP, w: WIDTH - left - right, h: PLOT_HEIGHT };
        let x_ticks = horizontal_ticks(x, area.w, self.x_label.ends_with('°'));
        Frame { area, x, y, x_ticks, y_ticks }
    }

    /// Labels at the right ends of the curves, when all fit there.
    fn direct_labels(&self, y: (f64, f64)) -> Option<DirectLabels> {
        let last: Vec<&Point> = self.series.iter().filter_map(|s| finite(s).last()).collect();
        if self.series.is_empty() || last.len() < self.series.len() {
            return None;
        }
        let x_max = self.series.iter().flat_map(finite).map(|p| p.x).fold(f64::NEG_INFINITY, f64::max);
        let x_min = self.series.iter().flat_map(finite).map(|p| p.x).fold(f64::INFINITY, f64::min);
        if last.iter().any(|p| p.x < x_max - 0.02 * (x_max - x_min)) {
            return None;
        }
        let widest = self.series.iter().map(|s| text_width(&s.name, SMALL)).fold(0.0, f64::max);
        if widest > 0.27 * WIDTH {
            return None;
        }
        let pixel = |v: f64| TOP + (1.0 - (v - y.0) / (y.1 - y.0)) * PLOT_HEIGHT;
        let wished: Vec<f64> = last.iter().map(|p| pixel(p.y)).collect();
        let placed = spread(&wished, LABEL_GAP, TOP + 6.0, TOP + PLOT_HEIGHT - 6.0)?;
        let ends = last.iter().map(|p| (p.x, p.y)).collect();
        let names = self.series.iter().map(|s| s.name.clone()).collect();
        Some(DirectLabels { ends, placed, names, width: widest + 34.0 })
    }

    /// Each label where it covers the least of curves; returns those that found no free place.
    fn draw_limit_labels(&self, canvas: &mut Canvas, frame: &Frame, outside: &[&LimitLine]) -> Vec<String> {
        let mut unplaced = Vec::new();
        let mut points = Vec::new();
        for s in &self.series {
            let screen: Vec<_> = finite(s).map(|p| frame.at(p.x, p.y)).collect();
            points.extend(dense(&screen));
        }
        for limit in self.limits.iter().filter(|l| !outside.contains(l)) {
            let y = frame.at(frame.x.0, limit.value).1;
            points.extend((0..=60).map(|i| (frame.area.x + frame.area.w * f64::from(i) / 60.0, y)));
        }
        let mut taken = Vec::new();
        for limit in self.limits.iter().filter(|l| !outside.contains(l)) {
            let (x0, x1) = limit_ends(frame, limit);
            let label = fit(&limit.label, SMALL, frame.area.w - 8.0);
            let w = text_width(&label, SMALL);
            let y = frame.at(frame.x.0, limit.value).1;
            let (far, near) = match limit.forbidden {
                Forbidden::Above => (y - HATCH - 16.0, y + 3.0),
                Forbidden::Below => (y + HATCH + 2.0, y - 17.0),
            };
            let a = frame.area;
            let inside = |x: f64| x.clamp(a.x + 4.0, (a.x + a.w - w - 4.0).max(a.x + 4.0));
            let columns = [x0 + 4.0, x1 - w - 4.0, (x0 + x1 - w) / 2.0, (3.0 * x0 + x1) / 4.0, (x0 + 3.0 * x1) / 4.0];
            let candidates: Vec<Area> = [far, near]
                .iter()
                .flat_map(|&top| columns.map(|x| Area { x: inside(x), y: top, w, h: 14.0 }))
                .filter(|c| c.y >= a.y - 1.0 && c.y + c.h <= a.y + a.h + 1.0)
                .collect();
            let best = least_covered(&candidates, &points, &taken).map(|best| candidates[best]);
            let Some(place) = best.filter(|p| !taken.iter().any(|t| t.overlaps(p))) else {
                unplaced.push(limit.label.clone());
                continue;
            };
            let style = Type::new(SMALL, Colour::Limit, Anchor::Start);
            canvas.veil(place);
            canvas.text((place.x, place.y + 11.0), style, &label);
            taken.push(place);
        }
        unplaced
    }

    fn draw_notes(
        &self,
        canvas: &mut Canvas,
        (left, mut bottom): (f64, f64),
        outside: &[&LimitLine],
        unplaced: &[String],
    ) -> f64 {
        let mut notes = self.notes.clone();
        notes.extend(unplaced.iter().map(|l| format!("Drawn without its label: {l}.")));
        notes.extend(outside.iter().map(|l| format!("Outside this picture: {}.", l.label)));
        let points = || self.series.iter().flat_map(|s| &s.points);
        if points().any(|p| p.hollow && p.y.is_finite()) {
            notes.push("Hollow: a bound, or converged only to the looser tolerance.".into());
        }
        if points().any(|p| finite_reach(p).is_some()) {
            notes.push("Shaded: numeric band; paler: with fabrication and learned model error.".into());
        } else if points().any(|p| p.band.is_some_and(|b| b > 0.0)) {
            notes.push("Shaded: numeric band.".into());
        }
        let missing = points().filter(|p| !(p.x.is_finite() && p.y.is_finite())).count();
        if missing > 0 {
            notes.push(format!("{missing} of {} points: {NO_VALUE}.", points().count()));
        }
        for line in wrap(&notes.join(" "), SMALL, WIDTH - left - 8.0) {
            canvas.text((left, bottom + 12.0), Type::new(SMALL, Colour::Soft, Anchor::Start), &line);
            bottom += 16.0;
        }
        bottom
    }
}

/// Names at the right ends of the curves.
struct DirectLabels {
    ends: Vec<(f64, f64)>,
    placed: Vec<f64>,
    names: Vec<String>,
    width: f64,
}

impl DirectLabels {
    fn draw(&self, canvas: &mut Canvas, frame: &Frame) {
        for (i, name) in self.names.iter().enumerate() {
            let (x, y) = frame.at(self.ends[i].0, self.ends[i].1);
            let edge = frame.area.x + frame.area.w;
            let pen = Pen { colour: Colour::Series(i), width: 1.0, dash: "" };
            canvas.line(pen, (x + 5.0, y), (edge + 20.0, self.placed[i]));
            let style = Type::new(SMALL, Colour::Ink, Anchor::Start);
            canvas.text((edge + 24.0, self.placed[i] + 4.0), style, name);
        }
    }
}

fn finite(series: &Series) -> impl Iterator<Item = &Point> {
    series.points.iter().filter(|p| p.x.is_finite() && p.y.is_finite())
}

/// As many round numbers as fit side by side.
fn horizontal_ticks(range: (f64, f64), width: f64, degrees: bool) -> Ticks {
    let mut target = 8;
    loop {
        let t = if degrees { degree_ticks(range.0, range.1, target) } else { ticks(range.0, range.1, target) };
        let widest = t.values.iter().map(|&v| text_width(&t.label(v), SMALL)).fold(0.0, f64::max);
        let distance = t.step / (range.1 - range.0) * width;
        if distance >= widest + 10.0 || target <= 2 {
            return t;
        }
        target -= 1;
    }
}

fn draw_axes(canvas: &mut Canvas, frame: &Frame, x_label: &str, y_label: &str) {
    let a = frame.area;
    let (hair, axis) = (Pen::solid(Colour::Hair, 1.0), Pen::solid(Colour::Frame, 1.0));
    let soft = |anchor| Type::new(SMALL, Colour::Soft, anchor);
    for &v in &frame.y_ticks.values {
        let y = frame.at(frame.x.0, v).1;
        canvas.line(hair, (a.x, y), (a.x + a.w, y));
        canvas.text((a.x - 7.0, y + 4.0), soft(Anchor::End), &frame.y_ticks.label(v));
    }
    for &v in &frame.x_ticks.values {
        let x = frame.at(v, frame.y.0).0;
        canvas.line(hair, (x, a.y), (x, a.y + a.h));
        canvas.line(axis, (x, a.y + a.h), (x, a.y + a.h + 4.0));
        canvas.text((x, a.y + a.h + 17.0), soft(Anchor::Middle), &frame.x_ticks.label(v));
    }
    canvas.line(axis, (a.x, a.y + a.h), (a.x + a.w, a.y + a.h));
    let with_factor = |label: &str, t: &Ticks| match label.rsplit_once(", ") {
        Some((name, unit)) if t.exponent != 0 => format!("{name}, {}{unit}", t.factor()),
        _ if t.exponent != 0 => format!("{label}, {}", t.factor().trim_end()),
        _ => label.to_owned(),
    };
    let y_title = fit(&with_factor(y_label, &frame.y_ticks), TEXT, WIDTH - 12.0);
    canvas.text((6.0, 15.0), Type::new(TEXT, Colour::Ink, Anchor::Start), &y_title);
    let x_title = fit(&with_factor(x_label, &frame.x_ticks), TEXT, WIDTH - 12.0);
    let half = text_width(&x_title, TEXT) / 2.0;
    let centre = (a.x + a.w / 2.0).clamp(half + 6.0, (WIDTH - half - 6.0).max(half + 6.0));
    canvas.text((centre, a.y + a.h + 36.0), Type::new(TEXT, Colour::Ink, Anchor::Middle), &x_title);
}

/// Runs of neighbouring points that have a value.
fn runs(series: &Series) -> Vec<Vec<&Point>> {
    let mut out: Vec<Vec<&Point>> = vec![Vec::new()];
    for p in &series.points {
        if p.x.is_finite() && p.y.is_finite() {
            if let Some(run) = out.last_mut() {
                run.push(p);
            }
        } else {
            out.push(Vec::new());
        }
    }
    out.retain(|r| !r.is_empty());
    out
}

/// Ends of all bands, where both are numbers.
fn finite_reach(p: &Point) -> Option<(f64, f64)> {
    p.reach.filter(|(low, high)| low.is_finite() && high.is_finite())
}

fn draw_bands(canvas: &mut Canvas, frame: &Frame, i: usize, series: &Series) {
    let numeric = |p: &Point| {
        let half = p.band.filter(|b| b.is_finite() && *b > 0.0).unwrap_or(0.0);
        (p.y - half, p.y + half)
    };
    draw_band(canvas, frame, i, series, 0.1, &|p| finite_reach(p).unwrap_or((p.y, p.y)));
    draw_band(canvas, frame, i, series, 0.18, &numeric);
}

fn draw_band(
    canvas: &mut Canvas,
    frame: &Frame,
    i: usize,
    series: &Series,
    opacity: f64,
    ends: &dyn Fn(&Point) -> (f64, f64),
) {
    let colour = Colour::Series(i);
    for run in runs(series).iter().filter(|r| r.iter().any(|p| ends(p).1 > ends(p).0)) {
        if let [p] = run.as_slice() {
            let (top, low) = (frame.at(p.x, ends(p).1), frame.at(p.x, ends(p).0));
            let mut d = polyline(&[top, low]);
            for end in [top, low] {
                let _ = write!(d, "M{} {}h8", xy(end.0 - 4.0), xy(end.1));
            }
            canvas.path(&d, None, Some(Pen::solid(colour, 1.2)), 0.7);
            continue;
        }
        let mut outline: Vec<_> = run.iter().map(|p| frame.at(p.x, ends(p).1)).collect();
        outline.extend(run.iter().rev().map(|p| frame.at(p.x, ends(p).0)));
        canvas.path(&format!("{}z", polyline(&outline)), Some(colour), None, opacity);
    }
}

fn draw_curve(canvas: &mut Canvas, frame: &Frame, i: usize, series: &Series) {
    let pen = Pen { colour: Colour::Series(i), width: 1.8, dash: dash(i) };
    for run in runs(series) {
        let screen: Vec<_> = run.iter().map(|p| frame.at(p.x, p.y)).collect();
        if screen.len() > 1 {
            canvas.path(&polyline(&screen), None, Some(pen), 1.0);
        }
        let marked = series.points.len() <= MARKERS_MAX || run.len() == 1;
        for (p, at) in run.iter().zip(screen) {
            if marked || p.hollow {
                canvas.marker(i, at, p.hollow, &p.tip);
            }
        }
    }
}

fn limit_ends(frame: &Frame, limit: &LimitLine) -> (f64, f64) {
    let (lo, hi) = limit.extent.unwrap_or(frame.x);
    let (a, b) = (frame.at(lo.max(frame.x.0), 0.0).0, frame.at(hi.min(frame.x.1), 0.0).0);
    if b > a { (a, b) } else { (frame.area.x, frame.area.x + frame.area.w) }
}

fn draw_limit(canvas: &mut Canvas, frame: &Frame, limit: &LimitLine) {
    let (x0, x1) = limit_ends(frame, limit);
    let y = frame.at(frame.x.0, limit.value).1;
    let rise = match limit.forbidden {
        Forbidden::Above => -HATCH,
        Forbidden::Below => HATCH,
    };
    let mut hatch = String::new();
    let strokes = ((x1 - x0) / HATCH).floor().clamp(0.0, 200.0) as usize;
    for k in 0..strokes {
        let _ = write!(hatch, "M{} {}l{HATCH} {rise}", xy(x0 + HATCH * k as f64), xy(y));
    }
    canvas.open_tip(&limit.label);
    canvas.path(&hatch, None, Some(Pen::solid(Colour::Limit, 0.8)), 0.75);
    canvas.line(Pen::solid(Colour::Limit, 1.6), (x0, y), (x1, y));
    canvas.close_tip();
}
