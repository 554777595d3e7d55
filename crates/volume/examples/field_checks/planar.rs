//! Planar microstrip circuits on an open substrate: the low-pass filter and the patch of 1990.
//!
//! Geometry: D. M. Sheen, S. M. Ali, M. D. Abouzahra, J. A. Kong, "Application of the three-dimensional
//! finite-difference time-domain method to the analysis of planar microstrip circuits", IEEE Trans. MTT-38 (1990)
//! 849-857 (dimensions from memory). Values: an independent finite-difference time-domain solution, three resolutions.

use crate::report;
use mixwright_volume::{
    Conductor, Driven, Layer, Medium, MeshSettings, Metal, Order, PlanSize, Port, Side, SolveSettings, SweepSettings,
    Volume, VolumeError, Wall,
};
use numerics::Quiet;

const MM: f64 = 1e-3;
const SUBSTRATE: f64 = 0.794 * MM;
const AIR: f64 = 9.0 * MM;
/// Distance from metal to the absorbing sides, and length of the feeds.
const MARGIN: f64 = 9.0 * MM;
const FEED: f64 = 9.0 * MM;

fn sheet(name: &str, x: [f64; 2], y: [f64; 2]) -> Conductor {
    let [x, y] = [x, y].map(|v| v.map(|v| v * MM));
    Conductor {
        name: name.into(),
        polygon: vec![[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]],
        z_m: [SUBSTRATE; 2],
        metal: Metal::Perfect,
    }
}

/// A circuit in x from 0 to `size[0]` and y from 0 to `size[1]` (metre) with feeds at `feeds` (middle, side).
fn open(size: [f64; 2], conductors: Vec<Conductor>, feeds: &[(f64, Side)]) -> Volume {
    let port = |&(middle, side): &(f64, Side)| Port::Wave {
        side,
        range_m: Some([middle - 6.0 * MM, middle + 6.0 * MM]),
        n_modes: 1,
        shift_m: FEED,
        path_m: Some((middle, [0.0, SUBSTRATE])),
    };
    let far = if feeds.len() > 1 { FEED } else { MARGIN };
    let a = Wall::Absorbing;
    Volume {
        x_m: [-MARGIN, size[0] + MARGIN],
        y_m: [-FEED, size[1] + far],
        layers: vec![
            Layer { name: "substrate".into(), thickness_m: SUBSTRATE, medium: Medium::lossless(2.2) },
            Layer { name: "air".into(), thickness_m: AIR, medium: Medium::AIR },
        ],
        blocks: vec![],
        conductors,
        walls: [a, a, a, a, Wall::Electric, a],
        ports: feeds.iter().map(port).collect(),
    }
}

/// Frequencies in GHz, and |S| in dB of every port from port 1.
fn sweep(volume: &Volume, edge_m: f64, freq_max_ghz: f64) -> Result<(Vec<f64>, Vec<Vec<f64>>), VolumeError> {
    let settings = MeshSettings {
        edge_m,
        plan: PlanSize { size_max_m: 3.0 * MM, growth: 0.6, hints: vec![] },
        height_m: 0.25 * MM,
        height_growth: 2.2,
        height_max_m: 3.0 * MM,
        levels_m: vec![],
        symmetry: None,
    };
    let model = volume.mesh(&settings)?;
    let solve = SolveSettings { order: Order::Second, formulation: None, single_precision: false };
    let mut driven = Driven::new(model, solve)?;
    let ghz: Vec<f64> = (0..).map(|k| 2.0 + 0.02 * f64::from(k)).take_while(|f| *f <= freq_max_ghz).collect();
    let hz: Vec<f64> = ghz.iter().map(|f| f * 1e9).collect();
    let settings = SweepSettings { error_max: 3e-3, solutions_max: 20 };
    let start = std::time::Instant::now();
    let answer = driven.sweep(&hz, &settings, &Quiet)?;
    let unknowns = answer.solutions.first().map_or(0, |s| s.report.unknowns);
    println!(
        "| | {unknowns} unknowns, {} solutions, {:.0} s, error of the sweep {:.1e} | | | | |",
        answer.solutions.len(),
        start.elapsed().as_secs_f64(),
        answer.error_estimate
    );
    let n = answer.scattering[0].n_rows();
    let db = |p: usize| answer.scattering.iter().map(|s| 20.0 * s[(p, 0)].norm().log10()).collect();
    Ok((ghz, (0..n).map(db).collect()))
}

