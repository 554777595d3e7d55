//! The page of a spread: distributions, contributions, corners, yield with intervals; and the table of all units.

use super::Found;
use numerics::Complex64;
use quantity::Finding;
use spec::{Bar, Bars, Bound, Card, Cards, Conditions, Figure, Grid, Histogram, Item, Limit, Review, Section, Tone};
use std::fmt::Write as _;
use tolerance::intervals::{Estimate, covered_share};
use tolerance::{Level, Process, RequirementSpread, Scheme, Share};

/// Shares shown in one picture.
const BARS_MAX: usize = 12;

/// The page as a review that holds figures only.
pub fn page(found: &Found) -> Review {
    let design = found.process.design();
    let mut sections = vec![yield_section(found)];
    sections.extend(found.spread.requirements.iter().enumerate().map(|(i, r)| requirement_section(found, i, r)));
    sections.push(lot_section(found));
    sections.push(variables_section(found));
    sections.push(check_section(found));
    let mut findings = design.findings.clone();
    findings.extend(remarks(found));
    Review {
        title: "Spread in fabrication".into(),
        design: design.name.clone(),
        about: format!(
            "Spread in fabrication of {}: {} units from {} variables at the levels lot, wafer, tile and diode.",
            design.name,
            found.spread.units.len(),
            found.spread.variables.len()
        ),
        nominal: found.process.quantities().first().map_or_else(Conditions::default, |q| q.conditions.clone()),
        summary: Vec::new(),
        verdicts: Vec::new(),
        sections,
        findings,
        work: work(found),
    }
}

fn section(key: &str, title: impl Into<String>, text: impl Into<String>, figures: Vec<Figure>) -> Section {
    let items = figures.into_iter().map(Item::Figure).collect();
    Section { key: key.into(), title: title.into(), text: text.into(), items }
}

/// `99.6 % (99.1 to 99.9 %)`.
fn percent(e: Estimate) -> String {
    format!("{:.1} % ({:.1} to {:.1} %)", 100.0 * e.value, 100.0 * e.low, 100.0 * e.high)
}

/// Name of a requirement for people.
pub fn name_of(limit: &Limit) -> String {
    let what = limit.measure.map_or_else(|| "Any product in band".into(), spec::Measure::label);
    let unit = limit.measure.map_or("dBc", spec::Measure::unit);
    match limit.bound {
        Bound::AtMost(x) => format!("{what} at most {x} {unit}"),
        Bound::AtLeast(x) => format!("{what} at least {x} {unit}"),
    }
}

