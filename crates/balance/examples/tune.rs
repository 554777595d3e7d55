//! Work of one two-tone solution against truncation and preconditioner size.
#[path = "../tests/common/mod.rs"]
mod common;
use common::*;
use mixwright_balance::*;
fn main() {
    let arg: Vec<String> = std::env::args().collect();
    let prefix = arg.get(1).map_or("case06", |s| s.as_str());
    let label = arg.get(2).map_or("LO=10 dBm", |s| s.as_str());
    let case = proof::steady_case(prefix);
    let point = case.points.iter().find(|p| p.label.starts_with(label) || p.label.contains(label)).expect("point");
    let only: Option<usize> = arg.get(3).map(|s| s.parse().expect("dense"));
    let all = [
        (32, 6, 8, 1.6),
        (48, 7, 4, 1.6),
        (48, 7, 6, 1.6),
        (48, 7, 8, 1.6),
        (48, 7, 12, 1.6),
        (48, 7, 48, 1.6),
        (64, 10, 8, 1.6),
        (96, 12, 8, 1.6),
    ];
    for (k, m, d, os) in all.into_iter().filter(|a| only.is_none_or(|d| d == a.2 && a.0 == 48)) {
        let posed = pose(point, true);
        let settings =
            BalanceSettings { pump_order: k, signal_order: m, dense_order: d, oversample: os, ..Default::default() };
        let t = cpu();
        match solve(&posed.problem, &settings) {
            Ok((state, r)) => {
                let dt = cpu() - t;
                let worst = point
                    .spurs
                    .iter()
                    .zip(spur_levels(&case, point, &state))
                    .filter_map(|(s, f)| {
                        let e = s.independent_dbc();
                        match e {
                            proof::Expected::Value { value, .. } if value > -120.0 => Some((f - value).abs()),
                            _ => None,
                        }
                    })
                    .fold(0.0, f64::max);
                println!(
                    "K {k} M {m} dense {d} os {os}: {:.1} ms newton {} inner {} factored {} worst {worst:.4} hist {:?}",
                    dt * 1e3,
                    r.iterations,
                    r.inner_iterations,
                    r.factorisations,
                    r.history.iter().map(|x| format!("{x:.0e}")).collect::<Vec<_>>().join(" ")
                );
            }
            Err(e) => println!("{e}"),
        }
    }
}

/// Processor seconds of this process (Linux).
fn cpu() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/schedstat").expect("schedstat");
    stat.split_whitespace().next().expect("field").parse::<f64>().expect("ns") * 1e-9
}
