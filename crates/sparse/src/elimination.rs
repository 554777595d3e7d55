//! Symbolic analysis: elimination tree, relaxed supernodes, structure of every front.
//!
//! Sources: J. W. H. Liu, "The role of elimination trees in sparse factorization", SIAM J. Matrix
//! Anal. Appl. 11 (1990); J. R. Gilbert, E. G. Ng, B. W. Peyton, "An efficient algorithm to compute
//! row and column counts for sparse Cholesky factorization", SIAM J. Matrix Anal. Appl. 15 (1994);
//! C. Ashcraft, R. Grimes, "The influence of relaxed supernode partitions on the multifrontal
//! method", ACM TOMS 15 (1989).

use crate::{SparseError, SymmetricPattern, nested_dissection};
use std::sync::Arc;

const NONE: u32 = u32::MAX;

/// How the analysis joins columns.
#[derive(Debug, Clone)]
pub struct AnalysisSettings {
    /// A supernode of at most `.0` columns may hold a share `.1` of stored zeros; first match counts.
    /// Wider supernodes run faster in the dense kernels, zeros cost memory.
    pub relaxation: [(usize, f64); 4],
}

impl Default for AnalysisSettings {
    fn default() -> Self {
        Self { relaxation: [(12, 1.0), (32, 0.5), (96, 0.2), (usize::MAX, 0.05)] }
    }
}

/// One supernode: columns eliminated together in one dense front.
#[derive(Debug, Clone)]
pub(crate) struct Supernode {
    /// First column, in elimination order.
    pub first: u32,
    /// Number of columns.
    pub width: u32,
    /// Rows below the columns, rising, in elimination order.
    pub rows: Vec<u32>,
    /// Supernode that receives the contribution, or `u32::MAX`.
    pub parent: u32,
    /// Children, in the order of their contributions.
    pub children: Vec<u32>,
    /// Entries of the matrix that are assembled here: local row, local column, entry number.
    pub entries: Vec<(u32, u32, u32)>,
    /// Multiply-adds of this front and of all below it.
    pub work_below: f64,
    /// First supernode of the subtree that ends here.
    pub first_descendant: u32,
}

/// What will be done to factor a matrix of one pattern, before doing it.
#[derive(Debug, Clone)]
pub struct Analysis {
    pub(crate) pattern: Arc<SymmetricPattern>,
    /// Entry `k` is the unknown eliminated as number `k`.
    pub(crate) order: Vec<u32>,
    pub(crate) nodes: Vec<Supernode>,
    /// Entries of the factor, stored zeros included.
    pub factor_entries: usize,
    /// Multiply-add operations of the factorisation.
    pub multiply_adds: f64,
    /// Largest number of factor and contribution entries alive at once (one thread).
    pub peak_entries: usize,
    /// Columns of the largest front.
    pub front_max: usize,
}

impl Analysis {
    /// Analyses a pattern with nested dissection.
    pub fn new(pattern: &Arc<SymmetricPattern>, settings: &AnalysisSettings) -> Result<Self, SparseError> {
        Self::with_order(pattern, nested_dissection(pattern), settings)
    }

    /// Analyses a pattern with a given elimination order (entry `k`: unknown eliminated as number `k`).
    pub fn with_order(
        pattern: &Arc<SymmetricPattern>,
        order: Vec<u32>,
        settings: &AnalysisSettings,
    ) -> Result<Self, SparseError> {
        let n = pattern.order();
        check_order(n, &order)?;
        let upper = Upper::new(pattern, &order);
        let post = postorder(&elimination_tree(&upper));
        let order: Vec<u32> = post.iter().map(|&k| order[k as usize]).collect();
        let upper = Upper::new(pattern, &order);
        let tree = elimination_tree(&upper);
        let counts = column_counts(&upper, &tree);
        let (groups, parents) = supernodes(&tree, &counts, settings);
        let order: Vec<u32> = groups.iter().flatten().map(|&k| order[k as usize]).collect();
        let widths: Vec<u32> = groups.iter().map(|g| g.len() as u32).collect();
        Ok(Self::assemble(pattern, order, &widths, &parents))
    }

    /// Whether this is the analysis of a pattern.
    pub fn is_of(&self, pattern: &SymmetricPattern) -> bool {
        *self.pattern == *pattern
    }

