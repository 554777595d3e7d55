//! From the requirement to the dimensions of the demonstration, and back.

use lines::LineTable;
use mixwright_balun::{
    BalunDesign, BalunError, BalunNetwork, BalunReading, BalunRequest, Drawing, Family, Limits, Link, draw, synthesise,
};
use network::FrequencyResponse;
use proof::{CheckValue, Origin};
use stackup::{Dielectric, Dimension, Layer, Measured, Metal, Role, Rule, Stackup, Technology};

/// Fused silica, two polymer films, 3 um gold, air cavity with lid; the film over the lower metal is free.
fn stack() -> Stackup {
    let dielectric = |name: &str, eps: f64, tan: f64, sd: f64| Dielectric {
        name: name.into(),
        eps_r: Dimension::fixed(eps, sd),
        loss_tangent: Dimension::exact(tan),
        at_hz: 10e9,
    };
    let metal = |r: f64| Role::Metal {
        width_bias_m: Dimension::fixed(0.0, 1e-6),
        registration_m: [Dimension::fixed(0.0, r); 2],
    };
    let over = Role::Dielectric { measured: Measured::OverMetal };
    let layer = |name: &str, role: &Role, material: &str, d: Dimension| Layer {
        name: name.into(),
        role: role.clone(),
        material: material.into(),
        thickness_m: d,
    };
    let um = 1e-6;
    Stackup {
        name: "thin film".into(),
        dielectrics: vec![
            dielectric("silica", 3.8, 2e-4, 0.0),
            dielectric("polymer", 2.9, 4e-3, 0.03),
            Dielectric::air(),
        ],
        metals: vec![Metal {
            name: "gold".into(),
            conductivity_s_per_m: Dimension::exact(4.1e7),
            roughness_rms_m: 0.0,
        }],
        layers: vec![
            layer("M0", &Role::Ground, "gold", Dimension::exact(4.0 * um)),
            layer("base", &over, "silica", Dimension::fixed(200.0 * um, 4.0 * um)),
            layer("M1", &metal(0.0), "gold", Dimension::exact(3.0 * um)),
            layer("film 1", &over, "polymer", Dimension::free(10.0 * um, 0.25 * um, 5.0 * um, 40.0 * um)),
            layer("M2", &metal(1.5e-6), "gold", Dimension::exact(3.0 * um)),
            layer("film 2", &over, "polymer", Dimension::fixed(6.0 * um, 0.48 * um)),
            layer("cavity", &over, "air", Dimension::fixed(500.0 * um, 20.0 * um)),
            layer("lid", &Role::Lid, "gold", Dimension::exact(4.0 * um)),
        ],
    }
}

/// 20 to 36 GHz from 50 ohm to a pumped ring of 67 ohm, balanced within 3.5 degree and 0.6 dB, match 15 dB.
fn request() -> BalunRequest {
    BalunRequest {
        family: Family::Compensated,
        band_hz: [20e9, 36e9],
        source_ohm: 50.0,
        load_ohm: 67.0,
        limits: Limits { return_loss_db: 15.0, amplitude_db: 0.6, phase_deg: 3.5 },
        lower_layer: "M1".into(),
        upper_layer: "M2".into(),
        film_layer: "film 1".into(),
        width_m: [15e-6, 80e-6],
        overlap_m: 4e-6,
        link: Some(Link { length_m: 120e-6, impedance_ohm: 72.0, eps_eff: 2.8 }),
        via_h: 14e-12,
    }
}

fn check(what: &str, found: f64, expected: f64, within: f64, because: &str) {
    let origin = Origin::Derived { how: "dimensions and line data of the demonstration design" };
    CheckValue { what, expected, within, because, origin }.check(found);
}

