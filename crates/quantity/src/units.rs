//! The quantities: one small type each, SI inside, units at the edges.
//!
//! Every type has `from_si`, `si`, named constructors (`Frequency::ghz(26.5)`), `FromStr` and `Display`.
//! Logarithmic quantities ([`Level`], [`PowerRatio`]) and [`Angle`] store what is written (dBm, dB, degree)
//! because that is exact; their methods give watt, power ratio and radian.

use crate::text::{QuantityError, Scale, Unit, Words, print, read, shifted_zero};

/// A number with a unit.
pub trait Quantity: Copy + std::fmt::Display + std::str::FromStr<Err = QuantityError> {
    /// Name and units.
    const WORDS: Words;
    /// From the stored unit (SI, except dBm, dB and degree).
    fn from_stored(value: f64) -> Self;
    /// In the stored unit.
    fn stored(self) -> f64;
}

macro_rules! quantity {
    ($(#[$doc:meta])* $type:ident, $name:literal, stored as $(#[$sdoc:meta])* $getter:ident,
     units [$($symbol:literal: $scale:expr),+ $(,)?]
     $(, spellings [$($other:literal => $same:literal),+ $(,)?])?
     $(, constructors [$($(#[$cdoc:meta])* $make:ident($to_si:expr)),+ $(,)?])?) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
        pub struct $type(f64);

        impl $type {
            $(#[$sdoc])*
            pub const fn $getter(self) -> f64 {
                self.0
            }
            $($($(#[$cdoc])* pub fn $make(value: f64) -> Self {
                let to_stored: fn(f64) -> f64 = $to_si;
                Self(to_stored(value))
            })+)?
        }

        impl Quantity for $type {
            const WORDS: Words = Words {
                name: $name,
                units: &[$(Unit { symbol: $symbol, scale: $scale }),+],
                spellings: &[$($(($other, $same)),+)?],
            };
            fn from_stored(value: f64) -> Self {
                Self(value)
            }
            fn stored(self) -> f64 {
                self.0
            }
        }

        impl std::str::FromStr for $type {
            type Err = QuantityError;
            fn from_str(text: &str) -> Result<Self, QuantityError> {
                read(text, &Self::WORDS).map(Self)
            }
        }

        impl std::fmt::Display for $type {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(&print(self.0, &Self::WORDS))
            }
        }
    };
}

use Scale::{Factor, Offset, Ten};

quantity!(
    /// Frequency, hertz.
    Frequency, "frequency", stored as
    /// Hertz.
    si, units ["Hz": Ten(0), "kHz": Ten(3), "MHz": Ten(6), "GHz": Ten(9), "THz": Ten(12)],
    constructors [
        /// From hertz.
        hz(|x| x),
        /// From gigahertz.
        ghz(|x| x * 1e9)]
);
quantity!(
    /// Length, metre.
    Length, "length", stored as
    /// Metre.
    si, units ["nm": Ten(-9), "um": Ten(-6), "mm": Ten(-3), "m": Ten(0)],
    constructors [
        /// From metre.
        m(|x| x),
        /// From micrometre.
        um(|x| x / 1e6),
        /// From millimetre.
        mm(|x| x / 1e3)]
);
quantity!(
    /// Available or delivered power, stored in dBm.
    Level, "power level", stored as
    /// Decibel over one milliwatt.
    dbm, units ["dBm": Ten(0)],
    constructors [
        /// From decibel over one milliwatt.
        from_dbm(|x| x)]
);
quantity!(
    /// Ratio of two powers, stored in dB.
    PowerRatio, "power ratio", stored as
    /// Decibel.
    db, units ["dB": Ten(0)],
    constructors [
        /// From decibel.
        from_db(|x| x)]
);
quantity!(
    /// Level of a product against the wanted one, stored in dBc.
    CarrierRatio, "level against the wanted product", stored as
    /// Decibel over the wanted product.
    dbc, units ["dBc": Ten(0)]
);
quantity!(
    /// Slope of an output level against an input level, stored in dB per dB.
    LevelSlope, "slope of a level", stored as
    /// Decibel per decibel.
    db_per_db, units ["dB/dB": Ten(0)]
);
quantity!(
    /// Resistance, ohm.
    Resistance, "resistance", stored as
    /// Ohm.
    si, units ["mohm": Ten(-3), "ohm": Ten(0), "kohm": Ten(3), "Mohm": Ten(6)],
    constructors [
        /// From ohm.
        ohm(|x| x)]
);
quantity!(
    /// Capacitance, farad.
    Capacitance, "capacitance", stored as
    /// Farad.
    si, units ["aF": Ten(-18), "fF": Ten(-15), "pF": Ten(-12), "nF": Ten(-9), "uF": Ten(-6), "mF": Ten(-3), "F": Ten(0)],
    constructors [
        /// From farad.
        farad(|x| x),
        /// From femtofarad.
        ff(|x| x / 1e15)]
);
quantity!(
    /// Inductance, henry.
    Inductance, "inductance", stored as
    /// Henry.
    si, units ["fH": Ten(-15), "pH": Ten(-12), "nH": Ten(-9), "uH": Ten(-6), "mH": Ten(-3), "H": Ten(0)],
    constructors [
        /// From henry.
        henry(|x| x),
        /// From picohenry.
        ph(|x| x / 1e12)]
);
quantity!(
    /// Current, ampere.
    Current, "current", stored as
    /// Ampere.
    si, units ["aA": Ten(-18), "fA": Ten(-15), "pA": Ten(-12), "nA": Ten(-9), "uA": Ten(-6), "mA": Ten(-3), "A": Ten(0)],
    constructors [
        /// From ampere.
        ampere(|x| x)]
);
quantity!(
    /// Voltage, volt.
    Voltage, "voltage", stored as
    /// Volt.
    si, units ["nV": Ten(-9), "uV": Ten(-6), "mV": Ten(-3), "V": Ten(0), "kV": Ten(3)],
    constructors [
        /// From volt.
        volt(|x| x),
        /// From millivolt.
        mv(|x| x / 1e3)]
);
quantity!(
    /// Voltage change per degree of phase, volt per degree.
    VoltagePerAngle, "voltage per degree", stored as
    /// Volt per degree.
    volt_per_deg, units ["uV/deg": Ten(-6), "mV/deg": Ten(-3), "V/deg": Ten(0)]
);
quantity!(
    /// Energy of one charge carrier, electronvolt.
    CarrierEnergy, "carrier energy", stored as
    /// Electronvolt.
    ev, units ["meV": Ten(-3), "eV": Ten(0)]
);
quantity!(
    /// Absolute temperature, kelvin; may be written in degree Celsius.
    Temperature, "temperature", stored as
    /// Kelvin.
    si, units ["K": Ten(0), "degC": Offset(273.15)], spellings ["°C" => "degC", "\u{212a}" => "K"],
    constructors [
        /// From kelvin.
        kelvin(|x| x),
        /// From degree Celsius.
        deg_c(|x| shifted_zero(x, 273.15))]
);
quantity!(
    /// Time, second.
    Time, "time", stored as
    /// Second.
    si, units ["fs": Ten(-15), "ps": Ten(-12), "ns": Ten(-9), "us": Ten(-6), "ms": Ten(-3), "s": Ten(0)],
    constructors [
        /// From second.
        s(|x| x)]
);
quantity!(
    /// Angle, stored in degree.
    Angle, "angle", stored as
    /// Degree.
    deg, units ["deg": Ten(0), "rad": Factor(180.0 / std::f64::consts::PI)], spellings ["°" => "deg"],
    constructors [
        /// From degree.
        from_deg(|x| x)]
);
quantity!(
    /// Plain ratio, stored as a fraction, written in per cent.
    Ratio, "ratio", stored as
    /// Fraction of one.
    fraction, units ["ppm": Ten(-6), "%": Ten(-2)],
    constructors [
        /// From per cent.
        percent(|x| x / 1e2)]
);
quantity!(
    /// Capacitance per length, farad per metre.
    CapacitancePerLength, "capacitance per length", stored as
    /// Farad per metre.
    si, units ["fF/m": Ten(-15), "pF/m": Ten(-12), "pF/mm": Ten(-9), "nF/m": Ten(-9), "uF/m": Ten(-6), "F/m": Ten(0)]
);
quantity!(
    /// Inductance per length, henry per metre.
    InductancePerLength, "inductance per length", stored as
    /// Henry per metre.
    si, units ["pH/m": Ten(-12), "nH/m": Ten(-9), "pH/mm": Ten(-9), "uH/m": Ten(-6), "nH/mm": Ten(-6), "H/m": Ten(0)]
);
quantity!(
    /// Resistance per length, ohm per metre.
    ResistancePerLength, "resistance per length", stored as
    /// Ohm per metre.
    si, units ["mohm/m": Ten(-3), "ohm/m": Ten(0), "ohm/mm": Ten(3), "kohm/m": Ten(3)]
);
quantity!(
    /// Conductance per length, siemens per metre.
    ConductancePerLength, "conductance per length", stored as
    /// Siemens per metre.
    si, units ["uS/m": Ten(-6), "mS/m": Ten(-3), "S/m": Ten(0)]
);
quantity!(
    /// Conductivity of a material, siemens per metre.
    Conductivity, "conductivity", stored as
    /// Siemens per metre.
    si, units ["S/m": Ten(0), "kS/m": Ten(3), "MS/m": Ten(6)]
);
quantity!(
    /// Attenuation per length, stored in dB per metre.
    AttenuationPerLength, "attenuation per length", stored as
    /// Decibel per metre.
    db_per_m, units ["dB/m": Ten(0), "dB/mm": Ten(3)]
);
quantity!(
    /// Heat resistance, kelvin per watt.
    ThermalResistance, "thermal resistance", stored as
    /// Kelvin per watt.
    si, units ["K/W": Ten(0), "K/mW": Ten(3)]
);

impl Level {
    /// Watt.
    pub fn watt(self) -> f64 {
        1e-3 * 10f64.powf(self.dbm() / 10.0)
    }
}

impl PowerRatio {
    /// Ratio of the powers.
    pub fn ratio(self) -> f64 {
        10f64.powf(self.db() / 10.0)
    }
}

impl Angle {
    /// Radian.
    pub fn rad(self) -> f64 {
        self.deg().to_radians()
    }
}
