//! A design that rests on a field solution, from refusal to comparison, on a strip of 0.4 mm.
//!
//! The folder of kept results is one for the process, so that everything about it is in one test.

use mixwright_project::design::Design;
use mixwright_project::field::{compare, low, page, solution};
use mixwright_project::{ErrorKind, ProjectError, cache, network, numerics, review, spec};
use network::FrequencyResponse;
use numerics::{CMatrix, Cancelled, Quiet, Watch};
use proof::{CheckValue, Origin};
use spec::{Figure, Item};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

const TEXT: &str = include_str!("data/strip.toml");

fn design(text: &str) -> Design {
    Design::parse("strip.toml", text, Path::new("")).unwrap_or_else(|e| panic!("{e}"))
}

/// Stops when a step of this name begins; keeps all names.
struct Stop {
    at: &'static str,
    heard: Mutex<Vec<String>>,
}

impl Stop {
    fn at(at: &'static str) -> Self {
        Self { at, heard: Mutex::default() }
    }

    fn steps(&self) -> Vec<String> {
        self.heard.lock().expect("not poisoned").clone()
    }
}

impl Watch for Stop {
    fn step(&self, what: &str, _done: usize, _total: usize) -> Result<(), Cancelled> {
        let mut heard = self.heard.lock().expect("not poisoned");
        if heard.last().is_none_or(|last| last != what) {
            heard.push(what.into());
        }
        if what.contains(self.at) { Err(Cancelled) } else { Ok(()) }
    }
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let Ok(list) = std::fs::read_dir(folder) else { return Vec::new() };
    let of = |entry: std::fs::DirEntry| if entry.path().is_dir() { files(&entry.path()) } else { vec![entry.path()] };
    list.flatten().flat_map(of).collect()
}

fn at_pads(design: &Design, freq_hz: f64) -> CMatrix {
    design.passive_at_pads().unwrap_or_else(|e| panic!("{e}")).scattering(freq_hz).expect("regular")
}

fn check(what: &str, found: f64, expected: f64, within: f64, because: &'static str, how: &'static str) {
    CheckValue { what, expected, within, because, origin: Origin::Derived { how } }.check(found);
}

#[test]
fn solved_once_kept_moved_and_compared() {
    let folder = std::env::temp_dir().join(format!("mixwright-join-{}", std::process::id()));
    cache::use_folder(Some(&folder));
    refused_when_it_does_not_fit();
    stopped_without_a_trace(&folder);
    let design = design(TEXT);
    solution::prepare(&design, &Quiet).expect("it solves");
    kept_for_the_next_process(&design);
    low_frequencies_are_the_line(&design);
    the_page_shows_everything(&design);
    derivatives_are_those_of_new_solutions(&design);
    both_ways_are_compared(&design);
    std::fs::remove_dir_all(&folder).expect("ours");
}

fn refused_when_it_does_not_fit() {
    let small = design(&TEXT.replace("meshes = 3", "meshes = 3\nmemory_gib = 0.001"));
    let error = solution::prepare(&small, &Quiet).expect_err("a megabyte is too little");
    assert!(matches!(error, ProjectError::DoesNotFit { .. }), "{error:?}");
    let text = error.to_string();
    assert!(text.starts_with("solution `strip` needs about 0.0"), "{text}");
    assert!(text.ends_with("lower `up_to`, draw less, or allow more with `memory_gib`"), "{text}");
    assert_eq!(error.kind(), ErrorKind::Input);
}

fn stopped_without_a_trace(folder: &Path) {
    for at in ["mesh 1", "response, full solution 3", "derivatives"] {
        let stop = Stop::at(at);
        let error = solution::prepare(&design(TEXT), &stop).expect_err("it was stopped");
        assert_eq!(error.kind(), ErrorKind::Cancelled, "{error}");
        let last = stop.steps().last().cloned().unwrap_or_default();
        assert!(last.starts_with("strip: ") && last.contains(at), "{last}");
        assert_eq!(files(folder), Vec::<PathBuf>::new());
    }
}

