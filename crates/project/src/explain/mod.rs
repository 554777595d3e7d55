//! Which causes explain measured lots? The question asked with the design's own process and full solutions.
//!
//! Input: a design with `[[process]]` tables, bench records, what was observed beside the bench, what paper states.
//! Output: one [`LotExplained`] a lot and a page of all.
//! The prediction's own error is taken from a seal where one is given, else from what such numbers usually carry
//! (`usual_error`). Only the numbers measured under the conditions of the design's review points are used.

mod harmonic;
mod page;

pub use page::{csv, json, page, summary};

use crate::design::{Design, Direction};
use crate::error::ProjectError;
use crate::lot::read_session;
use crate::process::DesignProcess;
use ::ledger::Seal;
use causes::catalogue::Setting;
use causes::cause::{Cause, Hypothesis, Kind, Prior, Scope};
use causes::device::{ExpandedDevice, SolvedDevice};
use causes::observation::Share;
use causes::{Candidate, Case, Datum, Device, Explanation, Extra, Formula, Point, Record, Settings};
use harmonic::{HARMONIC, Harmonic, WithHarmonic};
use measurement::compare::{LikeSettings, differences};
use measurement::{Measured, Session, State, Uncertainty};
use numerics::Watch;
use spec::{Bound, Measure, PortName, Product};
use std::path::PathBuf;
use tolerance::{Expansion, Process};

/// Loss of package and launch that designs leave out, dB: mean and standard deviation over earlier designs of the
/// demonstration (invented).
const PACKAGE: Prior = Prior { mean: 0.35, sd: 0.15 };

/// Error of a predicted product that differs from unit to unit, dB, one standard deviation: products are strongly curved
/// in everything that scatters, and what truncation leaves of them moves with it (common practice, no source).
const PRODUCT_OF_A_UNIT: f64 = 1.5;

/// Amplitude, dBc, that is left of large terms when a product nearly vanishes: a sum that cancels deeper is predicted in
/// size, not in depth (common practice, no source).
const REMAINDER_DBC: f64 = -80.0;

/// Standard deviation that the remainder gives a product of a predicted level, dB.
fn remainder_db(predicted_dbc: f64) -> f64 {
    20.0 * std::f64::consts::LOG10_E * 10f64.powf((REMAINDER_DBC - predicted_dbc) / 20.0)
}

/// A value observed beside the bench: the name of an observation and what was seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Observed {
    /// Name of one of the observations (`coupon.film1`).
    pub name: String,
    /// The value, in the unit of the observation.
    pub value: f64,
}

/// A value stated on paper.
#[derive(Debug, Clone, PartialEq)]
pub struct Stated {
    /// Name of a process variable.
    pub name: String,
    /// Deviation from nominal, in the unit of the variable.
    pub value: f64,
    /// Standard uncertainty of the statement.
    pub sd: f64,
}

/// What is asked.
#[derive(Debug, Clone, Default)]
pub struct Question {
    /// Bench records.
    pub sessions: Vec<PathBuf>,
    /// Seal whose bands tell the prediction's own error.
    pub seal: Option<Seal>,
    /// What was observed beside the bench.
    pub observed: Vec<Observed>,
    /// What paper states: believed by every story but the one that suspects the same variable.
    pub stated: Vec<Stated>,
}

/// A statement against what the measurements say.
#[derive(Debug, Clone, PartialEq)]
pub struct StatementChecked {
    /// The statement.
    pub stated: Stated,
    /// Unit.
    pub unit: String,
    /// What the measurements say, averaged over the units.
    pub found: f64,
    /// Its standard deviation.
    pub sd: f64,
    /// Distance in standard deviations of the difference.
    pub z: f64,
}

