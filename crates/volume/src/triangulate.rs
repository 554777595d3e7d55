//! Constrained triangulation of a plan with sizes graded to chosen edges.
//!
//! All segments are cut at their meetings and into pieces of the wanted size, then a constrained
//! Delaunay triangulation is refined to size and to a smallest angle (J. Ruppert, "A Delaunay
//! refinement algorithm for quality 2-dimensional mesh generation", J. Algorithms 18 (1995)).

use crate::{PlanMesh, VolumeError};
use spade::{AngleLimit, ConstrainedDelaunayTriangulation, Point2, RefinementParameters, Triangulation};

/// Smallest angle asked for, degree; the theory guarantees an end below 20.7, practice below 30.
const ANGLE_DEG: f64 = 25.0;
/// Rounds of insertion for size.
const ROUNDS: usize = 40;

/// A straight line of the plan that the mesh must follow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// End points, metre.
    pub ends: [[f64; 2]; 2],
    /// Wanted edge length on and near the segment, metre; `None` follows the surroundings.
    pub size_m: Option<f64>,
}

/// Wanted edge lengths of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanSize {
    /// Largest edge length, metre.
    pub size_max_m: f64,
    /// Growth of the edge length with distance from a sized segment, metre per metre.
    pub growth: f64,
    /// Extra places with a wanted edge length (from refinement): point and length, metre.
    pub hints: Vec<([f64; 2], f64)>,
}

/// Triangulates the rectangle `x_m` × `y_m` so that every segment is made of edges.
pub fn triangulate(
    x_m: [f64; 2],
    y_m: [f64; 2],
    segments: &[Segment],
    size: &PlanSize,
) -> Result<PlanMesh, VolumeError> {
    triangulate_as(x_m, y_m, segments, size, Angles::Kept)
}

/// Whether the smallest angle holds everywhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Angles {
    /// Lines are cut until it does.
    Kept,
    /// Lines keep their pieces, so that close parallel lines have long thin right-angled triangles between them.
    Loose,
}

pub(crate) fn triangulate_as(
    x_m: [f64; 2],
    y_m: [f64; 2],
    segments: &[Segment],
    size: &PlanSize,
    angles: Angles,
) -> Result<PlanMesh, VolumeError> {
    let corner = |i: usize, j: usize| [x_m[i], y_m[j]];
    let rim = [(0, 0, 1, 0), (1, 0, 1, 1), (1, 1, 0, 1), (0, 1, 0, 0)]
        .map(|(a, b, c, d)| Segment { ends: [corner(a, b), corner(c, d)], size_m: None });
    let span = (x_m[1] - x_m[0]).max(y_m[1] - y_m[0]);
    if !(span > 0.0 && span.is_finite()) {
        return Err(VolumeError::Mesh {
            what: format!("expected a rectangle of finite size, found x {x_m:?}, y {y_m:?}"),
        });
    }
    // Points a rounding away from the rim would make slivers there.
    let snap = |p: [f64; 2]| {
        let to = |v: f64, limits: [f64; 2]| limits.into_iter().find(|l| (v - l).abs() <= 1e-9 * span).unwrap_or(v);
        [to(p[0], x_m), to(p[1], y_m)]
    };
    let snapped = segments.iter().map(|s| Segment { ends: s.ends.map(snap), size_m: s.size_m });
    let all: Vec<Segment> = rim.into_iter().chain(snapped).collect();
    let field = SizeField { segments: segments.to_vec(), size: size.clone() };
    let mut points = Points { list: Vec::new(), tolerance: 1e-9 * span };
    let mut pieces = cut(&all, &mut points);
    pieces.sort_unstable();
    pieces.dedup();
    let mut mesh = ConstrainedDelaunayTriangulation::<Point2<f64>>::new();
    let insert = |p: [f64; 2], mesh: &mut ConstrainedDelaunayTriangulation<Point2<f64>>| {
        mesh.insert(Point2::new(p[0], p[1]))
            .map_err(|e| VolumeError::Mesh { what: format!("point {p:?} of the plan: {e}") })
    };
    for (a, b) in pieces {
        let chain = subdivide(points.list[a], points.list[b], &field);
        let mut before = insert(chain[0], &mut mesh)?;
        for &p in &chain[1..] {
            let next = insert(p, &mut mesh)?;
            if !mesh.can_add_constraint(before, next) {
                return Err(VolumeError::Mesh {
                    what: format!("lines of the plan cross near {p:?}; let them meet in a common point"),
                });
            }
            mesh.add_constraint(before, next);
            before = next;
        }
    }
    refine(&mut mesh, &field, angles);
    extract(&mesh)
}

