//! The standard runs of a review, one module a group. Each returns a [`Section`].

pub(crate) mod band;
pub(crate) mod drive;
pub(crate) mod linearity;
pub(crate) mod numerics_study;
pub(crate) mod spurs;

use crate::believe::ClimbedAnchor;
use crate::mixer::MixerError;
use crate::{Mixer, Plan};
use numerics::{Cancelled, Watch};
use spec::{Axis, Conditions, Curve, CurvePlot, Item, Limit, Measure, Quality, Reading, Section};

/// What every run needs.
pub(crate) struct Context<'a> {
    pub mixer: &'a Mixer,
    pub plan: &'a Plan,
    /// Anchors with the signal at the RF port.
    pub down: &'a [ClimbedAnchor],
    /// Anchors with the signal at the IF port.
    pub up: &'a [ClimbedAnchor],
    /// LO harmonics at which loss, match and isolation stood still.
    pub order: usize,
    pub watch: &'a dyn Watch,
}

impl Context<'_> {
    /// Passes cancelling on, but leaves the progress line to the review.
    pub(crate) fn inside(&self) -> Inside<'_> {
        Inside(self.watch)
    }
}

/// Forwards cancelling only.
pub(crate) struct Inside<'a>(&'a dyn Watch);

impl Watch for Inside<'_> {
    fn step(&self, _what: &str, _done: usize, _total: usize) -> Result<(), Cancelled> {
        self.0.step("", 0, 0)
    }
}

pub(crate) type RunResult = Result<Section, MixerError>;

pub(crate) fn section(key: &str, title: &str, text: impl Into<String>, items: Vec<Item>) -> Section {
    Section { key: key.into(), title: title.into(), text: text.into(), items }
}

pub(crate) fn ghz_axis(label: &str) -> Axis {
    Axis { label: label.into(), unit: "GHz".into() }
}

pub(crate) fn dbm_axis(label: &str) -> Axis {
    Axis { label: label.into(), unit: "dBm".into() }
}

pub(crate) fn plot(title: &str, x: Axis, y_label: &str, curves: Vec<Curve>, limits: Vec<Limit>) -> Item {
    let y_unit =
        curves.iter().find_map(|c| c.points.first()).map(|(_, r)| r.measure.unit().to_string()).unwrap_or_default();
    Item::Curves(CurvePlot { title: title.into(), x, y_label: y_label.into(), y_unit, curves, limits })
}

pub(crate) fn curve(name: impl Into<String>, points: Vec<(f64, Reading)>) -> Curve {
    Curve { name: name.into(), points }
}

pub(crate) fn reading(measure: Measure, value: f64, conditions: Conditions, quality: Quality) -> Reading {
    Reading { measure, value, conditions, quality }
}

/// The plan's limits on one measure.
pub(crate) fn limits_on(plan: &Plan, measure: Measure) -> Vec<Limit> {
    plan.limits.iter().filter(|l| l.measure == Some(measure)).cloned().collect()
}
