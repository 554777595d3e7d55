//! Temperature laws, barriers and self-heating.

mod support;

use mixwright_diode::heating::thermal_corner_hz;
use mixwright_diode::temperature::thermionic_current_a;
use mixwright_diode::{DepletionLaw, Device, DiodeError, SaturationLaw, SchottkyParameters};
use proof::Origin;
use quantity::constants::thermal_voltage_v;
use support::{FORTY_DIGITS, close, p1};

const LAW: Origin = Origin::Derived { how: "Is·(T/Tn)^(XTI/n)·exp(EG/(n·Vt)·(T/Tn − 1))" };
const THERMIONIC: Origin = Origin::Derived { how: "A·A*·T²·exp(−φ/Vt)" };
/// 1 A cm⁻² K⁻² in A m⁻² K⁻².
const PER_CM2: f64 = 1e4;

#[test]
fn saturation_current_against_temperature() {
    let table = [
        (223.15, 7.393608509574762e-18),
        (248.15, 2.33231111908351e-16),
        (273.15, 3.972130179879351e-15),
        (300.0, 5e-14),
        (323.15, 3.198501805118099e-13),
        (358.15, 3.4035876011006953e-12),
        (398.15, 3.1055659255280386e-11),
    ];
    for (t, is) in table {
        close("IS, barrier 0.75 eV, n = 1.2 / A", p1().saturation_current_a(t), is, 1e-12, "exponent of nine", LAW);
        let junction = p1().at_temperature(t).expect("valid");
        close("IS of the junction / A", junction.saturation_current_a(), is, 1e-12, "exponent of nine", LAW);
    }
    let p = SchottkyParameters { is_a: 1e-13, n: 1.05, barrier_ev: 0.69, temp_nominal_k: 300.15, ..Default::default() };
    let table = [
        (218.15, 3.8768889707093725e-18),
        (298.15, 8.326318961426836e-14),
        (358.15, 8.570931902942263e-12),
        (398.15, 8.9047251756427e-11),
    ];
    for (t, is) in table {
        close("IS, barrier 0.69 eV, n = 1.05 / A", p.saturation_current_a(t), is, 1e-12, "exponent of nine", LAW);
    }
}

#[test]
fn forward_voltage_at_one_milliampere() {
    let p = SchottkyParameters { is_a: 1e-13, n: 1.05, barrier_ev: 0.69, temp_nominal_k: 300.15, ..Default::default() };
    let table = [(218.15, 0.655002234337), (298.15, 0.62611441521), (358.15, 0.601940243391), (398.15, 0.584840032048)];
    let how = Origin::Derived { how: "n·Vt·ln(I/Is + 1)" };
    for (t, v) in table {
        close("forward voltage / V", p.forward_voltage_v(1e-3, t), v, 1e-11, "printed to twelve digits", how);
    }
    let slope = (p.forward_voltage_v(1e-3, 358.15) - p.forward_voltage_v(1e-3, 298.15)) / 60.0 * 1e3;
    close("25 to 85 °C / (mV/K)", slope, -0.402902863636, 1e-10, "printed to twelve digits", how);

    // The 0.75 eV contact of the next test, n = 1.08, 5 ohm.
    let p = SchottkyParameters { is_a: 3.712281440780733e-14, n: 1.08, rs_ohm: 5.0, ..Default::default() };
    let slope = (p.forward_voltage_v(1e-3, 301.0) - p.forward_voltage_v(1e-3, 299.0)) / 2.0 * 1e3;
    close("299 to 301 K / (mV/K)", slope, -0.43717102276741304, 1e-9, "difference of two volts over 2 K", how);
}

