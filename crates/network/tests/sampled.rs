//! Sampled responses: exact at the samples, passive everywhere, close to the truth between them.

use mixwright_network as network;
use network::sampled::{Between, DcPoint};
use network::{Continuation, FrequencyResponse, Network, SampledResponse, SampledSettings, hygiene};
use numerics::{CMatrix, Complex64};
use proof::{CheckValue, Origin};

/// 75-ohm line of 1 dB loss at 10 GHz and 50 ps delay between 50-ohm ports; loss rises with √f.
fn line(freq_hz: f64) -> CMatrix {
    let loss = 0.115 * (freq_hz / 10e9).sqrt();
    let t = Complex64::new(-loss, -std::f64::consts::TAU * freq_hz * 50e-12).exp();
    let g = Complex64::from(0.2);
    let d = 1.0 - g * g * t * t;
    let (s11, s21) = (g * (1.0 - t * t) / d, t * (1.0 - g * g) / d);
    CMatrix::from_rows(&[vec![s11, s21], vec![s21, s11]])
}

fn sampled(step_hz: f64, n: usize, continuation: Continuation) -> SampledResponse {
    let freq_hz: Vec<f64> = (1..=n).map(|k| k as f64 * step_hz).collect();
    let s = freq_hz.iter().map(|&f| line(f)).collect();
    let network = Network::with_reference(50.0, freq_hz, s).expect("a network");
    SampledResponse::new(&network, &SampledSettings { continuation, ..Default::default() }).expect("a response")
}

#[test]
fn exact_at_samples_and_close_between() {
    let response = sampled(0.5e9, 100, Continuation::Matched);
    for k in 1..=100 {
        let f = f64::from(k) * 0.5e9;
        let error = (&response.scattering(f).expect("inside") - &line(f)).max_abs();
        assert!(error < 1e-14, "{f}: {error}"); // roundings of numbers of order one
    }
    let worst = (20..199).map(|k| {
        let f = f64::from(k) * 0.25e9;
        (&response.scattering(f).expect("inside") - &line(f)).max_abs()
    });
    CheckValue {
        what: "largest interpolation error from 5 GHz of a line sampled every 9 degrees",
        expected: 0.0,
        within: 5e-5,
        because: "twice the spline bound (5/384)·θ⁴·0.2 for a ripple of 0.2 that turns θ = 18 degrees a step; \
                  below 5 GHz the loss bends as √f",
        origin: Origin::Derived { how: "closed form of a mismatched line" },
    }
    .check(worst.fold(0.0, f64::max));
    assert_eq!(response.data_up_to_hz(), Some(50e9));
}

#[test]
fn interpolation_is_of_third_order_or_better() {
    let error = |n: usize| {
        let response = sampled(50e9 / n as f64, n, Continuation::Matched);
        let probe = (0..200).map(|k| 10e9 + f64::from(k) * 0.15e9);
        probe.map(|f| (&response.scattering(f).expect("inside") - &line(f)).max_abs()).fold(0.0, f64::max)
    };
    let (coarse, fine) = (error(50), error(200));
    let order = (coarse / fine).log2() / 2.0;
    assert!(order > 3.0, "order {order}: {coarse} to {fine}");
}

#[test]
fn passive_and_without_jump_under_every_continuation() {
    for continuation in Continuation::ALL {
        let response = sampled(0.5e9, 100, continuation);
        for k in 0..4000 {
            let s = response.scattering(f64::from(k) * 0.11e9).expect("anywhere");
            let sigma = hygiene::sigma_max(&s).expect("finite");
            assert!(sigma <= 1.0 + 1e-9, "{} at {k}: {sigma}", continuation.name());
        }
        let far = response.scattering(1e15).expect("far away");
        assert!(hygiene::sigma_max(&far).expect("finite") <= 1.0 + 1e-9);
        let below = response.scattering(50e9).expect("last");
        let above = response.scattering(50e9 + 1.0).expect("first beyond");
        // one hertz of 50 ps phase turn
        assert!((&below - &above).max_abs() < 1e-9, "{}", continuation.name());
    }
}

#[test]
fn direct_current_is_real_and_close_to_the_truth() {
    let s = sampled(0.1e9, 50, Continuation::Matched).scattering(0.0).expect("0 Hz");
    assert!(s.as_slice().iter().all(|x| x.im.abs() < 1e-15));
    // the loss of the test line rises with √f, which no even polynomial follows: 0.0115 dB-like scale
    assert!((s[(0, 1)] - 1.0).norm() < 0.02 && s[(0, 0)].norm() < 0.02, "{s:?}");
}

#[test]
fn active_samples_are_told_and_clipped_unless_asked_to_keep() {
    let gain = CMatrix::from_rows(&[vec![0.1.into(), 0.95.into()], vec![0.95.into(), 0.4.into()]]);
    let network = Network::with_reference(50.0, vec![0.0, 1e9], vec![gain.clone(); 2]).expect("a network");
    let clipped = SampledResponse::new(&network, &SampledSettings::default()).expect("a response");
    assert!(clipped.findings().iter().any(|f| f.text.contains("1.211769")), "{:?}", clipped.findings());
    assert!(hygiene::sigma_max(&clipped.scattering(0.5e9).expect("inside")).expect("finite") <= 1.0 + 1e-9);
    let kept = SampledResponse::new(&network, &SampledSettings { keep_activity: true, ..Default::default() });
    let s = kept.expect("a response").scattering(0.5e9).expect("inside");
    assert!((&s - &gain).max_abs() < 1e-14);
}

