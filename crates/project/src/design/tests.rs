use super::*;
use crate::demo;

#[test]
fn every_key_of_the_file_is_on_the_reference_page() {
    let page =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/design-file.md")).expect("page");
    let sink = Sink::default();
    parse_with("all-keys.toml", include_str!("../../tests/data/all-keys.toml"), Path::new(""), &sink);
    parse_with(demo::CIRCUIT_FILE, demo::CIRCUIT_TEXT, Path::new(""), &sink);
    let asked = sink.asked();
    assert!(asked.len() > 100, "only {} keys were asked for", asked.len());
    let absent: Vec<&String> = asked
        .iter()
        .filter(|path| {
            let key = path.rsplit('.').next().expect("a path has a last part");
            !page.contains(&format!("`{key}`"))
        })
        .collect();
    assert!(absent.is_empty(), "docs/design-file.md says nothing of {absent:?}");
}
