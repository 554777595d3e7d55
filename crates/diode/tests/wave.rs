//! The wave equation `v + r·i(v) = w`, from both sides and over the whole range.

use diode::{Breakdown, Device, Junction, JunctionPoint, SchottkyParameters};
use mixwright_diode as diode;
use numerics::Complex64;

/// Twelve million random cases showed at most 1.5.
const ROUNDINGS: f64 = 3.0;

fn junction(is_a: f64, breakdown: Option<Breakdown>) -> Junction {
    let p = SchottkyParameters { is_a, n: 1.08, cj0_f: 40e-15, tt_s: 1e-13, breakdown, ..Default::default() };
    p.at_temperature(300.0).expect("valid parameters")
}

/// Waves from −1e4 to 1e4, dense near zero, with both signs.
fn waves() -> Vec<f64> {
    let mut w = vec![0.0];
    for k in 0..=160 {
        let x = 10f64.powf(-12.0 + 0.1 * k as f64);
        w.extend([x, -x]);
    }
    w
}

/// Error of the voltage that the residual implies, in roundings of the voltage; the rounding of `w`
/// and of the current (whose exponent carries the rounding of `v`) are counted.
fn voltage_error(d: &dyn Device, w: f64, r: f64, v: f64) -> f64 {
    let p = d.at(v);
    let slope = 1.0 + r * p.conductance_s;
    let residual = (v + r * p.current_a - w).abs();
    residual / (f64::EPSILON * (v.abs() * slope + w.abs() + r * p.current_a.abs()) + f64::MIN_POSITIVE)
}

fn check_everywhere(breakdown: Option<Breakdown>) {
    let mut worst = 0.0_f64;
    for is_exponent in -20..=-4 {
        let d = junction(10f64.powi(is_exponent), breakdown);
        for r in [0.0, 1e-9, 1e-3, 1.0, 56.0, 1e3, 1e4] {
            let mut last = (f64::NEG_INFINITY, f64::NEG_INFINITY);
            let mut all = waves();
            all.sort_by(f64::total_cmp);
            for w in all {
                let v = d.voltage_of_wave(w, r, 0.0);
                assert!(v >= last.1, "not monotone: v({}) = {}, v({w}) = {v}, r = {r}", last.0, last.1);
                let error = voltage_error(&d, w, r, v);
                assert!(error < ROUNDINGS, "IS 1e{is_exponent}, r {r}, w {w}: v {v} off by {error} roundings");
                worst = worst.max(error);
                last = (w, v);
            }
        }
    }
    // The bound cannot be zero: the equation is evaluated with four roundings.
    assert!(worst > 0.0);
}

#[test]
fn residual_is_rounding_without_breakdown() {
    check_everywhere(None);
}

#[test]
fn residual_is_rounding_with_breakdown() {
    check_everywhere(Some(Breakdown { bv_v: 7.0, ibv_a: 1e-5, nbv: 1.0 }));
    check_everywhere(Some(Breakdown { bv_v: 1.0, ibv_a: 1e-3, nbv: 3.0 }));
    check_everywhere(Some(Breakdown { bv_v: 0.1, ibv_a: 1e-5, nbv: 1.0 }));
}

#[test]
fn residual_is_rounding_at_random_points() {
    // Hits the seams between the starts, which a regular sweep may miss.
    let mut state = 1u64;
    let mut random = || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    for breakdown in [None, Some(Breakdown { bv_v: 7.0, ibv_a: 1e-5, nbv: 1.0 })] {
        for _ in 0..100_000 {
            let d = junction(10f64.powf(-20.0 + 16.0 * random()), breakdown);
            let (r, w) = (10f64.powf(-9.0 + 13.0 * random()), 20.0 * (random() - 0.5));
            let v = d.voltage_of_wave(w, r, 0.0);
            let error = voltage_error(&d, w, r, v);
            assert!(error < ROUNDINGS, "r {r}, w {w}: v {v} off by {error} roundings of {d:?}");
        }
    }
}

#[test]
fn pure_varactor_passes_the_wave_through() {
    let d = junction(0.0, None);
    for w in waves() {
        assert_eq!(d.voltage_of_wave(w, 50.0, 0.3), w);
    }
    let d = junction(0.0, Some(Breakdown { bv_v: 4.0, ibv_a: 1e-6, nbv: 1.0 }));
    for w in waves() {
        let v = d.voltage_of_wave(w, 50.0, 0.3);
        assert!(voltage_error(&d, w, 50.0, v) < ROUNDINGS, "w {w}, v {v}");
    }
}

