//! What the balance needs to know of a junction.

use numerics::Complex64;

/// Current and charge of a junction with their derivatives at one voltage.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct JunctionPoint {
    /// Conduction current, ampere.
    pub current_a: f64,
    /// Derivative of the current, siemens.
    pub conductance_s: f64,
    /// Stored charge, coulomb.
    pub charge_c: f64,
    /// Derivative of the charge, farad.
    pub capacitance_f: f64,
}

/// A memoryless junction: current and charge are functions of its voltage.
///
/// Series resistance and parasitics are linear and belong to the embedding network.
/// Conduction current rises monotonically with voltage; every result is finite for any finite voltage.
pub trait Device: Send + Sync + std::fmt::Debug {
    /// Current, charge and derivatives at `voltage_v`.
    fn at(&self, voltage_v: f64) -> JunctionPoint;

    /// The voltage `v` at which `v + r_ohm·i(v) = wave_v`, to rounding.
    ///
    /// `start_v` is a guess, for example the answer of the neighbouring sample.
    fn voltage_of_wave(&self, wave_v: f64, r_ohm: f64, start_v: f64) -> f64;

    /// The voltages solving `v + r_ohm·i(v) = wave_v` for many waves, and the junction there.
    ///
    /// Same answers as [`Device::voltage_of_wave`] followed by [`Device::at`], to rounding; the guess
    /// for each sample is the answer of the one before. All slices have the same length.
    fn waves_to_points(&self, waves_v: &[f64], r_ohm: f64, voltages_v: &mut [f64], points: &mut [JunctionPoint]) {
        let mut start_v = 0.0;
        for ((w, v), p) in waves_v.iter().zip(voltages_v).zip(points) {
            start_v = self.voltage_of_wave(*w, r_ohm, start_v);
            *v = start_v;
            *p = self.at(start_v);
        }
    }

    /// Power series of current and charge.
    ///
    /// With `v(z) = v0 + Σ_{j≥1} dv[j-1]·z^j`, writes the coefficients of `z^1 … z^M` of
    /// `i(v(z))` and `q(v(z))`, `M = dv.len()`.
    fn series(&self, v0: f64, dv: &[Complex64], current: &mut [Complex64], charge: &mut [Complex64]);

    /// One-sided spectral density of the shot noise current at `voltage_v`, A²/Hz.
    fn shot_noise_a2_per_hz(&self, voltage_v: f64) -> f64;
}
