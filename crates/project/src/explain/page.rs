//! The explanation as a page, as JSON, as a table and as text.

use super::{Explained, LotExplained};
use causes::explain::{Alarm, Verdict};
use serde_json::{Value, json};
use spec::{Figure, Grid, Item, Review, Section};
use std::fmt::Write as _;

/// The content of a page.
pub fn page(explained: &Explained) -> Review {
    let names: Vec<&str> = explained.lots.iter().map(|l| l.lot.as_str()).collect();
    Review {
        title: "Causes of measured lots".into(),
        design: format!("{}: causes", explained.design),
        about: format!(
            "Which process, diode or bench deviations explain the measurements of lots {}? Every story is the declared \
             spread with one suspicion on top; stories compete by the probability of all data under them. ± is one \
             standard deviation.",
            names.join(", ")
        ),
        nominal: explained.nominal.clone(),
        summary: Vec::new(),
        verdicts: Vec::new(),
        sections: explained.lots.iter().map(section).collect(),
        findings: explained.findings.clone(),
        work: explained.lots.iter().map(work).collect(),
    }
}

fn work(lot: &LotExplained) -> (String, String) {
    let (full, cheap) = lot.explanation.computed;
    (format!("lot {}", lot.lot), format!("{full} full solutions with derivatives, {cheap} by expansion"))
}

fn section(lot: &LotExplained) -> Section {
    let mut figures = lot.figures.clone();
    figures.extend((!lot.statements.is_empty()).then(|| Figure::Grid(statements(lot))));
    let unused = if lot.unused.0 > 0 {
        format!(
            " {} further numbers lie between the points that were solved ({}, for example) and are compared with the seal \
             only.",
            lot.unused.0,
            lot.unused.1.first().map_or("", String::as_str)
        )
    } else {
        String::new()
    };
    Section {
        key: format!("lot_{}", lot.lot.to_lowercase()),
        title: format!("Lot {}", lot.lot),
        text: format!(
            "Units {}, sessions {}, {} numbers.{unused}",
            lot.units.join(", "),
            lot.sessions.join(", "),
            lot.records.len()
        ),
        items: figures.into_iter().map(Item::Figure).collect(),
    }
}

fn statements(lot: &LotExplained) -> Grid {
    let rows = lot.statements.iter().map(|s| {
        let word = if s.z.abs() > 3.0 { "contradicted by the measurements" } else { "in keeping" };
        vec![
            s.stated.name.clone(),
            format!("{:+.2} ± {:.2} {}", s.stated.value, s.stated.sd, s.unit),
            format!("{:+.2} ± {:.2} {}", s.found, s.sd, s.unit),
            format!("{:+.1}", s.z),
            word.into(),
        ]
    });
    Grid {
        title: "Statements on paper".into(),
        heads: ["What", "Stated", "Measurements say", "Distance, sd", ""].map(String::from).into(),
        rows: rows.collect(),
    }
}

/// The main numbers as text.
pub fn summary(explained: &Explained) -> String {
    let mut out = String::new();
    for lot in &explained.lots {
        let _ = writeln!(out, "lot {}: {} units, {} numbers", lot.lot, lot.units.len(), lot.records.len());
        for figure in &lot.figures {
            let Figure::Cards(cards) = figure else { continue };
            for card in &cards.cards {
                let _ = writeln!(out, "\n  {}\n    {}", card.title, card.text);
                for (name, value) in &card.facts {
                    let _ = writeln!(out, "    {name}: {value}");
                }
            }
        }
        for s in &lot.statements {
            let _ = writeln!(
                out,
                "\n  stated {} {:+.2} ± {:.2} {}: measurements say {:+.2} ± {:.2}, {:+.1} sd away",
                s.stated.name, s.stated.value, s.stated.sd, s.unit, s.found, s.sd, s.z
            );
        }
        out.push('\n');
    }
    out
}

/// Everything for machines.
pub fn json(explained: &Explained) -> String {
    let value = json!({
        "design": explained.design,
        "lots": explained.lots.iter().map(lot_value).collect::<Vec<_>>(),
        "findings": explained.findings.iter().map(|f| json!({ "place": f.place, "text": f.text })).collect::<Vec<_>>(),
    });
    format!("{value:#}")
}

