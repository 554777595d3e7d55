//! Minimum degree on a small piece of a graph, counting its surroundings.
//!
//! The piece and its neighbours (which are eliminated later) form an elimination graph held in bit
//! sets; degrees are exact and count unknowns, not vertices.

use crate::order::Graph;

/// Elimination order of the vertices `ids` of `whole`; everything else comes later.
pub(crate) fn minimum_degree(whole: &Graph, ids: &[u32]) -> Vec<u32> {
    let n = ids.len();
    let mut sorted: Vec<u32> = ids.to_vec();
    sorted.sort_unstable();
    let mut around: Vec<u32> =
        ids.iter().flat_map(|&v| whole.of(v as usize)).copied().filter(|u| sorted.binary_search(u).is_err()).collect();
    around.sort_unstable();
    around.dedup();
    let names: Vec<u32> = sorted.iter().chain(&around).copied().collect();
    let words = names.len().div_ceil(64);
    let weight: Vec<u64> = names.iter().map(|&v| u64::from(whole.weight[v as usize])).collect();
    let mut rows = vec![0u64; names.len() * words];
    for (k, &v) in sorted.iter().enumerate() {
        for u in whole.of(v as usize) {
            let l = match sorted.binary_search(u) {
                Ok(l) => l,
                Err(_) => n + around.binary_search(u).expect("a neighbour of the piece"),
            };
            rows[k * words + l / 64] |= 1 << (l % 64);
            rows[l * words + k / 64] |= 1 << (k % 64);
        }
    }
    eliminate(n, words, &weight, &mut rows).into_iter().map(|k| sorted[k]).collect()
}

fn eliminate(n: usize, words: usize, weight: &[u64], rows: &mut [u64]) -> Vec<usize> {
    let equal = weight.iter().all(|w| *w == weight[0]);
    let degree = |rows: &[u64], k: usize| -> u64 {
        let row = &rows[k * words..(k + 1) * words];
        if equal { row.iter().map(|w| u64::from(w.count_ones())).sum() } else { bits(row).map(|l| weight[l]).sum() }
    };
    let mut alive: Vec<usize> = (0..n).collect();
    let mut degrees: Vec<u64> = alive.iter().map(|&k| degree(rows, k)).collect();
    let mut order = Vec::with_capacity(n);
    while let Some((place, &k)) = alive.iter().enumerate().min_by_key(|(_, k)| (degrees[**k], **k)) {
        alive.swap_remove(place);
        order.push(k);
        let clique: Vec<u64> = rows[k * words..(k + 1) * words].to_vec();
        for l in bits(&clique) {
            for (w, c) in rows[l * words..(l + 1) * words].iter_mut().zip(&clique) {
                *w |= c;
            }
            rows[l * words + l / 64] &= !(1 << (l % 64));
            rows[l * words + k / 64] &= !(1 << (k % 64));
            if l < n {
                degrees[l] = degree(rows, l);
            }
        }
    }
    order
}

fn bits(set: &[u64]) -> impl Iterator<Item = usize> + '_ {
    set.iter().enumerate().flat_map(|(w, &word)| {
        let mut rest = word;
        std::iter::from_fn(move || {
            (rest != 0).then(|| {
                let b = rest.trailing_zeros() as usize;
                rest &= rest - 1;
                w * 64 + b
            })
        })
    })
}
