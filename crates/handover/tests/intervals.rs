//! Spur intervals against the published-by-hand table of a frequency plan and against brute force.

use mixwright_handover::intervals::{Hertz, LoMotion, SpurPlan, spur_intervals};
use proptest::prelude::*;
use spec::Product;

const GHZ: i64 = 1_000_000_000;

/// Receiver: RF 20 to 26 GHz, LO 28 GHz, IF 2 to 8 GHz.
fn seat_d() -> SpurPlan {
    SpurPlan {
        input_hz: (20 * GHZ, 26 * GHZ),
        lo: LoMotion::Fixed(28 * GHZ),
        output_hz: (2 * GHZ, 8 * GHZ),
        wanted: Product::new(1, -1),
        orders: (5, 5),
    }
}

/// Chirp up-converter: IF 2 to 8 GHz, LO 28 GHz, RF 20 to 26 GHz.
fn seat_u() -> SpurPlan {
    SpurPlan {
        input_hz: (2 * GHZ, 8 * GHZ),
        lo: LoMotion::Fixed(28 * GHZ),
        output_hz: (20 * GHZ, 26 * GHZ),
        wanted: Product::new(1, -1),
        orders: (5, 5),
    }
}

fn found(plan: &SpurPlan, n: i32, m: i32) -> Vec<(Hertz, Hertz)> {
    let all = spur_intervals(plan).expect("a sound plan");
    all.into_iter().filter(|s| s.product == Product::new(n, m)).map(|s| s.input_hz).collect()
}

/// Thirds and quarters of a gigahertz written as a fraction.
fn at(numerator: i64, denominator: i64) -> Hertz {
    Hertz::new(i128::from(numerator) * i128::from(GHZ), i128::from(denominator))
}

#[test]
fn the_table_of_the_receiver_is_reproduced_exactly() {
    // derived by hand: |n·28 − m·f| between 2 and 8 solved for f between 20 and 26 GHz
    let plan = seat_d();
    assert_eq!(found(&plan, 2, -2), [(at(24, 1), at(26, 1))]);
    assert_eq!(found(&plan, 2, -3), [(at(20, 1), at(64, 3))]);
    assert_eq!(found(&plan, 3, -3), [(at(76, 3), at(26, 1))]);
    assert_eq!(found(&plan, 3, -4), [(at(20, 1), at(41, 2)), (at(43, 2), at(23, 1))]);
    assert_eq!(found(&plan, 4, -5), [(at(104, 5), at(22, 1)), (at(114, 5), at(24, 1))]);
    // nothing else of order five falls in band; 4×4 touches its end at one single frequency
    assert_eq!(found(&plan, 4, -4), [(at(26, 1), at(26, 1))]);
    let all = spur_intervals(&plan).expect("a sound plan");
    let products: std::collections::BTreeSet<Product> =
        all.into_iter().filter(|s| s.input_hz.0 < s.input_hz.1).map(|s| s.product).collect();
    assert_eq!(
        products.into_iter().collect::<Vec<_>>(),
        [Product::new(2, -3), Product::new(2, -2), Product::new(3, -4), Product::new(3, -3), Product::new(4, -5),]
    );
}

#[test]
fn the_table_of_the_up_converter_is_reproduced_exactly() {
    let plan = seat_u();
    assert_eq!(found(&plan, 1, -2), [(at(2, 1), at(4, 1))]);
    assert_eq!(found(&plan, 1, -3), [(at(2, 1), at(8, 3))]);
    assert_eq!(found(&plan, 0, 3), [(at(20, 3), at(8, 1))]);
    assert_eq!(found(&plan, 0, 4), [(at(5, 1), at(13, 2))]);
    assert_eq!(found(&plan, 0, 5), [(at(4, 1), at(26, 5))]);
    assert_eq!(found(&plan, 2, -4), [(at(15, 2), at(8, 1))]);
    assert_eq!(found(&plan, 2, -5), [(at(6, 1), at(36, 5))]);
}

