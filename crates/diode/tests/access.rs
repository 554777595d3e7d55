//! Series resistance, skin effect, parasitic loss, and parasitics counted once.

mod support;

use mixwright_diode::access::{least_loss_resistance_ohm, parasitic_loss};
use mixwright_diode::{ParasiticsIn, SchottkyParameters, SkinSpreading};
use numerics::Complex64;
use proof::Origin;
use quantity::Severity;
use std::f64::consts::TAU;
use support::close;

const SKIN: SkinSpreading = SkinSpreading { resistivity_ohm_m: 1e-5, anode_radius_m: 2e-6, ring_radius_m: 50e-6 };

fn db(x: f64) -> f64 {
    10.0 * x.log10()
}

#[test]
fn skin_and_spreading_resistance() {
    let how = Origin::Memory {
        what: "ρ/(2πδ)·ln(b/a)·(1+j) of Dickens 1967, values computed from it with μ0 = 4π·1e-7",
    };
    let table = [
        (1e9, 50.329212104487034, 0.10178979111836776),
        (10e9, 15.915494309189533, 0.3218875824868201),
        (30e9, 9.188814923696537, 0.5575256471926902),
        (100e9, 5.032921210448704, 1.0178979111836775),
    ];
    for (f, delta_um, r) in table {
        // The measured constant μ0 of CODATA 2018 differs from 4π·1e-7 by 5.5e-10.
        close("skin depth / µm", SKIN.skin_depth_m(f) * 1e6, delta_um, 1e-9, "μ0 measured against defined", how);
        close("skin resistance / ohm", SKIN.impedance_ohm(f).re, r, 1e-9, "μ0 measured against defined", how);
        close("skin reactance / ohm", SKIN.impedance_ohm(f).im, r, 1e-9, "μ0 measured against defined", how);
    }
    assert_eq!(SKIN.impedance_ohm(0.0), Complex64::default());
    let how = Origin::Derived { how: "ρ/(4a), disc on a thick layer" };
    close("spreading resistance / ohm", SKIN.dc_spreading_ohm(), 1.25, 1e-15, "rounding", how);
}

#[test]
fn cutoff_frequencies() {
    let how = Origin::Derived { how: "1/(2π·Rs·C0)" };
    let table = [
        (4.0, 4e-14, 994718394324.3458),
        (8.0, 2e-14, 994718394324.3458),
        (15.0, 2e-15, 5305164769729.845),
        (6.0, 1e-13, 265258238486.49222),
        (10.0, 1e-14, 1591549430918.9534),
    ];
    for (rs_ohm, cj0_f, fc) in table {
        let p = SchottkyParameters { rs_ohm, cj0_f, ..Default::default() };
        close("cut-off / Hz", p.cutoff_hz(), fc, 1e-13, "rounding", how);
    }
}

