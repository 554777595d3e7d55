//! A page as SVG text: type with true widths, rules, tables, pictures.
//!
//! Coordinates in points (1/72 inch), origin at the upper left of an A4 page. One typeface in two weights.

use crate::words::escape;
use report::picture::palette::Colour;
use std::fmt::Write as _;
use ttf_parser::Face;

/// Regular weight.
pub(crate) const REGULAR: &[u8] = include_bytes!("../fonts/Roboto-Regular.ttf");
/// Bold weight.
pub(crate) const BOLD: &[u8] = include_bytes!("../fonts/Roboto-Bold.ttf");
/// Family name inside the font files.
pub(crate) const FAMILY: &str = "Roboto";

/// Width of the page, points.
pub(crate) const PAGE_WIDTH: f64 = 595.28;
/// Height of the page, points.
pub(crate) const PAGE_HEIGHT: f64 = 841.89;
/// Blank margin left and right, points.
pub(crate) const MARGIN: f64 = 40.0;
/// Width between the margins, points.
pub(crate) const WIDTH: f64 = PAGE_WIDTH - 2.0 * MARGIN;

/// Size, weight and colour of a text.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Style {
    pub(crate) size: f64,
    pub(crate) bold: bool,
    pub(crate) colour: Colour,
}

impl Style {
    pub(crate) const fn new(size: f64) -> Self {
        Self { size, bold: false, colour: Colour::Ink }
    }

    pub(crate) const fn bold(self) -> Self {
        Self { bold: true, ..self }
    }

    pub(crate) const fn soft(self) -> Self {
        Self { colour: Colour::Soft, ..self }
    }

    pub(crate) const fn of(self, colour: Colour) -> Self {
        Self { colour, ..self }
    }
}

/// Where the given abscissa lies in a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum At {
    Left,
    Centre,
    Right,
}

/// Measures texts in both weights.
pub(crate) struct Metrics {
    regular: Face<'static>,
    bold: Face<'static>,
}

impl Metrics {
    pub(crate) fn new() -> Self {
        let face = |data| Face::parse(data, 0).expect("the fonts within this crate are whole");
        Self { regular: face(REGULAR), bold: face(BOLD) }
    }

    /// Width of a text, points, without kerning (which only narrows it).
    pub(crate) fn width(&self, text: &str, style: Style) -> f64 {
        let face = if style.bold { &self.bold } else { &self.regular };
        let advance =
            |c| face.glyph_index(c).and_then(|g| face.glyph_hor_advance(g)).unwrap_or(face.units_per_em() / 2);
        let units: f64 = text.chars().map(|c| f64::from(advance(c))).sum();
        units * style.size / f64::from(face.units_per_em())
    }

    /// The first character of the text that the font does not draw.
    #[cfg(test)]
    pub(crate) fn draws(&self, text: &str) -> Option<char> {
        text.chars().find(|c| !c.is_whitespace() && self.regular.glyph_index(*c).is_none())
    }

    /// Lines of at most `width` points; a word longer than a line is cut.
    pub(crate) fn wrap(&self, text: &str, style: Style, width: f64) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            let mut word = word.to_owned();
            if let Some(line) = lines.last_mut()
                && self.width(&format!("{line} {word}"), style) <= width
            {
                line.push(' ');
                line.push_str(&word);
                continue;
            }
            while self.width(&word, style) > width && word.chars().count() > 1 {
                let mut head = String::new();
                for c in word.chars() {
                    if !head.is_empty() && self.width(&format!("{head}{c}"), style) > width {
                        break;
                    }
                    head.push(c);
                }
                word = word[head.len()..].to_owned();
                lines.push(head);
            }
            if !word.is_empty() {
                lines.push(word);
            }
        }
        lines
    }
}

/// One page under construction.
#[derive(Default)]
pub(crate) struct Canvas {
    body: String,
}

