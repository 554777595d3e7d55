//! From `[balun.NAME]` to dimensions, with what they will do and what every spread does to that.

use crate::design::{BalunText, Design};
use crate::error::ProjectError;
use balun::{BalunDesign, synthesise};
use quantity::Finding;
use spec::Grid;

/// A balun that was found, as tables.
#[derive(Debug, Clone)]
pub struct FoundBalun {
    /// Name in the design file.
    pub name: String,
    /// The design.
    pub design: BalunDesign,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// Finds every balun a design asks for.
///
/// # Errors
/// Impedances or limits that the stack cannot give; the error says what is possible.
pub fn baluns(design: &Design) -> Result<Vec<FoundBalun>, ProjectError> {
    let stack = design.technology.as_ref().map(|t| &t.stackup);
    let find = |text: &BalunText| {
        let stack = stack.expect("a balun was read with a stack");
        let name = text.name.value.clone();
        let found = synthesise(stack, &text.request)
            .map_err(|source| ProjectError::Balun { name: name.clone(), source: Box::new(source) })?;
        Ok(FoundBalun { name, design: found.value, findings: found.findings })
    };
    design.baluns.iter().map(find).collect()
}

impl FoundBalun {
    /// Dimensions and what they do.
    pub fn dimensions(&self) -> Grid {
        let d = &self.design;
        let um = |x: f64| format!("{:.2} um", x * 1e6);
        let row = |what: &str, value: String| vec![what.to_string(), value];
        let held = d
            .held_band_hz
            .map_or_else(|| "nowhere".into(), |[low, high]| format!("{:.1} to {:.1} GHz", low * 1e-9, high * 1e-9));
        Grid {
            title: format!("Balun {}", self.name),
            heads: vec!["Number".into(), "Value".into()],
            rows: vec![
                row("film thickness", um(d.film_m)),
                row("upper strip", um(d.upper_width_m)),
                row("lower strip", um(d.lower_width_m)),
                row("length of a section", um(d.arrangement.length_m)),
                row("strip to strip", format!("{:.2} ohm (wanted {:.2})", d.pair.strip_to_strip_ohm, d.wanted_ohm)),
                row("pair over ground", format!("{:.2} ohm", d.pair.pair_over_ground_ohm)),
                row("worst return loss in the band", format!("{:.2} dB", d.worst.return_loss_db)),
                row("worst loss", format!("{:.2} dB", d.worst.loss_db)),
                row("worst amplitude imbalance", format!("{:.2} dB", d.worst.amplitude_db)),
                row("worst phase imbalance", format!("{:.2} degree", d.worst.phase_deg)),
                row("return loss held over", held),
                row("cross-sections solved", d.sections_solved.to_string()),
            ],
        }
    }

    /// What one standard deviation of every number does.
    pub fn sensitivities(&self) -> Grid {
        let heads = ["One standard deviation of", "strip to strip", "over ground", "return loss", "amplitude", "phase"];
        let row = |s: &balun::Sensitivity| {
            vec![
                s.name.clone(),
                format!("{:+.3} ohm", s.strip_to_strip_ohm),
                format!("{:+.3} ohm", s.pair_over_ground_ohm),
                format!("{:+.3} dB", s.return_loss_db),
                format!("{:+.3} dB", s.amplitude_db),
                format!("{:+.3} degree", s.phase_deg),
            ]
        };
        Grid {
            title: format!("Sensitivities of balun {}", self.name),
            heads: heads.map(String::from).to_vec(),
            rows: self.design.sensitivities.iter().map(row).collect(),
        }
    }
}
