//! One multiport in other words: impedance, admittance, hybrid, chain and transfer matrices.
//!
//! Input: a matrix, the reference of each port (ohm, complex allowed) and the kind of wave.
//! Output: the same multiport in the asked form, or the reason why it has none.
//! Method: at each port `v = va·a + vb·b`, `i = ia·a + ib·b` with constants of the wave kind.
//! Any form is `(out)·(in)⁻¹` where both sides are written in the incident waves, so that no form
//! is a detour of another; renormalising is `(r + tS)(p + qS)⁻¹` and never passes Z or Y.
//! Sources: K. Kurokawa, power waves, 1965 (from memory); R. B. Marks and D. F. Williams, a general
//! waveguide circuit theory, 1992 (from memory).

use crate::NetworkError;
use crate::network::mismatch;
use numerics::{CMatrix, Complex64, NumericsError, linear};

/// Condition number from which nothing of a quotient is left but rounding.
const CONDITION_MAX: f64 = 1e14;

/// Kind of wave. All agree when the reference is real.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Wave {
    /// Power waves: `|a|² − |b|²` is twice the power into the port (peak phasors).
    #[default]
    Power,
    /// Pseudo-waves: reflection `(Z − z)/(Z + z)`; passivity cannot be read off.
    Pseudo,
    /// Travelling waves normalised with `√z`: symmetric for a reciprocal network.
    Travelling,
}

/// Which waves stand left and right in a transfer matrix.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transfer {
    /// `[b1; a1] = T [a2; b2]`.
    OutFirst,
    /// `[a1; b1] = T [b2; a2]`.
    InFirst,
}

/// `v = va·a + vb·b`, `i = ia·a + ib·b` at one port.
#[derive(Debug, Clone, Copy)]
struct PortWaves {
    va: Complex64,
    vb: Complex64,
    ia: Complex64,
    ib: Complex64,
}

impl PortWaves {
    fn new(z: Complex64, wave: Wave) -> Self {
        let (root, one) = (z.re.sqrt(), Complex64::new(1.0, 0.0));
        match wave {
            Wave::Power => Self { va: z.conj() / root, vb: z / root, ia: one / root, ib: -one / root },
            Wave::Pseudo => {
                let u = z.norm() / root;
                Self { va: u.into(), vb: u.into(), ia: u / z, ib: -u / z }
            }
            Wave::Travelling => {
                let root = z.sqrt();
                Self { va: root, vb: root, ia: one / root, ib: -one / root }
            }
        }
    }

    /// `[[p, q], [r, t]]` with `a' = p·a + q·b`, `b' = r·a + t·b` for waves of the kind `to`.
    fn into_waves(self, to: Self) -> [Complex64; 4] {
        let det = to.va * to.ib - to.vb * to.ia;
        let a_of = |v: Complex64, i: Complex64| (to.ib * v - to.vb * i) / det;
        let b_of = |v: Complex64, i: Complex64| (to.va * i - to.ia * v) / det;
        [a_of(self.va, self.ia), a_of(self.vb, self.ib), b_of(self.va, self.ia), b_of(self.vb, self.ib)]
    }
}

/// The same network relative to other references, in the same kind of wave.
///
/// Exact for ideal thrus, opens and shorts, which have no Z or no Y.
pub fn renormalise(
    s: &CMatrix,
    from_ohm: &[Complex64],
    to_ohm: &[Complex64],
    wave: Wave,
) -> Result<CMatrix, NetworkError> {
    rewrite(s, (from_ohm, wave), (to_ohm, wave))
}

/// The same network and references in another kind of wave.
pub fn change_wave(s: &CMatrix, reference_ohm: &[Complex64], from: Wave, to: Wave) -> Result<CMatrix, NetworkError> {
    rewrite(s, (reference_ohm, from), (reference_ohm, to))
}

