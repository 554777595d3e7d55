//! Check values of uncertainty, decibel errors, analyser errors, tolerance bounds and curve likeness.
//!
//! The numbers stand in `data/checks.json`; each group below says where they come from.

use measurement::analyser::{self, OnePort, Residuals};
use measurement::bound::{self, Sides};
use measurement::gum::{self, Inputs};
use measurement::{decibel, fsv};
use mixwright_measurement as measurement;
use numerics::{Complex64, RMatrix};
use proof::{CheckValue, Origin};
use serde_json::Value;

const GUM_H2: Origin =
    Origin::Published { source: "JCGM 100:2008, H.2: observations and rounded results; full digits derived" };
const GUM_H1: Origin = Origin::Memory { what: "components of JCGM 100:2008, H.1; combination derived" };
const SUPPLEMENT: Origin =
    Origin::Derived { how: "problem of JCGM 101:2008, 9.4; noncentral chi-squared law with two degrees of freedom" };
const WILKS: Origin =
    Origin::Derived { how: "I_beta(n-m+1, m) <= 1-gamma; 59 and 93 at 95/95 agree with published tables" };
const NONCENTRAL: Origin = Origin::Derived { how: "noncentral t law; exact two-sided integral" };
const DB: Origin =
    Origin::Derived { how: "rms = (20/ln 10) sqrt(Li2(q^2)/2); E ln|S+n|^2 = ln S^2 + E1(K); Jensen's formula" };
const VNA: Origin = Origin::Derived { how: "linear residual error model of a one-port and a transmission" };
const FSV: Origin = Origin::Derived {
    how: "the published variant written independently in another language; split and grades after IEEE Std 1597.1",
};

fn data(id: &str) -> Value {
    let all: Value = serde_json::from_str(include_str!("data/checks.json")).expect("the file is JSON");
    all.get(id).unwrap_or_else(|| panic!("{id} is in the file")).clone()
}

fn number(v: &Value) -> f64 {
    match v.as_str() {
        Some("inf") => f64::INFINITY,
        Some("-inf") => f64::NEG_INFINITY,
        _ => v.as_f64().unwrap_or_else(|| panic!("{v} is a number")),
    }
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().expect("a list").iter().map(number).collect()
}

fn rows(v: &Value) -> Vec<Vec<Value>> {
    v["rows"].as_array().expect("rows").iter().map(|r| r.as_array().expect("a row").clone()).collect()
}

#[track_caller]
fn check(what: &str, expected: f64, found: f64, within: f64, because: &str, origin: Origin) {
    if expected.is_infinite() {
        assert_eq!(expected, found, "{what}");
        return;
    }
    CheckValue { what, expected, within, because, origin }.check(found);
}

fn impedance(x: &[f64]) -> Vec<f64> {
    let (v, i, phi) = (x[0], x[1], x[2]);
    vec![v / i * phi.cos(), v / i * phi.sin(), v / i]
}

#[test]
fn resistance_and_reactance_from_observations() {
    let d = data("gum.h2_raw");
    let inputs =
        Inputs::observed(&[numbers(&d["input"]["V"]), numbers(&d["input"]["I_A"]), numbers(&d["input"]["phi_rad"])])
            .expect("five observations each");
    let e = &d["expected"];
    let because = "rounding, differences of fourth order";
    for k in 0..3 {
        let (mean, u) = (number(&e["mean"][k]), number(&e["u"][k]));
        check("H.2 mean", mean, inputs.value[k], 1e-9 * mean, because, GUM_H2);
        check("H.2 standard uncertainty", u, inputs.u[k], 1e-9 * u, because, GUM_H2);
    }
    for (name, i, j) in [("r_VI", 0, 1), ("r_Vphi", 0, 2), ("r_Iphi", 1, 2)] {
        check(name, number(&e[name]), inputs.correlation[(i, j)], 1e-9, because, GUM_H2);
    }
    check_impedance(&inputs, e, "u_R_X_Z", 1e-9, GUM_H2);
}

#[test]
fn resistance_and_reactance_from_the_printed_summary() {
    let d = data("gum.h2");
    let input = &d["input"];
    let (vi, vp, ip) = (number(&input["r_VI"]), number(&input["r_Vphi"]), number(&input["r_Iphi"]));
    let correlation = RMatrix::from_rows(&[vec![1.0, vi, vp], vec![vi, 1.0, ip], vec![vp, ip, 1.0]]);
    let value = ["V", "I", "phi"].iter().map(|k| number(&input[*k])).collect();
    let inputs = Inputs { value, u: numbers(&input["u"]), correlation };
    check_impedance(&inputs, &d["expected"], "u", 1e-6, GUM_H2);
}

