//! The linear system of a circuit at any frequency.
//!
//! Unknowns: node voltages, then currents times [`SCALE_OHM`]. Rows: current sums at the nodes
//! (times [`SCALE_OHM`]), then one equation for each current. Below and right of it lie one row
//! and one column a port: the row reads the port voltage over `√z`, the column injects minus the
//! current of a wave of amplitude one. Eliminating all unknowns leaves `S + 1` in the corner.
//! Every entry is `constant + jω·slope` plus what lines, blocks and lossy parts add.

use crate::line::{EndForm, Line, ReadyLine};
use network::{FrequencyResponse, NetworkError};
use numerics::Complex64;
use std::collections::HashMap;
use std::f64::consts::TAU;
use std::sync::Arc;

/// Scale of the currents, ohm: brings voltages and currents of microwave circuits to one size.
pub(crate) const SCALE_OHM: f64 = 50.0;

/// Parts whose entries are not linear in frequency.
#[derive(Debug, Clone)]
pub(crate) enum Part {
    Line(Line),
    Lines {
        n: usize,
        line: ReadyLine,
    },
    Block(Arc<dyn FrequencyResponse>),
    /// Real part `ωL/Q` of a lossy inductor.
    InductorQuality {
        henry: f64,
        q: f64,
    },
    /// Real part `ωC/Q` of a lossy capacitor.
    CapacitorQuality {
        farad: f64,
        q: f64,
    },
    /// Capacitor with a series resistance.
    CapacitorSeries {
        farad: f64,
        ohm: f64,
    },
    /// Row `s·jωC·v − s·i = 0` of a capacitor so large that it is nearly a short.
    LargeCapacitor {
        farad: f64,
        ohm: f64,
        q_inverse: f64,
    },
}

/// A part and where its local values go: `entry[slot] += sign·local[idx]`.
#[derive(Debug, Clone)]
struct Stamp {
    part: Part,
    n_local: usize,
    scatter: Vec<(u32, u32, f64)>,
    /// True when the part equals that of the stamp before, so that its values serve again.
    repeats: bool,
}

/// Buffers of an evaluation, kept between calls.
#[derive(Debug, Default)]
pub(crate) struct Scratch {
    local: Vec<Complex64>,
    line: Vec<Complex64>,
}

/// The sparse system with its entries as functions of frequency.
#[derive(Debug, Clone, Default)]
pub(crate) struct System {
    /// What each unknown is, for messages.
    pub(crate) unknowns: Vec<String>,
    pub(crate) n_ports: usize,
    /// Row and column of each entry; the border comes after the unknowns.
    pub(crate) entries: Vec<(u32, u32)>,
    constant: Vec<f64>,
    slope: Vec<f64>,
    stamps: Vec<Stamp>,
    slot_of: HashMap<(u32, u32), u32>,
}

impl System {
    /// Number of unknowns.
    pub(crate) fn n(&self) -> usize {
        self.unknowns.len()
    }

    /// Index of the entry at `row`, `col`, made when new.
    pub(crate) fn slot(&mut self, row: usize, col: usize) -> u32 {
        let place = (row as u32, col as u32);
        if let Some(&slot) = self.slot_of.get(&place) {
            return slot;
        }
        let slot = self.entries.len() as u32;
        self.entries.push(place);
        self.constant.push(0.0);
        self.slope.push(0.0);
        self.slot_of.insert(place, slot);
        slot
    }

    /// Adds `constant + jω·slope` to an entry.
    pub(crate) fn add(&mut self, row: usize, col: usize, constant: f64, slope: f64) {
        let slot = self.slot(row, col) as usize;
        self.constant[slot] += constant;
        self.slope[slot] += slope;
    }

    /// Adds a part; equal parts are kept side by side and evaluated once a frequency.
    pub(crate) fn add_part(&mut self, part: Part, n_local: usize, scatter: Vec<(u32, u32, f64)>) {
        let equal = self.stamps.iter().rposition(|s| s.part.equals(&part));
        let place = equal.map_or(self.stamps.len(), |idx| idx + 1);
        self.stamps.insert(place, Stamp { part, n_local, scatter, repeats: equal.is_some() });
    }

