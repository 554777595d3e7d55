//! The joined circuit: scattering matrix at any frequency.

use crate::plan::{Lanes, Plan, SAMPLES_HZ};
use crate::stamp::{Scratch, System};
use network::{FrequencyResponse, NetworkError};
use numerics::{CMatrix, Complex64, linear};
use quantity::Finding;
use std::cell::RefCell;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Frequencies solved side by side by [`Multiport::scattering_many`].
const WIDTH: usize = 4;
/// Singular values below this part of the largest count as zero.
const RANK_TOLERANCE: f64 = 1e-12;
/// Residual of a minimum-norm solution above which the system contradicts itself.
const CONSISTENCY_MAX: f64 = 1e-9;
/// Solutions larger than this mean a nearly singular system, solved by minimum norm instead.
const SOLUTION_MAX: f64 = 1e8;
/// Distance between replay and dense solution, at the sample frequencies, that retires the replay.
const REPLAY_ERROR_MAX: f64 = 1e-9;

/// External ports come before junction ports.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum PortKind {
    /// A connector.
    External,
    /// The terminals of a junction, anode first.
    Junction,
}

#[derive(Debug, Clone)]
pub(crate) struct PortInfo {
    pub(crate) name: String,
    pub(crate) kind: PortKind,
    pub(crate) reference_ohm: f64,
}

/// How a multiport is evaluated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WorkSummary {
    /// Unknowns of the system.
    pub unknowns: usize,
    /// Complex multiplications of one replay; `None` when every frequency is solved densely.
    pub multiplications: Option<usize>,
    /// Frequencies solved densely so far because the replay would have lost digits.
    pub dense_solutions: usize,
}

/// One linear multiport: external ports in the order they were added, then junction ports.
#[derive(Debug)]
pub struct Multiport {
    system: System,
    plan: Option<Plan>,
    names: Vec<String>,
    kinds: Vec<PortKind>,
    reference_ohm: Vec<f64>,
    findings: Vec<Finding>,
    dc: OnceLock<Result<CMatrix, NetworkError>>,
    dense_solutions: AtomicUsize,
}

/// Runs `work` with this thread's buffers. They are taken out meanwhile, so that a block that is
/// itself a multiport finds (empty) buffers of its own.
fn with_buffers<T>(work: impl FnOnce(&mut Buffers) -> T) -> T {
    let mut buffers = BUFFERS.take();
    let out = work(&mut buffers);
    BUFFERS.set(buffers);
    out
}

thread_local! {
    static BUFFERS: RefCell<Buffers> = RefCell::new(Buffers::default());
}

/// Working memory of a thread, kept between frequencies.
#[derive(Default)]
struct Buffers {
    one: Vec<Lanes<1>>,
    one_row: Vec<Lanes<1>>,
    many: Vec<Lanes<WIDTH>>,
    many_row: Vec<Lanes<WIDTH>>,
    scratch: Scratch,
}

impl Multiport {
    pub(crate) fn new(system: System, ports: Vec<PortInfo>, findings: Vec<Finding>) -> Result<Self, NetworkError> {
        let mut this = Self {
            plan: Plan::new(&system),
            system,
            names: ports.iter().map(|p| p.name.clone()).collect(),
            kinds: ports.iter().map(|p| p.kind).collect(),
            reference_ohm: ports.iter().map(|p| p.reference_ohm).collect(),
            findings,
            dc: OnceLock::new(),
            dense_solutions: AtomicUsize::new(0),
        };
        if this.plan.is_some() && !this.replay_agrees() {
            this.plan = None;
        }
        this.dense_solutions.store(0, Ordering::Relaxed);
        Ok(this)
    }

    /// Names of all ports.
    pub fn port_names(&self) -> &[String] {
        &self.names
    }

    /// Kind of each port.
    pub fn port_kinds(&self) -> &[PortKind] {
        &self.kinds
    }

    /// Number of external ports; they come first.
    pub fn n_external(&self) -> usize {
        self.kinds.iter().filter(|&&k| k == PortKind::External).count()
    }

    /// Number of junction ports; they come last.
    pub fn n_junctions(&self) -> usize {
        self.kinds.len() - self.n_external()
    }

    /// Number of the port with this name.
    pub fn port_idx(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }

    /// What there is to know about the circuit, such as open line ends.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }

    /// Size of the system and work of one frequency.
    pub fn work(&self) -> WorkSummary {
        WorkSummary {
            unknowns: self.system.n(),
            multiplications: self.plan.as_ref().map(Plan::multiplications),
            dense_solutions: self.dense_solutions.load(Ordering::Relaxed),
        }
    }

    /// Scattering matrices at many frequencies; faster than one by one, with the same bits for any
    /// grouping of the list.
    pub fn scattering_many(&self, freqs_hz: &[f64]) -> Result<Vec<CMatrix>, NetworkError> {
        let mut out = Vec::with_capacity(freqs_hz.len());
        for group in freqs_hz.chunks(WIDTH) {
            match &self.plan {
                Some(plan) if group.iter().all(|&f| f > 0.0) => self.replay_group(plan, group, &mut out)?,
                _ => group.iter().try_for_each(|&f| self.scattering(f).map(|s| out.push(s)))?,
            }
        }
        Ok(out)
    }

