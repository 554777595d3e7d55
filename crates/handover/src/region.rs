//! Where a model holds, and what happens outside.
//!
//! Input: what a user asks. Output: every departure in words; the maker chose whether they refuse or flag.

use crate::HandoverError;
use mixer::Plan;
use quantity::Finding;

/// What happens to questions outside the region.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum OutsidePolicy {
    /// There is no answer.
    Refuse,
    /// There is an answer with a warning that travels with it.
    #[default]
    Flag,
}

/// Where the maker vouches for the model; all ends included.
#[derive(Debug, Clone, PartialEq)]
pub struct Region {
    /// LO frequency, hertz.
    pub lo_hz: (f64, f64),
    /// LO level, dBm.
    pub lo_dbm: (f64, f64),
    /// RF frequency, hertz.
    pub rf_hz: (f64, f64),
    /// IF frequency, hertz.
    pub if_hz: (f64, f64),
    /// Highest input level, dBm.
    pub signal_dbm_max: f64,
    /// Temperature, kelvin.
    pub temp_k: (f64, f64),
    /// Largest reflection of a termination at any port and frequency, 0…1.
    pub reflection_max: f64,
    /// Highest orders in the LO and in the signal of a product.
    pub orders: (u32, u32),
    /// What happens outside.
    pub policy: OutsidePolicy,
}

/// What is asked, from the least to the most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// LO frequency, hertz.
    pub lo_hz: (f64, f64),
    /// LO level, dBm.
    pub lo_dbm: (f64, f64),
    /// RF frequency, hertz.
    pub rf_hz: (f64, f64),
    /// IF frequency, hertz.
    pub if_hz: (f64, f64),
    /// Highest input level, dBm.
    pub signal_dbm: f64,
    /// Highest orders in the signal and in the LO of a product.
    pub orders: (u32, u32),
}

/// Relative reserve of every comparison, so that a number written and read again is inside.
const RESERVE: f64 = 1e-9;

/// One departure in words, none when `found` lies inside.
fn outside(what: &str, unit: &str, scale: f64, found: (f64, f64), region: (f64, f64)) -> Option<String> {
    let slack = RESERVE * (region.0.abs().max(region.1.abs()));
    if found.0 >= region.0 - slack && found.1 <= region.1 + slack {
        return None;
    }
    let show = |x: f64| format!("{}", (x / scale * 1e6).round() / 1e6);
    let asked = if found.0.total_cmp(&found.1).is_eq() {
        show(found.0)
    } else {
        format!("{} to {}", show(found.0), show(found.1))
    };
    Some(format!("{what} {asked} {unit}, the region is {} to {} {unit}", show(region.0), show(region.1)))
}

impl Region {
    /// Departures of a plan from the region, in words.
    pub fn departures(&self, plan: &Plan) -> Vec<String> {
        let lo_hz = plan.lo_band_hz.unwrap_or((plan.lo_hz, plan.lo_hz));
        let lo_hz = (lo_hz.0.min(plan.lo_hz), lo_hz.1.max(plan.lo_hz));
        let lo_dbm = (plan.lo_range_dbm.0.min(plan.lo_dbm), plan.lo_range_dbm.1.max(plan.lo_dbm));
        self.departures_of(&Span {
            lo_hz,
            lo_dbm,
            rf_hz: plan.rf_band_hz,
            if_hz: plan.if_band_hz(),
            signal_dbm: plan.signal_dbm,
            orders: plan.spur_orders,
        })
    }

    /// Departures of what is asked from the region, in words.
    pub fn departures_of(&self, asked: &Span) -> Vec<String> {
        let level = asked.signal_dbm;
        let all = [
            outside("LO frequency", "GHz", 1e9, asked.lo_hz, self.lo_hz),
            outside("LO level", "dBm", 1.0, asked.lo_dbm, self.lo_dbm),
            outside("RF frequency", "GHz", 1e9, asked.rf_hz, self.rf_hz),
            outside("IF frequency", "GHz", 1e9, asked.if_hz, self.if_hz),
            outside("input level", "dBm", 1.0, (level, level), (-300.0, self.signal_dbm_max)),
            self.orders_departure(asked.orders),
        ];
        all.into_iter().flatten().collect()
    }

    /// Departure of a temperature, in words.
    pub fn temperature_departure(&self, temp_k: f64) -> Option<String> {
        outside("temperature", "K", 1.0, (temp_k, temp_k), self.temp_k)
    }

    /// Departure of a termination, in words.
    pub fn reflection_departure(&self, reflection: f64) -> Option<String> {
        outside("reflection of a termination", "(magnitude)", 1.0, (reflection, reflection), (0.0, self.reflection_max))
    }

    fn orders_departure(&self, (signal, lo): (u32, u32)) -> Option<String> {
        (lo > self.orders.0 || signal > self.orders.1).then(|| {
            format!(
                "products up to order {lo} of the LO and {signal} of the signal, the region ends at {} and {}",
                self.orders.0, self.orders.1
            )
        })
    }

    /// Refuses or flags departures, as the maker chose.
    ///
    /// # Errors
    /// Departures when the maker chose to refuse.
    pub fn enforce(&self, departures: Vec<String>) -> Result<Vec<Finding>, HandoverError> {
        match self.policy {
            OutsidePolicy::Refuse if !departures.is_empty() => Err(HandoverError::Outside { outside: departures }),
            _ => Ok(departures
                .into_iter()
                .map(|text| {
                    Finding::warning(
                        "outside the validity region",
                        format!("{text}: the maker does not vouch for these numbers"),
                    )
                })
                .collect()),
        }
    }
}
