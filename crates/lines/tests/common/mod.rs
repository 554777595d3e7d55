//! Cross-sections of the checks.
#![allow(dead_code, missing_docs, unreachable_pub)]

use mixwright_lines::{Conductor, CrossSection, Filling, LineSettings, LineSolution, Outline, Surface, solve_lines};
use proof::{CheckValue, Origin};

pub const AIR: Filling = Filling::lossless(1.0);
pub const UP: f64 = f64::INFINITY;

/// Source of the numbers called truth in these tests.
pub const FEM: &str = "independent electrostatic p-version finite elements with geometric edge refinement, two \
                       orders agreeing to 4e-6";

pub fn solve(section: &CrossSection) -> LineSolution {
    solve_to(section, 1e-3)
}

pub fn solve_to(section: &CrossSection, tolerance: f64) -> LineSolution {
    let settings = LineSettings { tolerance, ..LineSettings::default() };
    let (solution, report) = solve_lines(section, &settings).expect("solvable");
    assert!(report.residual <= tolerance);
    solution
}

/// Impedance and effective permittivity of a single line.
pub fn single(section: &CrossSection) -> (f64, f64) {
    let solution = solve(section);
    let mode = &solution.modes().expect("modes")[0];
    (mode.line_impedance_ohm(0), mode.eps_eff)
}

/// Even and odd impedance of two equal lines, then their effective permittivities.
pub fn even_odd(section: &CrossSection) -> [f64; 4] {
    let solution = solve(section);
    let modes = solution.modes().expect("modes");
    let is_even = |m: &&mixwright_lines::Mode| m.voltage[0] * m.voltage[1] > 0.0;
    // equal velocities leave the modes of a homogeneous line undetermined: then use the matrices
    let pair = |m: &numerics::RMatrix, s: f64| m[(0, 0)] + s * m[(0, 1)];
    let z = |s: f64| (pair(&solution.l_h_per_m, s) / pair(&solution.c_f_per_m, s)).sqrt();
    let e = |s: f64| pair(&solution.l_h_per_m, s) * pair(&solution.c_f_per_m, s) * 299_792_458.0f64.powi(2);
    let answer = [z(1.0), z(-1.0), e(1.0), e(-1.0)];
    if (answer[2] - answer[3]).abs() > 1e-3 {
        let even = modes.iter().find(is_even).expect("an even mode");
        assert!((even.line_impedance_ohm(0) / answer[0] - 1.0).abs() < 1e-6);
        assert!((even.eps_eff / answer[2] - 1.0).abs() < 1e-6);
    }
    answer
}

#[track_caller]
pub fn near(what: &str, found: f64, expected: f64, relative: f64, because: &str, how: &'static str) {
    CheckValue { what, expected, within: relative * expected.abs(), because, origin: Origin::Derived { how } }
        .check(found);
}

pub fn strip(x: [f64; 2], y: [f64; 2]) -> Conductor {
    Conductor::strip("line", x, y, Surface::PERFECT)
}

pub fn sheet(x: [f64; 2], y: f64) -> Conductor {
    Conductor::sheet("line", x, y)
}

/// Lines between ground and lid at a distance `b`, in one dielectric.
pub fn between(b: f64, eps: f64, conductors: Vec<Conductor>) -> CrossSection {
    let open = CrossSection::over_ground(&[(b, Filling::lossless(eps))], conductors);
    CrossSection { lid: Some((b, Surface::PERFECT)), ..open }
}

/// Lines over a substrate of height `h` in air.
pub fn on_substrate(h: f64, eps: f64, conductors: Vec<Conductor>) -> CrossSection {
    CrossSection::over_ground(&[(h, Filling::lossless(eps)), (UP, AIR)], conductors)
}

pub fn round(inner_m: f64, offset_m: f64, outer_m: f64, eps: f64) -> CrossSection {
    let wire = Outline::Wire { centre: [offset_m, 0.0], radius_m: inner_m };
    let shield = Outline::Shield { centre: [0.0, 0.0], radius_m: outer_m, wall_m: UP };
    let part = |outline, reference| Conductor { name: "round".into(), outline, reference, surface: Surface::PERFECT };
    CrossSection {
        ground: None,
        lid: None,
        walls_m: None,
        fillings: vec![Filling::lossless(eps)],
        layers: vec![mixwright_lines::Layer { top_m: UP, filling: 0 }],
        conductors: vec![part(wire, false), part(shield, true)],
    }
}
