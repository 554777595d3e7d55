//! From the cross-section to panels of charge.
//!
//! Every straight run of conductor face, sheet or dielectric interface becomes a segment between two nodes;
//! segments and circles are cut into pieces no longer than [`Grading::reach`] times their distance to the next
//! place where the field may be singular (corners, contacts, sheet ends, their images, other circles).
//! Nodes remember what moves them, so that derivatives can be carried back to the dimensions.

use crate::LinesError;
use crate::kernel::Curve;
use crate::section::{CrossSection, Outline, turn};
use numerics::Complex64;

/// Relative distance below which two places are the same; ties of lengths within it are ties, so that a scaled
/// section has the scaled mesh.
const SAME: f64 = 1e-9;
/// Where an open interface ends, in units of the largest extent; what lies beyond changes C by about the
/// inverse square of it.
const OPEN_REACH: f64 = 2000.0;
/// Where interfaces and lid end between ground and lid, in units of their distance: exp(−π·8) is 1e-11.
const SHIELDED_REACH: f64 = 8.0;
/// Power of the map at the end of a sheet: its charge rises as the inverse square root.
const SHEET_POWER: u8 = 2;
/// Power of the map at metal corners and contacts: right-angled metal has charge as `r^(−1/3)`.
const CORNER_POWER: u8 = 3;
/// Rounding of the place of a tip over the length of the smallest piece.
const TIP_ROUNDING: f64 = 1e-6;
/// Share of a tip that stays the tip when it is cut.
const TIP_SHARE: f64 = 0.35;

/// A horizontal level.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Level {
    Ground,
    Top(usize),
    Lid,
}

/// What moves a node.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Anchor {
    /// A corner of a conductor.
    Corner { conductor: usize, corner: usize },
    /// The place where an edge of a conductor, from `corner` on, meets the top of a layer.
    Crossing { conductor: usize, corner: usize, layer: usize },
    /// A place on a level, at a wall or far away.
    Frame { wall: Option<usize>, level: Level },
}

#[derive(Debug, Clone, Copy)]
pub(crate) struct Node {
    pub(crate) z: Complex64,
    pub(crate) anchor: Anchor,
    /// Power of the map of tips that end here; 1 where the field is regular.
    power: u8,
}

/// What a run of charge lies on. Dielectrics are indices into the fillings; left of the run from `p` to `q`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Kind {
    /// Face of a conductor with this dielectric outside.
    Face { conductor: Option<usize>, outside: usize },
    /// Sheet between two dielectrics.
    Sheet { conductor: Option<usize>, left: usize, right: usize },
    /// Interface between two dielectrics.
    Interface { left: usize, right: usize },
}

#[derive(Debug, Clone, Copy)]
pub(crate) enum Run {
    Segment { p: usize, q: usize },
    Circle { conductor: usize, centre: Complex64, radius: f64 },
}

/// A run with what it is and to which metal it belongs.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Track {
    pub(crate) run: Run,
    pub(crate) kind: Kind,
    pub(crate) metal: Option<Metal>,
}

/// Whose surface a track is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Metal {
    Conductor(usize),
    Lid,
    Wall,
}

/// A part of a track, by the fraction of its length (segment) or of the full turn (circle).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Piece {
    pub(crate) track: usize,
    pub(crate) from: f64,
    pub(crate) to: f64,
    /// Power of the map; the tip is at `from` (which may be larger than `to`).
    pub(crate) power: u8,
}

/// Nodes, tracks and pieces.
#[derive(Debug, Clone)]
pub(crate) struct Mesh {
    pub(crate) nodes: Vec<Node>,
    pub(crate) tracks: Vec<Track>,
    pub(crate) pieces: Vec<Piece>,
    pub(crate) has_ground: bool,
}

/// A piece as a curve in the plane.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Panel {
    pub(crate) curve: Curve,
    pub(crate) a: Complex64,
    pub(crate) d: Complex64,
    pub(crate) kind: Kind,
}

