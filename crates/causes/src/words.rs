//! Findings in plain words, and the figures that show them.
