//! The pages: first page with headline table, curves, spur tables, application notes.
//!
//! Every page carries name, revision, and the short hash of what it came from.

use crate::application::{Block, Grid, blocks};
use crate::canvas::{At, Canvas, MARGIN, Metrics, PAGE_HEIGHT, PAGE_WIDTH, Style, WIDTH};
use crate::pictures::{Panel, curves, spur_caption, spurs};
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
        let left = format!("{} · revision {} · {basis}", self.sheet.name, self.sheet.revision);
        c.text((MARGIN, y), At::Left, small, &left);
        let hash = self.sheet.origin.first().map(|(_, hash)| short(hash)).unwrap_or_default();
        c.text((PAGE_WIDTH / 2.0 + 40.0, y), At::Centre, small, &hash);
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
        let heads = ["Parameter", "Conditions", "Typical", "Simulated worst", "Min", "Max", "Unit"];
        // right edges of numbers, left edges of words
        let x = [0.0, 138.0, 330.0, 398.0, 437.0, 478.0, 486.0].map(|v| MARGIN + v);
        let widths = [132.0, 156.0];
        self.table_head(&heads, &x);
        for row in rows {
            let name = self.metrics.wrap(&row.name, BODY, widths[0]);
            let small = Style::new(7.2).soft();
            let conditions = self.metrics.wrap(&row.conditions, small, widths[1]);
            let lines = name.len().max(conditions.len()) as f64;
            let height = 9.4 * lines + 5.4;
            if self.y + height > BOTTOM {
                self.next_page("Electrical characteristics, continued");
                self.table_head(&heads, &x);
            }
            let y = self.y + 9.0;
            for (i, line) in name.iter().enumerate() {
                self.page.text((x[0], y + 9.4 * i as f64), At::Left, BODY, line);
            }
            for (i, line) in conditions.iter().enumerate() {
                self.page.text((x[1], y + 9.4 * i as f64), At::Left, small, line);
            }
            let dash = |t: &str| if t.is_empty() { "–".to_owned() } else { t.to_owned() };
            self.page.text((x[2], y), At::Right, BODY.bold(), &dash(&row.typical));
            self.page.text((x[3], y), At::Right, BODY, &dash(&row.simulated_worst));
            self.page.text((x[4], y), At::Right, BODY.bold(), &dash(&row.guaranteed_min));
            self.page.text((x[5], y), At::Right, BODY.bold(), &dash(&row.guaranteed_max));
            self.page.text((x[6], y), At::Left, BODY.soft(), row.unit);
            self.y += height;
            self.page.rule((MARGIN, self.y), (PAGE_WIDTH - MARGIN, self.y), 0.4, Colour::Hair);
        }
    }

    fn table_head(&mut self, heads: &[&str; 7], x: &[f64; 7]) {
        let style = Style::new(7.6).bold();
        let mid = 0.5 * (x[4] - 30.0 + x[5]);
        self.page.text((mid, self.y + 1.0), At::Centre, Style::new(7.0).soft(), "guaranteed");
        self.page.rule((x[4] - 26.0, self.y + 3.6), (x[5], self.y + 3.6), 0.4, Colour::Frame);
        self.y += 12.0;
        for (i, head) in heads.iter().enumerate() {
            let anchor = if (2..6).contains(&i) { At::Right } else { At::Left };
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
        self.grid_of(&panels, 2, "Curves, continued");
    }

    /// Pictures in columns, row by row.
    fn grid_of(&mut self, panels: &[Panel], columns: usize, continued: &str) {
        let gap = 14.0;
        let width = (WIDTH - gap * (columns - 1) as f64) / columns as f64;
        for row in panels.chunks(columns) {
            let height = |p: &Panel| {
                let (w, h) = crate::canvas::size(&p.svg);
                h * width / w
            };
            let tallest = row.iter().map(height).fold(0.0, f64::max);
            if self.y + tallest > BOTTOM {
                self.next_page(continued);
            }
            for (i, panel) in row.iter().enumerate() {
                self.page.picture(&panel.svg, (MARGIN + (width + gap) * i as f64, self.y), width);
            }
            self.y += tallest + 10.0;
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
            self.grid_of(&s.panels, 2, "Spurious products, continued");
            let note = format!(
                "Levels in dBc relative to the wanted product; below {} dBc nothing is claimed. Second line: half width of the \
                 numeric band, dB.",
                crate::words::plain(s.grid.not_claimed_dbc)
            );
            self.y += self.paragraph((MARGIN, self.y), WIDTH, Style::new(7.2).soft(), 9.6, &note) + 10.0;
        }
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
        self.y += 11.0;
    }

    /// First column to the left, short further ones to the right, words to the left.
    fn small_table(&mut self, table: &Grid, x: f64, width: f64) {
        let style = Style::new(7.6);
        let columns = table.heads.len();
        let widest = |i: usize| {
            let cells = table.rows.iter().filter_map(|r| r.get(i)).chain([&table.heads[i]]);
            cells.map(|t| self.metrics.width(t, style.bold())).fold(0.0, f64::max)
        };
        let natural: Vec<f64> = (0..columns).map(widest).collect();
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
        let small = Style::new(7.2);
        let height = 22.0 + 10.0 * self.sheet.origin.len() as f64;
        if self.y + height > BOTTOM {
            self.next_page("Application, continued");
        }
        self.page.rect((MARGIN, self.y - 9.0), (WIDTH, height), Some(TINT), None);
        self.page.text((MARGIN + 8.0, self.y + 3.0), At::Left, small.bold(), "Where this sheet came from");
        let revision = format!("revision {}", self.sheet.revision);
        self.page.text((PAGE_WIDTH - MARGIN - 8.0, self.y + 3.0), At::Right, small.bold(), &revision);
        for (i, (what, hash)) in self.sheet.origin.iter().enumerate() {
            let y = self.y + 14.0 + 10.0 * i as f64;
            self.page.text((MARGIN + 8.0, y), At::Left, small.soft(), what);
            self.page.text((MARGIN + 150.0, y), At::Left, small, hash);
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
                "Typical: mean of the simulated nominal design over the band, in dB. Simulated worst: worst value within \
                 the band, with the half width of its numeric band where that shows. Guaranteed: nothing is guaranteed \
                 before units were measured."
                    .into(),
            );
        }
        Some(m) => {
            out.push(format!(
                "Typical: mean of measured units over the frequencies measured. Guaranteed: with {} % confidence, {} % of all \
                 units keep the bound (one-sided tolerance bound of a normal population; lots counted as a source of \
                 spread). Source: {}. A dash: not measured.",
                crate::words::plain(100.0 * m.confidence),
                crate::words::plain(100.0 * m.coverage),
                m.source
            ));
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

/// The first digits of a hash.
fn short(hash: &str) -> String {
    if hash.len() > 24 { format!("{}…", hash.chars().take(22).collect::<String>()) } else { hash.to_owned() }
}
