//! What passive terminations can do to a model, as a report: exact ranges, envelopes, keep-out lengths, image recovery.
//!
//! Input: a model and a few numbers. Output: a [`Review`] whose sections are the studies, and the study itself.

use crate::error::ProjectError;
use crate::package::notices;
use handover::filter::{AtLength, FilterQuestion, Recovery, keep_out, recovery};
use handover::intervals::spur_intervals;
use handover::point::{IF, Lo, RF, pump};
use handover::study::{Envelope, ExactRange, Question, Study, terminations, usual_places};
use handover::{Model, Surroundings};
use mixer::{Mixer, Plan};
use numerics::{Complex64, Watch};
use quantity::Finding;
use spec::{
    Axis, Bands, Curve, CurvePlot, Figure, Grid, Item, Limit, Measure, Method, Outcome, Product, Quality, Reading,
    Review, Section,
};

/// The question in the user's words.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// Largest reflection anywhere, 0…1.
    pub reflection: f64,
    /// RF frequencies looked at; 3 unless asked.
    pub points: usize,
    /// Random terminations checked at each RF.
    pub checks: usize,
    /// Longest line in front of a reflecting filter, metre.
    pub length_max_m: f64,
    /// Effective permittivity of that line.
    pub permittivity: f64,
    /// Reflection of the filter outside its band: magnitude and phase (radian).
    pub filter: (f64, f64),
    /// Loss that must not be exceeded, dB; none for the requirement of the plan, else 1 dB above the bare model.
    pub limit_db: Option<f64>,
}

impl Default for Asked {
    fn default() -> Self {
        Self {
            reflection: 0.9,
            points: 3,
            checks: 100,
            length_max_m: 10e-3,
            permittivity: 1.0,
            filter: (0.95, 0.0),
            limit_db: None,
        }
    }
}

/// Truncations of loss by which its numeric band is told.
const LO_ORDERS: (usize, usize) = (16, 32);

/// Carries out all studies.
///
/// # Errors
/// A question outside the region when the maker chose to refuse, a steady state that cannot be found, or the wish of
/// `watch` to stop.
pub fn run(model: &Model, asked: &Asked, watch: &dyn Watch) -> Result<(Review, Study), ProjectError> {
    let plan = &model.plans[0].plan;
    let flagged = model.check(plan)?;
    let mixer = model.mixer()?;
    let lo = Lo { hz: plan.lo_hz, dbm: plan.lo_dbm };
    let rf_hz = plan.rf_grid(asked.points.max(2));
    let question = Question {
        lo,
        rf_hz: rf_hz.clone(),
        signal_dbm: plan.signal_dbm,
        temp_k: model.temp_k,
        around: Surroundings::default(),
        rho: asked.reflection,
        places: usual_places(),
        products: followed(plan),
        orders: (12, plan.spur_orders.0.clamp(3, 5) as usize),
        checks: asked.checks,
        seed: crate::package::SEED,
    };
    let study = terminations(model, &question, watch)?;
    let band_db = truncation_band(&mixer, lo, plan.rf_centre_hz())?;
    let make = Maker { mixer: &mixer, plan, band_db };
    let mut sections = vec![exact_section(&question, &study), envelope_section(&question, &study)];
    sections.push(filter_section(model, asked, &make, lo, watch)?);
    if !model.terms.noise_withheld {
        sections.push(recovery_section(model, asked, &make, lo, watch)?);
    }
    let mut findings = flagged;
    findings.extend(notices(model));
    findings.extend(study.envelopes.iter().filter(|e| e.widened > 0).map(|e| {
        let text = format!(
            "{} of {} random terminations lay outside what guided search had found for {}; the envelope was widened around them",
            e.widened,
            asked.checks,
            e.measure.label()
        );
        Finding::warning(format!("RF at {:.3} GHz", e.rf_hz / 1e9), text)
    }));
    let mut nominal = mixer.conditions(plan.lo_hz, plan.lo_dbm, plan.rf_centre_hz(), Some(plan.signal_dbm));
    nominal.terminations = format!("{} except where stated", nominal.terminations);
    let work = vec![
        ("full solutions".into(), study.solutions.to_string()),
        ("random terminations compared".into(), study.checked.to_string()),
    ];
    let about = format!(
        "{}Every passive termination with a reflection of up to {} at image, sum, IF and LO harmonics, and what it can do.",
        model.terms.watermark.as_ref().map_or(String::new(), |w| format!("{w}\n\n")),
        asked.reflection
    );
    let design = format!("{}: terminations", model.name);
    let title = "Terminations".into();
    let review = Review { title, design, about, nominal, sections, findings, work, ..Review::default() };
    Ok((review, study))
}

