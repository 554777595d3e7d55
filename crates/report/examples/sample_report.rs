//! Writes the report of an invented mixer, so that every picture can be looked at.
//!
//! `cargo run -p mixwright-report --example sample_report -- <folder>`
#![allow(clippy::print_stdout)]

#[path = "../tests/sample/mod.rs"]
mod sample;

use mixwright_report as report;
use report::picture::{Forbidden, Histogram, LimitLine, Look};

fn main() -> std::io::Result<()> {
    let folder = std::env::args().nth(1).unwrap_or_else(|| "sample_report".into());
    let folder = std::path::Path::new(&folder);
    std::fs::create_dir_all(folder)?;
    let review = sample::review();
    std::fs::write(folder.join("report.html"), report::html(&review))?;
    std::fs::write(folder.join("review.json"), report::json(&review))?;
    std::fs::write(folder.join("review.csv"), report::csv(&review))?;
    for (name, review) in [("crowded", sample::stress::crowded()), ("broken", sample::stress::broken())] {
        std::fs::write(folder.join(format!("{name}.html")), report::html(&review))?;
    }
    for (name, svg) in report::pictures(&review) {
        std::fs::write(folder.join(name), svg)?;
    }
    std::fs::write(folder.join("histogram.svg"), histogram().svg(Look::Standalone))?;
    print!("{}", report::summary_text(&review));
    Ok(())
}

/// Isolation over invented tolerances: sums of twelve even numbers are close to normal.
fn histogram() -> Histogram {
    let mut state = 1u64;
    let mut even = || {
        // Constants of a 64-bit linear congruential generator, Knuth, MMIX.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let samples = (0..240).map(|_| 47.2 + 4.7 * ((0..12).map(|_| even()).sum::<f64>() - 6.0)).collect();
    let limit = LimitLine { value: 38.0, forbidden: Forbidden::Below, extent: None, label: "limit ≥ 38 dB".into() };
    Histogram {
        title: "L-R isolation over tolerances".into(),
        x_label: "Isolation L-R, dB".into(),
        samples,
        limit: Some(limit),
    }
}
