//! From records to an explanation: every story weighed, the best ones by full re-solution, then what follows.
//!
//! 1. Every story is fitted, on a cheap device where one is given.
//! 2. The declared story and those that can still win are fitted again with what full solutions of every unit, where
//!    the fit ended, differ by from the cheap device; twice, so that the end of the fit is a full solution.
//! 3. Evidence times odds ranks them.
//! 4. Three alarms are asked about the story that nothing is wrong: does the prior prediction cover the data, does any
//!    declared cause stray, does another story stand far above it.
//! 5. Without an alarm the units are in order; otherwise the best story is the finding, unless another one explains
//!    the data about as well, or none does.

use crate::attribution::{Attribution, attribute};
use crate::cause::{Cause, Hypothesis, Kind, Scope};
use crate::fingerprint::{Fingerprints, Pair, fingerprints};
use crate::lot::{Lot, Record, Remembered, Unknown};
use crate::next::{Weighed, choose, distance, forecast};
use crate::posterior::{Goodness, log_sum, posterior, posterior_from};
use crate::{Candidate, CausesError, Device, Extra, Model, Point, Posterior, Settings};
use numerics::{RMatrix, Watch};
use statrs::distribution::{ContinuousCDF, Normal};

/// All that is known about a lot.
pub struct Case<'a> {
    /// The device by full solutions.
    pub full: &'a dyn Device,
    /// A cheap stand-in to weigh stories with; none to use the full device for all.
    pub cheap: Option<&'a dyn Device>,
    /// The declared causes.
    pub declared: Vec<Cause>,
    /// The stories; that nothing is wrong must be the first.
    pub stories: Vec<Hypothesis>,
    /// What was measured.
    pub records: Vec<Record>,
    /// What was observed beside the bench.
    pub extras: Vec<Extra>,
    /// What paper states of the lot: variable, deviation, standard uncertainty. It narrows the declared spread in every
    /// story but the one that suspects this variable.
    pub stated: Vec<(String, f64, f64)>,
    /// What could be observed next.
    pub candidates: Vec<Candidate>,
    /// Names of the units.
    pub units: Vec<String>,
    /// Names of the bench sessions.
    pub sessions: Vec<String>,
    /// How to search.
    pub settings: Settings,
}

/// Prior predictions that fit worse than this raise an alarm.
const PREDICTIVE_P: f64 = 0.01;
/// Probability, over all causes together, of a declared cause straying as far by chance, below which an alarm is raised.
const CONFLICT_P: f64 = 0.01;
/// An alarm when the story that nothing is wrong keeps less than this probability.
const DECLARED_P: f64 = 0.05;
/// Stories whose evidence times odds lie within this factor of the best cannot be told from it: ln 20.
const RIVAL_LOG: f64 = 3.0;
/// A story whose residuals fit worse than this explains nothing.
const FIT_P: f64 = 0.001;
/// Suspicions within this of the best stand on full solutions in the end, natural logarithm.
const REFINE_LOG: f64 = 8.0;
/// At most this many of them: the four positions of a ring.
const REFINE_BEST: usize = 4;
/// At most this many stories are fitted again, the declared one included.
const REFINE_MOST: usize = 7;
/// Corrections by full solutions, a story.
const CORRECTIONS: usize = 2;
/// A correction that moves no cause by more than this share of its standard deviation is the last.
const STANDS_STILL: f64 = 0.2;

/// A suspected cause as found, averaged over the units.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Name of the cause.
    pub name: String,
    /// Unit of the values.
    pub unit: String,
    /// Most probable value.
    pub mean: f64,
    /// Posterior standard deviation.
    pub sd: f64,
    /// The same under the declared spread only: distance from the prior over its standard deviation; none when the cause
    /// is not declared.
    pub declared_z: Option<f64>,
}