fn yield_section(found: &Found) -> Section {
    let s = &found.spread;
    let tone = |e: Estimate| match () {
        () if e.low >= 0.95 => Tone::Good,
        () if e.high < 0.9 => Tone::Bad,
        () => Tone::Open,
    };
    let worst = s.requirements.iter().min_by(|a, b| a.yield_.value.total_cmp(&b.yield_.value));
    let text = worst.map_or_else(String::new, |w| {
        let by = w.shares.first().map_or_else(String::new, |x| {
            format!(" {} moves it most: {:.0} % of its variance.", x.name, 100.0 * x.total)
        });
        format!(
            "The requirement that costs most: {}, kept by {}.{by}",
            name_of(&w.requirement.limit),
            percent(w.yield_)
        )
    });
    let (wilson, exact) = s.overall_binomial;
    let failing: Vec<String> =
        s.requirements.iter().filter(|r| fails_nominally(r)).map(|r| name_of(&r.requirement.limit)).collect();
    let of_kept = s.overall_of_kept.map(|kept| Card {
        tone: tone(kept),
        title: format!("{:.1} % keep what nominal keeps", 100.0 * kept.value),
        text: format!(
            "{} keep every requirement that the nominal design keeps. Left out, because the design misses them before anything spreads: {}. Fabrication cannot be blamed for \
             those; change the design or the requirement.",
            percent(kept),
            failing.join("; ")
        ),
        facts: Vec::new(),
    });
    let card = Card {
        tone: tone(s.overall),
        title: format!("{:.1} % keep every requirement", 100.0 * s.overall.value),
        text,
        facts: vec![
            ("interval".into(), percent(s.overall)),
            ("if draws were independent, Wilson".into(), percent(wilson)),
            ("if draws were independent, exact".into(), percent(exact)),
            ("full solutions on the edge of a requirement".into(), s.full_solutions.1.to_string()),
            ("units on the edge left to the surrogate".into(), s.left_open.to_string()),
        ],
    };
    let rows = s.requirements.iter().map(|r| {
        vec![
            name_of(&r.requirement.limit),
            format!("{:.2}", r.nominal),
            percent(r.yield_),
            if fails_nominally(r) { "missed".into() } else { "kept".into() },
            r.open.to_string(),
            format!("{:.2}", r.worst_vector.value),
            format!("{:.2}", r.worst_case.value),
            r.shares.first().map_or_else(String::new, |x| format!("{} ({:.0} %)", x.name, 100.0 * x.total)),
        ]
    });
    let heads = [
        "Requirement",
        "Nominal",
        "Yield",
        "By the nominal design",
        "Units left open",
        "Worst vector",
        "Worst corner",
        "Largest share",
    ];
    let grid =
        Grid { title: "Yield by requirement".into(), heads: heads.map(String::from).to_vec(), rows: rows.collect() };
    let bars = Bars {
        title: "Yield by requirement".into(),
        unit: "%".into(),
        bars: s
            .requirements
            .iter()
            .map(|r| Bar {
                name: name_of(&r.requirement.limit),
                value: 100.0 * r.yield_.value,
                interval: Some((100.0 * r.yield_.low, 100.0 * r.yield_.high)),
            })
            .collect(),
    };
    let how = match found.settings.scheme {
        Scheme::Plain => "independent draws; intervals after Clopper and Pearson".to_string(),
        Scheme::Sobol => format!(
            "{} scrambles of a low-discrepancy set; intervals from the scatter of the scrambles, or exact ones of \
             independent draws where all scrambles agree",
            found.settings.replicates
        ),
        Scheme::LatinHypercube => {
            format!("{} Latin hypercubes; intervals from their scatter", found.settings.replicates)
        }
    };
    let cards = Cards { title: "Yield".into(), cards: [card].into_iter().chain(of_kept).collect() };
    let text = format!(
        "{} units: {how}. Confidence {:.0} %. A unit that the error of the surrogate could carry over a limit is solved \
         fully; one left open widens the interval by what it could change.",
        s.units.len(),
        100.0 * found.settings.confidence
    );
    section("yield", "Yield", text, vec![Figure::Cards(cards), Figure::Grid(grid), Figure::Bars(bars)])
}

/// Whether the nominal design misses a requirement.
pub fn fails_nominally(r: &RequirementSpread) -> bool {
    r.requirement.limit.margin(r.nominal) < 0.0
}

/// Quantity with its frequency in words.
fn quantity_name(quantity: &tolerance::Quantity) -> String {
    let rf = quantity.conditions.rf_hz.map_or_else(String::new, |f| format!(" at {:.3} GHz", f / 1e9));
    format!("{}{rf}", quantity.measure.label())
}

/// Error of the surrogate that decides nothing, in the unit of a quantity: dB or mV.
const NEGLIGIBLE: f64 = 0.02;

