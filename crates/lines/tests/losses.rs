//! Resistance, internal inductance and dielectric loss.

mod common;
use common::*;
use mixwright_lines::{Conductor, Filling, LineBlock, LineTable, Outline, Surface, skin_depth};
use network::FrequencyResponse;
use stackup::{Dielectric, Dimension};

#[test]
fn round_wire_from_below_to_far_above_the_skin_depth() {
    let how = "Zi = (g/2 pi a sigma) I0(ga)/I1(ga), Ramo, Whinnery, Van Duzer (memory)";
    let gold = Surface::smooth(4.1e7);
    let wire = Outline::Wire { centre: [0.0, 0.0], radius_m: 12.5e-6 };
    let mut section = round(12.5e-6, 0.0, 1e-3, 1.0);
    section.conductors[0] = Conductor { name: "wire".into(), outline: wire, reference: false, surface: gold };
    let solution = solve(&section);
    let cases = [
        (1e6, 0.049_688_059, 0.049_999_667),
        (1e8, 0.055_677_011, 0.047_012_612),
        (1e9, 0.138_254_8, 0.019_701_974),
        (1e10, 0.407_805_75, 0.006_283_115),
        (1e11, 1.261_904_5, 0.001_988_315_7),
    ];
    for (freq, r, l) in cases {
        let found = solution.at(freq).expect("solvable");
        near("R, ohm/mm", found.r[(0, 0)] * 1e-3, r, 1e-5, "radial equation by small steps", how);
        let internal = found.l[(0, 0)] - solution.l_h_per_m[(0, 0)];
        near("Li, nH/mm", internal * 1e6, l, 1e-4, "difference of two inductances", how);
    }
}

#[test]
fn coaxial_line_with_a_thin_shield() {
    let how = "S. A. Schelkunoff, Bell Syst. Tech. J. 13 (1934) 532-579 (memory)";
    let mut section = round(0.15e-3, 0.0, 0.5e-3, 1.0);
    let copper = Surface::smooth(5.8e7);
    section.conductors[0].surface = copper;
    section.conductors[1].surface = copper;
    section.conductors[1].outline = Outline::Shield { centre: [0.0; 2], radius_m: 0.5e-3, wall_m: 0.1e-3 };
    let solution = solve(&section);
    let cases = [
        (1e6, 0.409_797_46, 293.248_67),
        (1e7, 1.196_660_1, 258.846_05),
        (1e8, 3.655_161_5, 246.520_25),
        (1e9, 11.435_709, 242.605_67),
        (1e10, 36.041_969, 241.367_3),
        (4e10, 72.028_292, 241.080_93),
    ];
    for (freq, r, l) in cases {
        let found = solution.at(freq).expect("solvable");
        near("R, ohm/m", found.r[(0, 0)], r, 1e-4, "radial equation by small steps", how);
        near("L, nH/m", found.l[(0, 0)] * 1e9, l, 1e-5, "radial equation by small steps", how);
    }
}

#[test]
fn microstrip_at_the_surface_impedance_limit() {
    let how = "(Rs/mu0) dL/dn, H. A. Wheeler, Proc. IRE 30 (1942) 412-424 (memory), by independent finite elements";
    let cases = [
        ([70.0, 100.0, 3.0], 0.8282, 0.1067),
        ([600.0, 635.0, 4.0], 1.044, 0.1425),
        ([22.0, 9.0, 3.0], 0.6545, 0.2827),
    ];
    for ([w, h, t], strip_share, ground_share) in cases {
        let solution = solve(&on_substrate(h, 4.0, vec![strip([-0.5 * w, 0.5 * w], [h, h + t])]));
        let on_strip = solution.resistance_form(0).expect("conductor 0")[(0, 0)] * w;
        let on_ground = solution.ground_resistance_form().expect("a ground")[(0, 0)] * w;
        near("strip R w/Rs", on_strip, strip_share, 0.01, "stated with the reference", how);
        near("ground R w/Rs", on_ground, ground_share, 0.01, "stated with the reference", how);
    }
}

