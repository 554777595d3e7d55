//! The Python door of Mixwright.
