//! Field checks that take longer than a test: every row of one check with the value found, and its error.
//!
//! Run: `cargo run --release -p mixwright-volume --example field_checks -- open filter patch cavities wire via`, any
//! of the names. The reference values and their sources stand in `tests/data/volumes.csv` and in the functions.
#![allow(clippy::print_stdout)] // a program that prints a table

mod open_end;
mod planar;
mod singular;
mod wires;

use mixwright_volume::VolumeError;

/// Prints one row: quantity, expected, found, error over the stated tolerance.
fn report(check: &str, quantity: &str, found: f64) {
    let table = include_str!("../../tests/data/volumes.csv").lines().map(|l| l.split(';').collect::<Vec<_>>());
    let number = |text: &str| text.parse::<f64>().expect("a number");
    let Some(row) = table.into_iter().find(|f| f[0] == check && f[1] == quantity) else {
        println!("| {check} | {quantity} | no such row | {found:.6} | | |");
        return;
    };
    let (value, tolerance) = (number(row[2]), number(row[4]));
    let allowed = if row[5] == "rel" { tolerance * value.abs() } else { tolerance };
    let error = found - value;
    let verdict = if error.abs() <= allowed { "within" } else { "outside" };
    println!("| {check} | {quantity} | {value} {} | {found:.6} | {error:+.2e} | {allowed:.1e} | {verdict} |", row[3]);
}

fn main() -> Result<(), VolumeError> {
    let names: Vec<String> = std::env::args().skip(1).collect();
    println!("| check | quantity | expected | found | error | allowed | |");
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    for name in &names {
        match name.as_str() {
            "open" => open_end::run()?,
            "filter" => planar::filter()?,
            "patch" => planar::patch()?,
            "cavities" => singular::run()?,
            "wire" => wires::wire()?,
            "via" => wires::via()?,
            other => println!("no check is called `{other}`: open, filter, patch, cavities, wire, via"),
        }
    }
    Ok(())
}