#[test]
fn strip_between_direct_current_and_skin_effect() {
    let gold = Surface::smooth(4.1e7);
    let (w, h, t) = (70e-6, 100e-6, 3e-6);
    let line = Conductor::strip("line", [-0.5 * w, 0.5 * w], [h, h + t], gold);
    let section = on_substrate(h, 12.9, vec![line]);
    let solution = solve(&section);
    let dc = solution.at(0.0).expect("solvable").r[(0, 0)];
    near(
        "R at direct current, ohm/m",
        dc,
        1.0 / (4.1e7 * w * t),
        2e-3,
        "depths add up to the area",
        "length over area",
    );
    let freq = 1e12;
    let rs = 1.0 / (4.1e7 * skin_depth(gold, freq));
    let high = solution.at(freq).expect("solvable").r[(0, 0)];
    let expected = rs * solution.resistance_form(0).expect("conductor 0")[(0, 0)];
    near("R far above, ohm/m", high, expected, 0.02, "corners carry less when the metal is not ideal", "Wheeler limit");
    // resistance never falls and inductance never rises with frequency
    let sweep: Vec<_> = (0..12).map(|k| solution.at(1e6 * 3f64.powi(k)).expect("solvable")).collect();
    for pair in sweep.windows(2) {
        assert!(pair[1].r[(0, 0)] >= pair[0].r[(0, 0)] * (1.0 - 1e-9));
        assert!(pair[1].l[(0, 0)] <= pair[0].l[(0, 0)] * (1.0 + 1e-9));
    }
}

#[test]
fn roughness_raises_the_resistance_up_to_twofold() {
    let how = "1 + (2/pi) atan(1.4 (rms/delta)²), Hammerstad and Jensen 1980 (memory)";
    let at = |rms: f64, freq: f64| {
        let mut section = round(50e-6, 0.0, 1e-3, 1.0);
        section.conductors[0].surface = Surface { conductivity_s_per_m: 4.1e7, roughness_rms_m: rms };
        solve(&section).at(freq).expect("solvable").r[(0, 0)]
    };
    let rms = skin_depth(Surface::smooth(4.1e7), 10e9);
    let factor = 1.0 + 2.0 / std::f64::consts::PI * 1.4f64.atan();
    near("rms of one skin depth", at(rms, 10e9) / at(0.0, 10e9), factor, 1e-6, "uniform around the wire", how);
    near("far above", at(rms, 10e15) / at(0.0, 10e15), 2.0, 1e-3, "saturation", how);
}

#[test]
fn dielectric_loss_is_the_filling_factor() {
    let how = "q = (er/eeff) d eeff/d er, M. V. Schneider, Proc. IEEE 57 (1969) 1206 (memory), finite elements";
    let cases = [
        (on_substrate(1e-3, 9.8, vec![sheet([-0.5e-3, 0.5e-3], 1e-3)]), 0.93903, 0.002_191_6),
        (on_substrate(1.0, 12.9, vec![strip([-0.35, 0.35], [1.0, 1.03])]), 0.94415, 0.002_444_7),
        (on_substrate(9.0, 2.65, vec![strip([-11.0, 11.0], [9.0, 12.0])]), 0.82673, 0.001_091_8),
    ];
    for (mut section, q, db_per_mm) in cases {
        section.fillings[0].loss_tangent = 1e-3;
        let solution = solve(&section);
        let found = solution.at(10e9).expect("solvable");
        let eps = section.fillings[0].eps_r;
        let share = solution.by_permittivity(0)[(0, 0)] * eps / solution.c_f_per_m[(0, 0)];
        near("filling factor", share, q, 1e-3, "the solver is asked for 1e-3", how);
        let alpha = 0.5 * found.g[(0, 0)] * (found.l[(0, 0)] / found.c[(0, 0)]).sqrt();
        near("dB/mm", alpha * 8.685_889_6e-3, db_per_mm, 1e-3, "the solver is asked for 1e-3", how);
    }
}