impl Found {
    /// Interval of a coverage.
    pub fn interval(&self, coverage: f64) -> (f64, f64) {
        let half = self.sd * Normal::standard().inverse_cdf(0.5 + 0.5 * coverage);
        (self.mean - half, self.mean + half)
    }
}

/// A story weighed.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranked {
    /// The story.
    pub hypothesis: Hypothesis,
    /// Natural logarithm of the evidence.
    pub log_evidence: f64,
    /// Probability among the stories asked, odds included.
    pub probability: f64,
    /// What it makes of the data.
    pub posterior: Posterior,
    /// Its causes.
    pub causes: Vec<Cause>,
    /// Its unknowns, in the order of the posterior.
    pub unknowns: Vec<Unknown>,
    /// The suspects as found.
    pub found: Vec<Found>,
    /// True when full solutions stand behind it, false for the cheap device.
    pub full: bool,
}

impl Ranked {
    /// True when everything suspected is the bench.
    pub fn is_bench(&self) -> bool {
        !self.hypothesis.suspects.is_empty() && self.hypothesis.suspects.iter().all(|s| s.cause.kind == Kind::Bench)
    }

    fn weight(&self) -> f64 {
        self.log_evidence + self.hypothesis.odds.ln()
    }
}

/// Why the declared story is doubted.
#[derive(Debug, Clone, PartialEq)]
pub enum Alarm {
    /// The data lie outside what was predicted before.
    Predictive(Goodness),
    /// A declared cause is pulled far from its prior.
    Conflict {
        /// Which cause.
        cause: String,
        /// Whose, for causes of a unit or session.
        whose: Option<String>,
        /// Its most probable value.
        value: f64,
        /// Its unit.
        unit: String,
        /// Distance in prior standard deviations.
        prior_z: f64,
        /// Distance over what it should be: standard normal for a good lot.
        surprise_z: f64,
    },
    /// A value stated on paper lies far from what the measurements say.
    Statement {
        /// The variable.
        cause: String,
        /// What was stated, with its standard uncertainty.
        stated: (f64, f64),
        /// What the measurements say without the paper, with its standard deviation.
        found: (f64, f64),
        /// Its unit.
        unit: String,
        /// Distance in standard deviations of the difference.
        z: f64,
    },
    /// Other stories stand far above.
    Evidence {
        /// Probability left to the declared story.
        probability: f64,
    },
}

/// What the data say.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// Nothing beyond the declared spread.
    InOrder,
    /// One story explains the data and no other does about as well.
    Explained,
    /// These stories (indices into the ranking) cannot be told apart by the data.
    NotSeparable(Vec<usize>),
    /// No story asked explains the data.
    Unexplained,
}

/// A story that cannot be the reason, with the most it could do.
#[derive(Debug, Clone, PartialEq)]
pub struct Cleared {
    /// Index into the ranking.
    pub story: usize,
    /// The number that strays most.
    pub point: Point,
    /// How far it strays from the prediction, mean over the units, in its unit.
    pub shift: f64,
    /// The most the story moves it under two standard deviations of its prior, in the same unit.
    pub at_most: f64,
}

/// The explanation of a lot.
#[derive(Debug, Clone, PartialEq)]
pub struct Explanation {
    /// Stories, most probable first.
    pub ranked: Vec<Ranked>,
    /// Where in the ranking the declared story stands.
    pub declared: usize,
    /// Why it is doubted; empty for a lot in order.
    pub alarms: Vec<Alarm>,
    /// The answer.
    pub verdict: Verdict,
    /// Fingerprints of the suspects.
    pub fingerprints: Fingerprints,
    /// The best story's first suspect against those of the other stories.
    pub pairs: Vec<Pair>,
    /// Candidates weighed, and the index of the one to do next.
    pub weighed: Vec<Weighed>,
    /// Index into `weighed`.
    pub next: Option<usize>,
    /// The rival in `weighed`: index into the ranking.
    pub rival: Option<usize>,
    /// Every record taken apart under the best story.
    pub attribution: Vec<Attribution>,
    /// Bench stories that cannot be the reason.
    pub cleared: Vec<Cleared>,
    /// Full solutions computed, and cheap ones.
    pub computed: (usize, usize),
}

