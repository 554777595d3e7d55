//! Basic rules of a process and where a layout breaks them.
//!
//! Shapes that touch are joined first, so that a line made of pieces is one line. A width is a distance of two
//! edges with metal between them that face each other, a space one without metal between.
//! Not here: density, angles, antenna rules.

use crate::area::{Area, GRID_M};
use crate::layout::bounds;
use crate::{Layout, Point, PortPlace, Side, StackupError};

/// One rule.
#[derive(Debug, Clone, PartialEq)]
pub enum Rule {
    /// Metal of a layer is at least this wide.
    Width {
        /// Metal layer.
        layer: String,
        /// Smallest width, metre.
        min_m: f64,
    },
    /// Metal of a layer keeps this distance from other metal of the layer.
    Space {
        /// Metal layer.
        layer: String,
        /// Smallest space, metre.
        min_m: f64,
    },
    /// Every via, and metal of `inner` wherever it lies over `outer`, is covered by `outer` with this margin.
    Overlap {
        /// Layer that must be covered; a via is meant when it is `None`.
        inner: Option<String>,
        /// Metal layer that covers it.
        outer: String,
        /// Smallest margin, metre.
        min_m: f64,
    },
    /// Metal of a layer keeps this distance from the edge of the layout, except where a port reaches it.
    Edge {
        /// Metal layer.
        layer: String,
        /// Smallest distance, metre.
        min_m: f64,
    },
}

/// A broken rule and where.
#[derive(Debug, Clone, PartialEq)]
pub struct Violation {
    /// The rule.
    pub rule: Rule,
    /// The place: ends of the too short distance, metre.
    pub place: [Point; 2],
    /// What was found, metre.
    pub found_m: f64,
}

impl Violation {
    /// One line for reports.
    pub fn text(&self) -> String {
        let (what, layer, min_m) = match &self.rule {
            Rule::Width { layer, min_m } => ("width", layer, min_m),
            Rule::Space { layer, min_m } => ("space", layer, min_m),
            Rule::Overlap { outer, min_m, .. } => ("overlap", outer, min_m),
            Rule::Edge { layer, min_m } => ("distance from the edge", layer, min_m),
        };
        let um = |x: f64| format!("{:.3} um", x * 1e6);
        let [x, y] = self.place[0];
        format!(
            "{what} on `{layer}` at ({}, {}): expected at least {}, found {}",
            um(x),
            um(y),
            um(*min_m),
            um(self.found_m)
        )
    }
}

/// Cosine of the largest angle between a width and the normals of its edges; a 45 degree mitre is not a width.
const FACING: f64 = 0.766;
/// Distances within half a grid step of the limit are at the limit.
const SLACK_M: f64 = 0.5 * GRID_M;

#[derive(Debug, Clone, Copy)]
struct Edge {
    a: Point,
    b: Point,
    piece: usize,
    outline: usize,
    /// Number within its outline, and edges of that outline.
    index: usize,
    count: usize,
}

/// All places where the layout breaks the rules, rule after rule.
pub fn check_rules(layout: &Layout, rules: &[Rule]) -> Result<Vec<Violation>, StackupError> {
    let mut out = Vec::new();
    for rule in rules {
        match rule {
            Rule::Width { layer, min_m } => between_edges(layout, rule, layer, *min_m, true, &mut out)?,
            Rule::Space { layer, min_m } => between_edges(layout, rule, layer, *min_m, false, &mut out)?,
            Rule::Overlap { inner, outer, min_m } => overlap(layout, rule, inner.as_deref(), outer, *min_m, &mut out)?,
            Rule::Edge { layer, min_m } => edge_distance(layout, rule, layer, *min_m, &mut out)?,
        }
    }
    Ok(out)
}

fn area_of(layout: &Layout, layer: &str) -> Result<Area, StackupError> {
    Area::of(layout.polygons_on(layer))
}

fn edges_of(area: &Area) -> Vec<Edge> {
    let mut edges = Vec::new();
    for (piece, outlines) in area.pieces().iter().enumerate() {
        for (outline, points) in outlines.iter().enumerate() {
            let count = points.len();
            for index in 0..count {
                let (a, b) = (points[index], points[(index + 1) % count]);
                edges.push(Edge { a, b, piece, outline, index, count });
            }
        }
    }
    edges
}

impl Edge {
    /// Unit normal towards the metal, which lies to the left.
    fn inward(&self) -> Point {
        let d = minus(self.b, self.a);
        let length = norm(d);
        [-d[1] / length, d[0] / length]
    }

    fn is_neighbour(&self, other: &Self) -> bool {
        let apart = self.index.abs_diff(other.index);
        self.piece == other.piece && self.outline == other.outline && (apart <= 1 || apart == self.count - 1)
    }

    /// True when the way `d` leaves this edge towards the metal (`sign` 1) or away from it (−1).
    fn faces(&self, d: Point, sign: f64) -> bool {
        dot(self.inward(), d) * sign > FACING * norm(d)
    }
}

fn between_edges(
    layout: &Layout,
    rule: &Rule,
    layer: &str,
    min_m: f64,
    inside: bool,
    out: &mut Vec<Violation>,
) -> Result<(), StackupError> {
    let area = area_of(layout, layer)?;
    let edges = edges_of(&area);
    let sign = if inside { 1.0 } else { -1.0 };
    for (i, first) in edges.iter().enumerate() {
        for second in &edges[i + 1..] {
            if first.is_neighbour(second) || (inside && first.piece != second.piece) {
                continue;
            }
            let (p, q) = nearest(first, second);
            let d = minus(q, p);
            let distance = norm(d);
            if distance >= min_m - SLACK_M || distance == 0.0 {
                continue;
            }
            let middle = [0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1])];
            let facing = first.faces(d, sign) && second.faces(minus(p, q), sign);
            // two pieces may also stand corner to corner
            let counts = facing || (!inside && first.piece != second.piece);
            if counts && area.contains(middle) == inside {
                out.push(Violation { rule: rule.clone(), place: [p, q], found_m: distance });
            }
        }
    }
    keep_shortest(out, rule);
    Ok(())
}

