//! The process of a design: its variables, and the quantities of its review as functions of them.
//!
//! Input: a [`Design`] with `[[process]]` tables. Output: a [`DesignProcess`], which solves the moved
//! design fully, or expands it to second order with exact derivatives of the balance.
//! Derivatives of the passive structure are symmetric differences of its closed form, cross-sections
//! re-solved; steps are half a standard deviation, and [`DesignProcess::step_error`] says what they leave.
//! Where a diode model spreads by `N`, `VJ`, `M`, `FC` or `TT`, derivatives are differences of full solutions.
//! A spread of `IS` is a shift of the forward voltage at equal current; in % it is `IS·exp(x/100)`.
//! A model's spread at the level `diode` becomes one variable a diode.

use crate::design::{CircuitText, Design, DiodeSite, LO_LEVEL, ProcessText};
use crate::error::ProjectError;
use balance::{Embedding, Order, Parameter, Stencil};
use mixer::{Mixer, Observed, Observer};
use numerics::{CMatrix, Complex64, Quiet, Watch};
use quantity::constants::thermal_voltage_v;
use spec::Product;
use std::sync::Arc;
use tolerance::{Correlation, Expansion, Level, Process, ProcessError, Quantity, Variable};

/// Decibel of a wave ratio of e.
const DB_PER_NP: f64 = 20.0 * std::f64::consts::LOG10_E;
/// Step of the differences of the passive structure, standard deviations.
const STEP_SD: f64 = 0.5;

/// What a unit of a variable does.
#[derive(Debug, Clone, PartialEq)]
enum Effect {
    /// Adds to a number of the passive structure: its name, nominal, and change a unit.
    Number { name: String, nominal: f64, step: f64 },
    /// Shifts forward voltages, volt a unit, of these diodes.
    Forward(Vec<(usize, f64)>),
    /// Adds to series resistances, ohm a unit.
    Series(Vec<(usize, f64)>),
    /// Relative change of zero-bias capacitances a unit.
    Charge(Vec<(usize, f64)>),
    /// LO level, dB a unit.
    LoLevel(f64),
    /// Adds to a number of diode models that no derivative of the balance is formed for: its name, nominal, and change a
    /// unit. Derivatives are differences of full solutions.
    Model { name: String, nominal: f64, step: f64 },
}

/// A design as a function of its process variables.
pub struct DesignProcess {
    design: Design,
    variables: Vec<Variable>,
    correlations: Vec<Correlation>,
    effects: Vec<Effect>,
    observers: Vec<Observer>,
    answers: Vec<String>,
    quantities: Vec<Quantity>,
    nominal: Mixer,
    centre: Vec<Observed>,
    /// Scale voltage `n·kT/q` of each diode at the temperature of its parameters.
    scale_v: Vec<f64>,
}

impl DesignProcess {
    /// Reads the variables of a design and solves it at its nominal point.
    ///
    /// # Errors
    /// A design without `[[process]]`, one from a template, a circuit that cannot be joined or solved.
    pub fn new(design: &Design, watch: &dyn Watch) -> Result<Self, ProjectError> {
        Self::with_products(design, &[], watch)
    }

    /// The same, with these products at every review point beside those in the output band.
    ///
    /// # Errors
    /// As [`DesignProcess::new`].
    pub fn with_products(design: &Design, besides: &[Product], watch: &dyn Watch) -> Result<Self, ProjectError> {
        let CircuitText::Free(free) = &design.circuit else {
            return Err(nothing(design, "a circuit of its own", "a template, which has no numbers to spread"));
        };
        if design.process.is_empty() {
            return Err(nothing(design, "at least one `[[process]]` table", "none; say what spreads and how much"));
        }
        let nominal = design.mixer()?;
        let mut this = Self {
            design: design.clone(),
            variables: Vec::new(),
            correlations: Vec::new(),
            effects: Vec::new(),
            observers: Vec::new(),
            answers: Vec::new(),
            quantities: Vec::new(),
            nominal,
            centre: Vec::new(),
            scale_v: free.diodes.iter().map(|d| scale_v(design, d)).collect(),
        };
        for text in &design.process {
            this.add(text, &free.diodes)?;
        }
        for text in &design.process {
            this.correlate(text);
        }
        for (_, plan) in design.plans() {
            let observer = Observer::with_products(&this.nominal, &plan, besides)?;
            this.answers.extend(observer.names().iter().cloned());
            this.quantities.extend(observer.quantities().iter().map(|(measure, conditions)| Quantity {
                measure: *measure,
                conditions: conditions.clone(),
                unit: measure.unit().into(),
            }));
            this.centre.push(observer.solve(&this.nominal, 0.0, None, watch)?);
            this.observers.push(observer);
        }
        Ok(this)
    }

