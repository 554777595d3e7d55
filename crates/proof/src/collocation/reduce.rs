//! From a netlist to state equations: the resistive part is eliminated once.
//!
//! Input: elements. Output: [`Reduced`], in scaled units (time over [`TIME_S`], current times
//! [`SCALE_OHM`], both so that all entries are of order one):
//! `y' = A_yy y + A_yu u + B e + W w` for the linear states, and the current into every junction
//! `i = J_yy y + ...`; `u` are junction voltages, `e` port sources, `w` waves arriving from lines.
//!
//! Method: nodal equations `C x' + G x = B s` with `s = (e, u, w)`. `C` is symmetric; its eigenvectors
//! split `x` into states and algebraic unknowns, so loops of capacitors need no care; nodes that only
//! inductors meet tie their currents and are eliminated as well. A capacitor straight across a junction
//! without series resistance is refused.

use super::dense::{Matrix, solve_in_place, symmetric_eigen};
use crate::circuit::{DiodeParameters, Element, Kind, Tone};
use std::collections::BTreeMap;

/// Unit of time inside, s.
pub(crate) const TIME_S: f64 = 1e-11;
/// Unit of resistance inside, ohm.
pub(crate) const SCALE_OHM: f64 = 50.0;

/// Eigenvalues of `C` below this share of the largest count as zero: far above rounding, far below
/// the smallest useful part (0.1 fF beside 300 nH).
const RANK_SHARE: f64 = 1e-11;
/// Squares of singular values below this share of the largest count as zero (a null space is exact to
/// rounding, 1e-30; the smallest useful part is far above 1e-20).
const NULL_SHARE: f64 = 1e-20;
/// Pivot ratio below which the algebraic part counts as singular.
const PIVOT_SHARE: f64 = 1e-13;

/// A port of the reduced circuit.
#[derive(Debug, Clone)]
pub(crate) struct PortSource {
    pub(crate) index: usize,
    pub(crate) r_ohm: f64,
    pub(crate) vdc_v: f64,
    pub(crate) tones: Vec<Tone>,
}

impl PortSource {
    /// Source voltage at a time, V.
    pub(crate) fn voltage(&self, t_s: f64) -> f64 {
        let wave = |tone: &Tone| {
            let peak = (8.0 * self.r_ohm * tone.available_w).sqrt();
            // Whole turns are dropped first: the argument stays small at any time.
            peak * (std::f64::consts::TAU * (tone.f_hz * t_s).fract() + tone.phase_rad).cos()
        };
        self.vdc_v + self.tones.iter().filter(|t| t.available_w > 0.0).map(wave).sum::<f64>()
    }
}

/// A junction of the reduced circuit.
#[derive(Debug, Clone)]
pub(crate) struct JunctionPlace {
    pub(crate) id: String,
    pub(crate) parameters: DiodeParameters,
}

/// A wave that arrives at one end of a line mode.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Arrival {
    /// Which launched wave it is.
    pub(crate) from: usize,
    /// How long ago it was launched, s.
    pub(crate) delay_s: f64,
}

/// State equations. Column order everywhere: `y`, `u`, `e`, `w`.
#[derive(Debug, Clone)]
pub(crate) struct Reduced {
    pub(crate) n_y: usize,
    pub(crate) ports: Vec<PortSource>,
    pub(crate) junctions: Vec<JunctionPlace>,
    pub(crate) arrivals: Vec<Arrival>,
    /// Rows: `y'`, then scaled current into each junction.
    pub(crate) flow: Matrix,
    /// Rows: port voltages, V.
    pub(crate) port_voltage: Matrix,
    /// Rows: launched waves, V.
    pub(crate) launched: Matrix,
}

impl Reduced {
    pub(crate) fn n_state(&self) -> usize {
        self.n_y + self.junctions.len()
    }
}

/// Reduces a netlist, or says why it cannot be.
pub(crate) fn reduce(elements: &[Element]) -> Result<Reduced, String> {
    let mut nodal = Nodal::number(elements);
    for element in elements {
        nodal.stamp(element);
    }
    nodal.eliminate()
}

