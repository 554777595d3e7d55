//! From the text of a steady-case file to [`Case`].
//!
//! The files are part of this crate, so a surprise in them is our own mistake: it panics, naming the
//! case and what was expected.

use super::*;
use crate::circuit::{Breakdown, DiodeParameters, Kind, Tone, Winding, watt_of_dbm};
use serde_json::Value;

/// Reads one file.
pub(super) fn case(name: &str, text: &str) -> Case {
    let root: Value = serde_json::from_str(text).unwrap_or_else(|error| panic!("{name}: {error}"));
    let elements: Vec<Element> = list(&root["netlist"]).iter().map(element).collect();
    let wanted = wanted_product(name);
    let points = list(&root["points"]).iter().map(|p| point(p, &elements)).collect();
    let voltage_drive = list(&root["voltage_drive_closed_form"])
        .iter()
        .map(|row| VoltageDrive {
            v0_v: number(&row["V0"]),
            v1_v: number(&row["V1"]),
            current_a: list(&row["I_0_to_10"]).iter().map(number).collect(),
        })
        .collect();
    Case {
        id: text_of(&root["id"]),
        title: text_of(&root["title"]),
        elements,
        f0_hz: number(&root["f0_Hz"]),
        wanted,
        points,
        voltage_drive,
    }
}

fn wanted_product(name: &str) -> (i32, i32) {
    match &name[..6] {
        "case12" => (-2, 1),
        "case13" => (1, 1),
        _ => (-1, 1),
    }
}

fn element(row: &Value) -> Element {
    let two = || pair(&row["nodes"]);
    let kind = match row["type"].as_str().unwrap_or("") {
        "port" => Kind::Port {
            nodes: two(),
            r_ohm: number(&row["R0"]),
            index: number(&row["index"]) as usize,
            vdc_v: number(&row["Vdc"]),
            tones: list(&row["tones"]).iter().map(tone).collect(),
        },
        "R" => Kind::Resistor { nodes: two(), ohm: number(&row["R"]) },
        "L" => Kind::Inductor { nodes: two(), henry: number(&row["L"]) },
        "C" => Kind::Capacitor { nodes: two(), farad: number(&row["C"]) },
        "xfmr" => Kind::Transformer {
            windings: list(&row["windings"])
                .iter()
                .map(|w| Winding { nodes: pair(&w["nodes"]), turns: number(&w["turns"]) })
                .collect(),
        },
        "tline" => Kind::Line { nodes: four(&row["nodes"]), z_ohm: number(&row["Z0"]), delay_s: number(&row["delay"]) },
        "cline" => Kind::CoupledLine {
            nodes: four(&row["nodes"]),
            z_even_ohm: number(&row["Z0e"]),
            z_odd_ohm: number(&row["Z0o"]),
            delay_s: number(&row["delay"]),
        },
        "diode" => Kind::Diode { nodes: two(), parameters: diode(&row["model"]) },
        other => panic!("expected a known element type, found `{other}` in {row}"),
    };
    Element { id: text_of(&row["id"]), kind }
}

fn tone(row: &Value) -> Tone {
    Tone {
        name: text_of(&row["name"]),
        f_hz: number(&row["f"]),
        available_w: watt_of_dbm(number(&row["P_dBm"])),
        phase_rad: number(&row["phase_deg"]).to_radians(),
    }
}

fn diode(model: &Value) -> DiodeParameters {
    let breakdown =
        model["BV"].as_f64().map(|bv_v| Breakdown { bv_v, ibv_a: number(&model["IBV"]), nbv: number(&model["NBV"]) });
    DiodeParameters {
        is_a: number(&model["IS"]),
        n: number(&model["N"]),
        rs_ohm: number(&model["RS"]),
        cj0_f: number(&model["CJ0"]),
        vj_v: number(&model["VJ"]),
        m: number(&model["M"]),
        fc: number(&model["FC"]),
        tt_s: number(&model["TT"]),
        breakdown,
    }
}

/// Frequencies and levels that a point puts in place of those of the file.
struct Drive {
    f_hz: Option<f64>,
    dbm: Option<f64>,
    off: bool,
}

