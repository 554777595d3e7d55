//! Ready-made topologies.