/// One lot explained.
pub struct LotExplained {
    /// Name of the lot.
    pub lot: String,
    /// Names of its units.
    pub units: Vec<String>,
    /// Names of its sessions.
    pub sessions: Vec<String>,
    /// The numbers of the device.
    pub points: Vec<Point>,
    /// What was used.
    pub records: Vec<Record>,
    /// Observations that could be made.
    pub candidates: Vec<Candidate>,
    /// The explanation.
    pub explanation: Explanation,
    /// Its figures.
    pub figures: Vec<spec::Figure>,
    /// Statements checked.
    pub statements: Vec<StatementChecked>,
    /// Numbers measured that the design's review points do not cover, and the reasons.
    pub unused: (usize, Vec<String>),
}

/// Everything that came out.
pub struct Explained {
    /// Name of the design.
    pub design: String,
    /// Conditions of the prediction.
    pub nominal: spec::Conditions,
    /// Lots in the order first met.
    pub lots: Vec<LotExplained>,
    /// Remarks.
    pub findings: Vec<quantity::Finding>,
}

/// Explains the lots in `question` with the process of `design`.
///
/// # Errors
/// Bench records or a design that cannot be used, no number that the design predicts, no solution, cancelled.
pub fn explain(design: &Design, question: &Question, watch: &dyn Watch) -> Result<Explained, ProjectError> {
    let (sessions, measured) = read_all(&question.sessions)?;
    explain_measured(design, question, &sessions, &measured, watch)
}

/// The same from bench records in memory; those named in `question` are not read.
///
/// # Errors
/// As [`explain`].
pub fn explain_measured(
    design: &Design,
    question: &Question,
    sessions: &[Session],
    measured: &[Measured],
    watch: &dyn Watch,
) -> Result<Explained, ProjectError> {
    Explainer::new(design, measured, watch)?.explain(question, sessions, measured, watch)
}

/// A design solved and expanded once at the points of a bench, to be asked about as many lots as there are.
pub struct Explainer {
    design: Design,
    process: DesignProcess,
    expansion: Expansion,
    harmonic: Harmonic,
}

impl Explainer {
    /// Solves the design where `measured` were taken, and expands it in its process variables.
    ///
    /// # Errors
    /// A design without process, no solution, cancelled.
    pub fn new(design: &Design, measured: &[Measured], watch: &dyn Watch) -> Result<Self, ProjectError> {
        let design = narrowed(design, measured);
        let process = DesignProcess::with_products(&design, &products(measured), watch)?;
        let expansion = process.expand(&vec![0.0; process.variables().len()])?;
        let points = SolvedDevice::new(&process, &expansion).points();
        let harmonic = Harmonic::of(&process.mixer_at(&expansion.at)?, &design, &points, watch)?;
        Ok(Self { design, process, expansion, harmonic })
    }

    /// Explains every lot among `measured`.
    ///
    /// # Errors
    /// No number that the design predicts, names of observations or variables that do not exist, cancelled.
    pub fn explain(
        &self,
        question: &Question,
        sessions: &[Session],
        measured: &[Measured],
        watch: &dyn Watch,
    ) -> Result<Explained, ProjectError> {
        let full = SolvedDevice::new(&self.process, &self.expansion);
        let cheap = ExpandedDevice::new(&self.process, &self.expansion);
        let [full, cheap] = [&full as &dyn Device, &cheap].map(|d| WithHarmonic::new(d, &self.harmonic));
        let mut findings = Vec::new();
        if let Some(seal) = &question.seal {
            findings.extend(changed_since(seal, &self.design)?);
        } else {
            let text = "no seal given: the prediction's own error is taken as usual for such numbers";
            findings.push(quantity::Finding::note("prediction", text));
        }
        question.stated.iter().try_for_each(|s| variable(&self.process, &s.name).map(|_| ()))?;
        let mut lots: Vec<&str> = Vec::new();
        for m in measured {
            if !lots.contains(&m.lot.as_str()) {
                lots.push(&m.lot);
            }
        }
        let mut out = Vec::new();
        for lot in lots {
            let own: Vec<&Measured> = measured.iter().filter(|m| m.lot == lot).collect();
            let used = Used::of(lot, &own, sessions, &self.process)?;
            out.push(explain_lot(&self.design, question, &self.process, &used, [&full, &cheap], watch)?);
        }
        let nominal = self.process.quantities().first().map(|q| q.conditions.clone()).unwrap_or_default();
        let nominal = spec::Conditions { rf_hz: None, if_hz: None, sideband: None, ..nominal };
        Ok(Explained { design: self.design.name.clone(), nominal, lots: out, findings })
    }
}

