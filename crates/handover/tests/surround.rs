//! Surroundings against the same parts joined by the circuit crate, and what terminations do.

mod common;

use circuit::{Circuit, Line};
use common::{TEMP_K, demo_model, demo_plan};
use mixwright_handover::filter::{FilterQuestion, keep_out, recovery};
use mixwright_handover::point::{IF, Lo, RF, pump};
use mixwright_handover::study::{Question, solve_terminated, terminations, usual_places};
use mixwright_handover::surround::{Chain, Lumped, Part};
use mixwright_handover::{Model, Surrounded, Surroundings};
use network::FrequencyResponse;
use numerics::{Complex64, Quiet};
use proof::{CheckValue, Origin};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use spec::{PortName, Product};
use std::sync::Arc;

const LO: Lo = Lo { hz: 28e9, dbm: 15.0 };

#[test]
fn chains_agree_with_the_same_parts_joined_as_a_circuit() {
    let model = demo_model();
    let around = Surroundings {
        rf: Chain {
            parts: vec![
                Part::Line { impedance_ohm: 65.0, delay_s: 7e-12, skin_np_per_sqrt_hz: 0.0 },
                Part::Shunt(Lumped::Capacitor(20e-15)),
                Part::Series(Lumped::Inductor(60e-12)),
                Part::Shunt(Lumped::Resistor(400.0)),
            ],
            end_ohm: None,
        },
        lo: Chain {
            parts: vec![Part::Series(Lumped::Capacitor(1e-12)), Part::Shunt(Lumped::Inductor(2e-9))],
            end_ohm: Some(75.0),
        },
        if_: Chain { parts: vec![Part::Series(Lumped::Resistor(5.0))], end_ohm: Some(100.0) },
    };
    let ours = Surrounded::new(model.network.clone(), &around).expect("sound parts");
    let mut c = Circuit::new();
    c.add_port("LO", ["lo_out", "0"], 75.0).add_port("RF", ["rf_out", "0"], 50.0).add_port(
        "IF",
        ["if_out", "0"],
        100.0,
    );
    for d in ["d1", "d2", "d3", "d4"] {
        c.add_port(d, [d, "0"], 50.0);
    }
    let ports = [["lo", "0"], ["rf", "0"], ["if", "0"], ["d1", "0"], ["d2", "0"], ["d3", "0"], ["d4", "0"]];
    c.add_block("model", &ports, model.network.clone());
    c.add_line("line", ["rf", "0", "rf1", "0"], Line::lossless(65.0, 7e-12));
    c.add_capacitor("c1", ["rf1", "0"], 20e-15).add_inductor("l1", ["rf1", "rf_out"], 60e-12);
    c.add_resistor("r1", ["rf_out", "0"], 400.0);
    c.add_capacitor("c2", ["lo", "lo_out"], 1e-12).add_inductor("l2", ["lo_out", "0"], 2e-9);
    c.add_resistor("r2", ["if", "if_out"], 5.0);
    let theirs = c.compile().expect("a sound circuit");
    for f in [1e6, 1e9, 4.5e9, 20e9, 28e9, 56e9, 131e9, 400e9] {
        let miss = &ours.scattering(f).expect("ours") - &theirs.scattering(f).expect("theirs");
        assert!(miss.max_abs() < 1e-10, "{:e} at {f:e} Hz", miss.max_abs());
    }
}

fn loss_db(model: &Model, around: &Surroundings, rf_hz: f64) -> f64 {
    let network = Arc::new(Surrounded::new(model.network.clone(), around).expect("sound parts"));
    let mixer = model.mixer_with(network, TEMP_K, String::new()).expect("a mixer");
    let pumped = pump(&mixer, LO, &[], 16, None).expect("a steady state");
    let s = pumped.state.conversion(rf_hz).expect("a lane").scattered(&[(1, RF)]).expect("waves");
    -20.0 * s[0].at(2, IF).norm().log10()
}

