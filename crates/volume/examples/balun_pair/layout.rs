//! Two baluns of two coupled sections each around a diode ring, drawn on a thin-film stack.
//!
//! Upper strips 32 µm, lower strips 40 µm, film 15 µm over the lower metal, 200 µm silica on ground; sections of
//! 1.51 mm (LO) and 1.87 mm (RF). LO and RF leave through the west and east walls on the upper metal, IF through the
//! south wall on the lower metal; four ports between the ring's pads take the diodes.

use stackup::generators::{pad, trace};
use stackup::{
    Corner, Dielectric, Dimension, Enclosure, Layer, Layout, Measured, Metal, Point, Polygon, Port, PortPlace, Role,
    Shape, Side, Stackup, StackupError, Terminal, Via, Wall,
};

const UM: f64 = 1e-6;
const UPPER: f64 = 32.0;
const LOWER: f64 = 40.0;
const GAP: f64 = 120.0;
const LO: f64 = 1510.0;
const RF: f64 = 1870.0;
/// Heights of the two baluns above and below the ring.
const LO_Y: f64 = 260.0;
const RF_Y: f64 = -260.0;
/// Pads of the ring: centres at ±`PAD_AT`, side `PAD`.
const PAD_AT: f64 = 50.0;
const PAD: f64 = 40.0;
/// Land of a via to ground, via, and land of a via between the metals.
const LAND: f64 = 170.0;
const VIA: f64 = 150.0;
const INNER_LAND: f64 = 40.0;
const INNER_VIA: f64 = 24.0;

pub(crate) fn stack() -> Stackup {
    let layer = |name: &str, role: Role, material: &str, um: f64| Layer {
        name: name.into(),
        role,
        material: material.into(),
        thickness_m: Dimension::exact(um * UM),
    };
    let strip = || Role::Metal { width_bias_m: Dimension::exact(0.0), registration_m: [Dimension::exact(0.0); 2] };
    let slab = |measured| Role::Dielectric { measured };
    let dielectric = |name: &str, eps: f64, tan: f64| Dielectric {
        name: name.into(),
        eps_r: Dimension::exact(eps),
        loss_tangent: Dimension::exact(tan),
        at_hz: 1e10,
    };
    Stackup {
        name: "thin film".into(),
        dielectrics: vec![dielectric("silica", 3.8, 0.0002), dielectric("polymer", 2.9, 0.004), Dielectric::air()],
        metals: vec![Metal {
            name: "gold".into(),
            conductivity_s_per_m: Dimension::exact(4.1e7),
            roughness_rms_m: 0.0,
        }],
        layers: vec![
            layer("M0", Role::Ground, "gold", 4.0),
            layer("base", slab(Measured::FromSurface), "silica", 200.0),
            layer("M1", strip(), "gold", 3.0),
            layer("film 1", slab(Measured::OverMetal), "polymer", 15.0),
            layer("M2", strip(), "gold", 3.0),
            layer("film 2", slab(Measured::FromSurface), "polymer", 6.0),
            layer("air", slab(Measured::FromSurface), "air", 500.0),
            layer("lid", Role::Lid, "gold", 100.0),
        ],
    }
}

struct Draw(Layout);

impl Draw {
    fn line(&mut self, layer: &str, name: &str, points: &[[f64; 2]], width: f64) -> Result<(), StackupError> {
        let axis: Vec<Point> = points.iter().map(|p| p.map(|v| v * UM)).collect();
        let polygon = trace(&axis, width * UM, Corner::Sharp, 0.0)?;
        self.0.shapes.push(Shape { layer: layer.into(), name: name.into(), polygon });
        Ok(())
    }

    fn square(&mut self, layer: &str, name: &str, at: [f64; 2], side: f64) -> Result<(), StackupError> {
        let polygon = pad(at.map(|v| v * UM), [side * UM; 2])?;
        self.0.shapes.push(Shape { layer: layer.into(), name: name.into(), polygon });
        Ok(())
    }