fn lot_value(lot: &LotExplained) -> Value {
    let e = &lot.explanation;
    let verdict = match &e.verdict {
        Verdict::InOrder => json!({ "kind": "in_order" }),
        Verdict::Explained => json!({ "kind": "explained", "story": causes::words::best(e).hypothesis.name }),
        Verdict::NotSeparable(list) => {
            let names: Vec<&str> = list.iter().map(|&i| e.ranked[i].hypothesis.name.as_str()).collect();
            json!({ "kind": "not_separable", "stories": names })
        }
        Verdict::Unexplained => json!({ "kind": "unexplained" }),
    };
    let stories = e.ranked.iter().map(|r| {
        let found = r.found.iter().map(
            |f| json!({ "cause": f.name, "unit": f.unit, "mean": f.mean, "sd": f.sd, "interval_95": f.interval(0.95) }),
        );
        json!({
            "name": r.hypothesis.name, "words": r.hypothesis.words, "log_evidence": r.log_evidence,
            "odds": r.hypothesis.odds, "probability": r.probability, "full_solutions": r.full,
            "chi_squared": r.posterior.fit.chi_squared, "degrees_of_freedom": r.posterior.fit.freedom,
            "found": found.collect::<Vec<_>>(),
        })
    });
    let alarms = e.alarms.iter().map(|a| match a {
        Alarm::Predictive(g) => {
            json!({ "kind": "predictive", "chi_squared": g.chi_squared, "degrees_of_freedom": g.freedom, "p": g.p })
        }
        Alarm::Conflict { cause, whose, value, unit, prior_z, surprise_z } => json!({
            "kind": "prior_conflict", "cause": cause, "whose": whose, "value": value, "unit": unit,
            "prior_z": prior_z, "surprise_z": surprise_z
        }),
        Alarm::Statement { cause, stated, found, unit, z } => json!({
            "kind": "statement_contradicted", "cause": cause, "stated": stated.0, "stated_sd": stated.1,
            "found": found.0, "sd": found.1, "unit": unit, "z": z
        }),
        Alarm::Evidence { probability } => json!({ "kind": "evidence", "probability_in_order": probability }),
    });
    let pairs = e.pairs.iter().map(|p| {
        json!({
            "a": e.fingerprints.of[p.a].name, "b": e.fingerprints.of[p.b].name, "cosine": p.cosine,
            "angle_deg": p.angle_deg, "needed_deg": p.needed_deg, "separable": p.separable()
        })
    });
    let next = e.weighed.iter().map(|w| {
        let c = &lot.candidates[w.candidate];
        json!({
            "name": c.name, "hours": c.hours, "days": c.days, "unit": c.unit, "distance": w.distance, "decides": w.decides(),
            "expected": w.best.mean, "expected_of_rival": w.rival.mean, "sd_now": w.best.sd_now, "sd_after": w.best.sd_after
        })
    });
    let attribution = e.attribution.iter().map(|a| {
        let r = &lot.records[a.record];
        let shares = a
            .contributions
            .iter()
            .map(|c| json!({ "cause": c.cause, "value": c.value, "unit": c.unit, "change": c.change }));
        json!({
            "unit": lot.units[r.unit], "session": lot.sessions[r.session], "measure": lot.points[r.point].measure.key(),
            "signal_hz": lot.points[r.point].signal_hz, "predicted": a.predicted, "measured": a.measured,
            "shares": shares.collect::<Vec<_>>(), "curvature": a.together, "left": a.left
        })
    });
    let cleared = e.cleared.iter().map(|c| {
        json!({ "story": e.ranked[c.story].hypothesis.name, "measure": c.point.measure.key(), "shift": c.shift, "at_most": c.at_most })
    });
    let fingerprints = e.fingerprints.of.iter().map(|f| json!({ "cause": f.name, "whitened": f.whitened }));
    let statements = lot.statements.iter().map(|s| {
        json!({ "variable": s.stated.name, "stated": s.stated.value, "stated_sd": s.stated.sd, "unit": s.unit,
                "found": s.found, "sd": s.sd, "z": s.z })
    });
    json!({
        "lot": lot.lot, "units": lot.units, "sessions": lot.sessions, "verdict": verdict,
        "stories": stories.collect::<Vec<_>>(), "alarms": alarms.collect::<Vec<_>>(),
        "angles": pairs.collect::<Vec<_>>(), "singular_values": e.fingerprints.singular_values,
        "fingerprints": fingerprints.collect::<Vec<_>>(),
        "next": e.next.map(|i| lot.candidates[e.weighed[i].candidate].name.clone()),
        "candidates": next.collect::<Vec<_>>(), "cleared": cleared.collect::<Vec<_>>(),
        "attribution": attribution.collect::<Vec<_>>(), "statements": statements.collect::<Vec<_>>(),
        "unused": { "count": lot.unused.0, "why": lot.unused.1 },
    })
}

/// Shares of every number, one row a share.
pub fn csv(explained: &Explained) -> String {
    let mut out = String::from(
        "lot,session,unit,measure,unit_of_value,signal_hz,predicted,measured,cause,cause_value,cause_unit,change\n",
    );
    for lot in &explained.lots {
        for a in &lot.explanation.attribution {
            let r = &lot.records[a.record];
            let p = &lot.points[r.point];
            let rf = p.signal_hz.map(|f| format!("{f:.0}")).unwrap_or_default();
            let head = format!(
                "{},{},{},{},{},{rf},{:.4},{:.4}",
                lot.lot,
                lot.sessions[r.session],
                lot.units[r.unit],
                p.measure.key(),
                p.measure.unit(),
                a.predicted,
                a.measured
            );
            for c in &a.contributions {
                let _ = writeln!(out, "{head},{},{:.6},{},{:.4}", c.cause, c.value, c.unit, c.change);
            }
            let _ = writeln!(out, "{head},(curvature),,,{:.4}\n{head},(left over),,,{:.4}", a.together, a.left);
        }
    }
    out
}