    /// The design.
    pub fn design(&self) -> &Design {
        &self.design
    }

    /// Truncation of all full solutions, LO harmonics and signal orders.
    pub fn orders(&self) -> (usize, usize) {
        self.observers.first().map_or((0, 0), Observer::orders)
    }

    /// Answers at the nominal point.
    pub fn nominal_answers(&self) -> Vec<Complex64> {
        self.centre.iter().flat_map(|o| o.amplitudes.iter().copied()).collect()
    }

    /// The terms behind each quantity at the nominal point, volt.
    pub fn terms(&self) -> Vec<Option<Vec<Complex64>>> {
        self.observers.iter().zip(&self.centre).flat_map(|(o, c)| o.terms(&self.nominal, c)).collect()
    }

    /// Names of the diodes, in the order of the terms.
    pub fn diode_names(&self) -> &[String] {
        &self.nominal.diode_names
    }

    /// Number of a variable by its name.
    pub fn variable(&self, name: &str) -> Option<usize> {
        self.variables.iter().position(|v| v.name == name)
    }

    fn add(&mut self, text: &ProcessText, sites: &[DiodeSite]) -> Result<(), ProjectError> {
        let name = text.name.value.as_str();
        let (owner, key) = name.rsplit_once('.').unwrap_or((name, ""));
        let of_model = |s: &DiodeSite| self.design.models.get(s.model_idx).is_some_and(|m| m.name == owner);
        let own: Vec<usize> =
            (0..sites.len()).filter(|&j| sites[j].name.value == owner || of_model(&sites[j])).collect();
        if !own.is_empty() && matches!(key, "N" | "VJ" | "M" | "FC" | "TT") {
            return self.add_by_difference(text, sites, &own, key);
        }
        if own.is_empty() || !matches!(key, "IS" | "forward_voltage" | "RS" | "CJ0") {
            let effect = self.number(text)?;
            self.push(name.into(), text, text.sd, effect)?;
            return Ok(());
        }
        let effect = |diodes: &[usize]| -> Result<Effect, ProjectError> {
            let each = |f: &dyn Fn(usize) -> Result<f64, ProjectError>| {
                diodes.iter().map(|&j| Ok((j, f(j)?))).collect::<Result<Vec<_>, ProjectError>>()
            };
            Ok(match (key, text.one_si) {
                ("IS" | "forward_voltage", Some(volt)) => Effect::Forward(each(&|_| Ok(volt))?),
                ("IS", None) => Effect::Forward(each(&|j| Ok(-0.01 * self.scale_v[j]))?),
                ("RS", Some(ohm)) => Effect::Series(each(&|_| Ok(ohm))?),
                ("RS", None) => Effect::Series(each(&|j| Ok(0.01 * self.diode_value(sites, j, "RS")?))?),
                (_, Some(farad)) => Effect::Charge(each(&|j| Ok(farad / self.diode_value(sites, j, "CJ0")?))?),
                (_, None) => Effect::Charge(each(&|_| Ok(0.01))?),
            })
        };
        let mut common = text.sd;
        let single = std::mem::take(&mut common[Level::Diode as usize]);
        let mut found = Vec::new();
        if common.iter().any(|s| *s > 0.0) {
            found.push((name.to_string(), common, effect(&own)?));
        }
        if single > 0.0 {
            for &j in &own {
                let own_name = format!("{}.{key}", sites[j].name.value);
                found.push((own_name, [0.0, 0.0, 0.0, single], effect(&[j])?));
            }
        }
        for (name, sd, effect) in found {
            self.push(name, text, sd, effect)?;
        }
        Ok(())
    }

    /// Adds a number of diode models: all its diodes together, and each alone.
    fn add_by_difference(
        &mut self,
        text: &ProcessText,
        sites: &[DiodeSite],
        own: &[usize],
        key: &str,
    ) -> Result<(), ProjectError> {
        let mut common = text.sd;
        let single = std::mem::take(&mut common[Level::Diode as usize]);
        let mut names = Vec::new();
        if common.iter().any(|s| *s > 0.0) {
            names.push((text.name.value.clone(), common));
        }
        if single > 0.0 {
            names.extend(own.iter().map(|&j| (format!("{}.{key}", sites[j].name.value), [0.0, 0.0, 0.0, single])));
        }
        for (name, sd) in names {
            let nominal = self.design.value(&name)?;
            let step = text.one_si.unwrap_or(0.01 * nominal);
            self.push(name.clone(), text, sd, Effect::Model { name, nominal, step })?;
        }
        Ok(())
    }

