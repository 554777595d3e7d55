//! One mesh element: residual and Jacobian of its collocation equations, condensed to its ends.
//!
//! Unknowns are the stage values `Z_i` of the state `z = (y, u)`; with `q(z) = (y, Q(u))` and `F` the
//! flow, the equations are `sum_j d_ij (q(Z_j) - q(z_0)) = h F(Z_i)`. A junction without charge gives
//! rows without derivative, which the same equations then satisfy at each stage.

use super::dense::{Matrix, solve_in_place};
use super::junction::evaluate;
use super::radau::Radau;
use super::reduce::{Reduced, SCALE_OHM, TIME_S};

/// Work space and constants for elements of one circuit.
pub(crate) struct Condenser<'a> {
    pub(crate) circuit: &'a Reduced,
    pub(crate) radau: &'a Radau,
    m: Matrix,
    /// Charges, capacitances, currents and conductances of stage `i`, junction `k` (scaled).
    q: Vec<f64>,
    c: Vec<f64>,
    i: Vec<f64>,
    g: Vec<f64>,
}

impl<'a> Condenser<'a> {
    pub(crate) fn new(circuit: &'a Reduced, radau: &'a Radau) -> Self {
        let size = radau.s * circuit.n_state();
        let n_junction = (radau.s + 1) * circuit.junctions.len();
        let room = || vec![0.0; n_junction];
        Self { circuit, radau, m: Matrix::zeros(size, size), q: room(), c: room(), i: room(), g: room() }
    }

    /// Solves the linearised element: `delta Z = X[.., ..n] delta z_0 + X[.., n]`.
    ///
    /// `z0`: state at the start; `stages`: stage values, one after another; `forcing`: what the
    /// inputs add to the flow at each stage; `h`: scaled length.
    pub(crate) fn condense(&mut self, z0: &[f64], stages: &[f64], forcing: &[f64], h: f64) -> Result<Matrix, String> {
        let mut x = Matrix::zeros(self.m.n_rows, self.circuit.n_state() + 1);
        self.devices(z0, stages);
        self.assemble_jacobian(h);
        self.assemble_right(z0, stages, forcing, h, &mut x);
        let share = solve_in_place(&mut self.m, &mut x);
        if share > 0.0 && x.data.iter().all(|v| v.is_finite()) {
            Ok(x)
        } else {
            Err("expected a regular element matrix, found a singular one; look for an undriven state".to_owned())
        }
    }

    /// The same linearisation with other right sides: `delta Z = X[.., ..n] delta z_0 + X[.., n..]`, where
    /// column `n + j` answers the stage forcing in column `j` of `forcing`.
    pub(crate) fn respond(&mut self, z0: &[f64], stages: &[f64], forcing: &Matrix, h: f64) -> Result<Matrix, String> {
        let n = self.circuit.n_state();
        let mut x = Matrix::zeros(self.m.n_rows, n + forcing.n_cols);
        self.devices(z0, stages);
        self.assemble_jacobian(h);
        for row in 0..x.n_rows {
            let component = row % n;
            let slope = if component < self.circuit.n_y { 1.0 } else { self.c[component - self.circuit.n_y] };
            x[(row, component)] = slope * self.radau.d.row(row / n).iter().sum::<f64>();
            for j in 0..forcing.n_cols {
                x[(row, n + j)] = h * forcing[(row, j)];
            }
        }
        if solve_in_place(&mut self.m, &mut x) > 0.0 {
            Ok(x)
        } else {
            Err("expected a regular element matrix, found a singular one; look for an undriven state".to_owned())
        }
    }

    /// The adjoint of the linearisation: `M^-T right`, and for each state how the start of the element
    /// enters the stage equations (one factor a stage row).
    pub(crate) fn adjoint(
        &mut self,
        z0: &[f64],
        stages: &[f64],
        right: &Matrix,
        h: f64,
    ) -> Result<(Matrix, Vec<f64>), String> {
        let n = self.circuit.n_state();
        self.devices(z0, stages);
        self.assemble_jacobian(h);
        let entry = (0..self.m.n_rows).map(|row| {
            let component = row % n;
            let slope = if component < self.circuit.n_y { 1.0 } else { self.c[component - self.circuit.n_y] };
            slope * self.radau.d.row(row / n).iter().sum::<f64>()
        });
        let entry = entry.collect();
        let mut x = right.clone();
        if solve_in_place(&mut self.m.transposed(), &mut x) > 0.0 {
            Ok((x, entry))
        } else {
            Err("expected a regular element matrix, found a singular one; look for an undriven state".to_owned())
        }
    }

    fn devices(&mut self, z0: &[f64], stages: &[f64]) {
        let (n, n_y) = (self.circuit.n_state(), self.circuit.n_y);
        let n_u = n - n_y;
        for i in 0..=self.radau.s {
            let z = if i == 0 { z0 } else { &stages[(i - 1) * n..i * n] };
            for (k, place) in self.circuit.junctions.iter().enumerate() {
                let found = evaluate(&place.parameters, z[n_y + k]);
                let at = i * n_u + k;
                self.q[at] = found.charge * SCALE_OHM / TIME_S;
                self.c[at] = found.capacitance * SCALE_OHM / TIME_S;
                self.i[at] = found.current * SCALE_OHM;
                self.g[at] = found.conductance * SCALE_OHM;
            }
        }
    }

    fn assemble_jacobian(&mut self, h: f64) {
        let (n, n_y, s) = (self.circuit.n_state(), self.circuit.n_y, self.radau.s);
        let n_u = n - n_y;
        self.m.data.fill(0.0);
        for i in 0..s {
            for a in 0..n {
                let row = i * n + a;
                for j in 0..s {
                    let slope = if a < n_y { 1.0 } else { self.c[(j + 1) * n_u + a - n_y] };
                    self.m[(row, j * n + a)] = self.radau.d[(i, j)] * slope;
                }
                for b in 0..n {
                    self.m[(row, i * n + b)] -= h * self.circuit.flow[(a, b)];
                }
                if a >= n_y {
                    self.m[(row, row)] += h * self.g[(i + 1) * n_u + a - n_y];
                }
            }
        }
    }

    fn assemble_right(&self, z0: &[f64], stages: &[f64], forcing: &[f64], h: f64, x: &mut Matrix) {
        let (n, n_y, s) = (self.circuit.n_state(), self.circuit.n_y, self.radau.s);
        let n_u = n - n_y;
        for i in 0..s {
            let d = self.radau.d.row(i);
            let d_sum: f64 = d.iter().sum();
            let z = &stages[i * n..(i + 1) * n];
            for a in 0..n {
                let row = i * n + a;
                let mut residual = -h * forcing[row];
                for (b, value) in z.iter().enumerate() {
                    residual -= h * self.circuit.flow[(a, b)] * value;
                }
                if a < n_y {
                    for (j, weight) in d.iter().enumerate() {
                        residual += weight * (stages[j * n + a] - z0[a]);
                    }
                    x[(row, a)] = d_sum;
                } else {
                    let k = a - n_y;
                    residual += h * self.i[(i + 1) * n_u + k];
                    for (j, weight) in d.iter().enumerate() {
                        residual += weight * (self.q[(j + 1) * n_u + k] - self.q[k]);
                    }
                    x[(row, a)] = d_sum * self.c[k];
                }
                x[(row, n)] = -residual;
            }
        }
    }
}
