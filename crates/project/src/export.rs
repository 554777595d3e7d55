//! A model for other programs: spur table, pumped scattering, Verilog-A module with its check, as texts and files.
//!
//! Input: the path of a package or a design, and what is asked for. Output: texts with their file names, what the fit of
//! the network costs, and the self-check. Everything is computed before the first file is written.
//! The texts are described in `docs/export.md`.

use crate::error::ProjectError;
use crate::package::{notices, open, review_model};
use crate::{files, surround};
use handover::export::check::{CheckQuestion, CheckReport, check};
use handover::export::fit::{Compared, FitQuestion, FitReport, consequence, fit};
use handover::export::{Origin, heading, pumped, spurs, verilog};
use handover::{HandoverError, Model};
use numerics::Watch;
use quantity::Finding;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Program named in every text.
pub(crate) const PROGRAM: &str = concat!("mixwright ", env!("CARGO_PKG_VERSION"));
/// Difference of integration and balance up to which the module counts as written down rightly, dB.
pub const AGREES_WITHIN_DB: f64 = 0.01;

/// A model and where it came from.
#[derive(Debug, Clone)]
pub struct Loaded {
    /// The model.
    pub model: Model,
    /// For the heads of texts.
    pub origin: Origin,
    /// Links of the provenance: what, and hash; empty for a design.
    pub links: Vec<(String, String)>,
}

/// Reads a package, or takes the model of a design (a file that ends in `.toml`).
///
/// # Errors
/// A file that cannot be read, a package that was changed or is of a later version, a design that cannot be joined.
pub fn load(path: &Path, watch: &dyn Watch) -> Result<Loaded, ProjectError> {
    if path.extension().is_some_and(|e| e == "toml") {
        let model = surround::load_model(path, watch)?;
        let origin = Origin { program: PROGRAM.into(), ..Origin::default() };
        return Ok(Loaded { model, origin, links: Vec::new() });
    }
    let opened = open(path, None)?;
    let told = notices(&opened.model).into_iter().map(|f| format!("{}: {}", f.place, f.text));
    let origin = Origin {
        package_blake3: Some(opened.manifest_blake3.clone()),
        signature: opened.signature.words(),
        program: PROGRAM.into(),
        notices: told.collect(),
    };
    let links = opened.provenance.links.iter().map(|l| (l.label.clone(), l.blake3.clone())).collect();
    Ok(Loaded { model: opened.model, origin, links })
}

/// What to export.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Asked {
    /// Spur table as comma-separated text.
    pub spur_table: bool,
    /// Pumped scattering as Touchstone and comma-separated text.
    pub pumped: bool,
    /// Verilog-A module.
    pub verilog_a: bool,
    /// Integrate the module in time and compare.
    pub verify: bool,
    /// Upper end of the band of the rational network, hertz; the usual one unless given.
    pub up_to_hz: Option<f64>,
    /// Most poles; the usual number unless given.
    pub poles: Option<usize>,
}

