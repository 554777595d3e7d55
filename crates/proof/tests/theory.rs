//! Every number of `data/theory.json` that a function of this crate can give, one by one.

use mixwright_proof::circuit::{DiodeParameters, K_OVER_Q, THERMAL_VOLTAGE_V};
use mixwright_proof::theory::drive::{Exponential, two_tone_line};
use mixwright_proof::theory::noise::{Correlation, OutputNoise};
use mixwright_proof::theory::resistive::{Image, minimum_loss, pulse_coefficient};
use mixwright_proof::theory::special::bessel_i_scaled;
use mixwright_proof::theory::{balance, compression, db, db20, noise, reactive, spurs, switch, temperature};
use mixwright_proof::{CheckValue, Origin, theory};
use num_complex::Complex64;
use serde_json::Value;
use std::f64::consts::PI;

/// Entries without a function here, and why.
const ELSEWHERE: [&str; 8] = [
    "C5",  // tests/ring.rs
    "J1",  // tests/ring.rs
    "J3",  // tests/ring.rs
    "J3b", // tests/ring.rs
    "J4",  // tests/ring.rs
    "K1",  // tests/collocation.rs
    "D3",  // a fit to one set of measurements: a plausibility band, not a law
    "G6",  // bookkeeping of frequencies, belongs to the frequency plan
];

/// Numbers in a text, in order.
fn numbers(text: &str) -> Vec<f64> {
    let mut found = Vec::new();
    for part in text.split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-')) {
        found.extend(part.trim_end_matches('.').parse::<f64>().ok());
    }
    found
}

fn integers(text: &str) -> Vec<u32> {
    let digits = text.split(|c: char| !c.is_ascii_digit());
    digits.filter_map(|part| part.parse().ok()).collect()
}

/// Checks all expected numbers of the entries whose id starts with `letter`.
fn check_section(letter: char, found: &dyn Fn(&str, &str) -> Option<f64>) {
    let root: Value = serde_json::from_str(theory::CHECKS_JSON).expect("the check values are JSON");
    let mut n_checked = 0;
    for entry in root["checks"].as_array().expect("a list of checks") {
        let id = entry["id"].as_str().expect("an id");
        if !id.starts_with(letter) || ELSEWHERE.contains(&id) {
            continue;
        }
        // Origins live as long as the program, so the text of the entry is given away.
        let how =
            format!("{id}: {}. {}", entry["formula"].as_str().unwrap_or(""), entry["source"].as_str().unwrap_or(""));
        let origin = Origin::Derived { how: how.leak() };
        for row in entry["expected"].as_array().expect("expected numbers") {
            let name = row["name"].as_str().expect("a name");
            let expected = row["value"].as_f64().expect("a number");
            let relative = row["tol_rel"].as_f64().map(|t| t * expected.abs());
            let within = row["tol_abs"].as_f64().into_iter().chain(relative).fold(0.0, f64::max);
            let within = if within == 0.0 { 1e-12 * expected.abs().max(1.0) } else { within };
            let what = format!("{id} {name} {}", row["unit"].as_str().unwrap_or(""));
            let value = found(id, name).unwrap_or_else(|| panic!("{what}: no function gives this number"));
            let because = "tolerance stated with the number";
            CheckValue { what: &what, expected, within, because, origin }.check(value);
            n_checked += 1;
        }
    }
    assert!(n_checked > 0, "section {letter} has numbers");
}