/// How finely to cut.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Grading {
    /// Longest piece over its distance to the next singular place.
    pub(crate) reach: f64,
    /// Further cuts of every tip.
    pub(crate) tip_cuts: usize,
}

impl Mesh {
    /// The panels of the given pieces.
    pub(crate) fn panel(&self, piece: &Piece) -> Panel {
        let track = &self.tracks[piece.track];
        match track.run {
            Run::Segment { p, q } => {
                let (zp, zq) = (self.nodes[p].z, self.nodes[q].z);
                let d = (zq - zp) * (piece.to - piece.from);
                let kind = if piece.to > piece.from { track.kind } else { track.kind.reversed() };
                Panel { curve: Curve::Straight { power: piece.power }, a: zp + (zq - zp) * piece.from, d, kind }
            }
            Run::Circle { centre, radius, .. } => {
                let turn = std::f64::consts::TAU;
                let (middle, half) = (0.5 * turn * (piece.from + piece.to), 0.5 * turn * (piece.to - piece.from));
                Panel { curve: Curve::Arc { middle, half }, a: centre, d: radius.into(), kind: track.kind }
            }
        }
    }

    /// Takes the maps from the tips on the faces of solid metal: for currents that do not follow the ideal field.
    pub(crate) fn flatten_corners(&mut self) {
        for piece in &mut self.pieces {
            if matches!(self.tracks[piece.track].kind, Kind::Face { .. }) {
                piece.power = 1;
            }
        }
    }

    /// Cuts the marked pieces in two.
    pub(crate) fn refine(&mut self, marked: &[bool]) {
        let mut pieces = Vec::with_capacity(self.pieces.len() * 2);
        for (piece, &cut) in self.pieces.iter().zip(marked) {
            if cut { pieces.extend(piece.cut()) } else { pieces.push(*piece) }
        }
        self.pieces = pieces;
    }
}

impl Kind {
    fn reversed(self) -> Self {
        match self {
            Self::Face { .. } => self,
            Self::Sheet { conductor, left, right } => Self::Sheet { conductor, left: right, right: left },
            Self::Interface { left, right } => Self::Interface { left: right, right: left },
        }
    }
}

impl Piece {
    /// Two pieces in its place; a tip keeps its end.
    pub(crate) fn cut(&self) -> [Self; 2] {
        let share = if self.power > 1 { TIP_SHARE } else { 0.5 };
        let middle = self.from + share * (self.to - self.from);
        [Self { to: middle, ..*self }, Self { from: middle, power: 1, ..*self }]
    }
}

/// Cuts a cross-section into pieces.
pub(crate) fn build(section: &CrossSection, grading: Grading) -> Result<Mesh, LinesError> {
    let mut builder = Builder {
        section,
        tolerance: SAME * section.scale_m(),
        lines: line_indices(section),
        mesh: Mesh { nodes: Vec::new(), tracks: Vec::new(), pieces: Vec::new(), has_ground: section.ground.is_some() },
    };
    for conductor in 0..section.conductors.len() {
        builder.conductor(conductor)?;
    }
    builder.frame();
    for layer in 0..section.layers.len() - 1 {
        builder.interface(layer)?;
    }
    let mut mesh = builder.mesh;
    let places = Places::of(&mesh);
    for track in 0..mesh.tracks.len() {
        cut_track(&mut mesh, &places, track, grading);
    }
    Ok(mesh)
}

fn line_indices(section: &CrossSection) -> Vec<Option<usize>> {
    let mut n = 0;
    let mut next = || {
        n += 1;
        n - 1
    };
    section.conductors.iter().map(|c| (!c.reference).then(&mut next)).collect()
}

struct Builder<'a> {
    section: &'a CrossSection,
    tolerance: f64,
    lines: Vec<Option<usize>>,
    mesh: Mesh,
}