fn check_impedance(inputs: &Inputs, e: &Value, u_name: &str, relative: f64, origin: Origin) {
    let out = gum::propagate(inputs, &impedance);
    let because = "relative, differences of fourth order";
    for k in 0..3 {
        let (value, u) = (number(&e["R_X_Z"][k]), number(&e[u_name][k]));
        check("H.2 result, ohm", value, out.value[k], relative * value, because, origin);
        check("H.2 uncertainty of a result, ohm", u, out.u[k], relative * u, because, origin);
    }
    for (name, i, j) in [("r_RX", 0, 1), ("r_RZ", 0, 2), ("r_XZ", 1, 2)] {
        check(name, number(&e[name]), out.correlation[(i, j)], relative, because, origin);
    }
}

#[test]
fn end_gauge_combines_parts_with_their_degrees_of_freedom() {
    let d = data("gum.h1");
    let parts: Vec<(f64, f64)> = numbers(&d["input"]["u_nm"]).into_iter().zip(numbers(&d["input"]["dof"])).collect();
    let combined = gum::combine(&parts);
    let e = &d["expected"];
    let t99 = combined.coverage_factor(0.99);
    check("H.1 combined, nm", number(&e["uc_nm"]), combined.u, 1e-6, "printed digits", GUM_H1);
    check("H.1 degrees of freedom", number(&e["nu_eff"]), combined.degrees_of_freedom, 1e-6, "printed digits", GUM_H1);
    check("H.1 coverage factor at 99 %", number(&e["t99"]), t99, 1e-6, "printed digits", GUM_H1);
    // the guide rounds the combined uncertainty to 32 nm first
    check("H.1 expanded, nm", number(&e["U99_nm"]), t99 * combined.u.round(), 1e-4, "1e-6 relative", GUM_H1);
}

#[test]
fn comparison_loss_by_samples_agrees_with_the_exact_law() {
    let n = 200_000;
    let because = "five standard errors of 200 000 samples";
    let loss = |x: &[f64]| x[0] * x[0] + x[1] * x[1];
    for row in rows(&data("gum.s1_94")["expected"]) {
        let row: Vec<f64> = row.iter().map(number).collect();
        let inputs = Inputs::independent(vec![row[0], 0.0], vec![0.005, 0.005]);
        let first_order = gum::propagate(&inputs, &|x| vec![loss(x)]);
        check("comparison loss, first order", row[1], first_order.value[0], 1e-12, "closed form", SUPPLEMENT);
        check("comparison loss, first-order uncertainty", row[2], first_order.u[0], 1e-12, "closed form", SUPPLEMENT);
        let s = gum::propagate_samples(&inputs, &loss, n, 7, 0.95).expect("the correlations are possible");
        let scale = row[4] / (n as f64).sqrt();
        check("comparison loss, mean", row[3], s.mean, 5.0 * scale, because, SUPPLEMENT);
        check("comparison loss, standard deviation", row[4], s.sd, 10.0 * scale, because, SUPPLEMENT);
        check(
            "shortest interval, lower end",
            row[5],
            s.shortest.0,
            0.05 * row[4],
            "the ends slide along a flat density",
            SUPPLEMENT,
        );
        check(
            "shortest interval, upper end",
            row[6],
            s.shortest.1,
            0.05 * row[4],
            "the ends slide along a flat density",
            SUPPLEMENT,
        );
    }
    let d = data("gum.s1_94r");
    let inputs = Inputs {
        correlation: RMatrix::from_rows(&[vec![1.0, 0.9], vec![0.9, 1.0]]),
        ..Inputs::independent(vec![0.0, 0.0], vec![0.005, 0.005])
    };
    let s = gum::propagate_samples(&inputs, &loss, n, 7, 0.95).expect("the correlations are possible");
    let (mean, sd) = (number(&d["expected"]["mean"]), number(&d["expected"]["sd"]));
    check("comparison loss, correlated, mean", mean, s.mean, 5.0 * sd / (n as f64).sqrt(), because, SUPPLEMENT);
    check(
        "comparison loss, correlated, standard deviation",
        sd,
        s.sd,
        15.0 * sd / (n as f64).sqrt(),
        because,
        SUPPLEMENT,
    );
}

