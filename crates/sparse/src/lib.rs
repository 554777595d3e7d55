//! Direct solution of sparse symmetric systems.
