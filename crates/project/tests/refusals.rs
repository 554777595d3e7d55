//! Every kind of mistake in a design file is refused with line, column, expectation, finding and a way out.
//!
//! Each case changes one place of a small correct file and pins the whole text of the refusal.

use mixwright_project::design::{Design, ProblemKind};
use std::path::Path;

/// A small correct file: a ring with ideal transformers. Line numbers below refer to it.
const CORRECT: &str = r#"format = 1
name = "small ring"
temperature = "25 degC"

[plan]
lo = "10 GHz"
lo_level = "+10 dBm"
lo_level_range = ["+7 dBm", "+13 dBm"]

[[plan.seat]]
name = "receiver"
direction = "down"
input = ["10.5 GHz", "12 GHz"]
input_level = "-10 dBm"
output = ["0.5 GHz", "2 GHz"]

[[require]]
measure = "conversion_loss"
at_most = "7 dB"

[diode.D]
IS = "0.1 pA"
N = 1.08
RS = "5 ohm"
CJ0 = "60 fF"

[[circuit.port]]
role = "lo"
nodes = ["lo", "0"]
resistance = "50 ohm"

[[circuit.port]]
role = "rf"
nodes = ["rf", "0"]
resistance = "50 ohm"

[[circuit.port]]
role = "if"
nodes = ["if", "0"]
resistance = "50 ohm"

[[circuit.transformer]]
name = "LO balun"
windings = [["lo", "0"], ["a", "0"], ["0", "c"]]

[[circuit.transformer]]
name = "RF balun"
windings = [["rf", "0"], ["b", "if"], ["if", "d"]]
turns = [1, 1, 1]

[[circuit.diode]]
name = "D1"
model = "D"
anode = "a"
cathode = "b"

[[circuit.diode]]
name = "D2"
model = "D"
anode = "b"
cathode = "c"

[[circuit.diode]]
name = "D3"
model = "D"
anode = "c"
cathode = "d"

[[circuit.diode]]
name = "D4"
model = "D"
anode = "d"
cathode = "a"
"#;

fn refusal(text: &str) -> String {
    match Design::parse("ring.toml", text, Path::new("")) {
        Ok(_) => panic!("accepted:\n{text}"),
        Err(error) => error.to_string(),
    }
}

/// Replaces the first `from` by `to` in the correct file and compares the whole refusal.
#[track_caller]
fn check(from: &str, to: &str, expected: &str) {
    assert!(CORRECT.contains(from), "`{from}` is not in the correct file");
    let found = refusal(&CORRECT.replacen(from, to, 1));
    assert_eq!(found, expected, "\n--- found\n{found}\n--- expected\n{expected}\n");
}

#[test]
fn the_correct_file_is_accepted() {
    Design::parse("ring.toml", CORRECT, Path::new("")).unwrap_or_else(|e| panic!("{e}"));
}

#[test]
fn syntax() {
    check("lo = \"10 GHz\"", "lo = 10 GHz", "");
}

#[test]
fn unknown_key() {
    check("lo_level = ", "lo_levl = ", "");
}

#[test]
fn missing_unit() {
    check("\"10 GHz\"", "\"10\"", "");
}

#[test]
fn bare_number() {
    check("\"10 GHz\"", "10e9", "");
}

#[test]
fn wrong_unit() {
    check("RS = \"5 ohm\"", "RS = \"5 pF\"", "");
}

#[test]
fn wrong_case_of_unit() {
    check("\"10 GHz\"", "\"10 ghz\"", "");
}

#[test]
fn not_a_number() {
    check("\"25 degC\"", "\"nan degC\"", "");
}

#[test]
fn impossible_temperature() {
    check("\"25 degC\"", "\"-300 degC\"", "");
}

#[test]
fn impossible_diode_parameter() {
    check("N = 1.08", "N = 1.08\nFC = 1.2", "");
}

#[test]
fn band_that_runs_down() {
    check("[\"+7 dBm\", \"+13 dBm\"]", "[\"+13 dBm\", \"+7 dBm\"]", "");
}

#[test]
fn bands_that_do_not_belong_together() {
    check("[\"0.5 GHz\", \"2 GHz\"]", "[\"0.5 GHz\", \"3 GHz\"]", "");
}

#[test]
fn unknown_measure() {
    check("\"conversion_loss\"", "\"conversion_los\"", "");
}