#[test]
fn order_statistics_bound_shares_without_a_law() {
    for row in rows(&data("wilks.table")["expected"]) {
        let row: Vec<f64> = row.iter().map(number).collect();
        let cases = [(1, Sides::One), (2, Sides::One), (3, Sides::One), (1, Sides::Two), (2, Sides::Two)];
        for (k, (rank, sides)) in cases.into_iter().enumerate() {
            let found = bound::units_needed(row[0], row[1], rank, sides) as f64;
            let what = format!("units for {} with {}, rank {rank}, {sides:?}", row[0], row[1]);
            check(&what, row[2 + k], found, 0.0, "whole number", WILKS);
        }
    }
}

#[test]
fn normal_tolerance_factors() {
    for row in rows(&data("wilks.normal_k")["expected"]) {
        let row: Vec<f64> = row.iter().map(number).collect();
        let n = row[0] as usize;
        let because = "quadrature";
        check("k, one side", row[1], bound::normal_factor_one_sided(n, 0.95, 0.95), 1e-4, because, NONCENTRAL);
        check("k, two sides", row[2], bound::normal_factor_two_sided(n, 0.95, 0.95), 1e-4, because, NONCENTRAL);
    }
}

#[test]
fn errors_that_add_to_the_wave() {
    for row in rows(&data("db.table")["expected"]) {
        let e = decibel::additive_error(number(&row[0]), number(&row[1]));
        let what = format!("error {} beside {}", row[1], row[0]);
        check(&what, number(&row[2]), e.up_db, 1e-9, "closed form", DB);
        check(&what, number(&row[3]), e.down_db, 1e-9, "closed form", DB);
        check(&what, number(&row[5]), e.phase_deg, 1e-9, "closed form", DB);
        if row[4].as_str() != Some("n/a") {
            check(&what, number(&row[4]), e.rms_db, 1e-9, "closed form", DB);
        }
    }
    let d = data("db.jensen");
    for (q, mean) in numbers(&d["input"]["q"]).into_iter().zip(numbers(&d["expected"]["mean_dB"])) {
        check("mean over the phase, dB", mean, decibel::mean_shift_db(q), 1e-6, "checked numerically", DB);
    }
    let d = data("db.rician");
    for row in rows(&d["expected"]) {
        let row: Vec<f64> = row.iter().map(number).collect();
        let e = decibel::noise_error(row[0]);
        check("mean reading in noise, dB", row[1], e.mean_bias_db, 1e-6, "series", DB);
        check("power reading in noise, dB", row[2], e.power_bias_db, 1e-6, "closed form", DB);
        check("scatter of a reading in noise, dB", row[3], e.sd_db, 1e-6, "series", DB);
    }
    let alone = &d["expected"]["noise_only"];
    let (mean, sd) = decibel::noise_alone_db();
    check("noise alone, mean", number(&alone["mean_dB_rel_s2"]), mean, 1e-6, "closed form", DB);
    check("noise alone, scatter", number(&alone["sd_dB"]), sd, 1e-6, "closed form", DB);
}

#[test]
fn noise_is_taken_off() {
    let expected = number(&data("db.debias")["expected"]["signal_dB"]);
    let found = decibel::signal_from_power(-58.0, -60.0).expect("above the floor");
    check("signal behind -58 dB over -60 dB", expected, found, 1e-9, "closed form", DB);
    assert_eq!(decibel::signal_from_power(-60.0, -60.0), None);
    for snr in [-6.0, 0.0, 6.0, 15.0] {
        let reading = -60.0 + snr + decibel::noise_error(snr).mean_bias_db;
        let found = decibel::signal_from_log(reading, -60.0).expect("above noise alone");
        check("signal behind a mean of decibels", -60.0 + snr, found, 1e-9, "inverse of the bias", DB);
    }
    assert_eq!(decibel::signal_from_log(-63.0, -60.0), None);
}

