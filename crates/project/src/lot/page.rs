//! The page of a comparison: score card, requirements, overlays with bands, residuals, lots, likeness, refusals.

use super::{ClassScore, LotReport, as_reading, class_of_residual, limit_words};
use measurement::compare::{COVERAGE, Residual};
use measurement::{Measured, State};
use quantity::Finding;
use spec::{
    Axis, Band, Bound, Card, Cards, Conditions, Curve, CurvePlot, Figure, Grid, Item, Limit, Measure, Reading, Review,
    Section, Tone, VerdictStatus,
};
use std::fmt::Write as _;

/// The comparison as the content of a page.
pub fn page(report: &LotReport) -> Review {
    let nominal = report.measured.first().map(|m| m.conditions.clone()).unwrap_or_default();
    let nominal = Conditions { rf_hz: None, if_hz: None, sideband: None, ..nominal };
    let mut sections = vec![score_card(report), requirements(report)];
    for session in &report.sessions {
        sections.extend(overlays(report, &session.name));
    }
    sections.push(lots(report));
    sections.extend(likeness(report));
    sections.extend(refusals(report));
    sections.push(bench(report));
    let lots: Vec<&str> = report.sessions.iter().map(|s| s.lot.as_str()).collect();
    Review {
        title: "Measured lots".into(),
        design: format!("{}: measured against sealed", report.seal.head.entry.design),
        about: format!(
            "Lots {} measured in {} sessions, compared with the prediction sealed on {} by {} under the name {}. Residuals \
             are measured minus predicted. Bands hold 90 %: bench, numerical error, fabrication and learned model error \
             together.",
            unique(&lots).join(", "),
            report.sessions.len(),
            report.seal.head.entry.sealed_on,
            report.seal.head.entry.program,
            report.seal.hash,
        ),
        nominal,
        summary: Vec::new(),
        verdicts: Vec::new(),
        sections,
        findings: findings(report),
        work: vec![
            ("numbers measured".into(), report.measured.len().to_string()),
            ("compared".into(), report.comparison.residuals.len().to_string()),
            ("refused".into(), report.comparison.refused.len().to_string()),
            ("sealed readings".into(), report.seal.readings.len().to_string()),
            ("name of the seal".into(), report.seal.hash.clone()),
        ],
    }
}

fn unique<'a>(words: &[&'a str]) -> Vec<&'a str> {
    let mut out: Vec<&str> = Vec::new();
    for w in words {
        if !out.contains(w) {
            out.push(w);
        }
    }
    out
}

fn figure(f: Figure) -> Item {
    Item::Figure(f)
}

fn grid(title: &str, heads: &[&str], rows: Vec<Vec<String>>) -> Item {
    figure(Figure::Grid(Grid { title: title.into(), heads: heads.iter().map(|h| (*h).into()).collect(), rows }))
}

fn section(key: &str, title: &str, text: &str, items: Vec<Item>) -> Section {
    Section { key: key.into(), title: title.into(), text: text.into(), items }
}

/// A number with a fixed number of decimals; empty when not finite.
fn fixed(x: f64, decimals: usize) -> String {
    if x.is_finite() { format!("{x:.decimals$}") } else { String::new() }
}

fn signed(x: f64, decimals: usize) -> String {
    if x.is_finite() { format!("{x:+.decimals$}") } else { String::new() }
}

// ---------------------------------------------------------------------------------------------------------- score card

/// Numbers in and with bands of one session.
fn tally(report: &LotReport, session: &str) -> (usize, usize) {
    let own = report.score.iter().filter(|s| s.session == session);
    own.fold((0, 0), |(inside, n), s| (inside + s.inside, n + s.n))
}

