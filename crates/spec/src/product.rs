//! Mixing products.

/// The product `n·f_LO + m·f_RF`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Product {
    /// Order in the LO.
    pub n_lo: i32,
    /// Order in the RF (or, up-converting, the IF input).
    pub m_rf: i32,
}

impl Product {
    /// The product `n·f_LO + m·f_RF`.
    pub const fn new(n_lo: i32, m_rf: i32) -> Self {
        Self { n_lo, m_rf }
    }

    /// Signed frequency, hertz.
    pub fn frequency_hz(self, lo_hz: f64, rf_hz: f64) -> f64 {
        f64::from(self.n_lo) * lo_hz + f64::from(self.m_rf) * rf_hz
    }

    /// The same line of a real waveform, seen from the other side of zero frequency.
    pub const fn mirrored(self) -> Self {
        Self { n_lo: -self.n_lo, m_rf: -self.m_rf }
    }
}

impl std::fmt::Display for Product {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}LO{:+}RF", self.n_lo, self.m_rf)
    }
}
