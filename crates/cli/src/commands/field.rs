//! `field`: layouts and field solutions of a design.

use super::Outcome;
use crate::arguments::Global;
use crate::output;
use crate::progress::Progress;
use clap::Args;
use project::design::{Design, LayoutText};
use project::field::solution::Cost;
use project::field::solution::Task;
use project::field::{compare, draw, low, page, solution, synthesis};
use project::network::touchstone;
use project::spec::{Figure, Item, Review};
use project::{ProjectError, demo, files, report, review};
use serde_json::json;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(crate) struct Field {
    /// Design file
    pub(crate) design: PathBuf,
    /// Say what the solutions would cost and stop
    #[arg(long)]
    pub(crate) estimate: bool,
    /// Find the baluns that the design asks for: dimensions with sensitivities, and stop
    #[arg(long)]
    pub(crate) synthesise: bool,
    /// Write the drawn metal as mask data (GDSII stream) and stop
    #[arg(long, value_name = "FILE")]
    pub(crate) mask: Option<PathBuf>,
    /// Layout to write, when the design has several
    #[arg(long, value_name = "NAME", requires = "mask")]
    pub(crate) layout: Option<String>,
    /// Also write the electric field at this frequency for a general viewer (VTU), for example "28 GHz"
    #[arg(long, value_name = "FREQUENCY", value_parser = crate::arguments::unit::<quantity::Frequency>)]
    pub(crate) fields: Option<quantity::Frequency>,
    /// Port that is driven for the field; the first one unless given
    #[arg(long, value_name = "NAME", requires = "fields")]
    pub(crate) port: Option<String>,
}

pub(crate) fn run(arguments: &Field, global: &Global) -> Result<Outcome, ProjectError> {
    let design = files::read_design(&arguments.design)?;
    if let Some(path) = &arguments.mask {
        return write_mask(&design, arguments.layout.as_deref(), path);
    }
    if arguments.synthesise {
        let folder = global.out.clone().unwrap_or_else(|| folder_of(&arguments.design));
        return synthesise(&design, &folder, global);
    }
    let tasks = solution::tasks(&design)?;
    let mut text = String::new();
    let mut rows = Vec::new();
    for task in &tasks {
        let row = Row::of(task)?;
        text.push_str(&row.text());
        rows.push(row);
    }
    if tasks.is_empty() {
        let drawn: Vec<&str> = design.layouts.iter().map(|l| l.name.value.as_str()).collect();
        let drawn = if drawn.is_empty() { "none".into() } else { drawn.join(", ") };
        let _ = writeln!(text, "{}: no field solutions; layouts drawn: {drawn}", arguments.design.display());
    }
    let broken = broken_rules(&design)?;
    broken.iter().for_each(|rule| text.push_str(&format!("broken rule: {rule}\n")));
    if arguments.estimate {
        return Ok(Outcome::done(if global.json { json_of(&rows, &broken, &[]) } else { text }));
    }
    if !global.quiet {
        output::remark(text.trim_end());
    }
    let folder = global.out.clone().unwrap_or_else(|| folder_of(&arguments.design));
    let (mut said, mut written) = (String::new(), Vec::new());
    for task in &tasks {
        written.extend(solve(&design, task, arguments, global, &folder, &mut said)?);
    }
    written.extend(files::write_named(&page::page(&design, &tasks)?, &folder, "field")?.into_iter().take(1));
    if global.json {
        return Ok(Outcome::done(json_of(&rows, &broken, &written)));
    }
    for path in &written {
        let _ = writeln!(said, "written: {}", path.display());
    }
    Ok(Outcome::done(said))
}

/// Rules of the process that layouts break, and where.
fn broken_rules(design: &Design) -> Result<Vec<String>, ProjectError> {
    let mut out = Vec::new();
    for text in &design.layouts {
        let layout = draw::layout(design, text, &[])?;
        let broken = draw::broken_rules(design, &layout)?;
        out.extend(broken.iter().map(|violation| format!("layout {}: {}", layout.name, violation.text())));
    }
    Ok(out)
}

/// What a solution costs before it is started.
struct Row {
    name: String,
    kept: bool,
    cost: Cost,
    fits: bool,
}

impl Row {
    fn of(task: &Task<'_>) -> Result<Self, ProjectError> {
        let cost = task.estimate()?;
        Ok(Self {
            name: task.part.name.value.clone(),
            kept: task.kept().0.is_some(),
            fits: task.fits(&cost).is_ok(),
            cost,
        })
    }

