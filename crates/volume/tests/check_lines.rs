//! Lines through wave ports against spectral-domain dispersion, and against the two-dimensional cross-section.
//!
//! Halves of symmetric lines on a grid: lines of cells along the strip's edges in both directions, a few cells along
//! the line.

mod common;
use common::*;
use lines::{CrossSection, Filling, LineBlock, LineSettings, LineTable, solve_lines};
use mixwright_volume::{Driven, Face, Medium, Model, PlanMesh, PortShape, PrismMesh, Surface};
use network::FrequencyResponse;
use numerics::{CMatrix, Complex64, Quiet};
use proof::{CheckValue, Origin};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use std::f64::consts::TAU;

/// Places from `low` to `high` through `marks`, cells growing by `ratio` away from those that are edges.
fn graded(low: f64, high: f64, edges: &[f64], least: f64, ratio: f64) -> Vec<f64> {
    let mut marks: Vec<f64> = edges.iter().copied().chain([low, high]).collect();
    marks.sort_by(f64::total_cmp);
    marks.dedup_by(|a, b| (*a - *b).abs() < 1e-9 * (high - low));
    let is_edge = |x: f64| edges.iter().any(|e| (e - x).abs() < 1e-9 * (high - low));
    let mut out = vec![low];
    for pair in marks.windows(2) {
        let length = pair[1] - pair[0];
        let reach = if is_edge(pair[0]) && is_edge(pair[1]) { 0.5 * length } else { length };
        let side = || {
            let (mut at, mut step, mut out) = (0.0, least, vec![]);
            while at + 1.4 * step < reach {
                at += step;
                out.push(at);
                step *= ratio;
            }
            out
        };
        let mut cuts: Vec<f64> = vec![];
        if is_edge(pair[0]) {
            cuts.extend(side().iter().map(|d| pair[0] + d));
        }
        if is_edge(pair[1]) {
            cuts.extend(side().iter().rev().map(|d| pair[1] - d));
        }
        cuts.sort_by(f64::total_cmp);
        out.extend(cuts);
        out.push(pair[1]);
    }
    out
}

/// Half of a symmetric line: layers (top, permittivity), strips (half width, heights), all in metre.
struct HalfLine<'a> {
    layers: &'a [(f64, Medium)],
    strips: &'a [(f64, [f64; 2])],
    surface: Option<Surface>,
    far: f64,
    length: f64,
    /// Smallest cell at edges, growth from cell to cell, cells along the line.
    cells: (f64, f64, usize),
}

