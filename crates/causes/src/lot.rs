//! Units of a lot together: one device, causes shared by lot, unit or bench session, records of all of them.
//!
//! The unknowns are the causes written out: one a lot, a unit, a session. A unit's deviations are the sums over the
//! scopes; the bench effects of a record follow in the order of the causes.

use crate::cause::{Cause, Scope};
use crate::{CausesError, Datum, Device, Evaluated, Extra, Model, Point, Prior};
use numerics::{RMatrix, parallel};
use std::collections::BTreeMap;
use std::sync::Mutex;

/// One measured number of one unit in one bench session.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Index of the unit.
    pub unit: usize,
    /// Index of the bench session.
    pub session: usize,
    /// Index among the device's numbers.
    pub point: usize,
    /// The number with its uncertainty.
    pub datum: Datum,
}

/// One unknown: a cause, and whose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unknown {
    /// Index of the cause.
    pub cause: usize,
    /// Index of the unit or session; zero for the lot.
    pub whose: usize,
}

/// Measured units of a lot under a set of causes.
pub struct Lot<'a> {
    device: &'a dyn Device,
    causes: Vec<Cause>,
    records: &'a [Record],
    extras: &'a [Extra],
    points: Vec<Point>,
    unknowns: Vec<Unknown>,
    /// First unknown of every cause.
    first: Vec<usize>,
    /// Index of the device variable a cause moves.
    variable: Vec<Option<usize>>,
    /// What the device is known to be wrong by at each record.
    shift: Vec<f64>,
    n_units: usize,
    n_variables: usize,
}

impl<'a> Lot<'a> {
    /// Writes the causes out for `units` and `sessions` of the given numbers.
    ///
    /// # Errors
    /// A cause names a variable the device does not have, or a record points beyond units, sessions or numbers.
    pub fn new(
        device: &'a dyn Device,
        causes: Vec<Cause>,
        records: &'a [Record],
        extras: &'a [Extra],
        n_units: usize,
        n_sessions: usize,
    ) -> Result<Self, CausesError> {
        let names = device.variables();
        let points = device.points();
        if let Some(r) =
            records.iter().find(|r| r.unit >= n_units || r.session >= n_sessions || r.point >= points.len())
        {
            let expected = format!("{n_units} units, {n_sessions} sessions and {} numbers", points.len());
            let found = format!("a record of unit {}, session {}, number {}", r.unit + 1, r.session + 1, r.point + 1);
            return Err(CausesError::Shape { expected, found });
        }
        let variable = causes.iter().map(|c| variable_of(c, &names)).collect::<Result<Vec<_>, _>>()?;
        let (mut unknowns, mut first) = (Vec::new(), Vec::new());
        for (cause, c) in causes.iter().enumerate() {
            first.push(unknowns.len());
            let count = match c.scope {
                Scope::Lot | Scope::Only(_) => 1,
                Scope::Unit => n_units,
                Scope::Session => n_sessions,
            };
            unknowns.extend((0..count).map(|whose| Unknown { cause, whose }));
        }
        let n_variables = names.len();
        let shift = vec![0.0; records.len()];
        Ok(Self { device, causes, records, extras, points, unknowns, first, variable, shift, n_units, n_variables })
    }

    /// The same with the numbers of another device at `x`: what the two differ by there is added at every record.
    ///
    /// # Errors
    /// No answer from either device.
    pub fn corrected(mut self, better: &dyn Device, x: &[f64]) -> Result<Self, CausesError> {
        let sittings = self.sittings();
        let differences = parallel::map(&sittings, |&(unit, session)| {
            let at = self.deviations(unit, Some(session), x);
            let (right, own) = (better.evaluate(&at)?, self.device.evaluate(&at)?);
            Ok::<Vec<f64>, CausesError>(right.values.iter().zip(&own.values).map(|(a, b)| a - b).collect())
        })?;
        self.shift = self.records.iter().map(|r| differences[at(&sittings, r)][r.point]).collect();
        Ok(self)
    }

    /// Unit and session of every sitting, in order.
    fn sittings(&self) -> Vec<(usize, usize)> {
        let mut sittings: Vec<(usize, usize)> = self.records.iter().map(|r| (r.unit, r.session)).collect();
        sittings.sort_unstable();
        sittings.dedup();
        sittings
    }

    /// The causes.
    pub fn causes(&self) -> &[Cause] {
        &self.causes
    }

    /// The numbers of the device.
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// The unknowns in order.
    pub fn unknowns(&self) -> &[Unknown] {
        &self.unknowns
    }

    /// Priors of the unknowns.
    pub fn priors(&self) -> Vec<Prior> {
        self.unknowns.iter().map(|u| self.causes[u.cause].prior).collect()
    }

    /// Data: of the records, then of the observations outside the bench.
    pub fn data(&self) -> Vec<Datum> {
        self.records.iter().map(|r| r.datum).chain(self.extras.iter().map(|e| e.datum)).collect()
    }

    /// Number of units.
    pub fn n_units(&self) -> usize {
        self.n_units
    }

    /// The number of a point for one unit on a faultless bench that shares no session cause, with its derivatives.
    ///
    /// # Errors
    /// No answer from the device.
    pub fn clean(&self, unit: usize, point: usize, x: &[f64]) -> Result<(f64, Vec<f64>), CausesError> {
        let answer = self.device.evaluate(&self.deviations(unit, None, x))?;
        Ok(self.read(&answer, answer.values[point], (unit, 0, point), x, |c| c.scope != Scope::Session))
    }

