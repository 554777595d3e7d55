//! Placing labels: one beside the other without overlap, and legends in rows.

use super::palette::{Colour, dash};
use super::svg::{Anchor, Area, Canvas, Pen, SMALL, Type, text_width, wrap};

/// Length of the line sample in a legend, pixels.
const SAMPLE: f64 = 26.0;
/// Height of a legend row, pixels.
pub(crate) const ROW: f64 = 18.0;
/// Distance of the lines of one name, pixels.
const LINE: f64 = 14.0;

/// Moves wished positions apart to at least `gap`, in their order, inside `[lo, hi]`.
///
/// Returns none when they do not fit.
pub(crate) fn spread(wished: &[f64], gap: f64, lo: f64, hi: f64) -> Option<Vec<f64>> {
    if gap * (wished.len().saturating_sub(1)) as f64 > hi - lo {
        return None;
    }
    let mut order: Vec<usize> = (0..wished.len()).collect();
    order.sort_by(|&a, &b| wished[a].total_cmp(&wished[b]));
    let mut placed = vec![0.0; wished.len()];
    let mut least = lo;
    for &i in &order {
        placed[i] = wished[i].max(least);
        least = placed[i] + gap;
    }
    let mut most = hi;
    for &i in order.iter().rev() {
        placed[i] = placed[i].min(most);
        most = placed[i] - gap;
    }
    Some(placed)
}

/// Draws line sample, marker and name of each series in rows; returns the height used.
///
/// Names too long for one row are broken, never cut: curves often differ in their last word only.
pub(crate) fn legend(canvas: &mut Canvas, names: &[&str], area: (f64, f64, f64)) -> f64 {
    let (left, top, width) = area;
    let (mut x, mut y, mut row) = (left, top, ROW);
    for (i, name) in names.iter().enumerate() {
        let lines = wrap(name, SMALL, width - SAMPLE - 6.0);
        let w = SAMPLE + 6.0 + lines.iter().map(|l| text_width(l, SMALL)).fold(0.0, f64::max);
        if x > left && x + w > left + width {
            (x, y, row) = (left, y + row, ROW);
        }
        let middle = y + ROW / 2.0;
        let pen = Pen { colour: Colour::Series(i), width: 2.0, dash: dash(i) };
        canvas.line(pen, (x, middle), (x + SAMPLE, middle));
        canvas.marker(i, (x + SAMPLE / 2.0, middle), false, "");
        for (k, line) in lines.iter().enumerate() {
            let at = (x + SAMPLE + 6.0, middle + 4.0 + LINE * k as f64);
            canvas.text(at, Type::new(SMALL, Colour::Ink, Anchor::Start), line);
        }
        row = row.max(ROW + LINE * (lines.len().max(1) - 1) as f64);
        x += w + 16.0;
    }
    if names.is_empty() { 0.0 } else { y + row - top }
}

/// The candidate that covers the fewest points and none of the taken areas; earlier ones win ties.
pub(crate) fn least_covered(candidates: &[Area], points: &[(f64, f64)], taken: &[Area]) -> Option<usize> {
    let cost = |a: &Area| {
        let covered = points.iter().filter(|p| a.contains(p.0, p.1)).count();
        covered + 1000 * taken.iter().filter(|t| t.overlaps(a)).count()
    };
    (0..candidates.len()).min_by_key(|&i| cost(&candidates[i]))
}

/// Points along a polyline, dense enough to test labels against.
pub(crate) fn dense(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut out = Vec::new();
    for pair in points.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let n = ((b.0 - a.0).hypot(b.1 - a.1) / 4.0).clamp(1.0, 400.0) as usize;
        out.extend((0..n).map(|i| {
            let t = i as f64 / n as f64;
            (a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1))
        }));
    }
    out.extend(points.last());
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn spread_labels_keep_distance_order_and_range(wished in prop::collection::vec(0f64..200.0, 1..12)) {
            let placed = spread(&wished, 14.0, 0.0, 200.0).expect("twelve labels of 14 fit into 200");
            for i in 0..wished.len() {
                prop_assert!(placed[i] >= -1e-9 && placed[i] <= 200.0 + 1e-9);
                for j in 0..i {
                    prop_assert!((placed[i] - placed[j]).abs() >= 14.0 - 1e-9);
                    if wished[i] < wished[j] {
                        prop_assert!(placed[i] < placed[j]);
                    }
                }
            }
        }
    }

    #[test]
    fn too_many_labels_are_refused() {
        assert_eq!(spread(&[0.0; 20], 14.0, 0.0, 200.0), None);
    }
}
