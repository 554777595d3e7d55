//! Baluns from two coupled-line sections: from a requirement to dimensions, with what they will do.
//!
//! Use it for: choosing film thickness, strip widths and length of a stacked two-section balun on a given stack
//! ([`synthesise`]); predicting balance, band, match and loss of one ([`Arrangement`]); and the change of all of
//! them by every spread of the process; drawing it ([`draw`]). Not for: coupling between the sections, bends, lands (a field solution).
//! Conventions: SI; port 1 unbalanced, ports 2 and 3 balanced; power waves.
//! Sources: N. Marchand, Electronics 17 (Dec. 1944) 142-145 (memory); K. S. Ang, I. D. Robertson, "Analysis and design
//! of impedance-transforming planar Marchand baluns", IEEE Trans. MTT-49 (2001) 402-406 (memory).

mod circuit;
mod drawing;
mod error;
mod synthesis;

pub use circuit::{Arrangement, BalunNetwork, BalunReading, Family, Link, ideal_pair};
pub use drawing::{Drawing, draw};
pub use error::BalunError;
pub use synthesis::{BalunDesign, BalunRequest, Choice, Limits, Sensitivity, Worst, synthesise};
