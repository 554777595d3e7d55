//! The pages: first page with headline table, curves, spur tables, application notes.
//!
//! Every page carries name, revision, and the short hash of what it came from.

use crate::application::{Block, Grid, blocks};
use crate::canvas::{At, Canvas, MARGIN, Metrics, PAGE_HEIGHT, PAGE_WIDTH, Style, WIDTH};
use crate::pictures::{Panel, curves, product_curves, spur_caption, spurs};
use crate::rows::{Row, features, rows};
use crate::words::{band, celsius, frequency, level};
use crate::{DatasheetError, Sheet};
use report::picture::Look;
use report::picture::palette::Colour;

/// Lowest line of the content, points.
const BOTTOM: f64 = PAGE_HEIGHT - 48.0;
/// Top of the content on later pages, points.
const TOP: f64 = 74.0;
const TINT: &str = "#eef3f7";
const BODY: Style = Style::new(8.2);
const LEADING: f64 = 11.2;
/// Size of curves relative to a column: four rows to a page.
const CURVE_SCALE: f64 = 0.95;
/// Columns of the headline table relative to the margin: left edges of words, right edges of numbers.
const COLUMNS: [f64; 8] = [0.0, 122.0, 310.0, 370.0, 408.0, 447.0, 485.0, 491.0];

/// The pages as SVG texts, A4, in order.
///
/// # Errors
/// Measured samples that allow no statement.
pub fn pages(sheet: &Sheet) -> Result<Vec<String>, DatasheetError> {
    let mut book = Book { sheet, metrics: Metrics::new(), done: Vec::new(), page: Canvas::default(), y: 0.0 };
    book.first_page(&rows(sheet)?);
    book.curves();
    book.spurs();
    book.application();
    Ok(book.finish())
}

struct Book<'a> {
    sheet: &'a Sheet,
    metrics: Metrics,
    done: Vec<Canvas>,
    page: Canvas,
    y: f64,
}

