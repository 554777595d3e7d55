//! Check values by name, and short ways to describe and solve a structure.
#![allow(dead_code, missing_docs, unreachable_pub)]

use mixwright_volume::{
    Conductor, Driven, FieldSolution, Layer, Medium, MeshSettings, Metal, Model, Order, PlanSize, SolveSettings,
};
use numerics::{CMatrix, Complex64, Quiet};
use proof::{CheckValue, Origin};

pub const MM: f64 = 1e-3;

/// Quantity, value and stated tolerance (absolute) of all rows of one check.
pub fn rows(check: &str) -> Vec<(&'static str, f64, f64)> {
    let table = include_str!("../data/volumes.csv").lines().map(|l| l.split(';').collect::<Vec<_>>());
    let number = |text: &str| text.parse::<f64>().expect("a number");
    let mine = table.filter(|f| f[0] == check).map(|f| {
        let (value, tolerance) = (number(f[2]), number(f[4]));
        (f[1], value, if f[5] == "rel" { tolerance * value.abs() } else { tolerance })
    });
    mine.collect()
}

/// One row by its quantity.
pub fn row(check: &str, quantity: &str) -> (f64, f64) {
    let found = rows(check).into_iter().find(|r| r.0 == quantity);
    let r = found.unwrap_or_else(|| panic!("{check} has no row {quantity}"));
    (r.1, r.2)
}

/// Compares with the row within its stated tolerance.
#[track_caller]
pub fn check(id: &str, quantity: &str, found: f64, how: &'static str) {
    let (expected, within) = row(id, quantity);
    let because = "tolerance stated with the value";
    CheckValue { what: &format!("{id} {quantity}"), expected, within, because, origin: Origin::Derived { how } }
        .check(found);
}

/// Real and imaginary part of one entry of S; the rows end in `.re` and `.im`.
#[track_caller]
pub fn check_entry(id: &str, quantity: &str, found: Complex64, how: &'static str) {
    check(id, &format!("{quantity}.re"), found.re, how);
    check(id, &format!("{quantity}.im"), found.im, how);
}

/// The number behind `key` in a quantity.
pub fn after(quantity: &str, key: &str) -> f64 {
    let rest = &quantity[quantity.find(key).expect("the key") + key.len()..];
    let end = rest.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(rest.len());
    rest[..end].parse().expect("a number")
}

pub fn air(thickness_m: f64) -> Layer {
    Layer { name: "air".into(), thickness_m, medium: Medium::AIR }
}

pub fn layer(thickness_m: f64, permittivity: f64) -> Layer {
    Layer { name: format!("permittivity {permittivity}"), thickness_m, medium: Medium::lossless(permittivity) }
}

pub fn rectangle(x: [f64; 2], y: [f64; 2]) -> Vec<[f64; 2]> {
    vec![[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]]
}

pub fn metal(x: [f64; 2], y: [f64; 2], z_m: [f64; 2]) -> Conductor {
    Conductor { name: "metal".into(), polygon: rectangle(x, y), z_m, metal: Metal::Perfect }
}

/// Upright sheet between two points.
pub fn wall(ends: [[f64; 2]; 2], z_m: [f64; 2]) -> Conductor {
    Conductor { name: "wall".into(), polygon: ends.to_vec(), z_m, metal: Metal::Perfect }
}

/// Mesh with one size, hints, and a given first and largest height.
pub fn sizes(size_m: f64, growth: f64, hints: Vec<([f64; 2], f64)>, height_m: [f64; 2]) -> MeshSettings {
    MeshSettings {
        edge_m: size_m,
        plan: PlanSize { size_max_m: size_m, growth, hints },
        height_m: height_m[0],
        height_growth: 2.0,
        height_max_m: height_m[1],
        levels_m: vec![],
        symmetry: None,
    }
}

pub fn driven(model: Model) -> Driven {
    Driven::new(model, SolveSettings { order: Order::Second, formulation: None, single_precision: false })
        .expect("a model")
}

pub fn solve(model: Model, freq_hz: f64) -> FieldSolution {
    driven(model).solve(freq_hz, &Quiet).expect("a solution")
}

/// Scattering matrices at several frequencies.
pub fn solve_at(model: Model, freqs_hz: &[f64]) -> Vec<CMatrix> {
    let mut driven = driven(model);
    freqs_hz.iter().map(|&f| driven.solve(f, &Quiet).expect("a solution").scattering).collect()
}