    /// All entries at one frequency, each passed once or more to `add(slot, value)`.
    pub(crate) fn evaluate(
        &self,
        freq_hz: f64,
        scratch: &mut Scratch,
        mut add: impl FnMut(usize, Complex64),
    ) -> Result<(), NetworkError> {
        let omega = TAU * freq_hz;
        for (slot, (&constant, &slope)) in self.constant.iter().zip(&self.slope).enumerate() {
            add(slot, Complex64::new(constant, omega * slope));
        }
        for stamp in &self.stamps {
            if !stamp.repeats {
                scratch.local.clear();
                scratch.local.resize(stamp.n_local, Complex64::default());
                stamp.part.evaluate(freq_hz, &mut scratch.local, &mut scratch.line)?;
            }
            for &(local, slot, sign) in &stamp.scatter {
                add(slot as usize, scratch.local[local as usize] * sign);
            }
        }
        Ok(())
    }

    /// Highest frequency up to which all blocks rest on data.
    pub(crate) fn data_up_to_hz(&self) -> Option<f64> {
        let blocks = self.stamps.iter().filter_map(|s| match &s.part {
            Part::Block(b) => b.data_up_to_hz(),
            _ => None,
        });
        blocks.reduce(f64::min)
    }
}

impl Part {
    /// True for lines of one kind and blocks that are one object.
    fn equals(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Line(a), Self::Line(b)) => a == b,
            (Self::Lines { line: a, .. }, Self::Lines { line: b, .. }) => a == b,
            (Self::Block(a), Self::Block(b)) => Arc::ptr_eq(a, b),
            _ => false,
        }
    }

    fn evaluate(
        &self,
        freq_hz: f64,
        local: &mut [Complex64],
        scratch: &mut Vec<Complex64>,
    ) -> Result<(), NetworkError> {
        let omega = TAU * freq_hz;
        match self {
            Self::Line(line) => line.ends(freq_hz, &mut EndForm { n: 1, scale_ohm: SCALE_OHM, blocks: local }),
            Self::Lines { n, line } => {
                line.ends(freq_hz, &mut EndForm { n: *n, scale_ohm: SCALE_OHM, blocks: local }, scratch)?;
            }
            Self::Block(response) => block_rows(response.as_ref(), freq_hz, local)?,
            Self::InductorQuality { henry, q } => local[0] = (-omega * henry / (q * SCALE_OHM)).into(),
            Self::CapacitorQuality { farad, q } => local[0] = (omega * farad / q * SCALE_OHM).into(),
            Self::CapacitorSeries { farad, ohm } => {
                let y = Complex64::new(0.0, omega * farad);
                local[0] = y / (1.0 + y * *ohm) * SCALE_OHM;
            }
            Self::LargeCapacitor { farad, ohm, q_inverse } => {
                let y = omega * farad * SCALE_OHM;
                let down = 1.0 / (1.0 + y);
                let y = Complex64::new(y * q_inverse, y) * down;
                local[0] = y;
                local[1] = -(y * (ohm / SCALE_OHM) + down);
            }
        }
        Ok(())
    }
}

/// Rows `(1 − S) v/√z − (1 + S) √z i = 0` of a block: valid for thrus, opens and shorts.
fn block_rows(response: &dyn FrequencyResponse, freq_hz: f64, local: &mut [Complex64]) -> Result<(), NetworkError> {
    let s = response.scattering(freq_hz)?;
    let n = response.n_ports();
    if s.n_rows() != n || s.n_cols() != n {
        return Err(NetworkError::Mismatch {
            expected: format!("a {n} by {n} scattering matrix"),
            found: format!("{} by {}", s.n_rows(), s.n_cols()),
        });
    }
    let (of_v, of_i) = local.split_at_mut(n * n);
    for (j, &z) in response.reference_ohm().iter().enumerate() {
        let root = (z / SCALE_OHM).sqrt();
        for i in 0..n {
            let one = f64::from(u8::from(i == j));
            of_v[i * n + j] = (one - s[(i, j)]) / root;
            of_i[i * n + j] = -(one + s[(i, j)]) * root;
        }
    }
    Ok(())
}
