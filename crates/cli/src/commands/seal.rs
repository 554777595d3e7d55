//! `seal`: freezes the promised numbers of a design.

use super::Outcome;
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::{ProjectError, files, ledger, review, seal};
use serde_json::json;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(crate) struct Seal {
    /// Design file to review and seal
    #[arg(required_unless_present_any = ["new_key", "verify"])]
    design: Option<PathBuf>,
    /// Ledger whose learned model error becomes part of the bands
    #[arg(long, value_name = "FILE")]
    ledger: Option<PathBuf>,
    /// Sign the seal with the private key in this file
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
    /// Make a pair of keys: the private one in this file, the public one beside it with the ending `.pub`
    #[arg(long, value_name = "FILE", conflicts_with_all = ["design", "verify"], requires = "maker")]
    new_key: Option<PathBuf>,
    /// Your name, as it stands in the key files
    #[arg(long, value_name = "NAME", default_value = "")]
    maker: String,
    /// Verify a seal instead of making one
    #[arg(long, value_name = "SEAL", conflicts_with = "design")]
    verify: Option<PathBuf>,
}

pub(crate) fn run(arguments: &Seal, global: &Global) -> Result<Outcome, ProjectError> {
    if let Some(path) = &arguments.new_key {
        return super::pack::new_keys(path, &arguments.maker, global);
    }
    if let Some(path) = &arguments.verify {
        return verify(path, global);
    }
    let Some(path) = &arguments.design else { return Ok(Outcome::done(String::new())) };
    make(path, arguments, global)
}

fn verify(path: &Path, global: &Global) -> Result<Outcome, ProjectError> {
    let seal = seal::read(path)?;
    let signers: Vec<&str> = seal.signatures.iter().map(|s| s.public_key.as_str()).collect();
    if global.json {
        let value = json!({ "ok": true, "hash": seal.hash, "readings": seal.readings.len(), "signed_by": signers });
        return Ok(Outcome::done(format!("{value:#}")));
    }
    let head = &seal.head.entry;
    let mut text = format!(
        "{}: untouched\n  {}, sealed on {} by {}\n  {} readings, name {}\n",
        path.display(),
        head.design,
        head.sealed_on,
        head.program,
        seal.readings.len(),
        seal.hash
    );
    for s in signers {
        let _ = writeln!(text, "  signed by {s}");
    }
    Ok(Outcome::done(text))
}

fn make(path: &Path, arguments: &Seal, global: &Global) -> Result<Outcome, ProjectError> {
    let design = files::read_design(path)?;
    // a wrong key is told before the long work
    let key = arguments.key.as_deref().map(seal::read_key).transpose()?;
    let learning = arguments.ledger.as_deref().map(|l| ledger::read(l, ledger::COVERAGE)).transpose()?;
    let progress = Progress::new(global.quiet);
    let reviewed = review::run_with_bands(&design, &progress);
    progress.finish();
    let mut reviewed = reviewed?;
    if let Some(learning) = &learning {
        let band = design.plan.seats[0].rf_band_hz();
        ledger::apply(&mut reviewed, learning, &seal::technology_of(&design), band);
    }
    let mut sealed = seal::seal(&design, &reviewed, &seal::today())?;
    if let Some(key) = &key {
        sealed.sign(key);
    }
    let to = match &global.out {
        Some(folder) => folder.join(path.with_extension("seal").file_name().unwrap_or_default()),
        None => path.with_extension("seal"),
    };
    files::write_whole(&to, sealed.to_text().as_bytes())?;
    if global.json {
        let value = json!({ "seal": to.display().to_string(), "hash": sealed.hash, "readings": sealed.readings.len() });
        return Ok(Outcome::done(format!("{value:#}")));
    }
    let mut text = format!("{} readings sealed in {}\nname {}\n", sealed.readings.len(), to.display(), sealed.hash);
    for input in &sealed.inputs {
        let i = &input.entry;
        let _ = writeln!(text, "  rests on {} ({} bytes, {}…)", i.name, i.bytes, &i.hash[..12]);
    }
    let missing = [
        (sealed.readings.iter().all(|r| r.entry.fabrication.is_none()), "fabrication bands"),
        (
            sealed.readings.iter().all(|r| r.entry.model.is_none()),
            "learned model error (give a ledger with `--ledger`)",
        ),
    ];
    for (_, what) in missing.iter().filter(|(absent, _)| *absent) {
        let _ = writeln!(text, "  note: no reading has {what}");
    }
    Ok(Outcome::done(text))
}
