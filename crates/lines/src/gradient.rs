//! Derivatives of the capacitance matrix by every node, circle and permittivity, from the solution itself.
//!
//! The discrete capacitance is `C_ij = w_i·x_j` with `A x_j = b_j`; with the adjoint charges `Aᵀλ_i = w_i` its
//! exact derivative is `dC_ij = dw_i·x_j − λ_iᵀ dA x_j`. One sweep over all pairs of points and panels gathers
//! what multiplies the shift `da` and stretch `dd` of every panel; these go on to the nodes the panels hang on.
//! A coefficient `G` means `dC = Re(G·dz)`.

use crate::kernel::{Depth, legendre};
use crate::mesh::{Kind, Mesh, Run};
use crate::solve::{Charges, Discrete, Spot};
use numerics::Complex64;
use std::f64::consts::TAU;

/// Derivatives of the entries `i ≤ j` of the capacitance matrix (in units of vacuum permittivity), in the order
/// of [`pair_index`].
#[derive(Debug, Clone)]
pub(crate) struct Gradient {
    /// By the place of each node of the mesh.
    pub(crate) nodes: Vec<Vec<Complex64>>,
    /// By centre and radius of each round conductor: conductor, centre, radius.
    pub(crate) circles: Vec<(usize, Vec<Complex64>, Vec<f64>)>,
    /// By the permittivity of each filling.
    pub(crate) fillings: Vec<Vec<f64>>,
}

pub(crate) fn n_pairs(n_lines: usize) -> usize {
    n_lines * (n_lines + 1) / 2
}

/// Place of the entry `i, j` in lists of the upper triangle, row after row.
pub(crate) fn pair_index(i: usize, j: usize, n_lines: usize) -> usize {
    let (i, j) = (i.min(j), i.max(j));
    i * n_lines - i * (i + 1) / 2 + j
}

/// Coefficients of shift and stretch of all panels, pair after pair.
struct Sums {
    shift: Vec<Complex64>,
    stretch: Vec<Complex64>,
    /// `|z'| E·n` without the own jump, line after line, at every spot between two fillings.
    flux: Vec<Vec<f64>>,
}

/// Derivatives for the permittivities `eps` for which `charges` were found.
pub(crate) fn gradient(mesh: &Mesh, kept: &Discrete, charges: &Charges, eps: &[f64]) -> Gradient {
    let sums = sweep(kept, charges, eps);
    let pairs = n_pairs(kept.n_lines);
    let mut out = Gradient {
        nodes: vec![vec![Complex64::default(); pairs]; mesh.nodes.len()],
        circles: Vec::new(),
        fillings: by_permittivity(kept, charges, &sums.flux, eps.len()),
    };
    let pieces = mesh.pieces.iter().filter(|p| mesh.tracks[p.track].kind.is_metal() || kept.keeps_interfaces);
    for (e, piece) in pieces.enumerate() {
        for pair in 0..pairs {
            let (shift, stretch) = (sums.shift[e * pairs + pair], sums.stretch[e * pairs + pair]);
            match mesh.tracks[piece.track].run {
                Run::Segment { p, q } => {
                    // a = p + from (q − p), d = (to − from)(q − p)
                    let along = piece.to - piece.from;
                    out.nodes[p][pair] += shift * (1.0 - piece.from) - stretch * along;
                    out.nodes[q][pair] += shift * piece.from + stretch * along;
                }
                Run::Circle { conductor, .. } => {
                    let place = out.circles.iter().position(|c| c.0 == conductor).unwrap_or_else(|| {
                        out.circles.push((conductor, vec![Complex64::default(); pairs], vec![0.0; pairs]));
                        out.circles.len() - 1
                    });
                    out.circles[place].1[pair] += shift;
                    out.circles[place].2[pair] += stretch.re;
                }
            }
        }
    }
    out
}

fn sweep(kept: &Discrete, charges: &Charges, eps: &[f64]) -> Sums {
    let (n, lines) = (kept.n, kept.n_lines);
    let pairs = n_pairs(lines);
    let mut sums = Sums {
        shift: vec![Complex64::default(); kept.panels.len() * pairs],
        stretch: vec![Complex64::default(); kept.panels.len() * pairs],
        flux: vec![vec![0.0; kept.spots.len()]; lines],
    };
    let mut factors = vec![0.0; lines];
    for (r, spot) in kept.spots.iter().enumerate() {
        let kind = kept.panels[spot.panel].kind;
        if kind.is_metal() {
            for (factor, adjoint) in factors.iter_mut().zip(&charges.adjoint) {
                *factor = -adjoint[r];
            }
            potential_row(kept, charges, spot, &factors, &mut sums);
        }
        let Some((left, right)) = kind.sides() else { continue };
        let step = eps[left] - eps[right];
        for (i, factor) in factors.iter_mut().enumerate() {
            *factor = match kind {
                Kind::Sheet { conductor, .. } if conductor == Some(i) => spot.weight * step,
                Kind::Interface { .. } => -charges.adjoint[i][r] * step,
                _ => 0.0,
            };
        }
        flux_row(kept, charges, r, &factors, &mut sums);
    }
    debug_assert!(n > 0);
    sums
}

/// Sum of the charges of one panel times one row of functions.
fn weigh(row: &[Complex64], x: &[f64]) -> Complex64 {
    row.iter().zip(x).map(|(g, x)| g * x).sum()
}

