//! A drawn layout on a process stack as a volume.
//!
//! Drawn outlines are used as they are: apply width bias and registration before. Heights follow
//! `stackup`: zero is the top face of the ground metal.

use crate::describe::width_m;
use crate::{Conductor, Layer, Medium, Metal, Pad, Port, Side, Volume, VolumeError, Wall};
use stackup::{Dielectric, Layout, PortPlace, Sheet, Stackup, Terminal};

/// Choices of the conversion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LayoutSettings {
    /// Height of air above an open stack before the absorbing top, metre.
    pub open_height_m: f64,
}

/// The volume of `layout` on `stackup`, at nominal dimensions.
pub fn volume_from_layout(
    stackup: &Stackup,
    layout: &Layout,
    settings: &LayoutSettings,
) -> Result<Volume, VolumeError> {
    let faces = stackup.faces()?;
    let medium = |k: usize| medium(&stackup.dielectrics[k]);
    // Ground is the first layer and the lid the last.
    let plate = |k: Option<usize>, layer: Option<&stackup::Layer>| match (k, layer) {
        (Some(k), Some(layer)) => Wall::Plate {
            conductivity_s_per_m: stackup.metals[k].conductivity_s_per_m.nominal,
            thickness_m: layer.thickness_m.nominal,
            roughness_m: stackup.metals[k].roughness_rms_m,
        },
        _ => Wall::Absorbing,
    };
    let layers = faces
        .slabs
        .iter()
        .map(|s| Layer {
            name: stackup.layers.get(s.layer).map_or_else(|| "air".into(), |l| l.name.clone()),
            thickness_m: if s.top_m.is_finite() { s.top_m - s.bottom_m } else { settings.open_height_m },
            medium: medium(s.dielectric),
        })
        .collect();
    let find = Find { stackup, sheets: &faces.sheets };
    let mut conductors = Vec::new();
    for shape in &layout.shapes {
        let sheet = find.sheet(&shape.layer)?;
        let m = &stackup.metals[sheet.metal];
        conductors.push(Conductor {
            name: shape.name.clone(),
            polygon: shape.polygon.corners().to_vec(),
            z_m: [sheet.bottom_m, sheet.top_m],
            metal: Metal::Foil { conductivity_s_per_m: m.conductivity_s_per_m.nominal, roughness_m: m.roughness_rms_m },
        });
    }
    for via in &layout.vias {
        let low = if find.is_ground(&via.from) { 0.0 } else { find.sheet(&via.from)?.bottom_m };
        let z = [low, find.sheet(&via.to)?.top_m];
        let corners = via.polygon.corners();
        conductors.push(find.post(&via.name, corners, z, stackup.metal(&via.material)?));
    }
    let side = |k: usize| match layout.enclosure.walls[k] {
        stackup::Wall::Metal => Wall::Electric,
        stackup::Wall::Open => Wall::Absorbing,
        stackup::Wall::Magnetic => Wall::Magnetic,
    };
    let bottom = plate(faces.ground, stackup.layers.first());
    let top = plate(faces.lid, stackup.layers.last());
    let (low, high) = (layout.enclosure.low, layout.enclosure.high);
    Ok(Volume {
        x_m: [low[0], high[0]],
        y_m: [low[1], high[1]],
        layers,
        blocks: Vec::new(),
        conductors,
        walls: [side(0), side(1), side(2), side(3), bottom, top],
        ports: layout.ports.iter().map(|p| find.port(p)).collect::<Result<_, _>>()?,
    })
}

fn medium(d: &Dielectric) -> Medium {
    Medium {
        permittivity: d.eps_r.nominal,
        loss_tangent: d.loss_tangent.nominal,
        reference_hz: d.at_hz,
        conductivity_s_per_m: 0.0,
    }
}

struct Find<'a> {
    stackup: &'a Stackup,
    sheets: &'a [Sheet],
}

