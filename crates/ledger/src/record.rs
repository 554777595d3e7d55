//! What an entry of the ledger holds: versioned file structs.

use serde::{Deserialize, Serialize};

/// One compared number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Value {
    /// Key of the quantity class.
    pub class: String,
    /// Key of the measure.
    pub measure: String,
    /// RF frequency, hertz.
    pub rf_hz: Option<f64>,
    /// Predicted value, in the unit of the measure.
    pub predicted: f64,
    /// Measured minus predicted; for a censored value from bound to prediction.
    pub residual: f64,
    /// Standard uncertainty of the bench.
    pub u: f64,
    /// Half width of the combined band it was judged by; none when the prediction had no numerical band.
    pub half_band: Option<f64>,
    /// True when inside the combined band.
    pub inside: Option<bool>,
    /// True when only a bound was measured.
    pub censored: bool,
}

/// One session of one lot compared with one seal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// Name of the design.
    pub design: String,
    /// Technology, for example `multi-layer thin film`.
    pub technology: String,
    /// Lot.
    pub lot: String,
    /// Session at the bench.
    pub session: String,
    /// Day, `2031-04-17`.
    pub date: String,
    /// Foundry.
    pub foundry: String,
    /// Reel or batch of the diodes.
    pub reel: String,
    /// Laboratory.
    pub lab: String,
    /// Hash of the seal compared with; empty for designs older than seals.
    pub seal: String,
    /// LO frequency, hertz; none when not recorded.
    pub lo_hz: Option<f64>,
    /// The numbers.
    pub values: Vec<Value>,
}

/// How long a step took.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Duration {
    /// Design or lot.
    pub of: String,
    /// Step, for example `fabrication`.
    pub step: String,
    /// Day it ended.
    pub date: String,
    /// Foundry or laboratory.
    pub by: String,
    /// Weeks.
    pub weeks: f64,
}

/// How many units met a requirement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Yield {
    /// Design.
    pub design: String,
    /// Lot.
    pub lot: String,
    /// Requirement in words.
    pub requirement: String,
    /// Units tested.
    pub tested: u64,
    /// Units that met it.
    pub passed: u64,
    /// Predicted share, 0…1; none when not predicted.
    pub predicted: Option<f64>,
}

/// One entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Entry {
    /// A comparison.
    Comparison(Comparison),
    /// A duration.
    Duration(Duration),
    /// A yield.
    Yield(Yield),
}

impl Entry {
    /// What makes it the same event as another entry: design or lot, session, step, requirement.
    pub fn identity(&self) -> String {
        match self {
            Self::Comparison(c) => format!("comparison of `{}`, lot `{}`, session `{}`", c.design, c.lot, c.session),
            Self::Duration(d) => format!("duration of `{}`, {}", d.of, d.step),
            Self::Yield(y) => format!("yield of `{}`, lot `{}`, {}", y.design, y.lot, y.requirement),
        }
    }

    /// `comparison`, `duration` or `yield`.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Comparison(_) => "comparison",
            Self::Duration(_) => "duration",
            Self::Yield(_) => "yield",
        }
    }
}
