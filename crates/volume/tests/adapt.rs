//! Goal-oriented refinement: the error estimate bounds the true error, and few unknowns suffice.

use mixwright_volume::{
    AdaptSettings, Conductor, Layer, Medium, MeshSettings, Metal, PlanSize, Port, Side, Volume, VolumeError, Wall,
    solve_adaptively,
};
use numerics::Quiet;
use proof::{CheckValue, Origin};

const A: f64 = 22.86e-3;
const B: f64 = 10.16e-3;

fn window() -> (Volume, MeshSettings) {
    let half = 11.43e-3 / 2.0;
    let (mid, t, reach) = (A / 2.0, 2e-3, 14e-3);
    let bar = |a: f64, b: f64| Conductor {
        name: "window".into(),
        polygon: vec![[a, 0.0], [b, 0.0], [b, t], [a, t]],
        z_m: [0.0, B],
        metal: Metal::Perfect,
    };
    let port = |side| Port::Wave { side, range_m: None, n_modes: 1, shift_m: reach, path_m: None };
    let volume = Volume {
        x_m: [0.0, A],
        y_m: [-reach, t + reach],
        layers: vec![Layer { name: "air".into(), thickness_m: B, medium: Medium::AIR }],
        blocks: vec![],
        conductors: vec![bar(0.0, mid - half), bar(mid + half, A)],
        walls: [Wall::Electric; 6],
        ports: vec![port(Side::YMin), port(Side::YMax)],
    };
    let settings = MeshSettings {
        edge_m: 5e-3,
        plan: PlanSize { size_max_m: 7e-3, growth: 0.6, hints: vec![] },
        height_m: B,
        height_growth: 2.0,
        height_max_m: B,
        levels_m: vec![],
        symmetry: None,
    };
    (volume, settings)
}

#[test]
fn refinement_finds_the_corners_and_its_estimate_holds() {
    let (volume, start) = window();
    let settings = AdaptSettings {
        freq_hz: 10e9,
        targets: vec![(0, 0), (1, 0)],
        error_max: 2e-3,
        passes_max: 9,
        unknowns_max: 60_000,
    };
    let out = solve_adaptively(&volume, &start, &settings, &Quiet).expect("a solution");
    assert!(out.converged, "{:?}", out.passes.iter().map(|p| (p.unknowns, p.target_error)).collect::<Vec<_>>());
    let expected = [[-0.544_41, 0.606_72], [0.431_12, 0.386_84]];
    let truth = |k: usize, s: &numerics::CMatrix| (s[(k, 0)].re - expected[k][0]).hypot(s[(k, 0)].im - expected[k][1]);
    for pass in &out.passes {
        for k in 0..2 {
            let error = truth(k, &pass.solution.scattering);
            // The reference itself has five digits.
            assert!(
                error < pass.error_estimate[(k, 0)] + 2e-5,
                "{} unknowns: {error} {:?}",
                pass.unknowns,
                pass.error_estimate
            );
        }
    }
    let last = out.passes.last().expect("a pass");
    CheckValue {
        what: "distance of S11 of the thick window from its reference",
        expected: 0.0,
        within: 2e-3,
        because: "the error asked for",
        origin: Origin::Derived {
            how: "mode matching, confirmed by two-dimensional high-order elements to 2e-6 (check 3d.iris_h_thick)",
        },
    }
    .check(truth(0, &last.solution.scattering));
}

#[test]
fn a_structure_that_is_too_large_is_refused() {
    let (volume, start) = window();
    let settings = AdaptSettings { freq_hz: 10e9, targets: vec![], error_max: 1e-6, passes_max: 3, unknowns_max: 50 };
    let e = solve_adaptively(&volume, &start, &settings, &Quiet).expect_err("refused");
    assert!(matches!(e, VolumeError::TooLarge { .. }) && e.to_string().contains("coarsen"), "{e}");
    let wrong = AdaptSettings { targets: vec![(0, 2)], unknowns_max: 1_000_000, ..settings };
    assert!(matches!(solve_adaptively(&volume, &start, &wrong, &Quiet).err(), Some(VolumeError::Port { .. })));
}
