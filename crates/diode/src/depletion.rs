//! Depletion charge with forward linearisation.
//!
//! `C = C0·(1 − v/VJ)^−M` below `FC·VJ`, its tangent above; `Q` is the exact integral from zero.
//! `C` and `dC/dv` are continuous at `FC·VJ`, `d²C/dv²` is not: harmonics of a swing across the
//! kink fall as the fourth power of their order, and high-order products depend on `FC`, which is
//! a parameter of the model and not a numerical detail.
//! Source: standard junction model, e.g. Massobrio & Antognetti, "Semiconductor Device Modeling",
//! 1993 (memory).

use numerics::Complex64;

/// Depletion capacitance and charge of one junction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Depletion {
    c0_f: f64,
    inv_vj: f64,
    vj_v: f64,
    m: f64,
    /// Voltage of the kink, volt.
    knee_v: f64,
    /// Charge, capacitance and its slope at the kink.
    knee: (f64, f64, f64),
}

impl Depletion {
    pub(crate) fn new(c0_f: f64, vj_v: f64, m: f64, fc: f64) -> Self {
        let knee_v = fc * vj_v;
        let mut law = Self { c0_f, inv_vj: 1.0 / vj_v, vj_v, m, knee_v, knee: (0.0, 0.0, 0.0) };
        let (q, c) = law.power_law(knee_v);
        law.knee = (q, c, m * c / (vj_v - knee_v));
        law
    }

    /// Charge and capacitance at `v`.
    #[inline]
    pub(crate) fn at(&self, v: f64) -> (f64, f64) {
        if v <= self.knee_v { self.power_law(v) } else { self.tangent(v) }
    }

    #[inline]
    fn tangent(&self, v: f64) -> (f64, f64) {
        let (q, c, slope) = self.knee;
        let d = v - self.knee_v;
        (q + d * (c + 0.5 * slope * d), c + slope * d)
    }

    #[inline]
    fn power_law(&self, v: f64) -> (f64, f64) {
        let x = v * self.inv_vj;
        if self.m == 0.5 {
            let root = (1.0 - x).sqrt();
            return (2.0 * self.c0_f * v / (1.0 + root), self.c0_f / root);
        }
        let log = (-x).ln_1p();
        let c = self.c0_f * (-self.m * log).exp();
        let rest = 1.0 - self.m;
        let integral = if rest == 0.0 { log } else { (rest * log).exp_m1() / rest };
        (-self.c0_f * self.vj_v * integral, c)
    }

    /// Adds the series coefficients of the charge for `v0` and increments `dv`.
    ///
    /// The branch is chosen by `v0` alone. Capacitance by the recursion of powers, with
    /// `P = A^α`: `k·A_0·P_k = Σ_{j=1..k} (α·j − (k − j))·A_j·P_{k−j}`; charge by `Q' = C·v'`.
    pub(crate) fn add_series(&self, v0: f64, dv: &[Complex64], out: &mut [Complex64]) {
        let (_, c0) = self.at(v0);
        let mut c = vec![Complex64::from(c0)];
        for k in 1..dv.len() {
            c.push(if v0 <= self.knee_v { self.power_term(v0, dv, &c) } else { self.knee.2 * dv[k - 1] });
        }
        for k in 1..=dv.len() {
            let sum: Complex64 = (1..=k).map(|j| dv[j - 1] * c[k - j] * j as f64).sum();
            out[k - 1] += sum / k as f64;
        }
    }

    fn power_term(&self, v0: f64, dv: &[Complex64], c: &[Complex64]) -> Complex64 {
        let k = c.len();
        let weight = |j: usize| -self.m * j as f64 - (k - j) as f64;
        let sum: Complex64 = (1..=k).map(|j| dv[j - 1] * c[k - j] * weight(j)).sum();
        sum * (-1.0 / (k as f64 * (self.vj_v - v0)))
    }
}