#[test]
fn a_pad_at_the_if_costs_its_loss_and_a_matched_lossless_line_nothing() {
    let model = demo_model();
    let bare = loss_db(&model, &Surroundings::default(), 23e9);
    let mut line = Surroundings::default();
    line.rf.parts.push(Part::Line { impedance_ohm: 50.0, delay_s: 11e-12, skin_np_per_sqrt_hz: 0.0 });
    CheckValue {
        what: "loss added by a matched lossless line",
        expected: 0.0,
        within: 1e-9,
        because: "the line turns phases only",
        origin: Origin::Derived { how: "source and line have one impedance" },
    }
    .check(loss_db(&model, &line, 23e9) - bare);
    // a large pad at the IF isolates: its own loss and nothing else, whatever stands behind it
    let mut pad = Surroundings::default();
    pad.if_.parts.extend([Part::Pad(30.0), Part::Reflects { band_hz: (0.0, 1e9), gamma: Complex64::from(-1.0) }]);
    let added = loss_db(&model, &pad, 23e9) - bare;
    // direct current comes back through the pad twice: 60 dB, a millionth of the reflected power
    assert!((added - 30.0).abs() < 1e-6, "{added}");
}

#[test]
fn parts_that_cannot_be_are_refused_with_their_connector() {
    let model = demo_model();
    let wrong = |part: Part| {
        let mut around = Surroundings::default();
        around.rf.parts.push(part);
        Surrounded::new(model.network.clone(), &around).expect_err("refused").to_string()
    };
    let gamma = Complex64::from(1.2);
    assert!(
        wrong(Part::Reflects { band_hz: (1e9, 2e9), gamma }).starts_with("the RF connector: expected a reflection")
    );
    assert!(wrong(Part::Pad(-3.0)).contains("0 dB or more"));
    assert!(wrong(Part::Series(Lumped::Inductor(f64::NAN))).contains("not negative"));
    assert!(wrong(Part::TwoPort(model.network.clone())).contains("7 ports"));
}

fn question() -> Question {
    Question {
        lo: LO,
        rf_hz: vec![22e9],
        signal_dbm: -10.0,
        temp_k: TEMP_K,
        around: Surroundings::default(),
        rho: 0.9,
        places: usual_places(),
        products: vec![Product::new(2, -2), Product::new(3, -3)],
        orders: (8, 3),
        checks: 30,
        seed: 3,
    }
}

