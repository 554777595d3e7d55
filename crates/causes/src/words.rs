//! Findings in plain words, and the figures that show them.
//!
//! Signs: a deviation is what the lot has more than nominal. `±` is one posterior standard deviation.

use crate::attribution::Attribution;
use crate::explain::{Alarm, Case, Explanation, Found, Ranked, Verdict};
use crate::fingerprint::SEPARATION;
use crate::{Kind, Scope, Side};
use spec::{Bar, Bars, Card, Cards, Figure, Grid, Measure, Tone};

/// All figures of an explanation: findings first, then what supports them.
pub fn figures(case: &Case<'_>, e: &Explanation) -> Vec<Figure> {
    let mut figures = vec![Figure::Cards(cards(case, e)), Figure::Grid(stories(e))];
    figures.extend(fingerprint_bars(case, e).into_iter().map(Figure::Bars));
    figures.extend((!e.pairs.is_empty()).then(|| Figure::Grid(angles(e))));
    figures.extend((!e.weighed.is_empty()).then(|| Figure::Grid(next_observations(case, e))));
    figures.push(Figure::Grid(causes(case, e)));
    figures.push(Figure::Grid(taken_apart(case, e)));
    figures
}

/// The finding cards.
pub fn cards(case: &Case<'_>, e: &Explanation) -> Cards {
    let mut cards = vec![finding(case, e)];
    cards.extend(e.alarms.iter().filter_map(|a| conflict(case, a)));
    cards.extend(next_card(case, e));
    cards.extend(cleared_card(e));
    Cards { title: "Findings".into(), cards }
}

/// The best story: the one the verdict speaks of.
pub fn best(e: &Explanation) -> &Ranked {
    let alarmed = !e.alarms.is_empty();
    let fits = |r: &&Ranked| r.hypothesis.suspects.is_empty() != alarmed;
    e.ranked.iter().find(fits).unwrap_or(&e.ranked[e.declared])
}

/// `film1.thickness −7.8 ± 1.2 %`.
pub fn deviation(f: &Found) -> String {
    format!("{} {} ± {} {}", f.name, signed(f.mean, f.sd), plain(f.sd, f.sd), f.unit)
}

fn deviations(r: &Ranked) -> String {
    r.found.iter().map(deviation).collect::<Vec<_>>().join(", ")
}

/// Digits that the uncertainty carries.
fn digits(sd: f64) -> usize {
    if sd > 0.0 && sd.is_finite() { (1.0 - sd.log10().floor()).clamp(0.0, 6.0) as usize } else { 2 }
}

fn signed(value: f64, sd: f64) -> String {
    format!("{value:+.*}", digits(sd)).replace('-', "−")
}

fn plain(value: f64, sd: f64) -> String {
    format!("{value:.*}", digits(sd)).replace('-', "−")
}

fn percent(p: f64) -> String {
    if p < 0.001 { "below 0.1 %".into() } else { format!("{:.1} %", 100.0 * p) }
}

fn times(log: f64) -> String {
    if log < 6.9 {
        return format!("{:.0} times", log.exp());
    }
    let power = format!("{:.0}", log / std::f64::consts::LN_10);
    let raised = power.chars().filter_map(|c| "⁰¹²³⁴⁵⁶⁷⁸⁹".chars().nth(c.to_digit(10)? as usize));
    format!("10{} times", raised.collect::<String>())
}

