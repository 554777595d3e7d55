//! Lots of the demonstration's mixer with known faults, made by full solutions of moved designs, and explained.
//!
//! Truth and explanation share engine and truncation here; the bench adds noise, and errors stated as such.

use causes::explain::Verdict;
use measurement::{Detector, Floor, Measured, Place, Session, State, Uncertainty};
use project::Quiet;
use project::design::Design;
use project::explain::{Explained, LotExplained, Question, explain_measured, narrowed};
use project::process::DesignProcess;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use spec::{Measure, PortName};
use std::path::Path;
use tolerance::Process;

fn normal(rng: &mut Pcg64Mcg) -> f64 {
    let (u, v): (f64, f64) = (rng.random::<f64>(), rng.random::<f64>());
    (-2.0 * (1.0 - u).ln()).sqrt() * (2.0 * std::f64::consts::PI * v).cos()
}

fn session(name: &str, lot: &str, harmonic_dbc: f64) -> Session {
    Session {
        name: name.into(),
        date: "2031-06-03".into(),
        lab: "invented".into(),
        lot: lot.into(),
        foundry: String::new(),
        reel: String::new(),
        conditions: spec::Conditions::default(),
        temp_within_k: 1.0,
        lo_second_harmonic_dbc: Some(harmonic_dbc),
        pads: Vec::new(),
        floor: Some(Floor { level_dbm: -115.0, bandwidth_hz: 1e3, detector: Detector::Power }),
        leakage: Vec::new(),
        uncertainty: Uncertainty::default(),
        calibration: Vec::new(),
    }
}

fn bench_sd(measure: Measure) -> f64 {
    match Uncertainty::group(measure) {
        "loss" => 0.12,
        "return_loss" => 0.25,
        "isolation" => 0.5,
        "direct" => 0.08,
        _ => 0.5,
    }
}

/// Two units of a lot: the fault in all, small scatter of its own in each, 0.35 dB behind the IF port, and a loss table
/// of the RF path with `cable` dB too much at 26 GHz.
fn measure(process: &DesignProcess, lot: &str, fault: &[(&str, f64)], cable: f64, seed: u64) -> Vec<Measured> {
    let mut rng = Pcg64Mcg::seed_from_u64(seed);
    let mut out = Vec::new();
    for unit in 1..=2 {
        let mut x: Vec<f64> = process
            .variables()
            .iter()
            .map(|v| 0.5 * v.sd[2].hypot(v.sd[3]) * normal(&mut rng) * f64::from(u8::from(v.name != "LO level")))
            .collect();
        for (name, value) in fault {
            x[process.variable(name).expect("a variable of the demonstration")] += value;
        }
        let values = process.measures(&process.solve(&x).unwrap());
        for (q, value) in process.quantities().iter().zip(values) {
            let f = q.conditions.rf_hz.unwrap();
            let over = cable * (f / 26e9).sqrt();
            let (from_lo, to_if) = (PortName::Lo, PortName::If);
            let bench = match q.measure {
                Measure::ConversionLoss => 0.35 - over,
                Measure::Isolation { from: PortName::Rf, to } if to == to_if => 0.35 - over,
                Measure::Isolation { from: PortName::Rf, .. } => -over,
                Measure::Isolation { from, to } if from == from_lo && to == to_if => 0.35,
                Measure::Isolation { .. } => -cable * (28.0_f64 / 26.0).sqrt(),
                Measure::Spur(p) => (f64::from(p.m_rf.unsigned_abs()) - 1.0) * over,
                _ => 0.0,
            };
            let value = value + bench;
            if matches!(q.measure, Measure::Spur(_)) && value < -90.0 {
                continue;
            }
            let u = bench_sd(q.measure);
            let seen = value + u * normal(&mut rng);
            out.push(Measured {
                measure: q.measure.canonical(),
                value: seen,
                raw: seen,
                conditions: q.conditions.clone(),
                unit: format!("{lot}{unit}"),
                lot: lot.into(),
                session: format!("{lot}-1"),
                u,
                state: State::Seen,
                place: Place::default(),
            });
        }
    }
    out
}

