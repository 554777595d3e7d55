//! A linear multiport as a table of samples that stands in for it at every frequency.
//!
//! Input: any [`FrequencyResponse`] and the band in which it is needed. Output: a [`Table`] of scattering matrices at
//! Chebyshev points, piece by piece, and how far it misses the original between them.
//! Method: in `u = √f` lines with skin effect and lumped parts are analytic down to 0 Hz, so a polynomial through the
//! Chebyshev points of a piece converges geometrically; pieces are halved until it does. Evaluation by the barycentric
//! formula (J.-P. Berrut, L. N. Trefethen, SIAM Rev. 46 (2004) 501, eq. 4.2 and 5.3; from memory).
//! Beyond the last piece: the last matrix fades into the references of the ports, raised cosine over a tenth of the
//! last frequency, then nothing is reflected or passed on. At 0 Hz stands a matrix of its own.
//! Not here: any knowledge of what the multiport was made of.

use crate::HandoverError;
use network::{FrequencyResponse, NetworkError};
use numerics::{CMatrix, Complex64, Watch};
use std::f64::consts::PI;

/// Points of a piece that are tried, one after the other, before the piece is halved.
const POINTS: [usize; 4] = [6, 10, 16, 24];
/// Halvings of one stretch between breaks.
const HALVINGS_MAX: u32 = 40;
/// Places of a piece at which the original is compared, as parts of its width; ends and middle are the worst ones.
const PROBES: [f64; 7] = [1e-3, 0.041, 0.187, 0.402, 0.631, 0.873, 0.9993];
/// Width of the passage from the last matrix to the continuation, part of the last frequency.
const FADE: f64 = 0.1;
/// Asymmetry up to which a matrix counts as reciprocal and is kept as one triangle.
const RECIPROCAL: f64 = 1e-13;

/// How to take the samples.
#[derive(Debug, Clone, PartialEq)]
pub struct TableSettings {
    /// Highest frequency needed, hertz.
    pub up_to_hz: f64,
    /// Largest error allowed in an entry of the scattering matrix between the samples.
    ///
    /// The default, 3e-12, keeps a product 100 dB below the wanted one, itself made by cancellation of a hundred times
    /// larger terms, within 1e-6 dB with some reserve.
    pub tolerance: f64,
    /// Frequencies at which the original is not smooth (samples of network data inside it), hertz.
    pub breaks_hz: Vec<f64>,
    /// Largest number of samples; beyond it nothing is halved any more and the error is as reported.
    pub samples_max: usize,
}

impl TableSettings {
    /// Usual settings up to a frequency.
    pub fn up_to(up_to_hz: f64) -> Self {
        Self { up_to_hz, tolerance: 3e-12, breaks_hz: Vec::new(), samples_max: 40_000 }
    }
}

/// One stretch of frequencies with its samples.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// Lower and upper end, hertz.
    pub band_hz: (f64, f64),
    /// Number of Chebyshev points.
    pub n_points: usize,
}

/// What sampling reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TableQuality {
    /// Largest error of an entry seen between the samples.
    pub error: f64,
    /// Number of samples.
    pub samples: usize,
    /// Number of pieces.
    pub pieces: usize,
}

/// A multiport known by samples, at any frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    reference_ohm: Vec<f64>,
    direct: Vec<f64>,
    pieces: Vec<Piece>,
    /// First sample of each piece.
    starts: Vec<usize>,
    /// Values of all samples, one after the other, each `n_values` long.
    values: Vec<Complex64>,
    is_reciprocal: bool,
    quality: TableQuality,
}

/// Numbers that make up a table, as they stand in a file.
#[derive(Debug, Clone, PartialEq)]
pub struct TableParts {
    /// Reference resistance of each port, ohm.
    pub reference_ohm: Vec<f64>,
    /// Whether matrices are kept as their upper triangle, row by row, diagonal included.
    pub is_reciprocal: bool,
    /// Stretches of frequency, rising, without gaps.
    pub pieces: Vec<Piece>,
    /// Scattering matrix at 0 Hz, real, in the order of `values`.
    pub direct: Vec<f64>,
    /// Matrices at the points of each piece, lowest frequency first.
    pub values: Vec<Complex64>,
    /// What sampling reached.
    pub quality: TableQuality,
}

