//! Layouts of the design file: drawn from variables, as made, written as mask data, checked, shown.

use mixwright_project::design::{Design, LayoutText};
use mixwright_project::field::{draw, solution};
use mixwright_project::{demo, spec};
use proof::{CheckValue, Origin};
use stackup::{LayerMap, PortPlace, Rule, read_gds};
use std::path::Path;

fn full() -> Design {
    Design::parse(demo::FULL_FILE, demo::FULL_TEXT, Path::new("")).unwrap_or_else(|e| panic!("{e}"))
}

fn balun(design: &Design) -> &LayoutText {
    design.layouts.first().expect("it has a layout")
}

fn check(what: &str, found: f64, expected: f64) {
    let origin = Origin::Derived { how: "dimensions of the demonstration design" };
    let because = "sums of lengths in double precision";
    CheckValue { what, expected, within: 1e-12 + 1e-9 * expected.abs(), because, origin }.check(found);
}

#[test]
fn a_variable_moves_everything_that_names_it() {
    let design = full();
    for (section, length_um) in [(None, 1510.0), (Some(1.87e-3), 1870.0)] {
        let changed: Vec<(String, f64)> = section.map(|x| ("section".to_string(), x)).into_iter().collect();
        let layout = draw::layout(&design, balun(&design), &changed).expect("drawable");
        let bounds = |name: &str| layout.shapes.iter().find(|s| s.name == name).expect("drawn").polygon.bounds();
        let (low, high) = bounds("lower 1");
        check("lower strip ends half a gap from the centre", high[0], -60e-6);
        check("and is a section long", (high[0] - low[0]) * 1e6, length_um);
        let (low, high) = bounds("upper");
        check("upper strip", (high[0] - low[0]) * 1e6, 2.0 * length_um + 120.0);
        check("its width", high[1] - low[1], 32e-6);
        check("box", layout.enclosure.high[0] * 1e6, 60.0 + length_um + 250.0);
        assert_eq!(layout.ports.len(), 5);
    }
    // by the name of the number too
    let moved = design.moved(&[("balun.section", 1.6e-3)]).expect("a number of the design");
    let layout = draw::layout(&moved, balun(&moved), &[]).expect("drawable");
    check("moved box", layout.enclosure.high[0] * 1e6, 60.0 + 1600.0 + 250.0);
}

#[test]
fn ports_stand_in_the_order_of_the_nodes_and_the_metal_is_as_made() {
    let design = full().moved(&[("M2.width_bias", 2e-6), ("M2.registration_y", 3e-6)]).expect("known");
    let tasks = solution::tasks(&design).expect("drawable");
    assert_eq!(tasks.len(), 2);
    let lo = &tasks[0];
    let names: Vec<&str> = lo.structure.ports.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["in", "outer 1", "inner 1", "inner 2", "outer 2"]);
    let upper = lo.layout.shapes.iter().find(|s| s.layer == "M2").expect("drawn");
    let (low, high) = upper.polygon.bounds();
    check("grown width", (high[1] - low[1]) * 1e6, 34.0);
    check("shifted", 0.5 * (high[1] + low[1]) * 1e6, 3.0);
    let PortPlace::Gap { plus, .. } = &lo.layout.ports[0].place else { panic!("an internal port") };
    check("the port went with its layer", 0.5 * (plus.edge[0][1] + plus.edge[1][1]) * 1e6, 3.0);
    // another structure is another result; the same one is not
    assert_ne!(lo.key(), tasks[1].key());
    assert_eq!(lo.key(), solution::tasks(&design).expect("drawable")[0].key());
    assert_ne!(lo.key(), solution::tasks(&full()).expect("drawable")[0].key());
}

#[test]
fn an_unsolved_structure_says_what_to_run_and_nothing_starts_unasked() {
    let error = full().mixer().expect_err("not solved").to_string();
    assert!(error.starts_with("solution `LO_balun` is not computed yet (about "), "{error}");
    assert!(error.ends_with("run `mixwright field` on this design first"), "{error}");
}

#[test]
fn mask_data_hold_the_drawn_metal() {
    let design = full();
    let layout = draw::layout(&design, balun(&design), &[]).expect("drawable");
    let bytes = draw::mask_data(&design, &layout).expect("every layer has a number");
    let map: Vec<LayerMap> = design.technology.as_ref().expect("a stack").layer_map.clone();
    let read = read_gds(&bytes, &map).expect("our own file");
    assert_eq!(read.structure, "balun");
    assert_eq!(read.shapes.len(), layout.shapes.len());
    for layer in ["M1", "M2"] {
        let area = |shapes: &[stackup::Shape]| -> f64 {
            shapes.iter().filter(|s| s.layer == layer).map(|s| s.polygon.area_m2() * 1e12).sum()
        };
        assert!((area(&read.shapes) - area(&layout.shapes)).abs() < 1.0, "{layer}: below a square micrometre");
    }
}

#[test]
fn a_broken_rule_is_marked_where_it_is_broken() {
    let mut design = full();
    assert!(
        draw::broken_rules(&design, &draw::layout(&design, balun(&design), &[]).expect("drawn"))
            .expect("known")
            .is_empty()
    );
    design = design.moved(&[("balun.gap", 10e-6)]).expect("known");
    let layout = draw::layout(&design, balun(&design), &[]).expect("drawable");
    let broken = draw::broken_rules(&design, &layout).expect("known layers");
    // in the middle of the facing edges and at their ends
    assert!(!broken.is_empty());
    for violation in &broken {
        assert!(matches!(&violation.rule, Rule::Space { layer, .. } if layer == "M1"), "{violation:?}");
        check("found, um", violation.found_m * 1e6, 10.0);
    }
    let plan = draw::plan(&design, &layout, &broken);
    let mark = plan.marks.iter().find(|m| m.name.contains("space 10.0 µm")).expect("marked");
    assert!(mark.at.0.abs() < 6.0, "in the gap: {mark:?}");
}

#[test]
fn the_section_picture_shows_the_layers_at_their_heights() {
    let design = full();
    let layout = draw::layout(&design, balun(&design), &[]).expect("drawable");
    let section = draw::section(&design, &layout, 0.0).expect("a good stack").expect("it has one");
    let heights = |name: &str| -> (f64, f64) {
        let layer: &spec::DrawingLayer = section.layers.iter().find(|l| l.name == name).expect("shown");
        let z = || layer.outlines.iter().flatten().map(|p| p.1);
        (z().fold(f64::INFINITY, f64::min), z().fold(f64::NEG_INFINITY, f64::max))
    };
    for (name, low, high) in
        [("base", 200.0 - 1.5 * 21.0, 200.0), ("M1", 200.0, 203.0), ("M2", 218.0, 221.0), ("film1", 200.0, 218.0)]
    {
        let found = heights(name);
        check(name, found.0, low);
        check(name, found.1, high);
    }
    let m1 = section.layers.iter().find(|l| l.name == "M1").expect("shown");
    assert_eq!(m1.outlines.len(), 2, "both lower strips are cut");
    assert!(draw::section(&design, &layout, 390e-6).expect("good").expect("one").layers.iter().all(|l| l.name != "M1"));
}