#[test]
fn length_of_line_is_reciprocal_passive_and_right_at_its_ends() {
    let mut section = on_substrate(
        100e-6,
        12.9,
        vec![
            Conductor::strip("a", [-90e-6, -20e-6], [100e-6, 103e-6], Surface::smooth(4.1e7)),
            Conductor::strip("b", [20e-6, 90e-6], [100e-6, 103e-6], Surface::smooth(4.1e7)),
        ],
    );
    section.fillings[0] = Filling { eps_r: 12.9, loss_tangent: 1e-3 };
    let table = LineTable::new(solve(&section), None, 100e9).expect("sampled");
    let block = LineBlock::new(table, 2e-3, 50.0);
    for freq in [0.0, 1e9, 40e9, 90e9] {
        let s = block.scattering(freq).expect("solvable");
        assert!((&s - &s.transpose()).max_abs() < 1e-10, "reciprocal");
        let largest = numerics::linear::singular_values(&s).expect("finite")[0];
        assert!(largest <= 1.0 + 1e-12, "passive, found {largest} at {freq}");
    }
    // at direct current a series resistor: S21 = 100/(100 + R)
    let dc = block.scattering(0.0).expect("solvable");
    let r = 2e-3 / (4.1e7 * 70e-6 * 3e-6);
    near("S31 at direct current", dc[(2, 0)].re, 100.0 / (100.0 + r), 1e-3, "direct-current R to 2e-3", "divider");
}

#[test]
fn table_agrees_with_the_solution_between_its_samples() {
    let gold = Surface::smooth(4.1e7);
    let line = |x: f64| Conductor::strip("line", [x, x + 70e-6], [100e-6, 103e-6], gold);
    let mut section = on_substrate(100e-6, 12.9, vec![line(0.0), line(90e-6)]);
    section.fillings[0].loss_tangent = 2e-3;
    let solution = solve(&section);
    let table = LineTable::new(solution.clone(), None, 90e9).expect("sampled");
    for freq in [0.0, 3.3e6, 71e6, 0.83e9, 7.7e9, 31e9, 88e9] {
        let (found, exact) = (table.at(freq), solution.at(freq).expect("solvable"));
        for (i, j) in [(0, 0), (0, 1)] {
            let scale = exact.r[(0, 0)];
            assert!((found.r[(i, j)] - exact.r[(i, j)]).abs() < 1e-4 * scale, "R at {freq}");
            assert!((found.l[(i, j)] / exact.l[(i, j)] - 1.0).abs() < 1e-5, "L at {freq}");
            assert!((found.g[(i, j)] - exact.g[(i, j)]).abs() <= 1e-12 * exact.g[(0, 0)]);
        }
    }
    // causal permittivity: the capacitance falls slowly, the loss tangent stays
    let dielectric = |eps: f64, tan: f64| Dielectric {
        name: String::new(),
        eps_r: Dimension::exact(eps),
        loss_tangent: Dimension::exact(tan),
        at_hz: 10e9,
    };
    let causal = LineTable::new(solution.clone(), Some(vec![dielectric(12.9, 2e-3), dielectric(1.0, 0.0)]), 90e9);
    let causal = causal.expect("sampled");
    assert!((causal.at(10e9).c[(0, 0)] / solution.c_f_per_m[(0, 0)] - 1.0).abs() < 1e-12);
    let fall = causal.at(1e9).c[(0, 0)] / causal.at(10e9).c[(0, 0)] - 1.0;
    let share = solution.by_permittivity(0)[(0, 0)] * 12.9 / solution.c_f_per_m[(0, 0)];
    let expected = share * 2e-3 * 2.0 / std::f64::consts::PI * 10f64.ln();
    near("fall of C over a decade", fall, expected, 0.02, "band edges of the relaxation", "Kramers-Kronig, local form");
    assert!(LineTable::new(solution, Some(Vec::new()), 90e9).is_err());
}
