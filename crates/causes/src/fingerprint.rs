//! What the data can tell apart: whitened sensitivities, the angles between them, singular values.
//!
//! A fingerprint is the change of all data under one prior standard deviation of a cause, in units of the noise. The
//! noise is that of the bench together with errors of the prediction, which all units share: whitening is by the
//! inverse square root of their covariance.
//! Two causes are separable when the part of a fingerprint that the other cannot imitate, `size · sin θ`, stands
//! [`SEPARATION`] standard deviations out of the noise; the angle needed for that is the separation angle.

use crate::{CausesError, Datum};
use numerics::{Complex64, RMatrix, linear};

/// Standard deviations by which what cannot be imitated must stand out: Bayes factor e^4.5 ≈ 90.
pub const SEPARATION: f64 = 3.0;

/// One fingerprint.
#[derive(Debug, Clone, PartialEq)]
pub struct Fingerprint {
    /// Name of the cause.
    pub name: String,
    /// Change of every datum over the noise.
    pub whitened: Vec<f64>,
}

impl Fingerprint {
    /// Length: how many standard deviations the cause moves the data.
    pub fn size(&self) -> f64 {
        dot(&self.whitened, &self.whitened).sqrt()
    }
}

/// Two fingerprints against each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// Index of the one.
    pub a: usize,
    /// Index of the other.
    pub b: usize,
    /// Cosine of the angle; −1 when one is the mirror of the other.
    pub cosine: f64,
    /// Angle between their lines, degrees, 0…90.
    pub angle_deg: f64,
    /// Angle needed to tell them apart, degrees; none when even a right angle would not do.
    pub needed_deg: Option<f64>,
}

impl Pair {
    /// True when the data can tell the two apart.
    pub fn separable(&self) -> bool {
        self.needed_deg.is_some_and(|needed| self.angle_deg >= needed)
    }
}

/// Fingerprints of a set of causes.
#[derive(Debug, Clone, PartialEq)]
pub struct Fingerprints {
    /// One a cause.
    pub of: Vec<Fingerprint>,
    /// Singular values of all together: directions that the data see (above one) and that only priors hold.
    pub singular_values: Vec<f64>,
}

/// Whitens sensitivities (rows data, one column a cause, already per prior standard deviation).
///
/// `shared` are columns of errors common to several data, per standard deviation, that count as noise.
///
/// # Errors
/// Values that are not finite.
pub fn fingerprints(
    names: &[String],
    scaled: &RMatrix,
    shared: &RMatrix,
    data: &[Datum],
) -> Result<Fingerprints, CausesError> {
    let white = whitener(data, shared)?;
    let whitened = &white * scaled;
    let of =
        names.iter().enumerate().map(|(k, n)| Fingerprint { name: n.clone(), whitened: whitened.col(k) }).collect();
    let singular_values =
        if names.is_empty() { Vec::new() } else { linear::singular_values(&whitened.map(Complex64::from))? };
    Ok(Fingerprints { of, singular_values })
}

/// Inverse square root of the covariance of the noise.
fn whitener(data: &[Datum], shared: &RMatrix) -> Result<RMatrix, CausesError> {
    let n = data.len();
    let mut covariance = RMatrix::from_fn(n, n, |i, j| if i == j { data[i].sd * data[i].sd } else { 0.0 });
    for k in 0..shared.n_cols() {
        let column = shared.col(k);
        for i in (0..n).filter(|&i| column[i] != 0.0) {
            for j in 0..n {
                covariance[(i, j)] += column[i] * column[j];
            }
        }
    }
    if n == 0 {
        return Ok(covariance);
    }
    let (values, vectors) = linear::eigen_symmetric(&covariance)?;
    let half = RMatrix::from_fn(n, n, |i, k| vectors[(i, k)] / values[k].max(f64::MIN_POSITIVE).powf(0.25));
    Ok(&half * &half.transpose())
}

impl Fingerprints {
    /// Two causes against each other, with the sizes `size_a` and `size_b` of the deviations to be told apart, in prior
    /// standard deviations.
    pub fn pair(&self, a: usize, b: usize, size_a: f64, size_b: f64) -> Pair {
        let (wa, wb) = (&self.of[a], &self.of[b]);
        let (na, nb) = (wa.size(), wb.size());
        let cosine =
            if na > 0.0 && nb > 0.0 { (dot(&wa.whitened, &wb.whitened) / (na * nb)).clamp(-1.0, 1.0) } else { 0.0 };
        let seen = (na * size_a.abs()).min(nb * size_b.abs());
        let needed_deg = (seen > SEPARATION).then(|| (SEPARATION / seen).asin().to_degrees());
        Pair { a, b, cosine, angle_deg: cosine.abs().acos().to_degrees(), needed_deg }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