impl HalfLine<'_> {
    fn model(&self) -> Model {
        let (least, ratio, along) = self.cells;
        let xs = graded(0.0, self.far, &self.strips.iter().map(|s| s.0).collect::<Vec<_>>(), least, ratio);
        let ys: Vec<f64> = (0..=along).map(|k| self.length * k as f64 / along as f64).collect();
        let mut heights: Vec<f64> = self.strips.iter().flat_map(|s| s.1).collect();
        heights.dedup();
        let top = self.layers.last().expect("a layer").0;
        let mut zs = graded(0.0, top, &heights, least, ratio);
        let apart = |t: &f64| zs.iter().all(|z| (z - t).abs() > 1e-9 * top);
        let interfaces: Vec<f64> = self.layers.iter().map(|l| l.0).filter(apart).collect();
        zs.extend(interfaces);
        zs.sort_by(f64::total_cmp);
        let mut mesh = PrismMesh::new(PlanMesh::grid(&xs, &ys).expect("a grid"), zs.clone());
        let (n, levels) = (mesh.n_layers(), mesh.n_levels());
        mesh.mark_rim(Face::Electric);
        mesh.mark_rim_where(Face::Open, |_, d| d[0] < -0.5 || d[1].abs() > 0.5);
        let face = if self.surface.is_some() { Face::Surface(0) } else { Face::Electric };
        for t in 0..mesh.plan.triangles.len() {
            let x = mesh.plan.centre(t)[0];
            for l in 0..n {
                let z = 0.5 * (zs[l] + zs[l + 1]);
                let layer = self.layers.iter().position(|layer| z < layer.0).expect("inside");
                let metal = self.strips.iter().any(|s| x < s.0 && z > s.1[0] && z < s.1[1]);
                mesh.media[t * n + l] = (!metal).then_some(layer as u16);
            }
            for strip in self.strips.iter().filter(|s| s.1[0] == s.1[1] && x < s.0) {
                let level = zs.iter().position(|z| *z == strip.1[0]).expect("a level");
                mesh.flat_faces[t * levels + level] = face;
            }
        }
        mesh.mark_metal(|_, _| face);
        let at = |y: f64| -> Vec<u32> {
            let on = |e: usize| mesh.plan.edges[e].iter().all(|&v| (mesh.plan.points[v as usize][1] - y).abs() < 1e-12);
            (0..mesh.plan.edges.len()).filter(|&e| on(e)).map(|e| e as u32).collect()
        };
        let n_modes = self.strips.len();
        let ports =
            [0.0, self.length].map(|y| PortShape::Wave { edges: at(y), n_modes, shift_m: 0.0, path: None }).to_vec();
        Model {
            mesh,
            media: self.layers.iter().map(|l| l.1).collect(),
            surfaces: self.surface.into_iter().collect(),
            ports,
        }
    }
}

fn eps_eff(beta: f64, freq_hz: f64) -> f64 {
    (beta * LIGHT_SPEED_M_PER_S / (TAU * freq_hz)).powi(2)
}

#[test]
fn microstrip_slows_down_with_frequency_to_two_thousandths() {
    let how = "spectral-domain Galerkin solution with edge-singular currents, two orders agree to 3e-7; method of T. \
               Itoh, R. Mittra, IEEE Trans. MTT-21 (1973) 496-499";
    // one structure after another, so that each is meshed and numbered once
    let mut ready: Option<([f64; 3], Driven)> = None;
    for quantity in rows("2d.ms_disp").iter().map(|r| r.0) {
        let (eps, h, w) = (after(quantity, "er="), after(quantity, " h=") * MM, after(quantity, "w=") * MM);
        let freq_hz = after(quantity, "f=") * 1e9;
        let mut line = match ready.take() {
            Some((key, line)) if key == [eps, h, w] => line,
            _ => driven(
                HalfLine {
                    layers: &[(h, Medium::lossless(eps)), (25.0 * h, Medium::AIR)],
                    strips: &[(0.5 * w, [h, h])],
                    surface: None,
                    far: 25.0 * h,
                    length: 0.2 * h,
                    cells: (1.5e-3 * h, 3.0, 1),
                }
                .model(),
            ),
        };
        let lines = line.port_lines(freq_hz).expect("modes");
        check("2d.ms_disp", quantity, eps_eff(lines[0].beta.expect("a wave").re, freq_hz), how);
        ready = Some(([eps, h, w], line));
    }
}

const UM: f64 = 1e-6;

/// The stacked pair of the demonstration, strips of 40 and 32 um with a film of 15 um between.
fn pair(surface: Option<Surface>, length: f64, cells: (f64, f64, usize), far: f64) -> Model {
    let polymer = Medium::lossless(2.9);
    HalfLine {
        layers: &[(200.0 * UM, Medium::lossless(3.8)), (224.0 * UM, polymer), (500.0 * UM, Medium::AIR)],
        strips: &[(20.0 * UM, [200.0 * UM, 203.0 * UM]), (16.0 * UM, [218.0 * UM, 221.0 * UM])],
        surface,
        far,
        length,
        cells,
    }
    .model()
}

