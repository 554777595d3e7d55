//! The spread of quantities over a population of units, and what it means for requirements.
//!
//! 1. A second-order surrogate about the nominal point, checked at held-out full solutions.
//! 2. Samples of units from all levels, in replicated scrambles or independently.
//! 3. Units whose verdict lies within the error of the surrogate are solved fully, the nearest first.
//! 4. Yield with intervals, contributions, corners, worst case, lot shift against tile scatter.

use crate::intervals::{Estimate, clopper_pearson, quantile, replicated, wilson};
use crate::shares::{Share, shares};
use crate::surrogate::{Check, Surrogate};
use crate::{Draw, Level, Process, ProcessError, Sampler, Scheme, Variable};
use numerics::{Complex64, Watch, parallel};
use spec::{Bound, Limit};

/// How a population is drawn and judged.
#[derive(Debug, Clone, PartialEq)]
pub struct SpreadSettings {
    /// How points are laid.
    pub scheme: Scheme,
    /// Units drawn in total.
    pub units: usize,
    /// Replicates for low-discrepancy and Latin hypercube sets; `units` is divided among them.
    pub replicates: usize,
    /// Seed of everything random.
    pub seed: u64,
    /// Held-out full solutions that check the surrogate.
    pub checks: usize,
    /// Full solutions allowed for units on the edge of a requirement.
    pub full_max: usize,
    /// Confidence of intervals of yields.
    pub confidence: f64,
    /// Coverage of fabrication bands.
    pub coverage: f64,
    /// Points for variance shares; zero leaves them out.
    pub share_points: usize,
}

impl Default for SpreadSettings {
    fn default() -> Self {
        Self {
            scheme: Scheme::Sobol,
            units: 1024,
            replicates: 8,
            seed: 1,
            checks: 8,
            full_max: 96,
            confidence: 0.95,
            coverage: 0.9,
            share_points: 256,
        }
    }
}

/// A requirement on some quantities of the process: every one of them must keep the limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Requirement {
    /// The limit.
    pub limit: Limit,
    /// How the deciding number is formed.
    pub over: Over,
    /// Quantities it applies to, by number.
    pub quantities: Vec<usize>,
}

/// How a requirement's number is formed from its quantities.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Over {
    /// The worst of them.
    Worst,
    /// Largest minus smallest.
    Range,
}

impl Requirement {
    /// The deciding number of one unit.
    pub fn value(&self, measures: &[f64]) -> f64 {
        let of = || self.quantities.iter().map(|&q| measures[q]);
        match (self.over, self.limit.bound) {
            (Over::Range, _) => of().fold(f64::NEG_INFINITY, f64::max) - of().fold(f64::INFINITY, f64::min),
            (Over::Worst, Bound::AtMost(_)) => of().fold(f64::NEG_INFINITY, f64::max),
            (Over::Worst, Bound::AtLeast(_)) => of().fold(f64::INFINITY, f64::min),
        }
    }

    fn passes(&self, measures: &[f64]) -> bool {
        self.limit.margin(self.value(measures)) >= 0.0
    }
}

/// Distribution of the deciding number of one requirement.
#[derive(Debug, Clone, PartialEq)]
pub struct RequirementSpread {
    /// The requirement.
    pub requirement: Requirement,
    /// Its number for every unit.
    pub samples: Vec<f64>,
    /// Nominal number.
    pub nominal: f64,
    /// Share of units that pass; the interval also holds what [`Self::open`] units could change.
    pub yield_: Estimate,
    /// Units within the surrogate's error of this limit that were not solved fully.
    pub open: usize,
    /// Share of the variance by variable, largest first.
    pub shares: Vec<Share>,
    /// Share of the variance by level.
    pub level_shares: Vec<Share>,
    /// The worst of all points as likely as one variable alone at [`CORNER_SD`].
    pub worst_vector: WorstCase,
    /// Corner of one total standard deviation times [`CORNER_SD`] in every variable that is worst for it.
    pub worst_case: WorstCase,
}

/// A point of all variables that is worst for a requirement.
#[derive(Debug, Clone, PartialEq)]
pub struct WorstCase {
    /// Deviations, one a variable.
    pub x: Vec<f64>,
    /// Standard deviations by which the variables are moved.
    pub sd: f64,
    /// The number there, by a full solution.
    pub value: f64,
    /// The same by the surrogate.
    pub surrogate: f64,
}