#[test]
fn exact_ranges_are_reached_and_never_left_by_solved_terminations() {
    let model = demo_model();
    let q = Question { orders: (16, 3), ..question() };
    let study = terminations(&model, &Question { checks: 0, products: vec![], ..q.clone() }, &Quiet).expect("a study");
    let solved = |gammas: &[(usize, Complex64)]| {
        let mut around = Surroundings::default();
        for (i, gamma) in gammas {
            let p = &q.places[*i];
            around = around.with_reflection(p.port, p.freq_hz(LO.hz, 22e9), *gamma);
        }
        loss_db(&model, &around, 22e9)
    };
    let mut rng = Pcg64::seed_from_u64(11);
    let mut random = || {
        let x = |r: &mut Pcg64| (r.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
        Complex64::from_polar(q.rho * x(&mut rng).sqrt(), std::f64::consts::TAU * x(&mut rng))
    };
    assert_eq!(study.exact.len(), 5, "four sideband places and all together");
    for e in &study.exact {
        let places: Vec<usize> = match e.place {
            Some(p) => vec![p],
            None => {
                study.exact.iter().filter_map(|e| e.place).filter(|p| q.places[*p].name != "IF load at IF").collect()
            }
        };
        let at = |g: &[Complex64]| solved(&places.iter().copied().zip(g.iter().copied()).collect::<Vec<_>>());
        assert!((at(&e.at_best) - e.best_db).abs() < 1e-6, "{e:?}: {}", at(&e.at_best));
        assert!((at(&e.at_worst) - e.worst_db).abs() < 1e-6, "{e:?}: {}", at(&e.at_worst));
        for _ in 0..12 {
            let g: Vec<Complex64> = places.iter().map(|_| random()).collect();
            let loss = at(&g);
            assert!(loss >= e.best_db - 1e-9 && loss <= e.worst_db + 1e-9, "{loss} outside {e:?}");
        }
    }
}

#[test]
fn random_terminations_never_fall_outside_the_envelope() {
    let model = demo_model();
    let q = question();
    let study = terminations(&model, &q, &Quiet).expect("a study");
    assert_eq!(study.envelopes.len(), 4);
    // other draws than those the study compared
    let mut rng = Pcg64::seed_from_u64(0xabcdef);
    let x = |r: &mut Pcg64| (r.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
    for k in 0..90 {
        // every third on the rim, where extremes lie
        let gammas: Vec<Complex64> = q
            .places
            .iter()
            .map(|_| {
                let radius = if k % 3 == 0 { 1.0 } else { x(&mut rng).sqrt() };
                Complex64::from_polar(q.rho * radius, std::f64::consts::TAU * x(&mut rng))
            })
            .collect();
        let (values, _) = solve_terminated(&model, &q, 22e9, &gammas, None).expect("a steady state");
        for (e, v) in study.envelopes.iter().zip(values) {
            assert!(v >= e.low && v <= e.high, "{}: {v} outside {} to {}", e.measure.label(), e.low, e.high);
        }
    }
    let loss = &study.envelopes[0];
    assert!(loss.high - loss.low > 0.5 && loss.high - loss.low < 40.0, "an envelope that says something: {loss:?}");
}

#[test]
fn keep_out_lengths_are_those_at_which_the_image_alone_breaks_the_limit() {
    let model = demo_model();
    let q = FilterQuestion {
        lo: LO,
        rf_hz: vec![22e9],
        pass_hz: (19e9, 27e9),
        gamma: Complex64::from(0.95),
        permittivity: 1.0,
        length_max_m: 6e-3,
        limit_db: 7.4,
        temp_k: TEMP_K,
    };
    let answer = keep_out(&model, &q, 25, &Quiet).expect("an answer");
    assert!(!answer.keep_out_m.is_empty());
    for at in &answer.lengths {
        let inside = answer.keep_out_m.iter().any(|(a, b)| at.length_m >= *a && at.length_m <= *b);
        assert_eq!(inside, at.image_db > q.limit_db, "{at:?} {:?}", answer.keep_out_m);
    }
    // re-solved with the image reflected through a real line
    for at in answer.lengths.iter().step_by(6) {
        let mut around = Surroundings::default();
        let delay_s = at.length_m / 299_792_458.0;
        around.rf.parts.push(Part::Line { impedance_ohm: 50.0, delay_s, skin_np_per_sqrt_hz: 0.0 });
        around.rf.parts.push(Part::reflects_at(34e9, q.gamma));
        let solved = loss_db(&model, &around, 22e9);
        assert!((solved - at.image_db).abs() < 1e-6, "{solved} against {at:?}");
    }
}

#[test]
fn recovery_with_no_reflection_is_the_bare_mixer_and_a_lossless_one_sends_no_noise() {
    let model = demo_model();
    let found = recovery(&model, LO, 23e9, TEMP_K, 1.0, 8, &Quiet).expect("an answer");
    assert!((found[0].loss_db - loss_db(&model, &Surroundings::default(), 23e9)).abs() < 1e-9);
    let best = found.iter().map(|r| r.loss_db).fold(f64::INFINITY, f64::min);
    let worst = found.iter().map(|r| r.loss_db).fold(f64::NEG_INFINITY, f64::max);
    assert!(best < found[0].loss_db && worst > found[0].loss_db, "{best} {worst}");
    // with the image closed the source's image noise is gone: at 290 K a mixer near 290 K has a noise figure near its
    // loss, within shot noise (half of thermal) and the other sidebands
    for r in &found[1..] {
        assert!(r.noise_db > 0.0 && r.noise_db < r.loss_db + 3.0, "{r:?}");
    }
    assert_eq!(demo_plan().lo_hz.to_bits(), LO.hz.to_bits());
    assert_eq!(PortName::Rf.label(), "RF");
}
