//! Lumped parts, lines, transformers and network blocks joined into one linear multiport.
