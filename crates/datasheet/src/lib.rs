//! Datasheet and application pages as PDF and HTML.
