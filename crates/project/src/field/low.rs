//! The low-frequency limit of a field solution against the sum of its line sections.
//!
//! Input: a layout of straight strips along one axis, and the scattering matrix of its field solution at a low
//! frequency. Output: capacitance between all pieces of metal and inductance of all loops the ports close, from both.
//! Method: the layout is cut wherever a strip or a port begins or ends; each piece in between is a cross-section whose
//! matrices count by their length. Ports that span a tree of the metal give `Z → Pᵀ C⁻¹ P / jω`, the loops that remain
//! carry no charge and give `Z → jωL`.
//! Not here: bends, tapers, vias; what ends and upright ports add, which is why strips that end inside the box are only
//! expected to agree within one height over the ground at each end.

use super::kept::Kept;
use super::sections::line_table;
use super::solution::{Task, with_error};
use crate::design::Design;
use lines::Strip;
use network::convert::{Wave, z_from_s};
use numerics::{CMatrix, Complex64, linear};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use spec::Grid;
use stackup::{Parameter, PortPlace, Role, Side, Stackup, Wall};
use std::f64::consts::TAU;

/// Share of a wavelength in the densest dielectric that the structure may be long at the lowest frequency.
const SHORT: f64 = 0.05;
/// A strip is at least this many widths long.
const LONG: f64 = 2.0;
/// Agreement expected of lines that end in walls only, relative.
const ENDLESS: f64 = 0.02;
/// Patterns of phases under which the stated error is added.
const PATTERNS: usize = 2;
/// Places nearer than this are one, metre.
const SAME_M: f64 = 1e-9;

/// What both say at low frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct LowFrequency {
    /// Frequency of the field solution, hertz.
    pub freq_hz: f64,
    /// Between which pieces of metal, capacitance by line sections and by the field, farad.
    pub capacitance_f: Vec<(String, [f64; 2])>,
    /// Around which ports, inductance by line sections and by the field, henry.
    pub inductance_h: Vec<(String, [f64; 2])>,
    /// Largest difference of capacitances, relative to the self terms.
    pub capacitance_off: f64,
    /// The same of inductances; none without loops.
    pub inductance_off: Option<f64>,
    /// What ends and upright ports may add, relative.
    pub ends: f64,
    /// Expected at most of capacitances: ends, and what the stated error of the scattering matrix leaves.
    pub capacitance_allowed: f64,
    /// The same of inductances.
    pub inductance_allowed: f64,
}

/// Compares; nothing where the layout is no row of line sections or no frequency is low enough.
pub fn compare(design: &Design, task: &Task<'_>, kept: &Kept) -> Option<LowFrequency> {
    let stack = &design.technology.as_ref()?.stackup;
    let (k, &freq_hz) = kept.freqs_hz.iter().enumerate().find(|(_, f)| **f > 0.0)?;
    let row = Row::new(stack, task)?;
    let eps = stack.dielectrics.iter().map(|d| d.eps_r.nominal).fold(1.0, f64::max);
    if row.length_m() * freq_hz * eps.sqrt() > SHORT * LIGHT_SPEED_M_PER_S {
        return None;
    }
    let reference: Vec<Complex64> = kept.reference_ohm.iter().map(|r| Complex64::new(*r, 0.0)).collect();
    let z = z_from_s(kept.scattering.get(k)?, &reference, Wave::Power).ok()?;
    let lines = row.lines(stack, freq_hz)?;
    let field = row.field(&z, freq_hz)?;
    // what the error stated for the scattering matrix leaves of both
    let mut open = [0.0_f64; 2];
    for pattern in 0..PATTERNS {
        let s = with_error(kept.scattering.get(k)?, kept.errors.get(k)?, pattern).ok()?;
        let other = row.field(&z_from_s(&s, &reference, Wave::Power).ok()?, freq_hz)?;
        open[0] = open[0].max(off_c(&lines, &field.c, &other.c));
        open[1] = open[1].max(off_l(&lines, &field.l, &other.l));
    }
    let n = row.nets.len();
    let name = |p: usize, q: usize| match p == q {
        true => row.nets[p].name.clone(),
        false => format!("{}, {}", row.nets[p].name, row.nets[q].name),
    };
    let pairs = (0..n).flat_map(|p| (p..n).map(move |q| (p, q)));
    let around = |ports: &[(usize, f64)]| ports.iter().map(|p| kept.ports[p.0].as_str()).collect::<Vec<_>>().join(", ");
    let loops = row.loops.iter().zip(lines.l.iter().zip(&field.l));
    let ends = row.allowed(stack);
    Some(LowFrequency {
        freq_hz,
        capacitance_off: off_c(&lines, &lines.c, &field.c),
        inductance_off: (!row.loops.is_empty()).then(|| off_l(&lines, &lines.l, &field.l)),
        ends,
        capacitance_allowed: ends + open[0],
        inductance_allowed: ends + open[1],
        capacitance_f: pairs.map(|(p, q)| (name(p, q), [lines.c[p][q], field.c[p][q]])).collect(),
        inductance_h: loops.map(|(ports, (a, b))| (around(ports), [*a, *b])).collect(),
    })
}

