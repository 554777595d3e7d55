//! Sets of nearly equal diodes and what to expect of their balance.

mod support;

use mixwright_diode::matching::{
    contrasts, expected_range_sd, leakage_db, probability_all_within, probability_one_within,
};
use mixwright_diode::{Deviation, Device, DiodeError, Quad, SchottkyParameters};
use proof::{CheckValue, Origin};
use support::{Gaussian, close, mean_sd};

const NORMAL: Origin = Origin::Derived { how: "normal distribution, three orthogonal contrasts" };

#[test]
fn one_nominal_set_plus_deviations() {
    let nominal =
        SchottkyParameters { n: 1.15, rs_ohm: 4.0, cj0_f: 40e-15, pad_capacitance_f: 7e-15, ..Default::default() };
    let deviation = Deviation { vf_shift_v: 1.5e-3, rs_relative: 0.02, cj_relative: -0.012, ..Default::default() };
    let quad = Quad::new(nominal.clone(), vec![Deviation::default(), deviation, Deviation::default()]).expect("valid");
    assert_eq!((quad.n_diodes(), quad.diode(0).expect("there")), (3, nominal.clone()));
    let second = quad.diode(1).expect("there");
    let how = Origin::Derived { how: "definition of the deviation" };
    let shift = second.forward_voltage_v(1e-9, 300.0) - nominal.forward_voltage_v(1e-9, 300.0);
    // At 1 nA the drop on Rs is 4 nV and ln(1 + I/IS) differs from ln(I/IS) by 1e-4.
    close("shift at equal current / V", shift, 1.5e-3, 2e-4, "1 nA against 0.1 pA", how);
    close("Rs / ohm", second.rs_ohm, 4.08, 1e-14, "rounding", how);
    close("Cj / F", second.cj0_f, 40e-15 * 0.988, 1e-14, "rounding", how);
    assert_eq!(second.pad_capacitance_f, nominal.pad_capacitance_f);
    let junctions = quad.junctions(350.0).expect("valid");
    assert!(junctions[1].at(0.5).current_a < junctions[0].at(0.5).current_a);
    assert_eq!(junctions[0], junctions[2]);
    assert_eq!(quad.diode(3), Err(DiodeError::NoSuchDiode { n_diodes: 3, found: 3 }));
    let twins = Quad::matched(nominal, 4).expect("valid");
    assert!(twins.diodes().iter().all(|d| d == twins.nominal()) && twins.deviations().len() == 4);
    let negative = Deviation { rs_relative: -1.5, ..Default::default() };
    assert!(Quad::new(quad.nominal().clone(), vec![negative]).is_err(), "a negative resistance is refused");
}

#[test]
fn voltage_offset_of_a_ratio_of_currents() {
    // n·Vt·ln(ratio), n = 1.15, 300 K: the shift that makes this ratio.
    let how = Origin::Derived { how: "n·Vt·ln(ratio)" };
    let nominal = SchottkyParameters { n: 1.15, ..Default::default() };
    for (ratio, shift) in [(1.05, 0.0014505218107415587), (1.2, 0.005420383374394894), (1.01, 0.00029582134375472405)] {
        let changed = Deviation { vf_shift_v: -shift, ..Default::default() }.apply(&nominal);
        close("ratio of IS", changed.is_a / nominal.is_a, ratio, 1e-13, "rounding", how);
    }
}

#[test]
fn leakage_of_a_spread() {
    // Spread, median and 95 % leakage in dB.
    let table = [
        (0.01, -49.44109282621545, -40.1756380928769),
        (0.02, -43.420492912935835, -34.15503817959727),
        (0.05, -35.46169273949508, -26.196238006156523),
        (0.1, -29.441092826215453, -20.1756380928769),
        (0.2, -23.420492912935828, -14.155038179597275),
    ];
    for (s, median, worst) in table {
        close("median leakage / dB", leakage_db(s, 0.5), median, 1e-8, "quantile of the library", NORMAL);
        close("95 % leakage / dB", leakage_db(s, 0.95), worst, 1e-8, "quantile of the library", NORMAL);
    }
    let table = [
        (0.5, 0.6826894921370859, 0.31817763901728086),
        (1.0, 0.9544997361036416, 0.8696158323408357),
        (1.5, 0.9973002039367398, 0.9919224588280288),
    ];
    for (c, one, all) in table {
        let because = "error function of the library, 3e-11";
        let check =
            |what, expected, found| CheckValue { what, expected, within: 1e-10, because, origin: NORMAL }.check(found);
        check("one contrast within", one, probability_one_within(c));
        check("all three within", all, probability_all_within(c));
    }
    for (n, range) in [(2, std::f64::consts::FRAC_2_SQRT_PI), (4, 2.058750746007928), (8, 2.8472006120905555)] {
        close("expected range", expected_range_sd(n), range, 1e-9, "error function of the library", NORMAL);
    }
}

#[test]
fn contrasts_of_random_quads() {
    // 200 000 quads of 5 % spread; kept when largest less smallest stays below 8 %.
    let how = Origin::Derived { how: "simulation with another generator, 200 000 quads" };
    let mut random = Gaussian(8);
    let (mut all, mut kept) = (Vec::new(), Vec::new());
    for _ in 0..200_000 {
        let x = [(); 4].map(|()| 0.05 * random.draw());
        let (low, high) = x.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
        all.extend(contrasts(x));
        if high - low < 0.08 {
            kept.extend(contrasts(x));
        }
    }
    let within = "standard error of 200 000 draws is a fifth of this";
    let yield_ = kept.len() as f64 / all.len() as f64;
    CheckValue { what: "yield", expected: 0.329195, within: 0.005, because: within, origin: how }.check(yield_);
    close("contrast of all", mean_sd(&all).1, 0.025, 0.005, within, NORMAL);
    close("contrast of the kept", mean_sd(&kept).1, 0.013356615338723357, 0.01, within, how);
}
