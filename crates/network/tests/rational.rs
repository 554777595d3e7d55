//! Rational models: recovery, passivity by two roads, enforcement, refusals.

mod common;

use common::Noise;
use mixwright_network as network;
use network::hygiene;
use network::rational::{
    Asymptote, EnforceSettings, FitSettings, RationalModel, StateSpace, basis, enforce_passivity, fit_matrices,
    fit_passive, fit_traces, gramian, rms_miss, violations,
};
use numerics::{CMatrix, Complex64, Outcome, RMatrix};

const TAU: f64 = std::f64::consts::TAU;

/// Random stable model around 1…20 GHz; `strength` scales the residues.
fn random_model(noise: &mut Noise, n: usize, symmetric: bool, strength: f64) -> RationalModel {
    let mut poles = vec![Complex64::new(-TAU * 1e9 * (1.0 + 9.0 * noise.uniform()), 0.0)];
    for _ in 0..3 {
        let w = TAU * 1e9 * (1.0 + 19.0 * noise.uniform());
        poles.push(Complex64::new(-0.1 * w, w));
    }
    let square = |noise: &mut Noise, scale: f64| {
        let m = RMatrix::from_fn(n, n, |_, _| scale * (2.0 * noise.uniform() - 1.0));
        if symmetric { (&m + &m.transpose()).map(|x| x / 2.0) } else { m }
    };
    let widths: Vec<f64> = poles.iter().flat_map(|p| vec![p.re.abs(); if p.im == 0.0 { 1 } else { 2 }]).collect();
    let coefficients = widths.iter().map(|w| square(noise, strength * w)).collect();
    RationalModel { poles, coefficients, constant: square(noise, 0.3 / n as f64), slope: None }
}

fn samples(model: &RationalModel) -> (Vec<f64>, Vec<CMatrix>) {
    let freq: Vec<f64> = (0..101).map(|k| f64::from(k) * 0.25e9).collect();
    let s = freq.iter().map(|&f| model.at(f)).collect();
    (freq, s)
}

#[test]
fn a_model_is_found_again_from_its_samples() {
    let mut noise = Noise(31);
    for (n, symmetric) in [(1, true), (2, false), (3, true)] {
        let truth = random_model(&mut noise, n, symmetric, 0.3);
        let (freq, s) = samples(&truth);
        let settings =
            FitSettings { order: 7, order_max: 7, rms_goal: 1e-12, iterations_max: 20, ..Default::default() };
        let (found, report) = fit_matrices(&freq, &s, &settings).expect("a fit");
        assert!(report.residual < 1e-10, "{report:?}");
        assert_eq!(found.is_symmetric(), symmetric);
        for p in &truth.poles {
            let near = found.poles.iter().map(|q| (q - p).norm() / p.norm()).fold(f64::INFINITY, f64::min);
            assert!(near < 1e-6, "pole {p}: {near:.1e}");
        }
        // far outside the samples too
        assert!((&found.at(200e9) - &truth.at(200e9)).max_abs() < 1e-7);
        // residues are those of the definition
        let w = 3e10;
        let sum = (0..found.poles.len()).fold(found.constant.map(Complex64::from), |sum, m| {
            let (p, r, s) = (found.poles[m], found.residue(m), Complex64::new(0.0, w));
            let one = &sum + &r.scaled((s - p).inv());
            if p.im == 0.0 { one } else { &one + &r.conj().scaled((s - p.conj()).inv()) }
        });
        assert!((&sum - &found.at(w / TAU)).max_abs() < 1e-12);
    }
}

#[test]
fn the_order_grows_until_the_goal_is_met() {
    let truth = random_model(&mut Noise(32), 2, true, 0.3);
    let (freq, s) = samples(&truth);
    let settings = FitSettings { order: 2, order_max: 20, rms_goal: 1e-8, ..Default::default() };
    let (found, report) = fit_matrices(&freq, &s, &settings).expect("a fit");
    assert_eq!(report.outcome, Outcome::Converged);
    assert!(found.order() >= 7 && rms_miss(&found, &freq, &s) <= 1e-8);
    let (_, report) = fit_matrices(&freq, &s, &FitSettings { order: 2, order_max: 4, ..settings }).expect("a fit");
    assert_eq!(report.outcome, Outcome::Almost, "four poles cannot stand for seven");
}

#[test]
fn hamiltonian_and_half_size_tests_agree_with_a_sweep() {
    let mut noise = Noise(33);
    let mut n_active = 0;
    for k in 0..24 {
        let strength = 0.1 + 1.2 * noise.uniform();
        let model = random_model(&mut noise, 1 + k % 3, true, strength);
        let space = StateSpace::of(&model).expect("a state space");
        let (full, half) = (space.crossings_rad_s().expect("full"), space.crossings_symmetric_rad_s().expect("half"));
        assert_eq!(full.len(), half.len(), "{full:?} {half:?}");
        for (a, b) in full.iter().zip(&half) {
            assert!((a - b).abs() < 1e-6 * a, "{a} {b}");
        }
        assert!((&space.at(5e10).expect("S") - &model.at(5e10 / TAU)).max_abs() < 1e-12);
        let bands = violations(&model).expect("bands");
        for i in 0..4000 {
            let w = TAU * 1e7 * f64::from(i);
            let sigma = hygiene::sigma_max(&model.at(w / TAU)).expect("finite");
            let inside = bands.iter().find(|b| w >= b.from_rad_s && w <= b.to_rad_s);
            match inside {
                Some(band) => assert!(sigma > 1.0 - 1e-9 && sigma <= band.sigma + 1e-9, "{w} {sigma} {band:?}"),
                None => assert!(sigma <= 1.0 + 1e-9, "{w}: {sigma} outside {bands:?}"),
            }
        }
        n_active += usize::from(!bands.is_empty());
    }
    assert!(n_active > 5 && n_active < 24, "both kinds must occur: {n_active}");
}