impl Builder<'_> {
    fn node(&mut self, z: Complex64, anchor: Anchor, power: u8) -> usize {
        if let Some(i) = self.mesh.nodes.iter().position(|n| (n.z - z).norm() < self.tolerance) {
            self.mesh.nodes[i].power = self.mesh.nodes[i].power.max(power);
            return i;
        }
        self.mesh.nodes.push(Node { z, anchor, power });
        self.mesh.nodes.len() - 1
    }

    fn conductor(&mut self, index: usize) -> Result<(), LinesError> {
        let line = self.lines[index];
        let metal = Some(Metal::Conductor(index));
        match &self.section.conductors[index].outline {
            Outline::Solid(corners) => self.polygon(index, corners, 1.0, CORNER_POWER),
            Outline::Box(corners) => self.polygon(index, corners, -1.0, 1),
            Outline::Sheet(a, b) => {
                let (za, zb) = (point(*a), point(*b));
                let left = self.beside(za, zb, 1.0);
                let right = self.beside(za, zb, -1.0);
                if a[1] != b[1] && self.levels().any(|y| (a[1] - y) * (b[1] - y) < 0.0) {
                    return self.refuse(index, "a sloping sheet must not cross an interface");
                }
                let p = self.node(za, Anchor::Corner { conductor: index, corner: 0 }, SHEET_POWER);
                let q = self.node(zb, Anchor::Corner { conductor: index, corner: 1 }, SHEET_POWER);
                let kind = Kind::Sheet { conductor: line, left, right };
                self.mesh.tracks.push(Track { run: Run::Segment { p, q }, kind, metal });
            }
            Outline::Wire { centre, radius_m } | Outline::Shield { centre, radius_m, .. } => {
                if self.levels().any(|y| (centre[1] - y).abs() < radius_m + self.tolerance) {
                    return self.refuse(index, "a round conductor must not touch an interface");
                }
                let kind = Kind::Face { conductor: line, outside: self.section.filling_at(centre[1]) };
                let run = Run::Circle { conductor: index, centre: point(*centre), radius: *radius_m };
                self.mesh.tracks.push(Track { run, kind, metal });
            }
        }
        Ok(())
    }

    fn refuse<T>(&self, conductor: usize, fault: &str) -> Result<T, LinesError> {
        let place = format!("conductor `{}`", self.section.conductors[conductor].name);
        Err(LinesError::Section { place, fault: fault.into() })
    }

    /// Heights where the dielectric changes.
    fn levels(&self) -> impl Iterator<Item = f64> + '_ {
        self.section.layers.windows(2).filter(|w| w[0].filling != w[1].filling).map(|w| w[0].top_m)
    }

    /// Dielectric left (`side` 1) or right (−1) of the run from `p` to `q`.
    fn beside(&self, p: Complex64, q: Complex64, side: f64) -> usize {
        let normal = Complex64::new(0.0, side) * (q - p) / (q - p).norm();
        self.section.filling_at((0.5 * (p + q) + normal * 2.0 * self.tolerance).im)
    }

    /// Faces of a polygon; the field is outside for `side` 1 and inside for −1.
    fn polygon(&mut self, index: usize, corners: &[[f64; 2]], side: f64, power: u8) {
        let n = corners.len();
        let outward = if turn(corners) > 0.0 { -side } else { side };
        for i in 0..n {
            let (za, zb) = (point(corners[i]), point(corners[(i + 1) % n]));
            let first = self.node(za, Anchor::Corner { conductor: index, corner: i }, power);
            let last = self.node(zb, Anchor::Corner { conductor: index, corner: (i + 1) % n }, power);
            let mut stops = vec![(0.0, first), (1.0, last)];
            for layer in 0..self.section.layers.len() - 1 {
                let y = self.section.layers[layer].top_m;
                let changes = self.section.layers[layer].filling != self.section.layers[layer + 1].filling;
                let at = (y - za.im) / (zb.im - za.im);
                let margin = self.tolerance / (zb - za).norm();
                if changes && at > margin && at < 1.0 - margin {
                    let anchor = Anchor::Crossing { conductor: index, corner: i, layer };
                    stops.push((at, self.node(za + (zb - za) * at, anchor, power)));
                }
            }
            stops.sort_by(|a, b| a.0.total_cmp(&b.0));
            for pair in stops.windows(2) {
                let (p, q) = (pair[0].1, pair[1].1);
                let outside = self.beside(self.mesh.nodes[p].z, self.mesh.nodes[q].z, outward);
                let kind = Kind::Face { conductor: self.lines[index], outside };
                let metal = Some(Metal::Conductor(index));
                self.mesh.tracks.push(Track { run: Run::Segment { p, q }, kind, metal });
            }
        }
    }

    /// Lid and side walls.
    fn frame(&mut self) {
        let Some((lid, _)) = self.section.lid else { return };
        let (left, right) = self.ends(lid);
        let corner = |k: usize| Anchor::Frame { wall: self.section.walls_m.map(|_| k), level: Level::Lid };
        let (anchor_p, anchor_q) = (corner(0), corner(1));
        let p = self.node(Complex64::new(left, lid), anchor_p, 1);
        let q = self.node(Complex64::new(right, lid), anchor_q, 1);
        let outside = self.section.layers[self.section.layers.len() - 1].filling;
        let kind = Kind::Face { conductor: None, outside };
        self.mesh.tracks.push(Track { run: Run::Segment { p, q }, kind, metal: Some(Metal::Lid) });
        if self.section.walls_m.is_some() {
            self.wall(0, left);
            self.wall(1, right);
        }
    }

    fn wall(&mut self, wall: usize, x: f64) {
        let at = |level| Anchor::Frame { wall: Some(wall), level };
        let mut below = self.node(Complex64::new(x, 0.0), at(Level::Ground), 1);
        let lid = self.section.lid.map_or(0.0, |l| l.0);
        let layers = &self.section.layers;
        let mut stops: Vec<(f64, Level)> = (0..layers.len() - 1)
            .filter(|&i| layers[i].filling != layers[i + 1].filling && layers[i].top_m < lid - self.tolerance)
            .map(|i| (layers[i].top_m, Level::Top(i)))
            .collect();
        stops.push((lid, Level::Lid));
        for (y, level) in stops {
            let above = self.node(Complex64::new(x, y), at(level), 1);
            let middle = 0.5 * (self.mesh.nodes[below].z.im + y);
            let kind = Kind::Face { conductor: None, outside: self.section.filling_at(middle) };
            let run = Run::Segment { p: below, q: above };
            self.mesh.tracks.push(Track { run, kind, metal: Some(Metal::Wall) });
            below = above;
        }
    }

    /// Where a horizontal level ends on both sides.
    fn ends(&self, level: f64) -> (f64, f64) {
        if let Some([a, b]) = self.section.walls_m {
            return (a, b);
        }
        let xs: Vec<f64> = self.section.conductors.iter().flat_map(|c| c.outline.extremes()).map(|p| p[0]).collect();
        let (lo, hi) = xs.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &x| (l.min(x), h.max(x)));
        let beyond = match self.section.lid {
            Some((lid, _)) => SHIELDED_REACH * lid,
            None => OPEN_REACH * self.section.scale_m().max(level.abs()),
        };
        (lo - beyond, hi + beyond)
    }

    /// Parts of the top of a layer that are not covered by metal.
    fn interface(&mut self, layer: usize) -> Result<(), LinesError> {
        let (below, above) = (self.section.layers[layer], self.section.layers[layer + 1]);
        let y = below.top_m;
        let under_lid = self.section.lid.is_none_or(|l| y < l.0 - self.tolerance);
        if below.filling == above.filling || !under_lid {
            return Ok(());
        }
        let (left, right) = self.ends(y);
        let walled = self.section.walls_m.is_some();
        let frame = |k: usize| Anchor::Frame { wall: walled.then_some(k), level: Level::Top(layer) };
        let mut low = self.node(Complex64::new(left, y), frame(0), 1);
        let mut high = self.node(Complex64::new(right, y), frame(1), 1);
        let mut covered: Vec<[usize; 2]> = Vec::new();
        for index in 0..self.section.conductors.len() {
            let Some([a, b]) = self.covered(index, y) else { continue };
            if matches!(self.section.conductors[index].outline, Outline::Box(_)) {
                (low, high) = (a, b);
            } else {
                covered.push([a, b]);
            }
        }
        let x = |mesh: &Mesh, i: usize| mesh.nodes[i].z.re;
        covered.sort_by(|a, b| x(&self.mesh, a[0]).total_cmp(&x(&self.mesh, b[0])));
        covered.push([high, high]);
        let kind = Kind::Interface { left: above.filling, right: below.filling };
        let mut from = low;
        for [a, b] in covered {
            if x(&self.mesh, a) - x(&self.mesh, from) > self.tolerance {
                self.mesh.tracks.push(Track { run: Run::Segment { p: from, q: a }, kind, metal: None });
            }
            if x(&self.mesh, b) > x(&self.mesh, from) {
                from = b;
            }
        }
        Ok(())
    }

    /// Nodes, left and right, where a conductor meets the height `y`.
    fn covered(&self, index: usize, y: f64) -> Option<[usize; 2]> {
        let own = |n: &Node| match n.anchor {
            Anchor::Corner { conductor, .. } | Anchor::Crossing { conductor, .. } => conductor == index,
            Anchor::Frame { .. } => false,
        };
        let outline = &self.section.conductors[index].outline;
        if matches!(outline, Outline::Wire { .. } | Outline::Shield { .. }) {
            return None;
        }
        let here = |n: &Node| (n.z.im - y).abs() < self.tolerance;
        let of_outline = outline.extremes();
        let at: Vec<usize> = (0..self.mesh.nodes.len())
            .filter(|&i| {
                let node = &self.mesh.nodes[i];
                let corner = of_outline.iter().any(|p| (point(*p) - node.z).norm() < self.tolerance);
                here(node) && (own(node) || corner)
            })
            .collect();
        let left = at.iter().copied().min_by(|&a, &b| self.mesh.nodes[a].z.re.total_cmp(&self.mesh.nodes[b].z.re))?;
        let right = at.iter().copied().max_by(|&a, &b| self.mesh.nodes[a].z.re.total_cmp(&self.mesh.nodes[b].z.re))?;
        Some([left, right])
    }
}

