//! The stack of layers, bottom up, and where every face of it lies.
//!
//! Heights are counted from the top face of the ground metal (`z = 0`).
//! A patterned metal lies on the surface it was deposited on and grows upwards; the dielectric that follows
//! buries it. How the thickness of that dielectric was measured is part of the data
//! ([`Measured`]), because the two usual meanings differ by the metal thickness.

use crate::{Dielectric, Dimension, Metal, StackupError};

/// From where the thickness of a dielectric is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measured {
    /// From the surface of the dielectric below: metal buried in it does not thicken it.
    FromSurface,
    /// From the top face of the metal below: the distance between that metal and the next one.
    OverMetal,
}

/// What a layer is.
#[derive(Debug, Clone, PartialEq)]
pub enum Role {
    /// Solid metal plane at the bottom; only as the first layer.
    Ground,
    /// Patterned metal on the surface of the layer below.
    Metal {
        /// Grown width minus drawn width, metre.
        width_bias_m: Dimension,
        /// Shift of this mask against the first patterned metal along x and y, metre.
        registration_m: [Dimension; 2],
    },
    /// Dielectric over everything below.
    Dielectric {
        /// Meaning of its thickness.
        measured: Measured,
    },
    /// Metal lid; only as the last layer. Without it the top is open.
    Lid,
}

/// One layer.
#[derive(Debug, Clone, PartialEq)]
pub struct Layer {
    /// Name, unique among the layers.
    pub name: String,
    /// What it is.
    pub role: Role,
    /// Name of its material.
    pub material: String,
    /// Thickness, metre.
    pub thickness_m: Dimension,
}

/// Layers bottom up with their materials.
#[derive(Debug, Clone, PartialEq)]
pub struct Stackup {
    /// Name.
    pub name: String,
    /// Dielectrics.
    pub dielectrics: Vec<Dielectric>,
    /// Metals.
    pub metals: Vec<Metal>,
    /// Layers, bottom up.
    pub layers: Vec<Layer>,
}

/// A dielectric slab of the resolved stack.
#[derive(Debug, Clone, PartialEq)]
pub struct Slab {
    /// Index into [`Stackup::layers`].
    pub layer: usize,
    /// Index into [`Stackup::dielectrics`].
    pub dielectric: usize,
    /// Height of the bottom face, metre.
    pub bottom_m: f64,
    /// Height of the top face, metre; infinite for the open space above.
    pub top_m: f64,
}

/// A patterned metal of the resolved stack.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Index into [`Stackup::layers`].
    pub layer: usize,
    /// Index into [`Stackup::metals`].
    pub metal: usize,
    /// Height of the bottom face, metre.
    pub bottom_m: f64,
    /// Height of the top face, metre.
    pub top_m: f64,
}

/// Heights of all faces.
#[derive(Debug, Clone, PartialEq)]
pub struct Faces {
    /// Index of the ground metal in [`Stackup::metals`]; `None` when the bottom is open.
    pub ground: Option<usize>,
    /// Dielectric slabs, bottom up, without gaps; patterned metal is embedded in them.
    pub slabs: Vec<Slab>,
    /// Patterned metals, bottom up.
    pub sheets: Vec<Sheet>,
    /// Index of the lid metal in [`Stackup::metals`]; `None` when the top is open.
    pub lid: Option<usize>,
}

/// A number of the stack that can be varied or differentiated against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Parameter {
    /// Thickness of the layer with this index.
    Thickness(usize),
    /// Permittivity of the dielectric with this index.
    Permittivity(usize),
    /// Loss tangent of the dielectric with this index.
    LossTangent(usize),
    /// Conductivity of the metal with this index.
    Conductivity(usize),
    /// Width bias of the patterned layer with this index.
    WidthBias(usize),
    /// Registration along x (0) or y (1) of the patterned layer with this index.
    Registration(usize, usize),
}

impl Stackup {
    /// Index of a layer by name.
    pub fn layer(&self, name: &str) -> Result<usize, StackupError> {
        let known = || self.layers.iter().map(|l| l.name.clone()).collect();
        self.layers
            .iter()
            .position(|l| l.name == name)
            .ok_or_else(|| StackupError::UnknownLayer { name: name.into(), known: known() })
    }

    /// Index of a dielectric by name.
    pub fn dielectric(&self, name: &str) -> Result<usize, StackupError> {
        let known = self.dielectrics.iter().map(|d| d.name.clone());
        find(name, known, "dielectric")
    }

    /// Index of a metal by name.
    pub fn metal(&self, name: &str) -> Result<usize, StackupError> {
        let known = self.metals.iter().map(|d| d.name.clone());
        find(name, known, "metal")
    }

    /// Every number that can be varied, in a fixed order.
    pub fn parameters(&self) -> Vec<Parameter> {
        let mut list: Vec<Parameter> = (0..self.layers.len()).map(Parameter::Thickness).collect();
        for i in 0..self.dielectrics.len() {
            list.extend([Parameter::Permittivity(i), Parameter::LossTangent(i)]);
        }
        list.extend((0..self.metals.len()).map(Parameter::Conductivity));
        for (i, layer) in self.layers.iter().enumerate() {
            if matches!(layer.role, Role::Metal { .. }) {
                list.extend([Parameter::WidthBias(i), Parameter::Registration(i, 0), Parameter::Registration(i, 1)]);
            }
        }
        list
    }

