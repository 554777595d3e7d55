//! The layer set of the demonstration: faces, both meanings of a film thickness, refusals.

use mixwright_stackup::{
    Dielectric, Dimension, Layer, Measured, Metal, Parameter, Polygon, Role, Stackup, StackupError,
};
use proof::{CheckValue, Origin};

fn dielectric(name: &str, eps_r: f64, loss_tangent: f64) -> Dielectric {
    let (eps_r, loss_tangent) = (Dimension::exact(eps_r), Dimension::exact(loss_tangent));
    Dielectric { name: name.into(), eps_r, loss_tangent, at_hz: 10e9 }
}

fn layer(name: &str, role: Role, material: &str, um: f64) -> Layer {
    Layer { name: name.into(), role, material: material.into(), thickness_m: Dimension::exact(um * 1e-6) }
}

fn metal() -> Role {
    Role::Metal { width_bias_m: Dimension::exact(0.0), registration_m: [Dimension::exact(0.0); 2] }
}

fn stack(measured: Measured) -> Stackup {
    let gold = Metal { name: "gold".into(), conductivity_s_per_m: Dimension::exact(4.1e7), roughness_rms_m: 0.0 };
    let from_surface = Role::Dielectric { measured: Measured::FromSurface };
    Stackup {
        name: "thin film".into(),
        dielectrics: vec![dielectric("silica", 3.8, 2e-4), dielectric("polymer", 2.9, 4e-3), Dielectric::air()],
        metals: vec![gold],
        layers: vec![
            layer("M0", Role::Ground, "gold", 4.0),
            layer("base", from_surface.clone(), "silica", 200.0),
            layer("M1", metal(), "gold", 3.0),
            layer("film 1", Role::Dielectric { measured }, "polymer", 15.0),
            layer("M2", metal(), "gold", 3.0),
            layer("film 2", from_surface.clone(), "polymer", 6.0),
            layer("cavity", from_surface, "air", 276.0),
            layer("lid", Role::Lid, "gold", 4.0),
        ],
    }
}

#[test]
fn film_thickness_means_what_it_says() -> Result<(), StackupError> {
    let over = stack(Measured::OverMetal).faces()?;
    let surface = stack(Measured::FromSurface).faces()?;
    for (faces, gap_um, lid_um) in [(over, 15.0, 500.0), (surface, 12.0, 497.0)] {
        let gap = faces.sheets[1].bottom_m - faces.sheets[0].top_m;
        CheckValue {
            what: "metal to metal, um",
            expected: gap_um,
            within: 1e-9,
            because: "sums of a few decimal numbers",
            origin: Origin::Derived { how: "15 um over metal, or 15 um from the base less 3 um of buried metal" },
        }
        .check(gap * 1e6);
        assert!((faces.slabs[3].top_m * 1e6 - lid_um).abs() < 1e-9);
    }
    Ok(())
}

#[test]
fn parameters_are_named_and_can_be_changed() {
    let mut stack = stack(Measured::OverMetal);
    let film = Parameter::Thickness(stack.layer("film 1").expect("it is there"));
    assert_eq!(stack.parameter_name(film), "film 1 thickness");
    stack.dimension_mut(film).expect("a layer").nominal = 13.8e-6;
    let faces = stack.faces().expect("a good stack");
    assert!((faces.sheets[1].bottom_m - 216.8e-6).abs() < 1e-15);
}

#[test]
fn faults_are_refused_with_the_place_and_the_choice() {
    let mut wrong = stack(Measured::OverMetal);
    wrong.layers[3].material = "polymre".into();
    let text = wrong.faces().expect_err("unknown material").to_string();
    assert_eq!(text, "dielectric `polymre` is not among the materials; known are silica, polymer, air");
    let mut wrong = stack(Measured::FromSurface);
    wrong.layers[3].thickness_m.nominal = 2e-6;
    let text = wrong.faces().expect_err("metal sticks out").to_string();
    assert_eq!(
        text,
        "layer `film 1` cannot stand here; expected a dielectric at least as thick as the metal buried in it"
    );
}

#[test]
fn permittivity_is_causal_and_meets_its_reference() {
    let film = dielectric("polymer", 2.9, 4e-3);
    let at = film.permittivity(10e9);
    assert!((at.re - 2.9).abs() < 1e-12 && (at.im + 2.9 * 4e-3).abs() < 1e-12);
    // Kramers-Kronig for a flat loss: d ε'/d ln f = −(2/π) ε''.
    let slope = (film.permittivity(11e9).re - film.permittivity(9e9).re) / (11.0f64 / 9.0).ln();
    CheckValue {
        what: "slope of the real part per unit of ln f, over its loss part",
        expected: -2.0 / std::f64::consts::PI,
        within: 0.01,
        because: "the band edges at 1 kHz and 10 THz leave the loss flat to half a percent",
        origin: Origin::Derived { how: "Kramers-Kronig relation, local form" },
    }
    .check(slope / -at.im);
}

#[test]
fn polygons_are_turned_counter_clockwise() -> Result<(), StackupError> {
    let square = Polygon::new(&[[0.0, 0.0], [0.0, 2.0], [3.0, 2.0], [3.0, 0.0], [0.0, 0.0]])?;
    assert_eq!(square.area_m2(), 6.0);
    assert_eq!(square.corners().len(), 4);
    assert!(square.contains([1.0, 1.0]) && !square.contains([3.5, 1.0]));
    assert!(Polygon::new(&[[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]]).is_err());
    Ok(())
}
