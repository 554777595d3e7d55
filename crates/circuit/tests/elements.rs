//! Single elements against closed forms, direct current included.

use mixwright_circuit::{Access, AccessResistance, Circuit, FixedScattering, Line, LineLoss, Loss};
use network::FrequencyResponse;
use numerics::{CMatrix, Complex64, RMatrix};
use proof::{CheckValue, Origin};
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

/// Rounding of systems with some ten unknowns of order one.
const ROUNDING: f64 = 1e-13;
const Z0: f64 = 50.0;

fn near(what: &str, found: Complex64, expected: Complex64, how: &'static str) {
    for (part, f, e) in [("real", found.re, expected.re), ("imaginary", found.im, expected.im)] {
        CheckValue {
            what: &format!("{what}, {part} part"),
            expected: e,
            within: ROUNDING,
            because: "rounding of a small well scaled system",
            origin: Origin::Derived { how },
        }
        .check(f);
    }
}

/// Two 50 ohm ports `a` and `b` and whatever `fill` adds between them.
fn two_port(freq_hz: f64, fill: impl FnOnce(&mut Circuit)) -> CMatrix {
    let mut c = Circuit::new();
    c.add_port("P1", ["a", "0"], Z0).add_port("P2", ["b", "0"], Z0);
    fill(&mut c);
    c.compile().expect("a good circuit").scattering(freq_hz).expect("a solution")
}

fn one_port(freq_hz: f64, fill: impl FnOnce(&mut Circuit)) -> Complex64 {
    let mut c = Circuit::new();
    c.add_port("P1", ["a", "0"], Z0);
    fill(&mut c);
    c.compile().expect("a good circuit").scattering(freq_hz).expect("a solution")[(0, 0)]
}

fn gamma_of(z: Complex64) -> Complex64 {
    (z - Z0) / (z + Z0)
}

#[test]
fn lumped_one_ports_have_their_reflection() {
    let f = 3.0e9;
    let jw = Complex64::new(0.0, TAU * f);
    let how = "(Z − 50)/(Z + 50)";
    for ohm in [1e-3, 0.3, 1.0, 75.0, 1e6] {
        let g = one_port(f, |c| _ = c.add_resistor("R", ["a", "0"], ohm));
        near("resistor", g, gamma_of(ohm.into()), how);
    }
    let g = one_port(f, |c| _ = c.add_inductor("L", ["a", "0"], 2e-9));
    near("inductor", g, gamma_of(jw * 2e-9), how);
    for farad in [0.3e-12, 5e-12, 100e-12, 1e-6] {
        let g = one_port(f, |c| _ = c.add_capacitor("C", ["a", "0"], farad));
        near("capacitor", g, gamma_of((jw * farad).inv()), how);
        let g = one_port(f, |c| _ = c.add_lossy_capacitor("C", ["a", "0"], farad, Loss::SeriesOhm(2.0)));
        near("capacitor with series resistance", g, gamma_of((jw * farad).inv() + 2.0), how);
        let g = one_port(f, |c| _ = c.add_lossy_capacitor("C", ["a", "0"], farad, Loss::Quality(40.0)));
        near("capacitor with Q", g, gamma_of((jw * farad * Complex64::new(1.0, -1.0 / 40.0)).inv()), how);
    }
    let g = one_port(f, |c| _ = c.add_lossy_inductor("L", ["a", "0"], 2e-9, Loss::Quality(25.0)));
    near("inductor with Q", g, gamma_of(jw * 2e-9 * Complex64::new(1.0, -1.0 / 25.0)), how);
    let g = one_port(f, |c| _ = c.add_lossy_inductor("L", ["a", "0"], 2e-9, Loss::SeriesOhm(3.0)));
    near("inductor with series resistance", g, gamma_of(jw * 2e-9 + 3.0), how);
}