fn requirement_section(found: &Found, i: usize, r: &RequirementSpread) -> Section {
    let unit = r.requirement.limit.measure.map_or("dBc", spec::Measure::unit);
    let name = name_of(&r.requirement.limit);
    let n = r.samples.len();
    let histogram = Histogram {
        title: name.clone(),
        x_label: r.requirement.limit.measure.map_or_else(|| "Worst product".into(), spec::Measure::label),
        unit: unit.into(),
        samples: r.samples.clone(),
        limit: Some(r.requirement.limit.clone()),
    };
    let bar = |s: &Share| Bar { name: s.name.clone(), value: 100.0 * s.total, interval: None };
    let shares = Bars {
        title: "Share of the variance by variable, interactions included".into(),
        unit: "%".into(),
        bars: r.shares.iter().take(BARS_MAX).map(bar).collect(),
    };
    let levels = Bars {
        title: "Share of the variance by level".into(),
        unit: "%".into(),
        bars: r.level_shares.iter().map(bar).collect(),
    };
    let rows = r.shares.iter().take(BARS_MAX).map(|s| {
        vec![
            s.name.clone(),
            format!("{:.1}", 100.0 * s.first),
            format!("{:.1}", 100.0 * s.total),
            format!("{:+.3}", s.change),
        ]
    });
    let heads = ["Variable", "First-order share, %", "Total share, %"].map(String::from);
    let heads = heads.into_iter().chain([format!("Change under one standard deviation, {unit}")]).collect();
    let grid = Grid { title: "Contributions".into(), heads, rows: rows.collect() };
    let mut sorted = r.samples.clone();
    sorted.sort_by(f64::total_cmp);
    // Wilks: the worst unit drawn bounds this share of all units
    let covered = covered_share(n, 1, found.settings.confidence);
    let deciding = deciding_text(found, r);
    let text = format!(
        "{} of the units keep it; {deciding}. Nominal {:.3} {unit}; worst unit drawn bounds {:.2} % of all units with {:.0} % \
         confidence if draws were independent. Worst corner, every variable at {:.0} standard deviations: {:.3} {unit} \
         by a full solution, {:.3} {unit} by the surrogate. Worst vector, as likely as one variable alone at {:.0} \
         standard deviations: {:.3} {unit} by a full solution, {:.3} {unit} by the surrogate. Where the two differ, the \
         full solution counts and the surrogate has been left behind.",
        percent(r.yield_),
        r.nominal,
        100.0 * covered,
        100.0 * found.settings.confidence,
        r.worst_case.sd,
        r.worst_case.value,
        r.worst_case.surrogate,
        r.worst_vector.sd,
        r.worst_vector.value,
        r.worst_vector.surrogate
    );
    let corner = worst_points(found, r);
    let figures = vec![
        Figure::Histogram(histogram),
        Figure::Bars(shares),
        Figure::Bars(levels),
        Figure::Grid(grid),
        Figure::Grid(corner),
    ];
    section(&format!("requirement_{}", i + 1), name, text, figures)
}

/// The worst vector and the worst corner, variable by variable.
fn worst_points(found: &Found, r: &RequirementSpread) -> Grid {
    let row = |k: usize| {
        let v = &found.spread.variables[k];
        let sd = v.total_sd();
        let (vector, corner) = (r.worst_vector.x[k], r.worst_case.x[k]);
        let in_sd = if sd > 0.0 { format!("{:+.2}", vector / sd) } else { String::new() };
        vec![v.name.clone(), format!("{vector:+.3}"), in_sd, format!("{corner:+.3}"), v.unit.clone()]
    };
    let moved = |k: &usize| r.worst_case.x[*k] != 0.0 || r.worst_vector.x[*k] != 0.0;
    let mut order: Vec<usize> = (0..found.spread.variables.len()).filter(moved).collect();
    let reach = |k: usize| (r.worst_vector.x[k] / found.spread.variables[k].total_sd()).abs();
    order.sort_by(|&a, &b| reach(b).total_cmp(&reach(a)).then(a.cmp(&b)));
    let heads = ["Variable", "Worst vector", "In standard deviations", "Worst corner", "Unit"];
    Grid {
        title: "Worst vector and worst corner".into(),
        heads: heads.map(String::from).to_vec(),
        rows: order.into_iter().map(row).collect(),
    }
}

