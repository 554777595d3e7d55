//! Meshes over the period, paths on them, and how a mesh is moved to where it is needed.

use super::radau::Radau;
use super::reduce::{Reduced, TIME_S};

/// What an adapted mesh shall reach.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wanted {
    /// Highest Legendre coefficient of any state in any element, V.
    pub(crate) tail_v: f64,
    /// No element longer than this share of the period, so that the quadrature of high products holds.
    pub(crate) n_least: usize,
}

/// Element borders over one period, s: from 0 to the period.
#[derive(Debug, Clone)]
pub(crate) struct Mesh {
    pub(crate) nodes: Vec<f64>,
}

impl Mesh {
    pub(crate) fn uniform(f0_hz: f64, n_elements: usize) -> Self {
        let period = 1.0 / f0_hz;
        Self { nodes: (0..=n_elements).map(|k| period * k as f64 / n_elements as f64).collect() }
    }

    pub(crate) fn n_elements(&self) -> usize {
        self.nodes.len() - 1
    }

    /// The element that contains `t_s`, with the place in it from 0 to 1.
    pub(crate) fn find(&self, t_s: f64) -> (usize, f64) {
        let after = self.nodes.partition_point(|node| *node <= t_s);
        let k = after.saturating_sub(1).min(self.n_elements() - 1);
        (k, (t_s - self.nodes[k]) / (self.nodes[k + 1] - self.nodes[k]))
    }
}

/// Stage values of all elements, one after another; each stage holds the whole state.
#[derive(Debug, Clone)]
pub(crate) struct Trajectory {
    pub(crate) stages: Vec<f64>,
}

impl Trajectory {
    pub(crate) fn element(&self, k: usize, n: usize, s: usize) -> &[f64] {
        &self.stages[k * n * s..(k + 1) * n * s]
    }

    /// State at the start of element `k`: the end of the one before, round the period.
    pub(crate) fn start(&self, k: usize, n: usize, s: usize) -> &[f64] {
        let end = if k == 0 { self.stages.len() } else { k * n * s };
        &self.stages[end - n..end]
    }

    /// One component at the start and the stages of element `k`.
    fn component(&self, k: usize, n: usize, s: usize, a: usize) -> Vec<f64> {
        let inner = self.element(k, n, s);
        std::iter::once(self.start(k, n, s)[a]).chain((0..s).map(|i| inner[i * n + a])).collect()
    }
}

/// Length in inner units.
pub(crate) fn scaled(seconds: f64) -> f64 {
    seconds / TIME_S
}

/// Cycles of the fastest powered tone in one period, at least one.
pub(crate) fn cycles_of_fastest_tone(circuit: &Reduced, f0_hz: f64) -> usize {
    let tones = circuit.ports.iter().flat_map(|p| &p.tones).filter(|t| t.available_w > 0.0);
    tones.map(|t| (t.f_hz / f0_hz).round() as usize).max().unwrap_or(1).max(1)
}

/// What port sources and arriving waves (`waves`: one row a stage) add to the flow at each stage.
pub(crate) fn forcing(circuit: &Reduced, radau: &Radau, start: f64, end: f64, waves: &[f64]) -> Vec<f64> {
    let n = circuit.n_state();
    let n_wave = circuit.arrivals.len();
    let mut found = vec![0.0; n * radau.s];
    for i in 0..radau.s {
        let t = start + radau.c[i] * (end - start);
        let inputs = inputs_at(circuit, t, waves.get(i * n_wave..(i + 1) * n_wave).unwrap_or(&[]));
        for a in 0..n {
            let row = &circuit.flow.row(a)[n..];
            found[i * n + a] = row.iter().zip(&inputs).map(|(x, y)| x * y).sum();
        }
    }
    found
}

/// Port sources, then arriving waves.
pub(crate) fn inputs_at(circuit: &Reduced, t_s: f64, waves: &[f64]) -> Vec<f64> {
    circuit.ports.iter().map(|p| p.voltage(t_s)).chain(waves.iter().copied()).collect()
}

/// A mesh on which every element carries about the same highest Legendre coefficient, with nodes where
/// a junction passes its capacitance knee.
pub(crate) fn adapted(circuit: &Reduced, radau: &Radau, mesh: &Mesh, path: &Trajectory, want: &Wanted) -> Mesh {
    let mut density = smoothed(&densities(circuit, radau, mesh, path, want.tail_v));
    let floor = want.n_least as f64 / mesh.nodes[mesh.n_elements()];
    density.iter_mut().for_each(|d| *d = d.max(floor));
    let mut fixed = knee_instants(circuit, radau, mesh, path);
    fixed.push(*mesh.nodes.last().expect("a mesh has nodes"));
    let mut nodes = vec![0.0];
    let mut from = 0.0;
    for to in fixed {
        spread(&mut nodes, mesh, &density, from, to);
        from = to;
    }
    Mesh { nodes }
}

/// By how much a uniform mesh must grow so that its worst element carries the wanted coefficient.
pub(crate) fn uniform_growth(circuit: &Reduced, radau: &Radau, mesh: &Mesh, path: &Trajectory, tail_v: f64) -> f64 {
    let h = mesh.nodes[1] - mesh.nodes[0];
    densities(circuit, radau, mesh, path, tail_v).iter().fold(0.0, |m: f64, d| m.max(d * h))
}

