//! The ledger: one SQLite file, appended to and never edited.
//!
//! Input: entries. Output: entries, and whether the history is what was written.
//! Entries form a chain: the hash of each covers its content and the hash before it, so a change anywhere behind the
//! program's back is found at its place. What a chain cannot show is that its *end* was cut off; therefore the hash of
//! the last entry is printed, to be kept elsewhere.
//! Safety: journal ahead of writing, full synchronisation, one transaction a call; a killed program leaves the file as
//! before the call. Versions of the layout are counted in `user_version` and moved up on opening.

use crate::{Entry, LedgerError};
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use std::path::{Path, PathBuf};

/// Version of the layout this program writes.
pub const FORMAT: i64 = 2;
/// Marks our files among those of the same database.
const APPLICATION_ID: i64 = 0x4d58_4c47;
/// Hash before the first entry.
const ROOT: &str = "mixwright ledger";

/// Steps from each version of the layout to the next.
const MIGRATIONS: [&str; FORMAT as usize] = [
    // 1: entries, and no way to change them by accident
    "CREATE TABLE entry (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL,
        identity TEXT NOT NULL UNIQUE,
        body TEXT NOT NULL,
        hash TEXT NOT NULL
    );
    CREATE TRIGGER entry_is_never_changed BEFORE UPDATE ON entry
        BEGIN SELECT RAISE(ABORT, 'an entry of a ledger is never changed'); END;
    CREATE TRIGGER entry_is_never_removed BEFORE DELETE ON entry
        BEGIN SELECT RAISE(ABORT, 'an entry of a ledger is never removed'); END;",
    // 2: views for readers of the file that speak the language of the database
    "CREATE VIEW comparison AS SELECT number,
        json_extract(body, '$.design') AS design, json_extract(body, '$.technology') AS technology,
        json_extract(body, '$.lot') AS lot, json_extract(body, '$.session') AS session,
        json_extract(body, '$.date') AS date, json_extract(body, '$.foundry') AS foundry,
        json_extract(body, '$.reel') AS reel, json_extract(body, '$.lab') AS lab, json_extract(body, '$.seal') AS seal
        FROM entry WHERE kind = 'comparison';
    CREATE VIEW residual AS SELECT entry.number, json_extract(entry.body, '$.design') AS design,
        json_extract(item.value, '$.class') AS class, json_extract(item.value, '$.measure') AS measure,
        json_extract(item.value, '$.rf_hz') AS rf_hz, json_extract(item.value, '$.predicted') AS predicted,
        json_extract(item.value, '$.residual') AS residual, json_extract(item.value, '$.u') AS u,
        json_extract(item.value, '$.half_band') AS half_band, json_extract(item.value, '$.inside') AS inside,
        json_extract(item.value, '$.censored') AS censored
        FROM entry, json_each(entry.body, '$.values') AS item WHERE entry.kind = 'comparison';",
];

/// An open ledger.
#[derive(Debug)]
pub struct Ledger {
    connection: Connection,
    path: PathBuf,
}

/// An entry as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Stored {
    /// Number, rising from one.
    pub number: i64,
    /// Content.
    pub entry: Entry,
    /// Hash of content and history.
    pub hash: String,
}

/// A history found whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verified {
    /// Entries.
    pub entries: usize,
    /// Hash of the last entry: keep it elsewhere to notice a cut end.
    pub head: String,
}

