//! Why a stack, a layout or a mask file cannot be used.

/// Errors of stack, layout and mask data.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum StackupError {
    /// No layers.
    #[error("stack `{stackup}` has no layers; expected at least one dielectric")]
    Empty {
        /// Name of the stack.
        stackup: String,
    },
    /// A layer name nobody defined.
    #[error("layer `{name}` is not in the stack; its layers are {}", .known.join(", "))]
    UnknownLayer {
        /// Name asked for.
        name: String,
        /// Names that exist.
        known: Vec<String>,
    },
    /// A material name nobody defined.
    #[error("{kind} `{name}` is not among the materials; known are {}", .known.join(", "))]
    UnknownMaterial {
        /// Dielectric or metal.
        kind: &'static str,
        /// Name asked for.
        name: String,
        /// Names that exist.
        known: Vec<String>,
    },
    /// Two layers of one name.
    #[error("two layers are called `{name}`; names must differ")]
    Duplicate {
        /// The name.
        name: String,
    },
    /// A layer at a place where it cannot be.
    #[error("layer `{layer}` cannot stand here; expected {expected}")]
    Misplaced {
        /// The layer.
        layer: String,
        /// What was expected.
        expected: String,
    },
    /// A number outside its range.
    #[error("{what}: {fault}")]
    Number {
        /// Which number.
        what: String,
        /// What is wrong.
        fault: String,
    },
    /// A shape that is not an area.
    #[error("{what}: {fault}")]
    Shape {
        /// Which generator or polygon.
        what: String,
        /// What is wrong.
        fault: String,
    },
    /// A mask file that cannot be read.
    #[error("mask data, byte {offset}: expected {expected}, found {found}")]
    Mask {
        /// Place in the file.
        offset: usize,
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
}