#[test]
fn a_exponential_junction_and_bessel_harmonics() {
    check_section('A', &|id, name| {
        let junction = Exponential { is_a: 1e-13, slope_v: 1.08 * THERMAL_VOLTAGE_V };
        let n = integers(name);
        let scaled = |k: u32| bessel_i_scaled(k, 10.0);
        let sum = |terms: &dyn Fn(u32) -> f64| (0..=60).map(|k| terms(k) * scaled(k)).sum::<f64>();
        Some(match (id, name) {
            ("A1", _) => bessel_i_scaled(n[1], f64::from(n[0])),
            ("A2", "I0-2I2+2I4-...") => {
                let alternate = |k: u32| match (k, k % 4) {
                    (0, _) => 1.0,
                    (_, 0) => 2.0,
                    (_, 2) => -2.0,
                    _ => 0.0,
                };
                sum(&alternate) * 10f64.exp()
            }
            ("A2", name) if name.contains("sum Ik") => sum(&|k| if k == 0 { 1.0 } else { 2.0 }),
            ("A2", _) => sum(&|k| f64::from(2 * (k % 2))) * 10f64.exp() / 10f64.sinh(),
            ("A3", "Idc") => junction.harmonic_current(0.3, 0.3, 0),
            ("A3", name) if name.starts_with('g') => junction.harmonic_conductance(0.3, 0.3, n[0]),
            ("A3", _) => junction.harmonic_current(0.3, 0.3, n[0]),
            ("A4", name) => {
                let k = if name.contains("g0-g2") { 1 } else { 2 };
                let g = |k| junction.harmonic_conductance(0.3, 0.3, k);
                0.3 * (g(k - 1) - g(k + 1)) / (f64::from(k) * junction.harmonic_current(0.3, 0.3, k))
            }
            ("A5", name) => junction.self_bias(*numbers(name).last()?),
            ("A6", _) => two_tone_line(8.0, 1.0, n[0], n[1]),
            ("A7", "i at e=+1.0 V") => junction.series_current(56.0, 1.0),
            ("A7", "Idc") => junction.series_harmonic(56.0, 0.0, 1.0, 0, 4096),
            ("A7", _) => junction.series_harmonic(56.0, 0.0, 1.0, n[0], 4096),
            _ => return None,
        })
    });
}

#[test]
fn b_switching_mixers() {
    check_section('B', &|id, name| {
        let n = integers(name);
        let last = numbers(name).last().copied();
        let loss = |k| db(switch::commutator_loss(k));
        Some(match (id, name) {
            ("B1", "2/pi") => switch::commutator_loss(1).sqrt().recip(),
            ("B1", _) if n.len() == 2 => loss(n[0]) - loss(n[1]),
            ("B1", _) => loss(n[0]),
            ("B2", "limit") => {
                // The tail beyond N falls as 4/(pi^2 N) + O(N^-3), N the first even number left out.
                let n_max = 200_001;
                switch::commutator_power_share(n_max) + 4.0 / (PI * PI * f64::from(n_max + 1))
            }
            ("B2", name) if name.starts_with("partial") => switch::commutator_power_share(n[0]),
            // With everything terminated the input is the load seen through all products.
            ("B2", _) => switch::commutator_power_share(200_001) + 4.0 / (PI * PI * 200_002.0) - 1.0,
            ("B3", _) => db(switch::single_switch_loss()),
            ("B4", _) => -db20(switch::ramp_factor(1, last?)),
            ("B5", _) => db(switch::loss_with_on_resistance(50.0, 50.0, last? / 2.0)),
            ("B6", "RL/R at minimum") => 0.5 * (PI / 2.0).powi(2),
            ("B6", "RF VSWR at minimum") => 1.0 / switch::input_with_equal_image(0.5),
            ("B6", "L minimum") => db(switch::loss_with_equal_image(0.5)),
            ("B6", _) => db(switch::loss_with_equal_image(last?)),
            ("B7", "RL for match") => 50.0 * (PI / 2.0).powi(2),
            ("B7", "L") => db(switch::loss_with_reactive_image(50.0, 50.0 * (PI / 2.0).powi(2))),
            ("B7", _) => db(switch::loss_with_reactive_image(50.0, 50.0)),
            _ => return None,
        })
    });
}

#[test]
fn b6_is_the_minimum_over_the_load() {
    let at = |p: f64| switch::loss_with_equal_image(p);
    assert!(at(0.5) < at(0.499) && at(0.5) < at(0.501));
}

