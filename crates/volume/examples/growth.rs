//! How time and memory of one full solution grow with the unknowns: table on the terminal, picture as SVG.
//!
//! Run: `cargo run --release -p mixwright-volume --example growth -- docs/volume-growth.svg`. Coupled strips on a
//! thin-film stack at 30 GHz, second order, double precision; processor seconds, so that other work on the machine
//! matters little.
#![allow(clippy::print_stdout)] // a program that prints a table

#[path = "balun_pair/layout.rs"]
#[allow(dead_code)]
mod layout;

use mixwright_volume::{
    Driven, Formulation, LayoutSettings, MeshSettings, MeshShape, Order, PlanSize, SolveSettings, Structure, cost,
};
use numerics::Quiet;
use stackup::{Enclosure, Layout, Polygon, Port, PortPlace, Shape, Side, StackupError, Wall};
use std::fmt::Write;

const UM: f64 = 1e-6;
const SHAPE: MeshShape = MeshShape { stretch: [4.0, 1.0], linear_below_m: 0.0, loose: false };

/// One mesh: unknowns, processor seconds of assembly and analysis, of one solution, bytes at the peak, operations.
struct Row {
    unknowns: usize,
    prepare_s: f64,
    solve_s: f64,
    bytes: usize,
    flops: f64,
}

/// Processor seconds of this process, all threads (clock ticks of 10 ms).
fn processor_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
    let tick = |k: usize| fields.get(k).and_then(|f| f.parse::<f64>().ok()).unwrap_or(f64::NAN);
    (tick(11) + tick(12)) / 100.0
}

fn row(structure: &Structure, edge_um: f64) -> Result<Row, Box<dyn std::error::Error>> {
    let start = MeshSettings::for_volume(&structure.volume, 60e9);
    let plan = PlanSize { size_max_m: 5.0 * edge_um * UM, growth: 0.5, hints: vec![] };
    let mesh = MeshSettings { edge_m: edge_um * UM, plan, ..start };
    let model = structure.volume.mesh_shaped(&mesh, &SHAPE)?;
    let cost = cost(&model, Order::Second, Formulation::Field, 1e11)?;
    let settings = SolveSettings { formulation: Some(Formulation::Field), ..SolveSettings::default() };
    let mut driven = Driven::new(model, settings)?;
    let start = processor_s();
    driven.prepare(30e9)?;
    let ready = processor_s();
    driven.solve(30e9, &Quiet)?;
    let done = processor_s();
    Ok(Row {
        unknowns: cost.unknowns,
        prepare_s: ready - start,
        solve_s: done - ready,
        bytes: cost.peak_bytes,
        flops: cost.flops,
    })
}

/// Exponent of the growth from the first to the last row.
fn exponent(rows: &[Row], values: &[f64]) -> f64 {
    let last = rows.len() - 1;
    (values[last] / values[0]).ln() / (rows[last].unknowns as f64 / rows[0].unknowns as f64).ln()
}

