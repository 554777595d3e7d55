//! The standard stories: what usually goes wrong with a lot of mixers or with the bench that measured it.
//!
//! Prior widths and odds below are common practice, no source; every one can be replaced by the caller. Odds are against
//! the story that nothing is wrong and are small, so that good lots stay in peace: by Markov's inequality the chance
//! that a good lot makes the others 19 times as probable together is below a nineteenth of the sum of the odds.

use crate::bench::Law;
use crate::cause::{Cause, Hypothesis, Kind, Prior, Scope};
use crate::{Effect, Point};
use spec::PortName;
use tolerance::{Level, Variable};

/// A suspected process variable strays this many times its declared spread.
const WIDE: f64 = 4.0;
/// A diode of another reel strays this many times the mismatch within a quad.
const FOREIGN: f64 = 20.0;
/// Level scales in doubt, dB.
const SCALE_DB: f64 = 1.0;
/// LO level in doubt, dB.
const LO_DB: f64 = 1.0;
/// Loss of package and launch in doubt, dB.
const PACKAGE_DB: f64 = 1.0;
/// Own products of source and analyser, units of −80 dBc.
const OWN_PRODUCT: f64 = 1.0;
/// Ripple of a bench without its pad, dB: 8.7 |Γ bench| |Γ device| / √2 with 0.2 and 0.3.
const RIPPLE_DB: f64 = 0.37;

/// Odds that a given process variable strays.
const ODDS_PROCESS: f64 = 0.03;
/// Odds that a given position holds a foreign diode.
const ODDS_DIODE: f64 = 0.02;
/// Odds of a given fault of the bench.
const ODDS_BENCH: f64 = 0.02;

/// What the catalogue needs to know about the case.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting<'a> {
    /// Variables of the device.
    pub variables: &'a [Variable],
    /// Names of the diodes in the order of their positions, for example `D1`.
    pub diodes: &'a [String],
    /// Names of the diode models, for example `V27`.
    pub models: &'a [String],
    /// Numbers that were measured.
    pub measured: &'a [Point],
    /// Standard deviation of the prediction's own error, one a measured number; zero for none.
    pub prediction_sd: &'a [f64],
    /// Loss of package and launch that the prediction leaves out, dB, and the port it lies at; none when the device
    /// contains it.
    pub package: Option<(PortName, Prior)>,
    /// Ports with a pad whose loss was taken off, and that loss, dB.
    pub pads: &'a [(PortName, f64)],
    /// Names of the units.
    pub units: &'a [String],
    /// Where path laws are anchored, hertz: the upper edge of the signal band.
    pub reference_hz: f64,
}