fn potential_row(kept: &Discrete, charges: &Charges, spot: &Spot, factors: &[f64], sums: &mut Sums) {
    let (n, lines) = (kept.n, kept.n_lines);
    let pairs = n_pairs(lines);
    let own = kept.panels[spot.panel].curve.place(spot.t);
    for (e, panel) in kept.panels.iter().enumerate() {
        let direct = (e != spot.panel).then(|| kept.kernel(spot, e, Depth::Field));
        let image = kept.has_ground.then(|| panel.curve.kernel(panel.local(spot.z.conj()), n, Depth::Field));
        let scale = (TAU * panel.d).inv();
        let u = if e == spot.panel { own } else { panel.local(spot.z) };
        for j in 0..lines {
            let x = &charges.x[j][e * n..(e + 1) * n];
            let level = scale * 2.0 * x[0];
            let s = direct.as_ref().map_or(Complex64::default(), |k| weigh(&k.g1[..n], x) * scale);
            let (mut at, mut shift, mut stretch) = (-s, s, if e == spot.panel { -level } else { s * u - level });
            if let Some(image) = &image {
                let s = weigh(&image.g1[..n], x) * scale;
                at += s.conj();
                shift -= s;
                stretch -= s * panel.local(spot.z.conj()) - level;
            }
            for (i, &factor) in factors.iter().enumerate().take(j + 1) {
                let pair = pair_index(i, j, lines);
                sums.shift[e * pairs + pair] += shift * factor;
                sums.stretch[e * pairs + pair] += stretch * factor;
                sums.shift[spot.panel * pairs + pair] += at * factor;
                sums.stretch[spot.panel * pairs + pair] += at * own * factor;
            }
        }
    }
}

fn flux_row(kept: &Discrete, charges: &Charges, r: usize, factors: &[f64], sums: &mut Sums) {
    let (n, lines) = (kept.n, kept.n_lines);
    let pairs = n_pairs(lines);
    let spot = &kept.spots[r];
    let home = &kept.panels[spot.panel];
    let (own, own_speed) = (home.curve.place(spot.t), home.curve.speed(spot.t));
    let turn = Complex64::new(0.0, 1.0);
    let y = turn * spot.speed;
    for (e, panel) in kept.panels.iter().enumerate() {
        let direct = (e != spot.panel).then(|| kept.kernel(spot, e, Depth::Gradient));
        let mirrored = panel.local(spot.z.conj());
        let image = kept.has_ground.then(|| panel.curve.kernel(mirrored, n, Depth::Gradient));
        let (scale, inverse) = ((TAU * panel.d).inv(), panel.d.inv());
        let u = panel.local(spot.z);
        for j in 0..lines {
            let x = &charges.x[j][e * n..(e + 1) * n];
            let zero = Complex64::default();
            let (mut at, mut shift, mut stretch, mut by_y) = (zero, zero, zero, zero);
            if let Some(direct) = &direct {
                let (t, h) = (weigh(&direct.g1[..n], x) * scale, weigh(&direct.g2[..n], x) * scale * inverse);
                at += h * y;
                shift -= h * y;
                stretch -= (h * u + t * inverse) * y;
                by_y += t;
            }
            if let Some(image) = &image {
                let (t, h) = (weigh(&image.g1[..n], x) * scale, weigh(&image.g2[..n], x) * scale * inverse);
                at -= h.conj() * y;
                shift += h * y.conj();
                stretch += (h * mirrored + t * inverse) * y.conj();
                by_y -= t.conj();
            }
            sums.flux[j][r] += (by_y * y).re;
            for (i, &factor) in factors.iter().enumerate().take(j + 1) {
                let pair = pair_index(i, j, lines);
                sums.shift[e * pairs + pair] += shift * factor;
                sums.stretch[e * pairs + pair] += stretch * factor;
                sums.shift[spot.panel * pairs + pair] += at * factor;
                sums.stretch[spot.panel * pairs + pair] += (at * own + by_y * turn * own_speed) * factor;
            }
        }
    }
}

fn by_permittivity(kept: &Discrete, charges: &Charges, flux: &[Vec<f64>], n_fillings: usize) -> Vec<Vec<f64>> {
    let (n, lines) = (kept.n, kept.n_lines);
    let mut out = vec![vec![0.0; n_pairs(lines)]; n_fillings];
    for i in 0..lines {
        for j in i..lines {
            let pair = pair_index(i, j, lines);
            for (r, spot) in kept.spots.iter().enumerate() {
                let kind = kept.panels[spot.panel].kind;
                let Some((left, right)) = kind.sides() else { continue };
                match kind {
                    Kind::Interface { .. } => {
                        let x = &charges.x[j][spot.panel * n..(spot.panel + 1) * n];
                        let q: f64 = legendre(spot.t, n).iter().zip(x).map(|(p, x)| p * x).sum();
                        let adjoint = charges.adjoint[i][r];
                        out[left][pair] -= adjoint * (0.5 * q + flux[j][r]);
                        out[right][pair] -= adjoint * (0.5 * q - flux[j][r]);
                    }
                    Kind::Sheet { conductor, .. } if conductor == Some(i) => {
                        out[left][pair] += spot.weight * flux[j][r];
                        out[right][pair] -= spot.weight * flux[j][r];
                    }
                    _ => {}
                }
            }
            for (e, panel) in kept.panels.iter().enumerate() {
                let charge = 2.0 * charges.x[j][e * n];
                match panel.kind {
                    Kind::Face { conductor, outside } if conductor == Some(i) => out[outside][pair] += charge,
                    Kind::Sheet { conductor, left, right } if conductor == Some(i) => {
                        out[left][pair] += 0.5 * charge;
                        out[right][pair] += 0.5 * charge;
                    }
                    _ => {}
                }
            }
        }
    }
    out
}

impl Kind {
    /// Left and right filling where they differ.
    fn sides(self) -> Option<(usize, usize)> {
        match self {
            Self::Interface { left, right } | Self::Sheet { left, right, .. } if left != right => Some((left, right)),
            _ => None,
        }
    }
}
