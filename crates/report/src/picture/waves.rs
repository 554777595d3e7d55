//! One junction over one LO period: voltage and current over time, and its load line.
//!
//! All junctions of a picture share one scale, so that small multiples compare by eye.

use super::label::ROW;
use super::palette::{Colour, dash};
use super::svg::{Anchor, Area, Canvas, Look, Pen, SMALL, Type, fit, polyline, text_width};
use super::ticks::{Ticks, round_range, ticks};
use crate::number::NO_VALUE;

/// Waveforms of one junction. The four lists belong together point by point.
#[derive(Debug, Clone, PartialEq)]
pub struct JunctionWaves {
    /// Title, printed when standing alone.
    pub title: String,
    /// Time, picosecond.
    pub time_ps: Vec<f64>,
    /// Junction voltage, volt.
    pub voltage_v: Vec<f64>,
    /// Conduction current, milliampere.
    pub current_ma: Vec<f64>,
    /// Total current with displacement, milliampere.
    pub total_ma: Vec<f64>,
}

/// Common axes of several junctions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JunctionScale {
    /// Voltage range, volt.
    pub voltage_v: (f64, f64),
    /// Current range, milliampere.
    pub current_ma: (f64, f64),
    /// Time range, picosecond.
    pub time_ps: (f64, f64),
}

impl JunctionScale {
    /// Axes that hold all the waveforms.
    pub fn common<'a>(all: impl IntoIterator<Item = &'a JunctionWaves>) -> Self {
        let mut spans = [(f64::INFINITY, f64::NEG_INFINITY); 3];
        for w in all {
            let lists =
                [w.voltage_v.iter().chain(&[]), w.current_ma.iter().chain(&w.total_ma), w.time_ps.iter().chain(&[])];
            for (span, list) in spans.iter_mut().zip(lists) {
                for &v in list.filter(|v| v.is_finite()) {
                    *span = (span.0.min(v), span.1.max(v));
                }
            }
        }
        let [v, i, t] = spans;
        let time_ps = if t.1 > t.0 { t } else { (0.0, 1.0) };
        Self { voltage_v: round_range(v.0, v.1, 4), current_ma: round_range(i.0, i.1, 4), time_ps }
    }
}

const WIDTH: f64 = 480.0;
const LEFT: f64 = 40.0;
const STRIP: f64 = 86.0;
const TOP: f64 = 26.0;
const LOWER: f64 = TOP + STRIP + 32.0;
const STRIPS: f64 = 214.0;
const LOAD_LEFT: f64 = 312.0;

/// One set of axes with its ranges.
struct Panel {
    area: Area,
    x: (f64, f64),
    y: (f64, f64),
}

impl Panel {
    fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let u = (x - self.x.0) / (self.x.1 - self.x.0);
        let v = (y - self.y.0) / (self.y.1 - self.y.0);
        (self.area.x + u.clamp(-0.1, 1.1) * self.area.w, self.area.y + (1.0 - v.clamp(-0.1, 1.1)) * self.area.h)
    }

    fn draw(&self, canvas: &mut Canvas, title: &str, x_title: Option<&str>) {
        let a = self.area;
        let (hair, axis) = (Pen::solid(Colour::Hair, 1.0), Pen::solid(Colour::Frame, 1.0));
        let soft = |anchor| Type::new(SMALL, Colour::Soft, anchor);
        let y_ticks = ticks(self.y.0, self.y.1, if a.h < 120.0 { 4 } else { 6 });
        for &v in &y_ticks.values {
            let y = self.at(self.x.0, v).1;
            canvas.line(hair, (a.x, y), (a.x + a.w, y));
            canvas.text((a.x - 6.0, y + 4.0), soft(Anchor::End), &y_ticks.label(v));
        }
        let x_ticks = self.x_ticks();
        for &v in &x_ticks.values {
            let x = self.at(v, self.y.0).0;
            canvas.line(hair, (x, a.y), (x, a.y + a.h));
            if x_title.is_some() {
                canvas.text((x, a.y + a.h + 16.0), soft(Anchor::Middle), &x_ticks.label(v));
            }
        }
        if self.y.0 < 0.0 && self.y.1 > 0.0 {
            canvas.line(Pen::solid(Colour::Frame, 0.8), self.at(self.x.0, 0.0), self.at(self.x.1, 0.0));
        }
        canvas.line(axis, (a.x, a.y + a.h), (a.x + a.w, a.y + a.h));
        canvas.text((a.x, a.y - 8.0), Type::new(SMALL, Colour::Ink, Anchor::Start), title);
        if let Some(x_title) = x_title {
            let place = (a.x + a.w / 2.0, a.y + a.h + 32.0);
            canvas.text(place, Type::new(SMALL, Colour::Ink, Anchor::Middle), x_title);
        }
    }

    fn x_ticks(&self) -> Ticks {
        let fits = |t: &Ticks| {
            let widest = t.values.iter().map(|&v| text_width(&t.label(v), SMALL)).fold(0.0, f64::max);
            t.step / (self.x.1 - self.x.0) * self.area.w >= widest + 8.0
        };
        let choices = (2..=6).rev().map(|n| ticks(self.x.0, self.x.1, n));
        choices.into_iter().find(fits).unwrap_or_else(|| ticks(self.x.0, self.x.1, 1))
    }
}

