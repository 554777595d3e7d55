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
    check(
        "lo = \"10 GHz\"",
        "lo = 10 GHz",
        r#"ring.toml:6:6: string values must be quoted, expected literal string; correct the TOML text; values with units stand in quotes"#,
    );
}

#[test]
fn unknown_key() {
    check(
        "lo_level = ",
        "lo_levl = ",
        r#"ring.toml:5:1: `plan` has no `lo_level`; add `lo_level = "1.5 dBm"` with your own power level
ring.toml:7:1: `lo_levl` is not a key of `plan`; did you mean `lo_level`?"#,
    );
}

#[test]
fn missing_unit() {
    check(
        "\"10 GHz\"",
        "\"10\"",
        r#"ring.toml:6:6: `lo`: `10` has no unit; frequency is written with one of Hz, kHz, MHz, GHz, THz; write the unit behind the number, for example "10 MHz""#,
    );
}

#[test]
fn bare_number() {
    check(
        "\"10 GHz\"",
        "10e9",
        r#"ring.toml:6:6: `lo` is the bare number 10e9; frequency is written in quotes with one of Hz, kHz, MHz, GHz, THz; write for example "10e9 Hz""#,
    );
}

#[test]
fn wrong_unit() {
    check(
        "RS = \"5 ohm\"",
        "RS = \"5 pF\"",
        r#"ring.toml:24:6: `RS`: `5 pF` has unit `pF`; resistance is written with one of mohm, ohm, kohm, Mohm; write for example "1.5 kohm""#,
    );
}

#[test]
fn wrong_case_of_unit() {
    check(
        "\"10 GHz\"",
        "\"10 ghz\"",
        r#"ring.toml:6:6: `lo`: `10 ghz` has unit `ghz`; frequency is written with one of Hz, kHz, MHz, GHz, THz (did you mean `GHz`?); write `GHz`"#,
    );
}

#[test]
fn not_a_number() {
    check(
        "\"25 degC\"",
        "\"nan degC\"",
        r#"ring.toml:3:15: `temperature`: `nan degC` is not a finite temperature; write number and unit, for example "1.5 degC""#,
    );
}

#[test]
fn impossible_temperature() {
    check(
        "\"25 degC\"",
        "\"-300 degC\"",
        r#"ring.toml:3:15: `temperature` must be above zero; check the sign and the number"#,
    );
}

#[test]
fn impossible_diode_parameter() {
    check(
        "N = 1.08",
        "N = 1.08\nFC = 1.2",
        r#"ring.toml:24:6: `FC` of diode `D` is 1.2e0, expected 0 to 0.999; the power law is infinite at FC = 1; choose 0.5 to 0.95, it is a part of VJ"#,
    );
}

#[test]
fn band_that_runs_down() {
    check(
        "[\"+7 dBm\", \"+13 dBm\"]",
        "[\"+13 dBm\", \"+7 dBm\"]",
        r#"ring.toml:8:18: `lo_level_range` runs from 13 dBm to 7 dBm, which is not upwards; write the lower end first"#,
    );
}

#[test]
fn bands_that_do_not_belong_together() {
    check(
        "[\"0.5 GHz\", \"2 GHz\"]",
        "[\"0.5 GHz\", \"3 GHz\"]",
        r#"ring.toml:15:10: the RF band and the LO give an IF of none (RF below the LO) or 500 MHz to 2 GHz (RF above), not 500 MHz to 3 GHz; correct the LO, the input or the output band"#,
    );
}

#[test]
fn unknown_measure() {
    check(
        "\"conversion_loss\"",
        "\"conversion_los\"",
        r#"ring.toml:18:11: `conversion_los` is not a measure; did you mean `conversion_loss`?"#,
    );
}

#[test]
fn limit_in_the_wrong_unit() {
    check(
        "\"7 dB\"",
        "\"7 dBm\"",
        r#"ring.toml:19:11: `at_most`: `7 dBm` has unit `dBm`; power ratio is written with one of dB; write for example "1.5 dB""#,
    );
}

