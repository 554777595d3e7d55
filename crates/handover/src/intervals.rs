//! Exact input frequencies at which mixing products fall into a wanted band.
//!
//! Input: bands of input, LO and output in whole hertz, how the LO moves, orders. Output: for every product `n·LO + m·f`
//! the input frequencies at which it lies in the output band, as closed intervals with exact rational ends.
//! Method: every product frequency is linear in the input, so each interval is one division; nothing is sampled.
//! Not here: levels of the products (the model knows them).

use crate::HandoverError;
use spec::Product;
use std::fmt;

/// A rational number of hertz, in lowest terms, denominator above zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hertz {
    numerator: i128,
    denominator: i128,
}

impl Hertz {
    /// `numerator/denominator` hertz.
    ///
    /// # Panics
    /// When the denominator is zero.
    pub fn new(numerator: i128, denominator: i128) -> Self {
        assert!(denominator != 0, "a denominator of zero");
        let g = gcd(numerator.unsigned_abs(), denominator.unsigned_abs()).max(1) as i128;
        let sign = denominator.signum();
        Self { numerator: sign * numerator / g, denominator: sign * denominator / g }
    }

    /// Whole hertz.
    pub fn whole(hertz: i64) -> Self {
        Self::new(i128::from(hertz), 1)
    }

    /// Nearest double, hertz.
    pub fn hz(self) -> f64 {
        self.numerator as f64 / self.denominator as f64
    }
}

impl PartialOrd for Hertz {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Hertz {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        // whole hertz below 2^63 and small orders: the cross products stay far inside 128 bits
        (self.numerator * other.denominator).cmp(&(other.numerator * self.denominator))
    }
}

impl fmt::Display for Hertz {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.denominator == 1 {
            return write!(f, "{} Hz", self.numerator);
        }
        write!(f, "{}/{} Hz", self.numerator, self.denominator)
    }
}

fn gcd(mut a: u128, mut b: u128) -> u128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// How the LO goes with the input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LoMotion {
    /// Stands still, hertz.
    Fixed(i64),
    /// Stays this far above (positive) or below (negative) the input, hertz, so that the output stands still.
    Follows(i64),
    /// Anywhere in this band whatever the input is, hertz.
    Free(i64, i64),
}

/// A frequency plan in whole hertz.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SpurPlan {
    /// Input band.
    pub input_hz: (i64, i64),
    /// The LO.
    pub lo: LoMotion,
    /// Wanted band at the output.
    pub output_hz: (i64, i64),
    /// The wanted product, left out together with its mirror image.
    pub wanted: Product,
    /// Highest order in the input and in the LO.
    pub orders: (u32, u32),
}

impl SpurPlan {
    /// A plan from its bands; wanted is the sum or the difference of LO and input, whichever lies nearer to the output
    /// in the middle of the bands.
    pub fn between(input_hz: (i64, i64), lo: LoMotion, output_hz: (i64, i64), orders: (u32, u32)) -> Self {
        let middle = |(a, b): (i64, i64)| i128::from(a) + i128::from(b);
        let (input, output) = (middle(input_hz), middle(output_hz));
        let lo_middle = match lo {
            LoMotion::Fixed(lo) => middle((lo, lo)),
            LoMotion::Follows(offset) => input + middle((offset, offset)),
            LoMotion::Free(a, b) => middle((a, b)),
        };
        let miss = |product: i128| (product.abs() - output).abs();
        let wanted = if miss(lo_middle + input) < miss(lo_middle - input) {
            Product::new(1, 1)
        } else if input <= lo_middle {
            Product::new(1, -1)
        } else {
            Product::new(-1, 1)
        };
        Self { input_hz, lo, output_hz, wanted, orders }
    }
}

/// Input frequencies at which one product falls into the output band.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SpurInterval {
    /// The product; the LO order is not negative, and the input order positive when the LO order is zero.
    pub product: Product,
    /// Closed interval of the input frequency.
    pub input_hz: (Hertz, Hertz),
    /// How many hertz the product moves for one hertz of the input, with the LO moving as planned; none for a free LO.
    pub slope: Option<i32>,
}

/// Largest frequency accepted, hertz; keeps exact arithmetic far from its end.
const LARGEST_HZ: i64 = 1_000_000_000_000_000;

