//! A number someone else stands for, with its tolerance, the reason for it, and its origin.

/// Where an expected number comes from.
#[derive(Debug, Clone, Copy)]
pub enum Origin {
    /// Printed in a source that can be found.
    Published {
        /// Author, title, year, place.
        source: &'static str,
    },
    /// Computed from a stated formula or by a stated independent method.
    Derived {
        /// The formula or method.
        how: &'static str,
    },
    /// Recalled; must not stand beside a test as published.
    Memory {
        /// What was recalled.
        what: &'static str,
    },
    /// What the program gave on a day: proves nothing, shows change.
    Pinned {
        /// The day.
        on: &'static str,
    },
}

/// One expected number.
#[derive(Debug, Clone, Copy)]
pub struct CheckValue<'a> {
    /// What it is, with its unit.
    pub what: &'a str,
    /// The expected number.
    pub expected: f64,
    /// Largest allowed distance, in the same unit.
    pub within: f64,
    /// Why this tolerance.
    pub because: &'a str,
    /// Where the number comes from.
    pub origin: Origin,
}

impl CheckValue<'_> {
    /// Panics with name, both numbers, tolerance and origin unless `found` is close enough.
    ///
    /// Where the environment variable [`crate::validation::RECORD_DIR`] names a folder, the row is also
    /// recorded there, whether it passes or not.
    #[track_caller]
    pub fn check(&self, found: f64) {
        let error = (found - self.expected).abs();
        crate::validation::record(self, found, std::panic::Location::caller().file());
        assert!(
            error <= self.within,
            "{}: expected {}, found {} (off by {:.3e}, allowed {:.3e} because {}); origin {:?}",
            self.what,
            self.expected,
            found,
            error,
            self.within,
            self.because,
            self.origin
        );
    }
}
