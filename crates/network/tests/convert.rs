//! Conversions as properties: there and back, energy and reciprocity kept.

mod common;

use common::Noise;
use mixwright_network as network;
use network::convert::{self, Transfer, Wave};
use network::{NetworkError, hygiene};
use numerics::{CMatrix, Complex64};
use proptest::prelude::*;

const WAVES: [Wave; 3] = [Wave::Power, Wave::Pseudo, Wave::Travelling];

fn references(noise: &mut Noise, n: usize) -> Vec<Complex64> {
    (0..n).map(|_| Complex64::new(10.0 + 90.0 * noise.uniform(), 60.0 * noise.uniform() - 30.0)).collect()
}

type Step = fn(&CMatrix, &[Complex64], Wave) -> Result<CMatrix, NetworkError>;

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn there_and_back(seed in 1u64..u64::MAX, n in 1usize..6) {
        let mut noise = Noise(seed);
        let (z, s) = (references(&mut noise, n), noise.with_sigma(n, 0.9));
        let mut pairs: Vec<(Step, Step)> =
            vec![(convert::z_from_s, convert::s_from_z), (convert::y_from_s, convert::s_from_y)];
        if n == 2 {
            pairs.push((convert::h_from_s, convert::s_from_h));
            pairs.push((convert::g_from_s, convert::s_from_g));
            pairs.push((convert::abcd_from_s, convert::s_from_abcd));
        }
        for wave in WAVES {
            let other = convert::change_wave(&s, &z, Wave::Power, wave).expect("waves");
            for (there, back) in &pairs {
                let middle = there(&other, &z, wave).expect("exists for a lossy network");
                // poorly conditioned middles lose digits with their size
                let again = back(&middle, &z, wave).expect("S");
                prop_assert!((&again - &other).max_abs() < 1e-8 * (1.0 + other.max_abs()));
            }
        }
        if n == 2 && s[(1, 0)].norm() > 1e-3 && s[(0, 1)].norm() > 1e-3 {
            for convention in [Transfer::OutFirst, Transfer::InFirst] {
                let t = convert::t_from_s(&s, convention).expect("T");
                prop_assert!((&convert::s_from_t(&t, convention).expect("S") - &s).max_abs() < 1e-9);
            }
        }
    }

    #[test]
    fn renormalising_keeps_energy_and_reciprocity_and_comes_back(seed in 1u64..u64::MAX, n in 1usize..6) {
        let mut noise = Noise(seed);
        let (a, b) = (references(&mut noise, n), references(&mut noise, n));
        let raw = noise.with_sigma(n, 0.95);
        let s = (&raw + &raw.transpose()).scaled(0.5.into());
        let there = convert::renormalise(&s, &a, &b, Wave::Power).expect("S");
        prop_assert!(hygiene::sigma_max(&there).expect("finite") <= 1.0 + 1e-12);
        prop_assert!(hygiene::asymmetry(&there) < 1e-11);
        for wave in WAVES {
            let there = convert::renormalise(&s, &a, &b, wave).expect("S");
            let back = convert::renormalise(&there, &b, &a, wave).expect("S");
            prop_assert!((&back - &s).max_abs() < 1e-9);
        }
        // lossless stays lossless
        let (u, _, v) = numerics::linear::svd(&noise.matrix(n)).expect("finite");
        let lossless = convert::renormalise(&(&u * &v.adjoint()), &a, &b, Wave::Power).expect("S");
        let defect = (&(&lossless.adjoint() * &lossless) - &CMatrix::identity(n)).max_abs();
        prop_assert!(defect < 1e-10, "{}", defect);
        // the road through Z agrees where Z exists
        let z = convert::z_from_s(&s, &a, Wave::Power).expect("Z");
        prop_assert!((&convert::s_from_z(&z, &b, Wave::Power).expect("S") - &there).max_abs() < 1e-8);
    }
}

#[test]
fn wrong_shapes_and_references_are_refused() {
    let s = CMatrix::zeros(2, 2);
    let fifty = [Complex64::from(50.0)];
    assert!(convert::z_from_s(&s, &fifty, Wave::Power).is_err());
    let bad = [Complex64::from(50.0), Complex64::new(-1.0, 3.0)];
    assert!(convert::z_from_s(&s, &bad, Wave::Power).is_err());
    assert!(convert::abcd_from_s(&CMatrix::zeros(3, 3), &[50.0.into(); 3], Wave::Power).is_err());
    assert!(convert::t_from_s(&s, Transfer::OutFirst).is_err(), "passes nothing");
    let mut nan = s;
    nan[(0, 1)] = f64::NAN.into();
    assert!(convert::y_from_s(&nan, &[50.0.into(); 2], Wave::Power).is_err());
}
