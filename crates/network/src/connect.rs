//! Joining multiports in S: links between ports, terminations, cascades.
//!
//! Input: scattering matrices or networks and the ports to join. Output: the outer multiport.
//! Method: with outer ports `e`, joined ports `c` and the permutation `P` that pairs them,
//! `S' = S_ee + S_ec (P − S_cc)⁻¹ S_ce`, one pivoted solve, never through Z or Y.
//! Convention: ports that are joined have conjugate references (equal ones when real).
//! `P − S_cc` is singular where the joined ports resonate without loss.

use crate::network::{at, mismatch};
use crate::{Network, NetworkError};
use numerics::{CMatrix, Complex64, linear};

/// Relative difference of references or frequencies that still counts as equal.
const EQUAL: f64 = 1e-12;
/// Growth of inner waves over outer ones above which the loop counts as resonant.
const GROWTH_MAX: f64 = 1e12;
/// Singular values below this share of the largest belong to a resonance.
const RESONANT_BELOW: f64 = 1e-12;
/// Largest wave by which a resonance may show at the outer ports and still count as uncoupled.
const COUPLING_MAX: f64 = 1e-9;

/// What to do when joined ports resonate without loss.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Resonance {
    /// Refuse: inner waves are not determined.
    #[default]
    Refuse,
    /// Accept when no outer port can excite or see the resonance; the outer matrix is then unique.
    /// Always so for passive parts.
    AcceptUncoupled,
}

/// A load on one port.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Load {
    /// Impedance, ohm.
    ImpedanceOhm(Complex64),
    /// Admittance, siemens.
    AdmittanceS(Complex64),
    /// Wave sent back over wave that arrives from the port.
    Reflection(Complex64),
}

impl Load {
    /// Reflection of the load as seen from a port of reference `z`, ohm (power waves).
    pub fn reflection(self, z: Complex64) -> Complex64 {
        match self {
            Self::ImpedanceOhm(load) => (load - z) / (load + z.conj()),
            Self::AdmittanceS(load) => (1.0 - load * z) / (1.0 + load * z.conj()),
            Self::Reflection(gamma) => gamma,
        }
    }
}

/// One port of one of several networks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Which network.
    pub network_idx: usize,
    /// Which of its ports.
    pub port_idx: usize,
}

/// Joins pairs of ports of one matrix; the other ports keep their order.
pub fn join_ports(s: &CMatrix, pairs: &[(usize, usize)], resonance: Resonance) -> Result<CMatrix, NetworkError> {
    let n = s.n_rows();
    let joined: Vec<usize> = pairs.iter().flat_map(|&(i, j)| [i, j]).collect();
    check_distinct(&joined, n)?;
    let outer: Vec<usize> = (0..n).filter(|i| !joined.contains(i)).collect();
    if joined.is_empty() {
        return Ok(s.clone());
    }
    // partner of position k is k ^ 1 because pairs stand side by side
    let m = CMatrix::from_fn(joined.len(), joined.len(), |i, j| {
        Complex64::from(f64::from(u8::from(i ^ 1 == j))) - s[(joined[i], joined[j])]
    });
    let (inward, outward) = (s.select(&joined, &outer), s.select(&outer, &joined));
    let inner = solve_loop(&m, &inward, &outward, resonance)?;
    Ok(&s.select(&outer, &outer) + &(&outward * &inner))
}

/// Closes one port with a reflection; the other ports keep their order.
pub fn close_port(s: &CMatrix, port_idx: usize, gamma: Complex64) -> Result<CMatrix, NetworkError> {
    let n = s.n_rows();
    check_distinct(&[port_idx], n)?;
    let mut whole = CMatrix::zeros(n + 1, n + 1);
    for i in 0..n {
        whole.row_mut(i)[..n].copy_from_slice(s.row(i));
    }
    whole[(n, n)] = gamma;
    join_ports(&whole, &[(port_idx, n)], Resonance::Refuse)
}

/// Two two-ports in a row: port 2 of `a` on port 1 of `b`.
pub fn cascade(a: &CMatrix, b: &CMatrix) -> Result<CMatrix, NetworkError> {
    if [a.n_rows(), a.n_cols(), b.n_rows(), b.n_cols()] != [2; 4] {
        return mismatch("two two-ports", format!("{} and {} ports", a.n_rows(), b.n_rows()));
    }
    join_ports(&stack(&[a, b]), &[(1, 2)], Resonance::Refuse)
}

/// Block diagonal matrix of unconnected multiports.
pub fn stack(blocks: &[&CMatrix]) -> CMatrix {
    let n = blocks.iter().map(|b| b.n_rows()).sum();
    let mut out = CMatrix::zeros(n, n);
    let mut start = 0;
    for block in blocks {
        for i in 0..block.n_rows() {
            out.row_mut(start + i)[start..start + block.n_cols()].copy_from_slice(block.row(i));
        }
        start += block.n_rows();
    }
    out
}