#[test]
fn direct_current_shorts_inductors_and_opens_capacitors() {
    let how = "a short is −1, an open is +1";
    for (what, farad) in [("small", 1e-12), ("large", 1e-9)] {
        let g = one_port(0.0, |c| _ = c.add_capacitor("C", ["a", "0"], farad));
        near(&format!("{what} capacitor"), g, 1.0.into(), how);
    }
    near("inductor", one_port(0.0, |c| _ = c.add_inductor("L", ["a", "0"], 1e-9)), (-1.0).into(), how);
    let s = two_port(0.0, |c| _ = c.add_line("T", ["a", "0", "b", "0"], Line::lossless(73.0, 20e-12)));
    near("line reflection", s[(0, 0)], 0.0.into(), "a thru");
    near("line transmission", s[(1, 0)], 1.0.into(), "a thru");
}

#[test]
fn floating_nodes_and_inductor_loops_at_direct_current_are_solved() {
    let s = two_port(0.0, |c| {
        c.add_capacitor("C1", ["a", "m"], 1e-12).add_capacitor("C2", ["m", "b"], 1e-12);
        c.add_capacitor("C3", ["m", "0"], 1e-12);
    });
    near("blocked", s[(1, 0)], 0.0.into(), "capacitors are open");
    near("blocked, reflection", s[(0, 0)], 1.0.into(), "capacitors are open");
    let s = two_port(0.0, |c| _ = c.add_inductor("L1", ["a", "b"], 1e-9).add_inductor("L2", ["a", "b"], 3e-9));
    near("loop of shorts", s[(1, 0)], 1.0.into(), "inductors are shorts, the loop current is free");
}

#[test]
fn tee_of_lines_closed_by_any_reflection() {
    // devices table of the checks: S' = See + Sec (P − Scc)⁻¹ Sce, exact fractions
    for (gamma, s11, s21) in
        [(1.0, 0.0, 1.0), (-1.0, -1.0, 0.0), (0.5, -1.0 / 7.0, 6.0 / 7.0), (0.0, -1.0 / 3.0, 2.0 / 3.0)]
    {
        let load = FixedScattering::new(CMatrix::from_fn(1, 1, |_, _| gamma.into()), vec![Z0]).expect("one port");
        let mut c = Circuit::new();
        c.add_port("P1", ["a", "0"], Z0).add_port("P2", ["a", "0"], Z0);
        c.add_block("load", &[["a", "0"]], Arc::new(load));
        let m = c.compile().expect("a tee");
        for f in [0.0, 1e9] {
            let s = m.scattering(f).expect("a solution");
            near(&format!("tee reflection, load {gamma}"), s[(0, 0)], s11.into(), "exact fractions of a 50 ohm tee");
            near(&format!("tee transmission, load {gamma}"), s[(1, 0)], s21.into(), "exact fractions of a 50 ohm tee");
        }
    }
}

#[test]
fn ideal_tee_block_joins_like_the_exact_fractions() {
    let tee = CMatrix::from_fn(3, 3, |i, j| if i == j { (-1.0 / 3.0).into() } else { (2.0 / 3.0).into() });
    for (ohm, s11, s21) in [(150.0, -1.0 / 7.0, 6.0 / 7.0), (50.0, -1.0 / 3.0, 2.0 / 3.0)] {
        let tee = Arc::new(FixedScattering::new(tee.clone(), vec![Z0; 3]).expect("three ports"));
        let s = two_port(1e9, |c| {
            c.add_block("tee", &[["a", "0"], ["b", "0"], ["t", "0"]], tee).add_resistor("R", ["t", "0"], ohm);
        });
        near("reflection", s[(0, 0)], s11.into(), "exact fractions of a 50 ohm tee");
        near("transmission", s[(1, 0)], s21.into(), "exact fractions of a 50 ohm tee");
    }
}

#[test]
fn transformers_scale_impedance_at_any_frequency() {
    for f in [0.0, 1e9] {
        let g = one_port(f, |c| {
            c.add_transformer("T", &[(["a", "0"], 1.0), (["s", "0"], 2.0)]).add_resistor("R", ["s", "0"], 300.0);
        });
        near("load over ratio squared", g, gamma_of((300.0 / 4.0).into()), "Z = R (N1/N2)²");
    }
}

