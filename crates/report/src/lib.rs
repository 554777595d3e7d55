//! Pictures and documents of a review: SVG, HTML, JSON, CSV, text.
