//! A datasheet from a model: review numbers, ratings, direct paths, keep-out lengths, and measured lots when there are any.
//!
//! Input: the path of a package or a design, bench records, options. Output: a [`Sheet`] and its pages as PDF and HTML.
//! Every number is computed here and now from the model or from measured units; nothing is typed in but the kind of part.
//! How typical and guaranteed values are made is described in `docs/datasheet.md`.

mod lots;
mod ratings;

pub use lots::session_files;

use crate::error::ProjectError;
use crate::export::{Loaded, PROGRAM};
use crate::files;
use crate::package::{notices, review_model};
use ::datasheet::{DatasheetError, KeepOut, Sheet, html, pdf};
use handover::filter::{FilterQuestion, keep_out};
use handover::point::{Lo, grid_products, two_tone};
use handover::{HandoverError, Model};
use mixer::{Direction, Mixer, Plan};
use numerics::{Complex64, Watch, parallel};
use quantity::Finding;
use spec::{
    Axis, Bands, Bound, Curve, CurvePlot, Item, Measure, Method, Outcome, PortName, Product, Quality, Reading, Review,
    Section,
};
use std::path::{Path, PathBuf};

/// What the author decides.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Bench records of measured units; none for a simulated sheet.
    pub sessions: Vec<PathBuf>,
    /// Design behind the package, for the ratings of its diodes; not needed when the model itself is a design.
    pub design: Option<PathBuf>,
    /// What the part is, in a few words; said by the number of diodes unless given.
    pub kind: Option<String>,
    /// Revision of the document; that of the model unless given.
    pub revision: Option<String>,
    /// Share of units a guaranteed bound holds for, 0…1.
    pub coverage: f64,
    /// Confidence of that statement, 0…1.
    pub confidence: f64,
    /// Longest line looked at for keep-out lengths, metre, in vacuum.
    pub keep_out_to_m: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            sessions: Vec::new(),
            design: None,
            kind: None,
            revision: None,
            coverage: 0.90,
            confidence: 0.95,
            keep_out_to_m: 10e-3,
        }
    }
}

/// A datasheet ready to be written.
#[derive(Debug, Clone)]
pub struct Made {
    /// What it says.
    pub sheet: Sheet,
    /// PDF file.
    pub pdf: Vec<u8>,
    /// HTML page.
    pub html: String,
    /// Remarks for the author: measured values left out, and why.
    pub findings: Vec<Finding>,
}

/// Makes the datasheet of a model.
///
/// # Errors
/// Bench records that cannot be used, a design that is not the one behind the package, a share or confidence outside
/// 0…1, a steady state that cannot be found, or the wish of `watch` to stop.
pub fn make(path: &Path, loaded: &Loaded, options: &Options, watch: &dyn Watch) -> Result<Made, ProjectError> {
    let open = |x: f64| x > 0.0 && x < 1.0;
    if !(open(options.coverage) && open(options.confidence)) {
        let found = format!("{} and {}", options.coverage, options.confidence);
        return Err(HandoverError::mismatch("share and confidence between 0 and 1", found, "the datasheet").into());
    }
    let model = &loaded.model;
    let plan = &model.plans[0].plan;
    let mixer = model.mixer()?;
    let mut findings = Vec::new();
    // what costs little and can fail comes first
    let design = ratings::design_of(path, loaded, options.design.as_deref())?;
    let measured = lots::read(model, options, &mut findings)?;
    let mut review = review_model(model, &mixer, &model.plans, watch)?;
    review.about.clone_from(&model.about);
    review.sections.extend(products_over_frequency(&mixer, plan, &review, watch)?);
    findings.extend(notices(model));
    let directions = [Measure::ConversionLoss, Measure::ConversionLossUp];
    if !review.summary.iter().any(|r| directions.contains(&r.measure)) {
        let expected = "a review with a conversion loss";
        return Err(HandoverError::mismatch(expected, "none", "the datasheet").into());
    }
    let sheet = Sheet {
        name: model.name.clone(),
        kind: options.kind.clone().unwrap_or_else(|| kind(model)),
        revision: options.revision.clone().unwrap_or_else(|| model.revision.clone()),
        origin: origin(loaded, options),
        notices: told(loaded),
        rf_band_hz: plan.rf_band_hz,
        if_band_hz: plan.if_band_hz(),
        lo_range_dbm: plan.lo_range_dbm,
        measured,
        ratings: ratings::ratings(model, &mixer, plan, design.as_ref(), watch)?,
        direct_paths: ratings::direct_paths(model)?,
        keep_out: keep_outs(model, plan, options.keep_out_to_m, watch)?,
        review,
    };
    let (pdf, html) = (pdf(&sheet)?, html(&sheet)?);
    Ok(Made { sheet, pdf, html, findings })
}

