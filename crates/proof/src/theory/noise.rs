//! Noise of pumped resistive mixers (E, K4): correlation matrices against the attenuator theorem.

use crate::collocation::small::{Matrix, solve_in_place};

/// Output of a pumped conductance, seen at the IF terminals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutputNoise {
    /// Available loss from the signal source.
    pub loss_signal: f64,
    /// Available loss from the image source.
    pub loss_image: f64,
    /// Available noise temperature at the IF terminals, K.
    pub temperature_k: f64,
    /// Output resistance, ohm.
    pub output_ohm: f64,
}

/// How the noise currents of the junction at different sidebands belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Correlation {
    /// As the physics has it: `<i_m i_n*> = 4 k T_d g_{m-n}`.
    Full,
    /// Only the diagonal kept: a mistake worth recognising.
    DiagonalOnly,
}

/// Three-frequency mixer (image, IF, signal; all else shorted) with coefficients `g0, g1, g2`, source
/// and image conductance `gs`, their temperature `t_source_k`, and a junction whose noise current has
/// the correlation `4 k t_junction_k g_{m-n}`: `T/2 * n` for shot noise, the true temperature for a
/// time-varying resistor.
///
/// Source: A. Uhlir, BSTJ 37 (1958) 951; C. Dragone, BSTJ 47 (1968) 1883.
pub fn three_frequency(
    g: [f64; 3],
    gs: f64,
    t_source_k: f64,
    t_junction_k: f64,
    correlation: Correlation,
) -> OutputNoise {
    let coefficient = |i: usize, j: usize| g[i.abs_diff(j)];
    let mut y = Matrix::zeros(3, 3);
    let mut z = Matrix::zeros(3, 3);
    for i in 0..3 {
        for j in 0..3 {
            y[(i, j)] = coefficient(i, j);
        }
        z[(i, i)] = 1.0;
    }
    y[(0, 0)] += gs;
    y[(2, 2)] += gs;
    solve_in_place(&mut y, &mut z);
    let out = [z[(1, 0)], z[(1, 1)], z[(1, 2)]];
    let mut temperature = t_source_k * gs * (out[0] * out[0] + out[2] * out[2]);
    for i in 0..3 {
        for j in 0..3 {
            if i == j || correlation == Correlation::Full {
                temperature += t_junction_k * out[i] * coefficient(i, j) * out[j];
            }
        }
    }
    OutputNoise {
        loss_signal: out[1] / (gs * out[2] * out[2]),
        loss_image: out[1] / (gs * out[0] * out[0]),
        temperature_k: temperature / out[1],
        output_ohm: out[1],
    }
}

/// The attenuator theorem: `T = (nT/2)(1 - 1/Ls - 1/Li) + Ts/Ls + Ti/Li`.
pub fn attenuator_temperature(loss_signal: f64, loss_image: f64, t_junction_k: f64, t_source_k: f64) -> f64 {
    let passed = 1.0 / loss_signal + 1.0 / loss_image;
    t_junction_k * (1.0 - passed) + t_source_k * passed
}

/// Single-sideband noise figure (image source at `t0`, counted): `2 + (n T/2 t0)(L - 2)`, power ratio.
pub fn ssb_noise_figure_image_matched(loss: f64, n: f64, t_k: f64, t0_k: f64) -> f64 {
    2.0 + n * t_k / 2.0 / t0_k * (loss - 2.0)
}

/// The same with a reactive image: `1 + (n T/2 t0)(L - 1)`.
pub fn noise_figure_image_reactive(loss: f64, n: f64, t_k: f64, t0_k: f64) -> f64 {
    1.0 + n * t_k / 2.0 / t0_k * (loss - 1.0)
}

/// Noise figure of a receiver temperature with as many sidebands' sources at `t0_k` counted, power
/// ratio: 1 for double sideband or an excluded image, 2 for single sideband with the image counted.
pub fn noise_figure(receiver_k: f64, t0_k: f64, n_sources: f64) -> f64 {
    n_sources + receiver_k / t0_k
}

/// Single-sideband receiver temperature of a double-sideband one with equal sideband gains, K.
pub fn ssb_temperature(dsb_k: f64) -> f64 {
    2.0 * dsb_k
}

/// Mixer and IF amplifier: `L (t_r + F_IF - 1)`, with the mixer's output noise temperature ratio.
pub fn cascade_noise_figure(loss: f64, output_ratio: f64, f_if: f64) -> f64 {
    loss * (output_ratio + f_if - 1.0)
}

/// Mixer temperature of a shot-noise diode: `(nT/2)(L - sidebands)`, K; two sidebands when the image
/// is terminated like the signal, one when it is reactive.
pub fn mixer_temperature(loss: f64, n: f64, t_k: f64, n_sidebands: f64) -> f64 {
    n * t_k / 2.0 * (loss - n_sidebands)
}

/// Equilibrium of a pumped conductance with sidebands -k..k: everything at one temperature, each
/// sideband but the middle one closed by `r_ohm`, the middle one through `rs_ohm` to its terminals.
///
/// `g`: two-sided coefficients 0..2k. Returns the output resistance (ohm) and the open-circuit noise
/// over `4 k T R_out`, which must be one at any truncation.
pub fn equilibrium(g: &[f64], k: usize, r_ohm: f64, rs_ohm: f64) -> (f64, f64) {
    let n = 2 * k + 1;
    let mut y = Matrix::zeros(n, n);
    let mut out = Matrix::zeros(n, 1);
    for i in 0..n {
        for j in 0..n {
            y[(i, j)] = g[i.abs_diff(j)];
        }
        if i != k {
            y[(i, i)] += 1.0 / r_ohm;
        }
    }
    out[(k, 0)] = 1.0;
    solve_in_place(&mut y, &mut out);
    let v = &out.data;
    let mut noise = rs_ohm;
    for i in 0..n {
        for j in 0..n {
            noise += v[i] * g[i.abs_diff(j)] * v[j];
        }
        if i != k {
            noise += v[i] * v[i] / r_ohm;
        }
    }
    let output = rs_ohm + v[k];
    (output, noise / output)
}
