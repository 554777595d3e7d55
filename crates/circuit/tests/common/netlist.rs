//! Netlists of the steady-state cases, read from `tests/data/steady_netlists.json`.
//!
//! Conventions of the data: `tline` nodes are `[a, a reference, b, b reference]`, `cline` nodes
//! `[a1, a2, b1, b2]` over ground, diodes `[anode, cathode]`.

use mixwright_circuit::{Access, Circuit, CoupledPair, Line};
use serde_json::Value;

/// All cases with their circuits, in the order of the file.
pub(crate) fn steady_cases() -> Vec<(String, Circuit)> {
    let text = include_str!("../data/steady_netlists.json");
    let cases: Value = serde_json::from_str(text).expect("test data");
    cases.as_array().expect("a list").iter().map(|case| (text_of(&case["id"]).to_owned(), circuit(case))).collect()
}

fn circuit(case: &Value) -> Circuit {
    let mut c = Circuit::new();
    for e in case["netlist"].as_array().expect("a list") {
        let id = text_of(&e["id"]);
        let nodes = || -> Vec<&str> { e["nodes"].as_array().expect("nodes").iter().map(text_of).collect() };
        let two = || -> [&str; 2] { nodes().try_into().expect("two nodes") };
        let four = || -> [&str; 4] { nodes().try_into().expect("four nodes") };
        let number = |key: &str| e[key].as_f64().expect("a number");
        match text_of(&e["type"]) {
            "port" => _ = c.add_port(id, two(), number("R0")),
            "R" => _ = c.add_resistor(id, two(), number("R")),
            "L" => _ = c.add_inductor(id, two(), number("L")),
            "C" => _ = c.add_capacitor(id, two(), number("C")),
            "tline" => _ = c.add_line(id, four(), Line::lossless(number("Z0"), number("delay"))),
            "cline" => {
                c.add_coupled_pair(id, four(), CoupledPair::new(number("Z0e"), number("Z0o"), number("delay")));
            }
            "diode" => {
                let access = Access { rs_ohm: number("rs_ohm"), ..Access::default() };
                c.add_diode(id, two()[0], two()[1], access);
            }
            "xfmr" => {
                let windings: Vec<([&str; 2], f64)> = e["windings"]
                    .as_array()
                    .expect("windings")
                    .iter()
                    .map(|w| ([text_of(&w["nodes"][0]), text_of(&w["nodes"][1])], w["turns"].as_f64().expect("turns")))
                    .collect();
                c.add_transformer(id, &windings);
            }
            other => panic!("no such part: {other}"),
        }
    }
    c
}

fn text_of(value: &Value) -> &str {
    value.as_str().expect("a text")
}
