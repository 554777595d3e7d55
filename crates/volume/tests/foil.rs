//! Strips as foils in the volume: direct current, the inductance of a loop, and where the current flows.

use mixwright_volume::{
    Asked, Conductor, Driven, FieldNetwork, InternalPorts, Layer, Medium, MeshSettings, MeshShape, Metal, Pad,
    PlanSize, Port, PortName, SolveSettings, Structure, SweepSettings, Volume, Wall, port_inductance_h,
    solve_structure,
};
use network::FrequencyResponse;
use numerics::{CMatrix, Complex64, Quiet, linear};
use proof::{CheckValue, Origin};
use std::f64::consts::TAU;

const UM: f64 = 1e-6;
const MU: f64 = 1.256_637_062e-6;
const SIGMA: f64 = 4.1e7;
const LENGTH: f64 = 400.0 * UM;
const WIDTH: f64 = 40.0 * UM;
const THICKNESS: f64 = 3.0 * UM;
const HEIGHT: f64 = 60.0 * UM;

/// Strip over a perfect ground in a wide box, a port to ground at both ends.
fn strip(metal: Metal, thickness: f64, height: f64) -> Volume {
    let (x, y) = (LENGTH / 2.0, WIDTH / 2.0);
    let port =
        |x: f64| Port::Upright { line: [[x, -y], [x, y]], z_m: [0.0, height], plus: Pad::Upper, reference_ohm: 50.0 };
    let e = Wall::Electric;
    Volume {
        x_m: [-1e-3, 1e-3],
        y_m: [-1e-3, 1e-3],
        layers: vec![
            Layer { name: "below".into(), thickness_m: height, medium: Medium::AIR },
            Layer { name: "above".into(), thickness_m: 1e-3, medium: Medium::AIR },
        ],
        blocks: vec![],
        conductors: vec![Conductor {
            name: "strip".into(),
            polygon: vec![[-x, -y], [x, -y], [x, y], [-x, y]],
            z_m: [height, height + thickness],
            metal,
        }],
        walls: [e; 6],
        ports: vec![port(-x), port(x)],
    }
}

fn foil() -> Volume {
    strip(Metal::Foil { conductivity_s_per_m: SIGMA, roughness_m: 0.0 }, THICKNESS, HEIGHT)
}

fn mesh(edge_m: f64) -> MeshSettings {
    MeshSettings {
        edge_m,
        plan: PlanSize { size_max_m: 500.0 * UM, growth: 0.8, hints: vec![] },
        height_m: 60.0 * UM,
        height_growth: 2.0,
        height_max_m: 400.0 * UM,
        levels_m: vec![],
        symmetry: None,
    }
}

/// Impedance between both ports.
fn series(s: &CMatrix) -> Complex64 {
    let one = CMatrix::identity(2);
    let y = linear::solve(&(&one + s).transpose(), &(&one - s).transpose()).expect("a matrix").transpose();
    -50.0 / y[(1, 0)]
}

/// Mutual partial inductance of two parallel filaments (Rosa 1908, from memory).
fn beside(l: f64, d: f64) -> f64 {
    MU / TAU * (l * (l / d).asinh() - l.hypot(d) + d)
}

#[test]
fn a_strip_has_the_resistance_of_its_section_and_the_inductance_of_its_loop() {
    let volume = foil();
    let settings = SolveSettings::default();
    let mut driven = Driven::new(volume.mesh(&mesh(40.0 * UM)).expect("a mesh"), settings).expect("a model");
    let freqs = [0.0, 1e6];
    let sweep = driven.sweep(&freqs, &SweepSettings::default(), &Quiet).expect("a sweep");
    let with_sheets = FieldNetwork::new(sweep, 50.0).expect("a network");
    let inductance = volume.ports.iter().map(|p| port_inductance_h(&volume, p)).collect();
    let network = with_sheets.clone().without_inductance(inductance).expect("two ports");
    let z = series(&network.scattering(0.0).expect("direct current"));
    let expected = LENGTH / (SIGMA * WIDTH * THICKNESS);
    CheckValue {
        what: "resistance of a 400 by 40 by 3 µm strip between its ends, ohm",
        expected,
        within: 1e-5 * expected,
        because: "uniform current, which every mesh holds exactly",
        origin: Origin::Derived { how: "R = l / σ w t" },
    }
    .check(z.re);
    // At 1 MHz the resistance still spreads the current evenly. A loop of strip and image: own inductance less the
    // image, less the mutual inductance of the two sheets, whose own inductance is taken away.
    let own = {
        let n = 400;
        let step = WIDTH / f64::from(n);
        let pair = |k: i32| if k == 0 { step * (-1.5_f64).exp() } else { f64::from(k) * step };
        (0..n).map(|k| f64::from(if k == 0 { n } else { 2 * (n - k) }) * beside(LENGTH, pair(k))).sum::<f64>()
            / f64::from(n * n)
    };
    let image = beside(LENGTH, 2.0 * (HEIGHT + THICKNESS / 2.0));
    let expected = own - image - beside(2.0 * HEIGHT, LENGTH);
    let found = |n: &FieldNetwork| series(&n.scattering(1e6).expect("1 MHz")).im / (TAU * 1e6);
    CheckValue {
        what: "inductance of the strip's loop between the pad edges, H",
        expected,
        within: 0.04 * expected,
        because: "walls a millimetre away, thickness of the strip in its height only, coarse cells; 2.7 % was found",
        origin: Origin::Derived { how: "partial inductances of strips and filaments, Rosa (1908)" },
    }
    .check(found(&network));
    // The sheets would add a third.
    assert!(found(&with_sheets) > 1.2 * expected, "{} {expected}", found(&with_sheets));
}

