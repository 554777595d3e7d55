//! Every number of a design by a dotted name: what it is, and the same design with other values.
//!
//! Names: `film1.thickness`, `polymer.permittivity`, `M2.width_bias`, `registration`, `V27.IS`, `D3.RS`,
//! `C_pad_b+.capacitance`, `LO_near.length`, `LO_near.upper.width`, `lo_level`, `temperature`, and a variable of a
//! layout as `balun.section`, or as `LO_balun.section` where a solution has its own value of it.
//! Values: SI, levels in dBm, as [`quantity::Quantity::stored`].

use super::circuit::{CircuitText, DiodeSite, FreeCircuit, Part, PartKind};
use super::tree::meant_or_list;
use super::{Design, DiodeModel};
use crate::error::ProjectError;
use diode::SchottkyParameters;
use quantity::Quantity;
use quantity::constants::thermal_voltage_v;
use stackup::{Freedom, Parameter, Role, Stackup};

/// Prefixes that may stand before a name to say what kind of thing it belongs to.
const KINDS: [&str; 6] = ["layer.", "material.", "model.", "diode.", "part.", "plan."];

const MODEL_KEYS: [&str; 13] = [
    "IS",
    "N",
    "RS",
    "CJ0",
    "VJ",
    "M",
    "FC",
    "TT",
    "XTI",
    "barrier",
    "pad_capacitance",
    "finger_inductance",
    "thermal_resistance",
];
const DIODE_KEYS: [&str; 6] = ["forward_voltage", "IS", "N", "RS", "CJ0", "pad_capacitance"];

impl Design {
    /// The value of a number by its name, SI (levels in dBm).
    ///
    /// # Errors
    /// A name that belongs to nothing in this design.
    pub fn value(&self, name: &str) -> Result<f64, ProjectError> {
        let mut copy = self.clone();
        reach(&mut copy, name, None).ok_or_else(|| self.no_such_number(name))
    }

    /// The same design with other values, SI (levels in dBm): names and new values, not differences.
    ///
    /// Values of diode models are set before those of single diodes: `D3.RS` is what that diode has in the end. A
    /// permittivity belongs to its material and changes in every layer of it; `registration` moves every metal but
    /// the lowest. Field solutions follow to first order from those of this design, unless the moved ones are kept too.
    /// Nothing is checked against free ranges; impossible values are refused when the circuit is joined.
    ///
    /// # Errors
    /// A name that belongs to nothing in this design, a value that is not finite.
    pub fn moved(&self, values: &[(&str, f64)]) -> Result<Self, ProjectError> {
        let mut design = self.clone();
        let solved = |p: &Part| matches!(p.kind, PartKind::Solution { .. });
        if let CircuitText::Free(free) = &self.circuit
            && free.parts.iter().any(solved)
            && self.moved_from.is_none()
        {
            design.moved_from = Some(std::sync::Arc::new(self.clone()));
        }
        let of_diode = |name: &str| {
            let owner = bare(name).rsplit_once('.').map_or("", |(owner, _)| owner);
            self.sites().any(|site| site.name.value == owner)
        };
        let (last, first): (Vec<_>, Vec<_>) = values.iter().copied().partition(|(name, _)| of_diode(name));
        for (name, value) in first.into_iter().chain(last) {
            if !value.is_finite() {
                return Err(ProjectError::Number {
                    name: (*name).into(),
                    why: format!("is {value}, not a finite number"),
                });
            }
            reach(&mut design, name, Some(value)).ok_or_else(|| self.no_such_number(name))?;
        }
        Ok(design)
    }

    /// Names of all numbers that can be moved.
    pub fn numbers(&self) -> Vec<String> {
        let mut names = vec!["temperature".to_string(), "lo".to_string(), "lo_level".to_string()];
        let mut push = |owner: &str, keys: &[&str]| names.extend(keys.iter().map(|k| format!("{owner}.{k}")));
        if let Some(technology) = &self.technology {
            let stack = &technology.stackup;
            for layer in &stack.layers {
                push(&layer.name, &["thickness"]);
                if matches!(layer.role, Role::Metal { .. }) {
                    push(&layer.name, &["width_bias", "registration_x", "registration_y"]);
                }
            }
            stack.dielectrics.iter().for_each(|d| push(&d.name, &["permittivity", "loss_tangent"]));
            stack.metals.iter().for_each(|m| push(&m.name, &["conductivity", "roughness"]));
        }
        self.models.iter().for_each(|m| push(&m.name, &MODEL_KEYS));
        self.sites().for_each(|d| push(&d.name.value, &DIODE_KEYS));
        if let CircuitText::Free(free) = &self.circuit {
            free.parts.iter().for_each(|p| push(&p.name.value, part_keys(p)));
            for part in &free.parts {
                match &part.kind {
                    PartKind::Section { strips, .. } => strips
                        .iter()
                        .for_each(|s| push(&format!("{}.{}", part.name.value, s.name), &["width", "offset"])),
                    PartKind::Solution { solution, .. } => {
                        solution.variables.iter().for_each(|v| push(&part.name.value, &[v.0.as_str()]));
                    }
                    _ => {}
                }
            }
        }
        for layout in &self.layouts {
            names.extend(layout.variables.iter().map(|v| format!("{}.{}", layout.name.value, v.0)));
        }
        if self.technology.is_some() {
            names.push("registration".into());
        }
        let mut probe = self.clone();
        names.retain(|name| reach(&mut probe, name, None).is_some());
        names
    }