/// Explains a lot.
///
/// # Errors
/// No data, priors or uncertainties that are not positive, a device without answer at its nominal point, cancelled.
pub fn explain(case: &Case<'_>, watch: &dyn Watch) -> Result<Explanation, CausesError> {
    if case.records.is_empty() {
        let known = case.full.points().iter().map(Point::label).collect::<Vec<_>>().join(", ");
        return Err(CausesError::NoData { known });
    }
    let full = Remembered::new(case.full);
    let cheap = case.cheap.map(Remembered::new);
    let mut ranked = weigh_all(case, &full, cheap.as_ref(), watch)?;
    share_out(&mut ranked);
    let declared = ranked.iter().position(|r| r.hypothesis.suspects.is_empty()).ok_or_else(no_declared)?;
    let mut alarms = alarms(case, &ranked[declared]);
    alarms.extend(case.stated.iter().filter_map(|s| contradicted(s, &ranked)));
    let device: &dyn Device = cheap.as_ref().map_or(&full, |c| c as &dyn Device);
    let prints = prints(case, device)?;
    let best = best_story(&ranked, !alarms.is_empty());
    let pairs = pairs(&prints, &ranked, best);
    let verdict = verdict(&ranked, best, &alarms, &pairs, &prints);
    let rival = rival(&ranked, best, declared, &verdict);
    let weighed = match rival {
        Some(rival) => weigh_candidates(case, device, &ranked[best], &ranked[rival])?,
        None => Vec::new(),
    };
    let attribution = attribute(&case.lot(device, ranked[best].causes.clone())?, &ranked[best].posterior)?;
    let cleared = cleared(case, device, &ranked, best)?;
    Ok(Explanation {
        declared,
        alarms,
        verdict,
        pairs,
        next: choose(&weighed),
        weighed,
        rival,
        attribution,
        cleared,
        fingerprints: prints,
        computed: (full.computed(), cheap.as_ref().map_or(0, Remembered::computed)),
        ranked,
    })
}

fn no_declared() -> CausesError {
    let expected = "the story that nothing is wrong among the stories".into();
    CausesError::Shape { expected, found: "only suspicions".into() }
}

impl Case<'_> {
    /// The declared causes with what paper states of them, the suspects of a story left as they are.
    fn believed(&self, story: &Hypothesis) -> Vec<Cause> {
        let mut causes = self.declared.clone();
        for (name, value, sd) in self.stated.iter().filter(|s| !story.suspects(&s.0)) {
            let known = causes.iter_mut().find(|c| c.name == *name && c.scope == Scope::Lot);
            if let (Some(c), true) = (known, *sd > 0.0) {
                // product of two normal densities
                let (own, paper) = (c.prior.sd.powi(-2), sd.powi(-2));
                c.prior.mean = (c.prior.mean * own + value * paper) / (own + paper);
                c.prior.sd = (own + paper).powf(-0.5);
            }
        }
        causes
    }

    fn lot<'b>(&'b self, device: &'b dyn Device, causes: Vec<Cause>) -> Result<Lot<'b>, CausesError> {
        Lot::new(device, causes, &self.records, &self.extras, self.units.len(), self.sessions.len())
    }

    fn whose(&self, cause: &Cause, whose: usize) -> Option<String> {
        match cause.scope {
            Scope::Lot => None,
            Scope::Unit => self.units.get(whose).cloned(),
            Scope::Only(unit) => self.units.get(unit).cloned(),
            Scope::Session => self.sessions.get(whose).cloned(),
        }
    }
}

