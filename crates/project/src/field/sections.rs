//! Coupled lines and film capacitors on the stack of a design.
//!
//! A cross-section is solved once for all parts that share it, in this process and, with a cache folder, in the next.

use crate::cache::{self, Found, Key, Reader, Writer};
use crate::design::Design;
use crate::error::ProjectError;
use circuit::Loss;
use lines::{
    CrossSection, Filling, LineBlock, LineData, LineSettings, LineTable, LinesError, Outline, Strip, Surface,
    section_of_stack, solve_lines,
};
use numerics::RMatrix;
use quantity::constants::VACUUM_PERMITTIVITY_F_PER_M;
use stackup::{Stackup, StackupError};

/// Name of the method in keys; changes when results may change.
const METHOD: &str = "cross-section 1";
/// Highest frequency at which losses are solved, hertz; above they follow the square root of frequency.
const LOSSES_UP_TO_HZ: f64 = 200e9;
/// Reference of the scattering matrices of sections, ohm: about that of the lines.
const REFERENCE_OHM: f64 = 50.0;

/// A length of coupled lines on the stack of a design.
pub(crate) fn block(
    design: &Design,
    part: &str,
    strips: &[Strip],
    walls_m: Option<[f64; 2]>,
    length_m: f64,
) -> Result<LineBlock, ProjectError> {
    let wrong = |source| ProjectError::Section { part: part.into(), source };
    let table = line_table(stack_of(design), strips, walls_m).map_err(wrong)?;
    Ok(LineBlock::new(table, length_m, REFERENCE_OHM))
}

/// Capacitance, farad, and loss of plates over a film of a design.
pub(crate) fn film_capacitor(design: &Design, film: &str, size_m: [f64; 2]) -> Result<(f64, Loss), ProjectError> {
    let stack = stack_of(design);
    let of = |source: StackupError| ProjectError::Section { part: film.into(), source: source.into() };
    let farad = film_capacitance_f(stack, film, size_m).map_err(of)?;
    let layer = &stack.layers[stack.layer(film).map_err(of)?];
    let tangent = stack.dielectrics[stack.dielectric(&layer.material).map_err(of)?].loss_tangent.nominal;
    let loss = if tangent > 0.0 { Loss::Quality(1.0 / tangent) } else { Loss::None };
    Ok((farad, loss))
}

/// Capacitance of plates over a film, farad: `ε₀ ε_r · area / thickness`, the field between the plates without fringe.
///
/// # Errors
/// A film that the stack does not have, or of no thickness.
pub fn film_capacitance_f(stack: &Stackup, film: &str, size_m: [f64; 2]) -> Result<f64, StackupError> {
    let layer = &stack.layers[stack.layer(film)?];
    let dielectric = &stack.dielectrics[stack.dielectric(&layer.material)?];
    let thickness_m = layer.thickness_m.nominal;
    if thickness_m.is_nan() || thickness_m <= 0.0 {
        let fault = format!("expected a thickness above zero, found {thickness_m} m");
        return Err(StackupError::Number { what: format!("{film} thickness"), fault });
    }
    Ok(VACUUM_PERMITTIVITY_F_PER_M * dielectric.eps_r.nominal * size_m[0] * size_m[1] / thickness_m)
}

fn stack_of(design: &Design) -> &Stackup {
    &design.technology.as_ref().expect("parts on the stack were read with a stack").stackup
}

/// Matrices of strips on a stack at any frequency; solved unless they are kept from before.
///
/// # Errors
/// Strips that cannot be solved.
pub fn line_table(stack: &Stackup, strips: &[Strip], walls_m: Option<[f64; 2]>) -> Result<LineTable, LinesError> {
    let section = section_of_stack(stack, strips, walls_m)?;
    let settings = LineSettings::default();
    let key = Key::new(METHOD, &canonical(section.section(), &settings));
    let kept = match cache::look(key) {
        Found::Kept(bytes) => data_from(&bytes),
        Found::Absent | Found::Damaged(_) => None,
    };
    let data = match kept {
        Some(data) => data,
        None => {
            let (solution, _) = solve_lines(section.section(), &settings)?;
            let data = LineData::of(&solution, LOSSES_UP_TO_HZ)?;
            // without a folder to write to, the next process solves again; the answer is the same
            let _ = cache::keep(key, bytes_of(&data));
            data
        }
    };
    LineTable::from_data(data, Some(stack.dielectrics.clone()))
}