/// Writes PDF and HTML into a folder; gives their paths.
///
/// # Errors
/// The folder cannot be made or written to.
pub fn write(made: &Made, folder: &Path, stem: &str) -> Result<Vec<PathBuf>, ProjectError> {
    let paths = [folder.join(format!("{stem}.pdf")), folder.join(format!("{stem}.html"))];
    files::write_whole(&paths[0], &made.pdf)?;
    files::write_whole(&paths[1], made.html.as_bytes())?;
    Ok(paths.into())
}

fn kind(model: &Model) -> String {
    let use_ = match model.plans[0].plan.direction {
        Direction::Down => "down-converting",
        Direction::Up => "up-converting",
        Direction::Both => "up- and down-converting",
    };
    match model.diodes.len() {
        1 => format!("Passive {use_} mixer with one Schottky diode"),
        n => format!("Passive {use_} mixer with {n} Schottky diodes"),
    }
}

/// Where the sheet came from, the hash that names it first.
fn origin(loaded: &Loaded, options: &Options) -> Vec<(String, String)> {
    let mut out = Vec::new();
    match &loaded.origin.package_blake3 {
        Some(hash) => out.push(("model package (blake3)".to_owned(), hash.clone())),
        None => out.push(("design".to_owned(), "not packed: no hash".to_owned())),
    }
    out.extend(loaded.links.iter().map(|(label, hash)| (label.clone(), hash.clone())));
    if !loaded.origin.signature.is_empty() {
        out.push(("signature".into(), loaded.origin.signature.clone()));
    }
    let records: Vec<String> = options
        .sessions
        .iter()
        .map(|path| {
            let name = path.file_stem().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
            let hash = std::fs::read(path).map(|b| blake3::hash(&b).to_hex().to_string()).unwrap_or_default();
            format!("{name} {}…", hash.chars().take(16).collect::<String>())
        })
        .collect();
    if !records.is_empty() {
        out.push(("bench records (blake3)".into(), records.join(", ")));
    }
    if !loaded.model.maker.is_empty() {
        out.push(("maker".into(), loaded.model.maker.clone()));
    }
    out.push(("written by".into(), PROGRAM.into()));
    out
}

/// Watermark and expiry of the package.
fn told(loaded: &Loaded) -> Vec<String> {
    let terms = &loaded.model.terms;
    let mut out: Vec<String> = terms.watermark.iter().cloned().collect();
    if let Some(day) = &terms.expires {
        let text = terms.expiry_text.as_deref().unwrap_or("ask the maker for a later one");
        let passed = if loaded.origin.notices.is_empty() { "" } else { " That day has passed; it still works." };
        out.push(format!("Made from a model meant for use up to {day}: {text}.{passed}"));
    }
    if terms.noise_withheld {
        out.push("Noise is withheld by the maker of the model.".into());
    }
    out
}

/// LO and signal orders of the products, and higher ones for their band.
const PRODUCT_ORDERS: [(usize, usize); 2] = [(20, 6), (28, 8)];
/// Frequencies.
const PRODUCT_POINTS: usize = 13;
/// Curves on the picture.
const PRODUCT_CURVES: usize = 5;

/// Strongest products of the spur grid, followed over the band; their band is the change under higher truncation.
fn products_over_frequency(
    mixer: &Mixer,
    plan: &Plan,
    review: &Review,
    watch: &dyn Watch,
) -> Result<Option<Section>, ProjectError> {
    let is_up = plan.direction == Direction::Up;
    let input = if is_up { PortName::If } else { PortName::Rf };
    let lo = Lo { hz: plan.lo_hz, dbm: plan.lo_dbm };
    let rf = plan.rf_grid(PRODUCT_POINTS);
    let wanted = Product::new(1, -1);
    let products = grid_products(plan.spur_orders.0.min(4), plan.spur_orders.1.min(5), wanted);
    let measure = |p: Product| if is_up { Measure::SpurUp(p) } else { Measure::Spur(p) };
    let levels = parallel::map_watched(&rf, watch, "products over frequency", |&rf_hz| {
        let solve = |orders| two_tone(mixer, lo, &[], (rf_hz, plan.signal_dbm), input, orders, None);
        let (low, high) = (solve(PRODUCT_ORDERS[0])?, solve(PRODUCT_ORDERS[1])?);
        Ok::<_, HandoverError>(
            products
                .iter()
                .map(|&p| Some((high.value(mixer, measure(p))?, low.value(mixer, measure(p))?)))
                .collect::<Vec<_>>(),
        )
    })?;
    let claimed = plan.tolerances.not_claimed_dbc;
    let largest = |k: usize| levels.iter().filter_map(|l| l[k]).map(|(v, _)| v).fold(f64::NEG_INFINITY, f64::max);
    // products of first order in the signal are conversions to far-away lines; they stand in the grid
    let mut order: Vec<usize> =
        (0..products.len()).filter(|&k| products[k].m_rf.abs() > 1 && largest(k) > claimed).collect();
    order.sort_by(|a, b| largest(*b).total_cmp(&largest(*a)).then(a.cmp(b)));
    let reading = |k: usize, i: usize| {
        let (value, before) = levels[i][k]?;
        let quality = Quality {
            outcome: Outcome::Converged,
            method: Method::Balance,
            numeric_band: Some((value - before).abs()),
            orders: PRODUCT_ORDERS[1],
            residual: 0.0,
            continued: None,
            cancellation: None,
            is_bound: false,
            bands: Bands::default(),
        };
        let conditions = mixer.conditions(lo.hz, lo.dbm, rf[i], Some(plan.signal_dbm));
        Some((rf[i] / 1e9, Reading { measure: measure(products[k]), value, conditions, quality }))
    };
    let curve = |&k: &usize| {
        let (p, sign) = (products[k], if products[k].m_rf > 0 { "+" } else { "−" });
        let points = (0..rf.len()).filter_map(|i| reading(k, i)).filter(|(_, r)| r.value > claimed).collect();
        Curve { name: format!("{}×{} {sign}", p.m_rf.abs(), p.n_lo.abs()), points }
    };
    let curves: Vec<Curve> = order.iter().take(PRODUCT_CURVES).map(curve).filter(|c| c.points.len() > 1).collect();
    if curves.is_empty() {
        return Ok(None);
    }
    let limits = review.verdicts.iter().map(|v| v.limit.clone()).filter(|l| l.measure.is_none()).collect();
    let plot = CurvePlot {
        title: "Strongest products over the band".into(),
        x: Axis { label: "RF".into(), unit: "GHz".into() },
        y_label: "Level".into(),
        y_unit: "dBc".into(),
        curves,
        limits,
    };
    Ok(Some(Section {
        key: "products_over_frequency".into(),
        title: "Products over frequency".into(),
        text: format!(
            "Signal at {:+} dBm; bands: change from {:?} to {:?} orders.",
            plan.signal_dbm, PRODUCT_ORDERS[0], PRODUCT_ORDERS[1]
        ),
        items: vec![Item::Curves(plot)],
    }))
}

