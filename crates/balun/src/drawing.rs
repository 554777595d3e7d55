//! A balun as metal: both sections in one line, ports at the input and at the balanced terminals.
//!
//! The first section starts at the west wall's side; the lower strips end at the centre, a gap of the link's length
//! apart, and at their outer ends in pads with a filled via to ground. Ports: `in` (upper strip to ground), `2` and `3`
//! (ends of the lower strips at the centre to ground).

use crate::{BalunDesign, BalunError, BalunRequest, Family};
use stackup::generators::{pad, trace};
use stackup::{Corner, Enclosure, Layout, Point, Polygon, Port, PortPlace, Shape, Terminal, Via, Wall};

/// What a drawing needs beside the design.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Ground layer.
    pub ground: String,
    /// Metal of vias.
    pub via_metal: String,
    /// Diameter of the vias to ground, metre.
    pub via_m: f64,
    /// By how much the pads of vias are larger on each side, metre.
    pub via_margin_m: f64,
    /// Side of the square via between upper and lower strip (uncompensated form), metre.
    pub inner_via_m: f64,
    /// Distance from the metal to the box, metre.
    pub margin_m: f64,
}

/// Corners of a polygon that stands for a round via.
const ROUND: usize = 16;

/// Draws a design; `request` names the layers.
pub fn draw(design: &BalunDesign, request: &BalunRequest, drawing: &Drawing) -> Result<Layout, BalunError> {
    let length = design.arrangement.length_m;
    let gap = design.arrangement.link.map_or(0.0, |l| l.length_m);
    let land = drawing.via_m + 2.0 * drawing.via_margin_m;
    let (lower, upper) = (&request.lower_layer, &request.upper_layer);
    // centre lines along y = 0; the first section starts at x = 0
    let starts = [0.0, length + gap];
    let end = 2.0 * length + gap;
    let mut layout = Layout {
        name: "balun".into(),
        shapes: Vec::new(),
        vias: Vec::new(),
        ports: Vec::new(),
        enclosure: Enclosure {
            low: [-land - drawing.margin_m, -0.5 * land - drawing.margin_m],
            high: [end + land + drawing.margin_m, 0.5 * land + drawing.margin_m],
            walls: [Wall::Metal; 4],
        },
    };
    let mut add = |layer: &str, name: &str, polygon: Polygon| {
        layout.shapes.push(Shape { layer: layer.into(), name: name.into(), polygon });
    };
    let straight = |from: f64, to: f64, width: f64| trace(&[[from, 0.0], [to, 0.0]], width, Corner::Sharp, 0.0);
    for (start, name) in starts.iter().zip(["lower 1", "lower 2"]) {
        add(lower, name, straight(*start, start + length, design.lower_width_m)?);
    }
    add(upper, "upper", straight(0.0, end, design.upper_width_m)?);
    let lands: [Point; 2] = [[-0.5 * land, 0.0], [end + 0.5 * land, 0.0]];
    for (centre, name) in lands.iter().zip(["ground 1", "ground 2"]) {
        add(lower, name, pad(*centre, [land, land])?);
    }
    for (centre, name) in lands.iter().zip(["ground via 1", "ground via 2"]) {
        layout.vias.push(Via {
            name: name.into(),
            from: drawing.ground.clone(),
            to: lower.clone(),
            polygon: Polygon::disc(*centre, 0.5 * drawing.via_m, ROUND)?,
            material: drawing.via_metal.clone(),
        });
    }
    if request.family == Family::Uncompensated {
        let half = 0.5 * drawing.inner_via_m;
        for (x, name) in [(starts[1] + half, "inner via 1"), (end - half, "inner via 2")] {
            layout.vias.push(Via {
                name: name.into(),
                from: lower.clone(),
                to: upper.clone(),
                polygon: pad([x, 0.0], [drawing.inner_via_m; 2])?,
                material: drawing.via_metal.clone(),
            });
        }
    }
    let edge = |x: f64, width: f64| [[x, -0.5 * width], [x, 0.5 * width]];
    let port = |name: &str, layer: &str, x: f64, width: f64, reference_ohm: f64| Port {
        name: name.into(),
        place: PortPlace::Gap {
            plus: Terminal { layer: layer.into(), edge: edge(x, width) },
            minus: Terminal { layer: drawing.ground.clone(), edge: edge(x, width) },
        },
        reference_ohm,
    };
    let half_load = 0.5 * design.arrangement.load_ohm;
    layout.ports = vec![
        port("in", upper, 0.0, design.upper_width_m, design.arrangement.source_ohm),
        port("2", lower, length, design.lower_width_m, half_load),
        port("3", lower, starts[1], design.lower_width_m, half_load),
    ];
    Ok(layout)
}