/// Nodal equations while they are built.
struct Nodal {
    node: BTreeMap<String, usize>,
    n_x: usize,
    next_branch: usize,
    c: Matrix,
    g: Matrix,
    source: SourceColumns,
    ports: Vec<PortSource>,
    port_nodes: Vec<[Option<usize>; 2]>,
    junctions: Vec<JunctionPlace>,
    junction_branch: Vec<usize>,
    arrivals: Vec<Arrival>,
    modes: Vec<Vec<(usize, f64)>>,
}

/// Right side by kind of source, as triplets until the counts are known.
#[derive(Default)]
struct SourceColumns {
    e: Vec<(usize, usize, f64)>,
    u: Vec<(usize, usize, f64)>,
    w: Vec<(usize, usize, f64)>,
}

impl Nodal {
    fn number(elements: &[Element]) -> Self {
        let mut node = BTreeMap::new();
        for name in elements.iter().flat_map(|e| e.kind.nodes()).filter(|n| *n != "0") {
            let next = node.len();
            node.entry(name.to_owned()).or_insert(next);
        }
        let n_branch: usize = elements
            .iter()
            .map(|e| match &e.kind {
                Kind::Inductor { .. } | Kind::Diode { .. } => 1,
                Kind::Coupled { branches, .. } => branches.len(),
                Kind::Transformer { windings } => windings.len(),
                _ => 0,
            })
            .sum();
        let n_x = node.len() + n_branch;
        Self {
            next_branch: node.len(),
            node,
            n_x,
            c: Matrix::zeros(n_x, n_x),
            g: Matrix::zeros(n_x, n_x),
            source: SourceColumns::default(),
            ports: Vec::new(),
            port_nodes: Vec::new(),
            junctions: Vec::new(),
            junction_branch: Vec::new(),
            arrivals: Vec::new(),
            modes: Vec::new(),
        }
    }

    fn at(&self, name: &str) -> Option<usize> {
        self.node.get(name).copied()
    }

    fn both(&self, nodes: &[String; 2]) -> [Option<usize>; 2] {
        [self.at(&nodes[0]), self.at(&nodes[1])]
    }

    fn stamp(&mut self, element: &Element) {
        match &element.kind {
            Kind::Port { nodes, r_ohm, index, vdc_v, tones } => {
                let ends = self.both(nodes);
                let g = SCALE_OHM / r_ohm;
                across(&mut self.g, ends, g);
                let column = self.ports.len();
                for (end, sign) in ends.iter().zip([g, -g]) {
                    self.source.e.extend(end.map(|row| (row, column, sign)));
                }
                self.port_nodes.push(ends);
                self.ports.push(PortSource { index: *index, r_ohm: *r_ohm, vdc_v: *vdc_v, tones: tones.clone() });
            }
            Kind::Resistor { nodes, ohm } => {
                let ends = self.both(nodes);
                across(&mut self.g, ends, SCALE_OHM / ohm);
            }
            Kind::Capacitor { nodes, farad } => {
                let ends = self.both(nodes);
                across(&mut self.c, ends, SCALE_OHM * farad / TIME_S);
            }
            Kind::Inductor { nodes, henry } => self.stamp_coupled(std::slice::from_ref(nodes), &[vec![*henry]]),
            Kind::Coupled { branches, henry } => self.stamp_coupled(branches, henry),
            Kind::Transformer { windings } => {
                let first = self.next_branch;
                for (k, winding) in windings.iter().enumerate() {
                    let ends = self.both(&winding.nodes);
                    self.branch_current(ends, first + k);
                    // Row `first` is the balance of turns, row `first + k` compares with winding 0.
                    self.g[(first, first + k)] = winding.turns;
                    if k > 0 {
                        self.branch_voltage(first + k, ends, 1.0 / winding.turns);
                        let reference = self.both(&windings[0].nodes);
                        self.branch_voltage(first + k, reference, -1.0 / windings[0].turns);
                    }
                }
                self.next_branch += windings.len();
            }
            Kind::Diode { nodes, parameters } => {
                let row = self.next_branch;
                self.next_branch += 1;
                let ends = self.both(nodes);
                self.branch_current(ends, row);
                self.branch_voltage(row, ends, 1.0);
                self.g[(row, row)] -= parameters.rs_ohm / SCALE_OHM;
                self.source.u.push((row, self.junctions.len(), 1.0));
                self.junction_branch.push(row);
                self.junctions.push(JunctionPlace { id: element.id.clone(), parameters: *parameters });
            }
            Kind::Line { nodes, z_ohm, delay_s } => {
                let [a, a_ref, b, b_ref] = nodes.each_ref().map(|n| self.at(n));
                let end = |plus, minus| [(plus, 1.0, 1.0), (minus, -1.0, -1.0)];
                self.stamp_mode([&end(a, a_ref), &end(b, b_ref)], *z_ohm, *delay_s);
            }
            Kind::CoupledLine { nodes, z_even_ohm, z_odd_ohm, delay_s } => {
                let [a1, a2, b1, b2] = nodes.each_ref().map(|n| self.at(n));
                let even = |a, b| [(a, 0.5, 1.0), (b, 0.5, 1.0)];
                let odd = |a, b| [(a, 0.5, 1.0), (b, -0.5, -1.0)];
                self.stamp_mode([&even(a1, b1), &even(a2, b2)], *z_even_ohm, *delay_s);
                self.stamp_mode([&odd(a1, b1), &odd(a2, b2)], *z_odd_ohm, *delay_s);
            }
        }
    }