    fn sites(&self) -> impl Iterator<Item = &DiodeSite> {
        let free = if let CircuitText::Free(free) = &self.circuit { Some(free) } else { None };
        free.into_iter().flat_map(|f| &f.diodes)
    }

    fn no_such_number(&self, name: &str) -> ProjectError {
        let known = self.numbers();
        let known: Vec<&str> = known.iter().map(String::as_str).collect();
        let why = format!("is no number of the design; {}", meant_or_list(name, &known));
        ProjectError::Number { name: name.into(), why }
    }
}

fn bare(name: &str) -> &str {
    KINDS.iter().find_map(|kind| name.strip_prefix(kind)).unwrap_or(name)
}

/// The number behind a name, set first when a new value is given.
fn reach(design: &mut Design, name: &str, new: Option<f64>) -> Option<f64> {
    let kind = KINDS.iter().find(|kind| name.starts_with(**kind)).copied();
    let name = bare(name);
    let asked = |own: &str| kind.is_none_or(|kind| kind == own);
    match name {
        "temperature" => return Some(quantity(&mut design.temperature, new)),
        "lo" => return Some(quantity(&mut design.plan.lo, new)),
        "lo_level" => return Some(quantity(&mut design.plan.lo_level, new)),
        _ => {}
    }
    if let Some(technology) = &mut design.technology
        && (asked("layer.") || asked("material."))
        && let Some(value) = of_stack(&mut technology.stackup, name, new)
    {
        return Some(value);
    }
    let (owner, key) = name.rsplit_once('.')?;
    if asked("model.")
        && let Some(model) = design.models.iter_mut().find(|m| m.name == owner)
    {
        return of_model(&mut model.parameters, key, new);
    }
    let CircuitText::Free(free) = &mut design.circuit else { return None };
    if asked("diode.")
        && let Some(site) = free.diodes.iter_mut().find(|d| d.name.value == owner)
    {
        return of_diode(site, &design.models, key, new);
    }
    let in_part = if asked("part.") { of_parts(free, owner, key, new) } else { None };
    in_part.or_else(|| {
        let layout = design.layouts.iter_mut().find(|l| l.name.value == owner)?;
        Some(plain(&mut layout.variables.iter_mut().find(|v| v.0 == key)?.1, new))
    })
}

fn plain(number: &mut f64, new: Option<f64>) -> f64 {
    if let Some(new) = new {
        *number = new;
    }
    *number
}

fn quantity<Q: Quantity>(q: &mut Q, new: Option<f64>) -> f64 {
    if let Some(new) = new {
        *q = Q::from_stored(new);
    }
    q.stored()
}

/// Whether a stack alone has a number of this name.
pub(super) fn is_of_stack(stack: &Stackup, name: &str) -> bool {
    of_stack(&mut stack.clone(), bare(name), None).is_some()
}

fn of_stack(stack: &mut Stackup, name: &str, new: Option<f64>) -> Option<f64> {
    let is_metal = |r: &Role| matches!(r, Role::Metal { .. });
    if name == "registration" {
        let later: Vec<usize> = (0..stack.layers.len()).filter(|&i| is_metal(&stack.layers[i].role)).skip(1).collect();
        let of = |&i: &usize| [Parameter::Registration(i, 0), Parameter::Registration(i, 1)];
        let values: Vec<f64> = later.iter().flat_map(of).map(|p| dimension(stack, p, new)).collect::<Option<_>>()?;
        return values.first().copied();
    }
    let (owner, key) = name.rsplit_once('.')?;
    let layer = stack.layers.iter().position(|l| l.name == owner);
    let of_layer = |i: usize| match key {
        "thickness" => Some(Parameter::Thickness(i)),
        "width_bias" => Some(Parameter::WidthBias(i)),
        "registration_x" => Some(Parameter::Registration(i, 0)),
        "registration_y" => Some(Parameter::Registration(i, 1)),
        _ => None,
    };
    if let Some(parameter) = layer.and_then(of_layer) {
        return dimension(stack, parameter, new);
    }
    let material = layer.map_or(owner, |i| stack.layers[i].material.as_str());
    let dielectric = stack.dielectrics.iter().position(|d| d.name == material);
    let metal = stack.metals.iter().position(|m| m.name == material);
    match key {
        "permittivity" => dimension(stack, Parameter::Permittivity(dielectric?), new),
        "loss_tangent" => dimension(stack, Parameter::LossTangent(dielectric?), new),
        "conductivity" => dimension(stack, Parameter::Conductivity(metal?), new),
        "roughness" => Some(plain(&mut stack.metals[metal?].roughness_rms_m, new)),
        _ => None,
    }
}

