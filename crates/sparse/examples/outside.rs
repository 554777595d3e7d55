//! Our factorisation without pivoting against the pivoting MPI library, on one system of the field kind:
//! a box of cells, `−∇² − k²(1 − j·loss)` with a strong indefinite part, three right-hand sides.
//!
//! `cargo run -p mixwright-sparse --example outside -- <program> [<cells>]`, where `<program>` is the compiled
//! `outside/solve.c`. Starts it on two ranks, checks its answer and prints both.
#![allow(clippy::print_stdout)]

use mixwright_sparse::exchange::{read_answer, write_system};
use mixwright_sparse::{Analysis, AnalysisSettings, Precision, Solver, SymmetricMatrix};
use num_complex::Complex64;
use numerics::Quiet;
use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

/// Seven-point operator of a box of `m`³ cells with a wavelength of about eight cells.
fn system(m: usize) -> SymmetricMatrix<Complex64> {
    let at = |x: usize, y: usize, z: usize| (x * m + y) * m + z;
    let mut entries = Vec::new();
    for x in 0..m {
        for y in 0..m {
            for z in 0..m {
                let i = at(x, y, z);
                entries.push((i, i, Complex64::new(6.0 - 0.62, 0.004 * (1.0 + (x % 3) as f64))));
                let mut join = |j: usize| entries.push((j, i, Complex64::new(-1.0, 0.0)));
                if x + 1 < m {
                    join(at(x + 1, y, z));
                }
                if y + 1 < m {
                    join(at(x, y + 1, z));
                }
                if z + 1 < m {
                    join(at(x, y, z + 1));
                }
            }
        }
    }
    SymmetricMatrix::from_entries(m * m * m, &entries).expect("every position lies in the matrix")
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let program = arguments.next().ok_or("expected the program compiled from outside/solve.c")?;
    let m: usize = arguments.next().map_or(Ok(28), |a| a.parse())?;
    let matrix = system(m);
    let n = matrix.order();
    let rhs: Vec<Vec<Complex64>> =
        [0, n / 2, n - 1].map(|k| (0..n).map(|i| Complex64::new(f64::from(u8::from(i == k)), 0.0)).collect()).into();

    let start = Instant::now();
    let analysis = Arc::new(Analysis::new(matrix.pattern(), &AnalysisSettings::default())?);
    let solver = Solver::new(&analysis, matrix.clone(), Precision::Double, &Quiet)?;
    let own = solver.solve(&rhs, &Quiet)?;
    let own_seconds = start.elapsed().as_secs_f64();

    let folder = std::env::temp_dir().join(format!("mixwright-outside-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let (ask, said) = (folder.join("system.bin"), folder.join("answer.bin"));
    write_system(&matrix, &rhs, &mut BufWriter::new(File::create(&ask)?))?;
    let start = Instant::now();
    let status = Command::new("mpirun")
        .args(["--allow-run-as-root", "--oversubscribe", "-n", "2", &program])
        .args([&ask, &said])
        .env("OMP_NUM_THREADS", "1")
        .status()?;
    let other_seconds = start.elapsed().as_secs_f64();
    if !status.success() {
        return Err(format!("the other program ended with {status}").into());
    }
    let other = read_answer(&matrix, &rhs, &mut BufReader::new(File::open(&said)?))?;
    std::fs::remove_dir_all(&folder)?;

    let largest = own.columns.iter().flatten().map(|v| v.norm()).fold(0.0, f64::max);
    let apart = own.columns.iter().flatten().zip(other.columns.iter().flatten());
    let difference = apart.map(|(a, b)| (a - b).norm()).fold(0.0, f64::max) / largest;
    let worst = |v: &[f64]| v.iter().copied().fold(0.0, f64::max);
    println!("{n} unknowns, {} right-hand sides", rhs.len());
    println!("              backward error   residual    seconds");
    println!(
        "own           {:.1e}          {:.1e}     {own_seconds:.2}",
        worst(&own.backward_errors),
        worst(&own.residuals)
    );
    println!(
        "two MPI ranks {:.1e}          {:.1e}     {other_seconds:.2}",
        worst(&other.backward_errors),
        worst(&other.residuals)
    );
    println!("perturbed pivots: {}", solver.report().perturbed_pivots);
    println!("largest difference relative to the largest unknown: {difference:.1e}");
    if difference > 1e-9 {
        return Err("the two solutions differ".into());
    }
    Ok(())
}
