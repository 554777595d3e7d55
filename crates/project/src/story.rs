//! The story of the demonstration behind its review: sealed, three lots measured, explained, entered in the ledger.
//!
//! Input: the folder of the demonstration, its design and review. Output: seal, pages of lots, causes and ledger, and an
//! index of all. Causes come from the measured files alone; what was hidden in them is not shipped to the reader.

use crate::design::Design;
use crate::error::ProjectError;
use crate::explain::{self, Explained, Explainer, Observed, Question, Stated};
use crate::files::{write_named, write_whole};
use crate::{ledger, lot, seal};
use measurement::{Measured, Session};
use numerics::Watch;
use spec::{Figure, Review};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Folder of the measured files.
const LOTS: &str = "lots";
/// The ledger.
const LEDGER: &str = "history.ledger";

macro_rules! shipped {
    ($($name:literal),* $(,)?) => { [$(($name, include_str!(concat!("../demo/lots/", $name)))),*] };
}

/// Bench records with their tables and network data, and the history.
const FILES: [(&str, &str); 30] = shipped![
    "a-1.toml",
    "a-1.csv",
    "a-1-sweep.csv",
    "a-1-a1.s1p",
    "a-1-a2.s1p",
    "a-1-a3.s1p",
    "a-1-a4.s1p",
    "a-2.toml",
    "a-2.csv",
    "a-2-sweep.csv",
    "a-2-a1.s1p",
    "a-2-a2.s1p",
    "a-2-a3.s1p",
    "a-2-a4.s1p",
    "b-1.toml",
    "b-1.csv",
    "b-1-sweep.csv",
    "b-1-b1.s1p",
    "b-1-b2.s1p",
    "b-1-b3.s1p",
    "b-1-b4.s1p",
    "c-1.toml",
    "c-1.csv",
    "c-1-sweep.csv",
    "c-1-c1.s1p",
    "c-1-c2.s1p",
    "c-1-c3.s1p",
    "c-1-c4.s1p",
    "earlier-designs.csv",
    "lead-times.csv",
];

/// Writes the measured files and a ledger of the earlier designs; a ledger that is there already is kept. Gives its path.
///
/// # Errors
/// A folder that cannot be written to, a ledger that is damaged.
pub fn begin(folder: &Path) -> Result<PathBuf, ProjectError> {
    for (name, text) in FILES {
        write_whole(&folder.join(LOTS).join(name), text.as_bytes())?;
    }
    let path = folder.join(LEDGER);
    if !path.exists() {
        let mut entries = ledger::read_comparisons(&folder.join(LOTS).join("earlier-designs.csv"))?;
        entries.extend(ledger::read_durations(&folder.join(LOTS).join("lead-times.csv"))?);
        ledger::append(&path, &entries)?;
    }
    Ok(path)
}

/// A chapter: what is asked of one session.
struct Chapter {
    session: &'static str,
    folder: &'static str,
    title: &'static str,
    observed: &'static [(&'static str, f64)],
    /// Traveller of the foundry: film 1 of 15.1 um is +0.7 %, its metrology good to 1 %.
    stated: &'static [(&'static str, f64, f64)],
}

const PAPER: &[(&str, f64, f64)] = &[("film1.thickness", 0.7, 1.0)];

const CHAPTERS: [Chapter; 5] = [
    Chapter { session: "A-1", folder: "causes-a-1", title: "Lot A, first session", observed: &[], stated: &[] },
    Chapter { session: "A-2", folder: "causes-a-2", title: "Lot A, second session", observed: &[], stated: &[] },
    Chapter { session: "B-1", folder: "causes-b-1", title: "Lot B with its paper", observed: &[], stated: PAPER },
    Chapter {
        session: "B-1",
        folder: "causes-b-1-coupon",
        title: "Lot B, film capacitor coupon of 74.4 fF entered",
        observed: &[("coupon.film1", 74.4)],
        stated: PAPER,
    },
    Chapter { session: "C-1", folder: "causes-c-1", title: "Lot C", observed: &[], stated: &[] },
];

/// Sessions entered in the ledger; the first one of lot A measured the bench, not the units.
const ENTERED: [&str; 3] = ["A-2", "B-1", "C-1"];

