//! The datasheet as one HTML page in the look of the reports: offline, light and dark, without scripts.

use crate::application::{Grid, blocks};
use crate::layout::{spur_convention, table_notes};
use crate::pictures::{Panel, curves, product_curves, spur_caption, spurs};
use crate::rows::{features, rows};
use crate::words::{celsius, escape, frequency, level, plain};
use crate::{DatasheetError, Sheet};
use report::picture::{Look, palette};
use std::fmt::Write as _;

/// Rules of this page beyond those of the reports.
const STYLE: &str = ".stamp{display:inline-block;border:1.5px solid currentColor;padding:.25rem .7rem;\
font:600 .85rem ui-sans-serif,system-ui,sans-serif}.stamp.simulated{color:var(--open)}.stamp.measured{color:var(--good)}\
ul.features{padding-left:1.2em;max-width:44rem}td.say{color:var(--soft);min-width:15rem;max-width:22rem}\
table.sheet td,table.sheet th{overflow-wrap:normal;word-break:normal}td.what{min-width:9rem}\
table.sheet td,table.sheet th{padding-right:1.1rem}.blocks{display:grid;grid-template-columns:minmax(8rem,12rem) 1fr;gap:.4rem 1.6rem}\
.blocks h3{font-size:.95rem;margin:.5rem 0}code{overflow-wrap:anywhere}\n";

/// The datasheet as one self-contained HTML text, also well-formed XML.
///
/// # Errors
/// Measured samples that allow no statement.
pub fn html(sheet: &Sheet) -> Result<String, DatasheetError> {
    let mut body = String::new();
    head(&mut body, sheet);
    headline(&mut body, sheet)?;
    figures(&mut body, "Curves", &curves(sheet, Look::Embedded));
    spur_tables(&mut body, sheet);
    figures(&mut body, "Products over frequency and level", &product_curves(sheet, Look::Embedded));
    application(&mut body, sheet);
    origin(&mut body, sheet);
    Ok(format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta name=\"color-scheme\" content=\"light dark\"/>\n<title>{} – datasheet</title>\n\
         <style>\n{}{}{STYLE}</style>\n</head>\n<body>\n{body}</body>\n</html>\n",
        escape(&sheet.name),
        palette::style_sheet(),
        report::PAGE_STYLE,
    ))
}

fn head(out: &mut String, sheet: &Sheet) {
    let n = &sheet.review.nominal;
    let stamp = match &sheet.measured {
        None => "<span class=\"stamp simulated\">Simulated: no measured unit stands behind it</span>",
        Some(_) => "<span class=\"stamp measured\">Typical and guaranteed computed from measured units</span>",
    };
    let notices: String = sheet.notices.iter().map(|n| format!("<p><strong>{}</strong></p>\n", escape(n))).collect();
    let _ = writeln!(
        out,
        "<header>\n<p class=\"kind\">Datasheet, revision {}</p>\n<h1>{}</h1>\n<p>{}</p>\n{notices}<p>{stamp}</p>\n<p>{}</p>\n<ul class=\"features\">",
        escape(&sheet.revision),
        escape(&sheet.name),
        escape(&sheet.kind),
        escape(&sheet.review.about)
    );
    for f in features(sheet) {
        let _ = writeln!(out, "<li>{}</li>", escape(&f));
    }
    let _ = writeln!(
        out,
        "</ul>\n<dl><div><dt>LO</dt><dd>{}</dd></div><div><dt>LO level</dt><dd>{}</dd></div>\
         <div><dt>Temperature</dt><dd>{}</dd></div><div class=\"wide\"><dt>Terminations</dt><dd>{}</dd></div></dl>\n</header>",
        frequency(n.lo_hz),
        level(n.lo_dbm),
        celsius(n.temp_k),
        escape(&n.terminations.replace("ohm", "Ω"))
    );
}

