//! What passive terminations can do to a model: worst and best over every reflection a customer may present.
//!
//! Input: a model, an LO, RF frequencies, places (a connector and a mixing product) and the largest reflection there.
//! Output: the exact range of small-signal loss for each place alone, and for all sidebands together; an envelope of loss,
//! direct voltage and products under full level for all places together, checked against random terminations.
//! Method. A reflection at a sideband changes the small-signal loss by a linear-fractional map ([`crate::mobius`]): its
//! range over a disc is exact. Several sidebands: each coordinate in turn by its exact optimum until nothing moves, from
//! several starts; the largest magnitude lies on the rims because the map is analytic in each reflection. Reflections at
//! LO harmonics change the pumped state: full solutions along each phase in turn. What guided search found is then
//! compared with random terminations, re-solved in full; where one lies outside, the envelope is widened and says so.

use crate::challenge::reflection;
use crate::mobius::{Mobius, mismatch_range};
use crate::point::{IF, IMAGE, Lo, Pumped, RF, SUM, pump, two_tone};
use crate::surround::{Surrounded, Surroundings};
use crate::{HandoverError, Model};
use balance::SteadyState;
use mixer::Mixer;
use numerics::{CMatrix, Complex64, Watch, parallel};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::SeedableRng;
use spec::{Measure, PortName, Product};
use std::f64::consts::TAU;
use std::sync::Arc;

/// A line of the mixer's spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Line {
    /// The RF with so many LO frequencies added.
    Sideband(i32),
    /// A harmonic of the LO.
    LoHarmonic(u32),
}

/// Where a termination reflects.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// Name for people, for example `image at RF`.
    pub name: String,
    /// Connector.
    pub port: PortName,
    /// Line of the spectrum.
    pub line: Line,
}

impl Place {
    /// Frequency of the line, hertz, not negative.
    pub fn freq_hz(&self, lo_hz: f64, rf_hz: f64) -> f64 {
        match self.line {
            Line::Sideband(k) => (f64::from(k) * lo_hz + rf_hz).abs(),
            Line::LoHarmonic(n) => f64::from(n) * lo_hz,
        }
    }
}

/// Image, sum and IF at the connectors they reach, and the lowest LO harmonics.
pub fn usual_places() -> Vec<Place> {
    let place = |name: &str, port, line| Place { name: name.into(), port, line };
    vec![
        place("image at RF", PortName::Rf, Line::Sideband(IMAGE)),
        place("sum at RF", PortName::Rf, Line::Sideband(SUM)),
        place("sum at IF", PortName::If, Line::Sideband(SUM)),
        place("IF load at IF", PortName::If, Line::Sideband(IF)),
        place("2 LO at LO", PortName::Lo, Line::LoHarmonic(2)),
        place("2 LO at RF", PortName::Rf, Line::LoHarmonic(2)),
        place("3 LO at LO", PortName::Lo, Line::LoHarmonic(3)),
        place("3 LO at RF", PortName::Rf, Line::LoHarmonic(3)),
    ]
}

/// The question.
#[derive(Debug, Clone)]
pub struct Question {
    /// The LO.
    pub lo: Lo,
    /// RF frequencies, hertz.
    pub rf_hz: Vec<f64>,
    /// Input level, dBm.
    pub signal_dbm: f64,
    /// Temperature, kelvin.
    pub temp_k: f64,
    /// What is around the model already.
    pub around: Surroundings,
    /// Largest reflection at every place, 0…1.
    pub rho: f64,
    /// Where terminations reflect.
    pub places: Vec<Place>,
    /// Products whose level is followed.
    pub products: Vec<Product>,
    /// LO and signal orders of the full solutions.
    pub orders: (usize, usize),
    /// Random terminations with which the envelope is checked, at each RF.
    pub checks: usize,
    /// Seed of the random terminations.
    pub seed: u64,
}

