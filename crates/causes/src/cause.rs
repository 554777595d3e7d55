//! Causes with priors, and hypotheses: named sets of free causes.
//!
//! A cause is one number, zero when nothing is wrong, in the unit of its deviation. Where it is shared says its scope:
//! one value a lot, a unit or a bench session. A device variable may be a cause at lot and at unit level at once; the
//! deviations add.

use crate::bench::Effect;

/// What sort of thing a cause is; decides who has to act.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Fabrication of the passive structure.
    Process,
    /// The diodes.
    Diode,
    /// Package and launch.
    Package,
    /// The bench: paths, sources, analyser.
    Bench,
    /// Error of the prediction itself, shared by all units.
    Model,
}

/// Who shares the value of a cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scope {
    /// All units of the lot.
    Lot,
    /// One unit.
    Unit,
    /// This unit only, counted from zero; the others are free of it.
    Only(usize),
    /// All values of one bench session.
    Session,
}

/// Normal law of a cause before the data are seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Mean, in the unit of the cause.
    pub mean: f64,
    /// Standard deviation, same unit.
    pub sd: f64,
}

impl Prior {
    /// Zero mean.
    pub const fn around_zero(sd: f64) -> Self {
        Self { mean: 0.0, sd }
    }
}

/// What a cause acts on.
#[derive(Debug, Clone, PartialEq)]
pub enum Acts {
    /// On a variable of the device, by its name.
    Variable(String),
    /// On the numbers, in closed form.
    Bench(Effect),
    /// On a variable of the device, and on the numbers by what was stated about it.
    Stated(String, Effect),
}

impl Acts {
    /// The variable of the device that is moved.
    pub fn variable(&self) -> Option<&str> {
        match self {
            Self::Variable(name) | Self::Stated(name, _) => Some(name),
            Self::Bench(_) => None,
        }
    }

    /// The effect on the numbers.
    pub fn effect(&self) -> Option<&Effect> {
        match self {
            Self::Bench(effect) | Self::Stated(_, effect) => Some(effect),
            Self::Variable(_) => None,
        }
    }
}

/// One possible deviation.
#[derive(Debug, Clone, PartialEq)]
pub struct Cause {
    /// Name, for example `film1.thickness`; unique together with the scope.
    pub name: String,
    /// Unit of its value, for example `%`.
    pub unit: String,
    /// What sort of thing.
    pub kind: Kind,
    /// Who shares it.
    pub scope: Scope,
    /// What is believed before.
    pub prior: Prior,
    /// What it acts on.
    pub acts: Acts,
}

impl Cause {
    /// A cause acting on the device variable of the same name.
    pub fn variable(name: &str, unit: &str, kind: Kind, scope: Scope, prior: Prior) -> Self {
        let acts = Acts::Variable(name.into());
        Self { name: name.into(), unit: unit.into(), kind, scope, prior, acts }
    }

    /// The LO arrives stronger than stated: the device answers, and isolations from the LO are read against the
    /// statement. One value a bench session.
    pub fn lo_level(variable: &str, unit: &str, prior: Prior) -> Self {
        let acts = Acts::Stated(variable.into(), Effect::LoStatement);
        Self { name: variable.into(), unit: unit.into(), kind: Kind::Bench, scope: Scope::Session, prior, acts }
    }

    /// A cause acting on the numbers in closed form.
    pub fn bench(name: &str, unit: &str, kind: Kind, scope: Scope, prior: Prior, effect: Effect) -> Self {
        Self { name: name.into(), unit: unit.into(), kind, scope, prior, acts: Acts::Bench(effect) }
    }
}

/// A named story: the declared spread of everything, and what is suspected beyond it.
#[derive(Debug, Clone, PartialEq)]
pub struct Hypothesis {
    /// Short name, unique, for machines: `foreign_diode_3`.
    pub name: String,
    /// For people: `one foreign diode in position 3`.
    pub words: String,
    /// What is suspected beyond the declared spread; empty for the story that nothing is wrong.
    pub suspects: Vec<Suspect>,
    /// Prior odds against the story that nothing is wrong.
    pub odds: f64,
}

/// A suspected cause: widens the prior of a declared cause of the same name and scope, or adds one.
#[derive(Debug, Clone, PartialEq)]
pub struct Suspect {
    /// The cause with its wide prior.
    pub cause: Cause,
}

impl Hypothesis {
    /// Nothing beyond the declared spread.
    pub fn declared() -> Self {
        Self {
            name: "declared".into(),
            words: "nothing beyond the declared spread".into(),
            suspects: vec![],
            odds: 1.0,
        }
    }

    /// A story of these suspects.
    pub fn suspecting(name: &str, words: &str, odds: f64, suspects: Vec<Cause>) -> Self {
        let suspects = suspects.into_iter().map(|cause| Suspect { cause }).collect();
        Self { name: name.into(), words: words.into(), suspects, odds }
    }

    /// The causes of this story: the declared ones, with the suspects in place of their namesakes or behind them.
    ///
    /// Variances add: the suspect's deviation comes on top of the declared spread, and the two act alike.
    pub fn causes(&self, declared: &[Cause]) -> Vec<Cause> {
        let mut causes = declared.to_vec();
        for Suspect { cause } in &self.suspects {
            match causes.iter_mut().find(|c| c.name == cause.name && c.scope == cause.scope) {
                Some(known) => {
                    known.prior.sd = known.prior.sd.hypot(cause.prior.sd);
                    known.prior.mean += cause.prior.mean;
                }
                None => causes.push(cause.clone()),
            }
        }
        causes
    }

    /// True when the cause is a suspect of this story.
    pub fn suspects(&self, name: &str) -> bool {
        self.suspects.iter().any(|s| s.cause.name == name)
    }
}
