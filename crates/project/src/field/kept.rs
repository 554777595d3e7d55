//! The result of a field solution as it is kept: network, errors, checks, derivatives.

use crate::cache::{Reader, Writer};
use network::Network;
use numerics::{CMatrix, Complex64, RMatrix};

/// A solution with everything worth knowing about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// Names of the ports, in the order of the rows.
    pub ports: Vec<String>,
    /// Their reference resistances, ohm.
    pub reference_ohm: Vec<f64>,
    /// Frequencies, hertz, from zero.
    pub freqs_hz: Vec<f64>,
    /// Scattering matrix at each of them.
    pub scattering: Vec<CMatrix>,
    /// Error estimate of every entry at each of them.
    pub errors: Vec<RMatrix>,
    /// Whether every asked entry met its error.
    pub converged: bool,
    /// Unknowns and largest error of an asked entry, mesh by mesh.
    pub meshes: Vec<(usize, f64)>,
    /// Full solutions over all meshes.
    pub n_solutions: usize,
    /// Largest difference of power in and out, when it can be told.
    pub power_defect: Option<f64>,
    /// Largest `|S_pq − S_qp|`.
    pub reciprocity_defect: f64,
    /// Largest singular value minus one.
    pub passivity_excess: f64,
    /// Largest backward error of a linear solution.
    pub backward_error: f64,
    /// Pivots that were replaced.
    pub perturbed_pivots: usize,
    /// Memory of one full solution on the last mesh, bytes.
    pub peak_bytes: usize,
    /// Internal ports closed by known parts against the same parts solved inside: frequency, hertz, and the largest
    /// difference of S with resistors, inductors, capacitors.
    pub port_test: Option<[f64; 4]>,
    /// Derivatives of the scattering matrix by numbers of stack and drawing.
    pub derivatives: Vec<KeptDerivative>,
}

/// Derivative of the scattering matrix by one number.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptDerivative {
    /// The number, for example `film1 thickness` or `drawing upper`.
    pub name: String,
    /// Per unit of the number (metre, siemens per metre, or one), at each frequency.
    pub scattering: Vec<CMatrix>,
    /// Length of edges whose motion could not be followed, metre.
    pub left_out_m: f64,
}

impl Kept {
    /// Largest error estimate of any entry at any frequency.
    pub fn error_max(&self) -> f64 {
        self.errors.iter().map(RMatrix::max_abs).fold(0.0, f64::max)
    }

    /// As network data.
    ///
    /// # Errors
    /// None unless the kept numbers are no network.
    pub fn network(&self) -> Result<Network, network::NetworkError> {
        let reference = self.reference_ohm.iter().map(|r| Complex64::new(*r, 0.0)).collect();
        let network = Network::new(self.ports.clone(), reference, self.freqs_hz.clone(), self.scattering.clone())?;
        let error = self.error_max();
        Ok(network.noted(format!("field solution; error estimate of any entry at most {error:.1e}")))
    }
}

pub(super) fn bytes_of(kept: &Kept) -> Vec<u8> {
    let mut out = Writer::default();
    out.count(kept.ports.len());
    kept.ports.iter().for_each(|name| out.text(name));
    out.numbers(&kept.reference_ohm);
    out.numbers(&kept.freqs_hz);
    for (s, errors) in kept.scattering.iter().zip(&kept.errors) {
        push_matrix(&mut out, s);
        out.numbers(errors.as_slice());
    }
    out.count(usize::from(kept.converged));
    out.numbers(&kept.meshes.iter().flat_map(|m| [m.0 as f64, m.1]).collect::<Vec<_>>());
    out.count(kept.n_solutions);
    out.numbers(kept.power_defect.as_slice());
    out.numbers(&[kept.reciprocity_defect, kept.passivity_excess, kept.backward_error]);
    out.count(kept.perturbed_pivots);
    out.count(kept.peak_bytes);
    out.numbers(kept.port_test.as_ref().map_or(&[], |t| t.as_slice()));
    out.count(kept.derivatives.len());
    for d in &kept.derivatives {
        out.text(&d.name);
        out.number(d.left_out_m);
        d.scattering.iter().for_each(|s| push_matrix(&mut out, s));
    }
    out.0
}

