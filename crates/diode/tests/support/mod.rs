//! Shared by the tests of this crate.
#![allow(dead_code)] // each test file uses its part

use mixwright_diode::SchottkyParameters;
use proof::{CheckValue, Origin};

/// Numbers computed with forty digits from the formula named beside them.
pub(crate) const FORTY_DIGITS: Origin = Origin::Derived { how: "the stated formula, evaluated with 40 digits" };

/// Checks a number relative to its size.
#[track_caller]
pub(crate) fn close(what: &str, found: f64, expected: f64, relative: f64, because: &str, origin: Origin) {
    CheckValue { what, expected, within: relative * expected.abs(), because, origin }.check(found);
}

/// The diode of the current-voltage table: 50 fA, n = 1.2, 4 ohm, 300 K.
pub(crate) fn p1() -> SchottkyParameters {
    SchottkyParameters { is_a: 5e-14, n: 1.2, rs_ohm: 4.0, ..Default::default() }
}

/// Two columns of a table with one line of titles.
pub(crate) fn columns(text: &str) -> (Vec<f64>, Vec<f64>) {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.deserialize::<(f64, f64)>().map(|row| row.expect("two numbers")).unzip()
}

/// Cosine and sine coefficients (one-sided, peak) of samples over one period, orders 0 to `n_max`.
pub(crate) fn harmonics(samples: &[f64], n_max: usize) -> Vec<(f64, f64)> {
    let n = samples.len() as f64;
    let order = |k: usize| {
        let scale = if k == 0 { 1.0 } else { 2.0 } / n;
        let angle = |j: usize| std::f64::consts::TAU * ((j * k) % samples.len()) as f64 / n;
        let c: f64 = samples.iter().enumerate().map(|(j, x)| x * angle(j).cos()).sum();
        let s: f64 = samples.iter().enumerate().map(|(j, x)| x * angle(j).sin()).sum();
        (scale * c, scale * s)
    };
    (0..=n_max).map(order).collect()
}

/// Normal deviates from a fixed seed: splitmix64 and the Box-Muller transform.
pub(crate) struct Gaussian(pub(crate) u64);

impl Gaussian {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// The next standard normal deviate.
    pub(crate) fn draw(&mut self) -> f64 {
        let (a, b) = (1.0 - self.uniform(), self.uniform());
        (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    }
}

/// Mean and standard deviation.
pub(crate) fn mean_sd(x: &[f64]) -> (f64, f64) {
    let n = x.len() as f64;
    let mean = x.iter().sum::<f64>() / n;
    (mean, (x.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}