    /// Order of the matrix.
    pub fn unknowns(&self) -> usize {
        self.order.len()
    }

    /// Elimination order: entry `k` is the unknown eliminated as number `k`.
    pub fn elimination_order(&self) -> &[u32] {
        &self.order
    }

    /// Bytes needed at the peak of the factorisation for numbers of `bytes_per_number`, the matrix not counted.
    pub fn peak_bytes(&self, bytes_per_number: usize) -> usize {
        self.peak_entries * bytes_per_number
            + self.nodes.iter().map(|s| 4 * s.rows.len() + 12 * s.entries.len()).sum::<usize>()
    }

    fn assemble(pattern: &Arc<SymmetricPattern>, order: Vec<u32>, widths: &[u32], parents: &[u32]) -> Self {
        let n = order.len();
        let mut nodes: Vec<Supernode> = Vec::with_capacity(widths.len());
        let mut owner = vec![0u32; n];
        let mut first = 0;
        for (s, &width) in widths.iter().enumerate() {
            owner[first as usize..(first + width) as usize].fill(s as u32);
            nodes.push(Supernode {
                first,
                width,
                rows: Vec::new(),
                parent: parents[s],
                children: Vec::new(),
                entries: Vec::new(),
                work_below: 0.0,
                first_descendant: s as u32,
            });
            first += width;
        }
        for s in 0..nodes.len() {
            let parent = nodes[s].parent;
            if parent != NONE {
                nodes[parent as usize].children.push(s as u32);
                let d = nodes[s].first_descendant;
                let p = &mut nodes[parent as usize];
                p.first_descendant = p.first_descendant.min(d);
            }
        }
        let mut out = Self {
            pattern: pattern.clone(),
            order,
            nodes,
            factor_entries: 0,
            multiply_adds: 0.0,
            peak_entries: 0,
            front_max: 0,
        };
        out.place_entries(&owner);
        out.find_rows();
        out.count();
        out
    }

    /// Puts every matrix entry into its supernode; rows are global for the moment.
    fn place_entries(&mut self, owner: &[u32]) {
        let mut place = vec![0u32; self.order.len()];
        for (k, &v) in self.order.iter().enumerate() {
            place[v as usize] = k as u32;
        }
        for j in 0..self.pattern.order() {
            let range = self.pattern.column_range(j);
            for (&i, entry) in self.pattern.column(j).iter().zip(range) {
                let (a, b) = (place[i as usize], place[j]);
                let (row, col) = (a.max(b), a.min(b));
                let node = &mut self.nodes[owner[col as usize] as usize];
                node.entries.push((row, col - node.first, entry as u32));
            }
        }
    }

    /// Row structure of every front, then local row numbers for the entries.
    fn find_rows(&mut self) {
        let mut mark = vec![NONE; self.order.len()];
        for s in 0..self.nodes.len() {
            let end = self.nodes[s].first + self.nodes[s].width;
            let mut rows = Vec::new();
            let mut add = |row: u32, rows: &mut Vec<u32>| {
                if row >= end && mark[row as usize] != s as u32 {
                    mark[row as usize] = s as u32;
                    rows.push(row);
                }
            };
            for &(row, _, _) in &self.nodes[s].entries {
                add(row, &mut rows);
            }
            for &c in &self.nodes[s].children {
                for &row in &self.nodes[c as usize].rows {
                    add(row, &mut rows);
                }
            }
            rows.sort_unstable();
            let node = &mut self.nodes[s];
            node.rows = rows;
            let mut entries = std::mem::take(&mut node.entries);
            for e in &mut entries {
                e.0 = node.local(e.0);
            }
            node.entries = entries;
        }
    }

    fn count(&mut self) {
        let mut alive = 0;
        for s in 0..self.nodes.len() {
            let (p, m) = (self.nodes[s].width as usize, self.nodes[s].rows.len());
            let below: f64 = self.nodes[s].children.iter().map(|&c| self.nodes[c as usize].work_below).sum();
            let work: f64 = (0..p).map(|k| (p - k - 1 + m) as f64).map(|c| c * (c + 1.0) / 2.0).sum();
            self.nodes[s].work_below = below + work;
            self.multiply_adds += work;
            let panel = p * (p + m);
            self.factor_entries += panel;
            self.front_max = self.front_max.max(p + m);
            self.peak_entries = self.peak_entries.max(alive + panel + m * m + m * p);
            let freed: usize =
                self.nodes[s].children.iter().map(|&c| triangle(self.nodes[c as usize].rows.len())).sum();
            alive = alive + panel + triangle(m) - freed;
        }
    }
}

