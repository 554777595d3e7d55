//! Speed of one termination case of the invented mixer's model on one core, and ratios against the full review.
//!
//! Run with `--release`. Prints medians of repeated cases; every case has a termination of its own, so nothing but the
//! model is remembered.

#![allow(clippy::print_stdout, clippy::unwrap_used)]

#[path = "../tests/common/mod.rs"]
mod common;

use mixwright_handover::point::{IF, Lo, RF, pump, two_tone, wave_of_dbm};
use mixwright_handover::{Model, Surrounded, Surroundings};
use numerics::{Complex64, Quiet};
use spec::PortName;
use std::sync::Arc;
use std::time::Instant;

fn case(model: &Model, k: usize) -> mixer::Mixer {
    let gamma = Complex64::from_polar(0.9, 0.37 * k as f64);
    let around =
        Surroundings::default().with_reflection(PortName::Rf, 33e9, gamma).with_reflection(PortName::Lo, 56e9, gamma);
    let network = Arc::new(Surrounded::new(model.network.clone(), &around).unwrap());
    model.mixer_with(network, model.temp_k, "case".into()).unwrap()
}

fn median(mut x: Vec<f64>) -> f64 {
    x.sort_by(f64::total_cmp);
    x[x.len() / 2]
}

fn main() {
    numerics::parallel::set_threads(1);
    let t = Instant::now();
    let model = common::demo_model();
    println!("taking the model           {:8.1} ms  {:?}", t.elapsed().as_secs_f64() * 1e3, model.network.quality());
    let lo = Lo { hz: 28e9, dbm: 15.0 };
    let nominal = pump(&model.mixer().unwrap(), lo, &[], 16, None).unwrap();
    let start_two = two_tone(&model.mixer().unwrap(), lo, &[], (23e9, -10.0), PortName::Rf, (12, 5), None).unwrap();
    let (mut loss, mut cold, mut spurs, mut full) = (vec![], vec![], vec![], vec![]);
    let mut last = 0.0;
    for k in 0..21 {
        let mixer = case(&model, k);
        let t = Instant::now();
        let pumped = pump(&mixer, lo, &[], 16, Some(&nominal.steady)).unwrap();
        let s = pumped.state.conversion(23e9).unwrap().scattered(&[(1, RF)]).unwrap();
        last = -20.0 * s[0].at(2, IF).norm().log10();
        loss.push(t.elapsed().as_secs_f64() * 1e3);
        let t = Instant::now();
        let products = balance::perturb(&pumped.state, 1, 23e9, wave_of_dbm(-10.0), 5).unwrap();
        std::hint::black_box(products.residual);
        spurs.push(loss[k] + t.elapsed().as_secs_f64() * 1e3);
        let mixer = case(&model, k + 100);
        let t = Instant::now();
        let anchor = two_tone(&mixer, lo, &[], (23e9, -10.0), PortName::Rf, (12, 5), Some(&start_two.state)).unwrap();
        std::hint::black_box(anchor.wanted_dbm(&mixer));
        full.push(t.elapsed().as_secs_f64() * 1e3);
        let mixer = case(&model, k + 200);
        let t = Instant::now();
        std::hint::black_box(pump(&mixer, lo, &[], 16, None).unwrap().state.pump_hz());
        cold.push(t.elapsed().as_secs_f64() * 1e3);
    }
    let (loss, spurs, full) = (median(loss), median(spurs), median(full));
    println!("last loss {last:.4} dB");
    println!("pump without a neighbour   {:8.2} ms", median(cold));
    println!("loss and match             {loss:8.2} ms");
    println!("with 5x5 perturbed table   {spurs:8.2} ms");
    println!("5x5 table by full balance  {full:8.2} ms");
    let t = Instant::now();
    let mixer = common::demo_mixer(common::TEMP_K);
    let plan = mixer::Plan { anchors: 7, points: 61, ..common::demo_plan() };
    std::hint::black_box(mixer::review(&mixer, &plan, &Quiet).unwrap().sections.len());
    let review = t.elapsed().as_secs_f64() * 1e3;
    println!("full review (down only)    {review:8.0} ms");
    println!(
        "ratios: loss and match 1 : {:.0}, with table {:.0} / {:.0}",
        review / loss,
        review / spurs,
        review / full
    );
}