/// Small-signal loss under one reflection, exactly.
#[derive(Debug, Clone, PartialEq)]
pub struct ExactRange {
    /// Number of the place; none for all sidebands together.
    pub place: Option<usize>,
    /// RF, hertz.
    pub rf_hz: f64,
    /// Loss without reflection, dB.
    pub nominal_db: f64,
    /// Least loss, dB.
    pub best_db: f64,
    /// Greatest loss, dB; infinite when the wanted product can be extinguished.
    pub worst_db: f64,
    /// Reflections that give the least loss: at the one place, or at all sideband places in order.
    pub at_best: Vec<Complex64>,
    /// Reflections that give the greatest loss.
    pub at_worst: Vec<Complex64>,
}

/// Range of one number under full level and all terminations together.
#[derive(Debug, Clone, PartialEq)]
pub struct Envelope {
    /// What it is.
    pub measure: Measure,
    /// RF, hertz.
    pub rf_hz: f64,
    /// Without reflections.
    pub nominal: f64,
    /// Lower end; minus infinity for products, which can always be extinguished.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Reflections, place by place, at which guided search found the upper end.
    pub at_high: Vec<Complex64>,
    /// Random terminations that lay outside what guided search had found; the envelope was widened around them.
    pub widened: usize,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Study {
    /// Small-signal loss, place by place, then all sidebands together, RF by RF.
    pub exact: Vec<ExactRange>,
    /// Full level.
    pub envelopes: Vec<Envelope>,
    /// Full solutions computed.
    pub solutions: usize,
    /// Random terminations compared.
    pub checked: usize,
}

/// Phases tried along one coordinate; enough for a trigonometric polynomial of second degree.
const PHASES: usize = 6;
/// Rounds over all coordinates.
const ROUNDS: usize = 3;
/// Random terminations from which the best start a guided search.
const SCOUTS: usize = 48;
/// What is added to the ends of the envelope beyond the best found, part of its span; at the shorter side of a lopsided
/// envelope twice this part of that side.
const RESERVE: f64 = 0.1;
/// Smallest addition, in the unit of the number.
const RESERVE_LEAST: f64 = 0.02;
/// Products below this level are not followed, dBc.
const FLOOR_DBC: f64 = -100.0;

/// Carries out the study.
///
/// # Errors
/// A question outside the region of the model when its maker chose to refuse, a steady state that cannot be found, or the
/// wish of `watch` to stop.
pub fn terminations(model: &Model, question: &Question, watch: &dyn Watch) -> Result<Study, HandoverError> {
    model.region.enforce(model.region.reflection_departure(question.rho).into_iter().collect())?;
    if !(question.rho > 0.0 && question.rho <= 1.0) {
        let found = format!("{}", question.rho);
        return Err(HandoverError::mismatch("a reflection above 0, up to 1", found, "the termination study"));
    }
    let mut study = Study::default();
    for found in parallel::map_watched(&question.rf_hz, watch, "exact ranges", |&rf| exact_ranges(model, question, rf))?
    {
        study.exact.extend(found);
    }
    let scouts = parallel::map_watched(&question.rf_hz, watch, "first random terminations", |&rf| {
        random(model, question, rf, question.seed.wrapping_add(1), SCOUTS)
    })?;
    study.solutions += SCOUTS * scouts.len();
    let mut jobs: Vec<(usize, Option<Measure>, bool)> = Vec::new();
    for at in 0..question.rf_hz.len() {
        for measure in measures(question) {
            jobs.push((at, Some(measure), true));
            if !matches!(measure, Measure::Spur(_)) {
                jobs.push((at, Some(measure), false));
            }
        }
        jobs.push((at, None, true)); // the random check of this RF
    }
    let done = parallel::map_watched(&jobs, watch, "full solutions", |&(at, measure, upwards)| match measure {
        Some(measure) => search(model, question, question.rf_hz[at], &scouts[at], measure, upwards).map(Job::Found),
        None => random(model, question, question.rf_hz[at], question.seed, question.checks).map(Job::Random),
    })?;
    let mut at = done.into_iter();
    for &rf in &question.rf_hz {
        let mut ends = Vec::new();
        for measure in measures(question) {
            let is_spur = matches!(measure, Measure::Spur(_));
            let high = at.next();
            let low = if is_spur { None } else { at.next() };
            let (Some(Job::Found(high)), low) = (high, low) else { unreachable!("jobs come back in order") };
            study.solutions += high.solutions;
            let low = match low {
                Some(Job::Found(low)) => {
                    study.solutions += low.solutions;
                    low.value
                }
                _ => f64::NEG_INFINITY,
            };
            ends.push((measure, low, high));
        }
        let Some(Job::Random(random)) = at.next() else { unreachable!("jobs come back in order") };
        study.solutions += random.len();
        study.checked += random.len();
        for (i, (measure, low, high)) in ends.into_iter().enumerate() {
            let values: Vec<f64> = random.iter().map(|r| r.1[i]).filter(|v| !v.is_nan()).collect();
            study.envelopes.push(envelope(measure, rf, low, high, &values));
        }
    }
    Ok(study)
}

enum Job {
    Found(Found),
    Random(Vec<Scout>),
}

/// End of a guided search.
struct Found {
    nominal: f64,
    value: f64,
    gammas: Vec<Complex64>,
    solutions: usize,
}

/// Ends of guided search with reserve, widened where random terminations lie outside.
fn envelope(measure: Measure, rf_hz: f64, low: f64, high: Found, random: &[f64]) -> Envelope {
    let (below, above) = (high.nominal - low, high.value - high.nominal);
    let below = if below.is_finite() { below } else { 0.0 };
    // a far end on one side says nothing about how far the other may move
    let reserve = |own: f64, other: f64| (RESERVE * (own + own.min(other))).max(RESERVE_LEAST);
    let (down, up) = (reserve(below, above), reserve(above, below));
    let (mut from, mut to) = (low - down, high.value + up);
    let widened = random.iter().filter(|v| **v > to || **v < from).count();
    for v in random {
        if *v > to {
            to = v + 2.0 * up;
        }
        if *v < from {
            from = v - 2.0 * down;
        }
    }
    Envelope { measure, rf_hz, nominal: high.nominal, low: from, high: to, at_high: high.gammas, widened }
}

/// Numbers followed under full level.
fn measures(question: &Question) -> Vec<Measure> {
    let mut out = vec![Measure::ConversionLoss, Measure::DcOffset];
    out.extend(question.products.iter().map(|&p| Measure::Spur(p)));
    out
}

/// The model's mixer with reflections at all places.
///
/// # Errors
/// As [`Surrounded::new`].
pub fn terminated(
    model: &Model,
    question: &Question,
    rf_hz: f64,
    gammas: &[Complex64],
) -> Result<Mixer, HandoverError> {
    let mut around = question.around.clone();
    for (place, gamma) in question.places.iter().zip(gammas) {
        if gamma.norm_sqr() > 0.0 {
            around = around.with_reflection(place.port, place.freq_hz(question.lo.hz, rf_hz), *gamma);
        }
    }
    let network = Arc::new(Surrounded::new(model.network.clone(), &around)?);
    model.mixer_with(network, question.temp_k, "as studied".into())
}

/// All followed numbers at full level under given reflections, and the state to start a neighbour from.
///
/// # Errors
/// A steady state that cannot be found.
pub fn solve_terminated(
    model: &Model,
    question: &Question,
    rf_hz: f64,
    gammas: &[Complex64],
    start: Option<&SteadyState>,
) -> Result<(Vec<f64>, SteadyState), HandoverError> {
    let mixer = terminated(model, question, rf_hz, gammas)?;
    let signal = (rf_hz, question.signal_dbm);
    let anchor = two_tone(&mixer, question.lo, &[], signal, PortName::Rf, question.orders, start)?;
    let values = measures(question)
        .into_iter()
        .map(|m| {
            let value = anchor.value(&mixer, m).unwrap_or(f64::NAN);
            if matches!(m, Measure::Spur(_)) { value.max(FLOOR_DBC) } else { value }
        })
        .collect();
    Ok((values, anchor.state))
}

/// Reflections and the numbers they give.
type Scout = (Vec<Complex64>, Vec<f64>);

/// Raises (or lowers) one number along each reflection in turn, from no reflection and from the best scout.
fn search(
    model: &Model,
    question: &Question,
    rf_hz: f64,
    scouts: &[Scout],
    measure: Measure,
    upwards: bool,
) -> Result<Found, HandoverError> {
    let index = measures(question).iter().position(|m| *m == measure).expect("the measure is one of those followed");
    let sign = if upwards { 1.0 } else { -1.0 };
    let none = vec![Complex64::default(); question.places.len()];
    let (nominal, state) = solve_terminated(model, question, rf_hz, &none, None)?;
    let mut found = Found { nominal: nominal[index], value: nominal[index], gammas: none.clone(), solutions: 1 };
    let best_scout = scouts.iter().max_by(|a, b| (sign * a.1[index]).total_cmp(&(sign * b.1[index])));
    for start in [Some(&none), best_scout.map(|s| &s.0)].into_iter().flatten() {
        let (value, gammas, solutions) = climb(model, question, rf_hz, (index, sign), start, &state)?;
        found.solutions += solutions;
        if sign * (value - found.value) > 0.0 {
            (found.value, found.gammas) = (value, gammas);
        }
    }
    Ok(found)
}

/// Coordinate by coordinate: some phases on the rim, the peak of the trigonometric polynomial through them, and half way in.
fn climb(
    model: &Model,
    question: &Question,
    rf_hz: f64,
    (index, sign): (usize, f64),
    start: &[Complex64],
    near: &SteadyState,
) -> Result<(f64, Vec<Complex64>, usize), HandoverError> {
    let (values, mut state) = solve_terminated(model, question, rf_hz, start, Some(near))?;
    let (mut best, mut gammas, mut solutions) = (values[index], start.to_vec(), 1);
    for round in 0..ROUNDS {
        let before = best;
        for place in 0..gammas.len() {
            let offset = round as f64 / ROUNDS as f64; // other phases every round
            let phases: Vec<f64> = (0..PHASES).map(|i| TAU * (i as f64 + offset) / PHASES as f64).collect();
            let mut on_rim = vec![f64::NAN; PHASES];
            let mut attempt = |gamma: Complex64| -> f64 {
                let mut trial = gammas.clone();
                trial[place] = gamma;
                solutions += 1;
                // a trial without a steady state is no termination a mixer works with
                let Ok((values, next)) = solve_terminated(model, question, rf_hz, &trial, Some(&state)) else {
                    return f64::NAN;
                };
                if sign * (values[index] - best) > 0.0 {
                    (best, gammas, state) = (values[index], trial, next);
                }
                values[index]
            };
            for (value, phase) in on_rim.iter_mut().zip(&phases) {
                *value = attempt(Complex64::from_polar(question.rho, *phase));
            }
            let peak = peak_phase(&phases, &on_rim, sign);
            attempt(Complex64::from_polar(question.rho, peak));
            attempt(Complex64::from_polar(0.5 * question.rho, peak));
        }
        if sign * (best - before) <= 0.0 && round > 0 {
            break;
        }
    }
    Ok((best, gammas, solutions))
}

/// Phase at which the trigonometric interpolation through even phases is highest (lowest for a negative sign).
fn peak_phase(phases: &[f64], values: &[f64], sign: f64) -> f64 {
    let n = phases.len() as f64;
    let order = (phases.len() - 1) / 2;
    let at = |phase: f64| -> f64 {
        let terms = |(p, v): (&f64, &f64)| {
            // the kernel of trigonometric interpolation, highest orders left out
            let kernel: f64 = (1..=order).map(|k| 2.0 * (k as f64 * (phase - p)).cos()).sum();
            v * (1.0 + kernel) / n
        };
        phases.iter().zip(values).map(terms).sum()
    };
    let grid = (0..180).map(|i| TAU * f64::from(i) / 180.0);
    grid.max_by(|a, b| (sign * at(*a)).total_cmp(&(sign * at(*b)))).unwrap_or(0.0)
}

/// Random terminations, re-solved in full: anywhere in the discs, and every second on their rims.
fn random(
    model: &Model,
    question: &Question,
    rf_hz: f64,
    seed: u64,
    count: usize,
) -> Result<Vec<Scout>, HandoverError> {
    let mut rng = Pcg64::seed_from_u64(seed ^ rf_hz.to_bits());
    let none = vec![Complex64::default(); question.places.len()];
    let (_, start) = solve_terminated(model, question, rf_hz, &none, None)?;
    (0..count)
        .map(|k| {
            let draw = |rng: &mut Pcg64| {
                let g = reflection(rng, question.rho);
                if k % 2 == 1 { g * (question.rho / g.norm().max(1e-12)) } else { g }
            };
            let gammas: Vec<Complex64> = none.iter().map(|_| draw(&mut rng)).collect();
            let values = solve_terminated(model, question, rf_hz, &gammas, Some(&start))?.0;
            Ok((gammas, values))
        })
        .collect()
}

/// Waves between RF, IF and the sideband places of the pumped model: row and column 0 the RF, 1 the IF, then the places.
pub struct Sidebands {
    /// Scattering between them.
    pub s: CMatrix,
    /// Numbers of the places among all places.
    pub places: Vec<usize>,
    /// Whether the sideband of a place lies at a negative frequency, where its reflection acts conjugate.
    pub mirrored: Vec<bool>,
}

/// Small-signal waves between RF, IF and all sideband places of a pumped mixer.
///
/// # Errors
/// A conversion that cannot be solved.
pub fn sidebands(
    mixer: &Mixer,
    pumped: &Pumped,
    lo_hz: f64,
    rf_hz: f64,
    places: &[Place],
) -> Result<Sidebands, HandoverError> {
    let ports = mixer.ports;
    let mut lines = vec![(ports.rf, RF), (ports.if_, IF)];
    let (mut numbers, mut mirrored) = (Vec::new(), Vec::new());
    for (i, place) in places.iter().enumerate() {
        let Line::Sideband(k) = place.line else { continue };
        let line = (ports.index(place.port), k);
        // the wanted line itself is a load, not a further termination
        if lines[..2].contains(&line) {
            continue;
        }
        lines.push(line);
        numbers.push(i);
        mirrored.push(f64::from(k) * lo_hz + rf_hz < 0.0);
    }
    let waves = pumped.state.conversion(rf_hz)?.scattered(&lines)?;
    let s = CMatrix::from_fn(lines.len(), lines.len(), |to, from| waves[from].at(lines[to].0, lines[to].1));
    Ok(Sidebands { s, places: numbers, mirrored })
}

impl Sidebands {
    /// The wanted wave as a map of the reflection at one place (counted among the sideband places), all others closed
    /// with `gammas`; reflections are those at the signed frequency.
    ///
    /// # Errors
    /// Terminations that resonate with the mixer without loss.
    pub fn map(&self, place: usize, gammas: &[Complex64]) -> Result<Mobius, HandoverError> {
        let mut s = self.s.clone();
        for other in (0..self.places.len()).rev().filter(|&o| o != place) {
            s = network::connect::close_port(&s, 2 + other, gammas[other])?;
        }
        Ok(Mobius { through: s[(1, 0)], detour: s[(1, 2)] * s[(2, 0)], loop_gain: s[(2, 2)] })
    }

