//! Tables of readings for the page: columns that say the same in every row move above the table.

use crate::number::{escape, plain, scientific, shown, typeset};
use crate::picture::Look;
use crate::{plots, words};
use spec::Reading;
use std::fmt::Write as _;

/// One row: what stands before the reading, and the reading.
pub(crate) struct Row<'a> {
    /// Cells before those of the reading, as many as the table has leading headers.
    pub(crate) lead: Vec<String>,
    /// The reading.
    pub(crate) reading: &'a Reading,
    /// Printed instead of the value, for levels that are not claimed.
    pub(crate) instead: Option<String>,
}

/// A column: header, cells as HTML, whether its cells are numbers.
struct Column {
    header: String,
    cells: Vec<String>,
    numeric: bool,
    liftable: bool,
}

impl Column {
    fn text(header: &str, cells: impl Iterator<Item = String>, numeric: bool) -> Self {
        let cells = cells.map(|c| escape(&if numeric { typeset(&c) } else { c })).collect();
        Self { header: header.into(), cells, numeric, liftable: true }
    }

    fn same(&self) -> bool {
        self.cells.windows(2).all(|w| w[0] == w[1])
    }
}

/// The table as HTML, with what all rows share in a line above.
pub(crate) fn table(lead_headers: &[String], rows: &[Row<'_>]) -> String {
    if rows.is_empty() {
        return "<p class=\"empty\">No numbers: no value.</p>\n".into();
    }
    let (shared, kept): (Vec<Column>, Vec<Column>) =
        columns(lead_headers, rows).into_iter().partition(|c| c.liftable && c.same());
    let mut out = String::new();
    let said: Vec<String> = shared
        .iter()
        .filter(|c| c.cells.first().is_some_and(|t| !t.is_empty()))
        .map(|c| format!("<span><b>{}</b> {}</span>", escape(&c.header), c.cells[0]))
        .collect();
    if !said.is_empty() {
        let scope = if rows.len() > 1 { "In every row: " } else { "" };
        let _ = writeln!(out, "<p class=\"shared\">{scope}{}</p>", said.join(" "));
    }
    out.push_str("<div class=\"scroll\"><table class=\"numbers\"><thead><tr>");
    for c in &kept {
        let _ = write!(out, "<th scope=\"col\"{}>{}</th>", class(c), escape(&c.header));
    }
    out.push_str("</tr></thead><tbody>\n");
    for i in 0..rows.len() {
        out.push_str("<tr>");
        for c in &kept {
            let _ = write!(out, "<td{}>{}</td>", class(c), c.cells[i]);
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table></div>\n");
    out
}

const fn class(c: &Column) -> &'static str {
    if c.numeric { " class=\"n\"" } else { "" }
}

fn columns(lead_headers: &[String], rows: &[Row<'_>]) -> Vec<Column> {
    let of = |f: &dyn Fn(&Reading) -> String| rows.iter().map(|r| f(r.reading)).collect::<Vec<_>>().into_iter();
    let mut out: Vec<Column> = lead_headers
        .iter()
        .enumerate()
        .map(|(k, header)| {
            let cells = rows.iter().map(|r| r.lead.get(k).cloned().unwrap_or_default());
            // Names keep their hyphens; a column of one name says it once.
            let name = matches!(header.as_str(), "Curve" | "Product");
            Column { liftable: name, ..Column::text(header, cells, !name) }
        })
        .collect();
    out.push(Column::text("Measure", of(&|r| r.measure.label()), false));
    let value = rows.iter().map(|r| r.instead.clone().unwrap_or_else(|| shown(r.reading).value_text()));
    out.push(Column { liftable: false, ..Column::text("Value", value, true) });
    let band = rows.iter().map(|r| if r.instead.is_some() { String::new() } else { shown(r.reading).band });
    out.push(Column { liftable: false, ..Column::text("± band", band, true) });
    out.push(Column::text("Unit", of(&|r| r.measure.unit().to_owned()), false));
    for name in ["LO", "RF", "IF", "Sideband", "LO level", "Signal level", "Temperature", "Terminations"] {
        let find = |r: &Reading| {
            let found = words::conditions(&r.conditions).into_iter().find(|(n, _)| *n == name);
            found.map(|(_, text)| text).unwrap_or_default()
        };
        out.push(Column::text(name, of(&find), !matches!(name, "Sideband" | "Terminations")));
    }
    out.push(Column::text("Method", of(&|r| words::method(r.quality.method).to_owned()), false));
    out.push(Column::text("Orders", of(&|r| words::orders(&r.quality)), false));
    out.push(Column::text("Residual", of(&|r| scientific(r.quality.residual)), true));
    out.push(Column::text("Outcome", of(&|r| words::outcome(r.quality.outcome).to_owned()), false));
    let continued = |r: &Reading| r.quality.continued.as_ref().map(words::continued).unwrap_or_default();
    out.push(Column::text("Continued data", of(&continued), true));
    let unit = |r: &Reading| words::difference_unit(r.measure.unit());
    let field = |r: &Reading| r.quality.bands.field.map(|f| format!("± {} {}", plain(f), unit(r))).unwrap_or_default();
    out.push(Column::text("Field solution", of(&field), true));
    let band = |b: &Option<spec::Band>| b.as_ref().map(words::band).unwrap_or_default();
    out.push(Column::text("Fabrication", of(&|r| band(&r.quality.bands.fabrication)), true));
    out.push(Column::text("Learned model error", of(&|r| band(&r.quality.bands.model)), true));
    let promise = |r: &Reading| {
        let p = r.quality.bands.promise.as_ref();
        p.map(|p| words::promise(p, r.measure.unit())).unwrap_or_default()
    };
    out.push(Column::text("Promise", of(&promise), true));
    let moves = |r: &Reading| {
        let a = r.quality.bands.asymmetry.as_ref();
        a.map(|a| format!("{} {} {}", a.name, plain((100.0 * a.change).round() / 100.0), unit(r))).unwrap_or_default()
    };
    out.push(Column::text("Moves it most", of(&moves), false));
    out.push(cancellation_column(rows));
    out
}

/// Ratio, small phasor picture, and the terms when pointed at.
fn cancellation_column(rows: &[Row<'_>]) -> Column {
    let cells = rows
        .iter()
        .map(|r| match &r.reading.quality.cancellation {
            None => String::new(),
            Some(c) => format!(
                "<span class=\"cancel\" title=\"{}\">{} {}</span>",
                escape(&words::terms(c)),
                plots::phasors("cancelling terms", c).small_svg(Look::Embedded).trim_end(),
                escape(&typeset(&words::cancellation(c)))
            ),
        })
        .collect();
    Column { header: "Cancellation".into(), cells, numeric: false, liftable: true }
}

/// Abscissa as a cell.
pub(crate) fn abscissa(x: f64) -> String {
    plain(x)
}
