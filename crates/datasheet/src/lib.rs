//! Datasheet and application pages of a mixer, as PDF and HTML.
//!
//! Input: a [`Sheet`]: a review, where it came from, ratings, and measured units when there are any.
//! Output: pages as SVG texts, the PDF made of them (vector plots, selectable text, embedded font), and an HTML page.
//! Conventions: typical and guaranteed numbers are never mixed. Typical is the mean of measured units, else the
//! simulated mean over the band and marked so; guaranteed is a one-sided tolerance bound of measured units, and
//! nothing stands there without them.
//! Not here: files, clocks; whoever wants a date puts it into the revision.

mod application;
mod bound;
mod canvas;
mod html;
mod layout;
#[cfg(test)]
mod layout_tests;
mod pdf;
mod pictures;
mod rows;
mod sheet;
mod words;

pub use bound::{Bounded, UNITS_MIN, normal_factor, tolerance_bound};
pub use html::html;
pub use layout::pages;
pub use pdf::pdf;
pub use rows::{Row, rows};
pub use sheet::{KeepOut, Measured, Path, Rating, Sample, Sheet};

/// Why a datasheet could not be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DatasheetError {
    /// Too few or unusable samples for the statement asked for.
    #[error("{what}: expected {expected}, found {found}")]
    Samples {
        /// Which number.
        what: String,
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// A page could not be turned into PDF: a mistake in this program.
    #[error("page {page} cannot be written as PDF: {why}")]
    Page {
        /// Page, from one.
        page: usize,
        /// Why.
        why: String,
    },
}
