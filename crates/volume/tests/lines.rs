//! Lines through wave ports: impedance and velocity against two-dimensional references.

use mixwright_volume::{
    Conductor, Driven, Layer, Medium, MeshSettings, Metal, Order, PlanSize, Port, Side, SolveSettings, Volume, Wall,
};
use numerics::{Complex64, Quiet};
use proof::{CheckValue, Origin};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use std::f64::consts::TAU;

fn strip(x: [f64; 2], y: [f64; 2], z_m: [f64; 2]) -> Conductor {
    Conductor {
        name: "strip".into(),
        polygon: vec![[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]],
        z_m,
        metal: Metal::Perfect,
    }
}

fn layer(thickness_m: f64, permittivity: f64) -> Layer {
    Layer { name: format!("permittivity {permittivity}"), thickness_m, medium: Medium::lossless(permittivity) }
}

/// Half of a symmetric line, from the plane of symmetry x = 0 (magnetic) to a far wall.
fn half_line(
    x_far: f64,
    length: f64,
    layers: Vec<Layer>,
    conductors: Vec<Conductor>,
    path_m: (f64, [f64; 2]),
    n_modes: usize,
) -> Volume {
    let port = |side| Port::Wave { side, range_m: None, n_modes, shift_m: 0.0, path_m: Some(path_m) };
    Volume {
        x_m: [0.0, x_far],
        y_m: [0.0, length],
        layers,
        blocks: vec![],
        conductors,
        walls: [Wall::Magnetic, Wall::Electric, Wall::Electric, Wall::Electric, Wall::Electric, Wall::Electric],
        ports: vec![port(Side::YMin), port(Side::YMax)],
    }
}

#[test]
fn bar_in_a_box_has_the_impedance_of_the_cross_section() {
    // Bar 1 × 0.2 in a box 3 × 1 mm.
    let mm = 1e-3;
    let volume = half_line(
        1.5 * mm,
        0.5 * mm,
        vec![layer(mm, 1.0)],
        vec![strip([0.0, 0.5 * mm], [0.0, 0.5 * mm], [0.4 * mm, 0.6 * mm])],
        (0.0, [0.0, 0.4 * mm]),
        1,
    );
    let settings = MeshSettings {
        edge_m: 0.3 * mm,
        plan: PlanSize {
            size_max_m: 0.3 * mm,
            growth: 0.5,
            hints: vec![([0.5 * mm, 0.0], 0.015 * mm), ([0.5 * mm, 0.5 * mm], 0.03 * mm)],
        },
        height_m: 0.012 * mm,
        height_growth: 1.8,
        height_max_m: 0.2 * mm,
        levels_m: vec![],
        symmetry: None,
    };
    let model = volume.mesh(&settings).expect("a mesh");
    let mut driven =
        Driven::new(model, SolveSettings { order: Order::Second, formulation: None, single_precision: false })
            .expect("a model");
    let lines = driven.port_lines(5e9).expect("modes");
    CheckValue {
        what: "impedance of the bar in a box, ohm",
        expected: 48.463_56,
        within: 1e-3 * 48.463_56,
        because: "tolerance of the check",
        origin: Origin::Derived { how: "two-dimensional p-version finite elements, energy bound, two resolutions agree to 4e-6 (check 2d.rectcoax)" },
    }
    .check(lines[0].impedance_ohm.expect("a path").re / 2.0);
    let k = TAU * 5e9 / LIGHT_SPEED_M_PER_S;
    // A TEM wave of an air line has the phase constant of vacuum whatever the mesh.
    assert!((lines[0].beta.expect("a wave").re / k - 1.0).abs() < 1e-9);
    let s = driven.solve(5e9, &Quiet).expect("a solution");
    let expected = (Complex64::new(0.0, -k * 0.5 * mm)).exp();
    assert!(
        (s.scattering[(1, 0)] - expected).norm() < 2e-3 && s.scattering[(0, 0)].norm() < 5e-3,
        "{:?}",
        s.scattering
    );
    assert!(s.report.power_defect.expect("real modes") < 1e-9);
}