/// Frequencies of the points of a piece, hertz, rising: Chebyshev points of the first kind in `√f`.
pub fn piece_points_hz(piece: &Piece) -> Vec<f64> {
    let (a, b) = (piece.band_hz.0.sqrt(), piece.band_hz.1.sqrt());
    (0..piece.n_points)
        .rev()
        .map(|j| {
            let u = 0.5 * (a + b) + 0.5 * (b - a) * chebyshev(j, piece.n_points);
            u * u
        })
        .collect()
}

/// Chebyshev point of the first kind, `j` from zero, falling with `j`.
fn chebyshev(j: usize, n: usize) -> f64 {
    (PI * (2 * j + 1) as f64 / (2 * n) as f64).cos()
}

impl Table {
    /// Samples `original` from 0 Hz to the asked frequency.
    ///
    /// # Errors
    /// A frequency at which the original has no answer, settings that make no sense, or the wish of `watch` to stop.
    pub fn sample(
        original: &dyn FrequencyResponse,
        settings: &TableSettings,
        watch: &dyn Watch,
    ) -> Result<Self, HandoverError> {
        if !(settings.up_to_hz.is_finite() && settings.up_to_hz > 0.0) {
            return Err(HandoverError::mismatch(
                "a last frequency above 0 Hz",
                format!("{} Hz", settings.up_to_hz),
                "the needed band",
            ));
        }
        let direct = original.scattering(0.0)?;
        let is_reciprocal = is_reciprocal(original, settings.up_to_hz)?;
        let mut sampler = Sampler {
            original,
            settings,
            is_reciprocal,
            pieces: Vec::new(),
            values: Vec::new(),
            error: 0.0,
            n_samples: 0,
        };
        let ends = stretches(settings);
        for (i, pair) in ends.windows(2).enumerate() {
            watch.step("sampling the passive network", i, ends.len() - 1)?;
            sampler.cover((pair[0], pair[1]), HALVINGS_MAX, watch)?;
        }
        watch.step("sampling the passive network", ends.len() - 1, ends.len() - 1)?;
        let quality = TableQuality { error: sampler.error, samples: sampler.n_samples, pieces: sampler.pieces.len() };
        let (pieces, values) = (sampler.pieces, sampler.values);
        Self::from_parts(TableParts {
            reference_ohm: original.reference_ohm().to_vec(),
            is_reciprocal,
            pieces,
            direct: packed(&direct, is_reciprocal).into_iter().map(|x| x.re).collect(),
            values,
            quality,
        })
    }

    /// A table from its numbers; every shape is checked, every number must be finite.
    ///
    /// # Errors
    /// Shapes that do not fit together, bands that do not join, numbers that are not finite.
    pub fn from_parts(parts: TableParts) -> Result<Self, HandoverError> {
        let place = "the sampled network";
        let n = parts.reference_ohm.len();
        let refuse = |expected: String, found: String| Err(HandoverError::mismatch(expected, found, place));
        if n == 0 || n > 64 || parts.reference_ohm.iter().any(|r| !(r.is_finite() && *r > 0.0)) {
            return refuse("1 to 64 positive references".into(), format!("{:?}", parts.reference_ohm));
        }
        let n_values = if parts.is_reciprocal { n * (n + 1) / 2 } else { n * n };
        let n_samples: usize = parts.pieces.iter().map(|p| p.n_points).sum();
        if parts.direct.len() != n_values || parts.values.len() != n_samples * n_values {
            return refuse(
                format!("{n_values} values at 0 Hz and {} at the samples", n_samples * n_values),
                format!("{} and {}", parts.direct.len(), parts.values.len()),
            );
        }
        let mut from = 0.0;
        for piece in &parts.pieces {
            let (a, b) = piece.band_hz;
            let joins = a.total_cmp(&from).is_eq() && b.is_finite() && b > a;
            if !joins || piece.n_points < 2 || piece.n_points > 64 {
                return refuse(
                    format!("a piece of 2 to 64 points from {from} Hz up"),
                    format!("{} points from {a} Hz to {b} Hz", piece.n_points),
                );
            }
            from = b;
        }
        let finite = parts.direct.iter().all(|x| x.is_finite()) && parts.values.iter().all(|x| x.is_finite());
        if parts.pieces.is_empty() || !finite {
            return refuse(
                "at least one piece and finite numbers".into(),
                "none, or a number that is not finite".into(),
            );
        }
        let starts = parts
            .pieces
            .iter()
            .scan(0, |sum, p| {
                *sum += p.n_points;
                Some(*sum - p.n_points)
            })
            .collect();
        Ok(Self {
            reference_ohm: parts.reference_ohm,
            direct: parts.direct,
            starts,
            pieces: parts.pieces,
            values: parts.values,
            is_reciprocal: parts.is_reciprocal,
            quality: parts.quality,
        })
    }

