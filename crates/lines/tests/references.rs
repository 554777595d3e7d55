//! Against independent numerical truth: thick stripline, microstrip, layers, coupled and coplanar lines, boxes.

mod common;
use common::*;
use mixwright_lines::{Conductor, CrossSection, Filling, Layer, Surface};

const BECAUSE: &str = "the solver is asked for 1e-3";

#[test]
fn thick_stripline() {
    let cases =
        [(0.2, 0.1, 119.462), (0.5, 0.05, 90.2755), (0.5, 0.1, 83.0664), (1.0, 0.1, 55.6999), (1.0, 0.25, 45.2975)];
    for (w, t, z) in cases {
        let section = between(1.0, 1.0, vec![strip([-0.5 * w, 0.5 * w], [0.5 - 0.5 * t, 0.5 + 0.5 * t])]);
        near("thick stripline, ohm", single(&section).0, z, 1e-3, BECAUSE, FEM);
    }
}

#[test]
fn broadside_coupled_stripline() {
    let cases = [(0.5, 0.2, 148.9832, 45.7453), (0.2, 0.3, 191.1243, 101.4185), (0.5, 0.5, 100.4325, 65.35362)];
    for (w, s, even, odd) in cases {
        let at = |y: f64| sheet([-0.5 * w, 0.5 * w], y);
        let found = even_odd(&between(1.0, 1.0, vec![at(0.5 - 0.5 * s), at(0.5 + 0.5 * s)]));
        near("even, ohm", found[0], even, 5e-4, "tolerance stated with the reference", FEM);
        near("odd, ohm", found[1], odd, 5e-4, "tolerance stated with the reference", FEM);
    }
}

#[test]
fn open_microstrip() {
    let cases = [
        (2.2, 0.1, 202.578, 1.68239),
        (2.2, 0.5, 126.647, 1.73254),
        (2.2, 1.0, 94.9082, 1.7744),
        (2.2, 2.0, 65.7021, 1.83612),
        (2.2, 5.0, 35.4463, 1.93958),
        (2.2, 10.0, 20.4383, 2.01619),
        (3.8, 0.1, 163.586, 2.58002),
        (3.8, 0.5, 101.574, 2.69342),
        (3.8, 1.0, 75.6891, 2.78992),
        (3.8, 2.0, 51.9727, 2.93434),
        (3.8, 5.0, 27.6853, 3.17946),
        (3.8, 10.0, 15.8273, 3.36207),
        (9.8, 0.1, 107.902, 5.92994),
        (9.8, 0.5, 66.5465, 6.27508),
        (9.8, 1.0, 49.3058, 6.57449),
        (9.8, 2.0, 33.5795, 7.02929),
        (9.8, 5.0, 17.6635, 7.81081),
        (9.8, 10.0, 10.0153, 8.39641),
        (12.9, 0.1, 94.9459, 7.65881),
        (12.9, 0.5, 58.4894, 8.12299),
        (12.9, 1.0, 43.2944, 8.52697),
        (12.9, 2.0, 29.4446, 9.14215),
        (12.9, 5.0, 15.4559, 10.2014),
        (12.9, 10.0, 8.75174, 10.9959),
    ];
    for (eps, u, z, eff) in cases {
        let (found, found_eff) = single(&on_substrate(1e-3, eps, vec![sheet([-0.5e-3 * u, 0.5e-3 * u], 1e-3)]));
        near("microstrip, ohm", found, z, 1e-3, BECAUSE, FEM);
        near("effective permittivity", found_eff, eff, 1e-3, BECAUSE, FEM);
    }
}

/// Within the accuracy its authors state: impedance in air 0.01 % (u ≤ 1), effective permittivity 0.2 %.
/// E. Hammerstad, Ø. Jensen, IEEE MTT-S Digest 1980, 407-409 (memory of the constants).
#[test]
fn hammerstad_jensen_microstrip() {
    for (eps, u) in [(2.2, 0.5), (9.8, 1.0), (9.8, 2.0), (12.9, 0.1), (12.9, 1.0)] {
        let f = 6.0 + (std::f64::consts::TAU - 6.0) * (-(30.666f64 / u).powf(0.7528)).exp();
        let z_air = 376.730_313_668 / std::f64::consts::TAU * (f / u + (1.0 + (2.0f64 / u).powi(2)).sqrt()).ln();
        let a = 1.0
            + ((u.powi(4) + (u / 52.0f64).powi(2)) / (u.powi(4) + 0.432)).ln() / 49.0
            + (1.0 + (u / 18.1f64).powi(3)).ln() / 18.7;
        let b = 0.564 * ((eps - 0.9f64) / (eps + 3.0)).powf(0.053);
        let eff = 0.5 * (eps + 1.0) + 0.5 * (eps - 1.0) * (1.0 + 10.0 / u).powf(-a * b);
        let (found, found_eff) = single(&on_substrate(1e-3, eps, vec![sheet([-0.5e-3 * u, 0.5e-3 * u], 1e-3)]));
        let how = "closed form of Hammerstad and Jensen";
        near("effective permittivity", found_eff, eff, 2.2e-3, "stated 0.2 %, found by others up to 0.217 %", how);
        near("impedance, ohm", found, z_air / eff.sqrt(), 1.2e-3, "half of that and 0.01 % of the air line", how);
    }
}

