//! Tables of the bench: what is read, what is refused and how; comparison like with like.

use measurement::compare::{LikeSettings, compare};
use measurement::{Floor, Measured, Pad, Session, State, Uncertainty, lot, table};
use mixwright_measurement as measurement;
use numerics::{CMatrix, Complex64};
use spec::{Band, Bands, Bound, Conditions, Measure, Method, Outcome, PortName, Product, Quality, Reading};

const TERMINATIONS: &str = "50 ohm on every port at every frequency";

fn conditions() -> Conditions {
    Conditions {
        lo_hz: 28e9,
        lo_dbm: 15.0,
        signal_dbm: Some(-10.0),
        temp_k: 296.15,
        terminations: TERMINATIONS.into(),
        ..Conditions::default()
    }
}

fn session() -> Session {
    let by_name = [("loss", 0.12), ("return_loss", 0.25), ("isolation", 0.6), ("product", 0.5), ("direct", 0.08)];
    Session {
        name: "A-2".into(),
        date: "2031-04-17".into(),
        lab: "own bench".into(),
        lot: "A".into(),
        foundry: String::new(),
        reel: String::new(),
        conditions: conditions(),
        temp_within_k: 1.0,
        lo_second_harmonic_dbc: Some(-31.0),
        pads: vec![Pad { port: PortName::Rf, loss_db: 6.0, removed: false }],
        floor: Some(Floor { level_dbm: -115.0, bandwidth_hz: 1e3, detector: measurement::Detector::Power }),
        leakage: vec![],
        residuals: None,
        uncertainty: Uncertainty {
            by_name: by_name.iter().map(|(k, v)| ((*k).to_string(), *v)).collect(),
            near_floor: [("product".to_string(), 1.5)].into(),
        },
        calibration: vec![],
    }
}

fn read(text: &str) -> Result<Vec<Measured>, String> {
    table::read("a-2.csv", text, &session()).map_err(|e| e.to_string())
}

#[test]
fn numbers_arrive_at_the_package_with_floor_and_pads_taken_off() {
    let text = "# bench A\nunit,rf (GHz),conversion_loss (dB),return_loss_rf (dB),dc_offset (uV),spur_lo+2_rf-2 (dBc),spur_lo-3_rf+3 (dBc)\n\
                A1,23,13.0,26.0,-1670,-63.0,<-97\nA2, 20 ,13.5,,,-93,\n";
    let m = read(text).expect("the table is in order");
    let find =
        |unit: &str, measure: Measure| m.iter().find(|m| m.unit == unit && m.measure == measure).expect("measured");
    let loss = find("A1", Measure::ConversionLoss);
    assert_eq!((loss.value, loss.raw, loss.u, loss.place.line, loss.place.column), (7.0, 13.0, 0.12, 3, 3));
    assert_eq!((loss.conditions.if_hz, loss.conditions.rf_hz), (Some(5e9), Some(23e9)));
    assert_eq!(find("A1", Measure::ReturnLoss(PortName::Rf)).value, 14.0);
    assert!((find("A1", Measure::DcOffset).value + 1.67).abs() < 1e-12, "millivolt");
    assert_eq!(find("A1", Measure::Spur(Product::new(2, -2))).state, State::Seen);
    // both signs turned: the same line
    assert_eq!(find("A1", Measure::Spur(Product::new(3, -3))).state, State::Censored(Bound::AtMost(-97.0)));
    // floor: -115 dBm against -10 - 7.5 dBm is -97.5 dBc
    let near = find("A2", Measure::Spur(Product::new(2, -2)));
    assert_eq!(near.state, State::Corrected);
    assert!(near.value < -93.0 && near.u > 1.5, "{near:?}");
    assert_eq!(m.len(), 7);
}

#[track_caller]
fn refused(text: &str, expected: &str) {
    let found = read(text).expect_err("refused");
    assert!(found.contains(expected), "expected `{expected}` in `{found}`");
}

#[test]
fn what_is_wrong_is_named_with_its_place() {
    refused("", "a-2.csv, line 1, column 1: expected a line of column heads");
    refused("unit,rf\n", "line 1, column 2: expected a unit in brackets behind the name, found `rf`; write `rf (GHz)`");
    refused("unit,rf (mm)\n", "line 1, column 2: expected a unit of rf");
    refused("unit,conversion_loss (dB),conversion_loss (dB)\n", "column 3: expected one column `conversion_loss`");
    refused("unit,loss (dB)\n", "expected the name of a condition or a measure, found `loss`");
    refused("rf (GHz),conversion_loss (dB)\n20,7\n", "expected a column `unit`");
    refused(
        "unit,rf (GHz),conversion_loss (dB)\nA1,20,nan\n",
        "line 2, column 3: expected a number for `conversion_loss (dB)`, found `nan`",
    );
    refused("unit,rf (GHz),conversion_loss (dB)\nA1,20,7,5\n", "line 2, column 1: expected 3 cells");
    refused("unit,rf (GHz),conversion_loss (dB)\n,20,7\n", "expected the name of the unit");
    refused(
        "unit,rf (GHz),conversion_loss (dB)\nA1,20,7\nA1,20,7.1\n",
        "line 3, column 3: expected one value of Conversion loss for unit `A1`",
    );
    refused("unit,rf (GHz),noise_figure_ssb (dB)\nA1,20,7\n", "expected a standard uncertainty for Noise figure, SSB");
    refused("unit,rf (GHz),spur_lo+2_rf-2 (dBc)\nA1,20,-70\n", "to place the floor below the wanted product");
    refused("unit,rf (GHz),conversion_loss (dB)\n", "expected at least one measured number");
}

