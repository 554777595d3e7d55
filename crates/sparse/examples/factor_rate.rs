//! Time, memory and rate of the factorisation beside the dense multiply rate of the same cores.
//!
//! Curl-curl minus k² with loss on a cube of `n × n × n` cells. Run:
//! `cargo run --release -p mixwright-sparse --example factor_rate -- 16 24 32`.
//! A rate of one means: as fast as a dense complex multiplication with as many threads.
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
    let dense = dense_rate(threads);
    println!("dense complex multiply, {threads} thread(s): {:.1} GF/s", dense * 1e-9);
    println!(
        "unknowns  order s  factor s  solve s  factor MB  peak MB  GFlop  GF/s  of dense  backward error  perturbed"
    );
    for n in sizes {
        let a = grid::curl_curl(n, Complex64::new(0.3, -0.003));
        let unknowns = a.order();
        let start = Instant::now();
        let analysis = Arc::new(Analysis::new(a.pattern(), &AnalysisSettings::default()).expect("valid"));
        let order_s = start.elapsed().as_secs_f64();
        let start = Instant::now();
        let solver = Solver::new(&analysis, a, Precision::Double, &Quiet).expect("regular");
        let factor_s = start.elapsed().as_secs_f64();
        let rhs: Vec<Vec<Complex64>> =
            (0..7).map(|s| (0..unknowns).map(|i| Complex64::new(((i * 7 + s) % 23) as f64, 1.0)).collect()).collect();
        let start = Instant::now();
        let out = solver.solve(&rhs, &Quiet).expect("regular");
        let solve_s = start.elapsed().as_secs_f64();
        let report = solver.report();
        let rate = report.flops / factor_s;
        println!(
            "{unknowns:8}  {order_s:7.2}  {factor_s:8.2}  {solve_s:7.2}  {:9.0}  {:7.0}  {:5.1}  {:4.1}  {:8.2}  {:14.1e}  {:9}",
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

/// Multiply-adds (eight operations each) per second of one dense product per thread at a time.
fn dense_rate(threads: usize) -> f64 {
    let n = 768;
    let a = Mat::from_fn(n, n, |i, j| Complex64::new((i % 7) as f64, (j % 5) as f64));
    let mut targets: Vec<Mat<Complex64>> = (0..threads).map(|_| Mat::zeros(n, n)).collect();
    let mut best = f64::INFINITY;
    for _ in 0..4 {
        let start = Instant::now();
        targets
            .par_iter_mut()
            .for_each(|c| matmul(c.as_mut(), Accum::Replace, a.as_ref(), a.as_ref(), 1.0.into(), Par::Seq));
        best = best.min(start.elapsed().as_secs_f64());
    }
    8.0 * (n as f64).powi(3) * threads as f64 / best
}
