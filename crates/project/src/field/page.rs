//! What a report shows of the passive structure: drawings, rules, and the checks of every field solution.

use super::draw;
use super::solution::{Kept, Task, tasks};
use crate::design::Design;
use crate::error::ProjectError;
use numerics::CMatrix;
use spec::{Conditions, Figure, Grid, Item, Review, Section};
use stackup::{Layout, PortPlace};

/// Largest share of power that may be lost sight of before the checks say so.
const POWER_MAX: f64 = 1e-3;
/// The same for reciprocity and passivity: what refined single-precision factors leave.
const EXACT_MAX: f64 = 1e-5;

/// Sections on the layouts and field solutions of a design, for its review; empty without layouts.
///
/// # Errors
/// A layout that cannot be drawn.
pub fn sections(design: &Design) -> Result<Vec<Section>, ProjectError> {
    let tasks = tasks(design)?;
    let mut out = Vec::new();
    for task in &tasks {
        let mut items = drawings(design, &task.layout)?;
        if let Some(kept) = task.kept().0 {
            items.push(Item::Figure(Figure::Grid(checks(&kept))));
            items.push(Item::Figure(Figure::Grid(entries(&kept))));
        }
        let name = &task.part.name.value;
        out.push(Section {
            key: format!("field-{}", key_of(name)),
            title: format!("Field solution {name}"),
            text: format!(
                "Layout {} on the stack {}, solved in three dimensions up to {}; every entry of S with its error estimate.",
                task.text.layout,
                design.technology.as_ref().map_or("", |t| t.name.as_str()),
                quantity::Frequency::hz(task.text.up_to_hz)
            ),
            items,
        });
    }
    for text in &design.layouts {
        if tasks.iter().any(|t| t.text.layout == text.name.value) {
            continue;
        }
        let layout = draw::layout(design, text, &[])?;
        out.push(Section {
            key: format!("layout-{}", key_of(&text.name.value)),
            title: format!("Layout {}", text.name.value),
            text: "Drawn, not solved.".into(),
            items: drawings(design, &layout)?,
        });
    }
    Ok(out)
}

fn key_of(name: &str) -> String {
    name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect()
}

/// Plan, section and broken rules of a layout.
fn drawings(design: &Design, layout: &Layout) -> Result<Vec<Item>, ProjectError> {
    let broken = draw::broken_rules(design, layout)?;
    let mut items = vec![Item::Figure(Figure::Drawing(draw::plan(design, layout, &broken)))];
    let section = draw::section(design, layout, through_a_port(layout))?;
    items.extend(section.map(|s| Item::Figure(Figure::Drawing(s))));
    if !broken.is_empty() {
        items.push(Item::Figure(Figure::Grid(Grid {
            title: format!("Broken rules of {}", layout.name),
            heads: vec!["Place".into()],
            rows: broken.iter().map(|v| vec![v.text()]).collect(),
        })));
    }
    Ok(items)
}

/// Height in the plan through the first internal port: metal is cut there.
fn through_a_port(layout: &Layout) -> f64 {
    let of = |port: &stackup::Port| match &port.place {
        PortPlace::Gap { plus, .. } => Some(0.5 * (plus.edge[0][1] + plus.edge[1][1])),
        PortPlace::Wall { .. } => None,
    };
    let middle = 0.5 * (layout.enclosure.low[1] + layout.enclosure.high[1]);
    layout.ports.iter().find_map(of).unwrap_or(middle)
}

