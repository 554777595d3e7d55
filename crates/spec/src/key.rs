//! Measures by the names machines use for them.

use crate::{Measure, PortName, Product};

const PORTS: [PortName; 3] = [PortName::Lo, PortName::Rf, PortName::If];

impl Measure {
    /// Every measure that is not a family numbered by orders or diodes.
    pub fn plain() -> Vec<Self> {
        let mut measures = vec![
            Self::ConversionLoss,
            Self::ConversionLossUp,
            Self::Flatness,
            Self::NoiseFigureSsb,
            Self::NoiseFigureDsb,
            Self::InputP1db,
            Self::InputIp3,
            Self::InputIp2,
            Self::DcOffset,
            Self::PhaseDetectorVoltage,
            Self::PhaseDetectorSlope,
            Self::LoNoiseRejection,
            Self::CarrierLeak,
        ];
        for from in PORTS {
            measures.push(Self::ReturnLoss(from));
            measures.extend(PORTS.iter().filter(|to| **to != from).map(|to| Self::Isolation { from, to: *to }));
        }
        measures
    }

    /// The measure with this key: the inverse of [`Measure::key`].
    ///
    /// A product may be written with both orders reversed in sign: it is the same line.
    pub fn from_key(key: &str) -> Option<Self> {
        if let Some(measure) = Self::plain().into_iter().find(|m| m.key() == key) {
            return Some(measure);
        }
        let product = |rest: &str, second: &str| {
            let (n, m) = rest.split_once(second)?;
            Some(Product::new(n.parse().ok()?, m.parse().ok()?))
        };
        let measure = if let Some(rest) = key.strip_prefix("spur_slope_lo") {
            Self::SpurSlope(product(rest, "_rf")?)
        } else if let Some(rest) = key.strip_prefix("spur_up_lo") {
            Self::SpurUp(product(rest, "_if")?)
        } else if let Some(rest) = key.strip_prefix("spur_lo") {
            Self::Spur(product(rest, "_rf")?)
        } else if let Some(rest) = key.strip_prefix("lo_harmonic_") {
            let (n, port) = rest.split_once('_')?;
            let port = PORTS.into_iter().find(|p| p.label().to_lowercase() == port)?;
            Self::LoHarmonic { port, n: n.parse().ok()? }
        } else {
            let number = key.strip_prefix("diode_current_")?.parse::<u32>().ok()?;
            Self::DiodeCurrent { diode: number.checked_sub(1)? }
        };
        (measure.key() == key).then_some(measure)
    }

    /// The same measure with its product named by a positive LO order: a product and its mirror image are one line.
    pub fn canonical(self) -> Self {
        let of = |p: Product| if p.n_lo < 0 || (p.n_lo == 0 && p.m_rf > 0) { p.mirrored() } else { p };
        match self {
            Self::Spur(p) => Self::Spur(of(p)),
            Self::SpurUp(p) => Self::SpurUp(of(p)),
            other => other,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_measure_is_found_by_its_key() {
        let mut all = Measure::plain();
        all.extend([
            Measure::Spur(Product::new(2, -2)),
            Measure::Spur(Product::new(-1, 3)),
            Measure::SpurUp(Product::new(1, -2)),
            Measure::SpurSlope(Product::new(0, 3)),
            Measure::LoHarmonic { port: PortName::If, n: 2 },
            Measure::DiodeCurrent { diode: 3 },
        ]);
        for measure in all {
            assert_eq!(Measure::from_key(&measure.key()), Some(measure), "{}", measure.key());
        }
        for wrong in ["loss", "spur_lo2_rf-2", "spur_lo+2", "lo_harmonic_2_xx", "diode_current_0"] {
            assert_eq!(Measure::from_key(wrong), None, "{wrong}");
        }
        assert_eq!(Measure::Spur(Product::new(-2, 2)).canonical(), Measure::Spur(Product::new(2, -2)));
    }
}
