//! Derivatives of S with respect to a width and a position against differences of new meshes.
//!
//! Run: `cargo run --release -p mixwright-volume --example width_derivative -- 8 2`: cell size at metal edges and step,
//! both in µm. Coupled strips on a thin-film stack, the lower one between ports to ground, the upper one from a wall.
#![allow(clippy::print_stdout)] // a program that prints a table

#[path = "balun_pair/layout.rs"]
#[allow(dead_code)]
mod layout;

use mixwright_volume::{Asked, LayoutSettings, MeshSettings, MeshShape, PlanSize, Solved, Structure, solve_structure};
use stackup::{Enclosure, Layout, Polygon, Port, PortPlace, Shape, Side, StackupError, Terminal, Wall};

const UM: f64 = 1e-6;
const SETTINGS: LayoutSettings = LayoutSettings { open_height_m: 1e-3 };
const FREQS_HZ: [f64; 2] = [10e9, 30e9];

fn drawn(upper: f64, beside: f64) -> Result<Layout, StackupError> {
    let shape = |layer: &str, a: [f64; 2], b: [f64; 2]| -> Result<Shape, StackupError> {
        let polygon = Polygon::rectangle(a.map(|v| v * UM), b.map(|v| v * UM))?;
        Ok(Shape { layer: layer.into(), name: layer.into(), polygon })
    };
    let end = |name: &str, x: f64| {
        let edge = [[x * UM, -20.0 * UM], [x * UM, 20.0 * UM]];
        let terminal = |layer: &str| Terminal { layer: layer.into(), edge };
        let place = PortPlace::Gap { plus: terminal("M1"), minus: terminal("M0") };
        Port { name: name.into(), place, reference_ohm: 50.0 }
    };
    let place = PortPlace::Wall { side: Side::West, layer: "M2".into(), centre_m: 0.0, reference_shift_m: 0.0 };
    Ok(Layout {
        name: "coupled strips".into(),
        shapes: vec![
            shape("M1", [-200.0, -20.0], [200.0, 20.0])?,
            shape("M2", [-350.0, beside - upper / 2.0], [120.0, beside + upper / 2.0])?,
        ],
        vias: vec![],
        ports: vec![Port { name: "line".into(), place, reference_ohm: 50.0 }, end("west", -200.0), end("east", 200.0)],
        enclosure: Enclosure {
            low: [-350.0 * UM, -200.0 * UM],
            high: [350.0 * UM, 200.0 * UM],
            walls: [Wall::Metal; 4],
        },
    })
}

fn solved(upper: f64, beside: f64, edge_um: f64, vary: bool) -> Result<Solved, Box<dyn std::error::Error>> {
    let stack = layout::stack();
    let mut structure = Structure::from_layout(&stack, &drawn(upper, beside)?, &SETTINGS)?;
    if vary {
        let step = 1e-3;
        structure.vary_drawing("width", &stack, &drawn(upper + step, beside)?, &SETTINGS, step * UM)?;
        structure.vary_drawing("position", &stack, &drawn(upper, beside + step)?, &SETTINGS, step * UM)?;
    }
    let start = MeshSettings::for_volume(&structure.volume, 60e9);
    // Fine everywhere, so that what differs from mesh to mesh is small.
    let plan = PlanSize { size_max_m: 60.0 * UM, growth: 0.5, hints: vec![] };
    let mesh = MeshSettings { edge_m: edge_um * UM, plan, ..start };
    let shape = MeshShape { stretch: [4.0, 1.0], linear_below_m: 0.0, loose: false };
    let asked = Asked { meshes_max: 1, mesh: Some(mesh), shape: Some(shape), ..Asked::at(FREQS_HZ.to_vec()) };
    Ok(solve_structure(&structure, &asked, &numerics::Quiet)?)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let argument = |k: usize, or: f64| std::env::args().nth(k).and_then(|a| a.parse().ok()).unwrap_or(or);
    let (edge_um, step) = (argument(1, 8.0), argument(2, 2.0));
    let (upper, beside) = (32.0, 6.0);
    let base = solved(upper, beside, edge_um, true)?;
    println!("{} unknowns, cells of {edge_um} µm at edges, steps of {step} µm", base.cost.unknowns);
    for (k, (du, db)) in [(step, 0.0), (0.0, step)].into_iter().enumerate() {
        let plus = solved(upper + du, beside + db, edge_um, false)?;
        let minus = solved(upper - du, beside - db, edge_um, false)?;
        for (f, freq_hz) in FREQS_HZ.iter().enumerate() {
            let wanted = (&plus.scattering[f] - &minus.scattering[f]).scaled((0.5 / step / UM).into());
            let found = &base.derivatives[k].scattering[f];
            let error = (&wanted - found).max_abs() / wanted.max_abs();
            println!(
                "{:8} at {:4.0} GHz: largest derivative {:.4e} /m, by differences {:.4e} /m, largest difference {:.2} %, left out {} m",
                base.derivatives[k].name,
                freq_hz * 1e-9,
                found.max_abs(),
                wanted.max_abs(),
                100.0 * error,
                base.derivatives[k].left_out_m
            );
        }
    }
    Ok(())
}