/// Largest difference of capacitances, relative to the self terms of the lines.
fn off_c(lines: &Summed, a: &[Vec<f64>], b: &[Vec<f64>]) -> f64 {
    let of = |p: usize, q: usize| (a[p][q] - b[p][q]).abs() / (lines.c[p][p] * lines.c[q][q]).sqrt();
    (0..a.len()).flat_map(|p| (0..a.len()).map(move |q| (p, q))).map(|(p, q)| of(p, q)).fold(0.0, f64::max)
}

/// The same of inductances, relative to those of the lines.
fn off_l(lines: &Summed, a: &[f64], b: &[f64]) -> f64 {
    lines.l.iter().zip(a.iter().zip(b)).map(|(l, (a, b))| ((a - b) / l).abs()).fold(0.0, f64::max)
}

impl LowFrequency {
    /// As a table.
    pub fn grid(&self) -> Grid {
        let row = |what: &str, name: &str, [a, b]: [f64; 2], unit: &str, scale: f64| {
            let off = if a.abs() > 0.0 { format!("{:+.1} %", 100.0 * (b / a - 1.0)) } else { "–".into() };
            vec![format!("{what} {name}"), format!("{:.2} {unit}", a * scale), format!("{:.2} {unit}", b * scale), off]
        };
        let c = self.capacitance_f.iter().map(|(name, both)| row("capacitance", name, *both, "fF", 1e15));
        let l = self.inductance_h.iter().map(|(name, both)| row("inductance around", name, *both, "pH", 1e12));
        let heads = ["Quantity", "Line sections", "Field solution", "Difference"];
        Grid {
            title: format!("Low-frequency limit at {:.2} GHz", self.freq_hz * 1e-9),
            heads: heads.map(String::from).to_vec(),
            rows: c.chain(l).collect(),
        }
    }
}

/// A piece of metal: strips of one layer that touch.
struct Net {
    name: String,
    layer: String,
    /// Along and across the axis: low and high, metre.
    strips: Vec<[[f64; 2]; 2]>,
}

/// A layout as a row of line sections along an axis.
struct Row {
    nets: Vec<Net>,
    /// Plus and minus net of each port (none for ground) and where along the axis each terminal is.
    ports: Vec<[(Option<usize>, f64); 2]>,
    /// Ports of a tree that reaches every net.
    tree: Vec<usize>,
    /// Ports around each remaining loop with their sense.
    loops: Vec<Vec<(usize, f64)>>,
    walls_m: Option<[f64; 2]>,
    ends_inside: bool,
}

/// Matrices of the whole.
struct Summed {
    /// Between nets, farad.
    c: Vec<Vec<f64>>,
    /// Of every loop, henry.
    l: Vec<f64>,
}

