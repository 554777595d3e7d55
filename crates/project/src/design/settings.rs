//! How finely the review looks, and how exact its numbers shall be.

use super::tree::{At, Rule, Table};
use quantity::{CarrierRatio, Frequency, Level, PowerRatio, Quantity, Voltage};

/// Extent and exactness of a review.
#[derive(Debug, Clone, PartialEq)]
pub struct ReviewSettings {
    /// Frequencies of the RF band at which the full balance and the order climb are done.
    pub anchors: usize,
    /// Points of small-signal sweeps.
    pub points: usize,
    /// Largest LO order of the spur grid.
    pub spur_lo_order: u32,
    /// Largest input order of the spur grid.
    pub spur_input_order: u32,
    /// Below this level products are not claimed, dBc.
    pub not_claimed_dbc: f64,
    /// Distance of the two tones, hertz.
    pub two_tone_spacing_hz: f64,
    /// Level of each of the two tones, dBm.
    pub two_tone_dbm: f64,
    /// Wanted stability of loss, match and isolation under higher truncation, dB.
    pub tolerance_db: f64,
    /// Wanted stability of products under higher truncation, dB.
    pub product_tolerance_db: f64,
    /// Wanted stability of direct voltages under higher truncation, mV.
    pub direct_tolerance_mv: f64,
}

impl Default for ReviewSettings {
    /// The defaults of the review itself.
    fn default() -> Self {
        let plan = mixer::Plan::new(1e9, 0.0, (2e9, 3e9)); // its bands are replaced; only its settings are read
        Self {
            anchors: plan.anchors,
            points: plan.points,
            spur_lo_order: plan.spur_orders.1,
            spur_input_order: plan.spur_orders.0,
            not_claimed_dbc: plan.tolerances.not_claimed_dbc,
            two_tone_spacing_hz: plan.two_tone_spacing_hz,
            two_tone_dbm: plan.two_tone_dbm,
            tolerance_db: plan.tolerances.wanted_db,
            product_tolerance_db: plan.tolerances.product_db,
            direct_tolerance_mv: plan.tolerances.direct_mv,
        }
    }
}

pub(super) fn read_settings(root: &Table<'_>) -> ReviewSettings {
    let mut settings = ReviewSettings::default();
    let Some(t) = root.table("review") else { return settings };
    let count = |key, range| t.count(key, range).map(|n: At<usize>| n.value);
    settings.anchors = count("anchors", 2..=201).unwrap_or(settings.anchors);
    settings.points = count("points", 2..=2001).unwrap_or(settings.points);
    if let Some(orders) = t.table("spur_orders") {
        let order = |key| orders.count(key, 1..=12).and_then(|n| u32::try_from(n.value).ok());
        settings.spur_lo_order = order("lo").unwrap_or(settings.spur_lo_order);
        settings.spur_input_order = order("input").unwrap_or(settings.spur_input_order);
        orders.finish();
    }
    if let Some(tones) = t.table("two_tone") {
        set(&mut settings.two_tone_spacing_hz, tones.quantity::<Frequency>("spacing", Rule::Positive));
        set(&mut settings.two_tone_dbm, tones.quantity::<Level>("level", Rule::Any));
        tones.finish();
    }
    set(&mut settings.not_claimed_dbc, t.quantity::<CarrierRatio>("not_claimed", Rule::Any));
    set(&mut settings.tolerance_db, t.quantity::<PowerRatio>("tolerance", Rule::Positive));
    set(&mut settings.product_tolerance_db, t.quantity::<PowerRatio>("product_tolerance", Rule::Positive));
    if let Some(voltage) = t.quantity::<Voltage>("direct_tolerance", Rule::Positive) {
        settings.direct_tolerance_mv = voltage.value.si() * 1e3;
    }
    t.finish();
    settings
}

fn set<Q: Quantity>(target: &mut f64, value: Option<At<Q>>) {
    if let Some(q) = value {
        *target = q.value.stored();
    }
}
