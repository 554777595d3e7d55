//! The slow and obvious control: a full tableau of node voltages and all terminal currents.
//!
//! Every two-terminal current is an unknown, lines are written as waves (one row a direction and
//! mode), transformers as they are defined, ports as `v + z i = 2√z a`. Nothing is shared with the
//! crate but the dense solver.

use super::j;
use mixwright_circuit::{Circuit, CoupledPair, Line};
use numerics::{CMatrix, Complex64};
use std::f64::consts::TAU;

/// An element between numbered nodes, 0 being ground.
#[derive(Debug, Clone)]
pub(crate) enum Part {
    R([usize; 2], f64),
    L([usize; 2], f64),
    C([usize; 2], f64),
    Transformer(Vec<([usize; 2], f64)>),
    Line([usize; 2], [usize; 2], f64, f64),
    /// Nodes a near, a far, b near, b far; even and odd impedance; even and odd delay.
    Pair([usize; 4], [f64; 2], [f64; 2]),
    Port([usize; 2], f64),
}

/// The same parts as a circuit.
pub(crate) fn to_circuit(parts: &[Part]) -> Circuit {
    let mut c = Circuit::new();
    let name = |n: usize| if n == 0 { "0".to_owned() } else { format!("n{n}") };
    for (k, part) in parts.iter().enumerate() {
        let id = format!("E{k}");
        let pair = |p: &[usize; 2]| p.map(name);
        match part {
            Part::R(p, v) => _ = c.add_resistor(&id, pair(p).each_ref().map(String::as_str), *v),
            Part::L(p, v) => _ = c.add_inductor(&id, pair(p).each_ref().map(String::as_str), *v),
            Part::C(p, v) => _ = c.add_capacitor(&id, pair(p).each_ref().map(String::as_str), *v),
            Part::Port(p, v) => _ = c.add_port(&id, pair(p).each_ref().map(String::as_str), *v),
            Part::Transformer(windings) => {
                let nodes: Vec<[String; 2]> = windings.iter().map(|(p, _)| pair(p)).collect();
                let list: Vec<([&str; 2], f64)> =
                    nodes.iter().zip(windings).map(|(n, (_, t))| (n.each_ref().map(String::as_str), *t)).collect();
                c.add_transformer(&id, &list);
            }
            Part::Line(near, far, z, delay) => {
                let nodes = [name(near[0]), name(near[1]), name(far[0]), name(far[1])];
                c.add_line(&id, nodes.each_ref().map(String::as_str), Line::lossless(*z, *delay));
            }
            Part::Pair(nodes, [z0e_ohm, z0o_ohm], [delay_even_s, delay_odd_s]) => {
                let nodes = nodes.map(name);
                let pair = CoupledPair {
                    z0e_ohm: *z0e_ohm,
                    z0o_ohm: *z0o_ohm,
                    delay_even_s: *delay_even_s,
                    delay_odd_s: *delay_odd_s,
                };
                c.add_coupled_pair(&id, nodes.each_ref().map(String::as_str), pair);
            }
        }
    }
    c
}

/// Scattering matrix of the ports in order.
pub(crate) fn scattering(parts: &[Part], n_nodes: usize, freq_hz: f64) -> CMatrix {
    let omega = TAU * freq_hz;
    let pairs: Vec<[usize; 2]> = parts.iter().flat_map(currents).collect();
    let n_ports = parts.iter().filter(|p| matches!(p, Part::Port(..))).count();
    let n = n_nodes + pairs.len();
    let mut t = Tableau { a: CMatrix::zeros(n, n), b: CMatrix::zeros(n, n_ports), row: 0, n_nodes };
    // ground voltage is zero; current sums at the other nodes
    t.a[(0, 0)] = 1.0.into();
    for (k, pair) in pairs.iter().enumerate() {
        for (node, sign) in pair.iter().zip([1.0, -1.0]) {
            if *node != 0 {
                t.a[(*node, n_nodes + k)] += sign;
            }
        }
    }
    t.row = n_nodes;
    let (mut current, mut port) = (0, 0);
    let mut port_rows = Vec::new();
    for part in parts {
        t.rows_of(part, current, omega);
        if let Part::Port(nodes, z) = part {
            // current is counted into the external source, so it is minus the wave's current
            t.b[(t.row - 1, port)] = (2.0 * z.sqrt()).into();
            port_rows.push((*nodes, *z));
            port += 1;
        }
        current += currents(part).len();
    }
    let x = numerics::linear::solve(&t.a, &t.b).expect("a regular tableau");
    CMatrix::from_fn(n_ports, n_ports, |row, col| {
        let ([p, q], z) = port_rows[row];
        let v = x[(p, col)] - x[(q, col)];
        v / z.sqrt() - f64::from(u8::from(row == col))
    })
}

