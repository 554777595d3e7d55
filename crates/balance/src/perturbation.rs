//! Products of higher signal order by perturbation around the pumped state.
//!
//! With the signal `z = exp(jθ)` scaled by its amplitude, every waveform is a power series
//! `Σ_m x_m(t)·z^m` whose coefficients follow the pump. Collecting `z^m` gives one linear system an
//! order, with the conversion matrix at offset `m·f_signal` and a right side made from lower orders.
//! Only the leading power of each product is kept: a product of order `m` rises with exactly the
//! m-th power of the signal. Where the signal is strong, or where a junction crosses the kink of its
//! capacitance (third derivative of the charge jumps there), the full balance must take over.

use crate::BalanceError;
use crate::lane::{Lane, LaneSolver};
use crate::small_signal::{LINEAR_TOLERANCE, PumpedState};
use numerics::Complex64;

/// Outgoing waves of all products up to an order.
#[derive(Debug, Clone)]
pub struct PerturbedProducts {
    pump_order: usize,
    /// `waves[m-1][port][n + K]`, peak, √W.
    waves: Vec<Vec<Vec<Complex64>>>,
    /// Largest relative residual of the linear solutions.
    pub residual: f64,
    /// Operator applications.
    pub iterations: usize,
}

impl PerturbedProducts {
    /// Peak wave leaving `port` at `n·f_pump + m·f_signal`, `m ≥ 1`.
    pub fn wave_out(&self, port: usize, n: i32, m: usize) -> Complex64 {
        self.waves[m - 1][port][(n + self.pump_order as i32) as usize]
    }
}

/// Products of orders `1…order` of a signal of peak wave `wave` (√W) at `frequency_hz` arriving at
/// external `port`.
pub fn perturb(
    state: &PumpedState,
    port: usize,
    frequency_hz: f64,
    wave: Complex64,
    order: usize,
) -> Result<PerturbedProducts, BalanceError> {
    let n = state.devices.len();
    let n_samples = state.slopes.n_samples();
    let mut out = PerturbedProducts { pump_order: state.pump_order, waves: Vec::new(), residual: 0.0, iterations: 0 };
    // voltage of each junction, order by order, sample by sample
    let mut dv: Vec<Vec<Vec<Complex64>>> = vec![Vec::new(); n];
    for m in 1..=order {
        let lane = Lane::new(&state.embedding, state.pump_hz, m as f64 * frequency_hz, state.pump_order)?;
        let solver = LaneSolver::new(&lane, &state.slopes, state.dense_order)?;
        let forced = forced_response(state, &solver, &dv, m);
        let harmonics = lane.n_harmonics();
        let mut rhs = vec![Complex64::default(); n * harmonics];
        for i in 0..harmonics {
            let pick = |x: &[Complex64]| -> Vec<Complex64> { (0..n).map(|j| x[j * harmonics + i]).collect() };
            let (v, q) = (pick(&forced.v), pick(&forced.q));
            let mut left = vec![Complex64::default(); n];
            lane.left_side(i, &vec![Complex64::default(); n], &v, &q, &mut left);
            for j in 0..n {
                rhs[j * harmonics + i] = -left[j];
                if m == 1 && i == state.pump_order {
                    rhs[j * harmonics + i] += lane.drive(i, port, wave * 0.5, j);
                }
            }
        }
        let solution = solver.solve(&rhs, LINEAR_TOLERANCE);
        out.residual = out.residual.max(solution.residual);
        out.iterations += solution.iterations;
        let w = solution.x;
        let (mut v, mut q) = solver.follow(&w);
        for ((v, q), (fv, fq)) in v.iter_mut().zip(&mut q).zip(forced.v.iter().zip(&forced.q)) {
            *v += fv;
            *q += fq;
        }
        out.waves.push(outgoing(state, &lane, &w, &v, &q, port, wave, m));
        for (j, dv) in dv.iter_mut().enumerate() {
            let w = solver.samples(&w[j * harmonics..(j + 1) * harmonics]);
            let samples = (0..n_samples).map(|s| w[s] * state.slopes.dv[j][s] + forced.v_samples[j][s]).collect();
            dv.push(samples);
        }
    }
    Ok(out)
}

/// What the lower orders force at order `m` while `w_m` is held at zero.
struct Forced {
    v: Vec<Complex64>,
    q: Vec<Complex64>,
    v_samples: Vec<Vec<Complex64>>,
}

fn forced_response(state: &PumpedState, solver: &LaneSolver, dv: &[Vec<Vec<Complex64>>], m: usize) -> Forced {
    let (n, harmonics) = (dv.len(), solver.lane.n_harmonics());
    let n_samples = state.slopes.n_samples();
    let zero = Complex64::default();
    let mut forced = Forced { v: vec![zero; n * harmonics], q: vec![zero; n * harmonics], v_samples: Vec::new() };
    for (j, dv) in dv.iter().enumerate() {
        let mut v_samples = vec![zero; n_samples];
        if m > 1 {
            let mut q_samples = vec![zero; n_samples];
            let r = solver.lane.junction_ohm[j];
            let (mut orders, mut current, mut charge) = (vec![zero; m], vec![zero; m], vec![zero; m]);
            for s in 0..n_samples {
                for (o, v) in orders.iter_mut().zip(dv) {
                    *o = v[s];
                }
                orders[m - 1] = zero;
                let v0 = state.voltages[j][s];
                state.devices[j].series(v0, &orders, &mut current, &mut charge);
                // w_m = v_m + R(g·v_m + i_m) = 0
                let v = -r * current[m - 1] * state.slopes.dv[j][s];
                let capacitance = state.slopes.dq[j][s] / state.slopes.dv[j][s];
                v_samples[s] = v;
                q_samples[s] = capacitance * v + charge[m - 1];
            }
            let range = j * harmonics..(j + 1) * harmonics;
            solver.coefficients(v_samples.clone(), &mut forced.v[range.clone()]);
            solver.coefficients(q_samples, &mut forced.q[range]);
        }
        forced.v_samples.push(v_samples);
    }
    forced
}

#[allow(clippy::too_many_arguments)] // one call; the three waveforms belong together
fn outgoing(
    state: &PumpedState,
    lane: &Lane,
    w: &[Complex64],
    v: &[Complex64],
    q: &[Complex64],
    port: usize,
    wave: Complex64,
    m: usize,
) -> Vec<Vec<Complex64>> {
    let (n, harmonics) = (lane.n_junctions(), lane.n_harmonics());
    (0..state.embedding.n_external())
        .map(|p| {
            (0..harmonics)
                .map(|i| {
                    let pick = |x: &[Complex64]| -> Vec<Complex64> { (0..n).map(|j| x[j * harmonics + i]).collect() };
                    let b = 2.0 * lane.outgoing(i, p, &pick(w), &pick(v), &pick(q));
                    if m == 1 && i == lane.pump_order { b + lane.blocks[i].ee[(p, port)] * wave } else { b }
                })
                .collect()
        })
        .collect()
}