impl Book<'_> {
    fn finish(mut self) -> Vec<String> {
        self.done.push(std::mem::take(&mut self.page));
        let count = self.done.len();
        let mut out = Vec::with_capacity(count);
        for (i, mut canvas) in std::mem::take(&mut self.done).into_iter().enumerate() {
            self.footer(&mut canvas, i + 1, count);
            out.push(canvas.finish());
        }
        out
    }

    fn footer(&self, c: &mut Canvas, number: usize, count: usize) {
        let y = PAGE_HEIGHT - 30.0;
        let small = Style::new(6.8).soft();
        c.rule((MARGIN, y - 11.0), (PAGE_WIDTH - MARGIN, y - 11.0), 0.5, Colour::Frame);
        let basis = if self.sheet.measured.is_some() { "typical from measured units" } else { "simulated values" };
        let hash = self.sheet.origin.first().map(|(_, hash)| short(hash)).unwrap_or_default();
        let centre = PAGE_WIDTH / 2.0 + 40.0;
        let rest = format!(" · revision {} · {basis}", self.sheet.revision);
        let room = centre - 0.5 * self.metrics.width(&hash, small) - 10.0 - MARGIN - self.metrics.width(&rest, small);
        let name = self.metrics.wrap(&self.sheet.name, small, room.max(40.0) - 6.0);
        let cut = if name.len() > 1 { "…" } else { "" };
        let left = format!("{}{cut}{rest}", name.first().map_or("", String::as_str));
        c.text((MARGIN, y), At::Left, small, &left);
        c.text((centre, y), At::Centre, small, &hash);
        c.text((PAGE_WIDTH - MARGIN, y), At::Right, small, &format!("page {number} of {count}"));
    }

    fn next_page(&mut self, title: &str) {
        let full = std::mem::take(&mut self.page);
        self.done.push(full);
        self.page.text((MARGIN, 44.0), At::Left, Style::new(9.0).soft(), &self.sheet.name);
        self.page.text((PAGE_WIDTH - MARGIN, 44.0), At::Right, Style::new(9.0).soft(), title);
        self.page.rule((MARGIN, 51.0), (PAGE_WIDTH - MARGIN, 51.0), 0.8, Colour::Ink);
        self.y = TOP;
    }

    fn heading(&mut self, text: &str) {
        self.page.text((MARGIN, self.y), At::Left, Style::new(11.5).bold(), text);
        self.y += 8.0;
    }

    fn paragraph(&mut self, at: (f64, f64), width: f64, style: Style, leading: f64, text: &str) -> f64 {
        let lines = self.metrics.wrap(text, style, width);
        for (i, line) in lines.iter().enumerate() {
            self.page.text((at.0, at.1 + leading * i as f64), At::Left, style, line);
        }
        leading * lines.len() as f64
    }

    fn first_page(&mut self, rows: &[Row]) {
        let sheet = self.sheet;
        // head
        self.page.rect((0.0, 0.0), (PAGE_WIDTH, 8.0), Some(Colour::Series(0).light()), None);
        self.page.text((MARGIN, 40.0), At::Left, Style::new(8.0).bold().soft(), "DATASHEET");
        let name = self.metrics.wrap(&sheet.name, Style::new(22.0).bold(), WIDTH - 150.0);
        for (i, line) in name.iter().enumerate() {
            self.page.text((MARGIN, 64.0 + 24.0 * i as f64), At::Left, Style::new(22.0).bold(), line);
        }
        self.y = 64.0 + 24.0 * (name.len().max(1) - 1) as f64 + 16.0;
        self.page.text((MARGIN, self.y), At::Left, Style::new(10.5).soft(), &sheet.kind);
        self.status_stamp();
        self.notices();
        self.y += 12.0;
        self.page.rule((MARGIN, self.y), (PAGE_WIDTH - MARGIN, self.y), 0.8, Colour::Ink);
        self.y += 17.0;
        // two columns: what it is, and its symbol
        let top = self.y;
        let left = WIDTH - 168.0;
        let mut y = top;
        y += self.paragraph((MARGIN, y), left, BODY, LEADING, &sheet.review.about.clone()) + 6.0;
        for feature in features(sheet) {
            self.page.rect((MARGIN, y - 5.0), (3.2, 3.2), Some(Colour::Series(0).light()), None);
            y += self.paragraph((MARGIN + 10.0, y), left - 10.0, BODY, LEADING, &feature) + 1.5;
        }
        self.symbol((PAGE_WIDTH - MARGIN - 72.0, top + 52.0));
        self.y = y.max(top + 122.0) + 8.0;
        self.conditions();
        self.heading("Electrical characteristics");
        self.y += 4.0;
        self.headline_table(rows);
        self.table_notes();
    }

    /// Watermark, expiry and what is withheld, below the title.
    fn notices(&mut self) {
        let style = Style::new(8.2).bold().of(Colour::Open);
        for notice in &self.sheet.notices {
            self.y += LEADING + 2.0;
            let height = self.paragraph((MARGIN, self.y), WIDTH - 150.0, style, LEADING, notice);
            self.y += height - LEADING;
        }
    }

    /// States, where nobody can miss it, what the numbers rest on.
    fn status_stamp(&mut self) {
        let (head, text, colour) = match &self.sheet.measured {
            None => ("SIMULATED", "no measured unit stands behind it", Colour::Open),
            Some(_) => ("MEASURED UNITS", "typical and guaranteed are computed", Colour::Good),
        };
        let width = 140.0;
        let at = (PAGE_WIDTH - MARGIN - width, 32.0);
        self.page.rect(at, (width, 34.0), None, Some(colour));
        self.page.text((at.0 + width / 2.0, at.1 + 15.0), At::Centre, Style::new(10.0).bold().of(colour), head);
        self.page.text((at.0 + width / 2.0, at.1 + 26.5), At::Centre, Style::new(7.0).of(colour), text);
    }

    /// The functional symbol: a circle with a cross, three ports.
    fn symbol(&mut self, centre: (f64, f64)) {
        let (x, y) = centre;
        let r = 21.0;
        let d = r * std::f64::consts::FRAC_1_SQRT_2;
        let ink = Colour::Ink;
        self.page.rect((x - 68.0, y - 50.0), (136.0, 112.0), Some(TINT), None);
        self.page.rule((x - 52.0, y), (x - r, y), 1.1, ink);
        self.page.rule((x + r, y), (x + 52.0, y), 1.1, ink);
        self.page.rule((x, y + r), (x, y + 40.0), 1.1, ink);
        self.page.circle(centre, r, 1.2, ink);
        let cross = format!("M{} {}L{} {}M{} {}L{} {}", x - d, y - d, x + d, y + d, x - d, y + d, x + d, y - d);
        self.page.path(&cross, 1.2, ink);
        let (name, small) = (Style::new(9.0).bold(), Style::new(7.0).soft());
        let sheet = self.sheet;
        self.page.text((x - 60.0, y - 8.0), At::Left, name, "RF");
        self.page.text((x - 60.0, y - 30.0), At::Left, small, &band(sheet.rf_band_hz));
        self.page.text((x + 60.0, y - 8.0), At::Right, name, "IF");
        self.page.text((x + 60.0, y - 30.0), At::Right, small, &band(sheet.if_band_hz));
        self.page.text((x + 8.0, y + 38.0), At::Left, name, "LO");
        let n = &sheet.review.nominal;
        let lo = format!("{}, {}", frequency(n.lo_hz), level(n.lo_dbm));
        self.page.text((x, y + 54.0), At::Centre, small, &lo);
    }

    /// A line of the conditions under which everything holds.
    fn conditions(&mut self) {
        let n = &self.sheet.review.nominal;
        let terminations = n.terminations.replace("ohm", "Ω");
        let text = format!(
            "Unless stated otherwise: LO {} at {}, {}, {}.",
            frequency(n.lo_hz),
            level(n.lo_dbm),
            celsius(n.temp_k),
            if terminations.is_empty() { "reference loads at all ports".into() } else { terminations }
        );
        let lines = self.metrics.wrap(&text, BODY, WIDTH - 16.0);
        let height = LEADING * lines.len() as f64 + 8.0;
        self.page.rect((MARGIN, self.y - 8.0), (WIDTH, height), Some(TINT), None);
        self.paragraph((MARGIN + 8.0, self.y + 3.6), WIDTH - 16.0, BODY, LEADING, &text);
        self.y += height + 16.0;
    }

    fn headline_table(&mut self, rows: &[Row]) {
        // left edges of words, right edges of numbers
        let x = COLUMNS.map(|v| MARGIN + v);
        let small = Style::new(7.2).soft();
        self.table_head(&x);
        for row in rows {
            let name = self.metrics.wrap(&row.name, BODY, 118.0);
            let conditions = self.metrics.wrap(&row.said(), small, 158.0);
            let lines = name.len().max(conditions.len()) as f64;
            let height = 9.4 * lines + 5.4;
            if self.y + height > BOTTOM {
                self.next_page("Electrical characteristics, continued");
                self.table_head(&x);
            }
            let y = self.y + 9.0;
            for (i, line) in name.iter().enumerate() {
                self.page.text((x[0], y + 9.4 * i as f64), At::Left, BODY, line);
            }
            for (i, line) in conditions.iter().enumerate() {
                self.page.text((x[1], y + 9.4 * i as f64), At::Left, small, line);
            }
            let dash = |t: &str| if t.is_empty() { "–".to_owned() } else { t.to_owned() };
            self.page.text((x[2], y), At::Right, BODY, &dash(&row.simulated_mean));
            self.page.text((x[3], y), At::Right, BODY, &dash(&row.simulated_worst));
            self.page.text((x[4], y), At::Right, BODY.bold(), &dash(row.measured_typical()));
            self.page.text((x[5], y), At::Right, BODY.bold(), &dash(&row.guaranteed_min));
            self.page.text((x[6], y), At::Right, BODY.bold(), &dash(&row.guaranteed_max));
            self.page.text((x[7], y), At::Left, BODY.soft(), row.unit);
            self.y += height;
            self.page.rule((MARGIN, self.y), (PAGE_WIDTH - MARGIN, self.y), 0.4, Colour::Hair);
        }
    }

    fn table_head(&mut self, x: &[f64; 8]) {
        let style = Style::new(7.6).bold();
        let group = Style::new(7.0).soft();
        for (left, right, name) in [(x[2] - 24.0, x[3], "simulated"), (x[4] - 30.0, x[6], "measured units")] {
            self.page.text((0.5 * (left + right), self.y + 1.0), At::Centre, group, name);
            self.page.rule((left, self.y + 3.6), (right, self.y + 3.6), 0.4, Colour::Frame);
        }
        self.y += 12.0;
        let heads = ["Parameter", "Conditions", "Mean", "Worst", "Typical", "Min", "Max", "Unit"];
        for (i, head) in heads.iter().enumerate() {
            let anchor = if (2..7).contains(&i) { At::Right } else { At::Left };
            self.page.text((x[i], self.y), anchor, style, head);
        }
        self.y += 4.5;
        self.page.rule((MARGIN, self.y), (PAGE_WIDTH - MARGIN, self.y), 0.9, Colour::Ink);
    }

    fn table_notes(&mut self) {
        let notes = table_notes(self.sheet);
        let small = Style::new(7.2).soft();
        self.y += 12.0;
        for note in notes {
            let lines = self.metrics.wrap(&note, small, WIDTH).len() as f64;
            if self.y + 9.6 * lines > BOTTOM {
                self.next_page("Electrical characteristics, continued");
            }
            self.y += self.paragraph((MARGIN, self.y), WIDTH, small, 9.6, &note) + 1.0;
        }
    }

    fn curves(&mut self) {
        let panels = curves(self.sheet, Look::Standalone);
        if panels.is_empty() {
            return;
        }
        self.next_page("Curves");
        let basis = if self.sheet.measured.is_some() {
            "Simulated curves of the nominal design"
        } else {
            "Simulated, nominal design"
        };
        self.heading(basis);
        self.y += 6.0;
        self.grid_of(&panels, CURVE_SCALE, "Curves, continued");
    }

    /// Pictures in two columns, row by row, a little smaller than a column where `scale` is below one.
    fn grid_of(&mut self, panels: &[Panel], scale: f64, continued: &str) {
        let gap = 14.0;
        let column = (WIDTH - gap) / 2.0;
        let width = scale * column;
        for row in panels.chunks(2) {
            let height = |p: &Panel| {
                let (w, h) = crate::canvas::size(&p.svg);
                h * width / w
            };
            let tallest = row.iter().map(height).fold(0.0, f64::max);
            if self.y + tallest > BOTTOM {
                self.next_page(continued);
            }
            for (i, panel) in row.iter().enumerate() {
                self.page.picture(&panel.svg, (MARGIN + (column + gap) * i as f64, self.y), width);
            }
            self.y += tallest + 8.0;
        }
    }

    fn spurs(&mut self) {
        let all = spurs(self.sheet, Look::Standalone);
        if all.is_empty() {
            return;
        }
        self.next_page("Spurious products");
        self.heading("Spur tables");
        self.y += 7.0;
        for text in spur_convention() {
            self.y += self.paragraph((MARGIN, self.y), WIDTH, BODY, LEADING, text) + 2.0;
        }
        self.y += 8.0;
        for s in all {
            if self.y + 250.0 > BOTTOM {
                self.next_page("Spurious products, continued");
            }
            let caption = spur_caption(self.sheet, s.grid);
            let head = if s.grid.input == spec::PortName::If { "Up-conversion" } else { "Down-conversion" };
            self.page.text((MARGIN, self.y), At::Left, BODY.bold(), head);
            let shift = self.metrics.width(head, BODY.bold()) + 8.0;
            self.page.text((MARGIN + shift, self.y), At::Left, BODY.soft(), &caption);
            self.y += 6.0;
            self.grid_of(&s.panels, 1.0, "Spurious products, continued");
            let note = format!(
                "Levels in dBc relative to the wanted product; below {} dBc nothing is claimed. Second line: half width of the \
                 numeric band, dB.",
                crate::words::plain(s.grid.not_claimed_dbc)
            );
            self.y += self.paragraph((MARGIN, self.y), WIDTH, Style::new(7.2).soft(), 9.6, &note) + 10.0;
        }
        self.grid_of(&product_curves(self.sheet, Look::Standalone), CURVE_SCALE, "Spurious products, continued");
    }

    fn application(&mut self) {
        self.next_page("Application");
        self.heading("Application");
        self.y += 8.0;
        for block in blocks(self.sheet) {
            self.block(&block);
        }
        self.origin();
    }

    fn block(&mut self, block: &Block) {
        let label = 108.0;
        let width = WIDTH - label;
        let text_height: f64 =
            block.text.iter().map(|t| LEADING * self.metrics.wrap(t, BODY, width).len() as f64 + 2.0).sum();
        let table_height = block.table.as_ref().map_or(0.0, |t| 13.0 * (t.rows.len() + 1) as f64 + 8.0);
        if self.y + text_height + table_height > BOTTOM {
            self.next_page("Application, continued");
        }
        self.page.rule((MARGIN, self.y - 9.5), (PAGE_WIDTH - MARGIN, self.y - 9.5), 0.4, Colour::Hair);
        self.paragraph((MARGIN, self.y), label - 12.0, BODY.bold(), LEADING, block.title);
        for text in &block.text {
            self.y += self.paragraph((MARGIN + label, self.y), width, BODY, LEADING, text) + 2.0;
        }
        if let Some(table) = &block.table {
            self.small_table(table, MARGIN + label, width);
        }
        self.y += 6.0;
    }

    /// First column to the left, short further ones to the right, words to the left.
    fn small_table(&mut self, table: &Grid, x: f64, width: f64) {
        let style = Style::new(7.6);
        let columns = table.heads.len();
        let widest = |i: usize| {
            let cells = table.rows.iter().filter_map(|r| r.get(i)).chain([&table.heads[i]]);
            cells.map(|t| self.metrics.width(t, style.bold())).fold(0.0, f64::max)
        };
        // no column but the last takes more than two fifths of the width: longer cells wrap
        let natural: Vec<f64> = (0..columns).map(|i| widest(i).min(0.34 * width)).collect();
        let spare = (width - natural.iter().sum::<f64>()) / columns.max(1) as f64;
        let gap = spare.clamp(6.0, 26.0);
        let mut lefts = vec![x];
        for w in &natural {
            let last = lefts[lefts.len() - 1];
            lefts.push(last + w + gap);
        }
        self.y += 2.0;
        for (i, head) in table.heads.iter().enumerate() {
            self.page.text((lefts[i], self.y), At::Left, style.bold(), head);
        }
        self.y += 3.8;
        self.page.rule((x, self.y), (x + width, self.y), 0.6, Colour::Frame);
        for row in &table.rows {
            let cells: Vec<Vec<String>> = row
                .iter()
                .enumerate()
                .map(|(i, t)| {
                    self.metrics.wrap(t, style, if i + 1 == columns { x + width - lefts[i] } else { natural[i] + 1.0 })
                })
                .collect();
            let lines = cells.iter().map(Vec::len).max().unwrap_or(1);
            for (i, cell) in cells.iter().enumerate() {
                for (k, line) in cell.iter().enumerate() {
                    self.page.text((lefts[i], self.y + 9.4 + 9.0 * k as f64), At::Left, style, line);
                }
            }
            self.y += 9.0 * lines as f64 + 4.0;
            self.page.rule((x, self.y), (x + width, self.y), 0.3, Colour::Hair);
        }
        self.y += 8.0;
    }

    /// Revision and hashes of what the sheet came from.
    fn origin(&mut self) {
        let small = Style::new(6.6);
        let (label, leading) = (204.0, 8.4);
        let typeface = ("typeface".to_owned(), "Roboto, Apache License 2.0".to_owned());
        let rows: Vec<(Vec<String>, Vec<String>)> = self
            .sheet
            .origin
            .iter()
            .chain([&typeface])
            .map(|(what, value)| {
                let what = self.metrics.wrap(what, small.soft(), label - 8.0);
                (what, self.metrics.wrap(value, small, WIDTH - label - 16.0))
            })
            .collect();
        let lines: usize = rows.iter().map(|(a, b)| a.len().max(b.len())).sum();
        let height = 20.0 + leading * lines as f64;
        if self.y + height - 9.0 > BOTTOM {
            self.next_page("Application, continued");
        }
        self.page.rect((MARGIN, self.y - 9.0), (WIDTH, height), Some(TINT), None);
        self.page.text((MARGIN + 8.0, self.y + 2.0), At::Left, small.bold(), "Where this sheet came from");
        let revision = format!("revision {}", self.sheet.revision);
        self.page.text((PAGE_WIDTH - MARGIN - 8.0, self.y + 2.0), At::Right, small.bold(), &revision);
        let mut y = self.y + 2.0;
        for (what, value) in rows {
            for (i, line) in what.iter().enumerate() {
                self.page.text((MARGIN + 8.0, y + leading * (i + 1) as f64), At::Left, small.soft(), line);
            }
            for (i, line) in value.iter().enumerate() {
                self.page.text((MARGIN + label, y + leading * (i + 1) as f64), At::Left, small, line);
            }
            y += leading * what.len().max(value.len()) as f64;
        }
        self.y += height + 8.0;
    }
}

