//! Against exact solutions: coaxial lines, wires, stripline, coupled stripline, coplanar lines, air microstrip.
//! The solver is asked for 1e-3; every line here must then be within 1e-3, most are within 1e-5.

mod common;
use common::*;
use mixwright_lines::{Conductor, CrossSection, Filling, Layer, Outline, Surface};

#[test]
fn coaxial_lines() {
    let how = "(eta0/2pi) ln(b/a)/sqrt(er), Pozar, Microwave Engineering (memory), CODATA 2018 constants";
    for (eps, z) in [(1.0, 50.008_537_9), (2.1, 34.509_169_6)] {
        near("coaxial impedance, ohm", single(&round(1.52e-3, 0.0, 3.5e-3, eps)).0, z, 1e-7, "arcs are exact", how);
    }
    let solution = solve(&round(1.52e-3, 0.0, 3.5e-3, 2.1));
    near("C, F/m", solution.c_f_per_m[(0, 0)], 140.073_002e-12, 1e-8, "arcs are exact", how);
    near("L, H/m", solution.l_h_per_m[(0, 0)], 166.810_527e-9, 1e-8, "arcs are exact", how);
}

#[test]
fn eccentric_coaxial_lines() {
    let how = "(eta0/2pi) arccosh((a²+b²−e²)/2ab), Smythe, Static and Dynamic Electricity (memory)";
    for (offset, z) in [(0.0, 83.120_119), (0.6e-3, 77.022_972), (1.2e-3, 52.289_761)] {
        let section = round(0.5e-3, offset, 2e-3, 1.0);
        near("eccentric impedance, ohm", single(&section).0, z, 1e-4, "asked for 1e-3", how);
        let fine = solve_to(&section, 1e-7);
        near("refined, ohm", fine.modes().expect("modes")[0].line_impedance_ohm(0), z, 1e-7, "asked for 1e-7", how);
    }
}

#[test]
fn wire_over_ground_and_two_wires() {
    let how = "(eta0/2pi) arccosh(h/r), Smythe (memory)";
    let wire = |y: f64, reference: bool| Conductor {
        name: "wire".into(),
        outline: Outline::Wire { centre: [0.0, y], radius_m: 12.5e-6 },
        reference,
        surface: Surface::PERFECT,
    };
    let over = CrossSection::over_ground(&[(UP, AIR)], vec![wire(100e-6, false)]);
    near("wire over ground, ohm", single(&over).0, 166.004_64, 1e-5, "asked for 1e-3", how);
    near("its inductance, H/m", solve(&over).l_h_per_m[(0, 0)], 0.553_731_88e-6, 1e-5, "asked for 1e-3", how);
    let two = CrossSection { ground: None, conductors: vec![wire(200e-6, false), wire(0.0, true)], ..over };
    near("two wires, ohm", single(&two).0, 332.009_28, 1e-5, "asked for 1e-3", how);
}

#[test]
fn stripline_of_zero_thickness() {
    let how = "(eta0/4) K(k)/K(k'), k = sech(pi w/2b), S. B. Cohn, IRE Trans. MTT-2 (1954) 52-57 (memory)";
    for (w, z) in [(0.2, 153.029_273), (0.5, 100.432_451), (1.0, 65.353_625_1), (2.0, 38.579_322_6)] {
        let section = between(1e-3, 1.0, vec![sheet([-0.5e-3 * w, 0.5e-3 * w], 0.5e-3)]);
        near("stripline, ohm", single(&section).0, z, 1e-4, "asked for 1e-3", how);
    }
}

#[test]
fn edge_coupled_stripline() {
    let how = "ke = tanh(pi w/2b) tanh(pi(w+s)/2b), ko with coth, S. B. Cohn, IRE Trans. MTT-3 (1955) 29-38 (memory)";
    let cases = [
        (0.5, 0.1, 122.885_665, 69.866_090_7),
        (1.0, 0.02, 76.541_464_6, 40.395_418_7),
        (0.3, 0.3, 149.164_741, 107.785_174),
        (0.8, 0.05, 90.157_713, 50.817_885_9),
    ];
    for (w, s, even, odd) in cases {
        let (a, b) = (0.5e-3 * s, 0.5e-3 * s + 1e-3 * w);
        let section = between(1e-3, 1.0, vec![sheet([-b, -a], 0.5e-3), sheet([a, b], 0.5e-3)]);
        let found = even_odd(&section);
        near("even, ohm", found[0], even, 1e-4, "asked for 1e-3", how);
        near("odd, ohm", found[1], odd, 1e-4, "asked for 1e-3", how);
    }
}

