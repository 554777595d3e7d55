//! Numbers with units: exact reading, print→read identity, refusals in good words.

use mixwright_quantity::*;

/// Reads and gives the stored value.
fn stored<Q: Quantity>(text: &str) -> f64 {
    text.parse::<Q>().unwrap_or_else(|e| panic!("{text}: {e}")).stored()
}

fn refused<Q: Quantity>(text: &str) -> String {
    match text.parse::<Q>() {
        Ok(q) => panic!("`{text}` was read as {q}"),
        Err(e) => e.to_string(),
    }
}

#[test]
#[expect(clippy::float_cmp, reason = "reading a decimal text must be exact: the compiler's own reading is the control")]
fn texts_are_read_to_the_last_bit() {
    assert_eq!(stored::<Length>("15 um"), 15e-6);
    assert_eq!(stored::<Length>("15µm"), 15e-6);
    assert_eq!(stored::<Length>("1.510 mm"), 1.510e-3);
    assert_eq!(stored::<Frequency>("28 GHz"), 28e9);
    assert_eq!(stored::<Frequency>(" 28.000000001GHz "), 28.000000001e9);
    assert_eq!(stored::<Level>("+15 dBm"), 15.0);
    assert_eq!(stored::<Capacitance>("44 fF"), 44e-15);
    assert_eq!(stored::<Capacitance>("4.4e1 fF"), 44e-15);
    assert_eq!(stored::<CapacitancePerLength>("100.5 pF/m"), 100.5e-12);
    assert_eq!(stored::<CapacitancePerLength>("-87.2 pF/m"), -87.2e-12);
    assert_eq!(stored::<Temperature>("25 degC"), 298.15);
    assert_eq!(stored::<Temperature>("-40 °C"), 233.15);
    assert_eq!(stored::<Temperature>("300 K"), 300.0);
    assert_eq!(stored::<Resistance>("72 Ω"), 72.0);
    assert_eq!(stored::<CarrierEnergy>("0.74eV"), 0.74);
    assert_eq!(stored::<Current>("6.0 pA"), 6e-12);
    assert_eq!(stored::<Ratio>("7.3 %"), 0.073);
    assert_eq!(stored::<Angle>("180 deg"), 180.0);
    assert_eq!(Length::um(15.0).si(), 15e-6);
    assert_eq!(Capacitance::ff(44.0).si(), 44e-15);
}

#[test]
fn units_agree_with_each_other() {
    let close = |a: f64, b: f64| assert!((a - b).abs() <= 4.0 * f64::EPSILON * b.abs(), "{a} is not {b}");
    close(Level::from_dbm(15.0).watt(), 3.162_277_660_168_379e-2); // 1 mW · 10^1.5
    close(PowerRatio::from_db(3.0).ratio(), 1.995_262_314_968_879_5); // 10^0.3
    close(Angle::from_deg(180.0).rad(), std::f64::consts::PI);
    close(stored::<Angle>("1 rad"), 57.295_779_513_082_32); // 180/π
    close(stored::<InductancePerLength>("1 nH/mm"), stored::<InductancePerLength>("1 uH/m"));
    close(stored::<CapacitancePerLength>("1 pF/mm"), stored::<CapacitancePerLength>("1000 pF/m"));
    close(stored::<AttenuationPerLength>("0.2 dB/mm"), 200.0);
}

/// A fixed sequence of doubles over the whole useful range (xorshift, so that a failure repeats).
fn doubles() -> impl Iterator<Item = f64> {
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    (0..4000).map(move |_| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let mantissa = (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
        let exponent = i32::try_from(state % 61).expect("small") - 30;
        mantissa * 10f64.powi(exponent)
    })
}

fn identity<Q: Quantity>() {
    for value in doubles().chain([0.0, 1.0, -1.0, 15e-6, 999.999_999_999_999_9, 1e-300, 1e300, 298.15]) {
        let printed = Q::from_stored(value).to_string();
        let back = printed.parse::<Q>().unwrap_or_else(|e| panic!("{value:e} printed as `{printed}`: {e}"));
        assert!(
            back.stored().to_bits() == value.to_bits(),
            "{value:e} printed as `{printed}`, read as {:e}",
            back.stored()
        );
    }
}

#[test]
fn print_then_read_is_identity() {
    identity::<Frequency>();
    identity::<Length>();
    identity::<Level>();
    identity::<PowerRatio>();
    identity::<CarrierRatio>();
    identity::<LevelSlope>();
    identity::<Resistance>();
    identity::<Capacitance>();
    identity::<Inductance>();
    identity::<Current>();
    identity::<Voltage>();
    identity::<VoltagePerAngle>();
    identity::<CarrierEnergy>();
    identity::<Temperature>();
    identity::<Time>();
    identity::<Angle>();
    identity::<Ratio>();
    identity::<CapacitancePerLength>();
    identity::<InductancePerLength>();
    identity::<ResistancePerLength>();
    identity::<ConductancePerLength>();
    identity::<Conductivity>();
    identity::<AttenuationPerLength>();
    identity::<ThermalResistance>();
}

#[test]
fn printing_picks_the_readable_unit() {
    assert_eq!(Frequency::ghz(28.0).to_string(), "28 GHz");
    assert_eq!(Length::um(15.0).to_string(), "15 um");
    assert_eq!(Length::m(0.00151).to_string(), "1.51 mm");
    assert_eq!(Capacitance::ff(44.0).to_string(), "44 fF");
    assert_eq!(Current::ampere(6e-12).to_string(), "6 pA");
    assert_eq!(Temperature::kelvin(298.15).to_string(), "298.15 K");
    assert_eq!(Voltage::volt(-0.03).to_string(), "-30 mV");
    assert_eq!(Frequency::hz(0.0).to_string(), "0 Hz");
    assert_eq!(Ratio::percent(5.0).to_string(), "5 %");
}

#[test]
fn refusals_name_the_accepted_units() {
    assert_eq!(refused::<Frequency>("28"), "`28` has no unit; frequency is written with one of Hz, kHz, MHz, GHz, THz");
    assert_eq!(
        refused::<Frequency>("12 um"),
        "`12 um` has unit `um`; frequency is written with one of Hz, kHz, MHz, GHz, THz"
    );
    assert_eq!(
        refused::<Frequency>("28 ghz"),
        "`28 ghz` has unit `ghz`; frequency is written with one of Hz, kHz, MHz, GHz, THz (did you mean `GHz`?)"
    );
    assert_eq!(refused::<Level>("15 dB"), "`15 dB` has unit `dB`; power level is written with one of dBm");
    assert_eq!(refused::<Frequency>("nan GHz"), "`nan GHz` is not a finite frequency");
    assert_eq!(refused::<Frequency>("-inf GHz"), "`-inf GHz` is not a finite frequency");
    assert_eq!(refused::<Frequency>("1e400 GHz"), "`1e400 GHz` is not a finite frequency");
    assert_eq!(
        refused::<Length>("about 3 um"),
        "`about 3 um` does not start with a number; length is written as number and unit, for example `1.5 mm`"
    );
    assert_eq!(
        refused::<Length>("1,5 mm"),
        "`1,5 mm` has a comma; length is written with a decimal point, for example `1.5 mm`"
    );
    assert!(refused::<Length>("").contains("does not start with a number"));
    // Resistance has both mohm and Mohm, so a guess between them is not offered.
    assert!(!refused::<Resistance>("5 MOHM").contains("did you mean"));
}