#[test]
fn an_lo_that_follows_makes_products_stand_still() {
    // RF 20 to 26 GHz, LO 5 GHz above: 2×2 is always at 10 GHz, outside 4.9 to 5.1; 1×1 is wanted
    let plan = SpurPlan {
        input_hz: (20 * GHZ, 26 * GHZ),
        lo: LoMotion::Follows(5 * GHZ),
        output_hz: (4_900_000_000, 5_100_000_000),
        wanted: Product::new(1, -1),
        orders: (6, 6),
    };
    assert_eq!(found(&plan, 2, -2), []);
    // 5·LO − 6·RF = 25 GHz − RF is 5 GHz at 20 GHz: exactly one end of the band
    assert_eq!(found(&plan, 5, -6), [(at(20, 1), at(201, 10))]);
}

#[test]
fn plans_that_cannot_be_are_refused() {
    let wrong = |plan: SpurPlan| spur_intervals(&plan).expect_err("refused").to_string();
    assert!(wrong(SpurPlan { input_hz: (5, 4), ..seat_d() }).contains("input from 5 Hz to 4 Hz"));
    assert!(wrong(SpurPlan { orders: (0, 3), ..seat_d() }).contains("at least one of the input"));
    assert!(wrong(SpurPlan { orders: (3, 51), ..seat_d() }).contains("up to 50"));
    assert!(wrong(SpurPlan { lo: LoMotion::Fixed(i64::MAX), ..seat_d() }).contains("1000 THz"));
}

/// Whether a product lies in the band, in whole hertz.
fn lies_in_band(plan: &SpurPlan, p: Product, f: i64) -> bool {
    let line = |lo: i64| (i64::from(p.n_lo) * lo + i64::from(p.m_rf) * f).abs();
    let inside = |x: i64| x >= plan.output_hz.0 && x <= plan.output_hz.1;
    match plan.lo {
        LoMotion::Fixed(lo) => inside(line(lo)),
        LoMotion::Follows(offset) => inside(line(f + offset)),
        LoMotion::Free(a, b) => (a..=b).any(|lo| inside(line(lo))),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn brute_force_over_every_hertz_agrees(
        input in (0i64..60, 0i64..40), lo in (-40i64..60, 0i64..6), kind in 0u8..3, output in (0i64..50, 0i64..20),
    ) {
        let motion = match kind {
            0 => LoMotion::Fixed(lo.0.abs()),
            1 => LoMotion::Follows(lo.0),
            _ => LoMotion::Free(lo.0.abs(), lo.0.abs() + lo.1),
        };
        let plan = SpurPlan {
            input_hz: (input.0, input.0 + input.1),
            lo: motion,
            output_hz: (output.0, output.0 + output.1),
            wanted: Product::new(1, -1),
            orders: (4, 4),
        };
        let all = spur_intervals(&plan).expect("a sound plan");
        for m in 1..=4 {
            for n in 0..=4 {
                for sign in [-1, 1] {
                    let p = Product::new(n, sign * m);
                    if (n == 0 && sign < 0) || p == plan.wanted {
                        continue;
                    }
                    let intervals: Vec<_> = all.iter().filter(|s| s.product == p).map(|s| s.input_hz).collect();
                    for f in plan.input_hz.0..=plan.input_hz.1 {
                        let told = intervals.iter().any(|(a, b)| *a <= Hertz::whole(f) && Hertz::whole(f) <= *b);
                        // a free LO is tried in whole hertz only, so brute force may miss what lies between
                        if matches!(plan.lo, LoMotion::Free(..)) {
                            prop_assert!(told || !lies_in_band(&plan, p, f), "{p} at {f}: {plan:?}");
                        } else {
                            prop_assert_eq!(told, lies_in_band(&plan, p, f), "{} at {}: {:?}", p, f, plan);
                        }
                    }
                }
            }
        }
    }
}