#[test]
fn thermionic_currents() {
    // eV, A, V at 1 mA with n = 1.08, 5 ohm; 20 µm², 300 K; A* 8.2 and 112 A cm⁻² K⁻² [memory].
    let gallium_arsenide = [
        (0.55, 8.501450250173933e-11, 0.4595525993369683),
        (0.65, 1.7765071343352811e-12, 0.5675525970129502),
        (0.75, 3.712281440780733e-14, 0.6755525969643864),
        (0.85, 7.757375824286572e-16, 0.7835525969633715),
    ];
    let silicon = [
        (0.3, 1.8395531587615587e-05, 0.11706805566657888),
        (0.4, 3.8440256831027624e-07, 0.22456984688749812),
        (0.5, 8.032675425537404e-09, 0.33255934064134307),
        (0.65, 2.4264487688481892e-11, 0.49455911704613087),
    ];
    for (richardson, rows) in [(8.2, gallium_arsenide), (112.0, silicon)] {
        for (barrier_ev, is, vf) in rows {
            let is_a = thermionic_current_a(20e-12, richardson * PER_CM2, barrier_ev, 300.0);
            close("thermionic current / A", is_a, is, 1e-12, "exponent of 33", THERMIONIC);
            let p = SchottkyParameters { is_a, n: 1.08, rs_ohm: 5.0, ..Default::default() };
            close("VF at 1 mA / V", p.forward_voltage_v(1e-3, 300.0), vf, 1e-12, "rounding", THERMIONIC);
        }
    }
    let is = thermionic_current_a(5e-12, 8.0 * PER_CM2, 0.8, 300.0);
    close("5 µm², 0.8 eV / A", is, 1.3088624444e-15, 1e-10, "printed to eleven digits", THERMIONIC);
    let ratio = thermionic_current_a(1.0, 1.0, 0.79, 300.0) / thermionic_current_a(1.0, 1.0, 0.8, 300.0);
    close("factor per 10 mV of barrier", ratio, 1.4722874366661016, 1e-12, "exponent of 31", THERMIONIC);
    let scale = 1.2 * thermal_voltage_v(300.0);
    close("voltage of a factor 2 / V", scale * 2f64.ln(), 0.021503088916564918, 1e-14, "rounding", FORTY_DIGITS);
    close("voltage of a factor 10 / V", scale * 10f64.ln(), 0.07143171519879807, 1e-14, "rounding", FORTY_DIGITS);
}

#[test]
fn with_unit_ideality_both_laws_are_thermionic() {
    let at = |t| thermionic_current_a(20e-12, 8.2 * PER_CM2, 0.75, t);
    for (n, saturation_law) in
        [(1.0, SaturationLaw::DividedByIdeality), (1.0, SaturationLaw::Thermionic), (1.3, SaturationLaw::Thermionic)]
    {
        let p = SchottkyParameters { is_a: at(300.0), n, saturation_law, ..Default::default() };
        for t in [220.0, 350.0, 400.0] {
            close("IS / A", p.saturation_current_a(t), at(t), 1e-12, "exponent of 40", THERMIONIC);
        }
    }
    let divided = SchottkyParameters { n: 1.3, ..Default::default() };
    let plain = SchottkyParameters { saturation_law: SaturationLaw::Thermionic, ..divided.clone() };
    let ratio = plain.saturation_current_a(398.15) / divided.saturation_current_a(398.15);
    assert!(ratio > 5.0, "the two conventions must differ for n = 1.3, ratio {ratio}");
}

#[test]
fn depletion_law_is_off_unless_asked_for() {
    let fixed = SchottkyParameters { is_a: 0.0, cj0_f: 40e-15, vj_v: 0.8, ..Default::default() };
    let moving = SchottkyParameters { depletion_law: DepletionLaw::ConstantGap { gap_ev: 0.75 }, ..fixed.clone() };
    let how = Origin::Memory {
        what: "VJ·T/Tn − 3Vt·ln(T/Tn) − EG·T/Tn + EG and C0·(1 + M(4e-4·ΔT + 1 − VJ(T)/VJ)), written for p-n junctions",
    };
    let table = [
        (223.15, 0.8042639726313012, 3.9278600684217475e-14),
        (300.0, 0.8, 4e-14),
        (358.15, 0.7932877385060524, 4.0633006537348687e-14),
    ];
    for (t, vj, c0) in table {
        let junction = moving.at_temperature(t).expect("valid");
        close("C0(T) / F", junction.at(0.0).capacitance_f, c0, 1e-12, "rounding", how);
        // C(−1)/C0 = (1 + 1/VJ)^−½ shows the built-in voltage.
        let ratio = junction.at(-1.0).capacitance_f / junction.at(0.0).capacitance_f;
        close("VJ(T) / V", 1.0 / (ratio.powi(-2) - 1.0), vj, 1e-11, "one difference of near numbers", how);
        let junction = fixed.at_temperature(t).expect("valid");
        close("C0 / F", junction.at(0.0).capacitance_f, 40e-15, 1e-15, "no law", how);
    }
}