fn rewrite(s: &CMatrix, from: (&[Complex64], Wave), to: (&[Complex64], Wave)) -> Result<CMatrix, NetworkError> {
    let n = s.n_rows();
    check_references(s, from.0)?;
    check_references(s, to.0)?;
    let c: Vec<[Complex64; 4]> =
        (0..n).map(|i| PortWaves::new(from.0[i], from.1).into_waves(PortWaves::new(to.0[i], to.1))).collect();
    let incident = CMatrix::from_fn(n, n, |i, j| c[i][1] * s[(i, j)] + if i == j { c[i][0] } else { 0.0.into() });
    let outgoing = CMatrix::from_fn(n, n, |i, j| c[i][3] * s[(i, j)] + if i == j { c[i][2] } else { 0.0.into() });
    divide(&outgoing, &incident, "scattering matrix for these references")
}

/// Impedance matrix, ohm.
pub fn z_from_s(s: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    let (v, i) = voltage_current(s, reference_ohm, wave)?;
    divide(&v, &i, "impedance matrix")
}

/// Admittance matrix, siemens.
pub fn y_from_s(s: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    let (v, i) = voltage_current(s, reference_ohm, wave)?;
    divide(&i, &v, "admittance matrix")
}

/// Scattering matrix of an impedance matrix, ohm.
pub fn s_from_z(z: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    check_references(z, reference_ohm)?;
    s_from_pair(z, &CMatrix::identity(z.n_rows()), reference_ohm, wave)
}

/// Scattering matrix of an admittance matrix, siemens.
pub fn s_from_y(y: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    check_references(y, reference_ohm)?;
    s_from_pair(&CMatrix::identity(y.n_rows()), y, reference_ohm, wave)
}

/// Hybrid matrix: `[v1; i2] = H [i1; v2]`.
pub fn h_from_s(s: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    let (v, i) = voltage_current(two_port(s)?, reference_ohm, wave)?;
    divide(&rows(&v, 0, &i, 1), &rows(&i, 0, &v, 1), "hybrid matrix")
}

/// Inverse hybrid matrix: `[i1; v2] = G [v1; i2]`.
pub fn g_from_s(s: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    let (v, i) = voltage_current(two_port(s)?, reference_ohm, wave)?;
    divide(&rows(&i, 0, &v, 1), &rows(&v, 0, &i, 1), "inverse hybrid matrix")
}

/// Scattering matrix of a hybrid matrix.
pub fn s_from_h(h: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    let eye = CMatrix::identity(2);
    two_port(h)?;
    s_from_pair(&rows(h, 0, &eye, 1), &rows(&eye, 0, h, 1), reference_ohm, wave)
}

/// Scattering matrix of an inverse hybrid matrix.
pub fn s_from_g(g: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    let eye = CMatrix::identity(2);
    two_port(g)?;
    s_from_pair(&rows(&eye, 0, g, 1), &rows(g, 0, &eye, 1), reference_ohm, wave)
}

/// Chain matrix: `[v1; i1] = ABCD [v2; −i2]`.
pub fn abcd_from_s(s: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    let (v, i) = voltage_current(two_port(s)?, reference_ohm, wave)?;
    divide(&rows(&v, 0, &i, 0), &rows(&v, 1, &-&i, 1), "chain matrix")
}

/// Scattering matrix of a chain matrix.
pub fn s_from_abcd(abcd: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    two_port(abcd)?;
    let right = CMatrix::diagonal(&[1.0.into(), (-1.0).into()]);
    s_from_pair(&rows(abcd, 0, &right, 0), &rows(abcd, 1, &right, 1), reference_ohm, wave)
}

/// Transfer matrix of a two-port.
pub fn t_from_s(s: &CMatrix, convention: Transfer) -> Result<CMatrix, NetworkError> {
    let eye = CMatrix::identity(2);
    two_port(s)?;
    let (left, right) = match convention {
        Transfer::OutFirst => (rows(s, 0, &eye, 0), rows(&eye, 1, s, 1)),
        Transfer::InFirst => (rows(&eye, 0, s, 0), rows(s, 1, &eye, 1)),
    };
    divide(&left, &right, "transfer matrix")
}

/// Scattering matrix of a transfer matrix.
pub fn s_from_t(t: &CMatrix, convention: Transfer) -> Result<CMatrix, NetworkError> {
    let eye = CMatrix::identity(2);
    two_port(t)?;
    let (b, a) = match convention {
        Transfer::OutFirst => (rows(t, 0, &eye, 1), rows(t, 1, &eye, 0)),
        Transfer::InFirst => (rows(t, 1, &eye, 0), rows(t, 0, &eye, 1)),
    };
    divide(&b, &a, "scattering matrix")
}