/// Standard deviations of a corner.
pub const CORNER_SD: f64 = 3.0;

/// Everything found out about a population.
#[derive(Debug, Clone, PartialEq)]
pub struct Spread {
    /// The variables.
    pub variables: Vec<Variable>,
    /// Quantities of every unit.
    pub units: Vec<Vec<f64>>,
    /// Quantities at the nominal point.
    pub nominal: Vec<f64>,
    /// Lower and upper end of the central `coverage` of each quantity.
    pub bands: Vec<(f64, f64)>,
    /// One a requirement.
    pub requirements: Vec<RequirementSpread>,
    /// Share of units that pass everything; the interval also holds what units left open could change.
    pub overall: Estimate,
    /// The same without the requirements that the nominal point fails; none where it keeps or fails all.
    pub overall_of_kept: Option<Estimate>,
    /// The same as if draws were independent: Wilson, Clopper-Pearson.
    pub overall_binomial: (Estimate, Estimate),
    /// Standard deviation of each quantity from lot shifts (lot and wafer), and from scatter (tile and diode).
    pub lot_and_tile: Vec<(f64, f64)>,
    /// What held-out full solutions said.
    pub check: Check,
    /// Full solutions: for the check, for units on the edge, for worst cases.
    pub full_solutions: (usize, usize, usize),
    /// Units on the edge of a requirement that were not solved fully.
    pub left_open: usize,
}

/// Draws and judges a population.
///
/// # Errors
/// Spreads that cannot be drawn, full solutions that fail, the wish of `watch` to stop.
pub fn spread(
    process: &dyn Process,
    requirements: &[Requirement],
    settings: &SpreadSettings,
    watch: &dyn Watch,
) -> Result<(Spread, Surrogate), ProcessError> {
    let variables = process.variables();
    let sampler = Sampler::new(variables, process.correlations())?;
    let mut surrogate = Surrogate::new(process.expand(&vec![0.0; variables.len()])?);
    // another seed than the samples: these points are held out
    let held_out = sampler.draws(Scheme::Sobol, settings.checks, settings.seed ^ HELD_OUT);
    let check = surrogate.check(process, &held_out, watch)?;
    let (draws, groups) = population(&sampler, settings);
    let points: Vec<Vec<f64>> = draws.iter().map(Draw::total).collect();
    let answers = parallel::map_watched(&points, watch, "units", |x| Ok::<_, ProcessError>(surrogate.answers(x)))?;
    let mut units: Vec<Vec<f64>> = answers.iter().map(|a| process.measures(a)).collect();
    let near = closeness(process, requirements, &check, &answers, &units);
    let (edge, left_open) = edge_units(&near, settings.full_max);
    let solved = parallel::map_watched(&edge, watch, "units on the edge", |&u| process.solve(&points[u]))?;
    for (&u, a) in edge.iter().zip(&solved) {
        units[u] = process.measures(a);
    }
    let nominal = process.measures(&surrogate.expansion().values);
    let judged = Judged { units: &units, near: &near, solved: &edge, groups: &groups };
    let mut found = Vec::with_capacity(requirements.len());
    for (i, r) in requirements.iter().enumerate() {
        watch.step("requirements", i, requirements.len())?;
        found.push(judge(process, (i, r), &surrogate, &sampler, &judged, &nominal, settings)?);
    }
    let all: Vec<usize> = (0..requirements.len()).collect();
    let kept: Vec<usize> = all.iter().copied().filter(|&i| requirements[i].passes(&nominal)).collect();
    let overall_of_kept =
        (!kept.is_empty() && kept.len() < all.len()).then(|| judged.share(requirements, &kept, settings));
    let passes = units.iter().map(|m| requirements.iter().all(|r| r.passes(m)));
    let n_pass = passes.filter(|p| *p).count();
    let binomial =
        (wilson(n_pass, units.len(), settings.confidence), clopper_pearson(n_pass, units.len(), settings.confidence));
    let bands = bands(&units, nominal.len(), settings.coverage);
    Ok((
        Spread {
            variables: variables.to_vec(),
            bands,
            overall: judged.share(requirements, &all, settings),
            overall_of_kept,
            overall_binomial: binomial,
            lot_and_tile: lot_and_tile(process, &surrogate, &draws),
            full_solutions: (check.points, edge.len(), 2 * found.len()),
            requirements: found,
            units,
            nominal,
            check,
            left_open,
        },
        surrogate,
    ))
}