#[test]
fn self_heating_settles_on_the_fixed_point() {
    // V, Rth, T, I; surroundings 300 K.
    let table = [
        [0.7, 0.0, 300.0, 0.0003030865056382789],
        [0.8, 0.0, 300.0, 0.004456044851972987],
        [0.9, 0.0, 300.0, 0.01844075423267995],
        [0.7, 2000.0, 300.42624821044905, 0.0003044630075045364],
        [0.8, 2000.0, 307.19938778150276, 0.004499617363485821],
        [0.9, 2000.0, 332.47064288757906, 0.018039246048687254],
        [0.7, 5000.0, 301.0729515569178, 0.0003065575877167129],
        [0.8, 5000.0, 318.2789331648255, 0.004569733291228313],
        [0.9, 5000.0, 379.4658061253626, 0.017659068027869512],
    ];
    let how = Origin::Derived { how: "fixed point of T = Ta + Rth·V·I(V, T)" };
    for [v, rth, t, i] in table {
        let p = SchottkyParameters { thermal_resistance_k_per_w: Some(rth), ..p1() };
        let found = p.dc_operating_point(v, 300.0).expect("settles");
        close("temperature / K", found.temp_k, t, 1e-9, "fixed point to 1e-9 K", how);
        close("current / A", found.current_a, i, 1e-9, "fixed point to 1e-9 K", how);
        close("loop / V", found.junction_v + 4.0 * found.current_a, v, 1e-13, "Kirchhoff", how);
    }
    // One microsecond follows tones closer than 159 kHz.
    close("thermal corner / Hz", thermal_corner_hz(1e-6), 159154.94309189534, 1e-14, "rounding", how);
}

#[test]
fn thermal_runaway_is_an_error_with_its_cause() {
    let p = SchottkyParameters { rs_ohm: 0.0, thermal_resistance_k_per_w: Some(5e4), ..p1() };
    let error = p.dc_operating_point(0.8, 300.0).expect_err("nothing limits the current");
    assert!(matches!(error, DiodeError::ThermalRunaway { .. }), "{error}");
    assert!(error.to_string().contains("thermal_resistance_k_per_w"), "{error}");
}

#[test]
fn a_medium_barrier_quad_diode_reads_as_stated() {
    // Invented medium-barrier family: 6 pA at 298 K, n = 1.12, 4.2 ohm, 44 fF: 0.549 V at 1 mA, 861 GHz.
    let p = SchottkyParameters {
        is_a: 6e-12,
        n: 1.12,
        rs_ohm: 4.2,
        cj0_f: 44e-15,
        vj_v: 0.78,
        fc: 0.6,
        temp_nominal_k: 298.0,
        barrier_ev: 0.74,
        ..Default::default()
    };
    let how = Origin::Derived { how: "n·Vt·ln(1 + I/Is) + I·Rs and 1/(2π·Rs·Cj0), printed to three digits" };
    close("VF at 1 mA / V", p.forward_voltage_v(1e-3, 298.0), 0.549, 5e-4 / 0.549, "printed to three digits", how);
    close("cut-off / GHz", p.cutoff_hz() / 1e9, 861.0, 0.5 / 861.0, "printed to three digits", how);
}
