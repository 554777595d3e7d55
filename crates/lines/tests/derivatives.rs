//! Derivatives: closed forms, published sensitivities, scale identity, differences of re-solved sections.

mod common;
use common::*;
use mixwright_lines::{Conductor, CrossSection, Filling, LineSolution, Motion, Outline, Surface};
use numerics::RMatrix;

/// `d ln Z` of a single line along a motion.
fn log_impedance(solution: &LineSolution, motion: &Motion) -> f64 {
    let d = solution.derivative(motion).expect("a motion that keeps contacts");
    0.5 * (d.l[(0, 0)] / solution.l_h_per_m[(0, 0)] - d.c[(0, 0)] / solution.c_f_per_m[(0, 0)])
}

#[test]
fn coaxial_line() {
    let solution = solve(&round(1.52e-3, 0.0, 3.5e-3, 2.1));
    let radius = |conductor: usize| {
        let mut motion = Motion::none(solution.section());
        motion.radius[conductor] = 1.0;
        motion
    };
    let how = "derivative of (eta0/2pi) ln(b/a)/sqrt(er)";
    let inner = log_impedance(&solution, &radius(0)) * 1.52e-3;
    let outer = log_impedance(&solution, &radius(1)) * 3.5e-3;
    near("dlnZ/dlna", inner, -1.198_965_1, 1e-6, "exact panels", how);
    near("dlnZ/dlnb", outer, 1.198_965_1, 1e-6, "exact panels", how);
    let eps = log_impedance(&solution, &Motion::permittivity(solution.section(), 0)) * 2.1;
    near("dlnZ/dlner", eps, -0.5, 1e-9, "homogeneous", how);
}

#[test]
fn stripline() {
    let how = "dlnZ/dlnw = −(x π²/4)/(tanh(πx/2) K K'), x = w/b, derivative of the exact form of Cohn (1954)";
    for (w, expected) in [(0.3, -0.447_608_249), (1.0, -0.694_552_443), (2.0, -0.819_246_839)] {
        let section = between(1.0, 1.0, vec![sheet([-0.5 * w, 0.5 * w], 0.5)]);
        let solution = solve(&section);
        let by_width = log_impedance(&solution, &Motion::width(&section, 0)) * w;
        near("dlnZ/dlnw", by_width, expected, 2e-3, "slope of a discrete solution good to 1e-4", how);
        // both distances to the planes: strip at half the lid height
        let mut spread = Motion::none(&section);
        spread.corners[0] = vec![[0.0, 0.5]; 2];
        (spread.lid, spread.layer_tops[0]) = (1.0, 1.0);
        near(
            "dlnZ/dlnb",
            log_impedance(&solution, &spread),
            -by_width,
            1e-5,
            "the far ends of the lid do not scale",
            how,
        );
    }
}

/// Thick microstrip against central differences of independent finite elements.
#[test]
fn thick_microstrip() {
    let cases = [
        ([70.0, 100.0, 3.0, 12.9], [-0.4202, 0.4348, -0.01466, -0.4721]),
        ([22.0, 9.0, 3.0, 2.65], [-0.5859, 0.6319, -0.04601, -0.4134]),
        ([600.0, 635.0, 4.0, 9.8], [-0.4767, 0.4803, -0.003637, -0.4684]),
    ];
    for ([w, h, t, eps], expected) in cases {
        let section = on_substrate(h, eps, vec![strip([-0.5 * w, 0.5 * w], [h, h + t])]);
        let solution = solve_to(&section, 2e-4);
        let thicker = Motion::lift(&section, h + t);
        let motions = [
            (Motion::width(&section, 0), w, 0.01 * 0.42),
            (Motion::lift(&section, h), h, 0.01 * 0.43),
            (thicker, t, 5e-4),
            (Motion::permittivity(&section, 0), eps, 0.01 * 0.41),
        ];
        let found: Vec<f64> = motions.iter().map(|m| log_impedance(&solution, &m.0) * m.1).collect();
        for ((found, expected), (_, _, within)) in found.iter().zip(expected).zip(&motions) {
            let relative = within / f64::abs(expected);
            near("dlnZ by w, h, t, er", *found, expected, relative, "tolerance stated with the reference", FEM);
        }
        let sum: f64 = found[..3].iter().sum();
        assert!(sum.abs() < 1e-3, "scale invariance: w, h and t together must not change Z, found {sum}");
    }
}