fn finding(case: &Case<'_>, e: &Explanation) -> Card {
    let declared = &e.ranked[e.declared];
    let best = best(e);
    let lot = format!("{} units, {} numbers", case.units.len(), case.records.len());
    let fit = |r: &Ranked| {
        let g = r.posterior.fit;
        format!("χ² {:.1} at {:.1} degrees of freedom", g.chi_squared, g.freedom)
    };
    let ahead = best.log_evidence - declared.log_evidence;
    let mut facts = vec![
        ("measured".into(), lot),
        ("residuals".into(), fit(best)),
        ("against the declared spread".into(), format!("ln evidence {ahead:+.1}")),
        ("probability".into(), percent(best.probability)),
    ];
    facts.extend(implied_package(case, e));
    facts.extend(typical(declared).filter(|_| e.alarms.is_empty()));
    let (tone, title, text) = match &e.verdict {
        Verdict::InOrder => (
            Tone::Good,
            "In order: nothing beyond the declared spread".to_string(),
            format!(
                "The measurements agree with what was predicted, spread included: χ² {:.1} of {:.0}, probability of a \
                 larger one {}. Accept.",
                best.posterior.prior_predictive.chi_squared,
                best.posterior.prior_predictive.freedom,
                percent(best.posterior.prior_predictive.p)
            ),
        ),
        Verdict::Explained => {
            let head = if kind(best) == Some(Kind::Bench) { "Not a fault of the device: " } else { "" };
            let second = e.ranked.iter().filter(|r| r.hypothesis.name != best.hypothesis.name).map(|r| r.log_evidence);
            let gap = best.log_evidence - second.fold(f64::NEG_INFINITY, f64::max);
            (
                if kind(best) == Some(Kind::Bench) { Tone::Open } else { Tone::Bad },
                format!("{head}{}", best.hypothesis.words),
                format!(
                    "{}. The data are {} as probable under this story as under the declared spread, and {} as under the \
                     next story. {}",
                    deviations(best),
                    times(ahead),
                    times(gap),
                    advice(best)
                ),
            )
        }
        Verdict::NotSeparable(stories) => {
            let bench = stories.iter().all(|&i| e.ranked[i].is_bench());
            let mut told: Vec<String> = stories
                .iter()
                .take(TOLD)
                .map(|&i| format!("“{}” ({})", e.ranked[i].hypothesis.words, deviations(&e.ranked[i])))
                .collect();
            if stories.len() > TOLD {
                told.push(format!("and {} more", stories.len() - TOLD));
            }
            let told = told.join("; ");
            if stories.iter().all(|&i| is_foreign(&e.ranked[i])) {
                let title = "One foreign diode, position not separable".to_string();
                let text = format!(
                    "One diode of the ring differs. Its position, and with it the sign, is not separable by this data: \
                     {told}. The data are {} as probable as under matched quads.{} {}",
                    times(ahead),
                    decides(case, e),
                    advice(best)
                );
                (Tone::Bad, title, text)
            } else if bench {
                let title = "Not a fault of the device: the bench".to_string();
                let text = format!(
                    "The bench explains what is wrong, the units do not; which part of the bench is not separable by \
                     this data: {told}. The data are {} as probable as under the declared spread. {}",
                    times(ahead),
                    advice(best)
                );
                (Tone::Open, title, text)
            } else {
                let text = format!(
                    "Something is wrong, and these stories explain it about as well: {told}.{}",
                    decides(case, e)
                );
                (Tone::Open, "Not separable by this data".to_string(), text)
            }
        }
        Verdict::Unexplained => (
            Tone::Bad,
            "Something is wrong, and no story asked explains it".to_string(),
            format!(
                "The best of {} stories is “{}” ({}), but it leaves residuals of {}. Look at the numbers that are left \
                 over below; check the bench, then think of causes that nobody has named.",
                e.ranked.len(),
                best.hypothesis.words,
                deviations(best),
                fit(best)
            ),
        ),
    };
    Card { tone, title, text, facts }
}

/// True for the story of a foreign diode in all units.
fn is_foreign(r: &Ranked) -> bool {
    let position = r.hypothesis.name.strip_prefix("foreign_diode_");
    position.is_some_and(|p| p.chars().all(|c| c.is_ascii_digit()))
}

/// What package and launch would have to lose were nothing else wrong; a negative loss is impossible.
fn implied_package(case: &Case<'_>, e: &Explanation) -> Option<(String, String)> {
    let story = e.ranked.iter().find(|r| kind(r) == Some(Kind::Package))?;
    let (found, prior) = (story.found.first()?, case.declared.iter().find(|c| c.kind == Kind::Package)?.prior);
    let z = (found.mean - prior.mean) / prior.sd.hypot(found.sd);
    let word = if found.mean < -2.0 * found.sd { ": impossible, a loss is not negative" } else { "" };
    let text = format!(
        "{} ± {} dB, {:+.1} sd from {:.2} ± {:.2} dB{word}",
        signed(found.mean, found.sd),
        plain(found.sd, found.sd),
        z,
        prior.mean,
        prior.sd
    );
    Some(("package and launch, were nothing else wrong".into(), text.replace('-', "−")))
}

