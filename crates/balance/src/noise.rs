//! Noise at one port and sideband of the pumped circuit.
//!
//! Shot noise of a pumped junction is correlated between sidebands: `⟨i_k i_l*⟩ = S_{k−l}`, the
//! harmonics of its instantaneous density. The passive network adds `kT(I − S·Sᴴ)` at every
//! sideband (H. Bosma, Philips Res. Rep. Suppl. 10 (1967); from memory), every port its termination.
//! Source of the pumped formulation: D. N. Held, A. R. Kerr, IEEE Trans. MTT-26 (1978) 55;
//! C. Dragone, BSTJ 47 (1968) 1883.

use crate::BalanceError;
use crate::lane::matrix;
use crate::small_signal::Conversion;
use numerics::fourier::Fourier;
use numerics::linear::Lu;
use numerics::{CMatrix, Complex64};
use quantity::constants::{BOLTZMANN_J_PER_K, NOISE_REFERENCE_K};

/// Noise of the junction itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ShotLaw {
    /// The device's own shot noise.
    Device,
    /// `4kT·g(t)` in its place: a pumped resistor in equilibrium, for checks of the method.
    Thermal {
        /// Temperature, kelvin.
        temp_k: f64,
    },
}

/// Temperatures and laws.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseSettings {
    /// Physical temperature of the passive network, series resistances included, kelvin.
    pub network_temp_k: f64,
    /// Temperature of the terminations, kelvin.
    pub port_temp_k: f64,
    /// Noise of the junctions.
    pub shot: ShotLaw,
}

/// Where the noise at one port and sideband comes from, W/Hz (one-sided, of the outgoing wave).
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseBudget {
    /// Shot noise, junction by junction.
    pub shot: Vec<f64>,
    /// Thermal noise of the passive network.
    pub network: f64,
    /// Terminations, port by port, without the observed port's own sideband.
    pub ports: Vec<f64>,
    /// What the observed port's own termination sends in at this sideband and gets back.
    pub own_reflected: f64,
    /// Reflection coefficient of the observed port at this sideband.
    pub own_gamma: Complex64,
    /// Power gain from each `[port][sideband + K]` to the observed port and sideband.
    pub gain: Vec<Vec<f64>>,
    /// Sidebands on each side.
    pub pump_order: usize,
}

impl NoiseBudget {
    /// Everything but the observed termination's own noise at the observed frequency, W/Hz.
    pub fn total_w_per_hz(&self) -> f64 {
        self.shot.iter().sum::<f64>() + self.network + self.ports.iter().sum::<f64>()
    }

    /// Power gain from a port and sideband.
    pub fn gain_from(&self, port: usize, k: i32) -> f64 {
        self.gain[port][(k + self.pump_order as i32) as usize]
    }

    /// Noise figure with the signal in one sideband only and the noise of all sidebands counted
    /// (IEEE style, the load's own noise at the output frequency left out), as a power ratio.
    pub fn figure_single(&self, port: usize, k: i32) -> f64 {
        self.total_w_per_hz() / (BOLTZMANN_J_PER_K * NOISE_REFERENCE_K * self.gain_from(port, k))
    }

    /// Noise figure with two sidebands of a port counted as signal, as a power ratio.
    pub fn figure_double(&self, port: usize, k_a: i32, k_b: i32) -> f64 {
        let gain = self.gain_from(port, k_a) + self.gain_from(port, k_b);
        self.total_w_per_hz() / (BOLTZMANN_J_PER_K * NOISE_REFERENCE_K * gain)
    }
}

