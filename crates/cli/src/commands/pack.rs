//! `pack`: a design becomes a model package that can be handed out.

use super::Outcome;
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::package::{PackOptions, challenge_words, new_key, pack, read_key};
use project::{ProjectError, files};
use quantity::{Level, Temperature};
use serde_json::json;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(crate) struct Pack {
    /// Design file
    #[arg(required_unless_present = "new_key")]
    design: Option<PathBuf>,
    /// Your name, as it stands in the package and in signatures
    #[arg(long, value_name = "NAME", default_value = "")]
    maker: String,
    /// Revision of the model
    #[arg(long, value_name = "TEXT", default_value = "1")]
    revision: String,
    /// Sign with the private key in this file
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
    /// Make a pair of keys: the private one in this file, the public one beside it with the ending `.pub`
    #[arg(long, value_name = "FILE", conflicts_with = "design", requires = "maker")]
    new_key: Option<PathBuf>,
    /// Lowest and highest temperature you vouch for, for example "-40 degC" "60 degC"
    #[arg(long, num_args = 2, value_names = ["LOW", "HIGH"], value_parser = crate::arguments::unit::<Temperature>, allow_hyphen_values = true)]
    temperature: Option<Vec<Temperature>>,
    /// Highest input level you vouch for, for example "+5 dBm"
    #[arg(long, value_name = "LEVEL", value_parser = crate::arguments::unit::<Level>, allow_hyphen_values = true)]
    level: Option<Level>,
    /// Largest reflection of a termination you vouch for, 0 to 1
    #[arg(long, value_name = "MAGNITUDE", default_value_t = 1.0)]
    reflection: f64,
    /// Refuse questions outside the region instead of flagging them
    #[arg(long)]
    refuse_outside: bool,
    /// Call the diodes D1, D2, … whatever the design calls them
    #[arg(long)]
    hide_names: bool,
    /// Leave requirements and verdicts out
    #[arg(long)]
    hide_requirements: bool,
    /// Let nobody compute noise from the model
    #[arg(long)]
    withhold_noise: bool,
    /// Text shown on every page made from the model
    #[arg(long, value_name = "TEXT")]
    watermark: Option<String>,
    /// Day after which users are told that the model is old, for example 2027-03-31; nothing is locked
    #[arg(long, value_name = "DAY")]
    expires: Option<String>,
    /// What users are told from that day on
    #[arg(long, value_name = "TEXT", requires = "expires")]
    expiry_text: Option<String>,
    /// File of measured units whose hash enters the provenance; may be given several times
    #[arg(long, value_name = "FILE")]
    measured: Vec<PathBuf>,
    /// Operating points at which the model is compared with the design
    #[arg(long, value_name = "N", default_value_t = 24)]
    challenge: usize,
}

pub(super) fn run(arguments: &Pack, global: &Global) -> Result<Outcome, ProjectError> {
    if let Some(path) = &arguments.new_key {
        return new_keys(path, &arguments.maker, global);
    }
    let Some(path) = &arguments.design else { return Ok(Outcome::done(String::new())) };
    let options = PackOptions {
        maker: arguments.maker.clone(),
        revision: arguments.revision.clone(),
        temp_k: arguments.temperature.as_ref().map(|t| (t[0].si(), t[1].si())),
        signal_dbm_max: arguments.level.map(Level::dbm),
        reflection_max: arguments.reflection,
        refuse_outside: arguments.refuse_outside,
        hide_names: arguments.hide_names,
        hide_requirements: arguments.hide_requirements,
        withhold_noise: arguments.withhold_noise,
        watermark: arguments.watermark.clone(),
        expires: arguments.expires.clone(),
        expiry_text: arguments.expiry_text.clone(),
        measured: arguments.measured.clone(),
        challenge_points: arguments.challenge,
        ..PackOptions::default()
    };
    let key = arguments.key.as_ref().map(|k| read_key(k, &arguments.maker)).transpose()?;
    let design = files::read_design(path)?;
    let progress = Progress::new(global.quiet);
    let packed = pack(&design, &options, key.as_ref(), &progress);
    progress.finish();
    let packed = packed?;
    let target = package_path(path, global);
    files::write_whole(&target, &packed.bytes)?;
    let (opened, reproduced) = (&packed.opened, &packed.reproduction);
    let challenge = opened.model.challenge.as_ref();
    if global.json {
        let worst: Vec<_> = challenge
            .iter()
            .flat_map(|c| &c.worst)
            .map(|(kind, unit, w)| json!({ "kind": kind, "unit": unit, "difference": w }))
            .collect();
        let value = json!({
            "written": target.display().to_string(), "bytes": opened.bytes, "name": opened.manifest_blake3,
            "signature": opened.signature.words(), "samples": opened.model.network.quality().samples,
            "sampling_error": opened.model.network.quality().error, "challenge": worst,
            "reproduced": reproduced.is_good(), "compared": reproduced.compared,
            "largest_difference": reproduced.worst.as_ref().map(|w| w.0),
        });
        return Ok(Outcome { text: format!("{value:#}"), requirement_failed: !reproduced.is_good() });
    }
    let quality = opened.model.network.quality();
    let mut text = format!(
        "{}: {:.1} MB, name {}\n  passive network: {} samples up to {:.2} THz, largest error between them {:.1e}\n",
        target.display(),
        opened.bytes as f64 / 1e6,
        opened.manifest_blake3,
        quality.samples,
        opened.model.network.up_to_hz() / 1e12,
        quality.error
    );
    if let Some(c) = challenge {
        let _ = writeln!(text, "  {}", challenge_words(c));
    }
    let _ = writeln!(
        text,
        "  {}: {}",
        if reproduced.is_good() { "reproduces" } else { "DOES NOT REPRODUCE" },
        reproduced.words()
    );
    let _ = writeln!(text, "  {}", opened.signature.words());
    let told = "inside: waves at connectors and junctions, junction parameters, region, datasheet numbers, hashes of origin; \
                not inside: layout, stackup, parts, private key";
    let _ = writeln!(text, "  {told}");
    Ok(Outcome { text, requirement_failed: !reproduced.is_good() })
}

/// A pair of keys that sign models and seals.
pub(super) fn new_keys(path: &Path, maker: &str, global: &Global) -> Result<Outcome, ProjectError> {
    let public = new_key(path, maker)?;
    if global.json {
        let value = json!({ "private": path.display().to_string(), "public": public.display().to_string() });
        return Ok(Outcome::done(format!("{value:#}")));
    }
    Ok(Outcome::done(format!(
        "private key: {}  keep it secret; whoever has it signs in your name, and it cannot be made again\n\
         public key:  {}  hand it to your customers over a way they trust\n",
        path.display(),
        public.display()
    )))
}

/// Beside the design, or in the folder asked for.
fn package_path(design: &Path, global: &Global) -> PathBuf {
    let stem = design.file_stem().map_or_else(|| "model".into(), |s| s.to_string_lossy().into_owned());
    let name = format!("{stem}.mwmodel");
    global.out.as_ref().map_or_else(|| design.with_file_name(&name), |folder| folder.join(&name))
}
