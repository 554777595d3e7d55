//! Joining and de-embedding as properties: order, names, references, energy, resonance.

mod common;

use common::Noise;
use mixwright_network as network;
use network::connect::{self, Load, Place, Resonance};
use network::convert::{self, Wave};
use network::{Network, NetworkError, deembed, hygiene};
use numerics::{CMatrix, Complex64};

/// Some hundred roundings of numbers of order one.
const ROUNDING: f64 = 1e-12;

fn port(network_idx: usize, port_idx: usize) -> Place {
    Place { network_idx, port_idx }
}

fn unitary(noise: &mut Noise, n: usize) -> CMatrix {
    let (u, _, v) = numerics::linear::svd(&noise.matrix(n)).expect("finite");
    &u * &v.adjoint()
}

fn symmetric(m: &CMatrix) -> CMatrix {
    let sum = m + &m.transpose();
    let sigma = hygiene::sigma_max(&sum).expect("finite");
    sum.scaled((0.95 / sigma).into())
}

#[test]
fn the_order_of_joining_does_not_matter() {
    let mut noise = Noise(11);
    for _ in 0..50 {
        let s = noise.with_sigma(7, 0.9);
        let all = connect::join_ports(&s, &[(0, 3), (5, 2)], Resonance::Refuse).expect("joined");
        let other = connect::join_ports(&s, &[(2, 5), (3, 0)], Resonance::Refuse).expect("joined");
        // one link first: ports 1 2 4 5 6 remain, so 2 and 5 stand at 1 and 3
        let first = connect::join_ports(&s, &[(0, 3)], Resonance::Refuse).expect("joined");
        let second = connect::join_ports(&first, &[(1, 3)], Resonance::Refuse).expect("joined");
        assert!((&all - &other).max_abs() < ROUNDING && (&all - &second).max_abs() < ROUNDING);
    }
}

#[test]
fn reciprocal_passive_and_lossless_parts_give_such_a_whole() {
    let mut noise = Noise(12);
    for _ in 0..50 {
        let (a, b) = (symmetric(&noise.matrix(4)), symmetric(&noise.matrix(3)));
        let s = connect::join_ports(&connect::stack(&[&a, &b]), &[(1, 5), (3, 4)], Resonance::Refuse).expect("joined");
        assert!(hygiene::asymmetry(&s) < ROUNDING);
        assert!(hygiene::sigma_max(&s).expect("finite") <= 0.95 + ROUNDING);
        let (a, b) = (unitary(&mut noise, 4), unitary(&mut noise, 3));
        let s = connect::join_ports(&connect::stack(&[&a, &b]), &[(1, 5), (3, 4)], Resonance::Refuse).expect("joined");
        let defect = (&(&s.adjoint() * &s) - &CMatrix::identity(3)).max_abs();
        assert!(defect < 1e-11, "{defect}"); // loops close to resonance amplify roundings
    }
}

#[test]
fn a_lossless_resonance_is_refused_or_accepted_when_nothing_sees_it() {
    // an open on an open: a floating node of unknown voltage, beside a matched port
    let mut s = CMatrix::zeros(3, 3);
    (s[(0, 0)], s[(1, 1)], s[(2, 2)]) = (1.0.into(), 1.0.into(), 0.3.into());
    let refused = connect::join_ports(&s, &[(0, 1)], Resonance::Refuse).expect_err("resonant");
    assert!(refused.to_string().contains("resonates without loss"), "{refused}");
    let accepted = connect::join_ports(&s, &[(0, 1)], Resonance::AcceptUncoupled).expect("unique outside");
    assert!((accepted[(0, 0)] - 0.3).norm() < 1e-15);
    // an active part that drives the resonance has no answer
    (s[(2, 0)], s[(0, 2)]) = (0.5.into(), 0.5.into());
    assert!(connect::join_ports(&s, &[(0, 1)], Resonance::AcceptUncoupled).is_err());
}