fn headline(out: &mut String, sheet: &Sheet) -> Result<(), DatasheetError> {
    out.push_str(
        "<section>\n<h2>Electrical characteristics</h2>\n<div class=\"scroll\"><table class=\"sheet\"><thead>\
         <tr><th rowspan=\"2\" scope=\"col\">Parameter</th><th rowspan=\"2\" scope=\"col\">Conditions</th>\
         <th colspan=\"2\" scope=\"colgroup\" class=\"n\">Simulated</th>\
         <th colspan=\"3\" scope=\"colgroup\" class=\"n\">Measured units</th><th rowspan=\"2\" scope=\"col\">Unit</th></tr>\n\
         <tr><th scope=\"col\" class=\"n\">Mean</th><th scope=\"col\" class=\"n\">Worst</th><th scope=\"col\" class=\"n\">Typical</th>\
         <th scope=\"col\" class=\"n\">Guaranteed min</th><th scope=\"col\" class=\"n\">Guaranteed max</th></tr></thead><tbody>\n",
    );
    let dash = |t: &str| if t.is_empty() { "–".to_owned() } else { escape(t) };
    for r in rows(sheet)? {
        let _ = writeln!(
            out,
            "<tr><td class=\"what\">{}</td><td class=\"say\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
             <td class=\"n\"><b>{}</b></td><td class=\"n\"><b>{}</b></td><td class=\"n\"><b>{}</b></td><td>{}</td></tr>",
            escape(&r.name),
            escape(&r.said()),
            dash(&r.simulated_mean),
            dash(&r.simulated_worst),
            dash(r.measured_typical()),
            dash(&r.guaranteed_min),
            dash(&r.guaranteed_max),
            r.unit,
        );
    }
    out.push_str("</tbody></table></div>\n");
    for note in table_notes(sheet) {
        let _ = writeln!(out, "<p class=\"shared\">{}</p>", escape(&note));
    }
    out.push_str("</section>\n");
    Ok(())
}

fn figures(out: &mut String, title: &str, panels: &[Panel]) {
    if panels.is_empty() {
        return;
    }
    let _ = writeln!(out, "<section>\n<h2>{title}</h2>\n<div class=\"multiples\">");
    for p in panels {
        let _ = writeln!(out, "<figure><figcaption>{}</figcaption>\n{}</figure>", escape(&p.title), p.svg);
    }
    out.push_str("</div>\n</section>\n");
}

fn spur_tables(out: &mut String, sheet: &Sheet) {
    let all = spurs(sheet, Look::Embedded);
    if all.is_empty() {
        return;
    }
    out.push_str("<section>\n<h2>Spur tables</h2>\n");
    for text in spur_convention() {
        let _ = writeln!(out, "<p>{}</p>", escape(text));
    }
    for s in all {
        let _ = writeln!(out, "<p>{}</p>\n<div class=\"multiples\">", escape(&spur_caption(sheet, s.grid)));
        for p in &s.panels {
            let _ = writeln!(out, "<figure><figcaption>{}</figcaption>\n{}</figure>", escape(&p.title), p.svg);
        }
        let _ = writeln!(
            out,
            "</div>\n<p class=\"shared\">Levels in dBc; below {} dBc nothing is claimed.</p>",
            plain(s.grid.not_claimed_dbc)
        );
    }
    out.push_str("</section>\n");
}

fn application(out: &mut String, sheet: &Sheet) {
    out.push_str("<section>\n<h2>Application</h2>\n<div class=\"blocks\">\n");
    for b in blocks(sheet) {
        let _ = writeln!(out, "<h3>{}</h3><div>", escape(b.title));
        for t in &b.text {
            let _ = writeln!(out, "<p>{}</p>", escape(t));
        }
        if let Some(t) = &b.table {
            grid(out, t);
        }
        out.push_str("</div>\n");
    }
    out.push_str("</div>\n</section>\n");
}

fn grid(out: &mut String, table: &Grid) {
    out.push_str("<div class=\"scroll\"><table><thead><tr>");
    for h in &table.heads {
        let _ = write!(out, "<th scope=\"col\">{}</th>", escape(h));
    }
    out.push_str("</tr></thead><tbody>\n");
    for r in &table.rows {
        out.push_str("<tr>");
        for c in r {
            let _ = write!(out, "<td>{}</td>", escape(c));
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table></div>\n");
}

fn origin(out: &mut String, sheet: &Sheet) {
    out.push_str("<footer>\n<p>Where this sheet came from</p>\n");
    for (what, hash) in &sheet.origin {
        let _ = writeln!(out, "<p>{}: <code>{}</code></p>", escape(what), escape(hash));
    }
    out.push_str("</footer>\n");
}