    /// The number behind a parameter; `None` when the index points elsewhere.
    pub fn dimension(&self, parameter: Parameter) -> Option<Dimension> {
        self.clone().dimension_mut(parameter).copied()
    }

    /// The number behind a parameter, to be changed; `None` when the index points elsewhere.
    pub fn dimension_mut(&mut self, parameter: Parameter) -> Option<&mut Dimension> {
        match parameter {
            Parameter::Thickness(i) => self.layers.get_mut(i).map(|l| &mut l.thickness_m),
            Parameter::Permittivity(i) => self.dielectrics.get_mut(i).map(|d| &mut d.eps_r),
            Parameter::LossTangent(i) => self.dielectrics.get_mut(i).map(|d| &mut d.loss_tangent),
            Parameter::Conductivity(i) => self.metals.get_mut(i).map(|m| &mut m.conductivity_s_per_m),
            Parameter::WidthBias(i) => match &mut self.layers.get_mut(i)?.role {
                Role::Metal { width_bias_m, .. } => Some(width_bias_m),
                _ => None,
            },
            Parameter::Registration(i, axis) => match &mut self.layers.get_mut(i)?.role {
                Role::Metal { registration_m, .. } => registration_m.get_mut(axis),
                _ => None,
            },
        }
    }

    /// What a parameter is called in tables, for example `film 1 thickness`.
    pub fn parameter_name(&self, parameter: Parameter) -> String {
        let layer = |i: usize| self.layers.get(i).map_or("?", |l| l.name.as_str());
        let dielectric = |i: usize| self.dielectrics.get(i).map_or("?", |d| d.name.as_str());
        match parameter {
            Parameter::Thickness(i) => format!("{} thickness", layer(i)),
            Parameter::Permittivity(i) => format!("{} permittivity", dielectric(i)),
            Parameter::LossTangent(i) => format!("{} loss tangent", dielectric(i)),
            Parameter::Conductivity(i) => {
                format!("{} conductivity", self.metals.get(i).map_or("?", |m| m.name.as_str()))
            }
            Parameter::WidthBias(i) => format!("{} width bias", layer(i)),
            Parameter::Registration(i, axis) => format!("{} registration {}", layer(i), ["x", "y"][axis.min(1)]),
        }
    }

    /// Heights of all faces; checks the whole stack on the way.
    pub fn faces(&self) -> Result<Faces, StackupError> {
        self.check_numbers()?;
        let mut faces = Faces { ground: None, slabs: Vec::new(), sheets: Vec::new(), lid: None };
        let last = self.layers.len().saturating_sub(1);
        let mut surface = 0.0;
        let mut buried = 0.0;
        for (i, layer) in self.layers.iter().enumerate() {
            let thickness = layer.thickness_m.nominal;
            match &layer.role {
                Role::Ground if i == 0 => faces.ground = Some(self.metal(&layer.material)?),
                Role::Lid if i == last => faces.lid = Some(self.metal(&layer.material)?),
                Role::Ground => return Err(self.misplaced(i, "the first layer")),
                Role::Lid => return Err(self.misplaced(i, "the last layer")),
                Role::Metal { .. } => {
                    let metal = self.metal(&layer.material)?;
                    faces.sheets.push(Sheet { layer: i, metal, bottom_m: surface, top_m: surface + thickness });
                    buried = thickness.max(buried);
                }
                Role::Dielectric { measured } => {
                    let over = if *measured == Measured::OverMetal { buried } else { 0.0 };
                    let top = surface + thickness + over;
                    if top < surface + buried {
                        return Err(self.misplaced(i, "a dielectric at least as thick as the metal buried in it"));
                    }
                    let dielectric = self.dielectric(&layer.material)?;
                    faces.slabs.push(Slab { layer: i, dielectric, bottom_m: surface, top_m: top });
                    (surface, buried) = (top, 0.0);
                }
            }
        }
        if buried > 0.0 && faces.lid.is_some() {
            return Err(self.misplaced(last, "a dielectric (such as air) between the last metal and the lid"));
        }
        Ok(faces)
    }

    fn misplaced(&self, layer: usize, expected: &str) -> StackupError {
        StackupError::Misplaced { layer: self.layers[layer].name.clone(), expected: expected.into() }
    }

    fn check_numbers(&self) -> Result<(), StackupError> {
        if self.layers.is_empty() {
            return Err(StackupError::Empty { stackup: self.name.clone() });
        }
        for parameter in self.parameters() {
            let smallest = match parameter {
                Parameter::Permittivity(_) => 1.0,
                Parameter::WidthBias(_) | Parameter::Registration(..) => f64::NEG_INFINITY,
                _ => 0.0,
            };
            let dimension = self.dimension(parameter).expect("parameters() lists only what exists");
            if let Some(fault) = dimension.fault(smallest) {
                return Err(StackupError::Number { what: self.parameter_name(parameter), fault });
            }
        }
        let duplicate =
            self.layers.iter().enumerate().find(|(i, l)| self.layers[..*i].iter().any(|k| k.name == l.name));
        match duplicate {
            Some((_, layer)) => Err(StackupError::Duplicate { name: layer.name.clone() }),
            None => Ok(()),
        }
    }
}

fn find(name: &str, known: impl Iterator<Item = String>, kind: &'static str) -> Result<usize, StackupError> {
    let known: Vec<String> = known.collect();
    known.iter().position(|k| k == name).ok_or(StackupError::UnknownMaterial { kind, name: name.into(), known })
}