/// Reads what [`bytes_of`] wrote; nothing when it is not that.
pub(super) fn kept_from(bytes: &[u8]) -> Option<Kept> {
    let mut from = Reader(bytes);
    let n = from.count()?;
    let ports = (0..n).map(|_| from.text()).collect::<Option<Vec<_>>>()?;
    let (reference_ohm, freqs_hz) = (from.numbers()?, from.numbers()?);
    let (mut scattering, mut errors) = (Vec::new(), Vec::new());
    for _ in &freqs_hz {
        scattering.push(read_matrix(&mut from, n)?);
        let e = from.numbers().filter(|e| e.len() == n * n)?;
        errors.push(RMatrix::from_fn(n, n, |p, q| e[p * n + q]));
    }
    let converged = from.count()? == 1;
    let meshes = from.numbers()?.chunks_exact(2).map(|m| (m[0] as usize, m[1])).collect();
    let n_solutions = from.count()?;
    let power_defect = from.numbers()?.first().copied();
    let [reciprocity_defect, passivity_excess, backward_error] = from.numbers()?.try_into().ok()?;
    let (perturbed_pivots, peak_bytes) = (from.count()?, from.count()?);
    let port_test = from.numbers()?.try_into().ok();
    let n_derivatives = from.count()?;
    let mut derivatives = Vec::new();
    for _ in 0..n_derivatives {
        let (name, left_out_m) = (from.text()?, from.number()?);
        let scattering = freqs_hz.iter().map(|_| read_matrix(&mut from, n)).collect::<Option<_>>()?;
        derivatives.push(KeptDerivative { name, scattering, left_out_m });
    }
    Some(Kept {
        ports,
        reference_ohm,
        freqs_hz,
        scattering,
        errors,
        converged,
        meshes,
        n_solutions,
        power_defect,
        reciprocity_defect,
        passivity_excess,
        backward_error,
        perturbed_pivots,
        peak_bytes,
        port_test,
        derivatives,
    })
}

fn push_matrix(out: &mut Writer, s: &CMatrix) {
    out.numbers(&s.as_slice().iter().flat_map(|x| [x.re, x.im]).collect::<Vec<_>>());
}

fn read_matrix(from: &mut Reader<'_>, n: usize) -> Option<CMatrix> {
    let s = from.numbers().filter(|s| s.len() == 2 * n * n)?;
    Some(CMatrix::from_fn(n, n, |p, q| Complex64::new(s[2 * (p * n + q)], s[2 * (p * n + q) + 1])))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept() -> Kept {
        let s = |x: f64| CMatrix::from_fn(2, 2, |p, q| Complex64::new(x, 0.1 * (p + q) as f64));
        Kept {
            ports: vec!["in".into(), "out".into()],
            reference_ohm: vec![50.0, 33.5],
            freqs_hz: vec![0.0, 1e9],
            scattering: vec![s(0.3), s(1.0 / 3.0)],
            errors: vec![RMatrix::from_fn(2, 2, |p, q| 0.01 * (p + 2 * q) as f64); 2],
            converged: true,
            meshes: vec![(1000, 0.1), (2500, 0.02)],
            n_solutions: 9,
            power_defect: None,
            reciprocity_defect: 1e-12,
            passivity_excess: -1e-3,
            backward_error: 1e-15,
            perturbed_pivots: 0,
            peak_bytes: 1 << 33,
            port_test: Some([1e9, 1e-3, 2e-3, 0.5]),
            derivatives: vec![KeptDerivative {
                name: "film1 thickness".into(),
                scattering: vec![s(1e3), s(-2e3)],
                left_out_m: 1e-5,
            }],
        }
    }

    #[test]
    fn a_result_survives_being_kept_and_a_cut_one_is_none() {
        let bytes = bytes_of(&kept());
        assert_eq!(kept_from(&bytes), Some(kept()));
        for n in 0..bytes.len() {
            assert_eq!(kept_from(&bytes[..n]), None, "cut after {n} bytes");
        }
    }
}