fn point(p: [f64; 2]) -> Complex64 {
    Complex64::new(p[0], p[1])
}

/// Where the field may be singular, and circles to keep small against.
struct Places {
    points: Vec<Complex64>,
    circles: Vec<(usize, Complex64, f64)>,
}

impl Places {
    fn of(mesh: &Mesh) -> Self {
        let mut points: Vec<Complex64> = mesh.nodes.iter().filter(|n| n.power > 1).map(|n| n.z).collect();
        let mut circles: Vec<(usize, Complex64, f64)> = Vec::new();
        for (i, track) in mesh.tracks.iter().enumerate() {
            if let Run::Circle { centre, radius, .. } = track.run {
                circles.push((i, centre, radius));
            }
        }
        if mesh.has_ground {
            points.extend(points.clone().iter().map(|z| z.conj()));
            circles.extend(circles.clone().iter().map(|c| (usize::MAX, c.1.conj(), c.2)));
        }
        Self { points, circles }
    }

    /// Distance of the straight piece `a…b` to the next place, not counting `exempt`.
    fn distance(&self, a: Complex64, b: Complex64, exempt: Option<Complex64>) -> f64 {
        let points =
            self.points.iter().filter(|&&p| exempt.is_none_or(|e| (e - p).norm() > TIP_ROUNDING * (b - a).norm()));
        let nearest = points.map(|&p| to_segment(p, a, b)).fold(f64::INFINITY, f64::min);
        self.circles.iter().fold(nearest, |near, &(_, c, r)| {
            let gap = to_segment(c, a, b) - r;
            let inside = r - (a - c).norm().max((b - c).norm());
            near.min(gap.abs().max(inside))
        })
    }