fn solved(volume: Volume, freqs_hz: Vec<f64>, mesh: MeshSettings) -> mixwright_volume::Solved {
    let ports = ["west", "east"].map(|n| PortName { name: n.into(), reference_ohm: 50.0 }).to_vec();
    let structure = Structure { name: "strip".into(), volume, ports, variations: vec![] };
    let shape = MeshShape { stretch: [4.0, 1.0], ..MeshShape::default() };
    let asked = Asked {
        meshes_max: 1,
        mesh: Some(mesh),
        shape: Some(shape),
        internal_ports: InternalPorts::Sheet,
        ..Asked::at(freqs_hz)
    };
    solve_structure(&structure, &asked, &Quiet).expect("a solution")
}

/// Share of the current within half the width of a long strip without thickness over ground: `Z J + jωA` is the same
/// everywhere on it, `A` by its current and the image.
fn inner_share(freq_hz: f64, height: f64) -> Complex64 {
    const N: usize = 80;
    let step = WIDTH / N as f64;
    let a = CMatrix::from_fn(N, N, |i, j| {
        let d = step * (i as f64 - j as f64).abs();
        let near = if i == j { (step / 2.0).ln() - 1.0 } else { d.ln() };
        let vector_potential = MU / TAU * step * (d.hypot(2.0 * height).ln() - near);
        let own = if i == j { 1.0 / (SIGMA * THICKNESS) } else { 0.0 };
        Complex64::new(own, TAU * freq_hz * vector_potential)
    });
    let j = linear::solve(&a, &CMatrix::from_fn(N, 1, |_, _| 1.0.into())).expect("a current").col(0);
    let sum = |from: usize, to: usize| j[from..to].iter().sum::<Complex64>();
    sum(N / 4, 3 * N / 4) / sum(0, N)
}

/// Currents along x through strips of the plan in the middle of the line: within a quarter width and in all, A.
fn through_the_middle(map: &mixwright_volume::CurrentMap, height: f64) -> (Complex64, Complex64) {
    let reach = LENGTH / 4.0;
    let (mut inner, mut all) = ((Complex64::default(), 0.0), (Complex64::default(), 0.0));
    for t in map.triangles.iter().filter(|t| (t.z_m[0] - height).abs() < 1e-9) {
        let p = t.corners_m;
        let centre = [0, 1].map(|d| (p[0][d] + p[1][d] + p[2][d]) / 3.0);
        if centre[0].abs() > reach {
            continue;
        }
        let area = ((p[1][0] - p[0][0]) * (p[2][1] - p[0][1]) - (p[2][0] - p[0][0]) * (p[1][1] - p[0][1])).abs() / 2.0;
        let part = t.density_a_per_m[0] * area;
        all = (all.0 + part, all.1 + area / WIDTH);
        if centre[1].abs() < WIDTH / 4.0 {
            inner = (inner.0 + part, inner.1 + 2.0 * area / WIDTH);
        }
    }
    (inner.0 / inner.1, all.0 / all.1)
}

#[test]
fn the_current_is_that_of_the_port_even_at_direct_current_and_crowds_at_the_edges_above() {
    let height = 200.0 * UM;
    // A sheet whose resistance and inductance both say where the current flows at 0.2 GHz.
    let thin =
        strip(Metal::Finite { conductivity_s_per_m: SIGMA, thickness_m: 3.0 * UM, roughness_m: 0.0 }, 0.0, height);
    // In three parts, so that the mesh has lines at a quarter of the width.
    let mut thin = thin;
    let whole = thin.conductors[0].clone();
    thin.conductors = [-2.0, -1.0, 1.0, 2.0]
        .windows(2)
        .map(|y| Conductor {
            polygon: whole.polygon.iter().map(|p| [p[0], if p[1] < 0.0 { y[0] } else { y[1] } * WIDTH / 4.0]).collect(),
            ..whole.clone()
        })
        .collect();
    let fine = MeshSettings { plan: PlanSize { size_max_m: 500.0 * UM, growth: 1.0, hints: vec![] }, ..mesh(5.0 * UM) };
    let out = solved(thin, vec![0.0, 0.2e9], fine);
    for (k, freq_hz) in [0.0, 0.2e9].into_iter().enumerate() {
        let map = out.currents(freq_hz, 0).expect("a picture");
        let (inner, all) = through_the_middle(&map, height);
        // A wave of one watt is √2 peak; the current that leaves through the far port.
        let port = 2.0_f64.sqrt() * out.scattering[k][(1, 0)] / 50.0_f64.sqrt();
        CheckValue {
            what: &format!("current through the strip over that of the port at {freq_hz} Hz"),
            expected: 1.0,
            within: if k == 0 { 1e-6 } else { 0.03 },
            because: "charge is kept; little displacement current leaves 400 µm at 1 GHz",
            origin: Origin::Derived { how: "Kirchhoff" },
        }
        .check((all / port).norm());
        CheckValue {
            what: &format!("share of the current within half the width at {freq_hz} Hz, difference"),
            expected: 0.0,
            within: if k == 0 { 1e-6 } else { 0.015 },
            because: "eight cells across the strip",
            origin: Origin::Derived { how: "uniform; integral equation of a resistive strip over ground" },
        }
        .check((inner / all - inner_share(freq_hz, height)).norm());
    }
}
