//! Windows and steps in rectangular guide, described as volumes, against mode matching.
//!
//! Half of every symmetric structure is solved, with a magnetic or electric wall in the plane of symmetry.
//! Convention of the plan: x across the guide, y along it, heights along the narrow side.

mod common;
use common::*;
use mixwright_volume::{Conductor, MeshSettings, Port, Side, Volume, Wall};
use numerics::CMatrix;

const A: f64 = 22.86e-3;
const B: f64 = 10.16e-3;
/// Distance from the obstacle to both ports.
const REACH: f64 = 15e-3;
const HOW: &str = "mode matching with edge-condition bases in the aperture, two resolutions agree to 6e-5 or better; \
                   configurations of N. Marcuvitz, Waveguide Handbook (1951)";

/// Guide with the mode TE10 through both ends, right half with a magnetic wall at x = 0.
fn half_guide(y_m: [f64; 2], conductors: Vec<Conductor>, ranges_m: [Option<[f64; 2]>; 2]) -> Volume {
    let shift = [-y_m[0], y_m[1]];
    let sides = [Side::YMin, Side::YMax];
    let e = Wall::Electric;
    Volume {
        x_m: [0.0, A / 2.0],
        y_m,
        layers: vec![air(B)],
        blocks: vec![],
        conductors,
        walls: [Wall::Magnetic, e, e, e, e, e],
        ports: (0..2)
            .map(|k| Port::Wave { side: sides[k], range_m: ranges_m[k], n_modes: 1, shift_m: shift[k], path_m: None })
            .collect(),
    }
}

fn flat(size: f64, growth: f64, hints: Vec<([f64; 2], f64)>) -> MeshSettings {
    sizes(size, growth, hints, [B, B])
}

fn answers(volume: &Volume, settings: &MeshSettings, freqs_ghz: &[f64]) -> Vec<CMatrix> {
    let freqs: Vec<f64> = freqs_ghz.iter().map(|f| f * 1e9).collect();
    solve_at(volume.mesh(settings).expect("a mesh"), &freqs)
}

#[test]
fn inductive_windows_of_no_thickness() {
    for (name, share) in [("0.3a", 0.3), ("0.5a", 0.5), ("0.7a", 0.7)] {
        let edge = share * A / 2.0;
        let volume = half_guide([-REACH, REACH], vec![wall([[edge, 0.0], [A / 2.0, 0.0]], [0.0, B])], [None; 2]);
        let settings = flat(3e-3, 0.5, vec![([edge, 0.0], 0.02e-3)]);
        for (f, s) in [8.0, 10.0, 12.0].into_iter().zip(answers(&volume, &settings, &[8.0, 10.0, 12.0])) {
            check_entry("3d.iris_h", &format!("S11 d={name} @{f}GHz"), s[(0, 0)], HOW);
            check_entry("3d.iris_h", &format!("S21 d={name} @{f}GHz"), s[(1, 0)], HOW);
            // A shunt element of no length in one mode.
            assert!((s[(1, 0)] - s[(0, 0)] - 1.0).norm() < 1e-3, "{}", s[(1, 0)] - s[(0, 0)]);
        }
    }
}

#[test]
fn thick_inductive_window() {
    let (edge, t) = (11.43e-3 / 2.0, 2e-3);
    let bar = metal([edge, A / 2.0], [0.0, t], [0.0, B]);
    let mut volume = half_guide([-REACH, t + REACH], vec![bar], [None; 2]);
    if let Port::Wave { shift_m, .. } = &mut volume.ports[1] {
        *shift_m = REACH;
    }
    let settings = flat(3e-3, 0.5, [0.0, t].map(|y| ([edge, y], 0.05e-3)).to_vec());
    for (f, s) in [8.0, 10.0, 12.0].into_iter().zip(answers(&volume, &settings, &[8.0, 10.0, 12.0])) {
        check_entry("3d.iris_h_thick", &format!("S11 @{f}GHz"), s[(0, 0)], HOW);
        check_entry("3d.iris_h_thick", &format!("S21 @{f}GHz"), s[(1, 0)], HOW);
    }
}

