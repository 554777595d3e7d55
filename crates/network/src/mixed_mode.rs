//! Balanced ports: differential and common mode of port pairs.
//!
//! Input: scattering matrices and a list that says what each row means.
//! Output: the same matrices in the other basis.
//! Conventions: `v_D = v_i − v_j`, `i_D = (i_i − i_j)/2`, `v_C = (v_i + v_j)/2`, `i_C = i_i + i_j`;
//! references `2R` and `R/2`; waves `S_mm = M S Mᵀ` with rows `(1, −1)/√2` and `(1, 1)/√2`.
//! Both ports of a pair share one real reference. Source: the 2.0 n-port standard, from memory.

use crate::network::mismatch;
use crate::{Network, NetworkError};
use numerics::{CMatrix, Complex64};
use std::f64::consts::FRAC_1_SQRT_2;

/// Meaning of one row and column. Port indices count from zero; text counts from one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// A port on its own.
    Single(usize),
    /// Differential mode of a pair.
    Differential(usize, usize),
    /// Common mode of a pair.
    Common(usize, usize),
}

impl Mode {
    /// Reference of the mode when the single-ended ports have these, ohm.
    pub fn reference_ohm(&self, single_ohm: &[f64]) -> f64 {
        match *self {
            Self::Single(i) => single_ohm[i],
            Self::Differential(i, _) => 2.0 * single_ohm[i],
            Self::Common(i, _) => single_ohm[i] / 2.0,
        }
    }
}

impl std::fmt::Display for Mode {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match *self {
            Self::Single(i) => write!(f, "S{}", i + 1),
            Self::Differential(i, j) => write!(f, "D{},{}", i + 1, j + 1),
            Self::Common(i, j) => write!(f, "C{},{}", i + 1, j + 1),
        }
    }
}

impl std::str::FromStr for Mode {
    type Err = ();
    fn from_str(text: &str) -> Result<Self, ()> {
        let index = |t: &str| match t.parse::<usize>() {
            Ok(i) if i > 0 && t.bytes().all(|b| b.is_ascii_digit()) => Ok(i - 1),
            _ => Err(()),
        };
        let (letter, ports) = text.split_at_checked(1).ok_or(())?;
        let pair = || ports.split_once(',').ok_or(()).and_then(|(i, j)| Ok((index(i)?, index(j)?)));
        match letter.to_ascii_uppercase().as_str() {
            "S" => Ok(Self::Single(index(ports)?)),
            "D" => pair().map(|(i, j)| Self::Differential(i, j)),
            "C" => pair().map(|(i, j)| Self::Common(i, j)),
            _ => Err(()),
        }
    }
}

/// Why a list of modes is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum ModeFault {
    Ports(String),
    Reference(String),
}

/// Every port is used once: alone, or in one pair with both modes of the same order.
pub(crate) fn check(modes: &[Mode], single_ohm: &[f64]) -> Result<(), ModeFault> {
    let n = single_ohm.len();
    if modes.len() != n {
        return Err(ModeFault::Ports(format!("{} entries for {n} ports", modes.len())));
    }
    let mut used = vec![0; n];
    for mode in modes {
        let ports = match *mode {
            Mode::Single(i) => [i, i],
            Mode::Differential(i, j) | Mode::Common(i, j) if i != j => [i, j],
            _ => return Err(ModeFault::Ports(format!("`{mode}` pairs a port with itself"))),
        };
        if let Some(&bad) = ports.iter().find(|&&p| p >= n) {
            return Err(ModeFault::Ports(format!("`{mode}` names port {} of {n}", bad + 1)));
        }
        for p in ports {
            used[p] += 1;
        }
        let other = match *mode {
            Mode::Single(_) => continue,
            Mode::Differential(i, j) => Mode::Common(i, j),
            Mode::Common(i, j) => Mode::Differential(i, j),
        };
        if !modes.contains(&other) {
            return Err(ModeFault::Ports(format!("`{mode}` without `{other}`")));
        }
        if (single_ohm[ports[0]] - single_ohm[ports[1]]).abs() > 0.0 {
            let (a, b) = (single_ohm[ports[0]], single_ohm[ports[1]]);
            return Err(ModeFault::Reference(format!("{a} and {b} ohm in `{mode}`")));
        }
    }
    // a port alone counts twice above, a port of a pair once in each mode
    match used.iter().position(|&u| u != 2) {
        Some(p) => Err(ModeFault::Ports(format!("port {} not used exactly once", p + 1))),
        None => Ok(()),
    }
}

/// Single-ended scattering matrix of a mixed-mode one.
pub fn to_single_ended(mixed: &CMatrix, modes: &[Mode]) -> Result<CMatrix, NetworkError> {
    let m = basis(mixed, modes)?;
    Ok(&(&m.transpose() * mixed) * &m)
}

/// Mixed-mode scattering matrix of a single-ended one.
pub fn to_mixed_mode(single: &CMatrix, modes: &[Mode]) -> Result<CMatrix, NetworkError> {
    let m = basis(single, modes)?;
    Ok(&(&m * single) * &m.transpose())
}

/// Mixed-mode network; ports are named after the modes, in words of the port names.
pub fn mixed_mode_network(network: &Network, modes: &[Mode]) -> Result<Network, NetworkError> {
    let single = network.real_reference_ohm()?;
    match check(modes, &single) {
        Ok(()) => {}
        Err(ModeFault::Ports(why) | ModeFault::Reference(why)) => {
            return mismatch("modes that use each port once, with one reference a pair", why);
        }
    }
    let s = network.each(|s| to_mixed_mode(s, modes))?;
    let name = |i: usize| network.ports()[i].as_str();
    let ports = modes.iter().map(|mode| match *mode {
        Mode::Single(i) => name(i).to_owned(),
        Mode::Differential(i, j) => format!("{}-{}", name(i), name(j)),
        Mode::Common(i, j) => format!("{}+{}", name(i), name(j)),
    });
    let reference = modes.iter().map(|m| m.reference_ohm(&single).into()).collect();
    Network::new(ports.collect(), reference, network.freq_hz().to_vec(), s)
}

/// Rows of the orthogonal matrix from single-ended to mixed waves.
fn basis(s: &CMatrix, modes: &[Mode]) -> Result<CMatrix, NetworkError> {
    let n = modes.len();
    if (s.n_rows(), s.n_cols()) != (n, n) {
        return mismatch(format!("a {n} by {n} matrix"), format!("{} by {}", s.n_rows(), s.n_cols()));
    }
    if let Err(ModeFault::Ports(why) | ModeFault::Reference(why)) = check(modes, &vec![1.0; n]) {
        return mismatch("modes that use each port once", why);
    }
    let mut m = CMatrix::zeros(n, n);
    let half = Complex64::from(FRAC_1_SQRT_2);
    for (row, mode) in modes.iter().enumerate() {
        match *mode {
            Mode::Single(i) => m[(row, i)] = 1.0.into(),
            Mode::Differential(i, j) => (m[(row, i)], m[(row, j)]) = (half, -half),
            Mode::Common(i, j) => (m[(row, i)], m[(row, j)]) = (half, half),
        }
    }
    Ok(m)
}
