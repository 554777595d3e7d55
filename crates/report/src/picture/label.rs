//! Placing labels: one beside the other without overlap, and legends in rows.

use super::palette::{Colour, dash};
use super::svg::{Anchor, Area, Canvas, Pen, SMALL, Type, fit, text_width};

/// Length of the line sample in a legend, pixels.
const SAMPLE: f64 = 26.0;
/// Height of a legend row, pixels.
pub(crate) const ROW: f64 = 18.0;

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
pub(crate) fn legend(canvas: &mut Canvas, names: &[&str], area: (f64, f64, f64)) -> f64 {
    let (left, top, width) = area;
    let (mut x, mut y) = (left, top);
    for (i, name) in names.iter().enumerate() {
        let name = fit(name, SMALL, width - SAMPLE - 6.0);
        let w = SAMPLE + 6.0 + text_width(&name, SMALL);
        if x > left && x + w > left + width {
            x = left;
            y += ROW;
        }
        let middle = y + ROW / 2.0;
        canvas.line(Pen { colour: Colour::Series(i), width: 2.0, dash: dash(i) }, (x, middle), (x + SAMPLE, middle));
        canvas.marker(i, (x + SAMPLE / 2.0, middle), false, "");
        canvas.text((x + SAMPLE + 6.0, middle + 4.0), Type::new(SMALL, Colour::Ink, Anchor::Start), &name);
        x += w + 16.0;
    }
    if names.is_empty() { 0.0 } else { y + ROW - top }
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