/// What stands below the headline table.
pub(crate) fn table_notes(sheet: &Sheet) -> Vec<String> {
    let mut out = Vec::new();
    match &sheet.measured {
        None => {
            out.push(
                "Simulated: mean over the band (in dB) and worst value within it, with the half width of its numeric band where \
                 that shows. A dash under measured units: no units were measured, nothing is guaranteed."
                    .into(),
            );
        }
        Some(m) => {
            out.push(format!(
                "Typical: mean of the measured units over the frequencies measured. Min and max are guaranteed: with {} % \
                 confidence, {} % of all units keep the bound at every frequency measured (one-sided tolerance bound of a \
                 normal population, lots counted as a source of spread, at least {} units), under the conditions stated and \
                 at the temperature measured, not over temperature. The spread of the bench is contained and not taken \
                 off. Source: {}. A dash: not measured, or too few units.",
                crate::words::plain(100.0 * m.confidence),
                crate::words::plain(100.0 * m.coverage),
                crate::UNITS_MIN,
                m.source
            ));
            out.push(
                "Simulated: mean over the band and worst value within it of the nominal design; shown for comparison, never \
                 mixed with measured values."
                    .into(),
            );
            let floor = m.samples.iter().filter(|s| s.at_floor).count();
            if floor > 0 {
                out.push(format!(
                    "{floor} of the readings lie at the floor of the bench; they enter with the floor, which makes the \
                     bound of a product cautious and its mean too high."
                ));
            }
        }
    }
    out.push("Conversion loss, isolation and return loss are positive numbers; levels are available powers.".into());
    out
}

/// Both index conventions, said once.
pub(crate) fn spur_convention() -> [&'static str; 2] {
    [
        "In these tables m counts the signal (RF, or IF when converting up) and selects the row; n counts the LO and \
         selects the column. A product is written m×n: 2×1 is twice the signal with once the LO.",
        "Other sheets write LO first, or let rows count the LO: there our 2×1 reads 1×2. Compare the frequency, \
         n·LO ± m·signal, never the pair of numbers alone.",
    ]
}

/// The first digits of a hash; other texts as they are.
fn short(hash: &str) -> String {
    let is_hash = hash.len() > 24 && hash.bytes().all(|b| b.is_ascii_hexdigit());
    if is_hash { format!("model {}…", &hash[..16]) } else { hash.to_owned() }
}
