//! Element matrices of the curl-conforming prism as products of a triangle and an interval.
//!
//! The field of a prism is `E = (e, E_z)` with `e` in (plane edge functions) ⊗ (continuous in z)
//! and `E_z` in (continuous in the plane) ⊗ (discontinuous in z). With `∇` in the plane,
//! `|curl E|² = |curl e|² + |∇E_z − ∂_z e|²`, so every matrix is a sum of products of small ones.
//! Plane edge functions for corners `i < j`: `w_ij = λ_i ∇λ_j − λ_j ∇λ_i`; second order adds the
//! gradients of `4 λ_i λ_j` and two interior functions `λ_2 w_01`, `λ_1 w_02`.
//! Sources: J. C. Nedelec, "Mixed finite elements in R³", Numer. Math. 35 (1980); J. P. Webb,
//! "Hierarchal vector basis functions of arbitrary order", IEEE Trans. AP-47 (1999).

use crate::plan::{TRIANGLE_EDGES, area};

/// Polynomial order of the elements.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Order {
    /// Nine unknowns a prism; field error falls as h.
    First,
    /// Thirty-six unknowns a prism; field error falls as h².
    Second,
}

impl Order {
    /// Plane edge functions of a triangle.
    pub(crate) fn n_curl(self) -> usize {
        if self == Self::First { 3 } else { 8 }
    }
    /// Continuous plane functions of a triangle.
    pub(crate) fn n_node(self) -> usize {
        if self == Self::First { 3 } else { 6 }
    }
    /// Continuous functions of an interval.
    pub(crate) fn n_up(self) -> usize {
        if self == Self::First { 2 } else { 3 }
    }
    /// Discontinuous functions of an interval.
    pub(crate) fn n_flat(self) -> usize {
        if self == Self::First { 1 } else { 2 }
    }
}

/// Dense matrix of fixed small size, by rows.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Small<const R: usize, const C: usize>(pub [[f64; C]; R]);

/// Integrals over one triangle; unused rows and columns of first order are zero.
pub(crate) struct TriangleMatrices {
    /// `∫ curl w_a curl w_b`.
    pub curl: Small<8, 8>,
    /// `∫ w_a · w_b`.
    pub mass: Small<8, 8>,
    /// `∫ w_a · ∇φ_v`.
    pub coupling: Small<8, 6>,
    /// `∫ ∇φ_u · ∇φ_v`.
    pub stiffness: Small<6, 6>,
    /// `∫ φ_u φ_v`.
    pub node_mass: Small<6, 6>,
    /// `∫ w_a`.
    pub mean: [[f64; 2]; 8],
}

/// Integrals over one interval of length `h`.
pub(crate) struct IntervalMatrices {
    /// `∫ P_a P_b` of the continuous functions `1−ζ`, `ζ`, `4ζ(1−ζ)`.
    pub mass: Small<3, 3>,
    /// `∫ P_a' P_b'`.
    pub stiffness: Small<3, 3>,
    /// `∫ P_a' q_b` with the discontinuous functions `q = 1/h`, `4(1−2ζ)/h`.
    pub coupling: Small<3, 2>,
    /// `∫ q_a q_b`.
    pub flat_mass: Small<2, 2>,
}

impl IntervalMatrices {
    pub(crate) fn new(h: f64) -> Self {
        let third = h / 3.0;
        Self {
            mass: Small([[third, third / 2.0, third], [third / 2.0, third, third], [third, third, 8.0 * h / 15.0]]),
            stiffness: Small([[1.0 / h, -1.0 / h, 0.0], [-1.0 / h, 1.0 / h, 0.0], [0.0, 0.0, 16.0 / (3.0 * h)]]),
            coupling: Small([[-1.0 / h, 0.0], [1.0 / h, 0.0], [0.0, 16.0 / (3.0 * h)]]),
            flat_mass: Small([[1.0 / h, 0.0], [0.0, 16.0 / (3.0 * h)]]),
        }
    }

    /// `∫ P_a` of an interval of length `h`.
    pub(crate) fn mean(h: f64) -> [f64; 3] {
        [h / 2.0, h / 2.0, 2.0 * h / 3.0]
    }
}