impl Find<'_> {
    fn is_ground(&self, layer: &str) -> bool {
        self.stackup.layers.iter().any(|l| l.name == layer && l.role == stackup::Role::Ground)
    }

    fn sheet(&self, layer: &str) -> Result<&Sheet, VolumeError> {
        let k = self.stackup.layer(layer)?;
        self.sheets.iter().find(|s| s.layer == k).ok_or_else(|| VolumeError::Mesh {
            what: format!("layer `{layer}`: expected a patterned metal, found another kind of layer"),
        })
    }

    /// A post carries along its height; with half its width as thickness its rim has the resistance of its
    /// cross-section at direct current.
    fn post(&self, name: &str, polygon: &[[f64; 2]], z_m: [f64; 2], metal: usize) -> Conductor {
        let m = &self.stackup.metals[metal];
        Conductor {
            name: name.to_string(),
            polygon: polygon.to_vec(),
            z_m,
            metal: Metal::Finite {
                conductivity_s_per_m: m.conductivity_s_per_m.nominal,
                thickness_m: width_m(polygon) / 2.0,
                roughness_m: m.roughness_rms_m,
            },
        }
    }

    fn port(&self, port: &stackup::Port) -> Result<Port, VolumeError> {
        match &port.place {
            PortPlace::Wall { side, layer, centre_m, reference_shift_m } => Ok(Port::Wave {
                side: match side {
                    stackup::Side::West => Side::XMin,
                    stackup::Side::East => Side::XMax,
                    stackup::Side::South => Side::YMin,
                    stackup::Side::North => Side::YMax,
                },
                range_m: None,
                n_modes: 1,
                shift_m: *reference_shift_m,
                path_m: Some((*centre_m, [0.0, self.sheet(layer)?.bottom_m])),
            }),
            PortPlace::Gap { plus, minus } => self.gap(plus, minus, port.reference_ohm),
        }
    }

    fn gap(&self, plus: &Terminal, minus: &Terminal, reference_ohm: f64) -> Result<Port, VolumeError> {
        match (self.is_ground(&plus.layer), self.is_ground(&minus.layer)) {
            (true, true) => Err(VolumeError::Port {
                what: "expected a port between two conductors, found ground on both sides".into(),
            }),
            (false, true) => {
                self.upright(plus.edge, [0.0, self.sheet(&plus.layer)?.bottom_m], Pad::Upper, reference_ohm)
            }
            (true, false) => {
                self.upright(minus.edge, [0.0, self.sheet(&minus.layer)?.bottom_m], Pad::Lower, reference_ohm)
            }
            (false, false) => {
                let (a, b) = (self.sheet(&plus.layer)?, self.sheet(&minus.layer)?);
                if a.layer == b.layer {
                    return Ok(flat(plus.edge, minus.edge, a.bottom_m, reference_ohm));
                }
                let plus_above = a.bottom_m >= b.top_m;
                let (low, high) = if plus_above { (b, a) } else { (a, b) };
                let pad = if plus_above { Pad::Upper } else { Pad::Lower };
                self.upright(plus.edge, [low.top_m, high.bottom_m], pad, reference_ohm)
            }
        }
    }

    fn upright(&self, line: [[f64; 2]; 2], z_m: [f64; 2], plus: Pad, reference_ohm: f64) -> Result<Port, VolumeError> {
        Ok(Port::Upright { line, z_m, plus, reference_ohm })
    }
}

/// Sheet between two edges of one metal layer.
fn flat(plus: [[f64; 2]; 2], minus: [[f64; 2]; 2], z_m: f64, reference_ohm: f64) -> Port {
    let middle = |e: [[f64; 2]; 2]| [(e[0][0] + e[1][0]) / 2.0, (e[0][1] + e[1][1]) / 2.0];
    let (a, b) = (middle(minus), middle(plus));
    let d = |p: [f64; 2], q: [f64; 2]| (p[0] - q[0]).hypot(p[1] - q[1]);
    // The outline runs along one edge and back along the other without crossing itself.
    let straight = d(minus[1], plus[0]) + d(minus[0], plus[1]) <= d(minus[1], plus[1]) + d(minus[0], plus[0]);
    let far = if straight { plus } else { [plus[1], plus[0]] };
    Port::Flat {
        polygon: vec![minus[0], minus[1], far[0], far[1]],
        z_m,
        direction: [b[0] - a[0], b[1] - a[1]],
        reference_ohm,
    }
}
