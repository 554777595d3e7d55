//! Strips as foils against the field solved inside their metal, in the plane of a port.
//!
//! `cargo test --release -p mixwright-volume --lib -- --ignored --nocapture share_of_the_side` prints the share of the
//! side that makes both agree, from which the table in `model` was made.

use crate::model::{Face, Medium, Model, PrismMesh, Surface, edge_share, skin_depth_m};
use crate::modes::port_modes;
use crate::space::{Formulation, Space};
use crate::system::wavenumber;
use crate::{Order, PlanMesh};
use numerics::Complex64;
use proof::{CheckValue, Origin};

const UM: f64 = 1e-6;
const FREQ_HZ: f64 = 20e9;
const THICKNESS: f64 = 3.0 * UM;

/// Right half of a line between a ground and a wall far away: strips (half width, lower height).
struct Half<'a> {
    strips: &'a [(f64, f64)],
    far: f64,
    top: f64,
    /// Thickness of the metal in skin depths at [`FREQ_HZ`], by its conductivity.
    depths: f64,
}

#[derive(Clone, Copy, PartialEq)]
enum Metal {
    Inside,
    Foil,
    /// A foil whose sides have this share of the admittance of thick metal.
    Side(Complex64),
}

/// Places from `low` to `high` through `marks`, fine there.
fn places(low: f64, high: f64, marks: &[f64], least: f64) -> Vec<f64> {
    let mut all: Vec<f64> = marks.iter().copied().chain([low, high]).collect();
    all.sort_by(f64::total_cmp);
    all.dedup_by(|a, b| (*a - *b).abs() < 1e-12);
    let fine = |x: f64| marks.iter().any(|m| (m - x).abs() < 1e-12);
    let mut out = vec![low];
    for pair in all.windows(2) {
        let length = pair[1] - pair[0];
        let near = |on: bool, d: f64| if on { least + 0.7 * d } else { f64::INFINITY };
        let size = |s: f64| near(fine(pair[0]), s).min(near(fine(pair[1]), length - s));
        let n = 2000;
        let mut sum = vec![0.0];
        for k in 0..n {
            sum.push(sum[k] + length / n as f64 / size((k as f64 + 0.5) / n as f64 * length));
        }
        let cells = (sum[n] - 0.2).ceil().max(1.0);
        out.extend((1..cells as usize).map(|i| {
            let k = sum.partition_point(|s| *s < sum[n] * i as f64 / cells);
            pair[0] + length * k as f64 / n as f64
        }));
        out.push(pair[1]);
    }
    out
}

