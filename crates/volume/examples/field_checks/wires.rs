//! Inductance of a round wire beside a plane, and of a via under a strip, from lumped ports at low frequency.
//!
//! Sources: E. B. Rosa, Bull. Bureau of Standards 4 (1908) 301-344 (partial inductances); M. E. Goldfarb, R. A. Pucel,
//! IEEE Microwave Guided Wave Lett. 1 (1991) 135-137 (via; published agreement about 4 %). A partial inductance has a
//! meaning in a closed loop only: differences between two loops that share the rest are compared.

use mixwright_volume::{
    Conductor, Driven, Layer, Medium, MeshSettings, Metal, Order, Pad, PlanSize, Port, SolveSettings, Volume,
    VolumeError, Wall,
};
use numerics::Quiet;
use std::f64::consts::{PI, TAU};

const UM: f64 = 1e-6;
const FREQ_HZ: f64 = 1e8;

fn inductance(volume: &Volume, settings: &MeshSettings) -> Result<(f64, usize), VolumeError> {
    let solve = SolveSettings { order: Order::Second, formulation: None, single_precision: false };
    let answer = Driven::new(volume.mesh(settings)?, solve)?.solve(FREQ_HZ, &Quiet)?;
    let s = answer.scattering[(0, 0)];
    Ok(((50.0 * (1.0 + s) / (1.0 - s)).im / (TAU * FREQ_HZ), answer.report.unknowns))
}

/// External partial inductance of a straight round wire, and mutual of two filaments, henry.
fn partial(length: f64, radius: f64) -> f64 {
    2e-7 * (length * (length / radius).asinh() - length.hypot(radius) + radius)
}

fn sheet(x: [f64; 2], y: [f64; 2], z: f64) -> Conductor {
    let polygon = vec![[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]];
    Conductor { name: "strap".into(), polygon, z_m: [z; 2], metal: Metal::Perfect }
}

/// Half circle around (`x`, 0) with the rim a circle of this area would have.
fn half_round(x: f64, radius: f64, corners: usize) -> Vec<[f64; 2]> {
    let step = PI / corners as f64;
    let r = radius * (step / step.sin()).sqrt();
    (0..=corners)
        .map(|k| [x + r * (step * k as f64).cos(), if k == corners { 0.0 } else { r * (step * k as f64).sin() }])
        .collect()
}

/// An upright wire at a distance from a metal plane, joined to it by straps at both ends, one of them the port.
fn loop_of(length: f64, corners: usize, far: f64) -> Result<(f64, usize), VolumeError> {
    let (distance, radius, strap) = (100.0 * UM, 12.5 * UM, 30.0 * UM);
    let (low, high) = (far, far + length);
    let wire = Conductor {
        name: "wire".into(),
        polygon: half_round(distance, radius, corners),
        z_m: [low, high],
        metal: Metal::Perfect,
    };
    let e = Wall::Electric;
    let volume = Volume {
        x_m: [0.0, far],
        y_m: [0.0, far],
        layers: vec![Layer { name: "air".into(), thickness_m: 2.0 * far + length, medium: Medium::AIR }],
        blocks: vec![],
        conductors: vec![
            wire,
            sheet([0.0, distance], [0.0, strap / 2.0], high),
            sheet([distance - radius, distance], [0.0, strap / 2.0], low),
        ],
        walls: [e, e, Wall::Magnetic, e, e, e],
        ports: vec![Port::Flat {
            polygon: vec![[0.0, 0.0], [distance - radius, 0.0], [distance - radius, strap / 2.0], [0.0, strap / 2.0]],
            z_m: low,
            direction: [1.0, 0.0],
            reference_ohm: 50.0,
        }],
    };
    let settings = MeshSettings {
        edge_m: 6.0 * UM,
        plan: PlanSize { size_max_m: far / 4.0, growth: 0.7, hints: vec![] },
        height_m: 12.0 * UM,
        height_growth: 2.2,
        height_max_m: far / 4.0,
        levels_m: vec![],
        symmetry: None,
    };
    let (half, unknowns) = inductance(&volume, &settings)?;
    Ok((half / 2.0, unknowns))
}

