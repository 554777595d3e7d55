//! Areas of metal on the mask grid: union, intersection, difference, exactly.
//!
//! Corners are rounded to [`GRID_M`]; what follows is integer arithmetic.

use crate::{Point, Polygon, StackupError};
use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay::Overlay;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::i_float::int::point::IntPoint;

/// Mask grid, metre.
pub const GRID_M: f64 = 1e-9;
/// Largest coordinate the integer arithmetic allows, grid steps.
const LARGEST: f64 = 1.07e9;

/// One connected piece: outer outline counter-clockwise, then holes clockwise, in grid steps.
type Piece = Vec<Vec<IntPoint<i32>>>;

/// A set of connected pieces of metal, possibly with holes.
#[derive(Debug, Clone, Default)]
pub struct Area {
    pieces: Vec<Piece>,
}

impl Area {
    /// Union of polygons.
    pub fn of<'a>(polygons: impl Iterator<Item = &'a Polygon>) -> Result<Self, StackupError> {
        let contours = polygons.map(to_grid).collect::<Result<Vec<_>, _>>()?;
        let nothing: Vec<Vec<IntPoint<i32>>> = Vec::new();
        let mut overlay: Overlay<i32> = Overlay::from_subj_and_clip(&contours, &nothing);
        Ok(Self { pieces: overlay.overlay(OverlayRule::Subject, FillRule::NonZero) })
    }

    /// What is in both.
    pub fn intersection(&self, other: &Self) -> Self {
        self.combined(other, OverlayRule::Intersect)
    }

    /// What is in this one only.
    pub fn difference(&self, other: &Self) -> Self {
        self.combined(other, OverlayRule::Difference)
    }

    /// What is in either.
    pub fn union(&self, other: &Self) -> Self {
        self.combined(other, OverlayRule::Union)
    }

    fn combined(&self, other: &Self, rule: OverlayRule) -> Self {
        let mut overlay: Overlay<i32> = Overlay::from_subj_and_clip(&self.pieces, &other.pieces);
        Self { pieces: overlay.overlay(rule, FillRule::NonZero) }
    }

    /// True when there is no metal.
    pub fn is_empty(&self) -> bool {
        self.pieces.is_empty()
    }

    /// Area, square metre.
    pub fn area_m2(&self) -> f64 {
        let twice: f64 = self.pieces.iter().flatten().map(|c| twice_area(c)).sum();
        0.5 * twice.abs() * GRID_M * GRID_M
    }

    /// Connected pieces; each as its outlines in metre, the metal to the left of every edge.
    pub fn pieces(&self) -> Vec<Vec<Vec<Point>>> {
        self.pieces.iter().map(oriented).collect()
    }

    /// True when the point is inside metal.
    pub fn contains(&self, p: Point) -> bool {
        let crossings = self.pieces.iter().flatten().map(|c| crossings(c, p)).sum::<usize>();
        crossings % 2 == 1
    }
}

fn to_grid(polygon: &Polygon) -> Result<Vec<IntPoint<i32>>, StackupError> {
    let step = |x: f64| {
        let steps = (x / GRID_M).round();
        if steps.abs() < LARGEST {
            return Ok(steps as i32);
        }
        let fault = format!("expected coordinates below one metre, found {x} m");
        Err(StackupError::Shape { what: "polygon".into(), fault })
    };
    polygon.corners().iter().map(|p| Ok(IntPoint::new(step(p[0])?, step(p[1])?))).collect()
}

fn metre(p: &IntPoint<i32>) -> Point {
    [f64::from(p.x) * GRID_M, f64::from(p.y) * GRID_M]
}

fn twice_area(contour: &[IntPoint<i32>]) -> f64 {
    let n = contour.len();
    (0..n)
        .map(|i| {
            let (a, b) = (&contour[i], &contour[(i + 1) % n]);
            f64::from(a.x) * f64::from(b.y) - f64::from(a.y) * f64::from(b.x)
        })
        .sum()
}

/// Outer outline counter-clockwise, holes clockwise.
fn oriented(piece: &Piece) -> Vec<Vec<Point>> {
    piece
        .iter()
        .enumerate()
        .map(|(i, contour)| {
            let mut points: Vec<Point> = contour.iter().map(metre).collect();
            if (twice_area(contour) > 0.0) != (i == 0) {
                points.reverse();
            }
            points
        })
        .collect()
}

fn crossings(contour: &[IntPoint<i32>], p: Point) -> usize {
    let n = contour.len();
    (0..n)
        .filter(|&i| {
            let (a, b) = (metre(&contour[i]), metre(&contour[(i + 1) % n]));
            (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
        })
        .count()
}