#[test]
fn microstrip_slows_down_with_frequency_as_published() {
    // er 9.8, h 0.635 mm, w 0.6 mm at 20 GHz, box walls and lid far away.
    let mm = 1e-3;
    let (h, w, far, top) = (0.635 * mm, 0.6 * mm, 4.0 * mm, 4.0 * mm);
    let volume = half_line(
        far,
        0.6 * mm,
        vec![layer(h, 9.8), layer(top, 1.0)],
        vec![strip([0.0, w / 2.0], [0.0, 0.6 * mm], [h, h])],
        (0.0, [0.0, h]),
        1,
    );
    let settings = MeshSettings {
        edge_m: 0.4 * mm,
        plan: PlanSize {
            size_max_m: 0.6 * mm,
            growth: 0.5,
            hints: vec![([w / 2.0, 0.0], 0.005 * mm), ([w / 2.0, 0.6 * mm], 0.05 * mm)],
        },
        height_m: 0.005 * mm,
        height_growth: 2.0,
        height_max_m: 0.6 * mm,
        levels_m: vec![],
        symmetry: None,
    };
    let model = volume.mesh(&settings).expect("a mesh");
    let mut driven =
        Driven::new(model, SolveSettings { order: Order::Second, formulation: None, single_precision: false })
            .expect("a model");
    for (f, eeff) in [(10e9, 6.876_87), (20e9, 7.334_68)] {
        let beta = driven.port_lines(f).expect("modes")[0].beta.expect("a wave").re;
        CheckValue {
            what: "effective permittivity of microstrip",
            expected: eeff,
            within: 0.003 * eeff,
            because: "tolerance 0.2 % of the check, and 0.1 % for walls at six substrate heights",
            origin: Origin::Derived { how: "spectral-domain Galerkin with edge-singular currents (check 2d.ms_disp)" },
        }
        .check((beta * LIGHT_SPEED_M_PER_S / (TAU * f)).powi(2));
    }
}

#[test]
fn a_line_network_has_the_waves_of_its_impedance() {
    // The bar in a box, coarse; against 50 ohm the network of the whole is that of a line of its
    // own impedance and length (half the structure has twice the impedance).
    use mixwright_volume::{FieldNetwork, SweepSettings};
    use network::FrequencyResponse;
    let mm = 1e-3;
    let length = 3.0 * mm;
    let volume = half_line(
        1.0 * mm,
        length,
        vec![layer(mm, 2.2)],
        vec![strip([0.0, 0.5 * mm], [0.0, length], [0.4 * mm, 0.6 * mm])],
        (0.0, [0.0, 0.4 * mm]),
        1,
    );
    let settings = MeshSettings {
        edge_m: 0.5 * mm,
        plan: PlanSize { size_max_m: 0.6 * mm, growth: 0.5, hints: vec![] },
        height_m: 0.2 * mm,
        height_growth: 2.0,
        height_max_m: 0.2 * mm,
        levels_m: vec![],
        symmetry: None,
    };
    let model = volume.mesh(&settings).expect("a mesh");
    let mut driven =
        Driven::new(model, SolveSettings { order: Order::Second, formulation: None, single_precision: false })
            .expect("a model");
    let z = driven.port_lines(10e9).expect("modes")[0].impedance_ohm.expect("a path").re;
    let freqs: Vec<f64> = (1..=20).map(|k| 1e9 * f64::from(k)).collect();
    let sweep = driven.sweep(&freqs, &SweepSettings::default(), &Quiet).expect("a sweep");
    let s = FieldNetwork::new(sweep, 50.0).expect("paths").scattering(10e9).expect("an answer");
    let theta = TAU * 10e9 * 2.2_f64.sqrt() / LIGHT_SPEED_M_PER_S * length;
    let j = Complex64::i();
    let (a, b, c) = (Complex64::from(theta.cos()), j * z * theta.sin(), j * theta.sin() / z);
    let sum = 2.0 * a + b / 50.0 + c * 50.0;
    let worst = (s[(0, 0)] - (b / 50.0 - c * 50.0) / sum).norm().max((s[(1, 0)] - 2.0 / sum).norm());
    CheckValue {
        what: "network of a TEM line against 50 ohm, largest S error",
        expected: 0.0,
        within: 5e-3,
        because: "the impedance along the coarse line differs a little from that of its end plane",
        origin: Origin::Derived { how: "chain matrix of a line with the impedance of the port's mode" },
    }
    .check(worst);
}

