//! Wide-band response against single full solutions and closed forms.

use mixwright_volume::{
    Driven, Layer, Medium, MeshSettings, Model, Order, PlanSize, Port, SolveSettings, SweepSettings, Volume, Wall,
};
use numerics::{Complex64, Quiet};
use proof::{CheckValue, Origin};
use std::f64::consts::TAU;

/// Lossy plates of 8 mm with ports near both ends; a port off the end makes a stub.
fn stub() -> Model {
    let (w, h, length) = (1.0e-3, 0.2e-3, 8e-3);
    let port = |y: f64| Port::Upright {
        line: [[0.0, y], [w, y]],
        z_m: [0.0, h],
        plus: mixwright_volume::Pad::Upper,
        reference_ohm: 50.0,
    };
    let medium = Medium { loss_tangent: 0.002, ..Medium::lossless(2.9) };
    Volume {
        x_m: [0.0, w],
        y_m: [0.0, length],
        layers: vec![Layer { name: "fill".into(), thickness_m: h, medium }],
        blocks: vec![],
        conductors: vec![],
        walls: [
            Wall::Magnetic,
            Wall::Magnetic,
            Wall::Magnetic,
            Wall::Magnetic,
            Wall::Metal { conductivity_s_per_m: 4.1e7 },
            Wall::Electric,
        ],
        ports: vec![port(0.0), port(5e-3)],
    }
    .mesh(&MeshSettings {
        edge_m: 0.6e-3,
        plan: PlanSize { size_max_m: 0.7e-3, growth: 0.5, hints: vec![] },
        height_m: h,
        height_growth: 2.0,
        height_max_m: h,
        levels_m: vec![],
        symmetry: None,
    })
    .expect("a mesh")
}

#[test]
fn sweep_agrees_with_full_solutions_and_needs_few_of_them() {
    let mut driven =
        Driven::new(stub(), SolveSettings { order: Order::Second, formulation: None, single_precision: false })
            .expect("a model");
    let freqs: Vec<f64> = (0..=90).map(|k| 1e9 * f64::from(k)).collect();
    let sweep = driven.sweep(&freqs, &SweepSettings::default(), &Quiet).expect("a sweep");
    assert!(sweep.converged && sweep.solved_hz.len() <= 14, "{} {:?}", sweep.error_estimate, sweep.errors);
    assert!(sweep.entry_errors.max_abs() < 1e-5 && sweep.entry_errors.n_rows() == 2);
    let mut worst = 0.0_f64;
    for k in [3, 17, 38, 61, 83] {
        let full = driven.solve(freqs[k], &Quiet).expect("a solution").scattering;
        worst = worst.max((&full - &sweep.scattering[k]).max_abs());
    }
    CheckValue {
        what: "largest S error of the sweep at frequencies between its solutions",
        expected: 0.0,
        within: 1e-5,
        because: "the error asked for; two forms of the equations are compared, both to rounding",
        origin: Origin::Derived { how: "two roads: projected and full equations" },
    }
    .check(worst);
    for s in &sweep.scattering {
        let largest = numerics::linear::singular_values(s).expect("finite")[0];
        assert!(largest < 1.0 + 1e-9, "passive at every frequency: {largest}");
        assert!((s[(0, 1)] - s[(1, 0)]).norm() < 1e-9);
    }
}

#[test]
fn direct_current_of_open_plates_is_a_through() {
    let mut driven =
        Driven::new(stub(), SolveSettings { order: Order::First, formulation: None, single_precision: false })
            .expect("a model");
    let sweep = driven.sweep(&[0.0, 1e3, 1e6, 1e9, 20e9], &SweepSettings::default(), &Quiet).expect("a sweep");
    let s = &sweep.scattering[0];
    // A node with two ports of 50 ohm: S11 = 0 − … = 0, S21 = 1 but for the metal's resistance.
    CheckValue {
        what: "S21 of two ports between the same plates at direct current",
        expected: 1.0,
        within: 1e-4,
        because: "surface resistance of thick metal vanishes with frequency",
        origin: Origin::Derived { how: "two ports in parallel on an open node pair" },
    }
    .check(s[(1, 0)].re);
    assert!(s[(0, 0)].norm() < 1e-4 && s[(0, 0)].im == 0.0, "{}", s[(0, 0)]);
    // The slope towards direct current is the plates' capacitance.
    let y = |s: &numerics::CMatrix| {
        // Admittance of both ports joined: from S11 + S21 of the even wave.
        let even = s[(0, 0)] + s[(0, 1)];
        2.0 / 50.0 * (1.0 - even) / (1.0 + even)
    };
    let c = y(&sweep.scattering[2]) / Complex64::new(0.0, TAU * 1e6);
    let medium = Medium { loss_tangent: 0.002, ..Medium::lossless(2.9) };
    let expected = medium.relative_permittivity(1e6).re * 8.854_187_813e-12 * 1e-3 * 8e-3 / 0.2e-3;
    CheckValue {
        what: "capacitance from the sweep at 1 MHz, F",
        expected,
        within: 0.01 * expected,
        because: "far from resonance, but the wave between the ports is not quite even",
        origin: Origin::Derived { how: "C = ε w l / h" },
    }
    .check(c.re);
}

#[test]
fn bad_frequencies_are_refused() {
    let mut driven =
        Driven::new(stub(), SolveSettings { order: Order::First, formulation: None, single_precision: false })
            .expect("a model");
    for f in [-1.0, f64::NAN, f64::INFINITY] {
        let e = driven.sweep(&[1e9, f], &SweepSettings::default(), &Quiet).expect_err("refused");
        assert!(e.to_string().contains("frequency"), "{e}");
    }
    assert!(driven.solve(0.0, &Quiet).is_err());
}

#[test]
fn the_network_answers_between_and_below_the_swept_frequencies() {
    use network::FrequencyResponse;
    let settings = SolveSettings {
        order: Order::Second,
        formulation: Some(mixwright_volume::Formulation::Stabilised),
        single_precision: false,
    };
    let mut driven = Driven::new(stub(), settings).expect("a model");
    let freqs: Vec<f64> = (0..=60).map(|k| 0.5e9 * f64::from(k)).collect();
    let sweep = driven.sweep(&freqs, &SweepSettings::default(), &Quiet).expect("a sweep");
    let network = mixwright_volume::FieldNetwork::new(sweep, 50.0).expect("sheet ports");
    assert_eq!((network.n_ports(), network.data_up_to_hz()), (2, Some(30e9)));
    for f in [3.7e6, 0.21e9, 7.77e9, 23.4e9] {
        let full = driven.solve(f, &Quiet).expect("a solution").scattering;
        let d = (&full - &network.scattering(f).expect("an answer")).max_abs();
        assert!(d < 1e-5, "the error asked of the sweep, also between its frequencies: {d} at {f}");
    }
    let dc = network.scattering(0.0).expect("direct current");
    assert!(dc.as_slice().iter().all(|x| x.im == 0.0));
}
