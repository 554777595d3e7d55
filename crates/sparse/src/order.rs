//! Fill-reducing order by nested dissection.
//!
//! Unknowns with one and the same set of neighbours are joined first; the joined graph is cut in
//! two by a small vertex separator again and again, the separators come last, and the remaining
//! pieces are ordered by minimum degree that sees their surroundings.
//! Sources: A. George (1973); G. Karypis, V. Kumar, "A fast and high quality multilevel scheme for
//! partitioning irregular graphs", SIAM J. Sci. Comput. 20 (1998); C. Ashcraft, "Compressed graphs
//! and the minimum degree algorithm", SIAM J. Sci. Comput. 16 (1995).

use crate::SymmetricPattern;
use crate::leaf::minimum_degree;
use crate::separator::{SEPARATOR, bisect};

/// Pieces with at most this many joined unknowns are ordered by minimum degree.
const LEAF_MAX: usize = 60;
/// Pieces larger than this are cut by two threads.
const PARALLEL_MIN: usize = 4000;

/// An undirected graph with weighted vertices.
#[derive(Debug, Clone, Default)]
pub(crate) struct Graph {
    /// Start of each vertex's neighbours; one entry more than vertices.
    pub start: Vec<usize>,
    /// Neighbours, without the vertex itself.
    pub neighbours: Vec<u32>,
    /// Unknowns joined in each vertex.
    pub weight: Vec<u32>,
}

impl Graph {
    pub(crate) fn n(&self) -> usize {
        self.weight.len()
    }
    pub(crate) fn of(&self, v: usize) -> &[u32] {
        &self.neighbours[self.start[v]..self.start[v + 1]]
    }
}

/// Elimination order of the unknowns of a symmetric pattern: entry `k` is the unknown eliminated
/// as number `k`. Deterministic, the same for any number of threads.
pub fn nested_dissection(pattern: &SymmetricPattern) -> Vec<u32> {
    let graph = full_graph(pattern);
    let (joined, members) = compress(&graph);
    drop(graph);
    let all: Vec<u32> = (0..joined.n() as u32).collect();
    let order = dissect(&joined, joined.clone(), all, 1);
    order.into_iter().flat_map(|v| members[v as usize].iter().copied()).collect()
}

fn full_graph(pattern: &SymmetricPattern) -> Graph {
    let n = pattern.order();
    let mut start = vec![0; n + 1];
    for j in 0..n {
        for &i in pattern.column(j).iter().filter(|&&i| i as usize != j) {
            start[j + 1] += 1;
            start[i as usize + 1] += 1;
        }
    }
    for v in 0..n {
        start[v + 1] += start[v];
    }
    let mut next = start.clone();
    let mut neighbours = vec![0u32; start[n]];
    for j in 0..n {
        for &i in pattern.column(j).iter().filter(|&&i| i as usize != j) {
            neighbours[next[j]] = i;
            next[j] += 1;
            neighbours[next[i as usize]] = j as u32;
            next[i as usize] += 1;
        }
    }
    for v in 0..n {
        neighbours[start[v]..start[v + 1]].sort_unstable();
    }
    Graph { start, neighbours, weight: vec![1; n] }
}

