//! Coupled and multiconductor lines against closed forms and independent solutions.

mod common;

use common::{distance, j, loss_defect, s_of_y};
use mixwright_circuit::templates::{BalunNodes, coupled_line_balun};
use mixwright_circuit::{Circuit, CoupledPair, MulticonductorLine, MulticonductorLoss, Multiport};
use network::FrequencyResponse;
use numerics::{CMatrix, Complex64, RMatrix, linear};
use proof::{CheckValue, Origin};
use std::f64::consts::{PI, TAU};

/// Rounding of line equations of order one.
const ROUNDING: f64 = 1e-12;
/// Centre frequency of the tables, hertz.
const CENTRE_HZ: f64 = 10e9;
const QUARTER_DELAY_S: f64 = 0.25 / CENTRE_HZ;

fn check_table(table: &str, because: &'static str, how: &'static str, value: impl Fn(&str) -> Option<Complex64>) {
    let mut n = 0;
    for line in table.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let Some(found) = value(fields[0]) else { continue };
        for (part, text, found) in [("re", fields[1], found.re), ("im", fields[2], found.im)] {
            CheckValue {
                what: &format!("{} {part}", fields[0]),
                expected: text.parse().expect("a number"),
                within: 1e-8,
                because,
                origin: Origin::Derived { how },
            }
            .check(found);
        }
        n += 1;
    }
    assert!(n >= 4, "only {n} rows of the table were used");
}

/// The number behind `key` in a quantity name.
fn number_after(quantity: &str, key: &str) -> Option<f64> {
    let rest = quantity.split(key).nth(1)?;
    rest.split(|c: char| c != '.' && !c.is_ascii_digit()).next()?.parse().ok()
}

fn pair_four_port(pair: CoupledPair) -> Multiport {
    // ports: 1 line A near, 2 line B near, 3 line B far, 4 line A far
    let mut c = Circuit::new();
    for (k, node) in ["an", "bn", "bf", "af"].into_iter().enumerate() {
        c.add_port(&format!("P{}", k + 1), [node, "0"], 50.0);
    }
    c.add_coupled_pair("K", ["an", "af", "bn", "bf"], pair);
    c.compile().expect("a pair")
}

#[test]
fn coupled_pair_has_the_closed_form() {
    let how = "E. M. T. Jones, J. T. Bolljahn, IRE Trans. MTT-4 (1956) 75 (from memory); \
               matched and impedance form agree to 4e-16";
    check_table(include_str!("data/coupled4.csv"), "eight printed digits", how, |quantity| {
        let (pair, ratio) = if quantity.contains("dB") {
            let db = if quantity.contains("10 dB") { 10.0 } else { 3.0 };
            let coupling = 10_f64.powf(-db / 20.0);
            let root = ((1.0 + coupling) / (1.0 - coupling)).sqrt();
            (CoupledPair::new(50.0 * root, 50.0 / root, QUARTER_DELAY_S), number_after(quantity, "f/f0=")?)
        } else {
            let mut pair = CoupledPair::new(120.0, 30.0, QUARTER_DELAY_S);
            pair.delay_odd_s *= 76.5 / 90.0;
            (pair, 1.0)
        };
        let s = pair_four_port(pair).scattering(ratio * CENTRE_HZ).expect("ok");
        let row = quantity.split('S').nth(1)?[..1].parse::<usize>().ok()? - 1;
        Some(s[(row, 0)])
    });
}

