//! Small balanced vertex separators by the multilevel method.
//!
//! Coarsen by heavy-edge matching, cut the coarsest graph several ways, go back up and improve the
//! separator on each level by moving its vertices to either side (C. M. Fiduccia,
//! R. M. Mattheyses, 1982, in the form for vertex separators).

use crate::order::Graph;
use std::collections::BinaryHeap;

/// Mark of a separator vertex; the two sides are 0 and 1.
pub(crate) const SEPARATOR: u8 = 2;
/// The coarsest graph has about this many vertices.
const COARSEST: usize = 100;
/// Number of cuts tried on the coarsest graph of a large and of a small graph. There are many small
/// graphs and they matter little.
const TRIES: (usize, usize) = (8, 3);
/// Graphs up to this size are small.
const SMALL: usize = 500;
/// Largest share of one side in the weight outside the separator.
const SIDE_MAX: f64 = 0.58;
/// Sweeps of improvement per level.
const SWEEPS: usize = 6;

/// A graph with weighted edges.
struct Level {
    graph: Graph,
    edge_weight: Vec<u32>,
}

/// Side (0, 1 or [`SEPARATOR`]) of every vertex.
pub(crate) fn bisect(graph: &Graph, seed: u64) -> Vec<u8> {
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03);
    let runs = if (500..2000).contains(&graph.n()) { 2 } else { 1 };
    (0..runs).map(|_| multilevel(graph, &mut random)).min_by_key(|side| cost(graph, side)).expect("at least one run")
}

fn multilevel(graph: &Graph, random: &mut Random) -> Vec<u8> {
    let mut levels = vec![Level { graph: graph.clone(), edge_weight: vec![1; graph.neighbours.len()] }];
    let mut maps: Vec<Vec<u32>> = Vec::new();
    while let Some(last) = levels.last() {
        if last.graph.n() <= COARSEST {
            break;
        }
        let (coarse, map) = coarsen(last, random);
        if coarse.graph.n() as f64 > 0.95 * last.graph.n() as f64 {
            break;
        }
        maps.push(map);
        levels.push(coarse);
    }
    let coarsest = &levels.last().expect("the graph itself").graph;
    let tries = if graph.n() > SMALL { TRIES.0 } else { TRIES.1 };
    let mut side = first_cut(coarsest, tries, random);
    for (level, map) in levels.iter().rev().skip(1).zip(maps.iter().rev()) {
        side = map.iter().map(|&c| side[c as usize]).collect();
        improve(&level.graph, &mut side);
    }
    side
}

/// Weight of the separator, and a heavy penalty for lopsided cuts.
fn cost(graph: &Graph, side: &[u8]) -> u64 {
    let w = weights(graph, side);
    let over = w[0].max(w[1]) as f64 - SIDE_MAX * (w[0] + w[1]) as f64;
    w[2] as u64 * 1000 + if over > 0.0 { (over * 1000.0) as u64 } else { (w[0] - w[1]).unsigned_abs() / 100 }
}

fn weights(graph: &Graph, side: &[u8]) -> [i64; 3] {
    let mut w = [0i64; 3];
    for (v, &s) in side.iter().enumerate() {
        w[s as usize] += i64::from(graph.weight[v]);
    }
    w
}

fn coarsen(fine: &Level, random: &mut Random) -> (Level, Vec<u32>) {
    let g = &fine.graph;
    let n = g.n();
    let total: u64 = g.weight.iter().map(|&w| u64::from(w)).sum();
    let heaviest = (total / 40).max(2) as u32;
    let mut visit: Vec<u32> = (0..n as u32).collect();
    random.shuffle(&mut visit);
    visit.sort_by_key(|&v| g.of(v as usize).len().min(64));
    let mut mate = vec![u32::MAX; n];
    for &v in &visit {
        let vi = v as usize;
        if mate[vi] != u32::MAX {
            continue;
        }
        let mut best = (0u32, v);
        for (&u, &w) in g.of(vi).iter().zip(&fine.edge_weight[g.start[vi]..g.start[vi + 1]]) {
            if mate[u as usize] == u32::MAX && w > best.0 && g.weight[vi] + g.weight[u as usize] <= heaviest {
                best = (w, u);
            }
        }
        mate[vi] = best.1;
        mate[best.1 as usize] = v;
    }
    contract(fine, &mate)
}

