//! A second harmonic sent by the LO source, as two more variables of a device.
//!
//! Its effect is small and is taken as linear: balances at the nominal point with a wave of [`PROBE`] of the LO wave at
//! twice the LO frequency, in phase and in quadrature, against the one without. Values are per cent of the LO wave.

use crate::design::Design;
use crate::error::ProjectError;
use balance::{BalanceSettings, Drive, Problem, SteadyState, solve_from};
use causes::{CausesError, Device, Evaluated, Point};
use mixer::{Anchor, Mixer};
use numerics::{Complex64, RMatrix, Watch};
use quantity::Quantity;
use spec::{Measure, PortName};

/// Names of the two variables.
pub(super) const HARMONIC: [&str; 2] = ["LO harmonic 2 in phase", "LO harmonic 2 in quadrature"];
/// Wave of the harmonic against the LO's at which differences are taken: −34 dBc, inside what benches record.
const PROBE: f64 = 0.02;
/// Orders kept: those of the review quantities.
const ORDERS: (usize, usize) = (16, 6);

/// Change of every number per per cent of the LO wave, in phase and in quadrature.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Harmonic {
    per_percent: Vec<[f64; 2]>,
}

impl Harmonic {
    /// By balances at every signal frequency of `points`; numbers of an up-converter are left unmoved.
    pub(super) fn of(
        mixer: &Mixer,
        design: &Design,
        points: &[Point],
        watch: &dyn Watch,
    ) -> Result<Self, ProjectError> {
        let signal_dbm = design.plan.seats[0].input_level.stored();
        let mut per_percent = vec![[0.0; 2]; points.len()];
        let down =
            |p: &Point| !matches!(p.measure, Measure::ConversionLossUp | Measure::SpurUp(_) | Measure::CarrierLeak);
        let mut rf: Vec<f64> = points.iter().filter(|p| down(p)).filter_map(|p| p.signal_hz).collect();
        rf.sort_by(f64::total_cmp);
        rf.dedup();
        for (i, &rf_hz) in rf.iter().enumerate() {
            watch.step("harmonic of the LO", i, rf.len())?;
            let own: Vec<usize> =
                (0..points.len()).filter(|&p| down(&points[p]) && points[p].signal_hz == Some(rf_hz)).collect();
            let (lo_hz, lo_dbm) = (points[own[0]].lo_hz, points[own[0]].lo_dbm);
            let at = Probe { mixer, lo: (lo_hz, lo_dbm), rf: (rf_hz, signal_dbm) };
            let (plain, state) = at.solve(Complex64::default(), None, watch)?;
            for (part, wave) in [Complex64::new(PROBE, 0.0), Complex64::new(0.0, PROBE)].into_iter().enumerate() {
                let (moved, _) = at.solve(wave, Some(&state), watch)?;
                for &p in &own {
                    let measure = points[p].measure;
                    if let (Some(a), Some(b)) = (plain.value(mixer, measure), moved.value(mixer, measure)) {
                        per_percent[p][part] = (b - a) / (100.0 * PROBE);
                    }
                }
            }
        }
        watch.step("harmonic of the LO", rf.len(), rf.len())?;
        Ok(Self { per_percent })
    }
}

struct Probe<'a> {
    mixer: &'a Mixer,
    lo: (f64, f64),
    rf: (f64, f64),
}

impl Probe<'_> {
    fn solve(
        &self,
        harmonic: Complex64,
        start: Option<&SteadyState>,
        watch: &dyn Watch,
    ) -> Result<(Anchor, SteadyState), ProjectError> {
        let watt = |dbm: f64| 1e-3 * 10f64.powf(dbm / 10.0);
        let ports = &self.mixer.ports;
        let lo = Drive::tone(ports.lo, vec![1, 0], watt(self.lo.1), 0.0);
        let second = Drive { port: ports.lo, orders: vec![2, 0], wave: lo.wave * harmonic };
        let signal = Drive::tone(ports.rf, vec![0, 1], watt(self.rf.1), 0.0);
        let problem = Problem {
            embedding: self.mixer.embedding.clone(),
            devices: self.mixer.devices.clone(),
            tones_hz: vec![self.lo.0, self.rf.0],
            drives: vec![lo, signal, second],
        };
        let settings = BalanceSettings { pump_order: ORDERS.0, signal_order: ORDERS.1, ..BalanceSettings::default() };
        let (state, _) = solve_from(&problem, &settings, start, watch)?;
        let anchor = Anchor { lo: self.lo, rf: self.rf, input: PortName::Rf, state: state.clone() };
        Ok((anchor, state))
    }
}

/// A device with the two variables behind its own.
pub(super) struct WithHarmonic<'a> {
    device: &'a dyn Device,
    harmonic: &'a Harmonic,
}

impl<'a> WithHarmonic<'a> {
    pub(super) fn new(device: &'a dyn Device, harmonic: &'a Harmonic) -> Self {
        Self { device, harmonic }
    }
}

impl Device for WithHarmonic<'_> {
    fn variables(&self) -> Vec<String> {
        self.device.variables().into_iter().chain(HARMONIC.map(String::from)).collect()
    }

    fn points(&self) -> Vec<Point> {
        self.device.points()
    }

    fn evaluate(&self, deviations: &[f64]) -> Result<Evaluated, CausesError> {
        let n = deviations.len() - HARMONIC.len();
        let inner = self.device.evaluate(&deviations[..n])?;
        let slopes = &self.harmonic.per_percent;
        let added = |p: usize| slopes[p][0] * deviations[n] + slopes[p][1] * deviations[n + 1];
        let values = inner.values.iter().enumerate().map(|(p, v)| v + added(p)).collect();
        let jacobian = RMatrix::from_fn(inner.values.len(), deviations.len(), |p, k| {
            if k < n { inner.jacobian[(p, k)] } else { slopes[p][k - n] }
        });
        Ok(Evaluated { values, jacobian })
    }
}
