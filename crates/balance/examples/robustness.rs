//! Does the balance converge on anything? Random mixers from a fixed seed.
//!
//! `cargo run --release -p mixwright-balance --example robustness [count] [first]`
//!
//! Topology: single diode (series or shunt), antiparallel pair, single-balanced pair, ring, star.
//! Diodes: parameters over their physical ranges, some with breakdown, transit time or no
//! capacitance, all different within a quad. LO -20 to +27 dBm at 1 to 110 GHz, RF -40 to +5 dBm.
//! Between each port and the mixer a random ladder: lines, series and shunt reactances, blocks of
//! direct current, open and shorted stubs a quarter wave long at the LO, RF, IF, sum, image or twice
//! the LO. Every mixer must converge under LO and RF together, or end in an error that names the cause.
#![allow(clippy::print_stdout)]

use circuit::templates::{MixerNodes, antiparallel_pair, ring_mixer, single_balanced, single_diode, star_mixer};
use circuit::{Access, Circuit, Line};
use diode::{Breakdown, Device, SchottkyParameters};
use mixwright_balance::{BalanceSettings, Drive, Embedding, Problem, solve};
use numerics::{Cancelled, Watch, parallel};
use std::io::Write;
use std::sync::Arc;
use std::time::Instant;

fn main() {
    let argument = |i: usize, default: u64| std::env::args().nth(i).and_then(|a| a.parse().ok()).unwrap_or(default);
    let (count, first) = (argument(1, 2000), argument(2, 0));
    let start = Instant::now();
    let seeds: Vec<u64> = (first..first + count).collect();
    let outcomes = parallel::map_watched(&seeds, &OneLine, "mixers", |&seed| Ok::<_, Cancelled>(attempt(seed)));
    let outcomes = outcomes.expect("not cancelled");
    eprintln!();
    let mut solved: Vec<&Solved> = outcomes.iter().filter_map(|o| o.result.as_ref().ok()).collect();
    for o in &outcomes {
        if let Err(reason) = &o.result {
            println!("not solved: seed {}, {}: {reason}", o.seed, o.what);
        }
    }
    let share = 100.0 * solved.len() as f64 / outcomes.len() as f64;
    println!("{} of {} converged ({share:.2} %)", solved.len(), outcomes.len());
    let not_converged =
        outcomes.iter().filter(|o| matches!(&o.result, Err(e) if e.contains("no steady state"))).count();
    println!(
        "{not_converged} without steady state, {} refused for another named cause",
        outcomes.len() - solved.len() - not_converged
    );
    println!("worst residual {:.1e} V", solved.iter().map(|s| s.residual_v).fold(0.0, f64::max));
    let mut table = |name: &str, of: &dyn Fn(&Solved) -> f64| {
        solved.sort_by(|a, b| of(a).total_cmp(&of(b)));
        let at = |part: f64| solved.get((part * (solved.len().max(1) - 1) as f64) as usize).map_or(f64::NAN, |s| of(s));
        println!(
            "{name:<22} median {:9.1}, 90 % {:9.1}, 99 % {:9.1}, worst {:9.1}",
            at(0.5),
            at(0.9),
            at(0.99),
            at(1.0)
        );
    };
    table("Newton iterations", &|s| s.newton as f64);
    table("Krylov iterations", &|s| s.krylov as f64);
    table("milliseconds (wall)", &|s| s.seconds * 1e3);
    println!("{:.1} s in all", start.elapsed().as_secs_f64());
}

/// One line of progress on stderr.
struct OneLine;

impl Watch for OneLine {
    fn step(&self, what: &str, done: usize, total: usize) -> Result<(), Cancelled> {
        if done.is_multiple_of(20) || done == total {
            eprint!("\r{done} of {total} {what}");
            let _ = std::io::stderr().flush();
        }
        Ok(())
    }
}

struct Outcome {
    seed: u64,
    what: String,
    result: Result<Solved, String>,
}

struct Solved {
    residual_v: f64,
    newton: usize,
    krylov: usize,
    seconds: f64,
}

fn attempt(seed: u64) -> Outcome {
    let mut mixer = RandomMixer::new(seed);
    let since = Instant::now();
    let settings = BalanceSettings { pump_order: 24, signal_order: 3, ..BalanceSettings::default() };
    let result = mixer.problem().and_then(|problem| match solve(&problem, &settings) {
        Ok((_, report)) => Ok(Solved {
            residual_v: report.residual,
            newton: report.iterations,
            krylov: report.inner_iterations,
            seconds: since.elapsed().as_secs_f64(),
        }),
        Err(e) => Err(e.to_string()),
    });
    Outcome { seed, what: mixer.what, result }
}

/// Uniform random numbers: splitmix64 (S. Vigna, public domain; from memory).
struct Random(u64);

