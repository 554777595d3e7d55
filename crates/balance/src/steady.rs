//! The steady state under one pump and any number of further tones.

use crate::equations::{CHARGE_SCALE_C, Equations, Level, in_farad_per_volt};
use crate::lane::{Lane, Slopes};
use crate::spectra::Spectra;
use crate::{BalanceError, Basis, Embedding, Truncation};
use diode::Device;
use numerics::{Complex64, Quiet, Report, Watch};
use std::sync::Arc;

/// A wave arriving at an external port at one product of the tones.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// External port.
    pub port: usize,
    /// Orders in all tones; all zero for a direct voltage.
    pub orders: Vec<i32>,
    /// Peak wave, √W: available power is `|wave|²/2`. For direct current the wave itself,
    /// `V/(2√R0)` of a source voltage `V`.
    pub wave: Complex64,
}

impl Drive {
    /// A tone of available power `power_w` and phase (of a cosine) `phase_rad`.
    pub fn tone(port: usize, orders: Vec<i32>, power_w: f64, phase_rad: f64) -> Self {
        Self { port, orders, wave: Complex64::from_polar((2.0 * power_w).sqrt(), phase_rad) }
    }
}

/// A circuit under drive.
#[derive(Debug, Clone)]
pub struct Problem {
    /// The linear multiport.
    pub embedding: Arc<Embedding>,
    /// One device a junction.
    pub devices: Vec<Arc<dyn Device>>,
    /// Tone frequencies, hertz; the pump first. Incommensurate unless you say otherwise by truth.
    pub tones_hz: Vec<f64>,
    /// Sources.
    pub drives: Vec<Drive>,
}

/// Truncation and tolerances of one solution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BalanceSettings {
    /// Pump harmonics kept.
    pub pump_order: usize,
    /// Highest order in each further tone.
    pub signal_order: usize,
    /// How the orders of several further tones are cut.
    pub truncation: Truncation,
    /// Samples beyond the Nyquist minimum, factor.
    pub oversample: f64,
    /// Largest residual allowed at any product, volt. The default, 1e-11 V, is 0.1 % of a
    /// −150 dBm product in 50 ohm.
    pub residual_v: f64,
    /// Newton iterations allowed at one drive level.
    pub newton_max: usize,
    /// Half width, in pump harmonics, of the blocks that the preconditioner treats densely.
    pub dense_order: usize,
}

impl Default for BalanceSettings {
    fn default() -> Self {
        Self {
            pump_order: 24,
            signal_order: 5,
            truncation: Truncation::Box,
            oversample: 1.6,
            residual_v: 1e-11,
            newton_max: 40,
            dense_order: 4,
        }
    }
}

/// A steady state: every waveform at every kept product.
#[derive(Clone)]
pub struct SteadyState {
    basis: Basis,
    lanes: Vec<Arc<Lane>>,
    drives: Vec<Drive>,
    external_ohm: Vec<f64>,
    w: Spectra,
    v: Spectra,
    q: Spectra,
    slopes_v: Vec<Vec<f64>>,
    slopes_q: Vec<Vec<f64>>,
    samples_v: Vec<Vec<f64>>,
}

/// Solves `problem` from scratch.
pub fn solve(problem: &Problem, settings: &BalanceSettings) -> Result<(SteadyState, Report), BalanceError> {
    solve_from(problem, settings, None, &Quiet)
}

