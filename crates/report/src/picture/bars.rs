//! Horizontal bars from zero with intervals.

use super::palette::Colour;
use super::svg::{Anchor, Area, Canvas, Look, Pen, SMALL, TEXT, Type, fit, text_width};
use super::ticks::ticks;
use crate::number::{NO_VALUE, plain, typeset};

/// One bar: name, length, interval.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedBar {
    /// Its name.
    pub name: String,
    /// Its length.
    pub value: f64,
    /// Lower and upper end of the interval.
    pub interval: Option<(f64, f64)>,
}

/// Bars under each other on one scale.
#[derive(Debug, Clone, PartialEq)]
pub struct BarPlot {
    /// Title, printed when standing alone.
    pub title: String,
    /// Unit of the scale.
    pub unit: String,
    /// The bars, from the top.
    pub bars: Vec<NamedBar>,
}

const WIDTH: f64 = 480.0;
const ROW: f64 = 24.0;
const TOP: f64 = 8.0;
const VALUE: f64 = 74.0;

impl BarPlot {
    /// The picture as SVG text.
    pub fn svg(&self, look: Look) -> String {
        let mut canvas = Canvas::new(look, WIDTH, &self.title);
        let widest = self.bars.iter().map(|b| text_width(&b.name, TEXT)).fold(0.0, f64::max).clamp(40.0, 190.0);
        let area = Area { x: widest + 16.0, y: TOP, w: WIDTH - widest - 16.0 - VALUE, h: ROW * self.bars.len() as f64 };
        let ends = self.bars.iter().flat_map(|b| {
            let (low, high) = b.interval.unwrap_or((b.value, b.value));
            [b.value, low, high]
        });
        let (lo, hi) = ends.filter(|v| v.is_finite()).fold((0.0_f64, 0.0_f64), |(l, h), v| (l.min(v), h.max(v)));
        let (lo, hi) = if hi > lo { (lo, hi) } else { (0.0, 1.0) };
        let x = |v: f64| area.x + (v - lo) / (hi - lo) * area.w;
        let floor = area.y + area.h;
        let scale = ticks(lo, hi, 4);
        for &v in scale.values.iter().filter(|v| **v >= lo - 1e-12 && **v <= hi + 1e-12) {
            canvas.line(Pen::solid(Colour::Hair, 1.0), (x(v), area.y), (x(v), floor));
            canvas.text((x(v), floor + 15.0), Type::new(SMALL, Colour::Soft, Anchor::Middle), &scale.label(v));
        }
        for (i, bar) in self.bars.iter().enumerate() {
            draw(&mut canvas, bar, area.y + ROW * i as f64, area.x, &x, &self.unit);
        }
        canvas.line(Pen::solid(Colour::Frame, 1.0), (x(0.0), area.y), (x(0.0), floor));
        if !self.unit.is_empty() {
            let place = (area.x + area.w / 2.0, floor + 32.0);
            canvas.text(place, Type::new(TEXT, Colour::Ink, Anchor::Middle), &self.unit);
        }
        canvas.finish(floor + if self.unit.is_empty() { 22.0 } else { 40.0 })
    }
}

fn draw(canvas: &mut Canvas, bar: &NamedBar, top: f64, left: f64, x: &dyn Fn(f64) -> f64, unit: &str) {
    let middle = top + ROW / 2.0;
    let name = fit(&bar.name, TEXT, left - 14.0);
    canvas.text((left - 8.0, middle + 4.0), Type::new(TEXT, Colour::Ink, Anchor::End), &name);
    let value = if bar.value.is_finite() { typeset(&short(bar.value)) } else { NO_VALUE.into() };
    canvas.text((WIDTH - 6.0, middle + 4.0), Type::new(SMALL, Colour::Soft, Anchor::End), &value);
    if !bar.value.is_finite() {
        return;
    }
    let (a, b) = (x(0.0).min(x(bar.value)), x(0.0).max(x(bar.value)));
    canvas.open_tip(&format!("{}: {} {unit}", bar.name, plain(bar.value)));
    let area = Area { x: a, y: top + 5.0, w: (b - a).max(0.5), h: ROW - 10.0 };
    canvas.rect(area, Some(Colour::Heat(4)), Some(Pen::solid(Colour::Series(0), 1.0)));
    canvas.close_tip();
    if let Some((low, high)) = bar.interval.filter(|(l, h)| l.is_finite() && h.is_finite()) {
        let pen = Pen::solid(Colour::Ink, 1.3);
        canvas.line(pen, (x(low), middle), (x(high), middle));
        for end in [low, high] {
            canvas.line(pen, (x(end), middle - 4.0), (x(end), middle + 4.0));
        }
    }
}

/// Three significant digits.
fn short(value: f64) -> String {
    let magnitude = if value.abs() > 0.0 { value.abs().log10().floor() } else { 0.0 };
    let step = 10f64.powf(magnitude - 2.0);
    plain((value / step).round() * step)
}