/// Triangulates one half of a plan that is symmetric about the middle in `axis` (0 for x, 1 for y)
/// and reflects it, so that the mesh has the symmetry to the last bit.
pub fn triangulate_mirrored(
    x_m: [f64; 2],
    y_m: [f64; 2],
    axis: usize,
    segments: &[Segment],
    size: &PlanSize,
) -> Result<PlanMesh, VolumeError> {
    triangulate_mirrored_as(x_m, y_m, axis, segments, size, Angles::Kept)
}

pub(crate) fn triangulate_mirrored_as(
    x_m: [f64; 2],
    y_m: [f64; 2],
    axis: usize,
    segments: &[Segment],
    size: &PlanSize,
    angles: Angles,
) -> Result<PlanMesh, VolumeError> {
    let mut limits = [x_m, y_m];
    let middle = (limits[axis][0] + limits[axis][1]) / 2.0;
    limits[axis][1] = middle;
    let half: Vec<Segment> = segments.iter().filter_map(|s| clip(s, axis, middle)).collect();
    let mut size = size.clone();
    // Hints of the other half count for this one, so that refinement stays symmetric.
    for (p, _) in &mut size.hints {
        if p[axis] > middle {
            p[axis] = 2.0 * middle - p[axis];
        }
    }
    let half = triangulate_as(limits[0], limits[1], &half, &size, angles)?;
    let mut points = half.points.clone();
    let mut image = Vec::with_capacity(points.len());
    for (v, p) in half.points.iter().enumerate() {
        if p[axis] == middle {
            image.push(v as u32);
        } else {
            let mut q = *p;
            q[axis] = 2.0 * middle - p[axis];
            image.push(points.len() as u32);
            points.push(q);
        }
    }
    let mut triangles = half.triangles.clone();
    triangles.extend(half.triangles.iter().map(|t| t.map(|v| image[v as usize])));
    PlanMesh::from_triangles(points, triangles)
}

/// The part of a segment below `middle` along `axis`.
fn clip(s: &Segment, axis: usize, middle: f64) -> Option<Segment> {
    let [mut a, mut b] = s.ends;
    if a[axis] > b[axis] {
        std::mem::swap(&mut a, &mut b);
    }
    if a[axis] > middle || (a[axis] == middle && b[axis] > middle) {
        return None;
    }
    if b[axis] > middle {
        let t = (middle - a[axis]) / (b[axis] - a[axis]);
        b = [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
        b[axis] = middle;
    }
    Some(Segment { ends: [a, b], size_m: s.size_m })
}

struct SizeField {
    segments: Vec<Segment>,
    size: PlanSize,
}

impl SizeField {
    fn at(&self, p: [f64; 2]) -> f64 {
        let near = self.segments.iter().filter_map(|s| Some(s.size_m? + self.size.growth * distance(p, s.ends)));
        let hints = self.size.hints.iter().map(|(q, h)| h + self.size.growth * (p[0] - q[0]).hypot(p[1] - q[1]));
        near.chain(hints).fold(self.size.size_max_m, f64::min)
    }
}

fn distance(p: [f64; 2], [a, b]: [[f64; 2]; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let t = (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy)).clamp(0.0, 1.0);
    (p[0] - a[0] - t * dx).hypot(p[1] - a[1] - t * dy)
}

struct Points {
    list: Vec<[f64; 2]>,
    tolerance: f64,
}

impl Points {
    fn number(&mut self, p: [f64; 2]) -> usize {
        let near = |q: &[f64; 2]| (p[0] - q[0]).hypot(p[1] - q[1]) <= self.tolerance;
        self.list.iter().position(near).unwrap_or_else(|| {
            self.list.push(p);
            self.list.len() - 1
        })
    }
}

/// Cuts segments where they touch or cross one another; pieces as pairs of point numbers.
fn cut(segments: &[Segment], points: &mut Points) -> Vec<(usize, usize)> {
    for s in segments {
        s.ends.iter().for_each(|&p| {
            points.number(p);
        });
    }
    for (k, s) in segments.iter().enumerate() {
        for t in &segments[..k] {
            if let Some(p) = crossing(s.ends, t.ends) {
                points.number(p);
            }
        }
    }
    let mut out = Vec::new();
    for s in segments {
        let [a, b] = s.ends;
        let along = |p: [f64; 2]| (p[0] - a[0]) * (b[0] - a[0]) + (p[1] - a[1]) * (b[1] - a[1]);
        let mut on: Vec<(f64, usize)> = (0..points.list.len())
            .filter(|&k| distance(points.list[k], s.ends) <= 2.0 * points.tolerance)
            .map(|k| (along(points.list[k]), k))
            .collect();
        on.sort_by(|x, y| x.0.total_cmp(&y.0));
        out.extend(on.windows(2).map(|w| (w[0].1.min(w[1].1), w[0].1.max(w[1].1))));
    }
    out
}

/// Point where two segments cross within both.
fn crossing([a, b]: [[f64; 2]; 2], [c, d]: [[f64; 2]; 2]) -> Option<[f64; 2]> {
    let (u, v) = ([b[0] - a[0], b[1] - a[1]], [d[0] - c[0], d[1] - c[1]]);
    let det = u[0] * v[1] - u[1] * v[0];
    if det.abs() <= 1e-12 * u[0].hypot(u[1]) * v[0].hypot(v[1]) {
        return None;
    }
    let w = [c[0] - a[0], c[1] - a[1]];
    let (s, t) = ((w[0] * v[1] - w[1] * v[0]) / det, (w[0] * u[1] - w[1] * u[0]) / det);
    ((0.0..=1.0).contains(&s) && (0.0..=1.0).contains(&t)).then(|| [a[0] + s * u[0], a[1] + s * u[1]])
}

/// Halves a piece until every part has the wanted length at its middle.
fn subdivide(a: [f64; 2], b: [f64; 2], field: &SizeField) -> Vec<[f64; 2]> {
    let middle = [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
    let length = (a[0] - b[0]).hypot(a[1] - b[1]);
    let quarter = |s: f64| [a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1])];
    let wanted = [0.5, 0.25, 0.75].map(|s| field.at(quarter(s))).into_iter().fold(f64::INFINITY, f64::min);
    if length <= 1.3 * wanted {
        return vec![a, b];
    }
    let mut out = subdivide(a, middle, field);
    out.pop();
    out.extend(subdivide(middle, b, field));
    out
}