#[test]
fn c_three_frequency_resistive_mixers() {
    check_section('C', &|id, name| {
        let image = [("short", Image::Short), ("open", Image::Open), ("match", Image::Matched)];
        let image = image.iter().find(|(word, _)| name.contains(word)).map(|(_, image)| *image)?;
        let g: [f64; 3] = match id {
            "C4" => std::array::from_fn(|k| pulse_coefficient(k as u32, numbers(name)[0])),
            _ => {
                let x = [("C1", 5.0), ("C2", 10.0), ("C3", 20.0)].iter().find(|(key, _)| *key == id)?.1;
                std::array::from_fn(|k| bessel_i_scaled(k as u32, x) / bessel_i_scaled(0, x))
            }
        };
        let minimum = minimum_loss(g[0], g[1], g[2], image);
        Some(if name.starts_with("Gs") { minimum.source_s } else { db(minimum.loss) })
    });
}

#[test]
fn d_parasitics() {
    let diode = DiodeParameters {
        is_a: 0.0,
        n: 1.0,
        rs_ohm: 0.0,
        cj0_f: 30e-15,
        vj_v: 0.75,
        m: 0.5,
        fc: 0.5,
        tt_s: 0.0,
        breakdown: None,
    };
    check_section('D', &|id, name| {
        let f_hz = 1e9 * numbers(name).iter().copied().find(|x| *x >= 10.0).unwrap_or(30.0);
        let (rs, c) = (6.0, 50e-15);
        let best = 1.0 / (2.0 * PI * f_hz * c);
        let last = numbers(name).last().copied();
        Some(match (id, name) {
            ("D1", "fc") => reactive::cutoff_hz(rs, c) / 1e9,
            ("D1", name) if name.starts_with("L1 at") => db(reactive::parasitic_loss(rs, 150.0, c, f_hz)),
            ("D1", name) if name.starts_with("Rj opt") => best,
            ("D1", _) => db(reactive::parasitic_loss(rs, best, c, f_hz)),
            ("D2", "P_total/P_Rj") => reactive::parasitic_loss_by_circuit(rs, 150.0, c, 30e9),
            ("D2", _) => reactive::parasitic_loss(rs, 150.0, c, 30e9),
            ("D4", name) if name.starts_with('C') => reactive::depletion(&diode, last?).1 * 1e15,
            ("D4", _) => reactive::depletion(&diode, last?).0 * 1e15,
            _ => return None,
        })
    });
}

fn three_frequency_of_e1(t_source: f64, t_junction: f64, correlation: Correlation) -> OutputNoise {
    let g: [f64; 3] = std::array::from_fn(|k| bessel_i_scaled(k as u32, 10.0) / bessel_i_scaled(0, 10.0));
    noise::three_frequency(g, 0.2, t_source, t_junction, correlation)
}

#[test]
fn e_noise() {
    check_section('E', &|id, name| {
        let full = three_frequency_of_e1(290.0, 1.15 * 150.0, Correlation::Full);
        let q = 1.602_176_634e-19;
        let values = numbers(name);
        let n = values.last().copied().unwrap_or(1.0);
        let loss = 10f64.powf(values.iter().rev().nth(1).copied().unwrap_or(0.0) / 10.0);
        Some(match (id, name) {
            ("E1", "Ls (available)") => db(full.loss_signal),
            ("E1", "Li") => db(full.loss_image),
            ("E1", "T_out from correlation matrix") => full.temperature_k,
            ("E1", name) if name.contains("attenuator") => {
                noise::attenuator_temperature(full.loss_signal, full.loss_image, 1.15 * 150.0, 290.0)
            }
            ("E1", _) => three_frequency_of_e1(290.0, 1.15 * 150.0, Correlation::DiagonalOnly).temperature_k,
            ("E2", _) => three_frequency_of_e1(300.0, 300.0, Correlation::Full).temperature_k,
            ("E3", name) if name.starts_with("T_M image same") => noise::mixer_temperature(loss, n, 300.0, 2.0),
            ("E3", name) if name.starts_with("T_M") => noise::mixer_temperature(loss, n, 300.0, 1.0),
            ("E3", name) if name.starts_with("NF_SSB") => {
                db(noise::ssb_noise_figure_image_matched(loss, n, 300.0, 290.0))
            }
            ("E3", _) => db(noise::noise_figure_image_reactive(loss, n, 300.0, 290.0)),
            ("E4", "T_SSB") => noise::ssb_temperature(500.0),
            ("E4", "F_DSB") => db(noise::noise_figure(500.0, 290.0, 1.0)),
            ("E4", "F_SSB (IEEE)") => db(noise::noise_figure(noise::ssb_temperature(500.0), 290.0, 2.0)),
            ("E4", _) => db(noise::noise_figure(noise::ssb_temperature(500.0), 290.0, 1.0)),
            ("E5", "S_i(V=0)") => 4.0 * q * 1e-9,
            ("E5", _) => 4.0 * 1.380_649e-23 * 300.0 * 1e-9 / (n * THERMAL_VOLTAGE_V),
            ("E6", _) => db(noise::cascade_noise_figure(10f64.powf(0.6), n, 10f64.powf(0.15))),
            _ => return None,
        })
    });
}

