//! A structure as the caller knows it: a drawn layout on a stack, its ports by name, and the numbers it may vary in.
//!
//! Input: `stackup::Stackup` and `stackup::Layout` (or a hand-made [`Volume`]). Output: a [`Structure`] for
//! [`crate::solve_structure`]. Lengths in metre.
//! Not here: width bias and registration as nominal values; the drawn outlines are taken as made.

use crate::layout::{LayoutSettings, volume_from_layout};
use crate::{Volume, VolumeError};
use stackup::{Layout, Parameter, PortPlace, Role, Stackup, Terminal};

/// Share of a number by which it is changed to see what moves.
const RELATIVE_STEP: f64 = 1e-4;
/// Change of a width bias or a registration to see what moves, metre.
const SHIFT_STEP_M: f64 = 1e-9;

/// What one port is called, and its reference.
#[derive(Debug, Clone, PartialEq)]
pub struct PortName {
    /// Name.
    pub name: String,
    /// Reference resistance of the power waves, ohm.
    pub reference_ohm: f64,
}

/// A number the structure can vary in, shown by the structure with that number a little larger.
#[derive(Debug, Clone, PartialEq)]
pub struct Variation {
    /// Name, for example `film 1 thickness`.
    pub name: String,
    /// The changed structure: the same layers, blocks and conductors in the same order with the same corners,
    /// at other places or of other material.
    pub volume: Volume,
    /// By how much the number is larger there, in its own unit (metre, siemens per metre, or one). Small against
    /// everything that is drawn.
    pub step: f64,
}

/// A structure to be solved.
#[derive(Debug, Clone, PartialEq)]
pub struct Structure {
    /// Name in messages.
    pub name: String,
    /// Geometry and materials.
    pub volume: Volume,
    /// Ports, in the order of [`Volume::ports`].
    pub ports: Vec<PortName>,
    /// Numbers whose derivatives are wanted.
    pub variations: Vec<Variation>,
}

impl Structure {
    /// The structure of a drawn layout on a stack at its nominal numbers, without variations.
    pub fn from_layout(stackup: &Stackup, layout: &Layout, settings: &LayoutSettings) -> Result<Self, VolumeError> {
        let name = |p: &stackup::Port| PortName { name: p.name.clone(), reference_ohm: p.reference_ohm };
        Ok(Self {
            name: layout.name.clone(),
            volume: volume_from_layout(stackup, layout, settings)?,
            ports: layout.ports.iter().map(name).collect(),
            variations: Vec::new(),
        })
    }

    /// Asks for the derivative with respect to a number of the stack: a thickness (per metre), permittivity or
    /// loss tangent (per one), conductivity (per siemens per metre), width bias (per metre of added width) or
    /// registration (per metre). Stack, layout and settings are those of [`Structure::from_layout`].
    ///
    /// Thicknesses and permittivities agree with differences of new meshes within 0.04 %. Width bias is only confirmed
    /// to a quarter so far: coarse new meshes scatter that much around it.
    pub fn vary(
        &mut self,
        stackup: &Stackup,
        layout: &Layout,
        settings: &LayoutSettings,
        parameter: Parameter,
    ) -> Result<(), VolumeError> {
        let name = stackup.parameter_name(parameter);
        let (stackup, layout, step) = changed(stackup, layout, parameter)?;
        self.variations.push(Variation { name, volume: volume_from_layout(&stackup, &layout, settings)?, step });
        Ok(())
    }

    /// Asks for the derivative with respect to a design variable of the drawing: `moved` is the layout drawn with
    /// the variable larger by `step` (its own unit), with the same shapes, vias and ports in the same order.
    pub fn vary_drawing(
        &mut self,
        name: &str,
        stackup: &Stackup,
        moved: &Layout,
        settings: &LayoutSettings,
        step: f64,
    ) -> Result<(), VolumeError> {
        let volume = volume_from_layout(stackup, moved, settings)?;
        self.variations.push(Variation { name: name.into(), volume, step });
        Ok(())
    }
}