fn contract(fine: &Level, mate: &[u32]) -> (Level, Vec<u32>) {
    let g = &fine.graph;
    let n = g.n();
    let mut map = vec![u32::MAX; n];
    let mut leads = Vec::with_capacity(n / 2 + 1);
    for v in 0..n {
        if map[v] == u32::MAX {
            map[v] = leads.len() as u32;
            map[mate[v] as usize] = leads.len() as u32;
            leads.push(v);
        }
    }
    let mut coarse = Graph { start: vec![0], ..Graph::default() };
    let mut edge_weight: Vec<u32> = Vec::new();
    let mut place = vec![u32::MAX; leads.len()];
    for (c, &v) in leads.iter().enumerate() {
        let begin = coarse.neighbours.len();
        let pair = [v, mate[v] as usize];
        let count = if pair[0] == pair[1] { 1 } else { 2 };
        for &p in &pair[..count] {
            for (&u, &w) in g.of(p).iter().zip(&fine.edge_weight[g.start[p]..g.start[p + 1]]) {
                let d = map[u as usize] as usize;
                if d == c {
                    continue;
                }
                if place[d] == u32::MAX {
                    place[d] = coarse.neighbours.len() as u32;
                    coarse.neighbours.push(d as u32);
                    edge_weight.push(w);
                } else {
                    edge_weight[place[d] as usize] += w;
                }
            }
        }
        for &d in &coarse.neighbours[begin..] {
            place[d as usize] = u32::MAX;
        }
        coarse.start.push(coarse.neighbours.len());
        coarse.weight.push(pair[..count].iter().map(|&p| g.weight[p]).sum());
    }
    (Level { graph: coarse, edge_weight }, map)
}

fn first_cut(graph: &Graph, tries: usize, random: &mut Random) -> Vec<u8> {
    (0..tries)
        .map(|_| {
            let mut side = grow(graph, random.below(graph.n()));
            improve(graph, &mut side);
            side
        })
        .min_by_key(|side| cost(graph, side))
        .expect("at least one try")
}

/// Grows side 0 breadth first from `first` to half the weight; its rim becomes the separator.
fn grow(graph: &Graph, first: usize) -> Vec<u8> {
    let n = graph.n();
    let half: i64 = graph.weight.iter().map(|&w| i64::from(w)).sum::<i64>() / 2;
    let mut side = vec![1u8; n];
    let mut seen = vec![false; n];
    let mut queue = std::collections::VecDeque::from([first]);
    seen[first] = true;
    let mut weight = 0i64;
    let mut next_start = 0;
    while weight < half {
        let Some(v) = queue.pop_front() else {
            let Some(v) = (next_start..n).find(|&v| !seen[v]) else { break };
            next_start = v;
            seen[v] = true;
            queue.push_back(v);
            continue;
        };
        side[v] = 0;
        weight += i64::from(graph.weight[v]);
        for &u in graph.of(v) {
            if !std::mem::replace(&mut seen[u as usize], true) {
                queue.push_back(u as usize);
            }
        }
    }
    for v in 0..n {
        if side[v] == 0 && graph.of(v).iter().any(|&u| side[u as usize] == 1) {
            side[v] = SEPARATOR;
        }
    }
    side
}

/// Moves separator vertices to the sides while the separator gets lighter or the cut more even.
fn improve(graph: &Graph, side: &mut [u8]) {
    for _ in 0..SWEEPS {
        if !Sweep::new(graph, side).run() {
            break;
        }
    }
}

struct Sweep<'a> {
    graph: &'a Graph,
    side: &'a mut [u8],
    weights: [i64; 3],
    side_max: i64,
    /// Weight that would enter the separator if the vertex moved to side 0 or 1.
    pulled: Vec<[i64; 2]>,
    version: Vec<u32>,
    moved: Vec<bool>,
    heaps: [BinaryHeap<(i64, u32, u32)>; 2],
    /// Undo log: vertex and the side it had before.
    log: Vec<(u32, u8)>,
    /// Vertices whose gains changed in the current move, each once.
    changed: Vec<u32>,
    changed_at: Vec<u32>,
    move_number: u32,
}

impl<'a> Sweep<'a> {
    fn new(graph: &'a Graph, side: &'a mut [u8]) -> Self {
        let n = graph.n();
        let weights = weights(graph, side);
        let total: i64 = weights.iter().sum();
        let mut sweep = Self {
            graph,
            side,
            weights,
            side_max: (SIDE_MAX * total as f64) as i64,
            pulled: vec![[0; 2]; n],
            version: vec![0; n],
            moved: vec![false; n],
            heaps: Default::default(),
            log: Vec::new(),
            changed: Vec::new(),
            changed_at: vec![0; n],
            move_number: 0,
        };
        for v in 0..n {
            if sweep.side[v] == SEPARATOR {
                sweep.enter(v);
            }
        }
        sweep.push_changed();
        sweep
    }