    /// One number as the bench shows it: the device's, then the effects of the causes that `counts` accepts.
    fn read(
        &self,
        answer: &Evaluated,
        mut value: f64,
        (unit, session, point): (usize, usize, usize),
        x: &[f64],
        counts: impl Fn(&Cause) -> bool,
    ) -> (f64, Vec<f64>) {
        let mut row = vec![0.0; self.unknowns.len()];
        for (cause, variable) in self.variable.iter().enumerate().filter(|(c, _)| counts(&self.causes[*c])) {
            if let (Some(v), Some(k)) = (variable, self.unknown(cause, unit, session)) {
                row[k] += answer.jacobian[(point, *v)];
            }
        }
        for (cause, c) in self.causes.iter().enumerate().filter(|(_, c)| counts(c)) {
            let Some(effect) = c.acts.effect() else { continue };
            let Some(k) = self.unknown(cause, unit, session) else { continue };
            let applied = effect.apply(&self.points[point], value, x[k]);
            row.iter_mut().for_each(|d| *d *= applied.by_value);
            row[k] += applied.by_x;
            value = applied.value;
        }
        (value, row)
    }

    /// The records.
    pub fn records(&self) -> &[Record] {
        self.records
    }

    /// Index of the unknown of a cause for a unit and session; none where the cause does not reach.
    pub fn unknown(&self, cause: usize, unit: usize, session: usize) -> Option<usize> {
        let offset = match self.causes[cause].scope {
            Scope::Lot => 0,
            Scope::Unit => unit,
            Scope::Session => session,
            Scope::Only(other) if other != unit => return None,
            Scope::Only(_) => 0,
        };
        Some(self.first[cause] + offset)
    }

    /// Weights of the unknowns whose sum is the mean of a variable over the units: lot value plus mean unit value.
    pub fn mean_over_units(&self, name: &str) -> Vec<f64> {
        let mut weights = vec![0.0; self.unknowns.len()];
        for (k, u) in self.unknowns.iter().enumerate() {
            let c = &self.causes[u.cause];
            if c.name == name {
                weights[k] = match c.scope {
                    Scope::Unit | Scope::Only(_) => 1.0 / self.n_units as f64,
                    Scope::Lot | Scope::Session => 1.0,
                };
            }
        }
        weights
    }

    /// Deviations of the device variables of one unit in one session; none for a faultless bench.
    pub fn deviations(&self, unit: usize, session: Option<usize>, x: &[f64]) -> Vec<f64> {
        let mut d = vec![0.0; self.n_variables];
        for (cause, variable) in self.variable.iter().enumerate() {
            if session.is_none() && self.causes[cause].scope == Scope::Session {
                continue;
            }
            if let (Some(v), Some(k)) = (variable, self.unknown(cause, unit, session.unwrap_or(0))) {
                d[*v] += x[k];
            }
        }
        d
    }
}

fn variable_of(cause: &Cause, names: &[String]) -> Result<Option<usize>, CausesError> {
    let Some(name) = cause.acts.variable() else { return Ok(None) };
    match names.iter().position(|n| n == name) {
        Some(v) => Ok(Some(v)),
        None => Err(CausesError::UnknownVariable { cause: cause.name.clone(), known: names.join(", ") }),
    }
}

impl Model for Lot<'_> {
    fn n_causes(&self) -> usize {
        self.unknowns.len()
    }

    fn evaluate(&self, x: &[f64]) -> Result<Evaluated, CausesError> {
        let sittings = self.sittings();
        let answers = parallel::map(&sittings, |&(u, s)| self.device.evaluate(&self.deviations(u, Some(s), x)))?;
        let mut rows = Vec::with_capacity(self.records.len() + self.extras.len());
        let mut values = Vec::with_capacity(rows.capacity());
        for (r, shift) in self.records.iter().zip(&self.shift) {
            let answer = &answers[at(&sittings, r)];
            let place = (r.unit, r.session, r.point);
            let (value, row) = self.read(answer, answer.values[r.point] + shift, place, x, |_| true);
            values.push(value);
            rows.push(row);
        }
        for extra in self.extras {
            let (value, row) = extra.formula.evaluate(self, x)?;
            values.push(value);
            rows.push(row);
        }
        let jacobian = RMatrix::from_fn(rows.len(), self.unknowns.len(), |i, k| rows[i][k]);
        Ok(Evaluated { values, jacobian })
    }
}

/// Place of a record among the sittings.
fn at(sittings: &[(usize, usize)], r: &Record) -> usize {
    sittings.binary_search(&(r.unit, r.session)).expect("every record has its sitting")
}

/// Bits of the deviations, and the answer there.
type Store = BTreeMap<Vec<u64>, Evaluated>;

/// A device that remembers what it was asked: every story starts at the same nominal point.
pub struct Remembered<'a> {
    device: &'a dyn Device,
    store: Mutex<Store>,
}

impl<'a> Remembered<'a> {
    /// Remembers answers of `device`.
    pub fn new(device: &'a dyn Device) -> Self {
        Self { device, store: Mutex::new(BTreeMap::new()) }
    }

    /// How many different points were computed.
    pub fn computed(&self) -> usize {
        self.lock().len()
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Store> {
        // a poisoned store still holds whole answers only
        self.store.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

impl Device for Remembered<'_> {
    fn variables(&self) -> Vec<String> {
        self.device.variables()
    }

    fn points(&self) -> Vec<Point> {
        self.device.points()
    }

    fn evaluate(&self, deviations: &[f64]) -> Result<Evaluated, CausesError> {
        // minus zero is zero
        let key: Vec<u64> = deviations.iter().map(|d| (d + 0.0).to_bits()).collect();
        if let Some(known) = self.lock().get(&key) {
            return Ok(known.clone());
        }
        let answer = self.device.evaluate(deviations)?;
        self.lock().insert(key, answer.clone());
        Ok(answer)
    }
}