fn read_all(paths: &[PathBuf]) -> Result<(Vec<Session>, Vec<Measured>), ProjectError> {
    let (mut sessions, mut measured): (Vec<Session>, Vec<Measured>) = (Vec::new(), Vec::new());
    for path in paths {
        let (session, values) = read_session(path)?;
        if sessions.iter().any(|s| s.name == session.name) {
            let found = format!("`{}` twice", session.name);
            let expected = "sessions of different names".into();
            return Err(ProjectError::Table { file: path.display().to_string(), line: 1, expected, found });
        }
        sessions.push(session);
        measured.extend(values);
    }
    Ok((sessions, measured))
}

/// The design at the fewest review points that hold all frequencies at which products or direct voltages were measured,
/// for the directions that were measured: every full solution costs as many balances as there are points.
pub fn narrowed(design: &Design, measured: &[Measured]) -> Design {
    let mut design = design.clone();
    let up = |m: &Measured| matches!(m.measure, Measure::ConversionLossUp | Measure::SpurUp(_));
    if !measured.iter().any(up) && design.plan.seats.iter().any(|s| s.direction == Direction::Down) {
        design.plan.seats.retain(|s| s.direction == Direction::Down);
    }
    let key = |m: &&Measured| matches!(m.measure, Measure::Spur(_) | Measure::SpurUp(_) | Measure::DcOffset);
    let mut wanted: Vec<f64> = measured.iter().filter(key).filter_map(|m| m.conditions.rf_hz).collect();
    wanted.sort_by(f64::total_cmp);
    wanted.dedup();
    let Some((_, plan)) = design.plans().into_iter().next() else { return design };
    let holds = |n: usize| {
        let grid = plan.rf_grid(n);
        let near = |a: f64, b: f64| (a - b).abs() <= 1e-6 * b;
        wanted.iter().all(|&f| grid.iter().any(|&g| near(f, g)))
    };
    if let (false, Some(n)) = (wanted.is_empty(), (2..=61).find(|&n| holds(n))) {
        design.settings.anchors = n;
    }
    design
}

/// Every product that was measured, once.
pub fn products(measured: &[Measured]) -> Vec<Product> {
    let mut all: Vec<Product> = measured
        .iter()
        .filter_map(|m| match m.measure.canonical() {
            Measure::Spur(p) | Measure::SpurUp(p) => Some(p),
            _ => None,
        })
        .collect();
    all.sort();
    all.dedup();
    all
}

fn changed_since(seal: &Seal, design: &Design) -> Result<Vec<quantity::Finding>, ProjectError> {
    let changed = seal.changed_inputs(&crate::seal::inputs(design)?);
    let text = |name: String| format!("{name} differs from what was sealed: causes are sought from the present state");
    Ok(changed.into_iter().map(|name| quantity::Finding::warning("seal", text(name))).collect())
}

/// The measured numbers of a lot that the process predicts.
struct Used {
    lot: String,
    units: Vec<String>,
    sessions: Vec<Session>,
    records: Vec<Record>,
    unused: (usize, Vec<String>),
}