/// Products in the wanted band somewhere, strongest orders first, and 2×2, 3×3.
fn followed(plan: &Plan) -> Vec<Product> {
    let mut out = vec![Product::new(2, -2), Product::new(3, -3)];
    if let Ok(plans) = crate::intervals::spur_plans(plan, false)
        && let Some((_, p)) = plans.into_iter().find(|(is_up, _)| !is_up)
    {
        out.extend(spur_intervals(&p).unwrap_or_default().into_iter().map(|s| s.product));
    }
    // what a full solution of these orders cannot show is left out
    out.retain(|p| p.m_rf.abs() <= 3 && p.n_lo <= 5);
    let mut seen = std::collections::BTreeSet::new();
    out.retain(|p| seen.insert(*p));
    out
}

/// Motion of the loss between two truncations, dB.
fn truncation_band(mixer: &Mixer, lo: Lo, rf_hz: f64) -> Result<f64, ProjectError> {
    let loss = |order| -> Result<f64, ProjectError> {
        let p = pump(mixer, lo, &[], order, None)?;
        let s = p.state.conversion(rf_hz)?.scattered(&[(mixer.ports.rf, RF)])?;
        Ok(-20.0 * s[0].at(mixer.ports.if_, IF).norm().log10())
    };
    Ok((loss(LO_ORDERS.0)? - loss(LO_ORDERS.1)?).abs())
}

/// Makes readings of small-signal loss and noise.
struct Maker<'a> {
    mixer: &'a Mixer,
    plan: &'a Plan,
    band_db: f64,
}

impl Maker<'_> {
    fn reading(&self, measure: Measure, value: f64, rf_hz: f64, terminations: String) -> Reading {
        let mut conditions = self.mixer.conditions(self.plan.lo_hz, self.plan.lo_dbm, rf_hz, None);
        conditions.terminations = terminations;
        let quality = Quality {
            outcome: Outcome::Converged,
            method: Method::SmallSignal,
            numeric_band: Some(self.band_db),
            orders: (LO_ORDERS.0, 1),
            residual: 0.0,
            continued: None,
            cancellation: None,
            is_bound: false,
            bands: Bands::default(),
        };
        Reading { measure, value, conditions, quality }
    }
}

fn gamma_words(g: Complex64) -> String {
    format!("{:.2} ∠ {:+.0}°", g.norm(), g.arg().to_degrees()).replace('-', "−")
}

fn heads(names: &[&str]) -> Vec<String> {
    names.iter().map(|n| (*n).to_string()).collect()
}

fn exact_section(question: &Question, study: &Study) -> Section {
    let row = |e: &ExactRange| {
        let place = e.place.map_or("all sidebands together".into(), |p| question.places[p].name.clone());
        let show = |g: &[Complex64]| if g.len() == 1 { gamma_words(g[0]) } else { "–".into() };
        let loss = |x: f64| if x > 200.0 { "extinguished".into() } else { format!("{x:.2}") };
        vec![
            format!("{:.3}", e.rf_hz / 1e9),
            place,
            format!("{:.2}", e.nominal_db),
            format!("{:.2}", e.best_db),
            show(&e.at_best),
            loss(e.worst_db),
            show(&e.at_worst),
        ]
    };
    let grid = Grid {
        title: "Conversion loss, dB".into(),
        heads: heads(&["RF, GHz", "reflection", "without", "best", "reached at", "worst", "reached at"]),
        rows: study.exact.iter().map(row).collect(),
    };
    Section {
        key: "exact_ranges".into(),
        title: "Small signal: exact ranges".into(),
        text: format!(
            "Best and worst loss over every reflection of magnitude up to {} at one connector and one line of the spectrum, \
             everything else matched. The loss is a linear-fractional map of the reflection, so these are exact ends, not \
             samples. Reflections are those of the termination, towards the model, at its connector.",
            question.rho
        ),
        items: vec![Item::Figure(Figure::Grid(grid))],
    }
}

