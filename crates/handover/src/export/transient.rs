//! An exported module driven by sources and integrated in time, from rest, by a general library.
//!
//! Input: a [`Circuit`] read from an exported text and a bench: a source with its resistance at every port. Output: one
//! common period of every node, once the waveforms repeat.
//! Nodes with charge are states; their charge depends on their own voltage only, so `C(v)·dv/dt = −i` (the derivative of
//! the charge by dual numbers). Nodes without are connectors with their source: linear, solved at every instant.
//! The integrator is the explicit Runge-Kutta method of C. Tsitouras, Comput. Math. Appl. 62 (2011) 770, of the library
//! `diffsol`; nothing of the harmonic balance takes part.

use super::equations::Dual;
use super::reader::Circuit;
use crate::HandoverError;
use diffsol::{NalgebraMat, OdeBuilder, OdeSolverMethod};
use numerics::{Complex64, RMatrix, Watch, linear};
use std::cell::RefCell;
use std::f64::consts::TAU;

/// A source behind a resistance: `Σ amplitude·cos(2πft)`, raised over the first common period.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// Resistance, ohm.
    pub ohm: f64,
    /// Frequency (hertz) and open-circuit amplitude (volt) of each tone.
    pub tones: Vec<(f64, f64)>,
}

/// How to integrate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TransientSettings {
    /// Frequency whose period all waveforms share, hertz.
    pub common_hz: f64,
    /// Samples a common period.
    pub samples: usize,
    /// Relative tolerance of a step.
    pub tolerance: f64,
    /// Change of all samples from one common period to the next, relative to the largest, that counts as repeating.
    pub repeats_within: f64,
    /// Most common periods.
    pub periods_max: usize,
}

/// Unit of time of the integration, second.
const TIME_S: f64 = 1e-12;
/// Steps after which an integration is given up.
const STEPS_MAX: usize = 20_000_000;

/// Waveforms over one common period, and how they were reached.
#[derive(Debug, Clone, PartialEq)]
pub struct Periodic {
    /// Names of the nodes.
    pub nodes: Vec<String>,
    /// Voltages, node by node, evenly over the period.
    pub samples: Vec<Vec<f64>>,
    /// Common periods integrated.
    pub periods: usize,
    /// Steps taken.
    pub steps: usize,
    /// Change from the period before, relative to the largest sample of each node, largest over the nodes observed.
    pub change: f64,
}

impl Periodic {
    /// Peak phasor of a node at a multiple of the common frequency; the mean at zero.
    pub fn line(&self, node: usize, multiple: usize) -> Complex64 {
        let x = &self.samples[node];
        let n = x.len();
        let sum: Complex64 = x
            .iter()
            .enumerate()
            .map(|(i, v)| v * Complex64::from_polar(1.0, -TAU * ((i * multiple) % n) as f64 / n as f64))
            .sum();
        sum * (if multiple == 0 { 1.0 } else { 2.0 }) / n as f64
    }

    /// Number of a node.
    pub fn node(&self, name: &str) -> Option<usize> {
        self.nodes.iter().position(|n| n == name)
    }
}

/// The circuit on its bench, ready to be evaluated.
struct Bench<'a> {
    circuit: &'a Circuit,
    sources: &'a [Source],
    common_hz: f64,
    /// Nodes that are states, in order.
    states: Vec<usize>,
    /// Capacitance of states that have a constant one.
    constant_f: Vec<Option<f64>>,
    /// Statements that charges of the others need.
    for_charges: Vec<usize>,
    /// Inverse of the derivative of the connector currents.
    inverse: RMatrix,
    work: RefCell<(Vec<f64>, Vec<Dual>)>,
}

fn refused(expected: &str, found: impl Into<String>) -> HandoverError {
    HandoverError::mismatch(expected, found, "the exported module")
}

impl<'a> Bench<'a> {
    fn new(circuit: &'a Circuit, sources: &'a [Source], common_hz: f64) -> Result<Self, HandoverError> {
        let (n, ports) = (circuit.nodes.len(), circuit.ports.len());
        if sources.len() != ports {
            return Err(refused("a source for every port", sources.len().to_string()));
        }
        let states: Vec<usize> = (0..n).filter(|&i| !circuit.charges[i].is_empty()).collect();
        if let Some(i) = (ports..n).find(|i| !states.contains(i)) {
            return Err(refused(
                "a capacitance at every junction: the check integrates voltages of charged nodes",
                format!("none at `{}`", circuit.nodes[i]),
            ));
        }
        if states.iter().any(|i| *i < ports) {
            return Err(refused("connectors without charge of their own", "one with charge"));
        }
        let mut bench = Self {
            circuit,
            sources,
            common_hz,
            constant_f: Vec::new(),
            for_charges: Vec::new(),
            inverse: RMatrix::identity(ports),
            work: RefCell::new((vec![0.0; circuit.n_slots], vec![Dual::default(); circuit.n_slots])),
            states,
        };
        bench.look_at_charges()?;
        bench.look_at_connectors()?;
        Ok(bench)
    }