/// Of violations of one rule that share an end keep the shortest.
fn keep_shortest(out: &mut Vec<Violation>, rule: &Rule) {
    let (mut own, others): (Vec<_>, Vec<_>) = std::mem::take(out).into_iter().partition(|v| v.rule == *rule);
    own.sort_by(|a, b| a.found_m.total_cmp(&b.found_m));
    let mut kept: Vec<Violation> = Vec::new();
    for violation in own {
        let near = |p: Point, q: Point| norm(minus(p, q)) < GRID_M;
        let shares = |k: &Violation| k.place.iter().any(|&p| violation.place.iter().any(|&q| near(p, q)));
        if !kept.iter().any(shares) {
            kept.push(violation);
        }
    }
    *out = others;
    out.extend(kept);
}

fn overlap(
    layout: &Layout,
    rule: &Rule,
    inner: Option<&str>,
    outer: &str,
    min_m: f64,
    out: &mut Vec<Violation>,
) -> Result<(), StackupError> {
    let cover = area_of(layout, outer)?;
    let cover_edges = edges_of(&cover);
    let inner_area = match inner {
        Some(layer) => area_of(layout, layer)?,
        None => {
            let vias = layout.vias.iter().filter(|v| v.from == outer || v.to == outer);
            Area::of(vias.map(|v| &v.polygon))?
        }
    };
    for outlines in inner_area.difference(&cover).pieces() {
        // metal beside the cover is its own business unless it must be covered as a via
        let touches =
            inner.is_none() || outlines[0].iter().any(|p| cover_edges.iter().any(|e| to_edge(*p, e).1 < GRID_M));
        if touches {
            let (low, high) = bounds(outlines[0].iter().copied());
            out.push(Violation { rule: rule.clone(), place: [low, high], found_m: 0.0 });
        }
    }
    for edge in edges_of(&inner_area.intersection(&cover)) {
        for cover_edge in &cover_edges {
            let (p, q) = nearest(&edge, cover_edge);
            let distance = norm(minus(p, q));
            if distance > SLACK_M && distance < min_m - SLACK_M {
                out.push(Violation { rule: rule.clone(), place: [p, q], found_m: distance });
            }
        }
    }
    keep_shortest(out, rule);
    Ok(())
}

fn edge_distance(
    layout: &Layout,
    rule: &Rule,
    layer: &str,
    min_m: f64,
    out: &mut Vec<Violation>,
) -> Result<(), StackupError> {
    let (low, high) = (layout.enclosure.low, layout.enclosure.high);
    let sides = [
        (Side::West, 0, low[0], -1.0),
        (Side::East, 0, high[0], 1.0),
        (Side::South, 1, low[1], -1.0),
        (Side::North, 1, high[1], 1.0),
    ];
    for outlines in area_of(layout, layer)?.pieces() {
        for (side, axis, at, sign) in sides {
            let outermost = outlines[0].iter().copied().max_by(|a, b| (a[axis] * sign).total_cmp(&(b[axis] * sign)));
            let Some(p) = outermost else { continue };
            let distance = (at - p[axis]) * sign;
            let at_port = distance.abs() < GRID_M
                && layout.ports.iter().any(
                    |port| matches!(&port.place, PortPlace::Wall { side: s, layer: l, .. } if *s == side && l == layer),
                );
            if distance < min_m - SLACK_M && !at_port {
                let mut foot = p;
                foot[axis] = at;
                out.push(Violation { rule: rule.clone(), place: [p, foot], found_m: distance });
            }
        }
    }
    Ok(())
}

fn minus(a: Point, b: Point) -> Point {
    [a[0] - b[0], a[1] - b[1]]
}

fn dot(a: Point, b: Point) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

fn norm(a: Point) -> f64 {
    a[0].hypot(a[1])
}

/// Nearest point of an edge, and its distance.
fn to_edge(p: Point, e: &Edge) -> (Point, f64) {
    let d = minus(e.b, e.a);
    let t = (dot(minus(p, e.a), d) / dot(d, d)).clamp(0.0, 1.0);
    let foot = [e.a[0] + t * d[0], e.a[1] + t * d[1]];
    (foot, norm(minus(p, foot)))
}

/// Nearest points of two edges that do not cross; for parallel ones in the middle of where they overlap.
fn nearest(first: &Edge, second: &Edge) -> (Point, Point) {
    let mut candidates: Vec<(Point, Point)> = Vec::with_capacity(4);
    candidates.extend([first.a, first.b].map(|p| (p, to_edge(p, second).0)));
    candidates.extend([second.a, second.b].map(|q| (to_edge(q, first).0, q)));
    let length = |c: &(Point, Point)| norm(minus(c.0, c.1));
    let shortest = candidates.iter().map(length).fold(f64::INFINITY, f64::min);
    let tied: Vec<&(Point, Point)> = candidates.iter().filter(|c| length(c) <= shortest + 1e-3 * GRID_M).collect();
    let mean = |pick: fn(&(Point, Point)) -> Point| {
        let n = tied.len() as f64;
        let sum = tied.iter().fold([0.0; 2], |s, c| [s[0] + pick(c)[0], s[1] + pick(c)[1]]);
        [sum[0] / n, sum[1] / n]
    };
    (mean(|c| c.0), mean(|c| c.1))
}
