//! The cascade against closed forms and hand calculation.

use mixwright_handover::chain::{Stage, StageKind, cascade};
use proof::{CheckValue, Origin};

fn amplifier(name: &str, gain_db: f64, noise_db: f64) -> Stage {
    Stage { gain_db, noise_db, ..Stage::pad(name, 0.0) }
}

fn last_noise(stages: &[Stage]) -> f64 {
    cascade(stages, -50.0).expect("a chain").last().expect("a stage").noise_db
}

#[test]
fn noise_follows_friis() {
    // 3 dB pad, amplifier of 20 dB and 2 dB, converter of -7 dB and 8 dB without image noise of its own to add
    let f = |db: f64| 10f64.powf(db / 10.0);
    let expected = f(3.0) + (f(2.0) - 1.0) * f(3.0) + (f(8.0) - 1.0) * f(3.0) / f(20.0);
    CheckValue {
        what: "noise figure of pad, amplifier and lossy stage, dB",
        expected: 10.0 * expected.log10(),
        within: 1e-12,
        because: "roundings",
        origin: Origin::Published { source: "H. T. Friis, Noise figures of radio receivers, Proc. IRE 32 (1944) 419" },
    }
    .check(last_noise(&[Stage::pad("pad", 3.0), amplifier("amplifier", 20.0, 2.0), amplifier("stage", -7.0, 8.0)]));
}

#[test]
fn pads_add_up_and_a_pad_behind_a_converter_adds_its_loss_to_the_figure() {
    assert!((last_noise(&[Stage::pad("a", 2.0), Stage::pad("b", 3.5)]) - 5.5).abs() < 1e-12);
    // a converter whose figure equals its loss is a pad for the wanted signal: SSB figure of a broadband passive mixer at
    // 290 K with equal image response is its loss (image noise counted as the source's)
    let mixer = Stage { kind: StageKind::Converter, ..Stage::pad("mixer", 6.0) };
    assert!((last_noise(std::slice::from_ref(&mixer)) - 6.0).abs() < 1e-12);
    let front = last_noise(&[Stage::pad("pad", 3.0), mixer.clone()]);
    assert!((front - 9.0).abs() < 1e-12, "{front}");
}

#[test]
fn an_amplifier_before_the_converter_sends_its_image_noise_unless_a_filter_stands_between() {
    let f = |db: f64| 10f64.powf(db / 10.0);
    let amplifier = amplifier("amplifier", 30.0, 3.0);
    // F_ssb of a noiseless converter with equal image gain is 2 (3.01 dB): source noise at both
    let mixer =
        Stage { kind: StageKind::Converter, gain_db: 0.0, noise_db: 10.0 * 2f64.log10(), ..Stage::pad("mixer", 0.0) };
    let open = last_noise(&[amplifier.clone(), mixer.clone()]);
    CheckValue {
        what: "noise figure of an amplifier before a noiseless converter, image open, dB",
        expected: 10.0 * (2.0 * f(3.0)).log10(),
        within: 1e-12,
        because: "roundings",
        origin: Origin::Derived { how: "the amplifier's noise arrives through two equal sidebands" },
    }
    .check(open);
    let filter = Stage { kind: StageKind::ImageFilter, image_gain_db: Some(-300.0), ..Stage::pad("filter", 0.0) };
    let closed = last_noise(&[amplifier, filter, mixer]);
    // the filter swallows the amplifier's image noise and sends its own kT0, 30 dB below
    let expected = 10.0 * (f(3.0) + 1e-3).log10();
    assert!((closed - expected).abs() < 1e-9, "{closed} {expected}");
}

#[test]
fn intercepts_add_as_voltages_in_phase() {
    let with = |ip3: f64, gain_db: f64| Stage {
        ip3_dbm: Some(ip3),
        ip2_dbm: Some(ip3 + 20.0),
        ..amplifier("a", gain_db, 3.0)
    };
    // two stages that contribute alike halve the third-order intercept (3.01 dB) and quarter the second-order one
    let out = cascade(&[with(10.0, 12.0), with(22.0, 0.0)], -30.0).expect("a chain");
    let (third, second) = (out[1].ip3_dbm.expect("an intercept"), out[1].ip2_dbm.expect("an intercept"));
    assert!((third - (10.0 - 10.0 * 2f64.log10())).abs() < 1e-12, "{third}");
    assert!((second - (30.0 - 20.0 * 2f64.log10())).abs() < 1e-12, "{second}");
    assert!((out[1].level_dbm - -18.0).abs() < 1e-12);
}

#[test]
fn stages_that_cannot_be_are_named() {
    let text = cascade(&[Stage { noise_db: -1.0, ..Stage::pad("front", 0.0) }], 0.0).expect_err("refused").to_string();
    assert_eq!(text, "the chain: expected a noise figure of 0 dB or more, found -1 dB at stage `front`");
    assert!(cascade(&[], 0.0).is_err());
    assert!(cascade(&[Stage { gain_db: f64::NAN, ..Stage::pad("x", 0.0) }], 0.0).is_err());
}