/// Turns the seed of the samples into that of the held-out points.
const HELD_OUT: u64 = 0x5eed_0f0e_11a5_71c5;

/// Draws of all replicates, and the range of each replicate.
fn population(sampler: &Sampler, settings: &SpreadSettings) -> (Vec<Draw>, Vec<std::ops::Range<usize>>) {
    let replicates = if settings.scheme == Scheme::Plain { 1 } else { settings.replicates.max(1) };
    let each = settings.units.div_ceil(replicates);
    // low-discrepancy sets are balanced at powers of two only
    let each = if settings.scheme == Scheme::Sobol { each.next_power_of_two() } else { each };
    let mut draws = Vec::with_capacity(each * replicates);
    let mut groups = Vec::with_capacity(replicates);
    for r in 0..replicates {
        let seed = settings.seed.wrapping_mul(0x2545_f491_4f6c_dd1d).wrapping_add(r as u64);
        draws.extend(sampler.draws(settings.scheme, each, seed));
        groups.push(r * each..(r + 1) * each);
    }
    (draws, groups)
}

/// Share of passes: binomial for independent draws, Student over replicates otherwise.
///
/// Where all replicates agree nothing is known of their scatter: then the interval of independent
/// draws stands, which is the wider one.
fn share_of(passes: &[bool], groups: &[std::ops::Range<usize>], settings: &SpreadSettings) -> Estimate {
    let n_pass = passes.iter().filter(|p| **p).count();
    let exact = clopper_pearson(n_pass, passes.len(), settings.confidence);
    let rate = |g: &std::ops::Range<usize>| passes[g.clone()].iter().filter(|p| **p).count() as f64 / g.len() as f64;
    let rates: Vec<f64> = groups.iter().map(rate).collect();
    if rates.len() < 2 || rates.iter().all(|r| r.total_cmp(&rates[0]).is_eq()) {
        return exact;
    }
    let e = replicated(&rates, settings.confidence);
    Estimate { value: e.value, low: e.low.max(0.0), high: e.high.min(1.0) }
}

/// Units as judged: their quantities, how near each is to each limit, which of them were solved fully.
struct Judged<'a> {
    units: &'a [Vec<f64>],
    near: &'a [Vec<f64>],
    solved: &'a [usize],
    groups: &'a [std::ops::Range<usize>],
}

impl Judged<'_> {
    /// Whether the surrogate's error could turn the verdict of a unit on one requirement.
    fn is_open(&self, unit: usize, requirement: usize) -> bool {
        self.near[unit][requirement] <= 1.0 && self.solved.binary_search(&unit).is_err()
    }

    /// Share of units that pass all of `which`, its interval widened by what open units could change.
    fn share(&self, requirements: &[Requirement], which: &[usize], settings: &SpreadSettings) -> Estimate {
        let passes_at = |u: usize, i: usize| requirements[i].passes(&self.units[u]);
        let passes: Vec<bool> = (0..self.units.len()).map(|u| which.iter().all(|&i| passes_at(u, i))).collect();
        let open = |u: usize| which.iter().any(|&i| self.is_open(u, i));
        // lost: passes now and could fail; won: fails now, and only by requirements that are open
        let lost = (0..passes.len()).filter(|&u| passes[u] && open(u)).count();
        let won = |u: usize| !passes[u] && which.iter().all(|&i| passes_at(u, i) || self.is_open(u, i));
        let won = (0..passes.len()).filter(|&u| won(u)).count();
        let found = share_of(&passes, self.groups, settings);
        let n = passes.len().max(1) as f64;
        Estimate {
            value: found.value,
            low: (found.low - lost as f64 / n).max(0.0),
            high: (found.high + won as f64 / n).min(1.0),
        }
    }
}

