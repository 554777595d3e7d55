//! The pages as PDF: vectors, selectable text, the typeface embedded as a subset.

use crate::canvas::{BOLD, FAMILY, PAGE_HEIGHT, PAGE_WIDTH, REGULAR};
use crate::{DatasheetError, Sheet, pages};
use krilla::Document;
use krilla::geom::Size;
use krilla::metadata::Metadata;
use krilla::page::PageSettings;
use krilla_svg::{SurfaceExt, SvgSettings};
use std::sync::Arc;
use usvg::fontdb::Database;

/// The datasheet as the bytes of a PDF file; the same sheet gives the same bytes.
///
/// # Errors
/// Measured samples that allow no statement; pages that cannot be written.
pub fn pdf(sheet: &Sheet) -> Result<Vec<u8>, DatasheetError> {
    let pages = pages(sheet)?;
    let mut fonts = Database::new();
    fonts.load_font_data(REGULAR.to_vec());
    fonts.load_font_data(BOLD.to_vec());
    fonts.set_sans_serif_family(FAMILY);
    let options = usvg::Options { font_family: FAMILY.into(), fontdb: Arc::new(fonts), ..Default::default() };
    let failed = |page: usize| move |why: String| DatasheetError::Page { page: page + 1, why };
    let size = Size::from_wh(PAGE_WIDTH as f32, PAGE_HEIGHT as f32).expect("A4 has an area");
    let mut document = Document::new();
    document.set_metadata(
        Metadata::new()
            .title(format!("{} datasheet, revision {}", sheet.name, sheet.revision))
            .description(sheet.kind.clone())
            .language("en".into())
            .creator(format!("mixwright {}", env!("CARGO_PKG_VERSION"))),
    );
    for (i, svg) in pages.iter().enumerate() {
        let tree = usvg::Tree::from_str(svg, &options).map_err(|e| failed(i)(e.to_string()))?;
        let mut page = document.start_page_with(PageSettings::new(size));
        let mut surface = page.surface();
        surface
            .draw_svg(&tree, size, SvgSettings::default())
            .ok_or_else(|| failed(i)("the picture has no area".into()))?;
        surface.finish();
        page.finish();
    }
    document.finish().map_err(|e| failed(pages.len().saturating_sub(1))(format!("{e:?}")))
}
