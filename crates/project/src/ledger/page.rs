//! The page of a ledger: what was learned, how well it predicts, what it refuses, drift, yields and durations.

use super::{Learning, designs};
use ::ledger::Comparison;
use quantity::Finding;
use spec::{Bar, Bars, Card, Cards, Conditions, Figure, Grid, Histogram, Item, Review, Section, Tone};

/// The ledger as the content of a page.
pub fn page(learning: &Learning) -> Review {
    let n_designs = designs(&learning.comparisons);
    let mut sections = vec![classes(learning), distributions(learning), drift(learning), history(learning)];
    sections.extend(yields(learning));
    sections.extend(durations(learning));
    Review {
        title: "Ledger".into(),
        design: "Ledger of comparisons".into(),
        about: format!(
            "{} comparisons of {n_designs} designs in {} entries; the history is whole, its last hash is {}. Bands hold \
             {:.0} % for a number of a new design, whatever the law of the residuals, as long as the new design is drawn \
             as the old ones were.",
            learning.comparisons.len(),
            learning.verified.entries,
            learning.verified.head,
            100.0 * learning.coverage
        ),
        nominal: Conditions::default(),
        summary: Vec::new(),
        verdicts: Vec::new(),
        sections,
        findings: findings(learning),
        work: vec![
            ("entries".into(), learning.verified.entries.to_string()),
            ("designs".into(), n_designs.to_string()),
            ("hash of the last entry".into(), learning.verified.head.clone()),
        ],
    }
}

fn grid(title: &str, heads: &[&str], rows: Vec<Vec<String>>) -> Item {
    let heads = heads.iter().map(|h| (*h).into()).collect();
    Item::Figure(Figure::Grid(Grid { title: title.into(), heads, rows }))
}

fn section(key: &str, title: &str, text: String, items: Vec<Item>) -> Section {
    Section { key: key.into(), title: title.into(), text, items }
}

/// Key of a class for people: lines may break at its words.
fn spaced(key: &str) -> String {
    key.replace('_', " ")
}

fn signed(x: f64) -> String {
    if x.is_finite() { format!("{x:+.2}") } else { String::new() }
}

fn classes(learning: &Learning) -> Section {
    let mut rows = Vec::new();
    let mut refused = Vec::new();
    let mut bars = Vec::new();
    for c in &learning.classes {
        match &c.learned {
            Ok(l) => {
                rows.push(vec![
                    spaced(&c.class),
                    l.n_designs.to_string(),
                    l.n_values.to_string(),
                    signed(l.mean),
                    format!("{:.2}", l.sd),
                    format!("{} to {}", signed(l.band.0), signed(l.band.1)),
                    format!("{} / {}", signed(l.one_sided.0), signed(l.one_sided.1)),
                    format!("{:.1} to {:.1}", l.level.low, l.level.high),
                    c.left_out.map_or_else(
                        || "too few".into(),
                        |s| format!("{:.1} ± {:.1} %", 100.0 * s.inside, 100.0 * s.standard_error),
                    ),
                ]);
                bars.push(Bar { name: spaced(&c.class), value: l.mean, interval: Some(l.band) });
            }
            Err(why) => refused.push(vec![spaced(&c.class), why.clone()]),
        }
    }
    let heads = [
        "Class",
        "Designs",
        "Numbers",
        "Mean",
        "sd",
        "Band",
        "One-sided ends",
        "Predicted values seen",
        "Inside, design left out",
    ];
    let mut items = vec![
        grid("Residuals by class, in the unit of the class (levels in dB)", &heads, rows),
        Item::Figure(Figure::Bars(Bars { title: "Bias and band by class".into(), unit: String::new(), bars })),
    ];
    if !refused.is_empty() {
        items.push(grid("Refused: too few designs", &["Class", "Why"], refused));
    }
    section(
        "classes",
        "What was learned",
        format!(
            "Residuals are measured minus predicted. The band covers {:.0} % of numbers of a new design without assuming a \
             law; designs, not numbers, are what counts. The last column leaves each design out in turn and counts how \
             many of its numbers lie in the band learned from the others.",
            100.0 * learning.coverage
        ),
        items,
    )
}

/// Distributions of the classes with most numbers.
fn distributions(learning: &Learning) -> Section {
    let mut items = Vec::new();
    for c in learning.classes.iter().filter(|c| c.learned.as_ref().is_ok_and(|l| l.n_values >= 30)) {
        let samples = residuals(&learning.comparisons, &c.class);
        items.push(Item::Figure(Figure::Histogram(Histogram {
            title: spaced(&c.class),
            x_label: "measured minus predicted".into(),
            unit: if c.class == "dc_offset" { "mV".into() } else { "dB".into() },
            samples,
            limit: None,
        })));
    }
    section("distributions", "Distributions", "Residuals of the classes with thirty numbers or more.".into(), items)
}

fn residuals(comparisons: &[Comparison], class: &str) -> Vec<f64> {
    let values = comparisons.iter().flat_map(|c| &c.values);
    values.filter(|v| v.class == class && !v.censored).map(|v| v.residual).collect()
}

