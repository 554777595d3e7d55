//! Dispersion of a thin strip against an independent spectral solution, and its limits.

mod common;
use common::near;
use mixwright_lines::LayeredStrip;

fn open(eps: f64, h_mm: f64, w_mm: f64) -> LayeredStrip {
    LayeredStrip {
        width_m: w_mm * 1e-3,
        below: vec![(h_mm * 1e-3, eps)],
        above: vec![(f64::INFINITY, 1.0)],
        lid: false,
    }
}

/// Permittivity, height and width (mm); frequency (GHz) and effective permittivity.
type Case = ([f64; 3], &'static [(f64, f64)]);

#[test]
fn open_microstrip() {
    let how =
        "independent spectral-domain Galerkin solution, two orders agreeing to 3e-7, method of Itoh and Mittra 1973";
    let cases: [Case; 4] = [
        ([9.8, 0.635, 0.6], &[(1.0, 6.55383), (10.0, 6.87687), (20.0, 7.33468), (40.0, 8.10743)]),
        ([12.9, 0.1, 0.07], &[(10.0, 8.32479), (40.0, 8.54631), (77.0, 8.91071), (110.0, 9.25308)]),
        ([3.8, 0.127, 0.27], &[(10.0, 2.95579), (50.0, 3.02518), (110.0, 3.15352)]),
        ([2.2, 0.794, 2.413], &[(1.0, 1.88265), (5.0, 1.89326), (10.0, 1.91269), (20.0, 1.95469)]),
    ];
    for ([eps, h, w], points) in cases {
        let freqs: Vec<f64> = points.iter().map(|p| p.0 * 1e9).collect();
        let found = open(eps, h, w).eps_eff(&freqs).expect("bound");
        for ((f, expected), found) in points.iter().zip(found) {
            near(&format!("er {eps} at {f} GHz"), found, *expected, 2e-4, "two thin-strip solutions", how);
        }
    }
}

/// K. Kirschning, R. H. Jansen, Electron. Lett. 18 (1982) 272-273 (memory): stated accuracy 0.6 %.
#[test]
fn closed_form_of_kirschning_and_jansen() {
    let how = "closed form, values computed from the published constants (memory)";
    for ([eps, h, w], f, expected) in [([9.8, 0.635, 0.6], 20e9, 7.347_199), ([12.9, 0.1, 0.07], 110e9, 9.275_132)] {
        let found = open(eps, h, w).eps_eff(&[f]).expect("bound")[0];
        near("effective permittivity", found, expected, 6e-3, "accuracy stated by the authors", how);
    }
}

#[test]
fn low_frequency_is_the_static_value_and_a_full_box_does_not_disperse() {
    let strip = open(9.8, 0.635, 0.6);
    let fixed = strip.static_eps().expect("solvable");
    let low = strip.eps_eff(&[50e6]).expect("bound")[0];
    near("at 50 MHz", low, fixed, 5e-5, "two independent methods; dispersion there is 1e-5", "static charge solution");
    // layers on both sides of one permittivity under a lid: a TEM line
    let filled = LayeredStrip { above: vec![(0.635e-3, 9.8)], lid: true, ..strip };
    assert!((filled.static_eps().expect("solvable") - 9.8).abs() < 1e-6);
}
