//! A two-section coupled-line balun on the thin-film stack: cost, rate and self-checks of one
//! full solution for several meshes.
//!
//! Run: `cargo run --release -p mixwright-volume --example balun_volume -- 60 45`, where the
//! numbers are edge lengths at the strips in micrometre. Solutions above one gibibyte are refused.
#![allow(clippy::print_stdout)] // a program that prints a table

use mixwright_volume::{
    Conductor, Driven, Formulation, Layer, Medium, MeshSettings, Metal, Order, PlanSize, Port, SolveSettings, Volume,
    Wall, cost,
};
use numerics::Quiet;
use std::time::Instant;

const UM: f64 = 1e-6;

fn strip(name: &str, half: f64, y: [f64; 2], z: [f64; 2]) -> Conductor {
    let [y0, y1] = y.map(|y| y * UM);
    let half = half * UM;
    Conductor {
        name: name.into(),
        polygon: vec![[-half, y0], [half, y0], [half, y1], [-half, y1]],
        z_m: z.map(|z| z * UM),
        metal: Metal::Finite { conductivity_s_per_m: 4.1e7, thickness_m: 3.0 * UM, roughness_m: 0.0 },
    }
}

/// Sections of 1.51 mm along y; the upper strip runs through and is open at its far end, the lower
/// strips are joined to ground at the outer ends and carry the outputs at the centre.
fn balun() -> Volume {
    let film = Medium { loss_tangent: 0.004, ..Medium::lossless(2.9) };
    let base = Medium { loss_tangent: 0.0002, ..Medium::lossless(3.8) };
    let layer = |name: &str, um: f64, medium| Layer { name: name.into(), thickness_m: um * UM, medium };
    let end = 1510.0;
    let gap = 30.0;
    let e = Wall::Electric;
    let port = |half: f64, y: f64, z: [f64; 2]| Port::Upright {
        line: [[-half * UM, y * UM], [half * UM, y * UM]],
        z_m: z.map(|z| z * UM),
        plus: mixwright_volume::Pad::Upper,
        reference_ohm: 50.0,
    };
    Volume {
        x_m: [-500.0 * UM, 500.0 * UM],
        y_m: [-1900.0 * UM, 1900.0 * UM],
        layers: vec![
            layer("base", 200.0, base),
            layer("film", 18.0, film),
            layer("cover", 6.0, film),
            layer("air", 500.0, Medium::AIR),
        ],
        blocks: vec![],
        conductors: vec![
            strip("lower 1", 20.0, [-end, -gap], [200.0, 203.0]),
            strip("lower 2", 20.0, [gap, end], [200.0, 203.0]),
            strip("via 1", 20.0, [-end - 40.0, -end], [0.0, 203.0]),
            strip("via 2", 20.0, [end, end + 40.0], [0.0, 203.0]),
            strip("upper", 16.0, [-end, end], [218.0, 221.0]),
        ],
        walls: [e, e, e, e, e, e],
        ports: vec![port(16.0, -end, [203.0, 218.0]), port(20.0, -gap, [0.0, 200.0]), port(20.0, gap, [0.0, 200.0])],
    }
}

fn main() {
    let sizes: Vec<f64> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let sizes = if sizes.is_empty() { vec![60.0] } else { sizes };
    println!(
        "edge µm  order   unknowns  peak MB  GFlop  assemble s  solve s  backward error  power defect  |S21| |S31| at 23 GHz"
    );
    for edge in sizes {
        let settings = MeshSettings {
            edge_m: edge * UM,
            plan: PlanSize { size_max_m: 400.0 * UM, growth: 0.7, hints: vec![] },
            height_m: 8.0 * UM,
            height_growth: 2.5,
            height_max_m: 250.0 * UM,
            levels_m: vec![],
            symmetry: None,
        };
        let model = balun().mesh(&settings).expect("a mesh");
        for order in [Order::First, Order::Second] {
            let c = cost(&model, order, Formulation::Field, 1.5e10).expect("an estimate");
            print!(
                "{edge:7.0}  {order:?}  {:9}  {:7.0}  {:5.0}",
                c.unknowns,
                c.peak_bytes as f64 * 1e-6,
                c.flops * 1e-9
            );
            if let Err(e) = c.check(1 << 30) {
                println!("  {e}");
                continue;
            }
            let start = Instant::now();
            let mut driven = Driven::new(
                model.clone(),
                SolveSettings { order, formulation: Some(Formulation::Field), single_precision: false },
            )
            .expect("a model");
            driven.prepare(23e9).expect("assembled");
            let ready = start.elapsed().as_secs_f64();
            let start = Instant::now();
            let s = driven.solve(23e9, &Quiet).expect("a solution");
            println!(
                "  {ready:10.2}  {:7.2}  {:14.1e}  {:12.1e}  {:.3} {:.3}",
                start.elapsed().as_secs_f64(),
                s.report.backward_error_max,
                s.report.power_defect.unwrap_or(f64::NAN),
                s.scattering[(1, 0)].norm(),
                s.scattering[(2, 0)].norm(),
            );
        }
    }
}