impl Ledger {
    /// Opens a ledger, makes a new one where there is no file, and brings older layouts up to date.
    ///
    /// # Errors
    /// A file that is no ledger, is damaged, or was written by a later program. It is left as it is.
    pub fn open(path: &Path) -> Result<Self, LedgerError> {
        // a file without content is what a program killed at its first step leaves
        let is_new = path.metadata().map_or(true, |m| m.len() == 0);
        Self::connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE, is_new)
    }

    /// Opens a ledger that exists.
    ///
    /// # Errors
    /// As [`Ledger::open`], and when there is no file.
    pub fn open_existing(path: &Path) -> Result<Self, LedgerError> {
        if !path.is_file() {
            return Err(LedgerError::NotALedger {
                file: path.display().to_string(),
                found: "no file".into(),
                next: "correct the name, or make a ledger with `mixwright ledger add`".into(),
            });
        }
        Self::connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE, false)
    }

    fn connect(path: &Path, flags: OpenFlags, is_new: bool) -> Result<Self, LedgerError> {
        let connection = Connection::open_with_flags(path, flags).map_err(|e| damaged(path, &e.to_string()))?;
        let mut ledger = Self { connection, path: path.into() };
        let is_new = is_new || ledger.is_blank()?;
        if !is_new {
            ledger.check_file()?;
        }
        ledger.migrate(is_new)?;
        Ok(ledger)
    }

    /// A database without name, layout and content: what a program killed while it makes a ledger leaves.
    fn is_blank(&self) -> Result<bool, LedgerError> {
        let number = |sql: &str| -> Result<i64, LedgerError> {
            self.connection.query_row(sql, [], |r| r.get(0)).map_err(|e| damaged(&self.path, &e.to_string()))
        };
        Ok(number("PRAGMA application_id")? == 0
            && number("PRAGMA user_version")? == 0
            && number("SELECT count(*) FROM sqlite_master")? == 0)
    }

    /// Refuses foreign and damaged files before anything is written.
    fn check_file(&self) -> Result<(), LedgerError> {
        let number = |pragma: &str| -> Result<i64, LedgerError> {
            self.connection.query_row(pragma, [], |r| r.get(0)).map_err(|e| damaged(&self.path, &e.to_string()))
        };
        let (id, version) = (number("PRAGMA application_id")?, number("PRAGMA user_version")?);
        let file = self.path.display().to_string();
        if id != APPLICATION_ID {
            let next = "give the name of a ledger".into();
            return Err(LedgerError::NotALedger { file, found: "a database of something else".into(), next });
        }
        if version > FORMAT {
            let found = format!("layout {version}, written by a later program");
            let next = format!("this program reads layouts up to {FORMAT}; use the later program");
            return Err(LedgerError::NotALedger { file, found, next });
        }
        let check: String = self
            .connection
            .query_row("PRAGMA integrity_check(1)", [], |r| r.get(0))
            .map_err(|e| damaged(&self.path, &e.to_string()))?;
        if check == "ok" { Ok(()) } else { Err(damaged(&self.path, &check)) }
    }

    fn migrate(&mut self, is_new: bool) -> Result<(), LedgerError> {
        let run = |c: &mut Connection| -> rusqlite::Result<()> {
            if is_new {
                c.pragma_update(None, "application_id", APPLICATION_ID)?;
            }
            c.pragma_update(None, "journal_mode", "WAL")?;
            c.pragma_update(None, "synchronous", "FULL")?;
            let version: i64 = c.query_row("PRAGMA user_version", [], |r| r.get(0))?;
            for (k, step) in MIGRATIONS.iter().enumerate().skip(usize::try_from(version).unwrap_or(0)) {
                let transaction = c.transaction()?;
                transaction.execute_batch(step)?;
                transaction.pragma_update(None, "user_version", k as i64 + 1)?;
                transaction.commit()?;
            }
            Ok(())
        };
        run(&mut self.connection).map_err(|e| self.database("bring the layout up to date")(e))
    }

    fn database(&self, what: &'static str) -> impl Fn(rusqlite::Error) -> LedgerError + use<> {
        let file = self.path.display().to_string();
        move |source| LedgerError::Database { file: file.clone(), what, source }
    }

    /// Appends entries: all of them or, on an error, none. The history is verified first.
    ///
    /// # Errors
    /// A history that was edited, an entry that is there already, a full or locked disk.
    pub fn append(&mut self, entries: &[Entry]) -> Result<Verified, LedgerError> {
        let refused = self.database("append");
        let file = self.path.display().to_string();
        let transaction =
            self.connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate).map_err(&refused)?;
        let stored = read_all(&transaction).map_err(&refused)?;
        let mut head = verify(&file, &stored)?.head;
        for entry in entries {
            let identity = entry.identity();
            let twice: Option<i64> = transaction
                .query_row("SELECT number FROM entry WHERE identity = ?1", [&identity], |r| r.get(0))
                .optional()
                .map_err(&refused)?;
            if let Some(entry) = twice {
                return Err(LedgerError::Twice { file, entry, what: identity });
            }
            let body = serde_json::to_string(entry).expect("an entry is plain data");
            head = link(&head, entry.kind(), &identity, &body);
            transaction
                .execute(
                    "INSERT INTO entry (kind, identity, body, hash) VALUES (?1, ?2, ?3, ?4)",
                    params![entry.kind(), identity, body, head],
                )
                .map_err(&refused)?;
        }
        transaction.commit().map_err(&refused)?;
        Ok(Verified { entries: stored.len() + entries.len(), head })
    }

    /// Recomputes the chain over all entries.
    ///
    /// # Errors
    /// The first entry that was changed, is missing, or stands out of order.
    pub fn verify(&self) -> Result<Verified, LedgerError> {
        let rows = read_all(&self.connection).map_err(self.database("read"))?;
        verify(&self.path.display().to_string(), &rows)
    }

    /// All entries, verified.
    ///
    /// # Errors
    /// As [`Ledger::verify`]; content this program does not understand.
    pub fn entries(&self) -> Result<Vec<Stored>, LedgerError> {
        let rows = read_all(&self.connection).map_err(self.database("read"))?;
        verify(&self.path.display().to_string(), &rows)?;
        rows.into_iter()
            .map(|row| {
                let entry = serde_json::from_str(&row.body).map_err(|e| LedgerError::Edited {
                    file: self.path.display().to_string(),
                    entry: row.number,
                    what: format!("cannot be understood ({e})"),
                })?;
                Ok(Stored { number: row.number, entry, hash: row.hash })
            })
            .collect()
    }

    /// Writes a whole copy beside the ledger or elsewhere; an existing file of that name is replaced in one step.
    ///
    /// # Errors
    /// A disk that cannot be written to.
    pub fn back_up(&self, to: &Path) -> Result<(), LedgerError> {
        let mut name = to.as_os_str().to_owned();
        name.push(format!(".{}.part", std::process::id()));
        let temporary = PathBuf::from(name);
        let refused = self.database("write a backup");
        // what an earlier, killed call left under this name is worth nothing
        let _ = std::fs::remove_file(&temporary);
        self.connection.execute("VACUUM INTO ?1", [temporary.to_string_lossy()]).map_err(refused)?;
        std::fs::rename(&temporary, to).map_err(|e| damaged(to, &e.to_string()))
    }
}