#[test]
fn limit_in_the_wrong_unit() {
    check("\"7 dB\"", "\"7 dBm\"", "");
}

#[test]
fn unknown_model() {
    check("model = \"D\"", "model = \"E\"", "");
}

#[test]
fn reversed_diode() {
    check("anode = \"c\"\ncathode = \"d\"", "anode = \"d\"\ncathode = \"c\"", "");
}

#[test]
fn floating_node() {
    check("[\"lo\", \"0\"], [\"a\", \"0\"]", "[\"lo1\", \"0\"], [\"a\", \"0\"]", "");
}

#[test]
fn part_without_ground() {
    check(
        "[[circuit.diode]]",
        "[[circuit.capacitor]]\nname = \"C1\"\nnodes = [\"x\", \"y\"]\ncapacitance = \"1 pF\"\n\n[[circuit.resistor]]\nname = \"R1\"\nnodes = [\"x\", \"y\"]\nresistance = \"1 kohm\"\n\n[[circuit.diode]]",
        "",
    );
}

#[test]
fn port_without_reference_node() {
    check("nodes = [\"lo\", \"0\"]", "nodes = [\"lo\"]", "");
}

#[test]
fn port_without_reference_resistance() {
    check("nodes = [\"rf\", \"0\"]\nresistance = \"50 ohm\"", "nodes = [\"rf\", \"0\"]", "");
}

#[test]
fn port_given_twice() {
    check("role = \"rf\"", "role = \"lo\"", "");
}

#[test]
fn duplicate_name() {
    check("name = \"D2\"", "name = \"D1\"", "");
}

#[test]
fn wrong_number_of_turns() {
    check("turns = [1, 1, 1]", "turns = [1, 1]", "");
}

#[test]
fn wrong_port_count_of_a_block() {
    check(
        "[[circuit.diode]]",
        "[[circuit.block]]\nname = \"filter\"\nfile = \"filter.s3p\"\nnodes = [\"a\", \"b\"]\ncontinuation = \"hold\"\n\n[[circuit.diode]]",
        "",
    );
}

#[test]
fn block_without_continuation() {
    check(
        "[[circuit.diode]]",
        "[[circuit.block]]\nname = \"filter\"\nfile = \"filter.s2p\"\nnodes = [\"a\", \"b\"]\n\n[[circuit.diode]]",
        "",
    );
}

#[test]
fn matrix_that_gives_energy_away() {
    let lines = r#"[[circuit.coupled_lines]]
name = "pair"
near = ["a", "b"]
far = ["c", "d"]
length = "1 mm"
capacitance = [["100 pF/m", "-120 pF/m"], ["-120 pF/m", "100 pF/m"]]
inductance = [["700 nH/m", "500 nH/m"], ["500 nH/m", "700 nH/m"]]

[[circuit.diode]]"#;
    check("[[circuit.diode]]", lines, "");
}

#[test]
fn shorted_part() {
    check("anode = \"b\"\ncathode = \"c\"", "anode = \"b\"\ncathode = \"b\"", "");
}

#[test]
fn missing_key() {
    check("CJ0 = \"60 fF\"\n", "", "");
}

#[test]
fn newer_format() {
    check("format = 1", "format = 2", "");
}

#[test]
fn wrong_type() {
    check("name = \"receiver\"", "name = 7", "");
}

#[test]
fn requirement_without_limit() {
    check("at_most = \"7 dB\"\n", "", "");
}

#[test]
fn all_problems_of_a_file_are_reported_at_once() {
    let text = CORRECT
        .replace("\"10 GHz\"", "\"10\"")
        .replace("RS = ", "R_S = ")
        .replacen("model = \"D\"", "model = \"Q\"", 1)
        .replace("direction = \"down\"", "direction = \"sideways\"");
    let error = Design::parse("ring.toml", &text, Path::new("")).expect_err("four mistakes");
    let kinds: Vec<ProblemKind> = error.problems.iter().map(|p| p.kind).collect();
    let places: Vec<usize> = error.problems.iter().map(|p| error.line_and_column(p).0).collect();
    use ProblemKind::*;
    assert_eq!(kinds, [Quantity, UnknownWord, MissingKey, UnknownKey, UnknownName], "{error}");
    assert_eq!(places, [6, 12, 21, 24, 53]);
}
