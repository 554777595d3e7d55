//! The design file, the stages and their order, cache and provenance.