    /// Adds a variable; a diode spread by its model and on its own becomes one variable.
    fn push(&mut self, name: String, text: &ProcessText, sd: [f64; 4], effect: Effect) -> Result<(), ProjectError> {
        if self.variable(&name).is_some() {
            return Err(ProjectError::Number {
                why: "spreads by its own table and by that of its model at the level `diode`; keep one".into(),
                name,
            });
        }
        let nominal = match &effect {
            Effect::Number { nominal, .. } | Effect::Model { nominal, .. } => format!("{nominal:.6e}"),
            _ => String::new(),
        };
        self.variables.push(Variable { name, unit: text.unit.clone(), nominal, law: text.law, sd });
        self.effects.push(effect);
        Ok(())
    }

    fn number(&self, text: &ProcessText) -> Result<Effect, ProjectError> {
        let name = text.name.value.clone();
        if name == LO_LEVEL {
            return Ok(Effect::LoLevel(text.one_si.unwrap_or(1.0)));
        }
        let nominal = self.design.value(&name)?;
        let step = text.one_si.unwrap_or(0.01 * nominal);
        Ok(Effect::Number { name, nominal, step })
    }

    fn diode_value(&self, sites: &[DiodeSite], j: usize, key: &str) -> Result<f64, ProjectError> {
        self.design.value(&format!("{}.{key}", sites[j].name.value))
    }

    fn correlate(&mut self, text: &ProcessText) {
        for (with, level, coefficient) in &text.correlated {
            if let (Some(a), Some(b)) = (self.variable(&text.name.value), self.variable(&with.value)) {
                self.correlations.push(Correlation { a, b, level: *level, coefficient: *coefficient });
            }
        }
    }

    /// Changes of numbers at `x`; `network_only` leaves the diodes out.
    fn values(&self, x: &[f64], network_only: bool) -> Vec<(String, f64)> {
        let mut out: Vec<(String, f64)> = Vec::new();
        let n = self.nominal.diode_names.len();
        let (mut forward, mut series, mut charge) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
        for (effect, &x) in self.effects.iter().zip(x) {
            let add = |into: &mut Vec<f64>, of: &[(usize, f64)]| of.iter().for_each(|&(j, f)| into[j] += f * x);
            match effect {
                Effect::Number { name, nominal, step } | Effect::Model { name, nominal, step } if x != 0.0 => {
                    out.push((name.clone(), nominal + step * x))
                }
                Effect::Forward(of) => add(&mut forward, of),
                Effect::Series(of) => add(&mut series, of),
                Effect::Charge(of) => add(&mut charge, of),
                _ => {}
            }
        }
        if network_only {
            return out;
        }
        let value = |j: usize, key: &str| {
            let name = format!("{}.{key}", self.nominal.diode_names[j]);
            self.design.value(&name).map(|v| (name, v))
        };
        for j in 0..n {
            // the names were read from the design itself
            if let (true, Ok((name, v))) = (forward[j] != 0.0, value(j, "forward_voltage")) {
                out.push((name, v + forward[j]));
            }
            if let (true, Ok((name, v))) = (series[j] != 0.0, value(j, "RS")) {
                out.push((name, v + series[j]));
            }
            if let (true, Ok((name, v))) = (charge[j] != 0.0, value(j, "CJ0")) {
                out.push((name, v * (1.0 + charge[j])));
            }
        }
        out
    }

    fn lo_shift_db(&self, x: &[f64]) -> f64 {
        let of = |(e, x): (&Effect, &f64)| if let Effect::LoLevel(db) = e { db * x } else { 0.0 };
        self.effects.iter().zip(x).map(of).sum()
    }

    /// The mixer at `x`.
    ///
    /// # Errors
    /// Values that the circuit or a diode refuses.
    pub fn mixer_at(&self, x: &[f64]) -> Result<Mixer, ProjectError> {
        let values = self.values(x, false);
        if values.is_empty() {
            return Ok(self.nominal.clone());
        }
        let values: Vec<(&str, f64)> = values.iter().map(|(n, v)| (n.as_str(), *v)).collect();
        self.design.moved(&values)?.mixer()
    }

    fn embedding_at(&self, x: &[f64]) -> Result<Arc<Embedding>, ProjectError> {
        let values = self.values(x, false);
        let values: Vec<(&str, f64)> = values.iter().map(|(n, v)| (n.as_str(), *v)).collect();
        let (multiport, assembled) = self.design.moved(&values)?.multiport(None)?;
        Ok(Arc::new(Embedding::new(Arc::new(multiport), assembled.diodes.len())?))
    }