pub(crate) fn wire() -> Result<(), VolumeError> {
    let (radius, double) = (12.5 * UM, 200.0 * UM);
    let over_plane = |length: f64| partial(length, radius) - partial(length, double) - partial(double, length);
    for far in [1000.0 * UM, 2000.0 * UM] {
        let (long, unknowns) = loop_of(500.0 * UM, 6, far)?;
        let (short, _) = loop_of(250.0 * UM, 6, far)?;
        let expected = over_plane(500.0 * UM) - over_plane(250.0 * UM);
        println!(
            "| 3d.wire_L | 500 less 250 um of wire 25 um thick, axis 100 um over metal, walls at {:.0} um, {unknowns} \
             unknowns | {:.5} nH | {:.5} | {:+.2e} | | |",
            far * 1e6,
            expected * 1e9,
            (long - short) * 1e9,
            ((long - short) / expected - 1.0)
        );
    }
    Ok(())
}

/// Short circuit of a strip over ground by a round via, or by a wall of no thickness across the strip at its axis.
fn shorted(height: f64, radius: f64, width: f64, round: bool) -> Result<f64, VolumeError> {
    let (length, far) = (5.0 * height, 8.0 * height);
    let end = if round { length + 1.2 * radius } else { length };
    let mut conductors = vec![sheet([0.0, end], [0.0, width / 2.0], height)];
    conductors.push(match round {
        true => Conductor {
            name: "via".into(),
            polygon: half_round(length, radius, 8),
            z_m: [0.0, height],
            metal: Metal::Perfect,
        },
        false => Conductor {
            name: "short".into(),
            polygon: vec![[length, 0.0], [length, width / 2.0]],
            z_m: [0.0, height],
            metal: Metal::Perfect,
        },
    });
    let e = Wall::Electric;
    let volume = Volume {
        x_m: [0.0, length + far],
        y_m: [0.0, far],
        layers: vec![Layer { name: "air".into(), thickness_m: 8.0 * height, medium: Medium::AIR }],
        blocks: vec![],
        conductors,
        walls: [Wall::Magnetic, e, Wall::Magnetic, e, e, e],
        ports: vec![Port::Upright {
            line: [[0.0, 0.0], [0.0, width / 2.0]],
            z_m: [0.0, height],
            plus: Pad::Upper,
            reference_ohm: 50.0,
        }],
    };
    let settings = MeshSettings {
        edge_m: 0.2 * radius.min(0.5 * height),
        plan: PlanSize { size_max_m: 3.0 * height, growth: 0.7, hints: vec![] },
        height_m: 0.15 * height,
        height_growth: 2.2,
        height_max_m: 3.0 * height,
        levels_m: vec![],
        symmetry: None,
    };
    Ok(inductance(&volume, &settings)?.0 / 2.0)
}

pub(crate) fn via() -> Result<(), VolumeError> {
    for (height, radius) in [(100.0, 25.0), (100.0, 50.0), (50.0, 15.0), (200.0, 50.0), (635.0, 150.0)] {
        let (h, r) = (height * UM, radius * UM);
        let formula = 2e-7 * (h * ((h + r.hypot(h)) / r).ln() + 1.5 * (r - r.hypot(h)));
        // the formula knows no strip: what a via adds to an ideal short depends on the width that feeds it
        let added = |width: f64| Ok::<f64, VolumeError>(shorted(h, r, width, true)? - shorted(h, r, width, false)?);
        let found = [added(4.0 * r)?, added(8.0 * r)?, added(16.0 * r)?];
        let text: Vec<String> = found.iter().map(|l| format!("{:.2}", l * 1e12)).collect();
        println!(
            "| 3d.via_L | via h={height} r={radius} um beyond a wall across a strip of 4, 8 and 16 r at its axis | \
             {:.3} pH | {} | | | |",
            formula * 1e12,
            text.join(", ")
        );
    }
    Ok(())
}
