//! Self-test of sheet ports: a port closed by a known part must equal the part solved in the field.

use crate::VolumeError;
use crate::model::{Face, Model, PortShape, Surface};
use crate::solution::{Driven, SolveSettings};
use numerics::{CMatrix, Complex64, Watch};
use std::f64::consts::TAU;

/// A part that closes a port.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Part {
    /// Resistor, ohm.
    Resistor(f64),
    /// Inductor, henry.
    Inductor(f64),
    /// Capacitor, farad.
    Capacitor(f64),
}

impl Part {
    fn impedance_ohm(self, freq_hz: f64) -> Complex64 {
        match self {
            Self::Resistor(r) => r.into(),
            Self::Inductor(l) => Complex64::new(0.0, TAU * freq_hz * l),
            Self::Capacitor(c) => Complex64::new(0.0, TAU * freq_hz * c).inv(),
        }
    }

    /// The part spread over a sheet of `squares = length/width`.
    fn spread(self, squares: f64) -> Surface {
        match self {
            Self::Resistor(r) => Surface::Resistor { ohm_per_square: r / squares },
            Self::Inductor(l) => Surface::Inductor { henry_per_square: l / squares },
            Self::Capacitor(c) => Surface::Capacitor { farad_of_square: c * squares },
        }
    }
}

/// Largest difference of the remaining S-entries between the port closed by `part` in the network
/// and the part spread over the port's sheet in the field.
///
/// The two differ by the non-uniform current a sheet can carry and a port cannot; a small number
/// says that the port is small enough for the frequency.
pub fn port_self_test(
    model: &Model,
    settings: SolveSettings,
    port_idx: usize,
    part: Part,
    freq_hz: f64,
    watch: &dyn Watch,
) -> Result<f64, VolumeError> {
    let simple = model.ports.iter().all(|p| !matches!(p, PortShape::Wave { n_modes, .. } if *n_modes != 1));
    let Some(PortShape::Sheet { flat, upright, width_m, reference_ohm, .. }) =
        model.ports.get(port_idx).filter(|_| simple)
    else {
        return Err(VolumeError::Port {
            what: format!("expected a sheet port with index {port_idx} and single-mode ports besides, found another"),
        });
    };
    let full = Driven::new(model.clone(), settings)?.solve(freq_hz, watch)?.scattering;
    let z = part.impedance_ohm(freq_hz);
    let closed = close(&full, port_idx, (z - *reference_ohm) / (z + *reference_ohm));
    let mut filled = model.clone();
    let squares = length_m(model, flat, upright, *width_m) / width_m;
    fill(&mut filled, flat, upright, part.spread(squares));
    filled.ports.remove(port_idx);
    let inside = Driven::new(filled, settings)?.solve(freq_hz, watch)?.scattering;
    Ok((&closed - &inside).max_abs())
}

/// Largest differences of S between internal ports closed by known parts in the network and the same parts solved
/// inside as sheets: how far the ports may be taken as lumped.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PortTest {
    /// Frequency, hertz.
    pub freq_hz: f64,
    /// With resistors of the ports' references.
    pub resistor: f64,
    /// With inductors of that reactance.
    pub inductor: f64,
    /// With capacitors of that reactance.
    pub capacitor: f64,
}

