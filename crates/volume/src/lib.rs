//! Three-dimensional field solution of layered structures in the frequency domain.
//!
//! Input: a [`Volume`] (layers, bodies, conductors, walls, ports), meshed into a [`Model`]: a
//! triangulated plan swept through levels. Output: the scattering matrix of the ports with a report, or resonances.
//! Method: curl-conforming elements of first or second order on triangular prisms, direct sparse
//! solution with all ports as right-hand sides.
//! Conventions: SI, peak phasors, `exp(+jωt)`, power waves as in `network`.
//! Sources: see `element` for the functions, `system` for the equations, `modes` for the ports.

mod adapt;
mod builder;
mod currents;
mod derivative;
mod describe;
mod eigen;
mod element;
mod foil;
#[cfg(test)]
mod foil_check;
mod layout;
mod mode_table;
mod model;
mod modes;
mod plan;
mod plan_ahead;
mod port_inductance;
mod port_test;
mod reduced;
mod resonance;
mod response;
mod several_lines;
mod solution;
mod solve;
mod space;
mod structure;
mod sweep;
mod system;
mod triangulate;
mod vary;
mod vtu;

pub use adapt::{AdaptSettings, Adapted, Pass, solve_adaptively};
pub use currents::{CurrentMap, CurrentTriangle};
pub use derivative::Motion;
pub use describe::{Axis, Block, Conductor, Layer, MeshSettings, MeshShape, Metal, Pad, Port, Side, Volume, Wall};
pub use element::Order;
pub use layout::{LayoutSettings, volume_from_layout};
pub use model::{Face, Medium, Model, PortShape, PrismMesh, Surface, UprightPath, foil_impedance_ohm, skin_depth_m};
pub use plan::PlanMesh;
pub use plan_ahead::{Cost, cache_bytes, cost};
pub use port_inductance::port_inductance_h;
pub use port_test::{Part, PortTest, internal_ports_test, port_self_test};
pub use resonance::{Resonance, resonances};
pub use response::FieldNetwork;
pub use solution::{Driven, FieldSolution, PortLine, SolutionReport, SolveSettings};
pub use solve::{Asked, Checks, Derivative, InternalPorts, MeshStep, Solved, estimate_structure, solve_structure};
pub use space::Formulation;
pub use structure::{PortName, Structure, Variation};
pub use sweep::{Sweep, SweepSettings};
pub use triangulate::{PlanSize, Segment, triangulate, triangulate_mirrored};

/// Errors of the volume solution.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum VolumeError {
    /// The mesh or the structure cannot be used.
    #[error("{what}")]
    Mesh {
        /// What was expected and found, where.
        what: String,
    },
    /// A port cannot be used.
    #[error("{what}")]
    Port {
        /// What was expected and found.
        what: String,
    },
    /// A frequency outside the range of the method.
    #[error("expected a finite frequency above zero, found {freq_hz} Hz")]
    Frequency {
        /// The frequency, hertz.
        freq_hz: f64,
    },
    /// The problem would not fit.
    #[error("expected at most {unknowns_max} unknowns, found {unknowns}; coarsen the mesh or allow more")]
    TooLarge {
        /// Unknowns of the mesh.
        unknowns: usize,
        /// Unknowns allowed.
        unknowns_max: usize,
    },
    /// The solution would not fit into memory.
    #[error(
        "expected to need at most {allowed} bytes, found {needed} for {unknowns} unknowns; coarsen the mesh or allow more"
    )]
    Memory {
        /// Bytes needed.
        needed: usize,
        /// Bytes allowed.
        allowed: usize,
        /// Unknowns of the mesh.
        unknowns: usize,
    },
    /// The stack or the layout cannot be used.
    #[error(transparent)]
    Stackup(#[from] stackup::StackupError),
    /// The sparse solver gave no usable answer.
    #[error(transparent)]
    Sparse(#[from] sparse::SparseError),
    /// A dense kernel failed.
    #[error(transparent)]
    Numerics(#[from] numerics::NumericsError),
    /// The caller asked to stop.
    #[error(transparent)]
    Cancelled(#[from] numerics::Cancelled),
}