/// The texts.
#[derive(Debug, Clone, Default)]
pub struct Exported {
    /// File name and content.
    pub files: Vec<(String, String)>,
    /// How well the rational network stands for the sampled one.
    pub fit: Option<FitReport>,
    /// Numbers of the mixer by both networks.
    pub compared: Vec<Compared>,
    /// The module against the harmonic balance.
    pub check: Option<CheckReport>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// Computes everything asked for; `stem` begins the file names.
///
/// # Errors
/// Nothing asked for, a plan outside the region when the maker chose to refuse, a network that cannot be fitted, a
/// steady state that cannot be found, or the wish of `watch` to stop.
pub fn run(loaded: &Loaded, stem: &str, asked: &Asked, watch: &dyn Watch) -> Result<Exported, ProjectError> {
    let Loaded { model, origin, .. } = loaded;
    if !(asked.spur_table || asked.pumped || asked.verilog_a) {
        let expected = "at least one of spur table, pumped scattering and Verilog-A module";
        return Err(HandoverError::mismatch(expected, "none", "the export").into());
    }
    let mut out = Exported::default();
    for plan in &model.plans {
        out.findings.extend(model.check(&plan.plan)?);
    }
    out.findings.extend(notices(model));
    if asked.spur_table {
        let review = review_model(model, &model.mixer()?, &model.plans, watch)?;
        let text = spurs::table(&review, &heading(model, origin, "Spur table"));
        out.files.push((format!("{stem}.spurs.csv"), text));
    }
    if asked.pumped {
        for (i, plan) in model.plans.iter().enumerate() {
            let computed = pumped::pumped(model, &plan.plan, watch)?;
            let more = if i == 0 { String::new() } else { format!("-{}", i + 1) };
            out.files.push((format!("{stem}.pumped{more}.ts"), computed.touchstone(model, origin)?));
            out.files.push((format!("{stem}.pumped{more}.csv"), computed.csv(model, origin)));
        }
    }
    if asked.verilog_a {
        module(loaded, stem, asked, &mut out, watch)?;
    }
    Ok(out)
}

fn module(
    loaded: &Loaded,
    stem: &str,
    asked: &Asked,
    out: &mut Exported,
    watch: &dyn Watch,
) -> Result<(), ProjectError> {
    let Loaded { model, origin, .. } = loaded;
    let plan = &model.plans[0].plan;
    let usual = FitQuestion::usual(plan);
    let question = FitQuestion {
        up_to_hz: asked.up_to_hz.unwrap_or(usual.up_to_hz.min(model.network.up_to_hz())),
        poles_max: asked.poles.unwrap_or(usual.poles_max),
        ..usual
    };
    let fitted = Arc::new(fit(model, &question, watch)?);
    out.compared = consequence(model, &fitted, plan, watch)?;
    out.fit = Some(fitted.report);
    let text = verilog::module(model, &fitted, &out.compared, origin)?;
    if asked.verify {
        out.check = Some(check(&text, model, &fitted, &CheckQuestion::of(plan)?, watch)?);
    }
    out.files.push((format!("{stem}.va"), text));
    out.files.push((format!("{stem}.va-check.csv"), check_table(loaded, out)));
    Ok(())
}

/// Fit error, its consequence and the check as a table.
fn check_table(loaded: &Loaded, out: &Exported) -> String {
    let mut text = String::new();
    for line in heading(&loaded.model, &loaded.origin, "Check of the Verilog-A module") {
        let _ = writeln!(text, "# {line}");
    }
    if let Some(r) = &out.fit {
        let _ = writeln!(
            text,
            "# rational network: {} poles up to {} Hz, error of the scattering matrix {:.2e} rms, {:.2e} at most at {} Hz",
            r.poles, r.up_to_hz, r.rms, r.worst, r.worst_hz
        );
    }
    text.push_str(
        "# kind `network`: numbers of the mixer by the sampled and by the rational network, both by harmonic balance\n\
         # kind `module`: lines by harmonic balance of the rational network and by integration of the exported text in time\n",
    );
    if let Some(c) = &out.check {
        let _ = writeln!(
            text,
            "# integrated from rest over {} periods of the common frequency ({:.4e} s) in {} steps; LO {} Hz at {} dBm, \
             RF {} Hz at {} dBm",
            c.periods, c.time_s, c.steps, c.tones_hz.0, c.levels_dbm.0, c.tones_hz.1, c.levels_dbm.1
        );
    }
    text.push_str("kind,what,rf (Hz),unit,reference,exported,difference,difference unit\n");
    for c in &out.compared {
        let name = handover::export::ascii(&c.name);
        let _ = writeln!(
            text,
            "network,{name},{},{},{:.6},{:.6},{:.3e},{}",
            c.rf_hz,
            c.unit,
            c.sampled,
            c.rational,
            c.difference(),
            c.unit
        );
    }
    for l in out.check.iter().flat_map(|c| &c.lines) {
        let name = l.name.replace(',', ";");
        let _ = writeln!(
            text,
            "module,{name},{},V,{:e},{:e},{:.3e},dB",
            out.check.as_ref().map_or(0.0, |c| c.tones_hz.1),
            l.balance_v.norm(),
            l.integrated_v.norm(),
            l.difference_db()
        );
    }
    text
}

/// Writes the texts into a folder; gives their paths.
///
/// # Errors
/// The folder cannot be made or written to.
pub fn write(exported: &Exported, folder: &Path) -> Result<Vec<PathBuf>, ProjectError> {
    let mut paths = Vec::new();
    for (name, content) in &exported.files {
        let path = folder.join(name);
        files::write_whole(&path, content.as_bytes())?;
        paths.push(path);
    }
    Ok(paths)
}