/// A row as it stands in the file.
struct Row {
    number: i64,
    kind: String,
    identity: String,
    body: String,
    hash: String,
}

fn read_all(connection: &Connection) -> rusqlite::Result<Vec<Row>> {
    let mut statement = connection.prepare("SELECT number, kind, identity, body, hash FROM entry ORDER BY number")?;
    let rows = statement.query_map([], |r| {
        Ok(Row { number: r.get(0)?, kind: r.get(1)?, identity: r.get(2)?, body: r.get(3)?, hash: r.get(4)? })
    })?;
    rows.collect()
}

fn verify(file: &str, rows: &[Row]) -> Result<Verified, LedgerError> {
    let mut head = blake3::hash(ROOT.as_bytes()).to_hex().to_string();
    for (k, row) in rows.iter().enumerate() {
        let edited = |what: String| Err(LedgerError::Edited { file: file.into(), entry: row.number, what });
        if row.number != k as i64 + 1 {
            return edited(format!("follows entry {k}: what stood between them was removed"));
        }
        head = link(&head, &row.kind, &row.identity, &row.body);
        if head != row.hash {
            return edited(format!(
                "({}) was changed, or what came before it: its hash does not fit the content",
                row.identity
            ));
        }
    }
    Ok(Verified { entries: rows.len(), head })
}

/// Hash of an entry on top of the history before it; lengths keep the parts apart.
fn link(before: &str, kind: &str, identity: &str, body: &str) -> String {
    let mut hasher = blake3::Hasher::new();
    for part in [before, kind, identity, body] {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    hasher.finalize().to_hex().to_string()
}

/// Path of the copy kept beside a ledger.
fn backup_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".backup");
    name.into()
}

impl Ledger {
    /// Path of the copy kept beside this ledger.
    pub fn backup_path(&self) -> PathBuf {
        backup_of(&self.path)
    }
}

fn damaged(path: &Path, found: &str) -> LedgerError {
    let backup = backup_of(path);
    let next = if backup.is_file() {
        format!("keep the file for inspection and go on with a copy of its backup `{}`", backup.display())
    } else {
        "keep the file for inspection and restore it from your own backup".into()
    };
    LedgerError::NotALedger {
        file: path.display().to_string(),
        found: format!("a damaged or foreign file ({found})"),
        next,
    }
}
