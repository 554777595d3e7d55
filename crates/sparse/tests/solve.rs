//! Solutions against closed forms and dense elimination, and refusal of bad input.

mod grid;

use grid::{curl_curl, laplacian};
use mixwright_sparse::{
    Analysis, AnalysisSettings, Precision, Solver, SparseError, SymmetricMatrix, nested_dissection,
};
use numerics::{CMatrix, Cancelled, Complex64, Quiet, Watch, linear};
use proof::{CheckValue, Origin};
use std::f64::consts::PI;
use std::sync::Arc;

fn solver<T: mixwright_sparse::Scalar>(a: SymmetricMatrix<T>, precision: Precision) -> Result<Solver<T>, SparseError> {
    let analysis = Arc::new(Analysis::new(a.pattern(), &AnalysisSettings::default())?);
    Solver::new(&analysis, a, precision, &Quiet)
}

fn wavy(n: usize, seed: usize) -> Vec<Complex64> {
    (0..n).map(|i| Complex64::new(((i * 7 + seed) % 23) as f64 - 11.0, ((i * 5 + 3 * seed) % 17) as f64)).collect()
}

#[test]
fn real_laplacian_returns_its_eigenvector() {
    let n = 12;
    let angle = PI / (n + 1) as f64;
    let s = |i: usize, m: usize| ((i + 1) as f64 * m as f64 * angle).sin();
    let mode: Vec<f64> = (0..n * n * n).map(|p| s(p / n / n, 1) * s(p / n % n, 2) * s(p % n, 3)).collect();
    let lambda = 6.0 - 2.0 * (angle.cos() + (2.0 * angle).cos() + (3.0 * angle).cos());
    let out = solver(laplacian(n, 0.0), Precision::Double)
        .expect("regular")
        .solve(std::slice::from_ref(&mode), &Quiet)
        .expect("regular");
    let biggest = out.columns[0].iter().zip(&mode).map(|(x, m)| (x * lambda - m).abs()).fold(0.0, f64::max);
    CheckValue {
        what: "eigenvector (1,2,3) of the grid Laplacian times its eigenvalue over the solution, largest error",
        expected: 0.0,
        within: 1e-12,
        because: "some hundred roundings times the condition number 70 of the grid of 12",
        origin: Origin::Derived { how: "λ = 6 − 2 Σ cos(mπ/(n+1))" },
    }
    .check(biggest);
}

#[test]
fn complex_symmetric_agrees_with_dense_elimination() {
    let a = curl_curl(5, Complex64::new(0.7, -0.2));
    let n = a.order();
    let dense = CMatrix::from_fn(n, n, |i, j| a.pattern().position(i, j).map_or(0.0.into(), |k| a.values[k]));
    let rhs = [wavy(n, 1), wavy(n, 2)];
    let out = solver(a, Precision::Double).expect("regular").solve(&rhs, &Quiet).expect("regular");
    for (b, x) in rhs.iter().zip(&out.columns) {
        let y = linear::solve(&dense, &CMatrix::column(b)).expect("regular");
        let worst = x.iter().zip(y.as_slice()).map(|(x, y)| (x - y).norm()).fold(0.0, f64::max);
        // condition number near 100, values near 30, some hundred roundings
        assert!(worst < 1e-10, "{worst}");
    }
}

#[test]
fn wave_matrix_is_solved_to_rounding_without_perturbed_pivots() {
    let a = curl_curl(12, Complex64::new(0.35, -0.002));
    let n = a.order();
    let check = a.clone();
    let rhs: Vec<_> = (0..5).map(|s| wavy(n, s)).collect();
    let solver = solver(a, Precision::Double).expect("regular");
    let out = solver.solve(&rhs, &Quiet).expect("regular");
    assert_eq!(solver.report().perturbed_pivots, 0);
    for (k, b) in rhs.iter().enumerate() {
        let r: f64 = check.times(&out.columns[k]).iter().zip(b).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max);
        // roundings of ‖A‖‖x‖ with ‖A‖∞ ≤ 13
        let size = out.columns[k].iter().map(|x| x.norm()).fold(0.0, f64::max);
        assert!(r < 1e-14 * 13.0 * size && out.backward_errors[k] < 1e-15, "{r} {}", out.backward_errors[k]);
    }
}

#[test]
fn bits_do_not_depend_on_the_number_of_threads() {
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads start");
        pool.install(|| {
            let a = curl_curl(11, Complex64::new(0.5, -0.1));
            let b = wavy(a.order(), 3);
            solver(a, Precision::Double).expect("regular").solve(&[b], &Quiet).expect("regular").columns
        })
    };
    let one = run(1);
    assert!([2, 3, 7].iter().all(|&t| run(t) == one));
}