/// Place where a curve passes `level` for the `n`-th time (from 0) above `from`.
fn crossing(x: &[f64], y: &[f64], level: f64, from: f64, n: usize) -> f64 {
    let hits = (1..x.len()).filter(|&k| x[k] > from && (y[k] - level) * (y[k - 1] - level) <= 0.0);
    let at = |k: usize| x[k - 1] + (level - y[k - 1]) / (y[k] - y[k - 1]) * (x[k] - x[k - 1]);
    hits.map(at).nth(n).unwrap_or(f64::NAN)
}

/// Place of the lowest point between two frequencies.
fn lowest(x: &[f64], y: &[f64], range: [f64; 2]) -> f64 {
    let inside = (0..x.len()).filter(|&k| x[k] >= range[0] && x[k] <= range[1]);
    inside.min_by(|&a, &b| y[a].total_cmp(&y[b])).map_or(f64::NAN, |k| x[k])
}

pub(crate) fn filter() -> Result<(), VolumeError> {
    let (feed, first, second) = (2.413, 5.65, 12.257);
    let conductors = vec![
        sheet("patch", [0.0, 20.32], [0.0, 2.54]),
        sheet("line 1", [first, first + feed], [-FEED / MM, 0.0]),
        sheet("line 2", [second, second + feed], [2.54, 2.54 + FEED / MM]),
    ];
    let feeds = [((first + feed / 2.0) * MM, Side::YMin), ((second + feed / 2.0) * MM, Side::YMax)];
    let volume = open([20.32 * MM, 2.54 * MM], conductors, &feeds);
    for edge in [1.2, 0.8, 0.5] {
        let (f, s) = sweep(&volume, edge * MM, 16.0)?;
        let id = "3d.fd_lpf";
        report(id, "S21 -3 dB first crossing", crossing(&f, &s[1], -3.0, 4.5, 0));
        report(id, "S21 -10 dB first crossing", crossing(&f, &s[1], -10.0, 5.0, 0));
        report(id, "S21 null 1", lowest(&f, &s[1], [6.6, 7.6]));
        report(id, "S21 null 2", lowest(&f, &s[1], [7.6, 9.0]));
        report(id, "S21 -3 dB upper crossing", crossing(&f, &s[1], -3.0, 9.0, 0));
        report(id, "S11 null 1", lowest(&f, &s[0], [4.0, 6.0]));
        report(id, "S11 null 2", lowest(&f, &s[0], [10.0, 12.0]));
        report(id, "S11 null 3", lowest(&f, &s[0], [14.5, 16.0]));
        let at = f.iter().position(|f| (f - 3.25).abs() < 0.011).expect("in the list");
        report(id, "S11 at 3.25 GHz", s[0][at]);
        report(id, "S21 at 3.25 GHz", s[1][at]);
    }
    Ok(())
}

pub(crate) fn patch() -> Result<(), VolumeError> {
    let (feed, left) = (2.46, 2.09);
    let conductors =
        vec![sheet("patch", [0.0, 12.45], [0.0, 16.0]), sheet("line", [left, left + feed], [-FEED / MM, 0.0])];
    let volume = open([12.45 * MM, 16.0 * MM], conductors, &[((left + feed / 2.0) * MM, Side::YMin)]);
    for edge in [1.2, 0.8] {
        let (f, s) = sweep(&volume, edge * MM, 19.0)?;
        let id = "3d.fd_patch";
        report(id, "S11 minimum near 7.5 GHz", lowest(&f, &s[0], [7.0, 8.0]));
        report(id, "S11 -10 dB lower", crossing(&f, &s[0], -10.0, 7.0, 0));
        report(id, "S11 minimum near 18 GHz", lowest(&f, &s[0], [17.3, 19.0]));
    }
    Ok(())
}
