//! The linear multiport as the balance sees it: external ports first, then junction ports.

use crate::BalanceError;
use network::FrequencyResponse;
use numerics::{CMatrix, Complex64};
use std::collections::BTreeMap;
use std::sync::{Arc, RwLock};

/// A linear multiport with its junction ports, remembering every frequency it was asked for.
#[derive(Debug)]
pub struct Embedding {
    response: Arc<dyn FrequencyResponse>,
    n_external: usize,
    n_junctions: usize,
    reference_ohm: Vec<f64>,
    seen: RwLock<BTreeMap<u64, Arc<CMatrix>>>,
}

/// Scattering split by port groups; `e` external, `j` junction, `[to][from]`.
#[derive(Debug, Clone)]
pub(crate) struct Blocks {
    pub ee: CMatrix,
    pub ej: CMatrix,
    pub je: CMatrix,
    pub jj: CMatrix,
}

impl Embedding {
    /// Wraps a multiport whose last `n_junctions` ports are junctions, + at the anode.
    pub fn new(response: Arc<dyn FrequencyResponse>, n_junctions: usize) -> Result<Self, BalanceError> {
        let n = response.n_ports();
        if n_junctions == 0 || n_junctions > n {
            return Err(BalanceError::Mismatch {
                expected: "a network with at least one junction port".into(),
                found: format!("{n} ports of which {n_junctions} are junctions"),
            });
        }
        let reference_ohm = response.reference_ohm().to_vec();
        Ok(Self { n_external: n - n_junctions, n_junctions, reference_ohm, response, seen: RwLock::default() })
    }

    /// The same multiport with nothing remembered.
    pub fn renewed(&self) -> Self {
        Self {
            response: self.response.clone(),
            n_external: self.n_external,
            n_junctions: self.n_junctions,
            reference_ohm: self.reference_ohm.clone(),
            seen: RwLock::default(),
        }
    }

    /// Number of external ports.
    pub fn n_external(&self) -> usize {
        self.n_external
    }

    /// Number of junctions.
    pub fn n_junctions(&self) -> usize {
        self.n_junctions
    }

    /// Reference resistance of an external port, ohm.
    pub fn external_ohm(&self, port: usize) -> f64 {
        self.reference_ohm[port]
    }

    /// Reference resistance of a junction port, ohm.
    pub fn junction_ohm(&self, junction: usize) -> f64 {
        self.reference_ohm[self.n_external + junction]
    }

    /// Highest frequency that rests on data, hertz.
    pub fn data_up_to_hz(&self) -> Option<f64> {
        self.response.data_up_to_hz()
    }

    /// Whole scattering matrix at any signed frequency; negative means the conjugate.
    pub fn scattering(&self, freq_hz: f64) -> Result<CMatrix, BalanceError> {
        let s = self.at_positive(freq_hz.abs())?;
        Ok(if freq_hz < 0.0 { s.conj() } else { (*s).clone() })
    }

    fn at_positive(&self, freq_hz: f64) -> Result<Arc<CMatrix>, BalanceError> {
        let key = freq_hz.to_bits();
        if let Ok(seen) = self.seen.read()
            && let Some(s) = seen.get(&key)
        {
            return Ok(s.clone());
        }
        let s = Arc::new(self.response.scattering(freq_hz)?);
        if let Ok(mut seen) = self.seen.write() {
            seen.insert(key, s.clone());
        }
        Ok(s)
    }

    pub(crate) fn blocks(&self, freq_hz: f64) -> Result<Blocks, BalanceError> {
        let s = self.at_positive(freq_hz.abs())?;
        let (ne, n) = (self.n_external, self.n_external + self.n_junctions);
        let part = |rows: std::ops::Range<usize>, cols: std::ops::Range<usize>| {
            CMatrix::from_fn(rows.len(), cols.len(), |i, j| {
                let x: Complex64 = s[(rows.start + i, cols.start + j)];
                if freq_hz < 0.0 { x.conj() } else { x }
            })
        };
        Ok(Blocks { ee: part(0..ne, 0..ne), ej: part(0..ne, ne..n), je: part(ne..n, 0..ne), jj: part(ne..n, ne..n) })
    }
}
