//! Multiport parameters: convert, connect, renormalise, de-embed, check, read and write.

pub mod response;

pub use response::{FrequencyResponse, NetworkError};
