//! Has a foundry, a diode reel or a laboratory changed?
//!
//! Input: comparisons in time. Output: alarms with a stated rate of false ones.
//! Method: every comparison gets one number, the mean over its classes of the residual in standard deviations of its
//! class. For each foundry, reel and laboratory two questions are asked: is there a moment after which its numbers are
//! shifted (largest standardised difference of means over all moments), and do its numbers differ from all others
//! (difference of means)? Both are judged by permutation, which is exact for exchangeable comparisons whatever their
//! law; the rate of false alarms is shared evenly among all questions asked (Bonferroni).

use crate::Comparison;
use rand::Rng;
use rand_pcg::Pcg64;
use std::collections::BTreeMap;

/// How drift is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftSettings {
    /// Probability that a ledger without any drift raises an alarm at all.
    pub false_alarms: f64,
    /// Permutations a question.
    pub permutations: usize,
    /// Fewest comparisons of one foundry, reel or laboratory.
    pub fewest: usize,
    /// Start of the random numbers.
    pub seed: u64,
}

impl Default for DriftSettings {
    fn default() -> Self {
        Self { false_alarms: 0.05, permutations: 9_999, fewest: 6, seed: 1 }
    }
}

/// One alarm.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// `foundry`, `reel` or `laboratory`.
    pub of: &'static str,
    /// Its name.
    pub name: String,
    /// Date of the first comparison after the change; none when all of its comparisons differ from the others.
    pub since: Option<String>,
    /// Shift in standard deviations of the class.
    pub shift: f64,
    /// Probability of so large a shift without drift.
    pub p_value: f64,
}

/// What was asked and what was found.
#[derive(Debug, Clone, PartialEq)]
pub struct DriftReport {
    /// Questions asked.
    pub questions: usize,
    /// An alarm needs a probability below this.
    pub threshold: f64,
    /// Probability that a ledger without drift raises an alarm at all.
    pub false_alarms: f64,
    /// Names with too few comparisons to ask.
    pub too_few: Vec<(&'static str, String, usize)>,
    /// The alarms, strongest first; each is what remains once those before it are taken off.
    pub alarms: Vec<Drift>,
}

/// One comparison as the search sees it.
struct Point<'a> {
    comparison: &'a Comparison,
    score: f64,
}