/// Self-checks of a solution: what was expected, what was found.
pub fn checks(kept: &Kept) -> Grid {
    let at_most = |what: &str, limit: f64, found: Option<f64>| {
        let word = match found {
            Some(x) if x <= limit => "holds",
            Some(_) => "does not hold",
            None => "not defined here",
        };
        let found = found.map_or_else(|| "–".into(), |x| format!("{x:.1e}"));
        vec![what.to_string(), format!("at most {limit:.0e}"), found, word.to_string()]
    };
    let zero_hz = kept.freqs_hz.first().filter(|f| **f == 0.0).and_then(|_| kept.scattering.first());
    let asked = kept.meshes.last().map_or(f64::NAN, |m| m.1);
    let meshes: Vec<String> = kept.meshes.iter().map(|(n, e)| format!("{n} ({e:.1e})")).collect();
    let plain = |what: &str, value: String| vec![what.to_string(), "–".into(), value, String::new()];
    Grid {
        title: "Checks of the field solution".into(),
        heads: ["Quantity", "Expected", "Found", ""].map(String::from).to_vec(),
        rows: vec![
            at_most("power in against power out and lost", POWER_MAX, kept.power_defect),
            at_most("reciprocity, largest |Sij - Sji|", EXACT_MAX, Some(kept.reciprocity_defect)),
            at_most("passivity, largest singular value minus one", EXACT_MAX, Some(kept.passivity_excess)),
            at_most("imaginary part at direct current", EXACT_MAX, zero_hz.map(imaginary)),
            at_most("backward error of the linear solutions", 1e-10, Some(kept.backward_error)),
            plain("replaced pivots", kept.perturbed_pivots.to_string()),
            plain("unknowns of each mesh (error estimate)", meshes.join(", ")),
            plain("full solutions", kept.n_solutions.to_string()),
            plain("memory of a full solution", format!("{:.2} GiB", kept.peak_bytes as f64 / 1_073_741_824.0)),
            vec![
                "largest error estimate of an asked entry".into(),
                "as asked".into(),
                format!("{asked:.1e}"),
                if kept.converged { "holds" } else { "does not hold" }.into(),
            ],
            plain("largest error estimate of any entry", format!("{:.1e}", kept.error_max())),
        ],
    }
}

fn imaginary(s: &CMatrix) -> f64 {
    s.as_slice().iter().map(|x| x.im.abs()).fold(0.0, f64::max)
}

/// Rows of the table of entries.
const ROWS: usize = 10;

/// Entries of S over frequency with their error estimates.
fn entries(kept: &Kept) -> Grid {
    let n = kept.ports.len();
    let pairs: Vec<(usize, usize)> = (0..n).flat_map(|p| (p..n).map(move |q| (p, q))).collect();
    let step = (kept.freqs_hz.len() / ROWS).max(1);
    let cell = |k: usize, (p, q): (usize, usize)| {
        let db = 20.0 * kept.scattering[k][(p, q)].norm().log10();
        format!("{db:.1} ± {:.1e}", kept.errors[k][(p, q)])
    };
    let row = |k: usize| {
        let freq = format!("{:.2}", kept.freqs_hz[k] * 1e-9);
        std::iter::once(freq).chain(pairs.iter().map(|&pair| cell(k, pair))).collect()
    };
    let head = |&(p, q): &(usize, usize)| format!("{}, {}", kept.ports[p], kept.ports[q]);
    Grid {
        title: "Entries of S, dB, with the error estimate of the wave".into(),
        heads: std::iter::once("GHz".to_string()).chain(pairs.iter().map(head)).collect(),
        rows: (0..kept.freqs_hz.len()).step_by(step).map(row).collect(),
    }
}

/// A page on the passive structure alone.
///
/// # Errors
/// A layout that cannot be drawn.
pub fn page(design: &Design, tasks: &[Task<'_>]) -> Result<Review, ProjectError> {
    let work = tasks.iter().filter_map(|t| Some((t, t.kept().0?))).map(|(task, kept)| {
        (task.part.name.value.clone(), format!("{} full solutions, key {}", kept.n_solutions, &task.key().hex()[..12]))
    });
    Ok(Review {
        title: "Passive structure".into(),
        design: design.name.clone(),
        about: design.about.clone(),
        nominal: Conditions::default(),
        summary: Vec::new(),
        verdicts: Vec::new(),
        sections: sections(design)?,
        findings: Vec::new(),
        work: work.collect(),
    })
}