    fn stamp_coupled(&mut self, branches: &[[String; 2]], henry: &[Vec<f64>]) {
        let first = self.next_branch;
        for (k, nodes) in branches.iter().enumerate() {
            let ends = self.both(nodes);
            self.branch_current(ends, first + k);
            self.branch_voltage(first + k, ends, 1.0);
            for (l, mutual) in henry[k].iter().enumerate() {
                self.c[(first + k, first + l)] -= mutual / SCALE_OHM / TIME_S;
            }
        }
        self.next_branch += branches.len();
    }

    fn branch_current(&mut self, ends: [Option<usize>; 2], branch: usize) {
        for (end, sign) in ends.iter().zip([1.0, -1.0]) {
            if let Some(row) = end {
                self.g[(*row, branch)] += sign;
            }
        }
    }

    fn branch_voltage(&mut self, row: usize, ends: [Option<usize>; 2], factor: f64) {
        for (end, sign) in ends.iter().zip([factor, -factor]) {
            if let Some(column) = end {
                self.g[(row, *column)] += sign;
            }
        }
    }

    /// One line mode: at each end, `(node, share of its voltage in the mode, share of the mode current)`.
    fn stamp_mode(&mut self, ends: [&[(Option<usize>, f64, f64); 2]; 2], z_ohm: f64, delay_s: f64) {
        let first = self.arrivals.len();
        let g = SCALE_OHM / z_ohm;
        for (k, end) in ends.iter().enumerate() {
            for (row, _, inject) in end.iter() {
                let Some(row) = *row else { continue };
                for (column, share, _) in end.iter() {
                    if let Some(column) = *column {
                        self.g[(row, column)] += inject * g * share;
                    }
                }
                self.source.w.push((row, first + k, inject * g));
            }
            self.modes.push(end.iter().filter_map(|(node, share, _)| node.map(|n| (n, *share))).collect());
            self.arrivals.push(Arrival { from: first + 1 - k, delay_s });
        }
    }

    fn sources(&self) -> Matrix {
        let (n_u, n_e) = (self.junctions.len(), self.ports.len());
        let mut b = Matrix::zeros(self.n_x, n_u + n_e + self.arrivals.len());
        let parts = [(&self.source.u, 0), (&self.source.e, n_u), (&self.source.w, n_u + n_e)];
        for (triplets, shift) in parts {
            for &(row, column, value) in triplets {
                b[(row, shift + column)] += value;
            }
        }
        b
    }