fn drift(learning: &Learning) -> Section {
    let d = &learning.drift;
    let mut cards: Vec<Card> = d
        .alarms
        .iter()
        .map(|a| Card {
            tone: Tone::Bad,
            title: match &a.since {
                Some(_) => format!("{} `{}` has changed", a.of, a.name),
                None => format!("{} `{}` differs from all others", a.of, a.name),
            },
            text: match &a.since {
                Some(day) => format!("Since {day} its residuals are shifted. Look for a change of process, reel or calibration at that time; bands learned across it are too wide for one side and biased for the other."),
                None => "Its residuals are shifted against those of all others. Look for a systematic cause before pooling them.".into(),
            },
            facts: vec![
                ("shift".into(), format!("{:+.2} standard deviations of the class", a.shift)),
                ("chance without drift".into(), format!("{:.4}", a.p_value)),
            ],
        })
        .collect();
    if cards.is_empty() {
        cards.push(Card {
            tone: Tone::Good,
            title: "No drift found".into(),
            text: format!("{} questions were asked of foundries, reels and laboratories.", d.questions),
            facts: Vec::new(),
        });
    }
    let few: Vec<String> = d.too_few.iter().map(|(of, name, n)| format!("{of} `{name}` ({n})")).collect();
    let unasked =
        if few.is_empty() { String::new() } else { format!(" Too few comparisons to ask: {}.", few.join(", ")) };
    section(
        "drift",
        "Drift",
        format!(
            "A ledger without any drift raises an alarm here with probability {:.0} %: {} questions share it, each alarm \
             needs a chance below {:.4}, judged by permutation.{unasked}",
            100.0 * d.false_alarms,
            d.questions,
            d.threshold
        ),
        vec![Item::Figure(Figure::Cards(Cards { title: "Foundries, reels, laboratories".into(), cards }))],
    )
}

/// Comparisons shown of a long history.
const LATEST: usize = 12;

fn history(learning: &Learning) -> Section {
    let n = learning.comparisons.len();
    let rows = learning.comparisons.iter().skip(n.saturating_sub(LATEST)).map(|c| {
        let judged: Vec<bool> = c.values.iter().filter_map(|v| v.inside).collect();
        let inside = judged.iter().filter(|b| **b).count();
        vec![
            c.date.clone(),
            c.design.clone(),
            c.lot.clone(),
            c.session.clone(),
            c.technology.clone(),
            c.values.len().to_string(),
            if judged.is_empty() { "no bands".into() } else { format!("{inside} of {}", judged.len()) },
            c.seal.chars().take(12).collect(),
        ]
    });
    let heads = ["Day", "Design", "Lot", "Session", "Technology", "Numbers", "Inside", "Seal"];
    section(
        "history",
        "Latest comparisons",
        format!("The last {} of {n} comparisons; entries are appended and never changed.", n.min(LATEST)),
        vec![grid("Comparisons", &heads, rows.collect())],
    )
}

fn yields(learning: &Learning) -> Option<Section> {
    if learning.yields.is_empty() {
        return None;
    }
    let rows = learning.yields.iter().map(|y| {
        let predicted = y.predicted.map(|p| format!("{:.1} %", 100.0 * p)).unwrap_or_default();
        vec![y.design.clone(), y.lot.clone(), y.requirement.clone(), format!("{} of {}", y.passed, y.tested), predicted]
    });
    let heads = ["Design", "Lot", "Requirement", "Passed", "Predicted"];
    let text = "Units whose whole bench interval lies on the allowed side.".to_string();
    Some(section("yields", "Yields", text, vec![grid("Yields", &heads, rows.collect())]))
}

fn durations(learning: &Learning) -> Option<Section> {
    if learning.durations.is_empty() {
        return None;
    }
    let mut steps: Vec<&str> = learning.durations.iter().map(|d| d.step.as_str()).collect();
    steps.sort_unstable();
    steps.dedup();
    let mut items = Vec::new();
    let mut rows = Vec::new();
    for step in steps {
        let mut weeks: Vec<f64> = learning.durations.iter().filter(|d| d.step == step).map(|d| d.weeks).collect();
        weeks.sort_by(f64::total_cmp);
        let n = weeks.len() as f64;
        let mean = weeks.iter().sum::<f64>() / n;
        let sd = (weeks.iter().map(|w| (w - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt();
        // order statistics: the next one lies beyond either end with probability 5 %
        let rank = (0.05 * (n + 1.0)).floor() as usize;
        let band = match rank {
            0 => "needs 19".to_string(),
            r => format!("{:.1} to {:.1}", weeks[r - 1], weeks[weeks.len() - r]),
        };
        let longest = weeks.last().copied().unwrap_or_default();
        rows.push(vec![
            step.to_string(),
            weeks.len().to_string(),
            format!("{mean:.1}"),
            format!("{sd:.1}"),
            band,
            format!("{longest:.1}"),
        ]);
        items.push(Item::Figure(Figure::Histogram(Histogram {
            title: format!("Duration of {step}"),
            x_label: "duration".into(),
            unit: "weeks".into(),
            samples: weeks,
            limit: None,
        })));
    }
    let heads = ["Step", "Cases", "Mean, weeks", "sd", "90 % of the next, weeks", "Longest"];
    items.insert(0, grid("Durations", &heads, rows));
    Some(section("durations", "Durations", "How long steps took.".into(), items))
}

fn findings(learning: &Learning) -> Vec<Finding> {
    let mut out = Vec::new();
    for c in &learning.classes {
        if let (Ok(l), Some(score)) = (&c.learned, c.left_out) {
            let short = l.coverage - score.inside;
            if short > 2.0 * score.standard_error.max(0.01) {
                let text = format!(
                    "designs left out lie inside in {:.0} % instead of {:.0} %: designs differ more than chance allows",
                    100.0 * score.inside,
                    100.0 * l.coverage
                );
                out.push(Finding::warning(c.class.clone(), text));
            }
        }
    }
    out
}