#[test]
fn unknown_model() {
    check("model = \"D\"", "model = \"E\"", r#"ring.toml:53:9: there is no diode model `E`; known here: D"#);
}

#[test]
fn reversed_diode() {
    check(
        "anode = \"c\"\ncathode = \"d\"",
        "anode = \"d\"\ncathode = \"c\"",
        r#"ring.toml:66:9: diode `D3` is reversed against the other three of its ring; swap its nodes: `anode = "c"`, `cathode = "d"`"#,
    );
}

#[test]
fn floating_node() {
    check(
        "[\"lo\", \"0\"], [\"a\", \"0\"]",
        "[\"lo1\", \"0\"], [\"a\", \"0\"]",
        r#"ring.toml:29:10: node `lo` leads nowhere: only the LO port is connected to it; did you mean `lo1`? else connect something to it, or write `open` for an end that is meant to be open
ring.toml:44:14: node `lo1` leads nowhere: only `LO balun` is connected to it; did you mean `lo`? else connect something to it, or write `open` for an end that is meant to be open"#,
    );
}

#[test]
fn part_without_ground() {
    check(
        "[[circuit.diode]]",
        "[[circuit.capacitor]]\nname = \"C1\"\nnodes = [\"x\", \"y\"]\ncapacitance = \"1 pF\"\n\n[[circuit.resistor]]\nname = \"R1\"\nnodes = [\"x\", \"y\"]\nresistance = \"1 kohm\"\n\n[[circuit.diode]]",
        r#"ring.toml:53:10: no path leads from nodes x, y to ground; ground one of them (node `0`), for example at a centre tap; direct currents need a return"#,
    );
}

#[test]
fn port_without_reference_node() {
    check(
        "nodes = [\"lo\", \"0\"]",
        "nodes = [\"lo\"]",
        r#"ring.toml:29:9: this port has a signal node but no reference node; write signal node and reference node, for example `nodes = ["lo", "0"]`"#,
    );
}

#[test]
fn port_without_reference_resistance() {
    check(
        "nodes = [\"rf\", \"0\"]\nresistance = \"50 ohm\"",
        "nodes = [\"rf\", \"0\"]",
        r#"ring.toml:32:1: this port has no reference resistance; add `resistance = "50 ohm"`; it terminates the port and is the reference of its levels"#,
    );
}

#[test]
fn port_given_twice() {
    check(
        "role = \"rf\"",
        "role = \"lo\"",
        r#"ring.toml:28:8: the circuit has no RF port; add a `[[circuit.port]]` with `role = "rf"`
ring.toml:33:8: the circuit has a second LO port; keep one port for each role"#,
    );
}

#[test]
fn duplicate_name() {
    check(
        "name = \"D2\"",
        "name = \"D1\"",
        r#"ring.toml:58:8: the name `D1` is used twice; give every part a name of its own"#,
    );
}

#[test]
fn wrong_number_of_turns() {
    check(
        "turns = [1, 1, 1]",
        "turns = [1, 1]",
        r#"ring.toml:49:9: `turns` has 2 values for 3 windings; write one number a winding"#,
    );
}

#[test]
fn wrong_port_count_of_a_block() {
    check(
        "[[circuit.diode]]",
        "[[circuit.block]]\nname = \"filter\"\nfile = \"filter.s3p\"\nnodes = [\"a\", \"b\"]\ncontinuation = \"matched\"\n\n[[circuit.diode]]",
        r#"ring.toml:52:8: block `filter` names `filter.s3p`, which is not beside the design file; correct the name, or put the file there
ring.toml:54:1: `filter.s3p` is a 3-port by its name, but 2 nodes are given; write 3 nodes in the order of the ports; a port that is not used goes to a resistor"#,
    );
}

#[test]
fn block_without_continuation() {
    let words = network::Continuation::ALL.map(|c| format!("\"{}\"", c.name()));
    check(
        "[[circuit.diode]]",
        "[[circuit.block]]\nname = \"filter\"\nfile = \"filter.s2p\"\nnodes = [\"a\", \"b\"]\n\n[[circuit.diode]]",
        &format!(
            "ring.toml:51:1: this block does not say how it continues beyond its last frequency; add `continuation` with one of {}",
            words.join(", ")
        ),
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
    check(
        "[[circuit.diode]]",
        lines,
        r#"ring.toml:56:15: `capacitance` is not positive definite, so it would give energy away; the coupling between two conductors must be smaller than the geometric mean of their own values"#,
    );
}

#[test]
fn shorted_part() {
    check(
        "anode = \"b\"\ncathode = \"c\"",
        "anode = \"b\"\ncathode = \"b\"",
        r#"ring.toml:61:11: both ends of `D2` are on node `b`; correct one of the two nodes, or leave the part out"#,
    );
}

#[test]
fn missing_key() {
    check(
        "CJ0 = \"60 fF\"\n",
        "",
        r#"ring.toml:21:8: `diode.D` has no `CJ0`; add `CJ0 = "1.5 nF"` with your own capacitance"#,
    );
}

#[test]
fn newer_format() {
    check("format = 1", "format = 2", r#"ring.toml:1:10: `format` is 2; expected 1; write 1"#);
}

#[test]
fn wrong_type() {
    check(
        "name = \"receiver\"",
        "name = 7",
        r#"ring.toml:11:8: `name` must be a text in quotes, found a whole number; write a text in quotes here"#,
    );
}

#[test]
fn requirement_without_limit() {
    check(
        "at_most = \"7 dB\"\n",
        "",
        r#"ring.toml:17:1: this requirement has no limit; add `at_most`, `at_least`, or `within` for both signs"#,
    );
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