/// Solves `problem`, starting from an earlier solution of a similar one when given.
///
/// Without a start the pump is balanced alone with few harmonics, then the other tones are added at
/// low orders, then all orders are raised level by level: most Newton steps are taken where they
/// are cheap. Where Newton's method fails the drive is raised in adaptive steps.
pub fn solve_from(
    problem: &Problem,
    settings: &BalanceSettings,
    start: Option<&SteadyState>,
    watch: &dyn Watch,
) -> Result<(SteadyState, Report), BalanceError> {
    check(problem)?;
    let mut report = Report { residual_asked: settings.residual_v, ..Report::default() };
    let n_others = problem.tones_hz.len() - 1;
    let basis_of = |(pump_order, signal_order): (usize, usize)| {
        let others = vec![signal_order; n_others];
        Basis::new(&problem.tones_hz, pump_order, &others, settings.truncation, settings.oversample)
    };
    let full = basis_of((settings.pump_order, settings.signal_order));
    let mut w = match start {
        Some(state) => state.w.moved_to(&state.basis, &full),
        None => match coarse_to_fine(problem, settings, &basis_of, &mut report, watch) {
            Ok((w, basis)) => w.moved_to(&basis, &full),
            // few harmonics may have no solution where many have one
            Err(BalanceError::NotConverged { .. }) => Spectra::zeros(problem.devices.len(), &full),
            Err(e) => return Err(e),
        },
    };
    let equations = Equations::new(problem, full)?;
    equations.raise(&mut w, settings, false, &mut report, watch)?;
    report.unknowns = w.as_slice().len() * 2;
    Ok((equations.state(w, problem)?, report))
}

/// A solution at the last level before the asked orders.
fn coarse_to_fine(
    problem: &Problem,
    settings: &BalanceSettings,
    basis_of: &dyn Fn((usize, usize)) -> Basis,
    report: &mut Report,
    watch: &dyn Watch,
) -> Result<(Spectra, Basis), BalanceError> {
    let n_others = problem.tones_hz.len() - 1;
    let coarse = BalanceSettings { residual_v: settings.residual_v.max(COARSE_RESIDUAL_V), ..*settings };
    let (mut w, mut basis) = pump_alone(problem, settings, report, watch)?;
    for (i, &orders) in levels(settings, n_others).iter().enumerate() {
        let next = basis_of(orders);
        w = w.moved_to(&basis, &next);
        Equations::new(problem, next.clone())?.raise(&mut w, &coarse, i == 0 && n_others > 0, report, watch)?;
        basis = next;
    }
    Ok((w, basis))
}

/// Residual at which a coarse level is left: below its own truncation error.
const COARSE_RESIDUAL_V: f64 = 1e-5;

/// Pump harmonics of the lowest level.
const LOWEST_ORDER: usize = 8;

/// Pump and signal orders of the coarse levels, rising towards the final ones.
fn levels(settings: &BalanceSettings, n_others: usize) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let (mut k, mut m) = (settings.pump_order, settings.signal_order);
    while k > LOWEST_ORDER || (n_others > 0 && m > 3) {
        (k, m) = ((k / 2).max(LOWEST_ORDER.min(k)), m.saturating_sub(2).max(m.min(3)));
        out.push((k, m));
    }
    out.reverse();
    out
}

/// The pump alone, at the lowest level, under the names of all tones.
fn pump_alone(
    problem: &Problem,
    settings: &BalanceSettings,
    report: &mut Report,
    watch: &dyn Watch,
) -> Result<(Spectra, Basis), BalanceError> {
    let pump_drives = problem.drives.iter().filter(|d| d.orders[1..].iter().all(|&m| m == 0));
    let pump = Problem {
        tones_hz: vec![problem.tones_hz[0]],
        drives: pump_drives.map(|d| Drive { orders: vec![d.orders[0]], ..d.clone() }).collect(),
        ..problem.clone()
    };
    let highest = pump.drives.iter().map(|d| d.orders[0].unsigned_abs() as usize).max().unwrap_or(1);
    let order = LOWEST_ORDER.min(settings.pump_order).max(highest);
    let mut basis = Basis::pump_only(problem.tones_hz[0], order, settings.oversample);
    let mut w = Spectra::zeros(problem.devices.len(), &basis);
    let coarse = BalanceSettings { residual_v: settings.residual_v.max(COARSE_RESIDUAL_V), ..*settings };
    Equations::new(&pump, basis.clone())?.raise(&mut w, &coarse, false, report, watch)?;
    // the pump's own basis names no other tones; give its only lane their zero orders
    basis.lanes[0] = vec![0; problem.tones_hz.len() - 1];
    Ok((w, basis))
}