fn largest_relative(found: &RMatrix, expected: &RMatrix, scale: f64) -> f64 {
    let pairs = found.as_slice().iter().zip(expected.as_slice());
    pairs.map(|(f, e)| (f - e).abs()).fold(0.0, f64::max) / scale
}

/// Trapezoid in two films under a lid: every kind of node moves.
fn buried(p: [f64; 8]) -> CrossSection {
    let [width, slope, base, film, lid, shift, eps1, eps2] = p;
    let foot = Outline::Solid(vec![
        [-0.5 * width - slope, base],
        [0.5 * width + slope, base],
        [0.5 * width, base + 8.0],
        [-0.5 * width, base + 8.0],
    ]);
    // the film ends half-way up the trapezoid
    let trapezoid = Conductor { name: "foot".into(), outline: foot, reference: false, surface: Surface::PERFECT };
    let upper = strip([shift - 10.0, shift + 10.0], [base + 20.0, base + 23.0]);
    let layers = [(base, Filling::lossless(eps1)), (base + film, Filling::lossless(eps2)), (lid, AIR)];
    CrossSection { lid: Some((lid, Surface::PERFECT)), ..CrossSection::over_ground(&layers, vec![trapezoid, upper]) }
}

#[test]
fn every_kind_of_dimension_against_differences() {
    let start = [30.0, 2.0, 50.0, 4.0, 120.0, 3.0, 6.0, 3.0];
    let section = buried(start);
    let solution = solve_to(&section, 3e-4);
    let lift = Motion::lift(&section, 50.0);
    let mut film = Motion::none(&section);
    film.layer_tops[1] = 1.0;
    let mut lid = Motion::none(&section);
    lid.lid = 1.0;
    let mut base = lift.clone();
    base.lid = 0.0;
    let slope = Motion::none(&section).with_conductor(&section, 0, |p| match p[1] == 50.0 {
        true => [p[0].signum(), 0.0],
        false => [0.0, 0.0],
    });
    let width = Motion::none(&section).with_conductor(&section, 0, |p| [0.5 * p[0].signum(), 0.0]);
    let motions = [
        (0, width),
        (1, slope),
        (2, base),
        (3, film),
        (4, lid),
        (5, Motion::shift(&section, 1)),
        (6, Motion::permittivity(&section, 0)),
        (7, Motion::permittivity(&section, 1)),
    ];
    for (index, motion) in motions {
        let step = 2e-3 * start[index];
        let at = |sign: f64| {
            let mut p = start;
            p[index] += sign * step;
            solve_to(&buried(p), 3e-4)
        };
        let (up, down) = (at(1.0), at(-1.0));
        let difference =
            |u: &RMatrix, d: &RMatrix| RMatrix::from_fn(2, 2, |i, j| (u[(i, j)] - d[(i, j)]) / (2.0 * step));
        let found = solution.derivative(&motion).expect("keeps contacts");
        let dc = difference(&up.c_f_per_m, &down.c_f_per_m);
        let dl = difference(&up.l_h_per_m, &down.l_h_per_m);
        // scale: a per cent of the entry over the dimension keeps tiny derivatives from being compared with noise
        let floor = |m: &RMatrix| 0.01 * m[(0, 0)] / start[index];
        let largest = |m: &RMatrix| m.as_slice().iter().fold(0.0, |a: f64, x| a.max(x.abs()));
        let c_error = largest_relative(&found.c, &dc, largest(&dc).max(floor(&solution.c_f_per_m)));
        let l_error = largest_relative(&found.l, &dl, largest(&dl).max(floor(&solution.l_h_per_m)));
        assert!(c_error < 0.01 && l_error < 0.01, "dimension {index}: C off by {c_error:.1e}, L by {l_error:.1e}");
    }
}

#[test]
fn torn_contacts_are_refused() {
    let section = on_substrate(1.0, 4.0, vec![strip([-1.0, 1.0], [1.0, 1.1])]);
    let mut torn = Motion::none(&section);
    torn.layer_tops[0] = 1.0;
    let text = solve(&section).derivative(&torn).expect_err("the strip stays behind").to_string();
    assert!(text.contains("conductor `line` lies on the interface"), "{text}");
}
