//! A drawn layout becomes the volume it describes.

use mixwright_volume::{LayoutSettings, Metal, Pad, Port, Wall, volume_from_layout};
use stackup::{
    Dielectric, Dimension, Enclosure, Layer, Layout, Measured, Polygon, PortPlace, Role, Shape, Side, Stackup,
    Terminal, Via,
};

const UM: f64 = 1e-6;

fn stack(lid: bool) -> Stackup {
    let layer = |name: &str, role: Role, material: &str, um: f64| Layer {
        name: name.into(),
        role,
        material: material.into(),
        thickness_m: Dimension::exact(um * UM),
    };
    let strip = || Role::Metal { width_bias_m: Dimension::exact(0.0), registration_m: [Dimension::exact(0.0); 2] };
    let slab = |measured| Role::Dielectric { measured };
    let mut layers = vec![
        layer("M0", Role::Ground, "gold", 4.0),
        layer("base", slab(Measured::FromSurface), "silica", 200.0),
        layer("M1", strip(), "gold", 3.0),
        layer("film", slab(Measured::OverMetal), "polymer", 15.0),
        layer("M2", strip(), "gold", 3.0),
        layer("air", slab(Measured::FromSurface), "air", 500.0),
    ];
    if lid {
        layers.push(layer("lid", Role::Lid, "gold", 100.0));
    }
    let dielectric = |name: &str, eps: f64| Dielectric {
        name: name.into(),
        eps_r: Dimension::exact(eps),
        loss_tangent: Dimension::exact(0.001),
        at_hz: 1e10,
    };
    Stackup {
        name: "thin film".into(),
        dielectrics: vec![dielectric("silica", 3.8), dielectric("polymer", 2.9), Dielectric::air()],
        metals: vec![stackup::Metal {
            name: "gold".into(),
            conductivity_s_per_m: Dimension::exact(4.1e7),
            roughness_rms_m: 0.0,
        }],
        layers,
    }
}

fn layout() -> Layout {
    let shape = |layer: &str, x: f64, y: [f64; 2]| Shape {
        layer: layer.into(),
        name: layer.into(),
        polygon: Polygon::rectangle([-x * UM, y[0] * UM], [x * UM, y[1] * UM]).expect("a rectangle"),
    };
    let edge = |x: f64, y: f64| [[-x * UM, y * UM], [x * UM, y * UM]];
    let terminal = |layer: &str, x: f64, y: f64| Terminal { layer: layer.into(), edge: edge(x, y) };
    let port = |name: &str, place| stackup::Port { name: name.into(), place, reference_ohm: 50.0 };
    let wall = stackup::Wall::Metal;
    Layout {
        name: "pair".into(),
        shapes: vec![
            shape("M1", 20.0, [-200.0, -20.0]),
            shape("M1", 20.0, [20.0, 200.0]),
            shape("M2", 16.0, [-200.0, 300.0]),
        ],
        vias: vec![Via {
            name: "via".into(),
            from: "M0".into(),
            to: "M1".into(),
            polygon: Polygon::rectangle([-20.0 * UM, 160.0 * UM], [20.0 * UM, 200.0 * UM]).expect("a rectangle"),
            material: "gold".into(),
        }],
        ports: vec![
            port(
                "line",
                PortPlace::Wall { side: Side::North, layer: "M2".into(), centre_m: 0.0, reference_shift_m: 1e-4 },
            ),
            port("gap", PortPlace::Gap { plus: terminal("M1", 20.0, 20.0), minus: terminal("M1", 20.0, -20.0) }),
            port("foot", PortPlace::Gap { plus: terminal("M0", 20.0, -200.0), minus: terminal("M1", 20.0, -200.0) }),
            port("pair", PortPlace::Gap { plus: terminal("M2", 16.0, -200.0), minus: terminal("M1", 16.0, -200.0) }),
        ],
        enclosure: Enclosure { low: [-300.0 * UM, -300.0 * UM], high: [300.0 * UM, 300.0 * UM], walls: [wall; 4] },
    }
}

#[test]
fn heights_metals_walls_and_ports_follow_the_stack() {
    let v = volume_from_layout(&stack(true), &layout(), &LayoutSettings { open_height_m: 1e-3 }).expect("a volume");
    let close = |a: f64, b: f64| (a - b * UM).abs() < 1e-12;
    let m2 = &v.conductors[2];
    assert!(close(m2.z_m[0], 218.0) && close(m2.z_m[1], 221.0), "film of 15 over a strip of 3: {:?}", m2.z_m);
    let via = &v.conductors[3];
    assert!(via.z_m[0] == 0.0 && close(via.z_m[1], 203.0), "{:?}", via.z_m);
    assert!(matches!(m2.metal, Metal::Foil { .. }) && matches!(via.metal, Metal::Finite { .. }));
    assert!(matches!(v.walls[5], Wall::Plate { .. }) && v.walls[0] == Wall::Electric);
    assert!(matches!(&v.ports[0], Port::Wave { path_m: Some((_, z)), .. } if close(z[1], 218.0)));
    assert!(matches!(&v.ports[1], Port::Flat { z_m, direction, .. } if close(*z_m, 200.0) && direction[1] > 0.0));
    assert!(
        matches!(&v.ports[2], Port::Upright { plus: Pad::Lower, z_m, .. } if z_m[0] == 0.0 && close(z_m[1], 200.0))
    );
    assert!(
        matches!(&v.ports[3], Port::Upright { plus: Pad::Upper, z_m, .. } if close(z_m[0], 203.0) && close(z_m[1], 218.0))
    );
}

#[test]
fn an_open_stack_gets_an_absorbing_top_and_wrong_names_are_refused() {
    let v = volume_from_layout(&stack(false), &layout(), &LayoutSettings { open_height_m: 1e-3 }).expect("a volume");
    assert_eq!(v.walls[5], Wall::Absorbing);
    assert!(v.height_m().is_finite());
    let mut wrong = layout();
    wrong.shapes[0].layer = "film".into();
    let e = volume_from_layout(&stack(true), &wrong, &LayoutSettings { open_height_m: 1e-3 }).expect_err("refused");
    assert!(e.to_string().contains("film"), "{e}");
}
