//! Triangulation of the plan: points, triangles and the edges between them.
//!
//! The corners of a triangle are kept in rising order of their numbers, so that an edge has one
//! and the same direction (lower to higher point) in all its triangles and no signs are needed.

use crate::VolumeError;

/// Edges of a triangle as pairs of its corners.
pub(crate) const TRIANGLE_EDGES: [[usize; 2]; 3] = [[0, 1], [0, 2], [1, 2]];

/// A conforming triangulation of a part of the plane.
#[derive(Debug, Clone)]
pub struct PlanMesh {
    /// Points, metre.
    pub points: Vec<[f64; 2]>,
    /// Corners of the triangles, each rising.
    pub triangles: Vec<[u32; 3]>,
    /// End points of the edges, each rising.
    pub edges: Vec<[u32; 2]>,
    /// Edges of each triangle: between corners 0-1, 0-2, 1-2.
    pub triangle_edges: Vec<[u32; 3]>,
    /// Triangles on both sides of each edge; the second is `None` on the rim.
    pub edge_triangles: Vec<(u32, Option<u32>)>,
}

impl PlanMesh {
    /// Finds the edges of given triangles. Errors when a triangle is flat or an edge has more than
    /// two triangles.
    pub fn from_triangles(points: Vec<[f64; 2]>, mut triangles: Vec<[u32; 3]>) -> Result<Self, VolumeError> {
        let mut sides: Vec<([u32; 2], u32, usize)> = Vec::with_capacity(3 * triangles.len());
        for (t, corners) in triangles.iter_mut().enumerate() {
            corners.sort_unstable();
            let p = corners.map(|c| points[c as usize]);
            let span = longest(p);
            let sound = area(p).abs() > 1e-12 * span * span;
            if !sound {
                return Err(VolumeError::Mesh {
                    what: format!(
                        "triangle {t} with corners {p:?} is flat; look for points closer than the rest of the plan"
                    ),
                });
            }
            for (k, [a, b]) in TRIANGLE_EDGES.into_iter().enumerate() {
                sides.push(([corners[a], corners[b]], t as u32, k));
            }
        }
        sides.sort_unstable();
        let mut mesh = Self {
            points,
            edges: Vec::new(),
            triangle_edges: vec![[0; 3]; triangles.len()],
            edge_triangles: Vec::new(),
            triangles,
        };
        for (ends, t, k) in sides {
            if mesh.edges.last() != Some(&ends) {
                mesh.edges.push(ends);
                mesh.edge_triangles.push((t, None));
            } else {
                let both = mesh.edge_triangles.last_mut().expect("an edge was pushed");
                if both.1.is_some() {
                    return Err(VolumeError::Mesh { what: format!("edge {ends:?} has more than two triangles") });
                }
                both.1 = Some(t);
            }
            mesh.triangle_edges[t as usize][k] = mesh.edges.len() as u32 - 1;
        }
        Ok(mesh)
    }

    /// Rectangular grid through the given coordinates, every cell cut from lower left to upper right.
    pub fn grid(xs: &[f64], ys: &[f64]) -> Result<Self, VolumeError> {
        let at = |i: usize, j: usize| (j * xs.len() + i) as u32;
        let points = ys.iter().flat_map(|&y| xs.iter().map(move |&x| [x, y])).collect();
        let mut triangles = Vec::new();
        for j in 1..ys.len() {
            for i in 1..xs.len() {
                triangles.push([at(i - 1, j - 1), at(i, j - 1), at(i, j)]);
                triangles.push([at(i - 1, j - 1), at(i - 1, j), at(i, j)]);
            }
        }
        Self::from_triangles(points, triangles)
    }

    /// Corner coordinates of a triangle.
    pub fn corners(&self, t: usize) -> [[f64; 2]; 3] {
        self.triangles[t].map(|c| self.points[c as usize])
    }

    /// Centre of a triangle.
    pub fn centre(&self, t: usize) -> [f64; 2] {
        let p = self.corners(t);
        [0, 1].map(|d| (p[0][d] + p[1][d] + p[2][d]) / 3.0)
    }

    /// Length of an edge, metre.
    pub fn edge_length(&self, e: usize) -> f64 {
        let [a, b] = self.edges[e].map(|v| self.points[v as usize]);
        (a[0] - b[0]).hypot(a[1] - b[1])
    }

    /// Middle of an edge.
    pub fn edge_middle(&self, e: usize) -> [f64; 2] {
        let [a, b] = self.edges[e].map(|v| self.points[v as usize]);
        [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]
    }

    /// Smallest angle of all triangles, degree.
    pub fn angle_min_deg(&self) -> f64 {
        let corner = |p: [[f64; 2]; 3], k: usize| {
            let [a, b, c] = [p[k], p[(k + 1) % 3], p[(k + 2) % 3]];
            let (u, v) = ([b[0] - a[0], b[1] - a[1]], [c[0] - a[0], c[1] - a[1]]);
            (u[0] * v[1] - u[1] * v[0]).abs().atan2(u[0] * v[0] + u[1] * v[1]).to_degrees()
        };
        let all = (0..self.triangles.len()).flat_map(|t| (0..3).map(move |k| (t, k)));
        all.map(|(t, k)| corner(self.corners(t), k)).fold(180.0, f64::min)
    }
}

/// Signed area of a triangle.
pub(crate) fn area(p: [[f64; 2]; 3]) -> f64 {
    0.5 * ((p[1][0] - p[0][0]) * (p[2][1] - p[0][1]) - (p[2][0] - p[0][0]) * (p[1][1] - p[0][1]))
}

fn longest(p: [[f64; 2]; 3]) -> f64 {
    let d = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
    d(p[0], p[1]).max(d(p[1], p[2])).max(d(p[0], p[2]))
}
