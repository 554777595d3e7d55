//! Pictures and documents of a review: SVG, HTML, JSON, CSV, text.
//!
//! Use it for: turning a [`spec::Review`] into texts. Not for: computing anything, writing files.
//! Input: a review. Output: strings.
//! Conventions: every number is printed with its band when it has one; numbers that are not finite
//! read `no value`; levels below the floor of a spur grid read `not claimed`.

mod figures;
mod html;
pub mod json;
mod number;
pub mod picture;
mod plots;
mod rows;
mod table;
mod text;
mod words;

pub use figures::text as figure_text;
pub use html::html;
pub use json::json;
pub use plots::pictures;
pub use rows::csv;
pub use text::summary_text;

/// Style sheet of our pages, beside [`picture::palette::style_sheet`]; other pages in the same look use it too.
pub const PAGE_STYLE: &str = include_str!("style.css");
