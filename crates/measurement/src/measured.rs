//! One measured number with everything needed to compare it.

use spec::{Bound, Conditions, Measure};

/// Where a number stood in the file it came from.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Place {
    /// Name of the file.
    pub file: String,
    /// Line, from one.
    pub line: u64,
    /// Column of the table, from one; for network data the first character.
    pub column: u64,
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}, line {}, column {}", self.file, self.line, self.column)
    }
}

/// How a number relates to the analyser's floor.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum State {
    /// Well above the floor, or the floor does not concern it.
    #[default]
    Seen,
    /// Within reach of the floor: noise power was taken off.
    Corrected,
    /// At or below the floor: only this bound is known.
    Censored(Bound),
}

/// One measured number.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// What it is, its product named by a positive LO order.
    pub measure: Measure,
    /// Value at the package plane, pads and floor taken off, in [`Measure::unit`]; the bound when censored.
    pub value: f64,
    /// Value as written by the bench.
    pub raw: f64,
    /// Under what conditions.
    pub conditions: Conditions,
    /// Unit under test, for example `A1`.
    pub unit: String,
    /// Lot the unit belongs to.
    pub lot: String,
    /// Session it was measured in.
    pub session: String,
    /// Standard uncertainty (k = 1), in [`Measure::unit`], floor and leakage included.
    pub u: f64,
    /// Relation to the floor.
    pub state: State,
    /// Where it was read.
    pub place: Place,
}

impl Measured {
    /// True when only a bound is known.
    pub fn is_censored(&self) -> bool {
        matches!(self.state, State::Censored(_))
    }
}
