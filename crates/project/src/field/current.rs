//! Surface currents of a field solution: kept beside it, shown as a map of each metal.
//!
//! Conventions: a wave of one watt into one port; A/m, the largest value over a period, both faces of a strip together.

use crate::cache::{Reader, Writer};
use spec::{FieldMap, Mark};
use stackup::Stackup;
use volume::{Solved, VolumeError};

/// Frequencies at which currents are kept, evenly up to the highest.
const FREQUENCIES: usize = 18;
/// Faces at heights nearer than this are the same, metre.
const SAME_M: f64 = 1e-10;
/// Height of a map over its width.
const SHAPE: f64 = 0.3;
/// Micrometre in a metre.
const UM: f64 = 1e6;

/// Currents on the metal of a structure.
#[derive(Debug, Clone, PartialEq)]
pub struct Currents {
    /// Frequencies, hertz.
    pub freqs_hz: Vec<f64>,
    /// Ports, in the order of the solution.
    pub ports: Vec<String>,
    /// Metals by layer.
    pub metals: Vec<MetalCurrents>,
}

/// Currents on one metal layer.
#[derive(Debug, Clone, PartialEq)]
pub struct MetalCurrents {
    /// Name of the layer.
    pub layer: String,
    /// Corners of the triangles, metre.
    pub corners_m: Vec<[[f64; 2]; 3]>,
    /// Magnitudes, A/m, for each frequency and port in turn: one list as long as `corners_m`.
    pub magnitudes: Vec<Vec<f64>>,
}

impl Currents {
    /// Takes the currents from a solution.
    ///
    /// # Errors
    /// As the solution itself.
    pub(super) fn of(solved: &Solved, stack: &Stackup) -> Result<Self, VolumeError> {
        let top_hz = solved.freqs_hz.iter().copied().fold(0.0, f64::max);
        let freqs_hz: Vec<f64> = (1..=FREQUENCIES).map(|k| top_hz * k as f64 / FREQUENCIES as f64).collect();
        let faces = stack.faces()?;
        let same = |a: f64, b: f64| (a - b).abs() < SAME_M;
        let layer = |z: [f64; 2]| {
            let sheet = faces.sheets.iter().find(|s| same(s.bottom_m, z[0]) && same(s.top_m, z[1]));
            let index = if z.iter().all(|z| same(*z, 0.0)) { Some(0) } else { sheet.map(|s| s.layer) };
            index.and_then(|k| stack.layers.get(k)).map(|l| l.name.clone())
        };
        let mut metals: Vec<MetalCurrents> = Vec::new();
        let ports = solved.port_names.clone();
        for (k, &freq_hz) in freqs_hz.iter().enumerate() {
            for p in 0..ports.len() {
                for triangle in solved.currents(freq_hz, p)?.triangles {
                    let Some(layer) = layer(triangle.z_m) else { continue };
                    let at = metals.iter().position(|m| m.layer == layer).unwrap_or_else(|| {
                        metals.push(MetalCurrents { layer, corners_m: Vec::new(), magnitudes: Vec::new() });
                        metals.len() - 1
                    });
                    let metal = &mut metals[at];
                    let list = k * ports.len() + p;
                    if list == 0 {
                        metal.corners_m.push(triangle.corners_m);
                    }
                    metal.magnitudes.resize(list + 1, Vec::new());
                    metal.magnitudes[list].push(triangle.magnitude_a_per_m());
                }
            }
        }
        Ok(Self { freqs_hz, ports, metals })
    }