#[test]
fn renaming_ports_commutes_with_joining_and_equal_names_are_told_apart() {
    let mut noise = Noise(13);
    let f = vec![1e9, 2e9];
    let make = |n: usize, noise: &mut Noise| {
        Network::with_reference(50.0, f.clone(), (0..2).map(|_| noise.with_sigma(n, 0.9)).collect()).expect("network")
    };
    let (a, b) = (make(3, &mut noise), make(2, &mut noise));
    let joined = connect::join(&[&a, &b], &[(port(0, 2), port(1, 0))], Resonance::Refuse).expect("joined");
    assert_eq!(joined.ports(), ["1:1", "1:2", "2:2"]);
    let renamed = a.clone().renamed(vec!["rf".into(), "lo".into(), "x".into()]).expect("names");
    let other = connect::join(&[&renamed, &b], &[(port(0, 2), port(1, 0))], Resonance::Refuse).expect("joined");
    assert_eq!(other.ports(), ["rf", "lo", "2"]);
    assert_eq!(other.s(), joined.s());
    let moved = a.select_ports(&[2, 0, 1]).expect("reordered");
    let third = connect::join(&[&moved, &b], &[(port(0, 0), port(1, 0))], Resonance::Refuse).expect("joined");
    for (x, y) in third.s().iter().zip(joined.s()) {
        assert!((x - y).max_abs() < ROUNDING);
    }
}

#[test]
fn references_and_frequencies_that_disagree_are_named() {
    let thru = CMatrix::from_rows(&[vec![0.0.into(), 1.0.into()], vec![1.0.into(), 0.0.into()]]);
    let a = Network::with_reference(50.0, vec![1e9], vec![thru.clone()]).expect("network");
    let b = Network::with_reference(75.0, vec![1e9], vec![thru.clone()]).expect("network");
    let links = [(port(0, 1), port(1, 0))];
    let text = connect::join(&[&a, &b], &links, Resonance::Refuse).expect_err("references").to_string();
    assert!(text.contains("50") && text.contains("75") && text.contains("renormalise"), "{text}");
    let c = b.renormalised(&[50.0.into(), 75.0.into()]).expect("other references");
    let s = connect::join(&[&a, &c], &links, Resonance::Refuse).expect("joined");
    // a thru from 50 to 75 ohm: (75 − 50)/(75 + 50), closed form
    assert!((s.s()[0][(0, 0)] - 0.2).norm() < ROUNDING);
    let d = Network::with_reference(50.0, vec![2e9], vec![thru]).expect("network");
    let text = connect::join(&[&a, &d], &links, Resonance::Refuse).expect_err("frequencies").to_string();
    assert!(text.contains("1e9") && text.contains("2e9"), "{text}");
    // conjugate complex references carry power waves through
    let z = Complex64::new(40.0, 25.0);
    let e = a.renormalised(&[50.0.into(), z]).expect("complex");
    let f = a.renormalised(&[z.conj(), 50.0.into()]).expect("complex");
    let s = connect::join(&[&e, &f], &links, Resonance::Refuse).expect("joined");
    assert!((&s.s()[0] - &a.s()[0]).max_abs() < ROUNDING, "two thrus are a thru");
}

#[test]
fn loads_close_ports_as_their_impedance_says() {
    let z = Complex64::new(30.0, -70.0);
    let thru = CMatrix::from_rows(&[vec![0.0.into(), 1.0.into()], vec![1.0.into(), 0.0.into()]]);
    let a = Network::with_reference(50.0, vec![1e9], vec![thru]).expect("network");
    let reference = [Complex64::new(60.0, 15.0), Complex64::new(20.0, -35.0)];
    let a = a.renormalised(&reference).expect("complex references");
    for load in [Load::ImpedanceOhm(z), Load::AdmittanceS(z.inv())] {
        let s = connect::terminate(&a, 1, |_| load).expect("closed");
        let back = convert::z_from_s(&s.s()[0], &[reference[0]], Wave::Power).expect("an impedance");
        assert!((back[(0, 0)] - z).norm() < 1e-10, "{back:?}");
    }
    let open = connect::terminate(&a, 1, |_| Load::AdmittanceS(0.0.into())).expect("closed");
    assert!((open.s()[0][(0, 0)] - 1.0).norm() < ROUNDING);
    assert!(connect::terminate(&a, 2, |_| Load::Reflection(0.0.into())).is_err());
}