fn check(problem: &Problem) -> Result<(), BalanceError> {
    let mismatch = |expected: String, found: String| Err(BalanceError::Mismatch { expected, found });
    let (n, m) = (problem.devices.len(), problem.embedding.n_junctions());
    if n != m {
        return mismatch(format!("{m} devices, one a junction port"), format!("{n}"));
    }
    if n > 16 {
        return mismatch("at most 16 junctions".into(), format!("{n}"));
    }
    if problem.tones_hz.is_empty() || problem.tones_hz.iter().any(|f| !(f.is_finite() && *f > 0.0)) {
        return mismatch("at least one tone, all at positive frequencies".into(), format!("{:?} Hz", problem.tones_hz));
    }
    for d in &problem.drives {
        if d.port >= problem.embedding.n_external() || d.orders.len() != problem.tones_hz.len() {
            return mismatch(
                format!("drives at external ports 0…{} with one order a tone", problem.embedding.n_external()),
                format!("port {} with orders {:?}", d.port, d.orders),
            );
        }
    }
    Ok(())
}

impl Equations<'_> {
    fn state(&self, w: Spectra, problem: &Problem) -> Result<SteadyState, BalanceError> {
        let point = self.evaluate(&w, Level::FULL);
        Ok(SteadyState {
            basis: self.basis.clone(),
            lanes: self.lanes.clone(),
            drives: problem.drives.clone(),
            external_ohm: (0..problem.embedding.n_external()).map(|p| problem.embedding.external_ohm(p)).collect(),
            w,
            v: point.v,
            q: in_coulomb(point.q),
            slopes_v: point.slopes_v,
            slopes_q: point.slopes_q.iter().map(|s| in_farad_per_volt(s)).collect(),
            samples_v: point.samples_v,
        })
    }
}

fn in_coulomb(mut q: Spectra) -> Spectra {
    q.as_mut_slice().iter_mut().for_each(|q| *q *= CHARGE_SCALE_C);
    q
}

impl SteadyState {
    /// The kept products.
    pub fn basis(&self) -> &Basis {
        &self.basis
    }

    /// Peak wave leaving external `port` at a product (`√W`); none when the product is not kept.
    ///
    /// At direct current it is the wave itself, not a peak.
    pub fn wave_out(&self, port: usize, orders: &[i32]) -> Option<Complex64> {
        let (lane, k, mirrored) = self.basis.find(orders[0], &orders[1..])?;
        let i = (k + self.basis.pump_order as i32) as usize;
        let pick = |s: &Spectra| -> Vec<Complex64> { (0..self.n_junctions()).map(|j| s.at(j, lane, k)).collect() };
        let from_junctions = self.lanes[lane].outgoing(i, port, &pick(&self.w), &pick(&self.v), &pick(&self.q));
        let is_direct = orders.iter().all(|&m| m == 0);
        let mut b = from_junctions * if is_direct { 1.0 } else { 2.0 };
        if mirrored {
            b = b.conj();
        }
        Some(b + self.direct_wave(port, orders, lane, k, mirrored))
    }

    /// Part of an outgoing wave that came through the passive network without meeting a junction.
    fn direct_wave(&self, port: usize, orders: &[i32], lane: usize, k: i32, mirrored: bool) -> Complex64 {
        let s = &self.lanes[lane].blocks[(k + self.basis.pump_order as i32) as usize].ee;
        self.drives
            .iter()
            .map(|d| {
                let s = if mirrored { s[(port, d.port)].conj() } else { s[(port, d.port)] };
                let minus: Vec<i32> = d.orders.iter().map(|m| -m).collect();
                let is_direct = orders.iter().all(|&m| m == 0);
                if d.orders == orders {
                    s * d.wave
                } else if minus == orders && !is_direct {
                    s * d.wave.conj()
                } else {
                    Complex64::default()
                }
            })
            .sum()
    }

