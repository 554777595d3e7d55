//! Numbers of stack and drawing by which a field solution has derivatives, and the same solution with other values.
//!
//! Derivatives come with the solution (no further factorisation); [`moved`] follows them to first order, so that
//! spreads, gradients and corners of a design that rests on field solutions cost no new solution.
//! Not here: numbers that move the box under a line in its wall; roughness. Walls stay where they are drawn.

use super::kept::Kept;
use super::solution::{LAYOUT_SETTINGS, Task};
use crate::design::{Design, LayoutText, SolutionText};
use crate::error::ProjectError;
use numerics::{CMatrix, linear};
use stackup::{Layout, Parameter, PortPlace, Role, Stackup};
use volume::{Structure, VolumeError};

/// Change of a variable of a drawing by which its derivative is seen, metre.
const STEP_M: f64 = 1e-9;

/// A number with a derivative.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Number {
    Stack(Parameter),
    /// Name of a variable of the drawing.
    Drawing(String),
}

/// Every number a solution has a derivative by, with its name in tables.
pub(super) fn numbers(
    design: &Design,
    drawing: &LayoutText,
    changed: &[(String, f64)],
    layout: &Layout,
) -> Result<Vec<(String, Number)>, ProjectError> {
    let stack = stack_of(design);
    let named = |p: Parameter| (stack.parameter_name(p), Number::Stack(p));
    let mut out: Vec<(String, Number)> =
        stack.parameters().into_iter().filter(|p| matters(stack, layout, *p)).map(named).collect();
    for (name, _) in &drawing.variables {
        if redrawn(design, drawing, changed, name, layout)?.is_some() {
            out.push((format!("drawing {name}"), Number::Drawing(name.clone())));
        }
    }
    Ok(out)
}

/// Asks a structure for the derivatives by some numbers.
pub(super) fn vary(
    structure: &mut Structure,
    design: &Design,
    drawing: &LayoutText,
    changed: &[(String, f64)],
    layout: &Layout,
    numbers: &[(String, Number)],
) -> Result<(), ProjectError> {
    let stack = stack_of(design);
    let wrong = |source: VolumeError| ProjectError::Volume { part: drawing.name.value.clone(), source };
    for (name, number) in numbers {
        match number {
            Number::Stack(p) => structure.vary(stack, layout, &LAYOUT_SETTINGS, *p).map_err(wrong)?,
            Number::Drawing(variable) => {
                if let Some(moved) = redrawn(design, drawing, changed, variable, layout)? {
                    structure.vary_drawing(name, stack, &moved, &LAYOUT_SETTINGS, STEP_M).map_err(wrong)?;
                }
            }
        }
    }
    Ok(())
}

/// True when a number of the stack is part of what the field sees and can be followed.
fn matters(stack: &Stackup, layout: &Layout, parameter: Parameter) -> bool {
    let used = |k: usize| stack.layers.get(k).is_some_and(|l| layout.polygons_on(&l.name).next().is_some());
    match parameter {
        Parameter::Thickness(k) => match stack.layers.get(k).map(|l| &l.role) {
            Some(Role::Dielectric { .. }) => true,
            Some(Role::Metal { .. }) => used(k),
            _ => false,
        },
        Parameter::Permittivity(k) => stack.dielectrics.get(k).is_some_and(|d| d.eps_r.nominal > 1.0),
        Parameter::LossTangent(k) => stack.dielectrics.get(k).is_some_and(|d| d.loss_tangent.nominal > 0.0),
        Parameter::Conductivity(k) => {
            let of = |l: &stackup::Layer| stack.metals.get(k).is_some_and(|m| m.name == l.material);
            stack.layers.iter().enumerate().any(|(i, l)| of(l) && used(i))
        }
        // metal that ends in a wall cannot be shifted along it and stay in the box
        Parameter::WidthBias(k) | Parameter::Registration(k, _) => used(k) && !touches_a_wall(stack, layout, k),
    }
}

fn touches_a_wall(stack: &Stackup, layout: &Layout, layer: usize) -> bool {
    let (low, high) = (layout.enclosure.low, layout.enclosure.high);
    layout.polygons_on(&stack.layers[layer].name).any(|p| {
        let (a, b) = p.bounds();
        (0..2).any(|d| a[d] <= low[d] + STEP_M || b[d] >= high[d] - STEP_M)
    })
}