    /// Distance of a point on circle `own` to points and other circles.
    fn beside_circle(&self, z: Complex64, own: usize) -> f64 {
        let nearest = self.points.iter().map(|p| (p - z).norm()).fold(f64::INFINITY, f64::min);
        let others = self.circles.iter().filter(|c| c.0 != own);
        others.fold(nearest, |near, &(_, c, r)| near.min(((z - c).norm() - r).abs()))
    }
}

fn to_segment(p: Complex64, a: Complex64, b: Complex64) -> f64 {
    let along = (((p - a) * (b - a).conj()).re / (b - a).norm_sqr()).clamp(0.0, 1.0);
    (a + (b - a) * along - p).norm()
}

fn cut_track(mesh: &mut Mesh, places: &Places, track: usize, grading: Grading) {
    match mesh.tracks[track].run {
        Run::Circle { centre, radius, .. } => {
            const START: usize = 4;
            for i in 0..START {
                let piece = Piece { track, from: i as f64 / 4.0, to: (i + 1) as f64 / 4.0, power: 1 };
                cut_arc(mesh, places, piece, centre, radius, grading);
            }
        }
        Run::Segment { p, q } => {
            let (start, end) = (mesh.nodes[p].power, mesh.nodes[q].power);
            let whole = Piece { track, from: 0.0, to: 1.0, power: start };
            if end > 1 {
                let middle = if start > 1 { 0.5 } else { 0.0 };
                if start > 1 {
                    cut_straight(mesh, places, Piece { to: 0.5, ..whole }, grading);
                }
                cut_straight(mesh, places, Piece { track, from: 1.0, to: middle, power: end }, grading);
            } else {
                cut_straight(mesh, places, whole, grading);
            }
        }
    }
}

