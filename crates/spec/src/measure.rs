//! Names of the numbers on a mixer's datasheet.

use crate::Product;

/// A port of the mixer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PortName {
    /// Local oscillator.
    Lo,
    /// Radio frequency.
    Rf,
    /// Intermediate frequency.
    If,
}

impl PortName {
    /// `LO`, `RF` or `IF`.
    pub const fn label(self) -> &'static str {
        match self {
            Self::Lo => "LO",
            Self::Rf => "RF",
            Self::If => "IF",
        }
    }
}

/// What a number is. Definitions follow the catalogue of datasheet quantities in the guide.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Measure {
    /// Available RF power over delivered IF power, one sideband, dB (positive = loss).
    ConversionLoss,
    /// Available IF power over delivered RF power in one sideband, dB.
    ConversionLossUp,
    /// Largest minus smallest conversion loss over the band, dB.
    Flatness,
    /// Noise figure, image noise of the source counted as noise at 290 K, dB.
    NoiseFigureSsb,
    /// Noise figure, both sidebands counted as signal, dB.
    NoiseFigureDsb,
    /// Available power at the first port over power of the same frequency delivered at the second, dB.
    Isolation {
        /// Driven port.
        from: PortName,
        /// Observed port.
        to: PortName,
    },
    /// −20 log10 |Γ| of the pumped port at its own frequency, dB.
    ReturnLoss(PortName),
    /// Level of a product at the IF port relative to the wanted product, dBc (negative = below).
    Spur(Product),
    /// The same at the RF port of an up-converter; the second order counts the IF.
    SpurUp(Product),
    /// Delivered power of the n-th LO harmonic at a port, dBm.
    LoHarmonic {
        /// Observed port.
        port: PortName,
        /// Harmonic number.
        n: u32,
    },
    /// Input level at which conversion loss has risen by 1 dB, dBm.
    InputP1db,
    /// Input third-order intercept from two equal tones, dBm a tone.
    InputIp3,
    /// Input second-order intercept from two equal tones, dBm a tone.
    InputIp2,
    /// Slope of a product's level against the RF level, dB per dB.
    SpurSlope(Product),
    /// Direct voltage at the IF port with the LO on, mV.
    DcOffset,
    /// Direct voltage at the IF port with RF and LO at one frequency, mV.
    PhaseDetectorVoltage,
    /// Change of the phase-detector voltage per degree at its zero, mV per degree.
    PhaseDetectorSlope,
    /// Power of LO amplitude noise (both sidebands together) over what of it leaves the IF port, dB.
    LoNoiseRejection,
    /// Level of the LO at the output of the up-converter, dBm.
    CarrierLeak,
    /// Average current of a diode, mA.
    DiodeCurrent {
        /// Diode number, from zero.
        diode: u32,
    },
}

impl Measure {
    /// Name for people.
    pub fn label(self) -> String {
        match self {
            Self::ConversionLoss => "Conversion loss".into(),
            Self::ConversionLossUp => "Conversion loss, up".into(),
            Self::Flatness => "Flatness".into(),
            Self::NoiseFigureSsb => "Noise figure, SSB".into(),
            Self::NoiseFigureDsb => "Noise figure, DSB".into(),
            Self::Isolation { from, to } => format!("Isolation {}-{}", from.label(), to.label()),
            Self::ReturnLoss(p) => format!("Return loss {}", p.label()),
            Self::Spur(p) => format!("Product {}×{} ({p})", p.m_rf.abs(), p.n_lo.abs()),
            Self::SpurUp(p) => format!("Product {}×{} ({}LO{:+}IF)", p.m_rf.abs(), p.n_lo.abs(), p.n_lo, p.m_rf),
            Self::LoHarmonic { port, n } => format!("LO harmonic {n} at {}", port.label()),
            Self::InputP1db => "Input P1dB".into(),
            Self::InputIp3 => "Input IP3".into(),
            Self::InputIp2 => "Input IP2".into(),
            Self::SpurSlope(p) => format!("Slope of {}×{} ({p})", p.m_rf.abs(), p.n_lo.abs()),
            Self::DcOffset => "DC offset at IF".into(),
            Self::PhaseDetectorVoltage => "Phase-detector voltage".into(),
            Self::PhaseDetectorSlope => "Phase-detector slope".into(),
            Self::LoNoiseRejection => "LO amplitude-noise rejection".into(),
            Self::CarrierLeak => "Carrier leak".into(),
            Self::DiodeCurrent { diode } => format!("Mean current of diode {}", diode + 1),
        }
    }

    /// Name for machines: lower case, stable, unique.
    pub fn key(self) -> String {
        match self {
            Self::ConversionLoss => "conversion_loss".into(),
            Self::ConversionLossUp => "conversion_loss_up".into(),
            Self::Flatness => "flatness".into(),
            Self::NoiseFigureSsb => "noise_figure_ssb".into(),
            Self::NoiseFigureDsb => "noise_figure_dsb".into(),
            Self::Isolation { from, to } => format!("isolation_{}_{}", from.label(), to.label()).to_lowercase(),
            Self::ReturnLoss(p) => format!("return_loss_{}", p.label()).to_lowercase(),
            Self::Spur(p) => format!("spur_lo{:+}_rf{:+}", p.n_lo, p.m_rf),
            Self::SpurUp(p) => format!("spur_up_lo{:+}_if{:+}", p.n_lo, p.m_rf),
            Self::LoHarmonic { port, n } => format!("lo_harmonic_{n}_{}", port.label()).to_lowercase(),
            Self::InputP1db => "input_p1db".into(),
            Self::InputIp3 => "input_ip3".into(),
            Self::InputIp2 => "input_ip2".into(),
            Self::SpurSlope(p) => format!("spur_slope_lo{:+}_rf{:+}", p.n_lo, p.m_rf),
            Self::DcOffset => "dc_offset".into(),
            Self::PhaseDetectorVoltage => "phase_detector_voltage".into(),
            Self::PhaseDetectorSlope => "phase_detector_slope".into(),
            Self::LoNoiseRejection => "lo_noise_rejection".into(),
            Self::CarrierLeak => "carrier_leak".into(),
            Self::DiodeCurrent { diode } => format!("diode_current_{}", diode + 1),
        }
    }

    /// Unit of the stored value.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Spur(_) | Self::SpurUp(_) => "dBc",
            Self::LoHarmonic { .. } | Self::InputP1db | Self::InputIp3 | Self::InputIp2 | Self::CarrierLeak => "dBm",
            Self::DcOffset | Self::PhaseDetectorVoltage => "mV",
            Self::PhaseDetectorSlope => "mV/deg",
            Self::SpurSlope(_) => "dB/dB",
            Self::DiodeCurrent { .. } => "mA",
            _ => "dB",
        }
    }
}