/// The drawing with one variable a little larger in the same box; nothing when nothing moves or it cannot be followed.
fn redrawn(
    design: &Design,
    drawing: &LayoutText,
    changed: &[(String, f64)],
    variable: &str,
    layout: &Layout,
) -> Result<Option<Layout>, ProjectError> {
    let Some(nominal) = value_of(drawing, changed, variable) else { return Ok(None) };
    let mut then: Vec<(String, f64)> = changed.iter().filter(|c| c.0 != variable).cloned().collect();
    then.push((variable.into(), nominal + STEP_M));
    let mut moved = super::solution::made(design, drawing, &then)?;
    let wall = layout.ports.iter().any(|p| matches!(p.place, PortPlace::Wall { .. }));
    if moved.enclosure != layout.enclosure && wall {
        return Ok(None);
    }
    moved.enclosure = layout.enclosure;
    moved.ports.sort_by_key(|port| layout.ports.iter().position(|p| p.name == port.name));
    let corners = |l: &Layout| l.shapes.iter().map(|s| s.polygon.corners().len()).collect::<Vec<_>>();
    let alike = corners(&moved) == corners(layout) && moved.vias.len() == layout.vias.len();
    Ok((moved != *layout && alike).then_some(moved))
}

fn value_of(drawing: &LayoutText, changed: &[(String, f64)], variable: &str) -> Option<f64> {
    changed.iter().chain(&drawing.variables).find(|v| v.0 == variable).map(|v| v.1)
}

fn stack_of(design: &Design) -> &Stackup {
    &design.technology.as_ref().expect("a solution was read with a stack").stackup
}

/// The kept result of `base`, a solution of `from`, at the numbers of `to`, to first order; passive as before.
///
/// `text` is the solution as `to` asks for it.
///
/// # Errors
/// A number of `to` that differs and has no derivative.
pub(super) fn moved(
    base: &Task<'_>,
    from: &Design,
    (to, text): (&Design, &SolutionText),
    mut kept: Kept,
) -> Result<Kept, ProjectError> {
    let mut rest = stack_of(to).clone();
    let (old, new) = (drawing_of(from, base.text), drawing_of(to, base.text));
    for (name, number) in base.numbers() {
        let change = match number {
            Number::Stack(p) => {
                let at = |d: &Design| stack_of(d).dimension(*p).expect("listed by the stack");
                if let Some(number) = rest.dimension_mut(*p) {
                    *number = at(from);
                }
                at(to).nominal - at(from).nominal
            }
            Number::Drawing(variable) => {
                let at = |d: &LayoutText, t: &SolutionText| value_of(d, &t.variables, variable).unwrap_or(f64::NAN);
                at(new, text) - at(old, base.text)
            }
        };
        if change != 0.0 {
            follow(&mut kept, name, change).ok_or_else(|| no_derivative(base, name))?;
        }
    }
    if rest != *stack_of(from) {
        return Err(no_derivative(base, "a number of the stack"));
    }
    let followed = |variable: &str| base.numbers().iter().any(|n| n.1 == Number::Drawing(variable.into()));
    let values = |d: &LayoutText, t: &SolutionText| -> Vec<Option<f64>> {
        d.variables.iter().filter(|v| !followed(&v.0)).map(|v| value_of(d, &t.variables, &v.0)).collect()
    };
    if values(new, text) != values(old, base.text) {
        return Err(no_derivative(base, "a variable of the drawing"));
    }
    for s in &mut kept.scattering {
        let wrong =
            |e: numerics::NumericsError| ProjectError::Volume { part: base.part.name.value.clone(), source: e.into() };
        *s = passive(s.clone()).map_err(wrong)?;
    }
    Ok(kept)
}

fn drawing_of<'a>(design: &'a Design, text: &SolutionText) -> &'a LayoutText {
    let drawing = design.layouts.iter().find(|l| l.name.value == text.layout);
    drawing.expect("a solution was read with its layout")
}

/// Adds the change of a number; nothing when there is no derivative by it.
fn follow(kept: &mut Kept, name: &str, change: f64) -> Option<()> {
    let derivative = kept.derivatives.iter().find(|d| d.name == name)?;
    for (s, d) in kept.scattering.iter_mut().zip(&derivative.scattering) {
        *s = CMatrix::from_fn(s.n_rows(), s.n_cols(), |p, q| s[(p, q)] + d[(p, q)] * change);
    }
    Some(())
}

/// Scaled down where the largest singular value is beyond one.
pub(super) fn passive(s: CMatrix) -> Result<CMatrix, numerics::NumericsError> {
    let largest = linear::singular_values(&s)?.into_iter().fold(0.0, f64::max);
    Ok(if largest > 1.0 { s.map(|x| x / largest) } else { s })
}

fn no_derivative(base: &Task<'_>, name: &str) -> ProjectError {
    let known: Vec<&str> = base.numbers().iter().map(|n| n.0.as_str()).collect();
    ProjectError::Number {
        name: name.into(),
        why: format!(
            "is moved, but the field solution {} was kept with derivatives by {} only; move those, or solve the moved \
             design with `mixwright field`",
            base.part.name.value,
            known.join(", ")
        ),
    }
}