impl Setting<'_> {
    /// What sort of thing a variable is.
    pub fn kind(&self, name: &str) -> Kind {
        let owner = name.split(['.', ' ']).next().unwrap_or(name);
        if owner == "LO" {
            return Kind::Bench;
        }
        let known = |names: &[String]| names.iter().any(|n| n == owner);
        if known(self.diodes) || known(self.models) { Kind::Diode } else { Kind::Process }
    }

    /// The declared causes: every variable at lot and unit level, the package, errors of the prediction.
    pub fn declared(&self) -> Vec<Cause> {
        let mut causes = Vec::new();
        for v in self.variables {
            let kind = self.kind(&v.name);
            if kind == Kind::Bench {
                let prior = Prior::around_zero(v.total_sd());
                causes.extend((prior.sd > 0.0).then(|| Cause::lo_level(&v.name, &v.unit, prior)));
                continue;
            }
            for (scope, levels) in
                [(Scope::Lot, [Level::Lot, Level::Wafer]), (Scope::Unit, [Level::Tile, Level::Diode])]
            {
                let sd = v.sd[levels[0] as usize].hypot(v.sd[levels[1] as usize]);
                if sd > 0.0 {
                    causes.push(Cause::variable(&v.name, &v.unit, kind, scope, Prior::around_zero(sd)));
                }
            }
        }
        causes.extend(self.package.map(|(port, prior)| package(port, prior)));
        for (point, &sd) in self.measured.iter().zip(self.prediction_sd) {
            if sd > 0.0 {
                let name = format!("prediction of {}", point.label());
                let prior = Prior::around_zero(sd);
                let unit = point.measure.unit();
                causes.push(Cause::bench(&name, unit, Kind::Model, Scope::Lot, prior, Effect::Offset(*point)));
            }
        }
        causes
    }

    /// The stories, the one that nothing is wrong first. Stories that move no measured number are left out.
    pub fn stories(&self) -> Vec<Hypothesis> {
        let mut stories = vec![Hypothesis::declared()];
        stories.extend(self.variables.iter().filter_map(|v| self.variable_strays(v)));
        for (position, diode) in self.diodes.iter().enumerate() {
            stories.extend(self.foreign(position, diode));
        }
        stories.extend(self.bench());
        stories
    }

    fn variable_strays(&self, v: &Variable) -> Option<Hypothesis> {
        let sd = WIDE * v.total_sd();
        let kind = self.kind(&v.name);
        let owner = v.name.split('.').next().unwrap_or(&v.name);
        if sd == 0.0 || self.diodes.iter().any(|d| d == owner) {
            return None;
        }
        if kind == Kind::Bench {
            let prior = Prior::around_zero(sd.max(LO_DB));
            let suspects = vec![Cause::lo_level(&v.name, &v.unit, prior)];
            return Some(Hypothesis::suspecting(
                &slug(&v.name),
                &format!("{} not as stated", v.name),
                ODDS_BENCH,
                suspects,
            ));
        }
        let suspects = vec![Cause::variable(&v.name, &v.unit, kind, Scope::Lot, Prior::around_zero(sd))];
        let words = format!("{} of the whole lot off", v.name);
        Some(Hypothesis::suspecting(&slug(&v.name), &words, ODDS_PROCESS, suspects))
    }

    /// A foreign diode in one position: of all units, and of each unit alone.
    fn foreign(&self, position: usize, diode: &str) -> Vec<Hypothesis> {
        let Some(v) = self.variables.iter().find(|v| v.name == format!("{diode}.IS")) else { return Vec::new() };
        let sd = FOREIGN * v.total_sd();
        let suspect = |scope| vec![Cause::variable(&v.name, &v.unit, Kind::Diode, scope, Prior::around_zero(sd))];
        let place = format!("one foreign diode in position {}", position + 1);
        let mut stories = vec![Hypothesis::suspecting(
            &format!("foreign_diode_{}", position + 1),
            &place,
            ODDS_DIODE,
            suspect(Scope::Lot),
        )];
        if self.units.len() > 1 {
            let share = ODDS_DIODE / self.units.len() as f64;
            for (u, unit) in self.units.iter().enumerate() {
                let name = format!("foreign_diode_{}_unit_{}", position + 1, slug(unit));
                let words = format!("{place} of unit {unit} only");
                stories.push(Hypothesis::suspecting(&name, &words, share, suspect(Scope::Only(u))));
            }
        }
        stories
    }

    fn bench(&self) -> Vec<Hypothesis> {
        let root = Law::RootFrequency { reference_hz: self.reference_hz };
        let fault = |name: &str, words: &str, unit: &str, prior: Prior, effect: Effect| {
            let cause = Cause::bench(words, unit, Kind::Bench, Scope::Session, prior, effect);
            Hypothesis::suspecting(name, words, ODDS_BENCH, vec![cause])
        };
        let scale = Prior::around_zero(SCALE_DB);
        let own = Prior::around_zero(OWN_PRODUCT);
        let mut stories = Vec::new();
        for (port, key) in [(PortName::Rf, "rf"), (PortName::If, "if")] {
            let p = port.label();
            let cable = format!("loss table of another cable on the {p} path");
            stories.push(fault(&format!("cable_{key}"), &cable, "dB", scale, Effect::Path { port, law: root }));
            let flat = format!("level scale of the {p} path");
            stories.push(fault(&format!("scale_{key}"), &flat, "dB", scale, Effect::Path { port, law: Law::Flat }));
        }
        for &(port, loss_db) in self.pads {
            let words = format!("missing pad on the {} path", port.label());
            // the loss taken off is not there: the table holds that much too much
            let prior = Prior { mean: loss_db, sd: 0.1 };
            let name = format!("pad_{}", port.label().to_lowercase());
            stories.push(fault(&name, &words, "dB", prior, Effect::Path { port, law: Law::Flat }));
        }
        for order in [2, 3] {
            let words = format!("harmonic {order} made by the analyser");
            stories.push(fault(&format!("analyser_{order}"), &words, "1e-4", own, Effect::AnalyserHarmonic { order }));
            let words = format!("harmonic {order} from the signal source");
            stories.push(fault(&format!("source_{order}"), &words, "1e-4", own, Effect::SourceHarmonic { order }));
        }
        stories.extend(self.ripple());
        if let Some((port, _)) = self.package {
            let words = "loss of package and launch off";
            stories.push(Hypothesis::suspecting(
                "package",
                words,
                ODDS_PROCESS,
                vec![package(port, Prior::around_zero(PACKAGE_DB))],
            ));
        }
        stories.retain(|h| h.suspects.iter().any(|s| self.touches(&s.cause)));
        stories
    }

    /// Mismatch ripple of an RF path without pad: an error of its own at every signal frequency.
    fn ripple(&self) -> Option<Hypothesis> {
        let mut frequencies: Vec<f64> = self.measured.iter().filter_map(|p| p.signal_hz).collect();
        frequencies.sort_by(f64::total_cmp);
        frequencies.dedup();
        let suspects: Vec<Cause> = frequencies
            .iter()
            .map(|&hz| {
                let name = format!("RF path ripple at {}", quantity::Frequency::hz(hz));
                let effect = Effect::Path { port: PortName::Rf, law: Law::At { hz } };
                Cause::bench(&name, "dB", Kind::Bench, Scope::Session, Prior::around_zero(RIPPLE_DB), effect)
            })
            .collect();
        let words = "mismatch ripple of an RF path without pad";
        (!suspects.is_empty()).then(|| Hypothesis::suspecting("ripple_rf", words, ODDS_BENCH, suspects))
    }

    fn touches(&self, cause: &Cause) -> bool {
        match cause.acts.effect() {
            Some(effect) if cause.acts.variable().is_none() => self.measured.iter().any(|p| effect.moves(p)),
            _ => true,
        }
    }
}

fn package(port: PortName, prior: Prior) -> Cause {
    let effect = Effect::Loss { port, law: Law::Flat };
    Cause::bench("package loss", "dB", Kind::Package, Scope::Lot, prior, effect)
}

/// Name for machines.
fn slug(name: &str) -> String {
    name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' }).collect()
}
