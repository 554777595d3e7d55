//! The canvas: writes SVG elements as text, in either look.
//!
//! Conventions: coordinates in pixels, y downwards, origin at the upper left of the drawing (below
//! the heading when there is one). Text widths are estimated on the safe side so that text is never
//! clipped, whatever sans-serif face the reader has.

use super::palette::Colour;
use crate::number::escape;
use std::fmt::Write as _;

/// How colours are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Class names; the page's style sheet decides, light or dark. The page prints the title.
    Embedded,
    /// Colours of the light theme in every element, a ground, and the title on top.
    Standalone,
}

/// Ordinary text, pixels.
pub(crate) const TEXT: f64 = 12.0;
/// Small text, pixels.
pub(crate) const SMALL: f64 = 11.0;

/// Stroke of a line.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pen {
    pub(crate) colour: Colour,
    pub(crate) width: f64,
    pub(crate) dash: &'static str,
}

impl Pen {
    pub(crate) const fn solid(colour: Colour, width: f64) -> Self {
        Self { colour, width, dash: "" }
    }
}

/// Where the given point lies in the text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// Size, colour and anchor of a text.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Type {
    pub(crate) size: f64,
    pub(crate) colour: Colour,
    pub(crate) anchor: Anchor,
    pub(crate) bold: bool,
}

impl Type {
    pub(crate) const fn new(size: f64, colour: Colour, anchor: Anchor) -> Self {
        Self { size, colour, anchor, bold: false }
    }

    pub(crate) const fn with_anchor(mut self, anchor: Anchor) -> Self {
        self.anchor = anchor;
        self
    }

    pub(crate) const fn bold(mut self) -> Self {
        self.bold = true;
        self
    }
}

/// Axis-parallel rectangle, for placing labels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Area {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) w: f64,
    pub(crate) h: f64,
}

impl Area {
    pub(crate) fn overlaps(&self, o: &Self) -> bool {
        self.x < o.x + o.w && o.x < self.x + self.w && self.y < o.y + o.h && o.y < self.y + self.h
    }

    pub(crate) fn contains(&self, x: f64, y: f64) -> bool {
        x >= self.x && x <= self.x + self.w && y >= self.y && y <= self.y + self.h
    }
}

/// Estimated width of a text, pixels; wide faces included.
pub(crate) fn text_width(text: &str, size: f64) -> f64 {
    let em: f64 = text
        .chars()
        .map(|c| match c {
            'i' | 'j' | 'l' | 'I' | '.' | ',' | ':' | ';' | '|' | '\'' | ' ' | '!' => 0.34,
            'f' | 't' | 'r' | '(' | ')' | '[' | ']' | '/' | '-' => 0.43,
            'm' | 'w' | 'M' | 'W' | '@' | '%' | '−' | '±' | '≤' | '≥' | '×' | '+' | '=' | 'Ω' => 0.86,
            '0'..='9' => 0.645,
            'A'..='Z' => 0.73,
            c if c.is_ascii() => 0.625,
            c if (c as u32) < 0x2000 => 0.78,
            _ => 1.05,
        })
        .sum();
    em * size
}

/// The text, shortened with an ellipsis to fit a width.
pub(crate) fn fit(text: &str, size: f64, width: f64) -> String {
    if text_width(text, size) <= width {
        return text.to_owned();
    }
    let mut short = String::new();
    for c in text.chars() {
        if text_width(&short, size) + text_width(&format!("{c}…"), size) > width {
            break;
        }
        short.push(c);
    }
    short.truncate(short.trim_end().len());
    short.push('…');
    short
}

/// Breaks a text into lines at spaces; words longer than a line are shortened.
pub(crate) fn wrap(text: &str, size: f64, width: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if text_width(&format!("{line} {word}"), size) <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(fit(word, size, width)),
        }
    }
    lines
}