impl Used {
    fn of(lot: &str, measured: &[&Measured], all: &[Session], process: &DesignProcess) -> Result<Self, ProjectError> {
        let predicted = process.measures(&process.nominal_answers());
        let mut used = Self { lot: lot.into(), units: vec![], sessions: vec![], records: vec![], unused: (0, vec![]) };
        let like = LikeSettings::default();
        for m in measured {
            let reasons = |q: &tolerance::Quantity| differences(m.measure, &m.conditions, &q.conditions, &like);
            let same =
                process.quantities().iter().enumerate().filter(|(_, q)| q.measure.canonical() == m.measure.canonical());
            let nearest = same.map(|(i, q)| (i, reasons(q))).min_by_key(|(_, why)| why.len());
            match nearest {
                Some((point, why)) if why.is_empty() => used.push(m, point, predicted[point], all),
                other => used.leave(m, other.map(|(_, why)| why).unwrap_or_default()),
            }
        }
        if used.records.is_empty() {
            let expected = format!("numbers of lot {lot} measured at the review points of the design");
            return Err(ProjectError::Table {
                file: format!("lot {lot}"),
                line: 1,
                expected,
                found: used.unused.1.join("; "),
            });
        }
        Ok(used)
    }

    fn push(&mut self, m: &Measured, point: usize, predicted: f64, all: &[Session]) {
        let unit = position(&mut self.units, &m.unit);
        let mut names: Vec<String> = self.sessions.iter().map(|s| s.name.clone()).collect();
        let session = position(&mut names, &m.session);
        if names.len() > self.sessions.len() {
            self.sessions.extend(all.iter().find(|s| s.name == m.session).cloned());
        }
        let u = match m.measure {
            Measure::Spur(_) | Measure::SpurUp(_) => m.u.hypot(PRODUCT_OF_A_UNIT).hypot(remainder_db(predicted)),
            _ => m.u,
        };
        let datum = match m.state {
            State::Seen | State::Corrected => Datum::value(m.value, u),
            State::Censored(Bound::AtMost(x)) => Datum::at_most(x, u),
            State::Censored(Bound::AtLeast(x)) => Datum::at_least(x, u),
        };
        self.records.push(Record { unit, session, point, datum });
    }

    fn leave(&mut self, m: &Measured, why: Vec<String>) {
        self.unused.0 += 1;
        let why = if why.is_empty() { vec![format!("{} is not among the quantities", m.measure.label())] } else { why };
        for line in why {
            if self.unused.1.len() < 5 && !self.unused.1.contains(&line) {
                self.unused.1.push(line);
            }
        }
    }
}

fn position(names: &mut Vec<String>, name: &str) -> usize {
    names.iter().position(|n| n == name).unwrap_or_else(|| {
        names.push(name.into());
        names.len() - 1
    })
}

fn explain_lot(
    design: &Design,
    question: &Question,
    process: &DesignProcess,
    used: &Used,
    [full, cheap]: [&dyn Device; 2],
    watch: &dyn Watch,
) -> Result<LotExplained, ProjectError> {
    let points = full.points();
    let measured: Vec<usize> = (0..points.len()).filter(|&p| used.records.iter().any(|r| r.point == p)).collect();
    let own: Vec<Point> = measured.iter().map(|&p| points[p]).collect();
    let predicted = full.evaluate(&vec![0.0; full.variables().len()])?.values;
    let prediction_sd: Vec<f64> =
        measured.iter().map(|&p| prediction_error(question.seal.as_ref(), process, p, predicted[p])).collect();
    let models: Vec<String> = design.models.iter().map(|m| m.name.clone()).collect();
    let pads: Vec<(PortName, f64)> = used.sessions.iter().flat_map(|s| &s.pads).map(|p| (p.port, p.loss_db)).collect();
    let upper = own.iter().filter_map(|p| p.signal_hz).fold(0.0, f64::max);
    let setting = Setting {
        variables: process.variables(),
        diodes: process.diode_names(),
        models: &models,
        measured: &own,
        prediction_sd: &prediction_sd,
        package: Some((PortName::If, PACKAGE)),
        pads: &once(pads),
        units: &used.units,
        reference_hz: upper,
    };
    let candidates = candidates(design, process, &points, used);
    let mut stories = setting.stories();
    stories.extend(harmonic_story(&used.sessions));
    let case = Case {
        full,
        cheap: Some(cheap),
        declared: setting.declared(),
        stories,
        records: used.records.clone(),
        extras: extras(&question.observed, &candidates)?,
        stated: question.stated.iter().map(|s| (s.name.clone(), s.value, s.sd)).collect(),
        candidates: candidates.clone(),
        units: used.units.clone(),
        sessions: used.sessions.iter().map(|s| s.name.clone()).collect(),
        settings: Settings::default(),
    };
    let explanation = causes::explain(&case, watch)?;
    let statements = question.stated.iter().map(|s| check_statement(s, process, &explanation, used.units.len()));
    let statements = statements.collect::<Result<Vec<_>, _>>()?;
    Ok(LotExplained {
        lot: used.lot.clone(),
        units: case.units.clone(),
        sessions: case.sessions.clone(),
        points,
        records: used.records.clone(),
        figures: causes::words::figures(&case, &explanation),
        candidates,
        explanation,
        statements,
        unused: used.unused.clone(),
    })
}

