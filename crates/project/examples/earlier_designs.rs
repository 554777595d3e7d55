//! The invented history of the demonstration: 43 earlier designs and 57 lead times.
//!
//! Output: `demo/lots/earlier-designs.csv` and `demo/lots/lead-times.csv`. Residuals are measured minus predicted; every
//! design has a share of its own in them, so that designs and not numbers are what a ledger can learn from. Means and
//! standard deviations of the classes are those of the story; everything is seeded.
//!
//! Run: `cargo run -p mixwright-project --example earlier_designs`.

use mixwright_project as project;
use rand::Rng;
use rand_pcg::Pcg64;
use std::fmt::Write as _;
use std::path::PathBuf;

/// A class of the story: key, measure, numbers (a design, or in all), mean and standard deviation of the residuals, range
/// of predicted values.
struct Class {
    key: &'static str,
    measure: &'static str,
    count: Count,
    mean: f64,
    sd: f64,
    level: (f64, f64),
}

enum Count {
    /// So many numbers of every design.
    Each(usize),
    /// So many in all, spread evenly over the designs.
    All(usize),
}

const DESIGNS: usize = 43;
/// Share of the variance that all numbers of a design have in common.
const SHARED: f64 = 0.3;
const SEED: u128 = 43;

use Count::{All, Each};

const CLASSES: [Class; 12] = [
    class("loss", "conversion_loss", Each(5), 0.35, 0.28, (5.5, 9.0)),
    class("loss_edge", "conversion_loss", Each(2), 0.6, 0.55, (5.8, 10.0)),
    class("return_loss_8_15", "return_loss_rf", Each(6), -0.3, 1.1, (8.0, 15.0)),
    class("isolation_below_30", "isolation_rf_if", All(38), -0.4, 1.5, (14.0, 30.0)),
    class("isolation_30_40", "isolation_lo_rf", All(52), -2.4, 3.9, (30.0, 40.0)),
    class("isolation_above_40", "isolation_lo_rf", All(61), -8.1, 6.6, (40.0, 62.0)),
    class("product_40_60", "spur_lo+1_rf-2", All(120), -0.2, 1.5, (-60.0, -40.0)),
    class("product_60_80", "spur_lo+3_rf-3", All(150), 0.3, 1.9, (-80.0, -60.0)),
    class("product_80_100", "spur_lo+2_rf-3", All(80), 1.1, 2.8, (-100.0, -80.0)),
    class("product_even_even", "spur_lo+2_rf-2", All(70), 1.5, 4.4, (-85.0, -55.0)),
    class("input_p1db", "input_p1db", All(40), -0.2, 0.6, (6.0, 16.0)),
    class("input_ip3", "input_ip3", All(31), 0.4, 1.6, (14.0, 26.0)),
];

const fn class(key: &'static str, measure: &'static str, count: Count, mean: f64, sd: f64, level: (f64, f64)) -> Class {
    Class { key, measure, count, mean, sd, level }
}

struct Random(Pcg64);

impl Random {
    fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// Box and Muller.
    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (2.0 * std::f64::consts::PI * self.uniform()).cos()
    }

    fn between(&mut self, (low, high): (f64, f64)) -> f64 {
        low + (high - low) * self.uniform()
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("demo/lots");
    let mut random = Random(Pcg64::new(SEED, 1));
    project::files::write_whole(&folder.join("earlier-designs.csv"), designs(&mut random).as_bytes())?;
    project::files::write_whole(&folder.join("lead-times.csv"), lead_times(&mut random).as_bytes())?;
    Ok(())
}

fn designs(random: &mut Random) -> String {
    let mut out = String::from(
        "# Invented: residuals (measured minus predicted) of 43 earlier designs. Levels in dBm or dBc, ratios in dB.\n\
         design,technology,lot,session,date,foundry,reel,lab,lo (GHz),class,measure,predicted (dB),residual (dB),u (dB)\n",
    );
    for k in 0..DESIGNS {
        let year = 2021 + k / 5;
        let month = 1 + (k % 5) * 2 + k % 2;
        let lo_ghz = (12.0 + 28.0 * random.uniform()).round();
        let lead = format!(
            "E{:02},Ashgill Thin Film,1,1,{year}-{month:02}-{:02},Ashgill Thin Film,V27-{:03},own bench,{lo_ghz}",
            k + 1,
            3 + k % 25,
            60 + k
        );
        for c in &CLASSES {
            let n = match c.count {
                Each(n) => n,
                // the first designs get one more where it does not divide
                All(n) => n / DESIGNS + usize::from(k < n % DESIGNS),
            };
            let shared = random.normal();
            for _ in 0..n {
                let z = SHARED.sqrt() * shared + (1.0 - SHARED).sqrt() * random.normal();
                let predicted = random.between(c.level);
                let _ = writeln!(out, "{lead},{},{},{predicted:.1},{:.2},0.1", c.key, c.measure, c.mean + c.sd * z);
            }
        }
    }
    out
}

/// 53 ordinary lead times and four lost lots that were made again.
fn lead_times(random: &mut Random) -> String {
    let mut out = String::from("# Invented: lead times of fabrication.\nof,step,date,by,duration (weeks)\n");
    for k in 0..57 {
        let weeks = if k % 14 == 9 { 20.2 + 2.0 * random.uniform() } else { 6.9 + 0.9 * random.normal() };
        let (year, month) = (2021 + k / 7, 1 + (k % 7) + k % 5);
        let _ = writeln!(out, "lot {:02},fabrication,{year}-{month:02}-15,Ashgill Thin Film,{weeks:.1}", k + 1);
    }
    out
}
