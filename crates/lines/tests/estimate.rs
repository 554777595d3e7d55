//! The error estimate against true errors, and how fast they fall.

mod common;
use common::*;
use mixwright_lines::{CrossSection, Filling, LineSettings, Outline, solve_lines};

const ETA0: f64 = 376.730_313_668;

/// Capacitance over vacuum permittivity of cases that are known exactly.
fn known() -> Vec<(&'static str, CrossSection, f64)> {
    let stripline = |w: f64, z: f64| ("stripline", between(1.0, 1.0, vec![sheet([-0.5 * w, 0.5 * w], 0.5)]), ETA0 / z);
    let air = |u: f64, z: f64| {
        ("air microstrip", CrossSection::over_ground(&[(UP, AIR)], vec![sheet([-0.5 * u, 0.5 * u], 1.0)]), ETA0 / z)
    };
    let square = |ratio: f64, c: f64| {
        let corners = |h: f64| vec![[-h, -h], [h, -h], [h, h], [-h, h]];
        let mut section = round(1.0, 0.0, 2.0, 1.0);
        section.conductors[0].outline = Outline::Solid(corners(ratio));
        section.conductors[1].outline = Outline::Box(corners(1.0));
        ("square coaxial line", section, c)
    };
    vec![
        // exact values: Cohn 1954, Love 1923, Bowman 1953 (memory), see the tests of closed forms
        stripline(0.2, 153.029_273),
        stripline(0.5, 100.432_451),
        stripline(2.0, 38.579_322_6),
        air(0.1, 262.758_43),
        air(1.0, 126.423_868),
        air(10.0, 29.020_885_4),
        square(0.2, 4.134_487_024),
        square(0.5, 10.234_092_57),
        square(0.8, 34.234_915_2),
    ]
}

#[test]
fn estimate_exceeds_the_true_error() {
    for (name, section, c) in known() {
        for tolerance in [1e-3, 1e-4, 1e-5] {
            let settings = LineSettings { tolerance, ..LineSettings::default() };
            let (solution, report) = solve_lines(&section, &settings).expect("solvable");
            let error = (solution.c_f_per_m[(0, 0)] / 8.854_187_812_8e-12 / c - 1.0).abs();
            // the printed exact values carry nine digits
            let estimate = report.error_estimate.expect("always given");
            assert!(error <= estimate + 5e-9, "{name} at {tolerance:.0e}: error {error:.1e}, estimate {estimate:.1e}");
            assert!(estimate <= tolerance && estimate == solution.error_estimate);
        }
    }
}

/// More polynomials: the error falls at least fourfold with each, as it must for smooth charges on mapped panels.
#[test]
fn error_falls_geometrically_with_the_order() {
    let (_, section, c) = known().swap_remove(4);
    let errors: Vec<f64> = (2..7)
        .map(|polynomials| {
            let settings = LineSettings { polynomials, tolerance: 0.1, ..LineSettings::default() };
            let (solution, _) = solve_lines(&section, &settings).expect("solvable");
            (solution.c_f_per_m[(0, 0)] / 8.854_187_812_8e-12 / c - 1.0).abs()
        })
        .collect();
    let mean = (errors[0] / errors[4]).powf(0.25);
    assert!(mean > 4.0, "errors {errors:?}");
}

/// Scale and mirror leave C, L and their error alone; turning the order of lines turns the matrices.
#[test]
fn scale_mirror_and_order() {
    let section = |scale: f64, mirror: f64, swapped: bool| {
        let x = |a: f64, b: f64| if mirror > 0.0 { [scale * a, scale * b] } else { [-scale * b, -scale * a] };
        let mut lines = vec![strip(x(-1.0, -0.1), [scale, 1.1 * scale]), strip(x(0.2, 0.7), [scale, 1.05 * scale])];
        if swapped {
            lines.reverse();
        }
        on_substrate(scale, 9.8, lines)
    };
    let base = solve(&section(1.0, 1.0, false)).c_f_per_m;
    for (scale, mirror, swapped) in [(1e-6, 1.0, false), (1.0, -1.0, false), (1e-3, -1.0, true)] {
        let found = solve(&section(scale, mirror, swapped)).c_f_per_m;
        let pick = |i: usize| if swapped { 1 - i } else { i };
        for (i, j) in [(0, 0), (0, 1), (1, 1)] {
            // rounding of the smallest panels over the farthest ones
            let change = found[(pick(i), pick(j))] / base[(i, j)] - 1.0;
            assert!(change.abs() < 1e-7, "scale {scale}, mirror {mirror}, swapped {swapped}: {change:.1e}");
        }
    }
}

#[test]
fn faults_are_refused_with_place_and_expectation() {
    let alone = CrossSection { ground: None, ..CrossSection::over_ground(&[(UP, AIR)], vec![sheet([0.0, 1.0], 1.0)]) };
    let text = |s: &CrossSection| solve_lines(s, &LineSettings::default()).expect_err("refused").to_string();
    assert_eq!(text(&alone), "conductors: expected a ground or a reference conductor for the return, found none");
    let below = on_substrate(1.0, 4.0, vec![strip([0.0, 1.0], [-0.5, 0.5])]);
    assert_eq!(text(&below), "conductor `line`: expected it above the ground plane y = 0, found a point at y = -0.5 m");
    let touching = on_substrate(1.0, 4.0, vec![strip([0.0, 1.0], [1.0, 1.1]), strip([1.0, 2.0], [1.05, 1.2])]);
    assert_eq!(text(&touching), "conductor `line`: expected it apart from conductor `line`, found them touching");
    let outside = round(1.0, 1.5, 2.0, 1.0);
    assert!(text(&outside).ends_with("found them touching"), "{}", text(&outside));
    let light = CrossSection::over_ground(&[(UP, Filling::lossless(0.5))], vec![sheet([0.0, 1.0], 1.0)]);
    assert!(text(&light).starts_with("dielectric 0: expected permittivity 1 or more"), "{}", text(&light));
    let unfinished = on_substrate(1.0, 9.8, vec![strip([-0.5, 0.5], [1.0, 3.0])]);
    let settings = LineSettings { tolerance: 1e-9, unknowns_max: 300, ..LineSettings::default() };
    let budget = solve_lines(&unfinished, &settings).expect_err("too few unknowns").to_string();
    assert!(budget.starts_with("cross-section not solved to 1.0e-9: estimated error"), "{budget}");
}
