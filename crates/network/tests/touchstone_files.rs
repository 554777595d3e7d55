//! Every file of `data/touchstone` against `expected.json`: legal ones to 1e-12, illegal ones by
//! name and line. Origin of each expectation: field `basis` of the table.

use mixwright_network as network;
use network::touchstone::{ReadSettings, Touchstone, read};
use numerics::{CMatrix, Complex64};
use serde_json::Value;
use std::path::PathBuf;

/// Absolute, from the table: some thousand roundings of numbers of order one.
const TOLERANCE: f64 = 1e-12;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/touchstone")
}

fn table() -> Vec<Value> {
    let text = std::fs::read_to_string(folder().join("expected.json")).expect("the table is there");
    let table: Value = serde_json::from_str(&text).expect("the table is JSON");
    table["files"].as_array().expect("a list of files").clone()
}

fn bytes(case: &Value) -> Vec<u8> {
    std::fs::read(folder().join(name(case))).expect("the file is there")
}

fn name(case: &Value) -> &str {
    case["file"].as_str().expect("a name")
}

fn number(v: &Value) -> f64 {
    v.as_f64().expect("a number")
}

fn matrix(v: &Value) -> CMatrix {
    let complex = |v: &Value| Complex64::new(number(&v[0]), number(&v[1]));
    let row = |v: &Value| v.as_array().expect("a row").iter().map(complex).collect::<Vec<_>>();
    CMatrix::from_rows(&v.as_array().expect("rows").iter().map(row).collect::<Vec<_>>())
}

fn near(found: f64, expected: f64, what: &str) {
    assert!((found - expected).abs() <= TOLERANCE * expected.abs().max(1.0), "{what}: {found} against {expected}");
}

fn matrices_near(found: &[CMatrix], expected: &Value, what: &str) {
    let expected = expected.as_array().expect("matrices");
    assert_eq!(found.len(), expected.len(), "{what}: points");
    for (found, expected) in found.iter().zip(expected) {
        let expected = matrix(expected);
        assert_eq!((found.n_rows(), found.n_cols()), (expected.n_rows(), expected.n_cols()), "{what}: shape");
        assert!((found - &expected).max_abs() <= TOLERANCE, "{what}: {found:?} against {expected:?}");
    }
}

fn check_legal(case: &Value, found: &Touchstone) {
    let what = name(case);
    assert_eq!(found.version.to_string(), case["version"].as_str().expect("version"), "{what}: version");
    assert_eq!(found.parameter.to_string(), case["parameter"].as_str().expect("parameter"), "{what}: parameter");
    assert_eq!(found.n_ports() as u64, case["ports"].as_u64().expect("ports"), "{what}: ports");
    for (a, b) in found.reference_ohm.iter().zip(case["z0"].as_array().expect("z0")) {
        near(*a, number(b), what);
    }
    let f_hz = case["f_hz"].as_array().expect("f_hz");
    assert_eq!(found.freq_hz.len(), f_hz.len(), "{what}: frequencies");
    for (a, b) in found.freq_hz.iter().zip(f_hz) {
        near(*a, number(b), what);
    }
    matrices_near(&found.matrix, &case["matrix"], what);
    let names: Vec<&str> = found.remarks.iter().map(|r| r.warning.name()).collect();
    let expected: Vec<&str> = case["warnings"].as_array().expect("warnings").iter().filter_map(Value::as_str).collect();
    assert_eq!(names, expected, "{what}: remarks");
    let noise = case["noise"].as_array().cloned().unwrap_or_default();
    assert_eq!(found.noise.len(), noise.len(), "{what}: noise points");
    for (a, b) in found.noise.iter().zip(&noise) {
        near(a.freq_hz, number(&b["f_hz"]), what);
        near(a.fmin_db, number(&b["fmin_db"]), what);
        near(a.rn_ohm, number(&b["rn_ohm"]), what);
        let gamma = Complex64::from_polar(number(&b["gopt_mag"]), number(&b["gopt_deg"]).to_radians());
        assert!((a.gamma_opt - gamma).norm() <= TOLERANCE, "{what}: gamma_opt");
    }
    if let Some(modes) = case["mixed_mode"].as_array() {
        let found_modes: Vec<String> = found.mixed_mode.iter().flatten().map(ToString::to_string).collect();
        let modes: Vec<&str> = modes.iter().filter_map(Value::as_str).collect();
        assert_eq!(found_modes, modes, "{what}: modes");
        let network = found.to_network().expect("a network");
        matrices_near(network.s(), &case["matrix_single_ended"], what);
    }
    found.to_network().expect("every legal file is a network");
}

#[test]
fn legal_files_are_read_exactly_and_illegal_ones_refused_by_name_and_line() {
    let (mut legal, mut illegal) = (0, 0);
    for case in &table() {
        let what = name(case);
        let result = read(&bytes(case), &ReadSettings::strict(what));
        if case["valid"].as_bool().expect("valid") {
            check_legal(case, &result.unwrap_or_else(|e| panic!("{what} refused: {e}")));
            legal += 1;
            continue;
        }
        let error = result.err().unwrap_or_else(|| panic!("{what} accepted: {}", case["why"]));
        assert_eq!(error.fault.name(), case["error"].as_str().expect("error"), "{what}: {error}");
        if let Some(line) = case["line"].as_u64() {
            assert_eq!(error.line as u64, line, "{what}: {error}");
        }
        assert!(error.to_string().starts_with(&format!("{what}, line {}", error.line)), "{error}");
        illegal += 1;
    }
    // counts of the table: 32 legal, 33 illegal
    assert_eq!((legal, illegal), (32, 33));
}

#[test]
fn lenient_reading_agrees_on_legal_files() {
    for case in table().iter().filter(|c| c["valid"].as_bool() == Some(true)) {
        let found = read(&bytes(case), &ReadSettings::lenient(name(case))).expect("legal is legal");
        check_legal(case, &found);
    }
}
