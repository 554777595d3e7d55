//! From the design file to the mixer: two roads agree, the demonstration is passive, closed forms hold.

use mixwright_project::design::Design;
use mixwright_project::{Quiet, demo, files, review};
use network::FrequencyResponse;
use numerics::{Complex64, linear};
use proof::{CheckValue, Origin};
use quantity::Severity;
use spec::{Measure, PortName, Reading};
use std::path::{Path, PathBuf};

fn circuit_demo() -> Design {
    Design::parse(demo::CIRCUIT_FILE, demo::CIRCUIT_TEXT, Path::new("")).unwrap_or_else(|e| panic!("{e}"))
}

/// A fresh folder for one test.
fn folder(name: &str) -> PathBuf {
    let folder = std::env::temp_dir().join(format!("mixwright-{name}-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder for the test");
    folder
}

#[test]
fn the_demonstration_creates_no_power() {
    let passive = circuit_demo().passive_at_pads().expect("the demonstration compiles");
    assert_eq!(passive.n_ports(), 7);
    for freq_hz in [0.0, 1e6, 2e9, 5e9, 20e9, 23e9, 26e9, 28e9, 56e9, 84e9, 140e9, 500e9] {
        let s = passive.scattering(freq_hz).expect("a solution");
        let sigma = linear::singular_values(&s).expect("finite")[0];
        assert!(sigma <= 1.0 + 1e-9, "singular value {sigma} at {freq_hz} Hz"); // rounding of a 7 by 7 product
        for i in 0..7 {
            for j in 0..i {
                let defect = (s[(i, j)] - s[(j, i)]).norm();
                assert!(defect < 1e-9, "reciprocity defect {defect:.1e} at {freq_hz} Hz"); // rounding
            }
        }
    }
}

#[test]
fn direct_current_from_the_if_port_reaches_the_rf_diode_terminals_only() {
    // The IF tap is a direct connection from the IF port to b+ and b-; a+ and a- are grounded by vias; LO and RF
    // primaries end open. So at direct current LO and RF reflect fully, and the junctions see the IF port alone.
    let s = circuit_demo().passive_at_pads().expect("compiles").scattering(0.0).expect("a solution");
    for port in [0, 1] {
        assert!(
            (s[(port, port)] - Complex64::new(1.0, 0.0)).norm() < 1e-9,
            "port {port} is not open: {}",
            s[(port, port)]
        );
    }
    // D1 a+ -> b+ and D4 b- -> a+ lie between ground and IF with opposite signs
    assert!((s[(2, 3)] + s[(2, 6)]).norm() < 1e-9 && s[(2, 3)].norm() > 0.1, "{} {}", s[(2, 3)], s[(2, 6)]);
}

#[test]
fn circuit_and_network_file_are_the_same_mixer() {
    let folder = folder("two-roads");
    files::write_demo(&folder).expect("the demonstration is written");
    let n_bytes = std::fs::metadata(folder.join(demo::NETWORK_DATA_FILE)).expect("written").len();
    assert!(n_bytes < 2_000_000, "{n_bytes} bytes"); // what a mail and an editor take without complaint
    let by_file = files::read_design(&folder.join(demo::NETWORK_FILE)).unwrap_or_else(|e| panic!("{e}"));
    let (by_file, by_parts) = (by_file.mixer().expect("a mixer"), circuit_demo().mixer().expect("a mixer"));
    std::fs::remove_dir_all(&folder).expect("the folder is ours");
    for freq_hz in [2e9, 8e9, 20e9, 23.5e9, 28e9, 56e9, 84e9] {
        // frequencies of the file: only its digits and the passivity repair lie between the two
        let (a, b) = (by_parts.embedding.scattering(freq_hz), by_file.embedding.scattering(freq_hz));
        let (a, b) = (a.expect("a solution"), b.expect("a solution"));
        for i in 0..7 {
            for j in 0..7 {
                let apart = (a[(i, j)] - b[(i, j)]).norm();
                assert!(apart < 1e-7, "S{}{} differs by {apart:.1e} at {freq_hz} Hz", i + 1, j + 1);
            }
        }
    }
    assert!(!by_file.alternatives.is_empty() && by_parts.alternatives.is_empty());
    let warnings: Vec<_> = by_file.findings.iter().filter(|f| f.severity == Severity::Warning).collect();
    assert!(warnings.is_empty(), "the file starts at zero and is fine enough: {warnings:?}");
}

#[test]
fn a_line_from_the_file_has_its_delay_and_loss() {
    let text = r#"format = 1
name = "line"
temperature = "300 K"
[plan]
lo = "10 GHz"
lo_level = "0 dBm"
[[plan.seat]]
name = "r"
direction = "down"
input = ["11 GHz", "12 GHz"]
input_level = "-20 dBm"
output = ["1 GHz", "2 GHz"]
[diode.D]
IS = "1 pA"
RS = "1 ohm"
CJ0 = "1 fF"
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
[[circuit.line]]
name = "line"
nodes = ["lo", "rf"]
impedance = "50 ohm"
length = "10 mm"
permittivity = 4
attenuation = "0.1 dB/mm"
attenuation_at = "4 GHz"
[[circuit.diode]]
name = "D1"
model = "D"
anode = "if"
cathode = "0"
"#;
    let design = Design::parse("line.toml", text, Path::new("")).unwrap_or_else(|e| panic!("{e}"));
    let s = design.passive_at_pads().expect("compiles").scattering(16e9).expect("a solution");
    CheckValue {
        what: "loss of a matched 10 mm line, 0.1 dB/mm at 4 GHz, at 16 GHz, dB",
        expected: 2.0,
        within: 1e-9,
        because: "closed form",
        origin: Origin::Derived { how: "0.1 dB/mm · 10 mm · √(16/4)" },
    }
    .check(-20.0 * s[(1, 0)].norm().log10());
    let turns = 16e9 * 0.010 * 2.0 / 299_792_458.0;
    CheckValue {
        what: "phase of the same line, turns",
        expected: 0.0,
        within: 1e-9,
        because: "closed form",
        origin: Origin::Derived { how: "f·l·√ε/c modulo one turn" },
    }
    .check(
        (-s[(1, 0)].arg() / std::f64::consts::TAU - turns)
            .rem_euclid(1.0)
            .min(1.0 - (-s[(1, 0)].arg() / std::f64::consts::TAU - turns).rem_euclid(1.0)),
    );
}

fn value(readings: &[Reading], measure: Measure) -> f64 {
    readings.iter().find(|r| r.measure == measure).unwrap_or_else(|| panic!("no {}", measure.key())).value
}

#[test]
fn a_template_ring_is_balanced_and_loses_more_than_the_ideal_switch() {
    let text = include_str!("data/template.toml").to_owned()
        + "\n[review]\nanchors = 2\npoints = 2\nspur_orders = { lo = 2, input = 2 }\n";
    let design = Design::parse("template.toml", &text, Path::new("")).unwrap_or_else(|e| panic!("{e}"));
    let review = review::run(&design, &Quiet).unwrap_or_else(|e| panic!("{e}"));
    let loss = value(&review.summary, Measure::ConversionLoss);
    // 20 log10(π/2) = 3.92 dB: loss of ideal switches between broadband resistances; the upper limit only says
    // that the diodes do pump
    assert!(loss > 3.922 && loss < 8.0, "conversion loss {loss} dB");
    let measure = Measure::Isolation { from: PortName::Lo, to: PortName::Rf };
    let isolation = review.summary.iter().find(|r| r.measure == measure).expect("in the summary");
    // equal diodes and ideal baluns isolate by symmetry without limit: what is said is the floor, as a bound
    assert!(isolation.quality.is_bound && isolation.value >= 60.0, "{isolation:?}");
}

#[test]
fn a_continuation_the_data_do_not_carry_is_a_remark_not_a_failure() {
    // one matched port at two frequencies: enough for simple continuations, too little for a rational model
    let folder = folder("short-file");
    std::fs::write(folder.join("short.s1p"), "# GHz S RI R 50\n1 0 0\n2 0 0\n").expect("written");
    let text = include_str!("data/template.toml").split("[circuit]").next().expect("a head").to_owned()
        + r#"
[circuit]
port = [
  { role = "lo", nodes = ["lo", "0"], resistance = "50 ohm" },
  { role = "rf", nodes = ["rf", "0"], resistance = "50 ohm" },
  { role = "if", nodes = ["if", "0"], resistance = "50 ohm" },
]
resistor = [{ name = "R1", nodes = ["rf", "lo"], resistance = "50 ohm" }]
diode = [{ name = "D1", model = "D", anode = "lo", cathode = "if" }]
block = [{ name = "B", file = "short.s1p", nodes = ["lo"], continuation = "matched" }]
"#;
    let design = Design::parse("short.toml", &text, &folder).unwrap_or_else(|e| panic!("{e}"));
    let mixer = design.mixer();
    std::fs::remove_dir_all(&folder).expect("the folder is ours");
    let mixer = mixer.unwrap_or_else(|e| panic!("{e}"));
    let remarks: Vec<_> = mixer.findings.iter().filter(|f| f.place == "continued data").collect();
    let others = network::Continuation::ALL.len() - 1;
    assert_eq!(mixer.alternatives.len() + remarks.len(), others, "{remarks:?}");
    assert!(remarks.iter().any(|f| f.text.contains("`rational`")), "{remarks:?}");
}