impl Row {
    fn new(stack: &Stackup, task: &Task<'_>) -> Option<Self> {
        let layout = &task.layout;
        if !layout.vias.is_empty() || layout.shapes.is_empty() {
            return None;
        }
        let rectangles: Vec<(usize, [[f64; 2]; 2])> = layout
            .shapes
            .iter()
            .enumerate()
            .map(|(i, s)| Some((i, rectangle(s.polygon.corners())?)))
            .collect::<Option<_>>()?;
        let long = |axis: usize| {
            rectangles.iter().all(|(_, r)| r[axis][1] - r[axis][0] >= LONG * (r[1 - axis][1] - r[1 - axis][0]))
        };
        let axis = (0..2).find(|a| long(*a))?;
        let mut nets: Vec<Net> = Vec::new();
        for (i, r) in rectangles {
            let strip = [r[axis], r[1 - axis]];
            let shape = &layout.shapes[i];
            let touch =
                |s: &[[f64; 2]; 2]| (0..2).all(|d| s[d][0] <= strip[d][1] + SAME_M && strip[d][0] <= s[d][1] + SAME_M);
            // strips that join three ways are not expected in a row
            match nets.iter_mut().find(|n| n.layer == shape.layer && n.strips.iter().any(touch)) {
                Some(net) => net.strips.push(strip),
                None => nets.push(Net { name: shape.name.clone(), layer: shape.layer.clone(), strips: vec![strip] }),
            }
        }
        let (low, high) = (layout.enclosure.low, layout.enclosure.high);
        let cross = 1 - axis;
        let walled = |k: usize| layout.enclosure.walls[k] == Wall::Metal;
        let walls_m = (walled(2 * cross) && walled(2 * cross + 1)).then_some([low[cross], high[cross]]);
        let ground = stack.layers.first().filter(|l| matches!(l.role, Role::Ground)).map(|l| l.name.as_str());
        let net_at = |layer: &str, p: [f64; 2]| {
            let at = [p[axis], p[cross]];
            let inside = |s: &[[f64; 2]; 2]| (0..2).all(|d| s[d][0] - SAME_M <= at[d] && at[d] <= s[d][1] + SAME_M);
            nets.iter().position(|n| n.layer == layer && n.strips.iter().any(inside))
        };
        let mut ports = Vec::new();
        for port in &layout.ports {
            let ends = match &port.place {
                PortPlace::Gap { plus, minus } => [plus, minus].map(|t| {
                    let middle = [0, 1].map(|d| 0.5 * (t.edge[0][d] + t.edge[1][d]));
                    (t.layer.as_str(), middle)
                }),
                PortPlace::Wall { side, layer, centre_m, .. } => {
                    let at = match side {
                        Side::West => [low[0], *centre_m],
                        Side::East => [high[0], *centre_m],
                        Side::South => [*centre_m, low[1]],
                        Side::North => [*centre_m, high[1]],
                    };
                    [(layer.as_str(), at), (ground?, at)]
                }
            };
            let found = ends.map(|(layer, at)| {
                let net = if Some(layer) == ground { Some(None) } else { net_at(layer, at).map(Some) };
                net.map(|net| (net, at[axis]))
            });
            let [plus, minus] = found;
            ports.push([plus?, minus?]);
        }
        let ends = [low[axis], high[axis]];
        let ends_inside =
            nets.iter().flat_map(|n| &n.strips).any(|s| s[0][0] > ends[0] + SAME_M || s[0][1] < ends[1] - SAME_M);
        let mut row = Self { nets, ports, tree: Vec::new(), loops: Vec::new(), walls_m, ends_inside };
        row.span()?;
        Some(row)
    }

    /// Node of a terminal in the graph of ports: zero is the ground.
    fn node(end: (Option<usize>, f64)) -> usize {
        end.0.map_or(0, |n| n + 1)
    }

    /// Finds the tree of ports and the loops left over; nothing when a net is reached by no port.
    fn span(&mut self) -> Option<()> {
        // way from every node to the ground: ports with the sense in which they are passed
        let mut way: Vec<Option<Vec<(usize, f64)>>> = vec![None; self.nets.len() + 1];
        way[0] = Some(Vec::new());
        loop {
            let step = self.ports.iter().enumerate().find_map(|(p, ends)| {
                let [a, b] = ends.map(Self::node);
                match (&way[a], &way[b]) {
                    (None, Some(rest)) => Some((p, a, [vec![(p, 1.0)], rest.clone()].concat())),
                    (Some(rest), None) => Some((p, b, [vec![(p, -1.0)], rest.clone()].concat())),
                    _ => None,
                }
            });
            let Some((port, node, path)) = step else { break };
            self.tree.push(port);
            way[node] = Some(path);
        }
        let way: Vec<Vec<(usize, f64)>> = way.into_iter().collect::<Option<_>>()?;
        for p in (0..self.ports.len()).filter(|p| !self.tree.contains(p)) {
            let [a, b] = self.ports[p].map(Self::node);
            // out through this port, back over the tree
            let mut sum = vec![0.0; self.ports.len()];
            sum[p] = 1.0;
            way[b].iter().for_each(|(q, s)| sum[*q] += s);
            way[a].iter().for_each(|(q, s)| sum[*q] -= s);
            self.loops.push(sum.into_iter().enumerate().filter(|(_, s)| *s != 0.0).collect());
        }
        Some(())
    }

    fn length_m(&self) -> f64 {
        let ends = || self.nets.iter().flat_map(|n| &n.strips).map(|s| s[0]);
        ends().map(|e| e[1]).fold(f64::NEG_INFINITY, f64::max) - ends().map(|e| e[0]).fold(f64::INFINITY, f64::min)
    }

    /// Difference that ends and upright ports may make: one height over the ground at each end of the shortest strip.
    fn allowed(&self, stack: &Stackup) -> f64 {
        if !self.ends_inside {
            return ENDLESS;
        }
        let height = stack.faces().map_or(0.0, |f| f.sheets.iter().map(|s| s.bottom_m).fold(0.0, f64::max));
        let shortest =
            self.nets.iter().flat_map(|n| &n.strips).map(|s| s[0][1] - s[0][0]).fold(f64::INFINITY, f64::min);
        (2.0 * height / shortest).max(ENDLESS)
    }

    /// Current in a net at a place, for a unit current around a loop.
    fn current(&self, net: usize, at: f64, loop_: &[(usize, f64)]) -> f64 {
        let into = |p: usize, sense: f64| {
            let [plus, minus] = self.ports[p];
            let here = |end: (Option<usize>, f64)| end.0 == Some(net) && end.1 < at;
            sense * (f64::from(u8::from(here(plus))) - f64::from(u8::from(here(minus))))
        };
        loop_.iter().map(|&(p, sense)| into(p, sense)).sum()
    }

