//! Bench records of the demonstration against a seal: what is compared, what is refused, what is kept.

use ledger as ledger_crate;
use ledger_crate::{Entry, Head, seal_readings};
use mixwright_project as project;
use project::lot;
use project::spec::{Method, Quality, Reading};
use std::path::{Path, PathBuf};

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/lots").join(name)
}

/// A seal that promises what unit A1 showed in session A-2, in a fresh folder beside copies of the session's files.
fn sealed(name: &str) -> PathBuf {
    let folder = std::env::temp_dir().join(format!("mixwright-lots-{name}-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a temporary folder");
    for file in std::fs::read_dir(demo("")).expect("shipped").map(|f| f.expect("a file")) {
        if file.file_name().to_string_lossy().starts_with("a-2") {
            std::fs::copy(file.path(), folder.join(file.file_name())).expect("copied");
        }
    }
    let (_, measured) = lot::read_session(&folder.join("a-2.toml")).expect("in order");
    let promised: Vec<Reading> = measured
        .iter()
        .filter(|m| m.unit == "A1" && !m.is_censored())
        .map(|m| Reading {
            measure: m.measure,
            value: m.value,
            conditions: m.conditions.clone(),
            quality: Quality {
                outcome: project::spec::Outcome::Converged,
                method: Method::Balance,
                numeric_band: Some(0.02),
                orders: (12, 5),
                residual: 0.0,
                continued: None,
                cancellation: None,
                is_bound: false,
                bands: project::spec::Bands::default(),
            },
        })
        .collect();
    let head = Head::new("QB-K07", "Ashgill Thin Film", "test", "2031-01-07", (20e9, 26e9), &[]);
    let seal = seal_readings(head, vec![], &promised.iter().collect::<Vec<_>>());
    std::fs::write(folder.join("a.seal"), seal.to_text()).expect("written");
    folder
}

#[test]
fn a_unit_compared_with_its_own_numbers_has_no_residual() {
    let folder = sealed("own");
    let report = lot::compare(&folder.join("a.seal"), &[folder.join("a-2.toml")]).expect("compared");
    let own: Vec<_> = report.comparison.residuals.iter().filter(|r| r.measured.unit == "A1").collect();
    assert!(own.len() > 100, "{}", own.len());
    assert!(own.iter().filter(|r| !r.measured.is_censored()).all(|r| r.residual == 0.0));
    assert!(!report.curves.is_empty(), "61 points make a curve");
    let alike = report.curves.iter().find(|c| c.unit == "A1").expect("a curve of A1");
    assert!(alike.likeness.global < 1e-12, "{alike:?}");
    let Entry::Comparison(c) = &lot::records(&report)[0] else { panic!("a comparison comes first") };
    assert_eq!((c.session.as_str(), c.seal.as_str()), ("A-2", report.seal.hash.as_str()));
    assert!(lot::csv(&report).lines().count() > 400);
    assert!(lot::page(&report).sections.len() >= 5);
}

/// The complaint when one text of one file is replaced.
fn complaint(name: &str, file: &str, from: &str, to: &str) -> String {
    let folder = sealed(name);
    let path = folder.join(file);
    let text = std::fs::read_to_string(&path).expect("there");
    assert!(text.contains(from), "`{from}` is in {file}");
    std::fs::write(&path, text.replacen(from, to, 1)).expect("written");
    lot::compare(&folder.join("a.seal"), &[folder.join("a-2.toml")]).expect_err("refused").to_string()
}

#[test]
fn lots_under_other_conditions_and_broken_files_are_refused_in_words() {
    let found = complaint("level", "a-2.toml", "lo_level = \"+15 dBm\"", "lo_level = \"+13 dBm\"");
    assert!(found.contains("LO level +13.00 dBm measured, +15.00 dBm predicted"), "{found}");
    let found = complaint("unit", "a-2.csv", "conversion_loss (dB)", "conversion_loss");
    assert!(found.contains("a-2.csv, line 2, column 3: expected a unit in brackets"), "{found}");
    let found = complaint("twice", "a-2.csv", "A2,20,", "A1,20,");
    assert!(found.contains("for unit `A1` under one set of conditions"), "{found}");
    let found = complaint("sweep", "a-2-sweep.csv", "A1,20.1,", "A1,20,");
    assert!(found.contains("another in a-2.csv, line 3"), "{found}");
    let found = complaint("ports", "a-2.toml", "ports = [\"rf\"]", "ports = [\"rf\", \"lo\"]");
    assert!(found.contains("expected 2 ports (RF, LO)") && found.contains("found 1 ports"), "{found}");
    let found = complaint("tampered", "a.seal", "\"lo_dbm\":15.0", "\"lo_dbm\":13.0");
    assert!(found.contains("the seal was changed after sealing: reading 1"), "{found}");
}

#[test]
fn every_key_of_a_bench_record_is_described() {
    let reader = include_str!("../src/lot/session_file.rs");
    let page = include_str!("../../../docs/measurements.md");
    let asks = [
        "required_text(\"",
        "required_table(\"",
        "tables(\"",
        "table(\"",
        "texts(\"",
        "count(\"",
        "flag(\"",
        "word(\"",
        "plain(\"",
    ];
    let mut keys: Vec<&str> = Vec::new();
    for ask in asks {
        keys.extend(reader.split(ask).skip(1).filter_map(|rest| rest.split('"').next()));
    }
    // quantities are asked for by their type
    let typed = reader.split("::<").skip(1).filter_map(|rest| rest.split_once(">(\"")?.1.split('"').next());
    keys.extend(typed);
    assert!(keys.len() > 25, "{keys:?}");
    for key in keys {
        let described = [format!("`{key}`"), format!("`[{key}]`"), format!("`[[{key}]]`"), format!("`{key} (")];
        assert!(
            described.iter().any(|d| page.contains(d.as_str())),
            "`{key}` is not described in docs/measurements.md"
        );
    }
}
