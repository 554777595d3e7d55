//! Current and conductance of the junction: tables, closed forms, derivatives.

mod support;

use mixwright_diode::{Breakdown, Device, SchottkyParameters};
use numerics::differences::derivative_mismatch;
use proof::Origin;
use quantity::constants::thermal_voltage_v;
use support::{FORTY_DIGITS, close, harmonics, p1};

/// `V`, `I`, `dI/dV` at the terminals and junction voltage of 50 fA, n = 1.2, 4 ohm, 300 K.
/// `I = (n·Vt/Rs)·W(Is·Rs/(n·Vt)·exp((V + Is·Rs)/(n·Vt))) − Is`, 40 digits.
const LAMBERT: [[f64; 4]; 18] = [
    [-5.0, -5e-14, 1.6232124828586722e-82, -4.9999999999998],
    [-1.0, -4.99999999999995e-14, 1.6140268922216775e-26, -0.9999999999998],
    [-0.1, -4.8009181721493513e-14, 6.417357441565491e-14, -0.09999999999980796],
    [0.0, 0.0, 1.6117386279826761e-12, 0.0],
    [0.1, 1.205765042253027e-12, 4.047930051909669e-11, 0.09999999999517695],
    [0.2, 3.1488916708648856e-11, 1.016649802753399e-09, 0.19999999987404435],
    [0.3, 7.920593039081833e-10, 2.5533460646199654e-08, 0.29999999683176276],
    [0.4, 1.9893964474253103e-08, 6.412773869291707e-07, 0.3999999204241421],
    [0.5, 4.996132042995676e-07, 1.610388221332425e-05, 0.4999980015471828],
    [0.6, 1.252849046822424e-05, 0.00040320170543162295, 0.599949886038127],
    [0.7, 0.0003030865056382792, 0.009402478551684131, 0.6987876539774468],
    [0.8, 0.00445604485197299, 0.09122532077781034, 0.7821758205921081],
    [0.9, 0.01844075423267996, 0.17598588446699878, 0.8262369830692802],
    [1.0, 0.037861579301722466, 0.20749627626295356, 0.8485536827931102],
    [1.2, 0.08187958549493955, 0.22836898563146354, 0.8724816580202417],
    [2.0, 0.272552834524336, 0.24308297665849524, 0.9097886619026561],
    [5.0, 1.012375760990252, 0.24809936243679223, 0.9504969560389922],
    [100.0, 24.737588676775353, 0.24992164586750942, 1.0496452928985889],
];

#[test]
fn series_resistance_follows_the_exact_solution() {
    let junction = p1().at_temperature(300.0).expect("valid");
    for [v, i, slope, vj] in LAMBERT {
        let found = junction.voltage_of_wave(v, 4.0, 0.0);
        let p = junction.at(found);
        let because = "rounding of the junction voltage, multiplied by the exponent";
        close("junction voltage / V", found, vj, 1e-13, because, FORTY_DIGITS);
        close("current / A", p.current_a, i, 1e-12, because, FORTY_DIGITS);
        let found = p.conductance_s / (1.0 + 4.0 * p.conductance_s);
        close("dI/dV / S", found, slope, 1e-12, "as above, reverse side included", FORTY_DIGITS);
    }
}

#[test]
fn tiny_voltages_keep_their_digits() {
    // The closed form loses eight digits at 1 nV; the polished one must not.
    let junction = p1().at_temperature(300.0).expect("valid");
    let found = junction.at(junction.voltage_of_wave(1e-9, 4.0, 0.0)).current_a;
    close("current at 1 nV / A", found, 1.6117386539596905e-21, 1e-13, "rounding", FORTY_DIGITS);
}

#[test]
fn thermal_voltages() {
    let how = Origin::Derived { how: "k/q with the exact constants of the SI 2019" };
    let table = [
        (290.0, 0.024990266460221015),
        (293.15, 0.025261712457978588),
        (298.15, 0.02569257912108585),
        (300.0, 0.025851999786435535),
        (300.15, 0.025864925786328753),
    ];
    for (t, vt) in table {
        close("kT/q / V", thermal_voltage_v(t), vt, 1e-15, "exact constants", how);
    }
}