#[test]
fn thick_microstrip() {
    let cases = [
        (70.0, 100.0, 3.0, 12.9, 50.1072, 8.09248, 189.374, 475.466),
        (600.0, 635.0, 4.0, 9.8, 50.4653, 6.51022, 168.649, 429.507),
        (22.0, 9.0, 3.0, 2.65, 50.1794, 2.10518, 96.4492, 242.856),
        (260.0, 127.0, 3.0, 3.8, 50.7635, 2.92124, 112.308, 289.411),
    ];
    for (w, h, t, eps, z, eff, c, l) in cases {
        let section = on_substrate(h, eps, vec![strip([-0.5 * w, 0.5 * w], [h, h + t])]);
        let solution = solve(&section);
        let mode = &solution.modes().expect("modes")[0];
        near("impedance, ohm", mode.line_impedance_ohm(0), z, 1e-3, BECAUSE, FEM);
        near("effective permittivity", mode.eps_eff, eff, 1e-3, BECAUSE, FEM);
        near("C, pF/m", solution.c_f_per_m[(0, 0)] * 1e12, c, 1e-3, BECAUSE, FEM);
        near("L, nH/m", solution.l_h_per_m[(0, 0)] * 1e9, l, 1e-3, BECAUSE, FEM);
    }
}

#[test]
fn covered_embedded_suspended_inverted_and_two_layers() {
    let f = Filling::lossless;
    let at = |u: f64, y: f64| vec![sheet([-0.5 * u, 0.5 * u], y)];
    let lidded = |lid: f64, layers: &[(f64, Filling)], strips| CrossSection {
        lid: Some((lid, Surface::PERFECT)),
        ..CrossSection::over_ground(layers, strips)
    };
    let open = |layers: &[(f64, Filling)], strips| CrossSection::over_ground(layers, strips);
    let cases = [
        ("covered", lidded(3.0, &[(1.0, f(9.8)), (3.0, AIR)], at(1.0, 1.0)), 46.8148, 6.05612),
        ("embedded", open(&[(2.0, f(2.65)), (UP, AIR)], at(2.0, 1.0)), 56.4168, 2.49026),
        ("suspended", open(&[(1.0, AIR), (1.5, f(3.8)), (UP, AIR)], at(4.0, 1.5)), 63.2759, 1.40927),
        ("inverted", open(&[(1.0, AIR), (1.5, f(3.8)), (UP, AIR)], at(4.0, 1.0)), 53.1067, 1.18125),
        (
            "suspended in a box",
            lidded(3.0, &[(1.25, AIR), (1.75, f(3.8)), (3.0, AIR)], at(2.0, 1.75)),
            70.7029,
            1.39224,
        ),
        ("two layers", open(&[(1.0, f(12.9)), (1.1, f(2.65)), (UP, AIR)], at(1.0, 1.1)), 57.7119, 5.21974),
    ];
    for (name, section, z, eff) in cases {
        let (found, found_eff) = single(&section);
        near(name, found, z, 1e-3, BECAUSE, FEM);
        near(name, found_eff, eff, 1e-3, BECAUSE, FEM);
    }
}

#[test]
fn coupled_microstrip() {
    let cases = [
        (9.8, 1.0, 0.1, [65.2166, 26.8244, 7.06437, 5.56456]),
        (9.8, 1.0, 0.5, [59.6024, 37.3861, 7.14437, 5.71263]),
        (9.8, 0.5, 0.2, [90.7268, 38.8263, 6.66349, 5.47814]),
        (12.9, 0.5, 0.1, [82.7679, 28.9586, 8.59301, 7.02569]),
        (2.2, 1.0, 0.1, [127.757, 49.6604, 1.84085, 1.62356]),
        (2.65, 2.0, 0.2, [74.3977, 40.7921, 2.25947, 1.92503]),
        (1.0, 1.0, 0.5, [159.311, 89.3569, 1.0, 1.0]),
    ];
    for (eps, u, g, expected) in cases {
        let lines = vec![sheet([-0.5 * g - u, -0.5 * g], 1.0), sheet([0.5 * g, 0.5 * g + u], 1.0)];
        for (found, expected) in even_odd(&on_substrate(1.0, eps, lines)).into_iter().zip(expected) {
            near("even, odd; ohm, 1", found, expected, 1e-3, BECAUSE, FEM);
        }
    }
}

