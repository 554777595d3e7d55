//! Resistance and internal inductance: currents on metal of finite conductivity.
//!
//! Every face carries the local surface impedance `Z = (1+j) R_s coth((1+j) d/δ)`, where `d` is the depth of metal
//! behind it, up to the middle line of the conductor (the points equally far from two faces). This is exact in
//! both limits: far above the skin depth it is the surface impedance of thick metal, far below the depths add up
//! to the whole area, so that the direct-current resistance is exact. Round wires and shields use the solution of
//! the radial equation. With it the current follows from
//! `Z J + jωμ₀ ∫ G J = voltage drop per metre`, so that crowding and proximity at any frequency are included.
//! The ground plane is treated as thick metal under the current it carries at high frequency.
//! Roughness multiplies the impedance by `1 + (2/π) atan(1.4 (Δ/δ)²)`.
//! Source: E. Hammerstad, Ø. Jensen, "Accurate models for microstrip computer-aided design", IEEE MTT-S Digest
//! 1980, 407-409 (roughness; memory); S. A. Schelkunoff, Bell Syst. Tech. J. 13 (1934) 532-579 (round shields).
//! Not here: sheets without thickness (their loss at the edge has no limit), walls thinner than the skin depth.

use crate::LinesError;
use crate::kernel::{gauss_rule, legendre};
use crate::mesh::{Grading, Mesh, Metal, Run, build};
use crate::section::{CrossSection, Outline, Surface, turn};
use crate::solution::{inverse, product};
use crate::solve::{Charges, Discrete};
use numerics::linear::Lu;
use numerics::{CMatrix, Complex64, RMatrix};
use quantity::constants::VACUUM_PERMEABILITY_H_PER_M;
use std::f64::consts::{PI, TAU};

/// Frequency below which the current no longer changes, hertz: ωL is then a millionth of any strip's resistance.
const FREQ_MIN_HZ: f64 = 1e-2;
/// Skin depths after which metal is as good as infinitely thick: exp(−24) is 4e-11.
const DEEP: f64 = 12.0;

/// Mesh of the currents: cut towards corners down to 1.5 % of the thickness, where the current no longer follows
/// the field of ideal metal but falls to zero with the depth behind it.
const GRADING: Grading = Grading { reach: 1.5, tip_cuts: 4 };
/// Polynomials of the currents on each of those panels.
const POLYNOMIALS: usize = 3;

/// What lies behind a point of metal.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Behind {
    Perfect,
    /// Flat metal of this depth.
    Flat {
        surface: Surface,
        depth_m: f64,
    },
    /// Solid wire of this radius.
    Wire {
        surface: Surface,
        radius_m: f64,
    },
    /// Round shield.
    Shield {
        surface: Surface,
        radius_m: f64,
        wall_m: f64,
    },
}

/// Potentials of currents on all metal, and what lies behind every point.
#[derive(Debug, Clone)]
pub(crate) struct MetalProblem {
    /// Potential of every unknown at every point, with the rows of [`Discrete`].
    potential: RMatrix,
    /// For every point: `1/|z'|`, place in the polynomials, panel, line, what is behind.
    points: Vec<MetalPoint>,
    n: usize,
    n_panels: usize,
    has_ground: bool,
    line_of_panel: Vec<Option<usize>>,
    /// Inductance of ideal metal on this mesh, henry per metre.
    ideal_l: RMatrix,
    /// Sum over the ground plane of products of its current densities for unit line currents, per metre.
    ground: Option<(Surface, RMatrix)>,
    /// The same over the faces of each metal, at high frequency.
    faces: Vec<(Metal, RMatrix)>,
    /// Mesh of the currents.
    mesh: Mesh,
}

#[derive(Debug, Clone, Copy)]
struct MetalPoint {
    inverse_speed: f64,
    t: f64,
    panel: usize,
    behind: Behind,
}

impl MetalProblem {
    pub(crate) fn new(
        section: &CrossSection,
        mesh: &Mesh,
        empty: &Discrete,
        air: &Charges,
        c_air: &RMatrix,
    ) -> Result<Self, LinesError> {
        let mut fine = build(section, GRADING)?;
        fine.flatten_corners();
        Self::on(fine, section, mesh, empty, air, c_air)
    }

