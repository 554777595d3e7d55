//! How much faster the spread of the demonstration is found than by solving every unit anew.
//!
//! Plain way: every unit builds its circuit, solves its cross-sections and balances all operating points
//! from rest. Counted on the other side: everything, from the expansion to the last unit, with the
//! full solutions that check it and those of units on the edge of a requirement.
//! Run with `cargo run --release -p mixwright-project --example spread_speed`.

use mixwright_project::design::Design;
use mixwright_project::process::DesignProcess;
use mixwright_project::{Quiet, demo, spread};
use std::io::Write;
use std::time::{Duration, Instant};
use tolerance::{Process, Sampler, Scheme, SpreadSettings, Surrogate};

const UNITS: usize = 1024;
const PLAIN: usize = 4;

/// Processor time where the system tells it (ticks of 10 ms), so that other work on the machine does not count; else
/// time on the wall.
struct Spent(Instant, Option<Duration>);

impl Spent {
    fn now() -> Self {
        Self(Instant::now(), processor())
    }

    fn elapsed(&self) -> Duration {
        match (self.1, processor()) {
            (Some(then), Some(now)) => now.saturating_sub(then),
            _ => self.0.elapsed(),
        }
    }
}

/// User and system time of this process.
fn processor() -> Option<Duration> {
    let text = std::fs::read_to_string("/proc/self/stat").ok()?;
    let mut fields = text.rsplit_once(')')?.1.split_whitespace().skip(11);
    let ticks: u64 = fields.next()?.parse::<u64>().ok()? + fields.next()?.parse::<u64>().ok()?;
    Some(Duration::from_millis(10 * ticks))
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut out = std::io::stdout();
    let design = Design::parse(demo::CIRCUIT_FILE, demo::CIRCUIT_TEXT, std::path::Path::new(""))?;
    let started = Spent::now();
    let process = DesignProcess::new(&design, &Quiet)?;
    let nominal = started.elapsed();
    writeln!(
        out,
        "nominal point: {nominal:.2?}, {} variables, {} answers",
        process.variables().len(),
        process.answers().len()
    )?;
    let sampler = Sampler::new(process.variables(), process.correlations())?;
    let points: Vec<Vec<f64>> = sampler.draws(Scheme::Sobol, PLAIN, 77).iter().map(|d| d.total()).collect();
    let started = Spent::now();
    for x in &points {
        process.solve_all(x, true)?;
    }
    let plain = started.elapsed() / PLAIN as u32;
    writeln!(out, "plain, one unit: {plain:.2?}; {UNITS} units would take {:.0?}", plain * UNITS as u32)?;
    let started = Spent::now();
    for x in &points {
        process.solve(x)?;
    }
    writeln!(out, "from the nominal state, one unit: {:.2?}", started.elapsed() / PLAIN as u32)?;
    let started = Spent::now();
    let mut surrogate = Surrogate::new(process.expand(&vec![0.0; process.variables().len()])?);
    let expansion = started.elapsed();
    writeln!(out, "expansion to second order: {expansion:.2?}")?;
    let draws = sampler.draws(Scheme::Sobol, UNITS, 1);
    let started = Spent::now();
    let sum: f64 = draws.iter().map(|d| surrogate.measures(&process, &d.total())[0]).sum();
    let evaluated = started.elapsed();
    writeln!(out, "{UNITS} units by the surrogate: {evaluated:.2?} (mean loss {:.4} dB)", sum / UNITS as f64)?;
    let ratio = |t: std::time::Duration| (plain * UNITS as u32).as_secs_f64() / t.as_secs_f64();
    writeln!(out, "units alone: {:.0} times faster", ratio(evaluated))?;
    writeln!(out, "nominal point, expansion and units: {:.0} times faster", ratio(nominal + expansion + evaluated))?;
    let check = surrogate.check(&process, &sampler.draws(Scheme::Sobol, 8, 99), &Quiet)?;
    for (q, quantity) in process.quantities().iter().enumerate() {
        let rf = quantity.conditions.rf_hz.unwrap_or(0.0) / 1e9;
        let (rms, worst, sd) = (check.rms[q], check.worst[q], check.spread[q]);
        writeln!(
            out,
            "{:>28} {rf:5.1} GHz  error rms {rms:.4}, worst {worst:.4}, spread {sd:.4} {}",
            quantity.measure.label(),
            quantity.unit
        )?;
    }
    for (name, error) in process.step_error(28e9)? {
        writeln!(out, "step of {name}: relative error {error:.1e}")?;
    }
    let requirements = spread::requirements(&process).0;
    let started = Spent::now();
    let settings = SpreadSettings { units: UNITS, ..SpreadSettings::default() };
    let (found, _) = tolerance::spread(&process, &requirements, &settings, &Quiet)?;
    writeln!(
        out,
        "whole spread with checks, edges, shares and worst cases: {:.2?}, full solutions {:?}, overall yield {:?}",
        started.elapsed(),
        found.full_solutions,
        found.overall
    )?;
    Ok(())
}
