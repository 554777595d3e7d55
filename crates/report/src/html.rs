//! The review as one page: readable offline, printed, in light and dark, without scripts.
//!
//! The page is also well-formed XML, which the tests rely on.

use crate::number::{escape, fixed, frequency, plain, shown, typeset};
use crate::picture::{Look, MarginStrip, palette};
use crate::table::{Row, abscissa, table};
use crate::{figures, plots, words};
use quantity::Severity;
use spec::{Item, Locus, Reading, Review, Section, SmithPlot, SpurGrid, Verdict, VerdictStatus, WaveformPlot};
use std::fmt::Write as _;

/// The whole report as one self-contained HTML text.
pub fn html(review: &Review) -> String {
    let mut body = String::new();
    header(&mut body, review);
    summary(&mut body, review);
    if judges(review) {
        verdicts(&mut body, review);
    }
    if remarks(review) {
        findings(&mut body, review);
    }
    for section in &review.sections {
        run(&mut body, section);
    }
    if numbers(review) > 0 {
        guide(&mut body);
    }
    footer(&mut body, review);
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta name=\"color-scheme\" content=\"light dark\"/>\n<title>{} – {}</title>\n\
         <style>\n{}{}</style>\n</head>\n<body>\n{body}</body>\n</html>\n",
        escape(&review.design),
        escape(&words::kind(review).to_lowercase()),
        palette::style_sheet(),
        include_str!("style.css"),
    )
}

/// Requirements are shown where limits are judged, and in the review of a mixer to say that none are stated.
fn judges(review: &Review) -> bool {
    review.title.is_empty() || !review.verdicts.is_empty()
}

fn remarks(review: &Review) -> bool {
    review.title.is_empty() || !review.findings.is_empty()
}

fn header(out: &mut String, review: &Review) {
    let kind = escape(words::kind(review));
    let _ = writeln!(out, "<header>\n<p class=\"kind\">{}</p>\n<h1>{}</h1>", kind, escape(&review.design));
    let _ = writeln!(out, "<p>{}</p>", escape(&typeset_levels(&review.about)));
    if review.nominal != spec::Conditions::default() {
        out.push_str("<dl>\n");
        for (name, text) in words::conditions(&review.nominal) {
            let (class, text) = if name == "Terminations" { (" class=\"wide\"", text) } else { ("", typeset(&text)) };
            let _ = writeln!(out, "<div{class}><dt>{name}</dt><dd>{}</dd></div>", escape(&text));
        }
        out.push_str("</dl>\n");
    }
    out.push_str("<nav aria-label=\"Contents\">");
    let mut link = |key: &str, title: &str| {
        let _ = write!(out, "<a href=\"#{}\">{}</a> ", escape(&anchor(key)), escape(title));
    };
    if !review.summary.is_empty() {
        link("headline", "Headline numbers");
    }
    if judges(review) {
        link("requirements", "Requirements");
    }
    if remarks(review) {
        link("remarks", "Remarks");
    }
    for s in &review.sections {
        link(&format!("run-{}", s.key), &s.title);
    }
    if numbers(review) > 0 {
        link("guide", "How to read the numbers");
    }
    out.push_str("</nav>\n</header>\n");
}

/// A key without spaces, for links within the page.
fn anchor(key: &str) -> String {
    key.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect()
}