    /// Maps of every metal for one port, at the kept frequency nearest to the given one; `marks` in micrometres.
    pub fn maps(&self, near_hz: f64, port: usize, marks: &[Mark]) -> Vec<FieldMap> {
        let distance = |k: &usize| (self.freqs_hz[*k] - near_hz).abs();
        let Some(k) = (0..self.freqs_hz.len()).min_by(|a, b| distance(a).total_cmp(&distance(b))) else {
            return Vec::new();
        };
        let map = |metal: &MetalCurrents| {
            let values = metal.magnitudes.get(k * self.ports.len() + port)?;
            let corners = |t: &[[f64; 2]; 3]| t.map(|p| (p[0] * UM, p[1] * UM));
            let triangles: Vec<_> = metal.corners_m.iter().map(corners).zip(values.iter().copied()).collect();
            let freq = self.freqs_hz[k] * 1e-9;
            Some(FieldMap {
                title: format!("Current on {}, {} driven with 1 W at {freq:.2} GHz", metal.layer, self.ports[port]),
                unit: "A/m".into(),
                stretch: stretch(&triangles),
                triangles,
                marks: marks.to_vec(),
            })
        };
        self.metals.iter().filter_map(map).collect()
    }

    pub(super) fn bytes(&self) -> Vec<u8> {
        let mut out = Writer::default();
        out.numbers(&self.freqs_hz);
        out.count(self.ports.len());
        self.ports.iter().for_each(|p| out.text(p));
        out.count(self.metals.len());
        for metal in &self.metals {
            out.text(&metal.layer);
            out.numbers(metal.corners_m.as_flattened().as_flattened());
            out.count(metal.magnitudes.len());
            metal.magnitudes.iter().for_each(|m| out.numbers(m));
        }
        out.0
    }

    /// Reads what [`Self::bytes`] wrote; nothing when it is not that.
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let mut from = Reader(bytes);
        let freqs_hz = from.numbers()?;
        let n_ports = from.count()?;
        let ports = (0..n_ports).map(|_| from.text()).collect::<Option<Vec<_>>>()?;
        let n_metals = from.count()?;
        let mut metals = Vec::new();
        for _ in 0..n_metals {
            let layer = from.text()?;
            let flat = from.numbers()?;
            let corners_m: Vec<[[f64; 2]; 3]> =
                flat.chunks_exact(6).map(|c| [[c[0], c[1]], [c[2], c[3]], [c[4], c[5]]]).collect();
            let n = from.count()?;
            let magnitudes = (0..n).map(|_| from.numbers()).collect::<Option<Vec<_>>>()?;
            if magnitudes.iter().any(|m| m.len() != corners_m.len()) {
                return None;
            }
            metals.push(MetalCurrents { layer, corners_m, magnitudes });
        }
        Some(Self { freqs_hz, ports, metals })
    }
}

/// Heights are stretched so that a long narrow strip shows what happens across it.
fn stretch(triangles: &[([(f64, f64); 3], f64)]) -> f64 {
    let points = || triangles.iter().flat_map(|t| t.0);
    let extent = |pick: fn((f64, f64)) -> f64| {
        let (low, high) = points().map(pick).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        high - low
    };
    (SHAPE * extent(|p| p.0) / extent(|p| p.1)).max(1.0).round()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn currents_survive_being_kept_and_a_cut_entry_is_none() {
        let metal = MetalCurrents {
            layer: "M1".into(),
            corners_m: vec![[[0.0, 0.0], [1e-3, 0.0], [0.0, 1e-5]]],
            magnitudes: vec![vec![1.0], vec![1.0 / 3.0]],
        };
        let currents = Currents { freqs_hz: vec![1e9], ports: vec!["in".into(), "out".into()], metals: vec![metal] };
        let bytes = currents.bytes();
        assert_eq!(Currents::from_bytes(&bytes), Some(currents.clone()));
        for n in 0..bytes.len() {
            assert_eq!(Currents::from_bytes(&bytes[..n]), None, "cut after {n} bytes");
        }
        let map = &currents.maps(0.9e9, 1, &[])[0];
        assert_eq!(map.title, "Current on M1, out driven with 1 W at 1.00 GHz");
        assert_eq!(map.triangles, vec![([(0.0, 0.0), (1000.0, 0.0), (0.0, 10.0)], 1.0 / 3.0)]);
        assert_eq!(map.stretch, 30.0);
    }
}