    /// The terms that add up to [`Self::wave_out`]: one a junction, then the direct one.
    pub fn wave_out_terms(&self, port: usize, orders: &[i32]) -> Option<Vec<Complex64>> {
        let (lane, k, mirrored) = self.basis.find(orders[0], &orders[1..])?;
        let i = (k + self.basis.pump_order as i32) as usize;
        let l = &self.lanes[lane];
        let scale = if orders.iter().all(|&m| m == 0) { 1.0 } else { 2.0 };
        let mut terms: Vec<Complex64> = (0..self.n_junctions())
            .map(|j| {
                let a = l.incident(i, j, self.w.at(j, lane, k), self.v.at(j, lane, k), self.q.at(j, lane, k));
                let b = l.blocks[i].ej[(port, j)] * a * scale;
                if mirrored { b.conj() } else { b }
            })
            .collect();
        terms.push(self.direct_wave(port, orders, lane, k, mirrored));
        Some(terms)
    }

    /// Wave arriving at external `port` at a product.
    pub fn wave_in(&self, port: usize, orders: &[i32]) -> Complex64 {
        let is_direct = orders.iter().all(|&m| m == 0);
        let minus: Vec<i32> = orders.iter().map(|m| -m).collect();
        let of = |d: &Drive| match () {
            () if d.port != port => Complex64::default(),
            () if d.orders == orders => d.wave,
            () if d.orders == minus && !is_direct => d.wave.conj(),
            () => Complex64::default(),
        };
        self.drives.iter().map(of).sum()
    }

    /// Power of a product travelling out of `port`, watt.
    pub fn power_out_w(&self, port: usize, orders: &[i32]) -> Option<f64> {
        Some(self.wave_out(port, orders)?.norm_sqr() / 2.0)
    }

    /// Voltage across an external port at a product, volt peak (mean at direct current).
    pub fn port_voltage(&self, port: usize, orders: &[i32]) -> Option<Complex64> {
        Some((self.wave_in(port, orders) + self.wave_out(port, orders)?) * self.external_ohm[port].sqrt())
    }

    /// Number of junctions.
    pub fn n_junctions(&self) -> usize {
        self.slopes_v.len()
    }

    /// Junction voltage at a product, volt peak (mean at direct current).
    pub fn junction_voltage(&self, junction: usize, orders: &[i32]) -> Option<Complex64> {
        self.peak(&self.v, junction, orders, |_, x| x)
    }

    /// Conduction current of a junction at a product, ampere peak (mean at direct current).
    pub fn junction_current(&self, junction: usize, orders: &[i32]) -> Option<Complex64> {
        let r = self.lanes[0].junction_ohm[junction];
        let (lane, k, mirrored) = self.basis.find(orders[0], &orders[1..])?;
        let x = (self.w.at(junction, lane, k) - self.v.at(junction, lane, k)) / r;
        let x = if mirrored { x.conj() } else { x };
        Some(x * if orders.iter().all(|&m| m == 0) { 1.0 } else { 2.0 })
    }

    /// Displacement current of a junction at a product, ampere peak.
    pub fn displacement_current(&self, junction: usize, orders: &[i32]) -> Option<Complex64> {
        self.peak(&self.q, junction, orders, |omega, x| Complex64::new(0.0, omega) * x)
    }

    fn peak(
        &self,
        of: &Spectra,
        junction: usize,
        orders: &[i32],
        f: impl Fn(f64, Complex64) -> Complex64,
    ) -> Option<Complex64> {
        let (lane, k, mirrored) = self.basis.find(orders[0], &orders[1..])?;
        let omega = self.lanes[lane].omega[(k + self.basis.pump_order as i32) as usize];
        let x = f(omega, of.at(junction, lane, k));
        let x = if mirrored { x.conj() } else { x };
        Some(x * if orders.iter().all(|&m| m == 0) { 1.0 } else { 2.0 })
    }

    /// Samples of a junction's voltage; over one pump period when the pump is the only tone.
    pub fn junction_voltage_samples(&self, junction: usize) -> &[f64] {
        &self.samples_v[junction]
    }

    pub(crate) fn unknowns(&self) -> &Spectra {
        &self.w
    }

    pub(crate) fn slopes(&self) -> Slopes {
        Slopes::new(self.slopes_v.clone(), self.slopes_q.clone())
    }
}