    fn eliminate(self) -> Result<Reduced, String> {
        let b = self.sources();
        let (values, vectors) = symmetric_eigen(self.c.clone());
        let largest = values.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        let (kept, algebraic): (Vec<usize>, Vec<usize>) =
            (0..self.n_x).partition(|&i| values[i].abs() > RANK_SHARE * largest);
        let split = Split {
            v1: vectors.columns(&kept),
            v2: vectors.columns(&algebraic),
            values: kept.iter().map(|&i| values[i]).collect(),
        };
        let (x, states) = split.solve(&self.g, &b)?;
        Ok(self.finish(&b, &x, &split, &states))
    }

    /// `x` gives all nodal unknowns as functions of `(q, u, e, w)`, with the states `y = states q`.
    fn finish(self, b: &Matrix, x: &Matrix, split: &Split, states: &Matrix) -> Reduced {
        let n_y = states.n_cols;
        let slope = states.transposed().times(&split.slope(&self.g, b, x));
        let n_u = self.junctions.len();
        let mut flow = Matrix::zeros(n_y + n_u, x.n_cols);
        for i in 0..n_y {
            for j in 0..x.n_cols {
                flow[(i, j)] = slope[(i, j)];
            }
        }
        for (k, &branch) in self.junction_branch.iter().enumerate() {
            for j in 0..x.n_cols {
                flow[(n_y + k, j)] = x[(branch, j)];
            }
        }
        let mut port_voltage = Matrix::zeros(self.ports.len(), x.n_cols);
        for (k, ends) in self.port_nodes.iter().enumerate() {
            for (end, sign) in ends.iter().zip([1.0, -1.0]) {
                add_row(&mut port_voltage, k, x, *end, sign);
            }
        }
        let mut launched = Matrix::zeros(self.arrivals.len(), x.n_cols);
        let first_wave = n_y + n_u + self.ports.len();
        for (k, mode) in self.modes.iter().enumerate() {
            for &(node, share) in mode {
                add_row(&mut launched, k, x, Some(node), 2.0 * share);
            }
            launched[(k, first_wave + k)] -= 1.0;
        }
        Reduced {
            n_y,
            ports: self.ports,
            junctions: self.junctions,
            arrivals: self.arrivals,
            flow,
            port_voltage,
            launched,
        }
    }
}

/// Nodal unknowns split by the eigenvectors of `C`: `x = v1 y + v2 z`.
struct Split {
    v1: Matrix,
    v2: Matrix,
    /// Eigenvalues of `C` that belong to `v1`.
    values: Vec<f64>,
}

impl Split {
    /// All nodal unknowns as functions of `(q, s)`, and the free states `y = T q`.
    ///
    /// The algebraic part `G22 z = B2 s - G21 y` may be singular where only inductors meet: its left
    /// null space `N` then ties the states, `N' G21 y = 0`, and its right null space `M` carries the
    /// voltages that keep them tied, found by differentiating the tie once.
    fn solve(&self, g: &Matrix, b: &Matrix) -> Result<(Matrix, Matrix), String> {
        let refused = "expected state equations of index one, or ties between inductors, found a capacitor across a \
                       junction without series resistance, or a floating part; restate the circuit";
        let n_y = self.v1.n_cols;
        let projected = |left: &Matrix, right: &Matrix| left.transposed().times(&g.times(right));
        let (g22, g21) = (projected(&self.v2, &self.v2), projected(&self.v2, &self.v1));
        let right_null = null_space(&g22);
        let left_null = null_space(&g22.transposed());
        let n_tied = right_null.n_cols;
        let b2 = self.v2.transposed().times(b);
        let source_tied = left_null.transposed().times(&b2).data.iter().any(|v| v.abs() > 1e-9);
        if source_tied || left_null.n_cols != n_tied {
            return Err(refused.to_owned());
        }
        let mut bordered = bordered(&g22, &left_null, &right_null);
        let mut z = join(&negated(&g21), &b2);
        z.data.resize(z.data.len() + n_tied * z.n_cols, 0.0);
        z.n_rows += n_tied;
        if solve_in_place(&mut bordered, &mut z) < PIVOT_SHARE {
            return Err(refused.to_owned());
        }
        z.data.truncate(g22.n_rows * z.n_cols);
        z.n_rows = g22.n_rows;
        let mut x = self.v2.times(&z);
        for i in 0..x.n_rows {
            for j in 0..n_y {
                x[(i, j)] += self.v1[(i, j)];
            }
        }
        if n_tied == 0 {
            let mut free = Matrix::zeros(n_y, n_y);
            (0..n_y).for_each(|i| free[(i, i)] = 1.0);
            return Ok((x, free));
        }
        let tie = left_null.transposed().times(&g21);
        let holding = self.v2.times(&right_null);
        // Response of the tie to the holding voltages, and to everything else.
        let mut response = tie.times(&self.scaled(&negated(&projected(&self.v1, &holding))));
        let mut holding_of = negated(&tie.times(&self.slope(g, b, &x)));
        if solve_in_place(&mut response, &mut holding_of) < PIVOT_SHARE {
            return Err(refused.to_owned());
        }
        let held = holding.times(&holding_of);
        x.data.iter_mut().zip(&held.data).for_each(|(x, h)| *x += h);
        let free = null_space(&tie);
        let states: Vec<usize> = (0..n_y).collect();
        let inputs: Vec<usize> = (n_y..x.n_cols).collect();
        let x = join(&x.columns(&states).times(&free), &x.columns(&inputs));
        Ok((x, free))
    }

