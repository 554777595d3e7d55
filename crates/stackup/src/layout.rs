//! What lies on each metal layer: polygons, vias, ports and the box around them.
//!
//! Coordinates are metre in the plan; polygons run counter-clockwise and do not cross themselves.
//! Layers are named as in [`crate::Stackup`]; `ground` and lid are whole planes and need no polygon.

use crate::StackupError;

/// A point of the plan, metre.
pub type Point = [f64; 2];

/// A simple polygon, counter-clockwise, metre; the last corner joins the first.
#[derive(Debug, Clone, PartialEq)]
pub struct Polygon {
    corners: Vec<Point>,
}

impl Polygon {
    /// Polygon from its corners in either sense; refuses fewer than three corners, zero area and
    /// numbers that are not finite. Repeated corners are dropped.
    pub fn new(corners: &[Point]) -> Result<Self, StackupError> {
        let refuse = |fault: &str| Err(StackupError::Shape { what: "polygon".into(), fault: fault.into() });
        if corners.iter().flatten().any(|x| !x.is_finite()) {
            return refuse("expected finite corners");
        }
        let mut corners = corners.to_vec();
        corners.dedup();
        if corners.len() > 1 && corners.first() == corners.last() {
            corners.pop();
        }
        let area = signed_area(&corners);
        if corners.len() < 3 || area == 0.0 {
            return refuse("expected at least three corners around an area");
        }
        if area < 0.0 {
            corners.reverse();
        }
        Ok(Self { corners })
    }

    /// Axis-parallel rectangle between two opposite corners.
    pub fn rectangle(a: Point, b: Point) -> Result<Self, StackupError> {
        Self::new(&[a, [b[0], a[1]], b, [a[0], b[1]]])
    }

    /// Regular polygon inscribed in a circle, first corner on the +x side.
    pub fn disc(centre: Point, radius_m: f64, n_corners: usize) -> Result<Self, StackupError> {
        let corner = |i: usize| {
            let angle = std::f64::consts::TAU * i as f64 / n_corners as f64;
            [centre[0] + radius_m * angle.cos(), centre[1] + radius_m * angle.sin()]
        };
        Self::new(&(0..n_corners).map(corner).collect::<Vec<_>>())
    }

    /// Corners, counter-clockwise.
    pub fn corners(&self) -> &[Point] {
        &self.corners
    }

    /// Edges as pairs of corners, counter-clockwise.
    pub fn edges(&self) -> impl Iterator<Item = (Point, Point)> + '_ {
        let n = self.corners.len();
        (0..n).map(move |i| (self.corners[i], self.corners[(i + 1) % n]))
    }

    /// Area, square metre.
    pub fn area_m2(&self) -> f64 {
        signed_area(&self.corners)
    }

    /// Smallest and largest coordinates.
    pub fn bounds(&self) -> (Point, Point) {
        bounds(self.corners.iter().copied())
    }

    /// Every corner through `map`; a mirror image is turned back to counter-clockwise.
    pub fn mapped(&self, map: impl Fn(Point) -> Point) -> Result<Self, StackupError> {
        Self::new(&self.corners.iter().map(|&p| map(p)).collect::<Vec<_>>())
    }

    /// True when the point lies inside (by the even-odd rule; points on an edge may go either way).
    pub fn contains(&self, p: Point) -> bool {
        let crossings = self.edges().filter(|(a, b)| {
            (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
        });
        crossings.count() % 2 == 1
    }
}

/// Twice-checked shoelace sum; positive when counter-clockwise.
fn signed_area(corners: &[Point]) -> f64 {
    let n = corners.len();
    let twice: f64 = (0..n)
        .map(|i| {
            let (a, b) = (corners[i], corners[(i + 1) % n]);
            a[0] * b[1] - a[1] * b[0]
        })
        .sum();
    0.5 * twice
}

/// Smallest and largest coordinates of some points.
pub(crate) fn bounds(points: impl Iterator<Item = Point>) -> (Point, Point) {
    points.fold(([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]), |(low, high), p| {
        ([low[0].min(p[0]), low[1].min(p[1])], [high[0].max(p[0]), high[1].max(p[1])])
    })
}

/// Metal on one layer.
#[derive(Debug, Clone, PartialEq)]
pub struct Shape {
    /// Name of the metal layer.
    pub layer: String,
    /// What it belongs to, for messages and for grouping; may be empty.
    pub name: String,
    /// Outline.
    pub polygon: Polygon,
}

/// A filled via between two metals.
#[derive(Debug, Clone, PartialEq)]
pub struct Via {
    /// Name, for messages.
    pub name: String,
    /// Lower metal layer (may be the ground layer).
    pub from: String,
    /// Upper metal layer.
    pub to: String,
    /// Outline in the plan.
    pub polygon: Polygon,
    /// Name of its metal.
    pub material: String,
}

/// A side wall of the box.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Smallest x.
    West,
    /// Largest x.
    East,
    /// Smallest y.
    South,
    /// Largest y.
    North,
}

/// What a side wall is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wall {
    /// Perfect metal.
    Metal,
    /// Open: the field leaves.
    Open,
    /// Perfect magnetic wall (symmetry plane of even excitation).
    Magnetic,
}

/// Box around the layout; its bottom and top are the ground and lid of the stack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Enclosure {
    /// Smallest x and y, metre.
    pub low: Point,
    /// Largest x and y, metre.
    pub high: Point,
    /// Walls in the order west, east, south, north.
    pub walls: [Wall; 4],
}

/// One side of an internal port: an edge of metal where its current enters.
#[derive(Debug, Clone, PartialEq)]
pub struct Terminal {
    /// Metal layer; the ground layer means the ground plane below the opposite terminal.
    pub layer: String,
    /// Ends of the metal edge, metre.
    pub edge: [Point; 2],
}

/// Where a port is.
#[derive(Debug, Clone, PartialEq)]
pub enum PortPlace {
    /// A line leaving through a side wall, solved as the mode of that cross-section.
    Wall {
        /// The wall.
        side: Side,
        /// Metal layer of the line.
        layer: String,
        /// Place of the line's axis along the wall, metre.
        centre_m: f64,
        /// Distance from the wall into the box by which the reference plane is moved, metre.
        reference_shift_m: f64,
    },
    /// Between two pads inside, for diodes, wires and lumped parts.
    Gap {
        /// Positive side.
        plus: Terminal,
        /// Negative side.
        minus: Terminal,
    },
}

/// A named port.
#[derive(Debug, Clone, PartialEq)]
pub struct Port {
    /// Name, unique in the layout.
    pub name: String,
    /// Where it is.
    pub place: PortPlace,
    /// Reference impedance, ohm.
    pub reference_ohm: f64,
}

/// All metal, vias and ports of one structure.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Name.
    pub name: String,
    /// Metal.
    pub shapes: Vec<Shape>,
    /// Vias.
    pub vias: Vec<Via>,
    /// Ports; their order is the port order of the result.
    pub ports: Vec<Port>,
    /// Box.
    pub enclosure: Enclosure,
}

impl Layout {
    /// The outlines on one layer.
    pub fn polygons_on<'a>(&'a self, layer: &'a str) -> impl Iterator<Item = &'a Polygon> {
        self.shapes.iter().filter(move |s| s.layer == layer).map(|s| &s.polygon)
    }
}
