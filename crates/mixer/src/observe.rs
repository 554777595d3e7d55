//! The quantities of a review at its anchors as complex amplitudes, with their derivatives.
//!
//! Input: a [`Mixer`] and a [`Plan`]. Output: amplitudes (wave ratios; volt for direct voltage), their
//! derivatives with respect to parameters of the balance, and the quantities in dB or mV formed from
//! them. Amplitudes that nearly cancel are smooth in every parameter where their levels in dB are not.
//! One truncation serves all anchors, so that differences between solutions are differences of the
//! mixer; what the truncation leaves is the numeric band of the review.

use crate::believe::{grid_products, in_band_products, spur};
use crate::mixer::{db, dbm};
use crate::point::Anchor;
use crate::{Direction, Mixer, MixerError, Plan};
use balance::{NetworkMotion, Order, Output, Parameter, Problem, Sensitivities, SteadyState, sensitivities};
use numerics::{CMatrix, Complex64, Quiet, Watch, parallel};
use spec::{Conditions, Measure, PortName, Product};

/// LO harmonics and signal order kept, unless the spur grid asks for more.
const ORDERS: (usize, usize) = (16, 6);

/// To what the wave of an amplitude is referred.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reference {
    /// The LO arriving.
    Lo,
    /// The signal arriving.
    Signal,
    /// Nothing: the outgoing wave itself, √W.
    None,
}

/// Amplitudes of one anchor.
#[derive(Debug, Clone)]
struct Station {
    input: PortName,
    rf_hz: f64,
    amplitudes: Vec<(Output, Reference)>,
    /// Quantities: what, the number of its amplitude within the station.
    quantities: Vec<(Measure, usize)>,
}

/// Steady states of all anchors of one solution.
#[derive(Clone)]
pub struct Observed {
    points: Vec<(Problem, SteadyState)>,
    /// The amplitudes, in the order of [`Observer::names`].
    pub amplitudes: Vec<Complex64>,
}

/// Amplitudes with their derivatives with respect to a list of parameters.
#[derive(Debug, Clone, PartialEq)]
pub struct Derived {
    /// One row an amplitude, one column a parameter.
    pub first: CMatrix,
    /// One symmetric matrix an amplitude; empty when not asked for.
    pub second: Vec<CMatrix>,
    /// Largest relative difference of the gradients by both ways, when both were taken.
    pub mismatch: Option<f64>,
}

/// What is observed of a mixer, and how.
#[derive(Debug, Clone)]
pub struct Observer {
    plan: Plan,
    /// Products wanted beside those in the output band.
    besides: Vec<Product>,
    stations: Vec<Station>,
    names: Vec<String>,
    quantities: Vec<(Measure, Conditions)>,
    orders: (usize, usize),
    external_ohm: f64,
}

impl Observer {
    /// Loss, match, isolation, direct voltage and every product of the table in the output band, at
    /// every anchor of the plan.
    pub fn new(mixer: &Mixer, plan: &Plan) -> Result<Self, MixerError> {
        Self::with_products(mixer, plan, &[])
    }

    /// The same, and these products of the table at every anchor wherever they fall: a bench reads them there too.
    pub fn with_products(mixer: &Mixer, plan: &Plan, besides: &[Product]) -> Result<Self, MixerError> {
        plan.check()?;
        let (m, n) = (plan.spur_orders.0 as usize, plan.spur_orders.1 as usize);
        let mut this = Self {
            plan: plan.clone(),
            besides: besides.to_vec(),
            stations: Vec::new(),
            names: Vec::new(),
            quantities: Vec::new(),
            orders: (ORDERS.0.max(n + 4), ORDERS.1.max(m + 1)),
            external_ohm: mixer.embedding.external_ohm(mixer.ports.if_),
        };
        for rf_hz in plan.rf_grid(plan.anchors) {
            if plan.direction != Direction::Up {
                this.add_station(mixer, PortName::Rf, rf_hz);
            }
            if plan.direction != Direction::Down {
                this.add_station(mixer, PortName::If, rf_hz);
            }
        }
        Ok(this)
    }

    /// LO harmonics and signal order kept.
    pub fn orders(&self) -> (usize, usize) {
        self.orders
    }

    /// Names of the amplitudes.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The quantities with their conditions, in the order of [`Self::measures`].
    pub fn quantities(&self) -> &[(Measure, Conditions)] {
        &self.quantities
    }

