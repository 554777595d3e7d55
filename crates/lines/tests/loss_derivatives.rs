//! Derivatives of resistance and internal inductance: closed forms, scale, and differences of new solutions.

mod common;
use common::*;
use mixwright_lines::{Conductor, CrossSection, LineSolution, Motion, Outline, Surface};

const SIGMA: f64 = 4.1e7;

/// Resistance of the inner wire of a coaxial line far above the skin depth is `Rs/2πa`, of the shield `Rs/2πb`.
#[test]
fn coaxial_line_at_high_frequency() {
    let (a, b, f) = (0.5e-3, 2e-3, 100e9);
    let mut section = round(a, 0.0, b, 1.0);
    section.conductors.iter_mut().for_each(|c| c.surface = Surface::smooth(SIGMA));
    let solution = solve(&section);
    let rs = 1.0 / (SIGMA * mixwright_lines::skin_depth(Surface::smooth(SIGMA), f));
    for (conductor, radius) in [(0, a), (1, b)] {
        let mut motion = Motion::none(&section);
        motion.radius[conductor] = 1.0;
        let found = solution.loss_derivative(&motion, &[f]).expect("a motion")[0].r[(0, 0)];
        let expected = -rs / (std::f64::consts::TAU * radius * radius);
        near("dR/dradius, ohm/m²", found, expected, 2e-3, "skin depth over radius", "derivative of Rs/(2 pi radius)");
    }
}

/// A strip at direct current: `R = 1/(σ w t)`, so that `d ln R/d ln w = d ln R/d ln t = −1`.
#[test]
fn strip_at_direct_current() {
    let (w, h, t) = (40e-6, 20e-6, 3e-6);
    let line = Conductor::strip("line", [-0.5 * w, 0.5 * w], [h, h + t], Surface::smooth(SIGMA));
    let section = on_substrate(h, 3.8, vec![line]);
    let solution = solve(&section);
    let r = solution.at(0.0).expect("solvable").r[(0, 0)];
    for (motion, size) in [(Motion::width(&section, 0), w), (Motion::lift(&section, h + t), t)] {
        let found = solution.loss_derivative(&motion, &[0.0]).expect("a motion")[0].r[(0, 0)] * size / r;
        // R itself is good to 2e-3
        let because = "the depth behind a face bends half a thickness from the corner, inside a panel";
        near("dlnR by w, t at direct current", found, -1.0, 1.5e-2, because, "R = 1/(sigma w t)");
    }
}

fn stack(p: [f64; 5]) -> CrossSection {
    let [w1, w2, gap, t, at] = p.map(|x| x * 1e-6);
    let gold = Surface::smooth(SIGMA);
    let lower = Conductor::strip("lower", [-0.5 * w1, 0.5 * w1], [50e-6, 50e-6 + t], gold);
    let low = 50e-6 + t + gap;
    let upper = Conductor::strip("upper", [at - 0.5 * w2, at + 0.5 * w2], [low, low + t], gold);
    let open = on_substrate(50e-6, 3.8, vec![lower, upper]);
    CrossSection { ground: Some(gold), ..open }
}

/// Widths, gap and place of a stacked pair against sections solved anew, and the scale identity.
#[test]
fn stacked_pair_against_new_solutions() {
    let base = [40.0, 32.0, 15.0, 3.0, 2.0];
    let section = stack(base);
    let solution = solve_to(&section, 1e-4);
    let freqs = [1e9, 10e9, 60e9];
    let gap_top = 50e-6 + 18e-6;
    let motions = [
        (0, Motion::width(&section, 0)),
        (1, Motion::width(&section, 1)),
        (2, Motion::lift(&section, gap_top)),
        (4, Motion::shift(&section, 1)),
    ];
    for (index, motion) in motions {
        let found = solution.loss_derivative(&motion, &freqs).expect("a motion");
        let step = 0.5;
        let side = |sign: f64| -> LineSolution {
            let mut p = base;
            p[index] += sign * step;
            solve_to(&stack(p), 1e-4)
        };
        let (after, before) = (side(1.0), side(-1.0));
        for (f, found) in freqs.iter().zip(&found) {
            let (a, b) = (after.at(*f).expect("solvable"), before.at(*f).expect("solvable"));
            let scale = solution.at(*f).expect("solvable").r[(0, 0)] / 30e-6;
            for (i, j) in [(0, 0), (0, 1), (1, 1)] {
                let expected = (a.r[(i, j)] - b.r[(i, j)]) / (2.0 * step * 1e-6);
                let error = (found.r[(i, j)] - expected).abs() / scale;
                // the meshes of the two new sections are cut differently
                assert!(error < 1e-2, "R{i}{j} by {index} at {f:.0e}: {} against {expected}", found.r[(i, j)]);
            }
        }
    }
}

#[test]
fn permittivity_costs_nothing_and_round_metal_moves() {
    let wire = |x: f64| Conductor {
        name: "wire".into(),
        outline: Outline::Wire { centre: [x, 50e-6], radius_m: 10e-6 },
        reference: false,
        surface: Surface::smooth(SIGMA),
    };
    let section = on_substrate(20e-6, 3.8, vec![wire(0.0), wire(40e-6)]);
    let solution = solve(&section);
    let still = solution.loss_derivative(&Motion::permittivity(&section, 0), &[1e9]).expect("a motion");
    assert!(still[0].r.as_slice().iter().all(|x| *x == 0.0));
    // moving both is moving none
    let both = Motion::shift(&section, 0).with_conductor(&section, 1, |_| [1.0, 0.0]);
    let apart = solution.loss_derivative(&Motion::shift(&section, 1), &[10e9]).expect("a motion")[0].r[(0, 0)];
    let together = solution.loss_derivative(&both, &[10e9]).expect("a motion")[0].r[(0, 0)];
    assert!(apart < 0.0, "proximity fades: {apart}");
    assert!(together.abs() < 1e-4 * apart.abs(), "{together} against {apart}");
}