impl Supernode {
    /// Local row of a row in elimination order.
    pub(crate) fn local(&self, row: u32) -> u32 {
        if row < self.first + self.width {
            row - self.first
        } else {
            self.width + self.rows.binary_search(&row).expect("a row of the front") as u32
        }
    }
}

/// Entries of a packed lower triangle of order `m`.
pub(crate) fn triangle(m: usize) -> usize {
    m * (m + 1) / 2
}

fn check_order(n: usize, order: &[u32]) -> Result<(), SparseError> {
    let mut seen = vec![false; n];
    let good =
        order.len() == n && order.iter().all(|&v| (v as usize) < n && !std::mem::replace(&mut seen[v as usize], true));
    if good {
        return Ok(());
    }
    Err(SparseError::Shape {
        expected: format!("each of the {n} unknowns once in the elimination order"),
        found: format!("an order of {} entries that is no permutation", order.len()),
    })
}

/// Strictly upper entries of the permuted pattern: for each column `i` the rows `j < i`.
struct Upper {
    start: Vec<usize>,
    rows: Vec<u32>,
}

impl Upper {
    fn new(pattern: &SymmetricPattern, order: &[u32]) -> Self {
        let n = order.len();
        let mut place = vec![0u32; n];
        for (k, &v) in order.iter().enumerate() {
            place[v as usize] = k as u32;
        }
        let mut start = vec![0usize; n + 1];
        let each = |f: &mut dyn FnMut(u32, u32)| {
            for j in 0..n {
                for &i in pattern.column(j).iter().filter(|&&i| i as usize != j) {
                    let (a, b) = (place[i as usize], place[j]);
                    f(a.max(b), a.min(b));
                }
            }
        };
        each(&mut |i, _| start[i as usize + 1] += 1);
        for i in 0..n {
            start[i + 1] += start[i];
        }
        let mut next = start.clone();
        let mut rows = vec![0u32; start[n]];
        each(&mut |i, j| {
            rows[next[i as usize]] = j;
            next[i as usize] += 1;
        });
        Self { start, rows }
    }

    fn n(&self) -> usize {
        self.start.len() - 1
    }

    fn of(&self, i: usize) -> &[u32] {
        &self.rows[self.start[i]..self.start[i + 1]]
    }
}

/// Parent of every column, `u32::MAX` for roots.
fn elimination_tree(upper: &Upper) -> Vec<u32> {
    let n = upper.n();
    let mut parent = vec![NONE; n];
    let mut ancestor = vec![NONE; n];
    for i in 0..n {
        for &j in upper.of(i) {
            let mut k = j;
            while k != NONE && (k as usize) < i {
                let next = ancestor[k as usize];
                ancestor[k as usize] = i as u32;
                if next == NONE {
                    parent[k as usize] = i as u32;
                }
                k = next;
            }
        }
    }
    parent
}

/// Columns in postorder.
fn postorder(parent: &[u32]) -> Vec<u32> {
    let n = parent.len();
    let mut head = vec![NONE; n];
    let mut next = vec![NONE; n];
    for v in (0..n).rev() {
        if parent[v] != NONE {
            next[v] = head[parent[v] as usize];
            head[parent[v] as usize] = v as u32;
        }
    }
    let mut out = Vec::with_capacity(n);
    let mut stack = Vec::new();
    for root in (0..n).filter(|&v| parent[v] == NONE) {
        stack.push(root as u32);
        while let Some(&v) = stack.last() {
            let child = head[v as usize];
            if child == NONE {
                out.push(v);
                stack.pop();
            } else {
                head[v as usize] = next[child as usize];
                stack.push(child);
            }
        }
    }
    out
}

