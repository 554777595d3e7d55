//! The record of all check values of a test run, and the page made of it.
//!
//! Run the tests with [`RECORD_DIR`] naming a folder; every [`CheckValue::check`] then appends one JSON
//! line to a file of its process there. The example program `validation` reads the folder and writes
//! the page. Rows are sorted and printed to the digits of their tolerance, so that the page does not
//! depend on the order of the tests.

use crate::{CheckValue, Origin};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Write as _;

/// Name of the environment variable that names the folder of the record.
pub const RECORD_DIR: &str = "MIXWRIGHT_CHECKS";

/// Groups with more rows than this show the ones nearest to their tolerance only.
const ROWS_MAX: usize = 60;
/// How many those are.
const ROWS_NEAREST: usize = 12;

/// One recorded check.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Source file of the check.
    pub file: String,
    /// Name of the test.
    pub test: String,
    /// What was checked.
    pub what: String,
    /// What the program found.
    pub found: f64,
    /// What was expected.
    pub expected: f64,
    /// Allowed distance.
    pub within: f64,
    /// Why that.
    pub because: String,
    /// Kind and text of the origin.
    pub origin: String,
}

/// Appends a row to the record of this process, if one is asked for.
pub(crate) fn record(check: &CheckValue<'_>, found: f64, file: &str) {
    let Some(folder) = std::env::var_os(RECORD_DIR) else { return };
    let (kind, text) = match check.origin {
        Origin::Published { source } => ("published", source),
        Origin::Derived { how } => ("derived", how),
        Origin::Memory { what } => ("memory", what),
        Origin::Pinned { on } => ("pinned", on),
    };
    let test = std::thread::current().name().unwrap_or("").to_owned();
    let row = json!({
        "file": file.replace('\\', "/"), "test": test, "what": check.what, "found": found, "expected": check.expected,
        "within": check.within, "because": check.because, "origin": format!("{kind}: {text}"),
    });
    let folder = std::path::PathBuf::from(folder);
    let path = folder.join(format!("{}.jsonl", std::process::id()));
    let written = std::fs::create_dir_all(&folder).and_then(|()| {
        let mut file = std::fs::OpenOptions::new().create(true).append(true).open(&path)?;
        // One call for the whole line: tests of one process run side by side.
        file.write_all(format!("{row}\n").as_bytes())
    });
    if let Err(error) = written {
        panic!("expected to record a check in {}, found: {error}; look at {RECORD_DIR}", path.display());
    }
}

/// Reads one line of a record; none when it is no row.
pub fn read_row(line: &str) -> Option<Row> {
    let node: Value = serde_json::from_str(line).ok()?;
    let text = |name: &str| Some(node[name].as_str()?.to_owned());
    // A number that is not finite is written as null: it must show, not vanish.
    let number = |name: &str| node[name].as_f64().unwrap_or(f64::NAN);
    Some(Row {
        file: text("file")?,
        test: text("test")?,
        what: text("what")?,
        found: number("found"),
        expected: number("expected"),
        within: number("within"),
        because: text("because")?,
        origin: text("origin")?,
    })
}

impl Row {
    /// Distance in shares of the allowed one; at most one for a check that passes.
    pub fn share(&self) -> f64 {
        let distance = (self.found - self.expected).abs();
        if distance == 0.0 { 0.0 } else { distance / self.within }
    }

    fn passes(&self) -> bool {
        (self.found - self.expected).abs() <= self.within
    }
}