fn point(row: &Value, template: &[Element]) -> Point {
    let inputs = &row["inputs"];
    let label = text_of(&row["label"]);
    let lo = Drive { f_hz: line_frequency(row, 1, 0), dbm: inputs["P_LO_dBm"].as_f64(), off: false };
    // A level that is a text ("-> 0") or absent beside a small-signal block means: RF off.
    let rf_dbm = inputs["P_RF_dBm"].as_f64();
    let rf_off = rf_dbm.is_none() && row.get("sweep").is_none();
    let rf = Drive { f_hz: line_frequency(row, 0, 1), dbm: rf_dbm, off: rf_off };
    let mut elements = template.to_vec();
    if label.starts_with("no LC") {
        elements.retain(|e| e.id != "Li" && e.id != "Ci");
    }
    for element in &mut elements {
        apply(element, inputs, &lo, &rf);
    }
    Point {
        f_lo_hz: tone_frequency(&elements, 1).expect("port 1 carries the LO"),
        f_rf_hz: tone_frequency(&elements, 2),
        lo_dbm: lo.dbm,
        rf_dbm,
        terminations_k: inputs["terminations_K"].as_f64(),
        metrics: metrics(&row["metrics"]),
        spurs: list(&row["spurs_IF"]).iter().map(spur).collect(),
        small_signal: row.get("small_signal").map(small_signal),
        compression: row.get("sweep").map(|sweep| compression(row, sweep)),
        junction_powers: list(&row["junction_powers"]).iter().map(junction_power).collect(),
        theorem: entries(&row["theorem"]).filter_map(|(k, v)| Some((k.clone(), v.as_f64()?))).collect(),
        label,
        elements,
    }
}

/// The frequency of a fundamental as its row in the spur table states it: some points of a file are
/// tuned elsewhere than its netlist.
fn line_frequency(row: &Value, m: i64, n: i64) -> Option<f64> {
    let line = list(&row["spurs_IF"]).iter().find(|s| s["m"] == m && s["n"] == n)?;
    Some((number(&line["f_GHz"]) * 1e9).round())
}

fn tone_frequency(elements: &[Element], port: usize) -> Option<f64> {
    elements.iter().find_map(|e| match &e.kind {
        Kind::Port { index, tones, .. } if *index == port => tones.first().map(|t| t.f_hz),
        _ => None,
    })
}

fn apply(element: &mut Element, inputs: &Value, lo: &Drive, rf: &Drive) {
    match &mut element.kind {
        Kind::Port { index, tones, .. } => {
            let drive = match index {
                1 => lo,
                2 => rf,
                _ => return,
            };
            for tone in tones {
                tone.f_hz = drive.f_hz.unwrap_or(tone.f_hz);
                tone.available_w = drive.dbm.map_or(tone.available_w, watt_of_dbm);
                if drive.off {
                    tone.available_w = 0.0;
                }
            }
        }
        Kind::Diode { parameters, .. } => {
            parameters.n = inputs["N"].as_f64().unwrap_or(parameters.n);
            parameters.rs_ohm = inputs["RS"].as_f64().unwrap_or(parameters.rs_ohm);
            parameters.cj0_f = inputs["CJ0"].as_f64().unwrap_or(parameters.cj0_f);
        }
        _ => {}
    }
}

fn metrics(node: &Value) -> BTreeMap<String, Expected> {
    let mut found = BTreeMap::new();
    for (name, value) in entries(node) {
        match expected(value) {
            Some(number) => drop(found.insert(name.clone(), number)),
            None => {
                for (inner, value) in entries(value) {
                    if let Some(number) = expected(value) {
                        found.insert(format!("{name}/{inner}"), number);
                    }
                }
            }
        }
    }
    found
}

fn expected(node: &Value) -> Option<Expected> {
    if let Some(value) = node.as_f64() {
        return Some(Expected::Value { value, rounding: digits_rounding(value, 7), diff: 0.0 });
    }
    let diff = node["diff"].as_f64().unwrap_or(0.0);
    if let Some(above) = node["above"].as_f64() {
        return Some(Expected::Above(above));
    }
    if let Some(below) = node["below"].as_f64() {
        return Some(Expected::Below(below));
    }
    if let Some(mag) = node["mag"].as_f64() {
        let rounding = digits_rounding(mag, number(&node["digits"]) as i32);
        return Some(Expected::Phasor { mag, phase_deg: number(&node["phase_deg"]), rounding, diff });
    }
    if let Some(value) = node["value"].as_f64() {
        let rounding = match node["decimals"].as_i64() {
            Some(decimals) => 0.5 * 10f64.powi(-(decimals as i32)),
            None => digits_rounding(value, number(&node["digits"]) as i32),
        };
        return Some(Expected::Value { value, rounding, diff });
    }
    node.get("value").map(|_| Expected::Unsettled)
}

