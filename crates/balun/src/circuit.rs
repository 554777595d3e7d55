//! Two coupled sections as a three-port: how a balun of given lines and lengths behaves.
//!
//! Lines of a section: 0 is the lower strip (secondary), 1 the upper (primary). Port 1 is the unbalanced input,
//! ports 2 and 3 are the balanced terminals at the centre. The sections do not couple to each other.
//! Source of the compensated form: N. Marchand, "Transmission-line conversion transformers", Electronics 17
//! (Dec. 1944) 142-145 (memory).

use crate::BalunError;
use lines::{LineMatrices, LineTable};
use network::connect::{Resonance, join_ports, stack};
use network::convert::{Wave, renormalise};
use network::{FrequencyResponse, NetworkError};
use numerics::{CMatrix, Complex64, RMatrix};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use std::f64::consts::TAU;

/// Reference of all inner waves, ohm; the outcome does not depend on it.
const INNER_OHM: f64 = 50.0;

/// How the two sections are connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    /// Primary runs through both sections and ends open: the classical compensated balun.
    Compensated,
    /// Primary ends at the second terminal; both strips of the second section together are the shorted stub that
    /// restores symmetry.
    Uncompensated,
}

/// The line between the two primaries at the centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Link {
    /// Length, metre.
    pub length_m: f64,
    /// Impedance, ohm.
    pub impedance_ohm: f64,
    /// Effective permittivity.
    pub eps_eff: f64,
}

/// Everything of a balun but its lines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrangement {
    /// How the sections are connected.
    pub family: Family,
    /// Length of each section, metre.
    pub length_m: f64,
    /// Link between the sections, if any.
    pub link: Option<Link>,
    /// Inductance of each ground connection of the secondary, henry.
    pub via_h: f64,
    /// Source resistance at port 1, ohm.
    pub source_ohm: f64,
    /// Load resistance between ports 2 and 3, ohm; each port is referred to half of it.
    pub load_ohm: f64,
}

/// What a balun does at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BalunReading {
    /// Frequency, hertz.
    pub freq_hz: f64,
    /// Return loss at the unbalanced port, dB.
    pub return_loss_db: f64,
    /// Loss from the input to the balanced load, dB.
    pub loss_db: f64,
    /// Amplitude at terminal 2 over terminal 3, dB; zero when balanced.
    pub amplitude_db: f64,
    /// Phase of terminal 2 against the opposite of terminal 3, degree; zero when balanced.
    pub phase_deg: f64,
    /// Balanced over common part at the terminals, dB.
    pub common_rejection_db: f64,
}

impl Arrangement {
    /// Scattering matrix of the three-port, references `source`, `load/2`, `load/2`.
    pub fn scattering(&self, matrices: &LineMatrices) -> Result<CMatrix, BalunError> {
        let freq_hz = matrices.freq_hz;
        let section = matrices.scattering(self.length_m, INNER_OHM)?;
        let link = self.link_scattering(freq_hz);
        let via = one_port(Complex64::new(0.0, TAU * freq_hz * self.via_h));
        let open = CMatrix::identity(1);
        // ports: 0-3 first section (lower, upper near; lower, upper far), 4-7 second, 8-9 link, 10-11 vias
        let whole = match self.family {
            Family::Compensated => {
                let blocks = stack(&[&section, &section, &link, &via, &via, &open]);
                join(&blocks, &[(0, 10), (3, 8), (9, 5), (6, 11), (7, 12)])?
            }
            Family::Uncompensated => {
                let (four, three) = (node(4), node(3));
                let blocks = stack(&[&section, &section, &link, &via, &via, &four, &three]);
                join(&blocks, &[(0, 10), (3, 8), (9, 12), (5, 13), (4, 14), (6, 16), (7, 17), (18, 11)])?
            }
        };
        let half = 0.5 * self.load_ohm;
        let to = [self.source_ohm, half, half].map(Complex64::from);
        Ok(renormalise(&whole, &[INNER_OHM.into(); 3], &to, Wave::Power)?)
    }

