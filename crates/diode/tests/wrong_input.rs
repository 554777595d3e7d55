//! Wrong input is refused, in words that say what to do.

use mixwright_diode::extract::{
    CapacitanceSettings, CurrentLaw, Uncertainty, fit_capacitance, fit_current, norde_minimum,
};
use mixwright_diode::{Breakdown, DepletionLaw, SchottkyParameters, SkinSpreading};

type Change = Box<dyn Fn(&mut SchottkyParameters)>;

fn refused(change: impl Fn(&mut SchottkyParameters)) -> String {
    let mut p = SchottkyParameters::default();
    change(&mut p);
    p.at_temperature(300.0).expect_err("must be refused").to_string()
}

#[test]
fn parameters_out_of_range() {
    assert_eq!(
        refused(|p| p.fc = 1.0),
        "diode parameter fc: expected 0 to 0.999, found 1e0; \
         the power law is infinite at FC = 1; choose 0.5 to 0.95, it is a part of VJ"
    );
    assert_eq!(
        refused(|p| p.rs_ohm = -4.0),
        "diode parameter rs_ohm: expected 0 ohm to 1e6 ohm, found -4e0; a resistance cannot be negative"
    );
    let breakdown = |bv_v, ibv_a, nbv| Some(Breakdown { bv_v, ibv_a, nbv });
    let skin = SkinSpreading { resistivity_ohm_m: 1e-5, anode_radius_m: 2e-6, ring_radius_m: 1e-6 };
    let cases: Vec<(&str, Change)> = vec![
        ("is_a", Box::new(|p| p.is_a = -1e-14)),
        ("is_a", Box::new(|p| p.is_a = f64::NAN)),
        ("n", Box::new(|p| p.n = 0.0)),
        ("cj0_f", Box::new(|p| p.cj0_f = 40.0)),
        ("vj_v", Box::new(|p| p.vj_v = 0.0)),
        ("m", Box::new(|p| p.m = -0.5)),
        ("fc", Box::new(|p| p.fc = f64::INFINITY)),
        ("tt_s", Box::new(|p| p.tt_s = -1.0)),
        ("barrier_ev", Box::new(|p| p.barrier_ev = -0.7)),
        ("xti", Box::new(|p| p.xti = f64::NAN)),
        ("pad_capacitance_f", Box::new(|p| p.pad_capacitance_f = 7.0)),
        ("finger_inductance_h", Box::new(|p| p.finger_inductance_h = -1e-12)),
        ("thermal_resistance_k_per_w", Box::new(|p| p.thermal_resistance_k_per_w = Some(-1.0))),
        ("bv_v", Box::new(move |p| p.breakdown = breakdown(-7.0, 1e-5, 1.0))),
        ("ibv_a", Box::new(move |p| p.breakdown = breakdown(7.0, 0.0, 1.0))),
        ("nbv", Box::new(move |p| p.breakdown = breakdown(7.0, 1e-5, 0.0))),
        ("gap_ev", Box::new(|p| p.depletion_law = DepletionLaw::ConstantGap { gap_ev: -1.0 })),
        ("ring_radius_m", Box::new(move |p| p.skin = Some(skin))),
        ("resistivity_ohm_m", Box::new(move |p| p.skin = Some(SkinSpreading { resistivity_ohm_m: 0.0, ..skin }))),
    ];
    for (name, change) in cases {
        let text = refused(change);
        assert!(text.contains(&format!("parameter {name}: expected")), "{name}: {text}");
    }
}

#[test]
fn temperatures_in_celsius_are_caught() {
    let text = SchottkyParameters::default().at_temperature(-40.0).expect_err("not absolute").to_string();
    assert_eq!(text, "junction temperature: expected 20 K to 800 K, found -40 K; temperatures are absolute");
    assert!(refused(|p| p.temp_nominal_k = 0.0).contains("temperatures are absolute"));
    assert!(SchottkyParameters::default().at_temperature(f64::NAN).is_err());
    // A temperature law that leaves the range of a parameter is refused as well.
    let mut p = SchottkyParameters { is_a: 1e-3, barrier_ev: 3.0, ..Default::default() };
    assert!(p.at_temperature(700.0).expect_err("too hot").to_string().contains("is_a"));
    p.barrier_ev = 0.3;
    assert!(p.at_temperature(350.0).is_ok());
}

#[test]
fn tables_that_cannot_be_fitted() {
    let current = |i: &[f64], v: &[f64], u| {
        fit_current(i, v, u, 300.0, CurrentLaw::Complete).expect_err("must be refused").to_string()
    };
    let (i, v) = ([1e-6, 1e-5, 1e-4, 1e-3, 1e-2], [0.4, 0.46, 0.52, 0.59, 0.7]);
    let sigma = Uncertainty::Uniform(1e-4);
    assert!(current(&i[..4], &v, sigma).contains("found 4 currents and 5 voltages"));
    assert!(current(&i[..3], &v[..3], sigma).contains("at least 4 points, found 3"));
    let text = current(&[1e-6, -1e-5, 1e-4, 1e-3, 1e-2], &v, sigma);
    assert!(text.contains("in row 2") && text.contains("leave reverse and zero points out"), "{text}");
    assert!(current(&i, &[0.4, f64::NAN, 0.5, 0.6, 0.7], sigma).contains("in row 2"));
    assert!(current(&i, &v, Uncertainty::Uniform(0.0)).contains("positive standard deviation"));
    assert!(current(&i, &v, Uncertainty::Each(&[1e-4])).contains("one positive standard deviation per point"));
    let text = current(&i, &[0.7, 0.6, 0.5, 0.4, 0.3], sigma);
    assert!(text.contains("is the diode reversed"), "{text}");
    assert!(current(&[1e-4; 5], &v, sigma).contains("do not determine"), "{}", current(&[1e-4; 5], &v, sigma));

    let settings = CapacitanceSettings::default();
    let capacitance = |v: &[f64], c: &[f64]| {
        fit_capacitance(v, c, Uncertainty::Unknown, &settings).expect_err("must be refused").to_string()
    };
    assert!(capacitance(&[0.0, -1.0], &[40e-15, 30e-15]).contains("more than 3 points"));
    assert!(capacitance(&[0.0, -1.0, -2.0, -3.0], &[40e-15, 0.0, 30e-15, 25e-15]).contains("in row 2"));
    assert!(capacitance(&[-1.0; 5], &[40e-15; 5]).contains("do not determine"));
    let text = norde_minimum(&i, &v, 5.0, 300.0).expect_err("outside").to_string();
    assert!(text.contains("widen the sweep"), "{text}");
}