fn once(pads: Vec<(PortName, f64)>) -> Vec<(PortName, f64)> {
    let mut out: Vec<(PortName, f64)> = Vec::new();
    for pad in pads {
        if !out.iter().any(|p| p.0 == pad.0) {
            out.push(pad);
        }
    }
    out
}

/// The LO harmonic that the bench record speaks of, with any phase, as a story of its own.
fn harmonic_story(sessions: &[Session]) -> Option<Hypothesis> {
    let worst = sessions.iter().filter_map(|s| s.lo_second_harmonic_dbc).max_by(f64::total_cmp)?;
    // in each of the two parts, per cent of the LO wave
    let sd = 100.0 * 10f64.powf(worst / 20.0) / std::f64::consts::SQRT_2;
    let part = |name: &str| Cause::variable(name, "%", Kind::Bench, Scope::Session, Prior::around_zero(sd));
    let words = format!("second harmonic of the LO source ({worst:.0} dBc, any phase)").replace('-', "−");
    Some(Hypothesis::suspecting("lo_second_harmonic", &words, 0.02, HARMONIC.map(part).to_vec()))
}

/// Standard deviation of the prediction's own error at a quantity of the process: the numerical band of the seal, and
/// what the sealed number differs from `predicted`, which is solved at one truncation for all units.
///
/// The learned model error is not taken: its residuals hold the deviations of earlier lots, which are what is sought
/// here; what it says of the mean, package and launch, is a cause of its own.
fn prediction_error(seal: Option<&Seal>, process: &DesignProcess, quantity: usize, predicted: f64) -> f64 {
    let q = &process.quantities()[quantity];
    let sealed = seal.and_then(|s| {
        let like = LikeSettings::default();
        s.readings().into_iter().find(|r| {
            r.measure.canonical() == q.measure.canonical()
                && differences(q.measure, &q.conditions, &r.conditions, &like).is_empty()
        })
    });
    let usual = usual_error(q.measure, predicted);
    let Some(reading) = sealed else { return usual };
    let band = reading.quality.known_within().unwrap_or(usual);
    let least = if Uncertainty::group(q.measure) == "product" { usual } else { LEAST * usual };
    (band / 3f64.sqrt()).hypot(reading.value - predicted).max(least)
}

/// No prediction but that of a product, whose truncation is its smallest error, is worse than its seal says; none is
/// better than this share of the usual error.
const LEAST: f64 = 0.2;

