//! The designs printed in the guide are read and joined as they stand there.

use mixwright_project::design::Design;
use mixwright_project::{demo, files};
use std::path::{Path, PathBuf};

/// The complete designs of a page of the guide.
fn designs(page: &str) -> Vec<String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/guide").join(page);
    let text = std::fs::read_to_string(path).expect("the page");
    let blocks = text.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next());
    blocks.filter(|b| b.starts_with("format")).map(str::to_owned).collect()
}

fn check(page: &str, folder: &Path, n_diodes: usize) {
    let designs = designs(page);
    assert_eq!(designs.len(), 1, "{page}");
    let design = Design::parse(page, &designs[0], folder).unwrap_or_else(|e| panic!("{e}"));
    let (multiport, assembled) = design.multiport(None).unwrap_or_else(|e| panic!("{page}: {e}"));
    assert_eq!(assembled.diodes.len(), n_diodes, "{page}");
    assert_eq!(network::FrequencyResponse::n_ports(&multiport), 3 + n_diodes, "{page}");
}

#[test]
fn the_first_review_reads() {
    check("first-review.md", &PathBuf::new(), 4);
}

#[test]
fn diodes_attach_to_field_data_as_printed() {
    let folder = std::env::temp_dir().join(format!("mixwright-guide-{}", std::process::id()));
    let data = demo::network_data().expect("the demonstration compiles");
    files::write_whole(&folder.join(demo::NETWORK_DATA_FILE), data.as_bytes()).expect("written");
    check("field-data.md", &folder, 4);
    std::fs::remove_dir_all(&folder).expect("the folder is ours");
}