fn show(lot: &LotExplained) -> String {
    let e = &lot.explanation;
    let rows = e
        .ranked
        .iter()
        .take(6)
        .map(|r| format!("{} {:.1} {} {:?}", r.hypothesis.name, r.log_evidence, r.full, r.found));
    format!("lot {}: {:?}\n{:?}\n{}", lot.lot, e.verdict, e.alarms, rows.collect::<Vec<_>>().join("\n"))
}

#[test]
fn thin_film_foreign_diode_and_wrong_cable_are_told_apart_on_the_demonstration() {
    let mut design = Design::parse("demo", project::demo::CIRCUIT_TEXT, Path::new("")).unwrap();
    // the three review points of the bench
    design.settings.anchors = 3;
    design.plan.seats.truncate(1);
    let process = DesignProcess::new(&design, &Quiet).unwrap();
    let mut measured = measure(&process, "A", &[], 0.9, 1);
    measured.extend(measure(&process, "B", &[("film1.thickness", -8.0)], 0.0, 2));
    measured.extend(measure(&process, "C", &[("D3.IS", -30.0)], 0.0, 3));
    assert_eq!(narrowed(&design, &measured).settings.anchors, 3);
    let sessions = [session("A-1", "A", -31.0), session("B-1", "B", -31.0), session("C-1", "C", -18.0)];
    let explained: Explained = explain_measured(&design, &Question::default(), &sessions, &measured, &Quiet).unwrap();
    if let Ok(path) = std::env::var("CAUSES_PAGE") {
        std::fs::write(path, project::report::html(&project::explain::page(&explained))).unwrap();
        eprintln!("{}", project::explain::summary(&explained));
    }
    let [a, b, c] = &explained.lots[..] else { panic!("three lots") };

    // a wrong cable table: the bench, not the units
    let best = causes::words::best(&a.explanation);
    let bench = |r: &causes::Ranked| r.hypothesis.suspects.iter().all(|s| s.cause.kind == causes::Kind::Bench);
    assert!(!a.explanation.alarms.is_empty() && bench(best), "{}", show(a));
    let cable = a.explanation.ranked.iter().find(|r| r.hypothesis.name == "cable_rf").unwrap();
    let (low, high) = cable.found[0].interval(0.99);
    assert!(low < 0.9 && 0.9 < high, "{}", show(a));

    // a thin film, within its interval
    let film = b.explanation.ranked.iter().find(|r| r.hypothesis.name == "film1_thickness").unwrap();
    let (low, high) = film.found[0].interval(0.99);
    assert!(low < -8.0 && -8.0 < high && high < 0.0, "{}", show(b));
    let blamed = matches!(b.explanation.verdict, Verdict::Explained);
    assert!(!blamed || causes::words::best(&b.explanation).hypothesis.name == "film1_thickness", "{}", show(b));

    // a foreign diode in position 3, matched quads out of the question, the harmonic of the LO cleared
    let best = causes::words::best(&c.explanation);
    assert_eq!(best.hypothesis.name, "foreign_diode_3", "{}", show(c));
    let (low, high) = best.found[0].interval(0.99);
    assert!(low < -30.0 && -30.0 < high, "{}", show(c));
    let declared = &c.explanation.ranked[c.explanation.declared];
    assert!(best.log_evidence - declared.log_evidence > 10.0, "{}", show(c));
    let name = |i: usize| c.explanation.ranked[i].hypothesis.name.as_str();
    let harmonic =
        c.explanation.cleared.iter().find(|x| name(x.story) == "lo_second_harmonic").expect("asked and cleared");
    assert!(harmonic.at_most < 0.25 * harmonic.shift.abs(), "{harmonic:?}");
}