fn score_card(report: &LotReport) -> Section {
    let card = |s: &measurement::Session| {
        let (inside, n) = tally(report, &s.name);
        let share = 100.0 * inside as f64 / n.max(1) as f64;
        // a tenth outside is what 90 % bands let through; numbers of a session share errors, so twice that is tolerated
        let worst = worst_classes(&report.score, &s.name);
        let tone = match (n, share >= 80.0) {
            (0, _) => Tone::Open,
            (_, false) => Tone::Bad,
            // most numbers are in order, one kind of them is not
            (_, true) if !worst.is_empty() => Tone::Open,
            (_, true) => Tone::Good,
        };
        let text = match (n, worst.is_empty()) {
            (0, _) => "No number has a band to be judged by.".to_string(),
            (_, true) => "Every class lies within its bands as often as it should.".into(),
            _ => format!("Outside most often: {}.", worst.join("; ")),
        };
        Card {
            tone,
            title: format!("{}: {inside} of {n} inside", s.name),
            text,
            facts: vec![
                ("share inside the 90 % band".into(), format!("{share:.0} %")),
                ("lot".into(), s.lot.clone()),
                ("measured on".into(), s.date.clone()),
                ("laboratory".into(), s.lab.clone()),
            ],
        }
    };
    let cards = report.sessions.iter().map(card).collect();
    let rows = report.score.iter().map(|s| {
        vec![
            s.session.clone(),
            s.class.title.clone(),
            s.n.to_string(),
            s.inside.to_string(),
            if s.n > 0 { format!("{:.0} %", 100.0 * s.inside as f64 / s.n as f64) } else { String::new() },
            s.unbanded.to_string(),
            format!("{} {}", signed(s.mean, 2), residual_unit(s.class.unit)),
            signed(s.worst_z, 1),
        ]
    });
    let heads = ["Session", "Class", "With a band", "Inside", "Share", "Without", "Mean residual", "Worst, sd"];
    section(
        "score",
        "Score card",
        "How many measured numbers lie in the 90 % band that was sealed. Numbers of one session share the errors of its \
         bench and of its lot, so a share far from 90 % tells of one cause more often than of many.",
        vec![
            figure(Figure::Cards(Cards { title: "Sessions".into(), cards })),
            grid("By class", &heads, rows.collect()),
        ],
    )
}

/// Classes of a session with fewer than four in five numbers inside.
fn worst_classes(score: &[ClassScore], session: &str) -> Vec<String> {
    let mut own: Vec<&ClassScore> =
        score.iter().filter(|s| s.session == session && s.n > 0 && 5 * s.inside < 4 * s.n).collect();
    own.sort_by(|a, b| b.worst_z.abs().total_cmp(&a.worst_z.abs()));
    let unit = |s: &ClassScore| residual_unit(s.class.unit);
    own.iter().take(4).map(|s| format!("{} ({} {} on average)", s.class.title, signed(s.mean, 2), unit(s))).collect()
}

/// Differences of levels are in dB.
fn residual_unit(unit: &str) -> &str {
    if matches!(unit, "dBm" | "dBc") { "dB" } else { unit }
}

fn requirements(report: &LotReport) -> Section {
    let mut rows = Vec::new();
    for j in &report.judged {
        let failing: Vec<String> = j
            .units
            .iter()
            .filter(|(_, s, _)| *s != VerdictStatus::Pass)
            .map(|(unit, s, worst)| {
                let word = if *s == VerdictStatus::Fail { "fails" } else { "undecided" };
                format!("{unit} {word} at {}", fixed(*worst, 2))
            })
            .collect();
        rows.push(vec![
            j.session.clone(),
            limit_words(&j.limit),
            format!("{} of {}", j.count(VerdictStatus::Pass), j.units.len()),
            failing.join(", "),
        ]);
    }
    section(
        "units",
        "Requirements, unit by unit",
        "Measured numbers with the 90 % interval of the bench against the sealed requirement. A unit whose interval \
         reaches over the limit is undecided.",
        vec![grid("Units that meet each limit", &["Session", "Requirement", "Pass", "Others"], rows)],
    )
}

// ------------------------------------------------------------------------------------------------ overlay and residuals