    fn enter(&mut self, v: usize) {
        let mut pulled = [0i64; 2];
        for &u in self.graph.of(v) {
            match self.side[u as usize] {
                0 => pulled[1] += i64::from(self.graph.weight[u as usize]),
                1 => pulled[0] += i64::from(self.graph.weight[u as usize]),
                _ => {}
            }
        }
        self.pulled[v] = pulled;
        self.note(v);
    }

    /// Remembers that the gains of `v` changed in this move.
    fn note(&mut self, v: usize) {
        if self.changed_at[v] != self.move_number + 1 {
            self.changed_at[v] = self.move_number + 1;
            self.changed.push(v as u32);
        }
    }

    fn push_changed(&mut self) {
        let mut changed = std::mem::take(&mut self.changed);
        changed.drain(..).for_each(|v| self.push(v as usize));
        self.changed = changed;
        self.move_number += 1;
    }

    fn push(&mut self, v: usize) {
        self.version[v] += 1;
        if self.moved[v] {
            return;
        }
        for to in 0..2 {
            let gain = i64::from(self.graph.weight[v]) - self.pulled[v][to];
            self.heaps[to].push((gain, v as u32, self.version[v]));
        }
    }

    /// Best move to side `to` that is still current.
    fn best(&mut self, to: usize) -> Option<(i64, usize)> {
        while let Some(&(gain, v, version)) = self.heaps[to].peek() {
            let vi = v as usize;
            let current = self.side[vi] == SEPARATOR && self.version[vi] == version && !self.moved[vi];
            let fits = self.weights[to] + i64::from(self.graph.weight[vi]) <= self.side_max;
            if current && fits {
                return Some((gain, vi));
            }
            self.heaps[to].pop();
        }
        None
    }

    /// One sweep; true when the cut became better.
    fn run(mut self) -> bool {
        let patience = 60 + self.graph.n() / 200;
        let patience = patience.min(300);
        let score = |w: &[i64; 3]| (w[2], (w[0] - w[1]).abs());
        let start = score(&self.weights);
        let overweight = self.weights[0].max(self.weights[1]) > self.side_max;
        let mut best = if overweight { (i64::MAX, i64::MAX) } else { start };
        let mut best_log = 0;
        let mut since = 0;
        while since < patience {
            let (a, b) = (self.best(0), self.best(1));
            let to = match (a, b) {
                (None, None) => break,
                (Some(_), None) => 0,
                (None, Some(_)) => 1,
                (Some(x), Some(y)) if x.0 == y.0 => usize::from(self.weights[1] < self.weights[0]),
                (Some(x), Some(y)) => usize::from(y.0 > x.0),
            };
            let v = [a, b][to].expect("the chosen side has a move").1;
            self.shift(v, to);
            since += 1;
            let now = score(&self.weights);
            if now < best && self.weights[0].max(self.weights[1]) <= self.side_max {
                best = now;
                best_log = self.log.len();
                since = 0;
            }
        }
        for &(v, before) in self.log[best_log..].iter().rev() {
            self.side[v as usize] = before;
        }
        best < start
    }

    fn shift(&mut self, v: usize, to: usize) {
        let graph = self.graph;
        let w = i64::from(graph.weight[v]);
        self.set(v, to as u8);
        self.moved[v] = true;
        self.weights[2] -= w;
        self.weights[to] += w;
        let other = 1 - to;
        for &u in graph.of(v) {
            let ui = u as usize;
            if self.side[ui] == SEPARATOR {
                self.pulled[ui][other] += w;
                self.note(ui);
            } else if usize::from(self.side[ui]) == other {
                let wu = i64::from(graph.weight[ui]);
                self.set(ui, SEPARATOR);
                self.weights[other] -= wu;
                self.weights[2] += wu;
                for &k in graph.of(ui) {
                    if self.side[k as usize] == SEPARATOR && k != u {
                        self.pulled[k as usize][to] -= wu;
                        self.note(k as usize);
                    }
                }
                self.enter(ui);
            }
        }
        self.push_changed();
    }

    fn set(&mut self, v: usize, side: u8) {
        self.log.push((v as u32, self.side[v]));
        self.side[v] = side;
    }
}

/// A small generator of pseudo-random numbers (Marsaglia's xorshift), so that runs repeat.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }
    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
    fn shuffle(&mut self, list: &mut [u32]) {
        for k in (1..list.len()).rev() {
            list.swap(k, self.below(k + 1));
        }
    }
}
