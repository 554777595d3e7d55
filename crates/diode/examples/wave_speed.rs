//! Time and error of the wave solution `v + r·i(v) = w`, the inner loop of a harmonic balance.
//!
//! Prints nanoseconds per solution for typical waves; run with `--release`.

use mixwright_diode::{Breakdown, Device, Junction, JunctionPoint, SchottkyParameters};
use std::hint::black_box;
use std::io::Write;
use std::time::Instant;

const SAMPLES: usize = 1 << 12;
const ROUNDS: usize = 200;

fn main() -> std::io::Result<()> {
    let mut out = std::io::stdout();
    let breakdown = Some(Breakdown { bv_v: 7.0, ibv_a: 1e-5, nbv: 1.0 });
    for (name, breakdown, m) in [("no breakdown", None, 0.5), ("breakdown", breakdown, 0.5), ("M = 0.45", None, 0.45)] {
        let p = SchottkyParameters { is_a: 5e-14, n: 1.1, cj0_f: 40e-15, m, breakdown, ..Default::default() };
        let junction = p.at_temperature(300.0).map_err(std::io::Error::other)?;
        for amplitude_v in [0.5, 2.0, 12.0] {
            let (one, many, at) = measure(&junction, amplitude_v);
            writeln!(
                out,
                "{name:13} swing {amplitude_v:4} V: one {one:5.1} ns, with point {many:5.1} ns, at {at:5.1} ns"
            )?;
        }
    }
    Ok(())
}

/// Nanoseconds of one solution, of one solution with the junction point, and of one evaluation: the
/// best of many rounds, so that other programs on the machine count little.
fn measure(junction: &Junction, amplitude_v: f64) -> (f64, f64, f64) {
    let step = std::f64::consts::TAU / SAMPLES as f64;
    let waves: Vec<f64> = (0..SAMPLES).map(|k| amplitude_v * (k as f64 * step).cos()).collect();
    let mut v = vec![0.0; SAMPLES];
    let mut points = vec![JunctionPoint::default(); SAMPLES];
    let one = best(|| {
        for (v, w) in v.iter_mut().zip(&waves) {
            *v = junction.voltage_of_wave(*w, black_box(50.0), 0.0);
        }
    });
    let many = best(|| junction.waves_to_points(&waves, black_box(50.0), &mut v, &mut points));
    let at = best(|| {
        for (p, v) in points.iter_mut().zip(&v) {
            *p = junction.at(black_box(*v));
        }
    });
    black_box((&v, &points));
    (one, many, at)
}

/// Least nanoseconds per sample over the rounds.
fn best(mut round: impl FnMut()) -> f64 {
    let mut least = f64::INFINITY;
    for _ in 0..ROUNDS {
        let start = Instant::now();
        round();
        least = least.min(start.elapsed().as_secs_f64());
    }
    least * 1e9 / SAMPLES as f64
}
