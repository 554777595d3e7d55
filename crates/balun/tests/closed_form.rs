//! The ideal two-section balun against its closed form.

use lines::LineMatrices;
use mixwright_balun::{Arrangement, BalunReading, Family, Worst, ideal_pair};
use numerics::{CMatrix, Complex64, RMatrix};
use proof::{CheckValue, Origin};

use std::f64::consts::FRAC_1_SQRT_2;

const F0: f64 = 20e9;
const C0: f64 = 299_792_458.0;

/// Two equal lines of even and odd impedance, velocity of light.
fn equal_lines(even: f64, odd: f64, freq_hz: f64) -> LineMatrices {
    let matrix = |e: f64, o: f64| RMatrix::from_fn(2, 2, |i, j| 0.5 * if i == j { e + o } else { e - o });
    let l = matrix(even, odd).map(|z| z / C0);
    let c = matrix(1.0 / even, 1.0 / odd).map(|y| y / C0);
    LineMatrices { freq_hz, r: RMatrix::zeros(2, 2), l, g: RMatrix::zeros(2, 2), c }
}

fn arrangement(source_ohm: f64, load_ohm: f64) -> Arrangement {
    Arrangement { family: Family::Compensated, length_m: C0 / (4.0 * F0), link: None, via_h: 0.0, source_ohm, load_ohm }
}

fn coupled(c: f64, ratio: f64) -> CMatrix {
    let (even, odd) = (50.0 * ((1.0 + c) / (1.0 - c)).sqrt(), 50.0 * ((1.0 - c) / (1.0 + c)).sqrt());
    arrangement(50.0, 100.0).scattering(&equal_lines(even, odd, ratio * F0)).expect("regular")
}

fn check(what: &str, found: f64, expected: f64) {
    CheckValue {
        what,
        expected,
        within: 1e-6,
        because: "eight printed digits",
        origin: Origin::Derived {
            how: "S11 = T^4/(1+K²) − K², S21 = −KT(1+K²−T²)/(1+K²), signal flow of the ideal balun",
        },
    }
    .check(found);
}

/// At half the centre frequency the admittance block of the inner nodes is singular; waves do not care.
#[test]
fn scattering_of_the_ideal_balun() {
    let third = 1.0 / 3f64.sqrt();
    let cases = [
        (third, 0.5, [(0, 0, -0.542_857_14, 0.139_970_84), (1, 0, -0.559_883_37, -0.171_428_57)]),
        (third, 0.75, [(0, 0, -0.080_490_412, 0.178_276_18), (1, 1, 0.489_901_65, 0.271_851_16)]),
        (third, 1.0, [(1, 0, 0.0, FRAC_1_SQRT_2), (1, 2, 0.5, 0.0)]),
        (third, 1.5, [(1, 0, 0.559_883_37, -0.171_428_57), (1, 2, -0.085_714_286, -0.279_941_68)]),
        (0.5, 0.5, [(1, 0, -0.466_224_25, -0.215_339_76), (2, 2, 0.230_769_23, 0.799_408_07)]),
        (0.5, 1.0, [(0, 0, 0.2, 0.0), (2, 0, 0.0, -0.692_820_32)]),
        (0.5, 1.25, [(0, 0, -0.012_878_1, -0.348_140_9), (2, 1, 0.215_978_56, -0.279_904_43)]),
    ];
    for (c, ratio, entries) in cases {
        let s = coupled(c, ratio);
        for (i, j, re, im) in entries {
            let found: Complex64 = s[(i, j)];
            check("real part", found.re, re);
            check("imaginary part", found.im, im);
        }
        let reading = BalunReading::of(ratio * F0, &s);
        assert!(
            reading.amplitude_db.abs() < 1e-9 && reading.phase_deg.abs() < 1e-9,
            "ideal balance at every frequency"
        );
    }
}

#[test]
fn impedance_transforming_match() {
    let cases = [(25.0, FRAC_1_SQRT_2), (80.0, 0.487_950_04), (200.0, 0.333_333_33)];
    for (load, c) in cases {
        let (even, odd) = (50.0 * ((1.0 + c) / (1.0f64 - c)).sqrt(), 50.0 * ((1.0 - c) / (1.0f64 + c)).sqrt());
        let s = arrangement(50.0, 2.0 * load).scattering(&equal_lines(even, odd, F0)).expect("regular");
        check("S11 at the centre", s[(0, 0)].norm(), 0.0);
        check("S21 at the centre", s[(1, 0)].norm(), FRAC_1_SQRT_2);
    }
}

/// Upper strip that sees only the lower: line `Za`, open stub `Za` in series, stub `2 Zp` across the load.
#[test]
fn shielded_primary_is_the_textbook_chain() {
    let (za, zp, load) = (58.0, 110.0, 67.0);
    for ratio in [0.4, 0.7, 1.0, 1.3] {
        for family in [Family::Compensated, Family::Uncompensated] {
            let arrangement = Arrangement { family, ..arrangement(50.0, load) };
            let s = arrangement.scattering(&ideal_pair(za, zp, 1.0, ratio * F0)).expect("regular");
            let j = Complex64::new(0.0, 1.0);
            let t = (0.5 * std::f64::consts::PI * ratio).tan();
            let stub = 2.0 * zp * j * t;
            let across = Complex64::from(load) * stub / (load + stub);
            let end = if family == Family::Compensated { across - j * za / t } else { across };
            let z = za * (end + j * za * t) / (za + j * end * t);
            let expected = (z - 50.0) / (z + 50.0);
            assert!((s[(0, 0)] - expected).norm() < 1e-9, "{family:?} {ratio}: {} against {expected}", s[(0, 0)]);
        }
    }
}

/// With low stubs across the load the open stub in series takes their reactance away at both band edges.
#[test]
fn compensation_widens_the_match() {
    let worst = |family| {
        let arrangement = Arrangement { family, ..arrangement(50.0, 67.0) };
        let lines: Vec<LineMatrices> =
            (0..21).map(|i| ideal_pair(58.0, 30.0, 1.0, (0.7 + 0.03 * f64::from(i)) * F0)).collect();
        Worst::of(&arrangement.readings(&lines).expect("regular")).return_loss_db
    };
    assert!(worst(Family::Compensated) > worst(Family::Uncompensated) + 5.0);
}
