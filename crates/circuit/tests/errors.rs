//! What is refused, and that the message names the element and node.

use mixwright_circuit::{Access, Circuit, CircuitError, FixedScattering, Line, MulticonductorLine, MulticonductorLoss};
use network::{FrequencyResponse, NetworkError};
use numerics::{CMatrix, RMatrix};
use std::sync::Arc;

fn base() -> Circuit {
    let mut c = Circuit::new();
    c.add_port("P1", ["a", "0"], 50.0).add_resistor("R1", ["a", "0"], 50.0);
    c
}

#[track_caller]
fn refused(c: &Circuit) -> CircuitError {
    c.compile().expect_err("must be refused")
}

#[test]
fn values_no_part_can_have() {
    for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let mut c = base();
        c.add_resistor("Rx", ["a", "0"], bad);
        assert!(matches!(refused(&c), CircuitError::Value { element, .. } if element == "Rx"));
        let mut c = base();
        c.add_inductor("Lx", ["a", "0"], bad);
        assert_eq!(refused(&c).element(), Some("Lx"));
        let mut c = base();
        c.add_line("Tx", ["a", "0", "0", "0"], Line::lossless(bad, 1e-12));
        assert_eq!(refused(&c).element(), Some("Tx"));
    }
    let mut c = base();
    c.add_diode("D1", "a", "0", Access { rs_ohm: -2.0, ..Access::default() });
    assert_eq!(
        refused(&c).to_string(),
        "expected series resistance in ohm of `D1` to be finite and not negative, found -2"
    );
    let mut c = base();
    c.add_transformer("T1", &[(["a", "0"], 1.0), (["a", "0"], 0.0)]);
    assert_eq!(refused(&c).element(), Some("T1"));
}

#[test]
fn nodes_that_hang_in_the_air() {
    let mut c = base();
    c.add_capacitor("C7", ["a", "x"], 1e-12);
    let error = refused(&c);
    assert_eq!((error.element(), error.node()), (Some("C7"), Some("x")));
    assert_eq!(
        error.to_string(),
        "expected node `x` to join at least two terminals, found only `C7`: connect it, correct its name, or declare it open"
    );
    c.leave_open("x");
    assert!(c.compile().is_ok(), "declared open");
    let mut c = base();
    c.add_line("T1", ["a", "0", "end", "0"], Line::lossless(50.0, 1e-12));
    let m = c.compile().expect("an open stub is a circuit");
    assert_eq!(m.findings().len(), 1, "but it is worth a remark");
    assert!(m.findings()[0].text.contains("`end`"));
}

#[test]
fn parts_that_no_port_reaches_are_remarked() {
    let mut c = base();
    c.add_resistor("R8", ["x", "0"], 1.0).add_capacitor("C8", ["x", "0"], 1e-12);
    let m = c.compile().expect("solvable");
    let places: Vec<&str> = m.findings().iter().map(|f| f.place.as_str()).collect();
    assert_eq!(places, ["R8", "C8"]);
    // a transformer reaches: no remark
    let mut c = base();
    c.add_transformer("T", &[(["a", "0"], 1.0), (["x", "0"], 2.0)]).add_resistor("R8", ["x", "0"], 1.0);
    assert!(c.compile().expect("solvable").findings().is_empty());
}

#[test]
fn ports_without_a_way_back() {
    let mut c = base();
    c.add_port("P2", ["s", "0"], 50.0).add_transformer("T1", &[(["a", "0"], 1.0), (["s", "t"], 1.0)]);
    c.add_resistor("R2", ["s", "t"], 10.0);
    let error = refused(&c);
    assert!(matches!(&error, CircuitError::NoReturnPath { element, node, reference }
        if element == "P2" && node == "s" && reference == "0"));
    let mut c = base();
    c.add_port("P2", ["a", "a"], 50.0);
    assert!(matches!(refused(&c), CircuitError::SameNode { element, node } if element == "P2" && node == "a"));
    let mut c = Circuit::new();
    c.add_port("P1", ["a", "b"], 50.0).add_resistor("R1", ["a", "b"], 50.0);
    assert_eq!(refused(&c), CircuitError::NoGround);
    let mut c = Circuit::new();
    c.add_resistor("R1", ["a", "0"], 50.0).add_resistor("R2", ["a", "0"], 50.0);
    assert_eq!(refused(&c), CircuitError::NoPort);
}

