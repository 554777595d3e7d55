//! Small ready-made circuits: reviewed, balanced where they say so, and refused where the review has no answer.

use mixwright_project::design::Design;
use mixwright_project::{Quiet, review};
use spec::{Item, Measure, PortName, Reading, Review};
use std::path::Path;

fn text(template: &str, tail: &str) -> String {
    let ring = include_str!("data/template.toml");
    let (head, _) = ring.split_once("[circuit]").expect("the file has a circuit");
    format!(
        "{head}[circuit]\ntemplate = \"{template}\"\nmodel = \"D\"\n{tail}\n[review]\nanchors = 2\npoints = 2\nspur_orders = {{ lo = 2, input = 2 }}\n"
    )
}

fn reviewed(template: &str, tail: &str) -> Review {
    let text = text(template, tail);
    let design = Design::parse("template.toml", &text, Path::new("")).unwrap_or_else(|e| panic!("{e}"));
    review::run(&design, &Quiet).unwrap_or_else(|e| panic!("{template}: {e}"))
}

fn value(readings: &[Reading], measure: Measure) -> f64 {
    readings.iter().find(|r| r.measure == measure).unwrap_or_else(|| panic!("no {}", measure.key())).value
}

/// Level of the product of `n` LO and `m` RF, lower of sum and difference, dBm.
fn product_dbm(review: &Review, n: u32, m: u32) -> f64 {
    let grids = review.sections.iter().flat_map(|s| &s.items);
    let grid = grids.filter_map(|i| if let Item::Spurs(g) = i { Some(g) } else { None }).next().expect("a grid");
    let entry = grid.entries.iter().find(|e| (e.n, e.m, e.sum) == (n, m, false)).expect("in the grid");
    grid.wanted_dbm + entry.reading.value
}

#[test]
fn a_single_diode_converts_and_isolates_nothing() {
    let review = reviewed("single", "");
    let loss = value(&review.summary, Measure::ConversionLoss);
    // 3.92 dB is the least a resistive mixer without sideband recovery can lose (20 log10(π/2)); the three ports in
    // series load each other, which costs more
    assert!(loss > 3.922 && loss < 20.0, "conversion loss {loss} dB");
    let isolation = value(&review.summary, Measure::Isolation { from: PortName::Lo, to: PortName::Rf });
    assert!(isolation < 20.0, "ports in series see each other, found {isolation} dB");
}

#[test]
fn a_single_balanced_mixer_keeps_the_lo_from_rf_and_if() {
    let review = reviewed("single_balanced", "");
    let loss = value(&review.summary, Measure::ConversionLoss);
    assert!(loss > 3.922 && loss < 20.0, "conversion loss {loss} dB");
    for to in [PortName::Rf, PortName::If] {
        let measure = Measure::Isolation { from: PortName::Lo, to };
        let isolation = review.summary.iter().find(|r| r.measure == measure).expect("in the summary");
        // equal diodes isolate by symmetry without limit: what is said is the floor, as a bound
        assert!(isolation.quality.is_bound && isolation.value >= 60.0, "{isolation:?}");
    }
}

#[test]
fn an_antiparallel_pair_converts_with_two_lo_not_with_one() {
    let review = reviewed("antiparallel", "[[circuit.deviation]]\nforward_voltage = \"2 mV\"");
    // the pair of equal diodes is odd in voltage: only products of odd total order exist
    let (one, two) = (value(&review.summary, Measure::ConversionLoss), product_dbm(&review, 2, 1));
    assert!(one > 25.0, "one LO and one RF cancel up to the difference of 2 mV, found {one} dB");
    assert!(two > -20.0 - 20.0, "two LO and one RF convert -20 dBm to {two} dBm");
    assert!(review.findings.iter().any(|f| f.place == "template"), "{:?}", review.findings);
}

#[test]
fn conversion_with_twice_the_lo_is_refused_in_words() {
    let text =
        text("antiparallel", "").replace("input = [\"10.5 GHz\", \"12 GHz\"]", "input = [\"20.5 GHz\", \"22 GHz\"]");
    let error = Design::parse("template.toml", &text, Path::new("")).expect_err("IF of |RF - 2 LO|");
    assert_eq!(
        error.to_string(),
        "template.toml:14:10: these bands belong to conversion with twice the LO, which is not reviewed; plan |RF - LO|: \
         the wanted product is of first order in the LO; the product of two LO and one RF is in the table of spurious \
         products"
    );
}
