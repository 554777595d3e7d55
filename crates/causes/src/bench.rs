//! What the bench does to a number, in closed form.
//!
//! Effects are functions of one parameter x and of the number itself; they never touch the device.
//!
//! A wrong level scale of a path says that the loss table holds x decibels more than the path loses. As a source the
//! path then delivers x more than assumed, as a receiver it reports x more than arrives:
//! losses and isolations read lower by x, a product of order m in the signal reads higher by (|m| − 1) x against the
//! wanted one, return losses and direct voltages do not move. Derived from the definitions of [`spec::Measure`].
//! A loss of p decibels in front of a port of the device is the same with x = −p, and hides 2 p of its reflection.

use crate::device::Point;
use spec::{Measure, PortName, Product};

/// How an effect depends on frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Law {
    /// The same at every frequency.
    Flat,
    /// As the skin effect of a cable: x is the value at the reference, hertz.
    RootFrequency {
        /// Where the effect equals x, hertz.
        reference_hz: f64,
    },
    /// At one signal frequency only (ripple between two reflections).
    At {
        /// Which, hertz.
        hz: f64,
    },
}

impl Law {
    fn at(self, hz: f64) -> f64 {
        match self {
            Self::Flat => 1.0,
            Self::RootFrequency { reference_hz } => (hz / reference_hz).sqrt(),
            Self::At { hz: only } => f64::from(u8::from((hz - only).abs() <= 1e-9 * only)),
        }
    }
}

/// One effect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Effect {
    /// The loss table of the path at a port holds x dB too much.
    Path {
        /// At which port.
        port: PortName,
        /// Over frequency.
        law: Law,
    },
    /// x dB of loss between the reference plane and a port of the predicted device.
    Loss {
        /// At which port.
        port: PortName,
        /// Over frequency.
        law: Law,
    },
    /// The LO arrives x dB stronger than stated; the device's answer to that is a variable of the device, this is what
    /// the statement does to isolations from the LO.
    LoStatement,
    /// The source sends a harmonic of this order, the mixer converts it beside its own product; x in units of 10⁻⁴ of
    /// the wanted product (x = 1: −80 dBc), the part in phase with the product.
    SourceHarmonic {
        /// Order of the harmonic.
        order: u32,
    },
    /// The analyser makes a harmonic of this order from the wanted product; x as above.
    AnalyserHarmonic {
        /// Order of the harmonic.
        order: u32,
    },
    /// The prediction of this number is off by x, in its unit.
    Offset(Point),
}

/// A number after an effect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Applied {
    /// The number.
    pub value: f64,
    /// Its derivative in the number before.
    pub by_value: f64,
    /// Its derivative in the parameter.
    pub by_x: f64,
}

impl Effect {
    /// The number `value` of `point` under strength `x`.
    pub fn apply(&self, point: &Point, value: f64, x: f64) -> Applied {
        let shift = |weight: f64| Applied { value: value + weight * x, by_value: 1.0, by_x: weight };
        match *self {
            Self::Path { port, law } => shift(path_weight(port, law, point)),
            Self::Loss { port, law } => shift(loss_weight(port, law, point)),
            Self::LoStatement => shift(match point.measure {
                Measure::Isolation { from: PortName::Lo, .. } => -1.0,
                _ => 0.0,
            }),
            Self::Offset(of) => shift(f64::from(u8::from(of.same(point)))),
            Self::SourceHarmonic { order } => match product_of(point.measure) {
                Some(p) if p.m_rf.unsigned_abs() == order => added(value, x, transfer(p.n_lo)),
                _ => shift(0.0),
            },
            Self::AnalyserHarmonic { order } => match product_of(point.measure) {
                Some(p) if p.m_rf.unsigned_abs() == order && p.n_lo.unsigned_abs() == order => added(value, x, 1.0),
                _ => shift(0.0),
            },
        }
    }

    /// True when the effect moves this number at all.
    pub fn moves(&self, point: &Point) -> bool {
        let at = self.apply(point, -60.0, 0.0);
        at.by_x != 0.0
    }
}

/// One unit of the added amplitudes.
const AMPLITUDE_UNIT: f64 = 1e-4;

/// A product in dBc with an amplitude in phase with it added.
fn added(value: f64, x: f64, transfer: f64) -> Applied {
    let own = 10f64.powf(value / 20.0);
    let unit = AMPLITUDE_UNIT * transfer;
    let sum = own + unit * x;
    // a perfect null is no level: 1e-10 is 200 dB down
    let size = sum.abs().max(1e-10);
    let scale = 20.0 / std::f64::consts::LN_10;
    Applied { value: 20.0 * size.log10(), by_value: own / sum, by_x: scale * unit / sum }
}

/// Conversion of a harmonic of the source by the n-th LO harmonic against the wanted conversion: 1/n of an ideal switch
/// for odd n; even orders cancel in a balanced mixer to about 26 dB (common practice, no source).
fn transfer(n_lo: i32) -> f64 {
    let n = n_lo.unsigned_abs();
    if n % 2 == 1 { 1.0 / f64::from(n) } else { 0.05 }
}

fn product_of(measure: Measure) -> Option<Product> {
    match measure {
        Measure::Spur(p) | Measure::SpurUp(p) => Some(p),
        _ => None,
    }
}