/// Entries of every column of the factor, diagonal included; columns are in postorder.
fn column_counts(upper: &Upper, parent: &[u32]) -> Vec<u32> {
    let n = upper.n();
    let mut first = vec![NONE; n];
    let mut delta = vec![0i64; n];
    for k in 0..n {
        delta[k] = i64::from(first[k] == NONE);
        let mut j = k as u32;
        while j != NONE && first[j as usize] == NONE {
            first[j as usize] = k as u32;
            j = parent[j as usize];
        }
    }
    let (start, lower) = by_columns(upper);
    let mut first_max = vec![-1i64; n];
    let mut leaf_before = vec![NONE; n];
    let mut ancestor: Vec<u32> = (0..n as u32).collect();
    for j in 0..n {
        if parent[j] != NONE {
            delta[parent[j] as usize] -= 1;
        }
        for &i in &lower[start[j]..start[j + 1]] {
            let i = i as usize;
            if i64::from(first[j]) <= first_max[i] {
                continue;
            }
            first_max[i] = i64::from(first[j]);
            let before = std::mem::replace(&mut leaf_before[i], j as u32);
            delta[j] += 1;
            if before != NONE {
                delta[root_of(&mut ancestor, before) as usize] -= 1;
            }
        }
        if parent[j] != NONE {
            ancestor[j] = parent[j];
        }
    }
    for j in 0..n {
        if parent[j] != NONE {
            delta[parent[j] as usize] += delta[j];
        }
    }
    delta.into_iter().map(|d| d as u32).collect()
}

fn root_of(ancestor: &mut [u32], v: u32) -> u32 {
    let mut root = v;
    while ancestor[root as usize] != root {
        root = ancestor[root as usize];
    }
    let mut k = v;
    while k != root {
        k = std::mem::replace(&mut ancestor[k as usize], root);
    }
    root
}

/// The strictly lower entries by columns.
fn by_columns(upper: &Upper) -> (Vec<usize>, Vec<u32>) {
    let n = upper.n();
    let mut start = vec![0; n + 1];
    for &j in &upper.rows {
        start[j as usize + 1] += 1;
    }
    for j in 0..n {
        start[j + 1] += start[j];
    }
    let mut next = start.clone();
    let mut rows = vec![0u32; upper.rows.len()];
    for i in 0..n {
        for &j in upper.of(i) {
            rows[next[j as usize]] = i as u32;
            next[j as usize] += 1;
        }
    }
    (start, rows)
}

struct Group {
    columns: Vec<u32>,
    below: usize,
    zeros: f64,
    children: Vec<u32>,
    alive: bool,
}

/// Columns of each relaxed supernode in postorder, and the parent of each.
fn supernodes(parent: &[u32], counts: &[u32], settings: &AnalysisSettings) -> (Vec<Vec<u32>>, Vec<u32>) {
    let n = parent.len();
    let mut n_children = vec![0u32; n];
    for &p in parent.iter().filter(|&&p| p != NONE) {
        n_children[p as usize] += 1;
    }
    let mut groups: Vec<Group> = Vec::new();
    let mut of = vec![0u32; n];
    for j in 0..n {
        let joins = j > 0 && parent[j - 1] == j as u32 && counts[j - 1] == counts[j] + 1 && n_children[j] == 1;
        if !joins {
            groups.push(Group { columns: vec![], below: 0, zeros: 0.0, children: vec![], alive: true });
        }
        of[j] = groups.len() as u32 - 1;
        let g = groups.last_mut().expect("a group was opened");
        g.columns.push(j as u32);
        g.below = counts[j] as usize - 1;
    }
    let mut roots = Vec::new();
    for s in 0..groups.len() {
        let last = *groups[s].columns.last().expect("a group has columns") as usize;
        match parent[last] {
            NONE => roots.push(s as u32),
            p => groups[of[p as usize] as usize].children.push(s as u32),
        }
    }
    for s in 0..groups.len() {
        relax(&mut groups, s, settings);
    }
    collect(groups, &roots)
}

/// Joins children into supernode `s` while the stored zeros stay within bounds.
fn relax(groups: &mut [Group], s: usize, settings: &AnalysisSettings) {
    let mut children = std::mem::take(&mut groups[s].children);
    children.sort_by_key(|&c| (std::cmp::Reverse(groups[c as usize].below), c));
    let mut kept = Vec::new();
    for c in children {
        let c = c as usize;
        let (pc, ps) = (groups[c].columns.len(), groups[s].columns.len());
        let width = pc + ps;
        let zeros = groups[c].zeros + groups[s].zeros + (pc * (ps + groups[s].below - groups[c].below)) as f64;
        let total = (triangle(width) + width * groups[s].below) as f64;
        let allowed = settings.relaxation.iter().find(|r| width <= r.0).map_or(0.0, |r| r.1);
        if zeros > allowed * total {
            kept.push(c as u32);
            continue;
        }
        let columns = std::mem::take(&mut groups[c].columns);
        kept.append(&mut groups[c].children);
        groups[c].alive = false;
        let g = &mut groups[s];
        g.zeros = zeros;
        g.columns.extend(columns);
        g.columns.sort_unstable();
    }
    groups[s].children = kept;
}