    /// The numbers of the table, for a file.
    pub fn parts(&self) -> TableParts {
        TableParts {
            reference_ohm: self.reference_ohm.clone(),
            is_reciprocal: self.is_reciprocal,
            pieces: self.pieces.clone(),
            direct: self.direct.clone(),
            values: self.values.clone(),
            quality: self.quality,
        }
    }

    /// What sampling reached.
    pub fn quality(&self) -> TableQuality {
        self.quality
    }

    /// Highest sampled frequency, hertz.
    pub fn up_to_hz(&self) -> f64 {
        self.pieces.last().map_or(0.0, |p| p.band_hz.1)
    }

    /// True when every matrix is symmetric.
    pub fn is_reciprocal(&self) -> bool {
        self.is_reciprocal
    }

    fn n_values(&self) -> usize {
        self.direct.len()
    }

    fn inside(&self, freq_hz: f64) -> CMatrix {
        let i = self.pieces.partition_point(|p| p.band_hz.1 < freq_hz).min(self.pieces.len() - 1);
        let piece = &self.pieces[i];
        let n_values = self.n_values();
        let samples = &self.values[self.starts[i] * n_values..(self.starts[i] + piece.n_points) * n_values];
        let (weights, total) = barycentric(piece, freq_hz);
        let mut sum = vec![Complex64::default(); n_values];
        for (w, sample) in weights.iter().zip(samples.chunks_exact(n_values)) {
            for (s, x) in sum.iter_mut().zip(sample) {
                *s += *w * x;
            }
        }
        let sum: Vec<Complex64> = sum.into_iter().map(|s| s / total).collect();
        unpacked(&sum, self.reference_ohm.len(), self.is_reciprocal)
    }
}

impl FrequencyResponse for Table {
    fn n_ports(&self) -> usize {
        self.reference_ohm.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        if !(freq_hz.is_finite() && freq_hz >= 0.0) {
            return Err(NetworkError::Mismatch {
                expected: "a finite frequency from 0 Hz up".into(),
                found: format!("{freq_hz} Hz"),
            });
        }
        if freq_hz == 0.0 {
            let direct: Vec<Complex64> = self.direct.iter().map(|&x| x.into()).collect();
            return Ok(unpacked(&direct, self.reference_ohm.len(), self.is_reciprocal));
        }
        let last_hz = self.up_to_hz();
        if freq_hz <= last_hz {
            return Ok(self.inside(freq_hz));
        }
        let part = (freq_hz - last_hz) / (FADE * last_hz);
        let w = if part >= 1.0 { 0.0 } else { 0.5 * (1.0 + (PI * part).cos()) };
        Ok(self.inside(last_hz).scaled(w.into()))
    }

    fn data_up_to_hz(&self) -> Option<f64> {
        None // what rested on data in the original is told by the model's own region
    }
}

/// Weights of the samples of a piece at a frequency inside it, and their sum.
fn barycentric(piece: &Piece, freq_hz: f64) -> (Vec<f64>, f64) {
    let n = piece.n_points;
    let (a, b) = (piece.band_hz.0.sqrt(), piece.band_hz.1.sqrt());
    let x = (2.0 * freq_hz.sqrt() - (a + b)) / (b - a);
    let mut weights = Vec::with_capacity(n);
    let mut total = 0.0;
    for j in (0..n).rev() {
        let distance = x - chebyshev(j, n);
        if distance == 0.0 {
            let mut one = vec![0.0; n];
            one[n - 1 - j] = 1.0;
            return (one, 1.0);
        }
        let sign = if j % 2 == 0 { 1.0 } else { -1.0 };
        let w = sign * (PI * (2 * j + 1) as f64 / (2 * n) as f64).sin() / distance;
        weights.push(w);
        total += w;
    }
    (weights, total)
}

fn packed(s: &CMatrix, is_reciprocal: bool) -> Vec<Complex64> {
    if !is_reciprocal {
        return s.as_slice().to_vec();
    }
    let n = s.n_rows();
    // the mean of both triangles: they differ by roundings only
    (0..n).flat_map(|i| (i..n).map(move |j| 0.5 * (s[(i, j)] + s[(j, i)]))).collect()
}