/// Noise leaving external `port` at sideband `k`.
///
/// One transposed solution gives the transfer from every source at every sideband.
pub fn noise_at(
    conversion: &Conversion,
    port: usize,
    k: i32,
    settings: &NoiseSettings,
) -> Result<NoiseBudget, BalanceError> {
    let (lane, state) = (&conversion.lane, &conversion.state);
    let (n, m, centre) = (lane.n_junctions(), lane.n_harmonics(), lane.pump_order);
    let n_ports = state.embedding.n_external();
    let out = (k + centre as i32) as usize;
    let y = transposed_solution(conversion, port, out)?;

    // transfer from waves arriving at each junction port and external port of the network
    let from_junction: Vec<Vec<Complex64>> =
        (0..m).map(|i| (0..n).map(|j| y[i * n + j] * 2.0 * lane.junction_ohm[j].sqrt()).collect()).collect();
    let mut gain = vec![vec![0.0; m]; n_ports];
    let mut own_gamma = Complex64::default();
    for i in 0..m {
        for (p, gain) in gain.iter_mut().enumerate() {
            let mut t: Complex64 = (0..n).map(|j| from_junction[i][j] * lane.blocks[i].je[(j, p)]).sum();
            if i == out {
                t += lane.blocks[i].ee[(port, p)];
                if p == port {
                    own_gamma = t;
                }
            }
            gain[i] = t.norm_sqr();
        }
    }
    let kt_port = BOLTZMANN_J_PER_K * settings.port_temp_k;
    let own_reflected = kt_port * own_gamma.norm_sqr();
    let mut ports: Vec<f64> = gain.iter().map(|g| kt_port * g.iter().sum::<f64>()).collect();
    ports[port] -= own_reflected;

    let weights: Vec<Vec<Complex64>> = (0..n).map(|j| junction_weight(conversion, j, out, port, &y)).collect();
    let kept: f64 = (0..m)
        .map(|i| network_noise(conversion, i, out, port, &from_junction[i]))
        .sum::<Result<f64, BalanceError>>()?;
    let beyond: f64 = (0..n).map(|j| beyond_kept_sidebands(conversion, j, &weights[j])).sum();
    let network = BOLTZMANN_J_PER_K * settings.network_temp_k * (kept + beyond);
    let shot = (0..n).map(|j| shot_noise(conversion, j, &weights[j], settings.shot)).collect();
    Ok(NoiseBudget { shot, network, ports, own_reflected, own_gamma, gain, pump_order: centre })
}

/// `y` with `b_out = yᵀ·(right side)`, harmonic by harmonic, junctions fastest.
fn transposed_solution(conversion: &Conversion, port: usize, out: usize) -> Result<Vec<Complex64>, BalanceError> {
    let (lane, slopes) = (&conversion.lane, &conversion.state.slopes);
    let (n, m) = (lane.n_junctions(), lane.n_harmonics());
    let jomega = Complex64::new(0.0, lane.omega[out]);
    let mut y = vec![Complex64::default(); n * m];
    for i in 0..m {
        let h = out as i32 - i as i32;
        for j in 0..n {
            let r = lane.junction_ohm[j];
            let mut t = 2.0 * slopes.dv(j, h) - jomega * r * slopes.dq(j, h);
            if i == out {
                t -= 1.0;
            }
            y[i * n + j] = lane.blocks[out].ej[(port, j)] * t / (2.0 * r.sqrt());
        }
    }
    Lu::factor(&matrix(lane, slopes))?.solve_transposed_in_place(&mut y);
    Ok(y)
}

/// `T(I − S·Sᴴ)Tᴴ` of the waves the passive network sends out at one sideband.
fn network_noise(
    conversion: &Conversion,
    i: usize,
    out: usize,
    port: usize,
    from_junction: &[Complex64],
) -> Result<f64, BalanceError> {
    let (lane, state) = (&conversion.lane, &conversion.state);
    let n_ports = state.embedding.n_external();
    let s = state.embedding.scattering(lane.omega[i] / std::f64::consts::TAU)?;
    let mut t = vec![Complex64::default(); n_ports + lane.n_junctions()];
    t[n_ports..].copy_from_slice(from_junction);
    if i == out {
        t[port] += 1.0;
    }
    let t = CMatrix::from_fn(1, t.len(), |_, j| t[j]);
    let ts = &t * &s;
    let energy = |x: &CMatrix| x.as_slice().iter().map(|z| z.norm_sqr()).sum::<f64>();
    // passive networks give a difference that is never negative; rounding may
    Ok((energy(&t) - energy(&ts)).max(0.0))
}