/// Postorder over the joined tree; large children first, so that few contributions wait.
fn collect(mut groups: Vec<Group>, roots: &[u32]) -> (Vec<Vec<u32>>, Vec<u32>) {
    for s in 0..groups.len() {
        let mut children = std::mem::take(&mut groups[s].children);
        children.sort_by_key(|&c| (std::cmp::Reverse(groups[c as usize].below), c));
        groups[s].children = children;
    }
    let mut number = vec![NONE; groups.len()];
    let mut sequence = Vec::new();
    for &root in roots {
        let mut stack = vec![(root, 0usize)];
        while let Some(top) = stack.last_mut() {
            let (s, k) = (top.0, top.1);
            top.1 += 1;
            if let Some(&c) = groups[s as usize].children.get(k) {
                stack.push((c, 0));
            } else {
                number[s as usize] = sequence.len() as u32;
                sequence.push(s);
                stack.pop();
            }
        }
    }
    let mut parents = vec![NONE; sequence.len()];
    for &s in &sequence {
        debug_assert!(groups[s as usize].alive);
        for &c in &groups[s as usize].children {
            parents[number[c as usize] as usize] = number[s as usize];
        }
    }
    (sequence.iter().map(|&s| std::mem::take(&mut groups[s as usize].columns)).collect(), parents)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Factor structure by plain symbolic elimination, the slow control.
    fn plain_fill(pattern: &SymmetricPattern, order: &[u32]) -> usize {
        let n = order.len();
        let mut place = vec![0; n];
        for (k, &v) in order.iter().enumerate() {
            place[v as usize] = k;
        }
        let mut columns: Vec<std::collections::BTreeSet<usize>> = vec![Default::default(); n];
        for j in 0..n {
            for &i in pattern.column(j) {
                let (a, b) = (place[i as usize], place[j]);
                columns[a.min(b)].insert(a.max(b));
            }
        }
        for k in 0..n {
            let below: Vec<usize> = columns[k].iter().copied().filter(|&i| i > k).collect();
            if let Some(&p) = below.first() {
                columns[p].extend(below);
            }
        }
        columns.iter().map(|c| c.len()).sum()
    }

    #[test]
    fn counts_agree_with_plain_elimination() {
        let m = 9;
        let at = |i: usize, j: usize| i * m + j;
        let mut positions = Vec::new();
        for i in 0..m {
            for j in 0..m {
                if i + 1 < m {
                    positions.push((at(i, j), at(i + 1, j)));
                }
                if j + 1 < m {
                    positions.push((at(i, j), at(i, j + 1)));
                }
            }
        }
        let pattern = Arc::new(SymmetricPattern::from_positions(m * m, positions).expect("valid"));
        let order = nested_dissection(&pattern);
        let strict = AnalysisSettings { relaxation: [(usize::MAX, 0.0); 4] };
        let analysis = Analysis::with_order(&pattern, order.clone(), &strict).expect("valid");
        let stored: usize =
            analysis.nodes.iter().map(|s| triangle(s.width as usize) + s.width as usize * s.rows.len()).sum();
        assert_eq!(stored, plain_fill(&pattern, &order));
        let relaxed = Analysis::with_order(&pattern, order, &AnalysisSettings::default()).expect("valid");
        assert!(relaxed.nodes.len() < analysis.nodes.len());
    }

    #[test]
    fn a_wrong_order_is_refused() {
        let pattern = Arc::new(SymmetricPattern::from_positions(3, [(0, 1)]).expect("valid"));
        let e = Analysis::with_order(&pattern, vec![0, 0, 1], &AnalysisSettings::default()).expect_err("refused");
        assert!(e.to_string().contains("no permutation"), "{e}");
    }
}
