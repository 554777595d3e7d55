//! Guided waves of a port plane over a band, from a few solutions of its eigenproblem.
//!
//! Functional, phase constant over wavenumber and line impedance are smooth in the root of frequency; polynomials
//! through Chebyshev points stand for them and are compared with solutions in between. Source of the barycentric
//! form: J.-P. Berrut, L. N. Trefethen, "Barycentric Lagrange interpolation", SIAM Review 46 (2004).

use crate::VolumeError;
use crate::model::{Model, UprightPath};
use crate::modes::{port_modes_again, quasi_static_hz};
use crate::space::Space;
use crate::system::{to_unknowns, wavenumber};
use numerics::Complex64;
use sparse::Analysis;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Points of one piece.
const POINTS: usize = 7;
/// Points over the whole band for derivatives, which need fewer digits.
const POINTS_OF_CHANGE: usize = 9;
/// Largest relative difference to solutions between the points of a piece.
const ERROR_MAX: f64 = 1e-6;
/// A piece shorter than this share of the band is not divided again: the wave is not smooth there.
const SHARE_MIN: f64 = 1.0 / 40.0;

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

/// One mode over a band, in pieces of the root of frequency.
#[derive(Debug, Clone)]
pub(crate) struct ModeTable {
    band_hz: [f64; 2],
    /// Whether the lower end stands for all lower frequencies too.
    from_zero: bool,
    pieces: Vec<Piece>,
}

/// A polynomial through Chebyshev points.
#[derive(Debug, Clone)]
struct Piece {
    points: Vec<f64>,
    weights: Vec<f64>,
    readings: Vec<Arc<ModeReading>>,
}

/// Solutions of one plane, each made once.
struct Plane<'a> {
    model: &'a Model,
    space: &'a Space,
    edges: &'a [u32],
    path: Option<&'a UprightPath>,
    analysis: Option<Arc<Analysis>>,
    known: BTreeMap<u64, Arc<ModeReading>>,
}

impl Plane<'_> {
    /// The only mode at the square of a root of frequency.
    fn at(&mut self, root: f64) -> Result<Arc<ModeReading>, VolumeError> {
        if let Some(known) = self.known.get(&root.to_bits()) {
            return Ok(known.clone());
        }
        let modes = port_modes_again(self.model, self.space, self.edges, 1, root * root, &mut self.analysis);
        let mode = modes?.swap_remove(0);
        let impedance_ohm = self.path.map(|p| mode.impedance_ohm(self.space, p));
        let functional = to_unknowns(self.space, mode.functional.into_iter()).into_iter().collect();
        let out = Arc::new(ModeReading { functional, beta: mode.beta, impedance_ohm });
        self.known.insert(root.to_bits(), out.clone());
        Ok(out)
    }
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
        let from_zero = band_hz[0] <= floor;
        let band_hz = [band_hz[0].max(floor), band_hz[1].max(floor * 1.01)];
        let mut plane = Plane { model, space, edges, path, analysis: None, known: BTreeMap::new() };
        let [low, high] = band_hz.map(f64::sqrt);
        let mut open = vec![[low, high]];
        let mut pieces = Vec::new();
        while let Some([a, b]) = open.pop() {
            let piece = Piece::new([a, b], POINTS, &mut plane)?;
            let mut worst = 0.0_f64;
            for share in [0.03, 0.4] {
                let t = a + share * (b - a);
                worst = worst.max(difference(&piece.at(t), &*plane.at(t)?));
            }
            if worst < ERROR_MAX {
                pieces.push(piece);
            } else if b - a > SHARE_MIN * (high - low) {
                open.extend([[(a + b) / 2.0, b], [a, (a + b) / 2.0]]);
            } else {
                return Ok(None);
            }
        }
        Ok(Some(Self { band_hz, from_zero, pieces }))
    }

    /// The mode of a slightly changed plane for the difference to another change: few points over the whole band.
    pub(crate) fn alike(
        &self,
        model: &Model,
        space: &Space,
        edges: &[u32],
        path: Option<&UprightPath>,
    ) -> Result<Self, VolumeError> {
        let mut plane = Plane { model, space, edges, path, analysis: None, known: BTreeMap::new() };
        let piece = Piece::new(self.band_hz.map(f64::sqrt), POINTS_OF_CHANGE, &mut plane)?;
        Ok(Self { band_hz: self.band_hz, from_zero: self.from_zero, pieces: vec![piece] })
    }

    /// Whether a frequency lies within the band.
    pub(crate) fn covers(&self, freq_hz: f64) -> bool {
        freq_hz <= self.band_hz[1] * (1.0 + 1e-9) && (self.from_zero || freq_hz >= self.band_hz[0] * (1.0 - 1e-9))
    }

    /// The mode at any frequency; outside the band its shape is that of the nearer end.
    pub(crate) fn at(&self, freq_hz: f64) -> ModeReading {
        let t = freq_hz.clamp(self.band_hz[0], self.band_hz[1]).sqrt();
        let k = self.pieces.partition_point(|p| p.last() < t).min(self.pieces.len() - 1);
        let inside = self.pieces[k].at(t);
        ModeReading { beta: inside.beta * (wavenumber(freq_hz) / wavenumber(t * t)), ..inside }
    }
}

impl Piece {
    fn new([low, high]: [f64; 2], n: usize, plane: &mut Plane<'_>) -> Result<Self, VolumeError> {
        let points: Vec<f64> = (0..n)
            .map(|k| {
                let c = (std::f64::consts::PI * k as f64 / (n - 1) as f64).cos();
                if k == 0 {
                    low
                } else if k + 1 == n {
                    high
                } else {
                    (low + high) / 2.0 - c * (high - low) / 2.0
                }
            })
            .collect();
        let sign = |k: usize| if k.is_multiple_of(2) { 1.0 } else { -1.0 };
        let weights = (0..n).map(|k| sign(k) * if k == 0 || k == n - 1 { 0.5 } else { 1.0 }).collect();
        let readings = points.iter().map(|&t| plane.at(t)).collect::<Result<_, _>>()?;
        Ok(Self { points, weights, readings })
    }

    fn last(&self) -> f64 {
        self.points[self.points.len() - 1]
    }

    /// The mode at the square of a root of frequency.
    fn at(&self, t: f64) -> ModeReading {
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
        ModeReading { functional, beta: index * wavenumber(t * t), impedance_ohm }
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
