//! Exported texts against readers of their own, closed forms, and the harmonic balance.

mod common;

use common::{demo_model, demo_plan};
use handover::export::check::{CheckQuestion, check};
use handover::export::fit::{FitQuestion, Fitted, consequence, fit};
use handover::export::transient::{Source, TransientSettings, integrate};
use handover::export::{Origin as From_, heading, pumped, reader, verilog};
use handover::point::{Lo, two_tone};
use handover::{Model, OutsidePolicy};
use mixwright_handover as handover;
use network::touchstone::{ReadSettings, read};
use numerics::{Complex64, Quiet};
use proof::{CheckValue, Origin};
use spec::{Measure, PortName};
use std::sync::{Arc, OnceLock};

fn model() -> &'static Model {
    static MODEL: OnceLock<Model> = OnceLock::new();
    MODEL.get_or_init(demo_model)
}

/// A small rational network of the invented mixer, fitted once: what is written down does not depend on its size.
fn fitted() -> &'static Arc<Fitted> {
    static FITTED: OnceLock<Arc<Fitted>> = OnceLock::new();
    let question = FitQuestion { up_to_hz: 60e9, poles_max: 24, goal: 1e-3 };
    FITTED.get_or_init(|| Arc::new(fit(model(), &question, &Quiet).expect("a fit")))
}

fn origin() -> From_ {
    From_ {
        package_blake3: Some("0123abcd".into()),
        signature: "not signed".into(),
        program: "test".into(),
        notices: vec!["expiry notice: old".into()],
    }
}

fn question() -> CheckQuestion {
    let usual = CheckQuestion::of(&demo_plan()).expect("a commensurate RF");
    CheckQuestion { tolerance: 1e-6, repeats_within: 1e-4, lo_order: 32, ..usual }
}

#[test]
fn the_rational_network_is_passive_and_close_and_says_what_it_costs() {
    let r = &fitted().report;
    assert_eq!(r.active_bands, 0);
    assert!(r.poles <= 24 && r.rms < 5e-3 && r.worst < 0.1, "{r:?}");
    // passive seen from outside as well: no matrix on a fine grid far beyond the band gives out power
    for i in 0..400 {
        let s = network::FrequencyResponse::scattering(&**fitted(), 0.7e9 * f64::from(i)).expect("a matrix");
        assert!(network::hygiene::sigma_max(&s).expect("finite") <= 1.0 + 1e-9);
    }
    let compared = consequence(model(), fitted(), &demo_plan(), &Quiet).expect("both solve");
    let loss: Vec<f64> =
        compared.iter().filter(|c| c.name == "Conversion loss").map(|c| c.difference().abs()).collect();
    // nothing is known above 60 GHz, the second LO harmonic and its sidebands: the loss moves, and that is told
    assert!(loss.len() == 3 && loss.iter().all(|d| *d < 2.0) && loss.iter().any(|d| *d > 1e-4), "{loss:?}");
    let words = verilog::consequence_words(&compared);
    assert!(words.contains("Conversion loss") && words.contains("DC offset"), "{words}");
}

#[test]
fn impossible_fits_are_refused_in_words() {
    let usual = FitQuestion::usual(&demo_plan());
    for (question, word) in [
        (FitQuestion { up_to_hz: 1e14, ..usual }, "100000 GHz"),
        (FitQuestion { up_to_hz: 0.0, ..usual }, "0 GHz"),
        (FitQuestion { poles_max: 1000, ..usual }, "1000"),
    ] {
        let error = fit(model(), &question, &Quiet).expect_err("impossible").to_string();
        assert!(error.contains(word), "{error}");
    }
}

/// The exported text, read back and integrated from rest, reaches the steady state of the harmonic balance.
#[test]
fn the_module_integrated_in_time_agrees_with_the_balance() {
    let text = verilog::module(model(), fitted(), &[], &origin()).expect("a module");
    let report = check(&text, model(), fitted(), &question(), &Quiet).expect("both roads end");
    assert_eq!(report.lines.iter().filter(|l| l.counts).count(), 4 + 4 * 6);
    CheckValue {
        what: "largest difference of direct voltage, product and LO harmonics at the junctions, dB",
        expected: 0.0,
        within: 0.01,
        because: "steps of 1e-6, repetition within 1e-4 and 32 LO harmonics leave some 1e-4 of an amplitude; 0.01 dB is 1.2e-3",
        origin: Origin::Derived { how: "explicit Runge-Kutta integration of the text by diffsol, from rest" },
    }
    .check(report.worst_db());
}

/// The check sees one diode of ten per cent more current: otherwise it would prove nothing.
#[test]
fn the_check_sees_a_wrong_module() {
    let text = verilog::module(model(), fitted(), &[], &origin()).expect("a module");
    let wrong = text.replacen("i1 = is1*(e1 - 1)", "i1 = 1.1*is1*(e1 - 1)", 1);
    assert_ne!(text, wrong);
    let report = check(&wrong, model(), fitted(), &question(), &Quiet).expect("it integrates");
    assert!(report.worst_db() > 0.03, "{}", report.worst_db());
}

