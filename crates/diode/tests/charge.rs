//! Depletion charge: tables, conservation, derivatives at the kink.

mod support;

use mixwright_diode::{Device, Junction, SchottkyParameters};
use numerics::differences::derivative_mismatch;
use proof::Origin;
use support::{close, harmonics};

const POWER_LAW: Origin =
    Origin::Derived { how: "C0·(1−v/VJ)^−M below FC·VJ, tangent above; Q checked by quadrature" };

fn varactor(cj0_f: f64, vj_v: f64, m: f64, fc: f64) -> Junction {
    let p = SchottkyParameters { is_a: 0.0, cj0_f, vj_v, m, fc, ..Default::default() };
    p.at_temperature(300.0).expect("valid")
}

#[test]
fn capacitance_and_charge_tables() {
    // V, C, Q for 40 fF, 0.8 V, M = 0.5, FC = 0.5.
    let table = [
        [-10.0, 1.0886621079036347e-14, -1.7115101530718512e-13],
        [-4.0, 1.632993161855452e-14, -9.27673435381234e-14],
        [-2.0, 2.138089935299395e-14, -5.573303637676613e-14],
        [-1.0, 2.6666666666666666e-14, -3.2e-14],
        [-0.5, 3.1378581622109446e-14, -1.7584312217484552e-14],
        [0.0, 4e-14, 0.0],
        [0.2, 4.618802153517006e-14, 8.57437415779593e-15],
        [0.39999, 5.65678354014006e-14, 1.8744600322171503e-14],
        [0.4, 5.65685424949238e-14, 1.8745166004060957e-14],
        [0.40001, 5.656924960170498e-14, 1.8745731693021437e-14],
        [0.6, 7.071067811865475e-14, 3.147308806541881e-14],
        [0.8, 8.485281374238569e-14, 4.702943725152285e-14],
        [1.0, 9.899494936611665e-14, 6.541421356237308e-14],
    ];
    let p = varactor(40e-15, 0.8, 0.5, 0.5);
    for [v, c, q] in table {
        close("C / F", p.at(v).capacitance_f, c, 1e-12, "rounding", POWER_LAW);
        close("Q / C", p.at(v).charge_c, q, 1e-12, "rounding", POWER_LAW);
    }
    // V, C, Q in fF and fC for 30 fF, 0.75 V, M = 0.5, FC = 0.5.
    let table = [
        [-2.0, 15.666989036012804, -41.16843969807043],
        [-0.5, 23.237900077244504, -13.094750193111253],
        [0.0, 30.0, 0.0],
        [0.3, 38.72983346207417, 10.143149884133248],
        [0.375, 42.426406871192846, 13.180194846605358],
        [0.5, 49.497474683058314, 18.925437443746056],
        [0.7, 60.811183182043074, 29.95630323025619],
    ];
    let p = varactor(30e-15, 0.75, 0.5, 0.5);
    for [v, c, q] in table {
        close("C / fF", p.at(v).capacitance_f * 1e15, c, 1e-11, "rounding", POWER_LAW);
        close("Q / fC", p.at(v).charge_c * 1e15, q, 1e-11, "printed to twelve digits", POWER_LAW);
    }
}

#[test]
fn the_start_of_the_tangent_is_a_parameter() {
    for (fc, c) in [(0.5, 7.778174593052022e-14), (0.8, 1.0621322893123993e-13), (0.95, 1.1313708498984756e-13)] {
        let found = varactor(40e-15, 0.8, 0.5, fc).at(0.7).capacitance_f;
        close("C at 0.7 V / F", found, c, 1e-12, "rounding", POWER_LAW);
    }
}

#[test]
fn other_gradings_agree_with_quadrature_and_with_the_root() {
    // The square root has its own branch: M a rounding away must give the same.
    let (root, general) = (varactor(40e-15, 0.8, 0.5, 0.6), varactor(40e-15, 0.8, 0.5 + 1e-14, 0.6));
    for v in [-9.0, -0.3, 1e-9, 0.3, 0.7] {
        let (a, b) = (root.at(v), general.at(v));
        close("Q of both branches / C", b.charge_c, a.charge_c, 1e-12, "M differs by 1e-14", POWER_LAW);
        close("C of both branches / F", b.capacitance_f, a.capacitance_f, 1e-12, "M differs by 1e-14", POWER_LAW);
    }
    for m in [0.0, 0.33, 0.45, 0.9, 1.0, 1.5] {
        let p = varactor(40e-15, 0.8, m, 0.6);
        let n = 2000;
        let simpson = |a: f64, b: f64| {
            let h = (b - a) / f64::from(n);
            let weight = |k| {
                if k == 0 || k == n {
                    1.0
                } else if k % 2 == 1 {
                    4.0
                } else {
                    2.0
                }
            };
            (0..=n).map(|k| weight(k) * p.at(a + h * f64::from(k)).capacitance_f).sum::<f64>() * h / 3.0
        };
        for (a, b) in [(0.0, 0.45), (0.0, -2.0), (0.48, 0.7)] {
            let found = p.at(b).charge_c - p.at(a).charge_c;
            let how = Origin::Derived { how: "Simpson quadrature of C, 2000 panels" };
            close("integral of C / C", found, simpson(a, b), 1e-10, "h⁴ of the quadrature", how);
        }
    }
}