#[test]
fn a_lossy_line_reaches_direct_current_through_wave_ports() {
    // Half a bar of 1 × 0.2 mm in a box of 2 × 1 mm, 1 mm long, with the permittivity 2.2.
    let mm = 1e-3;
    let length = 1.0 * mm;
    let mut bar = strip([0.0, 0.5 * mm], [0.0, length], [0.4 * mm, 0.6 * mm]);
    let (conductivity, t) = (4e7, 0.2 * mm);
    bar.metal = Metal::Finite { conductivity_s_per_m: conductivity, thickness_m: t, roughness_m: 0.0 };
    let volume = half_line(1.0 * mm, length, vec![layer(mm, 2.2)], vec![bar], (0.0, [0.0, 0.4 * mm]), 1);
    let settings = MeshSettings {
        edge_m: 0.3 * mm,
        plan: PlanSize { size_max_m: 0.4 * mm, growth: 0.5, hints: vec![] },
        height_m: 0.2 * mm,
        height_growth: 2.0,
        height_max_m: 0.2 * mm,
        levels_m: vec![],
        symmetry: None,
    };
    let model = volume.mesh(&settings).expect("a mesh");
    let mut driven =
        Driven::new(model, SolveSettings { order: Order::Second, formulation: None, single_precision: false })
            .expect("a model");
    for f in [1.0, 1e3, 1e6, 1e8, 1e10] {
        let line = driven.port_lines(f).expect("modes")[0];
        let k = TAU * f / LIGHT_SPEED_M_PER_S;
        let slow = line.beta.expect("a wave").re / k;
        // A homogeneous line is TEM: the index is the root of the permittivity at every frequency.
        assert!((slow - 2.2_f64.sqrt()).abs() < 1e-8, "{slow} at {f}");
    }
    let z = driven.port_lines(1e3).expect("modes")[0].impedance_ohm.expect("a path").re;
    let s = driven.solve(1e3, &Quiet).expect("a solution").scattering;
    // Each face conducts in half the thickness: two faces of 0.5 mm and one of 0.2 mm.
    let r = length / (conductivity * t / 2.0 * 1.2 * mm);
    CheckValue {
        what: "reflection of a short lossy line at 1 kHz",
        expected: r / (2.0 * z),
        within: 1e-3 * r / (2.0 * z),
        because: "uniform conduction; the second-order term is a millionth",
        origin: Origin::Derived { how: "S11 = R/(2 Z0) of a small series resistance R = l/(σ · t/2 · perimeter)" },
    }
    .check(s[(0, 0)].re);
}

#[test]
fn a_hollow_guide_far_below_cut_off_is_refused() {
    let mm = 1e-3;
    let mut volume = half_line(1.0 * mm, 1.0 * mm, vec![layer(mm, 1.0)], vec![], (0.0, [0.0, 0.4 * mm]), 1);
    volume.walls[0] = Wall::Electric;
    let settings = MeshSettings {
        edge_m: 0.5 * mm,
        plan: PlanSize { size_max_m: 0.5 * mm, growth: 0.5, hints: vec![] },
        height_m: 0.5 * mm,
        height_growth: 2.0,
        height_max_m: 0.5 * mm,
        levels_m: vec![],
        symmetry: None,
    };
    let model = volume.mesh(&settings).expect("a mesh");
    let mut driven = Driven::new(model, SolveSettings::default()).expect("a model");
    let e = driven.solve(1e6, &Quiet).expect_err("refused");
    assert!(e.to_string().contains("cut off"), "{e}");
}