#[test]
fn enforcement_gives_a_passive_model_close_by() {
    let mut noise = Noise(34);
    for k in 0..8 {
        let model = random_model(&mut noise, 1 + k % 3, k % 2 == 0, 0.35);
        let (freq, s) = samples(&model);
        let before = violations(&model).expect("bands").iter().map(|v| v.sigma - 1.0).fold(0.0, f64::max);
        let (passive, report) = enforce_passivity(&model, &EnforceSettings::default()).expect("passive");
        assert!(report.residual <= 1e-9, "{report:?}");
        let worst = (0..20000).map(|i| hygiene::sigma_max(&passive.at(f64::from(i) * 5e6)).expect("finite"));
        assert!(worst.fold(0.0, f64::max) <= 1.0 + 1e-8);
        // the mean change does not exceed the largest excess that had to go
        assert!(rms_miss(&passive, &freq, &s) <= before + 1e-12, "{before}");
        assert_eq!(passive.is_symmetric(), model.is_symmetric());
    }
}

#[test]
fn a_passive_model_of_lines_and_an_active_constant_refused() {
    // a delay has no passive rational constant of its own; the fit must still be close and passive
    let freq: Vec<f64> = (0..121).map(|k| f64::from(k) * 0.5e9).collect();
    let line = |f: f64| Complex64::new(-0.05 * f / 60e9, -TAU * f * 20e-12).exp();
    let s: Vec<CMatrix> =
        freq.iter().map(|&f| CMatrix::from_rows(&[vec![0.0.into(), line(f)], vec![line(f), 0.0.into()]])).collect();
    let (model, report) =
        fit_passive(&freq, &s, &FitSettings { order_max: 24, ..Default::default() }).expect("passive");
    assert!(violations(&model).expect("bands").iter().all(|v| v.sigma <= 1.0 + 1e-9));
    assert!(report.residual < 3e-3, "{}", report.residual); // what a product at −50 dB would notice
    let mut active = model;
    active.constant = RMatrix::from_rows(&[vec![1.1, 0.0], vec![0.0, 0.0]]);
    assert!(enforce_passivity(&active, &EnforceSettings::default()).is_err());
}

#[test]
fn the_gramian_is_the_energy_of_the_basis() {
    let poles = [Complex64::new(-1.0, 0.0), Complex64::new(-0.5, 3.0)];
    let p = gramian(&poles);
    // trapezoid on ω = tan: (1/2π) ∫ φ φᴴ dω, tails by the substitution
    let n = 20000;
    let mut sum = RMatrix::zeros(3, 3);
    for k in 0..n {
        let t = std::f64::consts::PI * ((k as f64 + 0.5) / n as f64 - 0.5);
        let (w, dw) = (t.tan(), (1.0 + t.tan().powi(2)) * std::f64::consts::PI / n as f64);
        let phi = basis(&poles, Complex64::new(0.0, w));
        for i in 0..3 {
            for j in 0..3 {
                sum[(i, j)] += (phi[i] * phi[j].conj()).re * dw / TAU;
            }
        }
    }
    assert!((&p - &sum).max_abs() < 1e-6, "{p:?} {sum:?}");
}

#[test]
fn bad_input_is_refused_without_panic() {
    let trace = |n: usize| vec![vec![Complex64::from(0.5); n]];
    let freq: Vec<f64> = (0..10).map(f64::from).collect();
    let plain = FitSettings::default();
    assert!(fit_traces(&freq[..3], &trace(3), &plain).is_err(), "too few");
    assert!(fit_traces(&freq, &trace(9), &plain).is_err(), "lengths");
    assert!(fit_traces(&freq, &[], &plain).is_err(), "no trace");
    assert!(fit_traces(&freq, &[vec![Complex64::from(f64::NAN); 10]], &plain).is_err(), "not finite");
    assert!(fit_traces(&freq, &trace(10), &FitSettings { iterations_max: 0, ..plain.clone() }).is_err());
    let unstable = FitSettings { start_poles: Some(vec![Complex64::new(1.0, -2.0)]), ..plain.clone() };
    assert!(fit_traces(&freq, &trace(10), &unstable).is_err(), "lower half plane");
    assert!(fit_matrices(&freq, &[], &plain).is_err());
    // a constant, all zero, and few samples must give an answer or an error, not a panic
    for value in [0.0, 0.5] {
        for asymptote in [Asymptote::Zero, Asymptote::Constant, Asymptote::Linear] {
            for n in 4..10 {
                let traces = [vec![Complex64::from(value); n]];
                let settings = FitSettings { order: 2, asymptote, ..plain.clone() };
                if let Ok((fit, report)) = fit_traces(&freq[..n], &traces, &settings) {
                    assert!(report.residual.is_finite() && fit.poles.iter().all(|p| p.re <= 0.0));
                }
            }
        }
    }
}
