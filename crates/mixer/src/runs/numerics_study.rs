//! The numerical study: how numbers moved while truncation was raised.

use super::{Context, RunResult, curve, plot, reading, section};
use crate::believe::canonical;
use crate::runs::spurs::middle;
use spec::{Axis, Measure, PortName, Product};

/// Motion of the headline numbers at the middle of the band.
pub(crate) fn study(ctx: &Context) -> RunResult {
    let Some(at) = middle(ctx.plan, ctx.down) else {
        return Ok(section("numerical_study", "Numerical study", "No down-conversion in the plan.", vec![]));
    };
    let sign = at.anchor.wanted().n_lo;
    let chosen = [
        (Measure::ConversionLoss, "conversion loss".to_string()),
        (Measure::Isolation { from: PortName::Lo, to: PortName::Rf }, "LO to RF".into()),
        (Measure::Spur(Product::new(2 * sign, -2 * sign)), "2×2".into()),
        (Measure::Spur(Product::new(2 * sign, -3 * sign)), "3×2".into()),
        (Measure::Spur(Product::new(3 * sign, -3 * sign)), "3×3".into()),
    ];
    let last = at.history.last().map(|h| &h.1);
    let curves = chosen
        .iter()
        .filter_map(|(measure, name)| {
            let measure = &canonical(*measure);
            let end = last?.get(measure)?;
            let template = at.reading(*measure)?;
            let points = at
                .history
                .iter()
                .filter_map(|((k, m), values)| {
                    let mut quality = template.quality.clone();
                    quality.orders = (*k, *m);
                    quality.numeric_band = None;
                    quality.cancellation = None;
                    let moved = values.get(measure)? - end;
                    Some((*k as f64, reading(*measure, moved, template.conditions.clone(), quality)))
                })
                .collect();
            Some(curve(name.clone(), points))
        })
        .collect();
    let items = vec![plot(
        "Distance from the last step of the climb",
        Axis { label: "LO harmonics kept".into(), unit: String::new() },
        "Motion",
        curves,
        vec![],
    )];
    let text = format!(
        "At RF {:.3} GHz truncation was raised until every number asked for moved less than its tolerance over two steps. \
         The wanted product settles first, products even in both tones last.",
        at.anchor.rf.0 / 1e9
    );
    Ok(section("numerical_study", "Numerical study", text, items))
}
