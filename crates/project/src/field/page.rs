//! What a report shows of the passive structure: drawings, rules, and the checks of every field solution.

use super::draw;
use super::kept::Kept;
use super::low::{self, LowFrequency};
use super::numbers::Number;
use super::solution::{Task, tasks};
use crate::design::Design;
use crate::error::ProjectError;
use numerics::CMatrix;
use spec::{Axis, Conditions, Figure, Grid, Item, Lines, PlainCurve, Review, Section};
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
            items.extend(of_solution(design, task, &kept).into_iter().map(Item::Figure));
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

/// Everything a solution has to show.
fn of_solution(design: &Design, task: &Task<'_>, kept: &Kept) -> Vec<Figure> {
    let low = low::compare(design, task, kept);
    let mut out = vec![Figure::Grid(checks(kept, task.text.error_max, low.as_ref()))];
    out.extend(low.map(|l| Figure::Grid(l.grid())));
    out.push(Figure::Lines(from_first_port(kept)));
    out.push(Figure::Lines(error_curves(kept)));
    out.push(Figure::Grid(entries(kept)));
    let lo_hz = design.plan.lo.si();
    out.extend(sensitivities(task, kept, lo_hz).map(Figure::Grid));
    if let Some(currents) = task.currents() {
        let marks = draw::port_marks(&task.layout);
        out.extend(currents.maps(lo_hz, 0, &marks).into_iter().map(Figure::Map));
    }
    out
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
pub fn checks(kept: &Kept, error_max: f64, low: Option<&LowFrequency>) -> Grid {
    let at_most = |what: &str, limit: f64, found: Option<f64>| {
        let word = match found {
            Some(x) if x <= limit => "holds",
            Some(_) => "does not hold",
            None => "not defined here",
        };
        let found = found.map_or_else(|| "–".into(), |x| format!("{x:.1e}"));
        vec![what.to_string(), format!("at most {limit:.0e}"), found, word.to_string()]
    };
    // found, what ends may add, and with what the stated error leaves open
    let at_low = |what: &str, found: Option<[f64; 3]>| {
        let what = format!("{what} at low frequency against line sections");
        let per_cent = |x: f64| format!("{:.1} %", 100.0 * x);
        match found {
            Some([found, ends, open]) => {
                let word = match found {
                    x if x <= ends => "holds",
                    x if x <= open => "within the stated error",
                    _ => "does not hold",
                };
                vec![what, format!("at most {}", per_cent(ends)), per_cent(found), word.to_string()]
            }
            None => vec![what, "–".into(), "–".into(), "not defined here".into()],
        }
    };
    let zero_hz = kept.freqs_hz.first().filter(|f| **f == 0.0).and_then(|_| kept.scattering.first());
    let plain = |what: &str, value: String| vec![what.to_string(), "–".into(), value, String::new()];
    let mut rows = vec![
        at_most("power in against power out and lost", POWER_MAX, kept.power_defect),
        at_most("reciprocity, largest |Sij - Sji|", EXACT_MAX, Some(kept.reciprocity_defect)),
        at_most("passivity, largest singular value minus one", EXACT_MAX, Some(kept.passivity_excess)),
        at_most("imaginary part at direct current", EXACT_MAX, zero_hz.map(imaginary)),
        at_low("capacitance", low.map(|l| [l.capacitance_off, l.ends, l.capacitance_allowed])),
        at_low("inductance", low.and_then(|l| Some([l.inductance_off?, l.ends, l.inductance_allowed]))),
        at_most("backward error of the linear solutions", 1e-10, Some(kept.backward_error)),
        plain("replaced pivots", kept.perturbed_pivots.to_string()),
    ];
    if let Some([freq_hz, resistor, inductor, capacitor]) = kept.port_test {
        let what =
            format!("internal ports closed by R, L, C against the same solved inside, {:.1} GHz", freq_hz * 1e-9);
        rows.push(plain(&what, format!("{resistor:.0e}, {inductor:.0e}, {capacitor:.0e}")));
    }
    for (k, (unknowns, error)) in kept.meshes.iter().enumerate() {
        let what = format!("error estimate at the top of the band, mesh {}, {unknowns} unknowns", k + 1);
        rows.push(plain(&what, format!("{error:.1e}")));
    }
    let asked = at_most("largest error estimate of any entry, whole band", error_max, Some(kept.error_max()));
    rows.extend([
        vec![
            asked[0].clone(),
            asked[1].clone(),
            asked[2].clone(),
            if kept.converged { "holds" } else { "does not hold" }.into(),
        ],
        plain("full solutions", kept.n_solutions.to_string()),
        plain("memory of a full solution", format!("{:.2} GiB", kept.peak_bytes as f64 / 1_073_741_824.0)),
    ]);
    let heads = ["Quantity", "Expected", "Found", ""].map(String::from).to_vec();
    Grid { title: "Checks of the field solution".into(), heads, rows }
}

fn imaginary(s: &CMatrix) -> f64 {
    s.as_slice().iter().map(|x| x.im.abs()).fold(0.0, f64::max)
}

/// Frequencies of the table of entries.
const COLUMNS: usize = 7;
/// Micrometre in a metre.
const UM: f64 = 1e6;

/// Entries of S over frequency with their error estimates.
fn entries(kept: &Kept) -> Grid {
    let n = kept.ports.len();
    let pairs = (0..n).flat_map(|p| (p..n).map(move |q| (p, q)));
    let last = kept.freqs_hz.len().saturating_sub(1);
    let mut at: Vec<usize> = (0..COLUMNS).map(|k| k * last / (COLUMNS - 1)).collect();
    at.dedup();
    let row = |(p, q): (usize, usize)| {
        let name = format!("{}, {}", kept.ports[p], kept.ports[q]);
        let cells = at.iter().map(|&k| decibels(kept.scattering[k][(p, q)].norm(), kept.errors[k][(p, q)]));
        let worst = kept.errors.iter().map(|e| e[(p, q)]).fold(0.0, f64::max);
        std::iter::once(name).chain(cells).chain([format!("{worst:.1e}")]).collect()
    };
    let heads = at.iter().map(|&k| format!("{:.2} GHz", kept.freqs_hz[k] * 1e-9));
    Grid {
        title: "Entries of S in dB with their error estimates".into(),
        heads: std::iter::once("Ports".to_string()).chain(heads).chain(["Largest error of the wave".into()]).collect(),
        rows: pairs.map(row).collect(),
    }
}

/// A magnitude with its error in dB; a bound where the error is as large as the magnitude.
fn decibels(magnitude: f64, error: f64) -> String {
    if error >= 0.9 * magnitude {
        return format!("< {:.1}", 20.0 * (magnitude + error).log10());
    }
    let db = 20.0 * magnitude.log10();
    // the larger of both sides
    let band = -20.0 * (1.0 - error / magnitude).log10();
    let digits = if band >= 0.1 { 1 } else { 2 };
    format!("{db:.digits$} ± {:.digits$}", band.max(0.01))
}

fn gigahertz() -> Axis {
    Axis { label: "Frequency".into(), unit: "GHz".into() }
}

/// Points of a curve on the page.
const POINTS_MAX: usize = 91;

fn curve(kept: &Kept, name: String, value: impl Fn(usize) -> (f64, Option<f64>)) -> PlainCurve {
    let step = kept.freqs_hz.len().div_ceil(POINTS_MAX).max(1);
    let point = |k: usize| {
        let (y, band) = value(k);
        (kept.freqs_hz[k] * 1e-9, y, band)
    };
    PlainCurve { name, points: (0..kept.freqs_hz.len()).step_by(step).map(point).collect() }
}

/// Reflection and transmission of the first port, magnitudes of the waves with their errors.
fn from_first_port(kept: &Kept) -> Lines {
    let one = |q: usize| {
        let value = |k: usize| (kept.scattering[k][(q, 0)].norm(), Some(kept.errors[k][(q, 0)]));
        curve(kept, kept.ports[q].clone(), value)
    };
    Lines {
        title: format!("Waves out of every port for a wave into {}", kept.ports[0]),
        x: gigahertz(),
        y: Axis { label: "|S|".into(), unit: String::new() },
        curves: (0..kept.ports.len()).map(one).collect(),
        bounds: Vec::new(),
    }
}

/// Largest error estimate of each row of S.
fn error_curves(kept: &Kept) -> Lines {
    let n = kept.ports.len();
    let one = |p: usize| {
        let worst = |k: usize| (0..n).map(|q| kept.errors[k][(p, q)].max(kept.errors[k][(q, p)])).fold(0.0, f64::max);
        curve(kept, kept.ports[p].clone(), |k| (worst(k), None))
    };
    Lines {
        title: "Largest error estimate of any entry with a port".into(),
        x: gigahertz(),
        y: Axis { label: "Error of the wave".into(), unit: String::new() },
        curves: (0..n).map(one).collect(),
        bounds: Vec::new(),
    }
}

/// What every number does to the entries of the first port, at the frequency nearest to the given one.
fn sensitivities(task: &Task<'_>, kept: &Kept, near_hz: f64) -> Option<Grid> {
    let distance = |k: &usize| (kept.freqs_hz[*k] - near_hz).abs();
    let k = (0..kept.freqs_hz.len()).min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
    let row = |(name, number): &(String, Number)| {
        let derivative = kept.derivatives.iter().find(|d| d.name == *name)?;
        let (step, told) = step_of(task, number)?;
        let cell = |q: usize| {
            let (s, d) = (kept.scattering[k][(q, 0)], derivative.scattering[k][(q, 0)]);
            // relative change of the wave, as decibel and degree
            let change = d * step / s;
            format!("{:+.3} dB, {:+.2}°", change.re * 20.0 / std::f64::consts::LN_10, change.im.to_degrees())
        };
        let out = (derivative.left_out_m > 0.0).then(|| format!("{:.0} µm of edges", derivative.left_out_m * UM));
        let cells = (0..kept.ports.len()).map(cell);
        Some([vec![name.clone(), told], cells.collect(), vec![out.unwrap_or_default()]].concat())
    };
    let rows: Vec<Vec<String>> = task.numbers().iter().filter_map(row).collect();
    if rows.is_empty() {
        return None;
    }
    let heads = kept.ports.iter().map(|q| format!("{} to {q}", kept.ports[0]));
    let freq = kept.freqs_hz[k] * 1e-9;
    Some(Grid {
        title: format!("Derivatives at {freq:.2} GHz: what a change of every number does to the waves"),
        heads: ["Number".to_string(), "Changed by".into()]
            .into_iter()
            .chain(heads)
            .chain(["Not followed".into()])
            .collect(),
        rows,
    })
}

/// By how much a number is changed in a table: its standard deviation, or a micrometre, or a hundredth.
fn step_of(task: &Task<'_>, number: &Number) -> Option<(f64, String)> {
    let Number::Stack(p) = number else { return Some((1.0 / UM, "1 µm".into())) };
    let dimension = task.stack().dimension(*p)?;
    let length = matches!(
        p,
        stackup::Parameter::Thickness(_) | stackup::Parameter::WidthBias(_) | stackup::Parameter::Registration(..)
    );
    Some(match (dimension.sd > 0.0, length) {
        (true, true) => (dimension.sd, format!("{:.3} µm (1 sd)", dimension.sd * UM)),
        (true, false) => (dimension.sd, format!("{} (1 sd)", dimension.sd)),
        (false, true) if dimension.nominal == 0.0 => (1.0 / UM, "1 µm".into()),
        (false, _) => (0.01 * dimension.nominal, "1 %".into()),
    })
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