fn summary(out: &mut String, review: &Review) {
    if review.summary.is_empty() {
        return;
    }
    out.push_str("<section id=\"headline\">\n<h2>Headline numbers</h2>\n<div class=\"cards\">\n");
    for r in &review.summary {
        let s = shown(r);
        let band = if s.band.is_empty() { String::new() } else { format!("± {} ", s.band) };
        let unit = if r.value.is_finite() { r.measure.unit() } else { "" };
        let _ = writeln!(
            out,
            "<div class=\"card\"><div class=\"name\">{}</div><div class=\"value\">{} <small>{}{}</small></div>",
            escape(&r.measure.label()),
            escape(&typeset(&s.value_text())),
            escape(&band),
            escape(unit)
        );
        let at = words::difference(&r.conditions, &review.nominal);
        if !at.is_empty() {
            let _ = writeln!(out, "<div class=\"how\">at {}</div>", escape(&typeset_levels(&at)));
        }
        let _ = writeln!(
            out,
            "<div class=\"how\">{}</div>",
            escape(&typeset_levels(&words::quality(&r.quality, r.measure.unit())))
        );
        for line in words::bands(r) {
            let _ = writeln!(out, "<div class=\"how\">{}</div>", escape(&typeset_levels(&line)));
        }
        out.push_str("</div>\n");
    }
    out.push_str("</div>\n");
    let cancelled: Vec<_> = plots::cancelled(&review.summary).collect();
    if !cancelled.is_empty() {
        out.push_str(
            "<p>These numbers are small differences of large terms; a change of any one term shows in full.</p>\n",
        );
        out.push_str("<div class=\"multiples\">\n");
        for (r, c) in cancelled {
            let title = format!("{}: {}", r.measure.label(), words::cancellation(c));
            figure(out, &title, &plots::phasors(&title, c).svg(Look::Embedded));
        }
        out.push_str("</div>\n");
    }
    let rows: Vec<Row<'_>> = review.summary.iter().map(row).collect();
    details(out, "All headline numbers with their quality", rows.len(), &table(&[], &rows));
    out.push_str("</section>\n");
}

/// Typographic minus before digits only, so that hyphens in words stay.
fn typeset_levels(text: &str) -> String {
    let letters: Vec<char> = text.chars().collect();
    let minus = |i: usize| {
        letters[i] == '-'
            && letters.get(i + 1).is_some_and(char::is_ascii_digit)
            && (i == 0 || matches!(letters[i - 1], ' ' | 'e' | '('))
    };
    (0..letters.len()).map(|i| if minus(i) { '−' } else { letters[i] }).collect()
}

const fn row(reading: &Reading) -> Row<'_> {
    Row { lead: Vec::new(), reading, instead: None }
}

fn figure(out: &mut String, title: &str, svg: &str) {
    let _ = writeln!(out, "<figure><figcaption>{}</figcaption>\n{svg}</figure>", escape(title));
}

fn details(out: &mut String, title: &str, count: usize, content: &str) {
    let _ = writeln!(out, "<details><summary>{} ({count})</summary>\n{content}</details>", escape(title));
}

const fn class(status: VerdictStatus) -> &'static str {
    match status {
        VerdictStatus::Pass => "pass",
        VerdictStatus::Fail => "fail",
        VerdictStatus::Undecided => "undecided",
        VerdictStatus::NotComputed => "notcomputed",
    }
}

fn badge(status: VerdictStatus, text: &str) -> String {
    format!(
        "<span class=\"status {}\"><span class=\"badge\" aria-hidden=\"true\">{}</span>{}</span>",
        class(status),
        words::symbol(status),
        escape(text)
    )
}

fn verdicts(out: &mut String, review: &Review) {
    out.push_str("<section id=\"requirements\">\n<h2>Requirements</h2>\n");
    if review.verdicts.is_empty() {
        out.push_str("<p class=\"empty\">The design states no limits.</p>\n</section>\n");
        return;
    }
    out.push_str("<p class=\"tally\">");
    for status in [VerdictStatus::Fail, VerdictStatus::Undecided, VerdictStatus::Pass, VerdictStatus::NotComputed] {
        let count = review.verdicts.iter().filter(|v| v.status == status).count();
        if count > 0 {
            out.push_str(&badge(status, &format!("{count} {}", words::status(status))));
        }
    }
    out.push_str(
        "</p>\n<div class=\"scroll\"><table class=\"verdicts\"><thead><tr><th scope=\"col\">Verdict</th>\
         <th scope=\"col\">Requirement</th><th scope=\"col\" class=\"n\">Limit</th>\
         <th scope=\"col\" class=\"n\">Worst value</th><th scope=\"col\" class=\"n\">Margin</th>\
         <th scope=\"col\">Limit and band</th><th scope=\"col\">Where, why</th></tr></thead><tbody>\n",
    );
    for v in &review.verdicts {
        verdict_row(out, v, review);
    }
    out.push_str("</tbody></table></div>\n</section>\n");
}