#[test]
fn coplanar_line_on_a_half_space() {
    let how = "(eta0/4) K(k')/K(k)/sqrt((er+1)/2), k = a/b, C. P. Wen, IEEE Trans. MTT-17 (1969) 1087-1090 (memory)";
    for (a, z) in [(50.0, 45.702_244_3), (25.0, 62.693_777_8), (80.0, 31.346_888_9)] {
        // grounds end at ten thousand slot widths instead of infinity
        let end = 1e6;
        let section = CrossSection {
            ground: None,
            lid: None,
            walls_m: None,
            fillings: vec![Filling::lossless(12.9), AIR],
            layers: vec![Layer { top_m: 0.0, filling: 0 }, Layer { top_m: UP, filling: 1 }],
            conductors: vec![
                sheet([-end, -100.0], 0.0).grounded(),
                sheet([-a, a], 0.0),
                sheet([100.0, end], 0.0).grounded(),
            ],
        };
        let (found, eps) = single(&section);
        near("coplanar, ohm", found, z, 2e-4, "asked for 1e-3", how);
        near("effective permittivity", eps, 6.95, 1e-6, "(er+1)/2 by symmetry", how);
    }
}

#[test]
fn air_microstrip_of_zero_thickness() {
    let how = "A. E. H. Love, Proc. London Math. Soc. 22 (1923) 337, Jacobi zeta (memory), evaluated to 30 digits";
    let cases = [
        (0.1, 262.758_43),
        (0.5, 166.699_799),
        (1.0, 126.423_868),
        (2.0, 89.028_749_9),
        (5.0, 49.365_708),
        (10.0, 29.020_885_4),
    ];
    for (u, z) in cases {
        let section = CrossSection::over_ground(&[(UP, AIR)], vec![sheet([-0.5e-3 * u, 0.5e-3 * u], 1e-3)]);
        near("air microstrip, ohm", single(&section).0, z, 1e-4, "asked for 1e-3", how);
        // homogeneous fill: Z over sqrt(er), exactly
        let filled = CrossSection { fillings: vec![Filling::lossless(2.65)], ..section.clone() };
        let (z_filled, eps) = single(&filled);
        assert!((eps - 2.65).abs() < 1e-9 && (z_filled * 2.65f64.sqrt() / single(&section).0 - 1.0).abs() < 1e-10);
    }
}

#[test]
fn square_coaxial_line() {
    let how = "Schwarz-Christoffel map, F. Bowman, Introduction to Elliptic Functions (1953) 99-104 (memory)";
    let cases = [
        (0.1, 2.839777419),
        (0.2, 4.134487024),
        (0.3, 5.632828001),
        (0.4, 7.56153154),
        (0.5, 10.23409257),
        (0.6, 14.23487968),
        (0.7, 20.90158168),
        (0.8, 34.2349152),
        (0.9, 74.2349152),
    ];
    for (ratio, c) in cases {
        let square = |half: f64| vec![[-half, -half], [half, -half], [half, half], [-half, half]];
        let part = |outline, reference| Conductor { name: "bar".into(), outline, reference, surface: Surface::PERFECT };
        let section = CrossSection {
            ground: None,
            lid: None,
            walls_m: None,
            fillings: vec![AIR],
            layers: vec![Layer { top_m: UP, filling: 0 }],
            conductors: vec![part(Outline::Solid(square(1e-3 * ratio)), false), part(Outline::Box(square(1e-3)), true)],
        };
        let found = solve(&section).c_f_per_m[(0, 0)] / 8.854_187_812_8e-12;
        near("C over eps0", found, c, 2e-4, "asked for 1e-3", how);
    }
}