    fn via(&mut self, name: &str, from: &str, to: &str, polygon: Polygon) {
        let via = Via { name: name.into(), from: from.into(), to: to.into(), polygon, material: "gold".into() };
        self.0.vias.push(via);
    }

    /// Land with a filled via to ground, its centre half a land beyond `at` in the direction `side` along x.
    fn ground(&mut self, name: &str, at: [f64; 2], side: f64) -> Result<(), StackupError> {
        let centre = [at[0] + side * LAND / 2.0, at[1]];
        self.square("M1", name, centre, LAND)?;
        let disc = Polygon::disc(centre.map(|v| v * UM), VIA / 2.0 * UM, 8)?;
        self.via(name, "M0", "M1", disc);
        Ok(())
    }

    fn step_up(&mut self, name: &str, at: [f64; 2]) -> Result<(), StackupError> {
        self.square("M2", name, at, INNER_LAND)?;
        let polygon = pad(at.map(|v| v * UM), [INNER_VIA * UM; 2])?;
        self.via(name, "M1", "M2", polygon);
        Ok(())
    }

    fn diode(&mut self, name: &str, plus: [Point; 2], minus: [Point; 2]) {
        let end = |edge: [Point; 2]| Terminal { layer: "M1".into(), edge: edge.map(|p| p.map(|v| v * UM)) };
        self.0.ports.push(Port {
            name: name.into(),
            place: PortPlace::Gap { plus: end(plus), minus: end(minus) },
            reference_ohm: 50.0,
        });
    }

    fn wall(&mut self, name: &str, side: Side, layer: &str, centre: f64) {
        let place = PortPlace::Wall { side, layer: layer.into(), centre_m: centre * UM, reference_shift_m: 0.0 };
        self.0.ports.push(Port { name: name.into(), place, reference_ohm: 50.0 });
    }
}