    /// Full solutions of every plan at `x`, each from the nominal one, or from rest when `cold`.
    ///
    /// # Errors
    /// As [`DesignProcess::mixer_at`]; a steady state that cannot be found.
    pub fn solve_all(&self, x: &[f64], cold: bool) -> Result<(Mixer, Vec<Observed>), ProjectError> {
        let mixer = self.mixer_at(x)?;
        let shift = self.lo_shift_db(x);
        let solved = self
            .observers
            .iter()
            .zip(&self.centre)
            .map(|(o, near)| o.solve(&mixer, shift, (!cold).then_some(near), &Quiet))
            .collect::<Result<Vec<_>, _>>()?;
        Ok((mixer, solved))
    }

    /// Variables that move the passive structure.
    fn movers(&self) -> Vec<usize> {
        let is = |k: &usize| matches!(self.effects[*k], Effect::Number { .. });
        (0..self.effects.len()).filter(is).collect()
    }

    fn stencil(&self, x: &[f64], centre: &Mixer, mixed: bool) -> Result<Stencil, ProjectError> {
        let movers = self.movers();
        let steps: Vec<f64> = movers.iter().map(|&k| (STEP_SD * self.variables[k].total_sd()).max(1e-9)).collect();
        Stencil::new(centre.embedding.clone(), steps, mixed, |p| {
            let mut at = x.to_vec();
            movers.iter().zip(p).for_each(|(&k, d)| at[k] += d);
            self.embedding_at(&at)
        })
    }

    /// Relative error that the steps leave in the derivatives of the passive structure at a
    /// frequency: name of the variable, error.
    ///
    /// # Errors
    /// As [`DesignProcess::mixer_at`].
    pub fn step_error(&self, freq_hz: f64) -> Result<Vec<(String, f64)>, ProjectError> {
        let stencil = self.stencil(&vec![0.0; self.variables.len()], &self.nominal, false)?;
        let errors = stencil.error(freq_hz)?;
        Ok(self.movers().into_iter().map(|k| self.variables[k].name.clone()).zip(errors).collect())
    }

    /// Answers, gradients and (for the second order) curvature at `x`.
    fn derive(&self, x: &[f64], order: Order) -> Result<Expansion, ProjectError> {
        let at_nominal = x.iter().all(|x| *x == 0.0);
        let moved = if at_nominal { None } else { Some(self.solve_all(x, false)?) };
        let (mixer, solved) = moved.as_ref().map_or((&self.nominal, &self.centre), |(m, s)| (m, s));
        let stencil = self.stencil(x, mixer, order == Order::Second)?;
        let movers = self.movers();
        let n = self.nominal.diode_names.len();
        let mut parameters: Vec<Parameter> = (0..movers.len()).map(Parameter::Network).collect();
        parameters.extend((0..n).map(Parameter::SeriesOhm));
        parameters.extend((0..n).map(Parameter::Current));
        parameters.extend((0..n).map(Parameter::Charge));
        parameters.push(Parameter::Drive(0));
        let map = self.map(&movers, x, parameters.len());
        let (mut rows, mut curvature, mut values) = (Vec::new(), Vec::new(), Vec::new());
        for (observer, observed) in self.observers.iter().zip(solved) {
            let d = observer.derive(observed, &stencil, &parameters, order, &Quiet)?;
            values.extend(observed.amplitudes.iter().copied());
            for a in 0..d.first.n_rows() {
                rows.push(through(&map, d.first.row(a)));
            }
            curvature.extend(d.second.iter().map(|c| twice_through(&map, c)));
        }
        let mut found = Expansion { at: x.to_vec(), values, gradient: CMatrix::from_rows(&rows), curvature };
        self.add_differences(&mut found)?;
        Ok(found)
    }

    /// Derivatives with respect to numbers of diode models, from full solutions half a standard deviation to both sides;
    /// mixed second ones are left out.
    fn add_differences(&self, e: &mut Expansion) -> Result<(), ProjectError> {
        for (k, v) in self.variables.iter().enumerate() {
            if !matches!(self.effects[k], Effect::Model { .. }) {
                continue;
            }
            let h = STEP_SD * v.total_sd();
            let at = |sign: f64| -> Result<Vec<Complex64>, ProjectError> {
                let mut x = e.at.clone();
                x[k] += sign * h;
                Ok(self.solve_all(&x, false)?.1.into_iter().flat_map(|o| o.amplitudes).collect())
            };
            let (up, down) = (at(1.0)?, at(-1.0)?);
            for a in 0..up.len() {
                e.gradient[(a, k)] = (up[a] - down[a]) / (2.0 * h);
                if let Some(c) = e.curvature.get_mut(a) {
                    c[(k, k)] = (up[a] + down[a] - e.values[a] * 2.0) / (h * h);
                }
            }
        }
        Ok(())
    }