fn kept_for_the_next_process(design: &Design) {
    let before = solution::tasks(design).expect("drawable")[0].kept().0.expect("solved");
    // nothing in memory: as in another process
    cache::forget();
    let silent = Stop::at("");
    solution::prepare(design, &silent).expect("nothing to do, so nobody asks whether to go on");
    assert_eq!(silent.steps(), Vec::<String>::new());
    let after = solution::tasks(design).expect("drawable")[0].kept().0.expect("from the folder");
    assert_eq!(before, after);
    // what spreads is no part of the structure
    let other = self::design(&TEXT.replace("thickness_sd = \"3 %\"", "thickness_sd = \"5 %\""));
    assert!(solution::tasks(&other).expect("drawable")[0].kept().0.is_some());
}

fn low_frequencies_are_the_line(design: &Design) {
    let tasks = solution::tasks(design).expect("drawable");
    let kept = tasks[0].kept().0.expect("solved");
    let low = low::compare(design, &tasks[0], &kept).expect("a straight strip is a line section");
    assert_eq!((low.capacitance_f.len(), low.inductance_h.len()), (1, 1));
    let of = |list: &[(String, [f64; 2])]| list[0].1;
    let ([line_f, field_f], [line_h, field_h]) = (of(&low.capacitance_f), of(&low.inductance_h));
    // both ends of the strip add to its capacitance, and the energy of a field on a mesh is never too low
    assert!(field_f > line_f, "{low:?}");
    assert!(low.capacitance_off < low.capacitance_allowed, "{low:?}");
    assert!(low.inductance_off.expect("a loop") < low.inductance_allowed, "{low:?}");
    check("what ends may add: one height at each", low.ends, 2.0 * 30.0 / 400.0, 1e-9, "exact", "drawing");
    // ports end at the edges of the metal: the partial inductance of their sheets, 30 um high, is taken away
    let (because, within) = ("ends, one height at each", 0.15 * line_h * 1e12);
    check("inductance, pH", field_h * 1e12, line_h * 1e12, within, because, "line section");
    // the line itself against the impedance of a wide strip: C' = eps w / h is a lower bound by its fringe
    let plate = 8.854_187_8e-12 * 2.9 * 40e-6 * 400e-6 / 30e-6;
    assert!(line_f > plate && line_f < 2.5 * plate, "{line_f} against {plate}");
}

fn the_page_shows_everything(design: &Design) {
    let tasks = solution::tasks(design).expect("drawable");
    let page = page::page(design, &tasks).expect("drawable");
    assert_eq!(page.title, "Passive structure");
    let figures: Vec<&Figure> =
        page.sections[0].items.iter().filter_map(|i| if let Item::Figure(f) = i { Some(f) } else { None }).collect();
    let grids: Vec<&spec::Grid> =
        figures.iter().filter_map(|f| if let Figure::Grid(g) = f { Some(g) } else { None }).collect();
    let checks = grids.iter().find(|g| g.title == "Checks of the field solution").expect("shown");
    for row in &checks.rows {
        assert_ne!(row[3], "does not hold", "{row:?}");
    }
    let maps: Vec<&spec::FieldMap> =
        figures.iter().filter_map(|f| if let Figure::Map(m) = f { Some(m) } else { None }).collect();
    let titles: Vec<&str> = maps.iter().map(|m| m.title.split(',').next().unwrap_or_default()).collect();
    assert_eq!(titles, ["Current on M0", "Current on M1"]);
    // 1 W into 50 ohm and a strip much shorter than the wave into the same: 0.2 A peak over its width of 40 um
    let strip = maps[1];
    let mean = {
        let area =
            |t: &[(f64, f64); 3]| ((t[1].0 - t[0].0) * (t[2].1 - t[0].1) - (t[2].0 - t[0].0) * (t[1].1 - t[0].1)).abs();
        let total: f64 = strip.triangles.iter().map(|t| area(&t.0)).sum();
        strip.triangles.iter().map(|t| area(&t.0) * t.1).sum::<f64>() / total
    };
    let because = "mean of a magnitude on a coarse mesh; reflection below 0.2 and displacement along the strip";
    check(
        "mean current density, A/m",
        mean,
        0.2 / 40e-6,
        0.25 * 0.2 / 40e-6,
        because,
        "sqrt(2 W / 50 ohm) over the width",
    );
}