#[test]
fn f_reactive_mixers() {
    check_section('F', &|id, name| {
        Some(match (id, name) {
            ("F1", "G up 1->21 GHz") => db(reactive::up_converter_gain_limit(1e9, 21e9)),
            ("F1", "G down 21->1 GHz") => db(reactive::up_converter_gain_limit(21e9, 1e9)),
            ("F1", _) => db(reactive::up_converter_gain_limit(10e9, 30e9)),
            ("F2", "Gin USB") => reactive::pumped_capacitor_input(10e-15, 1e9, 21e9, 0.02, true),
            ("F2", "Gin LSB") => reactive::pumped_capacitor_input(10e-15, 1e9, 19e9, 0.02, false),
            ("F2", _) => reactive::up_converter_gain_limit(1e9, 21e9),
            ("F3", _) => db(reactive::lossy_up_converter_gain(25.0, 10.0)),
            _ => return None,
        })
    });
}

#[test]
fn g_intermodulation_products() {
    check_section('G', &|id, name| {
        let n = integers(name);
        Some(match (id, name) {
            ("G1", _) => spurs::rectifier_coefficient(n[0], n[1], 0.5),
            ("G2", name) if name.starts_with("example") => {
                spurs::rectifier_constant_db(n[0], n[1]) - 20.0 * f64::from(n[1] - 1)
            }
            ("G2", _) => spurs::rectifier_constant_db(n[0], n[1]),
            ("G4", name) if name.starts_with("2x2") => 10f64.powf(spurs::balanced_ring_line_db(2, 2, 8.0, 0.4) / 20.0),
            ("G4", _) => spurs::balanced_ring_line_db(n[0], n[1], 8.0, 0.4),
            ("G5", name) => {
                let (n_lo, n_rf) = if name.starts_with("LO leak") { (1, 0) } else { (n[0], n[1]) };
                spurs::unbalanced_ring_line_db(n_lo, n_rf, 8.0, 0.4, 0.1)
            }
            _ => return None,
        })
    });
}

#[test]
fn g2b_the_commutator_form_is_worse_by_the_rf_order() {
    let difference = spurs::commutator_constant_db(1, 3) - spurs::rectifier_constant_db(1, 3);
    CheckValue {
        what: "G2b over G2 at 1 LO x 3 RF, dB",
        expected: 9.542_425_094_393_248,
        within: 1e-12,
        because: "20 log10 3",
        origin: Origin::Derived { how: "derivative of the commutator by RF order m brings a factor m" },
    }
    .check(difference);
}