/// A coordinate with at most two decimals.
pub(crate) fn xy(value: f64) -> String {
    // Pictures clamp before drawing; this keeps even a mistake readable by every parser.
    let v = if value.is_finite() { value.clamp(-1e5, 1e5) } else { 0.0 };
    let text = format!("{v:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

/// Path data of an open polyline.
pub(crate) fn polyline(points: &[(f64, f64)]) -> String {
    let mut d = String::new();
    for (i, (x, y)) in points.iter().enumerate() {
        let _ = write!(d, "{}{} {}", if i == 0 { "M" } else { "L" }, xy(*x), xy(*y));
    }
    d
}

/// A picture in the making.
pub(crate) struct Canvas {
    look: Look,
    width: f64,
    title: String,
    body: String,
}

impl Canvas {
    pub(crate) fn new(look: Look, width: f64, title: &str) -> Self {
        Self { look, width, title: title.to_owned(), body: String::new() }
    }

    fn paint(&self, fill: Option<Colour>, stroke: Option<Pen>) -> String {
        let mut classes = Vec::new();
        let mut out = String::new();
        match (fill, self.look) {
            (None, _) if stroke.is_some() => out.push_str(" fill=\"none\""),
            (Some(c), Look::Standalone) => {
                let _ = write!(out, " fill=\"{}\"", c.light());
            }
            (Some(c), Look::Embedded) => classes.push(format!("f-{}", c.name())),
            _ => {}
        }
        if let Some(pen) = stroke {
            match self.look {
                Look::Standalone => {
                    let _ = write!(out, " stroke=\"{}\"", pen.colour.light());
                }
                Look::Embedded => classes.push(format!("k-{}", pen.colour.name())),
            }
            let _ = write!(out, " stroke-width=\"{}\"", xy(pen.width));
            if !pen.dash.is_empty() {
                let _ = write!(out, " stroke-dasharray=\"{}\"", pen.dash);
            }
        }
        if !classes.is_empty() {
            let _ = write!(out, " class=\"{}\"", classes.join(" "));
        }
        out
    }

    pub(crate) fn line(&mut self, pen: Pen, a: (f64, f64), b: (f64, f64)) {
        let paint = self.paint(None, Some(pen)).replace(" fill=\"none\"", "");
        let _ = writeln!(
            self.body,
            "<line x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\"{paint}/>",
            xy(a.0),
            xy(a.1),
            xy(b.0),
            xy(b.1)
        );
    }

    /// A path; `opacity` below one shows what lies beneath.
    pub(crate) fn path(&mut self, d: &str, fill: Option<Colour>, stroke: Option<Pen>, opacity: f64) {
        let mut paint = self.paint(fill, stroke);
        if opacity < 1.0 {
            let _ = write!(paint, " opacity=\"{}\"", xy(opacity));
        }
        let _ = writeln!(self.body, "<path d=\"{d}\" stroke-linejoin=\"round\" stroke-linecap=\"butt\"{paint}/>");
    }

    pub(crate) fn rect(&mut self, area: Area, fill: Option<Colour>, stroke: Option<Pen>) {
        let paint = self.paint(fill, stroke);
        let _ = writeln!(
            self.body,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"{paint}/>",
            xy(area.x),
            xy(area.y),
            xy(area.w.max(0.0)),
            xy(area.h.max(0.0))
        );
    }

    pub(crate) fn circle(&mut self, centre: (f64, f64), radius: f64, fill: Option<Colour>, stroke: Option<Pen>) {
        let paint = self.paint(fill, stroke);
        let _ = writeln!(
            self.body,
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\"{paint}/>",
            xy(centre.0),
            xy(centre.1),
            xy(radius)
        );
    }

    /// Marker of a series; hollow when the number is only a bound or not fully converged.
    pub(crate) fn marker(&mut self, series: usize, at: (f64, f64), hollow: bool, tip: &str) {
        let (x, y) = at;
        let d = match series % 6 {
            0 => {
                let r = 3.2;
                format!("M{} {}a{r} {r} 0 1 0 {} 0a{r} {r} 0 1 0 {} 0z", xy(x - r), xy(y), 2.0 * r, -2.0 * r)
            }
            1 => format!("M{} {}h6v6h-6z", xy(x - 3.0), xy(y - 3.0)),
            2 => format!("M{} {}l3.8 6.6h-7.6z", xy(x), xy(y - 4.2)),
            3 => format!("M{} {}l4.2 4.2l-4.2 4.2l-4.2 -4.2z", xy(x), xy(y - 4.2)),
            4 => format!("M{} {}l3.8 -6.6h-7.6z", xy(x), xy(y + 4.2)),
            _ => format!("M{} {}h3v-3h2.4v3h3v2.4h-3v3h-2.4v-3h-3z", xy(x - 4.2), xy(y - 1.2)),
        };
        let colour = Colour::Series(series);
        let fill = if hollow { Colour::Ground } else { colour };
        let paint = self.paint(Some(fill), Some(Pen::solid(colour, 1.3)));
        let title = if tip.is_empty() { String::new() } else { format!("<title>{}</title>", escape(tip)) };
        let _ = writeln!(self.body, "<path d=\"{d}\"{paint}>{title}</path>");
    }

    pub(crate) fn text(&mut self, at: (f64, f64), style: Type, text: &str) {
        let anchor = match style.anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let weight = if style.bold { " font-weight=\"600\"" } else { "" };
        let paint = self.paint(Some(style.colour), None);
        let _ = writeln!(
            self.body,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\"{anchor}{weight}{paint}>{}</text>",
            xy(at.0),
            xy(at.1),
            xy(style.size),
            escape(text)
        );
    }

    /// A veil of the ground colour, so that text on it reads over lines.
    pub(crate) fn veil(&mut self, a: Area) {
        let d = format!("M{} {}h{}v{}h-{}z", xy(a.x - 2.0), xy(a.y), xy(a.w + 4.0), xy(a.h), xy(a.w + 4.0));
        self.path(&d, Some(Colour::Ground), None, 0.78);
    }

    /// Opens a group that shows `tip` when pointed at.
    pub(crate) fn open_tip(&mut self, tip: &str) {
        let _ = writeln!(self.body, "<g><title>{}</title>", escape(tip));
    }

    pub(crate) fn close_tip(&mut self) {
        self.body.push_str("</g>\n");
    }

    /// The picture as text; `height` is that of the drawing without heading.
    pub(crate) fn finish(self, height: f64) -> String {
        const HEADING: f64 = 14.0;
        const FACE: &str = "font-family=\"ui-sans-serif, system-ui, sans-serif\"";
        let label = escape(&self.title);
        match self.look {
            Look::Embedded => format!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"picture\" role=\"img\" aria-label=\"{label}\" \
                 width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" {FACE}>\n{}</svg>\n",
                self.body,
                w = xy(self.width),
                h = xy(height)
            ),
            Look::Standalone => {
                let mut head = Self::new(self.look, self.width, "");
                let lines = wrap(&self.title, HEADING, self.width - 24.0);
                let top = if lines.is_empty() { 0.0 } else { 12.0 + 18.0 * lines.len() as f64 };
                let all = Area { x: 0.0, y: 0.0, w: self.width, h: height + top };
                head.rect(all, Some(Colour::Ground), None);
                let style = Type::new(HEADING, Colour::Ink, Anchor::Start).bold();
                for (i, line) in lines.iter().enumerate() {
                    head.text((12.0, 22.0 + 18.0 * i as f64), style, line);
                }
                format!(
                    "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-label=\"{label}\" width=\"{w}\" \
                     height=\"{h}\" viewBox=\"0 0 {w} {h}\" {FACE}>\n{}<g transform=\"translate(0 {})\">\n{}</g>\n</svg>\n",
                    head.body,
                    xy(top),
                    self.body,
                    w = xy(all.w),
                    h = xy(all.h)
                )
            }
        }
    }
}
