//! The exact quasi-static ring against its check values (section J), and its own convergence.

use mixwright_proof::circuit::DiodeParameters;
use mixwright_proof::ring::Ring;
use mixwright_proof::theory::{CHECKS_JSON, db, spurs, switch};
use mixwright_proof::{CheckValue, Origin};
use serde_json::Value;

const ORIGIN: Origin = Origin::Derived {
    how: "memoryless network solved by Newton on a grid of phases, another program; nodal equations with \
          transformer branches agree with it to 1e-15 V",
};

fn ring() -> Ring {
    let diode = DiodeParameters {
        is_a: 1e-13,
        n: 1.05,
        rs_ohm: 5.0,
        cj0_f: 0.0,
        vj_v: 0.7,
        m: 0.5,
        fc: 0.5,
        tt_s: 0.0,
        breakdown: None,
    };
    Ring::of_equal(diode, 50.0)
}

/// Checks the expected numbers of one entry; `found` gives none for those checked elsewhere.
fn check_entry(id: &str, found: &dyn Fn(&str) -> Option<f64>) {
    let root: Value = serde_json::from_str(CHECKS_JSON).expect("the check values are JSON");
    let entries = root["checks"].as_array().expect("a list of checks");
    let entry = entries.iter().find(|e| e["id"] == id).expect("an entry of that id");
    for row in entry["expected"].as_array().expect("expected numbers") {
        let name = row["name"].as_str().expect("a name");
        let Some(expected) = row["value"].as_f64() else { continue };
        let within = row["tol_abs"].as_f64().expect("an absolute tolerance");
        let what = format!("{id} {name}");
        let value = found(name).unwrap_or_else(|| panic!("{what}: nothing found"));
        CheckValue { what: &what, expected, within, because: "tolerance stated with the number", origin: ORIGIN }
            .check(value);
    }
}

fn last_number(name: &str) -> f64 {
    let words = name.split(' ').rev();
    words.filter_map(|w| w.parse().ok()).next().expect("a level in the name")
}

#[test]
fn j1_loss_and_match_against_lo_power() {
    check_entry("J1", &|name| {
        let level = last_number(name.trim_end_matches(" dBm"));
        let found = ring().small_signal(level, 2048);
        Some(match &name[..7] {
            "CL at L" => found.conversion_loss_db,
            "Gamma_R" => found.gamma_rf,
            _ => found.gamma_lo,
        })
    });
}

#[test]
fn c5_a_resistive_mixer_is_reciprocal() {
    let found = ring().small_signal(10.0, 1024);
    let difference = found.conversion_loss_db - found.up_conversion_loss_db;
    check_entry("C5", &|_| Some(difference));
}

#[test]
fn strong_drive_tends_to_the_switch_with_half_a_series_resistance() {
    // B5: 4.137 dB for RS = 5 ohm. The residual resistance nVt/I falls with the square root of the level.
    let limit = db(switch::loss_with_on_resistance(50.0, 50.0, 2.5));
    let above: Vec<f64> =
        [20.0, 30.0, 40.0].iter().map(|l| ring().small_signal(*l, 8192).conversion_loss_db - limit).collect();
    assert!(above[0] > above[1] && above[1] > above[2] && above[2] > 0.0, "{above:?}");
    assert!(above[2] < 0.01, "{above:?}");
}

#[test]
fn j3_spur_table_of_the_balanced_ring() {
    let grid = ring().grid(10.0, -10.0, 512, 32);
    check_entry("J3", &|name| {
        if name == "1x1 IF level" {
            return Some(grid.level_dbm(3, 1, 1));
        }
        let digits: Vec<i32> = name.chars().filter_map(|c| c.to_digit(10)).map(|d| d as i32).collect();
        Some(grid.level_dbm(3, digits[0], digits[1]) - grid.level_dbm(3, 1, 1))
    });
    let null = grid.dbc(2, 2);
    assert!(null < -250.0, "perfect balance leaves no 2x2: found {null} dBc");
}

#[test]
fn j3b_slope_and_constant_of_the_third_rf_order() {
    // Hard switching at +17 dBm with a tiny RF asks for a finer LO grid, the RF for few points.
    let third = |lo: f64, rf: f64| ring().grid(lo, rf, if lo > 12.0 { 2048 } else { 512 }, 8).dbc(1, 3);
    let at: Vec<f64> =
        [-50.0, -40.0, -30.0, -20.0, -10.0].iter().map(|rf| ring().grid(10.0, *rf, 512, 32).dbc(1, 3)).collect();
    check_entry("J3b", &|name| {
        Some(match name {
            "slope -50..-40" => (at[1] - at[0]) / 10.0,
            "slope -20..-10" => (at[4] - at[3]) / 10.0,
            _ if name.starts_with("constant") => {
                let lo: f64 = name.split(' ').nth(4)?.parse().ok()?;
                third(lo, lo - 60.0) + 120.0
            }
            _ => {
                let rf: f64 = name.split(' ').nth(3)?.parse().ok()?;
                at[((rf + 50.0) / 10.0).round() as usize]
            }
        })
    });
    // G2b: the constants lie about the commutator form.
    let commutator = spurs::commutator_constant_db(1, 3);
    assert!((third(17.0, -43.0) + 120.0 - commutator).abs() < 0.5, "{commutator}");
}

#[test]
fn j4_one_diode_with_more_saturation_current() {
    let mut uneven = ring();
    uneven.diodes[0].is_a = 1.2e-13;
    let grid = uneven.grid(10.0, -10.0, 512, 32);
    check_entry("J4", &|name| {
        Some(match name {
            "conversion loss" => grid.conversion_loss_db(),
            "LO-IF isolation" => grid.lo_isolation_db(3),
            "LO-RF isolation" => grid.lo_isolation_db(2),
            "RF-IF isolation" => grid.rf_isolation_db(3),
            _ => {
                let digits: Vec<i32> = name.chars().filter_map(|c| c.to_digit(10)).map(|d| d as i32).collect();
                grid.level_dbm(3, digits[0], digits[1]) - grid.level_dbm(3, 1, 1)
            }
        })
    });
}

#[test]
fn doubling_the_grid_shows_convergence() {
    // Aliasing falls geometrically: each doubling gains decades until rounding.
    let loss = |n| ring().small_signal(7.0, n).conversion_loss_db;
    let fine = loss(2048);
    let misses: Vec<f64> = [32, 64, 128, 256].iter().map(|n| (loss(*n) - fine).abs()).collect();
    assert!(misses[3] < 1e-6 && misses[3] < 1e-2 * misses[1], "{misses:?}");
}

#[test]
fn shifting_the_lo_by_half_a_turn_turns_odd_products_only() {
    // A property of the network, independent of its numbers: (m, n) and (-m, n) are equal.
    let grid = ring().grid(10.0, -10.0, 256, 16);
    for (m, n) in [(1, 1), (3, 1), (1, 3), (5, 3)] {
        let (sum, difference) = (grid.level_dbm(3, m, n), grid.level_dbm(3, -m, n));
        assert!((sum - difference).abs() < 1e-6, "({m}, {n}): {sum} {difference}");
    }
}