/// Quadrature of degree 4 on the triangle: weight, barycentric coordinates.
/// Source: D. A. Dunavant, Int. J. Numer. Methods Eng. 21 (1985), the six-point rule.
fn quadrature() -> [(f64, [f64; 3]); 6] {
    const A: (f64, f64) = (0.223_381_589_678_011_46, 0.445_948_490_915_964_9);
    const B: (f64, f64) = (0.109_951_743_655_321_87, 0.091_576_213_509_770_74);
    let point = |(w, a): (f64, f64), k: usize| {
        let mut l = [a; 3];
        l[k] = 1.0 - 2.0 * a;
        (w, l)
    };
    [point(A, 0), point(A, 1), point(A, 2), point(B, 0), point(B, 1), point(B, 2)]
}

/// Values at one point of a triangle.
pub(crate) struct PlaneValues {
    pub curl_functions: [[f64; 2]; 8],
    pub curls: [f64; 8],
    pub nodes: [f64; 6],
    pub node_gradients: [[f64; 2]; 6],
}

/// Gradients of the barycentric coordinates.
pub(crate) fn barycentric_gradients(p: [[f64; 2]; 3]) -> [[f64; 2]; 3] {
    let twice = 2.0 * area(p);
    [0, 1, 2].map(|k| {
        let (a, b) = (p[(k + 1) % 3], p[(k + 2) % 3]);
        [(a[1] - b[1]) / twice, (b[0] - a[0]) / twice]
    })
}

/// All plane functions at barycentric coordinates `l`, for barycentric gradients `g`.
pub(crate) fn plane_values(l: [f64; 3], g: [[f64; 2]; 3]) -> PlaneValues {
    let cross = |a: [f64; 2], b: [f64; 2]| a[0] * b[1] - a[1] * b[0];
    let mut out = PlaneValues {
        curl_functions: [[0.0; 2]; 8],
        curls: [0.0; 8],
        nodes: [l[0], l[1], l[2], 0.0, 0.0, 0.0],
        node_gradients: [g[0], g[1], g[2], [0.0; 2], [0.0; 2], [0.0; 2]],
    };
    for (k, [i, j]) in TRIANGLE_EDGES.into_iter().enumerate() {
        let w = [0, 1].map(|d| l[i] * g[j][d] - l[j] * g[i][d]);
        let bubble = [0, 1].map(|d| 4.0 * (l[i] * g[j][d] + l[j] * g[i][d]));
        out.curl_functions[k] = w;
        out.curls[k] = 2.0 * cross(g[i], g[j]);
        out.curl_functions[3 + k] = bubble;
        out.nodes[3 + k] = 4.0 * l[i] * l[j];
        out.node_gradients[3 + k] = bubble;
    }
    for (slot, corner, edge) in [(6, 2, 0), (7, 1, 1)] {
        let w = out.curl_functions[edge];
        out.curl_functions[slot] = [l[corner] * w[0], l[corner] * w[1]];
        out.curls[slot] = l[corner] * out.curls[edge] + cross(g[corner], w);
    }
    out
}

impl TriangleMatrices {
    pub(crate) fn new(p: [[f64; 2]; 3]) -> Self {
        let g = barycentric_gradients(p);
        let size = area(p).abs();
        let mut m = Self {
            curl: Small([[0.0; 8]; 8]),
            mass: Small([[0.0; 8]; 8]),
            coupling: Small([[0.0; 6]; 8]),
            stiffness: Small([[0.0; 6]; 6]),
            node_mass: Small([[0.0; 6]; 6]),
            mean: [[0.0; 2]; 8],
        };
        let dot = |a: [f64; 2], b: [f64; 2]| a[0] * b[0] + a[1] * b[1];
        for (weight, l) in quadrature() {
            let w = weight * size;
            let v = plane_values(l, g);
            for a in 0..8 {
                for b in 0..8 {
                    m.curl.0[a][b] += w * v.curls[a] * v.curls[b];
                    m.mass.0[a][b] += w * dot(v.curl_functions[a], v.curl_functions[b]);
                }
                for b in 0..6 {
                    m.coupling.0[a][b] += w * dot(v.curl_functions[a], v.node_gradients[b]);
                }
                m.mean[a] = [0, 1].map(|d| m.mean[a][d] + w * v.curl_functions[a][d]);
            }
            for a in 0..6 {
                for b in 0..6 {
                    m.stiffness.0[a][b] += w * dot(v.node_gradients[a], v.node_gradients[b]);
                    m.node_mass.0[a][b] += w * v.nodes[a] * v.nodes[b];
                }
            }
        }
        m
    }
}

