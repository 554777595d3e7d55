//! Reviews of mixers whose numbers are known exactly.
//!
//! The reference is the quasi-static diode ring without memory: solved by Newton's method at every
//! point of a grid of LO and RF phases, so free of any truncation (theory checks J1, J3, J4).

use circuit::{Access, Circuit};
use diode::{Device, SchottkyParameters};
use mixer::{Direction, Mixer, MixerError, Plan, Ports, review};
use mixwright_mixer as mixer;
use numerics::{Cancelled, Quiet, Watch};
use proof::{CheckValue, Origin};
use spec::{Bound, Item, Limit, Measure, PortName, Product, Reading, Review, VerdictStatus};
use std::sync::Arc;

/// Ring with ideal 1:1:1 centre-tapped transformers; `is_factor` scales IS of the first diode.
fn ring(is_factor: f64) -> Mixer {
    let mut c = Circuit::new();
    c.add_port("LO", ["lo", "0"], 50.0).add_port("RF", ["rf", "0"], 50.0).add_port("IF", ["if", "0"], 50.0);
    c.add_transformer("TLO", &[(["lo", "0"], 1.0), (["a", "0"], 1.0), (["0", "c"], 1.0)]);
    c.add_transformer("TRF", &[(["rf", "0"], 1.0), (["b", "if"], 1.0), (["if", "d"], 1.0)]);
    let names = ["D1", "D2", "D3", "D4"];
    let mut devices: Vec<Arc<dyn Device>> = Vec::new();
    for (i, (name, [anode, cathode])) in names.iter().zip([["a", "b"], ["b", "c"], ["c", "d"], ["d", "a"]]).enumerate()
    {
        c.add_diode(name, anode, cathode, Access { rs_ohm: 5.0, ..Access::default() });
        let is_a = 1e-13 * if i == 0 { is_factor } else { 1.0 };
        let diode = SchottkyParameters { is_a, n: 1.05, ..SchottkyParameters::default() };
        devices.push(Arc::new(diode.at_temperature(300.0).expect("valid")));
    }
    let embedding = balance::Embedding::new(Arc::new(c.compile().expect("joins")), 4).expect("four junctions");
    Mixer {
        name: "exact ring".into(),
        about: String::new(),
        embedding: Arc::new(embedding),
        alternatives: Vec::new(),
        devices,
        diode_names: names.map(String::from).to_vec(),
        ports: Ports { lo: 0, rf: 1, if_: 2 },
        temp_k: 300.0,
        terminations: "50 ohm on every port at every frequency".into(),
        findings: Vec::new(),
    }
}

/// Two operating points and short sweeps; without memory the frequencies do not matter.
fn short_plan(rf_band_hz: (f64, f64)) -> Plan {
    let mut plan = Plan::new(10e9, 10.0, rf_band_hz);
    plan.direction = Direction::Down;
    (plan.anchors, plan.points, plan.spur_orders) = (2, 3, (3, 3));
    plan
}

fn all(review: &Review) -> Vec<&Reading> {
    let items = review.sections.iter().flat_map(|s| &s.items);
    items
        .flat_map(|i| -> Vec<&Reading> {
            match i {
                Item::Curves(p) => p.curves.iter().flat_map(|c| c.points.iter().map(|(_, r)| r)).collect(),
                Item::Table(t) => t.readings.iter().collect(),
                Item::Spurs(g) => g.entries.iter().map(|e| &e.reading).collect(),
                Item::Smith(_) | Item::Waveforms(_) | Item::Figure(_) => Vec::new(),
            }
        })
        .collect()
}

/// First reading of a measure at the nominal levels.
fn find(review: &Review, measure: Measure) -> &Reading {
    let nominal = |r: &&&Reading| {
        r.conditions.lo_dbm == review.nominal.lo_dbm
            && r.conditions.signal_dbm.is_none_or(|l| Some(l) == review.nominal.signal_dbm)
    };
    let found = all(review);
    found.iter().filter(|r| r.measure == measure).find(nominal).unwrap_or_else(|| panic!("no {}", measure.label()))
}

fn check(what: &str, id: &'static str, expected: f64, within: f64, found: f64) {
    let origin = Origin::Derived { how: id };
    CheckValue { what, expected, within, because: "tolerance stated with the reference", origin }.check(found);
}