    fn gib(&self) -> f64 {
        self.cost.peak_bytes as f64 / f64::from(1 << 30)
    }

    fn text(&self) -> String {
        let state = match (self.kept, self.fits) {
            (true, _) => "kept from before, nothing to solve",
            (false, true) => "to be solved",
            (false, false) => "does not fit into memory",
        };
        format!(
            "{}: first mesh {} unknowns, {:.2} GiB, about {:.1} s a factorisation; {state}\n",
            self.name,
            self.cost.unknowns,
            self.gib(),
            self.cost.time_s
        )
    }
}

fn json_of(rows: &[Row], broken: &[String], written: &[PathBuf]) -> String {
    let solutions: Vec<_> = rows
        .iter()
        .map(|r| {
            json!({ "name": r.name, "kept": r.kept, "unknowns": r.cost.unknowns, "memory_gib": r.gib(),
                "seconds_a_factorisation": r.cost.time_s, "fits": r.fits })
        })
        .collect();
    let written: Vec<String> = written.iter().map(|p| p.display().to_string()).collect();
    format!("{:#}", json!({ "solutions": solutions, "broken_rules": broken, "written": written }))
}

/// `name-field` beside the design file.
fn folder_of(design: &Path) -> PathBuf {
    let stem = design.file_stem().map_or_else(|| "design".into(), |s| s.to_string_lossy().into_owned());
    design.with_file_name(format!("{stem}-field"))
}

fn solve(
    design: &Design,
    task: &Task<'_>,
    arguments: &Field,
    global: &Global,
    folder: &Path,
    said: &mut String,
) -> Result<Vec<PathBuf>, ProjectError> {
    let name = &task.part.name.value;
    let progress = Progress::new(global.quiet);
    let solved = task.solve(&progress);
    progress.finish();
    let (kept, findings) = solved?;
    let _ = writeln!(said, "{name}:");
    let low = low::compare(design, task, &kept);
    push_rows(said, &page::checks(&kept, task.text.error_max, low.as_ref()).rows);
    super::push_findings(said, &findings);
    let network = kept.network().map_err(|source| ProjectError::Network { place: name.clone(), source })?;
    let data = touchstone::write(&network, touchstone::WriteVersion::Two);
    let data = data.map_err(|source| ProjectError::Network { place: name.clone(), source })?;
    let path = folder.join(format!("{name}.ts"));
    files::write_whole(&path, data.as_bytes())?;
    let mut written = vec![path];
    if let Some(freq) = arguments.fields {
        let progress = Progress::new(global.quiet);
        let text = task.field_file(freq.si(), arguments.port.as_deref(), &progress);
        progress.finish();
        let path = folder.join(format!("{name}.vtu"));
        files::write_whole(&path, text?.as_bytes())?;
        written.push(path);
    }
    Ok(written)
}

/// Rows of checks: what was found before what was expected.
fn push_rows(said: &mut String, rows: &[Vec<String>]) {
    for row in rows {
        let [what, expected, found, verdict] = [0, 1, 2, 3].map(|i| row.get(i).map_or("", String::as_str));
        let line = format!("  {what:<58} {found:>10}  {expected:<14} {verdict}");
        let _ = writeln!(said, "{}", line.trim_end());
    }
}

fn write_mask(design: &Design, name: Option<&str>, path: &Path) -> Result<Outcome, ProjectError> {
    let known = || design.layouts.iter().map(|l| l.name.value.clone()).collect::<Vec<_>>().join(", ");
    let found: Option<&LayoutText> = match name {
        Some(name) => design.layouts.iter().find(|l| l.name.value == name),
        None if design.layouts.len() == 1 => design.layouts.first(),
        None => None,
    };
    let Some(text) = found else {
        let why = format!("names no layout of the design; choose one with `--layout`: {}", known());
        return Err(ProjectError::Number { name: name.unwrap_or("").into(), why });
    };
    let layout = draw::layout(design, text, &[])?;
    files::write_whole(path, &draw::mask_data(design, &layout)?)?;
    let broken = draw::broken_rules(design, &layout)?;
    let layers = draw::metals_used(design, &layout).join(", ");
    let mut said = format!("{}: layout {}, {} shapes on {layers}\n", path.display(), layout.name, layout.shapes.len());
    for violation in &broken {
        let _ = writeln!(said, "  broken rule: {}", violation.text());
    }
    Ok(Outcome::done(said))
}