#[test]
fn h_compression_and_intercept() {
    check_section('H', &|id, name| {
        let tanh_1db = compression::tanh_compression_amplitude();
        Some(match (id, name) {
            ("H1", "IIP3-IP1dB") => compression::cubic_intercept_over_compression_db(),
            ("H1", "OIP3-OP1dB") => compression::cubic_intercept_over_compression_db() + 1.0,
            ("H1", "A_1dB^2 a3/a1") => compression::cubic_compression_squared(),
            ("H1", _) => -compression::third_order_level_db(30.0, 0.0) / 2.0,
            ("H2", "IM3") => compression::third_order_level_db(15.0, -10.0),
            ("H2", "CTB-IM3") => db20(2.0),
            ("H2", _) => db20(1.0 / 3.0),
            ("H3", "A_IIP3") => (4.0f64 / 3.0 / (1.0 / 3.0)).sqrt(),
            ("H3", "A_1dB") => tanh_1db,
            ("H3", _) => db20(2.0 / tanh_1db),
            ("H4", "gR of IM3 null") => {
                // The sign changes between these two.
                let (below, above) = (0.5 - 1e-7, 0.5 + 1e-7);
                let third = compression::third_order_of_series_diode;
                assert!(third(below) > 0.0 && third(above) < 0.0);
                0.5 * (below + above)
            }
            ("H4", name) => compression::third_order_of_series_diode(*numbers(name).last()?),
            _ => return None,
        })
    });
}

#[test]
fn i_imbalance() {
    check_section('I', &|id, name| {
        let values = numbers(name);
        let (a, p) = (values.first().copied().unwrap_or(0.0), values.last().copied().unwrap_or(0.0));
        let one = Complex64::new(0.3, 0.0);
        let two = Complex64::from_polar(0.3 * 10f64.powf(-0.5 / 20.0), 8f64.to_radians());
        Some(match (id, name) {
            ("I1", _) => balance::image_rejection_db(a, p),
            ("I2", name) if name.starts_with("leak") => balance::balun_leak_db(a, p),
            ("I2", _) => balance::balun_rejection_db(a, p),
            ("I3", "isolation") => balance::hybrid_db(one, two).0,
            ("I3", _) => balance::hybrid_db(one, two).1,
            ("I4", _) => balance::pair_residue_db(p),
            _ => return None,
        })
    });
}

#[test]
fn k_equilibrium_of_a_pumped_resistor() {
    // K4: diode of K1 without charge, 50 ohm in series, +5 dBm; conductance from the exact waveform.
    let junction = Exponential { is_a: 5e-14, slope_v: 1.1 * THERMAL_VOLTAGE_V };
    let peak = (8.0 * 50.0 * 10f64.powf(-2.5)).sqrt();
    let n_points = 8192;
    let g: Vec<f64> = (0..=48)
        .map(|k| {
            let term = |j: usize| {
                let phase = 2.0 * PI * j as f64 / n_points as f64;
                let current = junction.series_current(56.0, peak * phase.cos());
                (current + junction.is_a) / junction.slope_v * (f64::from(k) * phase).cos()
            };
            (0..n_points).map(term).sum::<f64>() / n_points as f64
        })
        .collect();
    let (output, ratio) = noise::equilibrium(&g, 24, 56.0, 6.0);
    check_section('K', &|_, name| Some(if name == "ratio" { ratio } else { output }));
}

#[test]
fn l_temperature() {
    check_section('L', &|id, name| {
        let current = |t: f64| temperature::saturation_current(1e-13, 1.05, 0.69, 2.0, 300.15, t);
        let voltage = |t: f64| temperature::forward_voltage(current(t), 1.05, t, 1e-3);
        let last = numbers(name).last().copied();
        let (q, k, h, m_e) = (1.602_176_634e-19, 1.380_649e-23, 6.626_070_15e-34, 9.109_383_701_5e-31);
        // A/m²/K² to A/cm²/K².
        let richardson = 4.0 * PI * q * m_e * k * k / (h * h * h) * 1e-4;
        Some(match (id, name) {
            ("L1", _) => current(last?),
            ("L2", name) if name.starts_with("dV") => (voltage(358.15) - voltage(298.15)) / 60.0 * 1e3,
            ("L2", _) => voltage(last?),
            ("L3", "A (free electron)") => richardson,
            ("L3", name) if name.starts_with("A*") => richardson * 0.067,
            ("L3", name) if name.starts_with("Is (") => 5e-8 * 8.0 * 9e4 * (-0.8 / THERMAL_VOLTAGE_V).exp(),
            ("L3", _) => (0.01 / THERMAL_VOLTAGE_V).exp(),
            ("L4", _) => K_OVER_Q * last? * 1e3,
            _ => return None,
        })
    });
}
