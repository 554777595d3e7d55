//! The named numbers of a point, from the port phasors of any method.
//!
//! Whoever solves a case hands in two functions, the voltage phasor of a port and the current phasor
//! of a diode at a frequency, and gets the readings under the names of the file, ready to compare.

use super::{Case, Expected, ORIGIN, Point};
use crate::CheckValue;
use crate::circuit::{Element, Kind};
use num_complex::Complex64;
use std::collections::BTreeMap;

/// A number a method found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Found {
    /// A level, a mean.
    Real(f64),
    /// A reflection, a phasor.
    Complex(Complex64),
}

impl Expected {
    /// Distance of a found number from the expected one, in the unit of the expected one; zero when a
    /// bound is kept; none when the number is not to be tested.
    ///
    /// Panics when a real number meets a complex expectation or the reverse.
    pub fn miss(&self, found: Found) -> Option<f64> {
        match (self, found) {
            (Self::Unsettled, _) => None,
            (Self::Value { value, .. }, Found::Real(x)) => Some((x - value).abs()),
            (Self::Phasor { mag, phase_deg, .. }, Found::Complex(x)) => {
                Some((x - Complex64::from_polar(*mag, phase_deg.to_radians())).norm())
            }
            (Self::Above(bound), Found::Real(x)) => Some((bound - x).max(0.0)),
            (Self::Below(bound), Found::Real(x)) => Some(((if *bound > 0.0 { x.abs() } else { x }) - bound).max(0.0)),
            _ => panic!("expected {self:?}, found {found:?}: not of one kind"),
        }
    }
}

/// How far a method may be from the stated numbers of a point, beyond their own rounding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowance<'a> {
    /// Conversion gain, dB.
    pub gain_db: f64,
    /// Isolations and return losses, dB.
    pub isolation_db: f64,
    /// Reflections and phasors, relative to their magnitude.
    pub relative: f64,
    /// Means (offset voltage, diode currents): relative to their magnitude, plus this much in V or A.
    pub mean: f64,
    /// Spurs above `spur_floor_dbc`, dB.
    pub spur_db: f64,
    /// Spurs stated below this level are not compared, dBc.
    pub spur_floor_dbc: f64,
    /// The method treats the tones as independent: compare with the levels free of shared bins.
    pub independent_tones: bool,
    /// What a number that is zero by symmetry may be short of its bound, dB (or V for a mean).
    pub null_slack: f64,
    /// Why these tolerances.
    pub because: &'a str,
}

/// Checks every stated number of a point that phasors decide, and its spur table; returns how many.
///
/// Panics at the first miss, as [`CheckValue::check`] does.
#[track_caller]
pub fn check_point(
    case: &Case,
    point: &Point,
    voltage: PortPhasor<'_>,
    current: DiodePhasor<'_>,
    allowance: &Allowance<'_>,
) -> usize {
    let mut n_checked = 0;
    for (name, found) in readings(case, point, voltage, current) {
        let expected = point.metrics[&name];
        let Some(miss) = expected.miss(found) else { continue };
        let within = match expected {
            Expected::Value { rounding, .. } if name == "conversion_gain_dB" => rounding + allowance.gain_db,
            Expected::Value { rounding, .. } if name.ends_with("dB") => rounding + allowance.isolation_db,
            Expected::Value { rounding, value, .. } => rounding + allowance.relative * value.abs() + allowance.mean,
            Expected::Phasor { rounding, mag, .. } => rounding + allowance.relative * mag,
            _ => allowance.null_slack,
        };
        let what = format!("{} {}: distance of {name}", case.id, point.label);
        CheckValue { what: &what, expected: 0.0, within, because: allowance.because, origin: ORIGIN }.check(miss);
        n_checked += 1;
    }
    for (spur, level) in point.spurs.iter().zip(spur_levels(case, point, voltage)) {
        let expected = if allowance.independent_tones { spur.independent_dbc() } else { spur.dbc };
        // A bin filled by a collision only is a null for a method with independent tones alone.
        let shared = spur.shared_bin_dbc.is_some() && !allowance.independent_tones;
        let (expected, within) = match expected {
            Expected::Value { value, rounding, .. } if value > allowance.spur_floor_dbc => {
                (value, rounding + allowance.spur_db)
            }
            // Anything from minus infinity to the bound is right.
            Expected::Below(bound) if !shared && level > bound => (bound, allowance.null_slack),
            _ => continue,
        };
        let what = format!("{} {}: spur ({}, {}), dBc", case.id, point.label, spur.m, spur.n);
        CheckValue { what: &what, expected, within, because: allowance.because, origin: ORIGIN }.check(level);
        n_checked += 1;
    }
    n_checked
}