#[test]
fn taylor_coefficients_about_a_bias() {
    let junction = p1().at_temperature(300.0).expect("valid");
    let (mut current, mut charge) = (vec![Default::default(); 3], vec![Default::default(); 3]);
    junction.series(0.6, &[1.0.into(), 0.0.into(), 0.0.into()], &mut current, &mut charge);
    let found = [junction.at(0.6).current_a, current[0].re, current[1].re, current[2].re];
    let expected = [1.2548745499899552e-05, 0.0004045059587125842, 0.006519578789104406, 0.07005237981762556];
    for (found, expected) in found.into_iter().zip(expected) {
        close("i, g1, g2, g3 at 0.6 V", found, expected, 1e-12, "exponent of 19", FORTY_DIGITS);
    }
}

#[test]
fn cosine_drive_gives_bessel_harmonics() {
    // I_dc = Is·(exp(V0/a)·I0(x) − 1), I_k = 2·Is·exp(V0/a)·I_k(x), x = V1/a. DLMF 10.35.2.
    let dlmf =
        Origin::Published { source: "NIST Digital Library of Mathematical Functions, 10.35.2, with mpmath values" };
    let p = p1().at_temperature(300.0).expect("valid");
    let found = driven(&p, 0.3, 0.25, 256);
    for (k, expected) in [(0, 3.577930280353846e-07), (1, 6.695929356930965e-07), (2, 5.494071183376171e-07)] {
        close("harmonic, n = 1.2 / A", found[k], expected, 1e-12, "rounding of the sum", dlmf);
    }
    let p = SchottkyParameters { is_a: 1e-13, n: 1.08, ..Default::default() }.at_temperature(300.0).expect("valid");
    let found = driven(&p, 0.3, 0.3, 256);
    let expected = [
        2.651827873638918e-05,
        5.0504829709998965e-05,
        4.363587157526499e-05,
        3.426055629591559e-05,
        2.450466746388926e-05,
        1.601591014427318e-05,
        9.599108461233703e-06,
    ];
    for (found, expected) in found.iter().zip(expected) {
        close("harmonic, n = 1.08 / A", *found, expected, 1e-10, "printed to twelve digits", dlmf);
    }
    let g = driven_by(|v| p.at(v).conductance_s, 0.3, 0.3, 256);
    let expected = [0.000949789652188877, 0.0009044509438201911, 0.0007814402198222138, 0.0006135451333184245];
    for (k, expected) in expected.into_iter().enumerate() {
        let two_sided = if k == 0 { g[0] } else { g[k] / 2.0 };
        close("conductance harmonic / S", two_sided, expected, 1e-12, "rounding of the sum", dlmf);
    }
    // d i/dt = g·dv/dt for any static law: k·I_k = V1·(g_{k−1} − g_{k+1}). Recurrence A&S 9.6.26.
    let g: Vec<f64> = g.iter().enumerate().map(|(k, x)| if k == 0 { *x } else { x / 2.0 }).collect();
    for k in 1..=2 {
        let ratio = 0.3 * (g[k - 1] - g[k + 1]) / (k as f64 * found[k]);
        close("current against conductance", ratio, 1.0, 1e-12, "identity", Origin::Derived { how: "chain rule" });
    }
}

fn driven(device: &dyn Device, v0: f64, v1: f64, n: usize) -> Vec<f64> {
    driven_by(|v| device.at(v).current_a, v0, v1, n)
}

fn driven_by(f: impl Fn(f64) -> f64, v0: f64, v1: f64, n: usize) -> Vec<f64> {
    let angle = |k: usize| std::f64::consts::TAU * k as f64 / n as f64;
    let samples: Vec<f64> = (0..n).map(|k| f(v0 + v1 * angle(k).cos())).collect();
    harmonics(&samples, 8).into_iter().map(|(c, _)| c).collect()
}