#[test]
fn two_section_balun_has_the_closed_form() {
    let how = "T = s/(s cos θ + j sin θ), K = jC sin θ/(s cos θ + j sin θ): S11 = T⁴/(1+K²) − K², \
               S21 = −KT(1+K²−T²)/(1+K²), S31 = −S21; the nodal solution agrees to 1e-15";
    let balun = |coupling: f64| {
        let root = ((1.0 + coupling) / (1.0 - coupling)).sqrt();
        let section = CoupledPair::new(50.0 * root, 50.0 / root, QUARTER_DELAY_S).to_multiconductor();
        let mut c = Circuit::new();
        c.add_port("1", ["in", "0"], 50.0).add_port("2", ["p", "0"], 50.0).add_port("3", ["m", "0"], 50.0);
        let nodes = BalunNodes { input: "in", plus: "p", minus: "m", return_plus: "0", return_minus: "0" };
        coupled_line_balun(&mut c, "", nodes, [section.clone(), section], None);
        c.compile().expect("a balun")
    };
    let (tight, half) = (balun(1.0 / 3.0_f64.sqrt()), balun(0.5));
    check_table(include_str!("data/marchand.csv"), "eight printed digits", how, |quantity| {
        let m = if quantity.contains("C=0.5") { &half } else { &tight };
        let s = m.scattering(number_after(quantity, "f/f0=")? * CENTRE_HZ).expect("ok");
        let digits = &quantity.as_bytes()[1..3];
        Some(s[((digits[0] - b'1') as usize, (digits[1] - b'1') as usize)])
    });
}

/// The line between ports: near ends first, then far ends, all of 50 ohm.
fn line_multiport(sections: &[MulticonductorLine]) -> Multiport {
    let n = sections[0].inductance_h_per_m.n_rows();
    let names = |at: usize| -> Vec<String> { (0..n).map(|k| format!("{at}.{k}")).collect() };
    let mut c = Circuit::new();
    for at in [0, sections.len()] {
        names(at).iter().for_each(|node| _ = c.add_port(&format!("P{node}"), [node, "0"], 50.0));
    }
    for (at, section) in sections.iter().enumerate() {
        let (near, far) = (names(at), names(at + 1));
        let near: Vec<&str> = near.iter().map(String::as_str).collect();
        let far: Vec<&str> = far.iter().map(String::as_str).collect();
        c.add_multiconductor_line(&format!("T{at}"), &near, &far, section.clone());
    }
    c.compile().expect("a line")
}

fn symmetric(rows: &[&[f64]], scale: f64) -> RMatrix {
    RMatrix::from_rows(&rows.iter().map(|r| r.iter().map(|x| x * scale).collect()).collect::<Vec<_>>())
}

/// Three unlike conductors over ground; invented, of the size of film lines.
fn three(length_m: f64, loss: MulticonductorLoss) -> MulticonductorLine {
    MulticonductorLine {
        inductance_h_per_m: symmetric(&[&[650.0, 480.0, 90.0], &[480.0, 690.0, 120.0], &[90.0, 120.0, 420.0]], 1e-9),
        capacitance_f_per_m: symmetric(&[&[121.0, -85.0, -4.0], &[-85.0, 98.0, -3.0], &[-4.0, -3.0, 70.0]], 1e-12),
        loss,
        length_m,
    }
}

fn losses(size: f64) -> MulticonductorLoss {
    MulticonductorLoss {
        dc_ohm_per_m: Some(symmetric(&[&[900.0, 40.0, 0.0], &[40.0, 700.0, 0.0], &[0.0, 0.0, 500.0]], size)),
        skin_ohm_per_m_sqrt_hz: Some(symmetric(&[&[6.0, 1.0, 0.2], &[1.0, 5.0, 0.1], &[0.2, 0.1, 4.0]], size * 1e-3)),
        skin_reactance: true,
        dielectric_f_per_m: Some(symmetric(&[&[0.5, -0.3, 0.0], &[-0.3, 0.4, 0.0], &[0.0, 0.0, 0.2]], size * 1e-12)),
    }
}

