//! What several test files share: reading check values from JSON, and repeatable noise.
#![allow(dead_code, unreachable_pub)] // each test file uses a part

use numerics::{CMatrix, Complex64};
use proof::{CheckValue, Origin};
use serde_json::Value;

/// The check of this name in `data/devices_a.json`.
pub fn case(id: &str) -> Value {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/devices_a.json");
    let all: Value = serde_json::from_str(&std::fs::read_to_string(path).expect("there")).expect("JSON");
    let found = all["checks"].as_array().expect("a list").iter().find(|c| c["id"] == id);
    found.unwrap_or_else(|| panic!("no check {id}")).clone()
}

pub fn real(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("not a number: {v}"))
}

/// `[re, im]` or a plain number.
pub fn complex(v: &Value) -> Complex64 {
    if v.is_array() { Complex64::new(real(&v[0]), real(&v[1])) } else { real(v).into() }
}

pub fn list(v: &Value) -> &Vec<Value> {
    v.as_array().expect("a list")
}

pub fn complexes(v: &Value) -> Vec<Complex64> {
    list(v).iter().map(complex).collect()
}

pub fn reals(v: &Value) -> Vec<f64> {
    list(v).iter().map(real).collect()
}

pub fn matrix(v: &Value) -> CMatrix {
    CMatrix::from_rows(&list(v).iter().map(complexes).collect::<Vec<_>>())
}

/// One number of a case against what was found.
#[track_caller]
pub fn check(case: &Value, key: &str, found: f64, expected: f64, within: f64) {
    let source = case["source"].as_str().expect("a source").to_owned();
    let what = format!("{} {key}", case["id"].as_str().expect("an id"));
    CheckValue {
        what: &what,
        expected,
        within,
        because: "tolerance of the table: some hundred roundings, or as stated there",
        origin: Origin::Derived { how: Box::leak(source.into_boxed_str()) },
    }
    .check(found);
}

/// A real number stored under `expected.key`.
#[track_caller]
pub fn check_real(case: &Value, key: &str, found: f64, within: f64) {
    check(case, key, found, real(&case["expected"][key]), within);
}

/// A complex number stored under `expected.key`.
#[track_caller]
pub fn check_complex(case: &Value, key: &str, found: Complex64, within: f64) {
    let expected = complex(&case["expected"][key]);
    check(case, key, (found - expected).norm(), 0.0, within);
}

/// A matrix stored under `expected.key`.
#[track_caller]
pub fn check_matrix(case: &Value, key: &str, found: &CMatrix, within: f64) {
    let expected = matrix(&case["expected"][key]);
    check(case, key, (found - &expected).max_abs(), 0.0, within);
}

/// Repeatable random numbers: the 64-bit xorshift of G. Marsaglia, 2003 (from memory).
pub struct Noise(pub u64);

impl Noise {
    /// Even between 0 and 1.
    pub fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Between -1 and 1 in both parts.
    pub fn square(&mut self) -> Complex64 {
        Complex64::new(2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0)
    }

    /// Complex normal numbers of mean square one.
    pub fn normal(&mut self) -> Complex64 {
        let radius = (-(1.0 - self.uniform()).ln()).sqrt();
        Complex64::from_polar(radius, std::f64::consts::TAU * self.uniform())
    }

    pub fn matrix(&mut self, n: usize) -> CMatrix {
        CMatrix::from_fn(n, n, |_, _| self.square())
    }

    /// A matrix of this largest singular value.
    pub fn with_sigma(&mut self, n: usize, sigma: f64) -> CMatrix {
        let m = self.matrix(n);
        let largest = numerics::linear::singular_values(&m).expect("finite")[0];
        m.scaled((sigma / largest).into())
    }
}