#[test]
fn resistor_and_diode_under_a_sine_are_exact() {
    // i = (n·Vt/R)·W(…) − Is, e = 1 V·cos; mpmath Lambert W and a 4096-point transform.
    // Form: Banwell & Jayakumar, Electronics Letters 36 (2000) 291 [memory].
    let how = Origin::Derived { how: "Lambert W with 40 digits, 4096-point Fourier transform" };
    let p = SchottkyParameters { is_a: 1e-13, n: 1.08, ..Default::default() }.at_temperature(300.0).expect("valid");
    let current = |e: f64| p.at(p.voltage_of_wave(e, 56.0, 0.0)).current_a;
    close("current at the peak / A", current(1.0), 0.005524854256515263, 1e-12, "rounding", how);
    let found = driven_by(current, 0.0, 1.0, 4096);
    let expected = [
        0.001015320306551602,
        0.00187495834711084,
        0.0014604479149112138,
        0.0009211839998934505,
        0.0004145183011034551,
        5.79293705412711e-05,
    ];
    for (found, expected) in found.iter().zip(expected) {
        close("harmonic / A", *found, expected, 1e-10, "rounding of the sum", how);
    }
}

#[test]
fn reverse_breakdown() {
    let breakdown = Some(Breakdown { bv_v: 7.0, ibv_a: 1e-5, nbv: 1.0 });
    let p = SchottkyParameters { is_a: 0.0, breakdown, ..Default::default() }.at_temperature(300.0).expect("valid");
    let table = [(-6.8, -4.366644903561904e-09), (-7.0, -1e-05), (-7.1, -0.00047854861294181257)];
    for (v, i) in table {
        close("breakdown current / A", p.at(v).current_a, i, 1e-12, "exponent below ten", FORTY_DIGITS);
    }
    assert_eq!(p.at(0.0).current_a, 0.0, "a passive device carries no current at zero voltage");
}

#[test]
fn conductance_is_the_derivative_and_positive() {
    let breakdown = Some(Breakdown { bv_v: 3.0, ibv_a: 1e-5, nbv: 2.0 });
    for breakdown in [None, breakdown] {
        let parameters = SchottkyParameters { is_a: 1e-9, n: 1.1, breakdown, ..Default::default() };
        let p = parameters.at_temperature(300.0).expect("valid");
        let mut last = f64::NEG_INFINITY;
        for k in -500..=800 {
            // Off the round numbers, so that no difference straddles a change of branch by accident.
            let v = 0.01 * f64::from(k) + 0.0003;
            let at = p.at(v);
            assert!(at.current_a >= last, "current falls at {v}");
            last = at.current_a;
            let mismatch = derivative_mismatch(|v| p.at(v).current_a, at.conductance_s, v, 1e-3, 1e-12);
            // Step of 1/28 of the scale: (h/a)⁴/480 is 4e-9, and rounding of the current over the step.
            assert!(mismatch < 2e-8, "conductance off by {mismatch} at {v}");
        }
        assert!(p.at(0.7).conductance_s > 0.0);
    }
}

#[test]
fn the_tangent_of_a_huge_exponent_joins_smoothly() {
    let p = p1().at_temperature(300.0).expect("valid");
    let knee = 250.0 * p.scale_voltage_v();
    let (below, above) = (p.at(knee * (1.0 - 1e-12)), p.at(knee * (1.0 + 1e-12)));
    assert!((above.current_a / below.current_a - 1.0).abs() < 1e-9);
    assert!((above.conductance_s / below.conductance_s - 1.0).abs() < 1e-9);
    let slope = (p.at(2.0 * knee).current_a - p.at(knee).current_a) / knee;
    close("slope of the tangent / S", slope, p.at(knee).conductance_s, 1e-12, "a straight line", FORTY_DIGITS);
}