#[test]
fn what_was_embedded_comes_out_again() {
    let mut noise = Noise(14);
    for n in 1..5 {
        let device = noise.with_sigma(n, 0.9);
        let fixtures: Vec<CMatrix> = (0..n).map(|_| noise.with_sigma(2, 0.9)).collect();
        let mut blocks = vec![&device];
        blocks.extend(&fixtures);
        let links: Vec<(usize, usize)> = (0..n).map(|k| (k, n + 2 * k + 1)).collect();
        let measured = connect::join_ports(&connect::stack(&blocks), &links, Resonance::Refuse).expect("embedded");
        let parts: Vec<Option<&CMatrix>> = fixtures.iter().map(Some).collect();
        let found = deembed::remove_fixtures(&measured, &parts).expect("device");
        assert!((&found - &device).max_abs() < 1e-10, "{n} ports"); // weak fixtures amplify roundings
        // one coupled fixture with 2n ports
        let fixture = noise.with_sigma(2 * n, 0.9);
        let links: Vec<(usize, usize)> = (0..n).map(|k| (k, 2 * n + k)).collect();
        let measured =
            connect::join_ports(&connect::stack(&[&device, &fixture]), &links, Resonance::Refuse).expect("embedded");
        let outside: Vec<usize> = (0..n).collect();
        let inside: Vec<usize> = (n..2 * n).collect();
        let found = deembed::remove_fixture(&measured, &fixture, &outside, &inside).expect("device");
        assert!((&found - &device).max_abs() < 1e-9, "{n} ports, coupled");
    }
    // a device without Z and Y behind fixtures, and a fixture whose inverse is no multiport
    let thru = CMatrix::from_rows(&[vec![0.0.into(), 1.0.into()], vec![1.0.into(), 0.0.into()]]);
    let series = CMatrix::from_fn(2, 2, |_, _| 0.5.into());
    let measured = connect::cascade(&series, &thru).expect("embedded");
    let found = deembed::remove_fixtures(&measured, &[Some(&series), None]).expect("device");
    assert!((&found - &thru).max_abs() < ROUNDING);
    let blocked = CMatrix::identity(2);
    assert!(matches!(
        deembed::remove_fixtures(&measured, &[Some(&blocked), None]),
        Err(NetworkError::NoSuchForm { .. })
    ));
}

#[test]
fn halves_of_a_thru_follow_the_line_through_half_a_turn() {
    let line = |theta: f64| {
        let (sin, cos) = theta.sin_cos();
        CMatrix::from_rows(&[
            vec![cos.into(), Complex64::new(0.0, 60.0 * sin)],
            vec![Complex64::new(0.0, sin / 60.0), cos.into()],
        ])
    };
    let half = |k: i32| 0.011 + 0.05 * f64::from(k);
    let chains: Vec<CMatrix> = (0..100).map(|k| line(2.0 * half(k))).collect();
    for (k, x) in deembed::halves_of_symmetric_thru(&chains).expect("halves").iter().enumerate() {
        assert!((x - &line(half(k as i32))).max_abs() < 1e-9, "{k}"); // near half a turn roundings grow
    }
    assert!(deembed::half_of_symmetric_thru(&CMatrix::identity(2).scaled((-1.0).into())).is_err());
}

#[test]
fn bad_ports_are_refused() {
    let s = CMatrix::zeros(3, 3);
    for pairs in [vec![(0, 0)], vec![(0, 3)], vec![(0, 1), (1, 2)]] {
        assert!(connect::join_ports(&s, &pairs, Resonance::Refuse).is_err());
    }
    let mut nan = s.clone();
    nan[(0, 0)] = f64::NAN.into();
    assert!(connect::join_ports(&nan, &[(0, 1)], Resonance::AcceptUncoupled).is_err());
    assert!(connect::cascade(&s, &s).is_err());
}