#[test]
fn names_and_shapes() {
    let mut c = base();
    c.add_capacitor("R1", ["a", "0"], 1e-12);
    assert_eq!(refused(&c), CircuitError::DuplicateName { element: "R1".into() });
    let mut c = base();
    c.add_resistor("R2", ["a", ""], 1.0);
    assert_eq!(refused(&c), CircuitError::EmptyNode { element: "R2".into() });
    let mut c = base();
    c.add_coupled_inductors("K", &[["a", "0"], ["a", "0"]], RMatrix::identity(3));
    assert!(matches!(refused(&c), CircuitError::Shape { element, .. } if element == "K"));
    let mut c = base();
    let over_coupled = RMatrix::from_rows(&[vec![1e-9, 2e-9], vec![2e-9, 1e-9]]);
    c.add_coupled_inductors("K", &[["a", "0"], ["a", "0"]], over_coupled);
    assert!(matches!(refused(&c), CircuitError::Matrix { element, .. } if element == "K"));
}

#[test]
fn line_matrices_must_be_physical() {
    let line = |c12: f64, c21: f64| MulticonductorLine {
        inductance_h_per_m: RMatrix::from_rows(&[vec![600e-9, 400e-9], vec![400e-9, 600e-9]]),
        capacitance_f_per_m: RMatrix::from_rows(&[vec![100e-12, c12], vec![c21, 100e-12]]),
        loss: MulticonductorLoss::default(),
        length_m: 1e-3,
    };
    for (c12, c21, expected) in
        [(-80e-12, -70e-12, "symmetric"), (80e-12, 80e-12, "Maxwell form"), (-120e-12, -120e-12, "positive definite")]
    {
        let mut c = base();
        c.add_multiconductor_line("T", &["a", "a"], &["0", "0"], line(c12, c21));
        let text = refused(&c).to_string();
        assert!(text.contains("`T`") && text.contains(expected) && text.contains("capacitance matrix"), "{text}");
    }
}

#[test]
fn ideal_parts_that_contradict_each_other_still_have_waves() {
    // Two ideal transformers of different ratio in parallel force all voltages to zero; the
    // current between them is free, the scattering matrix is not.
    let mut c = Circuit::new();
    c.add_port("P1", ["a", "0"], 50.0).add_port("P2", ["b", "0"], 50.0);
    c.add_transformer("T1", &[(["a", "0"], 1.0), (["b", "0"], 1.0)]);
    c.add_transformer("T2", &[(["a", "0"], 1.0), (["b", "0"], 2.0)]);
    let m = c.compile().expect("joined");
    for f in [0.0, 1e9] {
        let s = m.scattering(f).expect("a short");
        assert!((s[(0, 0)].re + 1.0).abs() < 1e-12 && s[(1, 0)].norm() < 1e-12);
    }
    assert!(matches!(m.scattering(-1.0), Err(NetworkError::Mismatch { .. })));
    assert!(matches!(m.scattering(f64::NAN), Err(NetworkError::Mismatch { .. })));
}

#[test]
fn an_active_block_that_cancels_its_port_is_named() {
    // Γ = 3 in 25 ohm is −50 ohm: with the 50 ohm port no voltage is determined.
    let block = FixedScattering::new(CMatrix::from_fn(1, 1, |_, _| 3.0.into()), vec![25.0]).expect("one port");
    let mut c = Circuit::new();
    c.add_port("P1", ["spot", "0"], 50.0).add_block("N", &[["spot", "0"]], Arc::new(block));
    let m = c.compile().expect("joined");
    let Err(NetworkError::Degenerate { freq_hz, why, .. }) = m.scattering(2e9) else { panic!("must be refused") };
    assert_eq!(freq_hz, 2e9);
    assert!(why.contains("`spot`") || why.contains("`N`"), "{why}");
}