    /// Least or greatest loss over all sideband reflections together: magnitude of the wanted wave and the reflections.
    fn together(&self, rho: f64, greatest: bool) -> Result<(f64, Vec<Complex64>), HandoverError> {
        let n = self.places.len();
        let mut best: Option<(f64, Vec<Complex64>)> = None;
        for start in 0..STARTS {
            let turn =
                |i: usize| Complex64::from_polar(rho, TAU * ((start * (2 * i + 1)) % STARTS) as f64 / STARTS as f64);
            let mut gammas: Vec<Complex64> = (0..n).map(turn).collect();
            let mut value = f64::NAN;
            for _ in 0..SWEEPS_MAX {
                let before = value;
                for i in 0..n {
                    let Some(e) = self.map(i, &gammas)?.extremes(rho) else { continue };
                    (value, gammas[i]) = if greatest { (e.least, e.at_least) } else { (e.most, e.at_most) };
                }
                if (value - before).abs() <= 1e-12 * value.abs() {
                    break;
                }
            }
            let better = best.as_ref().is_none_or(|b| if greatest { value < b.0 } else { value > b.0 });
            if better {
                best = Some((value, gammas));
            }
        }
        Ok(best.unwrap_or((self.s[(1, 0)].norm(), Vec::new())))
    }

