//! A direction in the space of all dimensions: what moves, and how fast per unit of a design number.

use crate::LinesError;
use crate::gradient::Gradient;
use crate::mesh::{Anchor, Level, Mesh, Run};
use crate::section::{CrossSection, Outline};
use numerics::Complex64;

/// Rates closer than this are the same: some roundings of places over the smallest steps used to find rates.
const SAME_RATE: f64 = 1e-6;

/// Rates of change of everything in a cross-section per unit of one design number.
///
/// Metal that lies on an interface must move with it; a motion that tears them apart is refused.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// For every conductor the rate of every corner (polygon), both ends (sheet) or the centre (round).
    pub corners: Vec<Vec<[f64; 2]>>,
    /// Rate of the radius of round conductors.
    pub radius: Vec<f64>,
    /// Rate of the height of the top of every layer.
    pub layer_tops: Vec<f64>,
    /// Rate of the height of the lid.
    pub lid: f64,
    /// Rates of the places of the side walls.
    pub walls: [f64; 2],
    /// Rate of the permittivity of every filling.
    pub eps_r: Vec<f64>,
}

impl Motion {
    /// Nothing moves.
    pub fn none(section: &CrossSection) -> Self {
        let corners = |o: &Outline| match o {
            Outline::Solid(c) | Outline::Box(c) => vec![[0.0; 2]; c.len()],
            Outline::Sheet(..) => vec![[0.0; 2]; 2],
            Outline::Wire { .. } | Outline::Shield { .. } => vec![[0.0; 2]],
        };
        Self {
            corners: section.conductors.iter().map(|c| corners(&c.outline)).collect(),
            radius: vec![0.0; section.conductors.len()],
            layer_tops: vec![0.0; section.layers.len()],
            lid: 0.0,
            walls: [0.0; 2],
            eps_r: vec![0.0; section.fillings.len()],
        }
    }

    /// Permittivity of one filling.
    pub fn permittivity(section: &CrossSection, filling: usize) -> Self {
        let mut motion = Self::none(section);
        motion.eps_r[filling] = 1.0;
        motion
    }

    /// Every corner of one conductor moves with `rate` of its place.
    pub fn with_conductor(mut self, section: &CrossSection, index: usize, rate: impl Fn([f64; 2]) -> [f64; 2]) -> Self {
        let places = match &section.conductors[index].outline {
            Outline::Solid(c) | Outline::Box(c) => c.clone(),
            Outline::Sheet(a, b) => vec![*a, *b],
            Outline::Wire { centre, .. } | Outline::Shield { centre, .. } => vec![*centre],
        };
        self.corners[index] = places.into_iter().map(rate).collect();
        self
    }