    fn add_station(&mut self, mixer: &Mixer, input: PortName, rf_hz: f64) {
        let plan = &self.plan;
        let side = if rf_hz < plan.lo_hz { 1 } else { -1 };
        let at = |port: PortName, product: Product| Output {
            port: mixer.ports.index(port),
            orders: vec![product.n_lo, product.m_rf],
        };
        let (lo, signal) = (Product::new(1, 0), Product::new(0, 1));
        let isolation = |from, to| Measure::Isolation { from, to };
        let mut list: Vec<(Measure, Output, Reference)> = Vec::new();
        let output = if input == PortName::If { PortName::Rf } else { PortName::If };
        if input == PortName::Rf {
            let wanted = Product::new(side, -side);
            list.push((Measure::ConversionLoss, at(PortName::If, wanted), Reference::Signal));
            list.push((Measure::ReturnLoss(PortName::Rf), at(PortName::Rf, signal), Reference::Signal));
            list.push((isolation(PortName::Rf, PortName::If), at(PortName::If, signal), Reference::Signal));
            list.push((isolation(PortName::Rf, PortName::Lo), at(PortName::Lo, signal), Reference::Signal));
            list.push((Measure::ReturnLoss(PortName::Lo), at(PortName::Lo, lo), Reference::Lo));
            list.push((isolation(PortName::Lo, PortName::Rf), at(PortName::Rf, lo), Reference::Lo));
            list.push((isolation(PortName::Lo, PortName::If), at(PortName::If, lo), Reference::Lo));
            list.push((Measure::DcOffset, at(PortName::If, Product::new(0, 0)), Reference::None));
        } else {
            let wanted = Product::new(1, -side);
            list.push((Measure::ConversionLossUp, at(PortName::Rf, wanted), Reference::Signal));
            list.push((Measure::ReturnLoss(PortName::If), at(PortName::If, signal), Reference::Signal));
            list.push((Measure::CarrierLeak, at(PortName::Rf, lo), Reference::None));
        }
        let signal_hz = if input == PortName::If { (rf_hz - plan.lo_hz).abs() } else { rf_hz };
        for product in self.products_in_band(input, rf_hz, signal_hz) {
            list.push((spur(input, product), at(output, product), Reference::Signal));
        }
        let conditions = mixer.conditions(plan.lo_hz, plan.lo_dbm, rf_hz, Some(plan.signal_dbm));
        let mut station = Station { input, rf_hz, amplitudes: Vec::new(), quantities: Vec::new() };
        for (measure, output, reference) in list {
            let of = format!("port {}, product {:+}LO{:+}S", output.port + 1, output.orders[0], output.orders[1]);
            self.names.push(format!("{} in at {:.6} GHz: {of}", input.label(), signal_hz / 1e9));
            self.quantities.push((measure, conditions.clone()));
            station.quantities.push((measure, station.amplitudes.len()));
            station.amplitudes.push((output, reference));
        }
        self.stations.push(station);
    }

    /// As [`in_band_products`], before there is a solution.
    fn products_in_band(&self, input: PortName, rf_hz: f64, signal_hz: f64) -> Vec<Product> {
        let plan = &self.plan;
        let band = if input == PortName::If { plan.rf_band_hz } else { plan.if_band_hz() };
        let side = if rf_hz < plan.lo_hz { 1 } else { -1 };
        let wanted = if input == PortName::If { Product::new(1, -side) } else { Product::new(side, -side) };
        let inside = |p: &Product| {
            let f = p.frequency_hz(plan.lo_hz, signal_hz).abs();
            f >= band.0 && f <= band.1
        };
        let all = grid_products(plan).into_iter().map(|(_, _, _, p)| p);
        let besides = |p: &Product| self.besides.iter().any(|b| b == p || *b == p.mirrored());
        all.filter(|p| *p != wanted && *p != wanted.mirrored()).filter(|p| inside(p) || besides(p)).collect()
    }

    /// Full solutions of all anchors of `mixer` with the LO `lo_shift_db` above the plan's level.
    ///
    /// With `near`, each anchor starts from the solution there; without, from rest.
    pub fn solve(
        &self,
        mixer: &Mixer,
        lo_shift_db: f64,
        near: Option<&Observed>,
        watch: &dyn Watch,
    ) -> Result<Observed, MixerError> {
        let jobs: Vec<usize> = (0..self.stations.len()).collect();
        let points = parallel::map_watched(&jobs, watch, "operating points", |&i| {
            let station = &self.stations[i];
            let lo = (self.plan.lo_hz, self.plan.lo_dbm + lo_shift_db);
            let rf = (station.rf_hz, self.plan.signal_dbm);
            let start = near.map(|o| &o.points[i].1);
            let (problem, state, _) =
                mixer.two_tone(&mixer.embedding, lo, rf, station.input, self.orders, start, &Quiet)?;
            Ok::<_, MixerError>((problem, state))
        })?;
        let mut amplitudes = Vec::with_capacity(self.names.len());
        for (station, (problem, state)) in self.stations.iter().zip(&points) {
            for (output, reference) in &station.amplitudes {
                let wave = state.wave_out(output.port, &output.orders).unwrap_or_default();
                amplitudes.push(wave / reference.wave(problem));
            }
        }
        Ok(Observed { points, amplitudes })
    }