    /// Constant capacitances, the statements the others need, and that each depends on its own node only.
    fn look_at_charges(&mut self) -> Result<(), HandoverError> {
        let n = self.circuit.nodes.len();
        let mut needed = vec![false; self.circuit.n_slots];
        for &i in &self.states {
            let mut own = vec![false; self.circuit.n_slots];
            self.circuit.charges[i].iter().for_each(|q| q.slots(&mut |s| own[s] = true));
            for statement in self.circuit.statements.iter().rev() {
                if statement.written().iter().any(|s| own[*s]) {
                    statement.read(&mut |s| own[s] = true);
                }
            }
            if (0..n).any(|k| own[k] && k != i) {
                return Err(refused("charges that depend on their own node only", self.circuit.nodes[i].clone()));
            }
            let is_constant = own[n..].iter().all(|x| !x);
            self.constant_f.push(is_constant.then(|| {
                let mut slots = vec![Dual::default(); self.circuit.n_slots];
                slots[i].slope = 1.0;
                self.circuit.charges[i].iter().map(|q| q.value(&slots).slope).sum()
            }));
            if !is_constant {
                needed.iter_mut().zip(&own).for_each(|(a, b)| *a |= b);
            }
        }
        let statements = &self.circuit.statements;
        self.for_charges =
            (0..statements.len()).filter(|&k| statements[k].written().iter().any(|s| needed[*s])).collect();
        Ok(())
    }

    /// The connector currents are linear in the connector voltages: their derivative once and for all.
    fn look_at_connectors(&mut self) -> Result<(), HandoverError> {
        let ports = self.circuit.ports.len();
        let zero = vec![0.0; self.states.len()];
        let at = |v: &[f64]| self.connector_residual(&zero, v, 0.0);
        let rest = at(&vec![0.0; ports]);
        let mut jacobian = RMatrix::zeros(ports, ports);
        for j in 0..ports {
            let mut one = vec![0.0; ports];
            one[j] = 1.0;
            let moved = at(&one);
            for i in 0..ports {
                jacobian[(i, j)] = moved[i] - rest[i];
            }
        }
        let mut inverse = RMatrix::zeros(ports, ports);
        for j in 0..ports {
            let mut one = vec![0.0; ports];
            one[j] = 1.0;
            let column = linear::solve_real(&jacobian, &one).map_err(|e| HandoverError::Network(e.into()))?;
            (0..ports).for_each(|i| inverse[(i, j)] = column[i]);
        }
        self.inverse = inverse;
        Ok(())
    }

    fn source_v(&self, port: usize, t_s: f64) -> f64 {
        let part = (t_s * self.common_hz).min(1.0);
        let rise = 0.5 * (1.0 - (0.5 * TAU * part).cos());
        self.sources[port].tones.iter().map(|(f, a)| a * (TAU * f * t_s).cos()).sum::<f64>() * rise
    }

    /// Evaluates all statements for given states and connector voltages.
    fn fill(&self, y: &[f64], connectors: &[f64]) {
        let slots = &mut self.work.borrow_mut().0;
        slots[..connectors.len()].copy_from_slice(connectors);
        self.states.iter().zip(y).for_each(|(i, v)| slots[*i] = *v);
        self.circuit.statements.iter().for_each(|s| s.run(slots));
    }

    fn connector_residual(&self, y: &[f64], connectors: &[f64], t_s: f64) -> Vec<f64> {
        self.fill(y, connectors);
        let slots = &self.work.borrow().0;
        (0..connectors.len())
            .map(|p| {
                let out: f64 = self.circuit.currents[p].iter().map(|e| e.value(slots)).sum();
                out + (connectors[p] - self.source_v(p, t_s)) / self.sources[p].ohm
            })
            .collect()
    }

    /// Connector voltages that balance the connector currents; all statements are evaluated there.
    fn connectors(&self, y: &[f64], t_s: f64) -> Vec<f64> {
        let rest = self.connector_residual(y, &vec![0.0; self.circuit.ports.len()], t_s);
        let v: Vec<f64> = self.inverse.times(&rest).iter().map(|x| -x).collect();
        self.fill(y, &v);
        v
    }

