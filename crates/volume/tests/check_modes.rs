//! Modes of the rectangular guide, cavities with a slab at one end, and the impedance of a foil: closed forms.

mod common;
use common::*;
use mixwright_volume::{
    Face, Medium, Model, Order, PlanMesh, Port, PrismMesh, Side, Volume, Wall, foil_impedance_ohm, resonances,
};
use proof::{CheckValue, Origin};
use quantity::constants::VACUUM_PERMEABILITY_H_PER_M;
use std::f64::consts::TAU;

fn steps(length: f64, n: usize) -> Vec<f64> {
    (0..=n).map(|i| length * i as f64 / n as f64).collect()
}

/// A row whose stated tolerance is that of the formula, compared within that of the mesh.
#[track_caller]
fn near(id: &str, quantity: &str, found: f64, relative: f64, because: &str, how: &'static str) {
    let expected = row(id, quantity).0;
    let what = format!("{id} {quantity}");
    let origin = Origin::Derived { how };
    CheckValue { what: &what, expected, within: relative * expected.abs(), because, origin }.check(found);
}

#[test]
fn rectangular_guide() {
    let (a, b) = (22.86 * MM, 10.16 * MM);
    let how = "fc = c/2 √((m/a)²+(n/b)²), β² = k² − kc², textbook";
    let mut mesh = PrismMesh::new(PlanMesh::grid(&steps(a, 10), &steps(b, 5)).expect("a grid"), vec![0.0, MM]);
    mesh.mark_rim(Face::Electric);
    mesh.mark_rim_where(Face::Open, |_, d| d[2].abs() > 0.5);
    let model = Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports: vec![] };
    let found = resonances(&model, Order::Second, 13e9, 6).expect("resonances");
    for mode in ["TE10", "TE20", "TE01", "TE11", "TE30"] {
        let quantity = format!("fc_{mode}");
        let f = row("3d.wg_cutoff", &quantity).0 * 1e9;
        let nearest = found.iter().map(|r| r.freq_hz).min_by(|x, y| (x - f).abs().total_cmp(&(y - f).abs()));
        near("3d.wg_cutoff", &quantity, nearest.expect("some") / 1e9, 2e-4, "second-order cells of a/10", how);
    }
    let port = |side| Port::Wave { side, range_m: None, n_modes: 1, shift_m: 0.0, path_m: None };
    let volume = Volume {
        x_m: [0.0, a],
        y_m: [0.0, 3.0 * MM],
        layers: vec![air(b)],
        blocks: vec![],
        conductors: vec![],
        walls: [Wall::Electric; 6],
        ports: vec![port(Side::YMin), port(Side::YMax)],
    };
    let mut driven = driven(volume.mesh(&sizes(2.0 * MM, 0.5, vec![], [b, b])).expect("a mesh"));
    for ghz in [8.0, 10.0, 12.0] {
        let f = ghz * 1e9;
        let beta = driven.port_lines(f).expect("modes")[0].beta.expect("a wave").re;
        near("3d.wg_cutoff", &format!("beta_TE10 @{ghz} GHz"), beta, 1e-4, "second-order cells of a/11", how);
        if f == 10e9 {
            let z = TAU * f * VACUUM_PERMEABILITY_H_PER_M / beta;
            near("3d.wg_cutoff", "Z_TE10 @10 GHz", z, 1e-4, "second-order cells of a/11", "ωμ/β");
        }
    }
}

#[test]
fn cavities_with_a_slab_at_one_end() {
    let how =
        "roots of tan(b1 t)/b1 + tan(b2 (d−t))/b2 = 0, R. F. Harrington, Time-Harmonic Electromagnetic Fields (1961)";
    let (a, b, d) = (20.0 * MM, 10.0 * MM, 15.0 * MM);
    for (eps, t, name) in [(4.0, 5.0, "er=4 t=5mm"), (9.8, 5.0, "er=9.8 t=5mm"), (12.9, 0.635, "er=12.9 t=0.635mm")] {
        // E along y alone, uniform there: plan x-z' with the length as plan y, and heights as the narrow side
        let mut ys = steps(t * MM, if t > 1.0 { 8 } else { 2 });
        ys.extend(steps(d - t * MM, 10).iter().skip(1).map(|y| t * MM + y));
        let mut mesh = PrismMesh::new(PlanMesh::grid(&steps(a, 8), &ys).expect("a grid"), vec![0.0, b]);
        mesh.mark_rim(Face::Electric);
        for tri in 0..mesh.plan.triangles.len() {
            if mesh.plan.centre(tri)[1] < t * MM {
                mesh.media[tri] = Some(1);
            }
        }
        let media = vec![Medium::AIR, Medium::lossless(eps)];
        let model = Model { mesh, media, surfaces: vec![], ports: vec![] };
        for k in 1..=3 {
            let quantity = format!("f{k} {name}");
            let f = row("3d.cavity_slab_end", &quantity).0 * 1e9;
            // families with other variations across the guide lie between
            let list = resonances(&model, Order::Second, 0.999 * f, 3).expect("resonances");
            let apart = |x: f64| (x - f).abs();
            let found = list.iter().map(|r| r.freq_hz).min_by(|x, y| apart(*x).total_cmp(&apart(*y))).expect("three");
            check("3d.cavity_slab_end", &quantity, found / 1e9, how);
        }
    }
}

#[test]
fn foils_from_far_below_to_far_above_the_skin_depth() {
    let how = "(1+j) Rs coth((1+j) t/δ) on one side, t/2δ with both, diffusion in one dimension (memory)";
    for (quantity, ..) in rows("2d.skin_foil") {
        let (t, f) = (after(quantity, "t=") * 1e-6, after(quantity, "f=") * 1e9);
        // the field on one side alone sees the whole thickness
        let seen = if quantity.contains("one side") { 2.0 * t } else { t };
        let z = foil_impedance_ohm(f, 4.1e7, seen);
        let found = if quantity.starts_with("Re") { z.re } else { z.im };
        check("2d.skin_foil", quantity, found, how);
    }
    assert_eq!(rows("2d.skin_foil").len(), 36);
}