/// Curl-curl and mass matrices of one prism. Local unknowns: plane edge function `c` with interval
/// function `a` at `c · n_up + a`, then node function `v` with flat function `b`.
pub(crate) struct PrismMatrices {
    pub n: usize,
    pub curl_curl: Vec<f64>,
    pub mass: Vec<f64>,
}

impl PrismMatrices {
    pub(crate) fn new(t: &TriangleMatrices, z: &IntervalMatrices, order: Order) -> Self {
        let (nc, nn, nu, nf) = (order.n_curl(), order.n_node(), order.n_up(), order.n_flat());
        let n_plane = nc * nu;
        let n = n_plane + nn * nf;
        let mut out = Self { n, curl_curl: vec![0.0; n * n], mass: vec![0.0; n * n] };
        for (c, a) in pairs(nc, nu) {
            let i = c * nu + a;
            for (d, b) in pairs(nc, nu) {
                let k = i * n + d * nu + b;
                out.curl_curl[k] = t.curl.0[c][d] * z.mass.0[a][b] + t.mass.0[c][d] * z.stiffness.0[a][b];
                out.mass[k] = t.mass.0[c][d] * z.mass.0[a][b];
            }
            for (v, b) in pairs(nn, nf) {
                let j = n_plane + v * nf + b;
                let x = -t.coupling.0[c][v] * z.coupling.0[a][b];
                out.curl_curl[i * n + j] = x;
                out.curl_curl[j * n + i] = x;
            }
        }
        for (u, a) in pairs(nn, nf) {
            let i = n_plane + u * nf + a;
            for (v, b) in pairs(nn, nf) {
                let k = i * n + n_plane + v * nf + b;
                out.curl_curl[k] = t.stiffness.0[u][v] * z.flat_mass.0[a][b];
                out.mass[k] = t.node_mass.0[u][v] * z.flat_mass.0[a][b];
            }
        }
        out
    }
}

fn pairs(n: usize, m: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..n).flat_map(move |i| (0..m).map(move |j| (i, j)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const P: [[f64; 2]; 3] = [[0.1, 0.2], [1.3, 0.0], [0.4, 0.9]];

    #[test]
    fn gradients_have_no_curl_energy() {
        // φ = (nodal function v) ⊗ P_a, gradient by incidence; the curl-curl matrix must kill it.
        let m = PrismMatrices::new(&TriangleMatrices::new(P), &IntervalMatrices::new(0.7), Order::Second);
        for v in 0..6 {
            for a in 0..3 {
                let mut x = vec![0.0; m.n];
                for (k, [i, j]) in TRIANGLE_EDGES.into_iter().enumerate() {
                    x[k * 3 + a] = f64::from(u8::from(v == j)) - f64::from(u8::from(v == i));
                    x[(3 + k) * 3 + a] = f64::from(u8::from(v == 3 + k));
                }
                x[24 + 2 * v] = [-1.0, 1.0, 0.0][a];
                x[24 + 2 * v + 1] = [0.0, 0.0, 1.0][a];
                let y: f64 =
                    (0..m.n).map(|i| (0..m.n).map(|j| m.curl_curl[i * m.n + j] * x[j]).sum::<f64>().abs()).sum();
                assert!(y < 1e-12, "node {v}, level {a}: {y}"); // roundings of 36 terms of order 10
            }
        }
    }

    #[test]
    fn mass_integrates_a_constant_field_exactly() {
        // e = (1, 2) constant: plane unknowns are its edge integrals on both levels.
        let m = PrismMatrices::new(&TriangleMatrices::new(P), &IntervalMatrices::new(0.7), Order::First);
        let mut x = vec![0.0; m.n];
        for (k, [i, j]) in TRIANGLE_EDGES.into_iter().enumerate() {
            let drop = (P[j][0] - P[i][0]) + 2.0 * (P[j][1] - P[i][1]);
            x[2 * k] = drop;
            x[2 * k + 1] = drop;
        }
        (0..3).for_each(|v| x[6 + v] = 3.0 * 0.7); // E_z = 3: voltage 2.1 over the height
        let energy: f64 =
            (0..m.n).flat_map(|i| (0..m.n).map(move |j| (i, j))).map(|(i, j)| x[i] * x[j] * m.mass[i * m.n + j]).sum();
        let volume = area(P).abs() * 0.7;
        assert!((energy - 14.0 * volume).abs() < 1e-13, "{energy} {}", 14.0 * volume);
    }
}