fn unpacked(values: &[Complex64], n: usize, is_reciprocal: bool) -> CMatrix {
    if !is_reciprocal {
        return CMatrix::from_fn(n, n, |i, j| values[i * n + j]);
    }
    let at = |i: usize, j: usize| i * n - i * (i + 1) / 2 + j;
    CMatrix::from_fn(n, n, |i, j| values[at(i.min(j), i.max(j))])
}

fn is_reciprocal(original: &dyn FrequencyResponse, up_to_hz: f64) -> Result<bool, HandoverError> {
    for part in [0.0, 0.003, 0.02, 0.11, 0.37, 0.83] {
        let s = original.scattering(part * up_to_hz)?;
        if (&s - &s.transpose()).max_abs() > RECIPROCAL * s.max_abs().max(1.0) {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Ends of the stretches between breaks, from 0 Hz to the last frequency.
fn stretches(settings: &TableSettings) -> Vec<f64> {
    let mut ends: Vec<f64> =
        settings.breaks_hz.iter().copied().filter(|f| *f > 0.0 && *f < settings.up_to_hz).collect();
    ends.extend([0.0, settings.up_to_hz]);
    ends.sort_by(f64::total_cmp);
    ends.dedup();
    ends
}

/// Collects pieces from low to high frequencies.
struct Sampler<'a> {
    original: &'a dyn FrequencyResponse,
    settings: &'a TableSettings,
    is_reciprocal: bool,
    pieces: Vec<Piece>,
    values: Vec<Complex64>,
    error: f64,
    n_samples: usize,
}

impl Sampler<'_> {
    fn cover(&mut self, band_hz: (f64, f64), halvings: u32, watch: &dyn Watch) -> Result<(), HandoverError> {
        watch.step("", 0, 0)?;
        let probes = self.probes(band_hz)?;
        let mut best: Option<(f64, Piece, Vec<Complex64>)> = None;
        for n_points in POINTS {
            let piece = Piece { band_hz, n_points };
            let values = self.at_points(&piece)?;
            let error = self.miss(&piece, &values, &probes);
            if best.as_ref().is_none_or(|b| error < b.0) {
                best = Some((error, piece, values));
            }
            if error <= self.settings.tolerance {
                break;
            }
        }
        let (error, piece, values) = best.expect("at least one number of points is tried");
        let is_full = self.n_samples + piece.n_points > self.settings.samples_max;
        if error <= self.settings.tolerance || halvings == 0 || is_full {
            self.error = self.error.max(error);
            self.n_samples += piece.n_points;
            self.pieces.push(piece);
            self.values.extend(values);
            return Ok(());
        }
        let middle = (0.5 * (band_hz.0.sqrt() + band_hz.1.sqrt())).powi(2);
        self.cover((band_hz.0, middle), halvings - 1, watch)?;
        self.cover((middle, band_hz.1), halvings - 1, watch)
    }

    fn at_points(&self, piece: &Piece) -> Result<Vec<Complex64>, HandoverError> {
        let mut values = Vec::new();
        for f in piece_points_hz(piece) {
            values.extend(packed(&self.original.scattering(f)?, self.is_reciprocal));
        }
        Ok(values)
    }

    fn probes(&self, band_hz: (f64, f64)) -> Result<Vec<(f64, Vec<Complex64>)>, HandoverError> {
        let (a, b) = (band_hz.0.sqrt(), band_hz.1.sqrt());
        PROBES
            .iter()
            .map(|part| {
                let f = (a + part * (b - a)).powi(2);
                Ok((f, packed(&self.original.scattering(f)?, self.is_reciprocal)))
            })
            .collect()
    }

    fn miss(&self, piece: &Piece, values: &[Complex64], probes: &[(f64, Vec<Complex64>)]) -> f64 {
        let n_values = probes[0].1.len();
        let mut worst = 0.0f64;
        for (f, truth) in probes {
            let (weights, total) = barycentric(piece, *f);
            for (k, x) in truth.iter().enumerate() {
                let sum: Complex64 = weights.iter().enumerate().map(|(j, w)| *w * values[j * n_values + k]).sum();
                worst = worst.max((sum / total - x).norm());
            }
        }
        worst
    }
}