fn currents(part: &Part) -> Vec<[usize; 2]> {
    match part {
        Part::R(p, _) | Part::L(p, _) | Part::C(p, _) | Part::Port(p, _) => vec![*p],
        Part::Transformer(w) => w.iter().map(|w| w.0).collect(),
        Part::Line(near, far, ..) => vec![*near, *far],
        Part::Pair([a1, a2, b1, b2], ..) => vec![[*a1, 0], [*a2, 0], [*b1, 0], [*b2, 0]],
    }
}

struct Tableau {
    a: CMatrix,
    b: CMatrix,
    row: usize,
    n_nodes: usize,
}

impl Tableau {
    fn voltage(&mut self, [p, q]: [usize; 2], factor: impl Into<Complex64>) {
        let factor = factor.into();
        self.a[(self.row, p)] += factor;
        self.a[(self.row, q)] -= factor;
    }

    fn current(&mut self, k: usize, factor: impl Into<Complex64>) {
        self.a[(self.row, self.n_nodes + k)] += factor.into();
    }

    fn rows_of(&mut self, part: &Part, k: usize, omega: f64) {
        match part {
            Part::R(p, ohm) => {
                self.voltage(*p, 1.0);
                self.current(k, -*ohm);
                self.row += 1;
            }
            Part::L(p, henry) => {
                self.voltage(*p, 1.0);
                self.current(k, -j(omega * henry));
                self.row += 1;
            }
            Part::C(p, farad) => {
                self.voltage(*p, j(omega * farad));
                self.current(k, -1.0);
                self.row += 1;
            }
            Part::Port(p, ohm) => {
                self.voltage(*p, 1.0);
                self.current(k, -*ohm);
                self.row += 1;
            }
            Part::Transformer(windings) => {
                for (p, turns) in &windings[1..] {
                    self.voltage(*p, windings[0].1);
                    self.voltage(windings[0].0, -*turns);
                    self.row += 1;
                }
                for (m, (_, turns)) in windings.iter().enumerate() {
                    self.current(k + m, *turns);
                }
                self.row += 1;
            }
            Part::Line(near, far, z, delay) => {
                let e = Complex64::from_polar(1.0, -omega * delay);
                for (from, to, i_from, i_to) in [(near, far, k, k + 1), (far, near, k + 1, k)] {
                    // wave leaving `to` is the delayed wave that entered at `from`
                    self.voltage(*to, 1.0);
                    self.current(i_to, -*z);
                    self.voltage(*from, -e);
                    self.current(i_from, -e * *z);
                    self.row += 1;
                }
            }
            Part::Pair([a1, a2, b1, b2], impedances, delays) => {
                for (sign, z, delay) in [(1.0, impedances[0], delays[0]), (-1.0, impedances[1], delays[1])] {
                    let e = Complex64::from_polar(1.0, -omega * delay);
                    for (from, to) in [
                        ([(*a1, k), (*b1, k + 2)], [(*a2, k + 1), (*b2, k + 3)]),
                        ([(*a2, k + 1), (*b2, k + 3)], [(*a1, k), (*b1, k + 2)]),
                    ] {
                        for ((node, i), s) in to.into_iter().zip([1.0, sign]) {
                            self.voltage([node, 0], s);
                            self.current(i, -s * z);
                        }
                        for ((node, i), s) in from.into_iter().zip([1.0, sign]) {
                            self.voltage([node, 0], -e * s);
                            self.current(i, -e * s * z);
                        }
                        self.row += 1;
                    }
                }
            }
        }
    }
}