/// Change of a number when the table of the path at `port` holds 1 dB (under its law) too much.
fn path_weight(port: PortName, law: Law, point: &Point) -> f64 {
    use PortName::{If, Lo, Rf};
    let Some(signal) = point.signal_hz else {
        return match point.measure {
            Measure::Isolation { from: Lo, to } if to == port => -law.at(point.lo_hz),
            Measure::LoHarmonic { port: seen, n } if seen == port => law.at(f64::from(n) * point.lo_hz),
            Measure::CarrierLeak if port == Rf => law.at(point.lo_hz),
            _ => 0.0,
        };
    };
    let output = (point.lo_hz - signal).abs();
    let product = |p: Product| p.frequency_hz(point.lo_hz, signal).abs();
    let order = |p: Product| f64::from(p.m_rf.unsigned_abs()) - 1.0;
    match (point.measure, port) {
        (Measure::ConversionLoss, Rf) | (Measure::ConversionLossUp, If) => -law.at(signal),
        (Measure::ConversionLoss, If) | (Measure::ConversionLossUp, Rf) => -law.at(output),
        (Measure::Isolation { from: Rf, to: If }, Rf | If) => -law.at(signal),
        (Measure::Isolation { from: Rf, to: Lo }, Rf) => -law.at(signal),
        (Measure::Isolation { from: Lo, to }, _) if to == port => -law.at(point.lo_hz),
        (Measure::Spur(p), Rf) | (Measure::SpurUp(p), If) => order(p) * law.at(signal),
        (Measure::Spur(p), If) | (Measure::SpurUp(p), Rf) => law.at(product(p)) - law.at(output),
        (Measure::InputP1db | Measure::InputIp3 | Measure::InputIp2, Rf) => -law.at(signal),
        (Measure::CarrierLeak, Rf) => law.at(point.lo_hz),
        (Measure::LoHarmonic { port: seen, n }, _) if seen == port => law.at(f64::from(n) * point.lo_hz),
        _ => 0.0,
    }
}

/// Change of a number under 1 dB of loss (under its law) in front of `port`.
fn loss_weight(port: PortName, law: Law, point: &Point) -> f64 {
    match point.measure {
        Measure::ReturnLoss(seen) if seen == port => {
            let hz = if port == PortName::Lo { point.lo_hz } else { point.signal_hz.unwrap_or(point.lo_hz) };
            2.0 * law.at(hz)
        }
        _ => -path_weight(port, law, point),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LO: f64 = 28e9;

    fn at(measure: Measure, rf: f64) -> Point {
        Point { measure, lo_hz: LO, signal_hz: Some(rf), lo_dbm: 15.0 }
    }

    #[track_caller]
    fn check(effect: Effect, point: Point, value: f64, x: f64, expected: f64) {
        let found = effect.apply(&point, value, x);
        assert!((found.value - expected).abs() < 1e-9, "expected {expected}, found {}", found.value);
        let h = 1e-6;
        let by_x = (effect.apply(&point, value, x + h).value - effect.apply(&point, value, x - h).value) / (2.0 * h);
        let by_value =
            (effect.apply(&point, value + h, x).value - effect.apply(&point, value - h, x).value) / (2.0 * h);
        // central differences of smooth functions of order one to a hundred
        assert!((by_x - found.by_x).abs() < 1e-5, "{by_x} {}", found.by_x);
        assert!((by_value - found.by_value).abs() < 1e-5);
    }

    #[test]
    fn wrong_cable_table_moves_levels_and_nothing_else() {
        // 0.9 dB at 26 GHz, square root law
        let e = Effect::Path { port: PortName::Rf, law: Law::RootFrequency { reference_hz: 26e9 } };
        check(e, at(Measure::ConversionLoss, 26e9), 6.5, 0.9, 5.6);
        check(e, at(Measure::ConversionLoss, 20e9), 7.7, 0.9, 7.7 - 0.9 * (20.0_f64 / 26.0).sqrt());
        check(e, at(Measure::Spur(Product::new(-2, 2)), 26e9), -65.0, 0.9, -64.1);
        check(e, at(Measure::Spur(Product::new(-2, 3)), 26e9), -87.0, 0.9, -85.2);
        check(e, at(Measure::ReturnLoss(PortName::Rf), 26e9), 8.0, 0.9, 8.0);
        check(e, at(Measure::DcOffset, 26e9), 1.0, 0.9, 1.0);
        let leak = Measure::Isolation { from: PortName::Lo, to: PortName::Rf };
        check(e, at(leak, 26e9), 46.0, 0.9, 46.0 - 0.9 * (28.0_f64 / 26.0).sqrt());
    }

    #[test]
    fn launch_loss_is_seen_twice_in_reflection() {
        let e = Effect::Loss { port: PortName::Rf, law: Law::Flat };
        check(e, at(Measure::ConversionLoss, 23e9), 6.5, 0.35, 6.85);
        check(e, at(Measure::ReturnLoss(PortName::Rf), 23e9), 13.0, 0.35, 13.7);
        check(e, at(Measure::ReturnLoss(PortName::Lo), 23e9), 8.8, 0.35, 8.8);
        check(e, at(Measure::Spur(Product::new(-3, 3)), 23e9), -75.0, 0.35, -75.7);
    }

    #[test]
    fn own_products_of_the_bench_add_as_amplitudes() {
        let e = Effect::AnalyserHarmonic { order: 2 };
        // −80 dBc and −80 dBc in phase: 6.02 dB up
        check(e, at(Measure::Spur(Product::new(-2, 2)), 23e9), -80.0, 1.0, -80.0 + 20.0 * 2f64.log10());
        check(e, at(Measure::Spur(Product::new(-2, 3)), 23e9), -80.0, 1.0, -80.0);
        let s = Effect::SourceHarmonic { order: 3 };
        check(s, at(Measure::Spur(Product::new(-3, 3)), 23e9), -80.0, 3.0, -80.0 + 20.0 * 2f64.log10());
        check(s, at(Measure::ConversionLoss, 23e9), 6.0, 3.0, 6.0);
    }
}