    /// `y'` when the nodal unknowns are `x` of `(states, s)`.
    fn slope(&self, g: &Matrix, b: &Matrix, x: &Matrix) -> Matrix {
        let padded = join(&Matrix::zeros(b.n_rows, x.n_cols - b.n_cols), b);
        self.scaled(&self.v1.transposed().times(&padded.minus(&g.times(x))))
    }

    /// Rows over the eigenvalues.
    fn scaled(&self, rows: &Matrix) -> Matrix {
        let mut rows = rows.clone();
        for (row, value) in rows.data.chunks_exact_mut(rows.n_cols.max(1)).zip(&self.values) {
            row.iter_mut().for_each(|x| *x /= value);
        }
        rows
    }
}

/// Orthonormal columns that `m` maps to zero, by the eigenvectors of `m' m`.
fn null_space(m: &Matrix) -> Matrix {
    let (values, vectors) = symmetric_eigen(m.transposed().times(m));
    let largest = values.iter().fold(0.0f64, |a, b| a.max(*b));
    let null: Vec<usize> = (0..values.len()).filter(|&i| values[i] <= NULL_SHARE * largest).collect();
    vectors.columns(&null)
}

/// `[m left; right' 0]`.
fn bordered(m: &Matrix, left: &Matrix, right: &Matrix) -> Matrix {
    let (n, extra) = (m.n_rows, left.n_cols);
    let mut all = Matrix::zeros(n + extra, n + extra);
    for i in 0..n {
        for j in 0..n {
            all[(i, j)] = m[(i, j)];
        }
        for k in 0..extra {
            all[(i, n + k)] = left[(i, k)];
            all[(n + k, i)] = right[(i, k)];
        }
    }
    all
}

fn across(m: &mut Matrix, ends: [Option<usize>; 2], value: f64) {
    for (i, row) in ends.iter().enumerate() {
        for (j, column) in ends.iter().enumerate() {
            if let (Some(row), Some(column)) = (row, column) {
                m[(*row, *column)] += if i == j { value } else { -value };
            }
        }
    }
}

fn add_row(into: &mut Matrix, row: usize, from: &Matrix, source: Option<usize>, factor: f64) {
    let Some(source) = source else { return };
    for j in 0..from.n_cols {
        into[(row, j)] += factor * from[(source, j)];
    }
}

fn negated(m: &Matrix) -> Matrix {
    let mut m = m.clone();
    m.data.iter_mut().for_each(|x| *x = -*x);
    m
}

fn join(left: &Matrix, right: &Matrix) -> Matrix {
    let mut both = Matrix::zeros(left.n_rows, left.n_cols + right.n_cols);
    for i in 0..left.n_rows {
        for j in 0..left.n_cols {
            both[(i, j)] = left[(i, j)];
        }
        for j in 0..right.n_cols {
            both[(i, left.n_cols + j)] = right[(i, j)];
        }
    }
    both
}