/// Tells the story and gives it as text, the page to open first at its end.
///
/// # Errors
/// Files that cannot be written, a ledger that is damaged, no solution, cancelled.
pub fn tell(folder: &Path, design: &Design, review: &Review, watch: &dyn Watch) -> Result<String, ProjectError> {
    let sealed = seal::seal(design, review, &seal::today())?;
    write_whole(&folder.join("qb-k07.seal"), sealed.to_text().as_bytes())?;
    let (mut sessions, mut measured) = (Vec::new(), Vec::new());
    for name in ["a-1", "a-2", "b-1", "c-1"] {
        let (session, values) = lot::read_session(&folder.join(LOTS).join(format!("{name}.toml")))?;
        sessions.push(session);
        measured.extend(values);
    }
    let compared = lot::report(sealed.clone(), sessions.clone(), measured.clone())?;
    let mut links = vec![
        ("review/review.html".to_string(), "Review".to_string(), "every predicted number with its bands".to_string()),
        ("measured/lots.html".into(), "Measured lots".into(), scores(&compared)),
    ];
    write_named(&lot::page(&compared), &folder.join("measured"), "lots")?;
    write_whole(&folder.join("measured/residuals.csv"), lot::csv(&compared).as_bytes())?;
    let explainer = Explainer::new(design, &measured, watch)?;
    for chapter in &CHAPTERS {
        let (own, values) = of_session(chapter.session, &sessions, &measured);
        let explained = explainer.explain(&question(chapter, &sealed), &own, &values, watch)?;
        let to = folder.join(chapter.folder);
        write_named(&explain::page(&explained), &to, "causes")?;
        write_whole(&to.join("explanation.json"), explain::json(&explained).as_bytes())?;
        write_whole(&to.join("shares.csv"), explain::csv(&explained).as_bytes())?;
        links.push((format!("{}/causes.html", chapter.folder), chapter.title.into(), finding(&explained)));
    }
    links.push(("ledger/ledger.html".into(), "Ledger".into(), enter(folder, &compared)?));
    write_whole(&folder.join("index.html"), index(&design.name, &links).as_bytes())?;
    Ok(as_text(folder, &links))
}

fn of_session(name: &str, sessions: &[Session], measured: &[Measured]) -> (Vec<Session>, Vec<Measured>) {
    let own = sessions.iter().filter(|s| s.name == name).cloned().collect();
    (own, measured.iter().filter(|m| m.session == name).cloned().collect())
}

fn question(chapter: &Chapter, sealed: &::ledger::Seal) -> Question {
    let observed = chapter.observed.iter().map(|&(name, value)| Observed { name: name.into(), value });
    let stated = chapter.stated.iter().map(|&(name, value, sd)| Stated { name: name.into(), value, sd });
    Question { sessions: vec![], seal: Some(sealed.clone()), observed: observed.collect(), stated: stated.collect() }
}

/// `A-1 52 of 60 in band, …`.
fn scores(report: &lot::LotReport) -> String {
    let of = |s: &Session| {
        let own = report.score.iter().filter(|c| c.session == s.name);
        let (inside, n) = own.fold((0, 0), |(i, n), c| (i + c.inside, n + c.n));
        format!("{} {inside} of {n}", s.name)
    };
    let all: Vec<String> = report.sessions.iter().map(of).collect();
    format!("numbers inside their sealed 90 % band by session: {}", all.join(", "))
}

/// Title of the first card.
fn finding(explained: &Explained) -> String {
    let figures = explained.lots.iter().flat_map(|l| &l.figures);
    let cards = figures.filter_map(|f| if let Figure::Cards(c) = f { c.cards.first() } else { None });
    cards.map(|c| format!("{}. {}", c.title, c.text)).collect::<Vec<_>>().join(" ")
}

/// Enters what was accepted as measured, once, and writes the page of the ledger.
fn enter(folder: &Path, report: &lot::LotReport) -> Result<String, ProjectError> {
    let path = folder.join(LEDGER);
    let known = ledger::read(&path, ledger::COVERAGE)?;
    let design = &report.seal.head.entry.design;
    let is_new = |session: &str| !known.comparisons.iter().any(|c| c.session == session && c.design == *design);
    let entered: Vec<&str> = ENTERED.into_iter().filter(|s| is_new(s)).collect();
    let records = lot::records(report).into_iter().filter(|e| match e {
        ::ledger::Entry::Comparison(c) => entered.contains(&c.session.as_str()),
        ::ledger::Entry::Yield(y) => entered.iter().any(|s| y.requirement.ends_with(&format!("session {s}"))),
        ::ledger::Entry::Duration(_) => false,
    });
    let records: Vec<_> = records.collect();
    if !records.is_empty() {
        ledger::append(&path, &records)?;
    }
    let learning = ledger::read(&path, ledger::COVERAGE)?;
    write_named(&ledger::page(&learning), &folder.join("ledger"), "ledger")?;
    Ok(format!(
        "{} comparisons of {} designs in {} entries; sessions {} of this design entered",
        learning.comparisons.len(),
        ledger::designs(&learning.comparisons),
        learning.verified.entries,
        ENTERED.join(", ")
    ))
}

fn as_text(folder: &Path, links: &[(String, String, String)]) -> String {
    let mut out = String::new();
    for (_, title, text) in links.iter().skip(1) {
        let _ = writeln!(out, "{title}\n  {text}");
    }
    let _ = writeln!(out, "\nStory: {} (links to all pages)", folder.join("index.html").display());
    out
}

fn index(design: &str, links: &[(String, String, String)]) -> String {
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{0}</title><style>\
         body{{font:16px/1.5 sans-serif;max-width:52rem;margin:2rem auto;padding:0 1rem;color:#222}}\
         li{{margin:.9rem 0}}a{{font-weight:600}}</style></head><body><h1>{0}</h1>\
         <p>A predicted mixer, sealed before fabrication, and three measured lots of it. Everything is invented; the \
         measured numbers were computed at a higher truncation than the prediction, and what is wrong with each lot was \
         found from them alone.</p><ol>\n",
        escaped(design)
    );
    for (href, title, text) in links {
        let _ = writeln!(out, "<li><a href=\"{href}\">{}</a><br>{}</li>", escaped(title), escaped(text));
    }
    out.push_str("</ol></body></html>\n");
    out
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
