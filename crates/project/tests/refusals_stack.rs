//! Mistakes in stack, sections, layouts and field solutions are refused with place, expectation and a way out.

use mixwright_project::demo;
use mixwright_project::design::Design;
use std::path::Path;

/// Replaces the first `from` of the demonstration with field solutions by `to`; the first line of the refusal must
/// be `expected`, with `LINE` standing for the line on which `to` begins, shifted by `below`.
#[track_caller]
fn check(from: &str, to: &str, below: usize, expected: &str) {
    let text = demo::FULL_TEXT;
    let at = text.find(from).unwrap_or_else(|| panic!("`{from}` is not in the file"));
    let changed = text.replacen(from, to, 1);
    let line = text[..at].matches('\n').count() + 1 + below;
    let refusal = match Design::parse("d.toml", &changed, Path::new("")) {
        Ok(_) => panic!("accepted: {to}"),
        Err(error) => error.to_string(),
    };
    let expected = expected.replace("LINE", &line.to_string());
    assert!(refusal.lines().any(|l| l == expected), "\n--- found\n{refusal}\n--- expected\n{expected}\n");
}

#[test]
fn materials() {
    check(
        "conductivity = \"41 MS/m\"",
        "conductivity = \"41 S\"",
        0,
        "d.toml:LINE:16: `conductivity`: `41 S` has unit `S`; conductivity is written with one of S/m, kS/m, MS/m; write for example \"1.5 kS/m\"",
    );
    check(
        "permittivity = 3.80",
        "permittivity = 0.38",
        0,
        "d.toml:LINE:16: `permittivity` is 0.38, below that of vacuum; a permittivity is 1 or more",
    );
    check(
        "permittivity = 3.80",
        "permitivity = 3.80",
        0,
        "d.toml:LINE:1: `permitivity` is not a key of `stackup.material.silica`; did you mean `permittivity`?",
    );
}

#[test]
fn layers() {
    check(
        "material = \"silica\"",
        "material = \"silika\"",
        0,
        "d.toml:LINE:12: there is no dielectric `silika` among the materials; did you mean `silica`?",
    );
    check(
        "kind = \"ground\"",
        "kind = \"grund\"",
        0,
        "d.toml:LINE:8: `kind` cannot be `grund`; did you mean `ground`?",
    );
    check(
        "thickness_range = [\"5 um\", \"40 um\"]",
        "thickness_range = [\"20 um\", \"40 um\"]",
        0,
        "d.toml:LINE:19: `thickness` is 15 um, outside `thickness_range`; write a thickness the process offers, or widen the range",
    );
    check(
        "name = \"film1\"",
        "name = \"base\"",
        0,
        "d.toml:LINE:1: two layers are called `base`; names must differ; correct the layers; they stand bottom up, ground first, lid last",
    );
    check(
        "thickness_sd = \"2.5 %\"",
        "thickness_sd = \"-2.5 %\"",
        0,
        "d.toml:LINE:16: `thickness_sd` must be zero or above; check the sign and the number",
    );
}

#[test]
fn film_capacitors() {
    check(
        "film = \"film1\"",
        "film = \"film3\"",
        0,
        "d.toml:LINE:8: there is no dielectric layer `film3` in the stack; did you mean `film1`?",
    );
    check(
        "size = [\"39.0 um\", \"38.95 um\"]",
        "size = [\"39.0 um\"]",
        0,
        "d.toml:LINE:8: `size` has 1 values, expected length and width; write two lengths",
    );
}

#[test]
fn layouts() {
    check(
        "width = \"lower\"",
        "width = \"lowr\"",
        0,
        "d.toml:LINE:9: `width`: there is no variable `lowr`; did you mean `lower`?",
    );
    check(
        "width = \"lower\"",
        "width = \"40\"",
        0,
        "d.toml:LINE:9: `width`: `40` has no unit; length is written with one of nm, um, mm, m; write a sum of lengths and variables, for example \"2*section + 120 um\"",
    );
    check(
        "layer = \"M1\"\nwidth = \"lower\"",
        "layer = \"M3\"\nwidth = \"lower\"",
        0,
        "d.toml:LINE:9: there is no metal layer `M3` in the stack; did you mean `M1`?",
    );
    check("mirrored = \"y\"", "mirrored = \"z\"", 0, "d.toml:LINE:12: `mirrored` cannot be `z`; known here: x, y");
}

#[test]
fn solutions() {
    check(
        "layout = \"balun\"",
        "layout = \"ballun\"",
        0,
        "d.toml:LINE:10: there is no layout `ballun`; did you mean `balun`?",
    );
    check(
        "variables = { section = \"1.510 mm\" }",
        "variables = { sektion = \"1.510 mm\" }",
        0,
        "d.toml:LINE:15: layout `balun` has no variable `sektion`; did you mean `section`?",
    );
    check(
        "[\"inner 1\", \"a+\"]",
        "[\"inner 9\", \"a+\"]",
        0,
        "d.toml:LINE:6: layout `balun` has no port `inner 9`; did you mean `inner 1`?",
    );
    // the complaint points at the list, three lines above
    let text = demo::FULL_TEXT.replacen("    [\"inner 1\", \"a+\"],\n", "", 1);
    let refusal = Design::parse("d.toml", &text, Path::new("")).expect_err("a port is left").to_string();
    let help = "connect every port; an unused one to a resistor";
    assert!(refusal.contains(&format!("port inner 1 of layout `balun` is not connected; {help}")), "{refusal}");
}
