//! Step of the inner radius of a round coaxial line: static capacitance against published-type values.

use mixwright_volume::{
    Conductor, Driven, Layer, Medium, MeshSettings, Metal, Order, PlanSize, Port, SolveSettings, Volume, Wall,
};
use numerics::{Complex64, Quiet};
use proof::{CheckValue, Origin};
use std::f64::consts::{PI, TAU};

const MM: f64 = 1e-3;
/// Corners of a quarter circle.
const N: usize = 12;

fn arc(r: f64) -> Vec<[f64; 2]> {
    (0..=N).map(|k| PI / 2.0 * k as f64 / N as f64).map(|a| [r * a.cos() * MM, r * a.sin() * MM]).collect()
}

/// A quarter of the line: inner radius `low` up to 2.6 mm, `high` for 1.6 mm above; outer radius 3 mm.
/// Returns the capacitance of the whole line with open ends, farad.
fn capacitance(low: f64, high: f64) -> f64 {
    let disc = |r: f64, z: [f64; 2]| {
        let mut polygon = vec![[0.0, 0.0]];
        polygon.extend(arc(r));
        Conductor { name: format!("inner {r}"), polygon, z_m: z.map(|z| z * MM), metal: Metal::Perfect }
    };
    let height = 4.2;
    let mut shield = arc(3.0);
    shield.extend([[0.0, 3.2 * MM], [3.2 * MM, 3.2 * MM], [3.2 * MM, 0.0]]);
    // The other radius is drawn too, without height, so that all cases share one plan.
    let m = Wall::Magnetic;
    let volume = Volume {
        x_m: [0.0, 3.2 * MM],
        y_m: [0.0, 3.2 * MM],
        layers: vec![Layer { name: "air".into(), thickness_m: height * MM, medium: Medium::AIR }],
        blocks: [1.0, 2.0]
            .map(|r| mixwright_volume::Block {
                name: "outline".into(),
                polygon: disc(r, [0.0, 0.0]).polygon,
                z_m: [0.0, 0.0],
                medium: Medium::AIR,
            })
            .to_vec(),
        conductors: vec![
            disc(low, [0.0, 2.6]),
            disc(high, [2.6, height]),
            Conductor { name: "shield".into(), polygon: shield, z_m: [0.0, height * MM], metal: Metal::Perfect },
        ],
        walls: [m; 6],
        ports: vec![Port::Flat {
            polygon: vec![[0.5 * MM, 0.0], [3.1 * MM, 0.0], [3.1 * MM, 0.3 * MM], [0.5 * MM, 0.3 * MM]],
            z_m: 0.0,
            direction: [-1.0, 0.0],
            reference_ohm: 50.0,
        }],
    };
    let edge = (0..=N).map(|k| ([arc(2.0)[k][0], arc(2.0)[k][1]], 0.16 * MM)).collect();
    let settings = MeshSettings {
        edge_m: 1.0 * MM,
        plan: PlanSize { size_max_m: 1.0 * MM, growth: 0.6, hints: edge },
        height_m: 1.5 * MM,
        height_growth: 1.5,
        height_max_m: 1.5 * MM,
        levels_m: [0.1, 0.3, 0.8].iter().flat_map(|d| [(2.6 - d) * MM, (2.6 + d) * MM]).collect(),
        symmetry: None,
    };
    let model = volume.mesh(&settings).expect("a mesh");
    let f = 1e6;
    let s = Driven::new(model, SolveSettings { order: Order::Second, formulation: None, single_precision: false })
        .expect("a model")
        .solve(f, &Quiet)
        .expect("a solution")
        .scattering[(0, 0)];
    let z = 50.0 * (1.0 + s) / (1.0 - s);
    4.0 / (Complex64::i() * TAU * f * z).re
}

#[test]
fn inner_step_has_its_capacitance() {
    let (step, thin, thick) = (capacitance(1.0, 2.0), capacitance(1.0, 1.0), capacitance(2.0, 2.0));
    let per_length = thin / (4.2 * MM);
    CheckValue {
        what: "capacitance of the coaxial line 1/3 mm, F/m",
        expected: TAU * 8.854_187_813e-12 / 3.0_f64.ln(),
        within: 4e-3 * per_length,
        because: "circles drawn with 48 corners",
        origin: Origin::Derived { how: "C = 2πε/ln(b/a)" },
    }
    .check(per_length);
    let found = step - thin * 2.6 / 4.2 - thick * 1.6 / 4.2;
    CheckValue {
        what: "step capacitance of radii 1/2/3 mm, F",
        expected: 44.046e-15,
        within: 0.01 * 44.046e-15,
        because: "circles of 48 corners and a singular edge in cells of 0.1 mm",
        origin: Origin::Derived { how: "axisymmetric high-order elements, two resolutions agree to 3e-6 (check 3d.coax_step); compare P. I. Somlo, IEEE Trans. MTT-15 (1967)" },
    }
    .check(found);
}