#[test]
fn analyser_errors() {
    let d = data("vna.reflection");
    let input = |k: &str| number(&d["input"][k]);
    let residuals = Residuals { directivity: input("D"), tracking: input("T"), source_match: input("M") };
    for row in rows(&d["expected"]) {
        let row: Vec<f64> = row.iter().map(number).collect();
        let (low, high) = residuals.return_loss_span_db(row[0]);
        check("residual error", row[1], residuals.worst(10f64.powf(-row[0] / 20.0)), 1e-9, "closed form", VNA);
        check("return loss reads low", row[2], low, 1e-9, "closed form", VNA);
        check("return loss reads high", row[3], high, 1e-9, "closed form", VNA);
    }
    let complex = |v: &Value| Complex64::new(number(&v[0]), number(&v[1]));
    let d = data("vna.oneport");
    let part = |k: &str| complex(&d["input"][k]);
    let port = OnePort { directivity: part("D"), tracking: part("T"), source_match: part("M") };
    let read = port.reading(part("G"));
    let off = (read - complex(&d["expected"]["measured"])).norm();
    check("one-port reading, distance", 0.0, off, 1e-13, "closed form", VNA);
    check("one-port correction, distance", 0.0, (port.corrected(read) - part("G")).norm(), 1e-14, "inverse", VNA);
    let d = data("vna.sol");
    let known = numbers(&d["input"]["standards"]);
    let read: Vec<Complex64> = d["input"]["measured"].as_array().expect("a list").iter().map(complex).collect();
    let solved = OnePort::from_standards([0, 1, 2].map(|k| known[k].into()), [read[0], read[1], read[2]])
        .expect("three standards");
    let want = |k: &str| complex(&d["expected"][k]);
    check("directivity from standards", 0.0, (solved.directivity - want("e00")).norm(), 1e-12, "linear solve", VNA);
    check("source match from standards", 0.0, (solved.source_match - want("e11")).norm(), 1e-12, "linear solve", VNA);
    check("tracking from standards", 0.0, (solved.tracking + 1.0 - want("e10e01")).norm(), 1e-12, "linear solve", VNA);
    let d = data("vna.transmission");
    let input = |k: &str| number(&d["input"][k]);
    for row in rows(&d["expected"]) {
        let row: Vec<f64> = row.iter().map(number).collect();
        let (up, down) =
            analyser::transmission_span_db(input("M"), input("L"), input("S11"), input("S22"), row[0], input("X_dB"));
        check("transmission reads high, dB", row[1], up, 1e-9, "closed form", VNA);
        check("transmission reads low, dB", row[2], down, 1e-9, "closed form", VNA);
    }
    let u = number(&data("vna.rss")["expected"]["u"]);
    check("unknown phase", u, analyser::standard_uncertainty(0.01), 1e-15, "closed form", VNA);
}

#[test]
fn curves_are_compared_by_the_published_variant() {
    let x: Vec<f64> = (0..201).map(|k| f64::from(k) / 200.0).collect();
    let tau = 2.0 * std::f64::consts::PI;
    let curve = |f: &dyn Fn(f64) -> f64| -> Vec<f64> { x.iter().map(|&x| f(x)).collect() };
    let first = curve(&|x| -10.0 - 20.0 * x + 3.0 * (tau * 7.0 * x).cos());
    let shift = |x: f64| -10.5 - 20.0 * x + 3.0 * (tau * 7.0 * (x - 0.01)).cos();
    let others = [
        ("fsv.same", first.clone()),
        ("fsv.offset1dB", first.iter().map(|y| y + 1.0).collect()),
        ("fsv.shift", curve(&shift)),
        ("fsv.other", curve(&|x| -10.0 - 20.0 * x + 4.0 * (tau * 8.0 * x).cos() + 0.5 * (tau * 23.0 * x).cos())),
    ];
    for (id, second) in &others {
        check_likeness(id, &data(id)["expected"], fsv::likeness(&first, second));
    }
    let units = &data("fsv.units")["expected"];
    let linear = |y: &[f64]| -> Vec<f64> { y.iter().map(|y| 10f64.powf(y / 20.0)).collect() };
    let raised = |y: &[f64]| -> Vec<f64> { y.iter().map(|y| y + 100.0).collect() };
    let second = curve(&shift);
    check_likeness("linear", &units["linear"], fsv::likeness(&linear(&first), &linear(&second)));
    check_likeness("raised", &units["dB_plus_100"], fsv::likeness(&raised(&first), &raised(&second)));
    assert_eq!(fsv::likeness(&first[..20], &second[..20]), None, "too short to split");
    assert_eq!(fsv::likeness(&first, &second[1..]), None, "unequal lengths");
}

#[track_caller]
fn check_likeness(what: &str, e: &Value, found: Option<fsv::Likeness>) {
    let l = found.expect("long enough");
    let because = "transform of 201 points";
    check(&format!("{what}: amplitude"), number(&e["ADM"]), l.amplitude, 1e-9, because, FSV);
    check(&format!("{what}: feature"), number(&e["FDM"]), l.feature, 1e-9, because, FSV);
    check(&format!("{what}: global"), number(&e["GDM"]), l.global, 1e-9, because, FSV);
    check(
        &format!("{what}: amplitude, all points"),
        number(&e["ADM_all_points"]),
        l.amplitude_all_points,
        1e-9,
        because,
        FSV,
    );
    check(&format!("{what}: offset"), number(&e["odm_mean"]), l.offset, 1e-9, because, FSV);
    assert_eq!(l.break_line as f64, number(&e["i_break"]), "{what}: line of the break");
}