fn overlays(report: &LotReport, session: &str) -> Vec<Section> {
    let own: Vec<&Residual> = report.comparison.residuals.iter().filter(|r| r.measured.session == session).collect();
    let mut measures: Vec<Measure> = Vec::new();
    for r in &own {
        if !measures.contains(&r.measured.measure) {
            measures.push(r.measured.measure);
        }
    }
    let limits = report.seal.limits();
    let mut overlay = Vec::new();
    let mut residuals = Vec::new();
    let mut single = Vec::new();
    for &measure in &measures {
        let of_measure: Vec<&Residual> = own.iter().filter(|r| r.measured.measure == measure).copied().collect();
        let mut frequencies: Vec<f64> = of_measure.iter().filter_map(|r| r.measured.conditions.rf_hz).collect();
        frequencies.sort_by(f64::total_cmp);
        frequencies.dedup();
        if frequencies.len() >= 2 {
            overlay.push(overlay_plot(measure, &of_measure, &limits));
            residuals.push(residual_plot(measure, &of_measure));
        } else {
            single.extend(of_measure.iter().map(|r| single_row(report, r)));
        }
    }
    if !single.is_empty() {
        let heads = ["Unit", "Quantity", "Measured", "Predicted", "Residual", "90 % band of the measured value", "sd"];
        overlay.push(grid("Quantities measured at one frequency", &heads, single));
    }
    let key = |kind: &str| format!("{kind}-{session}");
    let mut out = vec![section(
        &key("overlay"),
        &format!("Measured over predicted, session {session}"),
        "The prediction is drawn with all its bands, each measured number with the 90 % interval of the bench. Hollow \
         points are bounds: the number lies at the floor.",
        overlay,
    )];
    if !residuals.is_empty() {
        out.push(section(
            &key("residuals"),
            &format!("Residuals, session {session}"),
            "Measured minus predicted. The band around the expectation holds 90 % when nothing is wrong.",
            residuals,
        ));
    }
    out
}

fn single_row(report: &LotReport, r: &Residual) -> Vec<String> {
    let unit = r.measured.measure.unit();
    let (low, high) = r.band();
    let mark = if r.is_inside() == Some(false) { " (outside)" } else { "" };
    let _ = report;
    vec![
        r.measured.unit.clone(),
        r.measured.measure.label(),
        format!("{} {unit}", measured_words(&r.measured)),
        format!("{} {unit}", fixed(r.predicted.value, 2)),
        format!("{} {}", signed(r.residual, 2), residual_unit(unit)),
        format!("{} to {} {unit}{mark}", fixed(low, 2), fixed(high, 2)),
        r.z.map(|z| signed(z, 1)).unwrap_or_default(),
    ]
}

fn measured_words(m: &Measured) -> String {
    match m.state {
        State::Censored(Bound::AtMost(x)) => format!("≤ {x:.2}"),
        State::Censored(Bound::AtLeast(x)) => format!("≥ {x:.2}"),
        _ => fixed(m.value, 2),
    }
}

fn ghz() -> Axis {
    Axis { label: "RF".into(), unit: "GHz".into() }
}

/// Points of each unit in rising frequency.
fn by_unit<'a>(residuals: &[&'a Residual]) -> Vec<(String, Vec<&'a Residual>)> {
    let mut out: Vec<(String, Vec<&Residual>)> = Vec::new();
    for r in residuals.iter().filter(|r| r.measured.conditions.rf_hz.is_some()) {
        match out.iter_mut().find(|(u, _)| *u == r.measured.unit) {
            Some((_, list)) => list.push(r),
            None => out.push((r.measured.unit.clone(), vec![r])),
        }
    }
    for (_, list) in &mut out {
        list.sort_by(|a, b| rf_ghz(a).total_cmp(&rf_ghz(b)));
    }
    out
}

