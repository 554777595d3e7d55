//! What is built: materials, layers with their tolerances, and the metal drawn on them.
//!
//! Use it for: describing a process ([`Stackup`]) and a structure in it ([`Layout`]); asking where every face
//! lies ([`Stackup::faces`]); naming every number of the process that may vary ([`Parameter`]); drawing metal from
//! design numbers ([`generators`]), checking it against the rules of the process ([`check_rules`]) and exchanging
//! mask data ([`write_gds`], [`read_gds`]).
//! Conventions: metre; heights from the top face of the ground; layers bottom up; polygons counter-clockwise.
//! Not here: fields, lines, files of the design folder.

mod area;
mod dimension;
mod error;
mod gds;
pub mod generators;
mod layers;
mod layout;
mod made;
mod material;
mod rules;
mod technology;

pub use area::{Area, GRID_M};
pub use dimension::{Dimension, Freedom};
pub use error::StackupError;
pub use gds::{LayerMap, MaskData, read_gds, write_gds};
pub use generators::Corner;
pub use layers::{Faces, Layer, Measured, Parameter, Role, Sheet, Slab, Stackup};
pub use layout::{Enclosure, Layout, Point, Polygon, Port, PortPlace, Shape, Side, Terminal, Via, Wall};
pub use material::{Dielectric, Metal};
pub use rules::{Rule, Violation, check_rules};
pub use technology::Technology;