#[test]
fn equal_modal_velocities_have_the_closed_form_at_any_number_of_conductors() {
    // Homogeneous dielectric: L = με C⁻¹, so Y11 = −j cot θ · v C, Y21 = j csc θ · v C.
    let v = 299_792_458.0 / 3.1_f64.sqrt();
    let c = three(1.0, MulticonductorLoss::default()).capacitance_f_per_m;
    let inverse = linear::solve(&c.map(Complex64::from), &CMatrix::identity(3)).expect("regular");
    let l = RMatrix::from_fn(3, 3, |i, k| 0.5 * (inverse[(i, k)] + inverse[(k, i)]).re / (v * v));
    let line = MulticonductorLine {
        inductance_h_per_m: l,
        capacitance_f_per_m: c.clone(),
        loss: MulticonductorLoss::default(),
        length_m: 1.7e-3,
    };
    let m = line_multiport(std::slice::from_ref(&line));
    for f in [1e8, 11e9, 47e9, 180e9] {
        let theta = TAU * f * line.length_m / v;
        let y = CMatrix::from_fn(6, 6, |i, k| {
            let own = if (i < 3) == (k < 3) { -1.0 / theta.tan() } else { 1.0 / theta.sin() };
            j(own * v * c[(i % 3, k % 3)])
        });
        let error = distance(&m.scattering(f).expect("ok"), &s_of_y(&y, 50.0));
        assert!(error < ROUNDING, "{error:.1e} at {f}");
    }
    // at whole half waves, where the admittance has no value, the line is a thru or an inverter
    for half_waves in 1..5 {
        let s = m.scattering(half_waves as f64 * v / (2.0 * line.length_m)).expect("ok");
        let sign = if half_waves % 2 == 0 { 1.0 } else { -1.0 };
        let thru = CMatrix::from_fn(6, 6, |i, k| if i != k && i % 3 == k % 3 { sign.into() } else { 0.0.into() });
        assert!(distance(&s, &thru) < ROUNDING * 10.0, "{half_waves} half waves");
    }
}

/// Even and odd mode of a symmetric pair are two scalar lines; their two-port matrices are the
/// textbook ones, `S11 = Γ(1−e²)/(1−Γ²e²)`, `S21 = e(1−Γ²)/(1−Γ²e²)` with `e = exp(−γl)`.
fn modal_pair(line: &MulticonductorLine, f: f64) -> CMatrix {
    let omega = TAU * f;
    let at = |m: &Option<RMatrix>, sign: f64| m.as_ref().map_or(0.0, |m| m[(0, 0)] + sign * m[(0, 1)]);
    let modes = [1.0, -1.0].map(|sign| {
        let own = |m: &RMatrix| m[(0, 0)] + sign * m[(0, 1)];
        let r = at(&line.loss.dc_ohm_per_m, sign) + at(&line.loss.skin_ohm_per_m_sqrt_hz, sign) * f.sqrt();
        let z = Complex64::new(r, omega * own(&line.inductance_h_per_m));
        let y = Complex64::new(omega * at(&line.loss.dielectric_f_per_m, sign), omega * own(&line.capacitance_f_per_m));
        let (zc, e) = ((z / y).sqrt(), (-(z * y).sqrt() * line.length_m).exp());
        let g = (zc - 50.0) / (zc + 50.0);
        let d = 1.0 - g * g * e * e;
        [g * (1.0 - e * e) / d, e * (1.0 - g * g) / d]
    });
    // ports: near a, near b, far a, far b
    CMatrix::from_fn(4, 4, |i, k| {
        let through = usize::from((i < 2) != (k < 2));
        let sign = if i % 2 == k % 2 { 1.0 } else { -1.0 };
        (modes[0][through] + modes[1][through] * sign) * 0.5
    })
}

