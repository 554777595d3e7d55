//! Baluns to be found: band, impedances and free ranges. Input: `[balun.NAME]`. Output: [`balun::BalunRequest`].

use super::section::Process;
use super::tree::{At, Rule, Table};
use balun::{BalunRequest, Family, Limits, Link};
use quantity::{Angle, Frequency, Inductance, Length, PowerRatio, Resistance};
use stackup::Role;

/// A balun to be found.
#[derive(Debug, Clone, PartialEq)]
pub struct BalunText {
    /// Name.
    pub name: At<String>,
    /// What is asked.
    pub request: BalunRequest,
}

pub(super) fn read_baluns(root: &Table<'_>, process: &Process<'_>) -> Vec<Option<BalunText>> {
    let Some(table) = root.table("balun") else { return Vec::new() };
    process.must_be_there(&table, "a balun");
    let read = table.named_tables().into_iter().map(|(name, t)| read_balun(name, t, process)).collect();
    table.finish();
    read
}

fn read_balun(name: At<String>, t: Table<'_>, process: &Process<'_>) -> Option<BalunText> {
    let families = [("compensated", Family::Compensated), ("uncompensated", Family::Uncompensated)];
    let family = t.word("family", &families).map_or(Family::Compensated, |w| w.value);
    let band = t.required_band::<Frequency>("band", Rule::Positive);
    let source = t.required::<Resistance>("source", Rule::Positive);
    let load = t.required::<Resistance>("load", Rule::Positive);
    let db = |key: &str, default: f64| t.quantity::<PowerRatio>(key, Rule::Positive).map_or(default, |q| q.value.db());
    let limits = Limits {
        return_loss_db: db("return_loss", 15.0),
        amplitude_db: db("amplitude", 0.6),
        phase_deg: t.quantity::<Angle>("phase", Rule::Positive).map_or(3.5, |q| q.value.deg()),
    };
    let layer = |key: &str, what: &str, fits: fn(&Role) -> bool| {
        let layer = t.required_text(key, "name a layer of the stack")?;
        process.check_layer(&t, &layer, what, fits);
        Some(layer.value)
    };
    let is_metal = |r: &Role| matches!(r, Role::Metal { .. });
    let lower = layer("lower", "patterned metal", is_metal);
    let upper = layer("upper", "patterned metal", is_metal);
    let film = layer("film", "dielectric layer", |r| matches!(r, Role::Dielectric { .. }));
    let width = t.required_band::<Length>("width", Rule::Positive);
    let overlap_m = t.quantity::<Length>("overlap", Rule::NotNegative).map_or(0.0, |q| q.value.si());
    let via_h = t.quantity::<Inductance>("via", Rule::NotNegative).map_or(0.0, |q| q.value.si());
    let link = t.table("link").map(|link| {
        let (length, impedance) = (
            link.required::<Length>("length", Rule::NotNegative),
            link.required::<Resistance>("impedance", Rule::Positive),
        );
        let eps_eff = link.number("permittivity", Rule::Positive).map_or(1.0, |n| n.value);
        link.finish();
        Some(Link { length_m: length?.value.si(), impedance_ohm: impedance?.value.si(), eps_eff })
    });
    t.finish();
    let link = match link {
        Some(link) => Some(link?),
        None => None,
    };
    let (band, width) = (band?.value, width?.value);
    let request = BalunRequest {
        family,
        band_hz: [band.0.si(), band.1.si()],
        source_ohm: source?.value.si(),
        load_ohm: load?.value.si(),
        limits,
        lower_layer: lower?,
        upper_layer: upper?,
        film_layer: film?,
        width_m: [width.0.si(), width.1.si()],
        overlap_m,
        link,
        via_h,
    };
    Some(BalunText { name, request })
}