/// All products up to the orders with the input intervals at which they fall into the output band.
///
/// Products without the input (LO harmonics) are left out: they do not depend on it. Rising input order, then LO order.
///
/// # Errors
/// Bands that do not run upwards, frequencies below zero or beyond any use, orders above 50.
pub fn spur_intervals(plan: &SpurPlan) -> Result<Vec<SpurInterval>, HandoverError> {
    check(plan)?;
    let mut out = Vec::new();
    for m in 1..=plan.orders.0 as i32 {
        for n in 0..=plan.orders.1 as i32 {
            let signs: &[i32] = if n == 0 { &[1] } else { &[-1, 1] };
            for sign in signs {
                let product = Product::new(n, sign * m);
                if product == plan.wanted || product == plan.wanted.mirrored() {
                    continue;
                }
                let slope = match plan.lo {
                    LoMotion::Fixed(_) => Some(product.m_rf),
                    LoMotion::Follows(_) => Some(product.n_lo + product.m_rf),
                    LoMotion::Free(..) => None,
                };
                out.extend(of_product(plan, product).into_iter().map(|input_hz| SpurInterval {
                    product,
                    input_hz,
                    slope,
                }));
            }
        }
    }
    Ok(out)
}

fn check(plan: &SpurPlan) -> Result<(), HandoverError> {
    let refuse = |expected: &str, found: String| Err(HandoverError::mismatch(expected, found, "the frequency plan"));
    let bands = [("input", plan.input_hz), ("output", plan.output_hz)];
    let free = if let LoMotion::Free(a, b) = plan.lo { Some(("LO", (a, b))) } else { None };
    for (name, (low, high)) in bands.into_iter().chain(free) {
        if low < 0 || high < low || high > LARGEST_HZ {
            return refuse("bands from low to high, 0 Hz to 1000 THz", format!("{name} from {low} Hz to {high} Hz"));
        }
    }
    let (LoMotion::Fixed(lo) | LoMotion::Follows(lo) | LoMotion::Free(lo, _)) = plan.lo;
    if lo.abs() > LARGEST_HZ {
        return refuse("an LO up to 1000 THz", format!("{lo} Hz"));
    }
    if plan.orders.0 == 0 || plan.orders.0.max(plan.orders.1) > 50 {
        return refuse("orders up to 50, at least one of the input", format!("{:?}", plan.orders));
    }
    Ok(())
}

/// Union of the input intervals of one product, rising.
fn of_product(plan: &SpurPlan, p: Product) -> Vec<(Hertz, Hertz)> {
    let (low, high) = (i128::from(plan.output_hz.0), i128::from(plan.output_hz.1));
    // the line appears at |n·LO + m·f|: two bands of the signed frequency
    let bands = [(low, high), (-high, -low)];
    let mut found: Vec<(Hertz, Hertz)> = bands.into_iter().filter_map(|band| in_band(plan, p, band)).collect();
    found.sort();
    let mut out: Vec<(Hertz, Hertz)> = Vec::new();
    for (a, b) in found {
        match out.last_mut() {
            Some(last) if a <= last.1 => last.1 = last.1.max(b),
            _ => out.push((a, b)),
        }
    }
    out
}

fn in_band(plan: &SpurPlan, p: Product, (low, high): (i128, i128)) -> Option<(Hertz, Hertz)> {
    let (n, m) = (i128::from(p.n_lo), i128::from(p.m_rf));
    // slope·f + rest with rest between two ends
    let (slope, rest) = match plan.lo {
        LoMotion::Fixed(lo) => (m, (n * i128::from(lo), n * i128::from(lo))),
        LoMotion::Follows(offset) => (n + m, (n * i128::from(offset), n * i128::from(offset))),
        LoMotion::Free(a, b) => {
            let ends = (n * i128::from(a), n * i128::from(b));
            (m, (ends.0.min(ends.1), ends.0.max(ends.1)))
        }
    };
    let (from, to) = (i128::from(plan.input_hz.0), i128::from(plan.input_hz.1));
    if slope == 0 {
        let inside = rest.1 >= low && rest.0 <= high;
        return inside.then_some((Hertz::new(from, 1), Hertz::new(to, 1)));
    }
    let ends = (Hertz::new(low - rest.1, slope), Hertz::new(high - rest.0, slope));
    let (a, b) = (ends.0.min(ends.1), ends.0.max(ends.1));
    let (a, b) = (a.max(Hertz::new(from, 1)), b.min(Hertz::new(to, 1)));
    (a <= b).then_some((a, b))
}
