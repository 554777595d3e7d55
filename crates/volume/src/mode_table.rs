//! Guided waves of a port plane over a band, from a few solutions of its eigenproblem.
//!
//! Functional, phase constant over wavenumber and line impedance are smooth in the root of frequency; polynomials
//! through Chebyshev points stand for them and are compared with solutions in between. Source of the barycentric
//! form: J.-P. Berrut, L. N. Trefethen, "Barycentric Lagrange interpolation", SIAM Review 46 (2004).

use crate::VolumeError;
use crate::model::{Model, UprightPath};
use crate::modes::{port_modes, quasi_static_hz};
use crate::space::Space;
use crate::system::{to_unknowns, wavenumber};
use numerics::Complex64;

/// Numbers of points tried in turn.
const POINTS: [usize; 3] = [7, 13, 25];
/// Largest relative difference to solutions between the points.
const ERROR_MAX: f64 = 1e-7;

/// What a wave port is at one frequency.
#[derive(Debug, Clone)]
pub(crate) struct ModeReading {
    /// Voltage functional on unknowns.
    pub functional: Vec<(u32, Complex64)>,
    /// Phase constant, 1/m.
    pub beta: Complex64,
    /// Line impedance, ohm.
    pub impedance_ohm: Option<Complex64>,
}

/// One mode over a band.
#[derive(Debug, Clone)]
pub(crate) struct ModeTable {
    band_hz: [f64; 2],
    points: Vec<f64>,
    weights: Vec<f64>,
    readings: Vec<ModeReading>,
}

/// The only mode of a plane at one frequency.
pub(crate) fn reading(
    model: &Model,
    space: &Space,
    edges: &[u32],
    path: Option<&UprightPath>,
    freq_hz: f64,
) -> Result<ModeReading, VolumeError> {
    let mode = port_modes(model, space, edges, 1, freq_hz)?.swap_remove(0);
    let impedance_ohm = path.map(|p| mode.impedance_ohm(space, p));
    let functional = to_unknowns(space, mode.functional.into_iter()).into_iter().collect();
    Ok(ModeReading { functional, beta: mode.beta, impedance_ohm })
}

impl ModeTable {
    /// The mode between two frequencies, or `None` when it is not smooth enough, as near a cut-off.
    pub(crate) fn new(
        model: &Model,
        space: &Space,
        edges: &[u32],
        path: Option<&UprightPath>,
        band_hz: [f64; 2],
    ) -> Result<Option<Self>, VolumeError> {
        let floor = quasi_static_hz(model, edges);
        let band_hz = [band_hz[0].max(floor), band_hz[1].max(floor * 1.01)];
        let at = |t: f64| reading(model, space, edges, path, t * t);
        for n in POINTS {
            let out = Self::through(band_hz, n, &at)?;
            let [low, high] = band_hz.map(f64::sqrt);
            let mut worst = 0.0_f64;
            for share in [0.011, 0.23, 0.61, 0.93] {
                let t = low + share * (high - low);
                worst = worst.max(difference(&out.at(t * t), &at(t)?));
            }
            if worst < ERROR_MAX {
                return Ok(Some(out));
            }
        }
        Ok(None)
    }

    /// The mode of a slightly changed plane through the same kind of points, without the comparison.
    pub(crate) fn alike(
        &self,
        model: &Model,
        space: &Space,
        edges: &[u32],
        path: Option<&UprightPath>,
    ) -> Result<Self, VolumeError> {
        Self::through(self.band_hz, self.points.len(), &|t| reading(model, space, edges, path, t * t))
    }

    fn through(
        band_hz: [f64; 2],
        n: usize,
        at: &dyn Fn(f64) -> Result<ModeReading, VolumeError>,
    ) -> Result<Self, VolumeError> {
        let [low, high] = band_hz.map(f64::sqrt);
        let points: Vec<f64> = (0..n)
            .map(|k| {
                let c = (std::f64::consts::PI * k as f64 / (n - 1) as f64).cos();
                (low + high) / 2.0 - c * (high - low) / 2.0
            })
            .collect();
        let sign = |k: usize| if k.is_multiple_of(2) { 1.0 } else { -1.0 };
        let weights = (0..n).map(|k| sign(k) * if k == 0 || k == n - 1 { 0.5 } else { 1.0 }).collect();
        let readings = points.iter().map(|&t| at(t)).collect::<Result<_, _>>()?;
        Ok(Self { band_hz, points, weights, readings })
    }

    /// The mode at any frequency; outside the band its shape is that of the nearer end.
    pub(crate) fn at(&self, freq_hz: f64) -> ModeReading {
        let inside = freq_hz.clamp(self.band_hz[0], self.band_hz[1]);
        let t = inside.sqrt();
        let shares: Vec<f64> = match self.points.iter().position(|p| (p - t).abs() <= 1e-14 * t) {
            Some(hit) => (0..self.points.len()).map(|k| f64::from(u8::from(k == hit))).collect(),
            None => {
                let raw: Vec<f64> = self.points.iter().zip(&self.weights).map(|(p, w)| w / (t - p)).collect();
                let sum: f64 = raw.iter().sum();
                raw.into_iter().map(|r| r / sum).collect()
            }
        };
        let mix =
            |f: &dyn Fn(usize) -> Complex64| -> Complex64 { shares.iter().enumerate().map(|(k, s)| f(k) * s).sum() };
        let functional = self.readings[0]
            .functional
            .iter()
            .enumerate()
            .map(|(j, &(u, _))| (u, mix(&|k| self.readings[k].functional[j].1)))
            .collect();
        let index = mix(&|k| self.readings[k].beta / wavenumber(self.points[k] * self.points[k]));
        let impedance_ohm =
            self.readings[0].impedance_ohm.map(|_| mix(&|k| self.readings[k].impedance_ohm.unwrap_or_default()));
        ModeReading { functional, beta: index * wavenumber(freq_hz), impedance_ohm }
    }
}

/// Largest relative difference of two readings.
fn difference(a: &ModeReading, b: &ModeReading) -> f64 {
    let size = b.functional.iter().map(|v| v.1.norm()).fold(0.0, f64::max);
    let functional = a.functional.iter().zip(&b.functional).map(|(a, b)| (a.1 - b.1).norm()).fold(0.0, f64::max) / size;
    let impedance = match (a.impedance_ohm, b.impedance_ohm) {
        (Some(a), Some(b)) => (a - b).norm() / b.norm(),
        _ => 0.0,
    };
    functional.max((a.beta - b.beta).norm() / b.beta.norm()).max(impedance)
}