#[test]
fn a_balanced_ring_shows_the_exact_numbers_and_its_nulls() {
    let mut plan = short_plan((10.5e9, 11e9));
    let limit = |measure, bound| Limit { measure, bound, band_hz: None, why: String::new() };
    plan.limits = vec![
        limit(Some(Measure::ConversionLoss), Bound::AtMost(5.0)),
        limit(Some(Measure::ConversionLoss), Bound::AtMost(4.5)),
        limit(Some(Measure::InputIp3), Bound::AtLeast(10.0)),
        limit(Some(Measure::CarrierLeak), Bound::AtMost(-20.0)),
    ];
    let r = review(&ring(1.0), &plan, &Quiet).expect("reviews");
    const J1: &str = "J1: exact quasi-static ring, small signal";
    const J3: &str = "J3: exact quasi-static ring, RF -10 dBm, two-dimensional Fourier transform";
    check("conversion loss, dB", J1, 4.70450653496, 0.002, find(&r, Measure::ConversionLoss).value);
    let rl = -20.0 * 0.229106135113_f64.log10();
    check("return loss RF, dB", J1, rl, 0.02, find(&r, Measure::ReturnLoss(PortName::Rf)).value);
    let rl = -20.0 * 0.0947798415802_f64.log10();
    check("return loss LO, dB", J1, rl, 0.05, find(&r, Measure::ReturnLoss(PortName::Lo)).value);
    let spur = |n, m| find(&r, Measure::Spur(Product::new(n, m))).value;
    check("1LO x 3RF, dBc", J3, -64.6942331402, 0.02, spur(1, 3));
    check("3LO x 1RF, dBc", J3, -13.6061740167, 0.02, spur(3, -1));
    check("3LO x 3RF, dBc", J3, -55.1923851642, 0.02, spur(3, -3));
    for (n, m) in [(2, -2), (2, 1), (1, -2), (0, -2)] {
        let null = find(&r, Measure::Spur(Product::new(n, m)));
        assert!(null.value == -100.0 && null.quality.is_bound, "{n},{m}: {}", null.value);
    }
    let isolation = find(&r, Measure::Isolation { from: PortName::Lo, to: PortName::Rf });
    assert!(isolation.value == 90.0 && isolation.quality.is_bound, "isolation {}", isolation.value);
    let statuses: Vec<VerdictStatus> = r.verdicts.iter().map(|v| v.status).collect();
    use VerdictStatus::{Fail, NotComputed, Pass};
    assert_eq!(statuses, [Pass, Fail, Pass, NotComputed]);
}

#[test]
fn a_mismatched_ring_leaks_as_the_exact_one_does() {
    let r = review(&ring(1.2), &short_plan((10.5e9, 11e9)), &Quiet).expect("reviews");
    const J4: &str = "J4: exact quasi-static ring, one diode with IS 20 % up, RF -10 dBm";
    let isolation = |from, to| find(&r, Measure::Isolation { from, to });
    check("isolation LO-IF, dB", J4, 62.819655648, 0.05, isolation(PortName::Lo, PortName::If).value);
    check("isolation LO-RF, dB", J4, 62.819655648, 0.05, isolation(PortName::Lo, PortName::Rf).value);
    let spur = |n, m| find(&r, Measure::Spur(Product::new(n, m))).value;
    check("2LO x 2RF, dBc", J4, -80.4174795539, 0.05, spur(2, -2));
    check("2LO x 1RF, dBc", J4, -65.2306081633, 0.05, spur(2, -1));
    check("1LO x 2RF, dBc", J4, -94.880957295, 0.05, spur(1, -2));
    let cancelled = isolation(PortName::Lo, PortName::Rf).quality.cancellation.as_ref().expect("a difference of terms");
    assert!(cancelled.ratio_db > 30.0 && cancelled.terms.len() >= 4);
}

#[test]
fn both_sides_of_the_lo_convert_alike_without_memory() {
    let above = review(&ring(1.0), &short_plan((10.5e9, 11e9)), &Quiet).expect("reviews");
    let below = review(&ring(1.0), &short_plan((9.0e9, 9.5e9)), &Quiet).expect("reviews");
    for measure in [Measure::ConversionLoss, Measure::InputIp3, Measure::NoiseFigureSsb, Measure::InputP1db] {
        let pick = |r: &Review| all(r).into_iter().find(|x| x.measure == measure).map(|x| x.value).expect("present");
        let (a, b) = (pick(&above), pick(&below));
        assert!((a - b).abs() < 0.01, "{}: {a} above, {b} below", measure.label());
    }
}

#[test]
fn impossible_plans_and_cancelling_are_errors() {
    let around = review(&ring(1.0), &short_plan((9.5e9, 10.5e9)), &Quiet);
    assert!(matches!(around, Err(MixerError::Plan { .. })));
    struct Stop;
    impl Watch for Stop {
        fn step(&self, _what: &str, _done: usize, _total: usize) -> Result<(), Cancelled> {
            Err(Cancelled)
        }
    }
    let stopped = review(&ring(1.0), &short_plan((10.5e9, 11e9)), &Stop);
    assert!(matches!(stopped, Err(MixerError::Cancelled(_))));
}
