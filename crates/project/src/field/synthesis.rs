//! From `[balun.NAME]` to dimensions, with what they will do and what every spread does to that.

use crate::design::{BalunText, Design};
use crate::error::ProjectError;
use balun::{BalunDesign, BalunReading, Choice, Limits, Sensitivity, synthesise};
use quantity::Finding;
use spec::{Axis, Bar, Bars, Bound, Figure, Grid, Item, Lines, PlainCurve, Review, Section};

/// A balun that was found, as tables.
#[derive(Debug, Clone)]
pub struct FoundBalun {
    /// Name in the design file.
    pub name: String,
    /// What had to hold.
    pub limits: Limits,
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
        Ok(FoundBalun { name, limits: text.request.limits, design: found.value, findings: found.findings })
    };
    design.baluns.iter().map(find).collect()
}

impl FoundBalun {
    /// Dimensions and what they do.
    pub fn dimensions(&self) -> Grid {
        let d = &self.design;
        let um = |x: f64| format!("{:.2} µm", x * 1e6);
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

    /// Balance, match and loss over the band, each with what had to hold.
    pub fn curves(&self) -> Vec<Lines> {
        let one = |title: &str, unit: &str, pick: fn(&BalunReading) -> f64, bounds: Vec<Bound>| {
            let points = self.design.readings.iter().map(|r| (r.freq_hz * 1e-9, pick(r), None)).collect();
            Lines {
                title: format!("{title} of balun {}", self.name),
                x: axis("Frequency", "GHz"),
                y: axis(title, unit),
                curves: vec![PlainCurve { name: self.name.clone(), points }],
                bounds,
            }
        };
        let both = |x: f64| vec![Bound::AtMost(x), Bound::AtLeast(-x)];
        let limits = &self.limits;
        vec![
            one("Return loss", "dB", |r| r.return_loss_db, vec![Bound::AtLeast(limits.return_loss_db)]),
            one("Amplitude imbalance", "dB", |r| r.amplitude_db, both(limits.amplitude_db)),
            one("Phase imbalance", "°", |r| r.phase_deg, both(limits.phase_deg)),
            one("Loss", "dB", |r| r.loss_db, Vec::new()),
        ]
    }

    /// What the designer may choose: for every width of the upper strip the film that gives the impedance, and what it
    /// costs.
    pub fn choice(&self) -> Vec<Lines> {
        let one = |title: &str, y: Axis, pick: &dyn Fn(&Choice) -> f64, bounds: Vec<Bound>| {
            let points = |c: &Choice| (c.upper_width_m * 1e6, pick(c), None);
            let chosen = (self.design.upper_width_m * 1e6, pick(&self.chosen()), None);
            let curves = vec![
                PlainCurve { name: "possible".into(), points: self.design.choices.iter().map(points).collect() },
                PlainCurve { name: "chosen".into(), points: vec![chosen] },
            ];
            Lines { title: title.into(), x: axis("Upper strip", "µm"), y, curves, bounds }
        };
        let limits = &self.limits;
        vec![
            one("Film for every width", axis("Film", "µm"), &|c| c.film_m * 1e6, Vec::new()),
            one(
                "Worst return loss for every width",
                axis("Return loss", "dB"),
                &|c| c.worst.return_loss_db,
                vec![Bound::AtLeast(limits.return_loss_db)],
            ),
            one(
                "Worst amplitude imbalance for every width",
                axis("Amplitude imbalance", "dB"),
                &|c| c.worst.amplitude_db,
                vec![Bound::AtMost(limits.amplitude_db)],
            ),
            one(
                "Worst phase imbalance for every width",
                axis("Phase imbalance", "°"),
                &|c| c.worst.phase_deg,
                vec![Bound::AtMost(limits.phase_deg)],
            ),
        ]
    }

    fn chosen(&self) -> Choice {
        let d = &self.design;
        Choice { upper_width_m: d.upper_width_m, film_m: d.film_m, length_m: d.arrangement.length_m, worst: d.worst }
    }

    /// What one standard deviation of every number does to match and balance, as bars.
    pub fn bars(&self) -> Vec<Bars> {
        let one = |title: &str, unit: &str, pick: fn(&Sensitivity) -> f64| {
            let bar = |s: &Sensitivity| Bar { name: s.name.clone(), value: pick(s), interval: None };
            let mut bars: Vec<Bar> = self.design.sensitivities.iter().map(bar).collect();
            bars.sort_by(|a, b| b.value.abs().total_cmp(&a.value.abs()));
            Bars { title: format!("{title}: change by one standard deviation"), unit: unit.into(), bars }
        };
        vec![
            one("Strip-to-strip impedance", "ohm", |s| s.strip_to_strip_ohm),
            one("Worst return loss", "dB", |s| s.return_loss_db),
            one("Worst amplitude imbalance", "dB", |s| s.amplitude_db),
            one("Worst phase imbalance", "°", |s| s.phase_deg),
        ]
    }
}

fn axis(label: &str, unit: &str) -> Axis {
    Axis { label: label.into(), unit: unit.into() }
}

/// A page on the baluns found for a design.
pub fn page(design: &Design, found: &[FoundBalun]) -> Review {
    let section = |balun: &FoundBalun| {
        let mut figures = vec![Figure::Grid(balun.dimensions())];
        figures.extend(balun.curves().into_iter().map(Figure::Lines));
        figures.extend(balun.choice().into_iter().map(Figure::Lines));
        figures.extend(balun.bars().into_iter().map(Figure::Bars));
        figures.push(Figure::Grid(balun.sensitivities()));
        Section {
            key: format!("balun-{}", balun.name.to_lowercase()),
            title: format!("Balun {}", balun.name),
            text: "Two coupled-line sections on the stack of the design: the widest strips that hold all limits, since wide \
                   strips lose less and suffer less from width errors. Predicted with links and vias; bends, ends and \
                   lands are for the field solution."
                .into(),
            items: figures.into_iter().map(Item::Figure).collect(),
        }
    };
    Review {
        title: "Balun synthesis".into(),
        design: design.name.clone(),
        about: design.about.clone(),
        sections: found.iter().map(section).collect(),
        findings: found.iter().flat_map(|f| f.findings.clone()).collect(),
        work: found.iter().map(|f| (f.name.clone(), format!("{} cross-sections", f.design.sections_solved))).collect(),
        ..Review::default()
    }
}