/// Source of one port at its own tone.
struct Source {
    f_hz: f64,
    emf: Complex64,
    available_w: f64,
}

/// Peak phasor of a port voltage: `(port index, frequency in Hz) -> V`; the mean at frequency zero.
pub type PortPhasor<'a> = &'a dyn Fn(usize, f64) -> Complex64;
/// Peak phasor of a diode current: `(name, frequency in Hz) -> A`; the mean at frequency zero.
pub type DiodePhasor<'a> = &'a dyn Fn(&str, f64) -> Complex64;

/// All readings of a point that its file names and that phasors decide.
pub fn readings(
    case: &Case,
    point: &Point,
    voltage: PortPhasor<'_>,
    current: DiodePhasor<'_>,
) -> BTreeMap<String, Found> {
    let names = point.metrics.keys();
    names.filter_map(|name| Some((name.clone(), reading(name, case, point, voltage, current)?))).collect()
}

/// Level of every product of the spur table at port 3 relative to the wanted one, dB.
pub fn spur_levels(case: &Case, point: &Point, voltage: PortPhasor<'_>) -> Vec<f64> {
    let f_rf = point.f_rf_hz.unwrap_or(0.0);
    let at = |m: i32, n: i32| voltage(3, (f64::from(m) * point.f_lo_hz + f64::from(n) * f_rf).abs()).norm();
    let wanted = at(case.wanted.0, case.wanted.1);
    point.spurs.iter().map(|s| 20.0 * (at(s.m, s.n) / wanted).log10()).collect()
}

fn reading(name: &str, case: &Case, point: &Point, voltage: PortPhasor<'_>, current: DiodePhasor<'_>) -> Option<Found> {
    let wanted_hz = (f64::from(case.wanted.0) * point.f_lo_hz + f64::from(case.wanted.1) * point.f_rf_hz?).abs();
    if let Some(diode) = name.strip_prefix("I_DC_diodes_A/") {
        return Some(Found::Real(current(diode, 0.0).re));
    }
    let out_dbm = |port: usize, f_hz: f64| {
        let r = resistance(&point.elements, port)?;
        Some(10.0 * (voltage(port, f_hz).norm_sqr() / (2.0 * r) / 1e-3).log10())
    };
    let available_dbm = |s: &Source| 10.0 * (s.available_w / 1e-3).log10();
    let isolation = |from: usize, to: usize| {
        let source = source(&point.elements, from)?;
        Some(Found::Real(available_dbm(&source) - out_dbm(to, source.f_hz)?))
    };
    let gamma = |port: usize| {
        let source = source(&point.elements, port)?;
        Some((2.0 * voltage(port, source.f_hz) - source.emf) / source.emf)
    };
    let loss = |port: usize| Some(Found::Real(-20.0 * gamma(port)?.norm().log10()));
    match name {
        "conversion_gain_dB" => Some(Found::Real(out_dbm(3, wanted_hz)? - available_dbm(&source(&point.elements, 2)?))),
        "LO_to_RF_isolation_dB" => isolation(1, 2),
        "LO_to_IF_isolation_dB" => isolation(1, 3),
        "RF_to_IF_isolation_dB" => isolation(2, 3),
        "RF_to_LO_isolation_dB" => isolation(2, 1),
        "return_loss_LO_dB" => loss(1),
        "return_loss_RF_dB" => loss(2),
        "Gamma_LO" | "Gamma_pump" => Some(Found::Complex(gamma(1)?)),
        "Gamma_RF" | "Gamma_signal" => Some(Found::Complex(gamma(2)?)),
        "V_IFport_at_IF_peak" => Some(Found::Complex(voltage(3, wanted_hz))),
        "V_IFport_DC" => Some(Found::Real(voltage(3, 0.0).re)),
        _ => None,
    }
}

fn port(elements: &[Element], wanted: usize) -> Option<&Kind> {
    elements.iter().map(|e| &e.kind).find(|k| matches!(k, Kind::Port { index, .. } if *index == wanted))
}

fn resistance(elements: &[Element], index: usize) -> Option<f64> {
    match port(elements, index)? {
        Kind::Port { r_ohm, .. } => Some(*r_ohm),
        _ => None,
    }
}

fn source(elements: &[Element], index: usize) -> Option<Source> {
    let Kind::Port { r_ohm, tones, .. } = port(elements, index)? else { return None };
    let tone = tones.first()?;
    let emf = Complex64::from_polar((8.0 * r_ohm * tone.available_w).sqrt(), tone.phase_rad);
    Some(Source { f_hz: tone.f_hz, emf, available_w: tone.available_w })
}