#[test]
fn lossy_symmetric_pair_is_two_scalar_lines_from_kilohertz_to_hopeless_attenuation() {
    let own = |a: f64, b: f64| symmetric(&[&[a, b], &[b, a]], 1.0);
    let line = |length_m: f64| MulticonductorLine {
        inductance_h_per_m: own(650e-9, 480e-9),
        capacitance_f_per_m: own(110e-12, -80e-12),
        loss: MulticonductorLoss {
            dc_ohm_per_m: Some(own(900.0, 100.0)),
            skin_ohm_per_m_sqrt_hz: Some(own(6e-3, 1e-3)),
            skin_reactance: false,
            dielectric_f_per_m: Some(own(0.6e-12, -0.4e-12)),
        },
        length_m,
    };
    for length_m in [1e-4, 2e-3, 2e-2, 0.1, 0.3, 1.0, 10.0] {
        let line = line(length_m);
        let m = line_multiport(std::slice::from_ref(&line));
        for f in [1e3, 1e6, 1e9, 28e9, 110e9] {
            let s = m.scattering(f).expect("ok");
            let error = distance(&s, &modal_pair(&line, f));
            // a line of many wavelengths loses the digits of its phase, in both ways alike
            let waves = length_m * f * (650e-9_f64 * 110e-12).sqrt();
            assert!(error < ROUNDING * (10.0 + waves), "{error:.1e} at {f} Hz, {length_m} m");
        }
    }
}

#[test]
fn two_halves_make_a_whole_with_any_loss() {
    for (size, length_m) in [(0.0, 3e-3), (1.0, 3e-3), (30.0, 3e-3), (1.0, 0.2), (100.0, 0.2)] {
        let line = |l: f64| three(l, if size == 0.0 { MulticonductorLoss::default() } else { losses(size) });
        let whole = line_multiport(&[line(length_m)]);
        let halves = line_multiport(&[line(0.3 * length_m), line(0.7 * length_m)]);
        for f in [0.0, 1e6, 3e9, 28e9, 110e9] {
            let s = whole.scattering(f).expect("ok");
            let error = distance(&s, &halves.scattering(f).expect("ok"));
            assert!(error < 1e-10, "{error:.1e} at {f} Hz, loss {size}, {length_m} m");
            assert!(distance(&s, &s.transpose()) < 1e-10, "reciprocal");
            let sigma = linear::singular_values(&s).expect("finite")[0];
            assert!(sigma < 1.0 + 1e-10, "passive: {sigma}");
            if size == 0.0 {
                assert!(loss_defect(&s) < 1e-10, "lossless");
            }
        }
    }
}

#[test]
fn direct_current_of_a_lossy_line_is_its_resistance() {
    let line = three(2e-3, losses(1.0));
    let s = line_multiport(std::slice::from_ref(&line)).scattering(0.0).expect("ok");
    // Series resistance matrix between two sets of ports: Y = [[G, −G], [−G, G]], G = (R l)⁻¹.
    let r = line.loss.dc_ohm_per_m.expect("given").map(|x| Complex64::from(x * 2e-3));
    let g = linear::solve(&r, &CMatrix::identity(3)).expect("regular");
    let y = CMatrix::from_fn(6, 6, |i, k| g[(i % 3, k % 3)] * if (i < 3) == (k < 3) { 1.0 } else { -1.0 });
    assert!(distance(&s, &s_of_y(&y, 50.0)) < ROUNDING);
}