    /// Derivatives of all amplitudes at a solution. [`Parameter::Drive`] 0 is the LO.
    pub fn derive(
        &self,
        observed: &Observed,
        motion: &dyn NetworkMotion,
        parameters: &[Parameter],
        order: Order,
        watch: &dyn Watch,
    ) -> Result<Derived, MixerError> {
        let jobs: Vec<usize> = (0..self.stations.len()).collect();
        let parts = parallel::map_watched(&jobs, watch, "derivatives", |&i| {
            let (problem, state) = &observed.points[i];
            let station = &self.stations[i];
            let outputs: Vec<Output> = station.amplitudes.iter().map(|a| a.0.clone()).collect();
            let run = format!("derivatives at {:.6} GHz", station.rf_hz / 1e9);
            let (mut s, _) =
                sensitivities(problem, state, motion, parameters, &outputs, order).map_err(MixerError::in_run(run))?;
            for (row, (_, reference)) in station.amplitudes.iter().enumerate() {
                refer(&mut s, row, *reference, problem, parameters);
            }
            Ok::<_, MixerError>(s)
        })?;
        let mut rows = Vec::new();
        let mut second = Vec::new();
        let mut mismatch: Option<f64> = None;
        for s in parts {
            rows.extend((0..s.first.n_rows()).map(|o| s.first.row(o).to_vec()));
            second.extend(s.second);
            mismatch = s.mismatch.map(|m| m.max(mismatch.unwrap_or(0.0))).or(mismatch);
        }
        Ok(Derived { first: CMatrix::from_rows(&rows), second, mismatch })
    }

    /// The quantities formed from amplitudes: losses, isolations and levels in dB, direct voltage in mV.
    pub fn measures(&self, amplitudes: &[Complex64]) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.quantities.len());
        let mut from = 0;
        for station in &self.stations {
            let own = &amplitudes[from..from + station.amplitudes.len()];
            from += own.len();
            // the wanted amplitude is the first one
            let wanted = own[0].norm_sqr();
            out.extend(station.quantities.iter().map(|&(measure, at)| {
                let power = own[at].norm_sqr();
                match measure {
                    Measure::Spur(_) | Measure::SpurUp(_) => db(power / wanted),
                    Measure::DcOffset => own[at].re * self.external_ohm.sqrt() * 1e3,
                    Measure::CarrierLeak => dbm(0.5 * power),
                    _ => -db(power),
                }
            }));
        }
        out
    }

    /// The terms that add up behind each quantity, one a diode, then the passive path, in volts at the
    /// observed port; in the order of [`Self::quantities`].
    pub fn terms(&self, mixer: &Mixer, observed: &Observed) -> Vec<Option<Vec<Complex64>>> {
        let mut out = Vec::with_capacity(self.quantities.len());
        for (station, (_, state)) in self.stations.iter().zip(&observed.points) {
            let anchor = Anchor {
                lo: (self.plan.lo_hz, self.plan.lo_dbm),
                rf: (station.rf_hz, self.plan.signal_dbm),
                input: station.input,
                state: state.clone(),
            };
            debug_assert!(in_band_products(&self.plan, &anchor).len() <= station.amplitudes.len());
            out.extend(station.quantities.iter().map(|&(measure, _)| anchor.terms(mixer, measure)));
        }
        out
    }
}

impl Reference {
    fn wave(self, problem: &Problem) -> Complex64 {
        match self {
            Self::Lo => problem.drives[0].wave,
            Self::Signal => problem.drives[1].wave,
            Self::None => 1.0.into(),
        }
    }

    fn drive(self) -> Option<usize> {
        match self {
            Self::Lo => Some(0),
            Self::Signal => Some(1),
            Self::None => None,
        }
    }
}

/// Refers the row of an output to its arriving wave, which moves with its own drive.
fn refer(s: &mut Sensitivities, row: usize, reference: Reference, problem: &Problem, parameters: &[Parameter]) {
    let wave = reference.wave(problem);
    let value = s.values[row] / wave;
    s.first.row_mut(row).iter_mut().for_each(|x| *x /= wave);
    if let Some(c) = s.second.get_mut(row) {
        *c = c.scaled(1.0 / wave);
    }
    let Some(d) = parameters.iter().position(|p| matches!(p, Parameter::Drive(k) if reference.drive() == Some(*k)))
    else {
        return;
    };
    // y·exp(−p): y' − y, and twice: y'' − 2y' + y
    if let Some(c) = s.second.get_mut(row) {
        for k in 0..parameters.len() {
            let first = s.first[(row, k)];
            let own = if k == d { 2.0 * first - value } else { first };
            c[(k, d)] -= own;
            if k != d {
                c[(d, k)] -= own;
            }
        }
    }
    s.first[(row, d)] -= value;
}