/// Values of a lot in order that the data, not the priors, hold.
fn typical(declared: &Ranked) -> impl Iterator<Item = (String, String)> {
    let known = |i: &usize| {
        let c = &declared.causes[declared.unknowns[*i].cause];
        c.scope == Scope::Lot
            && !matches!(c.kind, Kind::Model | Kind::Package)
            && declared.posterior.resolution[*i] > 0.5
    };
    (0..declared.unknowns.len()).filter(known).map(|i| {
        let c = &declared.causes[declared.unknowns[i].cause];
        let (mean, sd) = (declared.posterior.mean[i], declared.posterior.sd(i));
        (c.name.clone(), format!("{} ± {} {}", signed(mean, sd), plain(sd, sd), c.unit).trim_end().into())
    })
}

/// Stories told one by one of those that cannot be told apart.
const TOLD: usize = 4;

fn kind(r: &Ranked) -> Option<Kind> {
    r.hypothesis.suspects.first().map(|s| s.cause.kind)
}

fn advice(r: &Ranked) -> &'static str {
    match kind(r) {
        Some(Kind::Bench) => "Measure again with the bench put right before anyone judges the units.",
        Some(Kind::Diode) => "Look at reel and assembly records of the diodes of this lot.",
        Some(Kind::Process) => "Confirm by the next observation named, then talk to the foundry.",
        Some(Kind::Package) => "Look at package and launch: mounting, bond wires, transitions.",
        _ => "",
    }
}

/// `; the film capacitor coupon would decide: …`
fn decides(case: &Case<'_>, e: &Explanation) -> String {
    let Some(w) = e.next.map(|i| &e.weighed[i]) else { return " Nothing that could be observed next is known.".into() };
    let c = &case.candidates[w.candidate];
    if w.decides() {
        format!(" The cheapest observation that would decide: {}.", c.words)
    } else {
        format!(" No single observation known would decide; the most telling is: {}.", c.words)
    }
}

fn conflict(case: &Case<'_>, alarm: &Alarm) -> Option<Card> {
    if let Alarm::Statement { cause, stated, found, unit, z } = alarm {
        let pair = |(value, sd): (f64, f64)| format!("{} ± {} {unit}", signed(value, sd), plain(sd, sd));
        return Some(Card {
            tone: Tone::Bad,
            title: format!("Paper contradicted: {cause}"),
            text: format!(
                "Paper states {}, the measurements say {}: {:.1} standard deviations apart. Ask when and how the stated \
                 value was taken.",
                pair(*stated),
                pair(*found),
                z.abs()
            ),
            facts: Vec::new(),
        });
    }
    let Alarm::Conflict { cause, whose, value, unit, prior_z, surprise_z } = alarm else { return None };
    let place = whose.as_ref().map(|w| format!(" of {w}")).unwrap_or_default();
    let declared = case.declared.iter().find(|c| c.name == *cause).map_or(0.0, |c| c.prior.sd);
    Some(Card {
        tone: Tone::Bad,
        title: format!("Prior conflict: {cause}{place}"),
        text: format!(
            "With the declared spread alone the data ask for {cause} {} {unit}, {:+.1} of its prior standard deviations. \
             Either the prior is too narrow or the cause is another one: the value found under it has the wrong size.",
            signed(*value, declared),
            prior_z
        )
        .replace('-', "−"),
        facts: vec![(
            "standard normal for a good lot".into(),
            format!("{surprise_z:+.1}").replace('-', "−"),
        )],
    })
}

fn next_card(case: &Case<'_>, e: &Explanation) -> Option<Card> {
    let w = &e.weighed[e.next?];
    let c = &case.candidates[w.candidate];
    let rival = e.rival.map(|i| e.ranked[i].hypothesis.words.clone()).unwrap_or_default();
    let show = |f: &crate::next::Forecast| {
        let values =
            f.mean.iter().enumerate().map(|(i, m)| format!("{} ± {}", plain(*m, f.sd(i)), plain(f.sd(i), f.sd(i))));
        format!("{} {}", values.collect::<Vec<_>>().join(", "), c.unit)
    };
    let word = if w.decides() { "decides" } else { "does not decide alone" };
    Some(Card {
        tone: Tone::Plain,
        title: format!("Next: {}", c.name),
        text: format!(
            "{}: about {} of work, the answer {}. Expect {} if the finding is right, {} if it is “{rival}” instead: {:.1} standard \
             deviations apart, which {word}.",
            c.words,
            hours(c.hours),
            days(c.days),
            show(&w.best),
            show(&w.rival),
            w.distance
        ),
        facts: vec![(
            "uncertainty of the cause now, after".into(),
            format!("{}, {}", plain(w.best.sd_now, w.best.sd_after), plain(w.best.sd_after, w.best.sd_after)),
        )],
    })
}