impl JunctionWaves {
    /// The picture as SVG text, on the given axes.
    pub fn svg(&self, look: Look, scale: &JunctionScale) -> String {
        let mut canvas = Canvas::new(look, WIDTH, &self.title);
        let strip = |y| Area { x: LEFT, y, w: 210.0, h: STRIP };
        let voltage = Panel { area: strip(TOP), x: scale.time_ps, y: scale.voltage_v };
        let current = Panel { area: strip(LOWER), x: scale.time_ps, y: scale.current_ma };
        let load_area = Area { x: LOAD_LEFT, y: TOP, w: WIDTH - LOAD_LEFT - 16.0, h: LOWER + STRIP - TOP };
        let load = Panel { area: load_area, x: scale.voltage_v, y: scale.current_ma };
        voltage.draw(&mut canvas, "Junction voltage, V", None);
        current.draw(&mut canvas, "Current, mA", Some("Time, ps"));
        load.draw(&mut canvas, "Current, mA", Some("Junction voltage, V"));
        let (t, v) = (&self.time_ps, &self.voltage_v);
        let (conduction, total) = (pen(0), pen(1));
        let drawn = [
            curve(&mut canvas, &voltage, t, v, Pen::solid(Colour::Ink, 1.8)),
            curve(&mut canvas, &current, t, &self.total_ma, total),
            curve(&mut canvas, &current, t, &self.current_ma, conduction),
            curve(&mut canvas, &load, v, &self.total_ma, total),
            curve(&mut canvas, &load, v, &self.current_ma, conduction),
        ];
        if !drawn.contains(&true) {
            let style = Type::new(14.0, Colour::Soft, Anchor::Middle);
            canvas.text((LEFT + 105.0, TOP + STRIP / 2.0), style, NO_VALUE);
        }
        let y = STRIPS + TOP + 34.0;
        let mut x = LEFT;
        for (pen, name) in [(conduction, "conduction current"), (total, "total current, with displacement")] {
            let name = fit(name, SMALL, 260.0);
            canvas.line(pen, (x, y), (x + 26.0, y));
            canvas.text((x + 32.0, y + 4.0), Type::new(SMALL, Colour::Ink, Anchor::Start), &name);
            x += 48.0 + text_width(&name, SMALL);
        }
        canvas.finish(y + ROW / 2.0 + 4.0)
    }
}

fn pen(series: usize) -> Pen {
    Pen { colour: Colour::Series(series), width: 1.8, dash: dash(series) }
}

/// Draws the stretches where both numbers are finite; true when there was one.
fn curve(canvas: &mut Canvas, panel: &Panel, x: &[f64], y: &[f64], pen: Pen) -> bool {
    let mut any = false;
    let points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    for run in points.split(|(a, b)| !(a.is_finite() && b.is_finite())).filter(|r| r.len() > 1) {
        let screen: Vec<_> = run.iter().map(|&(a, b)| panel.at(a, b)).collect();
        canvas.path(&polyline(&screen), None, Some(pen), 1.0);
        any = true;
    }
    any
}