    /// The problem on a given mesh of the currents.
    pub(crate) fn on(
        fine: Mesh,
        section: &CrossSection,
        mesh: &Mesh,
        empty: &Discrete,
        air: &Charges,
        c_air: &RMatrix,
    ) -> Result<Self, LinesError> {
        let current = inverse(c_air)?;
        let faces = face_overlaps(empty, air, &current, &|panel| metal_of(mesh, panel));
        let ground = section.ground.map(|surface| (surface, ground_overlap(section, mesh, empty, air, &current)));
        let kept = Discrete::new(&fine, POLYNOMIALS, empty.n_lines, false);
        let vacuum = vec![1.0; section.fillings.len()];
        let ideal = kept.solve(&vacuum)?.c;
        let symmetric = RMatrix::from_fn(ideal.n_rows(), ideal.n_rows(), |i, j| 0.5 * (ideal[(i, j)] + ideal[(j, i)]));
        let points = kept
            .spots
            .iter()
            .map(|s| MetalPoint {
                inverse_speed: 1.0 / s.speed.norm(),
                t: s.t,
                panel: s.panel,
                behind: behind(section, metal_of(&fine, s.panel), s.z),
            })
            .collect();
        Ok(Self {
            potential: kept.assemble(&vacuum).0,
            points,
            n: kept.n,
            n_panels: kept.panels.len(),
            has_ground: mesh.has_ground,
            line_of_panel: kept.panels.iter().map(|p| p.kind.conductor()).collect(),
            ideal_l: inverse(&symmetric)?.map(|x| x * VACUUM_PERMEABILITY_H_PER_M),
            ground,
            faces,
            mesh: fine,
        })
    }

    /// Mesh of the currents.
    pub(crate) fn mesh(&self) -> &Mesh {
        &self.mesh
    }

    /// True when all metal is ideal.
    fn is_ideal(&self) -> bool {
        self.points.iter().all(|p| p.behind == Behind::Perfect)
    }

    /// Products of current densities over the faces of each conductor, per metre.
    pub(crate) fn faces(&self) -> &[(Metal, RMatrix)] {
        &self.faces
    }

    /// The same over the ground plane.
    pub(crate) fn ground(&self) -> Option<&RMatrix> {
        self.ground.as_ref().map(|g| &g.1)
    }

    /// Resistance (ohm per metre) and internal inductance (henry per metre).
    pub(crate) fn internal(&self, freq_hz: f64, n_lines: usize) -> Result<(RMatrix, RMatrix), LinesError> {
        let freq_hz = freq_hz.max(FREQ_MIN_HZ);
        let omega = TAU * freq_hz;
        let mut z = match self.is_ideal() {
            true => CMatrix::zeros(n_lines, n_lines),
            false => {
                let z = self.of_conductors(freq_hz, n_lines)?;
                let ideal = &self.ideal_l;
                CMatrix::from_fn(n_lines, n_lines, |i, j| z[(i, j)] - Complex64::new(0.0, omega * ideal[(i, j)]))
            }
        };
        if let Some((surface, overlap)) = &self.ground {
            let sheet = thick(*surface, freq_hz);
            z = CMatrix::from_fn(n_lines, n_lines, |i, j| z[(i, j)] + sheet * overlap[(i, j)]);
        }
        Ok((z.map(|z| z.re), z.map(|z| z.im / omega)))
    }

    /// Series impedance of all conductors over an ideal ground, ohm per metre.
    fn of_conductors(&self, freq_hz: f64, n_lines: usize) -> Result<CMatrix, LinesError> {
        let size = self.potential.n_rows();
        let factor = Complex64::new(0.0, TAU * freq_hz * VACUUM_PERMEABILITY_H_PER_M);
        let mut a = CMatrix::from_fn(size, size, |r, c| factor * self.potential[(r, c)]);
        let mut known: Vec<(Behind, Complex64)> = Vec::new();
        for (r, point) in self.points.iter().enumerate() {
            let z = match known.iter().find(|k| k.0 == point.behind) {
                Some(k) => k.1,
                None => {
                    known.push((point.behind, point.behind.impedance(freq_hz)));
                    known[known.len() - 1].1
                }
            };
            let p = legendre(point.t, self.n);
            for k in 0..self.n {
                a[(r, point.panel * self.n + k)] += z * point.inverse_speed * p[k];
            }
            if !self.has_ground {
                a[(r, size - 1)] = factor;
            }
        }
        let lu = Lu::factor(&a)?;
        let mut admittance = CMatrix::zeros(n_lines, n_lines);
        for j in 0..n_lines {
            let mut x: Vec<Complex64> = (0..size)
                .map(|r| {
                    let on = self.points.get(r).is_some_and(|p| self.line_of_panel[p.panel] == Some(j));
                    f64::from(u8::from(on)).into()
                })
                .collect();
            lu.solve_in_place(&mut x);
            for e in 0..self.n_panels {
                if let Some(i) = self.line_of_panel[e] {
                    admittance[(i, j)] += 2.0 * x[e * self.n];
                }
            }
        }
        let z = numerics::linear::solve(&admittance, &CMatrix::identity(n_lines))?;
        Ok(CMatrix::from_fn(n_lines, n_lines, |i, j| 0.5 * (z[(i, j)] + z[(j, i)])))
    }
}