fn pair_section(metal: lines::Surface, walls: f64) -> CrossSection {
    let strip = |name: &str, half: f64, y: [f64; 2]| {
        lines::Conductor::strip(name, [-half * UM, half * UM], y.map(|y| y * UM), metal)
    };
    let polymer = Filling::lossless(2.9);
    let layers = [(200.0 * UM, Filling::lossless(3.8)), (224.0 * UM, polymer), (500.0 * UM, Filling::lossless(1.0))];
    let strips = vec![strip("lower", 20.0, [200.0, 203.0]), strip("upper", 16.0, [218.0, 221.0])];
    let perfect = lines::Surface::PERFECT;
    CrossSection {
        lid: Some((500.0 * UM, perfect)),
        walls_m: Some([-walls, walls]),
        ..CrossSection::over_ground(&layers, strips)
    }
}

#[test]
fn stacked_pair_has_the_two_velocities_of_its_cross_section() {
    let how = "two-dimensional high-order elements, two resolutions agree to 1e-5";
    let f = 0.5e9;
    let lines = driven(pair(None, 5.0 * UM, (0.4 * UM, 2.2, 1), 2000.0 * UM)).port_lines(f).expect("modes");
    let mut found: Vec<f64> = lines[..2].iter().map(|l| eps_eff(l.beta.expect("a wave").re, f)).collect();
    found.sort_by(f64::total_cmp);
    check("2d.stack_A15", "mode_eeff_1", found[0], how);
    check("2d.stack_A15", "mode_eeff_2", found[1], how);
}

/// Four-port of the pair by both roads; halves carry half the current, so the reference is doubled.
fn both_roads(surface: Option<Surface>, metal: lines::Surface, length: f64, freqs_hz: &[f64]) -> Vec<[CMatrix; 2]> {
    let walls = 600.0 * UM;
    let cells = ((length / 100e-6).ceil() as usize).max(2);
    let model = pair(surface, length, (0.75 * UM, 3.0, cells), walls);
    let strips = [[0.0, 200.0 * UM], [0.0, 218.0 * UM]];
    let paths: Vec<_> =
        (0..2).map(|port| strips.map(|z| model.upright_path(port, 0.0, z).expect("a path")).to_vec()).collect();
    let mut driven = driven(model);
    let section = pair_section(metal, walls);
    let (solution, _) =
        solve_lines(&section, &LineSettings { tolerance: 1e-4, ..LineSettings::default() }).expect("solvable");
    let block = LineBlock::new(LineTable::new(solution, None, 100e9).expect("a table"), length, 50.0);
    let both = |&f: &f64| {
        let field = driven.line_scattering(f, &paths, 100.0, &Quiet).expect("a solution");
        [field, block.scattering(f).expect("a line")]
    };
    freqs_hz.iter().map(both).collect()
}

#[test]
fn length_of_the_pair_is_the_four_port_of_the_cross_section() {
    let freqs = [1e9, 5e9, 10e9, 28e9];
    let found = both_roads(None, lines::Surface::PERFECT, 400.0 * UM, &freqs);
    // Longitudinal fields, which the cross-section leaves out, change the pair over 200 um of silica by the square of
    // the frequency and more; they are below 1e-3 up to 10 GHz and the largest part of the difference above.
    for ((f, [field, line]), within) in freqs.iter().zip(found).zip([2e-4, 5e-4, 1.5e-3, 1.5e-2]) {
        CheckValue {
            what: &format!("largest difference of S between volume and cross-section at {f:.1e} Hz"),
            expected: 0.0,
            within,
            because: "second-order cells of 0.75 um at the edges, and dispersion above 10 GHz",
            origin: Origin::Derived { how: "two roads: volume with two modes a port, matrices of the cross-section" },
        }
        .check((&field - &line).max_abs());
    }
}