/// Voltages and currents of all ports for unit incident waves.
fn voltage_current(s: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<(CMatrix, CMatrix), NetworkError> {
    check_references(s, reference_ohm)?;
    let n = s.n_rows();
    let w: Vec<PortWaves> = reference_ohm.iter().map(|&z| PortWaves::new(z, wave)).collect();
    let only = |i: usize, j: usize, x: Complex64| if i == j { x } else { 0.0.into() };
    let v = CMatrix::from_fn(n, n, |i, j| w[i].vb * s[(i, j)] + only(i, j, w[i].va));
    let i = CMatrix::from_fn(n, n, |i, j| w[i].ib * s[(i, j)] + only(i, j, w[i].ia));
    Ok((v, i))
}

/// Scattering matrix where `v` and `i` are written in any common basis.
fn s_from_pair(v: &CMatrix, i: &CMatrix, reference_ohm: &[Complex64], wave: Wave) -> Result<CMatrix, NetworkError> {
    check_references(v, reference_ohm)?;
    let n = v.n_rows();
    let plain = PortWaves { va: 1.0.into(), vb: 0.0.into(), ia: 0.0.into(), ib: 1.0.into() };
    let c: Vec<[Complex64; 4]> = reference_ohm.iter().map(|&z| plain.into_waves(PortWaves::new(z, wave))).collect();
    let a = CMatrix::from_fn(n, n, |k, j| c[k][0] * v[(k, j)] + c[k][1] * i[(k, j)]);
    let b = CMatrix::from_fn(n, n, |k, j| c[k][2] * v[(k, j)] + c[k][3] * i[(k, j)]);
    divide(&b, &a, "scattering matrix for these references")
}

/// Row `i` of `x` above row `j` of `y`.
fn rows(x: &CMatrix, i: usize, y: &CMatrix, j: usize) -> CMatrix {
    CMatrix::from_rows(&[x.row(i).to_vec(), y.row(j).to_vec()])
}

/// `left · right⁻¹`.
///
/// A matrix that is singular but for rounding counts as singular: an ideal series element must not
/// get an impedance matrix of `1e18` ohm.
pub(crate) fn divide(left: &CMatrix, right: &CMatrix, form: &'static str) -> Result<CMatrix, NetworkError> {
    let none = |why: String| NetworkError::NoSuchForm { form, why: format!("{why}; stay in S") };
    let n = right.n_rows();
    let inverse = match linear::solve(right, &CMatrix::identity(n)) {
        Ok(x) => x,
        Err(NumericsError::NotFinite { what }) => return Err(NumericsError::NotFinite { what }.into()),
        Err(e) => return Err(none(e.to_string())),
    };
    let condition = n as f64 * right.max_abs() * inverse.max_abs();
    if condition > CONDITION_MAX {
        return Err(none(format!("its condition number is {condition:.0e}")));
    }
    match linear::solve(&right.transpose(), &left.transpose()) {
        Ok(x) => Ok(x.transpose()),
        Err(e) => Err(none(e.to_string())),
    }
}

fn check_references(s: &CMatrix, reference_ohm: &[Complex64]) -> Result<(), NetworkError> {
    if s.n_rows() != s.n_cols() || s.n_rows() != reference_ohm.len() {
        let found = format!("{} by {} and {} references", s.n_rows(), s.n_cols(), reference_ohm.len());
        return mismatch("a square matrix and one reference a port", found);
    }
    match reference_ohm.iter().find(|z| !(z.re > 0.0 && z.re.is_finite() && z.im.is_finite())) {
        Some(z) => mismatch("references with a positive real part, ohm", z.to_string()),
        None => Ok(()),
    }
}

fn two_port(m: &CMatrix) -> Result<&CMatrix, NetworkError> {
    if (m.n_rows(), m.n_cols()) == (2, 2) {
        return Ok(m);
    }
    mismatch("a two-port", format!("{} by {}", m.n_rows(), m.n_cols()))
}