/// Which quantity decides, and how far the surrogate may speak for the requirement.
fn deciding_text(found: &Found, r: &RequirementSpread) -> String {
    let quantities = &r.requirement.quantities;
    let doubtful = quantities.iter().filter(|&&q| !found.spread.check.trusts(q, NEGLIGIBLE)).count();
    let mut text = format!("{} of {} quantities behind it are trusted", quantities.len() - doubtful, quantities.len());
    if r.requirement.over == tolerance::Over::Worst {
        let mut times = vec![0usize; quantities.len()];
        for unit in &found.spread.units {
            let margin = |q: usize| r.requirement.limit.margin(unit[q]);
            let worst = (0..quantities.len()).min_by(|&a, &b| margin(quantities[a]).total_cmp(&margin(quantities[b])));
            times[worst.unwrap_or(0)] += 1;
        }
        let most = (0..times.len()).max_by_key(|&k| times[k]).unwrap_or(0);
        if let Some(quantity) = quantities.get(most).and_then(|&q| found.process.quantities().get(q)) {
            let share = 100.0 * times[most] as f64 / found.spread.units.len().max(1) as f64;
            let _ = write!(text, ", {} decides in {share:.0} % of the units", quantity_name(quantity));
        }
    }
    if r.open > 0 {
        let _ = write!(text, ", {} units are left open", r.open);
    }
    text
}

fn lot_section(found: &Found) -> Section {
    let rows = found.process.quantities().iter().enumerate().map(|(q, quantity)| {
        let (lot, tile) = found.spread.lot_and_tile[q];
        let (low, high) = found.spread.bands[q];
        let rf = quantity.conditions.rf_hz.map_or_else(String::new, |f| format!("{:.3}", f / 1e9));
        vec![
            quantity.measure.label(),
            rf,
            format!("{:.3}", found.spread.nominal[q]),
            format!("{low:.3} to {high:.3}"),
            format!("{lot:.3}"),
            format!("{tile:.3}"),
            quantity.unit.clone(),
        ]
    });
    let heads =
        ["Quantity", "RF, GHz", "Nominal", "Band", "Spread from lot and wafer", "Spread from tile and diode", "Unit"];
    let grid = Grid {
        title: "Lot shift and tile scatter".into(),
        heads: heads.map(String::from).to_vec(),
        rows: rows.collect(),
    };
    let text = format!(
        "Band: central {:.0} % of the units. A lot shift moves every unit of a lot together: measuring more units of one \
         lot does not show it, and where it leads the yield of a lot is near all or nothing. Tile and diode scatter \
         shows within one lot.",
        100.0 * found.settings.coverage
    );
    section("levels", "Lot shift and tile scatter", text, vec![Figure::Grid(grid)])
}

fn variables_section(found: &Found) -> Section {
    let rows = found.spread.variables.iter().map(|v| {
        let sd = |l: Level| if v.sd[l as usize] > 0.0 { format!("{}", v.sd[l as usize]) } else { String::new() };
        let mut row = vec![v.name.clone()];
        row.extend(Level::ALL.map(sd));
        row.extend([format!("{:.3}", v.total_sd()), v.unit.clone(), format!("{:?}", v.law).to_lowercase()]);
        row
    });
    let heads = ["Variable", "Lot", "Wafer", "Tile", "Diode", "Total", "Unit", "Law"];
    let grid = Grid { title: "Variables".into(), heads: heads.map(String::from).to_vec(), rows: rows.collect() };
    let text = "Standard deviations as declared in the design; V27.IS and its like are shifts of the forward voltage.";
    section("variables", "Process variables", text, vec![Figure::Grid(grid)])
}