impl Behind {
    fn impedance(self, freq_hz: f64) -> Complex64 {
        match self {
            Self::Perfect => Complex64::default(),
            Self::Flat { surface, depth_m } => {
                let delta = skin_depth(surface, freq_hz);
                let x = Complex64::new(1.0, 1.0) * (depth_m / delta).min(DEEP * 2.0);
                thick(surface, freq_hz) / x.tanh()
            }
            Self::Wire { surface, radius_m } => {
                let delta = skin_depth(surface, freq_hz);
                let from = (radius_m - DEEP * delta).max(0.0);
                let slope = radial(radius_m, from, delta);
                rough(surface, freq_hz) * Complex64::new(0.0, TAU * freq_hz * VACUUM_PERMEABILITY_H_PER_M) / slope
            }
            Self::Shield { surface, radius_m, wall_m } => {
                let delta = skin_depth(surface, freq_hz);
                let slope = radial(radius_m, radius_m + wall_m.min(DEEP * delta), delta);
                rough(surface, freq_hz) * Complex64::new(0.0, TAU * freq_hz * VACUUM_PERMEABILITY_H_PER_M) / -slope
            }
        }
    }
}

/// Skin depth, metre.
pub fn skin_depth(surface: Surface, freq_hz: f64) -> f64 {
    1.0 / (PI * freq_hz * VACUUM_PERMEABILITY_H_PER_M * surface.conductivity_s_per_m).sqrt()
}

/// Surface impedance of thick metal with its roughness, ohm.
fn thick(surface: Surface, freq_hz: f64) -> Complex64 {
    if surface.conductivity_s_per_m.is_infinite() {
        return Complex64::default();
    }
    let sheet_ohm = 1.0 / (surface.conductivity_s_per_m * skin_depth(surface, freq_hz));
    rough(surface, freq_hz) * Complex64::new(sheet_ohm, sheet_ohm)
}

fn rough(surface: Surface, freq_hz: f64) -> f64 {
    let ratio = surface.roughness_rms_m / skin_depth(surface, freq_hz);
    1.0 + 2.0 / PI * (1.4 * ratio * ratio).atan()
}

/// `E'/E` at radius `at` of the radial field equation `E'' + E'/r = (2j/δ²) E` whose slope vanishes at `from`.
///
/// Runge-Kutta steps of the Riccati equation `y' = 2j/δ² − y/r − y²`, in the direction in which it forgets its start.
fn radial(at: f64, from: f64, delta: f64) -> Complex64 {
    let square = Complex64::new(0.0, 2.0 / (delta * delta));
    // forty steps in a skin depth leave 1e-8
    let n = (40.0 * ((at - from).abs() / delta)).ceil().max(200.0) as usize;
    let h = (at - from) / n as f64;
    // at the centre of a wire y/r tends to half the square
    let slope = |r: f64, y: Complex64| if r == 0.0 { 0.5 * square } else { square - y / r - y * y };
    let mut y = Complex64::default();
    for i in 0..n {
        let r = from + h * i as f64;
        let k1 = slope(r, y);
        let k2 = slope(r + 0.5 * h, y + 0.5 * h * k1);
        let k3 = slope(r + 0.5 * h, y + 0.5 * h * k2);
        let k4 = slope(r + h, y + h * k3);
        y += h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
    }
    y
}

/// Metal of a panel of a discretisation without interfaces.
fn metal_of(mesh: &Mesh, panel: usize) -> Metal {
    let mut pieces = mesh.pieces.iter().filter(|p| mesh.tracks[p.track].kind.is_metal());
    let piece = pieces.nth(panel).expect("one piece for every panel");
    mesh.tracks[piece.track].metal.unwrap_or(Metal::Wall)
}

fn behind(section: &CrossSection, metal: Metal, z: Complex64) -> Behind {
    let endless = |surface: Surface| match surface.conductivity_s_per_m.is_infinite() {
        true => Behind::Perfect,
        false => Behind::Flat { surface, depth_m: f64::INFINITY },
    };
    let index = match metal {
        Metal::Conductor(index) => index,
        Metal::Lid | Metal::Wall => return section.lid.map_or(Behind::Perfect, |l| endless(l.1)),
    };
    let conductor = &section.conductors[index];
    let surface = conductor.surface;
    if surface.conductivity_s_per_m.is_infinite() {
        return Behind::Perfect;
    }
    match &conductor.outline {
        Outline::Sheet(..) => Behind::Perfect,
        Outline::Box(_) => endless(surface),
        Outline::Solid(corners) => Behind::Flat { surface, depth_m: depth(corners, z) },
        Outline::Wire { radius_m, .. } => Behind::Wire { surface, radius_m: *radius_m },
        Outline::Shield { radius_m, wall_m, .. } => Behind::Shield { surface, radius_m: *radius_m, wall_m: *wall_m },
    }
}