fn picture(rows: &[Row]) -> Result<String, std::fmt::Error> {
    let (low, high) = ([1e4, 1e-1], [1e6, 1e3]);
    let x = |v: f64| 70.0 + 480.0 * (v / low[0]).log10() / f64::log10(high[0] / low[0]);
    let y = |v: f64| 330.0 - 300.0 * (v / low[1]).log10() / f64::log10(high[1] / low[1]);
    let mut out = String::from(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"640\" height=\"390\" font-family=\"sans-serif\" \
         font-size=\"13\">\n<rect width=\"640\" height=\"390\" fill=\"white\"/>\n",
    );
    for k in 4..=6 {
        let at = x(10f64.powi(k));
        writeln!(
            out,
            "<path d=\"M{at:.1} 30V330\" stroke=\"#ddd\"/><text x=\"{at:.1}\" y=\"348\" text-anchor=\"middle\">10<tspan dy=\"-5\" font-size=\"10\">{k}</tspan></text>"
        )?;
    }
    for k in -1..=3 {
        let at = y(10f64.powi(k));
        writeln!(
            out,
            "<path d=\"M70 {at:.1}H550\" stroke=\"#ddd\"/><text x=\"62\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            at + 4.0,
            10f64.powi(k)
        )?;
    }
    let series = [
        ("solution, processor s", "#1b5e9b", rows.iter().map(|r| r.solve_s).collect::<Vec<_>>()),
        ("memory at the peak, GB", "#b3541e", rows.iter().map(|r| r.bytes as f64 * 1e-9).collect()),
    ];
    for (k, (name, colour, values)) in series.into_iter().enumerate() {
        let points: Vec<String> = rows
            .iter()
            .zip(&values)
            .map(|(r, v)| format!("{:.1},{:.1}", x(r.unknowns as f64), y(v.max(low[1]))))
            .collect();
        writeln!(
            out,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\"/>",
            points.join(" ")
        )?;
        for p in &points {
            let (px, py) = p.split_once(',').unwrap_or(("0", "0"));
            writeln!(out, "<circle cx=\"{px}\" cy=\"{py}\" r=\"3.5\" fill=\"{colour}\"/>")?;
        }
        let at = 50 + 20 * k;
        writeln!(
            out,
            "<path d=\"M90 {at}H115\" stroke=\"{colour}\" stroke-width=\"2\"/><text x=\"122\" y=\"{}\">{name}, as N<tspan dy=\"-5\" font-size=\"10\">{:.2}</tspan></text>",
            at + 4,
            exponent(rows, &values)
        )?;
    }
    writeln!(out, "<text x=\"310\" y=\"374\" text-anchor=\"middle\">unknowns N</text>\n</svg>")?;
    Ok(out)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let stack = layout::stack();
    let shape = |layer: &str, a: [f64; 2], b: [f64; 2]| -> Result<Shape, StackupError> {
        let polygon = Polygon::rectangle(a.map(|v| v * UM), b.map(|v| v * UM))?;
        Ok(Shape { layer: layer.into(), name: layer.into(), polygon })
    };
    let place = PortPlace::Wall { side: Side::West, layer: "M2".into(), centre_m: 0.0, reference_shift_m: 0.0 };
    let drawn = Layout {
        name: "coupled strips".into(),
        shapes: vec![shape("M1", [-200.0, -20.0], [200.0, 20.0])?, shape("M2", [-350.0, -16.0], [120.0, 16.0])?],
        vias: vec![],
        ports: vec![Port { name: "line".into(), place, reference_ohm: 50.0 }],
        enclosure: Enclosure {
            low: [-350.0 * UM, -200.0 * UM],
            high: [350.0 * UM, 200.0 * UM],
            walls: [Wall::Metal; 4],
        },
    };
    let structure = Structure::from_layout(&stack, &drawn, &LayoutSettings { open_height_m: 1e-3 })?;
    let mut rows = Vec::new();
    println!(
        "| edge cells, µm | unknowns | prepare, cpu s | solution, cpu s | peak, MB | GFlop |\n| --- | --- | --- | --- | --- | --- |"
    );
    for edge_um in [20.0, 8.0, 5.0, 3.5] {
        let r = row(&structure, edge_um)?;
        println!(
            "| {edge_um} | {} | {:.2} | {:.2} | {:.0} | {:.0} |",
            r.unknowns,
            r.prepare_s,
            r.solve_s,
            r.bytes as f64 * 1e-6,
            r.flops * 1e-9
        );
        rows.push(r);
    }
    println!(
        "solution as N^{:.2}, memory as N^{:.2}",
        exponent(&rows, &rows.iter().map(|r| r.solve_s).collect::<Vec<_>>()),
        exponent(&rows, &rows.iter().map(|r| r.bytes as f64).collect::<Vec<_>>())
    );
    if let Some(path) = std::env::args().nth(1) {
        std::fs::write(path, picture(&rows)?)?;
    }
    Ok(())
}
