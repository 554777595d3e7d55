//! `open`: what is in a model package, may it be trusted, does it reproduce its numbers.

use super::{Outcome, push_findings};
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::ProjectError;
use project::package::{challenge_words, notices, open, reproduce};
use serde_json::json;
use std::fmt::Write as _;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Open {
    /// Model package
    model: PathBuf,
    /// Public key of the maker you trust
    #[arg(long, value_name = "FILE")]
    trusted: Option<PathBuf>,
    /// Compute every number of its datasheet again and compare
    #[arg(long)]
    reproduce: bool,
}

pub(super) fn run(arguments: &Open, global: &Global) -> Result<Outcome, ProjectError> {
    let opened = open(&arguments.model, arguments.trusted.as_deref())?;
    let model = &opened.model;
    let reproduced = if arguments.reproduce {
        let progress = Progress::new(global.quiet);
        let found = reproduce(model, &progress);
        progress.finish();
        Some(found?)
    } else {
        None
    };
    let failed = opened.signature.is_suspicious() || reproduced.as_ref().is_some_and(|r| !r.is_good());
    let notices = notices(model);
    if global.json {
        let links: Vec<_> = opened
            .provenance
            .links
            .iter()
            .map(|l| json!({ "key": l.key, "label": l.label, "blake3": l.blake3 }))
            .collect();
        let value = json!({
            "intact": true, "signature": opened.signature.words(), "name": opened.manifest_blake3, "type": model.name,
            "maker": model.maker, "revision": model.revision, "bytes": opened.bytes, "provenance": links,
            "watermark": model.terms.watermark, "expires": model.terms.expires,
            "notices": notices.iter().map(|f| &f.text).collect::<Vec<_>>(),
            "reproduced": reproduced.as_ref().map(|r| r.is_good()),
            "largest_difference": reproduced.as_ref().and_then(|r| r.worst.as_ref().map(|w| w.0)),
        });
        return Ok(Outcome { text: format!("{value:#}"), requirement_failed: failed });
    }
    let r = &model.region;
    let mut text = format!("{}: intact\n  {}\n", arguments.model.display(), opened.signature.words());
    let maker = if model.maker.is_empty() { "a maker who does not say his name" } else { &model.maker };
    let _ =
        writeln!(text, "  {}, revision {}, by {maker}; name {}", model.name, model.revision, opened.manifest_blake3);
    if let Some(w) = &model.terms.watermark {
        let _ = writeln!(text, "  {w}");
    }
    for f in &notices {
        let _ = writeln!(text, "  {}: {}", f.place, f.text);
    }
    let _ = writeln!(
        text,
        "  holds for: LO {:.3} to {:.3} GHz at {:+.1} to {:+.1} dBm, RF {:.3} to {:.3} GHz, IF {:.3} to {:.3} GHz, input up to \
         {:+.1} dBm,\n             {:.1} to {:.1} degC, reflections up to {}, products up to order {} of the LO and {} of the signal;\n             \
         outside: {}",
        r.lo_hz.0 / 1e9,
        r.lo_hz.1 / 1e9,
        r.lo_dbm.0,
        r.lo_dbm.1,
        r.rf_hz.0 / 1e9,
        r.rf_hz.1 / 1e9,
        r.if_hz.0 / 1e9,
        r.if_hz.1 / 1e9,
        r.signal_dbm_max,
        r.temp_k.0 - 273.15,
        r.temp_k.1 - 273.15,
        r.reflection_max,
        r.orders.0,
        r.orders.1,
        if r.policy == project::handover::OutsidePolicy::Refuse { "refused" } else { "answered with a warning" }
    );
    if model.terms.noise_withheld {
        text.push_str("  noise: withheld by the maker\n");
    }
    if let Some(c) = &model.challenge {
        let _ = writeln!(text, "  {}", challenge_words(c));
    }
    text.push_str("  comes from:\n");
    for link in &opened.provenance.links {
        let _ = writeln!(text, "    {:<18} {}…  {}", link.key, &link.blake3[..16.min(link.blake3.len())], link.label);
    }
    text.push_str("  its maker tells:\n");
    for reading in model.reference.readings.iter().take(20) {
        let _ = writeln!(text, "    {:<32} {:>9.2} {}", reading.measure.label(), reading.value, reading.measure.unit());
    }
    let more = model.reference.readings.len().saturating_sub(20);
    if more > 0 {
        let _ = writeln!(text, "    … and {more} more");
    }
    push_findings(&mut text, &model.findings);
    match &reproduced {
        Some(r) if r.is_good() => {
            let _ = writeln!(text, "  reproduces: {}", r.words());
        }
        Some(r) => {
            let _ = writeln!(text, "  DOES NOT REPRODUCE: {}", r.words());
        }
        None => text.push_str("  add --reproduce to compute all its numbers again and compare\n"),
    }
    Ok(Outcome { text, requirement_failed: failed })
}