fn hours(h: f64) -> String {
    if h < 1.0 { format!("{:.0} min", 60.0 * h) } else { format!("{h:.0} h") }
}

fn days(d: f64) -> String {
    if d <= 1.0 { "the same day".into() } else { format!("after {d:.0} working days") }
}

fn cleared_card(e: &Explanation) -> Option<Card> {
    if e.alarms.is_empty() || e.cleared.is_empty() {
        return None;
    }
    let first = &e.cleared[0];
    let unit = match first.point.measure.unit() {
        "dBc" | "dBm" => "dB",
        other => other,
    };
    // the most dangerous ones; the others do nothing to this number
    let mut able: Vec<_> = e.cleared.iter().collect();
    able.sort_by(|a, b| b.at_most.total_cmp(&a.at_most));
    let facts = able.into_iter().take(TOLD).map(|c| {
        let most = format!("at most {:.2} of {:+.2} {unit}", c.at_most, c.shift).replace('-', "−");
        (e.ranked[c.story].hypothesis.words.clone(), most)
    });
    Some(Card {
        tone: Tone::Plain,
        title: "Cleared".into(),
        text: format!(
            "What these could do at most to {} (which strays by {:+.2} {unit}), under two standard deviations of their \
             prior; all lie far behind in evidence.",
            first.point.label(),
            first.shift
        )
        .replace('-', "−"),
        facts: facts.collect(),
    })
}

/// Stories shown besides the declared one; all are in the JSON.
const STORIES: usize = 12;

fn stories(e: &Explanation) -> Grid {
    let top = e.ranked.iter().map(|r| r.log_evidence).fold(f64::NEG_INFINITY, f64::max);
    let shown = e.ranked.iter().enumerate().filter(|(i, _)| *i < STORIES || *i == e.declared).map(|(_, r)| r);
    let rows = shown.map(|r| {
        vec![
            r.hypothesis.words.clone(),
            format!("{:+.1}", r.log_evidence - top).replace('-', "−"),
            percent(r.probability),
            if r.found.is_empty() { "–".into() } else { deviations(r) },
            if r.full { "full".into() } else { "expansion".into() },
        ]
    });
    Grid {
        title: format!("Stories, most probable first; {} were asked", e.ranked.len()),
        heads: ["Story", "ln evidence", "Probability", "Found (± 1 sd)", "By"].map(String::from).into(),
        rows: rows.collect(),
    }
}

/// Whitened sensitivities of the best story and its rival, mean over units of every number.
fn fingerprint_bars(case: &Case<'_>, e: &Explanation) -> Vec<Bars> {
    let rival = e.rival.map(|i| &e.ranked[i]);
    let shown = std::iter::once(best(e)).chain(rival).filter_map(|r| r.hypothesis.suspects.first());
    let points = case.full.points();
    shown
        .filter_map(|s| e.fingerprints.of.iter().find(|f| f.name == s.cause.name).map(|f| (s, f)))
        .map(|(s, f)| {
            let bars = points.iter().enumerate().filter_map(|(p, point)| {
                let rows = case.records.iter().zip(&f.whitened).filter(|(r, _)| r.point == p).map(|(_, w)| *w);
                let values: Vec<f64> = rows.collect();
                let value = values.iter().sum::<f64>() / values.len() as f64;
                (!values.is_empty()).then(|| Bar { name: point.label(), value, interval: None })
            });
            Bars {
                title: format!(
                    "Fingerprint of {}: {:+.3} {}, in standard deviations of one measured number",
                    f.name, s.cause.prior.sd, s.cause.unit
                ),
                unit: String::new(),
                bars: bars.collect(),
            }
        })
        .collect()
}

