//! Quantity classes: numbers whose model errors are alike.
//!
//! A class is found from the measure and its predicted value, so that a prediction knows its class before anything is
//! measured. Borders follow what benches and models have in common: errors of isolation and of products grow with how
//! much cancels.

use spec::{Measure, PortName};

/// A quantity class.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Class {
    /// Name for machines.
    pub key: String,
    /// Name for people.
    pub title: String,
    /// Unit of its residuals.
    pub unit: &'static str,
}

/// Range of predicted values a class was seen at, in the unit of the measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
}

/// Share of the band at either end that counts as its edge.
const EDGE: f64 = 0.1;

/// Class of a predicted value; `rf_hz` and `band_hz` tell the middle of the band from its edges.
pub fn class_of(measure: Measure, value: f64, rf_hz: Option<f64>, band_hz: Option<(f64, f64)>) -> Class {
    use Measure as M;
    let make = |key: &str, title: &str| Class { key: key.into(), title: title.into(), unit: measure.unit() };
    match measure {
        M::ConversionLoss | M::ConversionLossUp if is_edge(rf_hz, band_hz) => {
            make("loss_edge", "conversion loss, band edge 10 %")
        }
        M::ConversionLoss | M::ConversionLossUp => make("loss", "conversion loss, in band"),
        M::ReturnLoss(_) if value < 8.0 => make("return_loss_below_8", "return loss below 8 dB"),
        M::ReturnLoss(_) if value <= 15.0 => make("return_loss_8_15", "return loss 8-15 dB"),
        M::ReturnLoss(_) => make("return_loss_above_15", "return loss above 15 dB"),
        M::Isolation { .. } if value < 30.0 => make("isolation_below_30", "isolation predicted < 30 dB"),
        M::Isolation { .. } if value <= 40.0 => make("isolation_30_40", "isolation predicted 30-40 dB"),
        M::Isolation { .. } => make("isolation_above_40", "isolation predicted > 40 dB"),
        M::Spur(p) | M::SpurUp(p) if p.m_rf % 2 == 0 && p.n_lo % 2 == 0 => {
            make("product_even_even", "even-even product")
        }
        M::Spur(_) | M::SpurUp(_) if value > -40.0 => make("product_above_40", "product above -40 dBc"),
        M::Spur(_) | M::SpurUp(_) if value > -60.0 => make("product_40_60", "product -40...-60 dBc"),
        M::Spur(_) | M::SpurUp(_) if value > -80.0 => make("product_60_80", "product -60...-80 dBc"),
        M::Spur(_) | M::SpurUp(_) => make("product_80_100", "product -80...-100 dBc"),
        M::LoHarmonic { port: PortName::Lo, .. } => make("lo_harmonic_lo", "LO harmonic at the LO port"),
        M::LoHarmonic { .. } => make("lo_harmonic", "LO harmonic at RF or IF"),
        M::NoiseFigureSsb | M::NoiseFigureDsb => make("noise_figure", "noise figure"),
        M::SpurSlope(_) => make("product_slope", "slope of a product"),
        M::DiodeCurrent { .. } => make("diode_current", "mean current of a diode"),
        other => make(&other.key(), &other.label()),
    }
}

fn is_edge(rf_hz: Option<f64>, band_hz: Option<(f64, f64)>) -> bool {
    let (Some(rf), Some((low, high))) = (rf_hz, band_hz) else { return false };
    let width = EDGE * (high - low);
    // a hair inside, so that a frequency written in decimals at the border counts as edge
    rf <= low + width * (1.0 + 1e-9) || rf >= high - width * (1.0 + 1e-9)
}

#[cfg(test)]
mod tests {
    use super::*;
    use spec::Product;

    #[test]
    fn classes_follow_measure_value_and_place_in_the_band() {
        let key = |m, v, f: f64| class_of(m, v, Some(f), Some((20e9, 26e9))).key;
        assert_eq!(key(Measure::ConversionLoss, 7.0, 23e9), "loss");
        assert_eq!(key(Measure::ConversionLoss, 7.0, 20.6e9), "loss_edge");
        assert_eq!(key(Measure::ConversionLoss, 7.0, 25.5e9), "loss_edge");
        assert_eq!(key(Measure::Spur(Product::new(2, -2)), -62.0, 23e9), "product_even_even");
        assert_eq!(key(Measure::Spur(Product::new(3, -3)), -62.0, 23e9), "product_60_80");
        let isolation = Measure::Isolation { from: PortName::Lo, to: PortName::Rf };
        assert_eq!(key(isolation, 46.0, 23e9), "isolation_above_40");
        assert_eq!(class_of(Measure::DcOffset, 2.0, None, None).unit, "mV");
    }
}