impl Random {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) as f64 / 2f64.powi(64)
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Even in the logarithm.
    fn spread(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }

    fn chance(&mut self, part: f64) -> bool {
        self.unit() < part
    }
}

#[derive(Debug, Clone, Copy)]
enum Topology {
    SingleSeries,
    SingleShunt,
    Antiparallel,
    SingleBalanced,
    Ring,
    Star,
}

struct RandomMixer {
    random: Random,
    topology: Topology,
    lo_hz: f64,
    rf_hz: f64,
    lo_dbm: f64,
    rf_dbm: f64,
    parts: usize,
    what: String,
}

impl RandomMixer {
    fn new(seed: u64) -> Self {
        use Topology::{Antiparallel, Ring, SingleBalanced, SingleSeries, SingleShunt, Star};
        let mut random = Random(seed.wrapping_mul(0x2545_f491_4f6c_dd1d) ^ 0x6d69_7865_7273);
        let topology = [SingleSeries, SingleShunt, Antiparallel, SingleBalanced, Ring, Ring, Star][random.below(7)];
        let lo_hz = random.spread(1e9, 110e9);
        let mut rf_hz = lo_hz * random.between(0.4, 1.6);
        if (rf_hz / lo_hz - 1.0).abs() < 1e-4 {
            rf_hz *= 1.01;
        }
        let (lo_dbm, rf_dbm) = (random.between(-20.0, 27.0), random.between(-40.0, 5.0));
        let what = format!(
            "{topology:?}, LO {:.3} GHz {lo_dbm:+.1} dBm, RF {:.3} GHz {rf_dbm:+.1} dBm",
            lo_hz / 1e9,
            rf_hz / 1e9
        );
        Self { random, topology, lo_hz, rf_hz, lo_dbm, rf_dbm, parts: 0, what }
    }

    fn problem(&mut self) -> Result<Problem, String> {
        let n = match self.topology {
            Topology::SingleSeries | Topology::SingleShunt => 1,
            Topology::Antiparallel | Topology::SingleBalanced => 2,
            Topology::Ring | Topology::Star => 4,
        };
        let nominal = self.diode();
        self.what += &format!(", IS {:.1e} A, CJ0 {:.1e} F", nominal.is_a, nominal.cj0_f);
        let diodes: Vec<SchottkyParameters> = (0..n).map(|_| self.mismatched(&nominal)).collect();
        let access: Vec<Access> = diodes
            .iter()
            .map(|d| Access {
                rs_ohm: d.rs_ohm,
                finger_inductance_h: d.finger_inductance_h,
                pad_capacitance_f: d.pad_capacitance_f,
            })
            .collect();
        let mut c = Circuit::new();
        // inner nodes of LO, RF, IF; ladders lead to them
        let inner = match self.topology {
            Topology::SingleSeries | Topology::Antiparallel => ["x", "x", "y"],
            Topology::SingleShunt => ["x", "x", "x"],
            Topology::SingleBalanced => ["x", "y", "y"],
            Topology::Ring | Topology::Star => ["x", "y", "z"],
        };
        for (port, to) in ["lo", "rf", "if"].into_iter().zip(inner) {
            self.ladder(&mut c, port, to);
        }
        match self.topology {
            Topology::SingleSeries => single_diode(&mut c, "", ["x", "y"], access[0]),
            Topology::SingleShunt => single_diode(&mut c, "", ["x", "0"], access[0]),
            Topology::Antiparallel => antiparallel_pair(&mut c, "", ["x", "y"], [access[0], access[1]]),
            Topology::SingleBalanced => single_balanced(&mut c, "", "x", "y", [access[0], access[1]]),
            Topology::Ring | Topology::Star => {
                let nodes = MixerNodes { lo: "x", rf: "y", intermediate: "z" };
                let access = [access[0], access[1], access[2], access[3]];
                if matches!(self.topology, Topology::Ring) {
                    ring_mixer(&mut c, "", nodes, access);
                } else {
                    star_mixer(&mut c, "", nodes, access);
                }
            }
        }
        let multiport = c.compile().map_err(|e| e.to_string())?;
        let embedding = Embedding::new(Arc::new(multiport), n).map_err(|e| e.to_string())?;
        let devices = diodes
            .iter()
            .map(|d| d.at_temperature(300.0).map(|j| Arc::new(j) as Arc<dyn Device>).map_err(|e| e.to_string()))
            .collect::<Result<_, _>>()?;
        let watt = |dbm: f64| 1e-3 * 10f64.powf(dbm / 10.0);
        let phase = self.random.between(0.0, std::f64::consts::TAU);
        Ok(Problem {
            embedding: Arc::new(embedding),
            devices,
            tones_hz: vec![self.lo_hz, self.rf_hz],
            drives: vec![
                Drive::tone(0, vec![1, 0], watt(self.lo_dbm), 0.0),
                Drive::tone(1, vec![0, 1], watt(self.rf_dbm), phase),
            ],
        })
    }

