use super::*;
use crate::demo;
use network::Continuation;

fn page() -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/design-file.md")).expect("the page")
}

fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data")
}

#[test]
fn every_key_of_the_file_is_on_the_reference_page() {
    let page = page();
    let sink = Sink::default();
    for text in [include_str!("../../tests/data/all-keys.toml"), include_str!("../../tests/data/template.toml")] {
        parse_with("all-keys.toml", text, &data(), &sink);
    }
    let asked = sink.asked();
    assert!(sink.is_empty(), "{:?}", sink.into_problems());
    assert!(asked.len() > 100, "only {} keys were asked for", asked.len());
    let absent: Vec<&String> = asked
        .iter()
        .filter(|path| {
            let key = path.rsplit('.').next().expect("a path has a last part");
            *path != "diode.D" && !page.contains(&format!("`{key}`")) && !page.contains(&format!("circuit.{key}]]`"))
        })
        .collect();
    assert!(absent.is_empty(), "docs/design-file.md says nothing of {absent:?}");
}

#[test]
fn every_continuation_is_on_the_reference_page() {
    let page = page();
    for continuation in Continuation::ALL {
        let entry = format!("| `\"{}\"` |", continuation.name());
        assert!(page.contains(&entry), "docs/design-file.md has no row {entry}");
    }
}

#[test]
fn the_demonstration_asks_for_nothing_new() {
    let sink = Sink::default();
    parse_with(demo::CIRCUIT_FILE, demo::CIRCUIT_TEXT, Path::new(""), &sink);
    assert!(sink.is_empty(), "{:?}", sink.into_problems());
}