fn verdict_row(out: &mut String, v: &Verdict, review: &Review) {
    let unit = v.limit.measure.map_or("dBc", spec::Measure::unit);
    let worst = v.worst.as_ref().map(words::value).unwrap_or_default();
    let margin = match v.margin {
        Some(m) if m.is_finite() => {
            format!("{}{} {}", if m >= 0.0 { "+" } else { "" }, fixed(m, 2), words::difference_unit(unit))
        }
        _ => String::new(),
    };
    let strip = match (v.margin, &v.worst) {
        (Some(margin), Some(r)) if margin.is_finite() => {
            MarginStrip { margin, band: margin_band(v, r) }.svg(Look::Embedded)
        }
        _ => String::new(),
    };
    let mut place = Vec::new();
    if let Some(r) = &v.worst {
        if v.limit.measure != Some(r.measure) {
            place.push(r.measure.label());
        }
        let at = words::difference(&r.conditions, &review.nominal);
        if !at.is_empty() {
            place.push(format!("at {at}"));
        }
    }
    let mut say = escape(&typeset_levels(&place.join(" ")));
    if !v.limit.why.is_empty() {
        let gap = if say.is_empty() { "" } else { "; " };
        let _ = write!(say, "<span class=\"faint\">{gap}{}</span>", escape(&v.limit.why));
    }
    let _ = writeln!(
        out,
        "<tr><td>{}</td><td>{}</td><td class=\"n\" data-name=\"Limit\">{}</td>\
         <td class=\"n\" data-name=\"Worst value\">{}</td><td class=\"n\" data-name=\"Margin\">{}</td>\
         <td>{}</td><td>{say}</td></tr>",
        badge(v.status, words::status(v.status)),
        escape(&words::limit_subject(&v.limit)),
        escape(&typeset(&words::limit_bound(&v.limit))),
        escape(&typeset(&worst)),
        escape(&typeset(&margin)),
        strip.trim_end()
    );
}

/// How far the deciding number may lie on the bad and on the good side.
fn margin_band(v: &Verdict, r: &Reading) -> (f64, f64) {
    let Some((low, high)) = r.quality.interval(r.value) else { return (0.0, 0.0) };
    match v.limit.bound {
        spec::Bound::AtMost(_) => (high - r.value, r.value - low),
        spec::Bound::AtLeast(_) => (r.value - low, high - r.value),
    }
}

