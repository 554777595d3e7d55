//! Measured lots: import, bench uncertainty, censoring, comparison like with like.
