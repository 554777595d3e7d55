//! What is built: materials, layers with their tolerances, and the metal drawn on them.
//!
//! Use it for: describing a process ([`Stackup`]) and a structure in it ([`Layout`]); asking where every face
//! lies ([`Stackup::faces`]); naming every number of the process that may vary ([`Parameter`]).
//! Conventions: metre; heights from the top face of the ground; layers bottom up; polygons counter-clockwise.
//! Not here: fields, lines, files of the design folder.

mod dimension;
mod error;
mod layers;
mod layout;
mod material;

pub use dimension::{Dimension, Freedom};
pub use error::StackupError;
pub use layers::{Faces, Layer, Measured, Parameter, Role, Sheet, Slab, Stackup};
pub use layout::{Enclosure, Layout, Point, Polygon, Port, PortPlace, Shape, Side, Terminal, Via, Wall};
pub use material::{Dielectric, Metal};