/// The page of all rows, as Markdown.
pub fn page(mut rows: Vec<Row>) -> String {
    let key = |r: &Row| (r.file.clone(), r.test.clone(), r.what.clone());
    rows.sort_by(|a, b| key(a).cmp(&key(b)).then(a.found.total_cmp(&b.found)));
    rows.dedup_by(|a, b| a.what == b.what && a.test == b.test && a.file == b.file && a.found == b.found);
    let missed = rows.iter().filter(|r| !r.passes()).count();
    let mut text = format!(
        "# Validation\n\nGenerated from the check values of a test run; not to be edited.\n\n{} numbers checked, {missed} outside their tolerance.\n",
        rows.len()
    );
    let mut origins: Vec<String> = rows.iter().map(|r| r.origin.clone()).collect();
    origins.sort();
    origins.dedup();
    let mut groups: BTreeMap<(String, String), Vec<Row>> = BTreeMap::new();
    for row in rows {
        groups.entry((row.file.clone(), row.test.clone())).or_default().push(row);
    }
    let mut file_before = String::new();
    for ((file, test), group) in groups {
        if file != file_before {
            let _ = write!(text, "\n## `{file}`\n");
            file_before = file;
        }
        let _ = write!(text, "\n### {}\n\n{}", test.replace("::", ": ").replace('_', " "), table(group, &origins));
    }
    text.push_str("\n## Origins\n\n");
    for (k, origin) in origins.iter().enumerate() {
        let _ = writeln!(text, "{}. {}", k + 1, cell(origin));
    }
    text
}

/// `origins`: all origins of the page in order; a row names its place there.
fn table(mut group: Vec<Row>, origins: &[String]) -> String {
    let mut text = String::new();
    let n_rows = group.len();
    if n_rows > ROWS_MAX {
        group.sort_by(|a, b| b.share().total_cmp(&a.share()).then(a.what.cmp(&b.what)));
        group.truncate(ROWS_NEAREST);
        let _ = writeln!(text, "{n_rows} numbers; the {ROWS_NEAREST} nearest to their tolerance:\n");
    }
    text.push_str(
        "| what | found | expected | within | because | origin |\n| --- | ---: | ---: | ---: | --- | --- |\n",
    );
    for row in &group {
        let mark = if row.passes() { "" } else { "**missed** " };
        let _ = writeln!(
            text,
            "| {mark}{} | {} | {} | {:.1e} | {} | {} |",
            cell(&row.what),
            digits(row.found, row.within),
            digits(row.expected, row.within),
            row.within,
            cell(&row.because),
            origins.partition_point(|o| *o < row.origin) + 1
        );
    }
    text
}

/// A number to one digit beyond its tolerance.
fn digits(value: f64, within: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let last = if within > 0.0 { within.log10().floor() as i32 - 1 } else { -15 };
    let size = value.abs().log10().floor() as i32;
    if size < last {
        return "0".to_owned();
    }
    let figures = (size - last).clamp(0, 15) as usize;
    if (-4..7).contains(&size) {
        format!("{value:.*}", (-last).clamp(0, 17) as usize)
    } else {
        format!("{value:.figures$e}")
    }
}

fn cell(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ").replace('|', "\\|")
}

#[cfg(test)]
mod tests {
    use super::{Row, digits, page, read_row};

    fn row(what: &str, found: f64) -> Row {
        Row {
            file: "crates/a/tests/b.rs".into(),
            test: "one_test".into(),
            what: what.into(),
            found,
            expected: 3.9224,
            within: 1e-3,
            because: "rounding".into(),
            origin: "derived: 20 log10(pi/2)".into(),
        }
    }

    #[test]
    fn the_page_does_not_depend_on_the_order_of_the_rows() {
        let rows = vec![row("b", 3.9223), row("a", 3.92241), row("a", 3.92241)];
        let back: Vec<Row> = rows.iter().rev().cloned().collect();
        assert_eq!(page(rows.clone()), page(back));
        assert!(page(rows).contains("2 numbers checked, 0 outside"));
    }

    #[test]
    fn a_missed_check_is_marked() {
        let text = page(vec![row("loss, dB", 3.95), row("not a number", f64::NAN)]);
        assert!(text.contains("2 outside their tolerance"), "{text}");
        assert!(text.contains("**missed** loss, dB | 3.9500 | 3.9224"), "{text}");
    }

    #[test]
    fn numbers_are_printed_to_their_tolerance() {
        assert_eq!(digits(3.922_397_54, 1e-3), "3.9224");
        assert_eq!(digits(1.234_567e-12, 1e-15), "1.2346e-12");
        assert_eq!(digits(3e-18, 1e-12), "0");
    }

    #[test]
    fn a_broken_line_is_no_row() {
        assert_eq!(read_row("{\"what\": \"half"), None);
    }
}