fn rf_ghz(r: &Residual) -> f64 {
    r.measured.conditions.rf_hz.unwrap_or(0.0) / 1e9
}

fn overlay_plot(measure: Measure, residuals: &[&Residual], limits: &[Limit]) -> Item {
    let mut curves = vec![Curve { name: "sealed".into(), points: predicted_points(residuals) }];
    for (unit, list) in by_unit(residuals) {
        let points = list.iter().map(|r| (rf_ghz(r), as_reading(&r.measured))).collect();
        curves.push(Curve { name: unit, points });
    }
    Item::Curves(CurvePlot {
        title: measure.label(),
        x: ghz(),
        y_label: measure.label(),
        y_unit: measure.unit().into(),
        curves,
        limits: limits.iter().filter(|l| l.measure == Some(measure)).cloned().collect(),
    })
}

/// The prediction at every frequency met, once.
fn predicted_points(residuals: &[&Residual]) -> Vec<(f64, Reading)> {
    let mut points: Vec<(f64, Reading)> = Vec::new();
    for r in residuals.iter().filter(|r| r.measured.conditions.rf_hz.is_some()) {
        if !points.iter().any(|(x, _)| x.total_cmp(&rf_ghz(r)).is_eq()) {
            points.push((rf_ghz(r), r.predicted.clone()));
        }
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
}

fn residual_plot(measure: Measure, residuals: &[&Residual]) -> Item {
    let mut curves = vec![Curve { name: "expected".into(), points: expected_points(residuals) }];
    for (unit, list) in by_unit(residuals) {
        let points = list
            .iter()
            .map(|r| {
                let mut reading = as_reading(&r.measured);
                reading.value = r.residual;
                reading.quality.numeric_band = None;
                (rf_ghz(r), reading)
            })
            .collect();
        curves.push(Curve { name: unit, points });
    }
    let unit = residual_unit(measure.unit());
    Item::Curves(CurvePlot {
        title: format!("{}: measured minus predicted", measure.label()),
        x: ghz(),
        y_label: "residual".into(),
        y_unit: unit.into(),
        curves,
        limits: Vec::new(),
    })
}

/// Where residuals are expected, with the combined band around.
fn expected_points(residuals: &[&Residual]) -> Vec<(f64, Reading)> {
    let mut points: Vec<(f64, Reading)> = Vec::new();
    for r in residuals.iter().filter(|r| r.measured.conditions.rf_hz.is_some()) {
        if points.iter().any(|(x, _)| x.total_cmp(&rf_ghz(r)).is_eq()) {
            continue;
        }
        let (low, high) = r.band();
        let mut reading = r.predicted.clone();
        reading.value = r.expected;
        reading.quality.is_bound = false;
        reading.quality.bands = spec::Bands::default();
        reading.quality.bands.model = Some(Band::even(0.5 * (high - low), COVERAGE));
        reading.quality.numeric_band = r.z.map(|_| 0.0);
        points.push((rf_ghz(r), reading));
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
}

// ----------------------------------------------------------------------------------------------------------------- lots

/// Frequencies shown of a long sweep.
const ROWS_A_QUANTITY: usize = 7;

fn lots(report: &LotReport) -> Section {
    let mut rows = Vec::new();
    for (k, s) in report.summaries.iter().enumerate() {
        let same = |t: &&measurement::lot::LotSummary| t.session == s.session && t.measure == s.measure;
        let all = report.summaries.iter().filter(same).count();
        let number = report.summaries[..k].iter().filter(same).count();
        // of a sweep every n-th frequency, the last one included
        let step = all.saturating_sub(1).div_ceil(ROWS_A_QUANTITY - 1).max(1);
        if number % step != 0 {
            continue;
        }
        let unit = s.measure.unit();
        rows.push(vec![
            s.session.clone(),
            s.measure.label(),
            s.conditions.rf_hz.map(|f| fixed(f / 1e9, 2)).unwrap_or_default(),
            if s.n_censored > 0 { format!("{} ({} at the floor)", s.n, s.n_censored) } else { s.n.to_string() },
            format!("{} {unit}", fixed(s.predicted, 2)),
            if s.mean.is_finite() { format!("{} {unit}", fixed(s.mean, 2)) } else { "at the floor".into() },
            s.sd.map(|x| fixed(x, 2)).unwrap_or_default(),
            s.tolerance
                .map(|(low, high)| format!("{} to {} {unit}", fixed(low, 2), fixed(high, 2)))
                .unwrap_or_default(),
            s.z.map(|z| signed(z, 1)).unwrap_or_default(),
        ]);
    }
    let heads = [
        "Session",
        "Quantity",
        "RF, GHz",
        "Units",
        "Sealed",
        "Mean",
        "sd",
        "90 % of all units, 90 % sure",
        "Mean, sd off",
    ];
    section(
        "lots",
        "Lot by lot",
        "Mean and spread of the units of a session. The last interval but one holds 90 % of all units of the lot with 90 % \
         confidence when their law is normal; with four units it is wide, and that is what four units say. Long sweeps \
         are shown at a few frequencies; the table beside this page has all.",
        vec![grid("Lots", &heads, rows)],
    )
}

fn likeness(report: &LotReport) -> Option<Section> {
    if report.curves.is_empty() {
        return None;
    }
    let rows = report.curves.iter().map(|c| {
        let l = c.likeness;
        vec![
            c.session.clone(),
            c.unit.clone(),
            c.measure.label(),
            fixed(l.amplitude, 3),
            fixed(l.feature, 3),
            fixed(l.global, 3),
            l.grade().to_string(),
        ]
    });
    let heads = ["Session", "Unit", "Curve", "Amplitude", "Feature", "Global", "Grade"];
    Some(section(
        "likeness",
        "Likeness of curves",
        "Feature selective validation of measured against sealed curves, in the variant written down in the guide; zero is \
         identical. The score depends on unit, offset and number of points: compare it between units, not between \
         quantities.",
        vec![grid("Feature selective validation", &heads, rows.collect())],
    ))
}

fn refusals(report: &LotReport) -> Option<Section> {
    let mut groups: Vec<(String, String, String, usize)> = Vec::new();
    for r in &report.comparison.refused {
        let (session, quantity, why) = (r.measured.session.clone(), r.measured.measure.label(), r.why.join("; "));
        match groups.iter_mut().find(|g| g.0 == session && g.1 == quantity && g.2 == why) {
            Some(group) => group.3 += 1,
            None => groups.push((session, quantity, why, 1)),
        }
    }
    if groups.is_empty() {
        return None;
    }
    let rows = groups.into_iter().map(|(s, q, why, n)| vec![s, q, n.to_string(), why]).collect();
    Some(section(
        "refused",
        "Not compared",
        "Numbers measured under conditions that were not sealed. What differs is named.",
        vec![grid("Refused", &["Session", "Quantity", "Numbers", "Why"], rows)],
    ))
}

fn bench(report: &LotReport) -> Section {
    let mut rows = Vec::new();
    for s in &report.sessions {
        let mut push = |name: &str, value: String| rows.push(vec![s.name.clone(), name.into(), value]);
        push("day, laboratory", format!("{}, {}", s.date, s.lab));
        push("lot, foundry, diodes", [s.lot.as_str(), &s.foundry, &s.reel].join(", "));
        let c = &s.conditions;
        let mut text = format!("LO {} GHz at {:+.2} dBm", c.lo_hz / 1e9, c.lo_dbm);
        if let Some(level) = c.signal_dbm {
            let _ = write!(text, ", signal {level:+.2} dBm");
        }
        let _ = write!(text, ", {:.1} ± {:.1} degC", c.temp_k - 273.15, s.temp_within_k);
        push("conditions", text);
        push("terminations", c.terminations.clone());
        if let Some(level) = s.lo_second_harmonic_dbc {
            push("second harmonic of the LO source", format!("{level} dBc"));
        }
        for p in &s.pads {
            let how = if p.removed { "taken off by the bench" } else { "taken off here" };
            push("pad", format!("{} at {}, {how}", fixed(p.loss_db, 2) + " dB", p.port.label()));
        }
        if let Some(f) = s.floor {
            push("floor", format!("{} dBm in {} Hz at the package plane", f.level_dbm, f.bandwidth_hz));
        }
        for l in &s.leakage {
            push("leakage", format!("{} to {}: {} dB", l.from.label(), l.to.label(), l.level_db));
        }
        for note in &s.calibration {
            push("calibration", note.clone());
        }
    }
    section(
        "bench",
        "Bench records",
        "As written by the laboratory.",
        vec![grid("Records", &["Session", "What", "Value"], rows)],
    )
}

fn findings(report: &LotReport) -> Vec<Finding> {
    let mut out = Vec::new();
    for s in &report.sessions {
        let own: Vec<&Residual> = report.comparison.residuals.iter().filter(|r| r.measured.session == s.name).collect();
        let count = |wanted: fn(&Residual) -> bool| own.iter().filter(|r| wanted(r)).count();
        let censored = count(|r| r.measured.is_censored());
        if censored > 0 {
            let text = format!("numbers at the floor of the bench, counted as bounds, not as values: {censored}");
            out.push(Finding::note(format!("session {}", s.name), text));
        }
        let corrected = count(|r| r.measured.state == State::Corrected);
        if corrected > 0 {
            let text = format!(
                "numbers within 10 dB of the floor, its noise taken off, their uncertainty larger: {corrected}"
            );
            out.push(Finding::note(format!("session {}", s.name), text));
        }
        let unbanded = count(|r| r.z.is_none());
        if unbanded > 0 {
            let text = format!("{unbanded} numbers have no numerical band in the seal: they are shown, not judged");
            out.push(Finding::warning(format!("session {}", s.name), text));
        }
        let bandless = own.iter().filter(|r| r.predicted.quality.bands == spec::Bands::default()).count();
        if bandless == own.len() {
            let text = "the seal has neither fabrication nor learned bands: numbers are judged by bench and numerical error alone";
            out.push(Finding::warning(format!("session {}", s.name), text.to_string()));
        }
    }
    out
}

/// Every residual as a table for programs.
pub fn csv(report: &LotReport) -> String {
    let mut out = String::from(
        "session,lot,unit,measure,class,unit_of_value,rf_hz,measured,written,state,standard_uncertainty,predicted,residual,\
         expected,sigma,z,inside_90\n",
    );
    for r in &report.comparison.residuals {
        let m = &r.measured;
        let state = match m.state {
            State::Seen => "seen",
            State::Corrected => "corrected",
            State::Censored(Bound::AtMost(_)) => "at_most",
            State::Censored(Bound::AtLeast(_)) => "at_least",
        };
        let cells = [
            m.session.clone(),
            m.lot.clone(),
            m.unit.clone(),
            m.measure.key(),
            class_of_residual(&report.seal, r).key,
            m.measure.unit().into(),
            m.conditions.rf_hz.map(|f| f.to_string()).unwrap_or_default(),
            m.value.to_string(),
            m.raw.to_string(),
            state.into(),
            m.u.to_string(),
            r.predicted.value.to_string(),
            r.residual.to_string(),
            r.expected.to_string(),
            r.sigma.to_string(),
            r.z.map(|z| z.to_string()).unwrap_or_default(),
            r.is_inside().map(|b| b.to_string()).unwrap_or_default(),
        ];
        let quoted: Vec<String> = cells.iter().map(|c| quoted(c)).collect();
        out.push_str(&quoted.join(","));
        out.push('\n');
    }
    out
}

fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\n']) { format!("\"{}\"", cell.replace('"', "\"\"")) } else { cell.into() }
}