/// Wanted elements per second, one value an element.
fn densities(circuit: &Reduced, radau: &Radau, mesh: &Mesh, path: &Trajectory, tail_v: f64) -> Vec<f64> {
    let (n, s) = (circuit.n_state(), radau.s);
    let exponent = 1.0 / (s as f64 + 1.0);
    (0..mesh.n_elements())
        .map(|k| {
            let tail = (0..n)
                .map(|a| path.component(k, n, s, a).iter().zip(&radau.tail).map(|(z, w)| z * w).sum::<f64>().abs())
                .fold(0.0, f64::max);
            let growth = (tail / tail_v).powf(exponent).clamp(0.2, 5.0);
            growth / (mesh.nodes[k + 1] - mesh.nodes[k])
        })
        .collect()
}

/// A density never falls below 0.6 of its neighbours', but is not raised more than threefold: the
/// sliver between two nearly coincident knees is dense only because it is short.
fn smoothed(density: &[f64]) -> Vec<f64> {
    let n = density.len();
    let raised = |k: usize| {
        let beside = density[(k + 1) % n].max(density[(k + n - 1) % n]);
        density[k].max((0.6 * beside).min(3.0 * density[k]))
    };
    (0..n).map(raised).collect()
}

/// Times in ascending order at which a junction passes `FC VJ`.
fn knee_instants(circuit: &Reduced, radau: &Radau, mesh: &Mesh, path: &Trajectory) -> Vec<f64> {
    let (n, s) = (circuit.n_state(), radau.s);
    let mut found = Vec::new();
    for k in 0..mesh.n_elements() {
        for (j, place) in circuit.junctions.iter().enumerate() {
            if place.parameters.cj0_f == 0.0 {
                continue;
            }
            let knee = place.parameters.fc * place.parameters.vj_v;
            let values = path.component(k, n, s, circuit.n_y + j);
            for i in 0..s {
                if (values[i] - knee) * (values[i + 1] - knee) < 0.0 {
                    let low = if i == 0 { 0.0 } else { radau.c[i - 1] };
                    let theta = bisect(radau, &values, knee, low, radau.c[i]);
                    found.push(mesh.nodes[k] + theta * (mesh.nodes[k + 1] - mesh.nodes[k]));
                }
            }
        }
    }
    found.sort_by(f64::total_cmp);
    let shortest = 1e-7 * mesh.nodes[mesh.n_elements()] / mesh.n_elements() as f64;
    let end = mesh.nodes[mesh.n_elements()];
    found.retain(|t| *t > shortest && *t < end - shortest);
    found.dedup_by(|b, a| *b - *a < shortest);
    found
}

fn bisect(radau: &Radau, values: &[f64], level: f64, mut low: f64, mut high: f64) -> f64 {
    let at = |theta: f64| radau.interpolation(theta).iter().zip(values).map(|(w, v)| w * v).sum::<f64>() - level;
    let rising = at(high) > 0.0;
    for _ in 0..40 {
        let mid = 0.5 * (low + high);
        if (at(mid) > 0.0) == rising {
            high = mid;
        } else {
            low = mid;
        }
    }
    0.5 * (low + high)
}

/// Adds nodes after `from` up to `to` so that each new element takes the same share of the density.
fn spread(nodes: &mut Vec<f64>, mesh: &Mesh, density: &[f64], from: f64, to: f64) {
    let mut pieces: Vec<(f64, f64, f64)> = Vec::new();
    let (first, _) = mesh.find(from);
    for (k, d) in density.iter().enumerate().skip(first) {
        let (start, end) = (mesh.nodes[k].max(from), mesh.nodes[k + 1].min(to));
        if end > start {
            pieces.push((start, end, *d));
        }
        if mesh.nodes[k + 1] >= to {
            break;
        }
    }
    let total: f64 = pieces.iter().map(|(a, b, d)| (b - a) * d).sum();
    let n_new = total.ceil().max(1.0);
    let share = total / n_new;
    let (mut filled, mut goal) = (0.0, share);
    for (start, end, d) in pieces {
        let mass = (end - start) * d;
        while goal < total - 0.5 * share && filled + mass >= goal {
            nodes.push(start + (goal - filled) / d);
            goal += share;
        }
        filled += mass;
    }
    nodes.push(to);
}

/// The same path on another mesh, by the polynomials of the old one.
pub(crate) fn transferred(circuit: &Reduced, radau: &Radau, old: &Mesh, path: &Trajectory, new: &Mesh) -> Trajectory {
    let (n, s) = (circuit.n_state(), radau.s);
    let mut stages = Vec::with_capacity(new.n_elements() * n * s);
    for w in new.nodes.windows(2) {
        for c in &radau.c {
            let (k, theta) = old.find(w[0] + c * (w[1] - w[0]));
            let weights = radau.interpolation(theta.clamp(0.0, 1.0));
            let (start, inner) = (path.start(k, n, s), path.element(k, n, s));
            for a in 0..n {
                let rest: f64 = (0..s).map(|i| weights[i + 1] * inner[i * n + a]).sum();
                stages.push(weights[0] * start[a] + rest);
            }
        }
    }
    Trajectory { stages }
}
