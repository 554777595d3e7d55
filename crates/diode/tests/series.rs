//! Power series of current and charge against the closed forms on a circle in the complex plane.

mod support;

use mixwright_diode::{Breakdown, Device, Junction, SchottkyParameters};
use numerics::Complex64;
use std::f64::consts::TAU;

const ORDER: usize = 7;

fn parameters(m: f64) -> SchottkyParameters {
    let breakdown = Some(Breakdown { bv_v: 4.0, ibv_a: 1e-5, nbv: 1.5 });
    SchottkyParameters {
        is_a: 5e-14,
        n: 1.1,
        cj0_f: 40e-15,
        vj_v: 0.8,
        m,
        tt_s: 1e-12,
        breakdown,
        ..Default::default()
    }
}

fn increments() -> Vec<Complex64> {
    // Sizes of a small signal (some millivolt) with falling corrections and arbitrary phases.
    (0..ORDER).map(|k| Complex64::from_polar(4e-3 * 0.5f64.powi(k as i32), 1.0 + 2.3 * k as f64)).collect()
}

fn polynomial(v0: f64, dv: &[Complex64], z: Complex64) -> Complex64 {
    dv.iter().rev().fold(Complex64::default(), |sum, d| (sum + d) * z) + v0
}

/// Taylor coefficients of `f` on the unit circle, 64 points: exact to the 64th coefficient.
fn coefficients(f: impl Fn(Complex64) -> Complex64, order: usize) -> Complex64 {
    let n = 64;
    let on_circle = |k: usize| Complex64::from_polar(1.0, TAU * k as f64 / n as f64);
    (0..n).map(|k| f(on_circle(k)) * on_circle(k * order % n).conj()).sum::<Complex64>() / n as f64
}

fn check(p: &SchottkyParameters, v0: f64) {
    let junction: Junction = p.at_temperature(300.0).expect("valid");
    let dv = increments();
    let (mut current, mut charge) = (vec![Complex64::new(9.0, 9.0); ORDER], vec![Complex64::new(9.0, 9.0); ORDER]);
    junction.series(v0, &dv, &mut current, &mut charge);
    let vt = quantity::constants::thermal_voltage_v(300.0);
    let b = p.breakdown.expect("set above");
    let forward = |v: Complex64| p.is_a * ((v / (p.n * vt)).exp() - 1.0);
    let i = |v: Complex64| forward(v) - b.ibv_a * (-(v + b.bv_v) / (b.nbv * vt)).exp();
    let knee = p.fc * p.vj_v;
    let q = |v: Complex64| {
        let depletion = if v0 <= knee {
            -p.cj0_f * p.vj_v / (1.0 - p.m) * (1.0 - v / p.vj_v).powf(1.0 - p.m)
        } else {
            // C = C0/(1−FC)^(1+M)·(1 − FC(1+M) + M·V/VJ)
            let scale = p.cj0_f * (1.0 - p.fc).powf(-1.0 - p.m);
            scale * (v * (1.0 - p.fc * (1.0 + p.m)) + 0.5 * p.m / p.vj_v * v * v)
        };
        depletion + p.tt_s * forward(v)
    };
    for k in 1..=ORDER {
        let (i_k, q_k) =
            (coefficients(|z| i(polynomial(v0, &dv, z)), k), coefficients(|z| q(polynomial(v0, &dv, z)), k));
        // Rounding of the circle sum: some epsilon of the largest value on it, exponents counted.
        let i_size = 1e-14 * (1.0 + v0.abs() / vt) * i(Complex64::from(v0 + 8e-3)).norm().max(p.is_a);
        let q_size = 1e-14 * q(Complex64::from(v0 + 8e-3)).norm().max(p.cj0_f * p.vj_v);
        assert!((current[k - 1] - i_k).norm() <= i_size, "i{k} at {v0}: {} against {i_k}", current[k - 1]);
        assert!((charge[k - 1] - q_k).norm() <= q_size, "q{k} at {v0}: {} against {q_k}", charge[k - 1]);
        // The check must be able to fail: the coefficient stands above its own tolerance.
        if k <= 2 {
            assert!(i_k.norm() > 10.0 * i_size || v0.abs() < 3.0 && v0 < 0.0);
            assert!(q_k.norm() > 10.0 * q_size);
        }
    }
}

#[test]
fn series_equal_the_expansion_on_a_circle() {
    for m in [0.33, 0.5, 0.9] {
        for v0 in [-4.3, -3.9, -1.0, 0.0, 0.2, 0.35, 0.45, 0.6, 0.9] {
            check(&parameters(m), v0);
        }
    }
}

#[test]
fn the_first_coefficients_are_conductance_and_capacitance() {
    let junction = parameters(0.5).at_temperature(300.0).expect("valid");
    for v0 in [-4.2, -1.0, 0.0, 0.4, 0.400001, 0.7, 9.0] {
        let (mut i, mut q) = ([Complex64::default(); 1], [Complex64::default(); 1]);
        junction.series(v0, &[Complex64::new(0.0, 1.0)], &mut i, &mut q);
        let p = junction.at(v0);
        assert!((i[0].im - p.conductance_s).abs() <= 4.0 * f64::EPSILON * p.conductance_s, "at {v0}");
        assert!((q[0].im - p.capacitance_f).abs() <= 4.0 * f64::EPSILON * p.capacitance_f, "at {v0}");
    }
}

#[test]
fn at_the_kink_the_branch_follows_the_bias() {
    // FC·VJ = 0.4 V: at the kink itself the power law holds, a hair above the tangent, whose
    // third charge coefficient for a pure sinusoid vanishes.
    let p = SchottkyParameters { is_a: 0.0, tt_s: 0.0, breakdown: None, ..parameters(0.5) };
    let junction = p.at_temperature(300.0).expect("valid");
    let dv = [Complex64::from(1e-3), Complex64::default(), Complex64::default()];
    let third = |v0: f64| {
        let (mut i, mut q) = ([Complex64::default(); 3], [Complex64::default(); 3]);
        junction.series(v0, &dv, &mut i, &mut q);
        q[2].re
    };
    // C''/6·dv³, C'' = C0·M(M+1)/VJ²·(1−FC)^−2.5.
    let expected = 40e-15 * 0.75 / 0.64 * 0.5f64.powf(-2.5) / 6.0 * 1e-9;
    assert!((third(0.4) / expected - 1.0).abs() < 1e-12);
    assert_eq!(third(0.4 + 1e-9), 0.0);
}

#[test]
fn above_the_largest_exponent_the_series_is_that_of_the_tangent() {
    let junction = parameters(0.5).at_temperature(300.0).expect("valid");
    let (mut i, mut q) = ([Complex64::default(); 2], [Complex64::default(); 2]);
    junction.series(9.0, &[1e-3.into(), Complex64::default()], &mut i, &mut q);
    assert!(i[0].re > 0.0 && i[1] == Complex64::default());
}