#[test]
fn coplanar_lines_on_a_slab() {
    let cases = [
        (2.0, 12.9, [46.4849, 6.71793], [43.1237, 7.18789]),
        (1.0, 12.9, [48.4427, 6.18589], [37.8062, 7.69648]),
        (1.0, 9.8, [54.7471, 4.84325], [42.9896, 5.9524]),
    ];
    for (h, eps, free, backed) in cases {
        let lines = |y: f64| {
            let end = 1e4;
            vec![sheet([-end, -1.0], y).grounded(), sheet([-0.5, 0.5], y), sheet([1.0, end], y).grounded()]
        };
        let slab = CrossSection {
            ground: None,
            lid: None,
            walls_m: None,
            fillings: vec![AIR, Filling::lossless(eps)],
            layers: [(-h, 0), (0.0, 1), (UP, 0)].map(|(top_m, filling)| Layer { top_m, filling }).to_vec(),
            conductors: lines(0.0),
        };
        let over = on_substrate(h, eps, lines(h));
        for (section, expected) in [(slab, free), (over, backed)] {
            let (z, eff) = single(&section);
            near("coplanar, ohm", z, expected[0], 1e-3, BECAUSE, FEM);
            near("coplanar, effective permittivity", eff, expected[1], 1e-3, BECAUSE, FEM);
        }
    }
}

#[test]
fn two_thick_conductors() {
    let lines = vec![strip([-4e-3, -1e-3], [1e-3, 2e-3]), strip([1e-3, 4e-3], [1e-3, 2e-3])];
    let s = solve(&on_substrate(1e-3, 2.0, lines));
    for (what, found, expected) in [
        ("C11, pF/m", s.c_f_per_m[(0, 0)] * 1e12, 93.647),
        ("C12, pF/m", s.c_f_per_m[(0, 1)] * 1e12, -8.60829),
        ("L11, nH/m", s.l_h_per_m[(0, 0)] * 1e9, 197.988),
        ("L12, nH/m", s.l_h_per_m[(0, 1)] * 1e9, 30.1931),
    ] {
        near(what, found, expected, 1e-3, BECAUSE, FEM);
    }
}

#[test]
fn bar_in_a_box() {
    let cases = [
        ([1.0, 0.2, 3.0, 1.0], 48.46356),
        ([1.0, 1.0, 3.0, 2.0], 44.06355),
        ([0.5, 0.1, 1.0, 0.4], 38.60525),
        ([2.0, 0.5, 3.0, 1.0], 18.33243),
    ];
    for ([w, t, width, height], z) in cases {
        let bar = strip([-0.5 * w, 0.5 * w], [0.5 * (height - t), 0.5 * (height + t)]);
        let walled = CrossSection { walls_m: Some([-0.5 * width, 0.5 * width]), ..between(height, 1.0, vec![bar]) };
        near("bar in a box, ohm", single(&walled).0, z, 1e-3, BECAUSE, FEM);
    }
}

/// Ground, silica 200 um, two films, air up to the lid at 500 um; two strips of 40 and 32 um, one above the other.
fn stack(gap_um: f64) -> CrossSection {
    let film = 203.0 + gap_um;
    let lower = Conductor::strip("lower", [-20e-6, 20e-6], [200e-6, 203e-6], Surface::PERFECT);
    let upper = Conductor::strip("upper", [-16e-6, 16e-6], [film * 1e-6, (film + 3.0) * 1e-6], Surface::PERFECT);
    let polymer = Filling::lossless(2.9);
    let layers = [(200e-6, Filling::lossless(3.8)), ((film + 6.0) * 1e-6, polymer), (500e-6, AIR)];
    CrossSection { lid: Some((500e-6, Surface::PERFECT)), ..CrossSection::over_ground(&layers, vec![lower, upper]) }
}

#[test]
fn stacked_pair_on_silica() {
    let cases = [
        (15.0, [121.3, -85.109, 97.946, 650.08, 508.81, 690.11, 2.3374, 3.041]),
        (12.0, [138.2, -102.22, 114.45, 649.17, 530.21, 686.72, 2.36339, 3.02223]),
        (10.8, [147.47, -111.55, 123.52, 648.77, 539.36, 685.09, 2.37527, 3.01377]),
    ];
    for (gap, expected) in cases {
        let s = solve(&stack(gap));
        let modes = s.modes().expect("modes");
        let (c, l) = (s.c_f_per_m.map(|x| x * 1e12), s.l_h_per_m.map(|x| x * 1e9));
        let found =
            [c[(0, 0)], c[(0, 1)], c[(1, 1)], l[(0, 0)], l[(0, 1)], l[(1, 1)], modes[0].eps_eff, modes[1].eps_eff];
        for (found, expected) in found.into_iter().zip(expected) {
            near("C, pF/m; L, nH/m; effective permittivity", found, expected, 1e-3, BECAUSE, FEM);
        }
    }
}
