//! Time, memory and rate of the factorisation beside the dense multiply rate of the same cores.
//!
//! Curl-curl minus k² with loss on a cube of `n × n × n` cells. Run:
//! `cargo run --release -p mixwright-sparse --example factor_rate -- 16 24 32`.
//! A rate of one means: as fast as a dense complex multiplication with as many threads, both per processor second.
#![allow(clippy::print_stdout)] // a program that prints a table

#[path = "../tests/grid/mod.rs"]
#[allow(dead_code)]
mod grid;

use faer::linalg::matmul::matmul;
use faer::{Accum, Mat, Par};
use mixwright_sparse::{Analysis, AnalysisSettings, Precision, Solver};
use num_complex::Complex64;
use numerics::Quiet;
use rayon::prelude::*;
use std::sync::Arc;
use std::time::Instant;

fn main() {
    let sizes: Vec<usize> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let sizes = if sizes.is_empty() { vec![16, 24, 32] } else { sizes };
    let threads = rayon::current_num_threads();
    let begin = Instant::now();
    let dense = dense_rate(threads, begin);
    println!("dense complex multiply, {threads} thread(s): {:.1} GF per processor second", dense * 1e-9);
    println!(
        "unknowns  order s  factor s  cpu s  solve s  factor MB  peak MB  GFlop  GF/cpu s  of dense  backward error  perturbed"
    );
    for n in sizes {
        let a = grid::curl_curl(n, Complex64::new(0.3, -0.003));
        let unknowns = a.order();
        let start = Instant::now();
        let analysis = Arc::new(Analysis::new(a.pattern(), &AnalysisSettings::default()).expect("valid"));
        let order_s = start.elapsed().as_secs_f64();
        let (start, cpu) = (Instant::now(), processor_s(begin));
        let solver = Solver::new(&analysis, a, Precision::Double, &Quiet).expect("regular");
        let factor_s = start.elapsed().as_secs_f64();
        let factor_cpu_s = processor_s(begin) - cpu;
        let rhs: Vec<Vec<Complex64>> =
            (0..7).map(|s| (0..unknowns).map(|i| Complex64::new(((i * 7 + s) % 23) as f64, 1.0)).collect()).collect();
        let start = Instant::now();
        let out = solver.solve(&rhs, &Quiet).expect("regular");
        let solve_s = start.elapsed().as_secs_f64();
        let report = solver.report();
        let rate = report.flops / factor_cpu_s.max(1e-2);
        println!(
            "{unknowns:8}  {order_s:7.2}  {factor_s:8.2}  {factor_cpu_s:5.2}  {solve_s:7.2}  {:9.0}  {:7.0}  {:5.1}  {:8.1}  {:8.2}  {:14.1e}  {:9}",
            report.factor_entries as f64 * 16e-6,
            analysis.peak_bytes(16) as f64 * 1e-6,
            report.flops * 1e-9,
            rate * 1e-9,
            rate / dense,
            out.backward_errors.iter().fold(0.0_f64, |a, &b| a.max(b)),
            report.perturbed_pivots,
        );
    }
}

/// Processor seconds of this process so far, all threads; wall time where the system does not tell.
/// On a shared machine only these are worth comparing.
fn processor_s(start: Instant) -> f64 {
    const TICKS_PER_S: f64 = 100.0;
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<&str> = text.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
    let tick = |k: usize| fields.get(k).and_then(|f| f.parse::<f64>().ok());
    tick(11).map_or_else(|| start.elapsed().as_secs_f64(), |user| user / TICKS_PER_S)
}

/// Operations (eight a multiply-add) per processor second of one dense product a thread at a time.
fn dense_rate(threads: usize, begin: Instant) -> f64 {
    let n = 768;
    let a = Mat::from_fn(n, n, |i, j| Complex64::new((i % 7) as f64, (j % 5) as f64));
    let mut targets: Vec<Mat<Complex64>> = (0..threads).map(|_| Mat::zeros(n, n)).collect();
    const ROUNDS: usize = 5;
    let start = processor_s(begin);
    for _ in 0..ROUNDS {
        targets
            .par_iter_mut()
            .for_each(|c| matmul(c.as_mut(), Accum::Replace, a.as_ref(), a.as_ref(), 1.0.into(), Par::Seq));
    }
    let used = processor_s(begin) - start;
    8.0 * (n as f64).powi(3) * (threads * ROUNDS) as f64 / used
}