/// Looks for drift.
pub fn find_drift(comparisons: &[Comparison], settings: &DriftSettings) -> DriftReport {
    let mut points = scored(comparisons);
    points.sort_by(|a, b| a.comparison.date.cmp(&b.comparison.date));
    type Field = fn(&Comparison) -> &str;
    let fields: [(&'static str, Field); 3] =
        [("foundry", |c| &c.foundry), ("reel", |c| &c.reel), ("laboratory", |c| &c.lab)];
    let mut questions: Vec<(&'static str, String, Vec<usize>)> = Vec::new();
    let mut too_few = Vec::new();
    for (of, field) in fields {
        let mut groups: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (k, p) in points.iter().enumerate() {
            groups.entry(field(p.comparison)).or_default().push(k);
        }
        groups.remove("");
        for (name, members) in groups {
            if members.len() >= settings.fewest {
                questions.push((of, name.into(), members));
            } else {
                too_few.push((of, name.into(), members.len()));
            }
        }
    }
    let against_others = |members: &[usize]| points.len() - members.len() >= settings.fewest;
    let n_questions: usize = questions.iter().map(|(.., m)| 1 + usize::from(against_others(m))).sum();
    let threshold = settings.false_alarms / n_questions.max(1) as f64;
    let mut random = Pcg64::new(u128::from(settings.seed), 0x5851_f42d_4c95_7f2d);
    let mut scores: Vec<f64> = points.iter().map(|p| p.score).collect();
    let mut alarms: Vec<Drift> = Vec::new();
    // one cause shows in every group it shares comparisons with: the strongest is told and taken off, then asked again
    while alarms.len() < MOST_ALARMS {
        let candidates = questions.iter().flat_map(|(of, name, members)| {
            let own: Vec<f64> = members.iter().map(|&k| scores[k]).collect();
            let (strength, split, shift) = largest_step(&own);
            let within =
                Candidate { of, name, affected: members[split..].to_vec(), within: Some(members), strength, shift };
            let against = against_others(members).then(|| {
                let (strength, shift) = difference(&scores, members);
                Candidate { of, name, affected: members.clone(), within: None, strength, shift }
            });
            [Some(within), against].into_iter().flatten()
        });
        let mut significant: Vec<(Candidate<'_>, f64)> = candidates
            .map(|c| {
                let p = p_value(&c, &scores, settings, &mut random);
                (c, p)
            })
            .filter(|(_, p)| *p <= threshold)
            .collect();
        significant.sort_by(|a, b| b.0.strength.total_cmp(&a.0.strength));
        let Some((strongest, p_value)) = significant.into_iter().next() else { break };
        let since = strongest.within.map(|_| points[strongest.affected[0]].comparison.date.clone());
        let Candidate { of, name, affected, shift, .. } = strongest;
        for &k in &affected {
            scores[k] -= shift;
        }
        alarms.push(Drift { of, name: name.into(), since, shift, p_value });
    }
    DriftReport { questions: n_questions, threshold, false_alarms: settings.false_alarms, too_few, alarms }
}

/// Alarms told at most.
const MOST_ALARMS: usize = 5;

/// One possible alarm.
struct Candidate<'a> {
    of: &'static str,
    name: &'a str,
    /// Comparisons that are shifted.
    affected: Vec<usize>,
    /// The group in which a step was looked for; none when the group is held against all others.
    within: Option<&'a Vec<usize>>,
    strength: f64,
    shift: f64,
}

/// Share of permutations, the data themselves included, that are at least as strong.
fn p_value(c: &Candidate<'_>, scores: &[f64], settings: &DriftSettings, random: &mut Pcg64) -> f64 {
    let mut shuffled: Vec<f64> = match c.within {
        Some(members) => members.iter().map(|&k| scores[k]).collect(),
        None => scores.to_vec(),
    };
    let limit = c.strength * (1.0 - 1e-12);
    let reached = (0..settings.permutations).filter(|_| {
        shuffle(&mut shuffled, random);
        let strength = match c.within {
            Some(_) => largest_step(&shuffled).0,
            None => difference(&shuffled, &c.affected).0,
        };
        strength >= limit
    });
    (reached.count() + 1) as f64 / (settings.permutations + 1) as f64
}

/// Scores of the comparisons that hold at least one number of a class seen in several designs.
fn scored(comparisons: &[Comparison]) -> Vec<Point<'_>> {
    let mut classes: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for v in comparisons.iter().flat_map(|c| &c.values).filter(|v| !v.censored) {
        classes.entry(&v.class).or_default().push(v.residual);
    }
    let moments: BTreeMap<&str, (f64, f64)> = classes
        .into_iter()
        .filter(|(_, r)| r.len() >= 8)
        .map(|(class, r)| {
            let n = r.len() as f64;
            let mean = r.iter().sum::<f64>() / n;
            (class, (mean, (r.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()))
        })
        .filter(|(_, (_, sd))| *sd > 0.0)
        .collect();
    comparisons
        .iter()
        .filter_map(|comparison| {
            let mut by_class: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
            for v in comparison.values.iter().filter(|v| !v.censored) {
                if let Some((mean, sd)) = moments.get(v.class.as_str()) {
                    by_class.entry(&v.class).or_default().push((v.residual - mean) / sd);
                }
            }
            let means: Vec<f64> = by_class.values().map(|z| z.iter().sum::<f64>() / z.len() as f64).collect();
            let score = means.iter().sum::<f64>() / means.len() as f64;
            (!means.is_empty()).then_some(Point { comparison, score })
        })
        .collect()
}

/// Largest standardised step: its size, the first member after it, and the plain shift of means.
fn largest_step(x: &[f64]) -> (f64, usize, f64) {
    let n = x.len() as f64;
    let total: f64 = x.iter().sum();
    let mut best = (0.0, 1, 0.0);
    let mut sum = 0.0;
    for (k, value) in x.iter().enumerate().take(x.len() - 1) {
        sum += value;
        let before = (k + 1) as f64;
        let shift = (total - sum) / (n - before) - sum / before;
        let statistic = shift.abs() * (before * (n - before) / n).sqrt();
        if statistic > best.0 {
            best = (statistic, k + 1, shift);
        }
    }
    best
}

/// Members (in rising order) against all others: standardised size and plain shift of means.
fn difference(x: &[f64], members: &[usize]) -> (f64, f64) {
    let (n, own) = (x.len() as f64, members.len() as f64);
    let sum: f64 = members.iter().map(|&k| x[k]).sum();
    let shift = sum / own - (x.iter().sum::<f64>() - sum) / (n - own);
    (shift.abs() * (own * (n - own) / n).sqrt(), shift)
}

fn shuffle(x: &mut [f64], random: &mut Pcg64) {
    for k in (1..x.len()).rev() {
        let other = ((u128::from(random.next_u64()) * (k as u128 + 1)) >> 64) as usize;
        x.swap(k, other);
    }
}