/// Everything the matrices depend on, numbers by their bits; names are left out.
fn canonical(section: &CrossSection, settings: &LineSettings) -> Vec<u8> {
    let mut out = Writer::default();
    out.numbers(&[settings.tolerance, LOSSES_UP_TO_HZ]);
    out.count(settings.polynomials);
    let surface = |out: &mut Writer, s: &Surface| out.numbers(&[s.conductivity_s_per_m, s.roughness_rms_m]);
    if let Some(ground) = &section.ground {
        out.text("ground");
        surface(&mut out, ground);
    }
    if let Some((height_m, metal)) = &section.lid {
        out.text("lid");
        out.number(*height_m);
        surface(&mut out, metal);
    }
    out.numbers(section.walls_m.as_ref().map_or(&[], |w| w.as_slice()));
    out.count(section.fillings.len());
    section.fillings.iter().for_each(|f| out.numbers(&[f.eps_r, f.loss_tangent]));
    for layer in &section.layers {
        out.number(layer.top_m);
        out.count(layer.filling);
    }
    for conductor in &section.conductors {
        out.text(if conductor.reference { "reference" } else { "line" });
        surface(&mut out, &conductor.surface);
        out.text(match conductor.outline {
            Outline::Solid(_) => "solid",
            Outline::Box(_) => "box",
            Outline::Sheet(..) => "sheet",
            Outline::Wire { .. } => "wire",
            Outline::Shield { .. } => "shield",
        });
        match &conductor.outline {
            Outline::Solid(corners) | Outline::Box(corners) => corners.iter().for_each(|c| out.numbers(c)),
            Outline::Sheet(a, b) => [a, b].iter().for_each(|c| out.numbers(*c)),
            Outline::Wire { centre, radius_m } => out.numbers(&[centre[0], centre[1], *radius_m]),
            Outline::Shield { centre, radius_m, wall_m } => out.numbers(&[centre[0], centre[1], *radius_m, *wall_m]),
        }
    }
    out.0
}

fn bytes_of(data: &LineData) -> Vec<u8> {
    let mut out = Writer::default();
    out.count(data.n_lines());
    out.number(data.error_estimate);
    out.numbers(&data.freqs_hz);
    out.count(data.fillings.len());
    data.fillings.iter().for_each(|f| out.numbers(&[f.eps_r, f.loss_tangent]));
    let lists = [&data.c_by_permittivity, &data.r_ohm_per_m, &data.internal_h_per_m];
    let matrices = [&data.c_f_per_m, &data.l_h_per_m].into_iter().chain(lists.into_iter().flatten());
    matrices.for_each(|m| out.numbers(m.as_slice()));
    out.0
}

/// Reads what [`bytes_of`] wrote; nothing when it is not that.
fn data_from(bytes: &[u8]) -> Option<LineData> {
    let mut from = Reader(bytes);
    let n = from.count()?;
    let error_estimate = from.number()?;
    let freqs_hz = from.numbers()?;
    let n_fillings = from.count()?;
    let mut fillings = Vec::new();
    for _ in 0..n_fillings {
        let [eps_r, loss_tangent] = from.numbers()?.try_into().ok()?;
        fillings.push(Filling { eps_r, loss_tangent });
    }
    let mut matrix = || -> Option<RMatrix> {
        let values = from.numbers()?;
        (values.len() == n * n).then(|| RMatrix::from_fn(n, n, |i, j| values[i * n + j]))
    };
    let (c_f_per_m, l_h_per_m) = (matrix()?, matrix()?);
    let mut list = |length: usize| (0..length).map(|_| matrix()).collect::<Option<Vec<_>>>();
    let c_by_permittivity = list(n_fillings)?;
    let (r_ohm_per_m, internal_h_per_m) = (list(freqs_hz.len())?, list(freqs_hz.len())?);
    let data = LineData {
        c_f_per_m,
        l_h_per_m,
        error_estimate,
        fillings,
        c_by_permittivity,
        freqs_hz,
        r_ohm_per_m,
        internal_h_per_m,
    };
    data.check().ok().map(|()| data)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_a_table_survive_being_kept() {
        let m = |x: f64| RMatrix::from_rows(&[vec![x, -0.1 * x], vec![-0.1 * x, 2.0 * x]]);
        let data = LineData {
            c_f_per_m: m(1e-10),
            l_h_per_m: m(1.0 / 3.0),
            error_estimate: 3.5e-5,
            fillings: vec![Filling { eps_r: 2.9, loss_tangent: 0.004 }],
            c_by_permittivity: vec![m(1e-11)],
            freqs_hz: vec![1e9, 2e9, 4e9, 8e9],
            r_ohm_per_m: (1..5).map(|k| m(f64::from(k))).collect(),
            internal_h_per_m: (1..5).map(|k| m(1e-9 / f64::from(k))).collect(),
        };
        let bytes = bytes_of(&data);
        assert_eq!(data_from(&bytes), Some(data));
        for n in 0..bytes.len() {
            assert_eq!(data_from(&bytes[..n]), None, "cut after {n} bytes");
        }
    }
}
