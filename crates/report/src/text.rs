//! The review in short for a terminal: aligned, at most 100 columns, readable without colour.

use crate::number::{fixed, shown};
use crate::words;
use quantity::Severity;
use spec::{Conditions, Reading, Review, Verdict};
use std::fmt::Write as _;

/// Widest line, characters.
const WIDTH: usize = 100;

/// Headline numbers, verdicts and remarks as plain text.
pub fn summary_text(review: &Review) -> String {
    let mut out = String::new();
    if !review.title.is_empty() {
        paragraph(&mut out, "", "", &review.title);
    }
    paragraph(&mut out, "", "", &review.design);
    paragraph(&mut out, "", "", &review.about);
    out.push('\n');
    if review.nominal != Conditions::default() {
        let nominal: Vec<String> = words::conditions(&review.nominal).iter().map(|(n, t)| format!("{n} {t}")).collect();
        paragraph(&mut out, "Conditions  ", "            ", &nominal.join(", "));
    }
    if !review.summary.is_empty() {
        out.push_str("\nHeadline numbers\n");
        readings(&mut out, &review.summary, &review.nominal);
    }
    if !review.verdicts.is_empty() {
        out.push_str("\nRequirements\n");
        verdicts(&mut out, &review.verdicts, &review.nominal);
    }
    if !review.findings.is_empty() {
        out.push_str("\nRemarks\n");
        for f in &review.findings {
            let kind = if f.severity == Severity::Warning { "WARNING" } else { "note" };
            paragraph(&mut out, &format!("  {kind:<8} "), "           ", &format!("{}: {}", f.place, f.text));
        }
    }
    if !review.work.is_empty() {
        out.push_str("\nComputation\n");
        for (name, text) in &review.work {
            paragraph(&mut out, &format!("  {name:<28} "), &" ".repeat(31), text);
        }
    }
    out
}

fn readings(out: &mut String, list: &[Reading], nominal: &Conditions) {
    let cells: Vec<[String; 5]> = list
        .iter()
        .map(|r| {
            let s = shown(r);
            let band = if s.band.is_empty() { String::new() } else { format!("± {}", s.band) };
            let mut remark = words::difference(&r.conditions, nominal);
            if let Some(c) = &r.quality.cancellation {
                let said = format!("cancels {}", words::cancellation(c));
                remark = if remark.is_empty() { said } else { format!("{remark}; {said}") };
            }
            for line in words::bands(r) {
                remark = if remark.is_empty() { line } else { format!("{remark}; {line}") };
            }
            [r.measure.label(), s.value_text(), band, r.measure.unit().to_owned(), remark]
        })
        .collect();
    let width = |k: usize| cells.iter().map(|c| c[k].chars().count()).max().unwrap_or(0);
    let (a, b, c, d) = (width(0), width(1), width(2), width(3));
    for [label, value, band, unit, remark] in &cells {
        let head = format!("  {label:<a$}  {value:>b$} {band:<c$} {unit:<d$}  ");
        let indent = " ".repeat(head.chars().count().min(WIDTH / 2));
        paragraph(out, &head, &indent, remark);
    }
}

fn verdicts(out: &mut String, list: &[Verdict], nominal: &Conditions) {
    let subject = |v: &Verdict| format!("{} {}", words::limit_subject(&v.limit), words::limit_bound(&v.limit));
    for v in list {
        let status = words::status(v.status).to_uppercase();
        paragraph(out, &format!("  {status:<13} "), &" ".repeat(16), &subject(v));
        if let Some(worst) = &v.worst {
            let mut text = format!("worst {}", words::value(worst));
            if let Some(m) = v.margin.filter(|m| m.is_finite()) {
                let sign = if m >= 0.0 { "+" } else { "" };
                let _ = write!(text, ", margin {sign}{} {}", fixed(m, 2), words::difference_unit(worst.measure.unit()));
            }
            let at = words::difference(&worst.conditions, nominal);
            if !at.is_empty() {
                let _ = write!(text, ", at {at}");
            }
            paragraph(out, &" ".repeat(16), &" ".repeat(16), &text);
        }
    }
}

/// Writes `text` after `head`, broken at spaces, later lines after `indent`.
fn paragraph(out: &mut String, head: &str, indent: &str, text: &str) {
    let mut line: String = head.chars().filter(|c| !c.is_control()).collect();
    if line.chars().count() > WIDTH / 2 + WIDTH / 4 {
        // A name this long is text itself.
        return paragraph(out, "  ", "    ", &format!("{} {text}", line.trim()));
    }
    let mut empty = true;
    for word in text.split_whitespace() {
        let gap = usize::from(!empty);
        if !empty && line.chars().count() + gap + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{}", line.trim_end());
            indent.clone_into(&mut line);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        let room = WIDTH.saturating_sub(line.chars().count()).max(1);
        // A word longer than the line is cut into pieces rather than lost.
        let letters: Vec<char> = word.chars().filter(|c| !c.is_control()).collect();
        let mut rest = letters.as_slice();
        let mut room = room;
        while rest.len() > room {
            line.extend(&rest[..room]);
            let _ = writeln!(out, "{}", line.trim_end());
            indent.clone_into(&mut line);
            rest = &rest[room..];
            room = WIDTH.saturating_sub(line.chars().count()).max(1);
        }
        line.extend(rest);
        empty = false;
    }
    let line = line.trim_end();
    if !line.is_empty() {
        let _ = writeln!(out, "{line}");
    }
}
