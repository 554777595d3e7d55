//! The sampled network stands in for the original at every frequency.

mod common;

use common::{TEMP_K, demo_mixer, demo_model, demo_plan};
use mixwright_handover::{Table, TableParts, TableQuality, TableSettings};
use network::FrequencyResponse;
use numerics::{CMatrix, Complex64};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use spec::{Item, Measure, Review};

#[test]
fn between_the_samples_it_misses_the_original_by_no_more_than_it_says() {
    let model = demo_model();
    let mixer = demo_mixer(TEMP_K);
    let table = &model.network;
    let mut rng = Pcg64::seed_from_u64(7);
    let mut worst = 0.0f64;
    for i in 0..3000 {
        let part = (rng.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
        // a third each: low, signal and all frequencies
        let f = part * [2e9, 60e9, table.up_to_hz()][i % 3];
        let original = mixer.embedding.scattering(f).expect("a circuit");
        worst = worst.max((&table.scattering(f).expect("a table") - &original).max_abs());
    }
    // the probes of the sampler are not these frequencies: allow three times its own figure
    assert!(worst <= 3.0 * table.quality().error, "{worst:e} against {:e}", table.quality().error);
    assert!(table.quality().error <= 3.1e-12);
    let direct = &table.scattering(0.0).expect("a table") - &mixer.embedding.scattering(0.0).expect("a circuit");
    assert!(direct.max_abs() < 1e-14);
}

#[test]
fn far_beyond_the_samples_nothing_is_reflected_or_passed_on() {
    let model = demo_model();
    let last = model.network.up_to_hz();
    let at = |f: f64| model.network.scattering(f).expect("a table");
    assert!((&at(last * (1.0 + 1e-9)) - &at(last)).max_abs() < 1e-6, "no jump");
    assert!(at(1.2 * last).max_abs() < 1e-15);
    assert!(model.network.scattering(-1.0).is_err());
}

/// A section of line with a knee at 1 GHz, as a network of splines has at every sample.
#[derive(Debug)]
struct Knee;

impl FrequencyResponse for Knee {
    fn n_ports(&self) -> usize {
        1
    }
    fn reference_ohm(&self) -> &[f64] {
        &[50.0]
    }
    fn scattering(&self, f: f64) -> Result<CMatrix, network::NetworkError> {
        let x = f / 1e9 - 1.0;
        let bent = 0.3 * (f / 3e9).cos() + if x > 0.0 { 0.2 * x * x * x } else { 0.0 };
        Ok(CMatrix::from_fn(1, 1, |_, _| Complex64::from(bent)))
    }
}

#[test]
fn a_break_told_to_the_sampler_saves_samples_and_costs_nothing() {
    let settings = TableSettings { tolerance: 1e-11, ..TableSettings::up_to(2e9) };
    let told = TableSettings { breaks_hz: vec![1e9], ..settings.clone() };
    let blind = Table::sample(&Knee, &settings, &numerics::Quiet).expect("a table").quality();
    let told = Table::sample(&Knee, &told, &numerics::Quiet).expect("a table").quality();
    assert!(told.error <= 1e-11 && told.samples * 2 < blind.samples, "{told:?} against {blind:?}");
}

#[test]
fn shapes_that_do_not_fit_are_refused() {
    let good = demo_model().network.parts();
    assert!(Table::from_parts(good.clone()).is_ok());
    let wrong = |change: &dyn Fn(&mut TableParts)| {
        let mut parts = good.clone();
        change(&mut parts);
        Table::from_parts(parts).is_err()
    };
    assert!(wrong(&|p| p.values[5] = Complex64::new(f64::NAN, 0.0)));
    assert!(wrong(&|p| p.pieces[3].band_hz.0 *= 1.1));
    assert!(wrong(&|p| p.pieces.clear()));
    assert!(wrong(&|p| p.pieces[0].n_points = 1_000_000));
    assert!(wrong(&|p| p.reference_ohm[1] = -50.0));
    assert!(wrong(&|p| p.direct.truncate(3)));
    assert!(!wrong(&|p| p.quality = TableQuality { error: 1.0, samples: 1, pieces: 1 }));
}

/// All readings of a review in order.
fn readings(review: &Review) -> Vec<(Measure, f64, bool)> {
    let mut out: Vec<(Measure, f64, bool)> =
        review.summary.iter().map(|r| (r.measure, r.value, r.quality.is_bound)).collect();
    for item in review.sections.iter().flat_map(|s| &s.items) {
        match item {
            Item::Curves(p) => {
                out.extend(
                    p.curves.iter().flat_map(|c| &c.points).map(|(_, r)| (r.measure, r.value, r.quality.is_bound)),
                );
            }
            Item::Table(t) => out.extend(t.readings.iter().map(|r| (r.measure, r.value, r.quality.is_bound))),
            Item::Spurs(g) => {
                out.extend(g.entries.iter().map(|e| (e.reading.measure, e.reading.value, e.reading.quality.is_bound)))
            }
            _ => {}
        }
    }
    out
}

#[test]
fn the_model_reproduces_every_number_of_the_review_to_a_millionth_of_a_decibel() {
    // loose tolerances end the order climbs early; both sides climb alike
    let tolerances = mixer::Tolerances { wanted_db: 0.2, product_db: 3.0, ..mixer::Tolerances::default() };
    let plan = mixer::Plan { anchors: 2, points: 2, spur_orders: (3, 3), tolerances, ..demo_plan() };
    let original = mixer::review(&demo_mixer(TEMP_K), &plan, &numerics::Quiet).expect("a review");
    let model = demo_model().mixer().expect("a mixer");
    let copy = mixer::review(&model, &plan, &numerics::Quiet).expect("a review");
    let (a, b) = (readings(&original), readings(&copy));
    assert_eq!(a.len(), b.len());
    assert!(a.len() > 300, "{}", a.len());
    for (x, y) in a.iter().zip(&b) {
        assert_eq!((x.0, x.2), (y.0, y.2));
        if x.1.is_finite() || y.1.is_finite() {
            assert!((x.1 - y.1).abs() <= 1e-6, "{}: {} against {}", x.0.label(), x.1, y.1);
        }
    }
}
