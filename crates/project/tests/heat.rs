//! Self-heating: the temperature found is the one a calculation by hand gives; without it nothing changes.

use diode::{Device, SchottkyParameters};
use mixwright_project::design::Design;
use mixwright_project::{ErrorKind, Quiet};
use proof::{CheckValue, Origin};
use std::f64::consts::TAU;
use std::path::Path;

/// A resistive diode across the LO port: at every moment a case of direct current.
fn design(extra: &str) -> Design {
    let text = format!(
        r#"format = 1
name = "one diode"
temperature = "300 K"
[plan]
lo = "1 GHz"
lo_level = "+16 dBm"
[[plan.seat]]
name = "r"
direction = "down"
input = ["1.1 GHz", "1.2 GHz"]
input_level = "-20 dBm"
output = ["0.1 GHz", "0.2 GHz"]
[diode.D]
IS = "50 fA"
N = 1.2
RS = "4 ohm"
CJ0 = "0 fF"
{extra}
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
[[circuit.resistor]]
name = "R1"
nodes = ["rf", "0"]
resistance = "50 ohm"
[[circuit.resistor]]
name = "R2"
nodes = ["if", "0"]
resistance = "50 ohm"
[[circuit.diode]]
name = "D1"
model = "D"
anode = "lo"
cathode = "0"
"#
    );
    Design::parse("diode.toml", &text, Path::new("")).unwrap_or_else(|e| panic!("{e}"))
}

/// Mean power at a junction temperature: `v + (50 + 4)·i(v) = e(t)` moment by moment.
fn power_w(parameters: &SchottkyParameters, temp_k: f64) -> f64 {
    let junction = parameters.at_temperature(temp_k).expect("in range");
    let open_v = (8.0 * 50.0 * 1e-3 * 10f64.powf(1.6)).sqrt();
    let n = 4000;
    let power = |k: usize| {
        let wave = open_v * (TAU * (k as f64 + 0.5) / n as f64).cos();
        let v = junction.voltage_of_wave(wave, 54.0, 0.0);
        let i = junction.at(v).current_a;
        v * i + 4.0 * i * i
    };
    (0..n).map(power).sum::<f64>() / n as f64
}

fn bisect(mut low: f64, mut high: f64, is_above: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if is_above(middle) { high = middle } else { low = middle }
    }
    0.5 * (low + high)
}

#[test]
fn the_junction_is_where_heating_and_cooling_balance() {
    let design = design("thermal_resistance = \"3000 K/W\"");
    let mixer = design.mixer_in_operation(&Quiet).expect("it settles");
    let parameters = &design.models[0].parameters;
    let expected = bisect(300.0, 800.0, |t| t > 300.0 + 3000.0 * power_w(parameters, t));
    let current_a = mixer.devices[0].at(0.6).current_a; // rises by several percent a kelvin: a thermometer
    let found = bisect(300.0, 800.0, |t| parameters.at_temperature(t).expect("in range").at(0.6).current_a > current_a);
    assert!(expected > 310.0, "the case shall heat, found {expected} K");
    CheckValue {
        what: "junction temperature of one resistive diode, 3000 K/W, +16 dBm, K",
        expected,
        within: 0.03,
        because: "0.01 K is left by the rounds, the rest by harmonics of the power above the 24th",
        origin: Origin::Derived { how: "T = 300 K + Rth·P(T) by bisection, P(T) moment by moment" },
    }
    .check(found);
    let note = mixer.findings.iter().find(|f| f.place == "self-heating").expect("a note");
    let said =
        note.text.split("D1 ").nth(1).and_then(|rest| rest.split(' ').next()).and_then(|t| t.parse::<f64>().ok());
    let said = said.unwrap_or_else(|| panic!("no temperature in: {}", note.text));
    assert!((said - found).abs() < 0.01, "{found} K, but the note says {}", note.text); // two digits are written
}

#[test]
fn no_thermal_resistance_changes_nothing() {
    let cold = design("").mixer().expect("a mixer");
    for extra in ["", "thermal_resistance = \"0 K/W\""] {
        let mixer = design(extra).mixer_in_operation(&Quiet).expect("a mixer");
        let bits = |m: &mixwright_project::mixer::Mixer| m.devices[0].at(0.6).current_a.to_bits();
        assert_eq!(bits(&mixer), bits(&cold), "{extra}");
        assert_eq!(mixer.findings, cold.findings, "{extra}");
    }
}

#[test]
fn runaway_is_refused_with_the_name_of_the_diode() {
    let error = design("thermal_resistance = \"100 K/mW\"").mixer_in_operation(&Quiet).expect_err("too hot");
    assert_eq!(error.kind(), ErrorKind::NotConverged);
    let text = error.to_string();
    assert!(text.starts_with("diode `D1`: self-heating does not settle"), "{text}");
}