    /// Parameters of the balance moved by one unit of each variable: `map[variable]` lists them.
    fn map(&self, movers: &[usize], x: &[f64], n_parameters: usize) -> Vec<Vec<(usize, f64)>> {
        let n = self.nominal.diode_names.len();
        let mut charge = vec![1.0; n];
        for (e, x) in self.effects.iter().zip(x) {
            if let Effect::Charge(of) = e {
                of.iter().for_each(|&(j, f)| charge[j] += f * x);
            }
        }
        let first = movers.len();
        let of = |(k, e): (usize, &Effect)| -> Vec<(usize, f64)> {
            match e {
                Effect::Number { .. } => movers.iter().position(|&m| m == k).map(|m| (m, 1.0)).into_iter().collect(),
                Effect::Series(of) => of.iter().map(|&(j, f)| (first + j, f)).collect(),
                Effect::Forward(of) => of.iter().map(|&(j, f)| (first + n + j, -f / self.scale_v[j])).collect(),
                // relative to the charge at this point
                Effect::Charge(of) => of.iter().map(|&(j, f)| (first + 2 * n + j, f / charge[j])).collect(),
                Effect::LoLevel(db) => vec![(n_parameters - 1, db / DB_PER_NP)],
                Effect::Model { .. } => Vec::new(),
            }
        };
        self.effects.iter().enumerate().map(of).collect()
    }
}

/// Scale voltage of a diode at the temperature of its parameters.
fn scale_v(design: &Design, site: &DiodeSite) -> f64 {
    let parameters = site.deviation.apply(&design.models[site.model_idx].parameters);
    parameters.n * thermal_voltage_v(parameters.temp_nominal_k)
}

fn through(map: &[Vec<(usize, f64)>], row: &[Complex64]) -> Vec<Complex64> {
    map.iter().map(|of| of.iter().map(|&(p, f)| row[p] * f).sum()).collect()
}

fn twice_through(map: &[Vec<(usize, f64)>], c: &CMatrix) -> CMatrix {
    CMatrix::from_fn(map.len(), map.len(), |k, l| {
        map[k].iter().flat_map(|&(p, f)| map[l].iter().map(move |&(q, g)| c[(p, q)] * (f * g))).sum()
    })
}

fn nothing(design: &Design, expected: &str, found: &str) -> ProjectError {
    let mismatch = ProcessError::Mismatch { expected: format!("{expected} in {}", design.file), found: found.into() };
    mismatch.into()
}

impl Process for DesignProcess {
    fn variables(&self) -> &[Variable] {
        &self.variables
    }

    fn correlations(&self) -> &[Correlation] {
        &self.correlations
    }

    fn answers(&self) -> &[String] {
        &self.answers
    }

    fn quantities(&self) -> &[Quantity] {
        &self.quantities
    }

    fn solve(&self, x: &[f64]) -> Result<Vec<Complex64>, ProcessError> {
        let (_, solved) = self.solve_all(x, false).map_err(|e| unsolved(&self.variables, x, &e))?;
        Ok(solved.into_iter().flat_map(|o| o.amplitudes).collect())
    }

    fn differentiate(&self, x: &[f64]) -> Result<(Vec<Complex64>, CMatrix), ProcessError> {
        let e = self.derive(x, Order::First).map_err(|e| unsolved(&self.variables, x, &e))?;
        Ok((e.values, e.gradient))
    }

    fn expand(&self, x: &[f64]) -> Result<Expansion, ProcessError> {
        self.derive(x, Order::Second).map_err(|e| unsolved(&self.variables, x, &e))
    }

    fn measures(&self, answers: &[Complex64]) -> Vec<f64> {
        let mut from = 0;
        let mut out = Vec::new();
        for o in &self.observers {
            let n = o.names().len();
            out.extend(o.measures(&answers[from..from + n]));
            from += n;
        }
        out
    }
}

fn unsolved(variables: &[Variable], x: &[f64], error: &ProjectError) -> ProcessError {
    if matches!(error.kind(), crate::ErrorKind::Cancelled) {
        return ProcessError::Cancelled(numerics::Cancelled);
    }
    let moved: Vec<String> = variables
        .iter()
        .zip(x)
        .filter(|(_, x)| **x != 0.0)
        .map(|(v, x)| format!("{} {x:+.3} {}", v.name, v.unit))
        .collect();
    let at = if moved.is_empty() { "nominal point".into() } else { moved.join(", ") };
    ProcessError::Unsolved { at, why: error.to_string() }
}