/// Self-test of all sheet ports of a model at once, seen from the other ports (from the first sheet port when there
/// is no other); `None` when nothing is left to test or a wave port carries several modes.
pub fn internal_ports_test(
    model: &Model,
    settings: SolveSettings,
    freq_hz: f64,
    watch: &dyn Watch,
) -> Result<Option<PortTest>, VolumeError> {
    let mut closed: Vec<usize> =
        (0..model.ports.len()).filter(|&p| matches!(model.ports[p], PortShape::Sheet { .. })).collect();
    if closed.len() == model.ports.len() && !closed.is_empty() {
        closed.remove(0);
    }
    let simple = model.ports.iter().all(|p| !matches!(p, PortShape::Wave { n_modes, .. } if *n_modes != 1));
    if closed.is_empty() || !simple {
        return Ok(None);
    }
    let full = Driven::new(model.clone(), settings)?.solve(freq_hz, watch)?.scattering;
    let omega = TAU * freq_hz;
    let kinds: [fn(f64, f64) -> Part; 3] =
        [|r, _| Part::Resistor(r), |r, w| Part::Inductor(r / w), |r, w| Part::Capacitor(1.0 / (r * w))];
    let mut worst = [0.0; 3];
    for (kind, worst) in kinds.into_iter().zip(&mut worst) {
        let mut filled = model.clone();
        let mut gammas = Vec::new();
        for &p in &closed {
            let PortShape::Sheet { flat, upright, width_m, reference_ohm, .. } = &model.ports[p] else { continue };
            let part = kind(*reference_ohm, omega);
            let z = part.impedance_ohm(freq_hz);
            gammas.push((z - *reference_ohm) / (z + *reference_ohm));
            fill(&mut filled, flat, upright, part.spread(length_m(model, flat, upright, *width_m) / width_m));
        }
        closed.iter().rev().for_each(|&p| drop(filled.ports.remove(p)));
        let inside = Driven::new(filled, settings)?.solve(freq_hz, watch)?.scattering;
        *worst = (&close_all(&full, &closed, &gammas)? - &inside).max_abs();
    }
    let [resistor, inductor, capacitor] = worst;
    Ok(Some(PortTest { freq_hz, resistor, inductor, capacitor }))
}

/// Puts a surface where a port's sheet was.
fn fill(model: &mut Model, flat: &[(u32, u32)], upright: &[(u32, u32)], surface: Surface) {
    model.surfaces.push(surface);
    let face = Face::Surface(model.surfaces.len() as u16 - 1);
    let (n_levels, n_layers) = (model.mesh.n_levels(), model.mesh.n_layers());
    flat.iter().for_each(|f| model.mesh.flat_faces[f.0 as usize * n_levels + f.1 as usize] = face);
    upright.iter().for_each(|f| model.mesh.upright_faces[f.0 as usize * n_layers + f.1 as usize] = face);
}

/// Scattering of the other ports when some are closed by reflections.
fn close_all(s: &CMatrix, closed: &[usize], gammas: &[Complex64]) -> Result<CMatrix, VolumeError> {
    let kept: Vec<usize> = (0..s.n_rows()).filter(|p| !closed.contains(p)).collect();
    let n = closed.len();
    let (skk, skc, sck) = (s.select(&kept, &kept), s.select(&kept, closed), s.select(closed, &kept));
    // a_c = Γ b_c, b_c = S_ck a + S_cc a_c.
    let one = CMatrix::identity(n);
    let loops = CMatrix::from_fn(n, n, |i, j| one[(i, j)] - s[(closed[i], closed[j])] * gammas[j]);
    let into = numerics::linear::solve(&loops, &sck)?;
    let back = CMatrix::from_fn(kept.len(), n, |i, j| skc[(i, j)] * gammas[j]);
    Ok(&skk + &(&back * &into))
}

/// Area of the port's sheet over its width.
fn length_m(model: &Model, flat: &[(u32, u32)], upright: &[(u32, u32)], width_m: f64) -> f64 {
    let mesh = &model.mesh;
    let flat_area: f64 = flat.iter().map(|f| crate::plan::area(mesh.plan.corners(f.0 as usize)).abs()).sum();
    let upright_area: f64 =
        upright.iter().map(|f| mesh.plan.edge_length(f.0 as usize) * mesh.height(f.1 as usize)).sum();
    (flat_area + upright_area) / width_m
}

/// Scattering of the other ports when one is closed by a reflection.
fn close(s: &CMatrix, k: usize, gamma: Complex64) -> CMatrix {
    let kept: Vec<usize> = (0..s.n_rows()).filter(|&p| p != k).collect();
    let loop_gain = gamma / (1.0 - gamma * s[(k, k)]);
    CMatrix::from_fn(kept.len(), kept.len(), |i, j| {
        s[(kept[i], kept[j])] + s[(kept[i], k)] * loop_gain * s[(k, kept[j])]
    })
}