#[test]
fn pumped_network_data_give_match_and_isolation() {
    let freq = vec![20e9, 23e9, 28e9, 30e9];
    let s = |_: &f64| CMatrix::from_fn(2, 2, |i, j| Complex64::new(if i == j { 0.2 } else { 0.1 }, 0.0));
    let data = network::Network::with_reference(50.0, freq.clone(), freq.iter().map(s).collect()).expect("a network");
    let ports = [PortName::Rf, PortName::Lo];
    let m = measurement::from_network("a1.s2p", &data, &session(), "A1", &ports, (20e9, 26e9)).expect("in order");
    // two RF in the band, two numbers each; the LO column at 28 GHz, two numbers
    assert_eq!(m.len(), 6);
    let rl = m.iter().find(|m| m.measure == Measure::ReturnLoss(PortName::Rf)).expect("measured");
    assert!((rl.value - (13.979_400 - 12.0)).abs() < 1e-5, "the RF pad counts twice: {}", rl.value);
    let wrong = measurement::from_network("a1.s2p", &data, &session(), "A1", &[PortName::Rf], (20e9, 26e9));
    let text = wrong.expect_err("one port named").to_string();
    assert!(text.contains("expected 1 ports (RF)") && text.contains("found 2 ports"), "{text}");
}

fn predicted(value: f64, rf_hz: f64) -> Reading {
    let quality = Quality {
        outcome: Outcome::Converged,
        method: Method::Balance,
        numeric_band: Some(0.1),
        orders: (8, 3),
        residual: 0.0,
        continued: None,
        cancellation: None,
        is_bound: false,
        bands: Bands {
            fabrication: Some(Band::even(0.3, 0.9)),
            model: Some(Band { below: 0.1, above: 0.8, coverage: 0.9 }),
            ..Bands::default()
        },
    };
    let conditions = Conditions { rf_hz: Some(rf_hz), temp_k: 298.15, ..conditions() };
    Reading { measure: Measure::ConversionLoss, value, conditions, quality }
}

#[test]
fn residuals_are_scored_against_all_bands_together() {
    let m = read("unit,rf (GHz),conversion_loss (dB)\nA1,23,13.5\nA2,23,13.3\nA3,23,13.4\n").expect("in order");
    let c = compare(&m, &[predicted(7.0, 20e9), predicted(7.0, 23e9)], &LikeSettings::default());
    assert_eq!((c.residuals.len(), c.refused.len()), (3, 0));
    let r = &c.residuals[0];
    assert!((r.residual - 0.5).abs() < 1e-12 && (r.expected - 0.35).abs() < 1e-12);
    // 1.6449: normal quantile of 95 %; uniform over ±0.1; bench 0.12
    let sigma = ((0.3 / 1.644_854f64).powi(2) + (0.45 / 1.644_854f64).powi(2) + 0.01 / 3.0 + 0.0144).sqrt();
    assert!((r.sigma - sigma).abs() < 1e-6 && (r.z.expect("known") - 0.15 / sigma).abs() < 1e-6);
    assert_eq!(r.is_inside(), Some(true));
    let s = lot::summarise(&c.residuals);
    assert_eq!((s.len(), s[0].n), (1, 3));
    assert!((s[0].mean - 7.4).abs() < 1e-12 && (s[0].sd.expect("three") - 0.1).abs() < 1e-12);
}

#[test]
fn comparing_with_itself_gives_zero_and_a_known_error_is_found() {
    let m = read("unit,rf (GHz),conversion_loss (dB)\nA1,23,13.0\nA2,23,14.0\n").expect("in order");
    let mut p = predicted(7.0, 23e9);
    p.quality.bands = Bands::default();
    let c = compare(&m, &[p], &LikeSettings::default());
    assert_eq!((c.residuals[0].residual, c.residuals[0].z), (0.0, Some(0.0)));
    assert!((c.residuals[1].residual - 1.0).abs() < 1e-12);
    assert_eq!(c.residuals[1].is_inside(), Some(false), "one decibel is far outside 0.12 dB and 0.1 dB");
}

#[test]
fn unlike_conditions_are_refused_by_name() {
    let m = read("unit,rf (GHz),lo_level (dBm),temperature (degC),conversion_loss (dB)\nA1,23,13,85,13.5\n")
        .expect("in order");
    let c = compare(&m, &[predicted(7.0, 23e9)], &LikeSettings::default());
    assert!(c.residuals.is_empty());
    let why = c.refused[0].why.join("; ");
    assert!(why.contains("LO level +13.00 dBm measured, +15.00 dBm predicted"), "{why}");
    assert!(why.contains("temperature 85.0 degC measured, 25.0 degC predicted"), "{why}");
    let other = read("unit,rf (GHz),return_loss_rf (dB)\nA1,23,30\n").expect("in order");
    let c = compare(&other, &[predicted(7.0, 23e9)], &LikeSettings::default());
    assert!(c.refused[0].why[0].contains("not among the predictions"));
}

#[test]
fn a_bound_counts_only_on_its_wrong_side() {
    let m = read("unit,rf (GHz),conversion_loss (dB)\nA1,23,<13.0\nA2,23,>13.0\n").expect("in order");
    let mut p = predicted(9.0, 23e9);
    p.quality.bands = Bands::default();
    let c = compare(&m, &[p], &LikeSettings::default());
    assert!(c.residuals[0].z.expect("known") < -10.0, "at most 7 dB contradicts 9 dB");
    assert_eq!(c.residuals[1].z, Some(0.0), "at least 7 dB agrees with 9 dB");
}