#[test]
fn requirement_leads_to_the_dimensions_of_the_demonstration() {
    let found = synthesise(&stack(), &request()).expect("possible");
    assert!(found.findings.is_empty(), "{:?}", found.findings);
    let design = found.value;
    check("film, um", design.film_m * 1e6, 15.0, 0.4, "limits are round numbers");
    check("upper strip, um", design.upper_width_m * 1e6, 32.0, 1.0, "limits are round numbers");
    check("lower strip, um", design.lower_width_m * 1e6, 40.0, 1.0, "limits are round numbers");
    check("pair over ground, ohm", design.pair.pair_over_ground_ohm, 112.6, 1.5, "follows from the dimensions");
    // round trip: the lines found have the impedance that matches source and load
    let wanted = (50.0f64 * 67.0).sqrt();
    check("strip to strip, ohm", design.pair.strip_to_strip_ohm, wanted, 0.02, "tolerance of the search, 1e-4");
    assert!(request().limits.hold(&design.worst), "{:?}", design.worst);
    assert!(design.worst.loss_db < 1.0);
    // the prediction is what the balun does as a three-port
    let table = LineTable::new(design.lines.clone(), None, 90e9).expect("sampled");
    let network = BalunNetwork::new(table, design.arrangement);
    let reading = BalunReading::of(28e9, &network.scattering(28e9).expect("regular"));
    let listed = design.readings.iter().find(|r| (r.freq_hz - 28e9).abs() < 1.0).expect("the centre is listed");
    assert!((reading.return_loss_db - listed.return_loss_db).abs() < 1e-2);
    assert!((reading.loss_db - listed.loss_db).abs() < 1e-3);
    // a thinner film lowers the strip-to-strip impedance: table of the demonstration −5.6 % for −8 %
    let film = design.sensitivities.iter().find(|s| s.name == "film 1 thickness").expect("it has a spread");
    let per_eight = film.strip_to_strip_ohm / design.pair.strip_to_strip_ohm / film.sd * -0.08 * design.film_m;
    check("strip to strip for film −8 %", per_eight, 53.6 / 56.8 - 1.0, 0.004, "slope against a difference");
    drawing_keeps_the_rules(&design);
    the_choice_is_shown(&design);
    let names: Vec<&str> = design.sensitivities.iter().map(|s| s.name.as_str()).collect();
    for name in ["base thickness", "M1 width bias", "M2 width bias", "M2 registration x", "polymer permittivity"] {
        assert!(names.contains(&name), "{names:?}");
    }
}

/// Wider strips need a thicker film for the same impedance, and every one that holds the limits is narrower.
fn the_choice_is_shown(design: &BalunDesign) {
    let choices = &design.choices;
    assert!(choices.len() >= 7, "{choices:?}");
    assert!(choices.windows(2).all(|w| w[0].upper_width_m < w[1].upper_width_m));
    // films are found to 1e-4 of the impedance
    assert!(choices.windows(2).all(|w| w[1].film_m > w[0].film_m * (1.0 - 1e-3)), "{choices:?}");
    assert!(choices[choices.len() - 1].film_m > 2.0 * choices[0].film_m, "{choices:?}");
    let widest = choices.iter().rfind(|c| request().limits.hold(&c.worst)).expect("the chosen one");
    check("widest that holds, um", widest.upper_width_m * 1e6, design.upper_width_m * 1e6, 1e-6, "the same search");
}

fn drawing_keeps_the_rules(design: &BalunDesign) {
    let drawing = Drawing {
        ground: "M0".into(),
        via_metal: "gold".into(),
        via_m: 150e-6,
        via_margin_m: 25e-6,
        inner_via_m: 20e-6,
        margin_m: 300e-6,
    };
    let layout = draw(design, &request(), &drawing).expect("drawable");
    let width = |layer: &str| Rule::Width { layer: layer.into(), min_m: 30e-6 };
    let technology = Technology {
        name: "thin film".into(),
        stackup: design.stack.clone(),
        rules: vec![
            width("M1"),
            width("M2"),
            Rule::Space { layer: "M1".into(), min_m: 30e-6 },
            Rule::Overlap { inner: Some("M2".into()), outer: "M1".into(), min_m: 3.9e-6 },
            Rule::Overlap { inner: None, outer: "M1".into(), min_m: 24e-6 },
            Rule::Edge { layer: "M1".into(), min_m: 200e-6 },
        ],
        layer_map: Vec::new(),
    };
    technology.check().expect("a good technology");
    let found = technology.check_layout(&layout).expect("known layers");
    // where the upper strip bridges the gap between the lower ones it leaves their cover: that is the link
    let link = design.arrangement.link.expect("asked for").length_m;
    let gap = [design.arrangement.length_m, design.arrangement.length_m + link];
    let at_link = |x: f64| x > gap[0] - 5e-6 && x < gap[1] + 5e-6;
    for violation in &found {
        assert!(at_link(violation.place[0][0]) && at_link(violation.place[1][0]), "{}", violation.text());
    }
    assert!(!found.is_empty(), "the link is marked");
    assert_eq!(layout.ports.len(), 3);
    let bad = Technology { rules: vec![width("M7")], ..technology };
    assert!(bad.check().is_err());
}

#[test]
fn impossible_impedances_are_refused_with_what_is_possible() {
    let impossible = BalunRequest { load_ohm: 2000.0, ..request() };
    match synthesise(&stack(), &impossible) {
        Err(BalunError::Range { wanted_ohm, low_ohm, high_ohm }) => {
            assert!((wanted_ohm - 316.2).abs() < 0.1 && low_ohm < high_ohm && high_ohm < wanted_ohm);
        }
        other => panic!("expected a refusal, found {other:?}"),
    }
    let backwards = BalunRequest { band_hz: [36e9, 20e9], ..request() };
    let text = synthesise(&stack(), &backwards).expect_err("band").to_string();
    assert_eq!(text, "band: expected 0 < low < high, found 36000000000 Hz to 20000000000 Hz");
}