fn angles(e: &Explanation) -> Grid {
    let rows = e.pairs.iter().map(|p| {
        vec![
            e.fingerprints.of[p.a].name.clone(),
            e.fingerprints.of[p.b].name.clone(),
            format!("{:+.2}", p.cosine).replace('-', "−"),
            format!("{:.0}", p.angle_deg),
            p.needed_deg.map_or("none does".into(), |n| format!("{n:.0}")),
            if p.separable() { "yes".into() } else { "not separable".into() },
        ]
    });
    Grid {
        title: format!(
            "Angles between fingerprints; separable when what cannot be imitated stands {SEPARATION:.0} standard deviations out"
        ),
        heads: ["Cause", "Against", "Cosine", "Angle, deg", "Needed, deg", "Separable"].map(String::from).into(),
        rows: rows.collect(),
    }
}

fn next_observations(case: &Case<'_>, e: &Explanation) -> Grid {
    let rows = e.weighed.iter().map(|w| {
        let c = &case.candidates[w.candidate];
        vec![
            c.name.clone(),
            hours(c.hours),
            days(c.days),
            format!("{:.1}", w.distance),
            if w.decides() { "decides".into() } else { "–".into() },
            format!("{} → {}", plain(w.best.sd_now, w.best.sd_after), plain(w.best.sd_after, w.best.sd_after)),
        ]
    });
    Grid {
        title: "What could be observed next".into(),
        heads: ["Observation", "Work", "Answer", "Tells, sd", "", "Sd of the cause, now → after"]
            .map(String::from)
            .into(),
        rows: rows.collect(),
    }
}

/// Share of a prior variance below which a cause is not worth a line.
const RESOLVED: f64 = 0.05;

/// Causes that the data say something about, under the best story.
fn causes(case: &Case<'_>, e: &Explanation) -> Grid {
    let r = best(e);
    let p = &r.posterior;
    let rows = r.unknowns.iter().enumerate().filter(|(i, _)| p.resolution[*i] > RESOLVED).map(|(i, u)| {
        let c = &r.causes[u.cause];
        let whose = match c.scope {
            Scope::Lot => "lot".to_string(),
            Scope::Unit => case.units[u.whose].clone(),
            Scope::Only(unit) => case.units[unit].clone(),
            Scope::Session => case.sessions[u.whose].clone(),
        };
        vec![
            c.name.clone(),
            whose,
            format!("{} ± {} {}", signed(p.mean[i], p.sd(i)), plain(p.sd(i), p.sd(i)), c.unit),
            format!("{} ± {}", signed(c.prior.mean, c.prior.sd), plain(c.prior.sd, c.prior.sd)),
            format!("{:+.1}", p.prior_z[i]).replace('-', "−"),
            format!("{:.0} %", 100.0 * p.resolution[i]),
        ]
    });
    Grid {
        title: format!("Causes under “{}”", r.hypothesis.words),
        heads: ["Cause", "Of", "Found", "Prior", "z", "Known from the data"].map(String::from).into(),
        rows: rows.collect(),
    }
}

/// How many shares of a number are named.
const SHARES: usize = 3;

/// Products (or all numbers, where none was measured) taken apart.
fn taken_apart(case: &Case<'_>, e: &Explanation) -> Grid {
    let points = case.full.points();
    let spur = |a: &&Attribution| {
        matches!(points[case.records[a.record].point].measure, Measure::Spur(_) | Measure::SpurUp(_))
    };
    let any = e.attribution.iter().any(|a| spur(&a));
    let rows = e.attribution.iter().filter(|a| !any || spur(a)).map(|a| {
        let record = &case.records[a.record];
        let shares = a.contributions.iter().take(SHARES).filter(|c| c.change.abs() >= 0.005);
        let shares: Vec<String> = shares.map(|c| format!("{} {}", c.cause, signed(c.change, 0.05))).collect();
        let bound = match record.datum.side {
            Side::Value => "",
            Side::AtMost => "≤ ",
            Side::AtLeast => "≥ ",
        };
        vec![
            case.units[record.unit].clone(),
            points[record.point].label(),
            plain(a.predicted, 0.05),
            format!("{bound}{}", plain(a.measured, 0.05)),
            shares.join(", "),
            signed(a.together, 0.05),
            if bound.is_empty() { signed(a.left, 0.05) } else { "–".into() },
        ]
    });
    let what = if any { "Products" } else { "Numbers" };
    Grid {
        title: format!("{what} taken apart: which cause moves which by how much, dB"),
        heads: ["Unit", "Number", "Predicted", "Measured", "Largest shares", "Curvature", "Left over"]
            .map(String::from)
            .into(),
        rows: rows.collect(),
    }
}
