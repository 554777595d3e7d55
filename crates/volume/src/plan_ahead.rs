//! What a solution will cost, before it is started, and a key that names it.

use crate::VolumeError;
use crate::element::Order;
use crate::model::{Model, PortShape, Surface};
use crate::solution::SolveSettings;
use crate::space::Formulation;
use crate::system::System;
use std::sync::Arc;

/// Name of the method in keys; changes when results may change.
const METHOD: &str = "prism edge elements 3";

/// Expected cost of one full solution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cost {
    /// Unknowns.
    pub unknowns: usize,
    /// Entries of the factor.
    pub factor_entries: usize,
    /// Real floating-point operations of the factorisation.
    pub flops: f64,
    /// Memory at the peak, bytes.
    pub peak_bytes: usize,
    /// Time at the given rate, second.
    pub time_s: f64,
}

impl Cost {
    /// Refuses a solution that needs more memory than `bytes_max`.
    pub fn check(&self, bytes_max: usize) -> Result<(), VolumeError> {
        if self.peak_bytes <= bytes_max {
            return Ok(());
        }
        Err(VolumeError::Memory { needed: self.peak_bytes, allowed: bytes_max, unknowns: self.unknowns })
    }
}

/// Cost of one full solution of `model`, from the analysis of its equations.
///
/// `flops_per_s` is the sustained rate of the factorisation on this machine, about half of the
/// dense complex multiply rate.
pub fn cost(model: &Model, order: Order, formulation: Formulation, flops_per_s: f64) -> Result<Cost, VolumeError> {
    let system = System::new(&Arc::new(model.clone()), order, formulation)?;
    Ok(cost_of(&system, 16, flops_per_s))
}

/// Cost of one full solution of assembled equations with a factor of `bytes_per_number`.
pub(crate) fn cost_of(system: &System, bytes_per_number: usize, flops_per_s: f64) -> Cost {
    const BYTES: usize = 16;
    // The matrix, its scaled copy, the parts it is made of, and the right-hand sides.
    let held =
        system.pattern.n_entries() * (2 * BYTES + 3 * 12) + 4 * BYTES * system.pattern.order() * system.ports.len();
    let flops = 8.0 * system.analysis.multiply_adds;
    Cost {
        unknowns: system.space.n_unknowns,
        factor_entries: system.analysis.factor_entries,
        flops,
        peak_bytes: system.analysis.peak_bytes(bytes_per_number) + held,
        time_s: flops / flops_per_s,
    }
}

/// Bytes that name a solution: equal bytes mean the same structure, mesh and choices, so a stored
/// result may be used again. Numbers enter by their bits. Hash them for a short key.
pub fn cache_bytes(model: &Model, settings: &SolveSettings, freqs_hz: &[f64]) -> Vec<u8> {
    let mut key = Key(Vec::new());
    key.text(METHOD);
    key.text(&format!("{settings:?}"));
    key.numbers(freqs_hz);
    let mesh = &model.mesh;
    mesh.plan.points.iter().for_each(|p| key.numbers(p));
    key.count(mesh.plan.triangles.len());
    mesh.plan.triangles.iter().flatten().for_each(|&v| key.count(v as usize));
    key.numbers(&mesh.levels_m);
    mesh.linear_layers.iter().for_each(|&l| key.count(usize::from(l)));
    mesh.media.iter().for_each(|m| key.count(m.map_or(usize::MAX, usize::from)));
    mesh.flat_faces.iter().chain(&mesh.upright_faces).for_each(|f| key.text(&format!("{f:?}")));
    for m in &model.media {
        key.numbers(&[m.permittivity, m.loss_tangent, m.reference_hz, m.conductivity_s_per_m]);
    }
    model.surfaces.iter().for_each(|s| key.surface(s));
    model.ports.iter().for_each(|p| key.port(p));
    key.0
}

struct Key(Vec<u8>);

impl Key {
    fn text(&mut self, text: &str) {
        self.count(text.len());
        self.0.extend_from_slice(text.as_bytes());
    }
    fn count(&mut self, n: usize) {
        self.0.extend_from_slice(&(n as u64).to_le_bytes());
    }
    fn numbers(&mut self, numbers: &[f64]) {
        self.count(numbers.len());
        numbers.iter().for_each(|x| self.0.extend_from_slice(&x.to_bits().to_le_bytes()));
    }
    fn surface(&mut self, surface: &Surface) {
        match *surface {
            Surface::Conductor { conductivity_s_per_m, thickness_m, roughness_m } => {
                self.text("conductor");
                self.numbers(&[conductivity_s_per_m, thickness_m, roughness_m]);
            }
            Surface::Sheet { conductivity_s_per_m, thickness_m } => {
                self.text("sheet");
                self.numbers(&[conductivity_s_per_m, thickness_m]);
            }
            Surface::FoilSum { conductivity_s_per_m, thickness_m, roughness_m } => {
                self.text("foil sum");
                self.numbers(&[conductivity_s_per_m, thickness_m, roughness_m]);
            }
            Surface::FoilDifference { conductivity_s_per_m, thickness_m, roughness_m } => {
                self.text("foil difference");
                self.numbers(&[conductivity_s_per_m, thickness_m, roughness_m]);
            }
            Surface::FoilAlone { conductivity_s_per_m, thickness_m, roughness_m } => {
                self.text("foil alone");
                self.numbers(&[conductivity_s_per_m, thickness_m, roughness_m]);
            }
            Surface::FoilEdge { conductivity_s_per_m, thickness_m, roughness_m } => {
                self.text("foil edge");
                self.numbers(&[conductivity_s_per_m, thickness_m, roughness_m]);
            }
            Surface::Given { admittance_s } => {
                self.text("given");
                self.numbers(&[admittance_s.re, admittance_s.im]);
            }
            Surface::Resistor { ohm_per_square } => {
                self.text("resistor");
                self.numbers(&[ohm_per_square]);
            }
            Surface::Inductor { henry_per_square } => {
                self.text("inductor");
                self.numbers(&[henry_per_square]);
            }
            Surface::Capacitor { farad_of_square } => {
                self.text("capacitor");
                self.numbers(&[farad_of_square]);
            }
            Surface::Absorbing { medium: m } => {
                self.text("absorbing");
                self.numbers(&[m.permittivity, m.loss_tangent, m.reference_hz, m.conductivity_s_per_m]);
            }
        }
    }
    fn port(&mut self, port: &PortShape) {
        match port {
            PortShape::Sheet { flat, upright, direction, width_m, reference_ohm } => {
                self.text("sheet");
                self.count(flat.len());
                flat.iter().chain(upright).for_each(|f| {
                    self.count(f.0 as usize);
                    self.count(f.1 as usize);
                });
                self.numbers(direction);
                self.numbers(&[*width_m, *reference_ohm]);
            }
            PortShape::Wave { edges, n_modes, shift_m, path } => {
                self.text("wave");
                edges.iter().for_each(|&e| self.count(e as usize));
                self.count(*n_modes);
                self.numbers(&[*shift_m]);
                self.text(&format!("{path:?}"));
            }
        }
    }
}
