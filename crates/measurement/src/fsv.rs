//! How alike two curves look: feature selective validation with a published variant.
//!
//! Input: two curves on one evenly spaced grid. Output: amplitude, feature and global difference measures, their
//! means and a grade in words.
//!
//! # Variant
//! The method (IEEE Std 1597.1; Duffy et al., 2006) leaves details open, and the score moves by a grade with them.
//! This program fixes: real Fourier transform of all points; the first four lines are the offset part; magnitudes are
//! summed from the fifth line to 40 % of their total, the lower of the two curves' lines is the break; low and high
//! parts are split there by a linear ramp over three lines either way; the low part does not contain the offset part;
//! differences are of moduli; derivatives are central differences without ends, so first derivatives lose one point
//! and second derivatives two at each end, and each is normalised by the mean over its own points; means are taken
//! over all points but two at each end. The score depends on the unit and on offsets: decibels of `spec` measures.

use numerics::Complex64;
use numerics::fourier::Fourier;

/// Fewest points of a curve: below, there are too few lines beyond the offset part to split.
pub const FEWEST_POINTS: usize = 24;
/// Lines that make the offset part.
const OFFSET_LINES: usize = 4;
/// Share of the summed magnitudes below the break.
const BREAK_SHARE: f64 = 0.4;
/// Half width of the ramp between low and high part, lines.
const RAMP_LINES: f64 = 3.0;
/// Points left out at each end.
const ENDS: usize = 2;

/// Likeness of two curves; zero is identical.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likeness {
    /// Amplitude difference measure, mean.
    pub amplitude: f64,
    /// Feature difference measure, mean.
    pub feature: f64,
    /// Global difference measure, mean.
    pub global: f64,
    /// Amplitude difference measure, mean with the end points.
    pub amplitude_all_points: f64,
    /// Offset difference measure, mean with the end points.
    pub offset: f64,
    /// Line at which the curves were split into low and high part.
    pub break_line: usize,
}

impl Likeness {
    /// The grade of the global measure in words.
    pub fn grade(&self) -> &'static str {
        match self.global {
            g if g < 0.1 => "excellent",
            g if g < 0.2 => "very good",
            g if g < 0.4 => "good",
            g if g < 0.8 => "fair",
            g if g < 1.6 => "poor",
            _ => "very poor",
        }
    }
}

/// Compares two curves of equal length on one evenly spaced grid.
///
/// None when they differ in length, have fewer than [`FEWEST_POINTS`] points, or hold a number that is not finite.
pub fn likeness(first: &[f64], second: &[f64]) -> Option<Likeness> {
    let finite = first.iter().chain(second).all(|x| x.is_finite());
    if first.len() != second.len() || first.len() < FEWEST_POINTS || !finite {
        return None;
    }
    let (lines_a, lines_b) = (lines(first), lines(second));
    let break_line = break_of(&lines_a).min(break_of(&lines_b));
    let (a, b) = (Parts::of(&lines_a, break_line, first.len()), Parts::of(&lines_b, break_line, second.len()));
    let offset: Vec<f64> = relative(&a.offset, &b.offset, 1.0).iter().map(|x| x.abs() * x.abs().exp()).collect();
    let amplitude: Vec<f64> = relative(&a.low, &b.low, 1.0).iter().zip(&offset).map(|(x, o)| x.abs() + o).collect();
    let feature = feature(&a, &b);
    let inside = &amplitude[ENDS..amplitude.len() - ENDS];
    let global: Vec<f64> = inside.iter().zip(&feature).map(|(x, f)| x.hypot(*f)).collect();
    Some(Likeness {
        amplitude: mean(inside),
        feature: mean(&feature),
        global: mean(&global),
        amplitude_all_points: mean(&amplitude),
        offset: mean(&offset),
        break_line,
    })
}

/// Feature difference at the points that have all derivatives.
fn feature(a: &Parts, b: &Parts) -> Vec<f64> {
    let slope_low = relative(&central(&a.low), &central(&b.low), 2.0);
    let (slope_a, slope_b) = (central(&a.high), central(&b.high));
    let slope_high = relative(&slope_a, &slope_b, 6.0);
    let bend_high = relative(&central(&slope_a), &central(&slope_b), 7.2);
    (0..bend_high.len()).map(|k| 2.0 * (slope_low[k + 1] + slope_high[k + 1] + bend_high[k]).abs()).collect()
}

/// Offset, low and high part of a curve.
struct Parts {
    offset: Vec<f64>,
    low: Vec<f64>,
    high: Vec<f64>,
}

impl Parts {
    fn of(lines: &[Complex64], break_line: usize, n: usize) -> Self {
        let share = |k: usize| ((break_line as f64 + RAMP_LINES - k as f64) / (2.0 * RAMP_LINES)).clamp(0.0, 1.0);
        let part = |weight: &dyn Fn(usize) -> f64| curve(lines, weight, n);
        Self {
            offset: part(&|k| f64::from(k < OFFSET_LINES)),
            low: part(&|k| if k < OFFSET_LINES { 0.0 } else { share(k) }),
            high: part(&|k| if k < OFFSET_LINES { 0.0 } else { 1.0 - share(k) }),
        }
    }
}

/// Lines of a real curve from zero up to half the number of points.
fn lines(curve: &[f64]) -> Vec<Complex64> {
    let mut data: Vec<Complex64> = curve.iter().map(|&x| x.into()).collect();
    Fourier::new(&[curve.len()]).coefficients(&mut data);
    data.truncate(curve.len() / 2 + 1);
    data
}

/// The real curve of weighted lines.
fn curve(lines: &[Complex64], weight: &dyn Fn(usize) -> f64, n: usize) -> Vec<f64> {
    let mut data = vec![Complex64::default(); n];
    for (k, line) in lines.iter().enumerate() {
        data[k] = line * weight(k);
        if k > 0 && n - k != k {
            data[n - k] = data[k].conj();
        }
    }
    Fourier::new(&[n]).samples(&mut data);
    data.iter().map(|z| z.re).collect()
}

fn break_of(lines: &[Complex64]) -> usize {
    let magnitudes: Vec<f64> = lines.iter().map(|z| z.norm()).collect();
    let total: f64 = magnitudes[OFFSET_LINES..].iter().sum();
    let mut sum = 0.0;
    for (k, m) in magnitudes.iter().enumerate().skip(OFFSET_LINES) {
        sum += m;
        if sum >= BREAK_SHARE * total {
            return k;
        }
    }
    magnitudes.len() - 1
}

/// Difference of moduli over `scale` times their mean sum.
fn relative(a: &[f64], b: &[f64], scale: f64) -> Vec<f64> {
    let sums: Vec<f64> = a.iter().zip(b).map(|(x, y)| x.abs() + y.abs()).collect();
    let whole = scale * mean(&sums);
    // two parts that vanish are alike
    a.iter().zip(b).map(|(x, y)| if whole > 0.0 { (x.abs() - y.abs()) / whole } else { 0.0 }).collect()
}

fn central(y: &[f64]) -> Vec<f64> {
    y.windows(3).map(|w| w[2] - w[0]).collect()
}

fn mean(x: &[f64]) -> f64 {
    x.iter().sum::<f64>() / x.len() as f64
}