/// Stack and layout with one number a little larger, and by how much.
fn changed(stackup: &Stackup, layout: &Layout, parameter: Parameter) -> Result<(Stackup, Layout, f64), VolumeError> {
    let mut stackup = stackup.clone();
    let mut layout = layout.clone();
    match parameter {
        Parameter::WidthBias(k) | Parameter::Registration(k, _) => {
            let layer = stackup.layers.get(k).filter(|l| matches!(l.role, Role::Metal { .. }));
            let name = layer.map(|l| l.name.clone()).ok_or_else(|| unknown(&stackup, parameter))?;
            for shape in layout.shapes.iter_mut().filter(|s| s.layer == name) {
                let corners = shape.polygon.corners();
                let moved = match parameter {
                    Parameter::Registration(_, axis) => corners.iter().map(|&p| shifted(p, axis)).collect(),
                    _ => widened(corners, 0.5 * SHIFT_STEP_M),
                };
                shape.polygon = stackup::Polygon::new(&moved)?;
            }
            if let Parameter::Registration(_, axis) = parameter {
                let own = |t: &mut Terminal| {
                    if t.layer == name {
                        t.edge = t.edge.map(|p| shifted(p, axis));
                    }
                };
                for port in &mut layout.ports {
                    if let PortPlace::Gap { plus, minus } = &mut port.place {
                        own(plus);
                        own(minus);
                    }
                }
            }
            Ok((stackup, layout, SHIFT_STEP_M))
        }
        _ => {
            let nominal = stackup.dimension(parameter).ok_or_else(|| unknown(&stackup, parameter))?.nominal;
            // A loss tangent may be zero.
            let step = if nominal == 0.0 { RELATIVE_STEP } else { RELATIVE_STEP * nominal };
            if let Some(number) = stackup.dimension_mut(parameter) {
                number.nominal = nominal + step;
                number.freedom = stackup::Freedom::Fixed;
            }
            Ok((stackup, layout, step))
        }
    }
}

fn unknown(stackup: &Stackup, parameter: Parameter) -> VolumeError {
    VolumeError::Mesh {
        what: format!("expected a number of stack `{}`, found {parameter:?}; take one it lists", stackup.name),
    }
}

fn shifted(mut p: [f64; 2], axis: usize) -> [f64; 2] {
    p[axis.min(1)] += SHIFT_STEP_M;
    p
}

/// Every edge moved outward by `by`.
fn widened(corners: &[[f64; 2]], by: f64) -> Vec<[f64; 2]> {
    let n = corners.len();
    let twice_area: f64 = (0..n)
        .map(|k| {
            let (a, b) = (corners[k], corners[(k + 1) % n]);
            a[0] * b[1] - b[0] * a[1]
        })
        .sum();
    let turn = twice_area.signum();
    let outward = |a: [f64; 2], b: [f64; 2]| {
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        let length = dx.hypot(dy);
        [turn * dy / length, -turn * dx / length]
    };
    (0..n)
        .map(|k| {
            let p = corners[k];
            let (u, v) = (outward(corners[(k + n - 1) % n], p), outward(p, corners[(k + 1) % n]));
            // The corner keeps its distance from both moved edges: d·u = d·v = by.
            let share = by / (1.0 + u[0] * v[0] + u[1] * v[1]);
            [p[0] + share * (u[0] + v[0]), p[1] + share * (u[1] + v[1])]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widening_moves_every_edge_outward_whatever_the_sense() {
        let square = [[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]];
        let wide = widened(&square, 0.1);
        assert_eq!(wide[0], [-0.1, -0.1]);
        assert_eq!(wide[2], [2.1, 1.1]);
        let turned: Vec<_> = square.iter().rev().copied().collect();
        assert_eq!(widened(&turned, 0.1)[0], [-0.1, 1.1]);
    }
}
