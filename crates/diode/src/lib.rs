//! Schottky diode models, derivatives, noise, temperature and extraction.

pub mod device;

pub use device::{Device, JunctionPoint};
