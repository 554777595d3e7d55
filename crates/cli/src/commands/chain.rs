//! `chain`: noise figure, intercepts and level through a row of stages.

use super::Outcome;
use crate::arguments::Global;
use crate::progress::Progress;
use clap::Args;
use project::ProjectError;
use project::chain::{Row, run as compute, text};
use serde_json::json;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct Chain {
    /// File with the stages of the row
    row: PathBuf,
}

pub(super) fn run(arguments: &Chain, global: &Global) -> Result<Outcome, ProjectError> {
    let progress = Progress::new(global.quiet);
    let row = compute(&arguments.row, &progress);
    progress.finish();
    let row = row?;
    Ok(Outcome::done(if global.json { value(&row) } else { text(&row) }))
}

fn value(row: &Row) -> String {
    let stages: Vec<_> = row
        .stages
        .iter()
        .zip(&row.cumulative)
        .map(|(s, c)| {
            json!({
                "stage": s.name, "stage_gain_db": s.gain_db, "stage_noise_db": s.noise_db, "gain_db": c.gain_db,
                "noise_db": c.noise_db, "ip3_dbm": c.ip3_dbm, "ip2_dbm": c.ip2_dbm, "p1db_dbm": c.p1db_dbm,
                "level_dbm": c.level_dbm, "headroom_db": c.headroom_db,
            })
        })
        .collect();
    format!("{:#}", json!({ "name": row.name, "input_dbm": row.input_dbm, "stages": stages, "notes": row.notes }))
}
