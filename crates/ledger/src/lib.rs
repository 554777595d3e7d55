//! Sealed predictions and the append-only record of every comparison.