#[test]
fn single_precision_reaches_the_same_residual_or_falls_back() {
    let good = curl_curl(8, Complex64::new(0.6, -0.3));
    let b = wavy(good.order(), 1);
    let s = solver(good, Precision::Single).expect("regular");
    let out = s.solve(std::slice::from_ref(&b), &Quiet).expect("regular");
    assert!(s.report().single_precision && out.backward_errors[0] < 1e-12);
    // Near a static limit single precision loses all digits: the gradient part scales with k².
    let hard = curl_curl(8, Complex64::new(1e-9, -1e-12));
    let s = solver(hard, Precision::Single).expect("regular");
    let out = s.solve(&[b], &Quiet).expect("double precision still works");
    assert!(!s.report().single_precision && out.backward_errors[0] < 1e-12);
}

#[test]
fn a_singular_matrix_is_refused() {
    // The curl-curl part alone has the gradients as null space.
    let a = curl_curl(4, 0.0.into());
    let b = wavy(a.order(), 1);
    let e = solver(a, Precision::Double).and_then(|s| s.solve(&[b], &Quiet)).expect_err("refused");
    assert!(matches!(e, SparseError::Inaccurate { perturbed, .. } if perturbed >= 27), "{e}");
    let mut nan = curl_curl(4, 1.0.into());
    nan.values[3] = f64::NAN.into();
    assert!(matches!(solver(nan, Precision::Double).err(), Some(SparseError::NotFinite { .. })));
}

#[test]
fn a_zero_pivot_that_needs_exchange_is_found_out() {
    let a = SymmetricMatrix::from_entries(2, &[(0, 0, 0.0), (1, 0, 1.0), (1, 1, 0.0)]).expect("valid");
    let s = solver(a, Precision::Double).expect("perturbed");
    assert!(s.report().perturbed_pivots > 0);
    match s.solve(&[vec![1.0, 2.0]], &Quiet) {
        // Refinement may repair the change; then the answer must be right.
        Ok(out) => assert!((out.columns[0][0] - 2.0).abs() < 1e-9 && (out.columns[0][1] - 1.0).abs() < 1e-9),
        Err(e) => assert!(matches!(e, SparseError::Inaccurate { .. })),
    }
}

#[test]
fn renumbering_changes_nothing_but_roundings() {
    let a = curl_curl(6, Complex64::new(0.4, -0.2));
    let n = a.order();
    let moved = |i: usize| (i * 7 + 3) % n; // n = 450 has no factor 7
    let mut entries = Vec::new();
    for j in 0..n {
        for (k, &i) in a.pattern().column_range(j).zip(a.pattern().column(j)) {
            entries.push((moved(i as usize), moved(j), a.values[k]));
        }
    }
    let b = wavy(n, 2);
    let mut c = b.clone();
    (0..n).for_each(|i| c[moved(i)] = b[i]);
    let x = solver(a, Precision::Double).expect("regular").solve(&[b], &Quiet).expect("regular");
    let renumbered = SymmetricMatrix::from_entries(n, &entries).expect("valid");
    let y = solver(renumbered, Precision::Double).expect("regular").solve(&[c], &Quiet).expect("regular");
    let worst = (0..n).map(|i| (x.columns[0][i] - y.columns[0][moved(i)]).norm()).fold(0.0, f64::max);
    assert!(worst < 1e-11, "{worst}"); // condition number near 100, values near 30
}

#[test]
fn dissection_beats_the_natural_order() {
    let a = laplacian(14, 0.0);
    let work = |order: Vec<u32>| {
        Analysis::with_order(a.pattern(), order, &AnalysisSettings::default()).expect("valid").multiply_adds
    };
    let natural = work((0..a.order() as u32).collect());
    let dissected = work(nested_dissection(a.pattern()));
    // n^6 against n^7/2: theory (George 1973) says about 1/n of the band work up to constants near 8
    assert!(dissected < 0.6 * natural, "{dissected} {natural}");
}

struct Stop;
impl Watch for Stop {
    fn step(&self, _: &str, _: usize, _: usize) -> Result<(), Cancelled> {
        Err(Cancelled)
    }
}

#[test]
fn cancelling_is_an_error() {
    let a = curl_curl(4, Complex64::new(0.5, -0.1));
    let analysis = Arc::new(Analysis::new(a.pattern(), &AnalysisSettings::default()).expect("valid"));
    assert!(matches!(Solver::new(&analysis, a, Precision::Double, &Stop).err(), Some(SparseError::Cancelled(_))));
}