/// What the error of such a prediction usually comes to, one standard deviation: numerical for the large numbers (common
/// practice, no source); for products what the earlier designs of the demonstration show (invented, see its ledger).
fn usual_error(measure: Measure, predicted: f64) -> f64 {
    match (Uncertainty::group(measure), measure) {
        ("product", Measure::Spur(p) | Measure::SpurUp(p)) if p.m_rf % 2 == 0 && p.n_lo % 2 == 0 => 4.4,
        ("product", _) if predicted > -60.0 => 1.5,
        ("product", _) if predicted > -80.0 => 1.9,
        ("product", _) => 2.8,
        ("loss", _) => 0.05,
        ("return_loss", _) => 0.10,
        ("direct", _) => 0.03,
        _ => 0.2,
    }
}

/// Film capacitor coupon: 200 um by 200 um between two metals, plate formula without fringe.
const COUPON_SIDE_M: f64 = 200e-6;
/// Standard uncertainty of its capacitance, relative.
const COUPON_U: f64 = 0.01;
/// Vacuum permittivity, F/m.
const EPSILON_0: f64 = 8.854_187_812_8e-12;

/// What could be observed next. Costs and uncertainties are common practice, no source.
fn candidates(design: &Design, process: &DesignProcess, points: &[Point], used: &Used) -> Vec<Candidate> {
    let mut out = Vec::new();
    let one = |cause: &str| Formula::Sum { nominal: 0.0, terms: vec![(cause.into(), 1.0)] };
    for v in process.variables() {
        let (owner, key) = v.name.rsplit_once('.').unwrap_or((&v.name, ""));
        let nominal = design.value(&v.name).ok();
        match key {
            "thickness" => {
                let sd = if v.unit == "%" { 1.0 } else { 0.01 * nominal.unwrap_or(0.0) * 1e6 };
                out.extend(coupon(design, process, owner));
                let words = format!("cut one unit and measure {owner} in section");
                let name = format!("section.{owner}");
                out.push(Candidate {
                    name,
                    words,
                    unit: v.unit.clone(),
                    hours: 8.0,
                    days: 5.0,
                    shows: vec![(one(&v.name), sd)],
                });
            }
            "width_bias" | "width" => {
                let sd = if v.unit == "um" { 0.3 } else { v.total_sd() / 3.0 };
                let words = format!("measure the strip width of {owner} under the microscope");
                let name = format!("width.{owner}");
                out.push(Candidate {
                    name,
                    words,
                    unit: v.unit.clone(),
                    hours: 1.0,
                    days: 0.5,
                    shows: vec![(one(&v.name), sd)],
                });
            }
            _ => {}
        }
    }
    let diodes: Vec<(Formula, f64)> = process
        .diode_names()
        .iter()
        .filter_map(|d| process.variable(&format!("{d}.IS")))
        .map(|k| &process.variables()[k])
        .map(|v| (one(&v.name), if v.unit == "mV" { 1.0 } else { v.total_sd() / 3.0 }))
        .collect();
    if !diodes.is_empty() {
        let words = "measure forward voltages of the four diodes at 1 mA, probing inside one unit".into();
        out.push(Candidate {
            name: "diodes.forward".into(),
            words,
            unit: "mV".into(),
            hours: 3.0,
            days: 1.0,
            shows: diodes,
        });
    }
    let loss = |p: &Point| matches!(p.measure, Measure::ConversionLoss | Measure::ConversionLossUp);
    let repeated: Vec<(Formula, f64)> = (0..points.len())
        .filter(|&p| loss(&points[p]))
        .filter_map(|p| Some((Formula::Repeat { point: p }, used.records.iter().find(|r| r.point == p)?.datum.sd)))
        .collect();
    if !repeated.is_empty() {
        let words = "measure the conversion loss of all units again with another cable and its own loss table".into();
        out.push(Candidate {
            name: "bench.other_cable".into(),
            words,
            unit: "dB".into(),
            hours: 1.0,
            days: 0.5,
            shows: repeated,
        });
    }
    out
}