    fn diode(&mut self) -> SchottkyParameters {
        let r = &mut self.random;
        let breakdown = r.chance(0.3).then(|| Breakdown {
            bv_v: r.between(3.0, 12.0),
            ibv_a: r.spread(1e-7, 1e-4),
            nbv: r.between(1.0, 3.0),
        });
        SchottkyParameters {
            is_a: r.spread(1e-16, 1e-6),
            n: r.between(1.0, 1.3),
            rs_ohm: r.spread(1.0, 50.0),
            cj0_f: if r.chance(0.1) { 0.0 } else { r.spread(3e-15, 3e-13) },
            vj_v: r.between(0.4, 0.9),
            m: if r.chance(0.5) { 0.5 } else { r.between(0.3, 0.6) },
            fc: r.between(0.4, 0.9),
            tt_s: if r.chance(0.8) { 0.0 } else { r.spread(1e-13, 5e-12) },
            breakdown,
            pad_capacitance_f: if r.chance(0.5) { 0.0 } else { r.spread(1e-15, 3e-14) },
            finger_inductance_h: if r.chance(0.5) { 0.0 } else { r.spread(3e-12, 1e-10) },
            ..SchottkyParameters::default()
        }
    }

    fn mismatched(&mut self, nominal: &SchottkyParameters) -> SchottkyParameters {
        let r = &mut self.random;
        SchottkyParameters {
            is_a: nominal.is_a * r.between(0.8, 1.25),
            rs_ohm: nominal.rs_ohm * r.between(0.9, 1.1),
            cj0_f: nominal.cj0_f * r.between(0.95, 1.05),
            ..nominal.clone()
        }
    }

    /// A port and up to four elements to an inner node.
    fn ladder(&mut self, c: &mut Circuit, port: &str, to: &str) {
        let ohm = if self.random.chance(0.7) { 50.0 } else { self.random.spread(5.0, 500.0) };
        c.add_port(port, [port, "0"], ohm);
        let count = self.random.below(5);
        let mut here = port.to_owned();
        for k in 0..count {
            let next = if k + 1 == count { to.to_owned() } else { format!("{port}_{k}") };
            here = if self.element(c, &here, &next) { next } else { here };
        }
        if here != to {
            // ended on a shunt element, or no element at all
            let line = self.line(0.05, 0.6);
            let name = self.name("end");
            c.add_line(&name, [&here, "0", to, "0"], line);
        }
    }

    fn name(&mut self, kind: &str) -> String {
        self.parts += 1;
        format!("{kind}{}", self.parts)
    }

    /// A line between two fractions of a wavelength at the LO.
    fn line(&mut self, from: f64, to: f64) -> Line {
        let z_ohm = self.random.spread(20.0, 120.0);
        Line::lossless(z_ohm, self.random.between(from, to) / self.lo_hz)
    }

    /// Adds one element at `here`; true when it leads on to `next`.
    fn element(&mut self, c: &mut Circuit, here: &str, next: &str) -> bool {
        let omega = std::f64::consts::TAU * self.lo_hz;
        let x_ohm = self.random.spread(3.0, 500.0);
        match self.random.below(9) {
            0 => {
                let (name, line) = (self.name("line"), self.line(0.02, 0.8));
                c.add_line(&name, [here, "0", next, "0"], line);
            }
            1 => {
                c.add_inductor(&self.name("l"), [here, next], x_ohm / omega);
            }
            2 => {
                c.add_capacitor(&self.name("c"), [here, next], 1.0 / (omega * x_ohm));
            }
            3 => {
                // a block of direct current
                c.add_capacitor(&self.name("block"), [here, next], 1.0 / omega);
            }
            4 => {
                c.add_resistor(&self.name("r"), [here, next], self.random.spread(0.1, 20.0));
            }
            5 => {
                c.add_capacitor(&self.name("cs"), [here, "0"], 1.0 / (omega * x_ohm));
                return false;
            }
            6 => {
                c.add_inductor(&self.name("ls"), [here, "0"], x_ohm / omega);
                return false;
            }
            kind => {
                let f_if = (self.rf_hz - self.lo_hz).abs();
                let frequencies = [
                    self.lo_hz,
                    self.rf_hz,
                    f_if,
                    self.lo_hz + self.rf_hz,
                    (2.0 * self.lo_hz - self.rf_hz).abs(),
                    2.0 * self.lo_hz,
                ];
                let f = frequencies[self.random.below(6)].max(1e-3 * self.lo_hz);
                let line = Line::lossless(self.random.spread(20.0, 120.0), 0.25 / f);
                let (name, end) = (self.name("stub"), self.name("open"));
                if kind == 7 {
                    c.add_line(&name, [here, "0", &end, "0"], line).leave_open(&end);
                } else {
                    c.add_line(&name, [here, "0", "0", "0"], line);
                }
                return false;
            }
        }
        true
    }
}
