//! The balun pair whole: adaptive solution over 0 to 90 GHz with errors, derivatives, checks and cost.
//!
//! Run: `cargo run --release -p mixwright-volume --example balun_pair -- 4`, where the number is the most meshes.
#![allow(clippy::print_stdout)] // a program that prints a table

mod layout;

use mixwright_volume::{Asked, LayoutSettings, Structure, solve_structure};
use numerics::{Cancelled, Watch};
use stackup::Parameter;
use std::sync::Mutex;
use std::time::Instant;

struct Steps(Instant, Mutex<String>);

impl Watch for Steps {
    fn step(&self, what: &str, done: usize, total: usize) -> Result<(), Cancelled> {
        let mut last = self.1.lock().expect("no holder panics");
        let line = format!("{what} {done}");
        if ["meshes", "full solutions", "derivatives"].contains(&what) && *last != line {
            println!("{:7.1} s  {what} {done} of {total}", self.0.elapsed().as_secs_f64());
            *last = line;
        }
        Ok(())
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let meshes_max = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(4);
    let (stack, drawn) = (layout::stack(), layout::pair()?);
    let settings = LayoutSettings { open_height_m: 1e-3 };
    let mut structure = Structure::from_layout(&stack, &drawn, &settings)?;
    let layer = |name: &str| stack.layer(name);
    for parameter in [
        Parameter::Thickness(layer("film 1")?),
        Parameter::Permittivity(stack.dielectric("polymer")?),
        Parameter::Thickness(layer("base")?),
        Parameter::WidthBias(layer("M2")?),
        Parameter::Registration(layer("M2")?, 1),
    ] {
        structure.vary(&stack, &drawn, &settings, parameter)?;
    }
    let freqs_hz: Vec<f64> = (0..=180).map(|k| 0.5e9 * f64::from(k)).collect();
    let asked = Asked { meshes_max, refine_hz: vec![90e9], ..Asked::at(freqs_hz) };
    let start = Instant::now();
    let solved = solve_structure(&structure, &asked, &Steps(start, Mutex::new(String::new())))?;
    println!("{:7.1} s  done, converged {}", start.elapsed().as_secs_f64(), solved.converged);
    for mesh in &solved.meshes {
        println!("  mesh of {} unknowns, largest error at 90 GHz {:.4}", mesh.unknowns, mesh.target_error);
    }
    println!("{:?}\n{:?}\n{} full solutions", solved.cost, solved.checks, solved.n_solutions);
    println!("GHz     largest error  |S(RF,LO)| ± error     |S(a+b+,LO)| ± error");
    for k in [0, 1, 20, 46, 56, 72, 100, 140, 180] {
        let (s, e) = (&solved.scattering[k], &solved.errors[k]);
        let entry = |p, q| format!("{:.4} ± {:.4}", s[(p, q)].norm(), e[(p, q)]);
        println!("{:5.1}  {:13.4}  {:20} {:20}", solved.freqs_hz[k] * 1e-9, e.max_abs(), entry(1, 0), entry(3, 0));
    }
    for d in &solved.derivatives {
        let at = |k: usize| d.scattering[k][(3, 0)].norm();
        println!(
            "|d S(a+b+,LO)| / d {}: {:.4e} at 23 GHz, {:.4e} at 28 GHz, left out {} m",
            d.name,
            at(46),
            at(56),
            d.left_out_m
        );
    }
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    println!("{}", status.lines().filter(|l| l.starts_with("VmHWM")).collect::<String>());
    Ok(())
}
