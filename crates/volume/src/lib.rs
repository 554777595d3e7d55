//! Three-dimensional field solution on triangular prisms.