/// Joins ports of several networks at all their frequencies; outer ports keep their order.
///
/// Names of outer ports stay when all are different, else `1:` and so on is put in front. References
/// and frequencies that disagree are an error that names both.
pub fn join(networks: &[&Network], links: &[(Place, Place)], resonance: Resonance) -> Result<Network, NetworkError> {
    let Some(first) = networks.first() else { return mismatch("at least one network", "none") };
    for other in networks {
        check_frequencies(first, other)?;
    }
    let start: Vec<usize> = networks
        .iter()
        .scan(0, |sum, n| {
            *sum += n.n_ports();
            Some(*sum - n.n_ports())
        })
        .collect();
    let position = |p: Place| -> Result<usize, NetworkError> {
        match networks.get(p.network_idx) {
            Some(n) if p.port_idx < n.n_ports() => Ok(start[p.network_idx] + p.port_idx),
            _ => mismatch("a port of one of the networks", format!("{p:?}")),
        }
    };
    let mut pairs = Vec::with_capacity(links.len());
    for &(a, b) in links {
        pairs.push((position(a)?, position(b)?));
        check_references(networks, a, b)?;
    }
    let s: Result<Vec<CMatrix>, NetworkError> = (0..first.freq_hz().len())
        .map(|k| {
            let blocks: Vec<&CMatrix> = networks.iter().map(|n| &n.s()[k]).collect();
            join_ports(&stack(&blocks), &pairs, resonance).map_err(|e| at(e, first.freq_hz()[k]))
        })
        .collect();
    let is_joined = |i: usize| pairs.iter().any(|&(a, b)| a == i || b == i);
    let mut names = Vec::new();
    let mut reference = Vec::new();
    for (k, network) in networks.iter().enumerate() {
        for p in (0..network.n_ports()).filter(|&p| !is_joined(start[k] + p)) {
            names.push((format!("{}:{}", k + 1, network.ports()[p]), network.ports()[p].clone()));
            reference.push(network.reference_ohm()[p]);
        }
    }
    let plain: Vec<String> = names.iter().map(|(_, plain)| plain.clone()).collect();
    let unique = plain.iter().enumerate().all(|(i, n)| !plain[..i].contains(n));
    let ports = if unique { plain } else { names.into_iter().map(|(long, _)| long).collect() };
    let whole = Network::new(ports, reference, first.freq_hz().to_vec(), s?)?;
    Ok(networks.iter().fold(whole, |w, n| w.remarked(n.findings().to_vec())))
}

/// Closes one port of a network with a load that may depend on frequency, hertz.
pub fn terminate(network: &Network, port_idx: usize, load: impl Fn(f64) -> Load) -> Result<Network, NetworkError> {
    check_distinct(&[port_idx], network.n_ports())?;
    let z = network.reference_ohm()[port_idx];
    let s: Result<Vec<CMatrix>, NetworkError> = network
        .s()
        .iter()
        .zip(network.freq_hz())
        .map(|(s, &f)| close_port(s, port_idx, load(f).reflection(z)).map_err(|e| at(e, f)))
        .collect();
    let keep: Vec<usize> = (0..network.n_ports()).filter(|&i| i != port_idx).collect();
    let ports = keep.iter().map(|&i| network.ports()[i].clone()).collect();
    let reference = keep.iter().map(|&i| network.reference_ohm()[i]).collect();
    Ok(Network::new(ports, reference, network.freq_hz().to_vec(), s?)?.remarked(network.findings().to_vec()))
}

/// Inner waves for unit outer waves.
fn solve_loop(m: &CMatrix, inward: &CMatrix, outward: &CMatrix, resonance: Resonance) -> Result<CMatrix, NetworkError> {
    if let Ok(x) = linear::solve(m, inward)
        && x.max_abs() < GROWTH_MAX
    {
        return Ok(x);
    }
    let resonant = |why: &str| NetworkError::Degenerate {
        what: "the loop of joined ports".into(),
        freq_hz: f64::NAN,
        why: format!("it resonates without loss, {why}; add loss or another frequency, or leave the link open"),
    };
    if !(m.is_finite() && inward.is_finite()) {
        return mismatch("finite scattering parameters", "NaN or infinity");
    }
    if resonance == Resonance::Refuse {
        return Err(resonant("so inner waves are not determined"));
    }
    let (u, sigma, v) = linear::svd(m)?;
    let kept = sigma.iter().filter(|&&x| x > RESONANT_BELOW * sigma[0]).count();
    let mut c = &u.adjoint() * inward;
    for (k, sigma) in sigma.iter().enumerate() {
        for x in c.row_mut(k) {
            if k >= kept && x.norm() > COUPLING_MAX {
                return Err(resonant("and an outer port excites it"));
            }
            *x = if k < kept { *x / sigma } else { 0.0.into() };
        }
    }
    let seen = outward * &v;
    if (0..seen.n_rows()).any(|i| seen.row(i)[kept..].iter().any(|x| x.norm() > COUPLING_MAX)) {
        return Err(resonant("and an outer port sees it"));
    }
    Ok(&v * &c)
}

fn check_distinct(ports: &[usize], n: usize) -> Result<(), NetworkError> {
    for (k, &p) in ports.iter().enumerate() {
        if p >= n {
            return mismatch(format!("port indices below {n}"), p.to_string());
        }
        if ports[..k].contains(&p) {
            return mismatch("each port joined once", format!("port index {p} twice"));
        }
    }
    Ok(())
}

fn check_frequencies(a: &Network, b: &Network) -> Result<(), NetworkError> {
    let same = |(x, y): (&f64, &f64)| (x - y).abs() <= EQUAL * x.abs();
    if a.freq_hz().len() == b.freq_hz().len() && a.freq_hz().iter().zip(b.freq_hz()).all(same) {
        return Ok(());
    }
    let text = |n: &Network| {
        let f = n.freq_hz();
        format!("{} points from {:e} to {:e} Hz", f.len(), f[0], f[f.len() - 1])
    };
    mismatch(format!("the same frequencies in all networks, {}", text(a)), text(b))
}

fn check_references(networks: &[&Network], a: Place, b: Place) -> Result<(), NetworkError> {
    let of = |p: Place| networks[p.network_idx].reference_ohm()[p.port_idx];
    let name = |p: Place| format!("{} ohm at `{}`", of(p), networks[p.network_idx].ports()[p.port_idx]);
    if (of(a) - of(b).conj()).norm() <= EQUAL * of(a).norm() {
        return Ok(());
    }
    mismatch("conjugate references on joined ports (renormalise one)", format!("{} and {}", name(a), name(b)))
}