    /// Sums the sections; nothing when a section cannot be solved or a net has two strips in one.
    fn lines(&self, stack: &Stackup, freq_hz: f64) -> Option<Summed> {
        let made = without_bias(stack);
        let ends = self.nets.iter().flat_map(|n| &n.strips).flat_map(|s| s[0]);
        let mut marks: Vec<f64> = ends.chain(self.ports.iter().flatten().map(|e| e.1)).collect();
        marks.sort_by(f64::total_cmp);
        marks.dedup_by(|b, a| *b - *a < SAME_M);
        let n = self.nets.len();
        let mut sum = Summed { c: vec![vec![0.0; n]; n], l: vec![0.0; self.loops.len()] };
        for pair in marks.windows(2) {
            let (middle, length) = (0.5 * (pair[0] + pair[1]), pair[1] - pair[0]);
            let mut here: Vec<(usize, Strip)> = Vec::new();
            for (k, net) in self.nets.iter().enumerate() {
                for s in net.strips.iter().filter(|s| s[0][0] < middle && middle < s[0][1]) {
                    if here.iter().any(|(other, _)| *other == k) {
                        return None;
                    }
                    let strip = Strip {
                        name: net.name.clone(),
                        layer: net.layer.clone(),
                        centre_m: 0.5 * (s[1][0] + s[1][1]),
                        width_m: s[1][1] - s[1][0],
                        reference: false,
                    };
                    here.push((k, strip));
                }
            }
            if here.is_empty() {
                continue;
            }
            let strips: Vec<Strip> = here.iter().map(|h| h.1.clone()).collect();
            let at = line_table(&made, &strips, self.walls_m).ok()?.at(freq_hz);
            for (i, (p, _)) in here.iter().enumerate() {
                for (j, (q, _)) in here.iter().enumerate() {
                    sum.c[*p][*q] += length * at.c[(i, j)];
                    for (total, loop_) in sum.l.iter_mut().zip(&self.loops) {
                        *total +=
                            length * self.current(*p, middle, loop_) * at.l[(i, j)] * self.current(*q, middle, loop_);
                    }
                }
            }
        }
        Some(sum)
    }

    /// Capacitance between nets from impedances of the tree, inductance of the loops.
    fn field(&self, z: &CMatrix, freq_hz: f64) -> Option<Summed> {
        let n = self.nets.len();
        let incidence = |net: usize, port: usize| -> f64 {
            let [plus, minus] = self.ports[port].map(|e| e.0 == Some(net));
            f64::from(u8::from(plus)) - f64::from(u8::from(minus))
        };
        let a = CMatrix::from_fn(n, n, |i, j| incidence(i, self.tree[j]).into());
        let jw = Complex64::new(0.0, TAU * freq_hz);
        let p = CMatrix::from_fn(n, n, |i, j| jw * z[(self.tree[i], self.tree[j])]);
        let c = &a * &linear::solve(&p, &a.transpose()).ok()?;
        let around = |ports: &Vec<(usize, f64)>| {
            let of = |a: &(usize, f64)| ports.iter().map(|b| z[(a.0, b.0)] * (a.1 * b.1)).sum::<Complex64>();
            ports.iter().map(of).sum::<Complex64>().im / (TAU * freq_hz)
        };
        Some(Summed {
            c: (0..n).map(|i| (0..n).map(|j| c[(i, j)].re).collect()).collect(),
            l: self.loops.iter().map(around).collect(),
        })
    }
}

/// Low and high along x and y, when the outline is an upright rectangle.
fn rectangle(corners: &[[f64; 2]]) -> Option<[[f64; 2]; 2]> {
    let span = |d: usize| {
        corners.iter().map(|c| c[d]).fold([f64::INFINITY, f64::NEG_INFINITY], |[l, h], v| [l.min(v), h.max(v)])
    };
    let out = [span(0), span(1)];
    let on_corner =
        |c: &[f64; 2]| (0..2).all(|d| (c[d] - out[d][0]).abs() < SAME_M || (c[d] - out[d][1]).abs() < SAME_M);
    (corners.len() == 4 && corners.iter().all(on_corner)).then_some(out)
}

/// The stack for strips that are already as made.
fn without_bias(stack: &Stackup) -> Stackup {
    let mut made = stack.clone();
    for i in 0..made.layers.len() {
        for p in [Parameter::WidthBias(i), Parameter::Registration(i, 0), Parameter::Registration(i, 1)] {
            if let Some(d) = made.dimension_mut(p) {
                d.nominal = 0.0;
            }
        }
    }
    made
}