#[test]
fn a_closed_cycle_leaves_no_charge() {
    let p = varactor(40e-15, 0.8, 0.5, 0.5);
    let angle = |k: usize| std::f64::consts::TAU * (k % 64) as f64 / 64.0;
    let v: Vec<f64> = (0..64).map(|k| 0.2 + 0.5 * angle(k).cos() + 0.1 * (2.0 * angle(k) + 1.0).cos()).collect();
    let (mut left, mut trapezoid, mut charge) = (0.0, 0.0, 0.0);
    for k in 0..64 {
        let (a, b) = (p.at(v[k]), p.at(v[(k + 1) % 64]));
        let dv = v[(k + 1) % 64] - v[k];
        left += a.capacitance_f * dv;
        trapezoid += 0.5 * (a.capacitance_f + b.capacitance_f) * dv;
        charge += b.charge_c - a.charge_c;
    }
    // The two sums of C·dv cancel three and five digits of their terms.
    close("left sum of C·dv / C", left, -2.1418616609476935e-15, 1e-10, "cancellation", POWER_LAW);
    close("trapezoid of C·dv / C", trapezoid, 1.2465407706537168e-17, 1e-8, "cancellation", POWER_LAW);
    assert!(charge.abs() < 64.0 * f64::EPSILON * 1e-13, "charge left over: {charge:e}");
}

#[test]
fn capacitance_is_the_derivative_of_charge_and_its_slope_is_continuous() {
    for m in [0.33, 0.5, 0.9] {
        let parameters = SchottkyParameters { is_a: 1e-12, cj0_f: 40e-15, m, tt_s: 2e-12, ..Default::default() };
        let p = parameters.at_temperature(300.0).expect("valid");
        for k in -300..=70 {
            let v = 0.01 * f64::from(k) + 0.0003;
            let mismatch = derivative_mismatch(|v| p.at(v).charge_c, p.at(v).capacitance_f, v, 1e-3, 1e-16);
            // (h/a)⁴/480 of the transit charge is 5e-9; a jump of C'' at the kink gives h²·C''/C.
            assert!(mismatch < 1e-6, "capacitance off by {mismatch} at {v}");
        }
    }
    let p = varactor(40e-15, 0.75, 0.5, 0.5);
    let (knee, h) = (0.375, 1e-6);
    let c = |v: f64| p.at(v).capacitance_f;
    let (below, above) = ((c(knee) - c(knee - h)) / h, (c(knee + h) - c(knee)) / h);
    assert!((below / above - 1.0).abs() < 1e-5, "slope jumps from {below:e} to {above:e}");
}

#[test]
fn harmonics_across_the_kink_fall_with_the_fourth_power() {
    // d²C/dv² jumps, so the k-th harmonic of C falls as k^−3 and that of Q as k^−4: doubling the
    // order costs a factor of sixteen; the swing reaches the kink only, so that it dominates.
    let p = varactor(40e-15, 0.8, 0.5, 0.5);
    let n = 4096;
    let angle = |k: usize| std::f64::consts::TAU * k as f64 / f64::from(n);
    let q: Vec<f64> = (0..n as usize).map(|k| p.at(0.1 + 0.6 * angle(k).cos()).charge_c).collect();
    let size: Vec<f64> = harmonics(&q, 256).iter().map(|(c, s)| c.hypot(*s)).collect();
    // Envelope over a beat of neighbouring orders.
    let envelope = |k: usize| size[k - 8..=k + 8].iter().copied().fold(0.0, f64::max);
    let fall = (envelope(64) / envelope(128)).log2();
    assert!((fall - 4.0).abs() < 0.5, "the order of decay is {fall}");
}