fn envelope_section(question: &Question, study: &Study) -> Section {
    let row = |e: &Envelope| {
        let low = if e.low.is_finite() { format!("{:.2}", e.low) } else { "–".into() };
        let bound = if matches!(e.measure, Measure::Spur(_)) && e.high <= -99.0 {
            "below −99".into()
        } else {
            format!("{:.2}", e.high)
        };
        let nominal = if matches!(e.measure, Measure::Spur(_)) && e.nominal <= -100.0 {
            "below −100".into()
        } else {
            format!("{:.2}", e.nominal)
        };
        vec![format!("{:.3}", e.rf_hz / 1e9), e.measure.label(), nominal, low, bound, e.measure.unit().into()]
    };
    let grid = Grid {
        title: "Envelopes".into(),
        heads: heads(&["RF, GHz", "number", "without", "least", "most", "unit"]),
        rows: study.envelopes.iter().map(row).collect(),
    };
    let names: Vec<&str> = question.places.iter().map(|p| p.name.as_str()).collect();
    Section {
        key: "envelopes".into(),
        title: "Full level: all terminations together".into(),
        text: format!(
            "LO {:+.1} dBm, RF {:+.1} dBm, reflections up to {} at once at: {}. Ends were found by full solutions along every \
             reflection in turn, with a reserve of a tenth of the range, and compared with {} random terminations, re-solved. \
             A product can always be extinguished, so only its upper end is told.",
            question.lo.dbm,
            question.signal_dbm,
            question.rho,
            names.join(", "),
            study.checked
        ),
        items: vec![Item::Figure(Figure::Grid(grid))],
    }
}

/// Lengths looked at.
const LENGTHS: usize = 101;

fn filter_section(
    model: &Model,
    asked: &Asked,
    make: &Maker<'_>,
    lo: Lo,
    watch: &dyn Watch,
) -> Result<Section, ProjectError> {
    let plan = make.plan;
    let slack = 0.02 * plan.rf_centre_hz();
    let mut question = FilterQuestion {
        lo,
        rf_hz: plan.rf_grid(13),
        pass_hz: (plan.rf_band_hz.0 - slack, plan.rf_band_hz.1 + slack),
        gamma: Complex64::from_polar(asked.filter.0, asked.filter.1),
        permittivity: asked.permittivity,
        length_max_m: asked.length_max_m,
        limit_db: 0.0,
        temp_k: model.temp_k,
    };
    let required = plan.limits.iter().find_map(|l| match (l.measure, l.bound) {
        (Some(Measure::ConversionLoss), spec::Bound::AtMost(x)) => Some(x),
        _ => None,
    });
    let (limit_db, from) = match (asked.limit_db, required) {
        (Some(x), _) => (x, "as asked"),
        (None, Some(x)) => (x, "the requirement of the plan"),
        (None, None) => {
            (keep_out(model, &question, 2, &numerics::Quiet)?.nominal_db + 1.0, "1 dB above the bare model")
        }
    };
    question.limit_db = limit_db;
    let answer = keep_out(model, &question, LENGTHS, watch)?;
    let curve = |name: &str, value: &dyn Fn(&AtLength) -> f64| Curve {
        name: name.into(),
        points: answer
            .lengths
            .iter()
            .map(|a| {
                let words = format!("{name}, {:.2} mm", a.length_m * 1e3);
                (a.length_m * 1e3, make.reading(Measure::ConversionLoss, value(a), a.worst_rf_hz, words))
            })
            .collect(),
    };
    let bound = spec::Bound::AtMost(limit_db);
    let limit = Limit { measure: Some(Measure::ConversionLoss), bound, band_hz: None, why: from.into() };
    let plot = CurvePlot {
        title: "Greatest loss over the band against the line in front of a filter".into(),
        x: Axis { label: "Length of the line".into(), unit: "mm".into() },
        y_label: "Loss".into(),
        y_unit: "dB".into(),
        curves: vec![curve("image reflected", &|a| a.image_db), curve("whole filter, solved again", &|a| a.filter_db)],
        limits: vec![limit],
    };
    let table = |title: &str, ranges: &[(f64, f64)]| {
        let rows = ranges.iter().map(|(a, b)| vec![format!("{:.3}", a * 1e3), format!("{:.3}", b * 1e3)]).collect();
        Item::Figure(Figure::Grid(Grid { title: title.into(), heads: heads(&["from, mm", "to, mm"]), rows }))
    };
    let said = match answer.keep_out_filter_m.len() {
        0 => "No length looked at breaks the limit.".to_string(),
        1 => "Keep out of one range of lengths.".to_string(),
        n => format!("Keep out of {n} ranges of lengths."),
    };
    let mut items = vec![Item::Curves(plot)];
    if !answer.keep_out_filter_m.is_empty() {
        items.push(table("Keep-out lengths", &answer.keep_out_filter_m));
    }
    if !answer.keep_out_m.is_empty() {
        items.push(table("Lengths at which the image alone breaks the limit", &answer.keep_out_m));
    }
    Ok(Section {
        key: "keep_out".into(),
        title: "A reflecting filter at the RF connector".into(),
        text: format!(
            "The filter passes {:.2} to {:.2} GHz and reflects {} at {:+.0}° elsewhere, behind a line of effective permittivity \
             {}; loss without it: {:.2} dB at worst. Limit {limit_db:.2} dB ({from}). {said} The first curve counts the image only \
             (exact ends); the second solves the mixer again with the filter at every frequency, LO leakage and harmonics \
             included, every {:.2} mm, and decides the keep-out lengths.",
            question.pass_hz.0 / 1e9,
            question.pass_hz.1 / 1e9,
            asked.filter.0,
            asked.filter.1.to_degrees(),
            asked.permittivity,
            answer.nominal_db,
            asked.length_max_m * 1e3 / (LENGTHS - 1) as f64
        ),
        items,
    })
}

