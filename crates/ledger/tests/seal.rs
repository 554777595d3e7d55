//! Seals: what is frozen comes back, every change is found at its place.

use ledger::{Head, Input, LedgerError, Seal, SigningKey, seal_readings};
use mixwright_ledger as ledger;
use spec::{Band, Bands, Bound, Conditions, Limit, Measure, Method, Outcome, Product, Promise, Quality, Reading};

fn reading(measure: Measure, value: f64, rf_ghz: f64) -> Reading {
    Reading {
        measure,
        value,
        conditions: Conditions {
            lo_hz: 28e9,
            rf_hz: Some(rf_ghz * 1e9),
            lo_dbm: 15.0,
            signal_dbm: Some(-10.0),
            temp_k: 298.15,
            terminations: "50 ohm on every port at every frequency".into(),
            ..Conditions::default()
        },
        quality: Quality {
            outcome: Outcome::Converged,
            method: Method::Balance,
            numeric_band: Some(0.1 / 3.0),
            orders: (12, 5),
            residual: 1e-12,
            continued: None,
            cancellation: None,
            is_bound: false,
            bands: Bands {
                fabrication: Some(Band { below: 0.2, above: 0.3, coverage: 0.9 }),
                promise: Some(Promise { bound: Bound::AtLeast(38.0), confidence: 0.98 }),
                ..Bands::default()
            },
        },
    }
}

fn limits() -> Vec<Limit> {
    let bound = Bound::AtMost(8.0);
    vec![Limit {
        measure: Some(Measure::ConversionLoss),
        bound,
        band_hz: Some((20e9, 26e9)),
        why: "link budget".into(),
    }]
}

fn seal() -> Seal {
    let all = [
        reading(Measure::ConversionLoss, 7.36, 20.0),
        reading(Measure::ConversionLoss, 6.35, 23.0),
        reading(Measure::Spur(Product::new(2, -2)), -65.2, 23.0),
        reading(Measure::ConversionLoss, 6.0, 23.0),
        reading(Measure::DcOffset, f64::NAN, 23.0),
    ];
    let head = Head::new("QB-K07", "multi-layer thin film", "mixwright 0.1.0", "2031-01-07", (20e9, 26e9), &limits());
    let inputs = vec![Input::of("design.toml", b"format = 1"), Input::of("data.s7p", b"# GHz S RI R 50")];
    seal_readings(head, inputs, &all.iter().collect::<Vec<_>>())
}

#[test]
fn what_is_sealed_comes_back_bit_by_bit() {
    let before = seal();
    let after = Seal::from_text("a.seal", &before.to_text()).expect("untouched");
    assert_eq!(before, after);
    let readings = after.readings();
    // the second value for equal conditions and the one that is not a number are left out
    assert_eq!(readings.len(), 3);
    let original = reading(Measure::ConversionLoss, 7.36, 20.0);
    assert_eq!(readings[0].value.to_bits(), original.value.to_bits());
    assert_eq!(readings[0].quality.numeric_band.map(f64::to_bits), Some((0.1f64 / 3.0).to_bits()));
    assert_eq!(readings[0].quality.bands, original.quality.bands);
    assert_eq!(after.limits(), limits());
    assert_eq!(seal().hash, before.hash, "the same content has the same name");
}

#[track_caller]
fn changed(from: &str, to: &str, expected: &str) {
    let text = seal().to_text();
    let edited = text.replacen(from, to, 1);
    assert_ne!(text, edited, "`{from}` is in the file");
    match Seal::from_text("a.seal", &edited) {
        Err(LedgerError::Tampered { what, .. }) => {
            assert!(what[0].contains(expected), "expected `{expected}` in {what:?}");
            assert_eq!(what.len(), 1, "one edit is named once: {what:?}");
        }
        other => panic!("found {other:?}"),
    }
}

#[test]
fn every_edit_is_found_at_its_place() {
    changed("6.35", "6.85", "reading 2 (Conversion loss, RF 23 GHz)");
    changed("\"above\":0.3", "\"above\":0.9", "reading 1 (Conversion loss, RF 20 GHz)");
    changed("data.s7p", "data.s4p", "input `data.s4p`");
    changed("2031-01-07", "2031-02-07", "the head");
    let mut cut = seal();
    cut.readings.pop();
    assert!(cut.verify()[0].what.contains("missing at the end"));
    let mut moved = seal();
    moved.readings.swap(0, 1);
    assert!(!moved.verify().is_empty());
}

#[test]
fn files_that_are_no_seals_are_refused_with_the_way_out() {
    let say = |text: &str| Seal::from_text("a.seal", text).expect_err("refused").to_string();
    assert!(say("loss = 7").contains("expected a seal of format 1, found no JSON"));
    assert!(say("{}").contains("found format null"));
    let later = seal().to_text().replacen("\"format\":1", "\"format\":9", 1);
    assert!(say(&later).contains("found format 9"));
}

#[test]
fn a_signature_belongs_to_one_seal_and_one_key() {
    // RFC 8032, 7.1, test 1: secret and public key
    let secret = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60";
    let key = SigningKey::from_text(secret).expect("64 digits");
    assert_eq!(key.public(), "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a");
    let mut signed = seal();
    let name = signed.hash.clone();
    signed.sign(&key);
    assert_eq!(signed.hash, name, "signing does not change the name");
    assert!(signed.verify().is_empty());
    // a forger who rewrites the whole chain gets another name, and the old signature does not fit it
    let head = Head::new("QB-K07", "multi-layer thin film", "mixwright 0.1.0", "2031-01-08", (20e9, 26e9), &limits());
    let mut forged = seal_readings(head, vec![], &[]);
    forged.signatures.clone_from(&signed.signatures);
    assert!(forged.verify()[0].what.contains("the signature of key d75a98"));
    assert!(SigningKey::from_text("12 34").is_err());
}

#[test]
fn inputs_that_changed_since_are_named() {
    let now = [Input::of("design.toml", b"format = 1 # edited"), Input::of("data.s7p", b"# GHz S RI R 50")];
    assert_eq!(seal().changed_inputs(&now), ["design.toml"]);
}
