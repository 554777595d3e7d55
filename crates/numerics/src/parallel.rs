//! Parallel loops whose result does not depend on the number of threads.

use crate::{Cancelled, Watch};
use rayon::prelude::*;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// `f` over all items on all cores; results in the order of the items.
///
/// Each item is computed independently, so the bits of the result are the same for any thread
/// count. The first error in item order is returned.
pub fn map<T: Sync, U: Send, E: Send>(items: &[T], f: impl Fn(&T) -> Result<U, E> + Sync) -> Result<Vec<U>, E> {
    items.par_iter().map(&f).collect::<Vec<_>>().into_iter().collect()
}

/// As [`map`], telling `watch` about finished items and stopping when it says so.
pub fn map_watched<T: Sync, U: Send, E: Send + From<Cancelled>>(
    items: &[T],
    watch: &dyn Watch,
    what: &str,
    f: impl Fn(&T) -> Result<U, E> + Sync,
) -> Result<Vec<U>, E> {
    let done = AtomicUsize::new(0);
    let stop = AtomicBool::new(false);
    let out: Vec<Result<U, E>> = items
        .par_iter()
        .map(|item| {
            if stop.load(Ordering::Relaxed) {
                return Err(Cancelled.into());
            }
            let result = f(item);
            let finished = done.fetch_add(1, Ordering::Relaxed) + 1;
            if watch.step(what, finished, items.len()).is_err() {
                stop.store(true, Ordering::Relaxed);
                return Err(Cancelled.into());
            }
            result
        })
        .collect();
    if stop.load(Ordering::Relaxed) {
        return Err(Cancelled.into());
    }
    out.into_iter().collect()
}

/// Uses `n_threads` for all parallel loops from now on; false when loops have run already.
pub fn set_threads(n_threads: usize) -> bool {
    rayon::ThreadPoolBuilder::new().num_threads(n_threads).build_global().is_ok()
}