/// Line lengths in front of a filter that reflects the image, at which the loss rises above the requirement.
fn keep_outs(model: &Model, plan: &Plan, to_m: f64, watch: &dyn Watch) -> Result<Option<Vec<KeepOut>>, ProjectError> {
    if plan.direction == Direction::Up || to_m <= 0.0 {
        return Ok(None);
    }
    let slack = 0.02 * plan.rf_centre_hz();
    let mut question = FilterQuestion {
        lo: Lo { hz: plan.lo_hz, dbm: plan.lo_dbm },
        rf_hz: plan.rf_grid(13),
        pass_hz: (plan.rf_band_hz.0 - slack, plan.rf_band_hz.1 + slack),
        gamma: Complex64::from(REFLECTING),
        permittivity: 1.0,
        length_max_m: to_m,
        limit_db: 0.0,
        temp_k: model.temp_k,
    };
    let required = plan.limits.iter().find_map(|l| match (l.measure, l.bound) {
        (Some(Measure::ConversionLoss), Bound::AtMost(x)) => Some(x),
        _ => None,
    });
    let bare_db = keep_out(model, &question, 2, watch)?.nominal_db;
    question.limit_db = required.filter(|r| *r > bare_db).unwrap_or(bare_db + 1.0);
    let answer = keep_out(model, &question, 2, watch)?;
    let harm = format!(
        "loss above {:.1} dB somewhere in the band (without filter {bare_db:.1} dB at most)",
        question.limit_db
    );
    let image = (2.0 * plan.lo_hz - plan.rf_band_hz.1, 2.0 * plan.lo_hz - plan.rf_band_hz.0);
    let (low, high) = (image.0.abs().min(image.1.abs()), image.0.abs().max(image.1.abs()));
    let searched = handover::export::ascii(&format!("{}", (1e4 * to_m).round() / 10.0));
    let what = format!("image, {:.4} to {:.4} GHz, at RF; lines up to {searched} mm", low / 1e9, high / 1e9)
        .replace(".0000", "");
    let all = answer.keep_out_m.into_iter();
    Ok(Some(all.map(|(from_m, to_m)| KeepOut { what: what.clone(), from_m, to_m, harm: harm.clone() }).collect()))
}

/// Reflection of the filter outside its band: open at its own plane, a tenth of the power lost.
const REFLECTING: f64 = 0.95;

/// The model of a datasheet, read as an export reads it.
///
/// # Errors
/// As [`crate::export::load`].
pub fn load(path: &Path, watch: &dyn Watch) -> Result<Loaded, ProjectError> {
    crate::export::load(path, watch)
}

impl From<DatasheetError> for ProjectError {
    fn from(error: DatasheetError) -> Self {
        let (expected, found) = match &error {
            DatasheetError::Samples { expected, found, .. } => (expected.clone(), found.clone()),
            _ => ("pages".into(), error.to_string()),
        };
        Self::Handover(HandoverError::mismatch(expected, found, "the datasheet"))
    }
}

/// Whether a file is a design.
pub(crate) fn is_design(path: &Path) -> bool {
    path.extension().is_some_and(|e| e == "toml")
}