/// A plate capacitor through one film.
fn coupon(design: &Design, process: &DesignProcess, film: &str) -> Option<Candidate> {
    let thickness = design.value(&format!("{film}.thickness")).ok()?;
    let permittivity = design.value(&format!("{film}.permittivity")).ok()?;
    let material = design.technology.as_ref()?.stackup.layers.iter().find(|l| l.name == film)?.material.clone();
    let term = |key: &str, nominal: f64, power: f64| {
        // a permittivity belongs to the layer or to its material
        let names = [format!("{film}.{key}"), format!("{material}.{key}")];
        let v = &process.variables()[names.iter().find_map(|n| process.variable(n))?];
        let unit_si = match v.unit.as_str() {
            "%" => 0.01 * nominal,
            "um" => 1e-6,
            "nm" => 1e-9,
            _ => 1.0,
        };
        Some(Share { cause: v.name.clone(), per_unit: unit_si / nominal, power })
    };
    let terms = [term("thickness", thickness, -1.0), term("permittivity", permittivity, 1.0)];
    let nominal = 1e15 * EPSILON_0 * permittivity * COUPON_SIDE_M * COUPON_SIDE_M / thickness;
    let formula = Formula::Powers { nominal, terms: terms.into_iter().flatten().collect() };
    Some(Candidate {
        name: format!("coupon.{film}"),
        words: format!("measure the film capacitor coupon of {film} (200 um square, {nominal:.1} fF nominal)"),
        unit: "fF".into(),
        hours: 0.5,
        days: 0.5,
        shows: vec![(formula, COUPON_U * nominal)],
    })
}

fn extras(observed: &[Observed], candidates: &[Candidate]) -> Result<Vec<Extra>, ProjectError> {
    let single = |c: &&Candidate| c.shows.len() == 1;
    observed
        .iter()
        .map(|o| match candidates.iter().filter(single).find(|c| c.name == o.name) {
            Some(c) => {
                let (formula, sd) = &c.shows[0];
                Ok(Extra { name: c.name.clone(), formula: formula.clone(), datum: Datum::value(o.value, *sd) })
            }
            None => {
                let known: Vec<&str> = candidates.iter().filter(single).map(|c| c.name.as_str()).collect();
                Err(ProjectError::Number {
                    name: o.name.clone(),
                    why: format!("no observation of this name; known: {}", known.join(", ")),
                })
            }
        })
        .collect()
}

/// The process variable of a name.
fn variable<'a>(process: &'a DesignProcess, name: &str) -> Result<&'a tolerance::Variable, ProjectError> {
    process.variable(name).map(|k| &process.variables()[k]).ok_or_else(|| {
        let known: Vec<&str> = process.variables().iter().map(|v| v.name.as_str()).collect();
        let why = format!("no process variable of this name; known: {}", known.join(", "));
        ProjectError::Number { name: name.into(), why }
    })
}

/// Compares a statement with what the measurements say without it.
fn check_statement(
    stated: &Stated,
    process: &DesignProcess,
    e: &Explanation,
    n_units: usize,
) -> Result<StatementChecked, ProjectError> {
    let v = variable(process, &stated.name)?;
    // the story that does not believe the paper
    let frees = |r: &&causes::Ranked| r.hypothesis.suspects.len() == 1 && r.hypothesis.suspects(&stated.name);
    let best = e.ranked.iter().find(frees).unwrap_or_else(|| causes::words::best(e));
    let weights: Vec<f64> = best
        .unknowns
        .iter()
        .map(|u| match &best.causes[u.cause] {
            c if c.name != stated.name => 0.0,
            c if c.scope == Scope::Unit => 1.0 / n_units as f64,
            _ => 1.0,
        })
        .collect();
    let found: f64 = weights.iter().zip(&best.posterior.mean).map(|(w, x)| w * x).sum();
    let sd = best.posterior.sd_of(&weights);
    let z = (stated.value - found) / sd.hypot(stated.sd);
    Ok(StatementChecked { stated: stated.clone(), unit: v.unit.clone(), found, sd, z })
}