#[test]
fn step_of_width() {
    let narrow = 17.145e-3 / 2.0;
    let bar = metal([narrow, A / 2.0], [0.0, REACH], [0.0, B]);
    let volume = half_guide([-REACH, REACH], vec![bar], [None, Some([0.0, narrow])]);
    let settings = flat(2.5e-3, 0.5, vec![([narrow, 0.0], 0.03e-3)]);
    for (f, s) in [10.0, 12.0].into_iter().zip(answers(&volume, &settings, &[10.0, 12.0])) {
        for (entry, value) in [("S11", s[(0, 0)]), ("S21", s[(1, 0)]), ("S22", s[(1, 1)])] {
            check_entry("3d.step_h", &format!("{entry} @{f}GHz"), value, HOW);
        }
    }
}

/// Guide seen from its narrow side: plan x is the height up to `height`, heights are half the width.
fn from_the_side(height: f64, conductors: Vec<Conductor>, ranges_m: [Option<[f64; 2]>; 2]) -> Volume {
    let e = Wall::Electric;
    let mut volume = half_guide([-REACH, REACH], conductors, ranges_m);
    volume.x_m = [0.0, height];
    volume.layers = vec![air(A / 2.0)];
    volume.walls = [e, e, e, e, e, Wall::Magnetic];
    volume
}

fn sideways(size: f64, hints: Vec<([f64; 2], f64)>) -> MeshSettings {
    sizes(size, 0.6, hints, [A / 6.0; 2])
}

#[test]
fn capacitive_windows_of_no_thickness() {
    for (name, gap) in [("0.3b", 0.3 * B), ("0.5b", 0.5 * B)] {
        // E stands upright on the plane of symmetry at half the height: an electric wall there.
        let edge = (B - gap) / 2.0;
        let plate = wall([[0.0, 0.0], [edge, 0.0]], [0.0, A / 2.0]);
        let volume = from_the_side(B / 2.0, vec![plate], [None; 2]);
        let settings = sideways(3e-3, vec![([edge, 0.0], 0.03e-3)]);
        for (f, s) in [8.0, 10.0, 12.0].into_iter().zip(answers(&volume, &settings, &[8.0, 10.0, 12.0])) {
            check_entry("3d.iris_e", &format!("S11 d={name} @{f}GHz"), s[(0, 0)], HOW);
            check_entry("3d.iris_e", &format!("S21 d={name} @{f}GHz"), s[(1, 0)], HOW);
            assert!((s[(1, 0)] - s[(0, 0)] - 1.0).norm() < 1e-3, "{}", s[(1, 0)] - s[(0, 0)]);
        }
    }
}

#[test]
fn step_of_height() {
    let bar = metal([B / 2.0, B], [0.0, REACH], [0.0, A / 2.0]);
    let volume = from_the_side(B, vec![bar], [None, Some([0.0, B / 2.0])]);
    let settings = sideways(3.5e-3, vec![([B / 2.0, 0.0], 0.05e-3)]);
    for (f, s) in [8.0, 10.0, 12.0].into_iter().zip(answers(&volume, &settings, &[8.0, 10.0, 12.0])) {
        for (entry, value) in [("S11", s[(0, 0)]), ("S21", s[(1, 0)]), ("S22", s[(1, 1)])] {
            check_entry("3d.step_e", &format!("{entry} @{f}GHz"), value, HOW);
        }
    }
}

#[test]
fn a_wall_without_height_is_refused() {
    let volume = half_guide([-REACH, REACH], vec![wall([[1e-3, 0.0], [2e-3, 0.0]], [B, B])], [None; 2]);
    let e = volume.mesh(&flat(3e-3, 0.5, vec![])).expect_err("refused").to_string();
    assert!(e.starts_with("`wall`: expected an upright wall between two points and two heights"), "{e}");
}