    /// Readings at the frequencies of the matrices.
    pub fn readings(&self, matrices: &[LineMatrices]) -> Result<Vec<BalunReading>, BalunError> {
        matrices.iter().map(|m| Ok(BalunReading::of(m.freq_hz, &self.scattering(m)?))).collect()
    }

    fn link_scattering(&self, freq_hz: f64) -> CMatrix {
        let link = self.link.unwrap_or(Link { length_m: 0.0, impedance_ohm: INNER_OHM, eps_eff: 1.0 });
        let theta = TAU * freq_hz * link.length_m * link.eps_eff.sqrt() / LIGHT_SPEED_M_PER_S;
        let (z, j) = (link.impedance_ohm / INNER_OHM, Complex64::new(0.0, 1.0));
        let (a, b, c) = (Complex64::from(theta.cos()), j * z * theta.sin(), j / z * theta.sin());
        let d = 2.0 * a + b + c;
        CMatrix::from_rows(&[vec![(b - c) / d, 2.0 / d], vec![2.0 / d, (b - c) / d]])
    }
}

fn join(blocks: &CMatrix, pairs: &[(usize, usize)]) -> Result<CMatrix, NetworkError> {
    join_ports(blocks, pairs, Resonance::AcceptUncoupled)
}

fn one_port(z: Complex64) -> CMatrix {
    CMatrix::from_fn(1, 1, |_, _| (z - INNER_OHM) / (z + INNER_OHM))
}

/// Ideal node of `n` branches.
fn node(n: usize) -> CMatrix {
    CMatrix::from_fn(n, n, |i, j| Complex64::from(2.0 / n as f64 - f64::from(u8::from(i == j))))
}

impl BalunReading {
    /// From the scattering matrix of the three-port.
    pub fn of(freq_hz: f64, s: &CMatrix) -> Self {
        let db = |x: f64| 20.0 * x.log10();
        let balanced = (s[(1, 0)] - s[(2, 0)]) * std::f64::consts::FRAC_1_SQRT_2;
        let common = (s[(1, 0)] + s[(2, 0)]) * std::f64::consts::FRAC_1_SQRT_2;
        let ratio = -s[(1, 0)] / s[(2, 0)];
        Self {
            freq_hz,
            return_loss_db: -db(s[(0, 0)].norm()),
            loss_db: -db(balanced.norm()),
            amplitude_db: db(ratio.norm()),
            phase_deg: ratio.arg().to_degrees(),
            common_rejection_db: db(balanced.norm() / common.norm()),
        }
    }
}

/// Lossless lines of which the upper sees only the lower: strip-to-strip and pair-over-ground impedance, one velocity.
pub fn ideal_pair(strip_to_strip_ohm: f64, pair_over_ground_ohm: f64, eps_eff: f64, freq_hz: f64) -> LineMatrices {
    let slowness = eps_eff.sqrt() / LIGHT_SPEED_M_PER_S;
    let (between, over) = (slowness / strip_to_strip_ohm, slowness / pair_over_ground_ohm);
    let c = RMatrix::from_rows(&[vec![over + between, -between], vec![-between, between]]);
    let det = over * between;
    let l = RMatrix::from_rows(&[vec![between, between], vec![between, over + between]]);
    let none = RMatrix::zeros(2, 2);
    LineMatrices { freq_hz, r: none.clone(), l: l.map(|x| x * slowness * slowness / det), g: none, c }
}

/// A balun as a three-port: unbalanced input, terminal 2, terminal 3.
#[derive(Debug, Clone)]
pub struct BalunNetwork {
    lines: LineTable,
    arrangement: Arrangement,
    reference_ohm: [f64; 3],
}

impl BalunNetwork {
    /// From tabulated lines (lower, upper) and their arrangement.
    pub fn new(lines: LineTable, arrangement: Arrangement) -> Self {
        let half = 0.5 * arrangement.load_ohm;
        Self { lines, arrangement, reference_ohm: [arrangement.source_ohm, half, half] }
    }
}

impl FrequencyResponse for BalunNetwork {
    fn n_ports(&self) -> usize {
        3
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        self.arrangement.scattering(&self.lines.at(freq_hz)).map_err(|e| NetworkError::Degenerate {
            what: "balun".into(),
            freq_hz,
            why: e.to_string(),
        })
    }
}
