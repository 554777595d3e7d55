//! Internal ports: self-test by known parts, symmetry to rounding, inductance of a short path.

use mixwright_volume::{
    Axis, Conductor, Driven, Layer, Medium, MeshSettings, Metal, Order, Part, PlanSize, Port, SolveSettings, Volume,
    Wall, port_self_test,
};
use numerics::Quiet;

const UM: f64 = 1e-6;

/// Two strips over ground with a gap between them, fed from below at both ends; three ports.
fn bridge() -> Volume {
    let w = 40.0 * UM;
    let strip = |y: [f64; 2]| Conductor {
        name: "strip".into(),
        polygon: vec![[-w / 2.0, y[0]], [w / 2.0, y[0]], [w / 2.0, y[1]], [-w / 2.0, y[1]]],
        z_m: [60.0 * UM, 63.0 * UM],
        metal: Metal::Finite { conductivity_s_per_m: 4.1e7, thickness_m: 3.0 * UM, roughness_m: 0.0 },
    };
    let feed = |y: f64| Port::Upright {
        line: [[-w / 2.0, y], [w / 2.0, y]],
        z_m: [0.0, 60.0 * UM],
        plus: mixwright_volume::Pad::Upper,
        reference_ohm: 50.0,
    };
    let e = Wall::Electric;
    Volume {
        x_m: [-200.0 * UM, 200.0 * UM],
        y_m: [-400.0 * UM, 400.0 * UM],
        layers: vec![
            Layer {
                name: "base".into(),
                thickness_m: 60.0 * UM,
                medium: Medium { loss_tangent: 0.001, ..Medium::lossless(3.8) },
            },
            Layer { name: "air".into(), thickness_m: 200.0 * UM, medium: Medium::AIR },
        ],
        blocks: vec![],
        conductors: vec![strip([-250.0 * UM, -15.0 * UM]), strip([15.0 * UM, 250.0 * UM])],
        walls: [e, e, e, e, e, Wall::Absorbing],
        ports: vec![
            feed(-250.0 * UM),
            feed(250.0 * UM),
            Port::Flat {
                polygon: vec![
                    [-w / 2.0, -15.0 * UM],
                    [w / 2.0, -15.0 * UM],
                    [w / 2.0, 15.0 * UM],
                    [-w / 2.0, 15.0 * UM],
                ],
                z_m: 60.0 * UM,
                direction: [0.0, 1.0],
                reference_ohm: 50.0,
            },
        ],
    }
}

fn settings(symmetry: Option<Axis>) -> MeshSettings {
    MeshSettings {
        edge_m: 40.0 * UM,
        plan: PlanSize { size_max_m: 150.0 * UM, growth: 0.9, hints: vec![] },
        height_m: 60.0 * UM,
        height_growth: 2.0,
        height_max_m: 150.0 * UM,
        levels_m: vec![],
        symmetry,
    }
}

#[test]
fn a_small_port_closed_by_a_part_equals_the_part_in_the_field() {
    let model = bridge().mesh(&settings(None)).expect("a mesh");
    let solve = SolveSettings { order: Order::Second, formulation: None, single_precision: false };
    for (part, within) in
        [(Part::Resistor(30.0), 4e-3), (Part::Inductor(0.1e-9), 4e-3), (Part::Capacitor(30e-15), 4e-3)]
    {
        let defect = port_self_test(&model, solve, 2, part, 30e9, &Quiet).expect("a test");
        // A gap of 30 µm at 30 GHz is a 330th of a wavelength; its current is uniform along but
        // crowds to the strip's edges, which the port's mean does not see.
        assert!(defect < within, "{part:?}: {defect}");
    }
    assert!(port_self_test(&model, solve, 5, Part::Resistor(1.0), 1e9, &Quiet).is_err());
}

#[test]
fn a_symmetric_layout_gives_exactly_symmetric_ports() {
    let model = bridge().mesh(&settings(Some(Axis::Y))).expect("a mesh");
    let solve = SolveSettings { order: Order::First, formulation: None, single_precision: false };
    let s = Driven::new(model, solve).expect("a model").solve(60e9, &Quiet).expect("a solution");
    let m = &s.scattering;
    // The flat port is odd under the reflection, the feeds change places.
    let defect = (m[(0, 0)] - m[(1, 1)]).norm().max((m[(0, 2)] + m[(1, 2)]).norm());
    assert!(defect < 1e-11, "rounding times the condition number: {defect}");
    assert!(m[(0, 2)].norm() > 0.05 && s.report.passivity_excess < 0.0, "{:?}", s.report);
    assert!(s.report.power_defect.expect("sheets") < 1e-8, "{:?}", s.report);
}