    /// The slow and obvious way: full matrix, row exchanges. The control of the replay.
    pub fn scattering_dense(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        let (n, p) = (self.system.n(), self.system.n_ports);
        let mut full = CMatrix::zeros(n + p, n + p);
        self.system.evaluate(freq_hz, &mut Scratch::default(), |slot, value| {
            let (row, col) = self.system.entries[slot];
            full[(row as usize, col as usize)] += value;
        })?;
        let scales: Vec<f64> = (0..n).map(|i| row_scale(&full.row(i)[..n])).collect();
        let a = CMatrix::from_fn(n, n, |i, j| full[(i, j)] / scales[i]);
        let b = CMatrix::from_fn(n, p, |i, k| -full[(i, n + k)] / scales[i]);
        let x = match linear::solve(&a, &b) {
            Ok(x) if x.max_abs() < SOLUTION_MAX => x,
            _ => self.min_norm(&a, &b, freq_hz)?,
        };
        let read = CMatrix::from_fn(p, n, |k, j| full[(n + k, j)]);
        Ok(&(&read * &x) - &CMatrix::identity(p))
    }

    /// Floating parts leave the system singular but consistent; any solution has the same waves.
    fn min_norm(&self, a: &CMatrix, b: &CMatrix, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        let (x, _) = linear::solve_min_norm(a, b, RANK_TOLERANCE)?;
        let residual = (&(a * &x) - b).max_abs();
        if x.is_finite() && residual <= CONSISTENCY_MAX * (a.max_abs() * x.max_abs() + b.max_abs()) {
            return Ok(x);
        }
        let (_, _, v) = linear::svd(a)?;
        let loose = v.col(v.n_cols() - 1);
        let worst = (0..loose.len()).max_by(|&i, &j| loose[i].norm().total_cmp(&loose[j].norm())).unwrap_or(0);
        Err(NetworkError::Degenerate {
            what: "the circuit".into(),
            freq_hz,
            why: format!(
                "the {} is not determined (residual {residual:.1e}); look for ideal parts that contradict each other there",
                self.system.unknowns[worst]
            ),
        })
    }

    fn solve_densely(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        self.dense_solutions.fetch_add(1, Ordering::Relaxed);
        self.scattering_dense(freq_hz)
    }

    fn replay_one(&self, plan: &Plan, freq_hz: f64) -> Result<Option<CMatrix>, NetworkError> {
        with_buffers(|buffers| {
            let Buffers { one, one_row, scratch, .. } = buffers;
            clear(one, plan.n_slots);
            clear(one_row, plan.n_cols_max());
            self.system.evaluate(freq_hz, scratch, |slot, value| {
                one[slot].re[0] += value.re;
                one[slot].im[0] += value.im;
            })?;
            let good = plan.replay(one, one_row);
            Ok(if good { plan.scattering(one, 0, self.system.n_ports) } else { None })
        })
    }

    fn replay_group(&self, plan: &Plan, group: &[f64], out: &mut Vec<CMatrix>) -> Result<(), NetworkError> {
        let first = out.len();
        let good = with_buffers(|buffers| -> Result<bool, NetworkError> {
            let Buffers { many, many_row, scratch, .. } = buffers;
            clear(many, plan.n_slots);
            clear(many_row, plan.n_cols_max());
            for lane in 0..WIDTH {
                // A short last group repeats its last frequency.
                let freq_hz = group[lane.min(group.len() - 1)];
                self.system.evaluate(freq_hz, scratch, |slot, value| {
                    many[slot].re[lane] += value.re;
                    many[slot].im[lane] += value.im;
                })?;
            }
            if !plan.replay(many, many_row) {
                return Ok(false);
            }
            for lane in 0..group.len() {
                match plan.scattering(many, lane, self.system.n_ports) {
                    Some(s) => out.push(s),
                    None => return Ok(false),
                }
            }
            Ok(true)
        })?;
        if !good {
            out.truncate(first);
            group.iter().try_for_each(|&f| self.scattering(f).map(|s| out.push(s)))?;
        }
        Ok(())
    }

    fn replay_agrees(&self) -> bool {
        SAMPLES_HZ.iter().all(|&f| {
            let (Ok(fast), Ok(slow)) = (self.scattering(f), self.scattering_dense(f)) else { return true };
            (&fast - &slow).max_abs() <= REPLAY_ERROR_MAX * (1.0 + slow.max_abs())
        })
    }
}

impl FrequencyResponse for Multiport {
    fn n_ports(&self) -> usize {
        self.names.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        if !(freq_hz.is_finite() && freq_hz >= 0.0) {
            return Err(NetworkError::Mismatch {
                expected: "a frequency of zero or more hertz".into(),
                found: format!("{freq_hz}"),
            });
        }
        if freq_hz == 0.0 {
            return self.dc.get_or_init(|| self.scattering_dense(0.0)).clone();
        }
        if let Some(plan) = &self.plan
            && let Some(s) = self.replay_one(plan, freq_hz)?
        {
            return Ok(s);
        }
        self.solve_densely(freq_hz)
    }

    fn data_up_to_hz(&self) -> Option<f64> {
        self.system.data_up_to_hz()
    }
}

fn clear<const W: usize>(buffer: &mut Vec<Lanes<W>>, len: usize) {
    buffer.clear();
    buffer.resize(len, Lanes::ZERO);
}

/// Largest magnitude of a row, one for an empty row.
fn row_scale(row: &[Complex64]) -> f64 {
    let largest = row.iter().map(|x| x.norm()).fold(0.0, f64::max);
    if largest > 0.0 { largest } else { 1.0 }
}