fn weigh_all(
    case: &Case<'_>,
    full: &Remembered<'_>,
    cheap: Option<&Remembered<'_>>,
    watch: &dyn Watch,
) -> Result<Vec<Ranked>, CausesError> {
    let first: &dyn Device = cheap.map_or(full as &dyn Device, |c| c);
    let mut ranked = Vec::new();
    for (i, story) in case.stories.iter().enumerate() {
        watch.step("stories", i, case.stories.len())?;
        ranked.push(weigh(case, first, story, watch)?);
    }
    watch.step("stories", case.stories.len(), case.stories.len())?;
    if cheap.is_none() {
        ranked.iter_mut().for_each(|r| r.full = true);
        return Ok(ranked);
    }
    for i in 0..REFINE_MOST {
        watch.step("stories by full solution", i, REFINE_MOST)?;
        let Some(k) = worth_refining(&ranked) else { break };
        ranked[k] = refine(case, [first, full], &ranked[k], watch)?;
    }
    watch.step("stories by full solution", REFINE_MOST, REFINE_MOST)?;
    Ok(ranked)
}

/// The declared story, then the best of those that can still win, as long as one of them stands on the cheap device
/// only.
fn worth_refining(ranked: &[Ranked]) -> Option<usize> {
    let declared = ranked.iter().position(|r| r.hypothesis.suspects.is_empty());
    let mut order: Vec<usize> = (0..ranked.len()).filter(|&i| !ranked[i].hypothesis.suspects.is_empty()).collect();
    order.sort_by(|&a, &b| ranked[b].weight().total_cmp(&ranked[a].weight()));
    let best = order.first().map_or(f64::NEG_INFINITY, |&i| ranked[i].weight());
    let close = order.into_iter().filter(|&i| ranked[i].weight() > best - REFINE_LOG).take(REFINE_BEST);
    declared.into_iter().chain(close).find(|&i| !ranked[i].full)
}

/// Fits a story again with the numbers of full solutions.
fn refine(
    case: &Case<'_>,
    [cheap, full]: [&dyn Device; 2],
    story: &Ranked,
    watch: &dyn Watch,
) -> Result<Ranked, CausesError> {
    let mut refined = Ranked { full: true, ..story.clone() };
    for _ in 0..CORRECTIONS {
        let lot = case.lot(cheap, story.causes.clone())?;
        let before = refined.posterior.mean.clone();
        let lot = match lot.corrected(full, &before) {
            Ok(lot) => lot,
            // where there is no full solution the story keeps what it has
            Err(CausesError::Device { .. }) => return Ok(refined),
            Err(other) => return Err(other),
        };
        refined = summed(case, &story.hypothesis, &lot, Some(&before), watch)?;
        refined.full = true;
        let p = &refined.posterior;
        if (0..before.len()).all(|i| (p.mean[i] - before[i]).abs() < STANDS_STILL * p.sd(i)) {
            break;
        }
    }
    Ok(refined)
}

/// Fits one story from the prior mean and both sides of the first suspect.
fn weigh(case: &Case<'_>, device: &dyn Device, story: &Hypothesis, watch: &dyn Watch) -> Result<Ranked, CausesError> {
    summed(case, story, &case.lot(device, story.causes(&case.believed(story)))?, None, watch)
}

/// Fits one story on a lot made ready, from one start when given.
fn summed(
    case: &Case<'_>,
    story: &Hypothesis,
    lot: &Lot<'_>,
    start: Option<&[f64]>,
    watch: &dyn Watch,
) -> Result<Ranked, CausesError> {
    let (priors, data) = (lot.priors(), lot.data());
    let posterior = match start {
        Some(x) => posterior(lot, &priors, &data, Some(x), &case.settings, watch)?,
        None => posterior_from(lot, &priors, &data, &starts(lot, story), &case.settings, watch)?,
    };
    let found: Vec<Found> = story.suspects.iter().map(|s| found(case, lot, &posterior, &s.cause)).collect();
    let impossible = found.iter().zip(&story.suspects).map(|(f, s)| impossible(f, &s.cause)).sum::<f64>();
    Ok(Ranked {
        hypothesis: story.clone(),
        log_evidence: posterior.log_evidence + impossible,
        probability: 0.0,
        found,
        causes: lot.causes().to_vec(),
        unknowns: lot.unknowns().to_vec(),
        posterior,
        full: false,
    })
}