fn refine(mesh: &mut ConstrainedDelaunayTriangulation<Point2<f64>>, field: &SizeField, kind: Angles) {
    let angles = || {
        let parameters = RefinementParameters::<f64>::new()
            .with_angle_limit(AngleLimit::from_deg(ANGLE_DEG))
            .with_max_additional_vertices(2_000_000);
        if kind == Angles::Loose { parameters.keep_constraint_edges() } else { parameters }
    };
    mesh.refine(angles());
    for _ in 0..ROUNDS {
        let mut wanted: Vec<Point2<f64>> = Vec::new();
        for face in mesh.inner_faces() {
            let p = face.positions().map(|p| [p.x, p.y]);
            let c = [0, 1].map(|d| (p[0][d] + p[1][d] + p[2][d]) / 3.0);
            let side = |i: usize, j: usize| (p[i][0] - p[j][0]).hypot(p[i][1] - p[j][1]);
            let longest = side(0, 1).max(side(1, 2)).max(side(0, 2));
            if longest > 1.5 * field.at(c) {
                wanted.push(Point2::new(c[0], c[1]));
            }
        }
        if wanted.is_empty() {
            break;
        }
        for p in wanted {
            // A centre lies inside its triangle, so the point is new and finite.
            let _ = mesh.insert(p);
        }
        mesh.refine(angles());
    }
}

fn extract(mesh: &ConstrainedDelaunayTriangulation<Point2<f64>>) -> Result<PlanMesh, VolumeError> {
    let points = mesh.vertices().map(|v| [v.position().x, v.position().y]).collect();
    let triangles = mesh.inner_faces().map(|f| f.vertices().map(|v| v.fix().index() as u32)).collect();
    PlanMesh::from_triangles(points, triangles)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn window(seed: f64) -> PlanMesh {
        let wall = |a: f64, b: f64| Segment { ends: [[a, 0.5], [b, 0.5]], size_m: Some(0.02) };
        let size = PlanSize { size_max_m: 0.2, growth: 0.4, hints: vec![([0.5, 0.1], seed)] };
        triangulate([0.0, 1.0], [0.0, 1.0], &[wall(0.0, 0.3), wall(0.7, 1.0), wall(0.2, 0.25)], &size).expect("a mesh")
    }

    #[test]
    fn angles_sizes_and_area_are_kept_and_runs_repeat() {
        let mesh = window(0.05);
        let area: f64 = (0..mesh.triangles.len()).map(|t| crate::plan::area(mesh.corners(t)).abs()).sum();
        assert!((area - 1.0).abs() < 1e-12, "{area}");
        assert!(mesh.angle_min_deg() > ANGLE_DEG - 1e-6, "{}", mesh.angle_min_deg());
        let on_wall: f64 = (0..mesh.edges.len())
            .filter(|&e| mesh.edges[e].iter().all(|&v| (mesh.points[v as usize][1] - 0.5).abs() < 1e-12))
            .filter(|&e| mesh.edge_middle(e)[0] < 0.3)
            .map(|e| mesh.edge_length(e))
            .sum();
        assert!((on_wall - 0.3).abs() < 1e-12);
        let again = window(0.05);
        assert_eq!((mesh.points, mesh.triangles), (again.points, again.triangles));
    }
}