fn digits_rounding(value: f64, digits: i32) -> f64 {
    if value == 0.0 {
        return 0.0;
    }
    0.5 * 10f64.powi(value.abs().log10().floor() as i32 + 1 - digits)
}

fn spur(row: &Value) -> Spur {
    let dbc = match (row["dBc"].as_f64(), row["below_dBc"].as_f64()) {
        (Some(value), _) => Expected::Value { value, rounding: 0.5e-5, diff: number(&row["diff_dB"]) },
        (None, Some(below)) => Expected::Below(below),
        (None, None) => Expected::Unsettled,
    };
    Spur {
        m: number(&row["m"]) as i32,
        n: number(&row["n"]) as i32,
        f_hz: number(&row["f_GHz"]) * 1e9,
        dbc,
        quasi_periodic_dbc: row["quasi_periodic_dBc"].as_f64(),
        shared_bin_dbc: row["shared_bin_dBc"].as_f64(),
        phase_deg: row["phase_deg"].as_f64(),
    }
}

fn small_signal(block: &Value) -> SmallSignal {
    let value = |name: &str| expected(&block[name]).unwrap_or(Expected::Unsettled);
    let noise = entries(&block["noise"])
        .map(|(shot, row)| Noise {
            shot: shot.clone(),
            f_ssb_db_excluding_load: expected(&row["F_SSB_dB_excluding_IF_load_at_fIF"]).unwrap_or(Expected::Unsettled),
            f_ssb_db_including_load: expected(&row["F_SSB_dB_including_IF_load_at_fIF"]).unwrap_or(Expected::Unsettled),
            contributions: metrics(&row["contributions_V2_per_Hz_across_IF_load"]),
        })
        .collect();
    SmallSignal {
        f_if_hz: number(&block["f_IF_Hz"]),
        conversion_gain_rf_to_if_db: value("conversion_gain_RF_to_IF_dB"),
        conversion_gain_image_to_if_db: value("conversion_gain_image_to_IF_dB"),
        gamma_if: value("Gamma_IF_at_fIF"),
        gamma_rf: value("Gamma_RF_at_fRF"),
        matrix: list(&block["matrix"]).iter().map(scattering_entry).collect(),
        noise,
    }
}

fn scattering_entry(row: &Value) -> ScatteringEntry {
    ScatteringEntry {
        port_out: number(&row[0]) as usize,
        k_out: number(&row[1]) as i32,
        port_in: number(&row[2]) as usize,
        k_in: number(&row[3]) as i32,
        re: number(&row[4]),
        im: number(&row[5]),
        diff: number(&row[6]),
    }
}

fn compression(row: &Value, sweep: &Value) -> Compression {
    let value = |node: &Value| expected(node).unwrap_or(Expected::Unsettled);
    Compression {
        small_signal_gain_db: value(&row["small_signal_gain_dB"]),
        sweep: list(sweep).iter().map(|s| (number(&s["P_RF_dBm"]), value(&s["conversion_gain_dB"]))).collect(),
        p1db_dbm: value(&row["input_P1dB_dBm"]),
    }
}

fn junction_power(row: &Value) -> JunctionPower {
    JunctionPower {
        m: number(&row["m"]) as i32,
        n: number(&row["n"]) as i32,
        watt: expected(&row["P_into_C_W"]).unwrap_or(Expected::Unsettled),
    }
}

fn number(node: &Value) -> f64 {
    node.as_f64().unwrap_or_else(|| panic!("expected a number, found {node}"))
}

fn text_of(node: &Value) -> String {
    node.as_str().unwrap_or_else(|| panic!("expected a text, found {node}")).to_owned()
}

fn list(node: &Value) -> &[Value] {
    node.as_array().map_or(&[], Vec::as_slice)
}

fn entries(node: &Value) -> impl Iterator<Item = (&String, &Value)> {
    node.as_object().into_iter().flatten()
}

fn pair(node: &Value) -> [String; 2] {
    [text_of(&node[0]), text_of(&node[1])]
}

fn four(node: &Value) -> [String; 4] {
    [text_of(&node[0]), text_of(&node[1]), text_of(&node[2]), text_of(&node[3])]
}