    /// Time derivative of the states, volt per unit of time.
    fn slope(&self, y: &[f64], t_s: f64, out: &mut [f64]) {
        self.connectors(y, t_s);
        let (slots, dual) = &mut *self.work.borrow_mut();
        // charges of junctions, with their derivatives to their own voltage
        for i in &self.states {
            dual[*i] = Dual { value: slots[*i], slope: 1.0 };
        }
        self.for_charges.iter().for_each(|&k| self.circuit.statements[k].run(dual));
        for (k, &i) in self.states.iter().enumerate() {
            let current: f64 = self.circuit.currents[i].iter().map(|e| e.value(slots)).sum();
            let capacitance =
                self.constant_f[k].unwrap_or_else(|| self.circuit.charges[i].iter().map(|q| q.value(dual).slope).sum());
            out[k] = -current / capacitance * TIME_S;
        }
    }
}

/// Integrates from rest until one common period repeats the one before at the nodes `observed`.
///
/// # Errors
/// A module the bench cannot take, waveforms that do not repeat in time, a failure of the integrator, or the wish of
/// `watch` to stop.
pub fn integrate(
    circuit: &Circuit,
    sources: &[Source],
    settings: &TransientSettings,
    observed: &[&str],
    watch: &dyn Watch,
) -> Result<Periodic, HandoverError> {
    let bench = Bench::new(circuit, sources, settings.common_hz)?;
    let failed = |e: diffsol::error::DiffsolError| refused("an integration in time", format!("{e}"));
    let n = bench.states.len();
    let problem = OdeBuilder::<NalgebraMat<f64>>::new()
        .rtol(settings.tolerance)
        .atol([settings.tolerance * 1e-3])
        .h0(1e-2)
        .rhs(|y: &[f64], _p: &[f64], t: f64, out: &mut [f64]| bench.slope(y, t * TIME_S, out))
        .init(|_p: &[f64], _t: f64, y: &mut [f64]| y.fill(0.0), n)
        .build()
        .map_err(failed)?;
    let mut solver = problem.tsit45().map_err(failed)?;
    let watched: Vec<usize> = observed.iter().filter_map(|o| circuit.nodes.iter().position(|n| n == o)).collect();
    let step_s = 1.0 / (settings.common_hz * settings.samples as f64);
    let mut before: Option<Vec<Vec<f64>>> = None;
    let (mut steps, mut change) = (0, f64::INFINITY);
    for period in 0..settings.periods_max {
        watch.step("integrating the exported module", period, settings.periods_max)?;
        let mut samples = vec![Vec::with_capacity(settings.samples); circuit.nodes.len()];
        for i in 0..settings.samples {
            let t_s = (period * settings.samples + i) as f64 * step_s;
            while solver.state().t * TIME_S < t_s {
                solver.step().map_err(failed)?;
                steps += 1;
                if steps > STEPS_MAX {
                    return Err(refused("an integration within 20 million steps", "more: the module is too stiff"));
                }
            }
            let y = solver.interpolate(t_s / TIME_S).map_err(failed)?;
            let y = y.batch_as_slice(0);
            let v = bench.connectors(y, t_s);
            samples.iter_mut().zip(&v).for_each(|(s, v)| s.push(*v));
            bench.states.iter().zip(y).for_each(|(i, v)| samples[*i].push(*v));
        }
        change = before.as_ref().map_or(f64::INFINITY, |b| largest_change(b, &samples, &watched));
        if change <= settings.repeats_within {
            let nodes = circuit.nodes.clone();
            return Ok(Periodic { nodes, samples, periods: period + 1, steps, change });
        }
        before = Some(samples);
    }
    Err(refused(
        &format!("waveforms that repeat within {:.0e} after {} periods", settings.repeats_within, settings.periods_max),
        format!("a change of {change:.1e} in the last one; let it run longer or fit fewer slow poles"),
    ))
}

fn largest_change(before: &[Vec<f64>], now: &[Vec<f64>], nodes: &[usize]) -> f64 {
    let of = |&i: &usize| {
        let largest = now[i].iter().fold(0.0f64, |m, x| m.max(x.abs())).max(f64::MIN_POSITIVE);
        before[i].iter().zip(&now[i]).fold(0.0f64, |m, (a, b)| m.max((a - b).abs())) / largest
    };
    nodes.iter().map(of).fold(0.0, f64::max)
}
