//! What can be wrong with a circuit, always with the element or node it is about.

/// Errors of building and joining circuits.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CircuitError {
    /// Two elements, ports or diodes carry one name.
    #[error("expected every name once, found `{element}` twice: rename one of them")]
    DuplicateName {
        /// The name.
        element: String,
    },
    /// A value that no part can have.
    #[error("expected {what} of `{element}` to be {expected}, found {found}")]
    Value {
        /// Which element.
        element: String,
        /// Which value, with unit.
        what: &'static str,
        /// What is allowed.
        expected: &'static str,
        /// What was given.
        found: f64,
    },
    /// A list or matrix of the wrong size.
    #[error("expected {expected} for `{element}`, found {found}")]
    Shape {
        /// Which element.
        element: String,
        /// What was expected.
        expected: String,
        /// What was given.
        found: String,
    },
    /// A matrix that no passive structure can have.
    #[error("expected the {what} of `{element}` to be {expected}, found {found}")]
    Matrix {
        /// Which element.
        element: String,
        /// Which matrix.
        what: &'static str,
        /// What is allowed.
        expected: &'static str,
        /// What was seen.
        found: String,
    },
    /// An empty node name.
    #[error("expected a node name at every terminal of `{element}`, found an empty one")]
    EmptyNode {
        /// Which element.
        element: String,
    },
    /// Both ends of a part on one node.
    #[error("expected `{element}` between two different nodes, found both ends on node `{node}`")]
    SameNode {
        /// Which element.
        element: String,
        /// The node.
        node: String,
    },
    /// A node with a single terminal, so that no current can reach it.
    #[error(
        "expected node `{node}` to join at least two terminals, found only `{element}`: \
         connect it, correct its name, or declare it open"
    )]
    FloatingNode {
        /// The only element there.
        element: String,
        /// The node.
        node: String,
    },
    /// No path for the current of a port from its first node back to its second.
    #[error(
        "expected a return path for `{element}` from node `{node}` to node `{reference}`, found none: \
         connect the reference or ground"
    )]
    NoReturnPath {
        /// The port or diode.
        element: String,
        /// Its first node.
        node: String,
        /// Its second node.
        reference: String,
    },
    /// No terminal at ground.
    #[error("expected at least one terminal on ground (node `0`), found none: ground the circuit somewhere")]
    NoGround,
    /// No external port and no diode.
    #[error("expected at least one external port or diode, found none")]
    NoPort,
    /// The joined network cannot be solved.
    #[error(transparent)]
    Network(#[from] network::NetworkError),
}

impl CircuitError {
    /// The element, port or diode the error is about, when there is one.
    pub fn element(&self) -> Option<&str> {
        match self {
            Self::DuplicateName { element }
            | Self::Value { element, .. }
            | Self::Shape { element, .. }
            | Self::Matrix { element, .. }
            | Self::EmptyNode { element }
            | Self::SameNode { element, .. }
            | Self::FloatingNode { element, .. }
            | Self::NoReturnPath { element, .. } => Some(element),
            Self::NoGround | Self::NoPort | Self::Network(_) => None,
        }
    }

    /// The node the error is about, when there is one.
    pub fn node(&self) -> Option<&str> {
        match self {
            Self::SameNode { node, .. } | Self::FloatingNode { node, .. } | Self::NoReturnPath { node, .. } => {
                Some(node)
            }
            _ => None,
        }
    }
}