/// How near each unit is to each limit, in units of the surrogate's error there: at one or below, the
/// error could turn the verdict.
fn closeness(
    process: &dyn Process,
    requirements: &[Requirement],
    check: &Check,
    answers: &[Vec<Complex64>],
    units: &[Vec<f64>],
) -> Vec<Vec<f64>> {
    let of = |(answers, measures): (&Vec<Complex64>, &Vec<f64>)| {
        let error = measure_errors(process, &check.answer_error, answers, measures);
        let one = |r: &Requirement| {
            let over = |margin: f64, reach: f64| margin.abs() / reach.max(f64::MIN_POSITIVE);
            match r.over {
                Over::Range => {
                    let reach = r.quantities.iter().map(|&q| error[q]).fold(0.0, f64::max);
                    over(r.limit.margin(r.value(measures)), 2.0 * reach)
                }
                // where the unit fails anyway by one quantity, others near the limit change nothing
                Over::Worst if r.passes(measures) => {
                    let each = r.quantities.iter().map(|&q| over(r.limit.margin(measures[q]), error[q]));
                    each.fold(f64::INFINITY, f64::min)
                }
                Over::Worst => {
                    let failing = r.quantities.iter().filter(|&&q| r.limit.margin(measures[q]) < 0.0);
                    failing.map(|&q| over(r.limit.margin(measures[q]), error[q])).fold(0.0, f64::max)
                }
            }
        };
        requirements.iter().map(one).collect()
    };
    answers.iter().zip(units).map(of).collect()
}

/// Units whose verdict the error of the surrogate could turn, nearest to a limit first, cut to the
/// allowed number; and how many are left.
fn edge_units(near: &[Vec<f64>], full_max: usize) -> (Vec<usize>, usize) {
    let nearest = |n: &Vec<f64>| n.iter().copied().fold(f64::INFINITY, f64::min);
    let mut all: Vec<(f64, usize)> = near.iter().enumerate().map(|(u, n)| (nearest(n), u)).collect();
    all.retain(|(closeness, _)| *closeness <= 1.0);
    all.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let left = all.len().saturating_sub(full_max);
    let mut chosen: Vec<usize> = all.into_iter().take(full_max).map(|n| n.1).collect();
    chosen.sort_unstable();
    (chosen, left)
}

/// How far each quantity can move when every answer is wrong by its largest error seen.
///
/// Each answer is pushed in and out along its own phase; quantities are formed from one or two answers.
fn measure_errors(process: &dyn Process, errors: &[f64], answers: &[Complex64], measures: &[f64]) -> Vec<f64> {
    let push = |sign: f64| -> Vec<f64> {
        let moved: Vec<Complex64> = answers
            .iter()
            .zip(errors)
            .map(|(a, e)| {
                let direction = if a.norm() > 0.0 { a / a.norm() } else { 1.0.into() };
                let e = if sign < 0.0 { e.min(0.999 * a.norm()) } else { *e };
                a + direction * sign * e
            })
            .collect();
        process.measures(&moved)
    };
    let (out, back) = (push(1.0), push(-1.0));
    (0..measures.len()).map(|q| (out[q] - measures[q]).abs().max((back[q] - measures[q]).abs())).collect()
}

fn bands(units: &[Vec<f64>], n: usize, coverage: f64) -> Vec<(f64, f64)> {
    (0..n)
        .map(|q| {
            let mut values: Vec<f64> = units.iter().map(|m| m[q]).collect();
            values.sort_by(f64::total_cmp);
            (quantile(&values, 0.5 - 0.5 * coverage), quantile(&values, 0.5 + 0.5 * coverage))
        })
        .collect()
}