/// Ports: LO, RF, IF, then the diodes a+b+, b+a−, a−b−, b−a+.
pub(crate) fn pair() -> Result<Layout, StackupError> {
    let (half, x, y) = (GAP / 2.0, 2250.0, [-900.0, 650.0]);
    let enclosure = Enclosure { low: [-x * UM, y[0] * UM], high: [x * UM, y[1] * UM], walls: [Wall::Metal; 4] };
    let mut d = Draw(Layout { name: "balun pair".into(), shapes: vec![], vias: vec![], ports: vec![], enclosure });
    // LO balun: upper strip from the west wall, open at its east end; lower strips grounded outside.
    d.line("M2", "LO upper", &[[-x, LO_Y], [LO + half, LO_Y]], UPPER)?;
    d.line("M1", "LO lower 1", &[[-LO - half, LO_Y], [-half, LO_Y]], LOWER)?;
    d.line("M1", "LO lower 2", &[[half, LO_Y], [LO + half, LO_Y]], LOWER)?;
    d.ground("LO ground 1", [-LO - half, LO_Y], -1.0)?;
    d.ground("LO ground 2", [LO + half, LO_Y], 1.0)?;
    // RF balun, from the east wall; its lower strips end in capacitors to ground and in the IF lines.
    d.line("M2", "RF upper", &[[-RF - half, RF_Y], [x, RF_Y]], UPPER)?;
    d.line("M1", "RF lower 1", &[[-RF - half, RF_Y], [-half, RF_Y]], LOWER)?;
    d.line("M1", "RF lower 2", &[[half, RF_Y], [RF + half, RF_Y]], LOWER)?;
    for (k, side) in [(1, -1.0), (2, 1.0)] {
        let (end, plate) = (RF + half - 20.0, 300.0);
        let centre = [side * (end - plate / 2.0), RF_Y - 60.0 - plate / 2.0];
        d.square("M1", &format!("capacitor {k} lower"), centre, plate)?;
        d.line(
            "M1",
            &format!("capacitor {k} feed"),
            &[[side * end, RF_Y - 20.0], [side * end, centre[1] + plate / 2.0]],
            LOWER,
        )?;
        let above = [centre[0], centre[1]];
        d.square("M2", &format!("capacitor {k} upper"), above, plate - 20.0)?;
        let land = [side * (end + LAND / 2.0 + 30.0), centre[1]];
        d.line("M2", &format!("capacitor {k} strap"), &[[above[0], above[1]], [land[0], land[1]]], 60.0)?;
        d.square("M1", &format!("capacitor {k} ground"), land, LAND)?;
        d.via(&format!("capacitor {k} ground"), "M0", "M1", Polygon::disc(land.map(|v| v * UM), VIA / 2.0 * UM, 8)?);
        let polygon = pad(land.map(|v| v * UM), [60.0 * UM; 2])?;
        d.via(&format!("capacitor {k} strap"), "M1", "M2", polygon);
        let low = centre[1] - plate / 2.0;
        d.line(
            "M1",
            &format!("IF line {k}"),
            &[[centre[0], low], [centre[0], low - 60.0], [side * 10.0, low - 60.0]],
            20.0,
        )?;
    }
    let node = [0.0, RF_Y - 60.0 - 300.0 - 60.0];
    d.line("M1", "IF node", &[[0.0, node[1] + 10.0], [0.0, y[0]]], 20.0)?;
    // Ring: a+ north-west, b+ north-east, a− south-east, b− south-west.
    for (name, sx, sy) in [("a+", -1.0, 1.0), ("b+", 1.0, 1.0), ("a-", 1.0, -1.0), ("b-", -1.0, -1.0)] {
        d.square("M1", name, [sx * PAD_AT, sy * PAD_AT], PAD)?;
    }
    let feed = 20.0;
    let top = PAD_AT + PAD / 2.0;
    d.line("M1", "a+ feed", &[[-half - 10.0, LO_Y - LOWER / 2.0], [-half - 10.0, top]], feed)?;
    d.line("M1", "b- feed", &[[-half - 10.0, RF_Y + LOWER / 2.0], [-half - 10.0, -top]], feed)?;
    d.line("M1", "a- feed", &[[half + 90.0, LO_Y - LOWER / 2.0], [half + 90.0, -PAD_AT], [top, -PAD_AT]], feed)?;
    // b+ crosses over the pad a− on the upper metal: the land of the crossover.
    d.step_up("b+ north", [PAD_AT, PAD_AT])?;
    d.line("M1", "b+ feed", &[[half + 10.0, RF_Y + LOWER / 2.0], [half + 10.0, RF_Y + 80.0]], feed)?;
    d.square("M1", "b+ land", [half, RF_Y + 100.0], INNER_LAND)?;
    d.step_up("b+ south", [half, RF_Y + 100.0])?;
    let from = RF_Y + 100.0 + INNER_LAND / 2.0;
    d.line("M2", "b+ bridge", &[[PAD_AT + 5.0, from], [PAD_AT + 5.0, PAD_AT - INNER_LAND / 2.0]], 20.0)?;
    d.wall("LO", Side::West, "M2", LO_Y);
    d.wall("RF", Side::East, "M2", RF_Y);
    d.wall("IF", Side::South, "M1", 0.0);
    let (near, far) = (PAD_AT - PAD / 2.0, PAD_AT + PAD / 2.0);
    let upright = |x: f64, s: f64| [[x, s * near], [x, s * far]];
    let level = |y: f64, s: f64| [[s * near, y], [s * far, y]];
    d.diode("a+b+", upright(-near, 1.0), upright(near, 1.0));
    d.diode("b+a-", level(near, 1.0), level(-near, 1.0));
    d.diode("a-b-", upright(near, -1.0), upright(-near, -1.0));
    d.diode("b-a+", level(-near, -1.0), level(near, -1.0));
    Ok(d.0)
}
