//! Writes `VALIDATION.md` from the record of a test run.
//!
//! ```text
//! MIXWRIGHT_CHECKS=$PWD/target/checks cargo test
//! cargo run -p mixwright-proof --example validation target/checks VALIDATION.md
//! ```
//! The folder should be empty before the test run: the page shows all that is in it.
#![allow(clippy::print_stdout)]

use mixwright_proof::validation::{Row, page, read_row};
use std::path::PathBuf;

fn main() -> Result<(), String> {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let folder = arguments.next().unwrap_or_else(|| "target/checks".into());
    let target = arguments.next().unwrap_or_else(|| "VALIDATION.md".into());
    let named = |error: std::io::Error, path: &PathBuf| format!("{}: {error}", path.display());
    let mut rows: Vec<Row> = Vec::new();
    let mut n_broken = 0;
    for entry in std::fs::read_dir(&folder).map_err(|e| named(e, &folder))? {
        let path = entry.map_err(|e| named(e, &folder))?.path();
        if path.extension().is_some_and(|e| e == "jsonl") {
            let text = std::fs::read_to_string(&path).map_err(|e| named(e, &path))?;
            for line in text.lines() {
                match read_row(line) {
                    Some(row) => rows.push(row),
                    None => n_broken += 1,
                }
            }
        }
    }
    if n_broken > 0 {
        return Err(format!(
            "expected rows of checks in {}, found {n_broken} broken lines; run again",
            folder.display()
        ));
    }
    let n_rows = rows.len();
    std::fs::write(&target, page(rows)).map_err(|e| named(e, &target))?;
    println!("{}: {n_rows} recorded checks", target.display());
    Ok(())
}
