//! Measured lots and the ledger as a user meets them: wrong files are refused in words, a killed program loses nothing.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

fn mixwright(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_mixwright")).args(arguments).output().expect("the program starts")
}

fn shipped(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../project/demo").join(name)
}

/// A fresh folder with the files of one session.
fn session(name: &str) -> PathBuf {
    let folder = std::env::temp_dir().join(format!("mixwright-cli-lots-{name}-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a folder for the test");
    for file in std::fs::read_dir(shipped("lots")).expect("shipped").map(|f| f.expect("a file")) {
        if file.file_name().to_string_lossy().starts_with("a-2") {
            std::fs::copy(file.path(), folder.join(file.file_name())).expect("copied");
        }
    }
    folder
}

/// What is said, and the exit code, when one text of one file is replaced.
fn complaint(name: &str, file: &str, from: &str, to: &str) -> (Option<i32>, String) {
    let folder = session(name);
    let path = folder.join(file);
    let text = std::fs::read_to_string(&path).expect("there");
    assert!(text.contains(from), "`{from}` is in {file}");
    std::fs::write(&path, text.replacen(from, to, 1)).expect("written");
    let design = shipped("qb-k07.toml").display().to_string();
    let record = folder.join("a-2.toml").display().to_string();
    let out = folder.join("out").display().to_string();
    let found = mixwright(&["explain", &design, &record, "--quiet", "--out", &out]);
    assert!(!folder.join("out").exists(), "nothing is written");
    (found.status.code(), unwrapped(&found.stderr))
}

/// What is said, without the line breaks of the terminal.
fn unwrapped(text: &[u8]) -> String {
    let text = String::from_utf8_lossy(text);
    text.split_whitespace().filter(|w| !matches!(*w, "|" | "│")).collect::<Vec<_>>().join(" ")
}

#[test]
fn wrong_bench_records_are_refused_in_words() {
    let cases = [
        ("unit", "a-2.csv", "conversion_loss (dB)", "conversion_loss", "expected a unit in brackets"),
        ("twice", "a-2.csv", "A2,20,", "A1,20,", "for unit `A1` under one set of conditions"),
        ("ports", "a-2.toml", "ports = [\"rf\"]", "ports = [\"rf\", \"lo\"]", "expected 2 ports (RF, LO)"),
        ("measure", "a-2.csv", "dc_offset (mV)", "dc_ofset (mV)", "dc_ofset"),
    ];
    for (name, file, from, to, expected) in cases {
        let (code, said) = complaint(name, file, from, to);
        assert!(said.contains(expected), "{name}: {said}");
        assert!(code.is_some_and(|c| c != 0) && !said.contains("panicked"), "{name}: {code:?} {said}");
    }
}

fn ledger(arguments: &[&str]) -> (bool, String) {
    let found = mixwright(&[&["ledger"], arguments].concat());
    let text = [found.stdout, found.stderr].concat();
    (found.status.success(), unwrapped(&text))
}

#[test]
fn a_corrupted_ledger_is_named_and_left_as_it_is() {
    let folder = session("corrupt");
    let file = folder.join("history.ledger").display().to_string();
    let table = shipped("lots/earlier-designs.csv").display().to_string();
    let (ok, said) = ledger(&[&file, "--import", &table]);
    assert!(ok, "{said}");
    let mut bytes = std::fs::read(&file).expect("there");
    let middle = bytes.len() / 2;
    bytes[middle..middle + 4096].fill(0xa5);
    std::fs::write(&file, &bytes).expect("written");
    let (ok, said) = ledger(&[&file, "--verify"]);
    assert!(!ok && said.contains("history.ledger") && !said.contains("panicked"), "{said}");
    assert_eq!(std::fs::read(&file).expect("there"), bytes, "the damaged file is left as it is");
    let (ok, said) = ledger(&[&format!("{file}.backup"), "--verify"]);
    assert!(ok && said.contains("43 entries"), "{said}");
}

#[test]
fn a_program_killed_while_it_appends_leaves_a_whole_history() {
    let folder = session("killed");
    let table = shipped("lots/earlier-designs.csv").display().to_string();
    let (mut none, mut all) = (0, 0);
    for k in 0..12_u64 {
        let path = folder.join(format!("{k}.ledger"));
        let file = path.display().to_string();
        let mut child = Command::new(env!("CARGO_BIN_EXE_mixwright"))
            .args(["ledger", &file, "--import", &table])
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("the program starts");
        std::thread::sleep(Duration::from_millis(3 * k * k));
        child.kill().expect("our own child"); // SIGKILL
        child.wait().expect("our own child");
        if !path.exists() {
            none += 1;
            continue;
        }
        let (ok, said) = ledger(&[&file, "--verify"]);
        assert!(ok, "after {} ms: {said}", 3 * k * k);
        // all or nothing
        let (empty, whole) = (said.contains(" 0 entries"), said.contains(" 43 entries"));
        assert!(empty || whole, "{said}");
        none += usize::from(empty);
        all += usize::from(whole);
        // and it can be appended to
        if empty {
            let (ok, said) = ledger(&[&file, "--import", &table]);
            assert!(ok, "{said}");
        }
    }
    assert_eq!(none + all, 12);
}