/// What a cause that cannot be negative costs a story: a loss of package and launch is none below zero. The evidence of
/// the prior cut at zero over that of the whole one is the share of the posterior above zero, over that of the prior.
fn impossible(found: &Found, suspect: &Cause) -> f64 {
    if suspect.kind != Kind::Package {
        return 0.0;
    }
    let above = |mean: f64, sd: f64| Normal::standard().cdf((mean / sd).max(-MOST_SD)).ln();
    above(found.mean, found.sd) - above(suspect.prior.mean, suspect.prior.sd)
}

/// Beyond this the normal tail underflows; e^−450 is nothing all the same.
const MOST_SD: f64 = 30.0;

/// One prior standard deviation of the first suspect to both sides.
fn starts(lot: &Lot<'_>, story: &Hypothesis) -> Vec<Vec<f64>> {
    let Some(first) = story.suspects.first() else { return Vec::new() };
    let side = |sign: f64| {
        let is = |c: &Cause| c.name == first.cause.name && c.scope == first.cause.scope;
        let priors = lot.priors();
        let value =
            |(u, p): (&Unknown, &crate::Prior)| p.mean + if is(&lot.causes()[u.cause]) { sign * p.sd } else { 0.0 };
        lot.unknowns().iter().zip(&priors).map(value).collect()
    };
    vec![side(1.0), side(-1.0)]
}

fn found(case: &Case<'_>, lot: &Lot<'_>, posterior: &Posterior, suspect: &Cause) -> Found {
    let mut weights = vec![0.0; lot.unknowns().len()];
    let of = |scope: Scope| match scope {
        Scope::Unit => 1.0 / case.units.len() as f64,
        Scope::Session => 1.0 / case.sessions.len() as f64,
        Scope::Lot | Scope::Only(_) => 1.0,
    };
    // a fault of one unit: that unit's own scatter belongs to it
    let counts = |u: &Unknown, c: &Cause| match (suspect.scope, c.scope) {
        (Scope::Only(unit), Scope::Unit) => u.whose == unit,
        _ => true,
    };
    for (w, u) in weights.iter_mut().zip(lot.unknowns()) {
        let c = &lot.causes()[u.cause];
        if c.name == suspect.name && counts(u, c) {
            *w = if matches!(suspect.scope, Scope::Only(_)) { 1.0 } else { of(c.scope) };
        }
    }
    let mean: f64 = weights.iter().zip(&posterior.mean).map(|(w, x)| w * x).sum();
    let declared = case.declared.iter().find(|c| c.name == suspect.name && c.scope == suspect.scope);
    let declared_z = declared.map(|c| (mean - c.prior.mean) / c.prior.sd);
    Found { name: suspect.name.clone(), unit: suspect.unit.clone(), mean, sd: posterior.sd_of(&weights), declared_z }
}

/// Probabilities, and the order.
fn share_out(ranked: &mut [Ranked]) {
    let weights: Vec<f64> = ranked.iter().map(Ranked::weight).collect();
    let total = log_sum(&weights);
    ranked.iter_mut().zip(&weights).for_each(|(r, w)| r.probability = (w - total).exp());
    ranked.sort_by(|a, b| b.weight().total_cmp(&a.weight()));
}