fn check_section(found: &Found) -> Section {
    let c = &found.spread.check;
    let rows = found.process.quantities().iter().enumerate().map(|(q, quantity)| {
        let rf = quantity.conditions.rf_hz.map_or_else(String::new, |f| format!("{:.3}", f / 1e9));
        vec![
            quantity.measure.label(),
            rf,
            format!("{:.4}", c.rms[q]),
            format!("{:.4}", c.worst[q]),
            format!("{:.4}", c.spread[q]),
            quantity.unit.clone(),
        ]
    });
    let heads = ["Quantity", "RF, GHz", "Error, rms", "Error, worst", "Spread", "Unit"];
    let grid = Grid {
        title: "Surrogate against full solutions".into(),
        heads: heads.map(String::from).to_vec(),
        rows: rows.collect(),
    };
    let (k, m) = found.process.orders();
    let text = format!(
        "Units are drawn from a second-order expansion of complex amplitudes with exact derivatives at {k} LO harmonics \
         and signal order {m}; {} full solutions it has not seen are compared here. {} of {} amplitudes take the \
         quotient form, which follows a moving resonance. Units that its largest error could \
         carry over a limit were solved fully.",
        c.points,
        found.surrogate.quotients(),
        found.surrogate.expansion().values.len()
    );
    section("check", "How far the surrogate holds", text, vec![Figure::Grid(grid)])
}

fn remarks(found: &Found) -> Vec<Finding> {
    let mut out = Vec::new();
    for limit in &found.unanswered {
        let text = format!("{} is not among the sampled quantities and is left out of the yield", name_of(limit));
        out.push(Finding::warning("yield", text));
    }
    if found.spread.left_open > 0 {
        let text = format!(
            "{} units lie within the surrogate's error of a limit and were judged by the surrogate; allow more full \
             solutions to settle them",
            found.spread.left_open
        );
        out.push(Finding::warning("yield", text));
    }
    let c = &found.spread.check;
    let all = found.process.quantities().iter().enumerate();
    let weak: Vec<String> =
        all.filter(|(q, _)| !c.trusts(*q, NEGLIGIBLE)).map(|(_, quantity)| quantity_name(quantity)).collect();
    if !weak.is_empty() {
        let text = format!(
            "the surrogate errs by more than a quarter of the spread: {}; units that this could carry over a limit were \
             solved fully or are counted as open",
            weak.join(", ")
        );
        out.push(Finding::warning("surrogate", text));
    }
    out
}

fn work(found: &Found) -> Vec<(String, String)> {
    let (checks, edges, corners) = found.spread.full_solutions;
    let (used, computed) = found.from_journal;
    vec![
        ("units".into(), found.spread.units.len().to_string()),
        ("seed".into(), found.settings.seed.to_string()),
        ("full solutions: checks, edges, corners".into(), format!("{checks}, {edges}, {corners}")),
        ("full solutions: from the journal, computed".into(), format!("{used}, {computed}")),
        ("answers, quantities".into(), {
            let answers: &[Complex64] = &found.surrogate.expansion().values;
            format!("{}, {}", answers.len(), found.process.quantities().len())
        }),
    ]
}

/// All units as a table: one row a unit, the deciding number of every requirement, then every quantity.
pub fn units_csv(found: &Found) -> String {
    let mut text = String::from("unit");
    let quote = |s: String| format!("\"{}\"", s.replace('"', "'"));
    for r in &found.spread.requirements {
        let _ = write!(text, ",{}", quote(name_of(&r.requirement.limit)));
    }
    for q in found.process.quantities() {
        let rf = q.conditions.rf_hz.map_or_else(String::new, |f| format!(" at {:.6} GHz", f / 1e9));
        let _ = write!(text, ",{}", quote(format!("{}{rf}, {}", q.measure.key(), q.unit)));
    }
    text.push('\n');
    for (u, measures) in found.spread.units.iter().enumerate() {
        let _ = write!(text, "{}", u + 1);
        for r in &found.spread.requirements {
            let _ = write!(text, ",{}", r.samples[u]);
        }
        for m in measures {
            let _ = write!(text, ",{m}");
        }
        text.push('\n');
    }
    text
}