#[test]
fn centre_tapped_secondary_splits_and_the_tap_is_isolated() {
    let mut c = Circuit::new();
    c.add_port("in", ["lo", "0"], Z0).add_port("plus", ["p", "0"], 100.0).add_port("minus", ["m", "0"], 100.0);
    c.add_port("tap", ["t", "0"], Z0);
    c.add_transformer("T", &[(["lo", "0"], 1.0), (["p", "t"], 1.0), (["t", "m"], 1.0)]);
    let m = c.compile().expect("a hybrid");
    for f in [0.0, 5e9] {
        let s = m.scattering(f).expect("a solution");
        // Σ N i = 0 gives the 180° hybrid: 50 ohm primary, 100 ohm halves, 50 ohm tap are matched.
        let how = "ideal hybrid: v1 = va = −vb about the tap, i1 = −(ia − ib)/1";
        let h = std::f64::consts::FRAC_1_SQRT_2;
        near("match", s[(0, 0)], 0.0.into(), how);
        near("plus", s[(1, 0)], h.into(), how);
        near("minus", s[(2, 0)], (-h).into(), how);
        near("tap isolated", s[(3, 0)], 0.0.into(), how);
        near("tap to plus", s[(1, 3)], h.into(), how);
        near("tap to minus", s[(2, 3)], h.into(), how);
    }
}

#[test]
fn coupled_inductors_follow_their_matrix() {
    let f = 2e9;
    let jw = Complex64::new(0.0, TAU * f);
    let (l1, l2, k) = (1e-9_f64, 4e-9_f64, 0.8_f64);
    let m = k * (l1 * l2).sqrt();
    let g = one_port(f, |c| {
        let l = RMatrix::from_rows(&[vec![l1, m], vec![m, l2]]);
        c.add_coupled_inductors("K", &[["a", "0"], ["s", "0"]], l).add_resistor("R", ["s", "0"], 100.0);
    });
    let z = jw * l1 - (jw * m) * (jw * m) / (jw * l2 + 100.0);
    near("loaded coupled inductors", g, gamma_of(z), "Z = jωL1 + (ωM)²/(jωL2 + R)");
    // unity coupling is allowed: an ideal transformer with magnetising inductance
    let g = one_port(f, |c| {
        let m = (l1 * l2).sqrt();
        let l = RMatrix::from_rows(&[vec![l1, m], vec![m, l2]]);
        c.add_coupled_inductors("K", &[["a", "0"], ["s", "0"]], l).add_resistor("R", ["s", "0"], 100.0);
    });
    let z = (jw * l1 * 25.0) / (jw * l1 + 25.0);
    near("unity coupling", g, gamma_of(z), "jωL1 in parallel with R L1/L2");
}

#[test]
fn lines_are_exact_at_quarter_and_half_wave() {
    let delay = 25e-12;
    let line = |z0| Line::lossless(z0, delay);
    let quarter = 0.25 / delay;
    let g = one_port(quarter, |c| {
        c.add_line("T", ["a", "0", "m", "0"], line(70.0)).add_resistor("R", ["m", "0"], 100.0);
    });
    near("quarter wave", g, gamma_of((70.0 * 70.0 / 100.0).into()), "Z = Z0²/R");
    let g = one_port(2.0 * quarter, |c| {
        c.add_line("T", ["a", "0", "m", "0"], line(70.0)).add_resistor("R", ["m", "0"], 100.0);
    });
    near("half wave", g, gamma_of(100.0.into()), "Z = R");
    for (times, short) in [(1.0, 1.0), (2.0, -1.0), (3.0, 1.0)] {
        let g = one_port(times * quarter, |c| _ = c.add_line("T", ["a", "0", "0", "0"], line(70.0)));
        near("shorted stub", g, short.into(), "short at even, open at odd quarter waves");
        let g = one_port(times * quarter, |c| _ = c.add_line("T", ["a", "0", "end", "0"], line(70.0)));
        near("open stub", g, (-short).into(), "open at even, short at odd quarter waves");
    }
    let f = 7e9;
    let s = two_port(f, |c| _ = c.add_line("T", ["a", "0", "b", "0"], line(50.0)));
    near("matched line", s[(1, 0)], Complex64::from_polar(1.0, -TAU * f * delay), "exp(−jωτ)");
}

