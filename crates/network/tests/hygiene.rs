//! Quality figures, repairs and the network type itself: bands, edges, refusals.

mod common;

use common::Noise;
use mixwright_network as network;
use network::hygiene::{self, Band};
use network::mixed_mode::{Mode, mixed_mode_network};
use network::{FrequencyResponse, Network, SampledResponse, SampledSettings};
use numerics::{CMatrix, Complex64};

fn scalar(x: f64) -> CMatrix {
    CMatrix::from_rows(&[vec![x.into()]])
}

#[test]
fn bands_have_their_limits() {
    // one bad point of sigma 1 + 0.1·x out of n loses 100·x/n per cent
    let figure = |excess: f64, n: usize| {
        let mut s = vec![scalar(0.5); n];
        s[0] = scalar(1.00001 + 0.1 * excess);
        hygiene::passivity(&s).expect("finite")
    };
    assert_eq!(figure(0.0, 10).band, Band::Good);
    assert_eq!(figure(0.5, 1000).band, Band::Good);
    assert_eq!(figure(0.5, 100).band, Band::Acceptable);
    assert_eq!(figure(0.5, 10).band, Band::Inconclusive);
    assert_eq!(figure(3.0, 10).band, Band::Poor);
    assert!(figure(1e6, 10).percent == 0.0, "never below zero");
    assert_eq!(hygiene::reciprocity(&[scalar(0.1)]), None);
    assert_eq!(hygiene::causality(&[], 0.0), None);
    assert!(hygiene::passivity(&[scalar(f64::NAN)]).is_err());
}

#[test]
fn clipping_keeps_passive_matrices_and_is_the_nearest_for_others() {
    let mut noise = Noise(41);
    for n in 1..6 {
        let passive = noise.with_sigma(n, 0.99);
        assert_eq!(hygiene::clip_singular_values(&passive, 1.0).expect("finite"), passive);
        let active = noise.with_sigma(n, 1.3);
        let clipped = hygiene::clip_singular_values(&active, 1.0).expect("finite");
        assert!(hygiene::sigma_max(&clipped).expect("finite") <= 1.0 + 1e-12);
        // no matrix of norm one is nearer than 0.3 in the 2-norm
        let moved = hygiene::sigma_max(&(&clipped - &active)).expect("finite");
        assert!((moved - 0.3).abs() < 1e-12, "{moved}");
    }
}

#[test]
fn zero_hertz_of_data_that_begin_high_does_not_explode() {
    // 5 GHz to 40 GHz in steps of 50 MHz: 10 ohm in series, then 20 fF to ground
    let freq: Vec<f64> = (100..=800).map(|k| f64::from(k) * 50e6).collect();
    let s: Vec<CMatrix> = freq
        .iter()
        .map(|f| {
            let y = Complex64::new(0.0, std::f64::consts::TAU * f * 20e-15) * 50.0;
            let z = Complex64::from(0.2);
            let (den, g) = (2.0 + z + y + z * y, z + z * y - y);
            let through = 2.0 / den;
            CMatrix::from_rows(&[vec![g / den, through], vec![through, (z - z * y - y) / den]])
        })
        .collect();
    let dc = hygiene::dc_by_even_polynomial(&freq, &s).expect("0 Hz");
    // series 10 ohm in 50: S11 = 0.2/2.2, S21 = 2/2.2; sixth order in f·τ with τ = 1 ps at 15 GHz
    assert!((dc[(0, 0)] - 0.2 / 2.2).norm() < 1e-4 && (dc[(1, 0)] - 2.0 / 2.2).norm() < 1e-4, "{dc:?}");
}

#[test]
fn networks_refuse_what_does_not_fit() {
    let names = |n: usize| (0..n).map(|k| k.to_string()).collect::<Vec<_>>();
    let fifty = |n: usize| vec![Complex64::from(50.0); n];
    let one = || vec![scalar(0.1)];
    let refused = |text: &str, r: Result<Network, network::NetworkError>| {
        let message = r.expect_err(text).to_string();
        assert!(message.contains(text), "{message}");
    };
    refused("at least one port", Network::new(vec![], vec![], vec![1.0], vec![CMatrix::zeros(0, 0)]));
    refused("one reference a port", Network::new(names(1), fifty(2), vec![1.0], one()));
    refused("different names", Network::new(vec!["a".into(); 2], fifty(2), vec![1.0], vec![CMatrix::zeros(2, 2)]));
    refused("positive real part", Network::new(names(1), vec![Complex64::new(0.0, 1.0)], vec![1.0], one()));
    refused("at least one frequency", Network::new(names(1), fifty(1), vec![], vec![]));
    refused("rising", Network::new(names(1), fifty(1), vec![2.0, 1.0], vec![scalar(0.1); 2]));
    refused("rising", Network::new(names(1), fifty(1), vec![-1.0], one()));
    refused("rising", Network::new(names(1), fifty(1), vec![f64::NAN], one()));
    refused("matrices", Network::new(names(1), fifty(1), vec![1.0, 2.0], one()));
    refused("by 1 at 1 Hz", Network::new(names(2), fifty(2), vec![1.0], one()));
    refused("NaN", Network::new(names(1), fifty(1), vec![1.0], vec![scalar(f64::NAN)]));
    let good = Network::with_reference(50.0, vec![1.0], one()).expect("fits");
    refused("port indices", good.select_ports(&[1]));
    refused("`if`", good.port_idx("if").map(|_| good.clone()));
}

#[test]
fn networks_renormalise_and_come_back_and_keep_their_names() {
    let mut noise = Noise(42);
    let s: Vec<CMatrix> = (0..3).map(|_| noise.with_sigma(3, 0.9)).collect();
    let ports: Vec<String> = ["lo", "rf", "if"].map(String::from).to_vec();
    let fifty = vec![Complex64::from(50.0); 3];
    let network = Network::new(ports, fifty.clone(), vec![1e9, 2e9, 3e9], s).expect("a network");
    let other = [Complex64::new(30.0, 7.0), 75.0.into(), Complex64::new(12.0, -40.0)];
    let back = network.renormalised(&other).and_then(|n| n.renormalised(&fifty)).expect("back");
    for (a, b) in back.s().iter().zip(network.s()) {
        assert!((a - b).max_abs() < 1e-12);
    }
    assert_eq!(network.port_idx("rf"), Ok(1));
    assert_eq!(network.select_ports(&[2, 0]).expect("ports").ports(), ["if", "lo"]);
    assert!(network.renormalised(&other).expect("complex").real_reference_ohm().is_err());
    let modes = [Mode::Differential(0, 1), Mode::Single(2), Mode::Common(0, 1)];
    let mixed = mixed_mode_network(&network, &modes).expect("mixed");
    assert_eq!(mixed.ports(), ["lo-rf", "if", "lo+rf"]);
    assert_eq!(mixed.reference_ohm(), [100.0.into(), 50.0.into(), 25.0.into()] as [Complex64; 3]);
    // a sampled response sampled again is the same network
    let response = SampledResponse::new(&network, &SampledSettings::default()).expect("a response");
    let again = Network::sampled(&response as &dyn FrequencyResponse, network.freq_hz().to_vec()).expect("samples");
    for (a, b) in again.s().iter().zip(network.s()) {
        assert!((a - b).max_abs() < 1e-13);
    }
}
