//! The built-in demonstration: an invented 20-26 GHz ring mixer at circuit level, and the same from network data.

/// File name of the design at circuit level.
pub const CIRCUIT_FILE: &str = "qb-k07.toml";
/// The design at circuit level.
pub const CIRCUIT_TEXT: &str = include_str!("../demo/qb-k07.toml");
/// File name of the design from network data.
pub const NETWORK_FILE: &str = "qb-k07-network.toml";
/// The design from network data; it names [`NETWORK_DATA_FILE`].
pub const NETWORK_TEXT: &str = include_str!("../demo/qb-k07-network.toml");
/// Network data named by [`NETWORK_TEXT`]: three external ports, then one port a diode.
pub const NETWORK_DATA_FILE: &str = "qb-k07.s7p";