#[test]
fn lossy_lines_attenuate_by_their_law_however_long() {
    let f = 4e9_f64;
    for stretch in [1.0, 10.0, 100.0] {
        let loss = LineLoss { dc_np: 0.02 * stretch, skin_np_per_sqrt_hz: 1e-6 * stretch, tan_delta: 0.01 };
        let delay_s = 100e-12 * stretch;
        let s = two_port(f, |c| _ = c.add_line("T", ["a", "0", "b", "0"], Line { z0_ohm: 50.0, delay_s, loss }));
        let alpha = 0.02 * stretch + 1e-6 * stretch * f.sqrt() + PI * f * delay_s * 0.01;
        let how = "exp(−α − jωτ)";
        near("transmission", s[(1, 0)], Complex64::new(-alpha, -TAU * f * delay_s).exp(), how);
        near("reflection", s[(0, 0)], 0.0.into(), how);
    }
}

#[test]
fn isolated_secondary_circuits_need_no_ground() {
    // 1:1 isolating transformer with both secondary nodes off ground
    let mut c = Circuit::new();
    c.add_port("P1", ["a", "0"], Z0).add_port("P2", ["x", "y"], Z0);
    c.add_transformer("T", &[(["a", "0"], 1.0), (["x", "y"], -1.0)]);
    let m = c.compile().expect("a transformer");
    for f in [0.0, 1e9] {
        near("transmission", m.scattering(f).expect("ok")[(1, 0)], (-1.0).into(), "v2 = −v1, matched");
    }
}

#[test]
fn diode_access_parts_are_counted_once_and_in_order() {
    let f = 20e9;
    let jw = Complex64::new(0.0, TAU * f);
    let access = Access { rs_ohm: 4.2, finger_inductance_h: 18e-12, pad_capacitance_f: 7e-15 };
    let mut c = Circuit::new();
    c.add_port("P1", ["a", "0"], Z0).add_diode("D1", "a", "0", access);
    let inside = c.compile().expect("a diode");
    assert_eq!(inside.port_names(), ["P1", "D1"]);
    assert_eq!((inside.n_external(), inside.n_junctions()), (1, 1));
    let s = inside.scattering(f).expect("ok");
    // junction port closed by its 50 ohm reference
    let branch = jw * 18e-12 + 4.2 + 50.0;
    let z = (jw * 7e-15 + branch.inv()).inv();
    near("pads", s[(0, 0)], gamma_of(z), "Cp across (jωL + RS + junction)");
    let outside = c.compile_with(AccessResistance::Outside).expect("a diode").scattering(f).expect("ok");
    let z = (jw * 7e-15 + (jw * 18e-12 + 50.0).inv()).inv();
    near("pads without RS", outside[(0, 0)], gamma_of(z), "Cp across (jωL + port)");
    // polarity: a wave into the anode raises the anode-to-cathode voltage
    assert!(s[(1, 0)].re > 0.9);
}

#[test]
fn junction_ports_come_after_external_ports_with_their_reference() {
    let mut c = Circuit::new();
    c.set_junction_reference_ohm(75.0);
    c.add_diode("D1", "a", "b", Access::default()).add_port("P1", ["a", "0"], 20.0);
    c.add_diode("D2", "b", "a", Access::default()).add_port("P2", ["b", "0"], 30.0);
    let m = c.compile().expect("a pair");
    assert_eq!(m.port_names(), ["P1", "P2", "D1", "D2"]);
    assert_eq!(m.reference_ohm(), [20.0, 30.0, 75.0, 75.0]);
    // antiparallel: the two junction voltages are opposite, so their rows are too
    let s = m.scattering(1e9).expect("ok");
    near("opposite", s[(2, 0)], -s[(3, 0)], "v(D1) = −v(D2)");
}
