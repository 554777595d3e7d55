//! How long one frequency of the demo mixer's embedding takes, against a plain dense solution.
//!
//! `cargo run --release -p mixwright-circuit --example demo_speed`
#![allow(clippy::print_stdout, missing_docs)]

#[path = "../tests/common/demo.rs"]
mod demo;

use network::FrequencyResponse;
use std::hint::black_box;
use std::time::Instant;

const N_FREQS: usize = 20_000;

fn main() {
    for (what, lossy) in [("lossless lines", false), ("lossy lines", true)] {
        let circuit = demo::demo(lossy);
        let compile = each_us(10, || (0..10).for_each(|_| _ = black_box(circuit.compile())));
        let multiport = demo::demo(lossy).compile().expect("the demo compiles");
        let freqs: Vec<f64> = (1..=N_FREQS).map(|k| 17.3e6 * k as f64).collect();
        let many = each_us(N_FREQS, || _ = black_box(multiport.scattering_many(&freqs)));
        let one = each_us(N_FREQS, || freqs.iter().for_each(|&f| _ = black_box(multiport.scattering(f))));
        let few = &freqs[..N_FREQS / 20];
        let dense = each_us(few.len(), || few.iter().for_each(|&f| _ = black_box(multiport.scattering_dense(f))));
        println!("{what}: compiled in {:.2} ms, {:?}", compile / 1e3, multiport.work());
        println!("  many at once {many:.2} us, one by one {one:.2} us, dense LU {dense:.1} us a frequency");
        println!("  ratio to dense: {:.1} and {:.1}", dense / many, dense / one);
    }
}

/// Best of three, microseconds for each of `n` runs.
fn each_us(n: usize, mut run: impl FnMut()) -> f64 {
    let mut best = f64::INFINITY;
    for _ in 0..3 {
        let start = Instant::now();
        run();
        best = best.min(start.elapsed().as_secs_f64());
    }
    best * 1e6 / n as f64
}