fn derivatives_are_those_of_new_solutions(design: &Design) {
    // one kept solution follows all of these; each is then solved anew on its own mesh
    let cases = [
        ("film.thickness", 30.3e-6, 0.02, "second order of one percent, measured 1 %"),
        ("polymer.permittivity", 2.929, 0.02, "second order of one percent, measured 1 %"),
    ];
    let freq_hz = 20e9;
    let here = at_pads(design, freq_hz);
    for (name, value, within, because) in cases {
        let moved = design.moved(&[(name, value)]).expect("a number of the design");
        let followed = at_pads(&moved, freq_hz);
        solution::prepare(&moved, &Quiet).expect("solved anew");
        let anew = at_pads(&moved, freq_hz);
        let change = (&anew - &here).max_abs();
        assert!(change > 1e-4, "{name} does something: {change}");
        let miss = (&followed - &anew).max_abs() / change;
        check(name, miss, 0.0, within, because, "difference of two solutions");
    }
    // a width is followed too; its derivative is only known to a quarter
    let wide = design.moved(&[("strip.width", 41e-6)]).expect("a variable of the drawing");
    assert!((&at_pads(&wide, freq_hz) - &here).max_abs() > 1e-4);
    let shifted = design.moved(&[("gold.roughness", 1e-7)]).expect("a number of the design");
    let error = shifted.passive_at_pads().expect_err("no derivative").to_string();
    assert!(error.contains("film thickness, M1 thickness, cavity thickness"), "{error}");
}

fn both_ways_are_compared(design: &Design) {
    let (from, to) =
        (TEXT.find("[[circuit.solution]]").expect("there"), TEXT.find("[[circuit.diode]]").expect("there"));
    let section = "[[circuit.section]]\nname = \"strip\"\nlength = \"400 um\"\nnear = [\"rf\"]\nfar = [\"d\"]\n\
                   strip = [{ name = \"strip\", layer = \"M1\", width = \"40 um\" }]\n\n";
    let lines = self::design(&format!("{}{section}{}", &TEXT[..from], &TEXT[to..]));
    let (a, b) = (review::run(&lines, &Quiet).expect("runs"), review::run(design, &Quiet).expect("runs"));
    let compared = compare::section((&lines, &a), (design, &b), &Quiet).expect("both join");
    let grid = |start: &str| {
        let of = |i: &Item| if let Item::Figure(Figure::Grid(g)) = i { Some(g.clone()) } else { None };
        compared.items.iter().filter_map(of).find(|g| g.title.starts_with(start)).expect("shown")
    };
    let measures = grid("Differences over the band");
    let loss = measures.rows.iter().find(|r| r[0] == "Conversion loss").expect("compared");
    assert!(loss[2].ends_with("dB") && loss[3].contains(" ± "), "{loss:?}");
    // half a quarter wave of strip changes little, and what it changes is stated
    assert_eq!(loss[6].split(" of ").count(), 2, "{loss:?}");
    let (within, all) = loss[6].split_once(" of ").expect("counted");
    assert_eq!(within, all, "{loss:?}");
    let changes = grid("What one standard deviation does");
    for row in &changes.rows {
        let (line, field) = row[2].split_once(" / ").expect("both");
        let [line, field] = [line, field].map(|x| x.parse::<f64>().expect("a number"));
        assert!((line - field).abs() < 0.02 + 0.3 * line.abs(), "{row:?}");
    }
}