#[test]
fn stacked_strips_travel_with_their_two_effective_permittivities() {
    // Published-size structure: stacked pair over ground, 15 µm film between 3 µm strips of 40 and
    // 32 µm; C, L and the two mode permittivities from one two-dimensional electrostatic solution.
    let line = MulticonductorLine {
        inductance_h_per_m: symmetric(&[&[650.08, 508.81], &[508.81, 690.11]], 1e-9),
        capacitance_f_per_m: symmetric(&[&[121.3, -85.109], &[-85.109, 97.946]], 1e-12),
        loss: MulticonductorLoss::default(),
        length_m: 2e-3,
    };
    let m = line_multiport(std::slice::from_ref(&line));
    let f = 12e9;
    let s = m.scattering(f).expect("ok");
    // Open far ends: v1 = A v2 with A = Z11 Z21⁻¹, whose eigenvalues are the cosines cos(ωτ_m).
    let one = CMatrix::identity(4);
    let z = linear::solve(&(&one - &s), &(&one + &s)).expect("off resonance").scaled(50.0.into());
    let (z11, z21) = (z.select(&[0, 1], &[0, 1]), z.select(&[2, 3], &[0, 1]));
    let a = linear::solve(&z21.transpose(), &z11.transpose()).expect("off resonance").transpose();
    let theta = |permittivity: f64| TAU * f * 2e-3 * permittivity.sqrt() / 299_792_458.0;
    let (t1, t2) = (theta(2.3374).cos(), theta(3.041).cos());
    for (what, found, expected) in [
        ("sum of the mode cosines", (a[(0, 0)] + a[(1, 1)]).re, t1 + t2),
        ("product of the mode cosines", (a[(0, 0)] * a[(1, 1)] - a[(0, 1)] * a[(1, 0)]).re, t1 * t2),
    ] {
        CheckValue {
            what,
            expected,
            within: 5e-4,
            because: "the table gives matrices and permittivities to 1e-3 of their value, angles near one radian",
            origin: Origin::Derived { how: "two-dimensional finite elements, C and L to 1.1e-5, modes of L C c²" },
        }
        .check(found);
    }
}

#[test]
fn demo_strips_have_the_stated_mode_velocities() {
    let line = common::demo::strips(1e-3, false);
    let product = &line.inductance_h_per_m * &line.capacitance_f_per_m;
    let mut found: Vec<f64> = linear::eigenvalues_real(&product)
        .expect("two modes")
        .iter()
        .map(|x| x.re * 299_792_458.0_f64.powi(2))
        .collect();
    found.sort_by(f64::total_cmp);
    assert!((found[0] - 2.72).abs() < 1e-12 && (found[1] - 2.86).abs() < 1e-12, "{found:?}");
    // pair-over-ground impedance: √ε/(c (C11 + 2 C12 + C22))
    let sum: f64 = line.capacitance_f_per_m.as_slice().iter().sum();
    CheckValue {
        what: "pair-over-ground impedance, ohm",
        expected: 112.6,
        within: 0.15,
        because: "printed to four digits, and the capacitances to three or four",
        origin: Origin::Derived { how: "invented demo structure, cross-section solved elsewhere" },
    }
    .check(2.72_f64.sqrt() / (299_792_458.0 * sum));
}

#[test]
fn quarter_wave_matched_line_of_the_pair_keeps_theory_at_band_centre() {
    // |S21| = |S31| = 1/√2 and S11 = 0 at centre for C = 1/√(2 ZL/Z0 + 1), any output load.
    for load_ohm in [25.0, 50.0, 100.0, 200.0] {
        let coupling = (2.0 * load_ohm / 50.0 + 1.0_f64).sqrt().recip();
        let root = f64::sqrt((1.0 + coupling) / (1.0 - coupling));
        let section = CoupledPair::new(50.0 * root, 50.0 / root, QUARTER_DELAY_S).to_multiconductor();
        let mut c = Circuit::new();
        c.add_port("1", ["in", "0"], 50.0).add_port("2", ["p", "0"], load_ohm).add_port("3", ["m", "0"], load_ohm);
        let nodes = BalunNodes { input: "in", plus: "p", minus: "m", return_plus: "0", return_minus: "0" };
        coupled_line_balun(&mut c, "", nodes, [section.clone(), section], None);
        let s = c.compile().expect("a balun").scattering(CENTRE_HZ).expect("ok");
        let origin = Origin::Memory { what: "K. S. Ang, I. D. Robertson, IEEE Trans. MTT-49 (2001) 402" };
        for (what, expected, found) in
            [("match", 0.0, s[(0, 0)].norm()), ("half power", 0.5_f64.sqrt(), s[(1, 0)].norm())]
        {
            CheckValue { what, expected, within: ROUNDING, because: "rounding", origin }.check(found);
        }
    }
    assert!((TAU * CENTRE_HZ * QUARTER_DELAY_S - PI / 2.0).abs() < 1e-15);
}