    /// Reflections at the frequencies themselves from those at signed frequencies.
    fn unmirrored(&self, gammas: &[Complex64]) -> Vec<Complex64> {
        gammas.iter().zip(&self.mirrored).map(|(g, m)| if *m { g.conj() } else { *g }).collect()
    }
}

/// Starts of the search over several sidebands.
const STARTS: usize = 12;
/// Sweeps over all coordinates; each is an exact optimum, so few are needed.
const SWEEPS_MAX: usize = 60;

fn loss_db(magnitude: f64) -> f64 {
    -20.0 * magnitude.log10()
}

fn exact_ranges(model: &Model, question: &Question, rf_hz: f64) -> Result<Vec<ExactRange>, HandoverError> {
    let none = vec![Complex64::default(); question.places.len()];
    let mixer = terminated(model, question, rf_hz, &none)?;
    let pumped = pump(&mixer, question.lo, &[], question.orders.0.max(16), None)?;
    let waves = sidebands(&mixer, &pumped, question.lo.hz, rf_hz, &question.places)?;
    let nominal_db = loss_db(waves.s[(1, 0)].norm());
    let open = vec![Complex64::default(); waves.places.len()];
    let mut out = Vec::new();
    for (i, &place) in waves.places.iter().enumerate() {
        let Some(e) = waves.map(i, &open)?.extremes(question.rho) else { continue };
        let plain = |g: Complex64| vec![if waves.mirrored[i] { g.conj() } else { g }];
        out.push(ExactRange {
            place: Some(place),
            rf_hz,
            nominal_db,
            best_db: loss_db(e.most),
            worst_db: loss_db(e.least),
            at_best: plain(e.at_most),
            at_worst: plain(e.at_least),
        });
    }
    if let Some(place) = question.places.iter().position(|p| p.port == PortName::If && p.line == Line::Sideband(IF)) {
        let own = waves.s[(1, 1)];
        let (worst, best) = mismatch_range(own, question.rho);
        // the IF sideband lies at a negative frequency when the RF is below the LO: conjugate as the others
        let mirrored = rf_hz < question.lo.hz;
        let own = if mirrored { own.conj() } else { own };
        let direction = if own.norm() > 0.0 { own.conj() / own.norm() } else { Complex64::from(1.0) };
        out.push(ExactRange {
            place: Some(place),
            rf_hz,
            nominal_db,
            best_db: nominal_db - 10.0 * best.log10(),
            worst_db: nominal_db - 10.0 * worst.log10(),
            at_best: vec![direction * question.rho.min(own.norm())],
            at_worst: vec![-direction * question.rho],
        });
    }
    if waves.places.len() > 1 {
        let (most, at_best) = waves.together(question.rho, false)?;
        let (least, at_worst) = waves.together(question.rho, true)?;
        out.push(ExactRange {
            place: None,
            rf_hz,
            nominal_db,
            best_db: loss_db(most),
            worst_db: loss_db(least),
            at_best: waves.unmirrored(&at_best),
            at_worst: waves.unmirrored(&at_worst),
        });
    }
    Ok(out)
}