#[test]
fn many_waves_at_once_give_the_same_answers() {
    let cases = [None, Some(Breakdown { bv_v: 3.0, ibv_a: 1e-5, nbv: 1.2 })];
    for breakdown in cases {
        for r in [0.0, 2.0, 50.0, 1e4] {
            let d = junction(5e-14, breakdown);
            let w: Vec<f64> = (0..4000).map(|k| -20.0 + 0.01 * k as f64).collect();
            let mut v = vec![0.0; w.len()];
            let mut points = vec![JunctionPoint::default(); w.len()];
            d.waves_to_points(&w, r, &mut v, &mut points);
            for k in 0..w.len() {
                let one = d.voltage_of_wave(w[k], r, 0.0);
                assert_eq!(v[k].to_bits(), one.to_bits());
                let p = d.at(one);
                // The exponent carries the rounding of v: v/a up to some hundred roundings.
                let close = |a: f64, b: f64, scale: f64| (a - b).abs() <= 400.0 * f64::EPSILON * (b.abs() + scale);
                assert!(close(points[k].current_a, p.current_a, 5e-14), "{} {}", points[k].current_a, p.current_a);
                assert!(close(points[k].conductance_s, p.conductance_s, 0.0));
                assert!(close(points[k].charge_c, p.charge_c, 0.0));
                assert!(close(points[k].capacitance_f, p.capacitance_f, 0.0));
            }
        }
    }
}

#[test]
fn every_result_is_finite_at_any_voltage() {
    let parts = [None, Some(Breakdown { bv_v: 7.0, ibv_a: 1e-5, nbv: 1.0 })];
    for d in parts.map(|b| junction(1e-4, b)) {
        for v in [0.0, 1.0, 6.0, 7.0, 1e2, 1e4, 1e100, 1e200, f64::MAX] {
            for v in [v, -v] {
                let p = d.at(v);
                let all = [p.current_a, p.conductance_s, p.charge_c, p.capacitance_f, d.shot_noise_a2_per_hz(v)];
                assert!(all.iter().all(|x| x.is_finite()), "{v} gives {p:?}");
                assert!(d.voltage_of_wave(v, 50.0, 0.0).is_finite());
            }
        }
    }
}

/// A device that has only what the trait demands, to try the default methods.
#[derive(Debug)]
struct Plain(Junction);

impl Device for Plain {
    fn at(&self, voltage_v: f64) -> JunctionPoint {
        self.0.at(voltage_v)
    }
    fn voltage_of_wave(&self, wave_v: f64, r_ohm: f64, start_v: f64) -> f64 {
        self.0.voltage_of_wave(wave_v, r_ohm, start_v)
    }
    fn series(&self, v0: f64, dv: &[Complex64], current: &mut [Complex64], charge: &mut [Complex64]) {
        self.0.series(v0, dv, current, charge);
    }
    fn shot_noise_a2_per_hz(&self, voltage_v: f64) -> f64 {
        self.0.shot_noise_a2_per_hz(voltage_v)
    }
}

#[test]
fn the_default_for_many_waves_agrees_with_the_fast_one() {
    let fast = junction(1e-9, None);
    let plain = Plain(fast.clone());
    let w: Vec<f64> = (0..200).map(|k| -1.0 + 0.02 * f64::from(k)).collect();
    let (mut va, mut vb) = (vec![0.0; 200], vec![0.0; 200]);
    let (mut a, mut b) = (vec![JunctionPoint::default(); 200], vec![JunctionPoint::default(); 200]);
    fast.waves_to_points(&w, 50.0, &mut va, &mut a);
    plain.waves_to_points(&w, 50.0, &mut vb, &mut b);
    assert_eq!(va, vb);
    for (a, b) in a.iter().zip(&b) {
        assert!((a.current_a - b.current_a).abs() <= 100.0 * f64::EPSILON * (b.current_a.abs() + 1e-9));
        assert!((a.charge_c - b.charge_c).abs() <= 100.0 * f64::EPSILON * (b.charge_c.abs() + 1e-22));
    }
}