#[test]
fn gold_costs_the_pair_power_by_both_roads() {
    // twice the area over the rim, so that the faces together conduct like the whole strip at direct current
    let (conductivity_s_per_m, thickness_m) = (4.1e7, 2.77 * UM);
    let gold = Surface::Conductor { conductivity_s_per_m, thickness_m, roughness_m: 0.0 };
    let freqs = [2e9, 10e9, 40e9];
    let found = both_roads(Some(gold), lines::Surface::smooth(conductivity_s_per_m), 200.0 * UM, &freqs);
    // One impedance for all faces of a strip knows nothing of the corners, behind which there is little metal: the
    // volume loses less than the cross-section, which agrees with the field solved inside the metal (below).
    for ((f, [field, line]), short) in freqs.iter().zip(found).zip([0.06, 0.2, 0.1]) {
        for port in 0..2 {
            let lost = |s: &CMatrix| 1.0 - (0..4).map(|p| s[(p, port)].norm_sqr()).sum::<f64>();
            CheckValue {
                what: &format!("power lost from port {} at {f:.1e} Hz", port + 1),
                expected: lost(&line),
                within: short * lost(&line),
                because: "corners, worst where the strip is some skin depths thick",
                origin: Origin::Derived { how: "two roads: surface impedance in the volume, R of the cross-section" },
            }
            .check(lost(&field));
        }
    }
}

/// Attenuation of a strip by the field inside its metal, cells of a fifth of a micrometre, against the cross-section.
#[test]
fn resistance_of_the_cross_section_is_that_of_the_field_inside_the_metal() {
    let (conductivity_s_per_m, h) = (4.1e7, 20.0 * UM);
    let strip = [h, h + 3.0 * UM];
    let gold = lines::Surface::smooth(conductivity_s_per_m);
    let layers = [(h, Filling::lossless(3.8)), (10.0 * h, Filling::lossless(1.0))];
    let line = lines::Conductor::strip("strip", [-20.0 * UM, 20.0 * UM], strip, gold);
    let section = CrossSection {
        lid: Some((10.0 * h, lines::Surface::PERFECT)),
        walls_m: Some([-10.0 * h, 10.0 * h]),
        ..CrossSection::over_ground(&layers, vec![line])
    };
    let settings = LineSettings { tolerance: 1e-4, ..LineSettings::default() };
    let (solution, _) = solve_lines(&section, &settings).expect("solvable");
    let mut model = HalfLine {
        layers: &[(h, Medium::lossless(3.8)), (10.0 * h, Medium::AIR)],
        strips: &[(20.0 * UM, strip)],
        surface: None,
        far: 10.0 * h,
        length: 2.0 * UM,
        cells: (0.2 * UM, 2.0, 1),
    }
    .model();
    // the metal becomes a medium, with no marked faces
    model.media.push(Medium { conductivity_s_per_m, ..Medium::AIR });
    let mesh = &mut model.mesh;
    mesh.media.iter_mut().filter(|m| m.is_none()).for_each(|m| *m = Some(2));
    mesh.flat_faces.fill(Face::Open);
    mesh.upright_faces.fill(Face::Open);
    mesh.mark_rim(Face::Electric);
    mesh.mark_rim_where(Face::Open, |_, d| d[0] < -0.5 || d[1].abs() > 0.5);
    let mut driven = driven(model);
    for f in [10e9, 40e9] {
        let beta = driven.port_lines(f).expect("modes")[0].beta.expect("a wave");
        let m = solution.at(f).expect("solvable");
        let series = Complex64::new(m.r[(0, 0)], TAU * f * m.l[(0, 0)]);
        let found = (series * Complex64::new(0.0, TAU * f * m.c[(0, 0)])).sqrt();
        CheckValue {
            what: &format!("attenuation of the cross-section at {f:.1e} Hz, neper per metre"),
            expected: -beta.im,
            within: 5e-3 * -beta.im,
            because: "cells of a quarter and half a skin depth at the corners change the field inside by 0.4 %",
            origin: Origin::Derived { how: "mode of the port plane with the field solved inside the metal" },
        }
        .check(found.re);
    }
}
