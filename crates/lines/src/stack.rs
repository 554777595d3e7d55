//! Cross-section of strips drawn on the layers of a stack, and how it moves with every number of the stack.

use crate::section::{Conductor, CrossSection, Filling, Layer, Outline, Surface};
use crate::{LinesError, Motion};
use stackup::{Parameter, Role, Stackup, StackupError};

/// A strip drawn on a metal layer.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// Name of the line.
    pub name: String,
    /// Metal layer.
    pub layer: String,
    /// Drawn place of its middle, metre.
    pub centre_m: f64,
    /// Drawn width, metre.
    pub width_m: f64,
    /// True when it belongs to the reference.
    pub reference: bool,
}

impl Strip {
    /// A line.
    pub fn line(name: &str, layer: &str, centre_m: f64, width_m: f64) -> Self {
        Self { name: name.into(), layer: layer.into(), centre_m, width_m, reference: false }
    }
}

/// A cross-section made from a stack and strips.
#[derive(Debug, Clone, PartialEq)]
pub struct StackLines {
    stack: Stackup,
    strips: Vec<Strip>,
    walls_m: Option<[f64; 2]>,
    section: CrossSection,
}

/// Share of a number by which it is moved to see what moves with it; all places are linear in it.
const PROBE: f64 = 1e-3;

/// Cross-section of `strips` in `stack`, with side walls when given.
///
/// Metal width is the drawn width plus the bias of its layer, its place the drawn one plus the registration.
pub fn section_of_stack(
    stack: &Stackup,
    strips: &[Strip],
    walls_m: Option<[f64; 2]>,
) -> Result<StackLines, LinesError> {
    let section = build(stack, strips, walls_m)?;
    section.check()?;
    Ok(StackLines { stack: stack.clone(), strips: strips.to_vec(), walls_m, section })
}

fn build(stack: &Stackup, strips: &[Strip], walls_m: Option<[f64; 2]>) -> Result<CrossSection, LinesError> {
    let faces = stack.faces()?;
    let surface = |metal: usize| {
        let metal = &stack.metals[metal];
        Surface { conductivity_s_per_m: metal.conductivity_s_per_m.nominal, roughness_rms_m: metal.roughness_rms_m }
    };
    let layers: Vec<Layer> = faces.slabs.iter().map(|s| Layer { top_m: s.top_m, filling: s.dielectric }).collect();
    let lid_m = layers.last().map_or(0.0, |l| l.top_m);
    let mut conductors = Vec::new();
    for strip in strips {
        let layer = stack.layer(&strip.layer)?;
        let sheet = faces.sheets.iter().find(|s| s.layer == layer).ok_or_else(|| StackupError::Misplaced {
            layer: strip.layer.clone(),
            expected: "a patterned metal for strips".into(),
        })?;
        let Role::Metal { width_bias_m, registration_m } = &stack.layers[layer].role else {
            unreachable!("sheets are metal layers")
        };
        let half = 0.5 * (strip.width_m + width_bias_m.nominal);
        let middle = strip.centre_m + registration_m[0].nominal;
        if half <= 0.0 {
            let fault = format!("expected a width above zero after bias, found {} m", 2.0 * half);
            return Err(LinesError::Section { place: format!("strip `{}`", strip.name), fault });
        }
        let (x, y) = ([middle - half, middle + half], [sheet.bottom_m, sheet.top_m]);
        let flat = sheet.top_m == sheet.bottom_m;
        let mut conductor = Conductor::strip(&strip.name, x, y, surface(sheet.metal));
        if flat {
            conductor.outline = Outline::Sheet([x[0], y[0]], [x[1], y[0]]);
        }
        conductor.reference = strip.reference;
        conductors.push(conductor);
    }
    Ok(CrossSection {
        ground: faces.ground.map(surface),
        lid: faces.lid.map(|metal| (lid_m, surface(metal))),
        walls_m,
        fillings: stack
            .dielectrics
            .iter()
            .map(|d| Filling { eps_r: d.eps_r.nominal, loss_tangent: d.loss_tangent.nominal })
            .collect(),
        layers,
        conductors,
    })
}

impl StackLines {
    /// The cross-section.
    pub fn section(&self) -> &CrossSection {
        &self.section
    }

    /// The strips.
    pub fn strips(&self) -> &[Strip] {
        &self.strips
    }

    /// What moves with a number of the stack, per unit of it; nothing for loss tangents and conductivities.
    pub fn motion(&self, parameter: Parameter) -> Result<Motion, LinesError> {
        let mut moved = self.stack.clone();
        let Some(number) = moved.dimension_mut(parameter) else { return Ok(Motion::none(&self.section)) };
        let step = match parameter {
            Parameter::WidthBias(_) | Parameter::Registration(..) => PROBE * self.section.scale_m(),
            _ => PROBE * number.nominal,
        };
        if step == 0.0 {
            return Ok(Motion::none(&self.section));
        }
        number.nominal += step;
        number.freedom = stackup::Freedom::Fixed;
        self.towards(&build(&moved, &self.strips, self.walls_m)?, step)
    }

    /// What moves with the drawn width of one strip.
    pub fn width_motion(&self, strip: usize) -> Motion {
        Motion::width(&self.section, strip)
    }

    /// What moves with the drawn place of one strip.
    pub fn place_motion(&self, strip: usize) -> Motion {
        Motion::shift(&self.section, strip)
    }

    /// Rates that lead from this section to `moved` in `step`.
    fn towards(&self, moved: &CrossSection, step: f64) -> Result<Motion, LinesError> {
        let here = &self.section;
        let mut motion = Motion::none(here);
        let places = |o: &Outline| match o {
            Outline::Solid(c) | Outline::Box(c) => c.clone(),
            Outline::Sheet(a, b) => vec![*a, *b],
            Outline::Wire { centre, .. } | Outline::Shield { centre, .. } => vec![*centre],
        };
        for (index, (a, b)) in here.conductors.iter().zip(&moved.conductors).enumerate() {
            let pairs = places(&a.outline).into_iter().zip(places(&b.outline));
            motion.corners[index] = pairs.map(|(p, q)| [(q[0] - p[0]) / step, (q[1] - p[1]) / step]).collect();
        }
        for (rate, (a, b)) in motion.layer_tops.iter_mut().zip(here.layers.iter().zip(&moved.layers)) {
            *rate = if a.top_m.is_finite() { (b.top_m - a.top_m) / step } else { 0.0 };
        }
        if let (Some(a), Some(b)) = (here.lid, moved.lid) {
            motion.lid = (b.0 - a.0) / step;
        }
        for (rate, (a, b)) in motion.eps_r.iter_mut().zip(here.fillings.iter().zip(&moved.fillings)) {
            *rate = (b.eps_r - a.eps_r) / step;
        }
        Ok(motion)
    }
}