#[test]
fn parasitic_loss_formula_and_circuit() {
    let how = Origin::Derived { how: "1 + Rs/Rj + (ω·C)²·Rs·Rj; least 1 + 2·ω·C·Rs" };
    let found = parasitic_loss(4.0, 50.0, 4e-14, 40e9);
    close("loss at 40 GHz / dB", db(found), 0.41476752411071655, 1e-12, "rounding", how);
    let best = least_loss_resistance_ohm(4e-14, 40e9);
    close("best Rj / ohm", best, 99.47183943243459, 1e-13, "rounding", how);
    close("least loss / dB", db(parasitic_loss(4.0, best, 4e-14, 40e9)), 0.3359453311444667, 1e-12, "rounding", how);
    // f in GHz, loss at Rj = 150 ohm in dB, best Rj in ohm, least loss in dB; 6 ohm, 50 fF.
    let table = [
        (10.0, 0.207268991265, 318.309886184, 0.160714450256),
        (30.0, 0.491962281594, 106.103295395, 0.465331431621),
        (60.0, 1.33467110555, 53.0516476973, 0.885594243871),
        (110.0, 3.25269285156, 28.9372623803, 1.5066135434),
    ];
    for (f, loss, best, least) in table {
        let because = "printed to twelve digits";
        close("loss / dB", db(parasitic_loss(6.0, 150.0, 50e-15, f * 1e9)), loss, 1e-10, because, how);
        let rj = least_loss_resistance_ohm(50e-15, f * 1e9);
        close("best Rj / ohm", rj, best, 1e-10, because, how);
        close("least loss / dB", db(parasitic_loss(6.0, rj, 50e-15, f * 1e9)), least, 1e-10, because, how);
    }
    // The same as a circuit: power into Rs + (Rj ∥ Cj) over power in Rj, through the access impedance.
    let p = SchottkyParameters { rs_ohm: 6.0, ..Default::default() };
    let rs = p.access(ParasiticsIn::Diode).series_impedance_ohm(30e9);
    let junction = (Complex64::new(1.0 / 150.0, TAU * 30e9 * 50e-15)).inv();
    let ratio = (rs + junction).re / junction.re;
    close("circuit ratio", ratio, 1.11994379565, 1e-11, "printed to twelve digits", how);
    close("formula", parasitic_loss(6.0, 150.0, 50e-15, 30e9), ratio, 1e-13, "identity", how);
}

#[test]
fn parasitics_are_counted_once() {
    let p = SchottkyParameters {
        rs_ohm: 4.2,
        pad_capacitance_f: 7e-15,
        finger_inductance_h: 18e-12,
        skin: Some(SKIN),
        ..Default::default()
    };
    let (own, field) = (p.access(ParasiticsIn::Diode), p.access(ParasiticsIn::Field));
    assert_eq!((own.shunt_capacitance_f(), own.series_inductance_h()), (7e-15, 18e-12));
    assert_eq!((field.shunt_capacitance_f(), field.series_inductance_h()), (0.0, 0.0));
    let f = 30e9;
    let difference = own.series_impedance_ohm(f) - field.series_impedance_ohm(f);
    let how = Origin::Derived { how: "ωL" };
    close("finger reactance / ohm", difference.im, TAU * f * 18e-12, 1e-13, "rounding", how);
    close("Rs with skin / ohm", field.series_impedance_ohm(f).re, 4.2 + 0.5575256471926902, 1e-9, "skin term", how);
    close("pad susceptance / S", own.shunt_admittance_s(f).im, TAU * f * 7e-15, 1e-13, "rounding", how);

    let twice = own.check_against_field(Some(true), "diode 2");
    assert_eq!((twice.len(), twice[0].severity), (1, Severity::Warning));
    assert!(twice[0].text.contains("counted twice") && twice[0].place == "diode 2", "{twice:?}");
    let nowhere = field.check_against_field(Some(false), "diode 2");
    assert!(nowhere[0].text.contains("counted nowhere"), "{nowhere:?}");
    assert_eq!(own.check_against_field(None, "diode 2")[0].severity, Severity::Note);
    assert!(own.check_against_field(Some(false), "diode 2").is_empty());
    assert!(field.check_against_field(Some(true), "diode 2").is_empty());
    let bare = SchottkyParameters::default().access(ParasiticsIn::Diode);
    assert!(bare.check_against_field(Some(true), "diode 2").is_empty(), "nothing stated, nothing counted twice");
}

#[test]
fn thermal_noise_of_the_series_resistance() {
    let p = SchottkyParameters { rs_ohm: 50.0, ..Default::default() };
    let found = p.access(ParasiticsIn::Diode).thermal_noise_v2_per_hz(1e9, 290.0);
    let how = Origin::Derived { how: "4kTR, k = 1.380649e-23 exact" };
    close("noise of 50 ohm at 290 K / (V²/Hz)", found, 4.0 * 1.380649e-23 * 290.0 * 50.0, 1e-14, "rounding", how);
}
