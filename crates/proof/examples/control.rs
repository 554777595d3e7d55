//! Solves the steady cases by the time-domain control and prints how far it is from the stated numbers.
//!
//! `cargo run --release -p mixwright-proof --example control [case prefix] [tail in volt]`
#![allow(clippy::print_stdout)]

use mixwright_proof::collocation::{Settings, solve};
use mixwright_proof::steady::{readings, spur_levels};
use mixwright_proof::{Expected, steady_cases};
use std::time::Instant;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let prefix = arguments.first().cloned().unwrap_or_default();
    let mut settings = Settings::default();
    if let Some(tail) = arguments.get(1).and_then(|t| t.parse().ok()) {
        settings.tail_v = tail;
    }
    for case in steady_cases().iter().filter(|c| c.id.starts_with(&prefix)) {
        for point in case.points.iter().filter(|p| !p.metrics.is_empty()) {
            let start = Instant::now();
            let solution = match solve(&point.elements, case.f0_hz, &settings) {
                Ok(solution) => solution,
                Err(reason) => {
                    println!("{} | {} | {reason}", case.id, point.label);
                    continue;
                }
            };
            let seconds = start.elapsed().as_secs_f64();
            let voltage = |port: usize, f: f64| solution.port_voltage(port, f);
            let found = readings(case, point, &voltage, &|id, f| solution.diode_current(id, f));
            let worst = |pick: &dyn Fn(&str) -> bool| {
                let misses = found.iter().filter(|(name, _)| pick(name)).filter_map(|(n, f)| point.metrics[n].miss(*f));
                misses.fold(0.0, f64::max)
            };
            let spurs = spur_levels(case, point, &voltage);
            let mut spur_miss = 0.0f64;
            let mut null_level = f64::NEG_INFINITY;
            for (spur, level) in point.spurs.iter().zip(&spurs) {
                match spur.dbc {
                    Expected::Value { value, .. } if value > -120.0 => spur_miss = spur_miss.max((level - value).abs()),
                    Expected::Below(_) if spur.shared_bin_dbc.is_none() => null_level = null_level.max(*level),
                    _ => {}
                }
            }
            let cycles = point.f_lo_hz / case.f0_hz;
            println!(
                "{:<8} {:<28} gain {:.1e} dB, other dB {:.1e}, complex {:.1e}, spurs {:.1e} dB, nulls {:.0} dBc; {} elements, Newton {:?}, {:.2} ms a cycle",
                &case.id[..7],
                point.label,
                worst(&|n| n.starts_with("conversion")),
                worst(&|n| n.ends_with("dB")),
                worst(&|n| n.starts_with("Gamma") || n.starts_with("V_IFport_at")),
                spur_miss,
                null_level,
                solution.work.n_elements,
                solution.work.newton,
                seconds * 1e3 / cycles,
            );
        }
    }
}