fn findings(out: &mut String, review: &Review) {
    out.push_str("<section id=\"remarks\">\n<h2>Remarks</h2>\n");
    if review.findings.is_empty() {
        out.push_str("<p class=\"empty\">None.</p>\n");
    } else {
        out.push_str("<ul class=\"findings\">\n");
        let (first, rest): (Vec<_>, Vec<_>) = review.findings.iter().partition(|f| f.severity == Severity::Warning);
        for f in first.into_iter().chain(rest) {
            let (class, word) =
                if f.severity == Severity::Warning { ("warning", "▲ Warning") } else { ("note", "Note") };
            let _ = writeln!(
                out,
                "<li><span class=\"tag {class}\">{word}</span><span><b>{}</b>: {}</span></li>",
                escape(&f.place),
                escape(&typeset_levels(&f.text))
            );
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n");
}

fn run(out: &mut String, section: &Section) {
    let _ = writeln!(
        out,
        "<section id=\"{}\">\n<h2>{}</h2>\n<p>{}</p>\n<div class=\"items\">",
        escape(&anchor(&format!("run-{}", section.key))),
        escape(&section.title),
        escape(&typeset_levels(&section.text))
    );
    for item in &section.items {
        one_item(out, item);
    }
    out.push_str("</div>\n</section>\n");
}

fn one_item(out: &mut String, item: &Item) {
    let full = match item {
        Item::Figure(f) => figures::is_wide(f),
        _ => matches!(item, Item::Spurs(_) | Item::Waveforms(_) | Item::Table(_)),
    };
    out.push_str(if full { "<div class=\"item full\">\n" } else { "<div class=\"item\">\n" });
    let pictures = plots::pictures_of(item, Look::Embedded);
    match item {
        Item::Curves(p) => {
            pictures.iter().for_each(|(_, svg)| figure(out, &p.title, svg));
            let rows: Vec<Row<'_>> = p
                .curves
                .iter()
                .flat_map(|c| c.points.iter().map(move |(x, r)| (c, x, r)))
                .map(|(c, x, r)| Row { lead: vec![c.name.clone(), abscissa(*x)], reading: r, instead: None })
                .collect();
            let heads = ["Curve".to_owned(), format!("{}, {}", p.x.label, p.x.unit)];
            details(out, "Numbers", rows.len(), &table(&heads, &rows));
        }
        Item::Spurs(g) => {
            out.push_str("<div class=\"multiples\">\n");
            for ((_, svg), (_, grid)) in pictures.iter().zip(plots::spur_grids(g)) {
                figure(out, &grid.title, svg);
            }
            out.push_str("</div>\n");
            details(out, "Numbers", g.entries.len(), &spur_table(g));
        }
        Item::Smith(s) => {
            pictures.iter().for_each(|(_, svg)| figure(out, &s.title, svg));
            let count = s.loci.iter().map(|l| l.points.len()).sum();
            details(out, "Numbers", count, &smith_table(s));
        }
        Item::Waveforms(w) => {
            let _ = writeln!(out, "<p>{}</p>\n<div class=\"multiples\">", escape(&w.title));
            for ((_, svg), j) in pictures.iter().zip(&w.junctions) {
                figure(out, &j.name, svg);
            }
            out.push_str("</div>\n");
            details(out, "Extremes", w.junctions.len(), &waveform_table(w));
        }
        Item::Figure(f) => out.push_str(&figures::html(f)),
        Item::Table(t) => {
            let rows: Vec<Row<'_>> = t.readings.iter().map(row).collect();
            let _ =
                writeln!(out, "<figure><figcaption>{}</figcaption>\n{}</figure>", escape(&t.title), table(&[], &rows));
        }
    }
    out.push_str("</div>\n");
}

fn spur_table(g: &SpurGrid) -> String {
    let floor = format!("not claimed, below {} dBc", fixed(g.not_claimed_dbc, 0));
    let rows: Vec<Row<'_>> = g
        .entries
        .iter()
        .map(|e| Row {
            lead: vec![
                e.m.to_string(),
                e.n.to_string(),
                if e.sum { "sum" } else { "difference" }.to_owned(),
                frequency(e.frequency_hz),
            ],
            reading: &e.reading,
            instead: plots::not_claimed(g, e).then(|| floor.clone()),
        })
        .collect();
    table(&["m (RF)", "n (LO)", "Product", "Frequency"].map(str::to_owned), &rows)
}

fn smith_table(s: &SmithPlot) -> String {
    let row = |l: &Locus, f: f64, re: f64, im: f64| {
        let size = re.hypot(im);
        let z = |part: f64| s.reference_ohm * part / ((1.0 - re).powi(2) + im * im);
        let cells = [
            frequency(f),
            fixed(size, 4),
            fixed(im.atan2(re).to_degrees(), 1),
            fixed(-20.0 * size.log10(), 2),
            fixed(z(1.0 - size * size), 2),
            fixed(z(2.0 * im), 2),
        ];
        (l.name.clone(), cells)
    };
    let heads = ["Frequency", "|Γ|", "Angle, °", "Return loss, dB", "Resistance, Ω", "Reactance, Ω"];
    let rows = s.loci.iter().flat_map(|l| l.points.iter().map(move |(f, g)| row(l, *f, g.re, g.im)));
    simple_table("Locus", &heads, rows)
}

fn waveform_table(w: &WaveformPlot) -> String {
    let extreme = |list: &[f64], scale: f64| {
        let all = || list.iter().copied().filter(|v| v.is_finite()).map(|v| v * scale);
        [all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max)].map(|v| fixed(v, 3))
    };
    let rows = w.junctions.iter().map(|j| {
        let [v0, v1] = extreme(&j.voltage_v, 1.0);
        let [i0, i1] = extreme(&j.current_a, 1e3);
        (j.name.clone(), [v0, v1, i0, i1, j.time_s.len().to_string()])
    });
    let heads = ["Least voltage, V", "Most voltage, V", "Least current, mA", "Most current, mA", "Samples"];
    simple_table("Diode", &heads, rows)
}

fn simple_table<const N: usize>(
    first: &str,
    heads: &[&str; N],
    rows: impl Iterator<Item = (String, [String; N])>,
) -> String {
    let mut out = format!("<div class=\"scroll\"><table class=\"numbers\"><thead><tr><th scope=\"col\">{first}</th>");
    for h in heads {
        let _ = write!(out, "<th scope=\"col\" class=\"n\">{h}</th>");
    }
    out.push_str("</tr></thead><tbody>\n");
    for (name, cells) in rows {
        let _ = write!(out, "<tr><td>{}</td>", escape(&name));
        for c in cells {
            let _ = write!(out, "<td class=\"n\">{}</td>", escape(&typeset(&c)));
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table></div>\n");
    out
}

fn guide(out: &mut String) {
    const TERMS: [(&str, &str); 11] = [
        (
            "± band",
            "Remaining motion of the number under more harmonics and finer sampling, as half width in its own unit, rounded up. It is numerical only: fabrication and learned model error are separate bands. Without a band the number was not climbed.",
        ),
        ("Orders", "Harmonics kept in the LO and in the RF tone."),
        (
            "Residual",
            "Largest error in the circuit equations at any frequency, relative to the smallest product asked for.",
        ),
        (
            "Method",
            "Full balance solves all tones together. Small signal is the linear response around the pumped state. Perturbation adds the higher RF orders to it.",
        ),
        (
            "Continued data",
            "Share of the junction power flow, in the lines that make the product, at frequencies beyond the given network data; and how far the number moves when the data are continued in the other ways.",
        ),
        (
            "Cancellation",
            "Sum of the magnitudes of the terms over the magnitude of their sum. At 40 dB an error of one percent in one term is as large as the result. The small picture shows the terms head to tail.",
        ),
        (
            "Fabrication",
            "How far fabricated units spread around the number, from the declared process variables. It covers the stated share of units and may be skewed: a leak that cancels can only get worse in most directions.",
        ),
        (
            "Learned model error",
            "Bias and spread between earlier predictions of this kind and their measurements, from the ledger. Absent until a ledger is given that has enough of them.",
        ),
        (
            "Promise",
            "For numbers formed by cancellation: the bound that the stated share of fabricated units keeps. The value itself may be better by luck; only the bound is worth promising.",
        ),
        ("≤ and ≥", "The value is a bound: the number lies below what the computation can resolve."),
        ("Not claimed", "The computed level lies below the floor stated with the grid; no number is claimed."),
    ];
    out.push_str("<section id=\"guide\">\n<h2>How to read the numbers</h2>\n<dl class=\"terms\">\n");
    for (term, text) in TERMS {
        let _ = writeln!(out, "<dt>{term}</dt><dd>{}</dd>", escape(text));
    }
    out.push_str("</dl>\n</section>\n");
}

fn footer(out: &mut String, review: &Review) {
    out.push_str("<footer>\n");
    if !review.work.is_empty() {
        out.push_str("<table><tbody>\n");
        for (name, text) in &review.work {
            let _ = writeln!(out, "<tr><td>{}</td><td>{}</td></tr>", escape(name), escape(text));
        }
        out.push_str("</tbody></table>\n");
    }
    let numbers = numbers(review);
    if numbers > 0 {
        let _ = writeln!(
            out,
            "<p>{} numbers. A table is printed when it is open; the CSV and JSON files hold every number.</p>",
            plain(numbers as f64)
        );
    }
    out.push_str("</footer>\n");
}

/// Readings and samples on the page.
fn numbers(review: &Review) -> usize {
    let count = |s: &Section| s.items.iter().map(items_count).sum::<usize>();
    review.summary.len() + review.sections.iter().map(count).sum::<usize>()
}

fn items_count(item: &Item) -> usize {
    match item {
        Item::Curves(p) => p.curves.iter().map(|c| c.points.len()).sum(),
        Item::Spurs(g) => g.entries.len(),
        Item::Table(t) => t.readings.len(),
        Item::Smith(s) => s.loci.iter().map(|l| l.points.len()).sum(),
        Item::Waveforms(_) | Item::Figure(_) => 0,
    }
}
