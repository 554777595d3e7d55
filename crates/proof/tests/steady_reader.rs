//! The steady-case reader: every file is read, and the points are complete.

use mixwright_proof::circuit::Kind;
use mixwright_proof::{Expected, steady_case, steady_cases};

#[test]
fn every_case_is_read_whole() {
    let cases = steady_cases();
    assert_eq!(cases.len(), 12);
    for case in &cases {
        assert!(!case.points.is_empty(), "{} has points", case.id);
        for point in &case.points {
            let some = !point.metrics.is_empty()
                || point.small_signal.is_some()
                || point.compression.is_some()
                || !point.theorem.is_empty();
            assert!(some, "{} {} expects something", case.id, point.label);
            let whole = (point.f_lo_hz / case.f0_hz).fract();
            assert!(whole == 0.0, "{} {}: the LO is a multiple of f0", case.id, point.label);
        }
    }
}

#[test]
fn spur_frequencies_agree_with_the_tones_of_the_point() {
    for case in steady_cases() {
        for point in &case.points {
            for spur in &point.spurs {
                let f = f64::from(spur.m) * point.f_lo_hz + f64::from(spur.n) * point.f_rf_hz.expect("two tones");
                assert!((f.abs() - spur.f_hz).abs() < 1e3, "{} {} ({}, {})", case.id, point.label, spur.m, spur.n);
            }
        }
    }
}

#[test]
fn detuned_points_carry_the_frequency_of_their_label() {
    let marchand = steady_case("case11a");
    let low = marchand.points.iter().find(|p| p.label.contains("f_LO=7 GHz")).expect("a point at 7 GHz");
    assert_eq!(low.f_lo_hz, 7e9);
    let pair = steady_case("case12a");
    let detuned = pair.points.iter().find(|p| p.label.contains("LO 9.5, RF 19.5")).expect("a detuned point");
    assert_eq!((detuned.f_lo_hz, detuned.f_rf_hz), (9.5e9, Some(19.5e9)));
}

#[test]
fn changes_of_a_point_reach_its_circuit() {
    let loop_case = steady_case("case03");
    let theorem =
        loop_case.points.iter().find(|p| p.label.starts_with("theorem N=1.15 LO=5")).expect("a theorem point");
    let diode = theorem.elements.iter().find_map(|e| match &e.kind {
        Kind::Diode { parameters, .. } => Some(*parameters),
        _ => None,
    });
    let diode = diode.expect("one diode");
    assert_eq!((diode.n, diode.rs_ohm, diode.cj0_f), (1.15, 0.0, 0.0));
    assert_eq!(theorem.terminations_k, Some(172.5));
    let small = loop_case.points.iter().find(|p| p.small_signal.is_some()).expect("a small-signal point");
    let rf_off = small
        .elements
        .iter()
        .any(|e| matches!(&e.kind, Kind::Port { index: 2, tones, .. } if tones.iter().all(|t| t.available_w == 0.0)));
    assert!(rf_off, "a small-signal point has its RF source off");
    let without = steady_case("case14").points.into_iter().find(|p| p.label.starts_with("no LC")).expect("a bare ring");
    assert!(without.elements.iter().all(|e| e.id != "Li" && e.id != "Ci"));
}

#[test]
fn expected_numbers_keep_their_kind() {
    let ring = steady_case("case06");
    let point = &ring.points[0];
    assert!(matches!(point.metrics["LO_to_RF_isolation_dB"], Expected::Above(150.0)));
    assert!(matches!(point.metrics["I_DC_diodes_A/D1"], Expected::Value { .. }));
    assert!(matches!(point.metrics["Gamma_LO"], Expected::Phasor { .. }));
}