/// Depth of a convex polygon behind the point `z` of its outline, up to the middle line.
fn depth(corners: &[[f64; 2]], z: Complex64) -> f64 {
    let n = corners.len();
    let side = turn(corners).signum();
    // inward normal and distance of the point from each face
    let faces: Vec<(Complex64, f64)> = (0..n)
        .map(|i| {
            let (a, b) = (corners[i], corners[(i + 1) % n]);
            let along = Complex64::new(b[0] - a[0], b[1] - a[1]);
            let normal = Complex64::new(0.0, side) * along / along.norm();
            (normal, ((z - Complex64::new(a[0], a[1])) * normal.conj()).re)
        })
        .collect();
    let own = (0..n).min_by(|&i, &j| faces[i].1.abs().total_cmp(&faces[j].1.abs())).expect("a polygon has faces");
    let others = (0..n).filter(|&i| i != own);
    others.map(|i| faces[i].1 / (1.0 - (faces[own].0 * faces[i].0.conj()).re)).fold(f64::INFINITY, f64::min)
}

/// Current densities of unit line currents at a point: charges of unit voltages times `current`.
fn densities(values: &[f64], current: &RMatrix) -> Vec<f64> {
    let column = RMatrix::column(values);
    product(&current.transpose(), &column).as_slice().to_vec()
}

fn face_overlaps(
    empty: &Discrete,
    air: &Charges,
    current: &RMatrix,
    metal_of: &dyn Fn(usize) -> Metal,
) -> Vec<(Metal, RMatrix)> {
    let (n, lines) = (empty.n, empty.n_lines);
    let mut out: Vec<(Metal, RMatrix)> = Vec::new();
    let (points, weights) = gauss_rule(2 * n);
    for (e, panel) in empty.panels.iter().enumerate() {
        let metal = metal_of(e);
        let place = out.iter().position(|o| o.0 == metal).unwrap_or_else(|| {
            out.push((metal, RMatrix::zeros(lines, lines)));
            out.len() - 1
        });
        for (&t, &weight) in points.iter().zip(&weights) {
            let p = legendre(t, n);
            let charge: Vec<f64> = air.x.iter().map(|x| (0..n).map(|k| x[e * n + k] * p[k]).sum()).collect();
            let j = densities(&charge, current);
            let share = weight / (panel.d * panel.curve.speed(t)).norm();
            add_outer(&mut out[place].1, &j, share);
        }
    }
    out
}

fn add_outer(sum: &mut RMatrix, j: &[f64], share: f64) {
    for a in 0..j.len() {
        for b in 0..j.len() {
            sum[(a, b)] += share * j[a] * j[b];
        }
    }
}

/// Products of the current densities on the ground plane, integrated from far left to far right.
fn ground_overlap(section: &CrossSection, mesh: &Mesh, empty: &Discrete, air: &Charges, current: &RMatrix) -> RMatrix {
    let mut places: Vec<(Complex64, f64)> = mesh.nodes.iter().map(|n| (n.z, 0.0)).collect();
    for track in &mesh.tracks {
        if let Run::Circle { centre, radius, .. } = track.run {
            places.push((centre, radius));
        }
    }
    // nodes on the ground are the feet of walls, where the field is regular
    places.retain(|p| p.0.im > 0.0);
    let reach = match (section.walls_m, section.lid) {
        (Some([a, b]), _) => [a, b],
        (None, Some((lid, _))) => [-8.0 * lid, 8.0 * lid],
        (None, None) => [-1e3 * section.scale_m(), 1e3 * section.scale_m()],
    };
    let mut sum = RMatrix::zeros(empty.n_lines, empty.n_lines);
    let (points, weights) = gauss_rule(6);
    let mut open = vec![reach];
    while let Some([from, to]) = open.pop() {
        let near = |p: &(Complex64, f64)| {
            let x = p.0.re.clamp(from, to);
            (p.0 - x).norm() - p.1
        };
        let distance = places.iter().map(near).fold(f64::INFINITY, f64::min);
        if to - from > 1.5 * distance {
            let middle = 0.5 * (from + to);
            open.extend([[from, middle], [middle, to]]);
            continue;
        }
        for (&t, &weight) in points.iter().zip(&weights) {
            let x = 0.5 * (from + to) + 0.5 * (to - from) * t;
            let charge: Vec<f64> = air.x.iter().map(|q| -empty.field(x.into(), q).im).collect();
            add_outer(&mut sum, &densities(&charge, current), weight * 0.5 * (to - from));
        }
    }
    sum
}