/// A resistance and a capacitance on a bench: the divider of alternating current.
#[test]
fn a_linear_circuit_ends_in_its_phasors() {
    let text = "module rc(p, ref);\n inout p, ref;\n electrical p, ref;\n electrical n;\n parameter real c = 1.0e-12;\n \
        real i;\n analog begin\n i = (V(p, ref) - V(n))/25;\n I(p, ref) <+ i;\n I(n) <+ -i + ddt(c*V(n));\n end\nendmodule\n";
    let circuit = reader::read(text).expect("the subset");
    let settings =
        TransientSettings { common_hz: 2e9, samples: 64, tolerance: 1e-9, repeats_within: 1e-9, periods_max: 60 };
    let bench = [Source { ohm: 25.0, tones: vec![(2e9, 1.0), (6e9, 0.5)] }];
    let found = integrate(&circuit, &bench, &settings, &["n"], &Quiet).expect("it repeats");
    let node = found.node("n").expect("the node");
    for (multiple, f, amplitude) in [(1usize, 2e9, 1.0), (3, 6e9, 0.5)] {
        let omega = std::f64::consts::TAU * f;
        let expected = amplitude / Complex64::new(1.0, omega * 50.0 * 1e-12);
        let miss = (found.line(node, multiple) - expected).norm();
        assert!(miss < 1e-7, "{multiple}: {miss:e}");
    }
    assert!(found.line(node, 0).norm() < 1e-7);
}

#[test]
fn junctions_without_charge_are_refused_by_the_check() {
    let text = "module g(p, ref);\n inout p, ref;\n electrical p, ref;\n electrical j1;\n analog begin\n \
        I(p, ref) <+ V(p, ref)/50;\n I(j1, ref) <+ V(j1, ref)/50;\n end\nendmodule\n";
    let circuit = reader::read(text).expect("the subset");
    let settings =
        TransientSettings { common_hz: 1e9, samples: 8, tolerance: 1e-6, repeats_within: 1e-3, periods_max: 3 };
    let bench = [Source { ohm: 50.0, tones: Vec::new() }];
    let error = integrate(&circuit, &bench, &settings, &[], &Quiet).expect_err("no state").to_string();
    assert!(error.contains("capacitance") && error.contains("`j1`"), "{error}");
}

/// Every text says where it comes from, and what the maker wants told; only ASCII leaves.
#[test]
fn heads_carry_origin_watermark_and_expiry() {
    let mut told = model().clone();
    told.terms.watermark = Some("Entwurf für Prüfung – 50 Ω".into());
    told.terms.expires = Some("2027-03-31".into());
    told.terms.expiry_text = Some("ask for revision 2".into());
    told.revision = "7".into();
    let head = heading(&told, &origin(), "Spur table").join("\n");
    for word in
        ["revision 7", "0123abcd", "50 ohm", "2027-03-31", "ask for revision 2", "expiry notice: old", "not signed"]
    {
        assert!(head.contains(word), "{word}: {head}");
    }
    let text = verilog::module(&told, fitted(), &[], &origin()).expect("a module");
    let pumped = pumped::pumped(&told, &demo_plan(), &Quiet).expect("a pumped state");
    for text in [text, pumped.touchstone(&told, &origin()).expect("a text"), pumped.csv(&told, &origin())] {
        assert!(
            text.is_ascii() && text.contains("0123abcd") && text.contains("2027-03-31") && text.contains("revision 7")
        );
    }
}

/// The pumped scattering, read back from the text, is the small-signal limit of the full balance.
#[test]
fn pumped_scattering_is_the_limit_of_the_full_balance() {
    let plan = demo_plan();
    let computed = pumped::pumped(model(), &plan, &Quiet).expect("a pumped state");
    let text = computed.touchstone(model(), &origin()).expect("a text");
    let data = read(text.as_bytes(), &ReadSettings::strict("pumped.ts")).expect("the standard");
    assert_eq!((data.n_ports(), data.freq_hz.len()), (6, 5));
    assert!(data.comments.iter().any(|c| c.contains("port 2") && c.contains("conjugate")));
    let mixer = model().mixer().expect("a mixer");
    let rf = data.freq_hz[2];
    let lo = Lo { hz: plan.lo_hz, dbm: plan.lo_dbm };
    let anchor = two_tone(&mixer, lo, &[], (rf, -60.0), PortName::Rf, (32, 2), None).expect("a steady state");
    for (to, measure, sign) in [(1, Measure::ConversionLoss, -1.0), (0, Measure::ReturnLoss(PortName::Rf), -1.0)] {
        CheckValue {
            what: "level of an entry of the pumped scattering, dB",
            expected: sign * anchor.value(&mixer, measure).expect("a value"),
            within: 1e-4,
            because: "at -60 dBm compression is some 1e-7; both keep 32 LO harmonics",
            origin: Origin::Derived { how: "full balance of LO and a signal of -60 dBm" },
        }
        .check(20.0 * data.matrix[2][(to, 0)].norm().log10());
    }
}

#[test]
fn a_maker_who_refuses_is_obeyed() {
    let mut strict = model().clone();
    strict.region.policy = OutsidePolicy::Refuse;
    let plan = mixer::Plan { lo_dbm: 30.0, ..demo_plan() };
    let error = pumped::pumped(&strict, &plan, &Quiet).expect_err("outside").to_string();
    assert!(error.contains("LO level"), "{error}");
}

#[test]
fn an_rf_that_shares_no_period_is_refused() {
    let plan = mixer::Plan { rf_band_hz: (27.9991e9, 27.9992e9), ..demo_plan() };
    let error = CheckQuestion::of(&plan).expect_err("nothing commensurate").to_string();
    assert!(error.contains("LO·p/q"), "{error}");
}
