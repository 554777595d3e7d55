//! The file: history that cannot be edited silently, damage that is named, nothing lost.

use ledger::{Comparison, Entry, Ledger, LedgerError, Value};
use mixwright_ledger as ledger;
use rusqlite::Connection;
use std::path::{Path, PathBuf};

/// A folder of this test, empty.
fn folder(name: &str) -> PathBuf {
    let path = std::env::temp_dir().join(format!("mixwright-ledger-{name}-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&path);
    std::fs::create_dir_all(&path).expect("a temporary folder");
    path
}

fn entry(k: usize) -> Entry {
    Entry::Comparison(Comparison {
        design: format!("D{k:02}"),
        technology: "thin film".into(),
        lot: "A".into(),
        session: "1".into(),
        date: format!("2030-01-{:02}", k + 1),
        foundry: "F".into(),
        reel: "R".into(),
        lab: "L".into(),
        seal: String::new(),
        lo_hz: Some(28e9),
        values: vec![Value {
            class: "loss".into(),
            measure: "conversion_loss".into(),
            rf_hz: Some(23e9),
            predicted: 7.0,
            residual: 0.1 * k as f64,
            u: 0.12,
            half_band: Some(0.5),
            inside: Some(true),
            censored: false,
        }],
    })
}

fn filled(path: &Path) -> Ledger {
    let mut ledger = Ledger::open(path).expect("a new ledger");
    ledger.append(&(0..5).map(entry).collect::<Vec<_>>()).expect("appended");
    ledger
}

#[test]
fn entries_come_back_in_order_and_the_chain_holds() {
    let path = folder("order").join("ledger.sqlite");
    let head = filled(&path).verify().expect("whole");
    assert_eq!(head.entries, 5);
    let again = Ledger::open_existing(&path).expect("there");
    assert_eq!(again.verify().expect("whole"), head);
    let entries: Vec<Entry> = again.entries().expect("whole").into_iter().map(|s| s.entry).collect();
    assert_eq!(entries, (0..5).map(entry).collect::<Vec<_>>());
}

#[test]
fn the_same_comparison_is_not_entered_twice_and_nothing_of_the_call_stays() {
    let path = folder("twice").join("ledger.sqlite");
    let mut ledger = filled(&path);
    let error = ledger.append(&[entry(7), entry(2)]).expect_err("D02 is there");
    assert!(matches!(error, LedgerError::Twice { entry: 3, .. }), "{error}");
    assert_eq!(ledger.verify().expect("whole").entries, 5, "D07 of the refused call is not there");
}

/// Edits the file behind the program's back.
fn edited(name: &str, sql: &str) -> (Ledger, LedgerError) {
    let path = folder(name).join("ledger.sqlite");
    drop(filled(&path));
    let raw = Connection::open(&path).expect("a database");
    raw.execute_batch("DROP TRIGGER entry_is_never_changed; DROP TRIGGER entry_is_never_removed;").expect("dropped");
    raw.execute_batch(sql).expect("edited");
    drop(raw);
    let mut ledger = Ledger::open_existing(&path).expect("the file itself is sound");
    let error = ledger.verify().expect_err("the edit is found");
    assert!(ledger.append(&[entry(9)]).is_err(), "nothing is added to an edited history");
    assert!(ledger.entries().is_err(), "and nothing is learned from it");
    (ledger, error)
}

#[test]
fn edits_behind_its_back_are_found() {
    let (_, error) = edited("change", "UPDATE entry SET body = replace(body, '0.2', '0.0') WHERE number = 3");
    assert!(matches!(&error, LedgerError::Edited { entry: 3, .. }), "{error}");
    let (_, error) = edited("remove", "DELETE FROM entry WHERE number = 2");
    assert!(matches!(&error, LedgerError::Edited { entry: 3, what, .. } if what.contains("removed")), "{error}");
    let (_, error) = edited("rename", "UPDATE entry SET identity = 'x' WHERE number = 1");
    assert!(matches!(&error, LedgerError::Edited { entry: 1, .. }), "{error}");
    // a forged hash breaks the next link
    let (_, error) =
        edited("forge", "UPDATE entry SET hash = (SELECT hash FROM entry WHERE number = 1) WHERE number = 4");
    assert!(matches!(&error, LedgerError::Edited { entry: 4, .. }), "{error}");
}

#[test]
fn the_database_itself_refuses_plain_edits() {
    let path = folder("plain").join("ledger.sqlite");
    drop(filled(&path));
    let raw = Connection::open(&path).expect("a database");
    let error = raw.execute("UPDATE entry SET body = '' WHERE number = 1", []).expect_err("refused");
    assert!(error.to_string().contains("never changed"), "{error}");
    assert!(raw.execute("DELETE FROM entry", []).expect_err("refused").to_string().contains("never removed"));
}

#[test]
fn a_cut_end_shows_in_the_hash_kept_elsewhere() {
    let path = folder("cut").join("ledger.sqlite");
    let head = filled(&path).verify().expect("whole").head;
    let raw = Connection::open(&path).expect("a database");
    raw.execute_batch("DROP TRIGGER entry_is_never_removed; DELETE FROM entry WHERE number = 5").expect("cut");
    drop(raw);
    let cut = Ledger::open_existing(&path).expect("there").verify().expect("the rest is whole");
    assert_ne!(cut.head, head);
}

#[test]
fn damage_is_named_and_the_file_left_as_it_is() {
    let folder = folder("damage");
    let path = folder.join("ledger.sqlite");
    let ledger = filled(&path);
    ledger.back_up(&ledger.backup_path()).expect("a copy");
    drop(ledger);
    let mut bytes = std::fs::read(&path).expect("there");
    for b in bytes.iter_mut().skip(100).take(6000) {
        *b = 0x5a;
    }
    std::fs::write(&path, &bytes).expect("damaged");
    let error = Ledger::open(&path).expect_err("damaged").to_string();
    assert!(error.contains("nothing was changed") && error.contains("ledger.sqlite.backup"), "{error}");
    assert_eq!(std::fs::read(&path).expect("there"), bytes, "not a byte was written");
    let backup = Ledger::open_existing(&folder.join("ledger.sqlite.backup")).expect("the copy is sound");
    assert_eq!(backup.verify().expect("whole").entries, 5);
    let text = folder.join("notes.txt");
    std::fs::write(&text, "no database at all, but a text that is long enough to be mistaken for one".repeat(20))
        .expect("written");
    assert!(Ledger::open(&text).expect_err("foreign").to_string().contains("restore it from your own backup"));
    let other = folder.join("other.sqlite");
    Connection::open(&other).expect("new").execute_batch("CREATE TABLE t (x)").expect("made");
    assert!(Ledger::open(&other).expect_err("foreign").to_string().contains("a database of something else"));
    assert!(Ledger::open_existing(&folder.join("none")).expect_err("no file").to_string().contains("no file"));
}

#[test]
fn a_killed_call_leaves_the_file_as_before() {
    let path = folder("killed").join("ledger.sqlite");
    let head = filled(&path).verify().expect("whole");
    let raw = Connection::open(&path).expect("a database");
    raw.execute_batch("BEGIN IMMEDIATE; INSERT INTO entry (kind, identity, body, hash) VALUES ('x', 'y', 'z', 'w')")
        .expect("begun");
    // copy the files while the transaction is open: what a power cut would leave
    let after = folder("killed-after");
    for end in ["", "-wal"] {
        let from = format!("{}{end}", path.display());
        std::fs::copy(&from, after.join(format!("ledger.sqlite{end}"))).expect("copied");
    }
    let found = Ledger::open_existing(&after.join("ledger.sqlite")).expect("opens").verify().expect("whole");
    assert_eq!(found, head);
}

#[test]
fn an_older_layout_is_brought_up_to_date_and_a_later_one_refused() {
    let path = folder("migrate").join("ledger.sqlite");
    let head = filled(&path).verify().expect("whole");
    let raw = Connection::open(&path).expect("a database");
    // layout 1 had no views
    raw.execute_batch("DROP VIEW comparison; DROP VIEW residual; PRAGMA user_version = 1").expect("aged");
    drop(raw);
    let ledger = Ledger::open(&path).expect("brought up to date");
    assert_eq!(ledger.verify().expect("whole"), head);
    drop(ledger);
    let raw = Connection::open(&path).expect("a database");
    let n: i64 = raw.query_row("SELECT count(*) FROM residual WHERE class = 'loss'", [], |r| r.get(0)).expect("a view");
    assert_eq!(n, 5);
    raw.execute_batch("PRAGMA user_version = 99").expect("a later program");
    drop(raw);
    assert!(Ledger::open(&path).expect_err("later").to_string().contains("layout 99"));
}

#[test]
fn a_database_left_blank_by_a_killed_program_becomes_a_ledger() {
    let path = folder("blank").join("ledger.sqlite");
    let raw = Connection::open(&path).expect("a database");
    raw.execute_batch("CREATE TABLE t (x); DROP TABLE t").expect("blank again");
    drop(raw);
    assert!(path.metadata().expect("there").len() > 0);
    assert_eq!(filled(&path).verify().expect("whole").entries, 5);
}