impl Half<'_> {
    fn conductivity(&self) -> f64 {
        (self.depths / (THICKNESS / skin_depth_m(FREQ_HZ, 1.0))).powi(2)
    }

    /// Square of the phase constant over the wavenumber.
    fn beta2(&self, metal: Metal) -> Complex64 {
        let sigma = self.conductivity();
        let least = THICKNESS * (0.3 / self.depths).min(0.15);
        let xs = places(0.0, self.far, &self.strips.iter().map(|s| s.0).collect::<Vec<_>>(), least);
        let heights: Vec<f64> = self.strips.iter().flat_map(|s| [s.1, s.1 + THICKNESS]).collect();
        let zs = places(0.0, self.top, &heights, least);
        let mut mesh = PrismMesh::new(PlanMesh::grid(&xs, &[0.0, 20.0 * UM]).expect("a grid"), zs.clone());
        mesh.mark_rim(Face::Electric);
        mesh.mark_rim_where(Face::Open, |_, d| d[0] < -0.5 || d[1].abs() > 0.5);
        // Loss so small that it only says there is some.
        mesh.mark_rim_where(Face::Surface(5), |_, d| d[2] > 0.5);
        let n = mesh.n_layers();
        for t in 0..mesh.plan.triangles.len() {
            let x = mesh.plan.centre(t)[0];
            for l in 0..n {
                let z = (zs[l] + zs[l + 1]) / 2.0;
                if self.strips.iter().any(|s| x < s.0 && z > s.1 && z < s.1 + THICKNESS) {
                    mesh.media[t * n + l] = if metal == Metal::Inside { Some(1) } else { None };
                }
            }
        }
        if metal != Metal::Inside {
            mesh.mark_metal(|_, _| Face::Surface(0));
            let sides = mesh.upright_faces.iter_mut().filter(|f| **f == Face::Surface(0));
            sides.for_each(|f| *f = Face::Surface(3));
        }
        let (conductivity_s_per_m, thickness_m, roughness_m) = (sigma, THICKNESS, 0.0);
        let side = match metal {
            Metal::Side(share) => {
                let thick = Complex64::new(1.0, 1.0) / (sigma * skin_depth_m(FREQ_HZ, sigma));
                Surface::Given { admittance_s: share / thick }
            }
            _ => Surface::FoilEdge { conductivity_s_per_m, thickness_m, roughness_m },
        };
        let surfaces = vec![
            Surface::FoilSum { conductivity_s_per_m, thickness_m, roughness_m },
            Surface::FoilDifference { conductivity_s_per_m, thickness_m, roughness_m },
            Surface::FoilAlone { conductivity_s_per_m, thickness_m, roughness_m },
            side,
            Surface::Conductor { conductivity_s_per_m, thickness_m, roughness_m },
            Surface::Conductor { conductivity_s_per_m: 1e16, thickness_m: f64::INFINITY, roughness_m },
        ];
        let media = vec![Medium::AIR, Medium { conductivity_s_per_m, ..Medium::AIR }];
        let model = Model { mesh, media, surfaces, ports: vec![] };
        let plan = &model.mesh.plan;
        let on_plane = |e: &u32| plan.edges[*e as usize].iter().all(|&v| plan.points[v as usize][1] == 0.0);
        let edges: Vec<u32> = (0..plan.edges.len() as u32).filter(on_plane).collect();
        let space = Space::new(&model.mesh, &model.surfaces, Order::Second, Formulation::Field);
        let mode = port_modes(&model, &space, &edges, 1, FREQ_HZ).expect("a mode").swap_remove(0);
        (mode.beta / wavenumber(FREQ_HZ)).powi(2)
    }
}

/// Of `β²/k² = 1 + L_inside/L − jR/ωL` the ratio of both resistances.
fn resistances(half: &Half<'_>) -> f64 {
    half.beta2(Metal::Foil).im / half.beta2(Metal::Inside).im
}

#[test]
fn a_foil_loses_what_the_field_inside_its_metal_loses() {
    let alone = [(20.0 * UM, 20.0 * UM)];
    let stacked = [(16.0 * UM, 15.0 * UM), (20.0 * UM, 40.0 * UM)];
    for (what, strips, depths, found) in [
        ("40 by 3 µm strip, 0.4 skin depths", &alone[..], 0.4, "0.1 %"),
        ("40 by 3 µm strip, 2 skin depths", &alone[..], 2.0, "0.5 %"),
        ("40 by 3 µm strip, 5.6 skin depths", &alone[..], 5.6, "0.2 %"),
        ("32 and 40 by 3 µm strips, 3.2 skin depths", &stacked[..], 3.2, "0.9 %"),
    ] {
        let half = Half { strips, far: 120.0 * UM, top: 100.0 * UM, depths };
        CheckValue {
            what: &format!("resistance of the {what}, over that of the field inside"),
            expected: 1.0,
            within: 0.015,
            because: &format!("one table for the sides of all strips; {found} was found"),
            origin: Origin::Derived { how: "second-order elements inside the metal, cells of a third of a skin depth" },
        }
        .check(resistances(&half));
    }
}

#[test]
#[ignore = "makes the table of shares in `model`, takes minutes"]
fn share_of_the_side() {
    for height in [20.0, 100.0] {
        for depths in [0.2, 0.4, 0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.6, 8.0, 11.0, 16.0] {
            let strips = [(20.0 * UM, height * UM)];
            let half = Half { strips: &strips, far: (100.0 + height) * UM, top: (80.0 + height) * UM, depths };
            let wanted = half.beta2(Metal::Inside);
            let at = |share: Complex64| half.beta2(Metal::Side(share)) - wanted;
            let (mut a, mut b) = (Complex64::new(1.0, 0.0), Complex64::new(0.8, 0.05));
            let (mut ea, mut eb) = (at(a), at(b));
            for _ in 0..4 {
                let c = b - eb * (b - a) / (eb - ea);
                (a, ea) = (b, eb);
                (b, eb) = (c, at(c));
            }
            let table = edge_share(depths);
            eprintln!("height {height:3} µm, {depths:5.2} skin depths: {b:.4}, table {table:.4}");
        }
    }
}
