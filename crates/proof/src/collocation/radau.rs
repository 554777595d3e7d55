//! Radau IIA collocation of any number of stages: order `2 s - 1`, the last stage at the end.
//!
//! Source: E. Hairer, G. Wanner, Solving Ordinary Differential Equations II, section IV.5
//! (coefficients are computed here from their definition, not copied).

use super::dense::{Matrix, solve_in_place};

/// Coefficients on the unit element.
#[derive(Debug, Clone)]
pub(crate) struct Radau {
    /// Number of stages.
    pub(crate) s: usize,
    /// Stage abscissae; the last one is 1.
    pub(crate) c: Vec<f64>,
    /// Derivative at stage `i` of the polynomial through start and stages, stage columns only; the
    /// column of the start is minus the sum of the row.
    pub(crate) d: Matrix,
    /// Quadrature weights of the stages.
    pub(crate) b: Vec<f64>,
    /// Barycentric weights of start and stages.
    bary: Vec<f64>,
    /// Weights that give the highest Legendre coefficient of the polynomial through start and stages.
    pub(crate) tail: Vec<f64>,
}

impl Radau {
    pub(crate) fn new(s: usize) -> Self {
        let c = abscissae(s);
        let nodes: Vec<f64> = std::iter::once(0.0).chain(c.iter().copied()).collect();
        let bary: Vec<f64> =
            (0..=s).map(|j| 1.0 / (0..=s).filter(|&k| k != j).map(|k| nodes[j] - nodes[k]).product::<f64>()).collect();
        let full = differentiation(&nodes, &bary);
        let mut d = Matrix::zeros(s, s);
        for i in 0..s {
            d.data[i * s..(i + 1) * s].copy_from_slice(&full.row(i + 1)[1..]);
        }
        let b = last_row_of_inverse(&d);
        let leading: f64 = (1..=s).map(|k| (s + k) as f64 / k as f64).product();
        let tail = bary.iter().map(|w| w / leading).collect();
        Self { s, c, d, b, bary, tail }
    }

    /// Weights of start and stages that give the value of the polynomial at `theta` in 0..=1.
    pub(crate) fn interpolation(&self, theta: f64) -> Vec<f64> {
        let node = |j: usize| if j == 0 { 0.0 } else { self.c[j - 1] };
        if let Some(hit) = (0..=self.s).find(|&j| (theta - node(j)).abs() < 1e-13) {
            return (0..=self.s).map(|j| if j == hit { 1.0 } else { 0.0 }).collect();
        }
        let mut weights: Vec<f64> = (0..=self.s).map(|j| self.bary[j] / (theta - node(j))).collect();
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|w| *w /= sum);
        weights
    }
}

/// Zeros of `P_s - P_{s-1}` mapped to 0..1, ascending; the last is 1.
fn abscissae(s: usize) -> Vec<f64> {
    let value = |x: f64| {
        let (below, top) = legendre_pair(s, x);
        top - below
    };
    let n_scan = 400 * s;
    let mut found = Vec::new();
    // The cosine spacing follows the crowding of the zeros towards the ends; x = 1 itself is added.
    let grid = |k: usize| -(std::f64::consts::PI * k as f64 / n_scan as f64).cos();
    for k in 0..n_scan - 1 {
        let (mut low, mut high) = (grid(k), grid(k + 1));
        if value(low) * value(high) < 0.0 {
            for _ in 0..80 {
                let mid = 0.5 * (low + high);
                if value(low) * value(mid) <= 0.0 {
                    high = mid;
                } else {
                    low = mid;
                }
            }
            found.push(0.25 * (low + high) + 0.5);
        }
    }
    found.truncate(s - 1);
    found.push(1.0);
    assert_eq!(found.len(), s, "all Radau abscissae are found");
    found
}

/// `P_{s-1}` and `P_s` at `x`.
fn legendre_pair(s: usize, x: f64) -> (f64, f64) {
    let (mut below, mut top) = (1.0, x);
    for n in 1..s {
        let next = ((2 * n + 1) as f64 * x * top - n as f64 * below) / (n + 1) as f64;
        (below, top) = (top, next);
    }
    (below, top)
}

fn differentiation(nodes: &[f64], bary: &[f64]) -> Matrix {
    let n = nodes.len();
    let mut d = Matrix::zeros(n, n);
    for i in 0..n {
        for j in 0..n {
            if i != j {
                d[(i, j)] = bary[j] / bary[i] / (nodes[i] - nodes[j]);
            }
        }
        d[(i, i)] = -(0..n).filter(|&j| j != i).map(|j| d[(i, j)]).sum::<f64>();
    }
    d
}

/// The stage matrix is the inverse of `d`; its last row holds the quadrature weights.
fn last_row_of_inverse(d: &Matrix) -> Vec<f64> {
    let s = d.n_rows;
    let mut unit = Matrix::zeros(s, 1);
    unit[(s - 1, 0)] = 1.0;
    solve_in_place(&mut d.transposed(), &mut unit);
    unit.data
}

#[cfg(test)]
mod tests {
    use super::Radau;

    #[test]
    fn three_stages_are_the_printed_ones() {
        // Hairer & Wanner II, table IV.5.6: c = (4 -+ sqrt 6)/10, 1; b = (16 -+ sqrt 6)/36, 1/9.
        let radau = Radau::new(3);
        let root = 6f64.sqrt();
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-14, "{a} {b}");
        close(radau.c[0], (4.0 - root) / 10.0);
        close(radau.c[1], (4.0 + root) / 10.0);
        close(radau.b[0], (16.0 - root) / 36.0);
        close(radau.b[1], (16.0 + root) / 36.0);
        close(radau.b[2], 1.0 / 9.0);
    }

    #[test]
    fn quadrature_is_exact_to_degree_twelve_with_seven_stages() {
        let radau = Radau::new(7);
        for degree in 0..=12 {
            let sum: f64 = radau.c.iter().zip(&radau.b).map(|(c, b)| b * c.powi(degree)).sum();
            assert!((sum - 1.0 / f64::from(degree + 1)).abs() < 1e-13, "degree {degree}");
        }
    }
}
