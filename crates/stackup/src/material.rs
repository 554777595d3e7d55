//! Dielectrics and metals.

use crate::Dimension;
use numerics::Complex64;
use quantity::constants::VACUUM_PERMEABILITY_H_PER_M;
use std::f64::consts::PI;

/// A dielectric.
#[derive(Debug, Clone, PartialEq)]
pub struct Dielectric {
    /// Name, unique among the materials.
    pub name: String,
    /// Relative permittivity at [`Dielectric::at_hz`].
    pub eps_r: Dimension,
    /// Loss tangent at [`Dielectric::at_hz`].
    pub loss_tangent: Dimension,
    /// Frequency at which both were given, hertz.
    pub at_hz: f64,
}

/// Lower edge of the relaxation band of [`Dielectric::permittivity`], hertz: far below all use.
const RELAX_FROM_HZ: f64 = 1e3;
/// Upper edge of the relaxation band, hertz: far above all use.
const RELAX_TO_HZ: f64 = 1e13;

impl Dielectric {
    /// Air.
    pub fn air() -> Self {
        Self { name: "air".into(), eps_r: Dimension::exact(1.0), loss_tangent: Dimension::exact(0.0), at_hz: 1e9 }
    }

    /// Relative permittivity `ε' − jε''` at a frequency, causal: real part and loss belong together.
    ///
    /// A band of relaxations of equal weight per decade between 1 kHz and 10 THz gives a nearly constant
    /// loss tangent and the slow fall of the real part that causality then demands.
    /// It meets `eps_r` and `loss_tangent` exactly at [`Dielectric::at_hz`].
    /// Source: A. R. Djordjević, R. M. Biljić, V. D. Likar-Smiljanić, T. K. Sarkar, "Wideband frequency-domain
    /// characterization of FR-4 and time-domain causality", IEEE Trans. EMC 43 (2001) 662-667, eq. (9) (memory).
    pub fn permittivity(&self, freq_hz: f64) -> Complex64 {
        self.permittivity_of(self.eps_r.nominal, self.loss_tangent.nominal, freq_hz)
    }

    /// The same law for other values of permittivity and loss tangent.
    pub fn permittivity_of(&self, eps_r: f64, loss_tangent: f64, freq_hz: f64) -> Complex64 {
        let shape = |f: f64| {
            let top = Complex64::new(RELAX_TO_HZ, f);
            let low = Complex64::new(RELAX_FROM_HZ, f);
            (top / low).ln()
        };
        let reference = shape(self.at_hz);
        let weight = eps_r * loss_tangent / -reference.im;
        Complex64::from(eps_r - weight * reference.re) + shape(freq_hz) * weight
    }
}

/// A metal.
#[derive(Debug, Clone, PartialEq)]
pub struct Metal {
    /// Name, unique among the materials.
    pub name: String,
    /// Conductivity, siemens per metre.
    pub conductivity_s_per_m: Dimension,
    /// Root-mean-square height of the surface roughness, metre.
    pub roughness_rms_m: f64,
}

impl Metal {
    /// Skin depth, metre.
    pub fn skin_depth_m(&self, freq_hz: f64) -> f64 {
        1.0 / (PI * freq_hz * VACUUM_PERMEABILITY_H_PER_M * self.conductivity_s_per_m.nominal).sqrt()
    }
}