/// Joins vertices with equal closed neighbourhoods.
fn compress(graph: &Graph) -> (Graph, Vec<Vec<u32>>) {
    let n = graph.n();
    let hash = |v: u32| u64::from(v + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15).rotate_left(23) ^ u64::from(v);
    let mut keyed: Vec<(u64, usize, u32)> = (0..n)
        .map(|v| {
            let sum = graph.of(v).iter().fold(hash(v as u32), |s, &u| s.wrapping_add(hash(u)));
            (sum, graph.of(v).len(), v as u32)
        })
        .collect();
    keyed.sort_unstable();
    let mut group = vec![u32::MAX; n];
    let mut members: Vec<Vec<u32>> = Vec::new();
    let mut firsts: Vec<u32> = vec![];
    let mut k = 0;
    let mut leader = vec![u32::MAX; n];
    while k < n {
        let end = (k..n).find(|&e| (keyed[e].0, keyed[e].1) != (keyed[k].0, keyed[k].1)).unwrap_or(n);
        for a in k..end {
            let v = keyed[a].2;
            if leader[v as usize] != u32::MAX {
                continue;
            }
            leader[v as usize] = v;
            for other in &keyed[a + 1..end] {
                if leader[other.2 as usize] == u32::MAX && twins(graph, v, other.2) {
                    leader[other.2 as usize] = v;
                }
            }
        }
        k = end;
    }
    for v in 0..n as u32 {
        let l = leader[v as usize];
        if l == v {
            group[v as usize] = members.len() as u32;
            members.push(vec![v]);
            firsts.push(v);
        }
    }
    for v in 0..n as u32 {
        let l = leader[v as usize];
        if l != v {
            group[v as usize] = group[l as usize];
            members[group[l as usize] as usize].push(v);
        }
    }
    let mut out = Graph { start: vec![0], ..Graph::default() };
    for (g, &v) in firsts.iter().enumerate() {
        let mut list: Vec<u32> =
            graph.of(v as usize).iter().map(|&u| group[u as usize]).filter(|&u| u != g as u32).collect();
        list.sort_unstable();
        list.dedup();
        out.neighbours.extend(list);
        out.start.push(out.neighbours.len());
        out.weight.push(members[g].len() as u32);
    }
    (out, members)
}

/// Equal closed neighbourhoods? Neighbour lists are sorted.
fn twins(graph: &Graph, a: u32, b: u32) -> bool {
    let (na, nb) = (graph.of(a as usize), graph.of(b as usize));
    na.len() == nb.len()
        && na.binary_search(&b).is_ok()
        && na.iter().filter(|&&u| u != b).eq(nb.iter().filter(|&&u| u != a))
}

/// Order of the vertices `ids` of `whole`, whose induced graph is `part`.
fn dissect(whole: &Graph, part: Graph, ids: Vec<u32>, seed: u64) -> Vec<u32> {
    if part.n() <= LEAF_MAX {
        return minimum_degree(whole, &ids);
    }
    let side = bisect(&part, seed);
    let pick = |s: u8| -> Vec<u32> { (0..part.n() as u32).filter(|&v| side[v as usize] == s).collect() };
    let (left, right, middle) = (pick(0), pick(1), pick(SEPARATOR));
    if left.is_empty() || right.is_empty() {
        return minimum_degree(whole, &ids);
    }
    let graphs = [induced(&part, &left), induced(&part, &right)];
    let names = [&left, &right].map(|list| list.iter().map(|&v| ids[v as usize]).collect::<Vec<_>>());
    let large = part.n() > PARALLEL_MIN;
    drop(part);
    let [g0, g1] = graphs;
    let [n0, n1] = names;
    let (mut order, second) = if large {
        rayon::join(|| dissect(whole, g0, n0, 2 * seed), || dissect(whole, g1, n1, 2 * seed + 1))
    } else {
        (dissect(whole, g0, n0, 2 * seed), dissect(whole, g1, n1, 2 * seed + 1))
    };
    order.extend(second);
    let separator: Vec<u32> = middle.iter().map(|&v| ids[v as usize]).collect();
    order.extend(separator);
    order
}

fn induced(graph: &Graph, vertices: &[u32]) -> Graph {
    let mut local = vec![u32::MAX; graph.n()];
    for (k, &v) in vertices.iter().enumerate() {
        local[v as usize] = k as u32;
    }
    let mut out = Graph { start: vec![0], ..Graph::default() };
    for &v in vertices {
        out.neighbours.extend(graph.of(v as usize).iter().map(|&u| local[u as usize]).filter(|&u| u != u32::MAX));
        out.start.push(out.neighbours.len());
        out.weight.push(graph.weight[v as usize]);
    }
    out
}
