//! Lumped parts, lines, transformers and network blocks joined into one linear multiport.
//!
//! Use it for: everything around the junctions of a mixer, from the connectors to the inner side of
//! each diode's series resistance. Not for: the junctions themselves, fields, tones.
//!
//! Input: a [`Circuit`] of named nodes, elements, external ports and diode sites.
//! Output: a [`Multiport`], known at any frequency including direct current, with the external
//! ports first and the junction ports after them.
//! Conventions: those of `network` (power waves, peak phasors, `exp(+jωt)`, SI units); ground is
//! node `"0"` or `"gnd"`; the current of a junction port is positive from anode to cathode through
//! the junction, its voltage is anode minus cathode.
//!
//! Method: node voltages and the currents of those elements that have no admittance (inductors,
//! transformers, line ends, blocks) are solved together, every port closed by its reference
//! resistance, so that ideal thrus, opens and shorts are ordinary elements and no impedance or
//! admittance matrix of the whole is ever formed. The extended nodal system is that of C. W. Ho,
//! A. E. Ruehli, P. A. Brennan, "The modified nodal approach to network analysis", IEEE Trans.
//! Circuits Syst. 22 (1975) 504 (from memory).
//!
//! ```
//! # use mixwright_circuit as circuit;
//! use circuit::Circuit;
//! let mut c = Circuit::new();
//! c.add_port("in", ["a", "0"], 50.0).add_resistor("R1", ["a", "b"], 100.0).add_port("out", ["b", "0"], 50.0);
//! let s = network::FrequencyResponse::scattering(&c.compile()?, 1e9).expect("a resistor");
//! assert!((s[(1, 0)].re - 0.5).abs() < 1e-15);
//! # Ok::<(), circuit::CircuitError>(())
//! ```

mod assemble;
mod builder;
mod error;
mod ideal;
mod line;
mod matrix_function;
mod multiport;
mod plan;
mod stamp;
pub mod templates;
mod topology;

pub use builder::{Access, AccessResistance, Circuit, Loss};
pub use error::CircuitError;
pub use ideal::{FixedScattering, QuadratureHybrid, sum_difference_hybrid};
pub use line::{CoupledPair, Line, LineLoss, MulticonductorLine, MulticonductorLoss};
pub use multiport::{Multiport, PortKind, WorkSummary};
