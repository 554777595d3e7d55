//! Round numbers for axes.
//!
//! Steps are 1, 2 or 5 times a power of ten. Source of the idea: Heckbert, "Nice numbers for graph
//! labels", Graphics Gems (1990).

/// Round numbers inside a range.
#[derive(Debug, Clone, PartialEq)]
pub struct Ticks {
    /// Distance between neighbours.
    pub step: f64,
    /// The numbers, rising.
    pub values: Vec<f64>,
    /// Power of ten to divide by before printing, a multiple of three, zero in the usual range.
    pub exponent: i32,
}

impl Ticks {
    /// Text of one number, in units of `10^exponent`, with as many decimals as the step needs.
    pub fn label(&self, value: f64) -> String {
        let scale = 10f64.powi(self.exponent);
        let step = self.step / scale;
        let decimals = (-(step.log10() + 1e-9).floor()).clamp(0.0, 12.0) as usize;
        crate::number::typeset(&crate::number::fixed(value / scale, decimals))
    }

    /// The power of ten in words for the axis title, empty when there is none.
    pub fn factor(&self) -> String {
        if self.exponent == 0 {
            return String::new();
        }
        let digits: String = self
            .exponent
            .to_string()
            .chars()
            .map(|c| match c {
                '-' => '⁻',
                _ => ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'][c.to_digit(10).unwrap_or(0) as usize],
            })
            .collect();
        format!("10{digits} ")
    }
}

/// The smallest of 1, 2, 5 times a power of ten that is not below `raw`.
fn round_step(raw: f64) -> f64 {
    let power = 10f64.powf(raw.log10().floor());
    // A step within a rounding of a nice number is that number.
    let slack = 1.0 + 1e-9;
    [1.0, 2.0, 5.0, 10.0].into_iter().find(|m| m * power * slack >= raw).unwrap_or(10.0) * power
}

/// At most about `target` round numbers in `[lo, hi]`.
///
/// A range that is empty, reversed or not finite is replaced by one around its finite end.
pub fn ticks(lo: f64, hi: f64, target: usize) -> Ticks {
    let (lo, hi) = usable(lo, hi);
    let mut raw = (hi - lo) / target.max(1) as f64;
    let mut step = round_step(raw);
    // A step wider than the range may have no multiple inside it.
    while (lo / step - 1e-9).ceil() > (hi / step + 1e-9).floor() {
        raw /= 2.0;
        step = round_step(raw);
    }
    with_step(lo, hi, step)
}

/// As [`ticks`], with the steps people use for angles in degrees where the range allows.
pub(crate) fn degree_ticks(lo: f64, hi: f64, target: usize) -> Ticks {
    let (lo, hi) = usable(lo, hi);
    let raw = (hi - lo) / target.max(1) as f64;
    let round = [5.0, 10.0, 15.0, 30.0, 45.0, 90.0, 180.0].into_iter().find(|s| raw <= *s);
    with_step(lo, hi, round.filter(|_| raw > 2.0).unwrap_or_else(|| round_step(raw)))
}

fn with_step(lo: f64, hi: f64, step: f64) -> Ticks {
    let first = (lo / step - 1e-9).ceil();
    let last = (hi / step + 1e-9).floor();
    let count = (last - first).clamp(0.0, 1000.0) as usize;
    let values: Vec<f64> = (0..=count).map(|i| (first + i as f64) * step).collect();
    let largest = lo.abs().max(hi.abs());
    let exponent = if (1e-2..1e5).contains(&largest) { 0 } else { (largest.log10() / 3.0).floor() as i32 * 3 };
    Ticks { step, values, exponent }
}

/// The range widened to round numbers at both ends.
pub fn round_range(lo: f64, hi: f64, target: usize) -> (f64, f64) {
    let (lo, hi) = usable(lo, hi);
    let step = round_step((hi - lo) / target.max(1) as f64);
    ((lo / step + 1e-9).floor() * step, (hi / step - 1e-9).ceil() * step)
}

/// A finite range of positive width.
fn usable(lo: f64, hi: f64) -> (f64, f64) {
    let (lo, hi) = match (lo.is_finite(), hi.is_finite()) {
        (true, true) => (lo.min(hi), lo.max(hi)),
        (true, false) => (lo, lo),
        (false, true) => (hi, hi),
        (false, false) => (0.0, 1.0),
    };
    let scale = lo.abs().max(hi.abs());
    if hi - lo > 1e-9 * scale {
        return (lo, hi);
    }
    let half = if scale > 0.0 { 0.05 * scale } else { 0.5 };
    (lo - half, hi + half)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_range_between_two_round_numbers_still_gets_a_tick() {
        assert_eq!(ticks(0.65, 49.4, 1).values, [20.0, 40.0]);
        assert_eq!(ticks(5.1, 9.9, 1).values, [6.0, 8.0]);
    }

    #[test]
    fn usual_axes_get_the_ticks_a_person_would_draw() {
        let labels = |lo, hi, n| {
            let t = ticks(lo, hi, n);
            t.values.iter().map(|&v| t.label(v)).collect::<Vec<_>>()
        };
        assert_eq!(labels(20.0, 26.0, 6), ["20", "21", "22", "23", "24", "25", "26"]);
        assert_eq!(labels(6.2, 8.0, 4), ["6.5", "7.0", "7.5", "8.0"]);
        assert_eq!(labels(-0.3, 0.3, 6), ["−0.3", "−0.2", "−0.1", "0.0", "0.1", "0.2", "0.3"]);
        assert_eq!(labels(0.0, 4e-7, 4), ["0", "100", "200", "300", "400"]);
        assert_eq!(ticks(0.0, 4e-7, 4).factor(), "10⁻⁹ ");
        assert_eq!(
            degree_ticks(-180.0, 180.0, 8).values,
            [-180.0, -135.0, -90.0, -45.0, 0.0, 45.0, 90.0, 135.0, 180.0]
        );
    }

    proptest! {
        #[test]
        fn ticks_lie_inside_are_even_and_read_differently(lo in -1e7f64..1e7, width in 1e-3f64..1e7, n in 2usize..10) {
            let hi = lo + width;
            let t = ticks(lo, hi, n);
            prop_assert!(!t.values.is_empty() && t.values.len() <= n + 1);
            let slack = 1e-6 * t.step;
            prop_assert!(t.values.iter().all(|&v| v >= lo - slack && v <= hi + slack));
            prop_assert!(t.values.windows(2).all(|w| (w[1] - w[0] - t.step).abs() < 1e-6 * t.step));
            let mantissa = t.step / 10f64.powf((t.step.log10() + 1e-9).floor());
            prop_assert!([1.0, 2.0, 5.0].iter().any(|m| (mantissa - m).abs() < 1e-6), "{}", mantissa);
            let mut labels: Vec<_> = t.values.iter().map(|&v| t.label(v)).collect();
            labels.dedup();
            prop_assert_eq!(labels.len(), t.values.len());
        }

        #[test]
        fn round_range_holds_the_data(lo in -1e4f64..1e4, width in 0f64..1e4) {
            let (a, b) = round_range(lo, lo + width, 5);
            prop_assert!(a <= lo && b >= lo + width && b > a);
        }

        #[test]
        fn any_two_numbers_give_a_usable_axis(lo in any::<f64>(), hi in any::<f64>()) {
            let t = ticks(lo.clamp(-1e300, 1e300), hi.clamp(-1e300, 1e300), 5);
            prop_assert!(t.step > 0.0 && t.values.iter().all(|v| v.is_finite()));
        }
    }
}
