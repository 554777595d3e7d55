//! A drawn structure solved whole: errors that hold, derivatives, refusal.

#[path = "../examples/balun_pair/layout.rs"]
#[allow(dead_code)]
mod layout;

use mixwright_volume::{Asked, LayoutSettings, MeshSettings, Solved, Structure, VolumeError, solve_structure};
use numerics::Quiet;
use stackup::{Enclosure, Layout, Parameter, Polygon, Port, PortPlace, Shape, Side, Stackup, Terminal, Wall};

const UM: f64 = 1e-6;
const SETTINGS: LayoutSettings = LayoutSettings { open_height_m: 1e-3 };
const FREQS: [f64; 3] = [0.0, 10e9, 60e9];

/// Lower strip of 400 by 40 µm with a port to ground at both ends; an upper strip from the west wall ends above it.
fn drawn(upper: f64, beside: f64) -> Layout {
    let shape = |layer: &str, a: [f64; 2], b: [f64; 2]| Shape {
        layer: layer.into(),
        name: layer.into(),
        polygon: Polygon::rectangle(a.map(|v| v * UM), b.map(|v| v * UM)).expect("a rectangle"),
    };
    let end = |name: &str, x: f64| {
        let edge = [[x * UM, -20.0 * UM], [x * UM, 20.0 * UM]];
        let terminal = |layer: &str| Terminal { layer: layer.into(), edge };
        let place = PortPlace::Gap { plus: terminal("M1"), minus: terminal("M0") };
        Port { name: name.into(), place, reference_ohm: 50.0 }
    };
    let wall = PortPlace::Wall { side: Side::West, layer: "M2".into(), centre_m: 0.0, reference_shift_m: 20.0 * UM };
    Layout {
        name: "coupled strips".into(),
        shapes: vec![
            shape("M1", [-200.0, -20.0], [200.0, 20.0]),
            shape("M2", [-350.0, beside - upper / 2.0], [120.0, beside + upper / 2.0]),
        ],
        vias: vec![],
        ports: vec![
            Port { name: "line".into(), place: wall, reference_ohm: 50.0 },
            end("west", -200.0),
            end("east", 200.0),
        ],
        enclosure: Enclosure {
            low: [-350.0 * UM, -200.0 * UM],
            high: [350.0 * UM, 200.0 * UM],
            walls: [Wall::Metal; 4],
        },
    }
}

fn asked(meshes_max: usize) -> Asked {
    Asked { meshes_max, error_max: 1e-4, ..Asked::at(FREQS.to_vec()) }
}

fn solved(stack: &Stackup, layout: &Layout, meshes_max: usize, varied: &[Parameter]) -> Solved {
    let mut structure = Structure::from_layout(stack, layout, &SETTINGS).expect("a structure");
    for &parameter in varied {
        structure.vary(stack, layout, &SETTINGS, parameter).expect("a variation");
    }
    let mut asked = asked(meshes_max);
    if meshes_max == 1 {
        // Cells that do not depend on the width of the strips, so that meshes before and after a change are alike.
        let settings = MeshSettings { edge_m: 41.0 * UM, ..MeshSettings::for_volume(&structure.volume, 60e9) };
        asked.mesh = Some(settings);
    }
    solve_structure(&structure, &asked, &Quiet).expect("a solution")
}

#[test]
fn the_stated_error_holds_at_direct_current_and_over_the_band() {
    let (stack, layout) = (layout::stack(), drawn(32.0, 0.0));
    let coarse = solved(&stack, &layout, 2, &[]);
    let fine = solved(&stack, &layout, 4, &[]);
    assert!(2 * fine.cost.unknowns > 3 * coarse.cost.unknowns, "{:?} {:?}", coarse.meshes, fine.meshes);
    for (k, f) in FREQS.iter().enumerate() {
        let (worst, stated) = ((&coarse.scattering[k] - &fine.scattering[k]).max_abs(), coarse.errors[k].max_abs());
        assert!(worst < stated, "{f}: error {worst} stated {stated}");
        // An estimate far above the error is of no use either.
        assert!(stated < 30.0 * worst.max(1e-4), "{f}: error {worst} stated {stated}");
    }
    assert!(fine.scattering[0].as_slice().iter().all(|x| x.im == 0.0), "direct current is real");
}

#[test]
fn derivatives_of_the_stack_agree_with_new_meshes_even_where_a_port_section_changes() {
    let (stack, layout) = (layout::stack(), drawn(32.0, 2.0));
    let film = Parameter::Thickness(stack.layer("film 1").expect("a layer"));
    let polymer = Parameter::Permittivity(stack.dielectric("polymer").expect("a dielectric"));
    let varied = [film, polymer];
    let base = solved(&stack, &layout, 1, &varied);
    let moved = |parameter: Parameter, by: f64| {
        let mut stack = stack.clone();
        stack.dimension_mut(parameter).expect("a number").nominal += by;
        solved(&stack, &layout, 1, &[])
    };
    for (parameter, step) in varied.into_iter().zip([0.3 * UM, 0.05]) {
        let (plus, minus) = (moved(parameter, step), moved(parameter, -step));
        let k = varied.iter().position(|p| *p == parameter).expect("one of them");
        for (f, freq_hz) in FREQS.iter().enumerate().skip(1) {
            let wanted = (&plus.scattering[f] - &minus.scattering[f]).scaled((0.5 / step).into());
            let found = &base.derivatives[k].scattering[f];
            let error = (&wanted - found).max_abs() / wanted.max_abs();
            // One percent is the promise; 3.5e-4 was found.
            assert!(error < 0.01, "{} at {} Hz: {error}", base.derivatives[k].name, freq_hz);
        }
    }
}

#[test]
fn what_does_not_fit_or_does_not_belong_is_refused_before_the_work() {
    let (stack, layout) = (layout::stack(), drawn(32.0, 0.0));
    let mut structure = Structure::from_layout(&stack, &layout, &SETTINGS).expect("a structure");
    let small = Asked { bytes_max: 1 << 20, ..asked(1) };
    let e = solve_structure(&structure, &small, &Quiet).expect_err("refused");
    assert!(matches!(e, VolumeError::Memory { .. }) && e.to_string().contains("coarsen"), "{e}");
    let mut other = drawn(32.0, 0.0);
    other.shapes.pop();
    structure.vary_drawing("length", &stack, &other, &SETTINGS, 1e-6).expect("drawn");
    let e = solve_structure(&structure, &asked(1), &Quiet).expect_err("refused");
    assert!(e.to_string().contains("same"), "{e}");
}