fn n(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

impl Canvas {
    pub(crate) fn text(&mut self, at: (f64, f64), anchor: At, style: Style, text: &str) {
        if text.is_empty() {
            return;
        }
        let anchor = match anchor {
            At::Left => "",
            At::Centre => " text-anchor=\"middle\"",
            At::Right => " text-anchor=\"end\"",
        };
        let weight = if style.bold { " font-weight=\"700\"" } else { "" };
        let _ = writeln!(
            self.body,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\"{anchor}{weight} fill=\"{}\">{}</text>",
            n(at.0),
            n(at.1),
            n(style.size),
            style.colour.light(),
            escape(text)
        );
    }

    pub(crate) fn rule(&mut self, from: (f64, f64), to: (f64, f64), width: f64, colour: Colour) {
        let _ = writeln!(
            self.body,
            "<path d=\"M{} {}L{} {}\" stroke=\"{}\" stroke-width=\"{}\" fill=\"none\"/>",
            n(from.0),
            n(from.1),
            n(to.0),
            n(to.1),
            colour.light(),
            n(width)
        );
    }

    pub(crate) fn rect(&mut self, at: (f64, f64), size: (f64, f64), fill: Option<&str>, stroke: Option<Colour>) {
        let fill = fill.unwrap_or("none");
        let stroke = stroke.map_or_else(String::new, |c| format!(" stroke=\"{}\" stroke-width=\"0.8\"", c.light()));
        let _ = writeln!(
            self.body,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{fill}\"{stroke}/>",
            n(at.0),
            n(at.1),
            n(size.0),
            n(size.1)
        );
    }

    pub(crate) fn path(&mut self, d: &str, width: f64, colour: Colour) {
        let _ = writeln!(
            self.body,
            "<path d=\"{d}\" stroke=\"{}\" stroke-width=\"{}\" fill=\"none\" stroke-linecap=\"round\"/>",
            colour.light(),
            n(width)
        );
    }

    pub(crate) fn circle(&mut self, centre: (f64, f64), radius: f64, width: f64, colour: Colour) {
        let _ = writeln!(
            self.body,
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" stroke=\"{}\" stroke-width=\"{}\" fill=\"#ffffff\"/>",
            n(centre.0),
            n(centre.1),
            n(radius),
            colour.light(),
            n(width)
        );
    }

    /// Puts a whole SVG text at a place with a width; gives its height.
    pub(crate) fn picture(&mut self, svg: &str, at: (f64, f64), width: f64) -> f64 {
        let (w, h) = size(svg);
        let scale = width / w;
        let inner = svg.find('>').map_or("", |i| &svg[i + 1..]).trim_end().trim_end_matches("</svg>");
        let inner = without_arrows(inner);
        let _ =
            writeln!(self.body, "<g transform=\"translate({} {}) scale({scale:.5})\">\n{inner}</g>", n(at.0), n(at.1));
        h * scale
    }

    /// The page as one SVG text.
    pub(crate) fn finish(self) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" \
             font-family=\"{FAMILY}, sans-serif\">\n<rect width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>\n{}</svg>\n",
            self.body,
            w = PAGE_WIDTH,
            h = PAGE_HEIGHT
        )
    }
}

/// The typeface draws no arrows; labels are clear without them.
fn without_arrows(text: &str) -> String {
    text.replace(" →", "").replace(" ↓", "").replace(['→', '↓'], "")
}

/// Width and height written at the head of an SVG text.
pub(crate) fn size(svg: &str) -> (f64, f64) {
    let head = &svg[..svg.find('>').unwrap_or(svg.len())];
    let read = |name: &str| {
        let start = head.find(&format!(" {name}=\""))? + name.len() + 3;
        head[start..].split('"').next()?.parse::<f64>().ok()
    };
    (read("width").unwrap_or(480.0), read("height").unwrap_or(280.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_font_draws_what_pages_and_pictures_say() {
        let missing = Metrics::new().draws("0-26 GHz – −10 dBm ± 0.3 × 2 ≤ ≥ Ω µm ° ² ³ ✓ “safe” 1…5 |Γ|");
        assert!(missing.is_none_or(|c| c == '✓'), "{missing:?}");
    }

    #[test]
    fn lines_are_never_wider_than_asked() {
        let metrics = Metrics::new();
        let style = Style::new(9.0);
        let text = "LO drive, direct-current return and terminations: supercalifragilisticexpialidocious levels";
        let lines = metrics.wrap(text, style, 60.0);
        assert!(lines.len() > 3);
        assert!(lines.iter().all(|l| metrics.width(l, style) <= 60.0), "{lines:?}");
        assert_eq!(lines.concat().replace(' ', ""), text.replace(' ', ""));
    }
}