fn alarms(case: &Case<'_>, declared: &Ranked) -> Vec<Alarm> {
    let mut alarms = Vec::new();
    let p = &declared.posterior;
    if p.prior_predictive.p < PREDICTIVE_P {
        alarms.push(Alarm::Predictive(p.prior_predictive));
    }
    let resolved: Vec<usize> = (0..p.mean.len()).filter(|&i| p.surprise_z[i] != 0.0).collect();
    let strays = |i: &usize| {
        let tail = 2.0 * Normal::standard().sf(p.surprise_z[*i].abs());
        tail * (resolved.len() as f64) < CONFLICT_P
    };
    let kind = |i: usize| declared.causes[declared.unknowns[i].cause].kind;
    // a cause that someone can act on before an error of the prediction, then the furthest from its prior
    let rank = |i: usize| (kind(i) != Kind::Model, p.prior_z[i].abs());
    let worst = resolved.iter().copied().filter(strays).max_by(|&a, &b| {
        let (a, b) = (rank(a), rank(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    if let Some(i) = worst {
        let u = declared.unknowns[i];
        let c = &declared.causes[u.cause];
        alarms.push(Alarm::Conflict {
            cause: c.name.clone(),
            whose: case.whose(c, u.whose),
            value: p.mean[i],
            unit: c.unit.clone(),
            prior_z: p.prior_z[i],
            surprise_z: p.surprise_z[i],
        });
    }
    if declared.probability < DECLARED_P {
        alarms.push(Alarm::Evidence { probability: declared.probability });
    }
    alarms
}

/// A statement that lies further than [`STATEMENT_Z`] from what the story that frees its variable finds.
fn contradicted((name, value, sd): &(String, f64, f64), ranked: &[Ranked]) -> Option<Alarm> {
    let frees = |r: &&Ranked| r.hypothesis.suspects.len() == 1 && r.hypothesis.suspects(name);
    let found = ranked.iter().find(frees)?.found.first()?;
    let z = (value - found.mean) / sd.hypot(found.sd);
    (z.abs() > STATEMENT_Z).then(|| Alarm::Statement {
        cause: name.clone(),
        stated: (*value, *sd),
        found: (found.mean, found.sd),
        unit: found.unit.clone(),
        z,
    })
}

/// Distance of a statement from the measurements that raises an alarm: one in 370 by chance.
const STATEMENT_Z: f64 = 3.0;

/// Without an alarm the declared story; with one the best suspicion.
fn best_story(ranked: &[Ranked], alarmed: bool) -> usize {
    ranked.iter().position(|r| r.hypothesis.suspects.is_empty() != alarmed).unwrap_or(0)
}

/// Fingerprints of all suspects, each once, bench and prediction errors and scatter between units counting as noise.
fn prints(case: &Case<'_>, device: &dyn Device) -> Result<Fingerprints, CausesError> {
    let mut suspects: Vec<Cause> = Vec::new();
    for s in case.stories.iter().flat_map(|h| &h.suspects) {
        if !matches!(s.cause.scope, Scope::Only(_)) && suspects.iter().all(|c| c.name != s.cause.name) {
            suspects.push(s.cause.clone());
        }
    }
    let columns = |causes: &[Cause], merged: bool| -> Result<RMatrix, CausesError> {
        let lot = case.lot(device, causes.to_vec())?;
        let priors = lot.priors();
        let jacobian = lot.evaluate(&vec![0.0; priors.len()])?.jacobian;
        let n = if merged { causes.len() } else { priors.len() };
        let mut out = RMatrix::zeros(jacobian.n_rows(), n);
        for (k, u) in lot.unknowns().iter().enumerate() {
            let to = if merged { u.cause } else { k };
            (0..jacobian.n_rows()).for_each(|i| out[(i, to)] += jacobian[(i, k)] * priors[k].sd);
        }
        Ok(out)
    };
    let scatter = |c: &&Cause| c.kind == Kind::Model || c.scope == Scope::Unit;
    let shared: Vec<Cause> = case.declared.iter().filter(scatter).cloned().collect();
    let names: Vec<String> = suspects.iter().map(|c| c.name.clone()).collect();
    let data = case.lot(device, Vec::new())?.data();
    fingerprints(&names, &columns(&suspects, true)?, &columns(&shared, false)?, &data)
}

/// First suspect of a story among the fingerprints, and its size in its prior standard deviations.
fn print_of(prints: &Fingerprints, story: &Ranked) -> Option<(usize, f64)> {
    let suspect = &story.hypothesis.suspects.first()?.cause;
    let k = prints.of.iter().position(|p| p.name == suspect.name)?;
    Some((k, (story.found.first()?.mean - suspect.prior.mean) / suspect.prior.sd))
}

fn pairs(prints: &Fingerprints, ranked: &[Ranked], best: usize) -> Vec<Pair> {
    let Some((a, size_a)) = print_of(prints, &ranked[best]) else { return Vec::new() };
    let others = (0..ranked.len()).filter(|&i| i != best).filter_map(|i| print_of(prints, &ranked[i]));
    let mut pairs: Vec<Pair> = Vec::new();
    for (b, _) in others {
        if b != a && pairs.iter().all(|p| p.b != b) {
            // what is to be told apart is the deviation found, seen as the one or as its best imitation
            let seen = prints.of[a].size() * size_a.abs();
            let size_b = if prints.of[b].size() > 0.0 { seen / prints.of[b].size() } else { 0.0 };
            pairs.push(prints.pair(a, b, size_a, size_b));
        }
    }
    pairs.sort_by(|x, y| x.angle_deg.total_cmp(&y.angle_deg));
    pairs
}

fn verdict(ranked: &[Ranked], best: usize, alarms: &[Alarm], pairs: &[Pair], prints: &Fingerprints) -> Verdict {
    if alarms.is_empty() {
        return Verdict::InOrder;
    }
    let top = &ranked[best];
    if top.posterior.fit.p < FIT_P || top.hypothesis.suspects.is_empty() {
        return Verdict::Unexplained;
    }
    let own = print_of(prints, top).map(|p| p.0);
    let alike = |r: &Ranked| {
        let other = print_of(prints, r).map(|p| p.0);
        other != own && pairs.iter().any(|p| Some(p.b) == other && !p.separable())
    };
    let rivals = (0..ranked.len()).filter(|&i| {
        let r = &ranked[i];
        let gap = top.weight() - r.weight();
        let plain = top.log_evidence - r.log_evidence;
        i != best && !r.hypothesis.suspects.is_empty() && (gap < RIVAL_LOG || (alike(r) && plain < RIVAL_LOG))
    });
    let rivals: Vec<usize> = std::iter::once(best).chain(rivals).collect();
    if rivals.len() > 1 { Verdict::NotSeparable(rivals) } else { Verdict::Explained }
}

/// The story the next observation should decide against.
fn rival(ranked: &[Ranked], best: usize, declared: usize, verdict: &Verdict) -> Option<usize> {
    match verdict {
        Verdict::InOrder => None,
        // which part of the bench is at fault matters less than that the units are not
        Verdict::NotSeparable(stories) if stories.iter().all(|&i| ranked[i].is_bench()) => (0..ranked.len())
            .filter(|&i| !ranked[i].is_bench())
            .max_by(|&a, &b| ranked[a].weight().total_cmp(&ranked[b].weight())),
        Verdict::NotSeparable(stories) => stories.iter().copied().find(|&i| i != best),
        Verdict::Explained | Verdict::Unexplained => (0..ranked.len())
            .filter(|&i| i != best && !ranked[i].hypothesis.suspects.is_empty())
            .max_by(|&a, &b| ranked[a].weight().total_cmp(&ranked[b].weight()))
            .or((declared != best).then_some(declared)),
    }
}

fn weigh_candidates(
    case: &Case<'_>,
    device: &dyn Device,
    best: &Ranked,
    rival: &Ranked,
) -> Result<Vec<Weighed>, CausesError> {
    let lots = [case.lot(device, best.causes.clone())?, case.lot(device, rival.causes.clone())?];
    let target = |lot: &Lot<'_>, r: &Ranked| match r.hypothesis.suspects.first() {
        Some(s) => lot.mean_over_units(&s.cause.name),
        None => vec![0.0; lot.unknowns().len()],
    };
    let mut weighed = Vec::new();
    for (candidate, c) in case.candidates.iter().enumerate() {
        let best = forecast(c, &lots[0], &best.posterior, &target(&lots[0], best))?;
        let rival = forecast(c, &lots[1], &rival.posterior, &target(&lots[1], rival))?;
        let distance = distance(&best, &rival)?;
        weighed.push(Weighed { candidate, hours: c.hours, best, rival, distance });
    }
    Ok(weighed)
}

/// What bench stories far behind the best could do at most to the number that strays most.
fn cleared(case: &Case<'_>, device: &dyn Device, ranked: &[Ranked], best: usize) -> Result<Vec<Cleared>, CausesError> {
    let Some((point, shift)) = strays_most(case, device)? else { return Ok(Vec::new()) };
    let far = |r: &Ranked| ranked[best].log_evidence - r.log_evidence > RIVAL_LOG;
    let mut cleared = Vec::new();
    for (story, r) in ranked.iter().enumerate() {
        if story == best || !r.is_bench() || !far(r) {
            continue;
        }
        let suspects: Vec<Cause> = r.hypothesis.suspects.iter().map(|s| s.cause.clone()).collect();
        let lot = case.lot(device, suspects)?;
        let priors = lot.priors();
        let slopes = lot.evaluate(&priors.iter().map(|p| p.mean).collect::<Vec<_>>())?.jacobian;
        let most = |i: usize| {
            let squares =
                priors.iter().enumerate().map(|(k, p)| (slopes[(i, k)] * (p.mean.abs() + 2.0 * p.sd)).powi(2));
            squares.sum::<f64>().sqrt()
        };
        let rows = case.records.iter().enumerate().filter(|(_, r)| r.point == point);
        let at_most = rows.map(|(i, _)| most(i)).fold(0.0, f64::max);
        if at_most < CLEARED_SHARE * shift.abs() {
            cleared.push(Cleared { story, point: device.points()[point], shift, at_most });
        }
    }
    Ok(cleared)
}

/// A story that could do less than this share of what strays cannot be the reason.
const CLEARED_SHARE: f64 = 0.5;

/// The number whose mean over the units lies furthest from the prediction in terms of bench and scatter between units.
fn strays_most(case: &Case<'_>, device: &dyn Device) -> Result<Option<(usize, f64)>, CausesError> {
    let lot = case.lot(device, case.declared.clone())?;
    let priors = lot.priors();
    let at = lot.evaluate(&priors.iter().map(|p| p.mean).collect::<Vec<_>>())?;
    let mut worst: Option<(usize, f64, f64)> = None;
    for point in 0..lot.points().len() {
        let rows: Vec<usize> = (0..case.records.len())
            .filter(|&i| case.records[i].point == point && case.records[i].datum.side == crate::Side::Value)
            .collect();
        if rows.is_empty() {
            continue;
        }
        let n = rows.len() as f64;
        let shift = rows.iter().map(|&i| case.records[i].datum.value - at.values[i]).sum::<f64>() / n;
        let own = |i: usize| case.records[i].datum.sd.powi(2) / (n * n);
        let noise: f64 = rows.iter().map(|&i| own(i)).sum();
        let spread: f64 = (0..priors.len())
            .map(|k| (rows.iter().map(|&i| at.jacobian[(i, k)]).sum::<f64>() / n * priors[k].sd).powi(2))
            .sum();
        let z = shift.abs() / (noise + spread).sqrt();
        if worst.is_none_or(|w| z > w.2) {
            worst = Some((point, shift, z));
        }
    }
    Ok(worst.map(|(point, shift, _)| (point, shift)))
}