fn cut_straight(mesh: &mut Mesh, places: &Places, piece: Piece, grading: Grading) {
    let panel = mesh.panel(&piece);
    let tip = piece.power > 1;
    let distance = places.distance(panel.a, panel.a + panel.d, tip.then_some(panel.a));
    if panel.d.norm() > grading.reach * distance * (1.0 + SAME) && (piece.to - piece.from).abs() > SAME {
        for part in piece.cut() {
            cut_straight(mesh, places, part, grading);
        }
        return;
    }
    let mut rest = piece;
    for _ in 0..if tip { grading.tip_cuts } else { 0 } {
        let [tip, plain] = rest.cut();
        mesh.pieces.push(plain);
        rest = tip;
    }
    mesh.pieces.push(rest);
}

fn cut_arc(mesh: &mut Mesh, places: &Places, piece: Piece, centre: Complex64, radius: f64, grading: Grading) {
    let turn = std::f64::consts::TAU;
    let at = |share: f64| centre + Complex64::from_polar(radius, turn * (piece.from + share * (piece.to - piece.from)));
    let distance = [0.0, 0.25, 0.5, 0.75, 1.0]
        .iter()
        .map(|&s| places.beside_circle(at(s), piece.track))
        .fold(f64::INFINITY, f64::min);
    let length = turn * radius * (piece.to - piece.from);
    if length > 2.0 * grading.reach * distance * (1.0 + SAME) && piece.to - piece.from > 1e-4 {
        for part in piece.cut() {
            cut_arc(mesh, places, part, centre, radius, grading);
        }
    } else {
        mesh.pieces.push(piece);
    }
}
