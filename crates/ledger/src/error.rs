//! What can be wrong with seals and ledgers.

/// Errors of seals and ledgers.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LedgerError {
    /// The file is no ledger, or damaged.
    #[error("`{file}`: expected a ledger, found {found}; nothing was changed: {next}")]
    NotALedger {
        /// Which file.
        file: String,
        /// What was found.
        found: String,
        /// What to do next.
        next: String,
    },
    /// The history was edited.
    #[error(
        "`{file}`: entry {entry} {what}; nothing was added: restore the file from its backup and add again what is missing"
    )]
    Edited {
        /// Which file.
        file: String,
        /// Number of the first entry that does not fit.
        entry: i64,
        /// What does not fit.
        what: String,
    },
    /// The same comparison is there already.
    #[error(
        "`{file}`: this comparison stands there already as entry {entry}: {what}; an entry is never replaced, add a session under another name"
    )]
    Twice {
        /// Which file.
        file: String,
        /// Number of the entry.
        entry: i64,
        /// Which comparison.
        what: String,
    },
    /// The database refused.
    #[error("`{file}`: the database refused to {what}: {source}")]
    Database {
        /// Which file.
        file: String,
        /// What was tried.
        what: &'static str,
        /// Why.
        source: rusqlite::Error,
    },
    /// Too few designs for what was asked.
    #[error(
        "{class}: a band that covers {percent:.0} % needs at least {needed} designs, the ledger has {found}; ask for a \
         lower coverage or compare more designs"
    )]
    TooFewDesigns {
        /// Quantity class.
        class: String,
        /// Coverage asked for, per cent.
        percent: f64,
        /// Designs needed.
        needed: usize,
        /// Designs there.
        found: usize,
    },
    /// A seal that is not one.
    #[error("`{file}`: expected a seal of format {}, found {found}; {next}", crate::seal::FORMAT)]
    NotASeal {
        /// Which file.
        file: String,
        /// What was found.
        found: String,
        /// What to do next.
        next: String,
    },
    /// A seal whose content does not fit its chain.
    #[error("`{file}`: the seal was changed after sealing: {}", .what.join("; "))]
    Tampered {
        /// Which file.
        file: String,
        /// Every place that does not fit.
        what: Vec<String>,
    },
    /// A signing key that is not one.
    #[error("a signing key is 64 hexadecimal digits, found {found}; make one with `mixwright seal --new-key FILE`")]
    NotAKey {
        /// What was found.
        found: String,
    },
}