fn recovery_section(
    model: &Model,
    asked: &Asked,
    make: &Maker<'_>,
    lo: Lo,
    watch: &dyn Watch,
) -> Result<Section, ProjectError> {
    let rf_hz = make.plan.rf_centre_hz();
    let found = recovery(model, lo, rf_hz, model.temp_k, asked.reflection, 72, watch)?;
    let (named, swept) = found.split_at(3);
    let degrees = |r: &Recovery| r.gamma.arg().to_degrees().rem_euclid(360.0);
    let curve = |name: &str, measure: Measure, value: &dyn Fn(&Recovery) -> f64| Curve {
        name: name.into(),
        points: swept
            .iter()
            .map(|r| {
                let words = format!("image reflection {}", gamma_words(r.gamma));
                (degrees(r), make.reading(measure, value(r), rf_hz, words))
            })
            .collect(),
    };
    let plot = CurvePlot {
        title: format!("Image recovery at RF {:.3} GHz", rf_hz / 1e9),
        x: Axis { label: "Phase of the image reflection".into(), unit: "deg".into() },
        y_label: "Loss, noise figure".into(),
        y_unit: "dB".into(),
        curves: vec![
            curve("conversion loss", Measure::ConversionLoss, &|r| r.loss_db),
            curve("noise figure SSB", Measure::NoiseFigureSsb, &|r| r.noise_db),
        ],
        limits: Vec::new(),
    };
    let row = |name: &str, r: &Recovery| {
        let back = |g: Complex64| format!("{:.1}", -20.0 * g.norm().log10());
        vec![name.to_string(), format!("{:.2}", r.loss_db), format!("{:.2}", r.noise_db), back(r.rf), back(r.if_)]
    };
    let best = swept.iter().min_by(|a, b| a.loss_db.total_cmp(&b.loss_db));
    let quietest = swept.iter().min_by(|a, b| a.noise_db.total_cmp(&b.noise_db));
    let mut rows =
        vec![row("none", &named[0]), row("short at the connector", &named[1]), row("open at the connector", &named[2])];
    rows.extend(best.map(|r| row(&format!("least loss, {:.0}°", degrees(r)), r)));
    rows.extend(quietest.map(|r| row(&format!("least noise, {:.0}°", degrees(r)), r)));
    let grid = Grid {
        title: "Image terminations".into(),
        heads: heads(&[
            "image reflection",
            "loss, dB",
            "noise figure SSB, dB",
            "return loss RF, dB",
            "return loss IF, dB",
        ]),
        rows,
    };
    Ok(Section {
        key: "image_recovery".into(),
        title: "Image recovery".into(),
        text: format!(
            "A reflection of magnitude {} at the image, at the RF connector, everything else matched, the mixer solved again at \
             every phase. All sources at 290 K; what the reflecting termination itself sends out is counted with the rest of \
             its transmission.",
            asked.reflection
        ),
        items: vec![Item::Curves(plot), Item::Figure(Figure::Grid(grid))],
    })
}
