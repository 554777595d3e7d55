//! Lumped filters with known responses.

use mixwright_circuit::Circuit;
use network::FrequencyResponse;
use proof::{CheckValue, Origin};
use std::f64::consts::{PI, TAU};

/// Maximally flat low-pass ladder of order `n`: element values `g_k = 2 sin((2k − 1)π/2n)`.
fn flat_low_pass(n: usize, edge_hz: f64) -> Circuit {
    let omega = TAU * edge_hz;
    let mut c = Circuit::new();
    c.add_port("in", ["0.", "0"], 50.0);
    let mut node = String::from("0.");
    for k in 1..=n {
        let g = 2.0 * ((2 * k - 1) as f64 * PI / (2 * n) as f64).sin();
        if k % 2 == 1 {
            c.add_capacitor(&format!("C{k}"), [&node, "0"], g / (50.0 * omega));
        } else {
            let next = format!("{k}.");
            c.add_inductor(&format!("L{k}"), [&node, &next], 50.0 * g / omega);
            node = next;
        }
    }
    c.add_port("out", [&node, "0"], 50.0);
    c
}

#[test]
fn maximally_flat_low_pass_has_its_law() {
    for n in [3, 5, 9] {
        let m = flat_low_pass(n, 10e9).compile().expect("a filter");
        for ratio in [0.0, 0.1, 0.7, 1.0, 1.5, 4.0] {
            let s = m.scattering(10e9 * ratio).expect("ok");
            CheckValue {
                what: &format!("order {n} at {ratio} of the edge"),
                expected: (1.0 + f64::powi(ratio, 2 * n as i32)).sqrt().recip(),
                within: 1e-13,
                because: "rounding",
                origin: Origin::Published {
                    source: "S. Butterworth, Wireless Engineer 7 (1930) 536: |S21|² = 1/(1 + x²ⁿ); values of the ladder from memory",
                },
            }
            .check(s[(1, 0)].norm());
        }
    }
}

#[test]
fn equal_ripple_low_pass_touches_its_ripple() {
    // order 3, 0.5 dB: g = 1.5963, 1.0967, 1.5963 (G. L. Matthaei, L. Young, E. M. T. Jones,
    // "Microwave Filters", 1964, table 4.05-2, from memory)
    let omega = TAU * 2e9;
    let mut c = Circuit::new();
    c.add_port("in", ["a", "0"], 50.0).add_port("out", ["b", "0"], 50.0);
    c.add_capacitor("C1", ["a", "0"], 1.5963 / (50.0 * omega)).add_capacitor("C3", ["b", "0"], 1.5963 / (50.0 * omega));
    c.add_inductor("L2", ["a", "b"], 1.0967 * 50.0 / omega);
    let m = c.compile().expect("a filter");
    let ripple = 10_f64.powf(0.05) - 1.0;
    for x in [0.2_f64, 0.5, 0.8660, 1.0, 2.0] {
        let polynomial = 4.0 * x.powi(3) - 3.0 * x;
        CheckValue {
            what: &format!("transmission in dB at {x} of the edge"),
            expected: -10.0 * (1.0 + ripple * polynomial * polynomial).log10(),
            within: 2e-3,
            because: "element values with five digits",
            origin: Origin::Memory { what: "|S21|² = 1/(1 + ε² T3²(x)), ε² = 10^0.05 − 1" },
        }
        .check(20.0 * m.scattering(2e9 * x).expect("ok")[(1, 0)].norm().log10());
    }
}