/// Standard deviations of all quantities with only the lot and wafer parts, and only the others.
fn lot_and_tile(process: &dyn Process, surrogate: &Surrogate, draws: &[Draw]) -> Vec<(f64, f64)> {
    let part = |common: bool| -> Vec<f64> {
        let values: Vec<Vec<f64>> = draws
            .iter()
            .map(|d| {
                let keep = |l: usize| (l <= Level::Wafer as usize) == common;
                let x: Vec<f64> = d.by_level.iter().map(|v| (0..4).filter(|&l| keep(l)).map(|l| v[l]).sum()).collect();
                surrogate.measures(process, &x)
            })
            .collect();
        let n = values.len() as f64;
        (0..process.quantities().len())
            .map(|q| {
                let mean = values.iter().map(|v| v[q]).sum::<f64>() / n;
                (values.iter().map(|v| (v[q] - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
            })
            .collect()
    };
    part(true).into_iter().zip(part(false)).collect()
}

fn judge(
    process: &dyn Process,
    (number, requirement): (usize, &Requirement),
    surrogate: &Surrogate,
    sampler: &Sampler,
    judged: &Judged<'_>,
    nominal: &[f64],
    settings: &SpreadSettings,
) -> Result<RequirementSpread, ProcessError> {
    let value = |x: &[f64]| requirement.value(&surrogate.measures(process, x));
    let (shares, level_shares) = shares(sampler, process.variables(), settings, &value)?;
    // `judged` counts its requirements from zero: only this one is asked for
    let open = (0..judged.units.len()).filter(|&u| judged.is_open(u, number)).count();
    let near: Vec<Vec<f64>> = judged.near.iter().map(|n| vec![n[number]]).collect();
    let own = Judged { near: &near, ..*judged };
    Ok(RequirementSpread {
        nominal: requirement.value(nominal),
        yield_: own.share(std::slice::from_ref(requirement), &[0], settings),
        open,
        worst_vector: worst_vector(process, requirement, surrogate)?,
        worst_case: worst_case(process, requirement, surrogate)?,
        requirement: requirement.clone(),
        samples: judged.units.iter().map(|m| requirement.value(m)).collect(),
        shares,
        level_shares,
    })
}

/// The corner that is worst by the surrogate: signs from the slopes, then single turns while they help;
/// confirmed by a full solution.
fn worst_case(
    process: &dyn Process,
    requirement: &Requirement,
    surrogate: &Surrogate,
) -> Result<WorstCase, ProcessError> {
    let variables = process.variables();
    let step: Vec<f64> = variables
        .iter()
        .map(|v| {
            let reach = v.law.reach().unwrap_or(CORNER_SD).min(CORNER_SD);
            v.total_sd() * reach
        })
        .collect();
    let margin = |x: &[f64]| requirement.limit.margin(requirement.value(&surrogate.measures(process, x)));
    let mut x = vec![0.0; variables.len()];
    for k in 0..x.len() {
        let mut at = vec![0.0; x.len()];
        at[k] = step[k];
        let up = margin(&at);
        at[k] = -step[k];
        x[k] = if up <= margin(&at) { step[k] } else { -step[k] };
    }
    let mut worst = margin(&x);
    for _ in 0..TURNS_MAX {
        let mut turned = false;
        for k in 0..x.len() {
            x[k] = -x[k];
            let now = margin(&x);
            if now < worst {
                worst = now;
                turned = true;
            } else {
                x[k] = -x[k];
            }
        }
        if !turned {
            break;
        }
    }
    let value = requirement.value(&process.measures(&process.solve(&x)?));
    let surrogate = requirement.value(&surrogate.measures(process, &x));
    Ok(WorstCase { x, sd: CORNER_SD, value, surrogate })
}

/// Rounds of single turns in the search of the worst corner.
const TURNS_MAX: usize = 8;

/// The worst point by the surrogate on the ellipsoid of [`CORNER_SD`] standard deviations: the direction
/// of steepest loss of margin, followed until it stands.
fn worst_vector(
    process: &dyn Process,
    requirement: &Requirement,
    surrogate: &Surrogate,
) -> Result<WorstCase, ProcessError> {
    let sd: Vec<f64> = process.variables().iter().map(Variable::total_sd).collect();
    let margin = |z: &[f64]| {
        let x: Vec<f64> = z.iter().zip(&sd).map(|(z, sd)| z * sd).collect();
        requirement.limit.margin(requirement.value(&surrogate.measures(process, &x)))
    };
    let mut z = vec![0.0; sd.len()];
    let mut best = (margin(&z), z.clone());
    for _ in 0..TURNS_MAX {
        let slope = |k: usize| {
            let at = |step: f64| {
                let mut z = z.clone();
                z[k] += step;
                margin(&z)
            };
            if sd[k] > 0.0 { (at(SLOPE_STEP) - at(-SLOPE_STEP)) / (2.0 * SLOPE_STEP) } else { 0.0 }
        };
        let down: Vec<f64> = (0..z.len()).map(|k| -slope(k)).collect();
        let length = down.iter().map(|x| x * x).sum::<f64>().sqrt();
        if !(length.is_finite() && length > 0.0) {
            break;
        }
        z = down.iter().map(|x| x * CORNER_SD / length).collect();
        let now = margin(&z);
        if now >= best.0 {
            break;
        }
        best = (now, z.clone());
    }
    let x: Vec<f64> = best.1.iter().zip(&sd).map(|(z, sd)| z * sd).collect();
    let value = requirement.value(&process.measures(&process.solve(&x)?));
    Ok(WorstCase { surrogate: requirement.value(&surrogate.measures(process, &x)), x, sd: CORNER_SD, value })
}

/// Step of slopes in the search of the worst point, standard deviations.
const SLOPE_STEP: f64 = 0.05;