/// Weight of a wave `w` that arrives at junction `j` at each instant of the pump period, conjugate.
///
/// With `b_out = Σ_k (A_k V_k + B_k Q_k)` for voltages and charges added at the junction it is
/// `Σ_k (A_k dv/dw + B_k dq/dw)·exp(−jkωt)`.
fn junction_weight(conversion: &Conversion, j: usize, out: usize, port: usize, y: &[Complex64]) -> Vec<Complex64> {
    let (lane, slopes) = (&conversion.lane, &conversion.state.slopes);
    let (n, m) = (lane.n_junctions(), lane.n_harmonics());
    let r = lane.junction_ohm[j];
    let n_samples = slopes.n_samples();
    let mut by_voltage = vec![Complex64::default(); n_samples];
    let mut by_charge = by_voltage.clone();
    for i in 0..m {
        let blocks = &lane.blocks[i];
        let jomega_r = Complex64::new(0.0, lane.omega[i] * r);
        let reflected: Complex64 = (0..n).map(|p| y[i * n + p] * blocks.jj[(p, j)]).sum();
        let (mut a, mut b) = (2.0 * reflected, -jomega_r * (reflected + y[i * n + j]));
        if i == out {
            let direct = blocks.ej[(port, j)] / (2.0 * r.sqrt());
            a += 2.0 * direct;
            b -= jomega_r * direct;
        }
        by_voltage[i] = a.conj();
        by_charge[i] = b.conj();
    }
    let plan = Fourier::new(&[n_samples]);
    plan.samples(&mut by_voltage);
    plan.samples(&mut by_charge);
    by_voltage
        .iter()
        .zip(&by_charge)
        .zip(slopes.dv[j].iter().zip(&slopes.dq[j]))
        .map(|((v, q), (dv, dq))| v * dv + q * dq)
        .collect()
}

/// What the junction turns into the observed wave from sidebands that are not kept, per `kT`.
///
/// They see the reference resistance of the junction port. Counting its noise keeps a pumped
/// resistor in equilibrium at any truncation; the term falls with the harmonics kept.
fn beyond_kept_sidebands(conversion: &Conversion, j: usize, weight: &[Complex64]) -> f64 {
    let n_samples = weight.len();
    let m = conversion.lane.n_harmonics();
    let mut c = weight.to_vec();
    Fourier::new(&[n_samples]).coefficients(&mut c);
    // index 0 is the lowest kept sideband, so the first m coefficients are the kept ones
    4.0 * conversion.lane.junction_ohm[j] * c[m.min(n_samples)..].iter().map(|x| x.norm_sqr()).sum::<f64>()
}

/// Shot noise of one junction with all sidebands correlated.
///
/// A noise current is a wave `−R·i`; the mean of `S(t)·|weight(t)|²` over the period is the double
/// sum of the transfers with the harmonics of its density.
fn shot_noise(conversion: &Conversion, j: usize, weight: &[Complex64], law: ShotLaw) -> f64 {
    let (lane, state) = (&conversion.lane, &conversion.state);
    let r = lane.junction_ohm[j];
    let (device, voltages) = (&state.devices[j], &state.voltages[j]);
    let density = |v: f64| match law {
        ShotLaw::Device => device.shot_noise_a2_per_hz(v),
        ShotLaw::Thermal { temp_k } => 4.0 * BOLTZMANN_J_PER_K * temp_k * device.at(v).conductance_s,
    };
    let sum: f64 = voltages.iter().zip(weight).map(|(&v, w)| density(v) * w.norm_sqr()).sum();
    r * r * sum / weight.len() as f64
}