/// A moved number is no choice of the designer any more: no free range holds for it.
fn dimension(stack: &mut Stackup, parameter: Parameter, new: Option<f64>) -> Option<f64> {
    let number = stack.dimension_mut(parameter)?;
    if new.is_some() {
        number.freedom = Freedom::Fixed;
    }
    Some(plain(&mut number.nominal, new))
}

fn of_model(m: &mut SchottkyParameters, key: &str, new: Option<f64>) -> Option<f64> {
    let number = match key {
        "IS" => &mut m.is_a,
        "N" => &mut m.n,
        "RS" => &mut m.rs_ohm,
        "CJ0" => &mut m.cj0_f,
        "VJ" => &mut m.vj_v,
        "M" => &mut m.m,
        "FC" => &mut m.fc,
        "TT" => &mut m.tt_s,
        "XTI" => &mut m.xti,
        "barrier" => &mut m.barrier_ev,
        "pad_capacitance" => &mut m.pad_capacitance_f,
        "finger_inductance" => &mut m.finger_inductance_h,
        "thermal_resistance" => m.thermal_resistance_k_per_w.as_mut()?,
        _ => return None,
    };
    Some(plain(number, new))
}

/// Values of one diode; its deviation from the model is what is changed.
fn of_diode(site: &mut DiodeSite, models: &[DiodeModel], key: &str, new: Option<f64>) -> Option<f64> {
    let nominal = &models.get(site.model_idx)?.parameters;
    let own = &mut site.deviation;
    let relative = |share: &mut f64, nominal: f64| {
        if let Some(new) = new {
            *share = new / nominal - 1.0;
        }
        nominal * (1.0 + *share)
    };
    match key {
        "forward_voltage" => Some(plain(&mut own.vf_shift_v, new)),
        "N" => Some(relative(&mut own.n_relative, nominal.n)),
        "RS" => Some(relative(&mut own.rs_relative, nominal.rs_ohm)),
        "CJ0" => Some(relative(&mut own.cj_relative, nominal.cj0_f)),
        "pad_capacitance" => Some(relative(&mut own.pad_relative, nominal.pad_capacitance_f)),
        "IS" => {
            let n_vt = own.apply(nominal).n * thermal_voltage_v(nominal.temp_nominal_k);
            if let Some(new) = new {
                own.vf_shift_v = -n_vt * (new / nominal.is_a).ln();
            }
            Some(nominal.is_a * (-own.vf_shift_v / n_vt).exp())
        }
        _ => None,
    }
}

fn part_keys(part: &Part) -> &'static [&'static str] {
    match part.kind {
        PartKind::Resistor(_) => &["resistance"],
        PartKind::Inductor(_) => &["inductance"],
        PartKind::Capacitor(_) => &["capacitance"],
        PartKind::Line { .. } => &["impedance", "permittivity", "length"],
        PartKind::Coupled { .. } => &["length", "loss_tangent"],
        PartKind::Section { .. } => &["length"],
        PartKind::FilmCapacitor { .. } => &["size_1", "size_2"],
        PartKind::Transformer { .. } | PartKind::Block { .. } | PartKind::Solution { .. } => &[],
    }
}

fn of_parts(free: &mut FreeCircuit, owner: &str, key: &str, new: Option<f64>) -> Option<f64> {
    if let Some(part) = free.parts.iter_mut().find(|p| p.name.value == owner) {
        return of_part(&mut part.kind, key, new);
    }
    let (part, strip) = owner.rsplit_once('.')?;
    let part = free.parts.iter_mut().find(|p| p.name.value == part)?;
    let PartKind::Section { strips, .. } = &mut part.kind else { return None };
    let strip = strips.iter_mut().find(|s| s.name == strip)?;
    match key {
        "width" => Some(plain(&mut strip.width_m, new)),
        "offset" => Some(plain(&mut strip.centre_m, new)),
        _ => None,
    }
}

fn of_part(kind: &mut PartKind, key: &str, new: Option<f64>) -> Option<f64> {
    match (kind, key) {
        (PartKind::Resistor(q), "resistance") => Some(quantity(q, new)),
        (PartKind::Inductor(q), "inductance") => Some(quantity(q, new)),
        (PartKind::Capacitor(q), "capacitance") => Some(quantity(q, new)),
        (PartKind::Line { impedance, .. }, "impedance") => Some(quantity(impedance, new)),
        (PartKind::Line { permittivity, .. }, "permittivity") => Some(plain(permittivity, new)),
        (
            PartKind::Line { length, .. } | PartKind::Coupled { length, .. } | PartKind::Section { length, .. },
            "length",
        ) => Some(quantity(length, new)),
        (PartKind::Coupled { constants, .. }, "loss_tangent") => Some(plain(&mut constants.loss_tangent, new)),
        (PartKind::Solution { solution, .. }, variable) => {
            Some(plain(&mut solution.variables.iter_mut().find(|v| v.0 == variable)?.1, new))
        }
        (PartKind::FilmCapacitor { size_m, .. }, "size_1") => Some(plain(&mut size_m[0], new)),
        (PartKind::FilmCapacitor { size_m, .. }, "size_2") => Some(plain(&mut size_m[1], new)),
        _ => None,
    }
}