#[test]
fn references_become_real_and_bad_questions_are_refused() {
    let short = vec![CMatrix::from_rows(&[vec![(-1.0).into()]]); 2];
    let network = Network::new(vec!["a".into()], vec![Complex64::new(50.0, 10.0)], vec![0.0, 1e9], short);
    let response = SampledResponse::new(&network.expect("a network"), &SampledSettings::default()).expect("real now");
    assert_eq!(response.reference_ohm(), [50.0]);
    for f in [-1.0, f64::NAN, f64::INFINITY] {
        assert!(response.scattering(f).is_err());
    }
}

/// Two high-Q series resonators to ground behind 50-ohm ports: few samples, sharp notches.
fn resonators(freq_hz: f64) -> CMatrix {
    let w = std::f64::consts::TAU * freq_hz;
    let branch = |f0: f64, l: f64, r: f64| {
        let w0 = std::f64::consts::TAU * f0;
        let z = Complex64::new(r, w * l - w0 * w0 * l / w.max(1.0));
        z.inv()
    };
    let y = (branch(9.3e9, 6e-9, 1.0) + branch(17.1e9, 5e-9, 1.5)) * 50.0;
    let (s11, s21) = (-y / (2.0 + y), 2.0 / (2.0 + y));
    CMatrix::from_rows(&[vec![s11, s21], vec![s21, s11]])
}

#[test]
fn a_rational_model_takes_over_where_the_spline_is_too_coarse() {
    let freq_hz: Vec<f64> = (0..61).map(|k| f64::from(k) * 0.5e9).collect();
    let s: Vec<CMatrix> = freq_hz.iter().map(|&f| resonators(f)).collect();
    let network = Network::with_reference(50.0, freq_hz, s).expect("a network");
    let error = |between| {
        let settings = SampledSettings { between, continuation: Continuation::Rational, ..Default::default() };
        let response = SampledResponse::new(&network, &settings).expect("a response");
        let probe = (0..1200).map(|k| f64::from(k) * 25e6);
        let worst = probe.map(|f| (&response.scattering(f).expect("inside") - &resonators(f)).max_abs());
        (worst.fold(0.0, f64::max), response)
    };
    let (spline, _) = error(Between::Spline);
    let (best, response) = error(Between::Best);
    assert!(spline > 0.01, "the case must be hard for a spline: {spline}");
    // the circuit is rational of order four, so the model is exact but for roundings
    assert!(best < 1e-8, "{best}");
    assert_eq!(response.quality().between, Between::Rational);
    // such a circuit is rational beyond its data too
    let far = (&response.scattering(60e9).expect("beyond") - &resonators(60e9)).max_abs();
    assert!(far < 1e-4, "{far}"); // extrapolation by a factor of two, after passivity was secured
}

#[test]
fn settings_that_make_no_sense_are_refused() {
    let network = Network::with_reference(50.0, vec![1e9], vec![line(1e9)]).expect("a network");
    let refused = |settings: SampledSettings| SampledResponse::new(&network, &settings).is_err();
    assert!(refused(SampledSettings { fade_hz: Some(-1.0), ..Default::default() }));
    assert!(refused(SampledSettings { reference_ohm: Some(vec![50.0]), ..Default::default() }));
    assert!(refused(SampledSettings { reference_ohm: Some(vec![50.0, 0.0]), ..Default::default() }));
    assert!(refused(SampledSettings { dc: DcPoint::Given(CMatrix::zeros(1, 1)), ..Default::default() }));
    assert!(refused(SampledSettings { continuation: Continuation::Rational, ..Default::default() }), "one sample");
    // one sample alone still answers
    let response = SampledResponse::new(&network, &SampledSettings::default()).expect("a response");
    assert!((&response.scattering(1e9).expect("the sample") - &line(1e9)).max_abs() < 1e-14);
}

#[test]
fn a_given_point_at_zero_stands_there() {
    let short = CMatrix::identity(2).scaled((-1.0).into());
    let network = Network::with_reference(50.0, vec![1e9, 2e9, 3e9], [1e9, 2e9, 3e9].map(line).to_vec());
    let settings = SampledSettings { dc: DcPoint::Given(short.clone()), ..Default::default() };
    let response = SampledResponse::new(&network.expect("a network"), &settings).expect("a response");
    assert!((&response.scattering(0.0).expect("0 Hz") - &short).max_abs() < 1e-14);
}

#[test]
fn continuations_have_names() {
    for c in Continuation::ALL {
        assert_eq!(Continuation::from_name(c.name()), Some(c));
    }
    assert_eq!(Continuation::from_name("guess"), None);
}

#[test]
fn a_sample_at_zero_hertz_is_made_real_with_a_remark() {
    let turned = CMatrix::from_rows(&[vec![Complex64::new(0.6, 0.1)]]);
    let network = Network::with_reference(50.0, vec![0.0, 1e9], vec![turned.clone(), turned]).expect("a network");
    let response = SampledResponse::new(&network, &SampledSettings::default()).expect("a response");
    assert_eq!(response.scattering(0.0).expect("0 Hz")[(0, 0)], Complex64::from(0.6));
    assert!(response.findings().iter().any(|f| f.place == "0 Hz" && f.text.contains("imaginary")));
}

#[test]
fn data_that_begin_high_are_told_to_need_a_point_at_zero() {
    let freq_hz: Vec<f64> = (200..300).map(|k| f64::from(k) * 0.1e9).collect();
    let s = freq_hz.iter().map(|&f| line(f)).collect();
    let network = Network::with_reference(50.0, freq_hz, s).expect("a network");
    let response = SampledResponse::new(&network, &SampledSettings::default()).expect("a response");
    let told = response.findings().iter().find(|f| f.place == "0 Hz").expect("a finding");
    assert!(told.text.contains("give the matrix at 0 Hz"), "{}", told.text);
}
