//! The command line of Mixwright.
fn main() {}