    /// Width of a conductor, growing evenly to both sides of its middle.
    pub fn width(section: &CrossSection, index: usize) -> Self {
        let xs: Vec<f64> = section.conductors[index].outline.extremes().iter().map(|p| p[0]).collect();
        let (lo, hi) = xs.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &x| (l.min(x), h.max(x)));
        let (middle, span) = (0.5 * (lo + hi), hi - lo);
        Self::none(section).with_conductor(section, index, |p| [(p[0] - middle) / span, 0.0])
    }

    /// Place of a conductor along x.
    pub fn shift(section: &CrossSection, index: usize) -> Self {
        Self::none(section).with_conductor(section, index, |_| [1.0, 0.0])
    }

    /// Height of everything at or above `above_m`: the thickness of what lies just below it.
    pub fn lift(section: &CrossSection, above_m: f64) -> Self {
        let tolerance = 1e-9 * section.scale_m();
        let up = |y: f64| f64::from(u8::from(y >= above_m - tolerance));
        let mut motion = Self::none(section);
        for index in 0..section.conductors.len() {
            motion = motion.with_conductor(section, index, |p| [0.0, up(p[1])]);
        }
        motion.layer_tops =
            section.layers.iter().map(|l| if l.top_m.is_finite() { up(l.top_m) } else { 0.0 }).collect();
        motion.lid = 1.0;
        motion
    }

    /// The section after a step along the motion.
    pub(crate) fn moved_section(&self, section: &CrossSection, step: f64) -> CrossSection {
        let mut out = section.clone();
        let go = |p: &mut [f64; 2], rate: [f64; 2]| (0..2).for_each(|k| p[k] += step * rate[k]);
        for (index, conductor) in out.conductors.iter_mut().enumerate() {
            let rates = &self.corners[index];
            match &mut conductor.outline {
                Outline::Solid(c) | Outline::Box(c) => c.iter_mut().zip(rates).for_each(|(p, r)| go(p, *r)),
                Outline::Sheet(a, b) => {
                    go(a, rates[0]);
                    go(b, rates[1]);
                }
                Outline::Wire { centre, radius_m } | Outline::Shield { centre, radius_m, .. } => {
                    go(centre, rates[0]);
                    *radius_m += step * self.radius[index];
                }
            }
        }
        out.layers.iter_mut().zip(&self.layer_tops).for_each(|(layer, rate)| layer.top_m += step * rate);
        if let Some(lid) = &mut out.lid {
            lid.0 += step * self.lid;
        }
        if let Some(walls) = &mut out.walls_m {
            walls.iter_mut().zip(self.walls).for_each(|(x, rate)| *x += step * rate);
        }
        out.fillings.iter_mut().zip(&self.eps_r).for_each(|(filling, rate)| filling.eps_r += step * rate);
        out
    }

    /// A mesh of the section after the same step; nothing is cut anew, so that results change smoothly.
    pub(crate) fn moved_mesh(&self, section: &CrossSection, mesh: &Mesh, step: f64) -> Mesh {
        let mut out = mesh.clone();
        for node in &mut out.nodes {
            node.z += step * self.rate(section, node.anchor);
        }
        for track in &mut out.tracks {
            if let Run::Circle { conductor, centre, radius } = &mut track.run {
                *centre += step * vector(self.corners[*conductor][0]);
                *radius += step * self.radius[*conductor];
            }
        }
        out
    }

    /// Fastest rate of any place, metre per unit.
    pub(crate) fn speed(&self) -> f64 {
        let corners = self.corners.iter().flatten().map(|r| r[0].hypot(r[1]));
        let rest = self.radius.iter().chain(&self.layer_tops).chain(&self.walls).chain([&self.lid]).map(|x| x.abs());
        corners.chain(rest).fold(0.0, f64::max)
    }

    pub(crate) fn check(&self, section: &CrossSection) -> Result<(), LinesError> {
        let shape = Self::none(section);
        let same = self.corners.iter().map(Vec::len).eq(shape.corners.iter().map(Vec::len))
            && self.radius.len() == shape.radius.len()
            && self.layer_tops.len() == shape.layer_tops.len()
            && self.eps_r.len() == shape.eps_r.len();
        let refuse = |fault: String| Err(LinesError::Section { place: "motion".into(), fault });
        if !same {
            return refuse("expected one rate for every corner, radius, layer and filling of the cross-section".into());
        }
        let tolerance = 1e-9 * section.scale_m();
        for (conductor, rates) in section.conductors.iter().zip(&self.corners) {
            let places = match &conductor.outline {
                Outline::Solid(c) | Outline::Box(c) => c.clone(),
                Outline::Sheet(a, b) => vec![*a, *b],
                _ => continue,
            };
            for (place, rate) in places.iter().zip(rates) {
                for window in section.layers.windows(2).zip(&self.layer_tops) {
                    let ((below, above), top_rate) = ((window.0[0], window.0[1]), window.1);
                    let touches = below.filling != above.filling && (below.top_m - place[1]).abs() < tolerance;
                    if touches && (rate[1] - top_rate).abs() > SAME_RATE {
                        return refuse(format!(
                            "conductor `{}` lies on the interface at {} m; expected both to move alike, \
                             found {} and {top_rate}",
                            conductor.name, below.top_m, rate[1]
                        ));
                    }
                }
            }
        }
        Ok(())
    }

    /// Derivative of one entry along the motion.
    pub(crate) fn along(
        &self,
        section: &CrossSection,
        mesh: &Mesh,
        gradient: &Gradient,
        pair: usize,
        by_eps: bool,
    ) -> f64 {
        let nodes = mesh.nodes.iter().zip(&gradient.nodes);
        let moved: f64 = nodes.map(|(node, g)| (g[pair] * self.rate(section, node.anchor)).re).sum();
        let round: f64 = gradient
            .circles
            .iter()
            .map(|(c, centre, radius)| (centre[pair] * vector(self.corners[*c][0])).re + radius[pair] * self.radius[*c])
            .sum();
        let filled: f64 = gradient.fillings.iter().zip(&self.eps_r).map(|(g, rate)| g[pair] * rate).sum();
        moved + round + if by_eps { filled } else { 0.0 }
    }

    fn rate(&self, section: &CrossSection, anchor: Anchor) -> Complex64 {
        match anchor {
            Anchor::Corner { conductor, corner } => vector(self.corners[conductor][corner]),
            Anchor::Crossing { conductor, corner, layer } => {
                let corners = section.conductors[conductor].outline.extremes();
                let next = (corner + 1) % corners.len();
                let (p, q) = (vector(corners[corner]), vector(corners[next]));
                let (vp, vq) = (vector(self.corners[conductor][corner]), vector(self.corners[conductor][next]));
                let along = (section.layers[layer].top_m - p.im) / (q.im - p.im);
                let carried = vp + (vq - vp) * along;
                // slide along the edge until the height follows the interface
                carried + (q - p) * ((self.layer_tops[layer] - carried.im) / (q.im - p.im))
            }
            Anchor::Frame { wall, level } => {
                let x = wall.map_or(0.0, |w| self.walls[w]);
                let y = match level {
                    Level::Ground => 0.0,
                    Level::Top(layer) => self.layer_tops[layer],
                    Level::Lid => self.lid,
                };
                Complex64::new(x, y)
            }
        }
    }
}

fn vector(p: [f64; 2]) -> Complex64 {
    Complex64::new(p[0], p[1])
}