/// The demonstration with its baluns as lines and in three dimensions, compared.
pub(super) fn full_demo(global: &Global) -> Result<Outcome, ProjectError> {
    let folder = global.out.clone().unwrap_or_else(|| PathBuf::from("mixwright-demo"));
    let lines = files::read_design(&files::write_demo(&folder)?)?;
    let full = files::read_design(&folder.join(demo::FULL_FILE))?;
    for task in &solution::tasks(&full)? {
        let row = Row::of(task)?;
        if !global.quiet {
            output::remark(row.text().trim_end());
        }
        if !row.kept {
            task.fits(&row.cost)?;
        }
    }
    let progress = Progress::new(global.quiet);
    let done = compared(&lines, &full, &progress);
    progress.finish();
    let (of_lines, of_full) = done?;
    files::write_review(&of_lines, &folder.join("review"))?;
    let written = files::write_review(&of_full, &folder.join("review-full"))?;
    if global.json {
        return Ok(Outcome::done(report::json(&of_full)));
    }
    let mut text = report::summary_text(&of_full);
    let compared = of_full.sections.iter().find(|s| s.key == compare::KEY);
    let figures = compared.iter().flat_map(|s| &s.items).filter_map(|item| match item {
        Item::Figure(figure @ (Figure::Cards(_) | Figure::Grid(_))) => Some(figure),
        _ => None,
    });
    text.push('\n');
    for figure in figures {
        text.push_str(&report::figure_text(figure));
        if let Figure::Cards(cards) = figure {
            for (name, value) in cards.cards.iter().flat_map(|c| &c.facts) {
                let _ = writeln!(text, "  {name}: {value}");
            }
        }
    }
    let page = written.first().map(|p| p.display().to_string()).unwrap_or_default();
    let _ = write!(text, "\nReport: {page} (the version with lines in {})\n", folder.join("review").display());
    Ok(Outcome::done(text))
}

/// Reviews of both designs; that of the field solutions begins with the comparison.
fn compared(lines: &Design, full: &Design, watch: &Progress) -> Result<(Review, Review), ProjectError> {
    let of_lines = review::run(lines, watch)?;
    let mut of_full = review::run(full, watch)?;
    let section = compare::section((lines, &of_lines), (full, &of_full), watch)?;
    of_full.sections.insert(0, section);
    Ok((of_lines, of_full))
}

fn synthesise(design: &Design, folder: &Path, global: &Global) -> Result<Outcome, ProjectError> {
    let found = synthesis::baluns(design)?;
    let written = if found.is_empty() {
        Vec::new()
    } else {
        files::write_named(&synthesis::page(design, &found), folder, "balun")?
    };
    let grids = found.iter().map(|f| [f.dimensions(), f.sensitivities()]);
    if global.json {
        let table = |g: &project::spec::Grid| json!({ "title": g.title, "heads": g.heads, "rows": g.rows });
        let all: Vec<_> = grids.flatten().map(|g| table(&g)).collect();
        return Ok(Outcome::done(format!("{:#}", json!({ "tables": all }))));
    }
    let mut text = String::new();
    if found.is_empty() {
        text.push_str(
            "the design asks for no balun; add `[balun.NAME]`, as in qb-k07-full.toml of the demonstration\n",
        );
    }
    for (balun, grids) in found.iter().zip(grids) {
        for grid in grids {
            push_grid(&mut text, &grid);
        }
        super::push_findings(&mut text, &balun.findings);
    }
    for path in written.iter().take(1) {
        let _ = writeln!(text, "written: {}", path.display());
    }
    Ok(Outcome::done(text))
}

/// A table in columns.
fn push_grid(text: &mut String, grid: &project::spec::Grid) {
    let rows = || std::iter::once(&grid.heads).chain(&grid.rows);
    let width = |k: usize| rows().filter_map(|r| r.get(k)).map(|c| c.chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..grid.heads.len()).map(width).collect();
    let _ = writeln!(text, "{}", grid.title);
    for row in rows() {
        let cells: Vec<String> = row.iter().zip(&widths).map(|(c, &w)| format!("{c:<w$}")).collect();
        let _ = writeln!(text, "  {}", cells.join("  ").trim_end());
    }
}
